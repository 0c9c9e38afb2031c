//! MQTT through both doors: acknowledged after the commit, told what is kept, walls held.

mod broker;
mod connection;
mod door;

use restvolt::edge::pb;

use crate::harness::device::run;
use crate::harness::{Device, Stack};

/// What is held of a device: (sequence number, mV).
pub(crate) async fn held(stack: &Stack, device: &Device) -> Vec<(i64, i32)> {
    let mut found = Vec::new();
    for session in stack.sessions(device).await {
        let samples = stack.samples(&session).await;
        found.extend(samples.into_iter().map(|(seq, _, mv)| (seq, mv)));
    }
    found.sort_unstable();
    found
}

/// What must be held after `1..=to` was sent.
pub(crate) fn expected(to: i64) -> Vec<(i64, i32)> {
    (1..=to)
        .map(|seq| (seq, crate::harness::device::voltage(seq)))
        .collect()
}

/// Batches of sixty up to a number.
pub(crate) fn batches(to: i64) -> Vec<pb::SampleBatch> {
    (0..to / 60)
        .map(|part| run(60 * part + 1, 60 * part + 60))
        .collect()
}
