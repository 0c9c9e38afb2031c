//! Checks of the matrix arithmetic: by hand, and that an inverse undoes its matrix.

use super::*;
use proptest::prelude::*;

/// A' A + I for a square A, which is positive definite.
fn positive(size: usize, cells: &[f64]) -> Symmetric {
    let mut matrix = Symmetric::zeros(size);
    for row in 0..size {
        for column in 0..=row {
            let sum: f64 = (0..size)
                .map(|k| cells[k * size + row] * cells[k * size + column])
                .sum();
            matrix.set(row, column, sum + f64::from(u8::from(row == column)));
        }
    }
    matrix
}

// By hand: [[4, 2], [2, 5]] has determinant 16 and inverse [[5, -2], [-2, 4]] / 16.
#[test]
fn a_matrix_of_two_rows_is_inverted_as_by_hand() {
    let matrix = Symmetric::from_lower(2, vec![4.0, 2.0, 5.0]).unwrap();
    let factor = matrix.cholesky().unwrap();
    assert!((factor.log_determinant() - 16.0_f64.ln()).abs() < 1e-14);
    let inverse = factor.invert().inverse();
    for (cell, expected) in inverse.lower().iter().zip([0.3125, -0.125, 0.25]) {
        assert!((cell - expected).abs() < 1e-15);
    }
    assert_eq!(matrix.times(&[1.0, 2.0]), [8.0, 12.0]);
    assert!((matrix.form(&[(0, 1.0), (1, 2.0)]) - 32.0).abs() < 1e-14);
}

#[test]
fn what_is_not_positive_definite_has_no_factor() {
    for lower in [
        vec![1.0, 2.0, 1.0],
        vec![0.0, 0.0, 1.0],
        vec![f64::NAN, 0.0, 1.0],
    ] {
        assert!(
            Symmetric::from_lower(2, lower)
                .unwrap()
                .cholesky()
                .is_none()
        );
    }
    assert!(Symmetric::from_lower(2, vec![1.0, 2.0]).is_none());
}

#[test]
fn an_isolated_row_leaves_the_inverse_of_the_rest() {
    let mut matrix = Symmetric::from_lower(3, vec![4.0, 1.0, 9.0, 2.0, 1.0, 5.0]).unwrap();
    matrix.isolate(1);
    let inverse = matrix.cholesky().unwrap().invert().inverse();
    for (cell, expected) in inverse
        .lower()
        .iter()
        .zip([0.3125, 0.0, 1.0, -0.125, 0.0, 0.25])
    {
        assert!((cell - expected).abs() < 1e-15);
    }
}

proptest! {
    #[test]
    fn the_inverse_undoes_the_matrix(size in 1_usize..12, cells in prop::collection::vec(-2.0..2.0_f64, 144)) {
        let matrix = positive(size, &cells);
        let factor = matrix.cholesky().unwrap();
        let inverted = factor.invert();
        let inverse = inverted.inverse();
        let diagonal = inverted.diagonal();
        for at in 0..size {
            let mut unit = vec![0.0; size];
            unit[at] = 1.0;
            let back = matrix.times(&inverse.times(&unit));
            let solved = factor.solve(&unit);
            for other in 0..size {
                prop_assert!((back[other] - unit[other]).abs() < 1e-9);
                prop_assert!((solved[other] - inverse.get(at, other)).abs() < 1e-9);
            }
            prop_assert!((diagonal[at] - inverse.get(at, at)).abs() < 1e-9);
            let sparse: Vec<(usize, f64)> = cells.iter().copied().enumerate().take(size).collect();
            let dense: f64 = matrix.times(&cells[..size]).iter().zip(&cells).map(|(x, z)| x * z).sum();
            prop_assert!((matrix.form(&sparse) - dense).abs() < 1e-9);
        }
    }
}
