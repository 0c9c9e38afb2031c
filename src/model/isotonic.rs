//! The rising curve nearest to weighted values: a smoother for displays, never for answers.

/// Gives the non-decreasing values that are nearest to `values` by weighted squares.
///
/// Pool adjacent violators. Pairs are (value, weight) in the order of the variable along which the
/// curve must rise; the result has the same length. A weight that is not positive counts as 0:
/// such a value takes what its neighbors get.
///
/// Source: Barlow et al. 1972 (from memory); checked against R isoreg and scikit-learn.
///
/// # Examples
/// ```
/// let fit = restvolt::model::isotonic::rising(&[(0.3, 1.0), (0.1, 1.0), (0.6, 2.0)]);
/// assert_eq!(fit, [0.2, 0.2, 0.6]);
/// ```
#[must_use]
pub fn rising(values: &[(f64, f64)]) -> Vec<f64> {
    // Blocks: mean, weight, length. A block that falls below the one before it joins it.
    let mut blocks: Vec<(f64, f64, usize)> = Vec::with_capacity(values.len());
    for &(value, weight) in values {
        let mut last = (value, weight.max(0.0), 1);
        while let Some(before) = blocks.pop_if(|before| before.0 >= last.0) {
            let weight = before.1 + last.1;
            let mean = if weight > 0.0 {
                (before.0 * before.1 + last.0 * last.1) / weight
            } else {
                f64::midpoint(before.0, last.0)
            };
            last = (mean, weight, before.2 + last.2);
        }
        blocks.push(last);
    }
    blocks
        .into_iter()
        .flat_map(|(mean, _, length)| std::iter::repeat_n(mean, length))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const VALUES: [f64; 10] = [0.1, 0.15, 0.12, 0.4, 0.35, 0.3, 0.6, 0.55, 0.9, 0.8];

    #[test]
    fn the_fit_agrees_with_r_without_weights() {
        // Source: R 4.2.2 isoreg. Independent.
        let expected = [
            0.1, 0.135, 0.135, 0.35, 0.35, 0.35, 0.575, 0.575, 0.85, 0.85,
        ];
        let fit = rising(&VALUES.map(|value| (value, 1.0)));
        for (found, expected) in fit.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-12, "{fit:?}");
        }
    }

    #[test]
    fn the_fit_agrees_with_scikit_learn_with_weights() {
        // Source: scikit-learn 1.9.1 IsotonicRegression. Independent.
        let weights = [3.0, 1.0, 5.0, 2.0, 2.0, 8.0, 1.0, 4.0, 2.0, 6.0];
        let expected = [
            0.1, 0.125, 0.125, 0.325, 0.325, 0.325, 0.56, 0.56, 0.825, 0.825,
        ];
        let pairs: Vec<(f64, f64)> = VALUES.into_iter().zip(weights).collect();
        let fit = rising(&pairs);
        assert_eq!(fit.len(), 10);
        for (found, expected) in fit.iter().zip(expected) {
            assert!((found - expected).abs() < 1e-12, "{fit:?}");
        }
    }

    proptest! {
        #[test]
        fn the_fit_rises_and_keeps_the_weighted_mean(
            pairs in proptest::collection::vec((0.0..1.0_f64, 0.1..9.0_f64), 1..60),
        ) {
            let fit = rising(&pairs);
            prop_assert!(fit.is_sorted());
            let total = |values: &[f64]| -> f64 {
                values.iter().zip(&pairs).map(|(value, pair)| value * pair.1).sum()
            };
            let given: Vec<f64> = pairs.iter().map(|pair| pair.0).collect();
            prop_assert!((total(&fit) - total(&given)).abs() < 1e-9);
        }
    }
}
