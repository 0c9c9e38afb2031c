//! The card of a fit: what a person needs to judge it, in plain values.

use chrono::{DateTime, Utc};

use super::{Block, Counts, Family, Fit, Group};

/// One coefficient of a card.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct CardLine {
    /// Column, as `months_x_depth`, `rise_8_to_9.5_v` or `method:cc_cv`.
    pub name: String,
    /// Part of an answer it belongs to.
    pub block: Block,
    /// Posterior mode, log-odds.
    pub mean: f64,
    /// Posterior standard deviation; 0 for a pinned one.
    pub sd: f64,
}

/// Scale of one group.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct CardScale {
    /// The group.
    pub group: Group,
    /// Standard deviation between its levels, log-odds.
    pub sd: f64,
}

/// What a fit is made of. For reading: answers are rebuilt from the stored form.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Card {
    /// Columns, formulas and fitting rule.
    pub design_version: &'static str,
    /// Prior.
    pub prior_version: String,
    /// Batteries it speaks of.
    pub family: Family,
    /// Outcomes received later are not in it.
    pub cutoff: DateTime<Utc>,
    /// Outcomes by kind.
    pub counts: Counts,
    /// Outcomes that are the model's own guess at a stop.
    pub soft_share: f64,
    /// True when that share is too high.
    pub too_soft: bool,
    /// True when percentages are belief more than outcomes.
    pub belief_only: bool,
    /// Shops with outcomes.
    pub shops: u64,
    /// Scales of the groups.
    pub scales: Vec<CardScale>,
    /// Extra standard deviation of a single case, log-odds.
    pub lack_of_fit_sd: f64,
    /// Standard deviation by which similar batteries were seen to miss the model together, log-odds; part of the one
    /// before. `None` where the design did not look.
    pub misfit_sd: Option<f64>,
    /// Rises of the voltage curve held at 0: a fall was seen, but not confirmed.
    pub pinned: Vec<String>,
    /// Rises that are falls: the data say so.
    pub confirmed_falls: Vec<String>,
    /// Newton steps.
    pub iterations: u32,
    /// False when the fit was stopped before it came to rest.
    pub converged: bool,
    /// Digest of the stored fit it started from, in hex; `None` when started cold.
    pub started_from: Option<String>,
    /// Log-likelihood of the outcomes.
    pub log_likelihood: f64,
    /// All coefficients in the order of their columns.
    pub coefficients: Vec<CardLine>,
}

impl Fit {
    /// Lays the fit out for reading. Source: STATISTICS 9 (model card).
    #[must_use]
    pub fn card(&self) -> Card {
        let name = |at: &usize| self.column(*at).map(|(name, _)| name);
        let (iterations, converged) = self.iterations();
        let counts = self.counts();
        let lines = self
            .coefficients()
            .iter()
            .enumerate()
            .filter_map(|(at, mean)| {
                let (name, block) = self.column(at)?;
                Some(CardLine {
                    name,
                    block,
                    mean: *mean,
                    sd: libm::sqrt(self.covariance().get(at, at)),
                })
            });
        Card {
            design_version: self.design_version(),
            prior_version: self.basis().prior_version().to_owned(),
            family: self.family(),
            cutoff: self.cutoff(),
            counts,
            soft_share: counts.soft_share(),
            too_soft: counts.too_soft(),
            belief_only: self.rests_on_belief(),
            shops: self.shops().len() as u64,
            scales: self
                .layout
                .groups()
                .iter()
                .map(|columns| CardScale {
                    group: columns.group,
                    sd: self.group_sd(columns.group),
                })
                .collect(),
            lack_of_fit_sd: libm::sqrt(self.lack_of_fit_variance()),
            misfit_sd: self.misfit_variance().map(libm::sqrt),
            pinned: self.pinned().iter().filter_map(name).collect(),
            confirmed_falls: self.confirmed_falls().iter().filter_map(name).collect(),
            iterations,
            converged,
            started_from: self
                .started_from()
                .map(|digest| blake3::Hash::from(digest).to_string()),
            log_likelihood: self.solution.log_likelihood,
            coefficients: lines.collect(),
        }
    }
}
