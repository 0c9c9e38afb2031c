//! Intervals for a share counted as y of n: Jeffreys, Wilson, Clopper-Pearson, and the bounds for
//! none and all.
//!
//! Every function answers `None` where there is nothing to estimate: n is 0 or above 5e11, y
//! exceeds n, or the level is not strictly between 0 and 1. An interval that exists is inside
//! 0..=1 with lower at most upper.

use super::{beta, normal};
use crate::record::words::vocabulary;

vocabulary! {
    /// How the interval of a counted share is made.
    IntervalMethod {
        /// Equal tails of beta(y + 1/2, n - y + 1/2); the usual choice.
        Jeffreys = "jeffreys",
        /// Inverted score test.
        Wilson = "wilson",
        /// Inverted exact test: covers at least its level, so it is wider. For a guarantee.
        ClopperPearson = "clopper_pearson",
    }
}

/// An interval for a share.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Interval {
    /// Lower end, a share from 0 to 1.
    pub lower: f64,
    /// Upper end, a share from 0 to 1.
    pub upper: f64,
    /// Nominal coverage, a share between 0 and 1.
    pub level: f64,
}

impl IntervalMethod {
    /// Gives this method's interval for `y` of `n`; see the function of the same name.
    #[must_use]
    pub fn interval(self, y: u64, n: u64, level: f64) -> Option<Interval> {
        match self {
            Self::Jeffreys => jeffreys(y, n, level),
            Self::Wilson => wilson(y, n, level),
            Self::ClopperPearson => clopper_pearson(y, n, level),
        }
    }
}

/// Gives the equal-tailed Jeffreys interval.
///
/// Edge rule of Brown, Cai and `DasGupta` 2001, Statistical Science 16:101: none of n has lower
/// end 0, all of n has upper end 1. Checked on `tests/data/stats_intervals.csv` to 1e-9.
///
/// # Examples
/// ```
/// let interval = restvolt::model::interval::jeffreys(15, 148, 0.80).unwrap();
/// assert!((interval.lower - 0.073_372_702_6).abs() < 1e-9);
/// assert!((interval.upper - 0.136_976_879_6).abs() < 1e-9);
/// ```
#[must_use]
pub fn jeffreys(y: u64, n: u64, level: f64) -> Option<Interval> {
    let (hits, misses) = counts(y, n, level)?;
    let tail = 0.5 * (1.0 - level);
    Some(Interval {
        lower: if y == 0 {
            0.0
        } else {
            beta::inverse(hits + 0.5, misses + 0.5, tail)
        },
        upper: if y == n {
            1.0
        } else {
            beta_upper(hits + 0.5, misses + 0.5, tail)
        },
        level,
    })
}

/// Gives the Wilson score interval, without continuity correction.
///
/// Source: Newcombe 1998, Stat Med 17:857, method 3; checked on his Table I and against two
/// libraries in `tests/data/stats_intervals.csv` to 1e-9.
#[must_use]
pub fn wilson(y: u64, n: u64, level: f64) -> Option<Interval> {
    let (hits, misses) = counts(y, n, level)?;
    let total = hits + misses;
    let z = -normal::quantile(0.5 * (1.0 - level));
    let square = z * z;
    let root = z * libm::sqrt(square + 4.0 * hits * misses / total);
    let scale = 2.0 * (total + square);
    Some(Interval {
        lower: if y == 0 {
            0.0
        } else {
            (2.0 * hits + square - root) / scale
        },
        upper: if y == n {
            1.0
        } else {
            (2.0 * hits + square + root) / scale
        },
        level,
    })
}

/// Gives the exact interval of Clopper and Pearson, which covers at least its level.
///
/// Source: Newcombe 1998, Stat Med 17:857, method 5; checked on his Table I and against two
/// libraries in `tests/data/stats_intervals.csv` to 1e-9.
#[must_use]
pub fn clopper_pearson(y: u64, n: u64, level: f64) -> Option<Interval> {
    let (hits, misses) = counts(y, n, level)?;
    let tail = 0.5 * (1.0 - level);
    Some(Interval {
        lower: if y == 0 {
            0.0
        } else {
            beta::inverse(hits, misses + 1.0, tail)
        },
        upper: if y == n {
            1.0
        } else {
            beta_upper(hits + 1.0, misses, tail)
        },
        level,
    })
}

/// Gives the exact one-sided upper bound for a share when none of `n` had it.
///
/// `1 - (1 - confidence)^(1/n)`: with 95 % confidence close to the rule of three, 3/n. The bound
/// for all of n is `1 -` this one.
#[must_use]
pub fn upper_bound_for_none(n: u64, confidence: f64) -> Option<f64> {
    let (_, misses) = counts(0, n, confidence)?;
    Some(-libm::expm1(libm::log1p(-confidence) / misses))
}

/// Point that a beta variable exceeds with probability `tail`, without rounding `1 - tail`.
fn beta_upper(a: f64, b: f64, tail: f64) -> f64 {
    1.0 - beta::inverse(b, a, tail)
}

/// Both counts as numbers, or `None` when there is no interval.
fn counts(y: u64, n: u64, level: f64) -> Option<(f64, f64)> {
    let misses = n.checked_sub(y)?;
    let is_level = level > 0.0 && level < 1.0;
    (n > 0 && is_level && n as f64 <= 0.5 * beta::SHAPE_MAX).then_some((y as f64, misses as f64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Source: statsmodels 0.15 (columns 5 and 6) and R 4.2.2 (columns 7 and 8).
    const REFERENCE: &str = include_str!("../../tests/data/stats_intervals.csv");
    // Source: Newcombe 1998, Stat Med 17:857, Table I, 95 %, four decimals.
    const PUBLISHED: &str = include_str!("../../tests/data/stats_newcombe1998_published.csv");

    #[test]
    fn all_methods_agree_with_two_independent_libraries() {
        let mut row_count = 0;
        for line in REFERENCE.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let number = |index: usize| cells[index].parse::<f64>().unwrap();
            let method = IntervalMethod::find(cells[3]).unwrap();
            let (y, n) = (cells[0].parse().unwrap(), cells[1].parse().unwrap());
            let found = method.interval(y, n, number(2)).unwrap();
            for (end, column) in [
                (found.lower, 4),
                (found.upper, 5),
                (found.lower, 6),
                (found.upper, 7),
            ] {
                assert!((end - number(column)).abs() < 1e-9, "{line} {found:?}");
            }
            row_count += 1;
        }
        assert_eq!(row_count, 192);
    }

    #[test]
    fn the_published_table_is_met_to_its_four_decimals() {
        let mut row_count = 0;
        for line in PUBLISHED.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let (y, n) = (cells[0].parse().unwrap(), cells[1].parse().unwrap());
            let by_score = wilson(y, n, 0.95).unwrap();
            let exact = clopper_pearson(y, n, 0.95).unwrap();
            let found = [by_score.lower, by_score.upper, exact.lower, exact.upper];
            for (end, expected) in found.iter().zip(&cells[2..]) {
                let expected: f64 = expected.parse().unwrap();
                assert!((end - expected).abs() <= 5e-5, "{line} {end}");
            }
            row_count += 1;
        }
        assert_eq!(row_count, 5);
    }

    #[test]
    fn nothing_counted_gives_no_interval() {
        for method in IntervalMethod::ALL {
            assert_eq!(method.interval(0, 0, 0.9), None);
            assert_eq!(method.interval(4, 3, 0.9), None);
            assert_eq!(method.interval(1, 3, 0.0), None);
            assert_eq!(method.interval(1, 3, 1.0), None);
            assert_eq!(method.interval(1, 3, f64::NAN), None);
            assert_eq!(method.interval(1, u64::MAX, 0.9), None);
        }
        assert_eq!(upper_bound_for_none(0, 0.95), None);
    }

    #[test]
    fn none_of_30_is_below_the_exact_bound_and_near_the_rule_of_three() {
        // 1 - 0.05^(1/30), mpmath: 0.0950338528553041.
        let exact = upper_bound_for_none(30, 0.95).unwrap();
        assert!((exact - 0.095_033_852_855_304_1).abs() < 1e-15, "{exact}");
        for n in [20_u64, 30, 100, 1000, 1_000_000] {
            let ratio = upper_bound_for_none(n, 0.95).unwrap() * n as f64 / 3.0;
            assert!((0.92..1.0).contains(&ratio), "{n} {ratio}");
        }
    }

    #[test]
    fn the_bound_for_none_is_the_upper_end_of_the_exact_90_percent_interval() {
        for n in [1, 5, 30, 2000] {
            let exact = clopper_pearson(0, n, 0.90).unwrap().upper;
            assert!((upper_bound_for_none(n, 0.95).unwrap() - exact).abs() < 1e-14);
        }
    }

    /// y of n for n up to a largest one.
    fn counted(n_max: u64) -> impl Strategy<Value = (u64, u64)> {
        (1..=n_max).prop_flat_map(|n| (0..=n, Just(n)))
    }

    proptest! {
        #[test]
        fn intervals_hold_the_rate_and_mirror_when_outcomes_are_swapped(
            (y, n) in counted(5000), level in 0.05..0.999_f64,
        ) {
            let rate = y as f64 / n as f64;
            for method in IntervalMethod::ALL {
                let found = method.interval(y, n, level).unwrap();
                let swapped = method.interval(n - y, n, level).unwrap();
                prop_assert!(0.0 <= found.lower && found.upper <= 1.0);
                prop_assert!((found.lower + swapped.upper - 1.0).abs() < 1e-12);
                if *method != IntervalMethod::Jeffreys || level > 0.5 {
                    prop_assert!(found.lower <= rate && rate <= found.upper, "{:?}", found);
                }
            }
        }

        #[test]
        fn the_exact_interval_contains_the_usual_one((y, n) in counted(3000)) {
            let exact = clopper_pearson(y, n, 0.9).unwrap();
            let usual = jeffreys(y, n, 0.9).unwrap();
            prop_assert!(exact.lower <= usual.lower + 1e-12 && usual.upper <= exact.upper + 1e-12);
        }
    }
}
