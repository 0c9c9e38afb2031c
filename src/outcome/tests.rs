//! Evidence as a bench would write it, and the two archetypes; the rules follow by file.

use uuid::Uuid;

use super::*;
use crate::record::battery::Battery;
use crate::record::reading::{Reading, ReadingValue};
use crate::record::words::{CcaStandard, Chemistry, Method, Purpose, Segment};
use crate::units::{AmpHours, Celsius, CrankingAmps, RestMinutes};

mod holds;
mod order;
mod revisions;
mod rows;
mod rungs;

const HOUR: f64 = 60.0;

fn ended_at() -> DateTime<Utc> {
    DateTime::from_timestamp(1_767_225_600, 0).unwrap()
}

const METER_1: Uuid = Uuid::from_u128(1);
const METER_2: Uuid = Uuid::from_u128(2);

/// A reading at the end of its rest, by meter 1.
fn reading(kind: ReadingKind, value: f64, rested_min: f64) -> Reading {
    let rested = RestMinutes::new("rested_min", rested_min).unwrap();
    Reading {
        kind,
        value: ReadingValue::Measured(value),
        instrument: Some(METER_1),
        temperature: None,
        rested: Some(rested),
        at: due_at(&attempt(None), rested_min).unwrap(),
    }
}

fn ocv(volts: f64, rested_h: f64) -> Reading {
    reading(ReadingKind::OpenCircuitVoltage, volts, rested_h * HOUR)
}

fn cca(amperes: f64) -> Reading {
    reading(ReadingKind::MeasuredCca, amperes, 24.0 * HOUR)
}

fn load_test(volts: f64, celsius: Option<f64>) -> Reading {
    let temperature = celsius.map(|celsius| Celsius::new("temperature_c", celsius).unwrap());
    Reading {
        temperature,
        ..reading(ReadingKind::LoadTestVoltage, volts, 24.0 * HOUR)
    }
}

fn capacity(ampere_hours: f64) -> Reading {
    reading(ReadingKind::CapacityTest, ampere_hours, 24.0 * HOUR)
}

fn dark(mut reading: Reading) -> Reading {
    reading.value = ReadingValue::BelowInstrumentMinimum;
    reading
}

/// A reading before the charge, by meter 1.
fn before(kind: ReadingKind, value: f64) -> Reading {
    let at = ended_at() - TimeDelta::hours(20);
    Reading {
        at,
        ..reading(kind, value, 24.0 * HOUR)
    }
}

fn attempt(end_reason: Option<EndReason>) -> Attempt {
    Attempt {
        purpose: Purpose::RecoveryCharge,
        method: Method::CcCv,
        started_at: ended_at() - TimeDelta::hours(16),
        ended_at: Some(ended_at()),
        end_reason,
    }
}

/// A 12 V flooded battery of 240 A (EN) and 14 Ah with these readings after its charge.
fn evidence(after: &[Reading]) -> Evidence {
    let rated = CrankingAmps::new("rated_cca_a", 240.0).unwrap();
    Evidence {
        battery: Battery {
            chemistry: Chemistry::Flooded,
            segment: Segment::Powersports,
            nominal_v: 12,
            rated_cca: Some((rated, CcaStandard::En)),
            rated_ah: Some(AmpHours::new("rated_ah", 14.0).unwrap()),
        },
        attempt: attempt(Some(EndReason::Completed)),
        before: Vec::new(),
        after: after.to_vec(),
        come_backs: Vec::new(),
        reported: None,
    }
}

fn of_chemistry(chemistry: Chemistry, after: &[Reading]) -> Outcome {
    let mut evidence = evidence(after);
    evidence.battery.chemistry = chemistry;
    classify(&evidence)
}

fn class_of(after: &[Reading]) -> OutcomeClass {
    classify(&evidence(after)).class
}

fn says(outcome: &Outcome, code: ReasonCode) -> bool {
    outcome.reasons.iter().any(|reason| reason.code == code)
}

fn standing_of(after: &[Reading]) -> (OutcomeClass, Standing) {
    let outcome = classify(&evidence(after));
    (outcome.class, outcome.standing)
}

const RECOVERED: (OutcomeClass, Standing) = (OutcomeClass::Recovered, Standing::Provisional);
const CONFIRMED: (OutcomeClass, Standing) = (OutcomeClass::Recovered, Standing::Confirmed);
const LOST: (OutcomeClass, Standing) = (OutcomeClass::NotRecovered, Standing::Confirmed);

// The two archetypes of DOMAIN 7: common practice, no source; the project's own numbers.

#[test]
fn a_battery_stored_disconnected_recovers_and_the_72_h_hold_confirms_it() {
    let night = [ocv(12.8, 24.0), cca(230.0)];
    let outcome = classify(&evidence(&night));
    assert_eq!((outcome.class, outcome.standing), RECOVERED);
    assert_eq!((outcome.basis, outcome.verified), (Basis::Ladder, true));
    assert_eq!(outcome.label(Some(EndReason::Completed)), Some(true));
    let due: Vec<(ReadingKind, f64)> = outcome.due.iter().map(|d| (d.kind, d.rested_min)).collect();
    assert_eq!(due, [(ReadingKind::OpenCircuitVoltage, 72.0 * HOUR)]);
    assert_eq!(outcome.due[0].at, ended_at() + TimeDelta::hours(72));

    let three_days = [ocv(12.8, 24.0), cca(230.0), ocv(12.78, 72.0)];
    let outcome = classify(&evidence(&three_days));
    assert_eq!((outcome.class, outcome.standing), CONFIRMED);
    assert!(says(&outcome, ReasonCode::HoldPasses) && outcome.due.is_empty());
}

#[test]
fn a_battery_left_connected_that_is_lower_next_day_than_before_is_made_worse() {
    let mut flat = evidence(&[ocv(0.8, 24.0)]);
    flat.before = vec![before(ReadingKind::OpenCircuitVoltage, 1.0)];
    let outcome = classify(&flat);
    assert_eq!(outcome.class, OutcomeClass::MadeWorse);
    assert_eq!(outcome.standing, Standing::Confirmed);
    assert_eq!(outcome.label(Some(EndReason::Completed)), Some(false));
    let reason = outcome
        .reasons
        .iter()
        .find(|r| r.code == ReasonCode::WorseThanBefore)
        .unwrap();
    assert!(
        reason.sentence.starts_with("0.80 V at rest, 1.00 V before"),
        "{}",
        reason.sentence
    );

    // within what the meters may differ by it is merely not recovered
    flat.after = vec![ocv(0.96, 24.0)];
    assert_eq!(classify(&flat).class, OutcomeClass::NotRecovered);
    flat.after = vec![Reading {
        instrument: Some(METER_2),
        ..ocv(0.92, 24.0)
    }];
    assert_eq!(classify(&flat).class, OutcomeClass::NotRecovered);
    flat.after = vec![Reading {
        instrument: Some(METER_2),
        ..ocv(0.88, 24.0)
    }];
    assert_eq!(classify(&flat).class, OutcomeClass::MadeWorse);
}
