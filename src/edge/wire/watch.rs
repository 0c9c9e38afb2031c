//! Reports, findings and updates of runs between wire and domain.

use serde_json::Value;

use super::{Word as _, optional_id, timestamp};
use crate::edge::pb;
use crate::query::Error;
use crate::query::rules::{RULES_VERSION, RuleInForce, RuleOverride, RuleScope};
use crate::query::watch::tail::{News, Points, Tail};
use crate::query::watch::{DueRetest, RunReport, StopLevel, StoredFinding};
use crate::record::words::Stage;

/// A finding for the wire.
#[must_use]
pub fn finding(found: &StoredFinding) -> pb::Finding {
    pb::Finding {
        session_id: found.session_id.to_string(),
        kind: found.kind.to_wire(),
        state: found.state.to_wire(),
        since_time: Some(timestamp(found.since_at)),
        until_time: found.until_at.map(timestamp),
        evidence: found.evidence.clone(),
        action: found.action.clone(),
        measured: found.measured,
        revision: found.revision,
        rules_version: found.rules_version.clone(),
        update_time: Some(timestamp(found.updated_at)),
    }
}

/// The body that counts: of the whole run when it is summed up, else what is known so far.
fn body(report: &RunReport) -> Option<&str> {
    let summary = report.summary.as_ref().map(|summary| summary.body.as_str());
    let state = report.state.as_ref().map(|state| state.body.as_str());
    if report.is_final() {
        summary.or(state)
    } else {
        state.or(summary)
    }
}

/// The main figures of a report; `None` before the first look.
#[must_use]
pub fn state(report: &RunReport) -> Option<pb::RunState> {
    let body: Value = serde_json::from_str(body(report)?).ok()?;
    let of = body.get("report").unwrap_or(&body);
    let number = |path: &str| of.pointer(path).and_then(Value::as_f64);
    let text = |path: &str| {
        let found = of.pointer(path).and_then(Value::as_str);
        found.unwrap_or_default().to_owned()
    };
    let net = number("/charge/ah_in").zip(number("/charge/ah_out"));
    let left_out = of.pointer("/left_out").and_then(Value::as_array);
    let said = |one: &Value| {
        let part = |name: &str| one.get(name).and_then(Value::as_str).unwrap_or_default();
        format!("{}; left out: {}", part("missing"), part("rules"))
    };
    let last = of.pointer("/stages").and_then(Value::as_array);
    let last = last.and_then(|stages| stages.last()?.get("stage")?.as_str());
    let (revision, attempt, at) = match (&report.summary, &report.state) {
        (Some(one), _) if report.is_final() => (one.revision, one.attempt_id, one.made_at),
        (_, Some(one)) => (one.revision, one.attempt_id, one.updated_at),
        (Some(one), None) => (one.revision, one.attempt_id, one.made_at),
        (None, None) => return None,
    };
    Some(pb::RunState {
        session_id: report.lead.session_id.to_string(),
        attempt_id: attempt.map(|id| id.to_string()).unwrap_or_default(),
        revision,
        whole_run: report.is_final(),
        stage: last.and_then(Stage::find).map_or(0, super::Word::to_wire),
        stop_level: StopLevel::find(&text("/stop/level")).map_or(0, super::Word::to_wire),
        stop_sentence: text("/stop/sentence"),
        stop_basis: text("/stop/basis"),
        heard_milliseconds: of
            .pointer("/last_heard_ms")
            .and_then(Value::as_i64)
            .unwrap_or_default(),
        charge_ampere_hours: net.map(|(taken, given)| taken - given),
        charge_low_ampere_hours: number("/charge/ah_net_low"),
        charge_high_ampere_hours: number("/charge/ah_net_high"),
        case_celsius: number("/thermal/case_c"),
        case_max_celsius: number("/thermal/max_case_c"),
        not_known: left_out.into_iter().flatten().map(said).collect(),
        rules_version: text("/rules_version"),
        update_time: Some(timestamp(at)),
    })
}

/// A report for the wire; the whole of it as JSON.
#[must_use]
pub fn report(found: &RunReport, standing: &str) -> pb::GetRunReportResponse {
    pb::GetRunReportResponse {
        state: state(found),
        findings: found.findings.iter().map(finding).collect(),
        report_json: body(found).unwrap_or_default().to_owned(),
        standing: standing.to_owned(),
    }
}

fn samples(of: &Points) -> pb::LiveSamples {
    let points = of.points.iter().map(|point| pb::LiveSample {
        time_milliseconds: point.time_ms,
        voltage_volts: point.voltage_v,
        current_amperes: point.current_a,
        case_celsius: point.case_c,
        ambient_celsius: point.ambient_c,
    });
    pb::LiveSamples {
        session_id: of.session.to_string(),
        device_kind: of.kind.to_wire(),
        samples: points.collect(),
    }
}

/// News for the wire, with the place after them.
#[must_use]
pub fn update(news: &News, tail: &Tail) -> pb::RunUpdate {
    pb::RunUpdate {
        resume_token: tail.token(),
        samples: news.samples.iter().map(samples).collect(),
        state: news.report.as_ref().and_then(state),
        findings: news.findings.iter().map(finding).collect(),
        heartbeat: news.is_empty(),
    }
}

/// A retest for the wire.
#[must_use]
pub fn due(due: &DueRetest) -> pb::DueRetest {
    pb::DueRetest {
        attempt_id: due.attempt_id.to_string(),
        visit_id: due.visit_id.to_string(),
        shop_id: due.shop_id.to_string(),
        bench: due.bench.clone().unwrap_or_default(),
        label: due.label.clone().unwrap_or_default(),
        rested_minutes: due.rested_min,
        due_time: Some(timestamp(due.due_at)),
        late_time: Some(timestamp(due.late_at)),
    }
}

/// Where a threshold holds, off the wire.
///
/// # Errors
/// `FIELD_INVALID` for a shop that is no id.
pub fn rule_scope(shop: &str, label: String) -> Result<RuleScope, Error> {
    Ok(RuleScope {
        shop_id: optional_id("shop_id", shop)?,
        battery_label: Some(label).filter(|label| !label.is_empty()),
    })
}

/// Thresholds for the wire.
#[must_use]
pub fn rules(found: &[RuleInForce]) -> pb::ListRulesResponse {
    let rule = |one: &RuleInForce| pb::AnalysisRule {
        rule_key: one.row.key.to_owned(),
        in_force_value: one.in_force,
        default_value: one.row.value,
        unit: one.row.unit.to_owned(),
        least_value: one.row.min,
        largest_value: one.row.max,
        source: one.row.source.to_owned(),
        effect: one.row.effect.to_owned(),
        measured: one.measured,
        published_limit: one.row.is_limit(),
        change: one.change.as_ref().map(rule_change),
    };
    pb::ListRulesResponse {
        rules: found.iter().map(rule).collect(),
        rules_version: RULES_VERSION.to_owned(),
    }
}

/// A change of a threshold for the wire.
#[must_use]
pub fn rule_change(of: &RuleOverride) -> pb::RuleChange {
    pb::RuleChange {
        shop_id: of.shop_id.map(|shop| shop.to_string()).unwrap_or_default(),
        battery_label: of.battery_label.clone().unwrap_or_default(),
        reason: of.reason.clone(),
        set_by: of.set_by.clone(),
        set_time: Some(timestamp(of.set_at)),
    }
}
