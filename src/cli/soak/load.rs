//! The load of a soak: devices that never stop sending, in disorder, over every door.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::ledger::Ledger;
use super::{Door, Draw};
use crate::cli::replay::client::bearer;
use crate::cli::replay::delivery::Plan;
use crate::cli::replay::mqtt::MqttSender;
use crate::cli::replay::sender::{Kept, Sender, Tally, order};
use crate::cli::site::PASSWORD;
use crate::clock::Clock;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::{Address, Version};
use crate::edge::pb;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;

/// Batches sent before the next are made.
const CHUNK: i64 = 48;
/// Samples of a batch.
const SAMPLES: i64 = 60;
/// Chunks of one boot.
const BOOT: u64 = 12;

/// One device of the load.
#[derive(Clone)]
pub(super) struct LoadDevice {
    pub(super) door: Door,
    pub(super) id: Uuid,
    pub(super) token: String,
    pub(super) server: String,
    /// Port of the MQTT door or broker.
    pub(super) port: u16,
    pub(super) version: Version,
    pub(super) encoding: Encoding,
    /// Numbers of this device alone.
    pub(super) draw: Draw,
}

/// What the load did, over all devices.
#[derive(Debug, Default)]
pub(super) struct Counts {
    /// Batches generated.
    pub(super) made: AtomicU64,
    /// Batches that were refused, though nothing was wrong with them.
    pub(super) refused: AtomicU64,
}

/// A batch of a device: each number has values of its own, the same whenever it is made.
pub(super) fn batch(device: Uuid, boot: i64, first_seq: i64) -> pb::SampleBatch {
    let (high, low) = device.as_u64_pair();
    let salt = i64::from_le_bytes((high ^ low).to_le_bytes()) ^ boot;
    let value = |seq: i64| {
        let mixed = (seq ^ salt).wrapping_mul(0x5851_f42d_4c95_7f2d);
        i32::try_from(mixed.rem_euclid(2_900)).unwrap_or(0)
    };
    let seqs = first_seq..first_seq + SAMPLES;
    pb::SampleBatch {
        boot_id: boot,
        first_seq,
        start_milliseconds: 1_000 * first_seq,
        step_milliseconds: (0..SAMPLES)
            .map(|n| if n == 0 { 0 } else { 1_000 })
            .collect(),
        voltage_millivolts: seqs.clone().map(|seq| 11_500 + value(seq)).collect(),
        current_milliamperes: seqs.clone().map(|seq| value(seq * 7)).collect(),
        case_centidegrees_celsius: seqs.map(|seq| 2_000 + value(seq * 13) / 2).collect(),
        sent_milliseconds: 1_000 * (first_seq + SAMPLES),
        ..pb::SampleBatch::default()
    }
}

/// Sends until `stop`, then until everything sent is settled.
///
/// # Errors
/// A door that gives up: nothing was kept for minutes.
pub(super) async fn run(
    mut device: LoadDevice,
    ledger: Arc<Ledger>,
    counts: Arc<Counts>,
    stop: CancellationToken,
) -> anyhow::Result<()> {
    let (mut boot, mut first_seq, mut chunk) = (device.draw.boot(), 1, 0);
    while !stop.is_cancelled() {
        chunk += 1;
        if chunk % BOOT == 0 {
            (boot, first_seq) = (device.draw.boot(), 1);
        }
        let batches: Vec<pb::SampleBatch> = (0..CHUNK)
            .map(|n| batch(device.id, boot, first_seq + n * SAMPLES))
            .collect();
        first_seq += CHUNK * SAMPLES;
        counts
            .made
            .fetch_add(batches.len() as u64, Ordering::Relaxed);
        let (door, id, log) = (device.door, device.id, Arc::clone(&ledger));
        let made = Instant::now();
        // What the sender hands over bears no boot yet.
        let note = move |batch: &pb::SampleBatch| {
            let batch = pb::SampleBatch {
                boot_id: boot,
                ..batch.clone()
            };
            log.note((door, id), made, &batch);
        };
        let sent = Box::pin(device.send(boot, batches, &note));
        let tally = sent
            .await
            .with_context(|| format!("device {id} over {door}"))?;
        let refused = u64::try_from(tally.refused / SAMPLES).unwrap_or(0);
        counts.refused.fetch_add(refused, Ordering::Relaxed);
    }
    Ok(())
}

impl LoadDevice {
    /// Sends some batches, shuffled and some of them twice, until each is settled.
    async fn send(
        &mut self,
        boot: i64,
        batches: Vec<pb::SampleBatch>,
        kept: &Kept,
    ) -> anyhow::Result<Tally> {
        let plan = &Plan::at_once(Clock::System.now());
        let order = order(batches.len(), Some(self.draw.next()));
        if self.door == Door::Grpc {
            let channel = connect(&self.server)?;
            let mut sender = Sender {
                client: TelemetryServiceClient::new(channel),
                token: bearer(&self.token)?,
                order,
                boot,
                batches,
                plan,
                clock_ms: 0,
                kept,
            };
            return Box::pin(sender.run()).await;
        }
        let sender = MqttSender {
            address: self.address(),
            device: self.id,
            boot,
            encoding: self.encoding,
            batches,
            order,
            plan,
            clock_ms: 0,
            kept,
        };
        Box::pin(sender.run()).await
    }

    /// How this device logs in over MQTT.
    pub(super) fn address(&self) -> Address {
        let id = self.id.to_string();
        let (username, password) = if self.door == Door::Broker {
            ("gateway", PASSWORD)
        } else {
            (id.as_str(), self.token.as_str())
        };
        let at = ("127.0.0.1", self.port);
        Address::passing(at, self.version, (&id, username, password), 32)
    }
}

/// Connects when it can: the service may be away just now.
fn connect(server: &str) -> anyhow::Result<tonic::transport::Channel> {
    let endpoint = tonic::transport::Endpoint::from_shared(server.to_owned())?
        .connect_timeout(Duration::from_secs(2))
        .http2_keep_alive_interval(Duration::from_secs(5))
        .keep_alive_timeout(Duration::from_secs(5));
    Ok(endpoint.connect_lazy())
}
