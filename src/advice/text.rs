//! An answer as text for a bench: the answer first, then chance, money, why, stop rules, cautions.
//!
//! Lines are at most 100 columns. Percentages are whole numbers, and steps of 10 % while the
//! numbers rest on belief; a range is rounded outward, never narrower than it is.

use super::Verdict;
use super::economics::Economics;
use super::stop_rules::StopRule;
use crate::model::belief::Chance;
use crate::record::words::Answer;

/// Most columns of a line.
const COLUMNS: usize = 100;
/// Fewest similar batteries a chance must be worth to be called so.
const N_EQ_SHOWN_MIN: f64 = 1.5;

/// A probability as a whole percentage; the ends are not rounded to certainty.
pub(super) fn percent(p: f64) -> String {
    stepped(p, 1.0)
}

/// A probability in steps of so many percent.
fn stepped(p: f64, step: f64) -> String {
    let rounded = libm::round(p * 100.0 / step) * step;
    if rounded <= 0.0 {
        format!("under {step} %")
    } else if rounded >= 100.0 && p < 1.0 {
        format!("over {} %", 100.0 - step)
    } else {
        format!("{rounded} %")
    }
}

/// An amount with its currency, where the shop named one.
pub(super) fn money(amount: f64, currency: Option<&str>) -> String {
    match currency {
        Some(currency) => format!("{amount:.2} {currency}"),
        None => format!("{amount:.2}"),
    }
}

/// The chance in words, with its range and what it is worth.
#[must_use]
pub fn chance_sentence(chance: &Chance) -> String {
    let step = if chance.belief_only { 10.0 } else { 1.0 };
    let low = libm::floor(chance.lower * 100.0 / step) * step;
    let high = libm::ceil(chance.upper * 100.0 / step) * step;
    let mean = stepped(chance.mean, step);
    let about = if mean.starts_with(|first: char| first.is_ascii_digit()) {
        "about "
    } else {
        ""
    };
    let level = libm::round(chance.level * 100.0);
    let worth = if chance.n_eq >= N_EQ_SHOWN_MIN {
        format!(
            ", worth about {} similar batteries",
            libm::round(chance.n_eq)
        )
    } else {
        String::new()
    };
    let badge = if chance.belief_only {
        ", belief only"
    } else {
        ""
    };
    format!("{about}{mean} ({level} % range: {low} to {high} %){worth}{badge}")
}

/// The money in words.
fn money_sentence(of: &Economics) -> String {
    let amount = |value: f64| money(value, of.currency.as_deref());
    let break_even = match of.break_even {
        None => "no chance breaks even".to_owned(),
        Some(chance) if chance >= 1.0 => "no chance breaks even".to_owned(),
        Some(chance) => format!("breaks even at {}", percent(chance)),
    };
    let (word, size) = if of.expected_gain < 0.0 {
        ("loss", -of.expected_gain)
    } else {
        ("gain", of.expected_gain)
    };
    format!(
        "a recovery is worth {}, trying costs {}: {break_even}; expected {word} {}.",
        amount(of.worth),
        amount(of.cost),
        amount(size),
    )
}

/// First line: the answer and what to do.
fn heading(verdict: &Verdict) -> String {
    match verdict.answer {
        Answer::HazardStop => "HAZARD STOP: do not charge.".to_owned(),
        Answer::Attempt => format!("ATTEMPT: {}.", verdict.plan.unwrap_or("charge it")),
        Answer::AuditAttempt => {
            format!(
                "AUDIT ATTEMPT, to keep learning: {}.",
                verdict.plan.unwrap_or("charge it")
            )
        }
        Answer::MeasureFirst => match verdict.reading {
            Some(reading) => format!("MEASURE FIRST: {}.", reading.reading.wish()),
            None => "MEASURE FIRST.".to_owned(),
        },
        Answer::DoNotAttempt => "DO NOT ATTEMPT: on average it would lose money.".to_owned(),
    }
}

/// Renders an answer for a person at a bench; ends with a newline.
#[must_use]
pub fn render_text(verdict: &Verdict) -> String {
    let mut out = String::new();
    wrap(&mut out, "", &heading(verdict));
    if let Some(chance) = &verdict.chance {
        wrap(
            &mut out,
            "",
            &format!("Chance of recovery: {}.", chance_sentence(chance)),
        );
        if let Some(why) = &verdict.unreliable {
            wrap(&mut out, "", &format!("MARKED UNRELIABLE: {why}."));
        }
    }
    if let Some(economics) = &verdict.economics {
        wrap(
            &mut out,
            "",
            &format!("Money: {}", money_sentence(economics)),
        );
    }
    let reasons: Vec<&str> = verdict
        .reasons
        .iter()
        .map(|one| one.sentence.as_str())
        .collect();
    list(&mut out, "Why:", &reasons);
    if let Some(flip) = &verdict.would_flip {
        list(&mut out, "What would turn it round:", &[flip]);
    }
    let rules: Vec<String> = verdict.stop_rules.iter().map(StopRule::text).collect();
    let rules: Vec<&str> = rules.iter().map(String::as_str).collect();
    let title = if verdict.answer == Answer::DoNotAttempt {
        "Stop rules, if it is charged all the same:"
    } else {
        "Stop rules for whoever watches the charge:"
    };
    list(&mut out, title, &rules);
    list(&mut out, "Cautions:", &verdict.cautions);
    wrap(&mut out, "", &format!("Model {}.", verdict.model_version));
    out
}

/// Adds a titled list, nothing when it is empty.
pub(super) fn list(out: &mut String, title: &str, items: &[&str]) {
    if !items.is_empty() {
        wrap(out, "", title);
    }
    for item in items {
        wrap(out, "  - ", item);
    }
}

/// Adds words in lines of at most `COLUMNS`; later lines are indented as deep as `lead` is wide.
pub(super) fn wrap(out: &mut String, lead: &str, text: &str) {
    let indent = " ".repeat(lead.len());
    let mut width = lead.len();
    out.push_str(lead);
    for (place, word) in text.split_whitespace().enumerate() {
        let long = word.chars().count();
        if place > 0 && width + 1 + long > COLUMNS {
            out.push('\n');
            out.push_str(&indent);
            width = indent.len();
        } else if place > 0 {
            out.push(' ');
            width += 1;
        }
        out.push_str(word);
        width += long;
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chance(mean: f64, lower: f64, upper: f64, belief_only: bool) -> Chance {
        let (level, n_eq, n_band, recovered_band) = (0.90, 2.2, 0, 0);
        Chance {
            mean,
            lower,
            upper,
            level,
            n_eq,
            n_band,
            recovered_band,
            belief_only,
        }
    }

    // Source: STATISTICS 9: belief in steps of 10 %; 4: "below 10 %", never "0 %".
    #[test]
    fn belief_is_told_in_steps_of_ten_and_never_as_certainty() {
        assert_eq!(
            chance_sentence(&chance(0.714, 0.214, 0.991, true)),
            "about 70 % (90 % range: 20 to 100 %), worth about 2 similar batteries, belief only"
        );
        assert!(chance_sentence(&chance(0.03, 0.0, 0.2, true)).starts_with("under 10 % "));
        assert!(chance_sentence(&chance(0.97, 0.6, 1.0, true)).starts_with("over 90 % "));
    }

    #[test]
    fn outcomes_are_told_in_whole_percent_with_the_range_rounded_outward() {
        let thin = Chance {
            n_eq: 1.4,
            ..chance(0.6149, 0.3871, 0.8121, false)
        };
        assert_eq!(
            chance_sentence(&thin),
            "about 61 % (90 % range: 38 to 82 %)"
        );
        assert_eq!(percent(0.001), "under 1 %");
        assert_eq!(percent(0.999), "over 99 %");
        assert_eq!(percent(1.0), "100 %");
    }

    #[test]
    fn long_lines_are_wrapped_and_indented_under_their_item() {
        let mut out = String::new();
        wrap(&mut out, "  - ", &"battery ".repeat(30));
        assert!(
            out.lines().count() == 3 && out.lines().all(|line| line.len() <= COLUMNS),
            "{out}"
        );
        assert!(
            out.lines()
                .skip(1)
                .all(|line| line.starts_with("    battery")),
            "{out}"
        );
    }

    #[test]
    fn money_names_a_currency_only_when_the_shop_did() {
        assert_eq!(money(12.5, Some("EUR")), "12.50 EUR");
        assert_eq!(money(12.5, None), "12.50");
    }
}
