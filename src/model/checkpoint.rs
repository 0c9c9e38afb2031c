//! The chance while a charge runs: what the model said before, corrected by what was seen so far.
//!
//! At each checkpoint there is a logistic model of its own with five coefficients, among charges
//! that still run then. Its prior stands in for outcomes until there are enough.

use super::normal;
use crate::record::words::vocabulary;

vocabulary! {
    /// Times after the start of charge at which the chance is told anew.
    Checkpoint {
        /// A quarter of an hour.
        QuarterHour = "0.25_h",
        /// Half an hour.
        HalfHour = "0.5_h",
        /// One hour.
        OneHour = "1_h",
        /// Two hours.
        TwoHours = "2_h",
        /// Four hours.
        FourHours = "4_h",
        /// Eight hours.
        EightHours = "8_h",
    }
}

/// Number of checkpoints.
pub const CHECKPOINTS: usize = 6;

impl Checkpoint {
    /// Hours after the start of charge. Source: STATISTICS 6.
    #[must_use]
    pub fn hours(self) -> f64 {
        match self {
            Self::QuarterHour => 0.25,
            Self::HalfHour => 0.5,
            Self::OneHour => 1.0,
            Self::TwoHours => 2.0,
            Self::FourHours => 4.0,
            Self::EightHours => 8.0,
        }
    }

    /// The last checkpoint at or before so many hours; `None` before the first.
    #[must_use]
    pub fn passed(hours: f64) -> Option<Self> {
        let mut all = Self::ALL.iter().rev();
        all.find(|checkpoint| checkpoint.hours() <= hours).copied()
    }
}

/// Standardized features are kept within this many deviations. Source: STATISTICS 6.
pub const Z_MAX: f64 = 3.0;

/// Rise of the case over ambient that says nothing yet, K. Source: STATISTICS 6.
pub const RISE_FREE_K: f64 = 6.0;

/// Rise beyond that which counts as one unit, K. Source: STATISTICS 6.
const RISE_UNIT_K: f64 = 4.0;

/// Number of coefficients of a checkpoint.
pub const COEFFICIENTS: usize = 5;

/// What the charge has shown so far. A missing feature is left out of the sum.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Seen {
    /// Mean current of the last five minutes over the 20-hour capacity, 1/h; only while at the
    /// voltage limit, where the battery decides it.
    pub accepted: Option<f64>,
    /// Rise of the 12 V-equivalent voltage since two minutes after the start, V.
    pub voltage_rise: Option<f64>,
    /// Rise of the case over ambient, or over its own start, K.
    pub case_rise: Option<f64>,
}

/// Mean and deviation that standardize a feature at one checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Scale {
    /// Mean, in the feature's unit.
    pub mean: f64,
    /// Standard deviation, in the feature's unit, above 0.
    pub sd: f64,
}

/// Values from which a scale is learned. Source: ARCHITECTURE 7, checkpoint features.
pub const SCALE_VALUES_MIN: usize = 200;

impl Scale {
    /// Learns the scale from a feature's values among charges that still ran at a checkpoint.
    ///
    /// `None` for fewer than [`SCALE_VALUES_MIN`] values, or when they do not vary.
    #[must_use]
    pub fn learned(values: &[f64]) -> Option<Self> {
        let count = values.len() as f64;
        let mean = values.iter().sum::<f64>() / count;
        let squares: f64 = values
            .iter()
            .map(|value| (value - mean) * (value - mean))
            .sum();
        let sd = libm::sqrt(squares / (count - 1.0));
        let is_enough = values.len() >= SCALE_VALUES_MIN;
        (is_enough && sd > 0.0 && sd.is_finite()).then_some(Self { mean, sd })
    }

    /// Deviations from the mean, kept within [`Z_MAX`]; `None` when the scale is none.
    fn z(self, value: f64) -> Option<f64> {
        let z = (value - self.mean) / self.sd;
        (self.sd > 0.0 && z.is_finite()).then(|| z.clamp(-Z_MAX, Z_MAX))
    }
}

/// The model of one checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Coefficients {
    /// Level, log-odds.
    pub level: f64,
    /// Weight of the log-odds from before the charge.
    pub before: f64,
    /// Log-odds a deviation of the accepted current.
    pub accepted: f64,
    /// Log-odds a deviation of the voltage rise.
    pub voltage_rise: f64,
    /// Log-odds for each 4 K of case rise beyond 6 K.
    pub case_rise: f64,
}

impl Coefficients {
    /// Prior means. Source: STATISTICS 6 (trade belief).
    pub const PRIOR_MEAN: Self = Self {
        level: 0.0,
        before: 1.0,
        accepted: 0.5,
        voltage_rise: 0.25,
        case_rise: -0.25,
    };

    /// Prior deviations. Source: STATISTICS 6.
    pub const PRIOR_SD: Self = Self {
        level: 0.7,
        before: 0.25,
        accepted: 0.8,
        voltage_rise: 0.8,
        case_rise: 0.4,
    };

    /// The five numbers in the order of the fields.
    #[must_use]
    pub fn to_array(self) -> [f64; COEFFICIENTS] {
        [
            self.level,
            self.before,
            self.accepted,
            self.voltage_rise,
            self.case_rise,
        ]
    }

    /// The coefficients from the five numbers in the order of the fields.
    #[must_use]
    pub fn from_array(values: [f64; COEFFICIENTS]) -> Self {
        let [level, before, accepted, voltage_rise, case_rise] = values;
        Self {
            level,
            before,
            accepted,
            voltage_rise,
            case_rise,
        }
    }
}

/// Scales of the standardized features at one checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Scales {
    /// Of the accepted current.
    pub accepted: Scale,
    /// Of the voltage rise.
    pub voltage_rise: Scale,
}

/// Columns of one charge at a checkpoint: 1, log-odds from before, features; 0 where missing.
#[must_use]
pub fn columns(eta_loo: f64, seen: &Seen, scales: &Scales) -> [f64; COEFFICIENTS] {
    let accepted = seen.accepted.and_then(|value| scales.accepted.z(value));
    let voltage = seen
        .voltage_rise
        .and_then(|value| scales.voltage_rise.z(value));
    let rise = seen.case_rise.filter(|rise| rise.is_finite());
    [
        1.0,
        eta_loo,
        accepted.unwrap_or(0.0),
        voltage.unwrap_or(0.0),
        rise.map_or(0.0, |rise| (rise - RISE_FREE_K).max(0.0) / RISE_UNIT_K),
    ]
}

/// Models and scales of all checkpoints.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckpointModel {
    /// Coefficients by checkpoint, in the order of [`Checkpoint::ALL`].
    pub coefficients: [Coefficients; CHECKPOINTS],
    /// Scales by checkpoint, in the same order.
    pub scales: [Scales; CHECKPOINTS],
}

impl CheckpointModel {
    /// The model before any outcome: prior means at all checkpoints.
    #[must_use]
    pub fn prior(scales: [Scales; CHECKPOINTS]) -> Self {
        Self {
            coefficients: [Coefficients::PRIOR_MEAN; CHECKPOINTS],
            scales,
        }
    }

    /// Gives the chance of recovery of a charge that still runs at a checkpoint.
    ///
    /// `eta_loo` is the log-odds from before the charge; for a charge that was in the fit, without
    /// its own outcome (see [`leave_one_out`]).
    #[must_use]
    pub fn chance_so_far(&self, eta_loo: f64, checkpoint: Checkpoint, seen: &Seen) -> f64 {
        let index = checkpoint as usize;
        let (Some(coefficients), Some(scales)) =
            (self.coefficients.get(index), self.scales.get(index))
        else {
            return normal::logistic(eta_loo);
        };
        chance(&columns(eta_loo, seen, scales), coefficients)
    }
}

/// Chance from columns and coefficients.
fn chance(columns: &[f64; COEFFICIENTS], coefficients: &Coefficients) -> f64 {
    let pairs = columns.iter().zip(coefficients.to_array());
    normal::logistic(pairs.map(|(column, weight)| column * weight).sum())
}

/// Gives the log-odds a case would have had without its own outcome in the fit.
///
/// `eta` is its log-odds in the fit, `variance` the variance of that, `outcome` 1 recovered, 0 not, and
/// between them for a charge stopped on advice. It feeds the models of running charges, which would
/// trust their base too much otherwise.
///
/// Source: STATISTICS 6: one Newton step, `eta - h / (1 - h p (1 - p)) (y - p)`.
#[must_use]
pub fn leave_one_out(eta: f64, variance: f64, outcome: f64) -> f64 {
    let p = normal::logistic(eta);
    // A leverage of 1 means that the case alone makes its own answer.
    let rest = (1.0 - variance * p * (1.0 - p)).max(1e-6);
    eta - variance / rest * (outcome - p)
}

/// One charge for the fit of a checkpoint's coefficients.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charge {
    /// Its columns at the checkpoint.
    pub columns: [f64; COEFFICIENTS],
    /// Outcome: 1 recovered, 0 not; between them for a charge stopped on advice.
    pub outcome: f64,
}

/// Coefficients after a fit, with their posterior deviations.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Fitted {
    /// Most likely coefficients under prior and outcomes.
    pub coefficients: Coefficients,
    /// Their deviations in the normal approximation.
    pub sd: Coefficients,
    /// Number of charges used.
    pub charges: u64,
}

/// Newton steps at most; 4 to 7 are usual.
const STEPS_MAX: u32 = 60;

/// Fits the coefficients of one checkpoint to charges that still ran then.
///
/// Penalized by the prior, so that it always has one answer; without charges that is the prior.
/// The order of the charges changes the last bits only: hand them in a fixed one.
#[must_use]
pub fn fit(charges: &[Charge]) -> Fitted {
    let mean = Coefficients::PRIOR_MEAN.to_array();
    let precision = Coefficients::PRIOR_SD.to_array().map(|sd| 1.0 / (sd * sd));
    let mut at = mean;
    let mut height = penalized(charges, &at, &mean, &precision);
    for _ in 0..STEPS_MAX {
        let (gradient, hessian) = slopes(charges, &at, &mean, &precision);
        let step = solve(&hessian, gradient);
        let mut scale = 1.0;
        let mut next = moved(&at, &step, scale);
        let mut found = penalized(charges, &next, &mean, &precision);
        while found < height && scale > 1e-9 {
            scale *= 0.5;
            next = moved(&at, &step, scale);
            found = penalized(charges, &next, &mean, &precision);
        }
        let size = step.iter().fold(0.0_f64, |most, part| most.max(part.abs()));
        (at, height) = (next, found);
        if scale * size < 1e-10 {
            break;
        }
    }
    let (_, hessian) = slopes(charges, &at, &mean, &precision);
    let sd: [f64; COEFFICIENTS] = std::array::from_fn(|index| {
        let unit = std::array::from_fn(|other| f64::from(u8::from(other == index)));
        let column = solve(&hessian, unit);
        libm::sqrt(column.get(index).copied().unwrap_or(0.0))
    });
    Fitted {
        coefficients: Coefficients::from_array(at),
        sd: Coefficients::from_array(sd),
        charges: charges.len() as u64,
    }
}

type Vector = [f64; COEFFICIENTS];
type Matrix = [Vector; COEFFICIENTS];

/// Coefficients moved by a part of a step.
fn moved(at: &Vector, step: &Vector, scale: f64) -> Vector {
    let mut next = *at;
    for (value, part) in next.iter_mut().zip(step) {
        *value += scale * part;
    }
    next
}

/// Log-likelihood with the prior's penalty.
fn penalized(charges: &[Charge], at: &Vector, mean: &Vector, precision: &Vector) -> f64 {
    let likelihood: f64 = charges
        .iter()
        .map(|charge| {
            let pairs = charge.columns.iter().zip(at);
            let eta: f64 = pairs.map(|(column, weight)| column * weight).sum();
            // ln(1 + e^eta) without overflow.
            charge.outcome * eta - eta.max(0.0) - libm::log1p(libm::exp(-eta.abs()))
        })
        .sum();
    let distances = at.iter().zip(mean).zip(precision);
    let penalty: f64 = distances
        .map(|((at, mean), k)| k * (at - mean) * (at - mean))
        .sum();
    likelihood - 0.5 * penalty
}

/// Gradient of the penalized likelihood, and minus its second derivatives.
fn slopes(charges: &[Charge], at: &Vector, mean: &Vector, precision: &Vector) -> (Vector, Matrix) {
    let mut gradient: Vector = [0.0; COEFFICIENTS];
    let mut hessian: Matrix = [[0.0; COEFFICIENTS]; COEFFICIENTS];
    let rows = gradient.iter_mut().zip(&mut hessian).enumerate();
    for (index, (slope, row)) in rows {
        let distance = at.iter().zip(mean).zip(precision).nth(index);
        if let Some((((at, mean), k), cell)) = distance.zip(row.get_mut(index)) {
            *slope = -k * (at - mean);
            *cell = *k;
        }
    }
    for charge in charges {
        let p = chance(&charge.columns, &Coefficients::from_array(*at));
        let weight = p * (1.0 - p);
        for ((slope, row), column) in gradient.iter_mut().zip(&mut hessian).zip(charge.columns) {
            *slope += (charge.outcome - p) * column;
            for (cell, other) in row.iter_mut().zip(charge.columns) {
                *cell += weight * column * other;
            }
        }
    }
    (gradient, hessian)
}

/// Solves a positive definite system by elimination; no pivots are needed for such.
fn solve(matrix: &Matrix, right: Vector) -> Vector {
    let mut rows: Vec<(Vector, f64)> = matrix.iter().copied().zip(right).collect();
    for lead in 0..COEFFICIENTS {
        let Some((done, below)) = rows.split_at_mut_checked(lead + 1) else {
            continue;
        };
        let Some((top, value)) = done.last() else {
            continue;
        };
        for (row, right) in below {
            let factor = cell(row, lead) / cell(top, lead);
            for (cell, above) in row.iter_mut().zip(top) {
                *cell -= factor * above;
            }
            *right -= factor * value;
        }
    }
    let mut solution: Vector = [0.0; COEFFICIENTS];
    for (index, (row, right)) in rows.iter().enumerate().rev() {
        let known: f64 = row
            .iter()
            .zip(&solution)
            .skip(index + 1)
            .map(|(a, x)| a * x)
            .sum();
        if let Some(value) = solution.get_mut(index) {
            *value = (right - known) / cell(row, index);
        }
    }
    solution
}

/// Entry of a row; 0 beyond its end.
fn cell(row: &Vector, index: usize) -> f64 {
    row.get(index).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests;
