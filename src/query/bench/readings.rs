//! Spot measurements and the instruments they are taken with.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::claims::watch_attempt_again;
use super::{
    ASK_BENCH, MAY_WRITE, StoredOutcome, other_content, outcome, row_id, time_or_now,
    visible_attempt, visible_visit,
};
use crate::clock::Clock;
use crate::query::{Caller, Error, tokens};
use crate::record::reading::{Reading, ReadingValue};
use crate::record::words::ReadingKind;
use crate::reject::{Code, Reject};
use crate::store::readings::{self, Instrument, StoredReading};
use crate::store::{Store, Tx, attempts, registry};
use crate::units::{AmpHours, Celsius, CrankingAmps, RestMinutes, Volts};

/// Largest offset of an instrument either way, volts.
const OFFSET_MAX_V: f64 = 5.0;

/// A meter or tester to register.
#[derive(Debug, Clone, PartialEq)]
pub struct RegisterInstrument {
    /// Drawn by the caller: makes a repeated call harmless.
    pub request_id: Uuid,
    /// Shop; may be left out with a token of one shop.
    pub shop_id: Option<Uuid>,
    /// Name people use.
    pub name: String,
    /// What it reads too much, volts; taken off before an outcome is judged.
    pub offset_volts: f64,
    /// When it was last compared with a reference.
    pub calibrated_at: Option<DateTime<Utc>>,
}

/// A reading as it was sent; `None` = not said.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RawReading {
    /// What was measured.
    pub kind: Option<ReadingKind>,
    /// Value in the unit of the kind.
    pub value: Option<f64>,
    /// The instrument could not measure.
    pub below_instrument_minimum: bool,
    /// Which instrument.
    pub instrument_id: Option<Uuid>,
    /// Battery temperature, degrees Celsius.
    pub temperature_celsius: Option<f64>,
    /// Minutes since charge or load ended.
    pub rested_minutes: Option<f64>,
    /// When; the server's time when not said.
    pub read_at: Option<DateTime<Utc>>,
}

/// A reading for a visit or an attempt.
#[derive(Debug, Clone, PartialEq)]
pub struct AddReading {
    /// Drawn by the caller: makes a repeated call harmless.
    pub request_id: Uuid,
    /// Visit it belongs to; may be left out when the attempt is named.
    pub visit_id: Option<Uuid>,
    /// Attempt it was taken for.
    pub attempt_id: Option<Uuid>,
    /// The reading.
    pub reading: RawReading,
}

/// The stored reading.
#[derive(Debug, Clone, PartialEq)]
pub struct AddedReading {
    /// Reading.
    pub reading_id: Uuid,
    /// The outcome as it stands now, when the reading is of an attempt.
    pub outcome: Option<StoredOutcome>,
}

/// Registers an instrument; returns its id.
///
/// # Errors
/// `Denied`, `NotFound` for the shop; rejections of the fields; `EXISTS_WITH_DIFFERENT_CONTENT`.
pub async fn register_instrument(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: RegisterInstrument,
) -> Result<Uuid, Error> {
    caller.need(MAY_WRITE, "register instruments", ASK_BENCH)?;
    tokens::name("name", &request.name)?;
    let offset_v = within(
        "offset_volts",
        request.offset_volts,
        (-OFFSET_MAX_V, OFFSET_MAX_V),
        "V",
    )?;
    let calibrated_at = request
        .calibrated_at
        .map(|at| time_or_now("calibrated_time", Some(at), clock.now()))
        .transpose()?;
    let new = Instrument {
        instrument_id: row_id(caller, "instrument", request.request_id),
        shop_id: caller.shop_for(request.shop_id)?,
        name: request.name,
        offset_v,
        calibrated_at,
    };
    let mut tx = store.begin(caller.group).await?;
    let keys = (new.instrument_id, new.shop_id);
    let facts = (new.name.as_str(), offset_v, calibrated_at);
    registry::insert_instrument(&mut tx, caller.group, keys, facts)
        .await
        .map_err(|error| {
            if error.is_constraint("instrument_group_id_shop_id_fkey") {
                Error::not_found("shop", new.shop_id)
            } else {
                error.into()
            }
        })?;
    let kept = readings::find_instruments(&mut tx, caller.group, &[new.instrument_id]).await?;
    if kept.first() != Some(&new) {
        tx.rollback().await?;
        return Err(other_content("instrument"));
    }
    tx.commit().await?;
    Ok(new.instrument_id)
}

/// Adds a reading; outcomes that it changes are revised.
///
/// # Errors
/// `Denied`, `NotFound`; rejections of the reading; `EXISTS_WITH_DIFFERENT_CONTENT`.
pub async fn add_reading(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: AddReading,
) -> Result<AddedReading, Error> {
    caller.need(MAY_WRITE, "add readings", ASK_BENCH)?;
    let now = clock.now();
    let time_was_said = request.reading.read_at.is_some();
    let reading = parse_reading(request.reading, now)?;
    let mut tx = store.begin(caller.group).await?;
    let (visit_id, shop_id) =
        visit_of(&mut tx, caller, (request.visit_id, request.attempt_id)).await?;
    if let Some(id) = reading.instrument {
        let found = readings::find_instruments(&mut tx, caller.group, &[id]).await?;
        found
            .iter()
            .find(|instrument| instrument.shop_id == shop_id)
            .ok_or_else(|| Error::not_found("instrument", id))?;
    }
    let mut new = StoredReading {
        reading_id: row_id(caller, "reading", request.request_id),
        visit_id,
        attempt_id: request.attempt_id,
        reading,
        received_at: now,
    };
    if readings::insert(&mut tx, caller.group, &new).await? {
        taken_at_intake(&mut tx, &new).await?;
    } else {
        let kept = readings::find(&mut tx, caller.group, new.reading_id).await?;
        let kept = kept.ok_or_else(|| Error::not_found("reading", new.reading_id))?;
        new.received_at = kept.received_at;
        if !time_was_said {
            new.reading.at = kept.reading.at;
        }
        if new != kept {
            tx.rollback().await?;
            return Err(other_content("reading"));
        }
    }
    let outcome = revise_after(&mut tx, &new, now).await?;
    if let Some(attempt) = new.attempt_id {
        watch_attempt_again(&mut tx, attempt, now).await?;
    }
    tx.commit().await?;
    Ok(AddedReading {
        reading_id: new.reading_id,
        outcome,
    })
}

/// Visit and shop a reading belongs to.
async fn visit_of(
    tx: &mut Tx,
    caller: &Caller,
    (visit_id, attempt_id): (Option<Uuid>, Option<Uuid>),
) -> Result<(Uuid, Uuid), Error> {
    match (visit_id, attempt_id) {
        (visit_id, Some(attempt_id)) => {
            let attempt = visible_attempt(tx, caller, attempt_id).await?;
            if visit_id.is_some_and(|visit_id| visit_id != attempt.visit_id) {
                let detail = format!("attempt {attempt_id} is of visit {}", attempt.visit_id);
                return Err(Error::bad(Code::FieldInvalid, "visit_id", detail));
            }
            Ok((attempt.visit_id, attempt.shop_id))
        }
        (Some(visit_id), None) => {
            let visit = visible_visit(tx, caller, visit_id).await?;
            Ok((visit.visit_id, visit.shop_id))
        }
        (None, None) => {
            let fix = "name the visit, or the attempt when it was taken after that began";
            Err(Error::bad(Code::FieldMissing, "visit_id", fix))
        }
    }
}

/// Refuses a reading that names no attempt and was taken after one began: nobody could tell
/// whether it is a retest.
async fn taken_at_intake(tx: &mut Tx, new: &StoredReading) -> Result<(), Error> {
    if new.attempt_id.is_some() {
        return Ok(());
    }
    let group = tx.group();
    match attempts::begun_before(tx, group, new.visit_id, new.reading.at).await? {
        None => Ok(()),
        Some((attempt, started_at)) => {
            let detail = format!(
                "attempt {attempt} of this visit began at {started_at}; name the attempt of a \
                 retest, or give the reading_time of an earlier reading"
            );
            Err(Error::bad(Code::FieldMissing, "attempt_id", detail))
        }
    }
}

/// Revises the attempt of a reading, and those it was taken before; in the order of their ids, so
/// that two writers never wait for each other.
async fn revise_after(
    tx: &mut Tx,
    new: &StoredReading,
    now: DateTime<Utc>,
) -> Result<Option<StoredOutcome>, Error> {
    let group = tx.group();
    let mut ids = attempts::judged_since(tx, group, new.visit_id, Some(new.reading.at)).await?;
    ids.extend(new.attempt_id);
    ids.sort_unstable();
    ids.dedup();
    let mut own = None;
    for id in ids {
        let revised = outcome::revise_outcome(tx, group, id, now).await?;
        if new.attempt_id == Some(id) {
            own = Some(revised);
        }
    }
    Ok(own)
}

/// Checks a reading.
///
/// # Errors
/// `FIELD_MISSING`, `FIELD_INVALID`, `VALUE_NOT_FINITE`, `VALUE_OUT_OF_RANGE`,
/// `TIMESTAMP_IN_FUTURE`. The field has its name in the contract.
pub fn parse_reading(raw: RawReading, received_at: DateTime<Utc>) -> Result<Reading, Reject> {
    let kind = raw
        .kind
        .ok_or_else(|| Reject::new(Code::FieldMissing, "kind", "say what was measured"))?;
    let value = match (raw.value, raw.below_instrument_minimum) {
        (Some(value), false) => ReadingValue::Measured(checked(kind, value)?),
        (None, true) => ReadingValue::BelowInstrumentMinimum,
        (None, false) => {
            let fix =
                "give a value, or say below_instrument_minimum when the instrument stayed dark";
            return Err(Reject::new(Code::FieldMissing, "value", fix));
        }
        (Some(value), true) => {
            let detail = format!("{value} cannot also be below what the instrument measures");
            return Err(Reject::new(
                Code::FieldInvalid,
                "below_instrument_minimum",
                detail,
            ));
        }
    };
    let temperature = raw
        .temperature_celsius
        .map(|c| Celsius::new("temperature_celsius", c));
    let rested = raw
        .rested_minutes
        .map(|min| RestMinutes::new("rested_minutes", min));
    Ok(Reading {
        kind,
        value,
        instrument: raw.instrument_id,
        temperature: temperature.transpose()?,
        rested: rested.transpose()?,
        at: time_or_now("reading_time", raw.read_at, received_at)?,
    })
}

/// Checks a value against the range of its kind.
fn checked(kind: ReadingKind, value: f64) -> Result<f64, Reject> {
    let field = "value";
    match kind {
        ReadingKind::OpenCircuitVoltage
        | ReadingKind::TerminalVoltage
        | ReadingKind::LoadTestVoltage => Volts::new(field, value).map(Volts::get),
        ReadingKind::MeasuredCca => CrankingAmps::new(field, value).map(CrankingAmps::get),
        ReadingKind::CapacityTest => AmpHours::new(field, value).map(AmpHours::get),
        ReadingKind::CaseTemperature => Celsius::new(field, value).map(Celsius::get),
        ReadingKind::SpecificGravity => within(field, value, (0.9, 1.4), kind.unit()),
        ReadingKind::InternalResistance => within(field, value, (0.0, 100.0), kind.unit()),
        ReadingKind::Conductance => within(field, value, (0.0, 1e5), kind.unit()),
        ReadingKind::TesterReportedHealth | ReadingKind::TesterReportedSoc => {
            within(field, value, (0.0, 100.0), kind.unit())
        }
    }
}

fn within(field: &str, value: f64, (min, max): (f64, f64), unit: &str) -> Result<f64, Reject> {
    if !value.is_finite() {
        return Err(Reject::new(
            Code::ValueNotFinite,
            field,
            format!("{value} is not a number"),
        ));
    }
    if !(min..=max).contains(&value) {
        let unit = if unit == "1" {
            "(ratio to water)"
        } else {
            unit
        };
        let detail = format!("{value} {unit} is outside {min} to {max} {unit}");
        return Err(Reject::new(Code::ValueOutOfRange, field, detail));
    }
    Ok(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parsed(kind: ReadingKind, value: f64) -> Result<Reading, Code> {
        let raw = RawReading {
            kind: Some(kind),
            value: Some(value),
            ..RawReading::default()
        };
        parse_reading(raw, DateTime::UNIX_EPOCH).map_err(|reject| reject.code)
    }

    #[test]
    fn every_kind_has_its_own_range_closed_at_its_ends() {
        let ranges = [
            (ReadingKind::OpenCircuitVoltage, -16.0, 40.0),
            (ReadingKind::TerminalVoltage, -16.0, 40.0),
            (ReadingKind::LoadTestVoltage, -16.0, 40.0),
            (ReadingKind::MeasuredCca, 0.0, 3_000.0),
            (ReadingKind::CapacityTest, 0.0, 1_000.0),
            (ReadingKind::SpecificGravity, 0.9, 1.4),
            (ReadingKind::InternalResistance, 0.0, 100.0),
            (ReadingKind::Conductance, 0.0, 100_000.0),
            (ReadingKind::TesterReportedHealth, 0.0, 100.0),
            (ReadingKind::TesterReportedSoc, 0.0, 100.0),
            (ReadingKind::CaseTemperature, -60.0, 150.0),
        ];
        assert_eq!(ranges.len(), ReadingKind::ALL.len());
        for (kind, min, max) in ranges {
            assert!(
                parsed(kind, min).is_ok() && parsed(kind, max).is_ok(),
                "{kind}"
            );
            assert_eq!(
                parsed(kind, min - 0.001),
                Err(Code::ValueOutOfRange),
                "{kind}"
            );
            assert_eq!(
                parsed(kind, max + 0.001),
                Err(Code::ValueOutOfRange),
                "{kind}"
            );
            assert_eq!(parsed(kind, f64::NAN), Err(Code::ValueNotFinite), "{kind}");
        }
    }

    #[test]
    fn a_dark_instrument_is_a_reading_and_silence_is_none() {
        let raw = |value, below_instrument_minimum| RawReading {
            kind: Some(ReadingKind::MeasuredCca),
            value,
            below_instrument_minimum,
            ..RawReading::default()
        };
        let code = |raw| parse_reading(raw, DateTime::UNIX_EPOCH).map_err(|reject| reject.code);
        let dark = code(raw(None, true)).unwrap();
        assert_eq!(dark.value, ReadingValue::BelowInstrumentMinimum);
        assert_eq!(code(raw(None, false)), Err(Code::FieldMissing));
        assert_eq!(code(raw(Some(0.0), true)), Err(Code::FieldInvalid));
        let unsaid = RawReading {
            kind: None,
            ..raw(Some(1.0), false)
        };
        assert_eq!(code(unsaid), Err(Code::FieldMissing));
    }
}
