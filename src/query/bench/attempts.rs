//! Charges meant to bring a battery back: start, end, what became of the battery.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::outcome::revise_outcome;
use super::{
    ASK_BENCH, MAY_WRITE, StoredAttempt, StoredOutcome, content_digest, locked_attempt,
    other_content, required, row_id, time_or_now, visible_attempt, visible_visit,
};
use crate::clock::Clock;
use crate::outcome::label_is_soft;
use crate::query::{Caller, Error, advice};
use crate::record::attempt::Attempt;
use crate::record::words::{Disposition, EndReason, Method, Purpose};
use crate::reject::{Code, Reject};
use crate::store::counted::{self, Seen, SeenAttempt};
use crate::store::{Store, Tx, attempts, costs, registry, stops};
use crate::units::{Amps, Volts};

/// Longest attempt that is kept, hours.
const HOURS_MAX: f64 = 1_000.0;

/// An attempt to start.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct StartAttempt {
    /// Drawn by the caller: makes a repeated call harmless.
    pub request_id: Uuid,
    /// Visit.
    pub visit_id: Uuid,
    /// Bench; its sessions are proposed for the attempt.
    pub bench_id: Option<Uuid>,
    /// What is meant by it.
    pub purpose: Option<Purpose>,
    /// Charging profile; the shop's usual one when not said or unknown.
    pub method: Option<Method>,
    /// Verdict it begins on; the newest one of the visit when not said.
    pub verdict_id: Option<Uuid>,
    /// Start of the charge; the server's time when not said.
    pub started_at: Option<DateTime<Utc>>,
    /// Planned voltage limit, volts.
    pub planned_limit_volts: Option<f64>,
    /// Planned current limit, amperes.
    pub planned_limit_amperes: Option<f64>,
}

/// The started attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StartedAttempt {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Verdict it began on; asked now when none had been given. `None` for an imported attempt.
    pub verdict_id: Option<Uuid>,
}

/// The end of an attempt.
#[derive(Debug, Clone, PartialEq)]
pub struct EndAttempt {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Why.
    pub end_reason: Option<EndReason>,
    /// End of the charge; the server's time when not said.
    pub ended_at: Option<DateTime<Utc>>,
}

/// What became of the battery.
#[derive(Debug, Clone, PartialEq)]
pub struct SetDisposition {
    /// Attempt.
    pub attempt_id: Uuid,
    /// What became of it.
    pub disposition: Option<Disposition>,
}

/// Starts an attempt on a visit; the verdict it begins on stays with it.
///
/// # Errors
/// `Denied`, `NotFound` for visit, bench or verdict; rejections of the fields;
/// `EXISTS_WITH_DIFFERENT_CONTENT`.
pub async fn start_attempt(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: StartAttempt,
) -> Result<StartedAttempt, Error> {
    caller.need(MAY_WRITE, "start attempts", ASK_BENCH)?;
    let now = clock.now();
    let digest = content_digest(&request)?;
    let attempt_id = row_id(caller, "attempt", request.request_id);
    let mut tx = store.begin(caller.group).await?;
    if let Some(before) = attempts::find(&mut tx, caller.group, attempt_id).await? {
        tx.rollback().await?;
        return started_before(caller, &before, digest);
    }
    let mut new = planned(caller, &request, now)?;
    new.attempt_id = attempt_id;
    new.content_digest = digest;
    let visit = visible_visit(&mut tx, caller, request.visit_id).await?;
    new.shop_id = visit.shop_id;
    stands_in_shop(&mut tx, &new).await?;
    if new.attempt.method == Method::Unknown {
        let shop = costs::find(&mut tx, caller.group, &[new.shop_id])
            .await?
            .pop();
        new.attempt.method = shop
            .and_then(|shop| shop.usual_method)
            .unwrap_or(Method::Unknown);
    }
    let verdict = if let Some(verdict) = request.verdict_id {
        of_visit(&mut tx, verdict, request.visit_id).await?
    } else {
        let (visit, method) = (request.visit_id, request.method);
        advice::verdict_for_attempt(&mut tx, caller, visit, method, now).await?
    };
    new.verdict_id = Some(verdict);
    if attempts::insert(&mut tx, caller.group, &new).await? {
        revise_earlier(&mut tx, &new, now).await?;
        let attempt = Some(SeenAttempt {
            attempt_id,
            started_at: new.attempt.started_at,
            method: new.attempt.method,
            label: None,
            confirmed: false,
        });
        let seen = Seen {
            visit: &visit,
            attempt,
        };
        counted::recount(&mut tx, caller.group, &[seen]).await?;
        tx.commit().await?;
        return Ok(StartedAttempt {
            attempt_id,
            verdict_id: new.verdict_id,
        });
    }
    // The same request arrived twice at once; the other one was first.
    let before = visible_attempt(&mut tx, caller, attempt_id).await?;
    tx.rollback().await?;
    started_before(caller, &before, digest)
}

/// Judges the other attempts of the visit again: their retests end where this charge begins.
async fn revise_earlier(tx: &mut Tx, new: &StoredAttempt, now: DateTime<Utc>) -> Result<(), Error> {
    let group = tx.group();
    let judged = attempts::judged_since(tx, group, new.visit_id, None).await?;
    for id in judged {
        revise_outcome(tx, group, id, now).await?;
    }
    Ok(())
}

/// The answer to a request that came before.
fn started_before(
    caller: &Caller,
    before: &StoredAttempt,
    digest: [u8; 16],
) -> Result<StartedAttempt, Error> {
    if before.content_digest != digest || !caller.sees_shop(Some(before.shop_id)) {
        return Err(other_content("attempt"));
    }
    Ok(StartedAttempt {
        attempt_id: before.attempt_id,
        verdict_id: before.verdict_id,
    })
}

/// Checks what was sent; ids and digest are filled in later.
fn planned(
    caller: &Caller,
    request: &StartAttempt,
    now: DateTime<Utc>,
) -> Result<StoredAttempt, Error> {
    let purpose = required(
        "purpose",
        request.purpose,
        "say what is meant: a plain charge, a recovery charge or an equalisation",
    )?;
    let volts = request
        .planned_limit_volts
        .map(|volts| Volts::new("planned_limit_volts", volts));
    let amperes = request
        .planned_limit_amperes
        .map(|amperes| Amps::new("planned_limit_amperes", amperes));
    let planned_v = volts.transpose()?.map(Volts::get);
    let planned_a = amperes.transpose()?.map(Amps::get);
    not_negative("planned_limit_volts", planned_v)?;
    not_negative("planned_limit_amperes", planned_a)?;
    Ok(StoredAttempt {
        attempt_id: Uuid::nil(),
        visit_id: request.visit_id,
        shop_id: Uuid::nil(),
        bench_id: request.bench_id,
        attempt: Attempt {
            purpose,
            method: request.method.unwrap_or(Method::Unknown),
            started_at: time_or_now("start_time", request.started_at, now)?,
            ended_at: None,
            end_reason: None,
        },
        planned_v,
        planned_a,
        verdict_id: None,
        charger_ref: None,
        started_by: caller.name.clone(),
        hours: None,
        disposition: None,
        outcome_revision: 0,
        content_digest: [0; 16],
    })
}

fn not_negative(field: &str, value: Option<f64>) -> Result<(), Reject> {
    match value {
        Some(value) if value < 0.0 => {
            let detail = format!("{value} is negative; a limit starts at 0");
            Err(Reject::new(Code::ValueOutOfRange, field, detail))
        }
        _ => Ok(()),
    }
}

/// Checks that the bench stands in the shop of the visit.
async fn stands_in_shop(tx: &mut Tx, new: &StoredAttempt) -> Result<(), Error> {
    let Some(bench) = new.bench_id else {
        return Ok(());
    };
    let group = tx.group();
    let shop = registry::shop_of_bench(tx, group, bench).await?;
    if shop == Some(new.shop_id) {
        Ok(())
    } else {
        Err(Error::not_found("bench", bench))
    }
}

/// Checks that a verdict was given for the visit.
async fn of_visit(tx: &mut Tx, verdict: Uuid, visit: Uuid) -> Result<Uuid, Error> {
    let group = tx.group();
    let found = attempts::visit_of_verdict(tx, group, verdict).await?;
    if found == Some(visit) {
        Ok(verdict)
    } else {
        Err(Error::not_found("verdict", verdict))
    }
}

/// Ends an attempt; returns its outcome, usually undetermined with the retests that are due.
///
/// # Errors
/// `Denied`, `NotFound`; `FIELD_INVALID` for an end before the start;
/// `EXISTS_WITH_DIFFERENT_CONTENT` when it ended before with another reason or time.
pub async fn end_attempt(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: EndAttempt,
) -> Result<StoredOutcome, Error> {
    caller.need(MAY_WRITE, "end attempts", ASK_BENCH)?;
    let now = clock.now();
    let fix = "say why it ended; `completed` when the charge came to its own end";
    let reason = required("end_reason", request.end_reason, fix)?;
    let said = request
        .ended_at
        .map(|at| time_or_now("end_time", Some(at), now))
        .transpose()?;
    let id = request.attempt_id;
    let soft = label_is_soft(reason);
    let chance = if soft {
        chance_at_stop(store, clock, caller, id).await?
    } else {
        None
    };
    let mut tx = store.begin(caller.group).await?;
    let stored = locked_attempt(&mut tx, caller, id).await?;
    if !ended_before(&stored.attempt, reason, said)? {
        let (ended_at, hours) = end_of(&stored.attempt, said, now)?;
        attempts::end(&mut tx, caller.group, id, (reason, ended_at, hours)).await?;
        if soft {
            stops::stopped(&mut tx, (caller.group, id), chance, now).await?;
        }
    }
    let outcome = revise_outcome(&mut tx, caller.group, request.attempt_id, now).await?;
    tx.commit().await?;
    Ok(outcome)
}

/// Chance so far of an attempt that ends on advice. That it cannot be told keeps no attempt from ending: it has no label
/// then.
async fn chance_at_stop(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    attempt_id: Uuid,
) -> Result<Option<f64>, Error> {
    match advice::chance_at_stop(store, clock, caller, attempt_id).await {
        Err(Error::Store(error)) if !error.is_transient() => {
            tracing::warn!(%attempt_id, %error, "the chance at an advised stop cannot be told");
            Ok(None)
        }
        told => told,
    }
}

/// Whether the attempt ended before in the same way.
fn ended_before(
    attempt: &Attempt,
    reason: EndReason,
    said: Option<DateTime<Utc>>,
) -> Result<bool, Reject> {
    let Some(ended_at) = attempt.ended_at else {
        return Ok(false);
    };
    if attempt.end_reason == Some(reason) && said.is_none_or(|at| at == ended_at) {
        return Ok(true);
    }
    let why = attempt.end_reason.map_or("no reason", EndReason::as_str);
    let detail = format!("the attempt ended already at {ended_at} with {why}");
    let field = if attempt.end_reason == Some(reason) {
        "end_time"
    } else {
        "end_reason"
    };
    Err(Reject::new(Code::ExistsWithDifferentContent, field, detail))
}

/// Time of the end and hours charged.
fn end_of(
    attempt: &Attempt,
    said: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
) -> Result<(DateTime<Utc>, f64), Reject> {
    let started_at = attempt.started_at;
    let ended_at = match said {
        Some(at) if at < started_at => {
            let detail = format!("{at} is before the start of the charge, {started_at}");
            return Err(Reject::new(Code::FieldInvalid, "end_time", detail));
        }
        Some(at) => at,
        None => time_or_now("end_time", None, now)?.max(started_at),
    };
    let hours = (ended_at - started_at).as_seconds_f64() / 3600.0;
    if hours > HOURS_MAX {
        let detail = format!(
            "{hours:.0} h after the start; at most {HOURS_MAX} h are kept: say when it really ended"
        );
        return Err(Reject::new(Code::ValueOutOfRange, "end_time", detail));
    }
    Ok((ended_at, hours))
}

/// Records what became of the battery; the newest word counts.
///
/// # Errors
/// `Denied`, `NotFound`, `FIELD_MISSING`.
pub async fn set_disposition(
    store: &Store,
    _clock: &Clock,
    caller: &Caller,
    request: SetDisposition,
) -> Result<(), Error> {
    caller.need(MAY_WRITE, "say what became of a battery", ASK_BENCH)?;
    let fix = "say return_to_service, maintain, retest or recycle";
    let disposition = required("disposition", request.disposition, fix)?;
    let mut tx = store.begin(caller.group).await?;
    let attempt = visible_attempt(&mut tx, caller, request.attempt_id).await?;
    attempts::set_disposition(&mut tx, caller.group, attempt.attempt_id, disposition).await?;
    tx.commit().await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;

    use super::*;

    fn at(hours: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_790_000_000, 0).unwrap() + TimeDelta::hours(hours)
    }

    fn attempt(end: Option<(DateTime<Utc>, EndReason)>) -> Attempt {
        Attempt {
            purpose: Purpose::RecoveryCharge,
            method: Method::CcCv,
            started_at: at(0),
            ended_at: end.map(|end| end.0),
            end_reason: end.map(|end| end.1),
        }
    }

    #[test]
    fn the_same_end_again_is_no_conflict_and_another_one_is() {
        let done = attempt(Some((at(16), EndReason::Completed)));
        assert_eq!(ended_before(&done, EndReason::Completed, None), Ok(true));
        assert_eq!(
            ended_before(&done, EndReason::Completed, Some(at(16))),
            Ok(true)
        );
        assert_eq!(
            ended_before(&attempt(None), EndReason::Completed, None),
            Ok(false)
        );
        let other = ended_before(&done, EndReason::ChargerFault, None).unwrap_err();
        assert_eq!(other.code, Code::ExistsWithDifferentContent);
        assert_eq!(other.field, "end_reason");
        let later = ended_before(&done, EndReason::Completed, Some(at(17))).unwrap_err();
        assert_eq!(later.field, "end_time");
    }

    #[test]
    fn hours_are_counted_from_the_start_and_an_end_before_it_is_refused() {
        let (ended_at, hours) = end_of(&attempt(None), Some(at(16)), at(20)).unwrap();
        assert_eq!(ended_at, at(16));
        assert!((hours - 16.0).abs() < 1e-9);
        let early = end_of(&attempt(None), Some(at(-1)), at(20)).unwrap_err();
        assert_eq!(
            (early.code, early.field.as_str()),
            (Code::FieldInvalid, "end_time")
        );
        let forgotten = end_of(&attempt(None), None, at(1_001)).unwrap_err();
        assert_eq!(forgotten.code, Code::ValueOutOfRange);
        // The start was said a minute ahead of the server; an end now is an end at the start.
        assert_eq!(end_of(&attempt(None), None, at(-1)).unwrap(), (at(0), 0.0));
    }
}
