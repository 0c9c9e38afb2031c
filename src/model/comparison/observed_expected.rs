//! Observed over expected recoveries, with exact Poisson and Byar limits.

use crate::model::{gamma, normal};

/// Largest observed count that is answered.
const OBSERVED_MAX: u64 = 10_000_000;

/// Both ends of an interval.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Limits {
    /// Lower end.
    pub lower: f64,
    /// Upper end.
    pub upper: f64,
}

/// Observed recoveries against those that the cases promised.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ObservedExpected {
    /// Recoveries counted.
    pub observed: u64,
    /// Sum of the chances without the shop's own effect.
    pub expected: f64,
    /// Observed / expected: above 1, more than its cases promised.
    pub ratio: f64,
    /// Limits of the ratio by the exact Poisson distribution.
    pub exact: Limits,
    /// Byar's approximation of the same.
    pub byar: Limits,
    /// Nominal coverage, a share between 0 and 1.
    pub level: f64,
}

/// Compares a count with its expectation.
///
/// Poisson limits are wider than the truth when chances are high; the funnel uses the exact
/// distribution of the sum instead. `None` when nothing was expected, the level is not strictly
/// between 0 and 1, or the count exceeds ten million.
///
/// Source: Breslow and Day 1987, vol. II, ch. 2 (from memory); checked against R qchisq.
///
/// # Examples
/// ```
/// use restvolt::model::comparison::observed_expected::observed_expected;
/// let shop = observed_expected(60, 48.3, 0.95).unwrap();
/// assert!(shop.exact.lower < 1.0 && 1.0 < shop.exact.upper);
/// ```
#[must_use]
pub fn observed_expected(observed: u64, expected: f64, level: f64) -> Option<ObservedExpected> {
    let is_level = level > 0.0 && level < 1.0;
    let is_expected = expected > 0.0 && expected.is_finite();
    if !is_level || !is_expected || observed > OBSERVED_MAX {
        return None;
    }
    let count = observed as f64;
    let tail = 0.5 * (1.0 - level);
    let z = -normal::quantile(tail);
    let lower = if observed == 0 {
        0.0
    } else {
        gamma::inverse(count, tail)
    };
    let byar = |count: f64, z: f64| {
        let root = 1.0 - 1.0 / (9.0 * count) + z / (3.0 * libm::sqrt(count));
        count * root * root * root
    };
    let byar_lower = if observed == 0 { 0.0 } else { byar(count, -z) };
    Some(ObservedExpected {
        observed,
        expected,
        ratio: count / expected,
        exact: Limits {
            lower: lower / expected,
            upper: gamma::inverse(count + 1.0, 1.0 - tail) / expected,
        },
        byar: Limits {
            lower: byar_lower.max(0.0) / expected,
            upper: byar(count + 1.0, z) / expected,
        },
        level,
    })
}
