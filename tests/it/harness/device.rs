//! A device that sends what a test tells it to.

use restvolt::edge::pb::telemetry_service_client::TelemetryServiceClient;
use restvolt::edge::pb::{self, ReceiptStatus};
use tonic::Status;
use tonic::transport::Channel;

use super::with;

/// One device in one boot.
#[derive(Clone)]
pub(crate) struct Device {
    pub(crate) id: String,
    pub(crate) token: String,
    pub(crate) boot: i64,
    pub(crate) client: TelemetryServiceClient<Channel>,
}

/// Samples `from..=to`, one a second, each with a voltage of its own.
pub(crate) fn run(from: i64, to: i64) -> pb::SampleBatch {
    let count = usize::try_from(to - from + 1).unwrap();
    pb::SampleBatch {
        first_seq: from,
        start_milliseconds: 1000 * from,
        step_milliseconds: (0..count).map(|n| if n == 0 { 0 } else { 1000 }).collect(),
        voltage_millivolts: (from..=to).map(voltage).collect(),
        current_milliamperes: vec![1000; count],
        ..pb::SampleBatch::default()
    }
}

/// The voltage of a number, mV.
pub(crate) fn voltage(seq: i64) -> i32 {
    12_000 + i32::try_from(seq % 997).unwrap()
}

/// The end of a charge after a number.
pub(crate) fn end(event_seq: i64, after_seq: i64) -> pb::Event {
    pb::Event {
        event_seq,
        after_seq,
        time_milliseconds: 1000 * after_seq,
        kind: pb::EventKind::SessionEnd as i32,
        ..pb::Event::default()
    }
}

impl Device {
    /// Sends one batch and returns its receipt.
    pub(crate) async fn push(&mut self, batch: pb::SampleBatch) -> pb::Receipt {
        self.try_push(batch).await.unwrap()
    }

    pub(crate) async fn try_push(&mut self, batch: pb::SampleBatch) -> Result<pb::Receipt, Status> {
        Ok(self.try_push_all(vec![batch]).await?.remove(0))
    }

    /// Sends batches in one call.
    pub(crate) async fn push_all(&mut self, batches: Vec<pb::SampleBatch>) -> Vec<pb::Receipt> {
        self.try_push_all(batches).await.unwrap()
    }

    async fn try_push_all(
        &mut self,
        mut batches: Vec<pb::SampleBatch>,
    ) -> Result<Vec<pb::Receipt>, Status> {
        for batch in &mut batches {
            if batch.boot_id == 0 {
                batch.boot_id = self.boot;
            }
        }
        let push = pb::PushRequest { batches };
        let answer = self.client.push(with(&self.token, push)).await?;
        Ok(answer.into_inner().receipts)
    }
}

/// Status of a receipt.
pub(crate) fn status(receipt: &pb::Receipt) -> ReceiptStatus {
    ReceiptStatus::try_from(receipt.status).unwrap()
}

/// Reason of the first rejection of a receipt.
pub(crate) fn reason(receipt: &pb::Receipt) -> &str {
    receipt
        .rejections
        .first()
        .map_or("", |rejection| &rejection.reason)
}
