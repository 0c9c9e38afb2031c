//! One device of a replay: its buffer, its stream, what it was told is kept.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;

use super::client::{again, request};
use super::delivery::Plan;
use crate::cli::remark;
use crate::cli::trace::Recording;
use crate::edge::pb;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::wire::{self, Word as _};

/// Batches on the way at once, per device.
const WINDOW: usize = 16;
/// How far a batch strays in a disordered replay.
const DISORDER: usize = 8;
/// Tries when the service is away, a second apart.
const TRIES: u32 = 180;

/// What became of one device's recording.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub(in crate::cli) struct Tally {
    /// Samples of the recording.
    pub(in crate::cli) sent: i64,
    /// Samples stored by what was sent; `None` over MQTT, whose receipts do not tell it.
    pub(in crate::cli) stored: Option<i64>,
    /// Samples that were held already; `None` over MQTT.
    pub(in crate::cli) duplicate: Option<i64>,
    /// Samples that are kept.
    pub(in crate::cli) kept: i64,
    pub(in crate::cli) refused: i64,
    pub(in crate::cli) reasons: BTreeMap<String, String>,
}

/// Cuts a recording into batches; stage changes ride with the batch after them.
pub(in crate::cli) fn batches(
    recording: &Recording,
    plan: &Plan,
    size: u16,
) -> Vec<pb::SampleBatch> {
    let samples = &recording.samples;
    let mut stages: VecDeque<_> = recording.stages.iter().zip(1i64..).collect();
    let size = i64::from(size);
    let mut batches = Vec::new();
    let mut from = samples.first_seq;
    while from <= samples.last_seq() {
        let part = samples.slice(from, from + size - 1);
        from = part.last_seq() + 1;
        let start = plan.wall(recording.clock_ms + part.first_ms());
        let (last_ms, first_ms) = (part.last_ms(), part.first_ms());
        let mut batch = wire::sample_batch(uuid::Uuid::nil(), 0, part);
        batch.device_id = String::new();
        batch.clock = pb::ClockState::Synced as i32;
        batch.start_time = Some(wire::timestamp(start));
        batch.sent_milliseconds = last_ms.max(first_ms);
        while let Some(((at, stage, word), seq)) = stages.front().copied() {
            if *at > last_ms && from <= samples.last_seq() {
                break;
            }
            stages.pop_front();
            let before = samples.time_ms.partition_point(|time| time <= at);
            batch.events.push(pb::Event {
                event_seq: seq,
                after_seq: i64::try_from(before).unwrap_or(0),
                time_milliseconds: (*at).max(0),
                kind: pb::EventKind::Stage as i32,
                stage: stage.to_wire(),
                detail: word.clone(),
            });
        }
        batches.push(batch);
    }
    batches
}

/// Reports the end of the charge with the last batch.
pub(super) fn end(recording: &Recording, batches: &mut [pb::SampleBatch]) {
    let samples = &recording.samples;
    if let Some(last) = batches.last_mut() {
        last.events.push(pb::Event {
            event_seq: i64::try_from(recording.stages.len()).unwrap_or(0) + 1,
            after_seq: samples.last_seq(),
            time_milliseconds: samples.last_ms(),
            kind: pb::EventKind::SessionEnd as i32,
            ..pb::Event::default()
        });
    }
}

/// In which order batches are sent: as they are, or shuffled among neighbors and some of them twice,
/// the same for the same seed.
pub(in crate::cli) fn order(count: usize, disorder: Option<u64>) -> Vec<usize> {
    let mut order: Vec<usize> = (0..count).collect();
    let Some(seed) = disorder else { return order };
    let mut random = blake3::Hasher::new()
        .update(&seed.to_le_bytes())
        .finalize_xof();
    let mut draw = |below: usize| {
        let mut bytes = [0; 8];
        random.fill(&mut bytes);
        usize::try_from(u64::from_le_bytes(bytes) % below as u64).unwrap_or(0)
    };
    for place in (1..count).rev() {
        order.swap(place, place - draw(DISORDER.min(place + 1)));
    }
    let twice: Vec<usize> = (0..count / 5).map(|_| draw(count)).collect();
    for index in twice {
        order.insert(draw(order.len()), index);
    }
    order
}

pub(in crate::cli) fn random_boot() -> anyhow::Result<i64> {
    let mut bytes = [0; 8];
    getrandom::fill(&mut bytes).map_err(|error| anyhow::anyhow!("no random numbers: {error}"))?;
    Ok(i64::from_le_bytes(bytes))
}

/// Told of a batch that is kept.
pub(in crate::cli) type Kept = dyn Fn(&pb::SampleBatch) + Send + Sync;

/// One device with its buffer.
pub(in crate::cli) struct Sender<'a> {
    pub(in crate::cli) order: Vec<usize>,
    pub(in crate::cli) client: TelemetryServiceClient<Channel>,
    pub(in crate::cli) token: MetadataValue<Ascii>,
    pub(in crate::cli) boot: i64,
    pub(in crate::cli) batches: Vec<pb::SampleBatch>,
    pub(in crate::cli) plan: &'a Plan,
    /// The device's own clock at its first sample, ms since 1970.
    pub(in crate::cli) clock_ms: i64,
    /// Told of each batch that is kept, as often as it is said.
    pub(in crate::cli) kept: &'a Kept,
}

impl Sender<'_> {
    /// Sends every batch until it has a receipt; goes on after the last one when cut off.
    pub(in crate::cli) async fn run(&mut self) -> anyhow::Result<Tally> {
        let mut tally = Tally {
            stored: Some(0),
            duplicate: Some(0),
            ..Tally::default()
        };
        let (mut next, mut tries) = (0, 0);
        while next < self.order.len() {
            let before = next;
            match Box::pin(self.stream(&mut next, &mut tally)).await {
                Ok(()) => break,
                Err(status) if again(&status) && tries < TRIES => {
                    tries = if next > before { 0 } else { tries + 1 };
                    remark(&format!(
                        "the service is away ({}); nothing is dropped",
                        status.message()
                    ));
                    tokio::time::sleep(Duration::from_secs(1)).await;
                }
                Err(status) => return Err(status.into()),
            }
        }
        Ok(tally)
    }

    async fn stream(&mut self, next: &mut usize, tally: &mut Tally) -> Result<(), tonic::Status> {
        let (queue, receiver) = mpsc::channel(WINDOW);
        let pending = self.order.iter().skip(*next);
        let pending: Vec<pb::SampleBatch> = pending
            .filter_map(|index| self.batches.get(*index).cloned())
            .collect();
        let (plan, clock, boot) = (self.plan, self.clock_ms, self.boot);
        let feed = async move {
            for mut batch in pending {
                tokio::time::sleep_until(plan.due(clock + batch.sent_milliseconds)).await;
                batch.boot_id = boot;
                if queue
                    .send(pb::StreamRequest { batch: Some(batch) })
                    .await
                    .is_err()
                {
                    return;
                }
            }
        };
        let stream = request(ReceiverStream::new(receiver), &self.token);
        let mut client = self.client.clone();
        let read = async {
            let mut receipts = client.stream(stream).await?.into_inner();
            while let Some(answer) = receipts.message().await? {
                let index = self.order.get(*next).copied().unwrap_or_default();
                *next += 1;
                let receipt = answer.receipt.unwrap_or_default();
                if let Some(batch) = self.batches.get(index)
                    && is_kept(&receipt, batch)
                {
                    (self.kept)(batch);
                }
                tally.add(receipt, &self.batches, index);
            }
            Ok::<(), tonic::Status>(())
        };
        let ((), read) = tokio::join!(feed, read);
        read?;
        if *next < self.order.len() {
            return Err(tonic::Status::unavailable("the stream ended early"));
        }
        Ok(())
    }
}

/// Whether a receipt says that this batch is kept.
fn is_kept(receipt: &pb::Receipt, batch: &pb::SampleBatch) -> bool {
    let status = pb::ReceiptStatus::try_from(receipt.status);
    let kept = matches!(
        status,
        Ok(pb::ReceiptStatus::Stored | pb::ReceiptStatus::Duplicate)
    );
    kept && receipt.first_seq == batch.first_seq
}

impl std::ops::AddAssign for Tally {
    fn add_assign(&mut self, more: Self) {
        self.sent += more.sent;
        self.kept += more.kept;
        self.refused += more.refused;
        // What one of them does not tell the sum cannot.
        let sum = |own: Option<i64>, more: Option<i64>| own.zip(more).map(|(own, more)| own + more);
        self.stored = sum(self.stored, more.stored);
        self.duplicate = sum(self.duplicate, more.duplicate);
        for (reason, text) in more.reasons {
            self.reasons.entry(reason).or_insert(text);
        }
    }
}

impl Tally {
    fn add(&mut self, receipt: pb::Receipt, batches: &[pb::SampleBatch], index: usize) {
        self.kept += receipt.stored_count;
        for (count, more) in [
            (&mut self.stored, receipt.stored_count),
            (&mut self.duplicate, receipt.duplicate_count),
        ] {
            *count = count.map(|count| count + more);
        }
        if receipt.status == pb::ReceiptStatus::Quarantined as i32 {
            let count = batches
                .get(index)
                .map_or(0, |batch| batch.step_milliseconds.len());
            self.refused += i64::try_from(count).unwrap_or(0);
        }
        for rejection in receipt.rejections {
            self.explain(rejection);
        }
    }

    /// Keeps the first text of each reason.
    pub(in crate::cli) fn explain(&mut self, rejection: pb::Rejection) {
        let text = format!(
            "{}: {}; {}",
            rejection.field, rejection.detail, rejection.fix
        );
        self.reasons.entry(rejection.reason).or_insert(text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn disorder_repeats_with_its_seed_and_leaves_nothing_out() {
        assert_eq!(order(3, None), [0, 1, 2]);
        let shuffled = order(100, Some(7));
        assert_eq!(shuffled, order(100, Some(7)));
        assert_ne!(shuffled, order(100, Some(8)));
        assert_eq!(shuffled.len(), 120);
        let mut all = shuffled.clone();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all, (0..100).collect::<Vec<_>>());
        assert!(!shuffled.is_sorted());
        assert!(order(0, Some(1)).is_empty() && order(1, Some(1)) == [0]);
    }
}
