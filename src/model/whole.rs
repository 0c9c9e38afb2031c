//! The whole part of a number, as an index or a count.

/// Gives the whole part of a number; 0 for negative ones and NaN, the largest for too large ones.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the cast saturates, and the fraction is meant to go"
)]
pub(super) fn whole(value: f64) -> usize {
    value as usize
}

#[cfg(test)]
mod tests {
    use super::whole;

    #[test]
    fn what_is_no_index_saturates() {
        let found = [2.9, -3.0, f64::NAN, f64::INFINITY].map(whole);
        assert_eq!(found, [2, 0, 0, usize::MAX]);
    }
}
