//! Which shop or method does better, fairly; what wasted nights cost; how good the answers were.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike as _, Utc};
use uuid::Uuid;

use super::{Caller, Error};
use crate::advice::knowledge::Fits;
use crate::clock::Clock;
use crate::learn::{self, Learned};
use crate::model::comparison::fair::{self, MethodComparison, ShopComparison};
use crate::model::savings::{self, Estimate, PastAttempt, Waste};
use crate::model::scores::{Forecast, Scores, scores};
use crate::record::words::Scope;
use crate::store::settled::{self, Settled};
use crate::store::{self, Store, costs};

/// Attempts read for savings and scores at most: the newest.
const SETTLED_MAX: i64 = 1_000_000;

const MAY_COMPARE: &[Scope] = &[Scope::Analyst, Scope::Operator];
const COMPARE_WITH: &str = "ask with an analyst or operator token of the whole group";
const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const READ_WITH: &str = "ask with a bench, analyst or operator token";

/// What every answer of this file rests on.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Basis {
    /// Design and prior of the model.
    pub model_version: String,
    /// Newest outcome known; `None` without any.
    pub cut_off: Option<DateTime<Utc>>,
    /// Labelled lead-acid outcomes in the fit.
    pub n: u64,
}

/// Shops side by side.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Shops {
    /// What it rests on.
    pub basis: Basis,
    /// Names, in the order of `comparison.shops`.
    pub names: Vec<String>,
    /// The comparison.
    pub comparison: ShopComparison,
}

/// Methods side by side.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Methods {
    /// What it rests on.
    pub basis: Basis,
    /// Every pair that was used.
    pub pairs: Vec<MethodComparison>,
}

/// What past attempts cost, and what the advice would have saved.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Savings {
    /// Name of the shop; `all` for the whole group.
    pub shop: String,
    /// Currency of its sums; `None` where shops differ.
    pub currency: Option<String>,
    /// Attempts with a known outcome.
    pub attempts: u64,
    /// Of these, with an answer given before and hours known: the rest is not in the figures below.
    pub answered: u64,
    /// Hours wasted, and those that could have been avoided.
    pub waste: Waste,
    /// Money saved had every attempt below break-even been left; `None` without such answers.
    pub saved: Option<Estimate>,
    /// Scores of the answers that were given before; `None` without any.
    pub scores: Option<Scores>,
}

pub(super) async fn learned(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
) -> Result<std::sync::Arc<Learned>, Error> {
    let mut tx = store.begin(caller.group).await?;
    let found = learn::learned(&mut tx, clock.now()).await;
    match found {
        Ok(found) => {
            tx.commit().await?;
            Ok(found)
        }
        Err(error) => {
            tx.rollback().await?;
            Err(error.into())
        }
    }
}

/// A token of one shop does not speak of the others.
pub(super) fn of_the_group(caller: &Caller, what: &'static str) -> Result<(), Error> {
    caller.need(MAY_COMPARE, what, COMPARE_WITH)?;
    if caller.shop.is_some() {
        return Err(Error::Denied {
            scope: caller.scope,
            what,
            fix: COMPARE_WITH,
        });
    }
    Ok(())
}

pub(super) fn basis(learned: &Learned) -> Basis {
    let fit = &learned.knowledge.fits.lead_acid;
    Basis {
        model_version: fit.version(),
        cut_off: learned.cutoff,
        n: fit.counts().total(),
    }
}

/// Runs long arithmetic beside the tasks of the service.
pub(super) async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Error> {
    let done = tokio::task::spawn_blocking(work).await;
    done.map_err(|_| store::Error::Misfit("a comparison ended in a panic".into()).into())
}

/// Fits cold to the outcomes known at a moment, the present when `None`, and keeps the fits.
///
/// # Errors
/// `Denied`; database errors; `Misfit` when no fit can be made.
pub async fn fit(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    as_of: Option<DateTime<Utc>>,
) -> Result<Fits, Error> {
    of_the_group(caller, "fit the model")?;
    let mut tx = store.begin(caller.group).await?;
    match learn::fit_as_of(&mut tx, as_of, clock.now()).await {
        Ok(fits) => {
            tx.commit().await?;
            Ok(fits)
        }
        Err(error) => {
            tx.rollback().await?;
            Err(error.into())
        }
    }
}

/// Compares the shops of the group.
///
/// # Errors
/// `Denied`; database errors.
pub async fn shops(store: &Store, clock: &Clock, caller: &Caller) -> Result<Shops, Error> {
    of_the_group(caller, "compare shops")?;
    let learned = learned(store, clock, caller).await?;
    let basis = basis(&learned);
    let comparison = aside(move || {
        let knowledge = &learned.knowledge;
        fair::shops(&knowledge.fits.lead_acid, knowledge.cases())
    })
    .await?;
    let ids: Vec<Uuid> = comparison.shops.iter().map(|shop| shop.shop).collect();
    let names = names(store, caller, &ids).await?;
    Ok(Shops {
        basis,
        names: ids
            .iter()
            .map(|id| {
                names
                    .get(id)
                    .map_or_else(|| id.to_string(), |shop| shop.0.clone())
            })
            .collect(),
        comparison,
    })
}

/// Compares the methods that were used.
///
/// # Errors
/// `Denied`; database errors; `Misfit` when the contrast cannot be fitted.
pub async fn methods(store: &Store, clock: &Clock, caller: &Caller) -> Result<Methods, Error> {
    of_the_group(caller, "compare methods")?;
    let learned = learned(store, clock, caller).await?;
    let basis = basis(&learned);
    let pairs = aside(move || {
        let knowledge = &learned.knowledge;
        fair::methods(&knowledge.fits.lead_acid, knowledge.cases())
    })
    .await?;
    let misfit = |error| store::Error::Misfit(format!("the methods cannot be compared: {error}"));
    Ok(Methods {
        basis,
        pairs: pairs.map_err(misfit)?,
    })
}

/// Names and currencies of shops.
async fn names(
    store: &Store,
    caller: &Caller,
    ids: &[Uuid],
) -> Result<BTreeMap<Uuid, (String, String)>, Error> {
    let mut tx = store.begin(caller.group).await?;
    let found = costs::find(&mut tx, caller.group, ids).await?;
    tx.rollback().await?;
    Ok(found
        .into_iter()
        .map(|shop| (shop.shop_id, (shop.name, shop.currency)))
        .collect())
}

/// What past attempts cost by shop, the whole group last.
///
/// Rests on the answers that were frozen before each attempt, never on what was learned from it.
///
/// # Errors
/// `Denied`; database errors.
pub async fn savings(store: &Store, caller: &Caller) -> Result<Vec<Savings>, Error> {
    caller.need(MAY_READ, "read savings", READ_WITH)?;
    let mut tx = store.begin(caller.group).await?;
    tx.read_much().await?;
    let of = (caller.shop, SETTLED_MAX);
    let rows = settled::settled(&mut tx, caller.group, of).await?;
    tx.rollback().await?;
    let mut by_shop: BTreeMap<Uuid, Vec<Settled>> = BTreeMap::new();
    for row in &rows {
        by_shop.entry(row.shop_id).or_default().push(*row);
    }
    let ids: Vec<Uuid> = by_shop.keys().copied().collect();
    let names = names(store, caller, &ids).await?;
    let mut found: Vec<Savings> = by_shop
        .iter()
        .map(|(id, rows)| {
            let known = names.get(id);
            let name = known.map_or_else(|| id.to_string(), |shop| shop.0.clone());
            saved(name, known.map(|shop| shop.1.clone()), rows)
        })
        .collect();
    found.sort_by(|one, other| one.shop.cmp(&other.shop));
    let currencies: std::collections::BTreeSet<&String> =
        names.values().map(|shop| &shop.1).collect();
    let currency = match currencies.len() {
        1 => currencies.first().map(|only| (*only).clone()),
        _ => None,
    };
    if found.len() > 1 {
        found.push(saved("all".into(), currency, &rows));
    }
    Ok(found)
}

/// Numbers of weeks of shops, from 0, in the order in which they are asked for: clusters of standard errors.
#[derive(Default)]
pub(super) struct ShopWeeks(BTreeMap<(Uuid, i32, u32), u64>);

impl ShopWeeks {
    pub(super) fn number(&mut self, shop: Uuid, at: DateTime<Utc>) -> u64 {
        let week = at.iso_week();
        let next = self.0.len() as u64;
        let known = self.0.entry((shop, week.year(), week.week()));
        *known.or_insert(next)
    }
}

fn saved(shop: String, currency: Option<String>, rows: &[Settled]) -> Savings {
    let mut weeks = ShopWeeks::default();
    let mut past = Vec::with_capacity(rows.len());
    for row in rows {
        let (Some(hours), Some((chance, worth, cost))) = (row.hours, row.before) else {
            continue;
        };
        past.push(PastAttempt {
            shop_week: weeks.number(row.shop_id, row.started_at),
            hours,
            cost,
            worth,
            chance_before: chance,
            recovered: row.recovered,
        });
    }
    let firsts = rows.iter().filter(|row| row.first);
    let forecasts: Vec<Forecast> = firsts
        .filter_map(|row| {
            row.before.map(|(chance, ..)| Forecast {
                chance,
                recovered: row.recovered,
            })
        })
        .collect();
    Savings {
        shop,
        currency,
        attempts: rows.len() as u64,
        answered: past.len() as u64,
        waste: savings::waste(&past),
        saved: savings::saved_by_break_even(&past),
        scores: scores(&forecasts),
    }
}
