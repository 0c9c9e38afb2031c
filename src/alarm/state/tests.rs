//! The life of an alarm against a naive model.

use proptest::prelude::*;

use super::*;

fn condition(kind: Kind, edge: Edge, value: i64, at_ms: i64) -> Condition {
    Condition::new(kind, edge, Some(value), at_ms)
}

fn raised(kind: Kind) -> Alarm {
    Alarm::raise(&condition(kind, Edge::On, 5_100, 0)).unwrap()
}

fn shelf(until_ms: i64) -> Shelf {
    Shelf {
        by: "M. Ostrow".to_owned(),
        reason: "meter is being mended".to_owned(),
        at_ms: 0,
        until_ms,
    }
}

// Source: RELIABILITY 4.3, the paragraph on states.
#[test]
fn an_alarm_closes_once_it_was_seen_and_returned_in_either_order() {
    let off = condition(Kind::OverVoltage, Edge::Off, 14_000, 10);
    let mut first = raised(Kind::OverVoltage);
    first.acknowledge("J. Brack", 5).unwrap();
    assert_eq!(first.state, State::ActiveAcknowledged);
    first.apply(&off);
    assert_eq!(first.state, State::Normal);
    let mut second = raised(Kind::OverVoltage);
    second.apply(&off);
    assert_eq!(second.state, State::ReturnedUnacknowledged);
    second.acknowledge("J. Brack", 20).unwrap();
    assert_eq!((second.state, second.revision), (State::Normal, 3));
}

#[test]
fn a_latching_alarm_needs_an_acknowledgement_after_its_return() {
    let off = condition(Kind::TemperatureRise, Edge::Off, 0, 10);
    let mut seen = raised(Kind::TemperatureRise);
    seen.acknowledge("J. Brack", 5).unwrap();
    seen.apply(&off);
    assert_eq!(seen.state, State::LatchedAcknowledged);
    seen.acknowledge("J. Brack", 20).unwrap();
    assert_eq!(seen.state, State::Normal);
    let mut unseen = raised(Kind::TemperatureRise);
    unseen.apply(&off);
    assert_eq!(unseen.state, State::LatchedUnacknowledged);
    unseen.acknowledge("J. Brack", 20).unwrap();
    assert_eq!(unseen.state, State::Normal);
}

#[test]
fn a_repeated_condition_changes_nothing_and_a_worse_one_by_a_kelvin_is_shown() {
    let mut alarm = raised(Kind::OverTemperature);
    let on = |value, at| condition(Kind::OverTemperature, Edge::Unchanged, value, at);
    assert_eq!(alarm.apply(&on(5_100, 1)), Change::Silent);
    assert_eq!(alarm.apply(&on(5_160, 2)), Change::Silent);
    assert_eq!((alarm.worst, alarm.worst_at_ms), (Some(5_160), 2));
    assert_eq!(alarm.apply(&on(5_200, 3)), Change::Visible);
    assert_eq!(alarm.apply(&on(5_000, 4)), Change::Silent);
    assert_eq!((alarm.worst, alarm.revision), (Some(5_200), 2));
}

#[test]
fn an_old_all_clear_does_not_end_a_newer_condition() {
    let mut alarm = raised(Kind::OverTemperature);
    alarm.apply(&condition(
        Kind::OverTemperature,
        Edge::Unchanged,
        5_100,
        1_000,
    ));
    let old = condition(Kind::OverTemperature, Edge::Off, 4_000, 999);
    assert_eq!(alarm.apply(&old), Change::Silent);
    assert!(alarm.state.is_active());
}

#[test]
fn the_second_person_hears_who_was_first_and_the_first_may_repeat() {
    let mut alarm = raised(Kind::OverVoltage);
    assert_eq!(alarm.acknowledge("J. Brack", 1), Ok(Change::Visible));
    assert_eq!(alarm.acknowledge("J. Brack", 2), Ok(Change::Silent));
    let error = alarm.acknowledge("M. Vell", 3).unwrap_err();
    assert!(error.to_string().contains("J. Brack"), "{error}");
    for name in ["", "  ", "a\u{202e}b"] {
        assert!(matches!(
            alarm.acknowledge(name, 4),
            Err(Refused::Text { .. })
        ));
    }
}

// Source: RELIABILITY 4.3: at most 8 h, with a reason, never for critical.
#[test]
fn shelving_is_short_has_a_reason_and_is_never_for_critical() {
    let mut high = raised(Kind::ContactLost);
    assert_eq!(high.shelve(shelf(SHELF_MAX_MS)), Ok(Change::Visible));
    assert_eq!(high.shelved_until(10), Some(SHELF_MAX_MS));
    assert_eq!(high.shelved_until(SHELF_MAX_MS), None);
    assert!(high.state.is_active(), "shelving changes no state");
    for until in [0, -1, SHELF_MAX_MS + 1] {
        assert_eq!(high.shelve(shelf(until)), Err(Refused::ShelveSpan));
    }
    let silent = Shelf {
        reason: String::new(),
        ..shelf(1)
    };
    assert!(matches!(high.shelve(silent), Err(Refused::Text { .. })));
    for kind in Kind::ALL
        .iter()
        .filter(|kind| kind.class() == Class::Critical)
    {
        assert_eq!(
            raised(*kind).shelve(shelf(1)),
            Err(Refused::ShelveCritical),
            "{kind}"
        );
    }
}

#[test]
fn a_start_tells_what_is_active_again_and_keeps_its_state() {
    let mut alarm = raised(Kind::OverTemperature);
    alarm.acknowledge("J. Brack", 1).unwrap();
    assert_eq!(alarm.reraise(), Change::Visible);
    assert_eq!(
        (alarm.state, alarm.revision),
        (State::ActiveAcknowledged, 3)
    );
    alarm.apply(&condition(Kind::OverTemperature, Edge::Off, 4_000, 9));
    assert_eq!(alarm.reraise(), Change::Silent);
}

#[test]
fn a_closed_alarm_refuses_people_and_a_condition_opens_a_new_one() {
    let (source, kind) = (source(), Kind::OverVoltage);
    let mut open = Open::default();
    let acknowledge = |alarm: &mut Alarm| alarm.acknowledge("M. Vell", 1);
    assert_eq!(open.act(source, kind, acknowledge), Err(Refused::Closed));
    open.apply(source, &condition(kind, Edge::On, 16_300, 0));
    open.act(source, kind, acknowledge).unwrap();
    let (closed, _) = open
        .apply(source, &condition(kind, Edge::Off, 14_000, 5))
        .unwrap();
    assert_eq!(closed.state, State::Normal);
    assert_eq!(open.find(source, kind), None);
    let (fresh, _) = open
        .apply(source, &condition(kind, Edge::On, 16_400, 9))
        .unwrap();
    assert_eq!(
        (fresh.state, fresh.revision),
        (State::ActiveUnacknowledged, 1)
    );
}

fn source() -> Source {
    Source {
        group: uuid::Uuid::from_u128(1),
        device: uuid::Uuid::from_u128(2),
    }
}

#[derive(Debug, Clone)]
enum Event {
    On(i64),
    Off,
    Acknowledge(bool),
    Shelve(i64),
    Reraise,
}

fn event() -> impl Strategy<Value = Event> {
    prop_oneof![
        (0_i64..9_000).prop_map(Event::On),
        Just(Event::Off),
        any::<bool>().prop_map(Event::Acknowledge),
        (-1_i64..SHELF_MAX_MS * 2).prop_map(Event::Shelve),
        Just(Event::Reraise),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    // Against a naive model: what holds is what the last condition said; a person changes nothing
    // of it; a latching alarm leaves only by an acknowledgement after the return.
    #[test]
    fn no_sequence_loses_a_condition_and_nobody_clears_one(
        latching in any::<bool>(),
        events in prop::collection::vec(event(), 0..60),
    ) {
        let kind = if latching { Kind::TemperatureRise } else { Kind::ContactLost };
        let mut open = Open::default();
        let (mut holds, mut worst, mut revision) = (false, None, 0);
        for (at_ms, event) in (1_i64..).zip(events) {
            let before = open.find(source(), kind).cloned();
            let result = match event {
                Event::On(value) => {
                    holds = true;
                    open.apply(source(), &condition(kind, Edge::On, value, at_ms))
                }
                Event::Off => {
                    holds = false;
                    open.apply(source(), &condition(kind, Edge::Off, 0, at_ms))
                }
                Event::Acknowledge(first) => {
                    let name = if first { "J. Brack" } else { "M. Vell" };
                    open.act(source(), kind, |alarm| alarm.acknowledge(name, at_ms)).ok()
                }
                Event::Shelve(span) => {
                    let shelf = Shelf { at_ms, until_ms: at_ms + span, ..shelf(0) };
                    open.act(source(), kind, |alarm| alarm.shelve(shelf)).ok()
                }
                Event::Reraise => open.act(source(), kind, |alarm| Ok(alarm.reraise())).ok(),
            };
            let now = open.find(source(), kind);
            prop_assert_eq!(now.is_some_and(|alarm| alarm.state.is_active()), holds);
            if let Some((alarm, change)) = &result {
                if before.is_none() {
                    (worst, revision) = (None, 0);
                }
                if let Event::On(value) = event {
                    worst = worst.max(Some(value));
                }
                prop_assert_eq!(alarm.worst, worst);
                revision += u32::from(*change == Change::Visible);
                prop_assert_eq!(alarm.revision, revision);
            }
            let closed = before.as_ref().is_some_and(|_| now.is_none());
            if closed {
                let acknowledged = matches!(event, Event::Acknowledge(_));
                let returned = before.as_ref().is_some_and(|alarm| !alarm.state.is_active());
                prop_assert!(!latching || (acknowledged && returned));
                prop_assert!(acknowledged || matches!(event, Event::Off));
            }
        }
    }

    #[test]
    fn the_same_condition_twice_is_the_same_as_once(values in prop::collection::vec((0_i64..9_000, any::<bool>()), 1..20)) {
        let (mut once, mut twice) = (Open::default(), Open::default());
        for (at_ms, (value, on)) in (1_i64..).zip(values) {
            let edge = if on { Edge::On } else { Edge::Off };
            let condition = condition(Kind::OverTemperature, edge, value, at_ms);
            once.apply(source(), &condition);
            twice.apply(source(), &condition);
            twice.apply(source(), &condition);
            prop_assert_eq!(&once, &twice);
        }
    }
}
