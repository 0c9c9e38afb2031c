//! How good past forecasts were, measured on outcomes that were not used to make them.
//!
//! Every function takes frozen forecasts with their outcomes and answers `None` where there is
//! nothing to measure.

use super::normal;

/// Chances are kept this far from 0 and 1 where their logarithm is taken.
const CHANCE_MIN: f64 = 1e-12;

/// Newton steps of the calibration fit at most; 5 to 8 are usual.
const NEWTON_STEPS_MAX: u32 = 50;

/// A calibration fit with larger coefficients has run away: the outcomes are separated.
const COEFFICIENT_MAX: f64 = 60.0;

/// A frozen forecast and what came of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// Forecast chance of recovery, 0 to 1.
    pub chance: f64,
    /// What happened.
    pub recovered: bool,
}

impl Forecast {
    /// 1 for recovered, 0 for not.
    fn outcome(&self) -> f64 {
        f64::from(u8::from(self.recovered))
    }
}

/// All scores of a set of forecasts.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Scores {
    /// Number of forecasts.
    pub count: u64,
    /// Mean squared error, 0 is best.
    pub brier: f64,
    /// Standard error of that mean; `None` for one forecast.
    pub brier_standard_error: Option<f64>,
    /// Mean of minus the logarithm of the chance given to what happened, 0 is best.
    pub log_score: f64,
    /// 1 - Brier / Brier of always saying the overall rate; `None` when all ended alike.
    pub skill: Option<f64>,
    /// Chance that a recovered battery had the higher forecast; `None` when all ended alike.
    pub auc: Option<f64>,
    /// Slope and level of the outcomes against the forecasts; `None` when they cannot be fitted.
    pub calibration: Option<Calibration>,
    /// Spiegelhalter's z; `None` when the forecasts have no spread to test.
    pub spiegelhalter_z: Option<f64>,
}

/// Gives all scores; `None` without forecasts.
#[must_use]
pub fn scores(forecasts: &[Forecast]) -> Option<Scores> {
    Some(Scores {
        count: forecasts.len() as u64,
        brier: brier(forecasts)?,
        brier_standard_error: brier_standard_error(forecasts),
        log_score: log_score(forecasts)?,
        skill: skill(forecasts),
        auc: auc(forecasts),
        calibration: calibration(forecasts),
        spiegelhalter_z: spiegelhalter_z(forecasts),
    })
}

/// Mean of a number per forecast.
fn mean(forecasts: &[Forecast], of: impl Fn(&Forecast) -> f64) -> Option<f64> {
    let sum: f64 = forecasts.iter().map(of).sum();
    (!forecasts.is_empty()).then(|| sum / forecasts.len() as f64)
}

/// Mean squared distance between chance and outcome: 0 is best, 0.25 is a coin.
///
/// # Examples
/// ```
/// use restvolt::model::scores::{Forecast, brier};
/// let forecast = Forecast { chance: 0.7, recovered: true };
/// assert!((brier(&[forecast]).unwrap() - 0.09).abs() < 1e-15);
/// ```
#[must_use]
pub fn brier(forecasts: &[Forecast]) -> Option<f64> {
    mean(forecasts, |forecast| {
        let miss = forecast.chance - forecast.outcome();
        miss * miss
    })
}

/// Standard error of the Brier score: of a mean of independent squared errors. `None` for fewer than two.
#[must_use]
pub fn brier_standard_error(forecasts: &[Forecast]) -> Option<f64> {
    let score = brier(forecasts)?;
    let spread = mean(forecasts, |forecast| {
        let miss = forecast.chance - forecast.outcome();
        (miss * miss - score) * (miss * miss - score)
    })?;
    let others = forecasts
        .len()
        .checked_sub(1)
        .filter(|others| *others > 0)?;
    Some(libm::sqrt(spread / others as f64))
}

/// Mean of minus the natural logarithm of the chance that was given to what happened.
#[must_use]
pub fn log_score(forecasts: &[Forecast]) -> Option<f64> {
    mean(forecasts, |forecast| {
        let chance = forecast.chance.clamp(CHANCE_MIN, 1.0 - CHANCE_MIN);
        if forecast.recovered {
            -libm::log(chance)
        } else {
            -libm::log1p(-chance)
        }
    })
}

/// Brier score's gain over always saying the overall rate: 1 is best, 0 is no gain.
#[must_use]
pub fn skill(forecasts: &[Forecast]) -> Option<f64> {
    let base = mean(forecasts, Forecast::outcome)?;
    let uncertainty = base * (1.0 - base);
    (uncertainty > 0.0).then_some(1.0 - brier(forecasts)? / uncertainty)
}

/// Chance that a recovered battery had a higher forecast than one that did not; ties count half.
///
/// The area under the receiver operating characteristic. `None` when all ended alike.
#[must_use]
pub fn auc(forecasts: &[Forecast]) -> Option<f64> {
    let mut sorted: Vec<&Forecast> = forecasts.iter().collect();
    sorted.sort_by(|a, b| a.chance.total_cmp(&b.chance));
    let (mut failed_below, mut recovered_all, mut wins) = (0.0, 0.0, 0.0);
    for tie in sorted.chunk_by(|a, b| a.chance.total_cmp(&b.chance).is_eq()) {
        let recovered: f64 = tie.iter().map(|forecast| forecast.outcome()).sum();
        let failed = tie.len() as f64 - recovered;
        wins += recovered * (failed_below + 0.5 * failed);
        failed_below += failed;
        recovered_all += recovered;
    }
    let pairs = recovered_all * failed_below;
    (pairs > 0.0).then_some(wins / pairs)
}

/// Slope and level of the outcomes against the forecasts, on log-odds.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Calibration {
    /// Slope of a logistic fit on the forecasts' log-odds: below 1 they are too extreme.
    pub slope: f64,
    /// Standard error of the slope, from the curvature of the likelihood.
    pub slope_standard_error: f64,
    /// Intercept of that fit, log-odds.
    pub intercept: f64,
    /// Intercept when the slope is held at 1, log-odds: above 0 the forecasts are too low.
    pub in_the_large: f64,
}

/// Fits slope and level by maximum likelihood.
///
/// `None` when all ended alike, the forecasts do not vary, or they part the outcomes perfectly.
///
/// Source: Cox 1958, Biometrika 45:562; checked against statsmodels.
#[must_use]
pub fn calibration(forecasts: &[Forecast]) -> Option<Calibration> {
    let rows: Vec<(f64, f64)> = forecasts
        .iter()
        .map(|forecast| {
            let chance = forecast.chance.clamp(CHANCE_MIN, 1.0 - CHANCE_MIN);
            let log_odds = libm::log(chance) - libm::log1p(-chance);
            (log_odds, forecast.outcome())
        })
        .collect();
    let held = newton(&rows, false)?;
    let free = newton(&rows, true)?;
    Some(Calibration {
        slope: free.slope,
        slope_standard_error: libm::sqrt(free.slope_variance),
        intercept: free.intercept,
        in_the_large: held.intercept,
    })
}

/// A line through outcomes on log-odds.
struct Line {
    slope: f64,
    slope_variance: f64,
    intercept: f64,
}

/// The likeliest line; the slope stays 1 when it is not free.
fn newton(rows: &[(f64, f64)], slope_is_free: bool) -> Option<Line> {
    let (mut slope, mut intercept) = (1.0, 0.0);
    for _ in 0..NEWTON_STEPS_MAX {
        let mut gradient = [0.0; 2];
        let mut curvature = [0.0; 3];
        for &(x, y) in rows {
            let p = normal::logistic(intercept + slope * x);
            let weight = p * (1.0 - p);
            gradient = [gradient[0] + (y - p), gradient[1] + (y - p) * x];
            curvature = [
                curvature[0] + weight,
                curvature[1] + weight * x,
                curvature[2] + weight * x * x,
            ];
        }
        let [ones, cross, squares] = curvature;
        let det = ones * squares - cross * cross;
        let steps = if slope_is_free {
            [
                (squares * gradient[0] - cross * gradient[1]) / det,
                (ones * gradient[1] - cross * gradient[0]) / det,
            ]
        } else {
            [gradient[0] / ones, 0.0]
        };
        // A step of more than 2 on log-odds overshoots where the fit is flat.
        let scale = 2.0 / steps[0].abs().max(steps[1].abs()).max(2.0);
        intercept += scale * steps[0];
        slope += scale * steps[1];
        if !(slope.abs() <= COEFFICIENT_MAX && intercept.abs() <= COEFFICIENT_MAX) {
            return None;
        }
        if steps[0].abs().max(steps[1].abs()) < 1e-12 {
            return Some(Line {
                slope,
                slope_variance: ones / det,
                intercept,
            });
        }
    }
    None
}

/// Spiegelhalter's test of calibration: standard normal when the chances are right.
///
/// Source: Spiegelhalter 1986, Stat Med 5:421. `None` when no forecast differs from 0.5, 0 and 1.
#[must_use]
pub fn spiegelhalter_z(forecasts: &[Forecast]) -> Option<f64> {
    let (mut sum, mut variance) = (0.0, 0.0);
    for forecast in forecasts {
        let p = forecast.chance;
        let lean = 1.0 - 2.0 * p;
        sum += (forecast.outcome() - p) * lean;
        variance += lean * lean * p * (1.0 - p);
    }
    (variance > 0.0).then(|| sum / libm::sqrt(variance))
}

#[cfg(test)]
mod tests;
