//! "Again?": the morning question after a first charge that did not bring a battery back.

use std::fmt::Write as _;

use super::cautions;
use super::economics::{CostSheet, Economics};
use super::hazard;
use crate::model::again::{AgainChance, AgainModel, Morning, VERSION};
use crate::model::interval::{Interval, jeffreys};
use crate::model::table::RATE_N_MIN;
use crate::record::visit::Visit;
use crate::record::words::{Answer, OutcomeClass};

/// Rest after which the voltage tells what the charge left, min: as the ladder of retests asks for.
pub const REST_MIN: f64 = 480.0;

/// Findings of the first charge that no second one mends, each with why. Source: DOMAIN 3.
const NOT_MENDED: [(&str, &str); 6] = [
    (
        "shorted_cell",
        "a cell is shorted, and no charge opens a short",
    ),
    (
        "several_shorted",
        "several cells are lost, and no charge brings them back",
    ),
    (
        "open_cell",
        "a cell or strap does not conduct, and no charge joins it",
    ),
    ("reversed_cell", "a cell was charged the wrong way round"),
    ("dried_out", "water is lost, and a charge drives out more"),
    (
        "lithium_on_lead_program",
        "it behaves like lithium iron phosphate: a lead-acid program is not for it",
    ),
];

/// Names of the findings that no second charge mends.
pub fn not_mended() -> impl Iterator<Item = &'static str> {
    NOT_MENDED.iter().map(|(name, _)| *name)
}

/// What is known of the first charge.
#[derive(Debug, Clone, PartialEq)]
pub struct FirstCharge {
    /// How it came out so far.
    pub class: OutcomeClass,
    /// Log-odds of recovery before it, without its own outcome.
    pub before: f64,
    /// Newest voltage at rest after it, V of six cells, and how long it had rested, min.
    pub rested: Option<(f64, f64)>,
    /// Names of what the analysis saw in it and did not take back.
    pub findings: Vec<&'static str>,
}

/// The answer, with what it rests on.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AgainAnswer {
    /// Whether to try once more; `measure_first` asks for the voltage after a rest.
    pub answer: Answer,
    /// Chance of a second charge; `None` where it was not asked for.
    pub chance: Option<AgainChance>,
    /// Interval of the counted rate of the group's second attempts; `None` below 5 of them.
    pub counted: Option<Interval>,
    /// Money of one more night; `None` where it was not weighed.
    pub economics: Option<Economics>,
    /// Why, in fixed order.
    pub reasons: Vec<String>,
    /// What would turn the answer round.
    pub would_flip: Option<String>,
    /// What goes with every answer; never empty.
    pub cautions: Vec<String>,
    /// Version of the model of second attempts.
    pub model_version: String,
}

/// Answers whether one more charge is worth it, after a first that did not bring the battery back.
///
/// A hazard stops before any statistics, then what no charge mends, then the rested voltage is asked
/// for; last the expected gain of one more night decides.
#[must_use]
pub fn advise_again(
    visit: &Visit,
    first: &FirstCharge,
    sheet: &CostSheet,
    model: &AgainModel,
) -> AgainAnswer {
    let is_low = visit.electrolyte_low == Some(true);
    let answered = |answer, reasons| AgainAnswer {
        answer,
        chance: None,
        counted: None,
        economics: None,
        reasons,
        would_flip: None,
        cautions: cautions::cautions(visit.battery.chemistry, is_low, &visit.flags)
            .into_iter()
            .map(str::to_owned)
            .collect(),
        model_version: VERSION.to_owned(),
    };
    let hazards = hazard::hazards(visit);
    if !hazards.is_empty() {
        let told = hazards.iter().map(|one| one.sentence().to_owned());
        return answered(Answer::HazardStop, told.collect());
    }
    let seen: Vec<String> = NOT_MENDED
        .iter()
        .filter(|(kind, _)| first.findings.contains(kind))
        .map(|(kind, why)| {
            let name = kind.replace('_', " ");
            format!("The first charge showed: {name}; {why}.")
        })
        .collect();
    if !seen.is_empty() {
        return answered(Answer::DoNotAttempt, seen);
    }
    let Some((v12, _)) = first.rested.filter(|(_, minutes)| *minutes >= REST_MIN) else {
        let hours = REST_MIN / 60.0;
        let rested = match first.rested {
            Some((v12, minutes)) => format!(
                "It read {v12:.2} V after {minutes:.0} min: a surface charge still hides what the \
                 first charge left."
            ),
            None => "No voltage at rest was recorded after the first charge.".to_owned(),
        };
        let wish =
            format!("Let it rest {hours:.0} h off the charger, read its voltage, ask again.");
        return answered(Answer::MeasureFirst, vec![rested, wish]);
    };
    let morning = Morning {
        before: first.before,
        v12,
        partly: first.class == OutcomeClass::PartiallyRecovered,
    };
    let chance = model.chance(&morning);
    let economics = sheet.weigh(visit.replacement_price, chance.mean);
    let answer = if economics.pays() {
        Answer::Attempt
    } else {
        Answer::DoNotAttempt
    };
    AgainAnswer {
        would_flip: Some(would_flip(model, &morning, &economics)),
        counted: (chance.n >= RATE_N_MIN)
            .then(|| jeffreys(chance.recovered, chance.n, chance.level))
            .flatten(),
        chance: Some(chance),
        ..AgainAnswer {
            economics: Some(economics),
            ..answered(answer, reasons(&morning, &chance))
        }
    }
}

fn reasons(morning: &Morning, chance: &AgainChance) -> Vec<String> {
    let before = 100.0 * crate::model::normal::logistic(morning.before);
    let mut reasons = vec![
        format!(
            "After its rest it stands at {:.2} V (12 V scale).",
            morning.v12
        ),
        format!(
            "Before the first charge its chance was {before:.0} %; the first did not bring it back."
        ),
    ];
    if morning.partly {
        reasons.push("The first charge brought it back in part.".to_owned());
    }
    reasons.push(if chance.belief_only {
        format!(
            "Second attempts of this group: {} of {} came back; too few to say more than belief.",
            chance.recovered, chance.n
        )
    } else {
        format!(
            "Second attempts of this group: {} of {} came back.",
            chance.recovered, chance.n
        )
    });
    reasons
}

fn would_flip(model: &AgainModel, morning: &Morning, economics: &Economics) -> String {
    let Some(needed) = economics.break_even.filter(|needed| *needed <= 1.0) else {
        return "No chance pays for one more night at this price of a replacement.".to_owned();
    };
    let chance = 100.0 * needed;
    match model.voltage_for(morning, needed) {
        Some(v12) if economics.pays() => {
            format!("It would no longer pay below {v12:.2} V at rest (break-even {chance:.0} %).")
        }
        Some(v12) => {
            format!("It would pay from {v12:.2} V at rest (break-even {chance:.0} %).")
        }
        None => format!("No rested voltage reaches the break-even of {chance:.0} %."),
    }
}

/// The answer as plain text.
#[must_use]
pub fn render_again(answer: &AgainAnswer) -> String {
    let mut out = match answer.answer {
        Answer::Attempt | Answer::AuditAttempt => "One more attempt: worth it on average.\n",
        Answer::MeasureFirst => "Measure first.\n",
        Answer::HazardStop => "Stop: do not charge it.\n",
        Answer::DoNotAttempt => "No second attempt.\n",
    }
    .to_owned();
    // Writing to a String cannot fail.
    if let Some(chance) = &answer.chance {
        let shown = |share: f64| {
            if chance.belief_only {
                10.0 * (10.0 * share).round()
            } else {
                (100.0 * share).round()
            }
        };
        let _ = writeln!(
            out,
            "Chance {}{:.0} % ({:.0} % range {:.0} to {:.0} %), worth about {:.0} similar batteries.",
            if chance.belief_only { "about " } else { "" },
            shown(chance.mean),
            100.0 * chance.level,
            shown(chance.lower),
            shown(chance.upper),
            chance.n_eq.max(0.0)
        );
    }
    if let Some(counted) = &answer.counted {
        let _ = writeln!(
            out,
            "Counted second attempts: {:.0} to {:.0} % came back ({:.0} % interval).",
            100.0 * counted.lower,
            100.0 * counted.upper,
            100.0 * counted.level
        );
    }
    if let Some(economics) = &answer.economics {
        let _ = writeln!(
            out,
            "One more night costs {:.2}, a recovery is worth {:.2}, expected gain {:.2} {}.",
            economics.cost,
            economics.worth,
            economics.expected_gain,
            economics
                .currency
                .as_deref()
                .unwrap_or("in the shop's currency")
        );
    }
    for reason in &answer.reasons {
        let _ = writeln!(out, "- {reason}");
    }
    if let Some(flip) = &answer.would_flip {
        let _ = writeln!(out, "{flip}");
    }
    let _ = writeln!(out, "Model {}.", answer.model_version);
    for caution in &answer.cautions {
        let _ = writeln!(out, "! {caution}");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::tests::visit;
    use crate::record::words::VisualFlag;

    fn first(rested: Option<(f64, f64)>) -> FirstCharge {
        FirstCharge {
            class: OutcomeClass::NotRecovered,
            before: 0.8,
            rested,
            findings: Vec::new(),
        }
    }

    fn ask(visit: &Visit, first: &FirstCharge) -> AgainAnswer {
        let model = AgainModel::learn(&[]).unwrap();
        let answer = advise_again(visit, first, &CostSheet::default(), &model);
        assert!(!answer.cautions.is_empty());
        let text = render_again(&answer);
        assert!(!text.to_lowercase().contains("safe "), "{text}");
        answer
    }

    #[test]
    fn hazards_come_first_then_what_no_charge_mends_then_the_rest() {
        let sound = visit(11.0, 12);
        let swollen = Visit {
            flags: vec![VisualFlag::Swollen],
            ..sound.clone()
        };
        let rested = Some((12.4, 600.0));
        let mut shorted = first(rested);
        shorted.findings = vec!["shorted_cell"];
        assert_eq!(ask(&swollen, &shorted).answer, Answer::HazardStop);
        let found = ask(&sound, &shorted);
        assert_eq!(found.answer, Answer::DoNotAttempt);
        assert!(found.reasons[0].contains("shorted cell") && found.chance.is_none());
        for early in [None, Some((12.9, 30.0))] {
            let found = ask(&sound, &first(early));
            assert_eq!(found.answer, Answer::MeasureFirst);
            assert!(found.reasons[1].contains("8 h"), "{found:?}");
        }
    }

    #[test]
    fn one_more_night_is_weighed_and_what_turns_it_round_is_told() {
        let sound = visit(11.0, 12);
        let good = ask(&sound, &first(Some((12.9, 600.0))));
        let poor = ask(&sound, &first(Some((11.0, 600.0))));
        let mean = |answer: &AgainAnswer| answer.chance.unwrap().mean;
        assert!(mean(&good) > mean(&poor) + 0.1, "{good:?} {poor:?}");
        assert_eq!(poor.answer, Answer::DoNotAttempt, "{poor:?}");
        assert!(poor.would_flip.unwrap().contains("V at rest"));
        assert!(good.counted.is_none() && good.reasons[2].contains("0 of 0"));
        let mut partly = first(Some((12.4, 600.0)));
        let plain = mean(&ask(&sound, &partly));
        partly.class = OutcomeClass::PartiallyRecovered;
        assert!(mean(&ask(&sound, &partly)) > plain);
    }
}
