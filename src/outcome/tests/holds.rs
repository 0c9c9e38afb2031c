//! Comparing two readings: the hold at 72 h, and worse than before.

use super::*;

/// Source: the project's choice of 0.05 V and 0.10 V, DOMAIN 5.
#[test]
fn the_hold_is_good_to_0_05_v_doubtful_to_0_10_v_and_failed_above() {
    let hold = |late| standing_of(&[ocv(12.80, 24.0), cca(230.0), ocv(late, 72.0)]);
    assert_eq!(hold(12.75), CONFIRMED);
    assert_eq!(hold(12.74), RECOVERED);
    assert_eq!(hold(12.70), RECOVERED);
    assert_eq!(hold(12.69), LOST);
    let doubtful = classify(&evidence(&[ocv(12.80, 24.0), cca(230.0), ocv(12.72, 72.0)]));
    assert!(says(&doubtful, ReasonCode::HoldDoubtful));
}

#[test]
fn a_hold_counts_from_near_24_h_and_surface_charge_at_8_h_cannot_fail_it() {
    let hold = |rested_h, late| standing_of(&[ocv(12.90, rested_h), cca(230.0), ocv(late, 72.0)]);
    assert_eq!(hold(8.0, 12.86), CONFIRMED);
    assert_eq!(hold(8.0, 12.70), RECOVERED);
    assert_eq!(hold(18.0, 12.70), LOST);
    assert_eq!(hold(48.0, 12.88), RECOVERED);
    assert_eq!(
        standing_of(&[ocv(12.9, 24.0), cca(230.0), ocv(12.88, 71.0)]),
        RECOVERED
    );
    assert_eq!(standing_of(&[cca(230.0), ocv(12.88, 72.0)]), RECOVERED);
}

#[test]
fn voltages_at_unlike_temperatures_are_not_compared() {
    let at = |celsius, reading: Reading| Reading {
        temperature: Some(Celsius::new("temperature_c", celsius).unwrap()),
        ..reading
    };
    let night = |late_c| {
        [
            at(30.0, ocv(12.90, 24.0)),
            cca(230.0),
            at(late_c, ocv(12.70, 72.0)),
        ]
    };
    assert_eq!(standing_of(&night(22.0)), LOST);
    assert_eq!(standing_of(&night(12.0)), RECOVERED);
    // a cold battery reads low: a fail near the limit is left open, one far below is not
    assert_eq!(
        class_of(&[at(0.0, ocv(12.55, 24.0)), cca(230.0)]),
        OutcomeClass::Undetermined
    );
    assert_eq!(
        class_of(&[at(0.0, ocv(12.20, 24.0)), cca(230.0)]),
        OutcomeClass::NotRecovered
    );
    assert_eq!(
        class_of(&[at(0.0, ocv(12.60, 24.0)), cca(230.0)]),
        OutcomeClass::Recovered
    );
    assert_eq!(
        class_of(&[at(45.0, ocv(12.62, 24.0)), cca(230.0)]),
        OutcomeClass::Undetermined
    );
}

#[test]
fn a_fall_of_more_than_15_percent_on_one_tester_is_worse_unless_it_still_passes() {
    let fall = |was: f64, is: f64, meter_id| {
        let mut evidence = evidence(&[ocv(12.5, 24.0), cca(is)]);
        evidence.before = vec![
            before(ReadingKind::OpenCircuitVoltage, 12.3),
            Reading {
                instrument: meter_id,
                ..before(ReadingKind::MeasuredCca, was)
            },
        ];
        classify(&evidence).class
    };
    assert_eq!(
        fall(200.0, 170.0, Some(METER_1)),
        OutcomeClass::PartiallyRecovered
    );
    assert_eq!(fall(200.0, 169.0, Some(METER_1)), OutcomeClass::MadeWorse);
    assert_eq!(
        fall(200.0, 169.0, Some(METER_2)),
        OutcomeClass::PartiallyRecovered
    );
    assert_eq!(fall(200.0, 169.0, None), OutcomeClass::PartiallyRecovered);

    let mut still_good = evidence(&[ocv(12.7, 24.0), cca(230.0)]);
    still_good.before = vec![
        before(ReadingKind::OpenCircuitVoltage, 12.9),
        before(ReadingKind::MeasuredCca, 300.0),
    ];
    assert_eq!(classify(&still_good).class, OutcomeClass::Recovered);
}

#[test]
fn surface_charge_before_the_attempt_is_not_compared_with_a_rested_voltage() {
    let class = |rested_min: f64| {
        let mut evidence = evidence(&[ocv(12.5, 24.0), cca(190.0)]);
        evidence.before = vec![Reading {
            at: ended_at() - TimeDelta::hours(20),
            ..reading(ReadingKind::OpenCircuitVoltage, 12.9, rested_min)
        }];
        classify(&evidence).class
    };
    assert_eq!(class(60.0), OutcomeClass::PartiallyRecovered);
    assert_eq!(class(8.0 * HOUR), OutcomeClass::MadeWorse);
}
