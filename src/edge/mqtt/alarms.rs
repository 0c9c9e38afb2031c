//! Alarms at a broker, in a session of their own: the state of each device, retained, on its alarm topic;
//! what devices write there themselves is handed to the alarm lane. Telemetry never stands before it.

use std::collections::BTreeSet;
use std::time::Duration;

use serde::{Deserialize, Serialize};
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::broker::Settings;
use super::link::{self, Arrived, Event, Manner};
use super::{Desk, Message, tls, topic};
use crate::alarm::condition::{Condition, Edge, Source};
use crate::alarm::kind::{Class, Kind};
use crate::alarm::state::State;
use crate::alarm::text::STANDING_SHORT;
use crate::lane::{Lane, View};

/// Requests that may wait inside the link.
const OUTBOX: usize = 20_000;
/// Pause before a new connection.
const PAUSE: Duration = Duration::from_secs(1);
/// Messages of devices in hand; above it the broker keeps them.
const IN_HAND: usize = 1_000;
/// How the state is published.
const KEPT: Manner = Manner {
    assured: true,
    retained: true,
};
/// Who wrote a state: devices write on the same topic.
const SERVICE: &str = "restvolt";

/// State of one device.
#[derive(Serialize)]
struct Told {
    service: &'static str,
    alarms: Vec<Open>,
    standing: &'static str,
}

#[derive(Serialize)]
struct Open {
    alarm_id: Uuid,
    kind: Kind,
    class: Class,
    state: State,
    revision: u32,
    line: String,
    what_to_do: &'static str,
}

/// What a device writes: `{"kind": "device_fault", "active": true}`. Nobody clears another kind so.
#[derive(Deserialize)]
struct Written {
    #[serde(default)]
    kind: String,
    active: bool,
}

/// Who wrote a message.
#[derive(Deserialize)]
struct Writer {
    #[serde(default)]
    service: String,
}

/// Kinds a device may raise by its own word.
const OWN_WORD: [Kind; 5] = [
    Kind::OverTemperature,
    Kind::OverVoltage,
    Kind::SensorFault,
    Kind::Reversed,
    Kind::DeviceFault,
];

fn is_ours(payload: &[u8]) -> bool {
    serde_json::from_slice::<Writer>(payload).is_ok_and(|writer| writer.service == SERVICE)
}

/// What a device's own alarm message says; `None` when it says nothing we know.
pub(super) fn read(payload: &[u8], at_ms: i64) -> Option<Condition> {
    let written = serde_json::from_slice::<Written>(payload).ok()?;
    let named = Kind::find(&written.kind).filter(|kind| OWN_WORD.contains(kind));
    let kind = named.unwrap_or(Kind::DeviceFault);
    match (written.active, kind) {
        (true, kind) => Some(Condition::new(kind, Edge::On, None, at_ms)),
        (false, Kind::DeviceFault) => Some(Condition::new(kind, Edge::Off, None, at_ms)),
        (false, _) => None,
    }
}

/// The state of a device as it is published.
fn told(lane: &Lane, source: Source) -> Vec<u8> {
    let shape = |view: &View| {
        let alarm = &view.life.alarm;
        Open {
            alarm_id: view.life.alarm_id,
            kind: alarm.kind,
            class: alarm.kind.class(),
            state: alarm.state,
            revision: alarm.revision,
            line: view.life.line.clone(),
            what_to_do: alarm.kind.what_to_do(),
        }
    };
    let open = lane.open_at(source);
    let told = Told {
        service: SERVICE,
        alarms: open.iter().map(|view| shape(view)).collect(),
        standing: STANDING_SHORT,
    };
    serde_json::to_vec(&told).unwrap_or_default()
}

/// Publishes and listens until `stop`; reconnects by itself.
pub async fn run(desk: Desk, settings: Settings, stop: CancellationToken) {
    loop {
        let ended = tokio::select! {
            ended = Box::pin(connected(&desk, &settings)) => ended,
            () = stop.cancelled() => return,
        };
        if let Err(error) = ended {
            tracing::debug!(%error, "alarms wait for the MQTT broker");
        }
        tokio::select! {
            () = tokio::time::sleep(PAUSE) => {}
            () = stop.cancelled() => return,
        }
    }
}

async fn connected(desk: &Desk, settings: &Settings) -> anyhow::Result<()> {
    let mut address = settings.address.clone();
    address.client_id.push_str("-alarm");
    address.session = Duration::ZERO;
    address.will = None;
    if let Some(ca) = &settings.tls {
        address.tls = Some(tls::client(ca.clone()).await?);
    }
    let link = link::open(&address, OUTBOX);
    let (hand, handed) = mpsc::channel(IN_HAND);
    let acks = link.outbox();
    tokio::select! {
        ended = poll(&desk.services.lane, link, hand) => ended,
        () = take(desk, acks, handed) => Ok(()),
    }
}

/// Polls the link, and publishes what changes.
async fn poll(
    lane: &Lane,
    mut link: link::Link,
    hand: mpsc::Sender<Arrived>,
) -> anyhow::Result<()> {
    let outbox = link.outbox();
    let publish =
        |source: Source| outbox.publish(&topic::alarm(source.device), told(lane, source), KEPT);
    let mut read = lane.watch();
    loop {
        let event = {
            let mut next = std::pin::pin!(link.next());
            loop {
                tokio::select! {
                    event = &mut next => break event?,
                    change = read.changes.recv() => match change {
                        Ok(change) => publish(change.view.life.source)?,
                        Err(RecvError::Lagged(_)) => {
                            read = lane.watch();
                            for source in sources(&read.replay) {
                                publish(source)?;
                            }
                        }
                        Err(RecvError::Closed) => return Ok(()),
                    },
                }
            }
        };
        match event {
            Event::Connected { .. } => {
                outbox.subscribe(&[(topic::ALL_ALARMS, true)])?;
                read = lane.watch();
                for source in sources(&read.replay) {
                    publish(source)?;
                }
            }
            Event::Subscribed { granted: false } => {
                anyhow::bail!(
                    "the broker does not let this login read {}",
                    topic::ALL_ALARMS
                )
            }
            // Without room the broker sends it again on the next connection.
            Event::Arrived(arrived) => hand.try_send(arrived)?,
            _ => {}
        }
    }
}

fn sources(events: &[crate::lane::Event]) -> BTreeSet<Source> {
    let sources = events.iter().map(|event| event.view.life.source);
    sources.collect()
}

/// Hands what devices wrote to the lane, and mends states that are no longer true.
async fn take(desk: &Desk, acks: link::Outbox, mut handed: mpsc::Receiver<Arrived>) {
    while let Some(arrived) = handed.recv().await {
        let packet = arrived.packet;
        if !is_ours(&arrived.payload) {
            let message = Message {
                topic: arrived.topic,
                payload: arrived.payload,
                retained: arrived.retained,
                content_type: None,
            };
            if let Err(error) = desk.take(message).await {
                // Not acknowledged: the broker sends it again on a new connection.
                tracing::warn!(%error, "an alarm of a device could not be taken");
                return;
            }
        } else if arrived.retained
            && let Some(topic) = topic::Topic::parse(&arrived.topic)
            && let Ok(Some(group)) = desk.senders.group(&desk.services.store, topic.device).await
        {
            let source = Source {
                group,
                device: topic.device,
            };
            let now = told(&desk.services.lane, source);
            if now != arrived.payload && acks.publish(&arrived.topic, now, KEPT).is_err() {
                return;
            }
        }
        if packet != 0 && acks.ack(packet).is_err() {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_device_raises_by_its_word_and_clears_nothing_but_its_own_fault() {
        let of =
            |text: &str| read(text.as_bytes(), 7).map(|condition| (condition.kind, condition.edge));
        for (text, expected) in [
            (r#"{"active": true}"#, Some((Kind::DeviceFault, Edge::On))),
            (
                r#"{"kind": "over_temperature", "active": true}"#,
                Some((Kind::OverTemperature, Edge::On)),
            ),
            (r#"{"kind": "over_temperature", "active": false}"#, None),
            (
                r#"{"kind": "disk_low", "active": true}"#,
                Some((Kind::DeviceFault, Edge::On)),
            ),
            (r#"{"active": false}"#, Some((Kind::DeviceFault, Edge::Off))),
            ("hot!", None),
        ] {
            assert_eq!(of(text), expected, "{text}");
        }
        assert!(is_ours(br#"{"service": "restvolt", "alarms": []}"#));
        assert!(!is_ours(br#"{"active": true}"#));
    }
}
