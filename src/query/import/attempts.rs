//! Attempts of a file, with the outcome in the file's word.
//!
//! The word goes through the same rules as a person's report: its basis is `imported`, and it is
//! confirmed when a retest stood behind it.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};
use uuid::Uuid;

use super::{CHUNK, Import, Imported, known_before, other_shop, reference, visit_id};
use crate::ids;
use crate::outcome::evidence::ReportedOutcome;
use crate::query::bench::content_digest;
use crate::query::bench::outcome::{judge_imported, seen};
use crate::query::{Caller, Error};
use crate::record::attempt::Attempt;
use crate::record::batch::FUTURE_MIN;
use crate::record::sample::Digest;
use crate::record::words::{Basis, EndReason, Method, OutcomeClass, Purpose};
use crate::reject::{Code, Reject};
use crate::store::attempts::StoredAttempt;
use crate::store::checkpoints::Checkpoint;
use crate::store::counted::{self, Seen};
use crate::store::outcomes::{Report, StoredOutcome};
use crate::store::visits::NewVisit;
use crate::store::{Tx, attempts, checkpoints, outcomes, visits};

/// Longest attempt that is kept, hours.
const HOURS_MAX: f64 = 1_000.0;
/// Latest checkpoint that is kept, hours.
const CHECKPOINT_H_MAX: f64 = 240.0;
/// Checkpoints of one attempt at most.
const CHECKPOINTS_MAX: usize = 64;
/// Attempts of one case at most.
const NUMBER_MAX: u32 = 1_000;

/// Words of files beside those of the contract: (word, class, end reason).
///
/// Source: ARCHITECTURE 12, outcomes of fleets and of traces.
const WORDS: [(&str, OutcomeClass, EndReason); 7] = [
    (
        "aborted_heat",
        OutcomeClass::NotRecovered,
        EndReason::OverTemperature,
    ),
    (
        "aborted_thermal",
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
    ("failed", OutcomeClass::NotRecovered, EndReason::Completed),
    (
        "wrong_chemistry",
        OutcomeClass::Undetermined,
        EndReason::NotStarted,
    ),
    (
        "not_started",
        OutcomeClass::Undetermined,
        EndReason::NotStarted,
    ),
];

/// An attempt of a file.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ImportedAttempt {
    /// The file's id of the case; its battery must have been imported.
    pub case_ref: String,
    /// Counts the attempts of the case from 1; the first is the one that statistics count.
    pub number: u32,
    /// The file's id of the charger.
    pub charger_ref: Option<String>,
    /// Charging profile; unknown when not said.
    pub method: Option<Method>,
    /// Start of the charge.
    pub started_at: DateTime<Utc>,
    /// Hours charged.
    pub hours: f64,
    /// How it came out: a class, or `aborted_heat`, `stopped_admin` and the like.
    pub outcome: String,
    /// Whether a retest after a rest stands behind the word.
    pub verified: bool,
    /// Readings at fixed hours.
    pub checkpoints: Vec<ImportedCheckpoint>,
}

/// Features of a running attempt at one time.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ImportedCheckpoint {
    /// Hours since the start of charge.
    pub at_h: f64,
    /// Current over C20, 1/h.
    pub accept_c: Option<f64>,
    /// Rise of the 12 V-equivalent voltage, volts.
    pub dv: Option<f64>,
    /// Case above ambient, kelvin.
    pub temp_rise_c: Option<f64>,
}

/// A row that can be written.
struct Ready {
    attempt: StoredAttempt,
    outcome: StoredOutcome,
    report: Report,
    checkpoints: Vec<Checkpoint>,
}

impl Ready {
    /// The row as statistics count it.
    fn seen<'a>(&self, known: &'a HashMap<Uuid, NewVisit>) -> Option<Seen<'a>> {
        let visit = known.get(&self.attempt.visit_id)?;
        Some(Seen {
            visit,
            attempt: Some(seen(&self.attempt.attempt, &self.outcome)),
        })
    }
}

impl Import<'_> {
    /// Keeps attempts with their outcomes; their batteries must have been imported.
    ///
    /// # Errors
    /// Database errors, and then the rows of earlier chunks are kept.
    pub async fn attempts(&mut self, rows: &[ImportedAttempt]) -> Result<Vec<Imported>, Error> {
        let mut answers = Vec::with_capacity(rows.len());
        for chunk in rows.chunks(CHUNK) {
            let now = self.clock.now();
            let mut tx = self.begin().await?;
            let cases: Vec<Uuid> = chunk
                .iter()
                .map(|row| visit_id(self.caller.group, &row.case_ref))
                .collect();
            let found = visits::find_all(&mut tx, self.caller.group, &cases).await?;
            let known: HashMap<Uuid, NewVisit> = found
                .into_iter()
                .map(|visit| (visit.visit_id, visit))
                .collect();
            let mut ready = Vec::with_capacity(chunk.len());
            for row in chunk {
                ready.push(prepare(self.caller, row, &known, now)?);
            }
            let good: Vec<&Ready> = ready.iter().filter_map(|row| row.as_ref().ok()).collect();
            let (mut fresh, kept) = write(&mut tx, &good, &known, !self.trial).await?;
            self.end(tx).await?;
            answers.extend(ready.into_iter().map(|row| match row {
                Err(reject) => Imported::Refused(reject),
                Ok(row) if fresh.remove(&row.attempt.attempt_id) => Imported::Stored,
                Ok(Ready { attempt, .. }) => known_before(
                    kept.get(&attempt.attempt_id).copied(),
                    attempt.content_digest,
                ),
            }));
        }
        Ok(answers)
    }
}

fn prepare(
    caller: &Caller,
    row: &ImportedAttempt,
    known: &HashMap<Uuid, NewVisit>,
    now: DateTime<Utc>,
) -> Result<Result<Ready, Reject>, Error> {
    let (word, attempt) = match check_attempt(row, now) {
        Ok(checked) => checked,
        Err(reject) => return Ok(Err(reject)),
    };
    let Some(visit) = known.get(&visit_id(caller.group, &row.case_ref)) else {
        let case = row.case_ref.escape_debug();
        let detail = format!("there is no battery of case `{case}`; import the batteries first");
        return Ok(Err(Reject::new(Code::FieldInvalid, "case_id", detail)));
    };
    if !caller.sees_shop(Some(visit.shop_id)) {
        return Ok(Err(other_shop(&visit.shop_id.to_string())));
    }
    let parts = [row.case_ref.as_bytes(), &row.number.to_le_bytes()];
    let stored = StoredAttempt {
        attempt_id: ids::derived(caller.group, "case attempt", &parts),
        visit_id: visit.visit_id,
        shop_id: visit.shop_id,
        bench_id: None,
        attempt,
        planned_v: None,
        planned_a: None,
        verdict_id: None,
        charger_ref: row.charger_ref.clone(),
        started_by: caller.name.clone(),
        hours: Some(row.hours),
        disposition: None,
        outcome_revision: 0,
        content_digest: content_digest(row)?,
    };
    let checkpoint = |one: &ImportedCheckpoint| Checkpoint {
        attempt_id: stored.attempt_id,
        at_h: one.at_h,
        accept_c: one.accept_c,
        dv: one.dv,
        temp_rise_c: one.temp_rise_c,
    };
    Ok(Ok(Ready {
        outcome: judge_imported(&stored, &visit.visit, word, now)?,
        report: Report {
            word,
            reported_at: now.trunc_subsecs(6),
            reported_by: caller.name.clone(),
        },
        checkpoints: row.checkpoints.iter().map(checkpoint).collect(),
        attempt: StoredAttempt {
            outcome_revision: 1,
            ..stored
        },
    }))
}

/// Checks an attempt without writing it; gives its outcome in our words, and the attempt.
///
/// # Errors
/// `FIELD_MISSING`, `FIELD_INVALID`, `TEXT_INVALID`, `VALUE_NOT_FINITE`, `VALUE_OUT_OF_RANGE`,
/// `TIMESTAMP_IN_FUTURE`, under the names of the file's columns.
pub fn check_attempt(
    row: &ImportedAttempt,
    now: DateTime<Utc>,
) -> Result<(ReportedOutcome, Attempt), Reject> {
    reference("case_id", &row.case_ref)?;
    if let Some(charger) = &row.charger_ref {
        reference("charger_id", charger)?;
    }
    if !(1..=NUMBER_MAX).contains(&row.number) {
        let detail = format!("{} is outside 1 to {NUMBER_MAX}", row.number);
        return Err(Reject::new(Code::ValueOutOfRange, "attempt_no", detail));
    }
    within("hours", row.hours, (0.0, HOURS_MAX))?;
    checkpoints_are_sound(&row.checkpoints)?;
    let (class, end_reason) = word_of(&row.outcome)?;
    let started_at = row.started_at.trunc_subsecs(6);
    #[expect(
        clippy::cast_possible_truncation,
        reason = "at most 3.6e12 microseconds"
    )]
    let charged = TimeDelta::microseconds((row.hours * 3.6e9) as i64);
    let ended_at = started_at + charged;
    if ended_at > now + TimeDelta::minutes(FUTURE_MIN) {
        let detail = format!("it would end at {ended_at}, ahead of the server, {now}");
        return Err(Reject::new(Code::TimestampInFuture, "started_at", detail));
    }
    let attempt = Attempt {
        purpose: Purpose::RecoveryCharge,
        method: row.method.unwrap_or(Method::Unknown),
        started_at,
        ended_at: Some(ended_at),
        end_reason: Some(end_reason),
    };
    Ok((
        ReportedOutcome {
            class,
            basis: Basis::Imported,
            verified: row.verified,
        },
        attempt,
    ))
}

/// Class and end reason of a file's word.
fn word_of(text: &str) -> Result<(OutcomeClass, EndReason), Reject> {
    if let Some((_, class, end)) = WORDS.iter().find(|(word, ..)| *word == text) {
        return Ok((*class, *end));
    }
    let class = OutcomeClass::parse("outcome", text).map_err(|mut reject| {
        let more: Vec<&str> = WORDS.iter().map(|(word, ..)| *word).collect();
        reject.detail = format!("{}, {}", reject.detail, more.join(", "));
        reject
    })?;
    Ok((class, EndReason::Completed))
}

fn checkpoints_are_sound(list: &[ImportedCheckpoint]) -> Result<(), Reject> {
    if list.len() > CHECKPOINTS_MAX {
        let detail = format!(
            "{} checkpoints; at most {CHECKPOINTS_MAX} are kept",
            list.len()
        );
        return Err(Reject::new(Code::FieldInvalid, "checkpoints", detail));
    }
    for one in list {
        within("checkpoints.h", one.at_h, (0.0, CHECKPOINT_H_MAX))?;
        let features = [
            ("checkpoints.accept_c", one.accept_c),
            ("checkpoints.dv", one.dv),
            ("checkpoints.temp_rise_c", one.temp_rise_c),
        ];
        for (field, value) in features {
            value.map_or(Ok(()), |value| within(field, value, (-1e3, 1e3)))?;
        }
    }
    if !list.is_sorted_by(|one, next| one.at_h < next.at_h) {
        let detail = "the hours must rise, each one once";
        return Err(Reject::new(Code::FieldInvalid, "checkpoints.h", detail));
    }
    Ok(())
}

fn within(field: &str, value: f64, (min, max): (f64, f64)) -> Result<(), Reject> {
    if !value.is_finite() {
        return Err(Reject::new(
            Code::ValueNotFinite,
            field,
            format!("{value} is not a number"),
        ));
    }
    if !(min..=max).contains(&value) {
        let detail = format!("{value} is outside {min} to {max}");
        return Err(Reject::new(Code::ValueOutOfRange, field, detail));
    }
    Ok(())
}

/// Writes a chunk; returns the ids that are new, and the digests of the others.
async fn write(
    tx: &mut Tx,
    rows: &[&Ready],
    known: &HashMap<Uuid, NewVisit>,
    count: bool,
) -> Result<(HashSet<Uuid>, HashMap<Uuid, Digest>), Error> {
    let group = tx.group();
    let new: Vec<StoredAttempt> = rows.iter().map(|row| row.attempt.clone()).collect();
    let fresh: HashSet<Uuid> = attempts::insert_all(tx, group, &new)
        .await?
        .into_iter()
        .collect();
    // A case that stands twice in the chunk is written as it first came.
    let mut left = fresh.clone();
    let first: Vec<&&Ready> = rows
        .iter()
        .filter(|row| left.remove(&row.attempt.attempt_id))
        .collect();
    if !first.is_empty() {
        let revisions: Vec<StoredOutcome> = first.iter().map(|row| row.outcome.clone()).collect();
        let reports: Vec<(Uuid, Report)> = first
            .iter()
            .map(|row| (row.attempt.attempt_id, row.report.clone()))
            .collect();
        let points: Vec<Checkpoint> = first
            .iter()
            .flat_map(|row| row.checkpoints.iter().copied())
            .collect();
        let seen: Vec<Seen<'_>> = first.iter().filter_map(|row| row.seen(known)).collect();
        outcomes::insert_reports(tx, group, &reports).await?;
        outcomes::insert_all(tx, group, &revisions).await?;
        checkpoints::insert_imported(tx, group, &points).await?;
        if count {
            counted::recount(tx, group, &seen).await?;
        }
    }
    if fresh.len() == new.len() {
        return Ok((fresh, HashMap::new()));
    }
    let ids: Vec<Uuid> = new.iter().map(|attempt| attempt.attempt_id).collect();
    let kept = attempts::digests(tx, group, &ids).await?;
    Ok((fresh, kept.into_iter().collect()))
}

#[cfg(test)]
mod tests;
