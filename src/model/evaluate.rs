//! Scores of the model on visits whose truth is known, beside simpler ways to decide.
//!
//! Only invented fleets know the chance behind each battery. The truth is used for scoring alone:
//! it never reaches a fit. Definitions: STATISTICS 10; how far to trust them: STATISTICS 13.

mod rivals;
#[cfg(test)]
mod tests;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::fit::{Basis, Block, Family, Fit, LithiumVersion, Observation, Request, fit};
use super::logistic::Undetermined;
use super::normal;
use super::predict::reference;
use super::prior::{Features, Prior};

/// Bins of equal mass behind a calibration error. Source: STATISTICS 9.
const BINS: usize = 10;
/// Voltages at which the curve is drawn, hundredths of a volt. Our choice.
const CURVE_POINTS: u16 = 1290;

/// One battery presented after the training, with its truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Presented {
    /// What was known of it, for the method that would be used.
    pub features: Features,
    /// Where.
    pub shop: Uuid,
    /// What a recovery is worth, in money.
    pub worth: f64,
    /// What an attempt costs, in money.
    pub cost: f64,
    /// True chance given what was recorded.
    pub p_observed: f64,
    /// Whether an attempt would bring it back.
    pub recovers: bool,
}

/// Chance with its 90 % range, from whatever way of deciding.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Guess {
    mean: f64,
    lower: f64,
    upper: f64,
}

/// How well one way of deciding did.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Score {
    /// Money lost against knowing the true chances, over what the oracle earns.
    pub regret_share: f64,
    /// Attempts over visits.
    pub attempted_share: f64,
    /// Attempts that the truth says do not pay, over attempts.
    pub wasted_share: f64,
    /// How well the chances fit; `None` for a rule without chances.
    pub chances: Option<Chances>,
}

/// How well chances fit the truth.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Chances {
    /// Share of visits whose true chance lies in the 90 % range.
    pub coverage: f64,
    /// Mean width of the range.
    pub width: f64,
    /// Calibration error against what came back, ten bins of equal mass.
    pub ece: f64,
    /// Mean squared distance from what came back.
    pub brier: f64,
    /// Root mean squared distance from the true chance.
    pub rmse: f64,
    /// Mean of chance less true chance.
    pub bias: f64,
}

/// Answers whose 90 % range excludes the break-even chance.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Clear {
    /// Over all visits.
    pub share: f64,
    /// Those on the same side as the true chance, over the clear ones; `None` without any.
    pub right_share: Option<f64>,
}

/// Scores of the model and of its rivals on the same visits.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Scores {
    /// Version of the lead-acid model.
    pub model_version: String,
    /// Attempts trained on, both families.
    pub trained: u64,
    /// Visits asked.
    pub presented: u64,
    /// Money a visit that the oracle earns.
    pub oracle: f64,
    /// The model: attempt when its chance pays.
    pub model: Score,
    /// Its clear answers.
    pub clear: Clear,
    /// Deepest fall of the voltage curve, as a chance. Source: STATISTICS 2, soft monotone rule.
    pub worst_drop: f64,
    /// Falls of the curve that the data confirm; `worst_drop` should be 0 without any.
    pub confirmed_falls: u64,
    /// Jeffreys interval of the voltage and months band.
    pub band_table: Score,
    /// Logistic regression without a prior worth the name, straight line in voltage.
    pub plain_logistic: Score,
    /// Attempt from 10.5 V.
    pub fixed_cut: Score,
    /// Attempt every one.
    pub always: Score,
}

/// Trains on the observations and scores the answers to the visits.
///
/// Lead-acid by the given prior and lithium by its own, as the service does. `None` without
/// visits. Source: STATISTICS 10.
///
/// # Errors
/// `Undetermined` when a feature is not a number.
pub fn evaluate(
    prior: &Prior,
    cutoff: DateTime<Utc>,
    train: &[Observation],
    presented: &[Presented],
) -> Result<Option<Scores>, Undetermined> {
    if presented.is_empty() {
        return Ok(None);
    }
    let request = |basis| Request {
        basis,
        cutoff,
        start: None,
    };
    let lead_acid = fit(train, request(Basis::LeadAcid(prior.clone())))?;
    let lithium = fit(train, request(Basis::Lithium(LithiumVersion::CURRENT)))?;
    let model: Vec<Guess> = presented
        .iter()
        .map(|visit| {
            let fit = match Family::of(visit.features.chemistry) {
                Family::LeadAcid => &lead_acid,
                Family::Lithium => &lithium,
            };
            let answer = fit.predict(&visit.features, Some(visit.shop));
            Guess {
                mean: answer.mean,
                lower: answer.lower,
                upper: answer.upper,
            }
        })
        .collect();
    let oracle = presented
        .iter()
        .map(|visit| pay(visit).max(0.0))
        .sum::<f64>();
    let by_chance = |guesses: &[Guess]| {
        let pays = |(guess, visit): (&Guess, &Presented)| guess.mean * visit.worth > visit.cost;
        let decided: Vec<bool> = guesses.iter().zip(presented).map(pays).collect();
        Score {
            chances: Some(chances(guesses, presented)),
            ..score(&decided, presented)
        }
    };
    let cut: Vec<bool> = presented
        .iter()
        .map(|visit| rivals::cut(&visit.features))
        .collect();
    Ok(Some(Scores {
        model_version: lead_acid.version(),
        trained: lead_acid
            .counts()
            .total()
            .saturating_add(lithium.counts().total()),
        presented: presented.len() as u64,
        oracle: oracle / presented.len() as f64,
        model: by_chance(&model),
        clear: clear(&model, presented),
        worst_drop: worst_drop(&lead_acid),
        confirmed_falls: lead_acid.confirmed_falls().len() as u64,
        band_table: by_chance(&rivals::band_table(train, presented)),
        plain_logistic: by_chance(&rivals::plain_logistic(train, presented)?),
        fixed_cut: score(&cut, presented),
        always: score(&vec![true; presented.len()], presented),
    }))
}

/// What an attempt earns on average, in money.
fn pay(visit: &Presented) -> f64 {
    visit.p_observed * visit.worth - visit.cost
}

fn score(decided: &[bool], presented: &[Presented]) -> Score {
    let (mut lost, mut earned, mut attempts, mut wasted) = (0.0, 0.0, 0.0, 0.0);
    for (attempted, visit) in decided.iter().zip(presented) {
        let pay = pay(visit);
        earned += pay.max(0.0);
        lost += pay.max(0.0) - if *attempted { pay } else { 0.0 };
        attempts += f64::from(u8::from(*attempted));
        wasted += f64::from(u8::from(*attempted && pay < 0.0));
    }
    Score {
        regret_share: lost / earned.max(f64::MIN_POSITIVE),
        attempted_share: attempts / decided.len().max(1) as f64,
        wasted_share: wasted / attempts.max(1.0),
        chances: None,
    }
}

fn chances(guesses: &[Guess], presented: &[Presented]) -> Chances {
    let n = guesses.len().max(1) as f64;
    let mut sums = Chances {
        coverage: 0.0,
        width: 0.0,
        ece: calibration_error(guesses, presented),
        brier: 0.0,
        rmse: 0.0,
        bias: 0.0,
    };
    for (guess, visit) in guesses.iter().zip(presented) {
        let inside = guess.lower <= visit.p_observed && visit.p_observed <= guess.upper;
        let miss = guess.mean - f64::from(u8::from(visit.recovers));
        let off = guess.mean - visit.p_observed;
        sums.coverage += f64::from(u8::from(inside)) / n;
        sums.width += (guess.upper - guess.lower) / n;
        sums.brier += miss * miss / n;
        sums.rmse += off * off / n;
        sums.bias += off / n;
    }
    sums.rmse = libm::sqrt(sums.rmse);
    sums
}

/// Mean distance of chance and share over bins of equal mass; ties keep the order of the visits.
///
/// The scores of stored answers have a function of their own; this one is private to evaluation.
fn calibration_error(guesses: &[Guess], presented: &[Presented]) -> f64 {
    let mut pairs: Vec<(f64, f64)> = guesses
        .iter()
        .zip(presented)
        .map(|(guess, visit)| (guess.mean, f64::from(u8::from(visit.recovers))))
        .collect();
    pairs.sort_by(|left, right| left.0.total_cmp(&right.0));
    let bins = (0..BINS)
        .filter_map(|bin| pairs.get(bin * pairs.len() / BINS..(bin + 1) * pairs.len() / BINS));
    let gaps = bins.map(|bin| bin.iter().map(|(p, y)| p - y).sum::<f64>().abs());
    gaps.sum::<f64>() / pairs.len().max(1) as f64
}

fn clear(guesses: &[Guess], presented: &[Presented]) -> Clear {
    let (mut clear, mut right) = (0.0, 0.0);
    for (guess, visit) in guesses.iter().zip(presented) {
        let break_even = visit.cost / visit.worth;
        let (above, below) = (guess.lower > break_even, guess.upper < break_even);
        if above || below {
            clear += 1.0;
            right += f64::from(u8::from((visit.p_observed > break_even) == above));
        }
    }
    Clear {
        share: clear / guesses.len().max(1) as f64,
        right_share: (clear > 0.0).then(|| right / clear),
    }
}

/// Deepest fall of the reference battery's chance while the voltage rises from 0 to 12.9 V.
///
/// Drawn without the tent of one short cell and without cells. Source: STATISTICS 2.
fn worst_drop(fit: &Fit) -> f64 {
    let (mut highest, mut worst) = (0.0_f64, 0.0_f64);
    for point in 0..=CURVE_POINTS {
        let battery = Features {
            v12: f64::from(point) / 100.0,
            ..reference(fit)
        };
        let entries = fit.place(&battery, None).entries;
        let drawn = entries
            .iter()
            .filter(|(column, _)| matches!(fit.block(*column), Some(Block::Base | Block::Voltage)));
        let coefficients = fit.coefficients();
        let eta = drawn.map(|(column, x)| x * coefficients.get(*column).copied().unwrap_or(0.0));
        let p = normal::logistic(eta.sum());
        highest = highest.max(p);
        worst = worst.max(highest - p);
    }
    worst
}
