//! The load of a measurement: what chargers send, made beforehand, pushed through a door.

use std::time::Duration;

use anyhow::Context as _;
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_stream::wrappers::ReceiverStream;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;
use uuid::Uuid;

use crate::cli::replay::client::request;
use crate::cli::replay::sender::random_boot;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::{self, Address, Event, Manner, Outbox};
use crate::edge::mqtt::topic;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::{pb, wire};
use crate::record::sample::Samples;
use crate::simulation::{Case, Random, Setup};

/// Samples of a batch.
pub(super) const BATCH: i64 = 60;
/// Batches on the way at once on one gRPC stream.
const STREAM_WINDOW: usize = 64;
/// Messages on the way at once on one MQTT connection.
const MQTT_WINDOW: usize = 32;
/// Messages a broker may have on the way to a subscriber that throws away: as to the service.
pub(super) const SUBSCRIBER_WINDOW: u16 = 1_000;
/// Time without any progress after which a measurement is given up.
pub(super) const GIVE_UP: Duration = Duration::from_mins(1);

/// Twelve hours of a charge at 1 Hz as a charger with a sensor of its own would see them: simulated, with
/// noise of 1.5 mV, 15 mA and 0.05 K, in steps of 1 mV, 10 mA and 0.1 degC.
pub(super) fn charge(seed: u64) -> Samples {
    let mut setup = Setup::draw(Case::Healthy, seed);
    let mut noise = Random::of(seed, "instruments");
    let mut samples = Samples {
        first_seq: 1,
        ..Samples::default()
    };
    setup.charge.start();
    for second in 0..12 * 3_600 {
        let moment = setup.charge.advance();
        let mut read = |value: f64, spread: f64, per_unit: f64, step: i32| {
            let shown = (value + spread * noise.normal()) * per_unit / f64::from(step);
            #[expect(
                clippy::cast_possible_truncation,
                reason = "volts, amperes and degrees, all small"
            )]
            let whole = shown.round() as i32;
            whole * step
        };
        samples.time_ms.push(1_000 * second);
        let columns = &mut samples.columns;
        columns
            .voltage_mv
            .push(read(moment.charger_v, 0.001_5, 1_000.0, 1));
        columns
            .current_ma
            .push(read(moment.amperes, 0.015, 1_000.0, 10));
        columns
            .case_cc
            .push(read(moment.case_celsius, 0.05, 100.0, 10));
    }
    samples
}

/// A device with what it is about to send.
#[derive(Clone)]
pub(super) struct Loaded {
    pub(super) device: Uuid,
    pub(super) batches: Vec<pb::SampleBatch>,
}

/// So many batches of each device since a new start of it, from the charge, over and over.
pub(super) fn load(
    devices: &[Uuid],
    charge: &Samples,
    batches: usize,
) -> anyhow::Result<Vec<Loaded>> {
    let whole = usize::try_from(charge.count() / BATCH)?;
    let loaded = devices.iter().map(|device| {
        let boot = random_boot()?;
        let batches = (0..batches).map(|number| {
            let from = 1 + BATCH * i64::try_from(number % whole)?;
            let mut part = charge.slice(from, from + BATCH - 1);
            let shift = BATCH * i64::try_from(number - number % whole)?;
            part.first_seq += shift;
            for time in &mut part.time_ms {
                *time += 1_000 * shift;
            }
            Ok(wire::sample_batch(*device, boot, part))
        });
        Ok(Loaded {
            device: *device,
            batches: batches.collect::<anyhow::Result<_>>()?,
        })
    });
    loaded.collect()
}

/// Batches of several devices in turn, as they would come over one connection.
pub(super) fn in_turn(devices: &[Loaded]) -> Vec<pb::SampleBatch> {
    let longest = devices.iter().map(|device| device.batches.len()).max();
    let turns = (0..longest.unwrap_or(0)).flat_map(|turn| {
        let batches = devices.iter().map(move |device| device.batches.get(turn));
        batches.flatten().cloned()
    });
    turns.collect()
}

/// Sends over one gRPC stream; the time from when each batch was due to its receipt.
///
/// Without a pace each is due when the stream takes it.
pub(super) async fn stream(
    channel: Channel,
    token: MetadataValue<Ascii>,
    batches: Vec<pb::SampleBatch>,
    pace: Option<Duration>,
) -> anyhow::Result<Vec<Duration>> {
    let count = batches.len();
    let (queue, receiver) = mpsc::channel(STREAM_WINDOW);
    let (due, mut dues) = mpsc::channel(count.max(1));
    let feed = async move {
        let began = Instant::now();
        for (number, batch) in (0u32..).zip(batches) {
            let at = pace.map(|pace| began + pace * number);
            if let Some(at) = at {
                tokio::time::sleep_until(at).await;
            }
            let message = pb::StreamRequest { batch: Some(batch) };
            let Ok(room) = queue.reserve().await else {
                return;
            };
            // The channel has room for all of them.
            let _ = due.send(at.unwrap_or_else(Instant::now)).await;
            room.send(message);
        }
    };
    let read = async {
        let mut client = TelemetryServiceClient::new(channel);
        let stream = request(ReceiverStream::new(receiver), &token);
        let mut receipts = client.stream(stream).await?.into_inner();
        let mut times = Vec::with_capacity(count);
        while let Some(answer) = receipts.message().await? {
            let receipt = answer.receipt.unwrap_or_default();
            anyhow::ensure!(
                receipt.status == pb::ReceiptStatus::Stored as i32,
                "a batch was not stored: {receipt:?}"
            );
            let at = dues.recv().await.context("a receipt too many")?;
            times.push(at.elapsed());
        }
        anyhow::Ok(times)
    };
    let ((), times) = tokio::join!(feed, read);
    let times = times?;
    anyhow::ensure!(times.len() == count, "the stream ended early");
    Ok(times)
}

/// Topic and payload.
pub(super) type Message = (String, Vec<u8>);

/// What devices would publish over one connection.
pub(super) fn messages(devices: &[Loaded]) -> Vec<Message> {
    let target = |batch: &pb::SampleBatch| {
        let device = batch.device_id.parse().unwrap_or_default();
        topic::samples(device, Encoding::Protobuf)
    };
    in_turn(devices)
        .iter()
        .map(|batch| (target(batch), Encoding::Protobuf.encode_batch(batch)))
        .collect()
}

/// Publishes over one MQTT connection at QoS 1 until each message is acknowledged; when that was.
pub(super) async fn publish(address: &Address, messages: &[Message]) -> anyhow::Result<Instant> {
    let mut link = link::open(address, 4 * MQTT_WINDOW);
    let outbox = link.outbox();
    let (mut next, mut open, mut done) = (0, 0, 0);
    while done < messages.len() {
        let event = tokio::time::timeout(GIVE_UP, link.next()).await;
        match event.context("no acknowledgement came for a minute")?? {
            Event::Acknowledged { accepted, .. } => {
                anyhow::ensure!(accepted, "a message was refused");
                open -= 1;
                done += 1;
            }
            Event::Connected { .. } => {}
            _ => continue,
        }
        while open < MQTT_WINDOW
            && let Some((topic, payload)) = messages.get(next)
        {
            let how = Manner {
                assured: true,
                retained: false,
            };
            outbox.publish(topic, payload.clone(), how)?;
            next += 1;
            open += 1;
        }
    }
    let settled = Instant::now();
    outbox.disconnect()?;
    while link.next().await.is_ok() {}
    Ok(settled)
}

/// A subscriber that throws away what comes, on the service's own link; ready when it is returned.
pub(super) struct Discard {
    link: link::Link,
    outbox: Outbox,
}

impl Discard {
    pub(super) async fn subscribe(mut address: Address) -> anyhow::Result<Self> {
        address.in_flight = SUBSCRIBER_WINDOW;
        let mut link = link::open(&address, 4 * usize::from(SUBSCRIBER_WINDOW));
        let outbox = link.outbox();
        loop {
            match tokio::time::timeout(GIVE_UP, link.next()).await?? {
                Event::Connected { .. } => outbox.subscribe(&link::ALL_DEVICES)?,
                Event::Subscribed { granted } => {
                    anyhow::ensure!(granted, "the broker refused the subscription");
                    return Ok(Self { link, outbox });
                }
                _ => {}
            }
        }
    }

    /// Acknowledges so many messages.
    pub(super) async fn take(mut self, count: usize) -> anyhow::Result<()> {
        let mut taken = 0;
        while taken < count {
            let event = tokio::time::timeout(GIVE_UP, self.link.next()).await;
            if let Event::Arrived(arrived) = event.context("no message came for a minute")?? {
                self.outbox.ack(arrived.packet)?;
                taken += 1;
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_goes_on_where_the_charge_ends_and_repeats_nothing() {
        let charge = charge(1);
        assert_eq!(charge.count(), 43_200);
        assert!(charge.columns.current_ma.iter().all(|step| step % 10 == 0));
        let devices = [Uuid::from_u128(1), Uuid::from_u128(2)];
        let loaded = load(&devices, &charge, 725).unwrap();
        let first = &loaded[0].batches;
        assert_ne!(first[0].boot_id, loaded[1].batches[0].boot_id);
        for (batch, seq) in first.iter().zip((1..).step_by(60)) {
            assert_eq!(
                (batch.first_seq, batch.start_milliseconds),
                (seq, 1_000 * (seq - 1))
            );
            assert_eq!(batch.voltage_millivolts.len(), 60);
        }
        assert_eq!(first[720].voltage_millivolts, first[0].voltage_millivolts);
        let turns = in_turn(&loaded);
        assert_eq!(turns.len(), 2 * 725);
        assert_eq!(turns[1].device_id, devices[1].to_string());
    }
}
