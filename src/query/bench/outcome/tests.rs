//! What counts as before and after a charge, and what a file's word becomes.

use super::*;
use crate::record::attempt::Attempt;
use crate::record::battery::Battery;
use crate::record::words::{Chemistry, EndReason, Method, Purpose, Segment, Storage, TesterState};
use crate::units::Volts;

fn at(hours: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(1_790_000_000, 0).unwrap() + TimeDelta::hours(hours)
}

fn visit(chemistry: Chemistry) -> Visit {
    Visit {
        battery: Battery {
            chemistry,
            segment: Segment::Powersports,
            nominal_v: 12,
            rated_cca: None,
            rated_ah: None,
        },
        rest_v: Volts::new("rest_v", 1.0).unwrap(),
        age: None,
        months_since_full_charge: None,
        storage: Storage::Unknown,
        tester: TesterState::NotTested,
        cca_ratio: None,
        electrolyte_low: None,
        flags: Vec::new(),
        replacement_price: None,
        presented_at: at(-1),
    }
}

const OWN: Uuid = Uuid::from_u128(7);
const OTHER: Uuid = Uuid::from_u128(8);

/// An attempt from hour 0 to hour 16.
fn stored(end_reason: EndReason) -> StoredAttempt {
    StoredAttempt {
        attempt_id: OWN,
        visit_id: Uuid::from_u128(1),
        shop_id: Uuid::from_u128(2),
        bench_id: None,
        attempt: Attempt {
            purpose: Purpose::RecoveryCharge,
            method: Method::CcCv,
            started_at: at(0),
            ended_at: Some(at(16)),
            end_reason: Some(end_reason),
        },
        planned_v: None,
        planned_a: None,
        verdict_id: None,
        charger_ref: None,
        started_by: "bench".into(),
        hours: Some(16.0),
        disposition: None,
        outcome_revision: 0,
        content_digest: [0; 16],
    }
}

/// A voltage of some hour, rested as long as the charge is over, taken for an attempt or at intake.
fn voltage(volts: f64, hour: i64, attempt_id: Option<Uuid>) -> StoredReading {
    let rested = f64::from(i32::try_from(hour - 16).unwrap().max(1)) * 60.0;
    StoredReading {
        reading_id: Uuid::from_u128(u128::from(hour.unsigned_abs())),
        visit_id: Uuid::from_u128(1),
        attempt_id,
        reading: Reading {
            kind: ReadingKind::OpenCircuitVoltage,
            value: ReadingValue::Measured(volts),
            instrument: None,
            temperature: None,
            rested: RestMinutes::new("rested_min", rested).ok(),
            at: at(hour),
        },
        received_at: at(hour),
    }
}

fn numbers(readings: &[Reading]) -> Vec<f64> {
    readings.iter().filter_map(Reading::measured).collect()
}

#[test]
fn the_rest_voltage_at_intake_is_the_first_reading_before_the_charge() {
    let all = vec![
        voltage(1.1, 0, None),
        voltage(14.2, 8, Some(OWN)),
        voltage(12.7, 40, Some(OWN)),
    ];
    let of = stored(EndReason::Completed);
    let (before, after) = sort_out((&of, None), &visit(Chemistry::Flooded), all);
    assert_eq!(numbers(&before), [1.0, 1.1]);
    assert_eq!(numbers(&after), [12.7]);
}

#[test]
fn a_retest_ends_where_the_next_charge_begins_and_another_attempts_is_not_ours() {
    let all = vec![
        voltage(12.6, 20, Some(OWN)),
        voltage(12.5, 24, Some(OTHER)),
        voltage(12.9, 50, Some(OWN)),
    ];
    let of = stored(EndReason::Completed);
    let (_, after) = sort_out((&of, Some(at(30))), &visit(Chemistry::Flooded), all);
    assert_eq!(numbers(&after), [12.6]);
}

#[test]
fn a_battery_lower_than_it_came_in_is_made_worse_without_any_other_reading_at_intake() {
    let of = stored(EndReason::Completed);
    let facts = visit(Chemistry::Flooded);
    let (before, after) = sort_out((&of, None), &facts, vec![voltage(0.8, 40, Some(OWN))]);
    let evidence = Evidence {
        battery: facts.battery,
        attempt: of.attempt.clone(),
        before,
        after,
        come_backs: Vec::new(),
        reported: None,
    };
    let outcome = judge(&of, &evidence, at(41)).unwrap();
    assert_eq!(
        (outcome.class, outcome.label),
        (OutcomeClass::MadeWorse, Some(false))
    );
    assert_eq!((outcome.basis, outcome.revision), (Basis::Ladder, 1));
}

#[test]
fn what_an_instrument_reads_too_much_is_taken_off_its_voltages_only() {
    let id = Uuid::from_u128(9);
    let offsets = HashMap::from([(id, 0.1)]);
    let mut reading = voltage(12.7, 20, None).reading;
    reading.instrument = Some(id);
    let corrected = without_offset(reading.clone(), &offsets)
        .measured()
        .unwrap();
    assert!((corrected - 12.6).abs() < 1e-9);
    reading.kind = ReadingKind::MeasuredCca;
    assert_eq!(
        without_offset(reading.clone(), &offsets).measured(),
        Some(12.7)
    );
    reading.kind = ReadingKind::OpenCircuitVoltage;
    reading.instrument = Some(OTHER);
    assert_eq!(without_offset(reading, &offsets).measured(), Some(12.7));
}

// Source: ARCHITECTURE 2, the model's label; 12, outcomes of fleets.
#[test]
fn a_files_word_is_confirmed_by_a_retest_and_a_stop_by_a_person_counts_as_nothing() {
    let word = |class, verified| ReportedOutcome {
        class,
        basis: Basis::Imported,
        verified,
    };
    let judged = |end, word| {
        let of = stored(end);
        let outcome = judge_imported(&of, &visit(Chemistry::Agm), word, at(20)).unwrap();
        (
            outcome.class,
            outcome.basis,
            outcome.confirmed,
            outcome.label,
        )
    };
    assert_eq!(
        judged(EndReason::Completed, word(OutcomeClass::Recovered, true)),
        (OutcomeClass::Recovered, Basis::Imported, true, Some(true))
    );
    assert_eq!(
        judged(
            EndReason::Completed,
            word(OutcomeClass::NotRecovered, false)
        ),
        (
            OutcomeClass::NotRecovered,
            Basis::Imported,
            false,
            Some(false)
        )
    );
    assert_eq!(
        judged(
            EndReason::OverTemperature,
            word(OutcomeClass::NotRecovered, true)
        )
        .3,
        Some(false)
    );
    assert_eq!(
        judged(
            EndReason::StoppedByPerson,
            word(OutcomeClass::Undetermined, true)
        ),
        (OutcomeClass::Undetermined, Basis::Imported, false, None)
    );
}

#[test]
fn a_revision_is_new_only_when_a_reader_would_see_it() {
    let of = stored(EndReason::Completed);
    let word = |class| ReportedOutcome {
        class,
        basis: Basis::Imported,
        verified: true,
    };
    let facts = visit(Chemistry::Agm);
    let first = judge_imported(&of, &facts, word(OutcomeClass::Recovered), at(20)).unwrap();
    let later = judge_imported(&of, &facts, word(OutcomeClass::Recovered), at(99)).unwrap();
    assert!(says_the_same(&first, &later));
    let other = judge_imported(&of, &facts, word(OutcomeClass::NotRecovered), at(20)).unwrap();
    assert!(!says_the_same(&first, &other));
}

#[test]
fn a_come_back_comes_after_the_charge() {
    assert!(comes_after(Some(at(16)), at(16)).is_ok());
    assert_eq!(
        comes_after(Some(at(16)), at(15)).unwrap_err().field,
        "come_back_time"
    );
    assert_eq!(comes_after(None, at(15)).unwrap_err().field, "attempt_id");
}
