//! How many of a set of attempts recover when each has its own chance: the Poisson-binomial law.

use crate::model::normal;

/// Attempts up to which the law is worked out exactly; beyond it the normal law is used.
///
/// Source: STATISTICS 7. Larger costs time with the square of the number.
pub const EXACT_COUNT_MAX: usize = 2000;

/// Distribution of the number of recoveries.
#[derive(Debug, Clone, PartialEq)]
pub struct ChanceSum {
    count: u64,
    mean: f64,
    variance: f64,
    /// Chance of at most k recoveries for each k; `None` when the normal law stands in.
    cumulative: Option<Vec<f64>>,
    /// Chance of exactly k recoveries, as long as `cumulative`.
    exactly: Vec<f64>,
}

impl ChanceSum {
    /// Works out the law for attempts with these chances, each 0 to 1.
    ///
    /// Chances outside count as the nearer end. Exact up to [`EXACT_COUNT_MAX`] attempts.
    #[must_use]
    pub fn new(chances: &[f64]) -> Self {
        let chances: Vec<f64> = chances.iter().map(|p| p.clamp(0.0, 1.0)).collect();
        let mut exactly = Vec::new();
        if chances.len() <= EXACT_COUNT_MAX {
            exactly.reserve_exact(chances.len() + 1);
            exactly.push(1.0);
            for p in &chances {
                convolve(&mut exactly, *p);
            }
        }
        let sums = exactly.iter().scan(0.0, |sum: &mut f64, mass| {
            *sum += mass;
            Some(sum.min(1.0))
        });
        let cumulative: Vec<f64> = sums.collect();
        Self {
            count: chances.len() as u64,
            mean: chances.iter().sum(),
            variance: chances.iter().map(|p| p * (1.0 - p)).sum(),
            cumulative: (!exactly.is_empty()).then_some(cumulative),
            exactly,
        }
    }

    /// Number of attempts.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Expected number of recoveries.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.mean
    }

    /// Variance of the number of recoveries.
    #[must_use]
    pub fn variance(&self) -> f64 {
        self.variance
    }

    /// True when the law is exact, not the normal one.
    #[must_use]
    pub fn is_exact(&self) -> bool {
        self.cumulative.is_some()
    }

    /// Chance of exactly `k` recoveries.
    #[must_use]
    pub fn exactly(&self, k: u64) -> f64 {
        match &self.cumulative {
            Some(_) => at(&self.exactly, k).unwrap_or(0.0),
            None => self.normal(k) - k.checked_sub(1).map_or(0.0, |below| self.normal(below)),
        }
    }

    /// Chance of at most `k` recoveries.
    #[must_use]
    pub fn at_most(&self, k: u64) -> f64 {
        if k >= self.count {
            return 1.0;
        }
        match &self.cumulative {
            Some(sums) => at(sums, k).unwrap_or(1.0),
            None => self.normal(k),
        }
    }

    /// Normal law with the half added for whole numbers.
    fn normal(&self, k: u64) -> f64 {
        if k >= self.count {
            return 1.0;
        }
        normal::cdf((k as f64 + 0.5 - self.mean) / libm::sqrt(self.variance))
    }

    /// Two-sided chance of a count at least as far out as `k`, with half of its own chance.
    ///
    /// The mid-p value: twice the smaller tail, at most 1.
    #[must_use]
    pub fn mid_p(&self, k: u64) -> f64 {
        let here = self.exactly(k);
        let upto = self.at_most(k);
        let lower = upto - 0.5 * here;
        let upper = 1.0 - upto + 0.5 * here;
        (2.0 * lower.min(upper)).min(1.0)
    }

    /// Standard normal score of a count: the `z` with the count's lower mid-p below it.
    ///
    /// For the dispersion of many shops; kept within 8 where a tail is too small to tell.
    #[must_use]
    pub fn score(&self, k: u64) -> f64 {
        let here = self.exactly(k);
        let upto = self.at_most(k);
        let lower = upto - 0.5 * here;
        let upper = 1.0 - upto + 0.5 * here;
        let z = if lower < upper {
            normal::quantile(lower.max(0.0))
        } else {
            -normal::quantile(upper.max(0.0))
        };
        z.clamp(-8.0, 8.0)
    }

    /// Smallest number of recoveries that is not exceeded with a chance of at least `q`.
    #[must_use]
    pub fn quantile(&self, q: f64) -> u64 {
        smallest(self.count, |k| self.at_most(k) >= q)
    }
}

/// Smallest number up to `most` for which a condition that stays true holds; `most` if none.
pub(super) fn smallest(most: u64, holds: impl Fn(u64) -> bool) -> u64 {
    let (mut low, mut high) = (0, most);
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    low
}

/// Adds one attempt to the law of the number of recoveries.
fn convolve(exactly: &mut Vec<f64>, p: f64) {
    exactly.push(0.0);
    let mut below = 0.0;
    for mass in exactly {
        let here = *mass;
        *mass = here * (1.0 - p) + below * p;
        below = here;
    }
}

/// Entry of a list by a count.
fn at(list: &[f64], k: u64) -> Option<f64> {
    list.get(usize::try_from(k).ok()?).copied()
}
