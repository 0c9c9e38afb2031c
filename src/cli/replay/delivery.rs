//! How recordings reach a service: where to, how fast, in which state of disorder.

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::Context as _;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;

use super::Declaration;
use super::client::{Bench, Client, bearer};
use super::mqtt::MqttSender;
use super::sender::{self, Sender, Tally, batches, order, random_boot};
use crate::cli::local::Local;
use crate::cli::trace::Recording;
use crate::cli::{Context, Done, print, remark};
use crate::clock::Clock;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::Version;
use crate::edge::pb;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::wire;
use crate::query::tokens::{self, NewToken};
use crate::record::batch;
use crate::record::words::{DeviceKind, Scope};

/// Where recordings are sent, and how.
#[derive(Debug, clap::Args)]
#[expect(
    clippy::struct_excessive_bools,
    reason = "each is a flag of the command line"
)]
pub(in crate::cli) struct Delivery {
    /// Service to send to.
    #[arg(long, default_value = "http://127.0.0.1:7400")]
    pub(in crate::cli) server: String,
    /// Shop the benches stand in; made when new.
    #[arg(long, default_value = "first shop")]
    pub(in crate::cli) shop: String,
    /// Recorded seconds per second; 0 = as fast as the service keeps up.
    #[arg(long, default_value_t = 0.0, value_parser = speed)]
    pub(in crate::cli) speed: f64,
    /// Samples a batch.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u16).range(1..=3600))]
    pub(in crate::cli) batch: u16,
    /// Send over MQTT: mqtt://HOST:PORT of the service's own door, or of a broker.
    #[arg(long, value_name = "URL")]
    pub(in crate::cli) mqtt: Option<String>,
    /// Login at a broker that may write for every device; its password in
    /// `RESTVOLT_MQTT_PASSWORD`.
    /// Without it each device logs in by itself, as the service's own door wants it.
    #[arg(long, value_name = "NAME", requires = "mqtt")]
    pub(in crate::cli) mqtt_user: Option<String>,
    /// Version of MQTT: 5, or 3 for 3.1.1.
    #[arg(long, value_name = "VERSION", default_value = "5", value_parser = version)]
    pub(in crate::cli) mqtt_version: Version,
    /// Send batches in their JSON form over MQTT.
    #[arg(long, requires = "mqtt")]
    pub(in crate::cli) mqtt_json: bool,
    /// Shuffle batches and send a fifth of them twice, repeatably for a seed.
    #[arg(long, value_name = "SEED")]
    pub(in crate::cli) disorder: Option<u64>,
    /// Devices do not know the time: the service dates what comes by its arrival.
    #[arg(long)]
    pub(in crate::cli) no_clock: bool,
    /// Devices start again after so many hours of the recording: numbers and clocks begin anew.
    #[arg(long, value_name = "HOURS", value_parser = hours)]
    pub(in crate::cli) reboot: Option<f64>,
    /// Devices are out of reach from one hour of the recording to another, and send what they kept
    /// afterwards. Shows at a --speed.
    #[arg(long, value_name = "FROM-TO", value_parser = span, requires = "speed")]
    pub(in crate::cli) offline: Option<(f64, f64)>,
    /// Do not report the end of the charge: the sessions close by silence.
    #[arg(long)]
    pub(in crate::cli) no_end: bool,
    /// Read the samples back and compare them with what was to be sent.
    #[arg(long)]
    pub(in crate::cli) verify: bool,
}

fn version(text: &str) -> Result<Version, String> {
    match text {
        "3" | "3.1.1" => Ok(Version::V3),
        "5" => Ok(Version::V5),
        _ => Err("it is 3 or 5".into()),
    }
}

fn speed(text: &str) -> Result<f64, String> {
    let speed: f64 = text.parse().map_err(|_| "it is a number")?;
    if speed.is_finite() && speed >= 0.0 {
        Ok(speed)
    } else {
        Err("it is 0 or more".into())
    }
}

fn hours(text: &str) -> Result<f64, String> {
    let hours: f64 = text.parse().map_err(|_| "it is a number of hours")?;
    if hours.is_finite() && hours > 0.0 {
        Ok(hours)
    } else {
        Err("it is more than 0".into())
    }
}

fn span(text: &str) -> Result<(f64, f64), String> {
    let (from, to) = text.split_once('-').ok_or("it is FROM-TO, such as 2-3.5")?;
    let (from, to) = (hours(from)?, hours(to)?);
    if from < to {
        Ok((from, to))
    } else {
        Err("FROM comes before TO".into())
    }
}

/// Hours as milliseconds.
#[expect(clippy::cast_possible_truncation, reason = "hours of a recording")]
fn milliseconds(hours: f64) -> i64 {
    (hours * 3_600_000.0) as i64
}

/// What is sent: the devices of one bench.
pub(in crate::cli) struct Sent<'a> {
    /// Beginning of the devices' names.
    pub(in crate::cli) name: &'a str,
    pub(in crate::cli) recordings: &'a BTreeMap<DeviceKind, Recording>,
    pub(in crate::cli) declare: Option<&'a Declaration>,
}

impl Delivery {
    /// Connects, with a token that may register devices.
    pub(in crate::cli) async fn client(&self, context: &Context) -> anyhow::Result<Client> {
        let token = operator_token(context).await?;
        let mut client = Client::of(&self.server, &token).await?;
        if let Some(password) = context.surroundings.mqtt_password() {
            password.clone_into(&mut client.gateway);
        }
        Ok(client)
    }

    /// As fast as the service keeps up, in order, over gRPC or through an MQTT door.
    pub(in crate::cli) fn plain(server: String, shop: &str, mqtt: Option<String>) -> Self {
        Self {
            server,
            shop: shop.to_owned(),
            speed: 0.0,
            batch: 60,
            mqtt,
            mqtt_user: None,
            mqtt_version: Version::V5,
            mqtt_json: false,
            disorder: None,
            no_clock: false,
            reboot: None,
            offline: None,
            no_end: false,
            verify: false,
        }
    }

    /// Sends the recordings of a bench side by side and reports what became of them.
    pub(in crate::cli) async fn send(
        &self,
        context: &Context,
        (client, bench): (&Client, &Bench),
        sent: Sent<'_>,
    ) -> anyhow::Result<Done> {
        let span = sent
            .recordings
            .values()
            .map(|recording| recording.samples.last_ms())
            .max();
        remark(&format!(
            "{}: {} devices, {:.1} h",
            sent.name,
            sent.recordings.len(),
            TimeDelta::milliseconds(span.unwrap_or(0)).as_seconds_f64() / 3600.0
        ));
        let mut refused = 0;
        for carried in self.carry(client, bench, sent).await? {
            refused += carried.tally.refused;
            report(context, &carried)?;
            anyhow::ensure!(
                carried.same != Some(false),
                "the samples read back differ from what was to be sent"
            );
        }
        Ok(if refused == 0 {
            Done::All
        } else {
            Done::SomeRefused
        })
    }

    /// Sends the recordings of a bench side by side.
    pub(in crate::cli) async fn carry(
        &self,
        client: &Client,
        bench: &Bench,
        sent: Sent<'_>,
    ) -> anyhow::Result<Vec<Carried>> {
        let mut plan = Plan::new(sent.recordings, self.speed, Clock::System.now());
        plan.offline = self
            .offline
            .map(|(from, to)| (milliseconds(from), milliseconds(to)));
        let devices = sent.recordings.iter().map(|(kind, recording)| {
            let part = (sent.name, *kind, recording);
            Box::pin(client.send(self, (bench, sent.declare), part, &plan))
        });
        let devices = futures_util::future::join_all(devices).await;
        devices.into_iter().collect()
    }
}

/// What became of a device's recording.
pub(in crate::cli) struct Carried {
    pub(in crate::cli) device: pb::Device,
    pub(in crate::cli) tally: Tally,
    /// What is read back equals what was to be sent; `None` when it was not read.
    pub(in crate::cli) same: Option<bool>,
}

/// A token that may register devices: the one given, else one made on this machine for a day.
async fn operator_token(context: &Context) -> anyhow::Result<String> {
    if let Some(token) = context.surroundings.token() {
        return Ok(token.to_owned());
    }
    let local = Local::open(context)
        .await
        .context("no RESTVOLT_TOKEN is set, and the local database cannot be opened to make one")?;
    let new = NewToken {
        scope: Scope::Operator,
        name: "replay".into(),
        shop: None,
        device: None,
        valid_days: 1,
    };
    let made = tokens::create(local.store(), &local.clock, &local.caller, new).await;
    local.close().await;
    Ok(made?.1.reveal().to_owned())
}

/// When each part of the recording is sent, and which dates it bears.
pub(in crate::cli) struct Plan {
    /// The file's clock at the start of the recording, ms.
    file_start_ms: i64,
    /// The wall clock that start is shifted to.
    start: DateTime<Utc>,
    began: tokio::time::Instant,
    speed: f64,
    /// Nothing is sent between these moments, ms from the start of the recording.
    offline: Option<(i64, i64)>,
}

impl Plan {
    /// Everything at once.
    pub(in crate::cli) fn at_once(now: DateTime<Utc>) -> Self {
        Self::new(&BTreeMap::new(), 0.0, now)
    }

    fn new(recordings: &BTreeMap<DeviceKind, Recording>, speed: f64, now: DateTime<Utc>) -> Self {
        let starts = recordings.values().map(|recording| recording.clock_ms);
        let ends = recordings
            .values()
            .map(|r| r.clock_ms + r.samples.last_ms());
        let file_start_ms = starts.min().unwrap_or(0);
        let span = TimeDelta::milliseconds(ends.max().unwrap_or(0) - file_start_ms);
        let takes = if speed > 0.0 {
            span.as_seconds_f64() / speed
        } else {
            0.0
        };
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a span of days in milliseconds"
        )]
        let takes = TimeDelta::milliseconds((takes * 1000.0) as i64);
        Self {
            file_start_ms,
            start: now + takes - span,
            began: tokio::time::Instant::now(),
            speed,
            offline: None,
        }
    }

    pub(super) fn wall(&self, file_ms: i64) -> DateTime<Utc> {
        self.start + TimeDelta::milliseconds(file_ms - self.file_start_ms)
    }

    /// When a moment of the file is sent.
    pub(super) fn due(&self, file_ms: i64) -> tokio::time::Instant {
        if self.speed > 0.0 {
            let mut at = file_ms - self.file_start_ms;
            if let Some((from, to)) = self.offline
                && (from..to).contains(&at)
            {
                at = to;
            }
            let at = at as f64 / 1000.0 / self.speed;
            self.began + Duration::from_secs_f64(at.max(0.0))
        } else {
            self.began
        }
    }
}

impl Client {
    async fn send(
        &self,
        delivery: &Delivery,
        (bench, declare): (&Bench, Option<&Declaration>),
        (name, kind, recording): (&str, DeviceKind, &Recording),
        plan: &Plan,
    ) -> anyhow::Result<Carried> {
        let made = self.device(bench, kind, format!("{name} {kind}")).await?;
        let device = made.device.clone().unwrap_or_default();
        let declared = declare.filter(|declared| declared.applies(kind, &recording.samples));
        if let Some(declared) = declared {
            self.declare(&device.device_id, declared).await?;
            remark(&format!("  {kind}: declared {}", declared.unit));
        }
        let parts = match delivery.reboot {
            Some(hours) => recording.parted(milliseconds(hours)),
            None => vec![recording.clone()],
        };
        let last = parts.len().saturating_sub(1);
        let mut tally = Tally {
            stored: Some(0),
            duplicate: Some(0),
            ..Tally::default()
        };
        let mut expected = Vec::new();
        for (index, part) in parts.iter().enumerate() {
            let boot = random_boot()?;
            let mut batches = batches(part, plan, delivery.batch);
            if index == last && !delivery.no_end {
                sender::end(part, &mut batches);
            }
            if delivery.no_clock {
                for batch in &mut batches {
                    batch.clock = pb::ClockState::None as i32;
                    batch.start_time = None;
                }
            }
            let how = (delivery, plan, part.clock_ms);
            tally += self.send_boot(&made, boot, batches, how).await?;
            let mut samples = part.samples.clone();
            if let Some(declared) = declared
                && declared.unit.starts_with('m')
            {
                batch::scale_down(samples.columns.get_mut(declared.channel));
            }
            expected.push((boot, samples));
        }
        tally.sent = recording.samples.count();
        let same = if delivery.verify {
            Some(self.verify(&device.device_id, &expected).await?)
        } else {
            None
        };
        Ok(Carried {
            device,
            tally,
            same,
        })
    }

    /// Sends what a device recorded between two of its starts.
    async fn send_boot(
        &self,
        made: &pb::CreateDeviceResponse,
        boot: i64,
        batches: Vec<pb::SampleBatch>,
        (delivery, plan, clock_ms): (&Delivery, &Plan, i64),
    ) -> anyhow::Result<Tally> {
        let order = order(batches.len(), delivery.disorder);
        let device = made.device.clone().unwrap_or_default();
        if delivery.mqtt.is_none() {
            let mut sender = Sender {
                client: TelemetryServiceClient::new(self.channel.clone()),
                token: bearer(&made.token)?,
                order,
                boot,
                batches,
                plan,
                clock_ms,
                kept: &|_| (),
            };
            return Box::pin(sender.run()).await;
        }
        let sender = MqttSender {
            address: self.mqtt_address(delivery, (&device.device_id, &made.token))?,
            device: wire::id("device_id", &device.device_id)?,
            boot,
            encoding: if delivery.mqtt_json {
                Encoding::Json
            } else {
                Encoding::Protobuf
            },
            batches,
            order,
            plan,
            clock_ms,
            kept: &|_| (),
        };
        Box::pin(sender.run()).await
    }
}

fn report(context: &Context, carried: &Carried) -> anyhow::Result<()> {
    let Carried {
        device,
        tally,
        same,
    } = carried;
    if context.json {
        let answer = json!({
            "device_id": device.device_id, "name": device.name, "sent": tally.sent,
            "kept": tally.kept, "stored": tally.stored, "duplicate": tally.duplicate, "refused": tally.refused,
            "reasons": tally.reasons, "read_back_equal": same,
        });
        return print(&answer.to_string());
    }
    let read_back = match same {
        Some(true) => ", read back equal",
        Some(false) => ", READ BACK DIFFERENT",
        None => "",
    };
    let kept = match (tally.stored, tally.duplicate) {
        (Some(stored), Some(duplicate)) => {
            format!("stored {stored}, held already {duplicate}")
        }
        _ => format!("kept {}", tally.kept),
    };
    print(&format!(
        "  {:24} {}  sent {} samples: {kept}, refused {}{read_back}",
        device.name, device.device_id, tally.sent, tally.refused
    ))?;
    for (reason, text) in &tally.reasons {
        print(&format!("    {reason} {text}"))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_falls_into_the_time_out_of_reach_is_due_when_it_ends() {
        let mut plan = Plan::new(&BTreeMap::new(), 2.0, Clock::System.now());
        let due = |plan: &Plan, file_ms| (plan.due(file_ms) - plan.began).as_millis();
        let times = [0, 999, 1_000, 2_999, 3_000];
        let before = times.map(|at| due(&plan, at));
        assert_eq!(before, [0, 499, 500, 1_499, 1_500], "at twice the speed");
        plan.offline = Some((1_000, 3_000));
        let after = times.map(|at| due(&plan, at));
        assert_eq!(after, [0, 499, 1_500, 1_500, 1_500]);
    }
}
