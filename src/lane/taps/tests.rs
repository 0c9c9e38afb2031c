//! Raw batches of one device, and what is heard of it.

use chrono::DateTime;

use super::*;
use crate::alarm::condition::{Edge, Origin};
use crate::record::batch::RawEvent;
use crate::record::sample::Columns;
use uuid::Uuid;

const NOW_MS: i64 = 1_780_000_000_000;

fn source() -> Source {
    Source {
        group: Uuid::from_u128(1),
        device: Uuid::from_u128(2),
    }
}

fn batch(case_cc: &[i32], current_ma: i32) -> RawBatch {
    RawBatch {
        first_seq: 1,
        start_ms: 5_000,
        step_ms: (0..case_cc.len())
            .map(|index| if index == 0 { 0 } else { 1_000 })
            .collect(),
        columns: Columns {
            case_cc: case_cc.to_vec(),
            current_ma: vec![current_ma; case_cc.len()],
            ..Columns::default()
        },
        events: Vec::new(),
        clock: ClockClaim::None,
        start_time: None,
        sent_ms: 0,
        oldest_held_seq: 0,
    }
}

fn hear(taps: &Taps, batch: &RawBatch, received_ms: i64) -> Vec<Condition> {
    let mut out = Vec::new();
    taps.hear(source(), (1, batch), received_ms, |found| {
        out.push(*found);
        0
    });
    out
}

#[test]
fn a_hot_sample_is_an_alarm_at_the_time_it_arrived() {
    let taps = Taps::default();
    assert_eq!(hear(&taps, &batch(&[2_500; 60], 2_000), NOW_MS), []);
    let mut hot = batch(&[2_500, 9_000], 2_000);
    (hot.first_seq, hot.start_ms) = (61, 123_000);
    let found = hear(&taps, &hot, NOW_MS + 60_000);
    assert_eq!((found.len(), found[0].kind), (1, Kind::OverTemperature));
    assert_eq!(found[0].at_ms, NOW_MS + 60_000);
}

#[test]
fn silence_counts_from_the_arrival_and_a_goodbye_ends_it() {
    let taps = Taps::default();
    hear(&taps, &batch(&[2_500; 10], 2_000), NOW_MS);
    assert_eq!(taps.sweep(NOW_MS + 59_999).0, []);
    let (lost, _) = taps.sweep(NOW_MS + 60_000);
    assert_eq!((lost.len(), lost[0].1.kind), (1, Kind::ContactLost));
    assert_eq!(taps.sweep(NOW_MS + 61_000).0, [], "told once");
    let mut end = batch(&[2_500], 2_000);
    end.events.push(RawEvent {
        event_seq: 1,
        time_ms: 5_000,
        kind: Some(EventKind::SessionEnd),
        ..RawEvent::default()
    });
    let back = hear(&taps, &end, NOW_MS + 62_000);
    let back: Vec<(Kind, Edge)> = back.iter().map(|found| (found.kind, found.edge)).collect();
    assert_eq!(back, [(Kind::ContactLost, Edge::Off)]);
    assert_eq!(taps.sweep(NOW_MS + 3_600_000).0, []);
}

#[test]
fn another_unit_is_suspected_only_once_the_registry_was_asked() {
    let mut sent = batch(&[2_500; 3], 0);
    sent.columns.voltage_mv = vec![12_600_000; 3];
    let taps = Taps::default();
    assert_eq!(hear(&taps, &sent, NOW_MS), []);
    assert_eq!(taps.sweep(NOW_MS).1, [source()]);
    taps.declare(source(), SenderFacts::default());
    let found = hear(&taps, &sent, NOW_MS + 1_000);
    assert_eq!(found[0].kind, Kind::UnitSuspect);
    taps.declare(
        source(),
        SenderFacts {
            voltage_in_mv: true,
            ..SenderFacts::default()
        },
    );
    let found = hear(&taps, &sent, NOW_MS + 2_000);
    assert!(
        found.iter().all(|found| found.edge != Edge::On),
        "{found:?}"
    );
}

#[test]
fn a_set_clock_is_believed_and_without_one_a_batch_sent_again_stays_as_old_as_it_was() {
    let mut tap = Tap::default();
    let mut sent = batch(&[2_500; 3], 0);
    assert_eq!(tap.offset(1, &sent, NOW_MS), NOW_MS - 7_000);
    assert_eq!(tap.offset(1, &sent, NOW_MS + 60_000), NOW_MS - 7_000);
    let other = tap.offset(2, &sent, NOW_MS + 60_000);
    assert_eq!(other, NOW_MS + 53_000, "another boot");
    sent.first_seq = 100;
    assert_eq!(tap.offset(2, &sent, NOW_MS + 90_000), NOW_MS + 53_000);
    // New numbers, but device time starts anew: it was set back, and this is news.
    (sent.first_seq, sent.start_ms) = (200, 0);
    assert_eq!(tap.offset(2, &sent, NOW_MS + 120_000), NOW_MS + 118_000);
    (sent.first_seq, sent.start_ms) = (0, 5_000);
    assert_eq!(
        tap.offset(2, &sent, NOW_MS + 150_000),
        NOW_MS + 143_000,
        "no numbers"
    );
    sent.first_seq = 1;
    sent.sent_ms = 65_000;
    assert_eq!(
        tap.offset(3, &sent, NOW_MS),
        NOW_MS - 65_000,
        "sent a minute later"
    );
    sent.clock = ClockClaim::Synced;
    sent.start_time = DateTime::from_timestamp_millis(NOW_MS - 9_000);
    assert_eq!(tap.offset(3, &sent, NOW_MS), NOW_MS - 14_000);
}

#[test]
fn devices_are_bounded_and_one_that_charges_stays() {
    let taps = Taps::default();
    let busy = source();
    hear(&taps, &batch(&[2_500; 3], 2_000), 1);
    for number in 0..100_000_u128 {
        let idle = Source {
            group: busy.group,
            device: Uuid::from_u128(1_000 + number),
        };
        taps.hear(idle, (1, &batch(&[2_500], 0)), NOW_MS, |_| 0);
    }
    let sources = taps.sources();
    assert!(sources.len() <= PARTS * DEVICES_MAX, "{}", sources.len());
    assert!(sources.contains(&busy));
}

#[test]
fn a_batch_that_comes_again_waits_for_what_it_raised() {
    let taps = Taps::default();
    let hot = batch(&[9_000], 0);
    let first = taps.hear(source(), (1, &hot), NOW_MS, |_| 7);
    let again = taps.hear(source(), (1, &batch(&[2_500], 0)), NOW_MS, |_| 0);
    assert_eq!((first, again), (7, 7));
    let other = Source {
        group: Uuid::from_u128(5),
        ..source()
    };
    assert_eq!(taps.hear(other, (1, &batch(&[2_500], 0)), NOW_MS, |_| 8), 0);
}

#[test]
fn what_showed_a_condition_is_named_the_same_when_it_is_sent_again_after_a_start() {
    let origin = |number, device_ms| {
        Some(Origin::Sent {
            boot: 1,
            number,
            device_ms,
        })
    };
    let mut hot = batch(&[2_500, 9_000, 9_500], 2_000);
    let fault = RawEvent {
        event_seq: 4,
        after_seq: 3,
        time_ms: 7_500,
        kind: Some(EventKind::Fault),
        stage: None,
        detail: String::new(),
    };
    hot.events = vec![fault];
    let ahead = DateTime::from_timestamp_millis(NOW_MS + 3_600_000);
    for (clock, start_time) in [(ClockClaim::None, None), (ClockClaim::Synced, ahead)] {
        (hot.clock, hot.start_time) = (clock, start_time);
        for received_ms in [NOW_MS, NOW_MS + 90_000] {
            let found = hear(&Taps::default(), &hot, received_ms);
            let begun = found.iter().filter(|found| found.edge == Edge::On);
            let named: Vec<_> = begun.map(|found| (found.kind, found.origin)).collect();
            let heat = (Kind::OverTemperature, origin(2, 6_000));
            assert_eq!(named, [heat, (Kind::DeviceFault, origin(4, 7_500))]);
        }
    }
    hot.first_seq = 0;
    let found = hear(&Taps::default(), &hot, NOW_MS);
    assert_eq!(found[0].origin, None, "nothing is numbered");
}
