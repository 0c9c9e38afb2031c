//! The model of lithium packs: six coefficients with wide priors, no groups.
//!
//! All numbers are our choice, no source: too little is known of recovered lithium packs for more.
//! What is not known counts as the reference value, for six coefficients leave no room to ask
//! whether "not known" says something.

use super::layout::Block;
use crate::model::logistic::{Gaussian, Model};
use crate::model::prior::Features;
use crate::record::words::{TesterState, vocabulary};

vocabulary! {
    /// Versions of columns, prior and lack of fit.
    LithiumVersion {
        /// The first: fits that were stored with it answer as they did.
        First = "lithium-1",
        /// A wider prior for an output that is off, and the spread of everything that is left out.
        Second = "lithium-2",
    }
}

impl LithiumVersion {
    /// The one that is fitted.
    pub const CURRENT: Self = Self::Second;

    /// Variance of a single case beyond the model.
    ///
    /// Six coefficients leave out shop, method, storage, segment and cell: what the lead-acid prior gives those
    /// (.35, .25, .25, .20 squared, and 1.5 times .30 squared; STATISTICS 2) belongs to the single case here.
    pub(super) fn lack_of_fit_variance(self) -> f64 {
        match self {
            Self::First => 0.25,
            Self::Second => 0.4225,
        }
    }

    /// Spread of what is believed of a coefficient, log-odds.
    pub(super) fn sd(self, of: &LithiumTerm) -> f64 {
        match (self, of.name) {
            (Self::First, "output_off") => 1.0,
            _ => of.sd,
        }
    }
}

/// Below this the protection has most likely opened: V of a 12 V pack. Common practice, no source.
const OUTPUT_OFF_V: f64 = 2.0;
/// Where the voltage term is 0, V: four cells at rest. Common practice, no source.
const REFERENCE_V: f64 = 13.0;

/// One coefficient.
pub(super) struct LithiumTerm {
    pub(super) name: &'static str,
    pub(super) block: Block,
    pub(super) mean: f64,
    pub(super) sd: f64,
}

const fn term(name: &'static str, block: Block, mean: f64, sd: f64) -> LithiumTerm {
    LithiumTerm {
        name,
        block,
        mean,
        sd,
    }
}

/// The six, in the order of `entries`.
pub(super) const TERMS: [LithiumTerm; 6] = [
    term("intercept", Block::Base, 0.0, 1.5),
    // Protection that did its work, or cells below what they bear: the sign is not known beforehand.
    term("output_off", Block::Voltage, 0.0, 2.0),
    term("volts", Block::Voltage, 0.0, 0.7),
    term("months", Block::Months, -0.2, 0.5),
    term("age", Block::Age, -0.2, 0.4),
    term("no_power_up", Block::Tester, 0.0, 0.7),
];

/// Values of a pack in the six columns, without zeros.
pub(super) fn entries(of: &Features) -> impl Iterator<Item = (usize, f64)> {
    let off = of.v12 < OUTPUT_OFF_V;
    let volts = if off {
        0.0
    } else {
        (of.v12 - REFERENCE_V).clamp(-4.0, 2.0)
    };
    let months = of
        .months
        .map_or(0.0, |months| libm::log1p(months.max(0.0)) - libm::log(5.0));
    let values = [
        1.0,
        f64::from(u8::from(off)),
        volts,
        months,
        of.age_months.map_or(0.0, |months| months / 12.0 - 3.0),
        f64::from(u8::from(of.tester == TesterState::NoPowerUp)),
    ];
    values.into_iter().enumerate().filter(|(_, x)| *x != 0.0)
}

/// Prior for the solver.
pub(super) fn model(version: LithiumVersion) -> Model {
    let mut prior = Gaussian::flat(TERMS.len());
    prior.mean = TERMS.iter().map(|term| term.mean).collect();
    for (at, term) in TERMS.iter().enumerate() {
        let sd = version.sd(term);
        prior.precision.set(at, at, 1.0 / (sd * sd));
    }
    Model {
        prior,
        groups: Vec::new(),
        rising: Vec::new(),
    }
}
