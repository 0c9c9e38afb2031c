//! "Again?" for a battery whose first attempt did not bring it back.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{ASK_WITH, MAY_ASK};
use crate::advice::again::{AgainAnswer, FirstCharge, REST_MIN, advise_again, render_again};
use crate::clock::Clock;
use crate::ids;
use crate::learn::{self, Learned};
use crate::model::again::{AgainModel, Morning, Second};
use crate::model::fit::{Fit, Label, Observation};
use crate::model::prior::Features;
use crate::query::{Caller, Error};
use crate::record::reading::ReadingValue;
use crate::record::words::{OutcomeClass, ReadingKind};
use crate::reject::Code;
use crate::store::again_verdicts::{self, AgainVerdict};
use crate::store::findings::{self, Standing};
use crate::store::fits::{self, SettledSecond};
use crate::store::{
    self, Store, Tx, attempts, claims, costs, outcomes, readings, verdicts, visits,
};
use crate::units::RestMinutes;

/// Attempts of one call at most.
const ATTEMPTS_MAX: usize = 1_000;

/// The answer with what it knew, as it is kept.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Again {
    /// The answer's own id.
    pub again_verdict_id: Uuid,
    /// When it was given.
    pub answered_at: DateTime<Utc>,
    /// First attempt asked about.
    pub attempt_id: Uuid,
    /// Its visit: a second attempt belongs to the same.
    pub visit_id: Uuid,
    /// Its shop.
    #[serde(skip)]
    pub shop_id: Uuid,
    /// The answer.
    #[serde(flatten)]
    pub answer: AgainAnswer,
    /// Newest outcome known; `None` without any.
    pub cut_off: Option<DateTime<Utc>>,
    /// ISO 4217.
    pub currency: String,
    /// All of it as plain text.
    pub text: String,
}

/// Answers whether a battery is worth one more charge, and keeps the answer.
///
/// # Errors
/// `Denied`, `NotFound`; `FIELD_INVALID` for an attempt that runs, that came back, or that is a second one
/// itself; database errors.
pub async fn again(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    attempt_id: Uuid,
) -> Result<Again, Error> {
    let mut answers = again_many(store, clock, caller, &[attempt_id]).await?;
    let unanswered = || store::Error::Misfit("a question got no answer".into()).into();
    answers.pop().unwrap_or_else(|| Err(unanswered()))
}

/// Answers about several batteries in their order; one that cannot be answered says why and stops no other.
///
/// # Errors
/// `Denied`; `FIELD_INVALID` for more than 1,000; database errors.
pub(super) async fn again_many(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    attempts: &[Uuid],
) -> Result<Vec<Result<Again, Error>>, Error> {
    caller.need(MAY_ASK, "ask about a second attempt", ASK_WITH)?;
    if attempts.len() > ATTEMPTS_MAX {
        let detail = format!(
            "{} attempts; at most {ATTEMPTS_MAX} in one call",
            attempts.len()
        );
        return Err(Error::bad(Code::FieldInvalid, "again_attempt_ids", detail));
    }
    let now = clock.now();
    let mut tx = store.begin(caller.group).await?;
    let learned = learn::learned(&mut tx, now).await?;
    let model = model(&mut tx, &learned).await?;
    let mut answers = Vec::with_capacity(attempts.len());
    for attempt in attempts {
        match judge(&mut tx, (&learned, &model), (caller, now), *attempt).await {
            // A transaction that failed answers nothing more.
            Err(Error::Store(error)) => return Err(error.into()),
            answer => answers.push(answer),
        }
    }
    let given = answers.iter().filter_map(|answer| answer.as_ref().ok());
    let given: Vec<AgainVerdict> = given.map(kept).collect::<Result<_, _>>()?;
    again_verdicts::insert(&mut tx, caller.group, &given).await?;
    tx.commit().await?;
    Ok(answers)
}

/// Shows an answer as it was given.
///
/// # Errors
/// `Denied`, `NotFound`; database errors; `Corrupt`.
pub async fn get_again(store: &Store, caller: &Caller, id: Uuid) -> Result<Again, Error> {
    caller.need(MAY_ASK, "read answers about second attempts", ASK_WITH)?;
    let mut tx = store.begin(caller.group).await?;
    let found = again_verdicts::find(&mut tx, caller.group, id).await?;
    tx.rollback().await?;
    let (shop_id, body) = found
        .filter(|(shop, _)| caller.sees_shop(Some(*shop)))
        .ok_or_else(|| Error::not_found("answer about a second attempt", id))?;
    let given: Result<Again, _> = serde_json::from_str(&body);
    let given = given.map_err(|_| store::Error::corrupt("again_verdict", "body", id))?;
    Ok(Again { shop_id, ..given })
}

/// An answer as it is kept.
fn kept(given: &Again) -> Result<AgainVerdict, store::Error> {
    let body = serde_json::to_string(given);
    Ok(AgainVerdict {
        again_verdict_id: given.again_verdict_id,
        attempt_id: given.attempt_id,
        visit_id: given.visit_id,
        shop_id: given.shop_id,
        answered_at: given.answered_at,
        answer: given.answer.answer,
        chance: given.answer.chance.as_ref().map(|chance| chance.mean),
        worth_and_cost: given
            .answer
            .economics
            .as_ref()
            .map(|money| (money.worth, money.cost)),
        currency: given.currency.clone(),
        model_version: given.answer.model_version.clone(),
        cut_off: given.cut_off,
        body: body.map_err(|error| store::Error::Misfit(error.to_string()))?,
    })
}

async fn judge(
    tx: &mut Tx,
    (learned, model): (&Learned, &AgainModel),
    (caller, now): (&Caller, DateTime<Utc>),
    attempt_id: Uuid,
) -> Result<Again, Error> {
    let group = caller.group;
    let attempt = attempts::find(tx, group, attempt_id).await?;
    let attempt = attempt
        .filter(|attempt| caller.sees_shop(Some(attempt.shop_id)))
        .ok_or_else(|| Error::not_found("attempt", attempt_id))?;
    let refuse = |detail: &str| Error::bad(Code::FieldInvalid, "attempt_id", detail);
    if attempt.attempt.ended_at.is_none() {
        return Err(refuse(
            "it still runs: ask how it goes (AdviseRunning), or end it first",
        ));
    }
    let started = attempt.attempt.started_at;
    let earlier = attempts::begun_before(tx, group, attempt.visit_id, started).await?;
    if earlier.is_some() {
        return Err(refuse(
            "it is a second attempt itself; a third is not answered: two nights have told",
        ));
    }
    let outcome = outcomes::newest_of(tx, group, &[attempt_id]).await?.pop();
    let class = outcome.map_or(OutcomeClass::Undetermined, |outcome| outcome.class);
    if class == OutcomeClass::Recovered {
        return Err(refuse("it came back: there is nothing to attempt again"));
    }
    let visit = visits::find_all(tx, group, &[attempt.visit_id])
        .await?
        .pop();
    let visit = visit.ok_or_else(|| Error::not_found("visit", attempt.visit_id))?;
    let shop = costs::find(tx, group, &[attempt.shop_id]).await?.pop();
    let shop = shop.ok_or_else(|| Error::not_found("shop", attempt.shop_id))?;
    let features = Features::of_visit(&visit.visit, attempt.attempt.method, shop.southern);
    let fit = learned.knowledge.fits.of(features.chemistry);
    let told = match attempt.verdict_id {
        Some(verdict) => verdicts::find(tx, group, verdict).await?,
        None => None,
    };
    let told = told.and_then(|verdict| verdict.chance);
    let first = FirstCharge {
        class,
        before: before(
            fit,
            (&features, attempt.shop_id),
            told.map(|chance| chance.mean),
        ),
        rested: rested(
            tx,
            (attempt.visit_id, attempt_id),
            visit.visit.battery.nominal_v,
        )
        .await?,
        findings: seen(tx, attempt_id).await?,
    };
    let answer = advise_again(&visit.visit, &first, &shop.sheet, model);
    Ok(Again {
        again_verdict_id: ids::new_id(now),
        answered_at: now,
        attempt_id,
        visit_id: attempt.visit_id,
        shop_id: attempt.shop_id,
        text: render_again(&answer),
        answer,
        cut_off: learned.cutoff,
        currency: shop.currency,
    })
}

/// Log-odds of recovery before the first charge: as the answer told that it began on, for that knew nothing
/// of its outcome; else the fit's without that outcome.
fn before(fit: &Fit, (features, shop): (&Features, Uuid), told: Option<f64>) -> f64 {
    match told.filter(|chance| *chance > 0.0 && *chance < 1.0) {
        Some(chance) => libm::log(chance / (1.0 - chance)),
        None => fit.leave_one_out(features, Some(shop), Label::NotRecovered),
    }
}

/// Newest voltage at rest after the attempt, V of six cells, with its rest in minutes.
async fn rested(
    tx: &mut Tx,
    (visit, attempt): (Uuid, Uuid),
    nominal_v: u8,
) -> Result<Option<(f64, f64)>, Error> {
    let group = tx.group();
    let all = readings::of_visit(tx, group, visit).await?;
    let voltage = all.iter().rev().find_map(|one| {
        let of_it =
            one.attempt_id == Some(attempt) && one.reading.kind == ReadingKind::OpenCircuitVoltage;
        match (of_it, one.reading.value) {
            (true, ReadingValue::Measured(volts)) => {
                let minutes = one.reading.rested.map_or(0.0, RestMinutes::get);
                Some((volts * 12.0 / f64::from(nominal_v), minutes))
            }
            // Too low to be read: nothing was left.
            (true, ReadingValue::BelowInstrumentMinimum) => Some((0.0, REST_MIN)),
            _ => None,
        }
    });
    Ok(voltage)
}

/// What the analysis saw in the charges of an attempt and did not take back.
async fn seen(tx: &mut Tx, attempt: Uuid) -> Result<Vec<&'static str>, Error> {
    let group = tx.group();
    let mut names = Vec::new();
    for claim in claims::of_attempt(tx, group, attempt).await? {
        if claim.revoked_at.is_some() {
            continue;
        }
        for finding in findings::of_run(tx, group, claim.session_id).await? {
            if finding.state != Standing::Withdrawn {
                names.push(finding.kind.as_str());
            }
        }
    }
    names.sort_unstable();
    names.dedup();
    Ok(names)
}

/// What the group's second attempts taught, up to the cut-off of everything else.
async fn model(tx: &mut Tx, learned: &Learned) -> Result<AgainModel, Error> {
    let group = tx.group();
    tx.read_much().await?;
    let settled = match learned.cutoff {
        Some(cutoff) => fits::settled_seconds(tx, group, cutoff, REST_MIN).await?,
        None => Vec::new(),
    };
    let fits = &learned.knowledge.fits;
    let second = |one: &SettledSecond| {
        let Observation { features, shop, .. } = one.first;
        let fit: &Fit = fits.of(features.chemistry);
        Second {
            morning: Morning {
                before: before(fit, (&features, shop), one.told),
                v12: one.v12,
                partly: one.partly,
            },
            recovered: one.recovered,
        }
    };
    let past: Vec<Second> = settled.iter().map(second).collect();
    let misfit =
        |error| store::Error::Misfit(format!("second attempts cannot be learned from: {error}"));
    Ok(AgainModel::learn(&past).map_err(misfit)?)
}

#[cfg(test)]
mod tests {
    use crate::analysis::findings::FindingKind;

    #[test]
    fn what_no_charge_mends_is_named_as_the_analysis_names_it() {
        let names: Vec<&str> = FindingKind::ALL.iter().map(|kind| kind.as_str()).collect();
        for name in crate::advice::again::not_mended() {
            assert!(names.contains(&name), "{name}");
        }
    }
}
