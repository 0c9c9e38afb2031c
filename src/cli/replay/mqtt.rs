//! One device of a replay that speaks MQTT: it frees a batch on its receipt only.

use std::collections::BTreeSet;
use std::time::Duration;

use anyhow::Context as _;
use tokio::time::Instant;
use uuid::Uuid;

use super::delivery::Plan;
use super::sender::{Kept, Tally};
use crate::cli::remark;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::{self, Address, Event, Link, Manner, Outbox};
use crate::edge::mqtt::topic;
use crate::edge::{pb, wire};

/// Batches on the way at once.
const WINDOW: usize = 16;
/// Time without a word after which everything open is sent again.
const SILENCE: Duration = Duration::from_secs(5);
/// Time without progress after which the replay gives up.
const GIVE_UP: Duration = Duration::from_mins(5);

/// One device with its buffer.
pub(in crate::cli) struct MqttSender<'a> {
    pub(in crate::cli) address: Address,
    pub(in crate::cli) device: Uuid,
    pub(in crate::cli) boot: i64,
    pub(in crate::cli) encoding: Encoding,
    pub(in crate::cli) batches: Vec<pb::SampleBatch>,
    pub(in crate::cli) order: Vec<usize>,
    pub(in crate::cli) plan: &'a Plan,
    /// The device's own clock at its first sample, ms since 1970.
    pub(in crate::cli) clock_ms: i64,
    /// Told of each batch that is kept.
    pub(in crate::cli) kept: &'a Kept,
}

/// What is not settled yet.
struct Buffer {
    open: BTreeSet<usize>,
    /// Published, and not acknowledged by the other side.
    on_the_way: usize,
    /// Place in the order of the next batch to publish.
    next: usize,
    heard: Instant,
}

impl MqttSender<'_> {
    /// Sends every batch until its receipt came; goes on by itself when cut off.
    pub(in crate::cli) async fn run(&self) -> anyhow::Result<Tally> {
        let mut tally = Tally::default();
        let mut buffer = Buffer {
            open: (0..self.batches.len()).collect(),
            on_the_way: 0,
            next: 0,
            heard: Instant::now(),
        };
        let mut moved = Instant::now();
        while !buffer.open.is_empty() {
            let before = buffer.open.len();
            let round = Box::pin(self.round(&mut buffer, &mut tally)).await;
            if buffer.open.len() < before {
                moved = Instant::now();
            }
            match round {
                Ok(()) => {}
                Err(error) if moved.elapsed() < GIVE_UP => {
                    remark(&format!("MQTT: {error:#}; nothing is dropped"));
                    tokio::time::sleep(Duration::from_secs(1)).await;
                }
                Err(error) => return Err(error),
            }
            anyhow::ensure!(
                moved.elapsed() < GIVE_UP,
                "no receipt came for {} batches: is the service subscribed at this broker, and may \
                 this login read {}?",
                buffer.open.len(),
                topic::receipt(self.device, self.encoding)
            );
        }
        Ok(tally)
    }

    /// One connection, until everything is settled or it breaks.
    async fn round(&self, buffer: &mut Buffer, tally: &mut Tally) -> anyhow::Result<()> {
        let mut link = link::open(&self.address, 4 * WINDOW);
        let outbox = link.outbox();
        (buffer.on_the_way, buffer.next, buffer.heard) = (0, 0, Instant::now());
        while !buffer.open.is_empty() {
            let event = {
                let mut next = std::pin::pin!(link.next());
                loop {
                    // Publishing never waits, so the connection is polled whatever is open.
                    let wake = self.feed(&outbox, buffer);
                    tokio::select! {
                        event = &mut next => break event.context("the connection broke")?,
                        () = tokio::time::sleep_until(wake) => {}
                    }
                    if buffer.heard.elapsed() > SILENCE {
                        buffer.next = 0;
                        buffer.heard = Instant::now();
                        return Ok(());
                    }
                }
            };
            match event {
                Event::Connected { .. } => {
                    let receipts = topic::receipt(self.device, self.encoding);
                    outbox.subscribe(&[(&receipts, true)])?;
                }
                Event::Subscribed { granted } => {
                    anyhow::ensure!(granted, "this login may not read its receipts");
                }
                Event::Acknowledged { .. } => {
                    buffer.on_the_way = buffer.on_the_way.saturating_sub(1);
                    buffer.heard = Instant::now();
                }
                Event::Arrived(arrived) => {
                    if arrived.packet != 0 {
                        outbox.ack(arrived.packet)?;
                    }
                    let receipt = self.encoding.decode_receipt(&arrived.payload);
                    let receipt = receipt.map_err(|error| anyhow::anyhow!(error))?;
                    self.settle(&receipt, buffer, tally);
                }
                Event::Sent(_) | Event::AckSent(_) => {}
            }
        }
        say_good_bye(link, outbox).await;
        Ok(())
    }

    /// Publishes what is due and fits into the window; returns when to look again.
    fn feed(&self, outbox: &Outbox, buffer: &mut Buffer) -> Instant {
        let look = Instant::now() + Duration::from_millis(250);
        while buffer.on_the_way < WINDOW {
            let Some(index) = self.order.get(buffer.next).copied() else {
                return look;
            };
            let Some(batch) = self
                .batches
                .get(index)
                .filter(|_| buffer.open.contains(&index))
            else {
                buffer.next += 1;
                continue;
            };
            let due = self.plan.due(self.clock_ms + batch.sent_milliseconds);
            if due > Instant::now() {
                return due.min(look);
            }
            let mut batch = batch.clone();
            batch.boot_id = self.boot;
            let how = Manner {
                assured: true,
                retained: false,
            };
            let target = topic::samples(self.device, self.encoding);
            let payload = self.encoding.encode_batch(&batch);
            if outbox.publish(&target, payload, how).is_err() {
                return Instant::now() + Duration::from_millis(5);
            }
            buffer.next += 1;
            buffer.on_the_way += 1;
            buffer.heard = Instant::now();
        }
        look
    }

    /// Takes off the buffer what is kept or was refused.
    fn settle(&self, receipt: &pb::DeviceReceipt, buffer: &mut Buffer, tally: &mut Tally) {
        let watermark = receipt
            .watermarks
            .iter()
            .filter_map(wire::read_watermark)
            .find(|watermark| watermark.boot == self.boot);
        for (index, batch) in self.batches.iter().enumerate() {
            if !buffer.open.contains(&index) {
                continue;
            }
            let count = i64::try_from(batch.step_milliseconds.len()).unwrap_or(i64::MAX);
            let range = (batch.first_seq, batch.first_seq + count - 1);
            if watermark.as_ref().is_some_and(|kept| kept.keeps(range)) {
                tally.kept += count;
                (self.kept)(batch);
                buffer.open.remove(&index);
                continue;
            }
            let refused = receipt.refused_batches.iter().find(|refused| {
                let own = (refused.boot_id, refused.first_seq) == (self.boot, batch.first_seq);
                own && refused.whole
            });
            if let Some(refused) = refused {
                tally.refused += count;
                tally.explain(refused.rejection.clone().unwrap_or_default());
                buffer.open.remove(&index);
            }
        }
    }
}

async fn say_good_bye(mut link: Link, outbox: Outbox) {
    let bye = async {
        if outbox.disconnect().is_ok() {
            while link.next().await.is_ok() {}
        }
    };
    // The other side sees the end either way.
    let _ = tokio::time::timeout(Duration::from_secs(2), bye).await;
}
