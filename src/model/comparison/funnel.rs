//! Funnel limits: how far a shop's rate may lie from its target by chance, and over-dispersion.

use super::chance_sum::{ChanceSum, smallest};
use crate::model::whole::whole;
use crate::model::{beta, gamma, normal};

/// Part of the scores at each end that is pulled in before the spread is measured.
///
/// Source: Spiegelhalter 2005, 10 %. Larger hides true outliers from the estimate.
pub const WINSORIZED_SHARE: f64 = 0.1;

/// One limit of a funnel.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct FunnelLimit {
    /// Smallest count whose chance of not being exceeded reaches the tail.
    pub count: u64,
    /// Limit of the rate, interpolated between counts; may lie outside 0..=1 for few attempts.
    pub rate: f64,
}

/// The four limits that are drawn, and beside which a shop is flagged.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Funnel {
    /// Expected rate, a share.
    pub target: f64,
    /// 99.8 % limits: lower, upper.
    pub limits_998: [f64; 2],
    /// 95 % limits: lower, upper.
    pub limits_95: [f64; 2],
}

/// Limit of the rate when all of `n` attempts share the chance `theta`.
///
/// `tail` is the chance of falling below: .025 and .975 for the 95 % limits. `None` when `n` is 0
/// or `theta` or `tail` is not strictly between 0 and 1.
///
/// Source: Spiegelhalter 2005, Stat Med 24:1185, appendix; checked against R qbinom and pbinom.
#[must_use]
pub fn binomial_limit(theta: f64, n: u64, tail: f64) -> Option<FunnelLimit> {
    if n == 0 || !(theta > 0.0 && theta < 1.0) {
        return None;
    }
    let at_most = |k: u64| {
        if k >= n {
            1.0
        } else {
            beta::regularized((n - k) as f64, k as f64 + 1.0, 1.0 - theta)
        }
    };
    interpolated(n, tail, at_most)
}

/// The same limit by the normal law: `theta + z sqrt(theta (1 - theta) / n)`.
#[must_use]
pub fn normal_limit(theta: f64, n: u64, tail: f64) -> f64 {
    theta + normal::quantile(tail) * libm::sqrt(theta * (1.0 - theta) / n as f64)
}

/// Limit of the rate of attempts that each have their own chance.
#[must_use]
pub fn limit(sum: &ChanceSum, tail: f64) -> Option<FunnelLimit> {
    if sum.variance() <= 0.0 {
        return None;
    }
    interpolated(sum.count(), tail, |k| sum.at_most(k))
}

/// The four limits for attempts with their own chances, as rates kept within 0..=1.
///
/// `phi` widens them around the target: 1 unless [`Dispersion::factor`] says more. `None` when
/// there is no attempt whose outcome is open.
#[must_use]
pub fn funnel(sum: &ChanceSum, phi: f64) -> Option<Funnel> {
    let target = sum.mean() / sum.count() as f64;
    let widen = libm::sqrt(phi.max(1.0));
    let rate = |tail: f64| {
        let plain = limit(sum, tail)?.rate;
        Some((target + widen * (plain - target)).clamp(0.0, 1.0))
    };
    Some(Funnel {
        target,
        limits_998: [rate(0.001)?, rate(0.999)?],
        limits_95: [rate(0.025)?, rate(0.975)?],
    })
}

/// Interpolated limit from the chance of at most k.
fn interpolated(n: u64, tail: f64, at_most: impl Fn(u64) -> f64) -> Option<FunnelLimit> {
    if !(tail > 0.0 && tail < 1.0) {
        return None;
    }
    let count = smallest(n, |k| at_most(k) >= tail);
    let upto = at_most(count);
    let below = count.checked_sub(1).map_or(0.0, &at_most);
    let part = (upto - tail) / (upto - below);
    Some(FunnelLimit {
        count,
        rate: (count as f64 - part) / n as f64,
    })
}

/// Spread of the shops' scores beyond chance.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Dispersion {
    /// Mean of the squared scores after winsorizing: 1 when only chance is at work.
    pub phi: f64,
    /// The 95 % point of phi when only chance is at work.
    pub point_95: f64,
    /// True when phi exceeds that point, so that the limits are to be widened.
    pub is_used: bool,
}

impl Dispersion {
    /// Factor of the variance to use: phi when it is used, else 1.
    #[must_use]
    pub fn factor(&self) -> f64 {
        if self.is_used { self.phi } else { 1.0 }
    }
}

/// Measures over-dispersion on standardized scores, one a shop. `None` without scores.
///
/// Source: Spiegelhalter 2005, Stat Med 24:1185, section 4; quantiles as R's type 7.
#[must_use]
pub fn dispersion(scores: &[f64]) -> Option<Dispersion> {
    let winsorized = winsorized(scores)?;
    let count = scores.len() as f64;
    let phi = winsorized.iter().map(|z| z * z).sum::<f64>() / count;
    let point_95 = gamma::chi_square_quantile(count, 0.95) / count;
    Some(Dispersion {
        phi,
        point_95,
        is_used: phi > point_95.max(1.0),
    })
}

/// Scores with the outer tenths pulled in to their quantiles, in the order given.
#[must_use]
pub fn winsorized(scores: &[f64]) -> Option<Vec<f64>> {
    let mut sorted = scores.to_vec();
    sorted.sort_by(f64::total_cmp);
    let low = quantile(&sorted, WINSORIZED_SHARE)?;
    let high = quantile(&sorted, 1.0 - WINSORIZED_SHARE)?;
    Some(scores.iter().map(|z| z.max(low).min(high)).collect())
}

/// Quantile of sorted numbers by straight lines between them (R's type 7).
fn quantile(sorted: &[f64], q: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let at = last as f64 * q;
    let index = whole(at).min(last);
    let low = *sorted.get(index)?;
    let high = sorted.get(index + 1).copied().unwrap_or(low);
    Some(low + (at - index as f64) * (high - low))
}
