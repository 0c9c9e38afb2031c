//! A charge plan looked at before the start: one list of objections, worst first.
//!
//! Numbers of books and makers against what is meant. Nothing here allows a charge; an empty list
//! says "no objection found", and the cautions go with it.

mod battery;
mod charge;
mod missing;
mod place;
#[cfg(test)]
mod tests;

use super::cautions_of;
use super::text::{list, wrap};
use crate::lead_acid::charge_state::REST_USABLE_MIN;
use crate::lead_acid::limits;
use crate::lead_acid::live_cells::LiveCells;
use crate::record::visit::Visit;
use crate::record::words::{Chemistry, Method, Purpose, vocabulary};
use crate::units::{AmpHours, Amps, Celsius, RestMinutes, Volts, twelve_volt_equivalent};

vocabulary! {
    /// What an objection is about.
    ObjectionKind {
        /// A stop of `advice::hazard`, by whatever was seen or read.
        Hazard = "hazard",
        /// A 6 V program on a 12 V battery or the other way round.
        NominalMixUp = "nominal_mix_up",
        /// The reading fits another nominal voltage as well.
        NominalDoubtful = "nominal_doubtful",
        /// Chemistry unknown and a rested voltage above every lead-acid table.
        MayBeLithium = "may_be_lithium",
        ElectrolyteLow = "electrolyte_low",
        /// Colder now than the freezing point of its acid.
        MayBeFrozen = "may_be_frozen",
        /// Was colder than that since it was last charged.
        FrostDamage = "frost_damage",
        TooHot = "too_hot",
        /// Fewer live cells than the battery has.
        CellsLost = "cells_lost",
        CurrentTooHigh = "current_too_high",
        VoltageTooHigh = "voltage_too_high",
        EqualiseNotAllowed = "equalise_not_allowed",
        /// The program is one of another construction.
        ProgramMismatch = "program_mismatch",
        ChargeTooLarge = "charge_too_large",
        TooLong = "too_long",
        VentilationTooLow = "ventilation_too_low",
        NoTemperatureSensor = "no_temperature_sensor",
        Unattended = "unattended",
        /// Something that was not said; a limit was taken from the strict side, or not judged.
        MissingFact = "missing_fact",
    }
}

vocabulary! {
    /// How much an objection weighs, worst first.
    Severity {
        /// Nothing is connected before this is settled.
        DoNotStart = "do_not_start",
        /// The plan or the place is changed first.
        ChangeFirst = "change_first",
        /// Something is looked up or measured first.
        FindOutFirst = "find_out_first",
    }
}

/// What is meant to be done.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Plan {
    /// What the technician means by it.
    pub purpose: Purpose,
    /// Charging profile.
    pub method: Method,
    /// Highest charging current.
    pub current: Option<Amps>,
    /// Highest voltage of the pack.
    pub limit: Option<Volts>,
    /// Longest time, h.
    pub hours: Option<f64>,
    /// Nominal voltage the charger is set to: 6 or 12.
    pub program_nominal_v: Option<u8>,
    /// Construction the charger is set to.
    pub program_chemistry: Option<Chemistry>,
}

/// Where it is meant to be done.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Place {
    /// Positions that charge like this one at a time, itself included.
    pub positions: u16,
    /// Fresh air, m3/h.
    pub air_m3_h: Option<f64>,
    /// Free volume of the room, m3.
    pub volume_m3: Option<f64>,
    /// A temperature sensor sits on this battery.
    pub temperature_sensor: Option<bool>,
    /// Somebody stays with it.
    pub attended: Option<bool>,
}

/// What is known of battery and place.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct PlanContext {
    /// The battery as presented.
    pub visit: Visit,
    /// Minutes the voltage of the visit had rested.
    pub rested: Option<RestMinutes>,
    /// How far the voltmeter may be off, V of the pack; 0 takes it at its word.
    pub instrument_error_v: f64,
    /// Of the battery now.
    pub battery_temperature: Option<Celsius>,
    /// Coldest the battery has been since it was last charged.
    pub coldest: Option<Celsius>,
    /// Where it is charged.
    pub place: Place,
}

/// One objection to a plan.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Objection {
    /// What it is about.
    pub kind: ObjectionKind,
    /// How much it weighs.
    pub severity: Severity,
    /// The input it rests on: a field of plan, context or visit.
    pub field: &'static str,
    /// What is wrong, with numbers and units.
    pub sentence: String,
    /// What removes it.
    pub fix: String,
    /// Where the limit comes from.
    pub basis: &'static str,
}

/// The objections with what a person must be told beside them.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct PlanCheck {
    /// Worst first; empty when none was found.
    pub objections: Vec<Objection>,
    /// What goes with every answer; never empty.
    pub cautions: Vec<&'static str>,
}

/// A plan and what follows from its context, worked out once.
struct Case<'a> {
    plan: &'a Plan,
    context: &'a PlanContext,
    chemistry: Chemistry,
    cells: u8,
    /// Rested or not, V of six cells.
    v12: f64,
    /// Of the battery, or 25 degC where nobody measured it.
    celsius: f64,
    c20_ah: Option<f64>,
    /// What the plan and the place say, senseless numbers left out.
    amps: Option<f64>,
    limit_v: Option<f64>,
    hours: Option<f64>,
    air_m3_h: Option<f64>,
    volume_m3: Option<f64>,
    live: LiveCells,
}

/// A number that a plan may have; `None` for what is below nothing or no number.
fn sensible(value: Option<f64>, least: f64) -> Option<f64> {
    value.filter(|value| value.is_finite() && *value >= least)
}

impl<'a> Case<'a> {
    fn of(plan: &'a Plan, context: &'a PlanContext) -> Self {
        let battery = &context.visit.battery;
        let cells = battery.nominal_v / 2;
        let above_0 = f64::MIN_POSITIVE;
        Self {
            amps: sensible(plan.current.map(Amps::get), above_0),
            limit_v: sensible(plan.limit.map(Volts::get), above_0),
            hours: sensible(plan.hours, above_0),
            air_m3_h: sensible(context.place.air_m3_h, 0.0),
            volume_m3: sensible(context.place.volume_m3, above_0),
            live: LiveCells::of_rest_v(context.visit.rest_v.get(), cells),
            plan,
            context,
            chemistry: battery.chemistry,
            cells,
            v12: twelve_volt_equivalent(context.visit.rest_v, battery.nominal_v),
            celsius: context.battery_temperature.map_or(25.0, Celsius::get),
            c20_ah: battery.rated_ah.map(AmpHours::get).filter(|ah| *ah > 0.0),
        }
    }

    /// A voltage of six cells on this pack.
    fn pack_v(&self, v12: f64) -> f64 {
        v12 * f64::from(self.cells) / 6.0
    }

    /// Whether the voltage may be read as one of a rested battery.
    fn is_rested(&self) -> bool {
        let rested = self.context.rested.map(RestMinutes::get);
        rested.is_some_and(|minutes| minutes >= REST_USABLE_MIN)
    }

    /// Highest absorption voltage at the battery's temperature, V of this pack.
    fn absorption_v(&self) -> f64 {
        let ceiling = limits::ceiling_at_v(self.chemistry, Purpose::PlainCharge, self.celsius);
        self.pack_v(ceiling.unwrap_or_default())
    }

    /// Whether the charge goes above absorption, where all of the current may turn into gas.
    fn is_elevated(&self) -> bool {
        let (method, equalise) = (self.plan.method, self.plan.purpose == Purpose::Equalise);
        equalise
            || method == Method::ElevatedCv
            || match self.limit_v {
                Some(limit_v) => limit_v > self.absorption_v() + DUST,
                None => method == Method::LowRateCc,
            }
    }

    /// Whether this purpose may go above absorption on this construction at all.
    fn may_be_elevated(&self) -> bool {
        limits::ceiling_v(self.chemistry, self.plan.purpose)
            .is_some_and(|ceiling| ceiling > limits::absorption_v(self.chemistry))
    }

    /// Whether a rested voltage shows fewer live cells than the battery has.
    fn has_lost_cells(&self) -> bool {
        self.is_rested() && self.v12 >= 0.0 && !self.live.all()
    }
}

/// Forgives floating-point dust, in V, A and degC.
const DUST: f64 = 1e-9;

/// A construction as a technician writes it.
fn construction(chemistry: Chemistry) -> &'static str {
    match chemistry {
        Chemistry::Flooded => "flooded",
        Chemistry::EnhancedFlooded => "enhanced flooded",
        Chemistry::Agm => "AGM",
        Chemistry::Gel => "gel",
        Chemistry::Lifepo4 => "lithium iron phosphate",
        Chemistry::Unknown => "of unknown chemistry",
    }
}

/// A purpose as a technician says it.
fn charge_name(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::PlainCharge => "plain charge",
        Purpose::RecoveryCharge => "recovery charge",
        Purpose::Equalise => "equalising charge",
    }
}

/// Finds every objection to a charge plan, worst first; empty when none is found.
///
/// Limits follow construction, cells and temperature. What is not known is taken from its strict
/// side and told as a missing fact. Sources stand in each objection's `basis`.
#[must_use]
pub fn check_plan(plan: &Plan, context: &PlanContext) -> Vec<Objection> {
    let case = Case::of(plan, context);
    let mut found = Vec::new();
    battery::look(&case, &mut found);
    // No limit of a lead-acid battery says anything of a lithium one.
    if case.chemistry != Chemistry::Lifepo4 {
        charge::look(&case, &mut found);
        place::look(&case, &mut found);
        missing::look(&case, &mut found);
    }
    found.sort_by_key(|one: &Objection| (one.severity, one.kind));
    found
}

/// Checks a plan and adds the cautions that go with every answer.
#[must_use]
pub fn review_plan(plan: &Plan, context: &PlanContext) -> PlanCheck {
    PlanCheck {
        objections: check_plan(plan, context),
        cautions: cautions_of(&context.visit),
    }
}

impl PlanCheck {
    /// The answer in a line.
    #[must_use]
    pub fn heading(&self) -> String {
        let worst = self.objections.first().map(|one| one.severity);
        let word = match worst {
            None => return "No objection found. This is not a safety system.".to_owned(),
            Some(Severity::DoNotStart) => "DO NOT START",
            Some(Severity::ChangeFirst) => "CHANGE FIRST",
            Some(Severity::FindOutFirst) => "FIND OUT FIRST",
        };
        match self.objections.len() {
            1 => format!("{word}: 1 objection."),
            count => format!("{word}: {count} objections."),
        }
    }

    /// The whole answer for a person at a bench; lines of at most 100 columns.
    #[must_use]
    pub fn text(&self) -> String {
        let mut out = String::new();
        wrap(&mut out, "", &self.heading());
        for one in &self.objections {
            let item = format!(
                "[{}] {} {} ({})",
                one.kind, one.sentence, one.fix, one.basis
            );
            wrap(&mut out, "  - ", &item);
        }
        list(&mut out, "Cautions:", &self.cautions);
        out
    }
}
