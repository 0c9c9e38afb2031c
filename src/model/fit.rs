//! The fit of the recovery model: outcomes of one group in, coefficients with covariance out.
//!
//! Pure and deterministic: the same observations in the same order give the same bits. The caller
//! hands in the outcomes of one group only, received up to the cut-off and sorted by attempt, so
//! no other group can move an answer. Lead-acid and lithium are fitted apart.

mod card;
mod layout;
mod lithium;
mod misfit;
mod stored;
#[cfg(test)]
mod tests;

pub use card::{Card, CardLine, CardScale};
pub use layout::{Block, Group, Placed};
pub use lithium::LithiumVersion;
pub use stored::Damaged;

use chrono::{DateTime, SubsecRound, Utc};
use uuid::Uuid;

use super::logistic::{Rows, Solution, Start, Undetermined};
use super::prior::{Features, Prior};
use super::symmetric::Symmetric;
use crate::record::words::{Chemistry, vocabulary};
use layout::Layout;

/// Version of columns, formulas and fitting rule, part of every stored fit. Design 2 adds what similar batteries miss
/// together to the lack of fit.
pub const DESIGN_VERSION: &str = "design-2";
/// The version before: its stored fits are read and answer as they did.
const FIRST_DESIGN: &str = "design-1";
/// Lack of fit for each unit of variance that was measured between similar batteries, as for a cell: within a cell
/// batteries differ as well. Our choice: the factor STATISTICS 2 gives to the variance between cells.
const MISFIT_FACTOR: f64 = 1.5;
/// Share of soft labels above which a fit is marked. Source: STATISTICS 1.
pub const SOFT_SHARE_MAX: f64 = 0.20;

/// Step below which a warm fit keeps the curvature of the rows: it changes a curvature by no larger share, a standard
/// deviation by half of that. Our choice; one outcome more in 100,000 moves by a thousandth.
const WARM_STEP: f64 = 5e-3;

vocabulary! {
    /// Batteries that are fitted together.
    Family {
        /// Flooded, enhanced flooded, absorbent glass mat, gel, and what was not read off the case.
        LeadAcid = "lead_acid",
        /// Lithium iron phosphate: 0 V is usually its protection.
        Lithium = "lithium",
    }
}

impl Family {
    /// The family a chemistry is fitted with.
    #[must_use]
    pub fn of(chemistry: Chemistry) -> Self {
        match chemistry {
            Chemistry::Lifepo4 => Self::Lithium,
            _ => Self::LeadAcid,
        }
    }
}

/// How an attempt came out, as the model counts it. What has no label is no observation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Label {
    /// Came back.
    Recovered,
    /// Partially recovered, not recovered, made worse, or ended over temperature.
    NotRecovered,
    /// Stopped on our advice: the chance at the stop, 0 to 1. Source: STATISTICS 1.
    Soft(f64),
}

impl Label {
    /// The label as a number from 0 to 1.
    #[must_use]
    pub fn value(self) -> f64 {
        match self {
            Self::Recovered => 1.0,
            Self::NotRecovered => 0.0,
            Self::Soft(p) => p.clamp(0.0, 1.0),
        }
    }
}

/// One first attempt of one battery at one visit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// What was known before.
    pub features: Features,
    /// Where.
    pub shop: Uuid,
    /// How it came out.
    pub label: Label,
}

/// Outcomes behind a fit.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Counts {
    /// Came back.
    pub recovered: u64,
    /// Did not.
    pub not_recovered: u64,
    /// Stopped on our advice.
    pub soft: u64,
}

/// Outcomes in all below which percentages are belief. Source: STATISTICS 9.
const OUTCOMES_MIN: u64 = 10;
/// Outcomes of either kind below which percentages are belief. Source: STATISTICS 9.
const OF_EITHER_KIND_MIN: u64 = 3;

impl Counts {
    fn add(&mut self, label: Label) {
        let count = match label {
            Label::Recovered => &mut self.recovered,
            Label::NotRecovered => &mut self.not_recovered,
            Label::Soft(_) => &mut self.soft,
        };
        *count = count.saturating_add(1);
    }

    /// All observations.
    #[must_use]
    pub fn total(self) -> u64 {
        self.recovered
            .saturating_add(self.not_recovered)
            .saturating_add(self.soft)
    }

    /// Soft labels over all; 0 without any.
    #[must_use]
    pub fn soft_share(self) -> f64 {
        self.soft as f64 / (self.total().max(1)) as f64
    }

    /// True when soft labels pass [`SOFT_SHARE_MAX`]: the model partly learns from itself.
    #[must_use]
    pub fn too_soft(self) -> bool {
        self.soft_share() > SOFT_SHARE_MAX
    }
}

/// Columns and prior of a family.
#[derive(Debug, Clone, PartialEq)]
pub enum Basis {
    /// The full model with a versioned prior.
    LeadAcid(Prior),
    /// Six coefficients with wide priors.
    Lithium(LithiumVersion),
}

impl Basis {
    /// The family that is fitted.
    #[must_use]
    pub fn family(&self) -> Family {
        match self {
            Self::LeadAcid(_) => Family::LeadAcid,
            Self::Lithium(_) => Family::Lithium,
        }
    }

    /// Name of the prior.
    #[must_use]
    pub fn prior_version(&self) -> &str {
        match self {
            Self::LeadAcid(prior) => prior.version(),
            Self::Lithium(version) => version.as_str(),
        }
    }
}

/// What to fit.
#[derive(Debug, Clone)]
pub struct Request<'a> {
    /// Columns and prior.
    pub basis: Basis,
    /// Outcomes received after it were left out by the caller; kept to the microsecond.
    pub cutoff: DateTime<Utc>,
    /// A fit to start from. It saves steps and moves the result only within the tolerances, so a
    /// fit that must be rebuilt bit for bit is started cold, or from the same start again.
    pub start: Option<&'a Fit>,
}

/// A fitted model with all that a past answer needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    layout: Layout,
    cutoff: DateTime<Utc>,
    counts: Counts,
    solution: Solution,
    /// Digest of the stored form of the fit it started from.
    started_from: Option<[u8; 32]>,
    /// Variance by which similar batteries miss it together; `None` for [`FIRST_DESIGN`], which did not look.
    misfit_variance: Option<f64>,
}

/// Fits the observations of one group; those of another family are passed over.
///
/// Without any observation the fit is the prior.
/// Source: STATISTICS 2; checked to 1e-7 on a fit by a separate program.
///
/// # Errors
/// `Undetermined` when a feature is not a number, or a spread of the prior is beyond a double.
pub fn fit(observations: &[Observation], request: Request<'_>) -> Result<Fit, Undetermined> {
    let family = request.basis.family();
    let own = |seen: &&Observation| Family::of(seen.features.chemistry) == family;
    let mut shops: Vec<Uuid> = observations
        .iter()
        .filter(own)
        .map(|seen| seen.shop)
        .collect();
    shops.sort_unstable();
    shops.dedup();
    let layout = Layout::new(request.basis, shops);
    let mut counts = Counts::default();
    let mut rows = Rows::with_capacity(observations.len());
    let mut placed = Placed::default();
    for seen in observations.iter().filter(own) {
        layout.place_again(&seen.features, Some(seen.shop), &mut placed);
        rows.push(placed.entries.iter().copied(), seen.label.value());
        counts.add(seen.label);
    }
    let model = layout.model()?;
    let start = request.start.filter(|start| start.family() == family);
    let from = match start {
        Some(start) => start.start_for(&layout, model.cold_start()),
        None => model.cold_start(),
    };
    let solution = model.solve(&rows, from)?;
    let residuals = (rows.len(), rows.residuals(&solution.coefficients));
    let fitted = observations.iter().filter(own);
    Ok(Fit {
        misfit_variance: Some(misfit::variance(fitted, residuals)),
        solution,
        layout,
        cutoff: request.cutoff.trunc_subsecs(6),
        counts,
        started_from: start.map(Fit::digest),
    })
}

impl Fit {
    /// The family it speaks of.
    #[must_use]
    pub fn family(&self) -> Family {
        self.layout.basis().family()
    }

    /// Columns and prior it was made with.
    #[must_use]
    pub fn basis(&self) -> &Basis {
        self.layout.basis()
    }

    /// Version of columns and formulas.
    #[must_use]
    pub fn design_version(&self) -> &'static str {
        match self.misfit_variance {
            Some(_) => DESIGN_VERSION,
            None => FIRST_DESIGN,
        }
    }

    /// Name for answers: design and prior, as `design-2/trade-1`.
    #[must_use]
    pub fn version(&self) -> String {
        format!("{}/{}", self.design_version(), self.basis().prior_version())
    }

    /// Outcomes received later are not in it.
    #[must_use]
    pub fn cutoff(&self) -> DateTime<Utc> {
        self.cutoff
    }

    /// Outcomes behind it.
    #[must_use]
    pub fn counts(&self) -> Counts {
        self.counts
    }

    /// Shops with an intercept of their own, ascending.
    #[must_use]
    pub fn shops(&self) -> &[Uuid] {
        self.layout.shops()
    }

    /// Posterior mode, one a column: terms, rises, then the groups.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        &self.solution.coefficients
    }

    /// Laplace covariance of the coefficients.
    #[must_use]
    pub fn covariance(&self) -> &Symmetric {
        &self.solution.covariance
    }

    /// Standard deviation between the levels of a group; 0 where the family has no such group.
    #[must_use]
    pub fn group_sd(&self, group: Group) -> f64 {
        let at = self
            .layout
            .groups()
            .iter()
            .position(|found| found.group == group);
        at.and_then(|at| self.solution.group_sd.get(at))
            .copied()
            .unwrap_or(0.0)
    }

    /// Columns held at 0 by the soft monotone rule, ascending.
    #[must_use]
    pub fn pinned(&self) -> &[usize] {
        &self.solution.pinned
    }

    /// Rises of the voltage curve that are falls, each confirmed by the data at 95 %.
    #[must_use]
    pub fn confirmed_falls(&self) -> Vec<usize> {
        let falls = self
            .coefficients()
            .iter()
            .enumerate()
            .filter(|(_, b)| **b < 0.0);
        falls
            .map(|(at, _)| at)
            .filter(|at| self.layout.is_rise(*at))
            .collect()
    }

    /// True when there are too few outcomes for percentages. Source: STATISTICS 9.
    #[must_use]
    pub fn rests_on_belief(&self) -> bool {
        let Counts {
            recovered,
            not_recovered,
            ..
        } = self.counts;
        recovered.saturating_add(not_recovered) < OUTCOMES_MIN
            || recovered.min(not_recovered) < OF_EITHER_KIND_MIN
    }

    /// Steps it took, and whether it came to rest.
    #[must_use]
    pub fn iterations(&self) -> (u32, bool) {
        (self.solution.iterations, self.solution.converged)
    }

    /// Digest of the stored form of the fit it started from; `None` when started cold.
    #[must_use]
    pub fn started_from(&self) -> Option<[u8; 32]> {
        self.started_from
    }

    /// Variance of a single case beyond the model: the world is not exactly logistic. What is believed of it, and what
    /// was measured.
    #[must_use]
    pub fn lack_of_fit_variance(&self) -> f64 {
        let believed = match self.basis() {
            Basis::LeadAcid(prior) => prior.lack_of_fit_variance(self.group_sd(Group::Cell)),
            Basis::Lithium(version) => version.lack_of_fit_variance(),
        };
        believed + MISFIT_FACTOR * self.misfit_variance.unwrap_or(0.0)
    }

    /// Variance of the log-odds by which similar batteries miss the model together: 0 where nothing was seen, or with
    /// fewer than 2,000 outcomes; `None` for a fit of the first design, which did not look.
    #[must_use]
    pub fn misfit_variance(&self) -> Option<f64> {
        self.misfit_variance
    }

    /// Lays a battery out in the columns of this fit.
    #[must_use]
    pub fn place(&self, features: &Features, shop: Option<Uuid>) -> Placed {
        self.layout.place(features, shop)
    }

    /// Prior variance of a sparse combination of columns, with the group scales of this fit.
    #[must_use]
    pub fn prior_variance(&self, entries: &[(usize, f64)]) -> f64 {
        self.layout.prior_variance(entries, &self.solution.group_sd)
    }

    /// Name and block of a column; `None` past the last.
    #[must_use]
    pub fn column(&self, at: usize) -> Option<(String, Block)> {
        self.layout.column(at)
    }

    /// The part of a column; `None` past the last.
    #[must_use]
    pub fn block(&self, at: usize) -> Option<Block> {
        self.layout.block(at)
    }

    /// Coefficients of this fit laid out for other columns; new shops start at 0.
    fn start_for(&self, other: &Layout, cold: Start) -> Start {
        let (own_fixed, fixed) = (self.layout.fixed(), other.fixed());
        if own_fixed != fixed || self.solution.group_sd.len() != cold.group_sd.len() {
            return cold;
        }
        let own = self.coefficients();
        let (terms, groups) = own.split_at(own_fixed.min(own.len()));
        let (own_shops, rest) = groups.split_at(self.layout.shop_columns().min(groups.len()));
        let mut coefficients = terms.to_vec();
        if other.shop_columns() > 0 {
            for shop in other.shops() {
                let at = self.shops().binary_search(shop).ok();
                let known = at.and_then(|at| own_shops.get(at));
                coefficients.push(known.copied().unwrap_or(0.0));
            }
        }
        coefficients.extend_from_slice(rest);
        Start {
            coefficients,
            group_sd: self.solution.group_sd.clone(),
            keep_curvature_below: WARM_STEP,
        }
    }
}
