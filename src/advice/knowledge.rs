//! What the outcomes of a group taught: the fitted models, the cases behind them, what readings say.
//!
//! Made from one group's rows alone, so that another group's data cannot move an answer.

use chrono::{DateTime, Utc};

use super::readings::Readings;
use crate::model::fit::{Basis, Family, Fit, Label, LithiumVersion, Observation, Request, fit};
use crate::model::logistic::Undetermined;
use crate::model::prior::{Features, Prior};
use crate::model::similar::{self, PastCase, PastCases, Traits};
use crate::model::standing::Reserve;
use crate::record::words::{Chemistry, Method, TesterState};

/// The models of a group, one a family.
#[derive(Debug, Clone, PartialEq)]
pub struct Fits {
    /// Flooded, glass mat, gel.
    pub lead_acid: Fit,
    /// Lithium iron phosphate.
    pub lithium: Fit,
}

impl Fits {
    /// Fits both families; `start` saves steps.
    ///
    /// # Errors
    /// `Undetermined` when a feature is not a number.
    pub fn new(
        prior: &Prior,
        observations: &[Observation],
        (cutoff, start): (DateTime<Utc>, Option<&Self>),
    ) -> Result<Self, Undetermined> {
        let with = |basis, start| {
            let request = Request {
                basis,
                cutoff,
                start,
            };
            fit(observations, request)
        };
        let lead_acid = start.map(|fits| &fits.lead_acid);
        Ok(Self {
            lead_acid: with(Basis::LeadAcid(prior.clone()), lead_acid)?,
            lithium: with(
                Basis::Lithium(LithiumVersion::CURRENT),
                start.map(|fits| &fits.lithium),
            )?,
        })
    }

    /// The model a battery is judged by.
    #[must_use]
    pub fn of(&self, chemistry: Chemistry) -> &Fit {
        match Family::of(chemistry) {
            Family::LeadAcid => &self.lead_acid,
            Family::Lithium => &self.lithium,
        }
    }
}

/// Why answers are held back, found by scoring those that were given before.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Standing {
    /// Of every answer, the gravest first.
    pub reserves: Vec<Reserve>,
    /// Methods whose answers drift.
    pub drifted: Vec<Method>,
}

impl Standing {
    /// Why an answer for a method is not to be relied on; `None` when nothing speaks against it.
    ///
    /// `n` outcomes of the same voltage and months are known, `y` of them recovered.
    #[must_use]
    pub fn unreliable(&self, method: Method, (y, n): (u64, u64)) -> Option<String> {
        let why = if self.reserves.contains(&Reserve::BadCalibration) {
            "past answers were too bold or too timid for what came of them".to_owned()
        } else if self.reserves.contains(&Reserve::Drift) {
            "what comes of attempts has drifted away from the answers, and nobody has looked into it".to_owned()
        } else if self.drifted.contains(&method) {
            format!(
                "what comes of attempts by {method} has drifted away from the answers, and nobody has looked into it"
            )
        } else {
            return None;
        };
        let count = if n < COUNTED_MIN {
            format!(
                "only {n} batteries of the same voltage and months were tried: too few to count on"
            )
        } else {
            format!(
                "of {n} batteries of the same voltage and months {y} came back: rely on that count"
            )
        };
        Some(format!("{why}; {count}"))
    }
}

/// Outcomes of a band from which its count is shown as something to rely on. Source: STATISTICS 9.
const COUNTED_MIN: u64 = 5;

/// All that an answer rests on, beside the shop's own sheet.
#[derive(Debug, Clone)]
pub struct Knowledge {
    /// Why answers are held back.
    pub standing: Standing,
    /// The models.
    pub fits: Fits,
    /// What readings said of batteries presented before.
    pub readings: Readings,
    cases: Vec<Observation>,
    past: PastCases,
}

/// A past case near the one asked about, told as a story; never used for the chance.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Similar {
    /// Rest voltage scaled to six cells, V.
    pub v12: f64,
    /// Months since the last full charge.
    pub months_since_full_charge: Option<f64>,
    /// Age, months.
    pub age_months: Option<f64>,
    /// Construction.
    pub chemistry: Chemistry,
    /// What the tester did.
    pub tester: TesterState,
    /// What came of it.
    pub recovered: bool,
    /// How far it is from the one asked about: 0 the same, 2 the farthest shown.
    pub distance: f64,
}

impl Knowledge {
    /// Of fits, the observations behind them, and what readings said.
    #[must_use]
    pub fn new(fits: Fits, observations: Vec<Observation>, readings: Readings) -> Self {
        let past: Vec<PastCase> = (0..)
            .zip(&observations)
            // What would have come of a charge that was cut short is no story.
            .filter(|(_, seen)| !matches!(seen.label, Label::Soft(_)))
            .map(|(id, seen)| PastCase {
                id,
                traits: traits(&seen.features),
                recovered: seen.label.value() > 0.5,
            })
            .collect();
        Self {
            past: PastCases::new(&past),
            cases: observations,
            fits,
            readings,
            standing: Standing::default(),
        }
    }

    /// The same, held back for these reasons.
    #[must_use]
    pub fn with_standing(mut self, standing: Standing) -> Self {
        self.standing = standing;
        self
    }

    /// Without any outcome: belief alone.
    ///
    /// # Errors
    /// `Undetermined` when the prior is not a proper one.
    pub fn belief(prior: &Prior) -> Result<Self, Undetermined> {
        let fits = Fits::new(prior, &[], (DateTime::UNIX_EPOCH, None))?;
        Ok(Self::new(fits, Vec::new(), Readings::default()))
    }

    /// Outcomes behind the fits, in the order of their attempts' ids.
    #[must_use]
    pub fn cases(&self) -> &[Observation] {
        &self.cases
    }

    /// Outcomes known.
    #[must_use]
    pub fn len(&self) -> usize {
        self.cases.len()
    }

    /// True without any outcome.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.cases.is_empty()
    }

    /// Past cases like this one, nearest first, and whether an answer leaves what was seen.
    #[must_use]
    pub fn similar(&self, features: &Features, n_eq: f64) -> (Vec<Similar>, bool) {
        let near = self.past.nearest(&traits(features));
        let leaves = similar::extrapolates(n_eq, &near, None);
        let story = |one: &similar::Near| {
            let seen = self.cases.get(usize::try_from(one.id).ok()?)?;
            Some(Similar {
                v12: seen.features.v12,
                months_since_full_charge: seen.features.months,
                age_months: seen.features.age_months,
                chemistry: seen.features.chemistry,
                tester: seen.features.tester,
                recovered: one.recovered,
                distance: one.distance,
            })
        };
        (near.iter().filter_map(story).collect(), leaves)
    }
}

fn traits(features: &Features) -> Traits {
    Traits {
        v12: features.v12,
        months: features.months,
        age_months: features.age_months,
        chemistry: features.chemistry,
        tester: features.tester,
    }
}
