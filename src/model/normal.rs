//! The normal distribution, the logistic function and the mean of one under the other.
//!
//! Pure functions on `f64`. Exponentials come from `libm`, so the bits are equal on every platform.

/// Square root of two.
const SQRT_2: f64 = std::f64::consts::SQRT_2;

/// Natural logarithm of the square root of two pi.
pub(super) const LN_SQRT_TWO_PI: f64 = 0.918_938_533_204_672_8;

/// Rounds of Halley's rule in [`quantile`]. The start is within 4.5e-4 and each round cubes the
/// error, so two suffice; the third covers the far tail.
const QUANTILE_ROUNDS: u32 = 3;

/// Node at zero of the 15-point Gauss-Hermite rule for the standard normal: weight.
const CENTER_WEIGHT: f64 = 0.318_259_518_259_518_26;

/// Positive nodes and weights of the 15-point Gauss-Hermite rule for the standard normal.
///
/// Roots of the Hermite polynomial He15 and 15! / (15 He14(node))^2, computed with 50 digits; the
/// rule is exact for polynomials up to degree 29, which the tests check.
const NODES: [(f64, f64); 7] = [
    (0.799_129_068_324_548, 0.232_462_293_609_732_23),
    (1.606_710_069_028_73, 0.089_417_795_399_844_4),
    (2.432_436_827_009_758, 0.017_365_774_492_137_606),
    (3.289_082_424_398_766_4, 0.001_567_357_503_549_956_2),
    (4.196_207_711_269_015_7, 5.642_146_405_189_017e-5),
    (5.190_093_591_304_781, 5.975_419_597_920_605e-7),
    (6.363_947_888_829_832, 8.589_649_899_633_27e-10),
];

/// Mean and variance of a chance that is itself uncertain.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Moments {
    /// Mean, 0 to 1.
    pub mean: f64,
    /// Variance, 0 to 1/4.
    pub variance: f64,
}

/// Gives the probability that a standard normal variable is at most `z`.
///
/// The lower tail keeps its relative accuracy; checked to 1e-12 on `tests/data/stats_normal.csv`.
///
/// # Examples
/// ```
/// let p = restvolt::model::normal::cdf(1.959_963_984_540_054);
/// assert!((p - 0.975).abs() < 1e-12);
/// ```
#[must_use]
pub fn cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z / SQRT_2)
}

/// Gives the density of the standard normal distribution at `z`.
#[must_use]
pub fn density(z: f64) -> f64 {
    libm::exp(-0.5 * z * z - LN_SQRT_TWO_PI)
}

/// Gives the `z` below which a standard normal variable falls with probability `p`.
///
/// Infinite at 0 and 1, NaN outside. Close to 1 the spacing of `p` itself limits what can be told
/// apart: ask for the lower tail and change the sign where that matters.
///
/// Source: start value of Abramowitz and Stegun 1964, 26.2.23, refined by Halley's rule.
#[must_use]
pub fn quantile(p: f64) -> f64 {
    if p > 0.5 {
        return -lower_quantile(1.0 - p);
    }
    lower_quantile(p)
}

/// [`quantile`] for `p` of at most one half.
fn lower_quantile(p: f64) -> f64 {
    if p.is_nan() || p < 0.0 {
        return f64::NAN;
    }
    if p == 0.0 {
        return f64::NEG_INFINITY;
    }
    let t = libm::sqrt(-2.0 * libm::log(p));
    let above = 2.515_517 + t * (0.802_853 + t * 0.010_328);
    let below = 1.0 + t * (1.432_788 + t * (0.189_269 + t * 0.001_308));
    let mut z = above / below - t;
    for _ in 0..QUANTILE_ROUNDS {
        let miss = (cdf(z) - p) / density(z);
        if !miss.is_finite() {
            break;
        }
        z -= miss / (1.0 + 0.5 * z * miss);
    }
    z
}

/// Turns log-odds into a probability, without overflow at either end.
#[must_use]
pub fn logistic(eta: f64) -> f64 {
    if eta < 0.0 {
        let odds = libm::exp(eta);
        odds / (1.0 + odds)
    } else {
        1.0 / (1.0 + libm::exp(-eta))
    }
}

/// Gives mean and variance of `logistic(eta)` for `eta` normal with mean `mu` and deviation `sd`.
///
/// Units: log-odds in, probability out. Uses the 15-point Gauss-Hermite rule: the mean is within
/// 7e-9 for `sd` up to 1 and within 2e-3 at 3.5, checked on
/// `tests/data/stats_logistic_normal_mean.csv`. A negative `sd` counts as its absolute value.
#[must_use]
pub fn logistic_normal(mu: f64, sd: f64) -> Moments {
    let center = logistic(mu);
    let pairs =
        NODES.map(|(node, weight)| (logistic(mu - sd * node), logistic(mu + sd * node), weight));
    let mut mean = CENTER_WEIGHT * center;
    for (below, above, weight) in pairs {
        mean += weight * (below + above);
    }
    let square = |p: f64| (p - mean) * (p - mean);
    let mut variance = CENTER_WEIGHT * square(center);
    for (below, above, weight) in pairs {
        variance += weight * (square(below) + square(above));
    }
    Moments { mean, variance }
}

#[cfg(test)]
mod tests;
