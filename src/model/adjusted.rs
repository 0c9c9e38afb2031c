//! Fair comparison: what a fit expects of one case mix under each band, shop or method.
//!
//! Crude rates compare batteries that differ; these ask the model about the same batteries each
//! time (marginal standardisation). Uncertainty is that of the coefficients and of lack of fit.

#[cfg(test)]
mod tests;

use uuid::Uuid;

use super::bands::{MonthsBand, V12_MAX, VoltageBand};
use super::belief::Tally;
use super::comparison::experiment::batteries_per_method;
use super::fit::{Fit, Observation, Placed};
use super::logistic::{Gaussian, Model, Rows, Undetermined};
use super::normal;
use super::predict::{LEVEL, Z_90, log_odds};
use super::prior::Features;
use super::symmetric::Symmetric;
use crate::record::words::Method;

/// Share of the lack-of-fit variance that a mean over many cases keeps. Source: STATISTICS 4.
const SHARED_LACK_OF_FIT: f64 = 0.2;
/// Support above which two orders are called reversed. Source: STATISTICS 4, Simpson flag.
const REVERSAL_SUPPORT: f64 = 0.9;
/// Propensities between which both methods were plausible. Source: STATISTICS 7.
const OVERLAP: (f64, f64) = (0.05, 0.95);
/// Voltages a band is averaged over, evenly spaced. Our choice: the tent of one short cell is not
/// flat inside its band, so the centre alone would overstate it.
const BAND_POINTS: u8 = 5;
/// Chance to see the difference a trial is planned for. Common practice.
const POWER: f64 = 0.80;

/// Batteries of each method past which a trial is nothing a group could do. Our choice.
const COIN_MAX: u64 = 500_000;

/// One battery of a reference mix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Case {
    /// What was known of it.
    pub features: Features,
    /// Where; `None` is a shop that is not known.
    pub shop: Option<Uuid>,
}

impl From<&Observation> for Case {
    fn from(seen: &Observation) -> Self {
        Self {
            features: seen.features,
            shop: Some(seen.shop),
        }
    }
}

/// Mean chance over a mix with its first derivative.
#[derive(Debug, Clone, PartialEq)]
struct Average {
    rate: f64,
    /// Mean of p (1 - p) x.
    gradient: Vec<f64>,
    /// Mean of p (1 - p).
    weight: f64,
}

impl Average {
    /// Averages over rows given by entries and log-odds; `None` without any.
    fn over(columns: usize, rows: impl Iterator<Item = (Vec<(usize, f64)>, f64)>) -> Option<Self> {
        let (mut sum, mut weights, mut n) = (0.0, 0.0, 0.0);
        let mut gradient = vec![0.0; columns];
        for (entries, eta) in rows {
            let p = normal::logistic(eta);
            let weight = p * (1.0 - p);
            (sum, weights, n) = (sum + p, weights + weight, n + 1.0);
            for (column, x) in entries {
                if let Some(cell) = gradient.get_mut(column) {
                    *cell += weight * x;
                }
            }
        }
        if n == 0.0 {
            return None;
        }
        for cell in &mut gradient {
            *cell /= n;
        }
        Some(Self {
            rate: sum / n,
            gradient,
            weight: weights / n,
        })
    }

    fn of(fit: &Fit, cases: impl Iterator<Item = Case>) -> Option<Self> {
        let rows = cases.map(|case| {
            let Placed { entries, .. } = fit.place(&case.features, case.shop);
            let eta = log_odds(fit, &entries);
            (entries, eta)
        });
        Self::over(fit.coefficients().len(), rows)
    }
}

/// The quadratic form of a dense vector.
fn form(covariance: &Symmetric, vector: &[f64]) -> f64 {
    let product = covariance.times(vector);
    vector.iter().zip(&product).map(|(x, z)| x * z).sum()
}

/// Rate that is expected of a mix. Shares 0 to 1, `lower <= rate <= upper`.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Adjusted {
    /// Mean chance over the mix.
    pub rate: f64,
    /// Standard deviation of it.
    pub sd: f64,
    /// Lower end of the range, made on the log-odds scale.
    pub lower: f64,
    /// Upper end of the range.
    pub upper: f64,
    /// Probability inside the range.
    pub level: f64,
    #[serde(skip)]
    average: Average,
}

impl Adjusted {
    /// Variance: g' C g + (mean of p (1 - p))^2 x .2 x lack of fit. Source: STATISTICS 4.
    fn new(fit: &Fit, average: Average) -> Self {
        let shared = SHARED_LACK_OF_FIT * fit.lack_of_fit_variance();
        let missed = average.weight * average.weight * shared;
        let sd = libm::sqrt(form(fit.covariance(), &average.gradient) + missed);
        let rate = average.rate;
        let eta = libm::log(rate / (1.0 - rate));
        let spread = Z_90 * sd / (rate * (1.0 - rate));
        Self {
            rate,
            sd,
            lower: normal::logistic(eta - spread).min(rate),
            upper: normal::logistic(eta + spread).max(rate),
            level: LEVEL,
            average,
        }
    }
}

/// Expects a rate of a mix after `set` has changed each case.
///
/// `None` without cases. Source: STATISTICS 4 (adjusted rate).
#[must_use]
pub fn adjusted_rate(fit: &Fit, mix: &[Case], set: impl Fn(Case) -> Case) -> Option<Adjusted> {
    let average = Average::of(fit, mix.iter().map(|case| set(*case)))?;
    Some(Adjusted::new(fit, average))
}

/// Expects the rate of a voltage band, and of a months band where one is given, for one mix.
///
/// Each battery of the mix keeps everything else; the voltage runs evenly through the band.
/// `None` without cases.
#[must_use]
pub fn band_rate(
    fit: &Fit,
    mix: &[Case],
    voltage: VoltageBand,
    months: Option<MonthsBand>,
) -> Option<Adjusted> {
    let (low, high) = edges(voltage);
    let cases = mix.iter().flat_map(|case| {
        (0..BAND_POINTS).map(move |point| {
            let mut features = case.features;
            let share = (f64::from(point) + 0.5) / f64::from(BAND_POINTS);
            features.v12 = low + share * (high - low);
            if let Some(months) = months {
                features.months = months.centre();
            }
            Case {
                features,
                shop: case.shop,
            }
        })
    });
    Some(Adjusted::new(fit, Average::of(fit, cases)?))
}

/// Ends of a band, V of six cells.
fn edges(band: VoltageBand) -> (f64, f64) {
    match band {
        VoltageBand::Below2 => (0.0, 2.0),
        VoltageBand::From2 => (2.0, 8.0),
        VoltageBand::From8 => (8.0, 10.2),
        VoltageBand::From10p2 => (10.2, 10.8),
        VoltageBand::From10p8 => (10.8, 11.5),
        VoltageBand::From11p5 => (11.5, 12.2),
        VoltageBand::From12p2 => (12.2, V12_MAX),
    }
}

/// Expects the rate of one shop for the mix of its group: case mix and small numbers in one.
///
/// `None` without cases. Source: STATISTICS 7 (adjusted rate).
#[must_use]
pub fn shop_rate(fit: &Fit, mix: &[Case], shop: Uuid) -> Option<Adjusted> {
    let there = |case: Case| Case {
        shop: Some(shop),
        ..case
    };
    adjusted_rate(fit, mix, there)
}

/// Difference of two rates, as a share.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Difference {
    /// First less second.
    pub difference: f64,
    /// Standard deviation of it.
    pub sd: f64,
    /// Lower end of the range of [`LEVEL`].
    pub lower: f64,
    /// Upper end of it.
    pub upper: f64,
    /// Probability that the difference has the sign it shows, at least one half.
    pub support: f64,
}

impl Difference {
    /// `missed` is the variance that lack of fit adds.
    fn new(fit: &Fit, first: &Average, second: &Average, missed: f64) -> Self {
        let pairs = first.gradient.iter().zip(&second.gradient);
        let gradient: Vec<f64> = pairs.map(|(x, z)| x - z).collect();
        let sd = libm::sqrt((form(fit.covariance(), &gradient) + missed).max(f64::MIN_POSITIVE));
        let difference = first.rate - second.rate;
        Self {
            difference,
            sd,
            lower: difference - Z_90 * sd,
            upper: difference + Z_90 * sd,
            support: normal::cdf(difference.abs() / sd),
        }
    }
}

/// Compares two adjusted rates of one fit; lack of fit misses each on its own.
#[must_use]
pub fn compare(fit: &Fit, first: &Adjusted, second: &Adjusted) -> Difference {
    let (first, second) = (&first.average, &second.average);
    let squares = first.weight * first.weight + second.weight * second.weight;
    let missed = SHARED_LACK_OF_FIT * fit.lack_of_fit_variance() * squares;
    Difference::new(fit, first, second, missed)
}

/// Tells whether the crude order of two rows is turned round by the case mix.
///
/// True when the adjusted difference has the other sign, with a support above .9; never when a
/// row has no outcome. Source: STATISTICS 4 (Simpson flag).
#[must_use]
pub fn order_is_reversed(crude: (Tally, Tally), adjusted: Difference) -> bool {
    let rate = |tally: Tally| {
        (tally.labelled() > 0).then(|| tally.recovered as f64 / tally.labelled() as f64)
    };
    let (Some(first), Some(second)) = (rate(crude.0), rate(crude.1)) else {
        return false;
    };
    (first - second) * adjusted.difference < 0.0 && adjusted.support > REVERSAL_SUPPORT
}

/// Two methods on the batteries for which both were plausible.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MethodContrast {
    /// First method less second.
    pub difference: Difference,
    /// Mean chance under the second.
    pub base: f64,
    /// Batteries compared.
    pub cases: u64,
    /// Batteries left out: people all but always chose one of the two for their kind.
    pub left_out: u64,
    /// Batteries in all that a trial by a fair coin would need to show this difference: two-sided 10 %,
    /// power 80 %. `None` when the rates are equal, or past a million.
    pub coin_n: Option<u64>,
}

/// Contrasts two methods on attempts that used one of them.
///
/// Propensity: a ridge logistic fit of the choice on everything else that is known, the shop
/// included. Lack of fit is shared, for the batteries are the same. `None` when no battery is left.
/// Source: STATISTICS 7 (method contrast, overlap .05 to .95).
///
/// # Errors
/// `Undetermined` when a feature is not a number.
pub fn method_contrast(
    fit: &Fit,
    attempts: &[Observation],
    first: Method,
    second: Method,
) -> Result<Option<MethodContrast>, Undetermined> {
    let used = |seen: &&Observation| [first, second].contains(&seen.features.method);
    let cases: Vec<Case> = attempts.iter().filter(used).map(Case::from).collect();
    let chosen = |case: &Case| case.features.method == first;
    let propensities = propensities(fit, &cases, chosen)?;
    let both: Vec<Case> = cases
        .iter()
        .zip(propensities)
        .filter(|(_, p)| (OVERLAP.0..=OVERLAP.1).contains(p))
        .map(|(case, _)| *case)
        .collect();
    let under =
        |method: Method| Average::of(fit, both.iter().map(move |case| with_method(*case, method)));
    let (Some(one), Some(other)) = (under(first), under(second)) else {
        return Ok(None);
    };
    let apart = one.weight - other.weight;
    let missed = SHARED_LACK_OF_FIT * fit.lack_of_fit_variance() * apart * apart;
    Ok(Some(MethodContrast {
        difference: Difference::new(fit, &one, &other, missed),
        base: other.rate,
        cases: both.len() as u64,
        left_out: (cases.len() - both.len()) as u64,
        coin_n: batteries_per_method(one.rate, other.rate, LEVEL, POWER)
            .filter(|of_each| *of_each <= COIN_MAX)
            .map(|of_each| 2 * of_each),
    }))
}

fn with_method(case: Case, method: Method) -> Case {
    let mut case = case;
    case.features.method = method;
    case
}

/// Chance that each case was given the first of two methods.
fn propensities(
    fit: &Fit,
    cases: &[Case],
    chosen: impl Fn(&Case) -> bool,
) -> Result<Vec<f64>, Undetermined> {
    let columns = fit.coefficients().len();
    let mut prior = Gaussian::flat(columns);
    for column in 0..columns {
        prior.precision.set(column, column, 1.0);
    }
    let blind = |case: &Case| {
        let case = with_method(*case, Method::Unknown);
        fit.place(&case.features, case.shop).entries
    };
    let mut rows = Rows::with_capacity(cases.len());
    for case in cases {
        rows.push(blind(case), f64::from(u8::from(chosen(case))));
    }
    let model = Model {
        prior,
        groups: Vec::new(),
        rising: Vec::new(),
    };
    let b = model.solve(&rows, model.cold_start())?.coefficients;
    let chance = |case: &Case| {
        let terms = blind(case).into_iter();
        normal::logistic(
            terms
                .map(|(at, x)| x * b.get(at).copied().unwrap_or(0.0))
                .sum(),
        )
    };
    Ok(cases.iter().map(chance).collect())
}
