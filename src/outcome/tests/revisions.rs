//! What comes from outside the ladder: come-backs, reports, labels, missing facts.

use super::*;

#[test]
fn a_come_back_within_90_days_with_the_battery_at_fault_revises() {
    let come_back = |days: i64, battery_at_fault| {
        let mut evidence = evidence(&[ocv(12.8, 24.0), cca(230.0), ocv(12.8, 72.0)]);
        evidence.come_backs = vec![ComeBack {
            at: ended_at() + TimeDelta::days(days),
            battery_at_fault,
        }];
        let outcome = classify(&evidence);
        (outcome.class, outcome.standing)
    };
    assert_eq!(come_back(90, true), LOST);
    assert_eq!(come_back(91, true), CONFIRMED);
    assert_eq!(come_back(10, false), CONFIRMED);
    assert_eq!(come_back(-1, true), CONFIRMED);
}

#[test]
fn a_report_stands_until_the_ladder_knows_better() {
    let reported = |class, basis, verified, after: &[Reading]| {
        let mut evidence = evidence(after);
        evidence.reported = Some(ReportedOutcome {
            class,
            basis,
            verified,
        });
        classify(&evidence)
    };
    let open = reported(OutcomeClass::Recovered, Basis::Imported, false, &[]);
    assert_eq!(
        (open.class, open.basis, open.standing, open.verified),
        (
            OutcomeClass::Recovered,
            Basis::Imported,
            Standing::Provisional,
            false
        )
    );
    assert!(says(&open, ReasonCode::ReportUsed) && open.due.is_empty());
    let person = reported(OutcomeClass::Recovered, Basis::Reported, true, &[]);
    assert!(person.verified && !person.due.is_empty());

    let low = [ocv(12.0, 24.0)];
    let overruled = reported(OutcomeClass::Recovered, Basis::Reported, true, &low);
    assert_eq!(
        (overruled.class, overruled.basis),
        (OutcomeClass::NotRecovered, Basis::Ladder)
    );
    assert!(says(&overruled, ReasonCode::ReportOverruled));
    let agrees = reported(OutcomeClass::NotRecovered, Basis::Reported, true, &low);
    assert!(says(&agrees, ReasonCode::ReportAgrees));
}

/// Source: ARCHITECTURE 2 and 12, the model's y.
#[test]
fn labels_follow_the_class_except_after_heat_a_person_or_no_start() {
    let good = classify(&evidence(&[ocv(12.8, 24.0), cca(230.0)]));
    let open = classify(&evidence(&[]));
    assert_eq!(good.label(Some(EndReason::OverTemperature)), Some(false));
    assert_eq!(open.label(Some(EndReason::OverTemperature)), Some(false));
    assert_eq!(good.label(Some(EndReason::StoppedByPerson)), None);
    assert_eq!(open.label(None), None);
    for end in [
        EndReason::Completed,
        EndReason::ChargerFault,
        EndReason::ContactLost,
    ] {
        assert_eq!(
            (good.label(Some(end)), open.label(Some(end))),
            (Some(true), None)
        );
        assert!(!label_is_soft(end));
    }
    assert_eq!(good.label(Some(EndReason::NotStarted)), Some(true));
    let hearsay = Outcome {
        verified: false,
        ..good.clone()
    };
    assert_eq!(hearsay.label(Some(EndReason::NotStarted)), None);
    assert!(label_is_soft(EndReason::StopAdvised));
    for class in [
        OutcomeClass::PartiallyRecovered,
        OutcomeClass::NotRecovered,
        OutcomeClass::MadeWorse,
    ] {
        let outcome = Outcome {
            class,
            ..good.clone()
        };
        assert_eq!(outcome.label(Some(EndReason::StopAdvised)), Some(false));
    }
}

#[test]
fn lithium_and_a_running_charge_are_never_judged() {
    let lithium = of_chemistry(Chemistry::Lifepo4, &[ocv(13.3, 24.0), cca(230.0)]);
    assert_eq!(lithium.class, OutcomeClass::Undetermined);
    assert!(says(&lithium, ReasonCode::NotLeadAcid));
    let mut running = evidence(&[ocv(12.8, 24.0), cca(230.0)]);
    running.attempt.ended_at = None;
    let outcome = classify(&running);
    assert_eq!(outcome.class, OutcomeClass::Undetermined);
    assert!(says(&outcome, ReasonCode::StillCharging) && outcome.due.is_empty());
}

#[test]
fn missing_and_unknown_ratings_are_said() {
    let mut unrated = evidence(&[ocv(12.8, 24.0), cca(230.0), capacity(13.0)]);
    unrated.battery.rated_cca = None;
    unrated.battery.rated_ah = None;
    let outcome = classify(&unrated);
    assert_eq!(outcome.class, OutcomeClass::Undetermined);
    assert!(says(&outcome, ReasonCode::RatedCcaMissing));
    assert!(says(&outcome, ReasonCode::RatedAhMissing));
    let mut unknown = evidence(&[ocv(12.8, 24.0), cca(230.0)]);
    let rated = CrankingAmps::new("rated_cca_a", 240.0).unwrap();
    unknown.battery.rated_cca = Some((rated, CcaStandard::Unknown));
    let outcome = classify(&unknown);
    assert_eq!(outcome.class, OutcomeClass::Recovered);
    assert!(says(&outcome, ReasonCode::CcaStandardUnknown));
}

#[test]
fn a_load_test_without_temperature_or_charge_is_left_open_between_the_limits() {
    let undecided = |after: &[Reading]| {
        let outcome = classify(&evidence(after));
        says(&outcome, ReasonCode::LoadTestUndecided)
    };
    assert!(undecided(&[ocv(12.8, 24.0), load_test(9.2, None)]));
    assert!(!undecided(&[ocv(12.8, 24.0), load_test(8.4, None)]));
    assert!(undecided(&[ocv(12.44, 24.0), load_test(9.2, Some(21.0))]));
    assert!(!undecided(&[ocv(12.45, 24.0), load_test(9.2, Some(21.0))]));
}
