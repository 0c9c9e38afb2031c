//! Tonight's chargers: which of many batteries are worth them.

use std::collections::HashMap;

use uuid::Uuid;

use super::{AskRequest, StoredVerdict, ask_many};
use crate::advice::economics::CostItem;
use crate::clock::Clock;
use crate::query::{Caller, Error};
use crate::record::words::Answer;
use crate::store::{Store, costs};

/// One battery of tonight's queue.
#[derive(Debug, Clone, PartialEq)]
pub struct QueuePlace {
    /// Which question, counted from 0.
    pub question: usize,
    /// Number of its charger, from 1; `None` without one.
    pub charger: Option<usize>,
    /// The answer; `None` when the question was refused.
    pub answer: Option<Answer>,
    /// Chance of recovery.
    pub chance: Option<f64>,
    /// Expected gain per planned charger-hour, money.
    pub gain_per_hour: Option<f64>,
    /// Planned charger-hours.
    pub hours: Option<f64>,
    /// Why it was refused.
    pub refused: Option<String>,
}

/// Batteries in the order in which chargers are worth most.
#[derive(Debug, Clone, PartialEq)]
pub struct Queue {
    /// Best first; those without a charger last.
    pub places: Vec<QueuePlace>,
}

/// Asks about each battery and gives the chargers to those that are worth most an hour.
///
/// Source: STATISTICS 5 (expected gain); an audit attempt comes after those that pay.
///
/// # Errors
/// As [`ask_many`].
pub async fn queue(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (requests, chargers): (Vec<AskRequest>, usize),
) -> Result<Queue, Error> {
    let answers = ask_many(store, clock, caller, requests).await?;
    let mut shops: Vec<Uuid> = answers.iter().flatten().map(|one| one.shop_id).collect();
    shops.sort_unstable();
    shops.dedup();
    let mut tx = store.begin(caller.group).await?;
    let sheets = costs::find(&mut tx, caller.group, &shops).await?;
    tx.rollback().await?;
    let hours: HashMap<Uuid, f64> = sheets
        .into_iter()
        .map(|shop| (shop.shop_id, shop.sheet.value(CostItem::PlannedHours, 0.0)))
        .collect();
    let mut places: Vec<QueuePlace> = answers
        .into_iter()
        .enumerate()
        .map(|(question, answer)| place(question, answer, &hours))
        .collect();
    places.sort_by(|one, other| {
        let key = |place: &QueuePlace| match place.answer {
            Some(Answer::Attempt) => 0,
            Some(Answer::AuditAttempt) => 1,
            Some(Answer::MeasureFirst) => 2,
            Some(Answer::DoNotAttempt) => 3,
            Some(Answer::HazardStop) => 4,
            None => 5,
        };
        let gain = |place: &QueuePlace| place.gain_per_hour.unwrap_or(f64::NEG_INFINITY);
        key(one)
            .cmp(&key(other))
            .then_with(|| gain(other).total_cmp(&gain(one)))
            .then_with(|| one.question.cmp(&other.question))
    });
    let charged = places
        .iter_mut()
        .filter(|place| matches!(place.answer, Some(Answer::Attempt | Answer::AuditAttempt)));
    for (number, place) in (1..=chargers).zip(charged) {
        place.charger = Some(number);
    }
    Ok(Queue { places })
}

fn place(
    question: usize,
    answer: Result<StoredVerdict, Error>,
    hours: &HashMap<Uuid, f64>,
) -> QueuePlace {
    match answer {
        Ok(given) => {
            let hours = hours.get(&given.shop_id).copied();
            let gain = given.body.expected_gain;
            QueuePlace {
                question,
                charger: None,
                answer: Some(given.answer),
                chance: given.chance.map(|chance| chance.mean),
                gain_per_hour: gain
                    .zip(hours.filter(|hours| *hours > 0.0))
                    .map(|(gain, hours)| gain / hours),
                hours,
                refused: None,
            }
        }
        Err(error) => QueuePlace {
            question,
            charger: None,
            answer: None,
            chance: None,
            gain_per_hour: None,
            hours: None,
            refused: Some(error.to_string()),
        },
    }
}
