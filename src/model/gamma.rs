//! The regularized incomplete gamma function and its inverse: Poisson and chi-square quantiles.
//!
//! Both always end: every loop has a bound. The tests hold shapes from 0.1 to 1e6 to a relative
//! error of 1e-12 in either tail.

use super::beta::{power_term, stirling_error};
use super::continued::Fraction;
use super::normal::{self, LN_SQRT_TWO_PI};

/// Largest shape that is answered. A larger one would not converge within the bound on steps.
pub const SHAPE_MAX: f64 = 1e8;

/// Steps of the series or fraction at most: about 8 roots of [`SHAPE_MAX`] are needed near the mean.
const STEPS_MAX: u32 = 400_000;

/// Steps of the inverse at most; bisection alone needs 60.
const INVERSE_STEPS_MAX: u32 = 120;

/// Logarithm of the smallest positive double: the low end of the search.
const LN_MIN: f64 = -744.0;

/// Both tails at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tails {
    /// Probability of at most the point.
    pub lower: f64,
    /// Probability of more than the point.
    pub upper: f64,
}

/// Gives both tails of a gamma variable with shape `a` and scale 1 at `x`.
///
/// NaN when `x` is NaN or the shape is not positive or exceeds [`SHAPE_MAX`].
///
/// Source: Abramowitz and Stegun 1964, 6.5.29 (series) and 6.5.31 (fraction); tests against mpmath.
///
/// # Examples
/// ```
/// // An exponential variable exceeds 1 with probability 1/e.
/// let tails = restvolt::model::gamma::tails(1.0, 1.0);
/// assert!((tails.upper - 0.367_879_441_171_442_3).abs() < 1e-15);
/// ```
#[must_use]
pub fn tails(a: f64, x: f64) -> Tails {
    if x.is_nan() || !is_shape(a) {
        return Tails {
            lower: f64::NAN,
            upper: f64::NAN,
        };
    }
    if x <= 0.0 {
        return Tails {
            lower: 0.0,
            upper: 1.0,
        };
    }
    if x == f64::INFINITY {
        return Tails {
            lower: 1.0,
            upper: 0.0,
        };
    }
    let weight = weight(a, x);
    if x < a + 1.0 {
        let lower = (weight * series(a, x)).clamp(0.0, 1.0);
        Tails {
            lower,
            upper: 1.0 - lower,
        }
    } else {
        let upper = (weight / fraction(a, x)).clamp(0.0, 1.0);
        Tails {
            lower: 1.0 - upper,
            upper,
        }
    }
}

/// Gives the `x` that a gamma variable with shape `a` and scale 1 stays below with probability `q`.
///
/// 0 for `q` of at most 0, infinite for `q` of at least 1. NaN when `q` is NaN or the shape is
/// not positive or exceeds [`SHAPE_MAX`].
#[must_use]
pub fn inverse(a: f64, q: f64) -> f64 {
    if q.is_nan() || !is_shape(a) {
        return f64::NAN;
    }
    if q <= 0.0 {
        return 0.0;
    }
    if q >= 1.0 {
        return f64::INFINITY;
    }
    let rest = 1.0 - q;
    let (mut low, mut high) = (LN_MIN, libm::log(a + 1.0) + 8.0);
    // Wilson and Hilferty's cube root for the start; near zero the leading power of the series.
    let cube = 1.0 - 1.0 / (9.0 * a) + normal::quantile(q) / (3.0 * libm::sqrt(a));
    let start = if cube > 0.3 {
        libm::log(a) + 3.0 * libm::log(cube)
    } else {
        (libm::log(q) + libm::lgamma(a + 1.0)) / a
    };
    let mut at = start.clamp(low, high);
    for _ in 0..INVERSE_STEPS_MAX {
        let x = libm::exp(at);
        let found = tails(a, x);
        let miss = libm::log(found.lower / q) - libm::log(found.upper / rest);
        if miss > 0.0 {
            high = at;
        } else {
            low = at;
        }
        let step = miss * (found.lower * found.upper / weight(a, x));
        let tolerance = 4.0 * f64::EPSILON * at.abs().max(1.0);
        let newton = at - step;
        if step.abs() <= tolerance || high - low <= tolerance {
            at = newton.clamp(low, high);
            break;
        }
        at = if newton > low && newton < high {
            newton
        } else {
            f64::midpoint(low, high)
        };
    }
    libm::exp(at)
}

/// Gives the `x` that a chi-square variable with `df` degrees of freedom stays below with
/// probability `q`.
#[must_use]
pub fn chi_square_quantile(df: f64, q: f64) -> f64 {
    2.0 * inverse(0.5 * df, q)
}

/// Tells whether a number can be a shape of the gamma distribution.
fn is_shape(shape: f64) -> bool {
    shape > 0.0 && shape <= SHAPE_MAX
}

/// `x^a e^-x / gamma(a)`: the density times `x`, without cancellation at large shapes.
fn weight(a: f64, x: f64) -> f64 {
    let exponent = power_term(a, (x - a) / a, x / a) - stirling_error(a) - LN_SQRT_TWO_PI;
    libm::sqrt(a) * libm::exp(exponent)
}

/// Sum by which [`weight`] is multiplied to give the lower tail.
fn series(a: f64, x: f64) -> f64 {
    let mut term = 1.0 / a;
    let mut sum = term;
    for step in 1..=STEPS_MAX {
        term *= x / (a + f64::from(step));
        sum += term;
        if term <= sum * 0.25 * f64::EPSILON {
            break;
        }
    }
    sum
}

/// Continued fraction by which [`weight`] is divided to give the upper tail; rule of Lentz.
fn fraction(a: f64, x: f64) -> f64 {
    let mut denominator = x + 1.0 - a;
    let mut fraction = Fraction::new(denominator);
    for step in 1..=STEPS_MAX {
        let n = f64::from(step);
        let numerator = n * (a - n);
        denominator += 2.0;
        if fraction.is_still_after(numerator, denominator) {
            break;
        }
    }
    fraction.value()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Source: mpmath 1.4, 40 digits. Independent.
    const REFERENCE: &str = include_str!("../../tests/data/stats_igamma.csv");

    /// Shape, point, lower and upper tail of each row.
    fn reference() -> Vec<[f64; 4]> {
        let row = |line: &str| {
            let mut cells = line.split(',').map(str::parse::<f64>);
            std::array::from_fn(|_| cells.next().unwrap().unwrap())
        };
        REFERENCE.lines().skip(1).map(row).collect()
    }

    #[test]
    fn both_tails_agree_with_mpmath_at_shapes_from_a_tenth_to_a_million() {
        assert_eq!(reference().len(), 15);
        for [a, x, lower, upper] in reference() {
            let found = tails(a, x);
            assert!(
                (found.lower / lower - 1.0).abs() < 1e-12,
                "{a} {x} {found:?}"
            );
            assert!(
                (found.upper / upper - 1.0).abs() < 1e-12,
                "{a} {x} {found:?}"
            );
        }
    }

    #[test]
    fn the_inverse_gives_back_the_points_of_mpmath() {
        for [a, x, lower, _] in reference().into_iter().filter(|row| row[2] < 0.99) {
            let found = inverse(a, lower);
            assert!((found / x - 1.0).abs() < 1e-11, "{a} {x} {found}");
        }
    }

    #[test]
    fn chi_square_quantiles_agree_with_the_published_table() {
        // Abramowitz and Stegun 1964, table 26.8 (from memory); R qchisq gives the same digits.
        for (df, q, expected) in [
            (1.0, 0.95, 3.841_458_8),
            (10.0, 0.95, 18.307_038_1),
            (30.0, 0.99, 50.892_181_3),
            (100.0, 0.05, 77.929_465_2),
        ] {
            let found = chi_square_quantile(df, q);
            assert!((found - expected).abs() < 1e-7, "{df} {q} {found}");
        }
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "these values are exact")]
    fn the_ends_and_impossible_arguments_are_answered() {
        assert_eq!(tails(2.0, 0.0).lower, 0.0);
        assert_eq!(tails(2.0, f64::INFINITY).upper, 0.0);
        assert_eq!(inverse(2.0, 0.0), 0.0);
        assert_eq!(inverse(2.0, 1.0), f64::INFINITY);
        for a in [0.0, -1.0, f64::NAN, 2e8] {
            assert!(tails(a, 1.0).lower.is_nan() && inverse(a, 0.5).is_nan());
        }
        assert!(tails(1.0, f64::NAN).upper.is_nan() && inverse(1.0, f64::NAN).is_nan());
    }

    #[test]
    fn the_largest_shape_converges() {
        // The median of a gamma variable is its shape - 1/3 for large shapes.
        let median = inverse(SHAPE_MAX, 0.5);
        assert!((median - (SHAPE_MAX - 1.0 / 3.0)).abs() < 1e-4, "{median}");
    }

    proptest! {
        #[test]
        fn the_inverse_undoes_the_lower_tail(a in -1.0..5.0_f64, q in 1e-6..0.999_f64) {
            let a = libm::exp(a * 2.3);
            let found = tails(a, inverse(a, q)).lower;
            prop_assert!((found / q - 1.0).abs() < 1e-9, "{} {}", a, found);
        }
    }
}
