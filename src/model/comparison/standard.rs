//! Rates made comparable by a common mix of cases: direct standardization and Mantel-Haenszel.

use super::observed_expected::Limits;
use crate::model::{gamma, normal};

/// One stratum of one group: what was counted and what the stratum weighs in the common mix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stratum {
    /// Cases counted.
    pub cases: f64,
    /// Attempts (or births) they were counted among, above 0.
    pub attempts: f64,
    /// Weight of the stratum in the common mix; any unit.
    pub weight: f64,
}

/// A rate standardized to the common mix.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct StandardRate {
    /// Cases / attempts as counted, a share.
    pub crude: f64,
    /// Standardized rate, a share.
    pub rate: f64,
    /// Gamma limits of the standardized rate.
    pub limits: Limits,
}

/// Standardizes the rate of one group.
///
/// The gamma limits suit rates that are small; for high rates they are too wide. Strata of weight
/// 0 are skipped. `None` when a stratum with weight has no attempts, all weights are 0, a number
/// is negative or the level is not strictly between 0 and 1.
///
/// Source: Fay and Feuer 1997, Stat Med 16:791; checked against R epitools.
#[must_use]
pub fn direct(strata: &[Stratum], level: f64) -> Option<StandardRate> {
    let total: f64 = strata.iter().map(|stratum| stratum.weight).sum();
    if !(total > 0.0 && level > 0.0 && level < 1.0) {
        return None;
    }
    let (mut rate, mut variance, mut widest) = (0.0, 0.0, 0.0_f64);
    for stratum in strata.iter().filter(|stratum| stratum.weight != 0.0) {
        let share = stratum.weight / total / stratum.attempts;
        if !(stratum.cases >= 0.0 && stratum.attempts > 0.0 && share > 0.0) {
            return None;
        }
        rate += share * stratum.cases;
        variance += share * share * stratum.cases;
        widest = widest.max(share);
    }
    let cases: f64 = strata.iter().map(|stratum| stratum.cases).sum();
    let attempts: f64 = strata.iter().map(|stratum| stratum.attempts).sum();
    let tail = 0.5 * (1.0 - level);
    let scaled = |mean: f64, variance: f64, q: f64| {
        variance / mean * gamma::inverse(mean * mean / variance, q)
    };
    let lower = if rate > 0.0 {
        scaled(rate, variance, tail)
    } else {
        0.0
    };
    Some(StandardRate {
        crude: cases / attempts,
        rate,
        limits: Limits {
            lower,
            upper: scaled(rate + widest, variance + widest * widest, 1.0 - tail),
        },
    })
}

/// One stratum of two methods: successes and attempts of each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pair {
    /// Successes and attempts of the first method.
    pub first: (f64, f64),
    /// Successes and attempts of the second method.
    pub second: (f64, f64),
}

/// Odds ratio of two methods over all strata.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct OddsRatio {
    /// Odds of the first method over those of the second, like cases compared.
    pub ratio: f64,
    /// Limits at the level asked for.
    pub limits: Limits,
}

/// Compares two methods within strata and pools the odds ratios.
///
/// `None` when a sum is 0 (a method without successes or without failures throughout), or the
/// level is not strictly between 0 and 1.
///
/// Source: Mantel and Haenszel 1959; limits by Robins, Breslow and Greenland 1986, Biometrics
/// 42:311; checked against R mantelhaen.test.
#[must_use]
pub fn mantel_haenszel(strata: &[Pair], level: f64) -> Option<OddsRatio> {
    let (mut top, mut bottom) = (0.0, 0.0);
    // Sums of the variance: top with top, top with bottom, bottom with bottom.
    let mut spread = [0.0; 3];
    for pair in strata {
        let wins = [pair.first.0, pair.second.0];
        let losses = [pair.first.1 - wins[0], pair.second.1 - wins[1]];
        let total = pair.first.1 + pair.second.1;
        if total <= 0.0 {
            continue;
        }
        let for_first = wins[0] * losses[1] / total;
        let for_second = losses[0] * wins[1] / total;
        let agree = (wins[0] + losses[1]) / total;
        let differ = (losses[0] + wins[1]) / total;
        top += for_first;
        bottom += for_second;
        spread = [
            spread[0] + agree * for_first,
            spread[1] + agree * for_second + differ * for_first,
            spread[2] + differ * for_second,
        ];
    }
    if !(top > 0.0 && bottom > 0.0 && level > 0.0 && level < 1.0) {
        return None;
    }
    let variance = spread[0] / (2.0 * top * top)
        + spread[1] / (2.0 * top * bottom)
        + spread[2] / (2.0 * bottom * bottom);
    let reach = libm::exp(-normal::quantile(0.5 * (1.0 - level)) * libm::sqrt(variance));
    let ratio = top / bottom;
    Some(OddsRatio {
        ratio,
        limits: Limits {
            lower: ratio / reach,
            upper: ratio * reach,
        },
    })
}
