//! "Is this battery worth an attempt?": answers, stored as they were given, before any attempt.
//!
//! One question and ten thousand go the same way: counts and cost sheets are loaded once, the
//! answers are worked out by the core, and written in chunks of one transaction.

mod again;
mod queue;
mod running;

use std::collections::HashMap;
use std::sync::Arc;

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};
use uuid::Uuid;

use super::bench::content_digest;
use super::{Caller, Error};
use crate::advice::economics::CostItem;
use crate::advice::stop_rules::StopRule;
use crate::advice::voltage_class::VoltageClass;
use crate::advice::{self, Question, ShopContext, Verdict};
use crate::clock::Clock;
use crate::ids;
use crate::learn::{self, Learned};
use crate::model::ladder::AuditState;
use crate::model::prior::Features;
use crate::record::sample::digest_of;
use crate::record::visit::parse::{RawVisit, parse};
use crate::record::words::{Answer, Method, Scope};
use crate::reject::Code;
use crate::store::bands::{self, Counts};
use crate::store::costs::{self, ShopCosts};
use crate::store::fits;
pub use crate::store::verdicts::{
    StoredChance, StoredReading, StoredVerdict, VerdictBody, VerdictReason,
};
use crate::store::visits::{self, NewBattery, NewVisit};
use crate::store::{self, Store, Tx, verdicts};

pub use again::{Again, again, get_again};
pub use queue::{Queue, QueuePlace, QueueRequest, queue};
pub(super) use running::chance_at_stop;
pub use running::{RunningAnswer, RunningRequest, running};

/// Questions of one call at most.
pub const QUESTIONS_MAX: usize = 10_000;
/// Answers written at once: bounds memory, and lets other work run in between.
const CHUNK: usize = 500;

const MAY_ASK: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const ASK_WITH: &str = "ask with a bench, analyst or operator token";

/// Days in which attempts and audits are counted against the cap of audits. Our choice.
const AUDIT_DAYS: i64 = 90;

/// A question about one battery: a recorded visit, or facts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AskRequest {
    /// Shop whose costs count; the token's, or that of the visit, when not said.
    pub shop_id: Option<Uuid>,
    /// A recorded visit.
    pub visit_id: Option<Uuid>,
    /// Facts of a battery without a visit; an anonymous visit is made.
    pub facts: Option<RawVisit>,
    /// Charging profile in mind; the shop's usual one when not said or unknown.
    pub method: Option<Method>,
}

/// A question that can be answered.
struct Asked {
    shop_id: Uuid,
    visit: NewVisit,
    /// What the case says, when facts made the visit and it says more than the visit keeps.
    battery: Option<NewBattery>,
    is_new: bool,
    method: Option<Method>,
}

/// What every answer of a call rests on.
struct Known {
    counts: Counts,
    learned: Arc<Learned>,
    /// Attempts and audits that were advised lately, the answers of this call among them.
    advised: (u64, u64),
    now: DateTime<Utc>,
}

/// Answers one question and stores the verdict.
///
/// # Errors
/// `Denied`, `NotFound` for visit or shop; `FIELD_MISSING` and other rejections of the facts.
pub async fn ask(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: AskRequest,
) -> Result<StoredVerdict, Error> {
    let mut answers = ask_many(store, clock, caller, vec![request]).await?;
    let unanswered = || store::Error::Misfit("a question got no answer".into()).into();
    answers.pop().unwrap_or_else(|| Err(unanswered()))
}

/// Answers questions in their order; one that cannot be answered says why and stops no other.
///
/// # Errors
/// `Denied`; `FIELD_INVALID` for more than 10,000; database errors, and then nothing was stored.
pub async fn ask_many(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    requests: Vec<AskRequest>,
) -> Result<Vec<Result<StoredVerdict, Error>>, Error> {
    caller.need(MAY_ASK, "ask", ASK_WITH)?;
    if requests.len() > QUESTIONS_MAX {
        let detail = format!(
            "{} questions; at most {QUESTIONS_MAX} in one call",
            requests.len()
        );
        return Err(Error::bad(Code::FieldInvalid, "questions", detail));
    }
    let now = clock.now().trunc_subsecs(6);
    let mut tx = store.begin(caller.group).await?;
    let mut asked = prepare(&mut tx, caller, requests, now).await?;
    let shops = shops_of(&mut tx, &asked).await?;
    let mut known = known(&mut tx, now).await?;
    let mut answers = Vec::with_capacity(asked.len());
    while !asked.is_empty() {
        let chunk: Vec<_> = asked.drain(..asked.len().min(CHUNK)).collect();
        let found = chunk
            .iter()
            .map(|one| one.as_ref().ok().and_then(|one| shops.get(&one.shop_id)));
        let given: Vec<Option<StoredVerdict>> = chunk
            .iter()
            .zip(found)
            .map(|(one, shop)| Some(answer(one.as_ref().ok()?, shop?, &mut known)))
            .collect();
        write(&mut tx, &chunk, &given).await?;
        answers.extend(
            chunk
                .into_iter()
                .zip(given)
                .map(|(one, given)| match (one, given) {
                    (Err(error), _) => Err(error),
                    (Ok(_), Some(verdict)) => Ok(verdict),
                    (Ok(one), None) => Err(Error::not_found("shop", one.shop_id)),
                }),
        );
    }
    tx.commit().await?;
    Ok(answers)
}

/// Shows a verdict as it was given.
///
/// # Errors
/// `Denied`, `NotFound`.
pub async fn get_verdict(
    store: &Store,
    caller: &Caller,
    verdict_id: Uuid,
) -> Result<StoredVerdict, Error> {
    caller.need(MAY_ASK, "read verdicts", ASK_WITH)?;
    let mut tx = store.begin(caller.group).await?;
    let found = verdicts::find(&mut tx, caller.group, verdict_id).await?;
    tx.rollback().await?;
    found
        .filter(|verdict| caller.sees_shop(Some(verdict.shop_id)))
        .ok_or_else(|| Error::not_found("verdict", verdict_id))
}

/// Reads the facts of a battery for a question that keeps nothing.
///
/// # Errors
/// `Denied`; `FIELD_MISSING` and other rejections of the facts.
pub fn read_facts(
    caller: &Caller,
    facts: RawVisit,
    now: DateTime<Utc>,
) -> Result<crate::record::visit::Visit, Error> {
    caller.need(MAY_ASK, "check a plan", ASK_WITH)?;
    Ok(parse(facts, now)?)
}

/// The verdict an attempt begins on: the newest of its visit, or one that is given now.
///
/// # Errors
/// `NotFound`; database errors.
pub(super) async fn verdict_for_attempt(
    tx: &mut Tx,
    caller: &Caller,
    visit_id: Uuid,
    method: Option<Method>,
    now: DateTime<Utc>,
) -> Result<Uuid, Error> {
    let group = caller.group;
    if let Some(newest) = verdicts::newest_of_visit(tx, group, visit_id).await? {
        return Ok(newest);
    }
    let request = AskRequest {
        visit_id: Some(visit_id),
        method,
        ..AskRequest::default()
    };
    let now = now.trunc_subsecs(6);
    let mut asked = prepare(tx, caller, vec![request], now).await?;
    let asked = asked
        .pop()
        .unwrap_or_else(|| Err(Error::not_found("visit", visit_id)))?;
    let shop = costs::find(tx, group, &[asked.shop_id]).await?.pop();
    let shop = shop.ok_or_else(|| Error::not_found("shop", asked.shop_id))?;
    let verdict = answer(&asked, &shop, &mut known(tx, now).await?);
    verdicts::insert(tx, group, std::slice::from_ref(&verdict)).await?;
    Ok(verdict.verdict_id)
}

/// Loads what the answers rest on.
async fn known(tx: &mut Tx, now: DateTime<Utc>) -> Result<Known, Error> {
    let group = tx.group();
    let since = now - TimeDelta::days(AUDIT_DAYS);
    let (attempts, audits) = fits::audits_since(tx, group, since).await?;
    Ok(Known {
        counts: bands::counts(tx, group).await?,
        learned: learn::learned(tx, now).await?,
        advised: (attempts.unsigned_abs(), audits.unsigned_abs()),
        now,
    })
}

/// Finds the visits that are named and makes those that facts describe.
async fn prepare(
    tx: &mut Tx,
    caller: &Caller,
    requests: Vec<AskRequest>,
    now: DateTime<Utc>,
) -> Result<Vec<Result<Asked, Error>>, Error> {
    let named: Vec<Uuid> = requests
        .iter()
        .filter_map(|request| request.visit_id)
        .collect();
    let found = visits::find_all(tx, caller.group, &named).await?;
    let visits: HashMap<Uuid, NewVisit> = found
        .into_iter()
        .map(|visit| (visit.visit_id, visit))
        .collect();
    let read = |request: AskRequest| {
        let method = request.method.filter(|method| *method != Method::Unknown);
        match (request.visit_id, request.facts) {
            (Some(id), None) => of_visit(caller, visits.get(&id), (id, request.shop_id), method),
            (None, Some(facts)) => of_facts(caller, facts, (request.shop_id, method), now),
            (Some(_), Some(_)) => {
                let detail =
                    "name a visit or give facts, not both: a recorded visit keeps its facts";
                Err(Error::bad(Code::FieldInvalid, "facts", detail))
            }
            (None, None) => {
                let detail = "give the facts of the battery, or the visit_id of a recorded visit";
                Err(Error::bad(Code::FieldMissing, "facts", detail))
            }
        }
    };
    Ok(requests.into_iter().map(read).collect())
}

fn of_visit(
    caller: &Caller,
    visit: Option<&NewVisit>,
    (id, shop): (Uuid, Option<Uuid>),
    method: Option<Method>,
) -> Result<Asked, Error> {
    let visit = visit
        .filter(|visit| caller.sees_shop(Some(visit.shop_id)))
        .ok_or_else(|| Error::not_found("visit", id))?;
    let shop_id = caller.shop_for(shop.or(Some(visit.shop_id)))?;
    Ok(Asked {
        shop_id,
        visit: visit.clone(),
        battery: None,
        is_new: false,
        method,
    })
}

fn of_facts(
    caller: &Caller,
    facts: RawVisit,
    (shop, method): (Option<Uuid>, Option<Method>),
    now: DateTime<Utc>,
) -> Result<Asked, Error> {
    let shop_id = caller.shop_for(shop)?;
    let content_digest = content_digest(&(shop_id, &facts))?;
    let label = Some(facts.label.clone()).filter(|label| !label.is_empty());
    let visit = parse(facts, now)?;
    let says_more =
        label.is_some() || visit.battery.rated_cca.is_some() || visit.battery.rated_ah.is_some();
    let battery = says_more.then(|| NewBattery {
        battery_id: ids::new_id(now),
        label,
        battery: visit.battery.clone(),
    });
    let visit = NewVisit {
        visit_id: ids::new_id(now),
        shop_id,
        battery_id: battery.as_ref().map(|battery| battery.battery_id),
        case_ref: None,
        anonymous: true,
        visit,
        content_digest,
    };
    Ok(Asked {
        shop_id,
        visit,
        battery,
        is_new: true,
        method,
    })
}

/// Shops of the questions that can be answered.
async fn shops_of(
    tx: &mut Tx,
    asked: &[Result<Asked, Error>],
) -> Result<HashMap<Uuid, ShopCosts>, Error> {
    let mut ids: Vec<Uuid> = asked.iter().flatten().map(|one| one.shop_id).collect();
    ids.sort_unstable();
    ids.dedup();
    let group = tx.group();
    let shops = costs::find(tx, group, &ids).await?;
    Ok(shops.into_iter().map(|shop| (shop.shop_id, shop)).collect())
}

/// Writes the answers of a chunk, after the visits they are about.
async fn write(
    tx: &mut Tx,
    chunk: &[Result<Asked, Error>],
    given: &[Option<StoredVerdict>],
) -> Result<(), Error> {
    let group = tx.group();
    let answered = || chunk.iter().zip(given).filter(|(_, given)| given.is_some());
    let fresh = || answered().filter_map(|(one, _)| one.as_ref().ok().filter(|one| one.is_new));
    let batteries: Vec<NewBattery> = fresh().filter_map(|one| one.battery.clone()).collect();
    let made: Vec<NewVisit> = fresh().map(|one| one.visit.clone()).collect();
    let verdicts: Vec<StoredVerdict> = given.iter().flatten().cloned().collect();
    if !batteries.is_empty() {
        visits::insert_batteries(tx, group, &batteries).await?;
    }
    if !made.is_empty() {
        visits::insert_all(tx, group, &made).await?;
    }
    if !verdicts.is_empty() {
        verdicts::insert(tx, group, &verdicts).await?;
    }
    Ok(())
}

/// Works out one answer.
fn answer(asked: &Asked, shop: &ShopCosts, known: &mut Known) -> StoredVerdict {
    let usual_method = shop.usual_method.unwrap_or(Method::Unknown);
    let question = Question {
        visit: asked.visit.visit.clone(),
        method: asked.method,
        shop: ShopContext {
            shop: Some(shop.shop_id),
            usual_method,
            southern: shop.southern,
        },
    };
    let (voltage, months) = Features::bands(&question.features());
    let counts = known.counts.of(voltage, months);
    let verdict_id = ids::new_id(known.now);
    let (attempts, audits) = known.advised;
    let state = AuditState {
        attempts,
        audits,
        draw: draw(verdict_id),
    };
    let knowledge = &known.learned.knowledge;
    let verdict = advice::advise(&question, &counts, &shop.sheet, (knowledge, state));
    if matches!(verdict.answer, Answer::Attempt | Answer::AuditAttempt) {
        known.advised.0 += 1;
        known.advised.1 += u64::from(verdict.answer == Answer::AuditAttempt);
    }
    let economics = verdict.economics.as_ref();
    let count = |number: u64| i64::try_from(number).unwrap_or(i64::MAX);
    StoredVerdict {
        verdict_id,
        visit_id: asked.visit.visit_id,
        shop_id: shop.shop_id,
        answered_at: known.now,
        answer: verdict.answer,
        chance: verdict.chance.map(|chance| StoredChance {
            mean: chance.mean,
            lower: chance.lower,
            upper: chance.upper,
            n_eq: chance.n_eq,
        }),
        band_n: verdict.chance.map_or(0, |chance| count(chance.n_band)),
        band_y: verdict
            .chance
            .map_or(0, |chance| count(chance.recovered_band)),
        p_star: economics.and_then(|economics| economics.break_even),
        worth_and_cost: economics.map(|economics| (economics.worth, economics.cost)),
        currency: shop.currency.clone(),
        model_version: verdict.model_version.clone(),
        cut_off: known.learned.cutoff,
        belief_only: verdict.chance.is_some_and(|chance| chance.belief_only),
        propensity: verdict.propensity,
        body: body(&verdict),
    }
}

/// The coin of audits and of stops that are checked: drawn with the id of the verdict or attempt, and so recorded with
/// it; 0 to 1.
fn draw(id: Uuid) -> f64 {
    let digest = digest_of(id.as_bytes());
    let number = digest.iter().take(6);
    let number = number.fold(0u64, |sum, byte| sum << 8 | u64::from(*byte));
    number as f64 / (1u64 << 48) as f64
}

/// What people are shown, in the words they are shown.
fn body(verdict: &Verdict) -> VerdictBody {
    let economics = verdict.economics.as_ref();
    let reason = |one: &advice::reasons::Reason| VerdictReason {
        code: one
            .hazard
            .map_or(one.word.as_str(), |hazard| hazard.as_str())
            .to_owned(),
        text: one.sentence.clone(),
    };
    let defaulted = economics
        .map(|of| of.defaulted.as_slice())
        .unwrap_or_default();
    VerdictBody {
        reasons: verdict.reasons.iter().map(reason).collect(),
        would_flip: verdict.would_flip.clone(),
        plan: verdict.plan.map(str::to_owned),
        method: verdict.method,
        voltage_class: verdict
            .voltage_class
            .map(VoltageClass::as_str)
            .map(str::to_owned),
        price: economics.map(|of| of.price),
        expected_gain: economics.map(|of| of.expected_gain),
        defaulted: defaulted
            .iter()
            .copied()
            .map(CostItem::as_str)
            .map(str::to_owned)
            .collect(),
        stop_rules: verdict.stop_rules.iter().map(StopRule::text).collect(),
        cautions: verdict
            .cautions
            .iter()
            .map(|text| (*text).to_owned())
            .collect(),
        pays_confidence: verdict.chance.map(|_| verdict.pays_confidence),
        extrapolates: verdict.extrapolates,
        unreliable: verdict.unreliable.clone(),
        reading: verdict.reading.map(|worth| StoredReading {
            reading: worth.reading.as_str().to_owned(),
            wish: worth.reading.wish().to_owned(),
            net: worth.net,
            price: worth.price,
        }),
        similar: verdict.similar.clone(),
        text: advice::render_text(verdict),
    }
}

#[cfg(test)]
mod tests;
