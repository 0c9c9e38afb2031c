//! How good the answers were: forecasts frozen before the attempts, beside what came of them, a band table
//! and the base rate; and whether they drift.
//!
//! Everything is worked out from the frozen answers each time: nothing is learned from an outcome before it
//! is scored. Source: STATISTICS 9.

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike as _, Utc};

use super::drift::{ALARM_HEIGHT, Alarm, Drift};
use super::interval::{Interval, jeffreys};
use super::reliability::{Bin, Binning, MurphyParts, bins, calibration_error, murphy_parts};
use super::scores::{Forecast, Scores, brier, scores};
use super::standing::{Record, Reserve, reserves};
use super::table::{ENOUGH_N_MIN, RATE_N_MIN};
use crate::record::words::Method;

/// Outcomes an answer must have known before its drift is watched. Source: STATISTICS 9.
pub const TRAINED_MIN: usize = 1_200;
/// Answers below which scores say too little, and slope, skill and AUC are left out. Our choice: as for rates.
pub const SCORED_MIN: u64 = ENOUGH_N_MIN;
/// Bins of the reliability plot, fewer where they would hold less than a rate needs. Source: STATISTICS 9.
const BINS: u64 = 10;
/// Level of its bars.
const LEVEL: f64 = 0.9;
/// Months shown at most: the newest.
const MONTHS_MAX: usize = 36;
/// Streams followed at most, beside the whole group.
const STREAMS_MAX: usize = 100;

/// An answer as it was given before an attempt, and what came of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Frozen {
    /// When it was given.
    pub answered_at: DateTime<Utc>,
    /// When the outcome became known.
    pub known_at: DateTime<Utc>,
    /// Forecast chance of recovery, 0 to 1.
    pub chance: f64,
    /// Outcomes of its band known then, and those of them that had recovered.
    pub band: (u64, u64),
    /// Method of the attempt.
    pub method: Method,
    /// The charger, as the shop names it; empty where nobody said.
    pub charger: String,
    /// Firmware of the charger; empty where nobody named one.
    pub firmware: String,
    /// What came of it.
    pub recovered: bool,
}

/// A person has seen a drift: its sums start anew.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Acknowledged {
    /// Which stream.
    pub stream: String,
    /// When.
    pub at: DateTime<Utc>,
    /// Name of the person.
    pub by: String,
    /// What was found or done.
    pub reason: String,
}

/// Scores of one month, by when outcomes became known.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Month {
    /// Year and month, as 2026-05.
    pub month: String,
    /// Scored.
    pub n: u64,
    /// Brier score of the answers.
    pub answers: f64,
    /// Of the band table as it stood.
    pub band_table: f64,
    /// Of always saying the base rate as it stood.
    pub base_rate: f64,
}

/// One stream of outcomes that is watched for drift.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Stream {
    /// `group`, `method NAME`, `charger NAME` or `firmware VERSION`.
    pub name: String,
    /// Outcomes that count.
    pub n: u64,
    /// The sums as they stand.
    pub sums: Drift,
    /// The alarm that stands: which way, and since when.
    pub alarm: Option<(Alarm, DateTime<Utc>)>,
    /// Who saw the last one, and when.
    pub acknowledged: Option<Acknowledged>,
}

/// How good the answers were.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct Quality {
    /// Scores of the answers; `None` without any.
    pub answers: Option<Scores>,
    /// Scores of the band table as it stood at each answer.
    pub band_table: Option<Scores>,
    /// Scores of always saying the rate known at each answer.
    pub base_rate: Option<Scores>,
    /// Mean distance of forecast and rate over the bins.
    pub calibration_error: Option<f64>,
    /// What the Brier score of the answers is made of, over the bins; `None` below [`SCORED_MIN`].
    pub parts: Option<MurphyParts>,
    /// What was said beside what happened.
    pub bins: Vec<Bin>,
    /// By month, oldest first.
    pub months: Vec<Month>,
    /// Drift, the group first.
    pub streams: Vec<Stream>,
    /// Scores of the answers about second nights; `None` without any.
    pub second_nights: Option<Scores>,
    /// Charges that should have been stopped by worth and ran on by the coin; `None` without any.
    pub ran_on: Option<RanOn>,
}

/// Stops that were checked by letting charges run on, with a known outcome.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RanOn {
    /// Charges.
    pub n: u64,
    /// Of these, recovered.
    pub recovered: u64,
    /// Mean of the chances that were told when they should have stopped, 0 to 1.
    pub told: f64,
    /// Interval of the share that recovered; `None` below 5 charges.
    pub interval: Option<Interval>,
}

impl RanOn {
    fn of(forecasts: &[Forecast]) -> Option<Self> {
        let n = forecasts.len() as u64;
        let recovered = forecasts.iter().filter(|one| one.recovered).count() as u64;
        let told = forecasts.iter().map(|one| one.chance).sum::<f64>();
        (n > 0).then(|| Self {
            n,
            recovered,
            told: told / n as f64,
            interval: (n >= RATE_N_MIN)
                .then(|| jeffreys(recovered, n, LEVEL))
                .flatten(),
        })
    }
}

/// The three forecasts of one attempt.
#[derive(Debug, Clone, Copy)]
struct Scored {
    answer: Forecast,
    band_table: Forecast,
    base_rate: Forecast,
    /// Outcomes known when it was answered.
    trained: usize,
}

/// All scores; of few forecasts those alone that are plain means.
fn told(forecasts: &[Forecast]) -> Option<Scores> {
    let scores = scores(forecasts)?;
    if scores.count >= SCORED_MIN {
        return Some(scores);
    }
    Some(Scores {
        skill: None,
        auc: None,
        calibration: None,
        spiegelhalter_z: None,
        ..scores
    })
}

/// A rate by counts that is never quite 0 or 1. Source: Jeffreys' prior.
fn rate(recovered: u64, n: u64) -> f64 {
    (recovered as f64 + 0.5) / (n as f64 + 1.0)
}

impl Quality {
    /// Scores frozen answers; `outcomes` are all that became known, with or without an answer before: when,
    /// and whether recovered. No order is needed.
    #[must_use]
    pub fn of(
        frozen: &[Frozen],
        outcomes: &[(DateTime<Utc>, bool)],
        acknowledged: &[Acknowledged],
    ) -> Self {
        let mut frozen: Vec<&Frozen> = frozen.iter().collect();
        frozen.sort_by(|a, b| {
            let order = |one: &Frozen| (one.known_at, one.answered_at, one.recovered);
            order(a).cmp(&order(b)).then(a.chance.total_cmp(&b.chance))
        });
        let scored = scored(&frozen, outcomes);
        let pick =
            |of: fn(&Scored) -> Forecast| -> Vec<Forecast> { scored.iter().map(of).collect() };
        let answers = pick(|one| one.answer);
        let mut acknowledged: Vec<&Acknowledged> = acknowledged.iter().collect();
        acknowledged.sort_by_key(|one| one.at);
        let n = answers.len() as u64;
        let binning = u32::try_from(BINS.min(n / RATE_N_MIN))
            .ok()
            .filter(|bins| *bins > 0)
            .map(Binning::EqualMass);
        let enough = binning.filter(|_| n >= SCORED_MIN);
        Self {
            band_table: told(&pick(|one| one.band_table)),
            base_rate: told(&pick(|one| one.base_rate)),
            calibration_error: enough.and_then(|binning| calibration_error(&answers, binning)),
            parts: enough.and_then(|binning| murphy_parts(&answers, binning)),
            bins: binning.map_or_else(Vec::new, |binning| bins(&answers, binning, LEVEL)),
            answers: told(&answers),
            months: months(&frozen, &scored),
            streams: streams(&frozen, &scored, &acknowledged),
            second_nights: None,
            ran_on: None,
        }
    }

    /// The same with the answers about second nights, each scored by what came of that night.
    #[must_use]
    pub fn with_second_nights(self, answers: &[Forecast]) -> Self {
        Self {
            second_nights: told(answers),
            ..self
        }
    }

    /// The same with charges that ran on by the coin, each with the chance it should have been stopped with.
    #[must_use]
    pub fn with_ran_on(self, charges: &[Forecast]) -> Self {
        Self {
            ran_on: RanOn::of(charges),
            ..self
        }
    }

    /// Why answers are held back, the gravest first; `fitted` are recovered and failed outcomes in the fit.
    #[must_use]
    pub fn reserves(&self, fitted: (u64, u64)) -> Vec<Reserve> {
        let group = self.streams.iter().find(|stream| stream.name == GROUP);
        reserves(&Record {
            recovered: fitted.0,
            failed: fitted.1,
            scored: self.answers.map_or(0, |scores| scores.count),
            slope: self
                .answers
                .and_then(|scores| scores.calibration)
                .map(|calibration| calibration.slope),
            drift_alarm: group.is_some_and(|stream| stream.alarm.is_some()),
        })
    }

    /// The same without the streams of single chargers.
    #[must_use]
    pub fn without_chargers(mut self) -> Self {
        self.streams
            .retain(|stream| !stream.name.starts_with(CHARGER));
        self
    }

    /// Methods whose answers drift though the group's do not.
    #[must_use]
    pub fn drifted_methods(&self) -> Vec<Method> {
        let drifted = self.streams.iter().filter(|stream| stream.alarm.is_some());
        let method = |stream: &Stream| Method::find(stream.name.strip_prefix(METHOD)?);
        drifted.filter_map(method).collect()
    }
}

const GROUP: &str = "group";
const METHOD: &str = "method ";
const CHARGER: &str = "charger ";
const FIRMWARE: &str = "firmware ";

/// Each answer beside what a table and the base rate would have said then.
fn scored(frozen: &[&Frozen], outcomes: &[(DateTime<Utc>, bool)]) -> Vec<Scored> {
    let mut known: Vec<(DateTime<Utc>, bool)> = outcomes.to_vec();
    known.sort_unstable();
    let mut recovered = Vec::with_capacity(known.len() + 1);
    recovered.push(0_u64);
    for (_, hit) in &known {
        let before = recovered.last().copied().unwrap_or(0);
        recovered.push(before + u64::from(*hit));
    }
    let score = |one: &&Frozen| {
        let trained = known.partition_point(|(at, _)| *at < one.answered_at);
        let hits = recovered.get(trained).copied().unwrap_or(0);
        let forecast = |chance| Forecast {
            chance,
            recovered: one.recovered,
        };
        Scored {
            answer: forecast(one.chance),
            band_table: forecast(rate(one.band.1, one.band.0)),
            base_rate: forecast(rate(hits, trained as u64)),
            trained,
        }
    };
    frozen.iter().map(score).collect()
}

fn months(frozen: &[&Frozen], scored: &[Scored]) -> Vec<Month> {
    let mut by_month: BTreeMap<(i32, u32), Vec<Scored>> = BTreeMap::new();
    for (one, scored) in frozen.iter().zip(scored) {
        let month = (one.known_at.year(), one.known_at.month());
        by_month.entry(month).or_default().push(*scored);
    }
    let left_out = by_month.len().saturating_sub(MONTHS_MAX);
    let month = |((year, month), scored): ((i32, u32), Vec<Scored>)| {
        let of = |pick: fn(&Scored) -> Forecast| {
            brier(&scored.iter().map(pick).collect::<Vec<Forecast>>())
        };
        Some(Month {
            month: format!("{year}-{month:02}"),
            n: scored.len() as u64,
            answers: of(|one| one.answer)?,
            band_table: of(|one| one.band_table)?,
            base_rate: of(|one| one.base_rate)?,
        })
    };
    by_month
        .into_iter()
        .skip(left_out)
        .filter_map(month)
        .collect()
}

/// Follows the group, each method, charger and firmware, in the order in which outcomes became known.
fn streams(frozen: &[&Frozen], scored: &[Scored], acknowledged: &[&Acknowledged]) -> Vec<Stream> {
    let mut members: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let ripe = scored.iter().enumerate();
    let ripe = ripe.filter(|(_, one)| one.trained >= TRAINED_MIN);
    for ((index, _), one) in ripe.filter_map(|at| Some((at, frozen.get(at.0)?))) {
        let mut add = |name: String| members.entry(name).or_default().push(index);
        add(GROUP.to_owned());
        if one.method != Method::Unknown {
            add(format!("{METHOD}{}", one.method));
        }
        if !one.charger.is_empty() {
            add(format!("{CHARGER}{}", one.charger));
        }
        if !one.firmware.is_empty() {
            add(format!("{FIRMWARE}{}", one.firmware));
        }
    }
    let group = members.remove(GROUP).unwrap_or_default();
    let mut others: Vec<(String, Vec<usize>)> = members.into_iter().collect();
    others.sort_by(|a, b| (b.1.len(), &a.0).cmp(&(a.1.len(), &b.0)));
    others.truncate(STREAMS_MAX);
    let all = std::iter::once((GROUP.to_owned(), group)).chain(others);
    all.map(|(name, places)| {
        let outcomes = places
            .iter()
            .filter_map(|place| frozen.get(*place).copied());
        follow(name, outcomes, acknowledged)
    })
    .collect()
}

fn follow<'a>(
    name: String,
    outcomes: impl Iterator<Item = &'a Frozen>,
    acknowledged: &[&Acknowledged],
) -> Stream {
    let own = acknowledged.iter().filter(|seen| seen.stream == name);
    let own: Vec<&Acknowledged> = own.copied().collect();
    let mut seen = own.iter().peekable();
    let mut stream = Stream {
        n: 0,
        sums: Drift::default(),
        alarm: None,
        acknowledged: own.last().map(|last| (*last).clone()),
        name,
    };
    for outcome in outcomes {
        while seen.next_if(|seen| seen.at <= outcome.known_at).is_some() {
            (stream.sums, stream.alarm) = (Drift::default(), None);
        }
        stream.n += 1;
        stream.sums.add(outcome.chance, outcome.recovered);
        if stream.alarm.is_none() {
            let alarm = stream.sums.alarm(ALARM_HEIGHT);
            stream.alarm = alarm.map(|alarm| (alarm, outcome.known_at));
        }
    }
    if seen.next().is_some() {
        (stream.sums, stream.alarm) = (Drift::default(), None);
    }
    stream
}

#[cfg(test)]
mod tests;
