//! A report for people: every figure with its unit, what is not known, the cautions.

use std::fmt::Write as _;

use serde_json::Value;

use crate::advice::cautions::cautions;
use crate::query::watch::STANDING_SHORT;
use crate::record::words::Chemistry;

/// Widest line.
const WIDTH: usize = 88;

/// A part of a report; nothing where it is missing.
fn part<'a>(of: &'a Value, path: &str) -> &'a Value {
    of.pointer(path).unwrap_or(&Value::Null)
}

/// A figure at a path of the report.
fn number(of: &Value, path: &str) -> Option<f64> {
    of.pointer(path)?.as_f64()
}

fn word<'a>(of: &'a Value, path: &str) -> &'a str {
    of.pointer(path).and_then(Value::as_str).unwrap_or_default()
}

fn list<'a>(of: &'a Value, path: &str) -> impl Iterator<Item = &'a Value> {
    of.pointer(path)
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
}

/// `shorted_cell` as people write it.
fn plain(word: &str) -> String {
    word.replace('_', " ")
}

/// Adds a paragraph: a name in the first column, the text beside it, broken between words.
fn line(out: &mut String, name: &str, text: &str) {
    const COLUMN: usize = 20;
    let mut at = format!("{name:<COLUMN$}");
    let mut filled = false;
    for word in text.split_whitespace() {
        if filled && at.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{}", at.trim_end());
            at = " ".repeat(COLUMN);
            filled = false;
        }
        if filled {
            at.push(' ');
        }
        at.push_str(word);
        filled = true;
    }
    let _ = writeln!(out, "{}", at.trim_end());
}

/// Minutes of the run as hours and minutes.
fn span(ms: f64) -> String {
    let minutes = (ms / 60_000.0).round();
    let hours = (minutes / 60.0).floor();
    if hours > 0.0 {
        format!("{hours:.0} h {:.0} min", minutes - 60.0 * hours)
    } else {
        format!("{minutes:.0} min")
    }
}

/// Renders an account: `report`, and at the close `stops` and `charge_state_sentence`.
///
/// `running` is what is said of the attempt by worth, `drawing` the run in characters; empty where there is
/// none.
pub(super) fn render(
    heading: &str,
    account: &Value,
    chemistry: Chemistry,
    (running, drawing): (&[String], &str),
) -> String {
    let report = part(account, "/report");
    let mut out = format!("{heading}\n");
    out.push_str(drawing);
    who(&mut out, report);
    stop(&mut out, account);
    for (n, text) in running.iter().enumerate() {
        line(&mut out, if n == 0 { "By worth" } else { "" }, text);
    }
    findings(&mut out, report);
    figures(&mut out, account);
    stages(&mut out, report);
    instruments(&mut out, report);
    unknown(&mut out, report);
    for (n, text) in cautions(chemistry, false, &[]).iter().enumerate() {
        line(&mut out, if n == 0 { "Cautions" } else { "" }, text);
    }
    let _ = writeln!(out, "{STANDING_SHORT}");
    out
}

fn who(out: &mut String, report: &Value) {
    let nominal = match (
        number(report, "/nominal_v"),
        word(report, "/nominal_origin"),
    ) {
        (Some(volts), "stated") => format!("{volts:.0} V as stated"),
        (Some(volts), _) => format!("{volts:.0} V by its voltages"),
        (None, _) => "nominal voltage not known".to_owned(),
    };
    let known = if part(report, "/claimed") == true {
        "what was said of the battery is used"
    } else {
        "nobody said which battery this is: only rules without chemistry and size apply"
    };
    line(out, "Battery", &format!("{nominal}; {known}"));
    let reasons: Vec<&str> = list(report, "/quality/reasons")
        .filter_map(Value::as_str)
        .collect();
    let grade = word(report, "/quality/grade");
    let because = if reasons.is_empty() { "" } else { ": " };
    line(
        out,
        "Record",
        &format!("{grade}{because}{}", reasons.join("; ")),
    );
    for device in ["charger", "meter"] {
        if part(report, &format!("/quality/read_as_millivolts/{device}")) == true {
            let text = format!(
                "the {device} sent millivolts as volts; they were divided by 1000 for this report"
            );
            line(out, "Unit corrected", &text);
        }
    }
    line(out, "Rules", word(report, "/rules_version"));
}

fn advice(stop: &Value) -> String {
    let sentence = word(stop, "/sentence");
    let basis = word(stop, "/basis");
    match word(stop, "/level") {
        "none" => "no objection found".to_owned(),
        level => format!("{}: {sentence} (basis: {})", plain(level), plain(basis)),
    }
}

fn stop(out: &mut String, account: &Value) {
    line(out, "Stop advice", &advice(part(account, "/report/stop")));
    for one in list(account, "/stops") {
        let at = number(one, "/at_min").unwrap_or_default();
        line(
            out,
            &format!("  at {at:.0} min"),
            &advice(part(one, "/advice")),
        );
    }
}

fn findings(out: &mut String, report: &Value) {
    let mut none = true;
    for finding in list(report, "/findings") {
        none = false;
        let since = span(number(finding, "/since_ms").unwrap_or_default());
        let unmeasured = if part(finding, "/measured") == true {
            ""
        } else {
            "; this rule was not measured on charges"
        };
        let text = format!(
            "{} ({}, seen after {since}): {}{unmeasured}",
            plain(word(finding, "/kind")),
            word(finding, "/state"),
            word(finding, "/evidence")
        );
        line(out, "Finding", &text);
        line(out, "  what to do", word(finding, "/action"));
    }
    if none {
        line(out, "Findings", "none");
    }
}

fn figures(out: &mut String, account: &Value) {
    let report = part(account, "/report");
    let charge = |name: &str| number(part(report, "/charge"), name);
    if let (Some(taken), Some(given)) = (charge("/ah_in"), charge("/ah_out")) {
        let bounds = charge("/ah_net_low").zip(charge("/ah_net_high"));
        let bounds = bounds.filter(|(low, high)| high - low >= 0.005);
        let bounds = bounds.map_or_else(String::new, |(low, high)| {
            format!(", between {low:.2} and {high:.2} Ah with the time nobody heard")
        });
        let energy = charge("/wh_in").unwrap_or_default() - charge("/wh_out").unwrap_or_default();
        let net = taken - given;
        line(
            out,
            "Charge",
            &format!("{net:.2} Ah net, {energy:.0} Wh{bounds}"),
        );
    }
    let acceptance = part(report, "/acceptance");
    if let Some(share) = number(acceptance, "/accepted_c") {
        let first = number(acceptance, "/accepted_first_hour_c");
        let first = first.map_or_else(String::new, |first| {
            format!(", {:.1} % in the first hour", 100.0 * first)
        });
        let text = format!("{:.1} % of the rated capacity{first}", 100.0 * share);
        line(out, "Accepted", &text);
    }
    if let Some(amperes) = number(acceptance, "/current_at_limit_a") {
        let text = format!("{amperes:.2} A at the end of the voltage limit");
        line(out, "Current", &text);
    }
    if let Some(ohms) = number(report, "/resistance/dc_1s_ohm") {
        let steps = number(report, "/resistance/step_count").unwrap_or_default();
        let text = format!("{ohms:.4} ohm, DC at 1 s with leads, {steps:.0} steps");
        line(out, "Resistance", &text);
    }
    if let Some(most) = number(report, "/thermal/max_case_c") {
        let rise = number(report, "/thermal/max_rise_k");
        let rise = rise.map_or_else(String::new, |rise| format!(", {rise:.1} K above its start"));
        line(out, "Case", &format!("{most:.1} degC at most{rise}"));
    }
    if let Some(volts) = number(report, "/start_rest_v") {
        line(out, "Before the charge", &format!("{volts:.2} V at rest"));
    }
    if let Some(volts) = number(report, "/rested/open_circuit_v") {
        let minutes = number(report, "/rested/rested_min").unwrap_or_default();
        let early = if minutes < 480.0 {
            "; below 8 h it still carries surface charge"
        } else {
            ""
        };
        let text = format!("{volts:.2} V after {}{early}", span(60_000.0 * minutes));
        line(out, "After the charge", &text);
    }
    let state = word(account, "/charge_state_sentence");
    if !state.is_empty() {
        line(out, "State of charge", state);
    }
    if let Some(count) = number(report, "/live_cells/count") {
        let of = number(report, "/live_cells/of").unwrap_or_default();
        let from = number(report, "/live_cells/from_v").unwrap_or_default();
        let text = format!("{count:.0} of {of:.0} give a voltage, by {from:.2} V");
        line(out, "Cells", &text);
    }
}

fn stages(out: &mut String, report: &Value) {
    let spans: Vec<String> = list(report, "/stages")
        .map(|one| {
            let from = number(one, "/from_ms").unwrap_or_default();
            let until = number(one, "/until_ms").unwrap_or(from);
            format!("{} {}", plain(word(one, "/stage")), span(until - from))
        })
        .collect();
    if !spans.is_empty() {
        line(out, "Stages", &spans.join(", "));
    }
}

fn instruments(out: &mut String, report: &Value) {
    let of = part(report, "/instruments");
    let mut said = Vec::new();
    if let Some(seconds) = number(of, "/clock_offset_s") {
        said.push(format!("clocks {seconds:.1} s apart"));
    }
    if let Some(volts) = number(of, "/voltage_offset_v") {
        said.push(format!("voltages {:.0} mV apart", 1000.0 * volts));
    }
    if let Some(ohms) = number(of, "/lead_resistance_ohm") {
        said.push(format!("leads and contacts {:.1} mohm", 1000.0 * ohms));
    }
    if !said.is_empty() {
        let text = format!("charger against meter: {}", said.join(", "));
        line(out, "Instruments", &text);
    }
}

fn unknown(out: &mut String, report: &Value) {
    for one in list(report, "/left_out") {
        let (missing, rules) = (word(one, "/missing"), word(one, "/rules"));
        line(out, "Not known", &format!("{missing}; left out: {rules}"));
    }
    let stand = word(report, "/stand_test");
    if !stand.is_empty() {
        line(out, "Stand test", stand);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::analyzer::Analyzer;
    use crate::analysis::context::{Context, Event};
    use crate::analysis::rules::Rules;
    use crate::record::words::DeviceKind;

    #[test]
    fn figures_have_units_what_is_missing_is_said_and_nothing_is_promised() {
        let mut analyzer = Analyzer::new(&Rules::default(), Context::default());
        for n in 0..720_u32 {
            analyzer.push(&Event {
                voltage_v: Some(12.5 + 0.002 * f64::from(n)),
                current_a: Some(2.0),
                case_c: Some(52.0),
                ..Event::at(i64::from(n) * 10_000, DeviceKind::Charger)
            });
        }
        let account = serde_json::json!({"report": analyzer.close()});
        let worth = ["Chance so far".to_owned()];
        let text = render(
            "charge.csv",
            &account,
            Chemistry::Unknown,
            (&worth, "drawn\n"),
        );
        for part in [
            "nobody said which battery this is",
            "over temperature (present",
            "3.99 Ah net",
            "52.0 degC at most",
            "Not known           rated capacity",
            "stop advised now",
            "drawn",
            "By worth            Chance so far",
            STANDING_SHORT,
        ] {
            assert!(text.contains(part), "{part}\n{text}");
        }
        let promised = text.to_lowercase().replace("not a safety system", "");
        assert!(!promised.contains("safe"), "{text}");
        assert!(
            text.lines()
                .all(|line| line.chars().count() <= WIDTH.max(STANDING_SHORT.len()))
        );
    }
}
