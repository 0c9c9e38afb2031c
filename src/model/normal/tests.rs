//! Tests of the normal distribution against independent values.

use super::*;

/// Numbers of a check file, one vector a row, without its heading.
fn rows(text: &str) -> Vec<Vec<f64>> {
    let row = |line: &str| line.split(',').map(|cell| cell.parse().unwrap()).collect();
    text.lines().skip(1).map(row).collect()
}

// Source: mpmath, 30 digits.
const NORMAL: &str = include_str!("../../../tests/data/stats_normal.csv");
// Source: mpmath quadrature.
const MEANS: &str = include_str!("../../../tests/data/stats_logistic_normal_mean.csv");

#[test]
fn the_distribution_function_agrees_with_mpmath() {
    let rows = rows(NORMAL);
    assert_eq!(rows.len(), 10);
    for row in rows {
        assert!((cdf(row[0]) - row[1]).abs() <= 1e-12 * row[1], "{row:?}");
    }
}

#[test]
fn the_quantile_agrees_with_mpmath_as_far_as_p_can_tell() {
    for row in rows(NORMAL) {
        // p is known to half a unit in the last place; far up that is worth more than 1e-12.
        let spacing = 0.5 * f64::EPSILON * row[1] / density(row[2]);
        let miss = (quantile(row[1]) - row[2]).abs();
        assert!(miss <= 1e-12 + spacing, "{row:?} {miss:e}");
    }
}

#[test]
#[expect(clippy::float_cmp, reason = "these values are exact")]
fn the_lower_quantile_is_the_inverse_down_to_the_smallest_probabilities() {
    // Source: standard normal quantiles, mpmath, 30 digits.
    for (p, z) in [
        (1e-300, -37.047_096_299_361_2),
        (1e-100, -21.273_453_560_965_324),
        (1e-20, -9.262_340_089_798_408),
        (0.05, -1.644_853_626_951_472_7),
        (0.3, -0.524_400_512_708_040_8),
    ] {
        assert!((quantile(p) - z).abs() < 1e-12, "{p} {}", quantile(p));
    }
    assert_eq!(quantile(0.0), f64::NEG_INFINITY);
    assert_eq!(quantile(1.0), f64::INFINITY);
    assert!(quantile(-0.1).is_nan() && quantile(1.1).is_nan() && quantile(f64::NAN).is_nan());
}

#[test]
fn the_nodes_integrate_polynomials_up_to_degree_29_exactly() {
    // Moments of the standard normal: 0 for odd degrees, 1 * 3 * .. * (k - 1) for even ones.
    let mut expected = 1.0;
    for half in 0..15_u32 {
        if half > 0 {
            expected *= f64::from(2 * half - 1);
        }
        let power = |x: f64| (0..2 * half).fold(1.0, |product, _| product * x);
        let sum: f64 = NODES.iter().map(|(x, w)| 2.0 * w * power(*x)).sum();
        let total = if half == 0 { sum + CENTER_WEIGHT } else { sum };
        assert!(
            (total / expected - 1.0).abs() < 1e-13,
            "degree {} {total:e}",
            2 * half
        );
    }
    // Degree 30 is the first the rule must miss, by 15! of 29!!.
    let sum: f64 = NODES
        .iter()
        .map(|(x, w)| 2.0 * w * libm::pow(*x, 30.0))
        .sum();
    let missing = expected * 29.0 - sum;
    assert!(
        (missing / 1_307_674_368_000.0 - 1.0).abs() < 1e-6,
        "{missing}"
    );
}

#[test]
fn the_mean_of_the_logistic_normal_agrees_with_quadrature() {
    let rows = rows(MEANS);
    assert_eq!(rows.len(), 42);
    for row in rows {
        let tolerance = match row[1] {
            sd if sd <= 0.1 => 1e-15,
            sd if sd <= 0.5 => 2e-13,
            sd if sd <= 1.0 => 7e-9,
            sd if sd <= 2.0 => 1e-4,
            _ => 2e-3,
        };
        let miss = (logistic_normal(row[0], row[1]).mean - row[2]).abs();
        assert!(miss <= tolerance, "{row:?} {miss:e}");
    }
}

#[test]
fn the_variance_of_the_logistic_normal_agrees_with_quadrature() {
    // Source: mpmath quadrature, 50 digits.
    for (mu, sd, variance) in [
        (0.0, 0.5, 0.013_955_577_560_120_338),
        (0.0, 1.0, 0.043_379_035_858_092_96),
        (-1.5, 1.0, 0.024_152_548_783_633_834),
        (2.2, 0.5, 0.002_389_022_295_647_635),
        (5.0, 1.0, 0.000_175_568_401_646_083_84),
    ] {
        let miss = (logistic_normal(mu, sd).variance - variance).abs();
        assert!(miss < 5e-8, "{mu} {sd} {miss:e}");
    }
    assert!(logistic_normal(0.7, 0.0).variance < 1e-30);
}

#[test]
#[expect(clippy::float_cmp, reason = "these values are exact")]
fn the_logistic_function_neither_overflows_nor_loses_the_small_side() {
    assert_eq!(logistic(1000.0), 1.0);
    assert_eq!(logistic(-1000.0), 0.0);
    assert_eq!(logistic(0.0), 0.5);
    let small = logistic(-50.0);
    assert!((small / libm::exp(-50.0) - 1.0).abs() < 1e-15, "{small:e}");
}
