//! Second attempts: the chance of a battery whose first charge did not bring it back.
//!
//! A small logistic model of its own, for a second charge is no fresh draw: what the first showed counts,
//! and what was known before it counts less. Learned from the group's second attempts, which no other model
//! sees; a belief until there are enough. Design: STATISTICS 1 (re-attempts are analyzed apart).

use super::logistic::{Gaussian, Model, Rows, Solution, Undetermined};
use super::normal;
use super::predict::{LEVEL, Z_90};
use super::standing::{Record, Reserve, reserves};

/// Version of columns and prior, part of every answer.
pub const VERSION: &str = "again-1";

/// Columns: 1, log-odds before the first charge, rested voltage after it, came back in part.
const COLUMNS: usize = 4;
/// Voltage the intercept speaks of, V of six cells: about three quarters charged.
const REFERENCE_V: f64 = 12.4;
/// Rested voltages below and above are taken for these, V of six cells: below, cells are lost, and more so
/// says nothing; above, it is charged.
const RANGE_V: (f64, f64) = (10.5, 12.9);
/// Variance of the log-odds beside that of the coefficients: batteries differ in what nobody wrote down.
/// That of the first-attempt model at its prior. Our choice.
const LACK_OF_FIT: f64 = 0.2;

/// Prior means and deviations. Our choice, no data: of two like batteries of which one failed a night and
/// rests at 12.4 V, it comes back in about one of five tries; what was known before counts half; 0.3 V more
/// after the rest is worth about a third of a log-odds; having come back in part nearly two thirds.
const PRIOR: [(f64, f64); COLUMNS] = [(-1.3, 0.8), (0.5, 0.25), (1.2, 0.6), (0.6, 0.4)];

/// What is known on the morning after a first charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Morning {
    /// Log-odds of recovery before the first charge, without that charge's own outcome.
    pub before: f64,
    /// Rested voltage after it, V of six cells.
    pub v12: f64,
    /// The first charge brought it back in part.
    pub partly: bool,
}

impl Morning {
    fn columns(&self) -> [f64; COLUMNS] {
        let (low, high) = RANGE_V;
        [
            1.0,
            self.before,
            self.v12.clamp(low, high) - REFERENCE_V,
            f64::from(u8::from(self.partly)),
        ]
    }
}

/// A second attempt that is settled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Second {
    /// What was known when it began.
    pub morning: Morning,
    /// It came back.
    pub recovered: bool,
}

/// What second attempts taught.
#[derive(Debug, Clone, PartialEq)]
pub struct AgainModel {
    solution: Solution,
    recovered: u64,
    failed: u64,
}

/// What the model says of one second attempt. Probabilities 0 to 1, `lower <= mean <= upper`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AgainChance {
    /// Expected probability.
    pub mean: f64,
    /// Lower end of the range.
    pub lower: f64,
    /// Upper end of the range.
    pub upper: f64,
    /// Probability inside the range.
    pub level: f64,
    /// Worth about this many similar batteries.
    pub n_eq: f64,
    /// Second attempts of the group that came back.
    pub recovered: u64,
    /// Second attempts of the group whose outcome is known.
    pub n: u64,
    /// Too few of them: belief more than evidence, to be shown in steps of 10 %.
    pub belief_only: bool,
}

impl AgainModel {
    /// Learns from second attempts; their order moves the last bits only: hand them in a fixed one.
    ///
    /// # Errors
    /// `Undetermined` when a number is none.
    pub fn learn(past: &[Second]) -> Result<Self, Undetermined> {
        let mut prior = Gaussian::flat(COLUMNS);
        for (column, (mean, sd)) in PRIOR.iter().enumerate() {
            if let Some(cell) = prior.mean.get_mut(column) {
                *cell = *mean;
            }
            prior.precision.set(column, column, 1.0 / (sd * sd));
        }
        let mut rows = Rows::with_capacity(past.len());
        for one in past {
            let entries = one.morning.columns().into_iter().enumerate();
            rows.push(entries, f64::from(u8::from(one.recovered)));
        }
        let model = Model {
            prior,
            groups: Vec::new(),
            rising: Vec::new(),
        };
        let solution = model.solve(&rows, model.cold_start())?;
        let recovered = past.iter().filter(|one| one.recovered).count() as u64;
        Ok(Self {
            solution,
            recovered,
            failed: past.len() as u64 - recovered,
        })
    }

    /// Chance that one more charge brings the battery back.
    #[must_use]
    pub fn chance(&self, morning: &Morning) -> AgainChance {
        let entries: Vec<(usize, f64)> = morning.columns().into_iter().enumerate().collect();
        let weights = &self.solution.coefficients;
        let terms = entries
            .iter()
            .map(|(column, x)| x * weights.get(*column).copied().unwrap_or(0.0));
        let eta: f64 = terms.sum();
        let sd = libm::sqrt(self.solution.covariance.form(&entries).max(0.0) + LACK_OF_FIT);
        let normal::Moments { mean, variance } = normal::logistic_normal(eta, sd);
        let record = Record {
            recovered: self.recovered,
            failed: self.failed,
            ..Record::default()
        };
        AgainChance {
            mean,
            lower: normal::logistic(eta - Z_90 * sd).min(mean),
            upper: normal::logistic(eta + Z_90 * sd).max(mean),
            level: LEVEL,
            n_eq: mean * (1.0 - mean) / variance.max(f64::MIN_POSITIVE) - 1.0,
            recovered: self.recovered,
            n: self.recovered + self.failed,
            belief_only: reserves(&record).contains(&Reserve::BeliefOnly),
        }
    }

    /// Rested voltage from which one more charge has at least this chance, V of six cells; `None` when no
    /// voltage in the range has.
    #[must_use]
    pub fn voltage_for(&self, morning: &Morning, chance: f64) -> Option<f64> {
        let (low, high) = RANGE_V;
        let at = |v12| self.chance(&Morning { v12, ..*morning }).mean;
        if at(high) < chance {
            return None;
        }
        let (mut below, mut above) = (low, high);
        // Halved to less than a millivolt.
        for _ in 0..12 {
            let middle = f64::midpoint(below, above);
            if at(middle) < chance {
                below = middle;
            } else {
                above = middle;
            }
        }
        Some(above)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const USUAL: Morning = Morning {
        before: 0.0,
        v12: 12.4,
        partly: false,
    };

    fn times(count: usize, morning: Morning, recovered: bool) -> Vec<Second> {
        vec![Second { morning, recovered }; count]
    }

    #[test]
    fn without_a_second_attempt_the_prior_speaks_and_says_so() {
        let model = AgainModel::learn(&[]).unwrap();
        let found = model.chance(&USUAL);
        // By hand: log-odds -1.3 with variance .64 + .2; E of the logistic by its 15 points is .25.
        assert!((found.mean - 0.25).abs() < 0.01, "{found:?}");
        assert!(found.belief_only && found.n == 0 && found.n_eq < 10.0);
        assert!(found.lower < 0.1 && found.upper > 0.5);
    }

    #[test]
    fn second_attempts_that_fail_or_come_back_move_the_chance_and_narrow_it() {
        let before = AgainModel::learn(&[]).unwrap().chance(&USUAL);
        let poor = AgainModel::learn(&times(40, USUAL, false))
            .unwrap()
            .chance(&USUAL);
        assert!(poor.mean < 0.10, "{poor:?}");
        assert!(poor.belief_only, "none of either kind");
        let mut mixed = times(30, USUAL, true);
        mixed.extend(times(10, USUAL, false));
        let good = AgainModel::learn(&mixed).unwrap().chance(&USUAL);
        assert!((good.mean - 0.68).abs() < 0.05, "{good:?}");
        assert!(!good.belief_only && (good.recovered, good.n) == (30, 40));
        assert!(good.upper - good.lower < before.upper - before.lower);
    }

    #[test]
    fn the_voltage_that_turns_an_answer_round_is_found() {
        let model = AgainModel::learn(&[]).unwrap();
        let needed = model.voltage_for(&USUAL, 0.3).unwrap();
        let at = |v12| model.chance(&Morning { v12, ..USUAL }).mean;
        assert!(at(needed) >= 0.3 && at(needed - 0.002) < 0.3, "{needed}");
        assert_eq!(model.voltage_for(&USUAL, 0.95), None);
    }

    proptest! {
        #[test]
        fn by_belief_more_voltage_hope_and_recovery_never_lower_the_chance(
            before in -4.0f64..4.0, v12 in 10.0f64..13.0, step in 0.0f64..1.0
        ) {
            let model = AgainModel::learn(&[]).unwrap();
            let here = Morning { before, v12, partly: false };
            let chance = |morning: Morning| model.chance(&morning);
            let found = chance(here);
            prop_assert!(found.lower <= found.mean && found.mean <= found.upper);
            for better in [
                Morning { v12: v12 + step, ..here },
                Morning { partly: true, ..here },
            ] {
                prop_assert!(chance(better).upper >= found.upper - 1e-12);
            }
        }
    }
}
