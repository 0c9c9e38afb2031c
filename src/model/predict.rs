//! What a fit says about one battery: chance with its range, and the reasons.
//!
//! Pure arithmetic on a fit and features: a stored fit gives a past answer again, bit for bit.

#[cfg(test)]
mod tests;

use uuid::Uuid;

use super::checkpoint;
use super::fit::{Basis, Block, Family, Fit, Group, Label, Placed};
use super::normal;
use super::prior::Features;
use crate::record::words::Chemistry;

/// Probability inside every range that is stated. Source: STATISTICS 2.
pub const LEVEL: f64 = 0.90;
/// Point of the standard normal distribution above which lie 5 %.
pub(crate) const Z_90: f64 = 1.644_853_626_951_472_2;
/// Similar batteries an answer must be worth, or it is thin. Source: STATISTICS 5, extrapolating.
pub const N_EQ_MIN: f64 = 12.0;
/// The reference battery in words. Source: STATISTICS 2, intercept.
pub const REFERENCE: &str =
    "flooded 12 V car battery at 12.4 V, 36 months old, 4 months idle indoors, not tested";
/// The reference pack of the lithium model in words. Our choice.
pub const REFERENCE_LITHIUM: &str = "lithium iron phosphate car battery at 13.0 V, 36 months old, 4 months idle indoors, not tested";

/// What the model says about one battery. Probabilities 0 to 1, `lower <= mean <= upper`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Estimate {
    /// Log-odds of recovery.
    pub log_odds: f64,
    /// Standard deviation of the model's log-odds, levels that are not known included.
    pub sd_model: f64,
    /// The same with lack of fit: what the range is made of.
    pub sd: f64,
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
    /// Share of the prior's variance that outcomes removed, with the group scales of the fit.
    pub evidence_share: f64,
    /// True below [`N_EQ_MIN`].
    pub thin: bool,
    /// True when the shop has no outcomes in the fit: an unknown shop was assumed.
    pub new_shop: bool,
    /// True when the fit rests on belief more than on outcomes: show steps of 10 %.
    pub belief_only: bool,
}

/// How one part of a battery moves the log-odds against the reference battery.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Reason {
    /// The part.
    pub block: Block,
    /// Log-odds above the reference battery; they add up over the parts.
    pub log_odds: f64,
    /// Standard deviation of it.
    pub sd: f64,
}

/// The battery that reasons are told against, in a shop that is not known.
#[must_use]
pub fn reference(fit: &Fit) -> Features {
    let (v12, chemistry) = match fit.basis() {
        Basis::LeadAcid(prior) => (prior.reference_v(), Chemistry::Flooded),
        Basis::Lithium(_) => (13.0, Chemistry::Lifepo4),
    };
    Features {
        v12,
        chemistry,
        ..Features::REFERENCE
    }
}

/// Names the battery that reasons are told against.
#[must_use]
pub fn reference_text(family: Family) -> &'static str {
    match family {
        Family::LeadAcid => REFERENCE,
        Family::Lithium => REFERENCE_LITHIUM,
    }
}

/// Sum of values times coefficients.
pub(super) fn log_odds(fit: &Fit, entries: &[(usize, f64)]) -> f64 {
    let coefficients = fit.coefficients();
    entries
        .iter()
        .map(|(column, x)| x * coefficients.get(*column).copied().unwrap_or(0.0))
        .sum()
}

/// Variance of groups whose level is not known: one fresh draw of each.
pub(super) fn unknown_variance(fit: &Fit, unknown: &[Group]) -> f64 {
    unknown
        .iter()
        .map(|group| fit.group_sd(*group) * fit.group_sd(*group))
        .sum()
}

impl Fit {
    /// Gives the chance that a battery recovers.
    ///
    /// A shop without outcomes, or `None`, counts as one more shop: no intercept, the variance
    /// between shops added; so do a method or storage that is not known.
    /// Source: STATISTICS 2 (answers, lack of fit); checked to 1e-7 on `golden_answers.csv`.
    #[must_use]
    pub fn predict(&self, features: &Features, shop: Option<Uuid>) -> Estimate {
        let Placed { entries, unknown } = self.place(features, shop);
        let eta = log_odds(self, &entries);
        let fresh = unknown_variance(self, &unknown);
        let model = self.covariance().form(&entries) + fresh;
        let before = self.prior_variance(&entries) + fresh;
        let sd = libm::sqrt(model + self.lack_of_fit_variance());
        let normal::Moments { mean, variance } = normal::logistic_normal(eta, sd);
        let n_eq = mean * (1.0 - mean) / variance.max(f64::MIN_POSITIVE) - 1.0;
        Estimate {
            log_odds: eta,
            sd_model: libm::sqrt(model),
            sd,
            mean,
            lower: normal::logistic(eta - Z_90 * sd).min(mean),
            upper: normal::logistic(eta + Z_90 * sd).max(mean),
            level: LEVEL,
            n_eq,
            evidence_share: (1.0 - model / before).clamp(0.0, 1.0),
            thin: n_eq < N_EQ_MIN,
            new_shop: unknown.contains(&Group::Shop),
            belief_only: self.rests_on_belief(),
        }
    }

    /// Says why: the log-odds of each part against [`reference()`], in the order of `Block::ALL`.
    ///
    /// Parts in which the battery equals the reference are 0; all parts are listed, so that two
    /// answers can be laid side by side. They add up to the difference of the log-odds.
    #[must_use]
    pub fn reasons(&self, features: &Features, shop: Option<Uuid>) -> Vec<Reason> {
        let own = self.place(features, shop).entries;
        let base = self.place(&reference(self), None).entries;
        let mut difference = own;
        for (column, x) in base {
            match difference.iter_mut().find(|(found, _)| *found == column) {
                Some((_, value)) => *value -= x,
                None => difference.push((column, -x)),
            }
        }
        let mut parts = Vec::with_capacity(Block::ALL.len());
        for block in Block::ALL.iter().filter(|block| **block != Block::Base) {
            let belongs = |(column, _): &&(usize, f64)| self.block(*column) == Some(*block);
            let part: Vec<(usize, f64)> = difference.iter().filter(belongs).copied().collect();
            parts.push(Reason {
                block: *block,
                log_odds: log_odds(self, &part),
                sd: libm::sqrt(self.covariance().form(&part).max(0.0)),
            });
        }
        parts
    }

    /// Log-odds of a battery as if its own outcome had not been in the fit.
    ///
    /// By [`checkpoint::leave_one_out`], with the variance x' C x.
    #[must_use]
    pub fn leave_one_out(&self, features: &Features, shop: Option<Uuid>, label: Label) -> f64 {
        let entries = self.place(features, shop).entries;
        let eta = log_odds(self, &entries);
        checkpoint::leave_one_out(eta, self.covariance().form(&entries), label.value())
    }
}
