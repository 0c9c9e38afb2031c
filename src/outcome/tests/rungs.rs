//! Each rung of the ladder, at its limits; limits from DOMAIN 5.

use super::*;

#[test]
fn voltage_passes_at_12_6_flooded_and_12_7_agm_and_gel() {
    let rungs = [(12.60, 12.59), (12.70, 12.69)];
    let kinds = [
        (Chemistry::Flooded, 0),
        (Chemistry::EnhancedFlooded, 0),
        (Chemistry::Unknown, 0),
        (Chemistry::Agm, 1),
        (Chemistry::Gel, 1),
    ];
    for (chemistry, rung) in kinds {
        let (pass, below): (f64, f64) = rungs[rung];
        let class = |volts| of_chemistry(chemistry, &[ocv(volts, 24.0), cca(230.0)]).class;
        assert_eq!(class(pass), OutcomeClass::Recovered, "{chemistry}");
        assert_eq!(
            class(below),
            OutcomeClass::PartiallyRecovered,
            "{chemistry}"
        );
        assert_eq!(
            class(pass - 0.20),
            OutcomeClass::PartiallyRecovered,
            "{chemistry}"
        );
        assert_eq!(
            class(pass - 0.21),
            OutcomeClass::NotRecovered,
            "{chemistry}"
        );
    }
}

#[test]
fn six_volt_batteries_are_judged_at_half_of_every_voltage() {
    let six = |after: &[Reading]| {
        let mut evidence = evidence(after);
        evidence.battery.nominal_v = 6;
        classify(&evidence)
    };
    assert_eq!(
        six(&[ocv(6.30, 24.0), cca(230.0)]).class,
        OutcomeClass::Recovered
    );
    assert_eq!(
        six(&[ocv(6.29, 24.0), cca(230.0)]).class,
        OutcomeClass::PartiallyRecovered
    );
    assert_eq!(
        six(&[ocv(6.19, 24.0), cca(230.0)]).class,
        OutcomeClass::NotRecovered
    );
    let test = |volts| six(&[ocv(6.40, 24.0), load_test(volts, Some(21.0))]).class;
    assert_eq!(test(4.80), OutcomeClass::Recovered);
    assert_eq!(test(4.79), OutcomeClass::NotRecovered);
    let hold = |late| six(&[ocv(6.400, 24.0), cca(230.0), ocv(late, 72.0)]);
    assert_eq!(hold(6.375).standing, Standing::Confirmed);
    assert_eq!(hold(6.351).standing, Standing::Provisional);
    assert_eq!(hold(6.349).class, OutcomeClass::NotRecovered);
    let outcome = six(&[ocv(6.40, 24.0)]);
    let sentence = &outcome.reasons[0].sentence;
    assert_eq!(
        sentence,
        "6.40 V after 24.0 h of rest; 6.30 V pass, 6.20 V is the least"
    );
}

#[test]
fn any_one_of_the_three_tests_is_enough_and_none_is_undetermined() {
    let with = |test: Reading| class_of(&[ocv(12.8, 24.0), test]);
    assert_eq!(with(cca(230.0)), OutcomeClass::Recovered);
    assert_eq!(with(load_test(9.7, None)), OutcomeClass::Recovered);
    assert_eq!(with(capacity(11.2)), OutcomeClass::Recovered);
    assert_eq!(with(capacity(11.1)), OutcomeClass::PartiallyRecovered);
    assert_eq!(with(capacity(8.3)), OutcomeClass::NotRecovered);
    let outcome = classify(&evidence(&[ocv(12.8, 24.0)]));
    assert_eq!(outcome.class, OutcomeClass::Undetermined);
    assert!(says(&outcome, ReasonCode::StrengthTestMissing));
    assert_eq!(outcome.label(Some(EndReason::Completed)), None);
    assert_eq!(outcome.due[0].kind, ReadingKind::MeasuredCca);
}

#[test]
fn tests_that_disagree_count_by_the_best_and_stay_provisional() {
    let night = [
        ocv(12.8, 24.0),
        ocv(12.8, 72.0),
        cca(230.0),
        load_test(8.0, Some(21.0)),
    ];
    assert_eq!(standing_of(&night), RECOVERED);
    assert!(says(
        &classify(&evidence(&night)),
        ReasonCode::TestsDisagree
    ));
}

#[test]
fn before_any_rest_everything_is_due_at_30_min_24_h_and_72_h() {
    let outcome = classify(&evidence(&[]));
    assert_eq!(outcome.class, OutcomeClass::Undetermined);
    assert!(says(&outcome, ReasonCode::RestVoltageMissing));
    let due: Vec<(&str, i64)> = outcome
        .due
        .iter()
        .map(|due| (due.kind.as_str(), (due.at - ended_at()).num_minutes()))
        .collect();
    let voltage = "open_circuit_voltage";
    assert_eq!(
        due,
        [
            (voltage, 30),
            (voltage, 1440),
            ("measured_cca", 1440),
            (voltage, 4320)
        ]
    );
}

#[test]
fn a_voltage_without_a_noted_rest_of_30_min_is_a_terminal_voltage() {
    let unrested = Reading {
        rested: None,
        ..ocv(12.9, 24.0)
    };
    let outcome = classify(&evidence(&[unrested, ocv(13.1, 29.0 / HOUR), cca(230.0)]));
    assert_eq!(outcome.class, OutcomeClass::Undetermined);
    let reason = outcome
        .reasons
        .iter()
        .find(|r| r.code == ReasonCode::TerminalVoltage)
        .unwrap();
    assert!(
        reason.sentence.starts_with("2 readings without"),
        "{}",
        reason.sentence
    );
}

#[test]
fn less_than_8_h_of_rest_can_show_a_loss_but_no_recovery() {
    assert_eq!(
        class_of(&[ocv(12.9, 7.9), cca(230.0)]),
        OutcomeClass::Undetermined
    );
    assert_eq!(
        class_of(&[ocv(12.0, 0.5), cca(230.0)]),
        OutcomeClass::Undetermined
    );
    let lost = classify(&evidence(&[ocv(11.99, 0.5)]));
    assert_eq!(
        (lost.class, lost.standing),
        (OutcomeClass::NotRecovered, Standing::Provisional)
    );
    assert_eq!(
        lost.due.len(),
        1,
        "a day's rest confirms it: {:?}",
        lost.due
    );
    assert_eq!(
        class_of(&[ocv(12.6, 8.0), cca(230.0)]),
        OutcomeClass::Recovered
    );
}

#[test]
fn the_longest_rest_counts_up_to_7_days() {
    assert_eq!(
        class_of(&[ocv(12.65, 8.0), ocv(12.55, 24.0), cca(230.0)]),
        OutcomeClass::PartiallyRecovered
    );
    assert_eq!(
        class_of(&[ocv(12.55, 8.0), ocv(12.65, 24.0), cca(230.0)]),
        RECOVERED.0
    );
    let month = [ocv(12.65, 24.0), ocv(12.3, 700.0), cca(230.0)];
    assert_eq!(standing_of(&month), RECOVERED);
    assert!(says(
        &classify(&evidence(&month)),
        ReasonCode::RestedTooLong
    ));
}

#[test]
fn a_dark_instrument_after_the_rest_is_a_failed_reading() {
    assert_eq!(standing_of(&[dark(ocv(0.0, 24.0))]), LOST);
    assert_eq!(standing_of(&[dark(cca(0.0))]), LOST);
    assert_eq!(
        class_of(&[ocv(12.8, 24.0), dark(cca(0.0))]),
        OutcomeClass::NotRecovered
    );
    assert_eq!(
        standing_of(&[ocv(12.8, 24.0), cca(230.0), dark(ocv(0.0, 72.0))]),
        LOST
    );
    let unrested = Reading {
        rested: None,
        ..dark(cca(0.0))
    };
    assert_eq!(class_of(&[unrested]), OutcomeClass::Undetermined);
}
