//! Makes the report of an analysis at any moment; changes nothing.

use super::analyzer::Analyzer;
use super::findings::{Finding, FindingKind, FindingState};
use super::instruments::Instruments;
use super::report::{Acceptance, LeftOut, LiveCells, Origin, Report, Resistance, RestedVoltage};
use super::stop::StopAdvice;
use crate::record::words::{Chemistry, Stage};

/// Said after a charge in which nothing speaks against the battery.
const STAND_TEST: &str = "a small leak inside a cell cannot be seen in one session: read the \
    voltage after rest and again a day later";

/// Findings that tell a lost cell by themselves: a stand test would add nothing.
const NO_STAND_TEST: [FindingKind; 6] = [
    FindingKind::NotStarted,
    FindingKind::OpenCell,
    FindingKind::ShortedCell,
    FindingKind::SeveralShorted,
    FindingKind::NoAcceptance,
    FindingKind::LithiumOnLeadProgram,
];

impl Analyzer {
    /// The report so far, without the match of the two clocks. Cheap: for watching.
    #[must_use]
    pub fn report(&self) -> Report {
        self.make(Instruments {
            contact_spread_ohm: self.pair.contact_spread(),
            ..Instruments::default()
        })
    }

    /// The report with everything that needs the whole session, as at its close.
    #[must_use]
    pub fn close(&self) -> Report {
        let whole = self.completed();
        whole.make(whole.pair.report(&whole.rules))
    }

    /// The report at a moment at which nothing may have been heard for a while.
    ///
    /// Silence of the leading device while it charged is a finding of this report.
    #[must_use]
    pub fn report_at(&self, now_ms: i64) -> Report {
        let mut report = self.report();
        let silent_s = now_ms.saturating_sub(self.progress.last_ms) as f64 / 1000.0;
        let usual = self
            .voices
            .get(self.context.lead)
            .usual_interval_s
            .unwrap_or(0.0);
        let limit = self
            .rules
            .gap_lost_s
            .max(self.rules.gap_lost_periods * usual);
        let charging = !matches!(self.stages.now(), None | Some(Stage::Rest));
        if self.progress.start_ms.is_some() && charging && silent_s > limit {
            let mut lost = self.findings.clone();
            let evidence = format!("nothing heard for {silent_s:.0} s while it charged");
            lost.add(FindingKind::TelemetryLost, self.progress.last_ms, evidence);
            report.findings = lost.all().to_vec();
            report.stop = self.milestones.advice(&lost);
        }
        report
    }

    /// Stop advice as it stands. Cheap: for looking at every minute.
    #[must_use]
    pub fn stop(&self) -> StopAdvice {
        self.milestones.advice(&self.findings)
    }

    /// Minutes from the start of charge to a moment of the run; 0 before it.
    #[must_use]
    pub fn charged_min(&self, at_ms: i64) -> f64 {
        let start = self.progress.start_ms.unwrap_or(at_ms);
        at_ms.saturating_sub(start) as f64 / 60_000.0
    }

    /// Stage of the charge; `None` before the first minute.
    #[must_use]
    pub fn stage(&self) -> Option<Stage> {
        self.stages.now()
    }

    fn make(&self, instruments: Instruments) -> Report {
        let charge = self.integrator.finish();
        let findings = self.findings.all().to_vec();
        let rested = self.rested();
        Report {
            rules_version: self.rules.version(),
            claimed: self.context.claimed,
            nominal_v: match self.scale.cells {
                Some(cells) if cells > 3.0 => Some(12),
                Some(_) => Some(6),
                None => None,
            },
            nominal_origin: match (self.scale.cells, self.scale.inferred) {
                (None, _) => Origin::Unknown,
                (Some(_), true) => Origin::Inferred,
                (Some(_), false) => Origin::Stated,
            },
            left_out: self.left_out(),
            charge_start_ms: self.progress.start_ms,
            last_heard_ms: self.progress.first_ms.map(|_| self.progress.last_ms),
            quality: self.voices.report(&charge, self.context.millivolts),
            stages: self.stages.report(self.progress.first_ms.unwrap_or(0)),
            charge,
            acceptance: Acceptance {
                accepted_c: self.scale.share(charge.ah_net()),
                accepted_first_hour_c: self.marks.accepted_first_hour_c,
                current_at_limit_a: self.marks.current_at_limit_a,
                limit_in_first_hour_min: self.progress.limit_minutes.0,
                time_to_limit_min: self.marks.time_to_limit_min,
            },
            resistance: {
                let (dc_1s_ohm, dc_first_ohm, step_count) = self.steps.resistance();
                Resistance {
                    dc_1s_ohm,
                    dc_first_ohm,
                    step_count,
                    refused_step_count: self.steps.refused(),
                }
            },
            thermal: self.heat.seen,
            rested,
            start_rest_v: self.start_rest_v(),
            live_cells: self.live_cells(rested),
            instruments,
            checkpoints: self.checkpoints.all(),
            stop: self.milestones.advice(&self.findings),
            stand_test: self.stand_test(&findings),
            findings,
        }
    }

    /// Pack voltage before the charge, V.
    fn start_rest_v(&self) -> Option<f64> {
        let v12 = self
            .progress
            .start_v(&self.scale, &self.context, &self.rules)?;
        Some(v12 * self.scale.cells? / 6.0)
    }

    /// The last voltage after charge, with the minutes it rested.
    fn rested(&self) -> Option<RestedVoltage> {
        let (open_circuit_v, at, source) = self.marks.rested?;
        let since = self.stages.resting_since()?;
        Some(RestedVoltage {
            open_circuit_v,
            rested_min: (at - since).max(0) as f64,
            source,
        })
    }

    /// Live cells from the voltage after an hour of rest, else from the one before the charge.
    fn live_cells(&self, rested: Option<RestedVoltage>) -> Option<LiveCells> {
        let cells = self.scale.cells?;
        let after = rested
            .filter(|rest| rest.rested_min >= 60.0)
            .map(|rest| rest.open_circuit_v);
        let from_v = after.or_else(|| self.start_rest_v())?;
        let of = if cells > 3.0 { 6 } else { 3 };
        let rules = &self.rules;
        let fits = |count: &u8| {
            let live = f64::from(*count);
            (live * rules.rest_cell_low_v..=live * rules.rest_cell_high_v).contains(&from_v)
        };
        let full = from_v >= f64::from(of) * rules.rest_cell_low_v;
        let count = if full { Some(of) } else { (0..of).find(fits) }?;
        Some(LiveCells {
            count,
            of,
            from_v,
            after_charge: after.is_some(),
        })
    }

    /// What is not known, and which rules that leaves out.
    fn left_out(&self) -> Vec<LeftOut> {
        let mut list = Vec::new();
        let mut say = |unknown: bool, missing, rules| {
            if unknown {
                list.push(LeftOut { missing, rules });
            }
        };
        say(
            self.scale.cells.is_none(),
            "nominal voltage",
            "everything judged by voltage: cells, limits, stages",
        );
        say(
            self.scale.c20.is_none(),
            "rated capacity",
            "acceptance, sulfate, stalled charge, charge put in, several lost cells",
        );
        say(
            self.context.chemistry == Chemistry::Unknown,
            "chemistry",
            "case limits below 50 degC, voltage ceilings by construction, dry-out",
        );
        say(
            self.context.cca_share().is_none(),
            "cranking current",
            "dry-out, and sulfate when no voltage before the charge is known",
        );
        say(
            self.heat.seen.case_c.is_none(),
            "case temperature",
            "every warning of heat",
        );
        list
    }

    /// What one session cannot tell of a battery that otherwise looks well.
    fn stand_test(&self, findings: &[Finding]) -> Option<&'static str> {
        let lost = |finding: &Finding| {
            NO_STAND_TEST.contains(&finding.kind) && finding.state == FindingState::Present
        };
        let charged = self.progress.ah > 0.0 && self.stages.resting_since().is_some();
        (charged && !findings.iter().any(lost)).then_some(STAND_TEST)
    }
}
