//! Tests of the incomplete beta function against independent values.

use super::*;
use proptest::prelude::*;

// Source: mpmath, 30 digits, for moderate shapes; boost through scipy for the rest.
const FORWARD: &str = include_str!("../../../tests/data/stats_ibeta.csv");
const INVERSE: &str = include_str!("../../../tests/data/stats_ibeta_inv.csv");

/// The four numbers of each row of a check file.
fn rows(text: &str) -> Vec<[f64; 4]> {
    let row = |line: &str| {
        let mut cells = line.split(',').map(str::parse::<f64>);
        std::array::from_fn(|_| cells.next().unwrap().unwrap())
    };
    text.lines().skip(1).map(row).collect()
}

#[test]
fn the_lower_tail_agrees_with_mpmath_and_boost_at_shapes_from_a_tenth_to_a_million() {
    let rows = rows(FORWARD);
    assert_eq!(rows.len(), 104);
    for [a, b, x, expected] in rows {
        let found = regularized(a, b, x);
        if expected < 1e-300 {
            assert!(found < 1e-300, "{a} {b} {x} {found:e}");
        } else {
            let miss = (found / expected - 1.0).abs();
            assert!(miss < 5e-13, "{a} {b} {x} {miss:e}");
        }
    }
}

#[test]
fn the_inverse_agrees_with_mpmath_and_boost_relative_to_its_size() {
    let rows = rows(INVERSE);
    assert_eq!(rows.len(), 144);
    for [a, b, q, expected] in rows {
        let miss = (inverse(a, b, q) / expected - 1.0).abs();
        assert!(miss < 1e-13, "{a} {b} {q} {miss:e}");
    }
}

#[test]
#[expect(clippy::float_cmp, reason = "these values are exact")]
fn the_ends_and_impossible_arguments_are_answered() {
    assert_eq!(regularized(2.0, 3.0, -0.1), 0.0);
    assert_eq!(regularized(2.0, 3.0, 1.5), 1.0);
    assert_eq!(inverse(2.0, 3.0, 0.0), 0.0);
    assert_eq!(inverse(2.0, 3.0, 1.0), 1.0);
    for (a, b) in [
        (0.0, 1.0),
        (1.0, -1.0),
        (f64::NAN, 1.0),
        (1.0, f64::INFINITY),
        (2e12, 1.0),
    ] {
        assert!(
            regularized(a, b, 0.5).is_nan() && inverse(a, b, 0.5).is_nan(),
            "{a} {b}"
        );
    }
    assert!(regularized(1.0, 1.0, f64::NAN).is_nan() && inverse(1.0, 1.0, f64::NAN).is_nan());
}

#[test]
fn the_largest_shapes_converge() {
    // By symmetry the median is the middle, and ten deviations below it nothing is left.
    assert!((regularized(SHAPE_MAX, SHAPE_MAX, 0.5) - 0.5).abs() < 1e-12);
    assert!((inverse(SHAPE_MAX, SHAPE_MAX, 0.5) - 0.5).abs() < 1e-12);
    // The central limit theorem: the deviation is 1 / sqrt(8 SHAPE_MAX).
    let z = (inverse(SHAPE_MAX, SHAPE_MAX, 0.05) - 0.5) * libm::sqrt(8.0 * SHAPE_MAX);
    assert!((z + 1.644_853_627).abs() < 1e-8, "{z}");
}

#[test]
#[expect(clippy::float_cmp, reason = "these values are exact")]
fn an_answer_below_the_smallest_double_is_zero() {
    // q = x^a / (a B(a, b)) near zero: mpmath gives 8.87e-398 and 8.86928e-318.
    assert_eq!(inverse(0.1, 0.1, 1e-40), 0.0);
    let denormal = inverse(0.1, 0.1, 1e-32);
    assert!(
        (denormal / 8.869_28e-318 - 1.0).abs() < 1e-4,
        "{denormal:e}"
    );
}

#[test]
fn closed_forms_hold_where_one_shape_is_a_whole_number() {
    // I_x(a, 1) = x^a and I_x(1, b) = 1 - (1 - x)^b.
    for shape in [0.1, 0.5, 3.0, 77.5, 5000.0] {
        for x in [1e-9, 0.001, 0.2, 0.7, 0.999] {
            let left = regularized(shape, 1.0, x);
            assert!(
                (left - libm::pow(x, shape)).abs() <= 1e-13 * left,
                "{shape} {x}"
            );
            let right = -libm::expm1(shape * libm::log1p(-x));
            let found = regularized(1.0, shape, x);
            assert!((found - right).abs() <= 1e-13 * right, "{shape} {x}");
        }
    }
}

proptest! {
    #[test]
    fn the_inverse_undoes_the_lower_tail(
        a in -1.0..6.0_f64, b in -1.0..6.0_f64, q in 1e-9..0.5_f64,
    ) {
        let (a, b) = (libm::pow(10.0, a), libm::pow(10.0, b));
        let x = inverse(a, b, q);
        // Close to 1 doubles are too sparse to give q back.
        prop_assume!(x < 0.999);
        prop_assert!((regularized(a, b, x) / q - 1.0).abs() < 1e-9, "{} {}", a, b);
    }

    #[test]
    fn the_tails_mirror_each_other(a in 0.1..500.0_f64, b in 0.1..500.0_f64, x in 0.0..=1.0_f64) {
        let sum = regularized(a, b, x) + regularized(b, a, 1.0 - x);
        prop_assert!((sum - 1.0).abs() < 1e-12, "{}", sum);
    }

    #[test]
    fn the_lower_tail_rises_with_x(a in 0.1..2e4_f64, b in 0.1..2e4_f64, x in 0.0..0.99_f64) {
        let step = 1e-3;
        prop_assert!(regularized(a, b, x) <= regularized(a, b, x + step) + 1e-13);
    }
}
