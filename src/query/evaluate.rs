//! How well the model would have done on an invented fleet whose truth is known: from files alone.
//!
//! The truth scores answers and never reaches a fit.

use std::collections::HashMap;
use std::path::Path;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::import::ImportedShop;
use super::import::attempts::check_attempt;
use super::import::files::{self, Truth, Unreadable};
use super::import::visits::check_visit;
use crate::advice::economics::CostSheet;
use crate::model::evaluate::{Presented, Scores, evaluate};
use crate::model::fit::{Label, Observation};
use crate::model::prior::Features;
use crate::outcome::label_of;
use crate::record::visit::Visit;
use crate::record::words::Method;
use crate::reject::Reject;
use crate::store::Error as StoreError;

/// Visits that are asked about after the training. Source: the project's checks of fleets.
pub const PRESENTED: usize = 3_000;

/// Files of an invented fleet.
#[derive(Debug, Clone, Copy)]
pub struct Fleet<'a> {
    /// Presented batteries.
    pub batteries: &'a Path,
    /// Attempts.
    pub attempts: &'a Path,
    /// Cost sheets.
    pub shops: &'a Path,
    /// True chances.
    pub truth: &'a Path,
}

/// Why nothing was evaluated.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A file cannot be read.
    #[error(transparent)]
    Unreadable(#[from] Unreadable),
    /// The files hold nothing to ask about.
    #[error("{0}")]
    Nothing(String),
    /// The model cannot be fitted.
    #[error("the model cannot be fitted: {0}")]
    Model(String),
    /// The prior compiled in is malformed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A line that was left out, and why.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct LeftOut {
    /// Which file.
    pub file: &'static str,
    /// Its line.
    pub line: u64,
    /// Why.
    pub reason: String,
}

/// Scores, with what was left out on the way.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Evaluated {
    /// The scores.
    pub scores: Scores,
    /// Attempts read for the training, those without a label among them.
    pub attempts: usize,
    /// Lines that could not be used, at most a thousand.
    pub left_out: Vec<LeftOut>,
}

/// Lines named at most.
const LEFT_OUT_MAX: usize = 1_000;

struct Shop {
    id: Uuid,
    sheet: CostSheet,
    southern: bool,
    usual: Method,
}

struct Case {
    visit: Visit,
    shop: String,
}

/// Trains on the first attempts and scores the answers to the visits presented after them.
///
/// # Errors
/// A file that cannot be read; nothing to ask about.
pub fn run(fleet: Fleet<'_>, train: usize, now: DateTime<Utc>) -> Result<Evaluated, Error> {
    let mut left_out = Vec::new();
    let shops = shops(fleet.shops, &mut left_out)?;
    let cases = cases(fleet.batteries, now, &mut left_out)?;
    let truth = truth(fleet.truth, &mut left_out)?;
    let mut attempts = Vec::new();
    for (line, row) in files::read_attempts(fleet.attempts)? {
        let read = row.and_then(|row| Ok((check_attempt(&row, now)?, row)));
        match read {
            Ok((checked, row)) if row.number == 1 => attempts.push((checked, row.case_ref)),
            Ok(_) => {}
            Err(reject) => note(&mut left_out, ("attempts", line), &reject),
        }
    }
    attempts.sort_by(|one, other| {
        let key = |(_, attempt): &(_, crate::record::attempt::Attempt)| attempt.started_at;
        key(&one.0)
            .cmp(&key(&other.0))
            .then_with(|| one.1.cmp(&other.1))
    });
    attempts.truncate(train);
    let Some(until) = attempts.last().map(|((_, last), _)| last.started_at) else {
        return Err(Error::Nothing("there is no attempt to train on".into()));
    };
    let mut observations = Vec::new();
    for ((outcome, attempt), case) in &attempts {
        let Some((case, shop)) = cases.get(case).and_then(|case| {
            let shop = shops.get(&case.shop)?;
            Some((case, shop))
        }) else {
            continue;
        };
        let Some(label) = label_of((outcome.class, outcome.verified), attempt.end_reason) else {
            continue;
        };
        observations.push(Observation {
            features: Features::of_visit(&case.visit, attempt.method, shop.southern),
            shop: shop.id,
            label: if label {
                Label::Recovered
            } else {
                Label::NotRecovered
            },
        });
    }
    let presented = presented(&cases, (&shops, &truth), until);
    let scores = evaluate(crate::learn::prior()?, until, &observations, &presented);
    let scores = scores.map_err(|error| Error::Model(error.to_string()))?;
    let scores = scores.ok_or_else(|| {
        Error::Nothing("no battery with a truth was presented after the training".into())
    })?;
    Ok(Evaluated {
        scores,
        attempts: attempts.len(),
        left_out,
    })
}

fn note(left_out: &mut Vec<LeftOut>, (file, line): (&'static str, u64), reject: &Reject) {
    if left_out.len() < LEFT_OUT_MAX {
        left_out.push(LeftOut {
            file,
            line,
            reason: reject.to_string(),
        });
    }
}

fn shops(path: &Path, left_out: &mut Vec<LeftOut>) -> Result<HashMap<String, Shop>, Error> {
    let mut shops = HashMap::new();
    for (line, row) in files::read_shops(path)? {
        let read = row.and_then(|row: ImportedShop| {
            let mut sheet = CostSheet::default();
            for (item, value) in &row.costs {
                sheet.set(*item, *value).map_err(|wrong| {
                    Reject::new(
                        crate::reject::Code::ValueOutOfRange,
                        item.as_str(),
                        wrong.to_string(),
                    )
                })?;
            }
            Ok((row, sheet))
        });
        match read {
            Ok((row, sheet)) => {
                // The order of ids decides nothing but the order of columns.
                let id = Uuid::new_v5(&Uuid::NAMESPACE_OID, row.name.as_bytes());
                let shop = Shop {
                    id,
                    sheet,
                    southern: row.southern.unwrap_or(false),
                    usual: row.usual_method.unwrap_or(Method::Unknown),
                };
                shops.insert(row.name, shop);
            }
            Err(reject) => note(left_out, ("shops", line), &reject),
        }
    }
    Ok(shops)
}

fn cases(
    path: &Path,
    now: DateTime<Utc>,
    left_out: &mut Vec<LeftOut>,
) -> Result<HashMap<String, Case>, Error> {
    let mut cases = HashMap::new();
    for (line, row) in files::read_visits(path)? {
        match row.and_then(|row| Ok((check_visit(&row, now)?, row))) {
            Ok((visit, row)) => {
                cases.insert(
                    row.case_ref,
                    Case {
                        visit,
                        shop: row.shop,
                    },
                );
            }
            Err(reject) => note(left_out, ("batteries", line), &reject),
        }
    }
    Ok(cases)
}

fn truth(path: &Path, left_out: &mut Vec<LeftOut>) -> Result<HashMap<String, Truth>, Error> {
    let mut truth = HashMap::new();
    for (line, row) in files::read_truth(path)? {
        match row {
            Ok(row) => {
                truth.insert(row.case_ref.clone(), row);
            }
            Err(reject) => note(left_out, ("truth", line), &reject),
        }
    }
    Ok(truth)
}

/// Batteries presented after a moment, the earliest first.
fn presented(
    cases: &HashMap<String, Case>,
    (shops, truth): (&HashMap<String, Shop>, &HashMap<String, Truth>),
    after: DateTime<Utc>,
) -> Vec<Presented> {
    let mut later: Vec<(&String, &Case)> = cases
        .iter()
        .filter(|(_, case)| case.visit.presented_at > after)
        .collect();
    later.sort_by(|(one_ref, one), (other_ref, other)| {
        let at = one.visit.presented_at.cmp(&other.visit.presented_at);
        at.then_with(|| one_ref.cmp(other_ref))
    });
    let asked = later.into_iter().filter_map(|(case_ref, case)| {
        let (shop, truth) = (shops.get(&case.shop)?, truth.get(case_ref)?);
        let money = shop.sheet.weigh(case.visit.replacement_price, 0.5);
        Some(Presented {
            features: Features::of_visit(&case.visit, shop.usual, shop.southern),
            shop: shop.id,
            worth: money.worth,
            cost: money.cost,
            p_observed: truth.p_observed,
            recovers: truth.recovers,
        })
    });
    asked.take(PRESENTED).collect()
}
