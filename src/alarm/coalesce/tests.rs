//! The queue against every condition one by one.

use proptest::prelude::*;
use uuid::Uuid;

use super::*;
use crate::alarm::condition::Edge;
use crate::alarm::state::{Alarm, Open};

fn source(device: u128) -> Source {
    Source {
        group: Uuid::from_u128(7),
        device: Uuid::from_u128(device),
    }
}

fn condition(kind: Kind, edge: Edge, value: i64, at_ms: i64) -> Condition {
    Condition::new(kind, edge, Some(value), at_ms)
}

#[test]
fn the_worst_condition_and_the_newest_return_are_kept() {
    let mut queue = Coalesce::default();
    let heat = |edge, value, at| condition(Kind::OverTemperature, edge, value, at);
    queue.push(source(1), &heat(Edge::On, 5_100, 1));
    queue.push(source(1), &heat(Edge::Unchanged, 5_400, 2));
    queue.push(source(1), &heat(Edge::Unchanged, 5_200, 3));
    queue.push(source(1), &heat(Edge::Off, 4_400, 4));
    queue.push(source(1), &heat(Edge::Off, 4_300, 5));
    assert_eq!(queue.len(), 1);
    let (_, _, pending) = queue.pop().unwrap();
    let holds = pending.holds.unwrap();
    assert_eq!(
        (holds.value, holds.first_ms, holds.at_ms, holds.last_ms),
        (Some(5_400), 1, 2, 3)
    );
    assert_eq!(pending.after.unwrap().at_ms, 5);
    assert!(queue.is_empty());
}

// Source: RELIABILITY 4.2: 10,000 places, never full.
#[test]
fn a_full_queue_lets_lows_give_way_to_criticals_and_counts() {
    let mut queue = Coalesce::default();
    let places = u128::try_from(PLACES_MAX).unwrap();
    let low = condition(Kind::UnitSuspect, Edge::On, 1, 1);
    for device in 0..places {
        assert_eq!(queue.push(source(device), &low), None);
    }
    let turned_away = queue.push(source(places), &low);
    assert_eq!(turned_away, Some((source(places), Kind::UnitSuspect)));
    let critical = condition(Kind::OverTemperature, Edge::On, 5_100, 2);
    let gone = queue.push(source(places), &critical);
    assert_eq!(gone, Some((source(places - 1), Kind::UnitSuspect)));
    assert_eq!((queue.len(), queue.displaced()), (PLACES_MAX, 2));
    let (_, kind, _) = queue.pop().unwrap();
    assert_eq!(
        kind,
        Kind::OverTemperature,
        "the last to come, the first to leave"
    );
    let (first, _, _) = queue.pop().unwrap();
    assert_eq!(first, source(0));
}

#[test]
fn a_full_queue_of_criticals_still_takes_news_of_its_own() {
    let mut queue = Coalesce::with_limit(1);
    queue.push(
        source(1),
        &condition(Kind::OverVoltage, Edge::On, 16_300, 1),
    );
    queue.push(
        source(1),
        &condition(Kind::OverVoltage, Edge::Unchanged, 17_000, 2),
    );
    let other = condition(Kind::OverVoltage, Edge::On, 16_400, 3);
    assert_eq!(
        queue.push(source(2), &other),
        Some((source(2), Kind::OverVoltage))
    );
    let (_, _, pending) = queue.pop().unwrap();
    assert_eq!(pending.holds.unwrap().value, Some(17_000));
}

fn sequence() -> impl Strategy<Value = Vec<(bool, i64, i64)>> {
    prop::collection::vec((any::<bool>(), 0_i64..9_000, 0_i64..50), 0..12)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1024))]

    // Every condition one by one, and what the queue made of them, lead to the same alarm: from
    // nothing, from an active alarm and from one that was seen.
    #[test]
    fn what_was_coalesced_leads_to_the_same_alarm(
        latching in any::<bool>(),
        start in 0..3,
        events in sequence(),
    ) {
        let kind = if latching { Kind::TemperatureRise } else { Kind::OverTemperature };
        let mut each = Open::default();
        if start > 0 {
            let mut alarm = Alarm::raise(&condition(kind, Edge::On, 4_000, 0)).unwrap();
            if start == 2 {
                alarm.acknowledge("J. Brack", 0).unwrap();
            }
            each.restore(source(1), alarm);
        }
        let mut together = each.clone();
        let mut queue = Coalesce::default();
        for (on, value, at_ms) in events {
            let edge = if on { Edge::On } else { Edge::Off };
            let condition = condition(kind, edge, value, at_ms);
            each.apply(source(1), &condition);
            queue.push(source(1), &condition);
        }
        while let Some((source, _, pending)) = queue.pop() {
            for condition in pending.conditions() {
                together.apply(source, &condition);
            }
        }
        let (a, b) = (each.find(source(1), kind), together.find(source(1), kind));
        // An alarm that was seen and returned is closed; one at a time its next occurrence starts
        // with its own worst value, together with the worst of both.
        prop_assert_eq!(
            a.is_some_and(|alarm| alarm.state.is_active()),
            b.is_some_and(|alarm| alarm.state.is_active())
        );
        if let (Some(a), Some(b)) = (a, b) {
            prop_assert_eq!(a.state, b.state);
            prop_assert!(a.worst <= b.worst);
        }
    }
}
