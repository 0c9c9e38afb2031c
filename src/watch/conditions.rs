//! What of a report the alarm lane must hear, as conditions that begin and end.

use crate::alarm::kind::Kind;
use crate::analysis::findings::{FindingKind, FindingState};
use crate::analysis::report::Report;
use crate::analysis::stop::StopLevel;
use crate::record::limits;
use crate::record::words::Stage;

/// The alarm that a finding raises. Silence has an alarm of its own, from the raw samples.
fn of_finding(kind: FindingKind) -> Option<Kind> {
    match kind {
        FindingKind::OverTemperature => Some(Kind::OverTemperature),
        FindingKind::ThermalRunawayWarning => Some(Kind::TemperatureRise),
        FindingKind::OverVoltage => Some(Kind::OverVoltage),
        FindingKind::LithiumOnLeadProgram => Some(Kind::LithiumOnLeadProgram),
        FindingKind::ShortedCell | FindingKind::SeveralShorted => Some(Kind::ShortedCell),
        FindingKind::ReversedCell => Some(Kind::Reversed),
        FindingKind::AhOverrun => Some(Kind::AmpereHoursOverrun),
        FindingKind::WrongUnit => Some(Kind::UnitSuspect),
        FindingKind::NotStarted
        | FindingKind::OpenCell
        | FindingKind::LooseClamp
        | FindingKind::NoAcceptance
        | FindingKind::AcidExhaustedWaking
        | FindingKind::DriedOut
        | FindingKind::StalledLow
        | FindingKind::SoftShort
        | FindingKind::TelemetryLost => None,
    }
}

/// A condition that holds at a moment of the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Holding {
    pub(super) kind: Kind,
    /// In the unit of its kind.
    pub(super) value: Option<i64>,
    /// Since when, ms of the run.
    pub(super) since_ms: i64,
}

/// The conditions that hold at a moment of the run.
pub(super) fn holding(report: &Report, now_ms: i64) -> Vec<Holding> {
    let mut found: Vec<Holding> = Vec::new();
    let mut add = |kind: Kind, since_ms: Option<i64>| {
        if !found.iter().any(|one| one.kind == kind) {
            found.push(Holding {
                kind,
                value: value(report, kind, now_ms),
                since_ms: since_ms.unwrap_or(0),
            });
        }
    };
    for finding in &report.findings {
        if finding.state == FindingState::Present
            && let Some(kind) = of_finding(finding.kind)
        {
            add(kind, Some(finding.since_ms));
        }
    }
    if report.stop.level >= StopLevel::StopAdvised {
        add(Kind::StopAdvised, report.stop.since_ms);
    }
    if charged_h(report, now_ms).is_some_and(|hours| hours >= limits::ATTEMPT_H) {
        add(Kind::TooLong, report.charge_start_ms);
    }
    found.sort_by_key(|one| one.kind);
    found
}

/// Hours of a charge that still drives current; `None` at float and at rest.
fn charged_h(report: &Report, now_ms: i64) -> Option<f64> {
    let stage = report.stages.last()?.stage;
    let driven = matches!(
        stage,
        Stage::LowVoltageStart | Stage::Bulk | Stage::Absorption | Stage::Equalise
    );
    let start = report.charge_start_ms.filter(|_| driven)?;
    Some(now_ms.saturating_sub(start) as f64 / 3_600_000.0)
}

fn value(report: &Report, kind: Kind, now_ms: i64) -> Option<i64> {
    let thermal = &report.thermal;
    let (value, scale) = match kind {
        Kind::OverTemperature => (thermal.case_c, 100.0),
        Kind::TemperatureRise => (thermal.slope_k_per_h, 100.0),
        Kind::OverVoltage | Kind::LithiumOnLeadProgram => (report.charge.v_max, 1000.0),
        Kind::AmpereHoursOverrun => (Some(report.charge.ah_net()), 1000.0),
        Kind::TooLong => (charged_h(report, now_ms), 3600.0),
        _ => (None, 1.0),
    };
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a figure of a charge in fixed point; a cast that saturates is as good"
    )]
    value.map(|value| (value * scale).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::analyzer::Analyzer;
    use crate::analysis::context::{Context, Event};
    use crate::analysis::rules::Rules;
    use crate::record::words::{Chemistry, DeviceKind};

    /// Ten minutes at rest after so many hours of current at a case temperature.
    fn charged(hours: i64, case_c: f64) -> (Report, i64) {
        let context = Context {
            claimed: true,
            nominal_v: Some(12),
            chemistry: Chemistry::Agm,
            c20_ah: Some(400.0),
            ..Context::default()
        };
        let mut analyzer = Analyzer::new(&Rules::default(), context);
        let end = hours * 3_600_000;
        for at in (0..=end).step_by(10_000) {
            analyzer.push(&Event {
                voltage_v: Some(12.4 + 1.5 * at as f64 / end as f64),
                current_a: Some(8.0),
                case_c: Some(case_c),
                ..Event::at(at, DeviceKind::Charger)
            });
        }
        (analyzer.report(), end)
    }

    fn named(found: &[Holding]) -> Vec<(Kind, Option<i64>)> {
        found.iter().map(|one| (one.kind, one.value)).collect()
    }

    #[test]
    fn heat_raises_its_alarm_with_the_value_and_the_stop_advice_beside_it() {
        let (report, now_ms) = charged(1, 52.0);
        let found = holding(&report, now_ms);
        assert_eq!(
            named(&found),
            [
                (Kind::OverTemperature, Some(5_200)),
                (Kind::StopAdvised, None)
            ]
        );
        let (report, now_ms) = charged(1, 30.0);
        assert_eq!(holding(&report, now_ms), []);
    }

    #[test]
    fn a_charge_of_more_than_a_day_takes_too_long() {
        let (report, now_ms) = charged(25, 30.0);
        let found = holding(&report, now_ms);
        let last = found.last().unwrap();
        assert_eq!((last.kind, last.value), (Kind::TooLong, Some(25 * 3_600)));
        // Not the time of the look: looked at again later, it is the same condition.
        assert_eq!(Some(last.since_ms), report.charge_start_ms);
    }
}
