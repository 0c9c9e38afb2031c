//! Sessions: opened by a sample, closed by an end, silence or length; late and reordered data.

use chrono::TimeDelta;
use restvolt::edge::pb;

use super::intake::{all, expected};
use crate::harness::Stack;
use crate::harness::device::{end, run, status};

fn closed(session: &pb::Session) -> bool {
    session.state == pb::SessionState::Closed as i32
}

#[tokio::test]
async fn a_reported_end_closes_at_once_and_the_next_sample_opens_another_session() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device
        .push(pb::SampleBatch {
            events: vec![end(1, 60)],
            ..run(1, 60)
        })
        .await;
    device.push(run(61, 120)).await;
    stack.do_jobs().await;
    let sessions = stack.sessions(&device).await;
    assert_eq!(sessions.len(), 2);
    assert!(closed(&sessions[0]) && !closed(&sessions[1]));
    assert_eq!((sessions[0].last_seq, sessions[0].revision), (60, 1));
    assert_eq!(sessions[0].close_reason, "session_end");
    assert_eq!(sessions[0].completeness_ratio, Some(1.0));
    // 59 s at 1 A.
    let charge = sessions[0].charge_ampere_hours.unwrap();
    assert!((charge - 59.0 / 3600.0).abs() < 1e-9, "{charge}");
    stack.finish().await;
}

#[tokio::test]
async fn silence_closes_a_charger_after_half_an_hour_and_a_meter_after_six() {
    let stack = Stack::start().await;
    let mut charger = stack.device(pb::DeviceKind::Charger).await;
    let mut meter = stack.device(pb::DeviceKind::Meter).await;
    charger.push(run(1, 60)).await;
    meter.push(run(1, 60)).await;
    stack.clock.advance(TimeDelta::minutes(29));
    stack.do_jobs().await;
    assert!(!closed(&stack.sessions(&charger).await[0]));
    stack.clock.advance(TimeDelta::minutes(2));
    stack.do_jobs().await;
    let session = &stack.sessions(&charger).await[0];
    assert!(closed(session) && session.close_reason == "silence");
    assert!(!closed(&stack.sessions(&meter).await[0]));
    stack.clock.advance(TimeDelta::hours(6));
    stack.do_jobs().await;
    assert!(closed(&stack.sessions(&meter).await[0]));
    stack.finish().await;
}

#[tokio::test]
async fn closing_merges_the_batches_and_a_late_duplicate_and_a_conflict_are_still_told_apart() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    for part in 0..10 {
        device.push(run(60 * part + 1, 60 * part + 60)).await;
    }
    let before = stack.samples(&stack.sessions(&device).await[0]).await;
    device
        .push(pb::SampleBatch {
            events: vec![end(1, 600)],
            ..pb::SampleBatch::default()
        })
        .await;
    stack.do_jobs().await;
    let segments: i64 = stack.sql("select count(*) from rv.segment").await;
    assert_eq!(segments, 1, "merged into one");
    assert_eq!(
        stack.samples(&stack.sessions(&device).await[0]).await,
        before
    );
    let again = device.push(run(121, 180)).await;
    assert_eq!(status(&again), pb::ReceiptStatus::Duplicate);
    let other = device.push(run(130, 200)).await;
    assert_eq!(
        status(&other),
        pb::ReceiptStatus::Duplicate,
        "cut otherwise, same content"
    );
    let mut conflict = run(121, 180);
    conflict.current_milliamperes[3] = 7;
    assert_eq!(
        status(&device.push(conflict).await),
        pb::ReceiptStatus::Quarantined
    );
    stack.do_jobs().await;
    assert_eq!(
        stack.sessions(&device).await[0].revision,
        1,
        "nothing new, no new revision"
    );
    stack.finish().await;
}

#[tokio::test]
async fn batches_that_come_together_share_a_row_and_each_is_still_known() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let part = |n: i64| run(60 * n + 1, 60 * n + 60);
    device.push(part(0)).await;
    let mut batches: Vec<pb::SampleBatch> = (1..41).map(part).collect();
    // A channel that only some of them have.
    batches[20].ambient_centidegrees_celsius = vec![2_150; 60];
    let receipts = device.push_all(batches.clone()).await;
    assert!(receipts.iter().all(|receipt| receipt.stored_count == 60));
    let segments: i64 = stack.sql("select count(*) from rv.segment").await;
    assert!(segments < 41, "each in a row of its own");
    for batch in [&batches[3], &batches[20]] {
        let again = device.push(batch.clone()).await;
        assert_eq!(status(&again), pb::ReceiptStatus::Duplicate);
    }
    let overlap = device.push(run(30, 130)).await;
    assert_eq!(overlap.duplicate_count, 101);
    let mut conflict = part(5);
    conflict.voltage_millivolts[30] += 1;
    let refused = device.push(conflict).await;
    assert_eq!(status(&refused), pb::ReceiptStatus::Quarantined);
    let whole = all(&stack, &device).await;
    assert_eq!(whole, expected(1..=2_460));
    // A late end inside a shared row cuts it; the close packs both sides.
    device
        .push(pb::SampleBatch {
            events: vec![end(1, 1_230), end(2, 2_460)],
            ..pb::SampleBatch::default()
        })
        .await;
    stack.do_jobs().await;
    let sessions = stack.sessions(&device).await;
    let bounds: Vec<_> = sessions.iter().map(|s| (s.first_seq, s.last_seq)).collect();
    assert_eq!(bounds, [(1, 1_230), (1_231, 2_460)]);
    assert!(sessions.iter().all(closed));
    assert_eq!(all(&stack, &device).await, whole);
    let forms: String = stack
        .sql("select string_agg(get_byte(payload, 0)::text, ' ') from rv.segment")
        .await;
    assert_eq!(forms, "2 2", "one packed row a session");
    let again = device.push(batches[20].clone()).await;
    assert_eq!(status(&again), pb::ReceiptStatus::Duplicate);
    stack.finish().await;
}

#[tokio::test]
async fn late_samples_raise_the_revision_of_a_closed_session() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    device
        .push(pb::SampleBatch {
            events: vec![end(1, 180)],
            ..run(121, 180)
        })
        .await;
    stack.do_jobs().await;
    let session = stack.sessions(&device).await.remove(0);
    assert_eq!((session.revision, session.sample_count), (1, 120));
    assert_eq!(session.completeness_ratio, Some(120.0 / 180.0));
    device.push(run(61, 120)).await;
    stack.do_jobs().await;
    let sessions = stack.sessions(&device).await;
    assert_eq!(sessions.len(), 1);
    assert_eq!(sessions[0].session_id, session.session_id);
    assert_eq!((sessions[0].revision, sessions[0].sample_count), (2, 180));
    assert_eq!(sessions[0].completeness_ratio, Some(1.0));
    let summaries: i64 = stack.sql("select count(*) from rv.session_summary").await;
    assert_eq!(summaries, 2, "the earlier revision is kept");
    assert_eq!(stack.samples(&sessions[0]).await.len(), 180);
    stack.finish().await;
}

#[tokio::test]
async fn a_silence_in_the_device_s_own_time_parts_sessions_whatever_the_order_of_arrival() {
    let stack = Stack::start().await;
    let later = |from: i64, to: i64| pb::SampleBatch {
        start_milliseconds: 1000 * from + 3_600_000,
        ..run(from, to)
    };
    for order in [[0, 1, 2], [2, 1, 0], [1, 2, 0], [2, 0, 1]] {
        let mut device = stack.device(pb::DeviceKind::Charger).await;
        for part in order {
            let batch = [run(1, 60), run(61, 120), later(121, 180)][part].clone();
            device.push(batch).await;
        }
        stack.clock.advance(TimeDelta::hours(1));
        stack.do_jobs().await;
        let sessions = stack.sessions(&device).await;
        let bounds: Vec<_> = sessions.iter().map(|s| (s.first_seq, s.last_seq)).collect();
        assert_eq!(bounds, [(1, 120), (121, 180)], "{order:?}");
        assert!(sessions.iter().all(closed));
    }
    stack.finish().await;
}

#[tokio::test]
async fn an_end_that_arrives_after_its_samples_cuts_what_was_stored() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 100)).await;
    device
        .push(pb::SampleBatch {
            events: vec![end(1, 70)],
            ..pb::SampleBatch::default()
        })
        .await;
    stack.do_jobs().await;
    let sessions = stack.sessions(&device).await;
    let bounds: Vec<_> = sessions.iter().map(|s| (s.first_seq, s.last_seq)).collect();
    assert_eq!(bounds, [(1, 70), (71, 100)]);
    assert_eq!(stack.samples(&sessions[0]).await.len(), 70);
    assert_eq!(stack.samples(&sessions[1]).await.len(), 30);
    assert_eq!(
        status(&device.push(run(1, 100)).await),
        pb::ReceiptStatus::Duplicate
    );
    stack.finish().await;
}

#[tokio::test]
async fn a_session_never_spans_boots() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    device
        .push(pb::SampleBatch {
            boot_id: device.boot + 1,
            ..run(1, 60)
        })
        .await;
    assert_eq!(stack.sessions(&device).await.len(), 2);
    stack.finish().await;
}

#[tokio::test]
async fn the_estimated_time_says_what_it_is_worth() {
    let stack = Stack::start().await;
    let now = stack.clock.now();
    let claim = |offset_s: i64, clock: pb::ClockState| {
        let at = now + TimeDelta::seconds(offset_s);
        let mut batch = run(1, 60);
        batch.clock = clock as i32;
        batch.sent_milliseconds = 60_000;
        batch.start_time = Some(restvolt::edge::wire::timestamp(at));
        batch
    };
    // The first sample was taken 59 s before it was sent, and it was sent now.
    for (batch, quality, start_s) in [
        (claim(-59, pb::ClockState::Synced), "synced", -59),
        (claim(-4_000, pb::ClockState::Synced), "synced", -4_000),
        (claim(-60, pb::ClockState::Unsynced), "synced", -60),
        (claim(-4_000, pb::ClockState::Unsynced), "corrected", -59),
        (
            claim(-40 * 365 * 86_400, pb::ClockState::Unsynced),
            "unsynced",
            -59,
        ),
        (
            pb::SampleBatch {
                sent_milliseconds: 60_000,
                ..run(1, 60)
            },
            "none",
            -59,
        ),
    ] {
        let mut device = stack.device(pb::DeviceKind::Charger).await;
        device.push(batch).await;
        let session = stack.sessions(&device).await.remove(0);
        assert_eq!(session.clock_quality, quality);
        let start = session.start_time.unwrap().seconds - now.timestamp();
        assert_eq!(start, start_s, "{quality}");
    }
    stack.finish().await;
}
