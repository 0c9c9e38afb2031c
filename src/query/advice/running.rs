//! "Go on or stop?" for an attempt that runs: by worth, beside the published limits.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{ASK_WITH, MAY_ASK, draw};
use crate::advice::economics::CostItem;
use crate::advice::running::RunningAdvice;
use crate::clock::Clock;
use crate::learn;
use crate::model::checkpoint::Seen;
use crate::model::prior::Features;
use crate::query::{Caller, Error};
use crate::store::stops::{self, StopAdvice};
use crate::store::{self, Store, Tx, attempts, claims, costs, fits, visits, watches};

/// Which attempt, and what somebody reads off it now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RunningRequest {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Hours since the start of charge and what is seen now; the kept checkpoints alone when `None`.
    pub now: Option<(f64, Seen)>,
}

/// The answer at each checkpoint that is known.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RunningAnswer {
    /// At each checkpoint, the earliest first.
    pub at: Vec<RunningAdvice>,
    /// Design and prior of the model.
    pub model_version: String,
    /// Newest outcome known.
    pub cut_off: Option<DateTime<Utc>>,
    /// Worth of a recovery, money.
    pub worth: f64,
    /// Price of a charger-hour, money.
    pub charger_hour: f64,
    /// ISO 4217.
    pub currency: String,
}

/// Judges an attempt at the checkpoints that are known of it; what is told of a stop is kept while it runs.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub async fn running(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: RunningRequest,
) -> Result<RunningAnswer, Error> {
    caller.need(MAY_ASK, "ask about a running attempt", ASK_WITH)?;
    let mut tx = store.begin(caller.group).await?;
    match judge(&mut tx, clock, caller, request).await {
        Ok((answer, runs)) => {
            if runs {
                let told = told(&answer);
                let key = (caller.group, request.attempt_id);
                stops::tell(&mut tx, key, &told, clock.now()).await?;
            }
            tx.commit().await?;
            Ok(answer)
        }
        Err(error) => {
            tx.rollback().await?;
            Err(error)
        }
    }
}

/// What is kept of an answer: where going on was worth less than it cost.
fn told(answer: &RunningAnswer) -> Vec<StopAdvice> {
    let kept = answer.at.iter().filter(|one| one.stop || one.run_on);
    let advice = kept.map(|one| StopAdvice {
        checkpoint_h: one.checkpoint.hours(),
        chance: one.chance,
        stop_below: one.stop_below,
        run_on: one.run_on,
        model_version: answer.model_version.clone(),
        cut_off: answer.cut_off,
    });
    advice.collect()
}

/// Chance so far of an attempt that is stopped on advice: at the last checkpoint known, else as it was told last;
/// `None` where nothing was seen of it. Nobody is told by it, and nothing is kept as told.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub(in crate::query) async fn chance_at_stop(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    attempt_id: Uuid,
) -> Result<Option<f64>, Error> {
    let request = RunningRequest {
        attempt_id,
        now: None,
    };
    let mut tx = store.begin(caller.group).await?;
    let (seen, _) = judge(&mut tx, clock, caller, request).await?;
    let chance = match seen.at.last() {
        Some(last) => Some(last.chance),
        None => stops::told_last(&mut tx, caller.group, attempt_id).await?,
    };
    tx.commit().await?;
    Ok(chance)
}

async fn judge(
    tx: &mut Tx,
    clock: &Clock,
    caller: &Caller,
    request: RunningRequest,
) -> Result<(RunningAnswer, bool), Error> {
    let (group, id) = (caller.group, request.attempt_id);
    let found = attempts::find(tx, group, id).await?;
    let attempt = found
        .filter(|attempt| caller.sees_shop(Some(attempt.shop_id)))
        .ok_or_else(|| Error::not_found("attempt", id))?;
    let visit = visits::find_all(tx, group, &[attempt.visit_id])
        .await?
        .pop();
    let visit = visit.ok_or_else(|| Error::not_found("visit", attempt.visit_id))?;
    let shop = costs::find(tx, group, &[attempt.shop_id]).await?.pop();
    let shop = shop.ok_or_else(|| Error::not_found("shop", attempt.shop_id))?;
    let learned = learn::learned(tx, clock.now()).await?;
    let running = learned.running(tx).await?;
    let features = Features::of_visit(&visit.visit, attempt.attempt.method, shop.southern);
    let fit = learned.knowledge.fits.of(features.chemistry);
    let eta = fit.predict(&features, Some(attempt.shop_id)).log_odds;
    let worth = shop.sheet.weigh(visit.visit.replacement_price, 0.5).worth;
    let charger_hour = shop.sheet.value(CostItem::ChargerHour, 0.0);
    let mut seen = fits::checkpoints(tx, group, id).await?;
    if seen.is_empty() {
        seen = live(tx, id).await?;
    }
    seen.extend(request.now);
    let at = seen
        .iter()
        .filter_map(|(hours, seen)| running.advise((*hours, seen), eta, (worth, charger_hour)))
        .map(|advice| advice.with_coin(draw(id)));
    let answer = RunningAnswer {
        at: at.collect(),
        model_version: fit.version(),
        cut_off: learned.cutoff,
        worth,
        charger_hour,
        currency: shop.currency,
    };
    Ok((answer, attempt.attempt.ended_at.is_none()))
}

/// Checkpoints of a charge that still runs, as the watch has them: they are kept with the attempt at the
/// close.
async fn live(tx: &mut Tx, attempt: Uuid) -> Result<fits::Checkpoints, Error> {
    #[derive(serde::Deserialize)]
    struct Body {
        checkpoints: Vec<Point>,
    }
    #[derive(serde::Deserialize)]
    struct Point {
        hours: f64,
        accept_c: Option<f64>,
        dv_v: Option<f64>,
        temp_rise_k: Option<f64>,
    }
    let group = tx.group();
    for claim in claims::of_attempt(tx, group, attempt).await? {
        if claim.revoked_at.is_some() {
            continue;
        }
        let Some(state) = watches::find(tx, group, claim.session_id).await? else {
            continue;
        };
        let body: Body = serde_json::from_str(&state.body)
            .map_err(|_| store::Error::corrupt("watch_state", "body", claim.session_id))?;
        let seen = body.checkpoints.into_iter().map(|point| {
            let seen = Seen {
                accepted: point.accept_c,
                voltage_rise: point.dv_v,
                case_rise: point.temp_rise_k,
            };
            (point.hours, seen)
        });
        return Ok(seen.collect());
    }
    Ok(Vec::new())
}
