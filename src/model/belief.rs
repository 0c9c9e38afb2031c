//! Chance that one battery recovers: prior belief of its band, updated by the counts of the band.
//!
//! The inside of this module is what a full fit replaces; `chance(&Prior, &Features, &BandCounts)
//! -> Chance` stays. Belief is a beta distribution, so one more outcome is one more count and no
//! random number is drawn. It is evaluated at the centre of the battery's voltage and months
//! bands, because the counts stand for the whole band, with its other features as they are.

#[cfg(test)]
mod tests;

use super::prior::{Features, Prior};
use super::{beta, normal};

/// Probability inside every range that is stated. Source: STATISTICS 2.
pub const LEVEL: f64 = 0.90;
/// Version of the bands the counts are taken by, part of every answer.
pub const BANDS_VERSION: &str = "bands-1";
/// Outcomes in all below which percentages are belief. Source: STATISTICS 9.
const OUTCOMES_MIN: u64 = 10;
/// Outcomes of either kind below which percentages are belief. Source: STATISTICS 9.
const OF_EITHER_KIND_MIN: u64 = 3;
/// Smallest distance of a matched mean from 0 and 1: keeps both shapes above 0.
const MEAN_MARGIN: f64 = 1e-6;
/// Smallest weight of a matched belief, in outcomes: keeps both shapes above 0.
const WEIGHT_MIN: f64 = 1e-3;

/// Labelled outcomes: recovered, and everything else that has a label.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct Tally {
    /// Came back.
    pub recovered: u64,
    /// Did not: partially recovered, not recovered, made worse, ended over temperature.
    pub not_recovered: u64,
}

impl Tally {
    /// Outcomes with a label.
    #[must_use]
    pub fn labelled(self) -> u64 {
        self.recovered.saturating_add(self.not_recovered)
    }
}

/// Outcomes behind an answer. Undetermined attempts and ones stopped by a person are not counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct BandCounts {
    /// In the voltage and months bands of the battery.
    pub band: Tally,
    /// In all bands.
    pub overall: Tally,
}

impl BandCounts {
    /// True when the percentages rest on belief more than on outcomes.
    ///
    /// Source: STATISTICS 9; and none in the band.
    #[must_use]
    pub fn are_thin(self) -> bool {
        let Tally {
            recovered,
            not_recovered,
        } = self.overall;
        self.band.labelled() == 0
            || self.overall.labelled() < OUTCOMES_MIN
            || recovered.min(not_recovered) < OF_EITHER_KIND_MIN
    }
}

/// Belief about a probability: a beta distribution.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Belief {
    a: f64,
    b: f64,
}

impl Belief {
    /// Finds the beta distribution with the given mean and variance.
    ///
    /// The mean is kept 1e-6 off 0 and 1, the weight a + b above 0.001.
    #[must_use]
    pub fn matching(moments: normal::Moments) -> Self {
        let mean = moments.mean.clamp(MEAN_MARGIN, 1.0 - MEAN_MARGIN);
        let spread = moments.variance.max(f64::MIN_POSITIVE);
        let weight = (mean * (1.0 - mean) / spread - 1.0).clamp(WEIGHT_MIN, beta::SHAPE_MAX / 2.0);
        Self {
            a: mean * weight,
            b: (1.0 - mean) * weight,
        }
    }

    /// Belief before outcomes, at the centre of the battery's bands.
    #[must_use]
    pub fn before_outcomes(prior: &Prior, features: &Features) -> Self {
        let odds = prior.log_odds(&features.at_band_centre());
        Self::matching(normal::logistic_normal(odds.mean, odds.sd))
    }

    /// The same belief after more outcomes.
    #[must_use]
    pub fn update(self, seen: Tally) -> Self {
        Self {
            a: self.a + seen.recovered as f64,
            b: self.b + seen.not_recovered as f64,
        }
    }

    /// Expected probability.
    #[must_use]
    pub fn mean(self) -> f64 {
        self.a / (self.a + self.b)
    }

    /// How many outcomes this belief is worth: a + b, which is p (1 - p) / variance - 1.
    #[must_use]
    pub fn weight(self) -> f64 {
        self.a + self.b
    }

    /// The probability that lies above the truth with probability `q`.
    #[must_use]
    pub fn quantile(self, q: f64) -> f64 {
        beta::inverse(self.a, self.b, q)
    }
}

/// Chance of recovery with what it rests on. Probabilities 0 to 1, `lower <= mean <= upper`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Chance {
    /// Expected probability.
    pub mean: f64,
    /// Lower end of the range.
    pub lower: f64,
    /// Upper end of the range.
    pub upper: f64,
    /// Probability inside the range: [`LEVEL`].
    pub level: f64,
    /// Worth about this many similar batteries: p (1 - p) / variance - 1.
    pub n_eq: f64,
    /// Labelled outcomes in the band.
    pub n_band: u64,
    /// Recovered ones among them.
    pub recovered_band: u64,
    /// True when the numbers rest on belief more than on outcomes: show steps of 10 %.
    pub belief_only: bool,
}

/// Names what an answer was worked out with: the prior and the bands, as `trade-1/bands-1`.
#[must_use]
pub fn model_version(prior: &Prior) -> String {
    format!("{}/{BANDS_VERSION}", prior.version())
}

/// Gives the chance that a battery recovers, from the prior and the counts of its band.
///
/// The range runs between the 5 % and 95 % points; it is widened to the mean where a very skewed
/// belief has its mean outside.
/// Source: STATISTICS 2 (matching by 15-point Gauss-Hermite), 9 (belief only).
#[must_use]
pub fn chance(prior: &Prior, features: &Features, counts: &BandCounts) -> Chance {
    let belief = Belief::before_outcomes(prior, features).update(counts.band);
    let mean = belief.mean();
    let tail = (1.0 - LEVEL) / 2.0;
    Chance {
        mean,
        lower: belief.quantile(tail).min(mean),
        upper: belief.quantile(1.0 - tail).max(mean),
        level: LEVEL,
        n_eq: belief.weight(),
        n_band: counts.band.labelled(),
        recovered_band: counts.band.recovered,
        belief_only: counts.are_thin(),
    }
}
