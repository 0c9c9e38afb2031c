//! How attempts came out: reports, come-backs, and the one function that writes revisions.

use std::collections::HashMap;

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};
use uuid::Uuid;

use super::{
    ASK_BENCH, MAY_WRITE, StoredAttempt, StoredOutcome, content_digest, locked_attempt,
    other_content, required, row_id, time_or_now,
};
use crate::clock::Clock;
use crate::outcome::criteria::{REST_USABLE_MIN, Standing};
use crate::outcome::evidence::{Evidence, ReportedOutcome};
use crate::outcome::{Outcome, classify};
use crate::query::{Caller, Error};
use crate::record::attempt::{Attempt, ComeBack};
use crate::record::reading::{Reading, ReadingValue};
use crate::record::visit::Visit;
use crate::record::words::{Basis, OutcomeClass, ReadingKind};
use crate::reject::{Code, Reject};
use crate::store::counted::{self, Seen, SeenAttempt};
use crate::store::outcomes::{self, Report};
use crate::store::readings::{self, StoredReading};
use crate::store::{Store, Tx, attempts, visits};
use crate::units::RestMinutes;

/// A person's word on how an attempt came out.
#[derive(Debug, Clone, PartialEq)]
pub struct ReportOutcome {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Their word.
    pub class: Option<OutcomeClass>,
    /// Whether a retest after a rest stands behind it.
    pub verified: bool,
}

/// The customer came back.
#[derive(Debug, Clone, PartialEq)]
pub struct ComeBackReport {
    /// Drawn by the caller: makes a repeated call harmless.
    pub request_id: Uuid,
    /// Attempt whose battery came back.
    pub attempt_id: Uuid,
    /// When; the server's time when not said.
    pub came_at: Option<DateTime<Utc>>,
    /// Whether the battery was at fault, not the vehicle.
    pub battery_at_fault: bool,
}

/// Records a person's word; the ladder's retests still win over it. Returns the outcome.
///
/// # Errors
/// `Denied`, `NotFound`, `FIELD_MISSING`.
pub async fn report_outcome(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: ReportOutcome,
) -> Result<StoredOutcome, Error> {
    caller.need(MAY_WRITE, "report outcomes", ASK_BENCH)?;
    let now = clock.now();
    let fix = "say how it came out; `undetermined` takes an earlier word back";
    let class = required("outcome_class", request.class, fix)?;
    let word = ReportedOutcome {
        class,
        basis: Basis::Reported,
        verified: request.verified,
    };
    let group = caller.group;
    let mut tx = store.begin(group).await?;
    locked_attempt(&mut tx, caller, request.attempt_id).await?;
    let newest = outcomes::newest_report(&mut tx, group, request.attempt_id).await?;
    if newest.as_ref().map(|report| report.word) != Some(word) {
        // Two reports of one microsecond are kept apart.
        let after = newest.map(|report| report.reported_at + TimeDelta::microseconds(1));
        let reported_at = after.map_or(now, |after| after.max(now));
        let report = Report {
            word,
            reported_at,
            reported_by: caller.name.clone(),
        };
        outcomes::insert_report(&mut tx, group, request.attempt_id, &report).await?;
    }
    let outcome = revise_outcome(&mut tx, group, request.attempt_id, now).await?;
    tx.commit().await?;
    Ok(outcome)
}

/// Records that the customer came back; within 90 days it revises the outcome.
///
/// # Errors
/// `Denied`, `NotFound`; `FIELD_INVALID` before the end of the charge;
/// `EXISTS_WITH_DIFFERENT_CONTENT`.
pub async fn record_come_back(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: ComeBackReport,
) -> Result<StoredOutcome, Error> {
    caller.need(MAY_WRITE, "record come-backs", ASK_BENCH)?;
    let now = clock.now();
    let id = row_id(caller, "come_back", request.request_id);
    let group = caller.group;
    let at = time_or_now("come_back_time", request.came_at, now)?;
    let mut new = ComeBack {
        at,
        battery_at_fault: request.battery_at_fault,
    };
    let mut tx = store.begin(group).await?;
    let stored = locked_attempt(&mut tx, caller, request.attempt_id).await?;
    comes_after(stored.attempt.ended_at, at)?;
    if !outcomes::insert_come_back(&mut tx, group, (id, request.attempt_id), &new).await? {
        let kept = outcomes::find_come_back(&mut tx, group, id).await?;
        if let (None, Some((_, kept))) = (request.came_at, &kept) {
            new.at = kept.at;
        }
        if kept != Some((request.attempt_id, new)) {
            tx.rollback().await?;
            return Err(other_content("come-back"));
        }
    }
    let outcome = revise_outcome(&mut tx, group, request.attempt_id, now).await?;
    tx.commit().await?;
    Ok(outcome)
}

fn comes_after(ended_at: Option<DateTime<Utc>>, at: DateTime<Utc>) -> Result<(), Reject> {
    match ended_at {
        None => {
            let detail = "the attempt has not ended; end it first";
            Err(Reject::new(Code::FieldInvalid, "attempt_id", detail))
        }
        Some(ended_at) if at < ended_at => {
            let detail = format!("{at} is before the end of the charge, {ended_at}");
            Err(Reject::new(Code::FieldInvalid, "come_back_time", detail))
        }
        Some(_) => Ok(()),
    }
}

/// Judges an attempt again from everything known, and writes a revision when that changed anything
/// people or statistics see; returns the outcome as it stands.
///
/// Holds the attempt's row until the transaction ends, so that revisions come one after another.
///
/// # Errors
/// `NotFound`; database errors.
pub async fn revise_outcome(
    tx: &mut Tx,
    group: Uuid,
    attempt_id: Uuid,
    now: DateTime<Utc>,
) -> Result<StoredOutcome, Error> {
    let stored = attempts::lock(tx, group, attempt_id).await?;
    let stored = stored.ok_or_else(|| Error::not_found("attempt", attempt_id))?;
    let visit = visits::find(tx, group, stored.visit_id).await?;
    let visit = visit.ok_or_else(|| Error::not_found("visit", stored.visit_id))?;
    let evidence = gather(tx, group, &stored, &visit.visit).await?;
    let newest = outcomes::newest_of(tx, group, &[attempt_id]).await?.pop();
    let revised = judge(&stored, &evidence, now)?;
    match newest {
        Some(newest) if says_the_same(&newest, &revised) => Ok(newest),
        _ => {
            outcomes::insert(tx, group, &revised).await?;
            let attempt = Some(seen(&stored.attempt, &revised));
            counted::recount(
                tx,
                group,
                &[Seen {
                    visit: &visit,
                    attempt,
                }],
            )
            .await?;
            Ok(revised)
        }
    }
}

/// What statistics need of an attempt and its outcome.
pub(in crate::query) fn seen(attempt: &Attempt, outcome: &StoredOutcome) -> SeenAttempt {
    SeenAttempt {
        attempt_id: outcome.attempt_id,
        started_at: attempt.started_at,
        method: attempt.method,
        label: outcome.label,
        confirmed: outcome.confirmed,
    }
}

/// The next revision of an attempt's outcome from its evidence.
fn judge(
    stored: &StoredAttempt,
    evidence: &Evidence,
    now: DateTime<Utc>,
) -> Result<StoredOutcome, Error> {
    let outcome = classify(evidence);
    Ok(StoredOutcome {
        attempt_id: stored.attempt_id,
        revision: stored.outcome_revision + 1,
        class: outcome.class,
        basis: outcome.basis,
        confirmed: is_confirmed(&outcome),
        label: outcome.label(stored.attempt.end_reason),
        rules_version: outcome.rules_version.into(),
        input_digest: content_digest(evidence)?,
        revised_at: now.trunc_subsecs(6),
        reasons: outcome.reasons,
        due: outcome.due,
    })
}

/// The first revision of an attempt that a file tells of, from the file's word alone.
pub(in crate::query) fn judge_imported(
    stored: &StoredAttempt,
    visit: &Visit,
    word: ReportedOutcome,
    now: DateTime<Utc>,
) -> Result<StoredOutcome, Error> {
    let (before, after) = sort_out((stored, None), visit, Vec::new());
    let evidence = Evidence {
        battery: visit.battery.clone(),
        attempt: stored.attempt.clone(),
        before,
        after,
        come_backs: Vec::new(),
        reported: Some(word),
    };
    judge(stored, &evidence, now)
}

/// Confirmed by the ladder, or by a report that rests on a retest.
fn is_confirmed(outcome: &Outcome) -> bool {
    outcome.standing == Standing::Confirmed || (outcome.basis != Basis::Ladder && outcome.verified)
}

fn says_the_same(a: &StoredOutcome, b: &StoredOutcome) -> bool {
    (a.class, a.basis, a.confirmed, a.label) == (b.class, b.basis, b.confirmed, b.label)
        && a.reasons == b.reasons
        && a.due == b.due
}

/// Loads everything known about an attempt, in one order.
async fn gather(
    tx: &mut Tx,
    group: Uuid,
    stored: &StoredAttempt,
    visit: &Visit,
) -> Result<Evidence, Error> {
    let mut all = readings::of_visit(tx, group, stored.visit_id).await?;
    let ids: Vec<Uuid> = all
        .iter()
        .filter_map(|one| one.reading.instrument)
        .collect();
    let instruments = readings::find_instruments(tx, group, &ids).await?;
    let offsets = instruments
        .iter()
        .map(|one| (one.instrument_id, one.offset_v))
        .collect();
    for one in &mut all {
        one.reading = without_offset(one.reading.clone(), &offsets);
    }
    let next = attempts::next_start(tx, group, stored).await?;
    let (before, after) = sort_out((stored, next), visit, all);
    let report = outcomes::newest_report(tx, group, stored.attempt_id).await?;
    Ok(Evidence {
        battery: visit.battery.clone(),
        attempt: stored.attempt.clone(),
        before,
        after,
        come_backs: outcomes::come_backs_of(tx, group, stored.attempt_id).await?,
        reported: report.map(|report| report.word),
    })
}

/// Takes off a voltage what its instrument reads too much.
fn without_offset(mut reading: Reading, offsets: &HashMap<Uuid, f64>) -> Reading {
    let offset = reading.instrument.and_then(|id| offsets.get(&id));
    if let (ReadingValue::Measured(volts), "V", Some(offset)) =
        (reading.value, reading.kind.unit(), offset)
    {
        reading.value = ReadingValue::Measured(volts - offset);
    }
    reading
}

/// Readings before the charge, and those of the attempt after it.
///
/// Before are those of the visit up to the start, the rest voltage at intake among them: the
/// contract says it is rested, so it counts with the least rest a voltage may have. A reading of
/// the attempt taken while it charged, or after the next charge began, is no retest of it and
/// belongs to neither.
fn sort_out(
    (stored, next): (&StoredAttempt, Option<DateTime<Utc>>),
    visit: &Visit,
    all: Vec<StoredReading>,
) -> (Vec<Reading>, Vec<Reading>) {
    let attempt = &stored.attempt;
    let intake = Reading {
        kind: ReadingKind::OpenCircuitVoltage,
        value: ReadingValue::Measured(visit.rest_v.get()),
        instrument: None,
        temperature: None,
        rested: RestMinutes::new("rested_min", REST_USABLE_MIN).ok(),
        at: visit.presented_at,
    };
    let mut before: Vec<Reading> = if visit.presented_at <= attempt.started_at {
        vec![intake]
    } else {
        Vec::new()
    };
    let mut after = Vec::new();
    for one in all {
        let own = one.attempt_id == Some(stored.attempt_id);
        if own
            && attempt
                .ended_at
                .is_some_and(|ended_at| one.reading.at >= ended_at)
        {
            if next.is_none_or(|next| one.reading.at < next) {
                after.push(one.reading);
            }
        } else if one.reading.at <= attempt.started_at {
            before.push(one.reading);
        }
    }
    (before, after)
}

#[cfg(test)]
mod tests;
