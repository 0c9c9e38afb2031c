//! "Is this battery worth an attempt?": hazard stops first, then chance against cost, then why.
//!
//! Pure: the question carries everything, counts and cost sheet are handed in, the answer is a
//! `Verdict` that is stored as it is. Every answer, a stop too, carries cautions.

pub mod again;
pub mod cautions;
pub mod economics;
pub mod hazard;
pub mod knowledge;
pub mod plan;
pub mod readings;
pub mod reasons;
pub mod running;
pub mod stop_rules;
#[cfg(test)]
mod tests;
pub mod text;
pub mod voltage_class;

pub use text::render_text;

use uuid::Uuid;

use crate::model::belief::{BandCounts, Chance};
use crate::model::ladder::{self, AuditPolicy, AuditState, Decision, Rung};
use crate::model::prior::Features;
use crate::model::value::Stakes;
use crate::record::visit::Visit;
use crate::record::words::{Answer, Method};
use economics::{CostItem, CostSheet, Economics};
use hazard::Hazard;
use knowledge::{Knowledge, Similar};
use readings::WorthReading;
use reasons::{Case, Reason};
use stop_rules::StopRule;
use voltage_class::VoltageClass;

/// What an answer needs to know of the shop, besides its costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct ShopContext {
    /// Which shop; `None` for one that no outcome can be of.
    pub shop: Option<Uuid>,
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
    /// The reading worth most before deciding, when one is worth anything.
    pub reading: Option<WorthReading>,
    /// Past cases like this one, nearest first: stories, never used for the chance.
    pub similar: Vec<Similar>,
    /// True when no past case is like this one: the chance is drawn from others.
    pub extrapolates: bool,
    /// Why the chance is not to be relied on, and what the counts say; `None` when nothing speaks against it.
    pub unreliable: Option<String>,
    /// Confidence that trying pays, 0 to 1; 0 at a hazard stop.
    pub pays_confidence: f64,
    /// Chance that the policy says attempt to such a case, were no reading taken; 0 at a stop.
    pub propensity: f64,
    /// Limits for whoever watches a charge; empty at a hazard stop.
    pub stop_rules: Vec<StopRule>,
    /// What goes with every answer; never empty.
    pub cautions: Vec<&'static str>,
    /// Design, prior and bands the answer was worked out with.
    pub model_version: String,
}

/// Answers whether a battery is worth an attempt.
///
/// A hazard stops before any statistics. Then five rungs: measure first when a reading is worth
/// more than it costs, attempt when the expected gain, chance x worth - cost, is above 0, now and
/// then an audit attempt that teaches, else `do_not_attempt`.
/// Source: ARCHITECTURE 7, STATISTICS 5; archetypes of DOMAIN 7 are tests.
#[must_use]
pub fn advise(
    question: &Question,
    counts: &BandCounts,
    sheet: &CostSheet,
    (knowledge, audits): (&Knowledge, AuditState),
) -> Verdict {
    let visit = &question.visit;
    let found = hazard::hazards(visit);
    let features = question.features();
    let fit = knowledge.fits.of(features.chemistry);
    let model_version = format!("{}/{}", fit.version(), crate::model::belief::BANDS_VERSION);
    if !found.is_empty() {
        return stop(question, &found, model_version);
    }
    let Judged {
        chance,
        economics,
        reading,
        decision,
        propensity,
    } = judge((question, &features), counts, sheet, (knowledge, audits));
    let (similar, extrapolates) = knowledge.similar(&features, chance.n_eq);
    let class = VoltageClass::of(features.v12);
    let case = Case {
        visit,
        features,
        method_is_assumed: question.method.is_none(),
        chance,
        economics: &economics,
        weights: fit.reasons(&features, question.shop.shop),
        family: fit.family(),
        similar: &similar,
        extrapolates,
        reading: reading.filter(|_| decision.rung == Rung::MeasureFirst),
        audit: (decision.rung == Rung::AuditAttempt).then_some(chance.n_eq),
    };
    Verdict {
        answer: answer_of(decision.rung),
        chance: Some(chance),
        voltage_class: Some(class),
        plan: Some(class.plan()),
        method: features.method,
        reasons: reasons::explain(&case),
        would_flip: Some(reasons::would_flip(&economics)),
        reading: reading.filter(|reading| reading.net > 0.0),
        extrapolates,
        unreliable: knowledge
            .standing
            .unreliable(features.method, (chance.recovered_band, chance.n_band)),
        pays_confidence: decision.pays_confidence,
        propensity,
        stop_rules: stop_rules::stop_rules(&visit.battery, class),
        cautions: cautions_of(visit),
        model_version,
        similar,
        economics: Some(economics),
    }
}

/// Chance, money and rung of an answer that is no hazard stop.
struct Judged {
    chance: Chance,
    economics: Economics,
    reading: Option<WorthReading>,
    decision: Decision,
    propensity: f64,
}

fn judge(
    (question, features): (&Question, &Features),
    counts: &BandCounts,
    sheet: &CostSheet,
    (knowledge, audits): (&Knowledge, AuditState),
) -> Judged {
    let (fit, shop) = (knowledge.fits.of(features.chemistry), question.shop.shop);
    let estimate = fit.predict(features, shop);
    let chance = Chance {
        mean: estimate.mean,
        lower: estimate.lower,
        upper: estimate.upper,
        level: estimate.level,
        n_eq: estimate.n_eq,
        n_band: counts.band.labelled(),
        recovered_band: counts.band.recovered,
        belief_only: estimate.belief_only,
    };
    let economics = sheet.weigh(question.visit.replacement_price, chance.mean);
    let stakes = Stakes {
        worth: economics.worth,
        cost: economics.cost,
    };
    let labour_per_h = sheet.value(CostItem::LabourPerH, economics.price);
    let reading =
        knowledge
            .readings
            .best((fit, shop), features, (stakes, chance.mean), labour_per_h);
    let case = ladder::Case {
        hazard: false,
        chance: chance.mean,
        chance_upper: chance.upper,
        eta: estimate.log_odds,
        sd: estimate.sd,
        equivalent_count: chance.n_eq,
        stakes,
        best_reading: reading.map(|reading| reading.net),
    };
    let policy = AuditPolicy::default();
    let decision = ladder::decide(&case, &policy, &audits);
    let unread = ladder::Case {
        best_reading: None,
        ..case
    };
    let propensity = ladder::decide(&unread, &policy, &audits).propensity;
    Judged {
        chance,
        economics,
        reading,
        decision,
        propensity: propensity.unwrap_or(0.0),
    }
}

fn answer_of(rung: Rung) -> Answer {
    match rung {
        Rung::HazardStop => Answer::HazardStop,
        Rung::MeasureFirst => Answer::MeasureFirst,
        Rung::Attempt => Answer::Attempt,
        Rung::AuditAttempt => Answer::AuditAttempt,
        Rung::DoNotAttempt => Answer::DoNotAttempt,
    }
}

/// The answer to a battery that must not be charged.
fn stop(question: &Question, found: &[Hazard], model_version: String) -> Verdict {
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
        reading: None,
        similar: Vec::new(),
        extrapolates: false,
        unreliable: None,
        pays_confidence: 0.0,
        propensity: 0.0,
        stop_rules: Vec::new(),
        cautions: cautions_of(&question.visit),
        model_version,
    }
}

/// The cautions of a visit.
fn cautions_of(visit: &Visit) -> Vec<&'static str> {
    let is_low = visit.electrolyte_low == Some(true);
    cautions::cautions(visit.battery.chemistry, is_low, &visit.flags)
}
