//! Rates of many groups pulled toward their common mean, by how little each group knows.

/// Newton steps of the fit at most; 6 to 12 are usual.
const STEPS_MAX: u32 = 100;

/// Largest sum of the shapes: beyond it the groups do not differ.
const STRENGTH_MAX: f64 = 1e6;

/// The common law of the groups' rates: a beta distribution.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct CommonLaw {
    /// First shape: as many successes as the law is worth.
    pub alpha: f64,
    /// Second shape: as many failures as the law is worth.
    pub beta: f64,
}

impl CommonLaw {
    /// Mean of the groups' rates, a share.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.alpha / (self.alpha + self.beta)
    }

    /// Rate of a group with `y` of `n`, pulled toward the common mean.
    #[must_use]
    pub fn shrunk(&self, y: u64, n: u64) -> f64 {
        (self.alpha + y as f64) / (self.alpha + self.beta + n as f64)
    }

    /// Finds the law whose mean and variance are those of the groups' raw rates.
    ///
    /// Empty groups are skipped. `None` for fewer than two groups, or when the rates do not vary
    /// or vary more than any beta law.
    ///
    /// Source: Gelman et al., Bayesian Data Analysis, ch. 5.
    #[must_use]
    pub fn by_moments(groups: &[(u64, u64)]) -> Option<Self> {
        let rates: Vec<f64> = groups
            .iter()
            .filter(|group| group.1 > 0)
            .map(|group| group.0 as f64 / group.1 as f64)
            .collect();
        let count = rates.len() as f64;
        let mean = rates.iter().sum::<f64>() / count;
        let squares = rates.iter().map(|rate| (rate - mean) * (rate - mean));
        let variance = squares.sum::<f64>() / (count - 1.0);
        let strength = mean * (1.0 - mean) / variance - 1.0;
        (strength > 0.0 && strength.is_finite()).then_some(Self {
            alpha: mean * strength,
            beta: (1.0 - mean) * strength,
        })
    }

    /// Finds the law under which the counts are most likely.
    ///
    /// Groups are (successes, attempts). `None` for fewer than two groups with attempts, or when
    /// all ended alike. Where the groups differ less than chance would make them, the likelihood
    /// rises for ever: the law then has the pooled mean and a strength of a million.
    ///
    /// Source: marginal likelihood of the beta-binomial; checked on rat tumours (Tarone 1982).
    #[must_use]
    pub fn by_likelihood(groups: &[(u64, u64)]) -> Option<Self> {
        let groups: Vec<(u64, u64)> = groups
            .iter()
            .filter(|group| group.1 > 0 && group.0 <= group.1)
            .copied()
            .collect();
        let hits: u64 = groups.iter().map(|group| group.0).sum();
        let total: u64 = groups.iter().map(|group| group.1).sum();
        if groups.len() < 2 || hits == 0 || hits == total {
            return None;
        }
        let pooled = hits as f64 / total as f64;
        // The two logarithms of the shapes; a start of strength 10 is near enough for any data.
        let mut at = [libm::log(10.0 * pooled), libm::log(10.0 * (1.0 - pooled))];
        let mut height = likelihood(&groups, at);
        for _ in 0..STEPS_MAX {
            let step = ascent(&groups, at);
            let mut scale = 1.0;
            let mut next = moved(at, step, scale);
            let mut found = likelihood(&groups, next);
            while (found.is_nan() || found < height) && scale > 1e-9 {
                scale *= 0.5;
                next = moved(at, step, scale);
                found = likelihood(&groups, next);
            }
            let size = scale * step[0].abs().max(step[1].abs());
            (at, height) = (next, found);
            if libm::exp(at[0]) + libm::exp(at[1]) > STRENGTH_MAX {
                return Some(Self {
                    alpha: pooled * STRENGTH_MAX,
                    beta: (1.0 - pooled) * STRENGTH_MAX,
                });
            }
            if size < 1e-10 {
                break;
            }
        }
        Some(Self {
            alpha: libm::exp(at[0]),
            beta: libm::exp(at[1]),
        })
    }
}

/// A point moved by a part of a step, at most 1 in each logarithm.
fn moved(at: [f64; 2], step: [f64; 2], scale: f64) -> [f64; 2] {
    let size = step[0].abs().max(step[1].abs()).max(1.0);
    [
        at[0] + scale * step[0] / size,
        at[1] + scale * step[1] / size,
    ]
}

/// Logarithm of the likelihood without the counts' own factor.
pub(super) fn likelihood(groups: &[(u64, u64)], at: [f64; 2]) -> f64 {
    let (alpha, beta) = (libm::exp(at[0]), libm::exp(at[1]));
    let rising = |shape: f64, count: u64| libm::lgamma(shape + count as f64) - libm::lgamma(shape);
    let one =
        |&(y, n): &(u64, u64)| rising(alpha, y) + rising(beta, n - y) - rising(alpha + beta, n);
    groups.iter().map(one).sum()
}

/// Newton step on the logarithms of the shapes; the gradient itself where the hill is not round.
fn ascent(groups: &[(u64, u64)], at: [f64; 2]) -> [f64; 2] {
    let (alpha, beta) = (libm::exp(at[0]), libm::exp(at[1]));
    let (mut gradient, mut curvature) = ([0.0; 2], [0.0; 3]);
    for &(y, n) in groups {
        let (first, first_square) = harmonic(alpha, y);
        let (second, second_square) = harmonic(beta, n - y);
        let (both, both_square) = harmonic(alpha + beta, n);
        gradient = [
            gradient[0] + alpha * (first - both),
            gradient[1] + beta * (second - both),
        ];
        curvature = [
            curvature[0] + alpha * (first - both) + alpha * alpha * (both_square - first_square),
            curvature[1] + alpha * beta * both_square,
            curvature[2] + beta * (second - both) + beta * beta * (both_square - second_square),
        ];
    }
    let [top, cross, bottom] = curvature;
    let det = top * bottom - cross * cross;
    if top < 0.0 && det > 0.0 {
        [
            (cross * gradient[1] - bottom * gradient[0]) / det,
            (cross * gradient[0] - top * gradient[1]) / det,
        ]
    } else {
        gradient
    }
}

/// Sums of `1 / (shape + i)` and of its square over `i` below `count`.
///
/// Differences of the digamma and trigamma functions, exact for whole counts.
fn harmonic(shape: f64, count: u64) -> (f64, f64) {
    (0..count).fold((0.0, 0.0), |(sum, squares), i| {
        let part = 1.0 / (shape + i as f64);
        (sum + part, squares + part * part)
    })
}

/// Values pulled toward their mean when each has the same known variance.
#[derive(Debug, Clone, PartialEq)]
pub struct Pulled {
    /// Mean of the values.
    pub mean: f64,
    /// Part of each value's distance from the mean that is kept, 0 to 1.
    pub kept: f64,
    /// The values after pulling, in the order given.
    pub values: Vec<f64>,
}

/// Pulls four or more values toward their mean. `None` for fewer.
///
/// Source: Efron and Morris 1975, J Am Stat Assoc 70:311 (positive part).
#[must_use]
pub fn pulled(values: &[f64], variance: f64) -> Option<Pulled> {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let spread: f64 = values
        .iter()
        .map(|value| (value - mean) * (value - mean))
        .sum();
    if values.len() < 4 {
        return None;
    }
    let kept = if spread > 0.0 {
        (1.0 - (count - 3.0) * variance / spread).clamp(0.0, 1.0)
    } else {
        0.0
    };
    let moved = values.iter().map(|value| mean + kept * (value - mean));
    Some(Pulled {
        mean,
        kept,
        values: moved.collect(),
    })
}
