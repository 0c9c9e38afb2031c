//! Logistic regression with a Gaussian prior and random intercepts, by Newton's method.
//!
//! Sparse rows in, mode and Laplace covariance out. No random numbers; rows are summed in fixed
//! chunks in the order given, so equal rows give equal bits. Knows nothing of batteries.

mod pass;
#[cfg(test)]
mod tests;

pub use pass::Rows;

use super::normal;
use super::symmetric::{Factor, Inverted, Symmetric};
use pass::Pass;

/// Largest step that counts as none, log-odds. Source: STATISTICS 2.
const STEP_TOLERANCE: f64 = 1e-6;
/// Largest change of a log variance that counts as none. Source: STATISTICS 2.
const SCALE_TOLERANCE: f64 = 1e-3;
/// Bound on the Newton steps between two pins. Source: STATISTICS 2; 15 are usual.
const STEPS_MAX: u32 = 200;
/// Bound on the halvings of one step: the step is below 1e-12 of itself then.
const HALVINGS_MAX: u32 = 40;
/// Fall of the penalised log-likelihood that is rounding, not a fall. Our choice.
const ROUNDING: f64 = 1e-10;
/// Support below which a fall is taken for noise. Source: STATISTICS 2, soft monotone rule.
const FALL_SUPPORT: f64 = 0.95;

/// A normal prior over all coefficients, as mean and precision.
#[derive(Debug, Clone, PartialEq)]
pub struct Gaussian {
    /// Mean of each coefficient.
    pub mean: Vec<f64>,
    /// Inverse covariance; all zeros is a flat prior.
    pub precision: Symmetric,
}

impl Gaussian {
    /// A prior that says nothing about `columns` coefficients.
    #[must_use]
    pub fn flat(columns: usize) -> Self {
        Self {
            mean: vec![0.0; columns],
            precision: Symmetric::zeros(columns),
        }
    }
}

/// Random intercepts that share one standard deviation, which the data help to find.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group {
    /// First column.
    pub first: usize,
    /// Number of columns.
    pub len: usize,
    /// Standard deviation before data.
    pub prior_sd: f64,
    /// Degrees of freedom that it weighs.
    pub weight: f64,
}

/// What is fitted, apart from the rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Prior of all coefficients; the columns of groups are 0 in it.
    pub prior: Gaussian,
    /// Random intercepts.
    pub groups: Vec<Group>,
    /// Columns whose coefficient should not be negative unless the data confirm it.
    pub rising: Vec<usize>,
}

/// Where a fit starts; the result differs only within the tolerances.
#[derive(Debug, Clone, PartialEq)]
pub struct Start {
    /// One coefficient a column.
    pub coefficients: Vec<f64>,
    /// One standard deviation a group.
    pub group_sd: Vec<f64>,
    /// Steps below this keep the curvature of the rows, which changes by a share of that size;
    /// 0 reads it anew each time.
    pub keep_curvature_below: f64,
}

/// Mode of the posterior with its Laplace covariance.
#[derive(Debug, Clone, PartialEq)]
pub struct Solution {
    /// One coefficient a column.
    pub coefficients: Vec<f64>,
    /// Covariance of the coefficients; zeros for a pinned one.
    pub covariance: Symmetric,
    /// One standard deviation a group.
    pub group_sd: Vec<f64>,
    /// Columns held at 0, ascending.
    pub pinned: Vec<usize>,
    /// Newton steps in all.
    pub iterations: u32,
    /// False when a bound was reached before the tolerances.
    pub converged: bool,
    /// Log-likelihood of the rows, at most one last step of 1e-6 before the mode.
    pub log_likelihood: f64,
}

/// The rows and the prior leave some direction without information.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the outcomes and the prior do not determine every coefficient")]
pub struct Undetermined;

impl Model {
    /// The start before any data: prior means, groups at 0 with their prior scales.
    #[must_use]
    pub fn cold_start(&self) -> Start {
        Start {
            coefficients: self.prior.mean.clone(),
            group_sd: self.groups.iter().map(|group| group.prior_sd).collect(),
            keep_curvature_below: 0.0,
        }
    }

    /// Finds mode, covariance and group scales.
    ///
    /// The covariance is the one of the last step, at most 1e-6 from the mode.
    /// Source: STATISTICS 2 (fit, soft monotone rule).
    ///
    /// # Errors
    /// `Undetermined` when a flat direction of the prior meets rows that say nothing about it.
    pub fn solve(&self, rows: &Rows, start: Start) -> Result<Solution, Undetermined> {
        let mut search = Search::new(self, rows, start);
        let mut converged = true;
        loop {
            let inverted = search.settle(&mut converged)?;
            let variances = inverted.diagonal();
            let Some(column) = search.least_supported_fall(&variances) else {
                return Ok(search.finish(&inverted, converged));
            };
            search.pin(column);
        }
    }
}

/// State of a fit between steps.
struct Search<'a> {
    model: &'a Model,
    rows: &'a Rows,
    coefficients: Vec<f64>,
    variances: Vec<f64>,
    pinned: Vec<usize>,
    keep_curvature_below: f64,
    /// Log-likelihood, gradient and curvature of the rows at `coefficients`.
    pass: Pass,
    iterations: u32,
}

impl<'a> Search<'a> {
    fn new(model: &'a Model, rows: &'a Rows, start: Start) -> Self {
        let columns = model.prior.mean.len();
        let mut coefficients = start.coefficients;
        coefficients.resize(columns, 0.0);
        let pass = Pass::over(rows, &coefficients);
        Self {
            model,
            rows,
            coefficients,
            variances: start.group_sd.iter().map(|sd| sd * sd).collect(),
            pinned: Vec::new(),
            keep_curvature_below: start.keep_curvature_below,
            pass,
            iterations: 0,
        }
    }

    /// Prior precision with the current group scales, times the distance from the prior mean.
    fn pull(&self, coefficients: &[f64]) -> Vec<f64> {
        let away: Vec<f64> = coefficients
            .iter()
            .zip(&self.model.prior.mean)
            .map(|(b, mean)| b - mean)
            .collect();
        let mut pull = self.model.prior.precision.times(&away);
        for (group, variance) in self.model.groups.iter().zip(&self.variances) {
            let cells = pull.iter_mut().zip(&away).skip(group.first).take(group.len);
            for (cell, b) in cells {
                *cell += b / variance;
            }
        }
        pull
    }

    /// Log-likelihood less the penalty of the prior.
    fn penalised(&self, log_likelihood: f64, coefficients: &[f64]) -> f64 {
        let pull = self.pull(coefficients);
        let distances = coefficients.iter().zip(&self.model.prior.mean);
        let penalty: f64 = distances
            .zip(&pull)
            .map(|((b, mean), pull)| (b - mean) * pull)
            .sum();
        log_likelihood - 0.5 * penalty
    }

    /// Negative second derivative of the penalised log-likelihood, factored.
    fn curvature(&self) -> Result<Factor, Undetermined> {
        let mut curvature = self.pass.curvature.clone();
        curvature.add(&self.model.prior.precision);
        for (group, variance) in self.model.groups.iter().zip(&self.variances) {
            for column in group.first..group.first + group.len {
                curvature.set(
                    column,
                    column,
                    curvature.get(column, column) + 1.0 / variance,
                );
            }
        }
        for column in &self.pinned {
            curvature.isolate(*column);
        }
        curvature.cholesky().ok_or(Undetermined)
    }

    /// Steps until nothing moves; gives the root of the covariance of the last step.
    fn settle(&mut self, converged: &mut bool) -> Result<Inverted, Undetermined> {
        let mut step = 1;
        loop {
            let factor = self.curvature()?;
            let moved = self.step(&factor);
            let inverted = factor.invert();
            let changed = self.rescale(&inverted.diagonal());
            self.iterations = self.iterations.saturating_add(1);
            let settled = moved < STEP_TOLERANCE && changed < SCALE_TOLERANCE;
            if settled || step >= STEPS_MAX {
                *converged &= settled;
                return Ok(inverted);
            }
            if moved < STEP_TOLERANCE {
                self.pass = self.read(&self.coefficients, moved);
            }
            step += 1;
        }
    }

    /// Reads the rows at coefficients that lie `step` away from those of the last reading.
    fn read(&self, coefficients: &[f64], step: f64) -> Pass {
        if step < self.keep_curvature_below {
            return self.pass.again(self.rows, coefficients);
        }
        Pass::over(self.rows, coefficients)
    }

    /// Takes one Newton step, halved until the penalised log-likelihood does not fall.
    ///
    /// Gives the largest change of a coefficient; 0 when no step helps.
    fn step(&mut self, factor: &Factor) -> f64 {
        let pull = self.pull(&self.coefficients);
        let mut slope: Vec<f64> = self
            .pass
            .gradient
            .iter()
            .zip(&pull)
            .map(|(gradient, pull)| gradient - pull)
            .collect();
        for column in &self.pinned {
            if let Some(cell) = slope.get_mut(*column) {
                *cell = 0.0;
            }
        }
        let full = factor.solve(&slope);
        let largest = full.iter().map(|step| step.abs()).fold(0.0, f64::max);
        if largest < STEP_TOLERANCE {
            // Too small for the likelihood to tell: the rows are read again only if a scale moved.
            for (b, step) in self.coefficients.iter_mut().zip(&full) {
                *b += step;
            }
            return largest;
        }
        let before = self.penalised(self.pass.log_likelihood, &self.coefficients);
        let mut share = 1.0;
        for _ in 0..HALVINGS_MAX {
            let next: Vec<f64> = self
                .coefficients
                .iter()
                .zip(&full)
                .map(|(b, step)| b + share * step)
                .collect();
            let pass = self.read(&next, share * largest);
            if self.penalised(pass.log_likelihood, &next) >= before - ROUNDING {
                self.pass = pass;
                self.coefficients = next;
                return share * largest;
            }
            share *= 0.5;
        }
        0.0
    }

    /// Takes the group scales from the coefficients; gives the largest change of a log variance.
    fn rescale(&mut self, posterior: &[f64]) -> f64 {
        let mut largest = 0.0_f64;
        for (group, variance) in self.model.groups.iter().zip(&mut self.variances) {
            let within = |values: &[f64]| -> Vec<f64> {
                values
                    .iter()
                    .skip(group.first)
                    .take(group.len)
                    .copied()
                    .collect()
            };
            let squares: f64 = within(&self.coefficients).iter().map(|u| u * u).sum();
            let trace: f64 = within(posterior).iter().sum();
            let effective = (group.len as f64 - trace / *variance).max(0.0);
            let prior = group.weight * group.prior_sd * group.prior_sd;
            let next = (squares + prior) / (effective + group.weight);
            largest = largest.max(libm::log(next / *variance).abs());
            *variance = next;
        }
        largest
    }

    /// The fall that the data support least, among those they do not confirm.
    fn least_supported_fall(&self, variances: &[f64]) -> Option<usize> {
        let mut least: Option<(f64, usize)> = None;
        for column in &self.model.rising {
            let (Some(b), Some(variance)) =
                (self.coefficients.get(*column), variances.get(*column))
            else {
                continue;
            };
            if *b >= 0.0 || self.pinned.contains(column) {
                continue;
            }
            let support = normal::cdf(-b / libm::sqrt(*variance));
            if support < FALL_SUPPORT && least.is_none_or(|(lowest, _)| support < lowest) {
                least = Some((support, *column));
            }
        }
        least.map(|(_, column)| column)
    }

    /// Holds a coefficient at 0 from now on: the prior is conditioned on it.
    fn pin(&mut self, column: usize) {
        self.pinned.push(column);
        self.pinned.sort_unstable();
        if let Some(b) = self.coefficients.get_mut(column) {
            *b = 0.0;
        }
        self.pass = Pass::over(self.rows, &self.coefficients);
    }

    fn finish(self, inverted: &Inverted, converged: bool) -> Solution {
        let mut covariance = inverted.inverse();
        for column in &self.pinned {
            covariance.isolate(*column);
            covariance.set(*column, *column, 0.0);
        }
        Solution {
            coefficients: self.coefficients,
            covariance,
            group_sd: self
                .variances
                .iter()
                .map(|variance| libm::sqrt(*variance))
                .collect(),
            pinned: self.pinned,
            iterations: self.iterations,
            converged,
            log_likelihood: self.pass.log_likelihood,
        }
    }
}
