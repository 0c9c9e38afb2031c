//! What a file's words become, and which rows are refused.

use super::*;

fn row(outcome: &str) -> ImportedAttempt {
    ImportedAttempt {
        case_ref: "c0000001".into(),
        number: 1,
        charger_ref: Some("s003-k1".into()),
        method: Some(Method::LowRateCc),
        started_at: DateTime::from_timestamp(1_704_308_458, 0).unwrap(),
        hours: 3.85,
        outcome: outcome.into(),
        verified: true,
        checkpoints: Vec::new(),
    }
}

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_790_000_000, 0).unwrap()
}

fn refused(row: &ImportedAttempt) -> (Code, String) {
    let reject = check_attempt(row, now()).unwrap_err();
    (reject.code, reject.field)
}

// Source: ARCHITECTURE 12, outcomes of fleets and of traces.
#[test]
fn words_of_files_become_a_class_and_an_end() {
    let words = [
        ("recovered", OutcomeClass::Recovered, EndReason::Completed),
        (
            "not_recovered",
            OutcomeClass::NotRecovered,
            EndReason::Completed,
        ),
        ("made_worse", OutcomeClass::MadeWorse, EndReason::Completed),
        (
            "undetermined",
            OutcomeClass::Undetermined,
            EndReason::Completed,
        ),
        (
            "aborted_heat",
            OutcomeClass::NotRecovered,
            EndReason::OverTemperature,
        ),
        (
            "stopped_admin",
            OutcomeClass::Undetermined,
            EndReason::StoppedByPerson,
        ),
        (
            "marginal",
            OutcomeClass::PartiallyRecovered,
            EndReason::Completed,
        ),
        (
            "not_started",
            OutcomeClass::Undetermined,
            EndReason::NotStarted,
        ),
    ];
    for (word, class, end) in words {
        let (stated, attempt) = check_attempt(&row(word), now()).unwrap();
        assert_eq!(
            (stated.class, attempt.end_reason),
            (class, Some(end)),
            "{word}"
        );
        assert_eq!(stated.basis, Basis::Imported);
    }
    let reject = check_attempt(&row("fine"), now()).unwrap_err();
    assert!(reject.detail.contains("recovered") && reject.detail.contains("aborted_heat"));
}

#[test]
fn the_end_is_the_start_and_the_hours_charged() {
    let (_, attempt) = check_attempt(&row("recovered"), now()).unwrap();
    let end = attempt.ended_at.unwrap() - attempt.started_at;
    assert_eq!(end, TimeDelta::seconds(13_860));
    let ahead = ImportedAttempt {
        started_at: now(),
        ..row("recovered")
    };
    assert_eq!(
        refused(&ahead),
        (Code::TimestampInFuture, "started_at".into())
    );
    let forever = ImportedAttempt {
        hours: 1_001.0,
        ..row("recovered")
    };
    assert_eq!(refused(&forever), (Code::ValueOutOfRange, "hours".into()));
    let hole = ImportedAttempt {
        hours: f64::NAN,
        ..row("recovered")
    };
    assert_eq!(refused(&hole), (Code::ValueNotFinite, "hours".into()));
}

#[test]
fn checkpoints_rise_and_hold_numbers() {
    let at = |at_h, dv| ImportedCheckpoint {
        at_h,
        accept_c: None,
        dv,
        temp_rise_c: None,
    };
    let with = |checkpoints| ImportedAttempt {
        checkpoints,
        ..row("recovered")
    };
    assert!(check_attempt(&with(vec![at(0.25, Some(0.3)), at(0.5, None)]), now()).is_ok());
    let twice = with(vec![at(0.25, None), at(0.25, None)]);
    assert_eq!(
        refused(&twice),
        (Code::FieldInvalid, "checkpoints.h".into())
    );
    let hole = with(vec![at(0.25, Some(f64::INFINITY))]);
    assert_eq!(
        refused(&hole),
        (Code::ValueNotFinite, "checkpoints.dv".into())
    );
}
