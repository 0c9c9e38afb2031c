//! The check values of DOMAIN 10 by their row, each with its source.

use super::criteria::{ThirtyMinutes, load_test_current_a, load_test_minimum_v};
use super::*;
use crate::lead_acid::charge_state::ChargeTable;

/// Row 50; source: a car maker's bulletin on parasitic drain.
#[test]
fn row_50_ninety_minutes_of_reserve_are_54_ah() {
    assert!((criteria::ah_from_reserve_minutes(90.0) - 54.0).abs() <= 0.1);
}

/// Row 51; source: load-test table of a car maker's service manuals of 2004 and 2007.
#[test]
fn row_51_a_240_a_battery_is_loaded_with_120_a_and_the_minimum_follows_temperature() {
    assert_eq!(load_test_current_a(&evidence(&[]).battery), Some(120.0));
    let printed = [
        (21.0, 9.6),
        (16.0, 9.5),
        (10.0, 9.4),
        (4.0, 9.3),
        (-1.0, 9.1),
        (-7.0, 8.9),
        (-12.0, 8.7),
        (-18.0, 8.5),
        (40.0, 9.6),
        (-30.0, 8.5),
    ];
    for (celsius, volts) in printed {
        assert!(
            (load_test_minimum_v(celsius) - volts).abs() <= 0.05,
            "{celsius}"
        );
    }
    assert!((load_test_minimum_v(13.0) - 9.45).abs() < 1e-12);
    let rested = ocv(12.8, 24.0);
    let passes = |test: Reading| class_of(&[rested.clone(), test]) == OutcomeClass::Recovered;
    assert!(passes(load_test(9.6, Some(21.0))) && !passes(load_test(9.59, Some(21.0))));
    assert!(passes(load_test(9.4, Some(10.0))) && !passes(load_test(9.39, Some(10.0))));
    assert!(passes(load_test(8.5, Some(-18.0))) && !passes(load_test(8.49, Some(-18.0))));
}

/// Row 52; source: US Army TB 9-6140-252-13, WP 0011.
#[test]
fn row_52_the_gate_of_a_240_a_rating_is_216_a() {
    assert_eq!(standing_of(&[ocv(12.8, 24.0), cca(216.0)]), RECOVERED);
    assert_eq!(
        class_of(&[ocv(12.8, 24.0), cca(215.9)]),
        OutcomeClass::PartiallyRecovered
    );
    assert_eq!(
        class_of(&[ocv(12.8, 24.0), cca(144.0)]),
        OutcomeClass::PartiallyRecovered
    );
    assert_eq!(
        class_of(&[ocv(12.8, 24.0), cca(143.9)]),
        OutcomeClass::NotRecovered
    );
}

/// Row 53; common practice, no source.
#[test]
fn row_53_twice_the_rating_is_implausible_graded_as_one_and_cannot_confirm() {
    let mut twice = evidence(&[ocv(12.8, 24.0), ocv(12.8, 72.0), cca(600.0)]);
    let rated = CrankingAmps::new("rated_cca_a", 300.0).unwrap();
    twice.battery.rated_cca = Some((rated, CcaStandard::Sae));
    let outcome = classify(&twice);
    let reason = outcome
        .reasons
        .iter()
        .find(|r| r.code == ReasonCode::ImplausibleRatio)
        .unwrap();
    assert!(
        reason
            .sentence
            .contains("measured 600 A over rated 300 A is 2.00"),
        "{reason:?}"
    );
    assert_eq!(ReasonCode::ImplausibleRatio.as_str(), "implausible_ratio");
    assert_eq!((outcome.class, outcome.standing), RECOVERED);

    twice.after.push(load_test(9.8, Some(21.0)));
    assert_eq!(classify(&twice).standing, Standing::Confirmed);
    twice.after.push(cca(290.0));
    assert!(!says(&classify(&twice), ReasonCode::ImplausibleRatio));
}

/// Row 54; common practice, no source. The 0 % lines are those of the state-of-charge tables.
#[test]
fn row_54_a_cranking_current_at_no_charge_is_not_valid_until_charged() {
    for (chemistry, empty, above) in [
        (Chemistry::Flooded, 11.89, 11.90),
        (Chemistry::Agm, 11.80, 11.81),
    ] {
        let code = ReasonCode::NotValidUntilCharged;
        let empty = of_chemistry(chemistry, &[ocv(empty, 24.0), cca(230.0)]);
        assert!(says(&empty, code) && !says(&empty, ReasonCode::CrankingPasses));
        let above = of_chemistry(chemistry, &[ocv(above, 24.0), cca(230.0)]);
        assert!(!says(&above, code) && says(&above, ReasonCode::CrankingPasses));
    }
    for (chemistry, table) in [
        (Chemistry::Flooded, ChargeTable::Flooded),
        (Chemistry::Agm, ChargeTable::AgmGel),
    ] {
        let limits = VoltageLimits::of(chemistry).unwrap();
        let printed = (table.volts_at(0.0, 12), table.volts_at(75.0, 12));
        assert_eq!((limits.empty_v, limits.load_test_v), printed);
    }
    let mut at_intake = evidence(&[ocv(12.8, 24.0), cca(200.0)]);
    at_intake.before = vec![
        before(ReadingKind::OpenCircuitVoltage, 11.5),
        before(ReadingKind::MeasuredCca, 400.0),
        before(ReadingKind::TesterReportedHealth, 12.0),
        before(ReadingKind::TesterReportedSoc, 0.0),
    ];
    let outcome = classify(&at_intake);
    assert_eq!(
        outcome.class,
        OutcomeClass::PartiallyRecovered,
        "400 A before must not count"
    );
    let reason = outcome
        .reasons
        .iter()
        .find(|r| r.code == ReasonCode::NotValidUntilCharged)
        .unwrap();
    assert!(
        reason.sentence.starts_with("3 readings"),
        "{}",
        reason.sentence
    );
}

/// Row 55; common practice, no source: 0.10 V between two meters is 13 % of charge flooded and
/// 10 % AGM, within 1 %, by the tables' 75 % and 0 % rows.
#[test]
fn row_55_two_meters_a_tenth_of_a_volt_apart_never_prove_a_lost_hold() {
    for (chemistry, percent) in [(Chemistry::Flooded, 13.0), (Chemistry::Agm, 10.0)] {
        let limits = VoltageLimits::of(chemistry).unwrap();
        let span_v = limits.load_test_v - limits.empty_v;
        assert!((criteria::TWO_INSTRUMENTS_V / span_v * 75.0 - percent).abs() <= 1.0);
    }
    let hold = |late: f64, meter_id: Option<Uuid>| {
        let late = Reading {
            instrument: meter_id,
            ..ocv(late, 72.0)
        };
        classify(&evidence(&[ocv(13.0, 24.0), cca(230.0), late]))
    };
    let other_meter = hold(12.85, Some(METER_2));
    assert_eq!((other_meter.class, other_meter.standing), RECOVERED);
    assert!(says(&other_meter, ReasonCode::HoldNotComparable));
    assert!(says(&hold(12.85, None), ReasonCode::HoldNotComparable));
    assert_eq!(hold(12.85, Some(METER_1)).class, OutcomeClass::NotRecovered);
    assert_eq!(hold(12.79, Some(METER_2)).class, OutcomeClass::NotRecovered);
}

/// Row 56; source: service manual of a 660 cc motorcycle, p. 3-56.
#[test]
fn row_56_the_check_after_30_min_says_done_recharge_or_replace() {
    let check = criteria::thirty_minute_check;
    assert_eq!(check(12.7), ThirtyMinutes::Recharge);
    assert_eq!(check(12.79), ThirtyMinutes::Recharge);
    assert_eq!(check(12.80), ThirtyMinutes::Done);
    assert_eq!(check(11.99), ThirtyMinutes::Replace);
    assert_eq!(check(12.0), ThirtyMinutes::Recharge);
    let six = crate::units::Volts::new("rest_v", 6.40).unwrap();
    assert_eq!(
        check(crate::units::twelve_volt_equivalent(six, 6)),
        ThirtyMinutes::Done
    );
}
