//! The broker: what it does not tell is tried.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use uuid::Uuid;

use super::seat::{Login, PASSING, Seat, clear};
use super::{Context, Finding, Mark, Report};
use crate::app::mqtt::address;
use crate::config::Mqtt;
use crate::edge::mqtt::link::Version;
use crate::edge::mqtt::topic::{ALL_STATUS, ALL_UP, DOCTOR};

/// Messages of the queue probe: above the 1,000 which brokers keep by default.
const QUEUED: usize = 1_500;
/// After so long without a message none is expected any more.
pub(super) const SILENCE: Duration = Duration::from_secs(3);
/// The broker's settings as we ship it.
const SHIPPED: &str = "deploy/mosquitto/mosquitto.conf";
/// How much larger than allowed the larger packet is, bytes.
const BEYOND: u32 = 1_024;
/// Room the probe itself leaves above that.
const ROOM: u32 = 8_192;

/// A run of the doctor at one broker.
pub(super) struct Visit {
    pub(super) login: Login,
    /// Begin of every name and payload: another doctor may be there.
    pub(super) run: String,
    packet_bytes: u32,
}

pub(super) async fn check(
    context: &Context,
    device: Option<Uuid>,
    report: &mut Report,
) -> anyhow::Result<()> {
    let config = &context.config().mqtt;
    let Some(at) = config.broker()? else {
        let found = "none is configured (mqtt.broker)";
        return report.tell(&match device {
            None => Finding::ok("broker", found),
            Some(_) => Finding::fail(
                "broker",
                found,
                "give --broker too: --device is tried there",
            ),
        });
    };
    let visit = match Visit::new(config, (at.host, at.port), at.tls) {
        Ok(visit) => visit,
        Err(error) => {
            let fix = "name a readable file in mqtt.password_file";
            return report.tell(&Finding::fail("broker", format!("{error:#}"), fix));
        }
    };
    let (come_in, goes_on) = visit.come_in().await;
    report.tell(&come_in)?;
    if !goes_on {
        return Ok(());
    }
    report.tell(&visit.queue().await)?;
    report.tell(&Finding::warn(
        "broker persistence",
        "what survives a restart of the broker cannot be tried from outside",
        format!(
            "see that it has persistence true and autosave_interval 1 with autosave_on_changes false, as in \
             {SHIPPED}"
        ),
    ))?;
    for finding in visit.sizes().await {
        report.tell(&finding)?;
    }
    let password = context.surroundings.mqtt_password();
    report.tell(&match (device, password) {
        (Some(device), Some(password)) => visit.access(device, password).await,
        _ => Finding::warn(
            "broker access list",
            "not checked",
            "give --device and RESTVOLT_MQTT_PASSWORD",
        ),
    })
}

impl Visit {
    fn new(config: &Mqtt, at: (String, u16), tls: bool) -> anyhow::Result<Self> {
        let mut address = address(config, at)?;
        address.will = None;
        let packet_bytes = config.packet_bytes;
        address.packet_bytes = packet_bytes + ROOM;
        let ca = (!config.ca_file.is_empty()).then(|| PathBuf::from(&config.ca_file));
        let run = format!("restvolt-doctor-{:08x}", random()?);
        Ok(Self {
            login: Login { address, tls, ca },
            run,
            packet_bytes,
        })
    }

    pub(super) fn name(&self, part: &str) -> String {
        format!("{}-{part}", self.run)
    }

    /// Logs in and subscribes; whether the other probes may follow.
    async fn come_in(&self) -> (Finding, bool) {
        let check = "broker";
        match self.try_come_in().await {
            Ok(None) => {
                let at = &self.login.address;
                let found = format!("{}:{} lets the service in and subscribe", at.host, at.port);
                (Finding::ok(check, found), true)
            }
            Ok(Some(finding)) => (finding, false),
            Err(error) => {
                let fix = "start the broker, and see that mqtt.broker, mqtt.username, \
                           mqtt.password_file and mqtt.ca_file name it and a login it lets in";
                (Finding::fail(check, format!("{error:#}"), fix), false)
            }
        }
    }

    async fn try_come_in(&self) -> anyhow::Result<Option<Finding>> {
        // Nobody has these names: a session that is there under the second is one of another name.
        // Until that is known nothing may end a session, or the service's own could be gone.
        let names = [self.name("first"), self.name("second")];
        let mut replaced = false;
        for name in &names {
            let seat = Seat::take(&self.login, name, self.login.address.session).await?;
            replaced |= seat.present;
            seat.leave().await;
        }
        if replaced {
            let found = "it replaces the client's name by the login (use_username_as_clientid): the \
                         probes would take the service's session, and were left out";
            let fix = format!(
                "let the service and the doctor in on a listener without that line, as in {SHIPPED}"
            );
            return Ok(Some(Finding::fail("broker", found, fix)));
        }
        for name in &names {
            clear(&self.login, name).await;
        }
        let mut seat = Seat::take(&self.login, &names[0], PASSING).await?;
        let doctor = format!("{DOCTOR}/#");
        let granted = seat.subscribe(&[ALL_UP, ALL_STATUS, &doctor]).await?;
        seat.leave().await;
        Ok((!granted).then(|| {
            let found = "it refused a subscription of the service";
            let fix = "let its access list allow the login of mqtt.username what deploy/mosquitto/acl \
                       allows";
            Finding::fail("broker", found, fix)
        }))
    }

    /// Whether the broker keeps more for an absent service than its usual thousand messages.
    async fn queue(&self) -> Finding {
        let check = "broker queue";
        let tried = self.try_queue().await;
        clear(&self.login, &self.name("queue")).await;
        match tried {
            Ok(None) => Finding::fail(
                check,
                "the session was gone at once",
                "let the broker keep sessions: persistent_client_expiration 14d",
            ),
            Ok(Some(0)) => Finding::fail(
                check,
                format!("none of {QUEUED} messages for an absent client came"),
                "let the access list allow the login of mqtt.username to write and read \
                 restvolt/v1/doctor/#, and set max_queued_messages 0",
            ),
            Ok(Some(kept)) if kept < QUEUED => Finding::fail(
                check,
                format!(
                    "of {QUEUED} messages for an absent client, each acknowledged, it kept {kept}"
                ),
                "set max_queued_messages 0 and max_queued_bytes 2000000000",
            ),
            Ok(Some(kept)) => {
                let found = format!("kept {kept} of {QUEUED} messages for an absent client");
                Finding::ok(check, found)
            }
            Err(error) => Finding::fail(
                check,
                format!("the probe broke off: {error:#}"),
                "see the broker's log, and run `restvolt doctor` again",
            ),
        }
    }

    /// How many came back; `None` = the session was not kept.
    async fn try_queue(&self) -> anyhow::Result<Option<usize>> {
        let (name, topic) = (self.name("queue"), format!("{DOCTOR}/queue"));
        let session = self.login.address.session;
        let mut seat = Seat::take(&self.login, &name, session).await?;
        seat.subscribe(&[&topic]).await?;
        seat.leave().await;
        let mut writer = Seat::take(&self.login, &self.name("writer"), PASSING).await?;
        let payloads = (0..QUEUED).map(|number| format!("{} {number}", self.run).into_bytes());
        writer.publish(&topic, payloads).await?;
        writer.leave().await;
        let mut seat = Seat::take(&self.login, &name, session).await?;
        if !seat.present {
            return Ok(None);
        }
        let mut kept = BTreeSet::new();
        while kept.len() < QUEUED {
            let Some(message) = seat.message(SILENCE).await? else {
                break;
            };
            if message.topic == topic && message.payload.starts_with(self.run.as_bytes()) {
                kept.insert(message.payload);
            }
        }
        seat.leave().await;
        Ok(Some(kept.len()))
    }

    /// Whether the largest packet passes, and a larger one does not.
    async fn sizes(&self) -> Vec<Finding> {
        let (bytes, larger) = (self.packet_bytes, self.packet_bytes + BEYOND);
        let (check, check_larger) = ("broker packet size", "broker larger packets");
        let fix =
            format!("set max_packet_size {bytes}, or mqtt.packet_bytes to the broker's limit");
        let fits = match self.comes_back(bytes).await {
            Ok(true) => Finding::ok(
                check,
                format!("a packet of {bytes} bytes passes (mqtt.packet_bytes)"),
            ),
            Ok(false) => Finding::fail(
                check,
                format!("a packet of {bytes} bytes (mqtt.packet_bytes) does not come back"),
                fix,
            ),
            Err(error) => Finding::fail(check, format!("the probe broke off: {error:#}"), fix),
        };
        let fix = format!("set max_packet_size {bytes}");
        // Where not even the allowed one passes, a larger one that does not shows nothing.
        let beyond = match self.comes_back(larger).await {
            Ok(true) => Finding::warn(
                check_larger,
                format!(
                    "it takes a packet of {larger} bytes: one the service cannot read would come \
                     again at every connection, with all good ones behind it"
                ),
                fix,
            ),
            Ok(false) if fits.mark == Mark::Ok => Finding::ok(
                check_larger,
                format!("a packet of {larger} bytes is refused"),
            ),
            Ok(false) => Finding::warn(check_larger, "not shown: the allowed size fails too", fix),
            Err(error) => {
                Finding::warn(check_larger, format!("the probe broke off: {error:#}"), fix)
            }
        };
        vec![fits, beyond]
    }

    /// Whether a message that makes a packet of this size comes back. A broker that cuts the writer
    /// off has refused it.
    async fn comes_back(&self, bytes: u32) -> anyhow::Result<bool> {
        let topic = format!("{DOCTOR}/size");
        let mut reader = Seat::take(&self.login, &self.name("reader"), PASSING).await?;
        reader.subscribe(&[&topic]).await?;
        let mut payload = format!("{} {bytes} ", self.run).into_bytes();
        let version = self.login.address.version;
        payload.resize(payload_of(bytes as usize, topic.len(), version), b'.');
        let mut writer = Seat::take(&self.login, &self.name("writer"), PASSING).await?;
        let sent = writer
            .publish(&topic, std::iter::once(payload.clone()))
            .await;
        writer.leave().await;
        let mut back = false;
        while sent.is_ok() && !back {
            match reader.message(SILENCE).await? {
                Some(message) => back = message.payload == payload,
                None => break,
            }
        }
        reader.leave().await;
        Ok(back)
    }
}

fn random() -> anyhow::Result<u32> {
    let mut bytes = [0u8; 4];
    getrandom::fill(&mut bytes).map_err(|error| anyhow::anyhow!("no random: {error}"))?;
    Ok(u32::from_le_bytes(bytes))
}

/// Payload that makes a packet of `bytes` on a topic of this length, at least once.
fn payload_of(bytes: usize, topic: usize, version: Version) -> usize {
    let properties = match version {
        Version::V3 => 0,
        Version::V5 => 1,
    };
    // Kind; the length of the rest in groups of seven bits; topic with its length; packet id.
    let groups = (1..=4u32).find(|groups| {
        let rest = bytes.saturating_sub(1 + *groups as usize);
        rest < 1 << (7 * groups)
    });
    let head = 1 + groups.unwrap_or(4) as usize + 2 + topic + 2 + properties;
    bytes.saturating_sub(head)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_payload_fills_the_packet_to_the_byte() {
        // 4096 = 1 + 2 + 2 + 10 + 2 + 4079; above 16,383 the length takes three bytes.
        assert_eq!(payload_of(4_096, 10, Version::V3), 4_079);
        assert_eq!(payload_of(4_096, 10, Version::V5), 4_078);
        assert_eq!(payload_of(262_144, 10, Version::V3), 262_126);
        assert_eq!(payload_of(1 << 20, 10, Version::V5), (1 << 20) - 19);
    }
}
