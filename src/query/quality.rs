//! How good the answers were: scored against what came of them, watched for drift, and what audits tell of
//! the batteries that are left.

use chrono::TimeDelta;

use super::fair::{self, Basis, ShopWeeks, aside, basis};
use super::{Caller, Error, reason};
use crate::clock::Clock;
use crate::ids;
use crate::learn::Learned;
use crate::model::drift::Drift;
use crate::model::quality::Acknowledged;
pub use crate::model::quality::{Month, Quality, Stream};
use crate::model::savings::{PastDecision, PolicyValue, policy_value};
use crate::model::standing::Reserve;
use crate::record::words::Scope;
use crate::reject::Code;
use crate::store::Store;
use crate::store::quality::{self, Left};

/// Answers read for the value of audits at most: the newest.
const LEFT_MAX: i64 = 1_000_000;
/// Days in which thin answers are counted. Our choice.
const THIN_DAYS: i64 = 90;
/// Longest name of a person, bytes.
const NAME_MAX: usize = 128;

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const READ_WITH: &str = "ask with a bench, analyst or operator token";

/// What is known of the model and not of the data, for whoever reads the card.
pub const LIMITS: [&str; 5] = [
    "It speaks of batteries these shops chose to attempt; what a choice that nobody wrote down does to the \
     rates only audits show.",
    "Ranges of 90 % held 98 to 100 % of the truth in one kind of invented fleets (too wide) and 88 to 96 % in \
     another, with 30 to 100,000 outcomes.",
    "10.2 to 10.8 V is judged too hopefully while few outcomes are known.",
    "Lithium has a model of its own with few coefficients; its ranges held 95 to 98 % in invented fleets, too wide.",
    "Prior and invented fleets are of the same hand: where they agree that proves little.",
];

/// What audits tell of batteries that are left.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Audits {
    /// Answers that advised against an attempt or made one to learn.
    pub decisions: u64,
    /// Of these, audits with a known outcome.
    pub audits: u64,
    /// Of these, recovered.
    pub recovered: u64,
    /// What trying all of them would have brought, each audit weighed by its chance to be one; `None`
    /// without decisions.
    pub value: Option<PolicyValue>,
}

/// How good the answers were, with what is held back for it.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Scored {
    /// Scores and drift.
    pub quality: Quality,
    /// Why answers are held back, the gravest first.
    pub reserves: Vec<Reserve>,
    /// Audits.
    pub audits: Audits,
    /// Answers of the last 90 days with a chance, and those of them on belief alone.
    pub thin: (u64, u64),
    /// What the present answers rest on.
    pub basis: Basis,
}

/// Scores the answers of the group against what came of them.
///
/// Frozen answers alone are scored, each on an outcome it did not know.
///
/// # Errors
/// `Denied`; database errors.
pub async fn scored(store: &Store, clock: &Clock, caller: &Caller) -> Result<Scored, Error> {
    caller.need(MAY_READ, "read how good the answers were", READ_WITH)?;
    let learned = fair::learned(store, clock, caller).await?;
    of(store, clock, caller, &learned).await
}

/// Scores by what was learned.
async fn of(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    learned: &Learned,
) -> Result<Scored, Error> {
    let mut tx = store.begin(caller.group).await?;
    tx.read_much().await?;
    let left = quality::left(&mut tx, caller.group, (caller.shop, LEFT_MAX)).await?;
    let since = clock.now() - TimeDelta::days(THIN_DAYS);
    let thin = quality::thin_since(&mut tx, caller.group, since).await?;
    tx.rollback().await?;
    let counts = learned.knowledge.fits.lead_acid.counts();
    let quality = learned.quality.clone();
    // Chargers are named by their shops: a token of one shop does not read of the others'.
    let quality = match caller.shop {
        Some(_) => quality.without_chargers(),
        None => quality,
    };
    Ok(Scored {
        reserves: learned
            .quality
            .reserves((counts.recovered, counts.not_recovered)),
        audits: aside(move || audits(&left)).await?,
        thin: (thin.0.unsigned_abs(), thin.1.unsigned_abs()),
        basis: basis(learned),
        quality,
    })
}

fn audits(left: &[Left]) -> Audits {
    let mut weeks = ShopWeeks::default();
    let mut decision = |one: &Left| PastDecision {
        shop_week: weeks.number(one.shop_id, one.answered_at),
        propensity: one.propensity,
        policy_attempts: true,
        gain: one
            .audit
            .map(|(recovered, worth, cost)| f64::from(u8::from(recovered)) * worth - cost),
    };
    let decisions: Vec<PastDecision> = left.iter().map(&mut decision).collect();
    let known = || left.iter().filter_map(|one| one.audit);
    Audits {
        decisions: decisions.len() as u64,
        audits: known().count() as u64,
        recovered: known().filter(|(recovered, ..)| *recovered).count() as u64,
        value: policy_value(&decisions),
    }
}

/// A drift that a person has seen.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    /// Which stream: `group`, `method NAME`, `charger NAME` or `firmware VERSION`.
    pub stream: String,
    /// Name of the person.
    pub by: String,
    /// What was found or done.
    pub reason: String,
}

/// Keeps that a person has seen a drift: its sums start anew, and answers stand again.
///
/// # Errors
/// `Denied`; `FIELD_MISSING` and `TEXT_INVALID` for the name or the reason; `FIELD_INVALID` where nothing drifts.
pub async fn acknowledge(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    seen: Seen,
) -> Result<Stream, Error> {
    fair::of_the_group(caller, "acknowledge a drift")?;
    reason(&seen.reason, "the scores")?;
    super::named(&seen.by, ("acknowledged_by", NAME_MAX))?;
    let learned = fair::learned(store, clock, caller).await?;
    let drifts = |stream: &&Stream| stream.alarm.is_some();
    let streams = &learned.quality.streams;
    let Some(found) = streams
        .iter()
        .filter(drifts)
        .find(|one| one.name == seen.stream)
    else {
        let names: Vec<&str> = streams
            .iter()
            .filter(drifts)
            .map(|one| one.name.as_str())
            .collect();
        let detail = if names.is_empty() {
            format!(
                "`{}` does not drift; nothing does",
                seen.stream.escape_debug()
            )
        } else {
            format!(
                "`{}` does not drift; {} does",
                seen.stream.escape_debug(),
                names.join(", ")
            )
        };
        return Err(Error::bad(Code::FieldInvalid, "stream", detail));
    };
    let now = clock.now();
    let kept = Acknowledged {
        stream: seen.stream,
        at: now,
        by: seen.by,
        reason: seen.reason,
    };
    let mut tx = store.begin(caller.group).await?;
    let key = (caller.group, ids::new_id(now));
    quality::acknowledge(&mut tx, key, &kept, &caller.name).await?;
    tx.commit().await?;
    Ok(Stream {
        alarm: None,
        sums: Drift::default(),
        acknowledged: Some(kept),
        ..found.clone()
    })
}

/// The card of the model: what was learned, how good its answers were, and what is known of its limits.
///
/// # Errors
/// `Denied`; database errors.
pub async fn card(store: &Store, clock: &Clock, caller: &Caller) -> Result<(String, Basis), Error> {
    caller.need(MAY_READ, "read the model card", READ_WITH)?;
    let learned = fair::learned(store, clock, caller).await?;
    let scored = of(store, clock, caller, &learned).await?;
    let fits = &learned.knowledge.fits;
    let card = serde_json::json!({
        "lead_acid": fits.lead_acid.card(),
        "lithium": fits.lithium.card(),
        "quality": scored.quality,
        "reserves": scored.reserves,
        "audits": scored.audits,
        "answers_in_90_days": scored.thin.0,
        "of_these_on_belief_alone": scored.thin.1,
        "known_limits": LIMITS,
    });
    Ok((card.to_string(), scored.basis))
}
