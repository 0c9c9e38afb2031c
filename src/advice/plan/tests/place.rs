//! Air, watch and what nobody said.

use super::*;
use crate::record::words::Storage;

// Source: DOMAIN 10, rows 41 to 44: 60 Ah flooded needs 0.36 m3/h, AGM 0.144; 8 x 2 A 4.80 m3/h.
#[test]
fn the_air_of_the_room_is_held_against_all_positions() {
    let sixty = |chemistry, air_m3_h| {
        let mut context = of_chemistry(chemistry);
        context.visit.battery.rated_ah = Some(AmpHours::new("rated_ah", 60.0).unwrap());
        context.place.air_m3_h = Some(air_m3_h);
        context
    };
    let plain = Plan {
        program_chemistry: None,
        ..plan()
    };
    for (chemistry, needed) in [(Chemistry::Flooded, 0.36), (Chemistry::Agm, 0.144)] {
        assert_eq!(kinds(&plain, &sixty(chemistry, needed)), []);
        let found = only(&plain, &sixty(chemistry, needed - 0.001));
        assert_eq!(found.kind, ObjectionKind::VentilationTooLow);
    }
    let gassing = Plan {
        purpose: Purpose::RecoveryCharge,
        method: Method::ElevatedCv,
        current: amps(2.0),
        limit: volts(15.5),
        ..plain
    };
    let mut eight = sixty(Chemistry::Flooded, 4.0);
    eight.place.positions = 8;
    let found = only(&gassing, &eight);
    assert!(
        found
            .sentence
            .contains("8 positions like this need 4.80 m3/h"),
        "{found:?}"
    );
    // Row 44 has 7.4 h by 0.42 L/Ah at 0 degC; at 25 degC gas takes more room: 6.8 h.
    assert!(
        found
            .sentence
            .contains("30 m3 could reach 1 % hydrogen in 6.8 h"),
        "{found:?}"
    );
    eight.place.air_m3_h = Some(4.8);
    assert_eq!(kinds(&gassing, &eight), []);
}

#[test]
fn a_charge_above_absorption_or_without_a_limit_needs_air_for_all_its_current() {
    let needed = |method, limit| {
        let mut context = context();
        context.place.air_m3_h = Some(0.0);
        let plan = Plan {
            method,
            limit,
            ..plan()
        };
        let found = check_plan(&plan, &context);
        let air = found
            .iter()
            .find(|one| one.kind == ObjectionKind::VentilationTooLow);
        air.unwrap().sentence.clone()
    };
    // 0.05 x 6 x 14 Ah x 8 mA/Ah, and 0.05 x 6 x 1.4 A.
    for (method, limit, air) in [
        (Method::CcCv, volts(14.4), "0.03"),
        (Method::LowRateCc, volts(14.4), "0.03"),
        (Method::LowRateCc, None, "0.42"),
        (Method::ElevatedCv, volts(14.4), "0.42"),
        (Method::CcCv, volts(15.0), "0.42"),
        (Method::Unknown, volts(14.4), "0.42"),
    ] {
        let found = needed(method, limit);
        assert!(
            found.contains(&format!("need {air} m3/h")),
            "{method}: {found}"
        );
    }
}

// Source: DOMAIN 1, row 4: at least 30 min of rest.
#[test]
fn a_voltage_counts_as_rested_from_30_minutes() {
    for (minutes, expected) in [(29.0, 1), (30.0, 0)] {
        let context = PlanContext {
            rested: RestMinutes::new("rested", minutes).ok(),
            ..context()
        };
        assert_eq!(check_plan(&plan(), &context).len(), expected, "{minutes}");
    }
}

#[test]
fn air_without_end_is_no_answer() {
    for air in [f64::INFINITY, -1.0, f64::NAN] {
        let mut place = context();
        place.place.air_m3_h = Some(air);
        assert_eq!(only(&plan(), &place).field, "air_m3_h");
    }
}

#[test]
fn heat_that_nobody_sees_stops_an_unattended_start() {
    let mut place = context();
    place.place.temperature_sensor = Some(false);
    assert_eq!(only(&plan(), &place).severity, Severity::ChangeFirst);
    place.place.attended = Some(false);
    assert_eq!(only(&plan(), &place).severity, Severity::DoNotStart);
    place.place.temperature_sensor = Some(true);
    assert_eq!(kinds(&plan(), &place), []);
    let recovery = Plan {
        purpose: Purpose::RecoveryCharge,
        ..plan()
    };
    assert_eq!(only(&recovery, &place).kind, ObjectionKind::Unattended);
}

#[test]
fn what_is_not_known_is_asked_for_by_its_field() {
    let mut bare = of_chemistry(Chemistry::Unknown);
    bare.visit.battery.rated_ah = None;
    (bare.rested, bare.battery_temperature, bare.coldest) = (None, None, None);
    bare.place = Place {
        positions: 4,
        air_m3_h: Some(f64::NAN),
        volume_m3: None,
        temperature_sensor: None,
        attended: None,
    };
    let nothing = Plan {
        purpose: Purpose::RecoveryCharge,
        method: Method::Unknown,
        current: amps(-2.0),
        limit: None,
        hours: None,
        program_nominal_v: None,
        program_chemistry: None,
    };
    let found = check_plan(&nothing, &bare);
    let fields: Vec<&str> = found.iter().map(|one| one.field).collect();
    assert_eq!(
        fields,
        [
            "chemistry",
            "rated_ah",
            "rested",
            "battery_temperature",
            "limit",
            "current",
            "program_nominal_v",
            "air_m3_h",
            "temperature_sensor",
            "attended",
        ]
    );
    assert!(
        found
            .iter()
            .all(|one| one.kind == ObjectionKind::MissingFact)
    );
    let mut outdoors = context();
    (outdoors.coldest, outdoors.visit.storage) = (None, Storage::RemovedUnheated);
    assert_eq!(only(&plan(), &outdoors).field, "coldest");
    let flooded = PlanContext {
        visit: Visit {
            electrolyte_low: None,
            ..of_chemistry(Chemistry::Flooded).visit
        },
        ..context()
    };
    assert_eq!(only(&plan(), &flooded).field, "electrolyte_low");
}
