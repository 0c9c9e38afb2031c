//! Continued fractions by the modified rule of Lentz: the caller hands in one term after another.

/// Stands for a zero denominator.
const NEARLY_ZERO: f64 = 1e-300;

/// A fraction as far as it was handed in.
pub(super) struct Fraction {
    value: f64,
    top: f64,
    bottom: f64,
}

impl Fraction {
    /// Begins with the term before the first numerator.
    pub(super) fn new(first: f64) -> Self {
        let value = nonzero(first);
        Self {
            value,
            top: value,
            bottom: 0.0,
        }
    }

    /// Takes the next numerator and denominator; true when they changed nothing any more.
    pub(super) fn is_still_after(&mut self, numerator: f64, denominator: f64) -> bool {
        self.bottom = 1.0 / nonzero(denominator + numerator * self.bottom);
        self.top = nonzero(denominator + numerator / self.top);
        let change = self.top * self.bottom;
        self.value *= change;
        (change - 1.0).abs() <= f64::EPSILON
    }

    /// Its value so far.
    pub(super) fn value(&self) -> f64 {
        self.value
    }
}

/// Replaces a zero by a number next to it.
fn nonzero(value: f64) -> f64 {
    if value.abs() < NEARLY_ZERO {
        NEARLY_ZERO
    } else {
        value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // 1 + 1 / (1 + 1 / (1 + ...)): the golden ratio, the oldest of them all.
    #[test]
    fn the_fraction_of_ones_is_the_golden_ratio() {
        let mut fraction = Fraction::new(1.0);
        assert!((0..100).any(|_| fraction.is_still_after(1.0, 1.0)));
        assert!((fraction.value() - 1.618_033_988_749_895).abs() < 1e-15);
    }
}
