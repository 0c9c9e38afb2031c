//! Tonight's chargers: which of many batteries are worth them.

use std::collections::HashMap;

use uuid::Uuid;

use super::again::{Again, again_many};
use super::{AskRequest, StoredVerdict, ask_many};
use crate::advice::economics::CostItem;
use crate::clock::Clock;
use crate::query::{Caller, Error};
use crate::record::words::Answer;
use crate::store::{Store, costs};

/// What is asked for tonight.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct QueueRequest {
    /// Batteries that were not charged yet.
    pub questions: Vec<AskRequest>,
    /// First attempts that did not bring their battery back: one more night?
    pub again: Vec<Uuid>,
    /// Chargers that are free.
    pub chargers: usize,
}

/// One battery of tonight's queue.
#[derive(Debug, Clone, PartialEq)]
pub struct QueuePlace {
    /// Which question, counted from 0: first the batteries, then the attempts.
    pub question: usize,
    /// It would be its second night.
    pub again: bool,
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
/// First and second nights are weighed alike, by expected gain per planned charger-hour.
///
/// Source: STATISTICS 5 (expected gain); an audit attempt comes after those that pay.
///
/// # Errors
/// As [`ask_many`]; `FIELD_INVALID` for more than 1,000 attempts.
pub async fn queue(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: QueueRequest,
) -> Result<Queue, Error> {
    let QueueRequest {
        questions,
        again,
        chargers,
    } = request;
    let seconds = again_many(store, clock, caller, &again).await?;
    let answers = ask_many(store, clock, caller, questions).await?;
    let first = answers.iter().flatten().map(|one| one.shop_id);
    let second = seconds.iter().flatten().map(|one| one.shop_id);
    let mut shops: Vec<Uuid> = first.chain(second).collect();
    shops.sort_unstable();
    shops.dedup();
    let mut tx = store.begin(caller.group).await?;
    let sheets = costs::find(&mut tx, caller.group, &shops).await?;
    tx.rollback().await?;
    let hours: HashMap<Uuid, f64> = sheets
        .into_iter()
        .map(|shop| (shop.shop_id, shop.sheet.value(CostItem::PlannedHours, 0.0)))
        .collect();
    let answers = answers
        .into_iter()
        .map(|answer| answer.map(|given| Weighed::first(&given)));
    let seconds = seconds
        .into_iter()
        .map(|answer| answer.map(|given| Weighed::second(&given)));
    let mut places: Vec<QueuePlace> = answers
        .map(|answer| (false, answer))
        .chain(seconds.map(|answer| (true, answer)))
        .enumerate()
        .map(|(question, asked)| place(question, asked, &hours))
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

/// What of an answer counts for its place.
struct Weighed {
    shop: Uuid,
    answer: Answer,
    chance: Option<f64>,
    gain: Option<f64>,
}

impl Weighed {
    fn first(given: &StoredVerdict) -> Self {
        Self {
            shop: given.shop_id,
            answer: given.answer,
            chance: given.chance.map(|chance| chance.mean),
            gain: given.body.expected_gain,
        }
    }

    fn second(given: &Again) -> Self {
        let economics = given.answer.economics.as_ref();
        Self {
            shop: given.shop_id,
            answer: given.answer.answer,
            chance: given.answer.chance.map(|chance| chance.mean),
            gain: economics.map(|of| of.expected_gain),
        }
    }
}

fn place(
    question: usize,
    (again, asked): (bool, Result<Weighed, Error>),
    hours: &HashMap<Uuid, f64>,
) -> QueuePlace {
    let mut place = QueuePlace {
        question,
        again,
        charger: None,
        answer: None,
        chance: None,
        gain_per_hour: None,
        hours: None,
        refused: None,
    };
    match asked {
        Ok(weighed) => {
            let hours = hours.get(&weighed.shop).copied();
            let planned = hours.filter(|hours| *hours > 0.0);
            place.answer = Some(weighed.answer);
            place.chance = weighed.chance;
            place.gain_per_hour = weighed.gain.zip(planned).map(|(gain, hours)| gain / hours);
            place.hours = hours;
        }
        Err(error) => place.refused = Some(error.to_string()),
    }
    place
}
