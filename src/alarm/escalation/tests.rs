//! Routes of a shop, walked from one due time to the next.

use super::*;
use crate::alarm::condition::{Condition, Edge};
use crate::alarm::kind::Kind;
use crate::alarm::state::Shelf;

fn recipient(level: Level, name: &str, hours: Hours) -> Recipient {
    Recipient {
        level,
        name: name.to_owned(),
        hours,
    }
}

/// Night from 20:00 to 06:30, two hours ahead of UTC.
fn routes() -> Routes {
    Routes {
        recipients: vec![
            recipient(Level::Bench, "page", Hours::Always),
            recipient(Level::Shop, "day mechanic", Hours::Day),
            recipient(Level::Shop, "night watch", Hours::Night),
            recipient(Level::Manager, "manager", Hours::Always),
            recipient(Level::Group, "group desk", Hours::Always),
        ],
        night_from_min: 20 * 60,
        night_to_min: 6 * 60 + 30,
        utc_offset_min: 120,
    }
}

fn alarm(kind: Kind) -> Alarm {
    Alarm::raise(&Condition::new(kind, Edge::On, None, 0)).unwrap()
}

fn minutes(minutes: i64) -> i64 {
    minutes * MIN_MS
}

fn names(tells: &[Tell]) -> Vec<&str> {
    tells
        .iter()
        .map(|tell| tell.recipient.name.as_str())
        .collect()
}

/// Walks through an alarm from one due time to the next: (minute, names).
fn walk(alarm: &Alarm, routes: &Routes, calls: usize) -> Vec<(i64, Vec<String>)> {
    let (mut told, mut now_ms) = (Told::default(), alarm.raised_at_ms);
    let mut walked = Vec::new();
    while walked.len() < calls {
        let (tells, now_told) = due(alarm, routes, now_ms, told);
        told = now_told;
        let names: Vec<String> = names(&tells).into_iter().map(str::to_owned).collect();
        if !names.is_empty() {
            walked.push(((now_ms - alarm.raised_at_ms) / MIN_MS, names));
        }
        let Some(next) = next_due(alarm, routes, now_ms, told) else {
            break;
        };
        assert!(next > now_ms, "asked again at once");
        now_ms = next;
    }
    walked
}

// Source: RELIABILITY 4.3: t0, 2, 5, 15 min, then each 15 min until acknowledged.
#[test]
fn a_critical_alarm_climbs_and_repeats() {
    let walked = walk(&alarm(Kind::OverTemperature), &routes(), 6);
    let at: Vec<i64> = walked.iter().map(|(minute, _)| *minute).collect();
    assert_eq!(at, [0, 2, 5, 15, 30, 45]);
    assert_eq!(walked[0].1, ["page"]);
    assert_eq!(walked[1].1, ["night watch"], "02:02 in the shop");
    assert_eq!(walked[3].1, ["group desk"]);
    assert_eq!(
        walked[4].1,
        ["page", "night watch", "manager", "group desk"]
    );
}

// Source: RELIABILITY 4.3: high 15 and 60 min.
#[test]
fn a_high_alarm_climbs_twice_and_a_low_one_calls_nobody() {
    let walked = walk(&alarm(Kind::ContactLost), &routes(), 9);
    let at: Vec<i64> = walked.iter().map(|(minute, _)| *minute).collect();
    assert_eq!(at, [0, 15, 60]);
    assert_eq!(walk(&alarm(Kind::UnitSuspect), &routes(), 9), []);
}

#[test]
fn an_acknowledgement_ends_it_and_a_new_occurrence_starts_again() {
    let mut alarm = alarm(Kind::OverVoltage);
    let (_, told) = due(&alarm, &routes(), minutes(6), Told::default());
    alarm.acknowledge("J. Brack", minutes(7)).unwrap();
    assert_eq!(next_due(&alarm, &routes(), minutes(7), told), None);
    assert_eq!(due(&alarm, &routes(), minutes(20), told), (vec![], told));
    let mut returned = super::super::state::Alarm {
        state: crate::alarm::state::State::ReturnedUnacknowledged,
        ..alarm
    };
    returned.apply(&Condition::new(
        Kind::OverVoltage,
        Edge::On,
        None,
        minutes(30),
    ));
    let (tells, _) = due(&returned, &routes(), minutes(30), told);
    assert_eq!(names(&tells), ["page"]);
}

#[test]
fn steps_missed_while_away_are_told_together_and_each_person_once() {
    let alarm = alarm(Kind::OverVoltage);
    let (tells, told) = due(&alarm, &routes(), minutes(200), Told::default());
    assert_eq!(
        names(&tells),
        ["page", "night watch", "manager", "group desk"]
    );
    assert_eq!(due(&alarm, &routes(), minutes(200), told).0, []);
    assert_eq!(
        next_due(&alarm, &routes(), minutes(200), told),
        Some(minutes(210))
    );
    let (again, _) = due(&alarm, &routes(), minutes(300), told);
    assert_eq!(again.len(), 4);
    assert_eq!(again[0].due_ms, minutes(300));
}

#[test]
fn a_shelf_holds_back_and_what_was_missed_comes_after_it() {
    let mut alarm = alarm(Kind::ContactLost);
    let shelf = Shelf {
        by: "M. Vell".to_owned(),
        reason: "socket is moved".to_owned(),
        at_ms: 0,
        until_ms: minutes(30),
    };
    alarm.shelve(shelf).unwrap();
    let told = Told::default();
    assert_eq!(due(&alarm, &routes(), minutes(20), told).0, []);
    assert_eq!(
        next_due(&alarm, &routes(), minutes(20), told),
        Some(minutes(30))
    );
    let (tells, _) = due(&alarm, &routes(), minutes(30), told);
    assert_eq!(names(&tells), ["page", "night watch"]);
}

#[test]
fn a_level_with_nobody_to_call_passes_to_the_next() {
    let mut routes = routes();
    routes
        .recipients
        .retain(|recipient| recipient.hours != Hours::Night);
    let walked = walk(&alarm(Kind::OverTemperature), &routes, 2);
    assert_eq!(
        walked[1].1,
        ["manager"],
        "at night, with a shop that has only a day contact"
    );
}

#[test]
fn a_high_alarm_at_night_waits_for_the_morning_when_there_is_nobody_to_call() {
    let mut routes = routes();
    for recipient in &mut routes.recipients {
        if recipient.level != Level::Bench {
            recipient.hours = Hours::Day;
        }
    }
    // Raised at 02:00 of the shop; its night ends at 06:30.
    let walked = walk(&alarm(Kind::ContactLost), &routes, 9);
    let expected = vec![
        "day mechanic".to_owned(),
        "night watch".to_owned(),
        "manager".to_owned(),
    ];
    assert_eq!(walked, [(0, vec!["page".to_owned()]), (270, expected)]);
}

#[test]
fn night_wraps_around_midnight_in_the_shops_own_time() {
    let routes = routes();
    for (utc_min, night) in [
        (17 * 60 + 59, false),
        (18 * 60, true),
        (4 * 60 + 29, true),
        (4 * 60 + 30, false),
    ] {
        assert_eq!(routes.is_night(minutes(utc_min)), night, "{utc_min}");
    }
    let west = Routes {
        utc_offset_min: -600,
        ..routes
    };
    assert!(west.is_night(minutes(6 * 60)), "20:00 of the day before");
}

// Source: RELIABILITY 4.3: "no night contact".
#[test]
fn a_shop_without_a_night_contact_is_told_so() {
    let mut routes = routes();
    assert_eq!(routes.findings(), [""; 0]);
    routes
        .recipients
        .retain(|recipient| recipient.hours == Hours::Day || recipient.level == Level::Bench);
    let found = routes.findings();
    assert_eq!(found.len(), 1);
    assert!(found[0].starts_with("no night contact"));
    routes.recipients.clear();
    assert_eq!(routes.findings().len(), 2);
}
