//! "Is this battery worth an attempt?": hazard stops first, then chance against cost, then why.
//!
//! Pure: the question carries everything, counts and cost sheet are handed in, the answer is a
//! `Verdict` that is stored as it is. Every answer, a stop too, carries cautions.

pub mod cautions;
pub mod economics;
pub mod hazard;
pub mod plan;
pub mod reasons;
pub mod stop_rules;
#[cfg(test)]
mod tests;
pub mod text;
pub mod voltage_class;

pub use text::render_text;

use crate::model::belief::{self, BandCounts, Chance};
use crate::model::prior::{Features, Prior};
use crate::record::visit::Visit;
use crate::record::words::{Answer, Method};
use economics::{CostSheet, Economics};
use hazard::Hazard;
use reasons::{Case, Reason};
use stop_rules::StopRule;
use voltage_class::VoltageClass;

/// What an answer needs to know of the shop, besides its costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct ShopContext {
    /// Method the shop mostly uses; `unknown` when it did not say.
    pub usual_method: Method,
    /// South of the equator: winter is half a year later.
    pub southern: bool,
}

/// A battery on the bench and what is meant to be done with it.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Question {
    /// The battery as presented.
    pub visit: Visit,
    /// Method that is meant; `None` takes the shop's usual one, and the answer says so.
    pub method: Option<Method>,
    /// Where it is asked.
    pub shop: ShopContext,
}

impl Question {
    /// Method the answer is for.
    #[must_use]
    pub fn method(&self) -> Method {
        self.method.unwrap_or(self.shop.usual_method)
    }

    /// The battery as the model sees it.
    #[must_use]
    pub fn features(&self) -> Features {
        Features::of_visit(&self.visit, self.method(), self.shop.southern)
    }
}

/// Our answer, with everything it rests on.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Verdict {
    /// Whether to try.
    pub answer: Answer,
    /// Chance of recovery with range and counts; `None` at a hazard stop.
    pub chance: Option<Chance>,
    /// Worth, cost, break-even, expected gain; `None` at a hazard stop.
    pub economics: Option<Economics>,
    /// Class of the rest voltage; `None` at a hazard stop.
    pub voltage_class: Option<VoltageClass>,
    /// What to do with it if it is charged; `None` at a hazard stop.
    pub plan: Option<&'static str>,
    /// Method the answer is for.
    pub method: Method,
    /// Why, in fixed order.
    pub reasons: Vec<Reason>,
    /// What would turn the answer round.
    pub would_flip: Option<String>,
    /// Limits for whoever watches a charge; empty at a hazard stop.
    pub stop_rules: Vec<StopRule>,
    /// What goes with every answer; never empty.
    pub cautions: Vec<&'static str>,
    /// Prior and bands the answer was worked out with.
    pub model_version: String,
}

/// Answers whether a battery is worth an attempt.
///
/// A hazard stops before any statistics. Then the answer is `attempt` when the expected gain,
/// chance x worth - cost, is above 0, else `do_not_attempt`.
/// Source: ARCHITECTURE 7, STATISTICS 5; archetypes of DOMAIN 7 are tests.
#[must_use]
pub fn advise(
    question: &Question,
    counts: &BandCounts,
    sheet: &CostSheet,
    prior: &Prior,
) -> Verdict {
    let visit = &question.visit;
    let found = hazard::hazards(visit);
    if !found.is_empty() {
        return stop(question, &found, prior);
    }
    let features = question.features();
    let chance = belief::chance(prior, &features, counts);
    let economics = sheet.weigh(visit.replacement_price, chance.mean);
    let class = VoltageClass::of(features.v12);
    let case = Case {
        visit,
        features,
        method_is_assumed: question.method.is_none(),
        chance,
        economics: &economics,
    };
    Verdict {
        answer: if economics.pays() {
            Answer::Attempt
        } else {
            Answer::DoNotAttempt
        },
        chance: Some(chance),
        voltage_class: Some(class),
        plan: Some(class.plan()),
        method: features.method,
        reasons: reasons::explain(&case),
        would_flip: Some(reasons::would_flip(&economics)),
        stop_rules: stop_rules::stop_rules(&visit.battery, class),
        cautions: cautions_of(visit),
        model_version: belief::model_version(prior),
        economics: Some(economics),
    }
}

/// The answer to a battery that must not be charged.
fn stop(question: &Question, found: &[Hazard], prior: &Prior) -> Verdict {
    let is_misreading = found.iter().all(|hazard| hazard.may_be_a_misreading());
    Verdict {
        answer: Answer::HazardStop,
        chance: None,
        economics: None,
        voltage_class: None,
        plan: None,
        method: question.method(),
        reasons: found
            .iter()
            .map(|hazard| Reason::of_hazard(*hazard))
            .collect(),
        would_flip: is_misreading
            .then(|| "Correct the reading or the label and ask again.".to_owned()),
        stop_rules: Vec::new(),
        cautions: cautions_of(&question.visit),
        model_version: belief::model_version(prior),
    }
}

/// The cautions of a visit.
fn cautions_of(visit: &Visit) -> Vec<&'static str> {
    let is_low = visit.electrolyte_low == Some(true);
    cautions::cautions(visit.battery.chemistry, is_low, &visit.flags)
}
