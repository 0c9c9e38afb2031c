//! What a charge shows that a person should know, each with its numbers and what to do.
//!
//! Every rule is looked at once a minute with what is known then. A finding keeps the moment and
//! the sentence of its first sight; one that heals itself is ended, never erased.

use super::context::Context;
use super::progress::{Progress, Scale};
use super::rules::Rules;
use super::stages::Stages;
use super::steps::Steps;
use super::thermal::Heat;
use super::window::Window;
use crate::record::words::vocabulary;

mod acceptance;
mod cells;
mod contact;
mod heat;
mod limits;
mod lithium;
mod texts;

pub(crate) use heat::{case_limits, uneven_k};
pub(crate) use lithium::Bulk;

vocabulary! {
    /// What was found.
    FindingKind {
        /// No current came and the voltage is near nothing.
        NotStarted = "not_started",
        /// A cell or strap does not conduct.
        OpenCell = "open_cell",
        /// A clamp or lead that comes and goes.
        LooseClamp = "loose_clamp",
        /// One cell is shorted.
        ShortedCell = "shorted_cell",
        /// More than one cell is lost.
        SeveralShorted = "several_shorted",
        /// One cell was charged the wrong way round.
        ReversedCell = "reversed_cell",
        /// At the voltage limit the battery takes next to nothing: sulfated.
        NoAcceptance = "no_acceptance",
        /// The acid was spent and forms again.
        AcidExhaustedWaking = "acid_exhausted_waking",
        /// Water is lost: high rested voltage, little cranking current.
        DriedOut = "dried_out",
        /// Lithium iron phosphate on a lead-acid program.
        LithiumOnLeadProgram = "lithium_on_lead_program",
        /// The case heads for its limit.
        ThermalRunawayWarning = "thermal_runaway_warning",
        /// The case is above a published limit.
        OverTemperature = "over_temperature",
        /// The voltage is above what the construction may get.
        OverVoltage = "over_voltage",
        /// More charge went in than a battery of this size takes.
        AhOverrun = "ah_overrun",
        /// The voltage stays low and flat although current flows.
        StalledLow = "stalled_low",
        /// A small leak inside a cell; never told from one session, needs a stand test.
        SoftShort = "soft_short",
        /// Nothing was heard while it charged.
        TelemetryLost = "telemetry_lost",
        /// Millivolts sent as volts.
        WrongUnit = "wrong_unit",
    }
}

vocabulary! {
    /// Whether a finding still holds.
    FindingState {
        /// It holds.
        Present = "present",
        /// It held, and no longer does.
        Ended = "ended",
    }
}

/// Something found, with the numbers it rests on.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Finding {
    /// What.
    pub kind: FindingKind,
    /// When it was first seen, ms of the run.
    pub since_ms: i64,
    /// When it ended, ms of the run.
    pub until_ms: Option<i64>,
    /// Whether it still holds.
    pub state: FindingState,
    /// The numbers of the moment it was first seen.
    pub evidence: String,
    /// What to do.
    pub action: &'static str,
    /// Whether the rule was measured on unseen sessions (SIGNALS 6).
    pub measured: bool,
}

/// What a rule may look at.
#[derive(Clone, Copy)]
pub(crate) struct View<'a> {
    pub(crate) rules: &'a Rules,
    pub(crate) context: &'a Context,
    pub(crate) scale: &'a Scale,
    pub(crate) progress: &'a Progress,
    pub(crate) window: &'a Window,
    pub(crate) stages: &'a Stages,
    pub(crate) steps: &'a Steps,
    pub(crate) heat: &'a Heat,
    pub(crate) bulk: &'a Bulk,
    pub(crate) contact_spread: Option<f64>,
    /// Minute that just closed.
    pub(crate) at: i64,
    /// Minutes since the start of charge; `None` before it.
    pub(crate) elapsed: Option<f64>,
    /// Smallest step of current of the leading device, A.
    pub(crate) quantum_a: f64,
    /// Voltage at 12 V and current of the minute.
    pub(crate) v: f64,
    pub(crate) i: f64,
}

impl View<'_> {
    /// Net charge as a share of C20.
    pub(crate) fn accepted(&self) -> Option<f64> {
        self.scale.share(self.progress.ah)
    }

    /// Current as a share of C20.
    pub(crate) fn current_c(&self) -> Option<f64> {
        self.scale.share(self.i)
    }

    /// Whether current flows.
    pub(crate) fn charging(&self) -> bool {
        self.i >= self.scale.on_a
    }

    /// Rested voltage before the charge.
    pub(crate) fn start_v(&self) -> Option<f64> {
        self.progress.start_v(self.scale, self.context, self.rules)
    }

    /// Missing charge at the start as a share of C20, from the rested voltage of so many cells.
    ///
    /// Source: DOMAIN 2.1, flooded 11.89 to 12.65 V; for another count of cells in proportion.
    pub(crate) fn missing_c(&self, live: f64) -> Option<f64> {
        let six = self.start_v()? * 6.0 / live;
        Some(1.0 - ((six - 11.89) / 0.76).clamp(0.0, 1.0))
    }

    /// Voltages of six cells over the last minutes.
    pub(crate) fn volts(&self, minutes: f64) -> Option<super::window::Range> {
        self.window
            .range(minutes, |m| m.v.and_then(|v| self.scale.v12(v)))
    }

    /// Currents over the last minutes.
    pub(crate) fn amperes(&self, minutes: f64) -> Option<super::window::Range> {
        self.window.range(minutes, |m| m.i)
    }

    /// A voltage of six cells as this pack shows it.
    pub(crate) fn shown(&self, v12: f64) -> f64 {
        v12 * self.scale.cells.unwrap_or(6.0) / 6.0
    }

    /// Cells of the pack.
    pub(crate) fn cells(&self) -> f64 {
        self.scale.cells.unwrap_or(6.0)
    }
}

/// How a rule looks: the sentence when it holds.
type Rule = fn(&View<'_>) -> Option<String>;

/// When a finding that was seen has ended.
type Ending = fn(&View<'_>) -> bool;

fn never(_: &View<'_>) -> bool {
    false
}

/// The rules in the order of looking; an earlier finding may silence a later one.
const RULES: [(FindingKind, Rule, Ending); 15] = [
    (FindingKind::LithiumOnLeadProgram, lithium::lithium, never),
    (
        FindingKind::NotStarted,
        contact::not_started,
        contact::has_started,
    ),
    (
        FindingKind::OpenCell,
        contact::open_cell,
        contact::flows_again,
    ),
    (FindingKind::LooseClamp, contact::loose_clamp, never),
    (FindingKind::ReversedCell, cells::reversed, never),
    (FindingKind::ShortedCell, cells::shorted, never),
    (FindingKind::SeveralShorted, cells::several, never),
    (
        FindingKind::NoAcceptance,
        acceptance::none,
        acceptance::accepts_again,
    ),
    (
        FindingKind::AcidExhaustedWaking,
        acceptance::waking,
        cells::shorted_after_all,
    ),
    (FindingKind::DriedOut, acceptance::dried_out, never),
    (
        FindingKind::ThermalRunawayWarning,
        heat::warning,
        heat::calmed,
    ),
    (FindingKind::OverTemperature, heat::over, heat::cooled),
    (
        FindingKind::OverVoltage,
        limits::over_voltage,
        limits::voltage_fine,
    ),
    (FindingKind::AhOverrun, limits::overrun, never),
    (FindingKind::StalledLow, limits::stalled, never),
];

/// Findings whose rules need no voltage.
const WITHOUT_CELLS: [FindingKind; 3] = [
    FindingKind::ThermalRunawayWarning,
    FindingKind::OverTemperature,
    FindingKind::AhOverrun,
];

/// Findings that make a later rule pointless: the first silences the second.
const SILENCES: [(FindingKind, FindingKind); 18] = [
    (FindingKind::LithiumOnLeadProgram, FindingKind::OpenCell),
    (FindingKind::LithiumOnLeadProgram, FindingKind::LooseClamp),
    (FindingKind::LithiumOnLeadProgram, FindingKind::ShortedCell),
    (FindingKind::LithiumOnLeadProgram, FindingKind::NoAcceptance),
    (FindingKind::LithiumOnLeadProgram, FindingKind::DriedOut),
    (FindingKind::LithiumOnLeadProgram, FindingKind::StalledLow),
    (FindingKind::OpenCell, FindingKind::LooseClamp),
    (FindingKind::OpenCell, FindingKind::NoAcceptance),
    (FindingKind::LooseClamp, FindingKind::OpenCell),
    (FindingKind::LooseClamp, FindingKind::NoAcceptance),
    (FindingKind::LooseClamp, FindingKind::DriedOut),
    (FindingKind::ReversedCell, FindingKind::AcidExhaustedWaking),
    (FindingKind::ReversedCell, FindingKind::ShortedCell),
    (FindingKind::ShortedCell, FindingKind::AcidExhaustedWaking),
    (FindingKind::ShortedCell, FindingKind::StalledLow),
    (FindingKind::NoAcceptance, FindingKind::AcidExhaustedWaking),
    (FindingKind::NoAcceptance, FindingKind::DriedOut),
    (FindingKind::ReversedCell, FindingKind::DriedOut),
];

/// The findings of a run.
#[derive(Debug, Clone, Default)]
pub(crate) struct Findings {
    list: Vec<Finding>,
}

impl Findings {
    /// Looks at every rule; while nobody knows how many cells there are, at those that need no voltage.
    pub(crate) fn minute(&mut self, view: &View<'_>) {
        let now_ms = (view.at + 1) * super::window::MINUTE_MS;
        let rules = RULES
            .into_iter()
            .filter(|(kind, ..)| view.scale.cells.is_some() || WITHOUT_CELLS.contains(kind));
        for (kind, rule, ending) in rules {
            let silenced = SILENCES
                .iter()
                .any(|(first, second)| *second == kind && self.find(*first).is_some());
            match self.list.iter_mut().find(|finding| finding.kind == kind) {
                Some(found) if found.state == FindingState::Present => {
                    if ending(view) {
                        found.state = FindingState::Ended;
                        found.until_ms = Some(now_ms);
                    }
                }
                Some(found) => {
                    if !silenced && rule(view).is_some() {
                        found.state = FindingState::Present;
                        found.until_ms = None;
                    }
                }
                None => {
                    if !silenced && let Some(evidence) = rule(view) {
                        self.add(kind, now_ms, evidence);
                    }
                }
            }
        }
    }

    /// Adds a finding that no rule of the minute sees.
    pub(crate) fn add(&mut self, kind: FindingKind, since_ms: i64, evidence: String) {
        if self.find(kind).is_none() {
            self.list.push(Finding {
                kind,
                since_ms,
                until_ms: None,
                state: FindingState::Present,
                evidence,
                action: texts::action(kind),
                measured: texts::measured(kind),
            });
        }
    }

    /// A finding, present or ended.
    pub(crate) fn find(&self, kind: FindingKind) -> Option<&Finding> {
        self.list.iter().find(|finding| finding.kind == kind)
    }

    /// Whether it is present.
    pub(crate) fn present(&self, kind: FindingKind) -> bool {
        self.find(kind)
            .is_some_and(|found| found.state == FindingState::Present)
    }

    /// All of them, in the order of their first sight.
    pub(crate) fn all(&self) -> &[Finding] {
        &self.list
    }

    /// Bytes on the heap.
    pub(crate) fn heap_bytes(&self) -> usize {
        let texts: usize = self
            .list
            .iter()
            .map(|finding| finding.evidence.capacity())
            .sum();
        self.list.capacity() * size_of::<Finding>() + texts
    }
}

/// Minutes of a rule as a whole number, rounded down.
fn whole_minutes(minutes: f64) -> i64 {
    let mut whole = 0;
    while ((whole + 1) as f64) <= minutes && whole < 600 {
        whole += 1;
    }
    whole
}
