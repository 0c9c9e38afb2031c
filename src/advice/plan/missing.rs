//! What was not said: each gap with what was taken instead and how to close it.

use super::place::{needed_m3_h, sealed};
use super::{Case, Objection, ObjectionKind, Severity, charge_name};
use crate::lead_acid::charge_state::Unreadable;
use crate::lead_acid::limits;
use crate::record::words::{Chemistry, Purpose, Storage};

/// Adds what is missing.
pub(super) fn look(case: &Case, found: &mut Vec<Objection>) {
    found.extend(battery(case));
    found.extend(plan(case));
    found.extend(place(case));
}

fn gap(field: &'static str, sentence: impl Into<String>, fix: impl Into<String>) -> Objection {
    Objection {
        kind: ObjectionKind::MissingFact,
        severity: Severity::FindOutFirst,
        field,
        sentence: sentence.into(),
        fix: fix.into(),
        basis: "the limit cannot be judged without it",
    }
}

/// Gaps in what is known of the battery.
fn battery(case: &Case) -> Vec<Objection> {
    let (visit, context) = (&case.context.visit, case.context);
    let mut found = Vec::new();
    if case.chemistry == Chemistry::Unknown {
        let strictest = format!(
            "The chemistry is unknown: the strictest lead-acid limits were taken, {:.2} V at 25 \
             degC and {} C20.",
            case.pack_v(limits::absorption_v(Chemistry::Unknown)),
            limits::current_c(Chemistry::Unknown).unwrap_or_default(),
        );
        let fix = "Read it off the case before anything is connected.";
        found.push(gap("chemistry", strictest, fix));
    }
    if case.c20_ah.is_none() {
        found.push(gap(
            "rated_ah",
            "The capacity is unknown: the current and the charge were not judged.",
            "Read the Ah at the 20 h rate off the label.",
        ));
    }
    if !case.is_rested() {
        let why = if context.rested.is_some() {
            Unreadable::NotRested
        } else {
            Unreadable::RestUnknown
        };
        let sentence = format!(
            "{} is no rested voltage: live cells were not counted, and against frost the acid \
             counts as water.",
            visit.rest_v
        );
        found.push(gap("rested", sentence, why.needed()));
    }
    let flooded = matches!(
        case.chemistry,
        Chemistry::Flooded | Chemistry::EnhancedFlooded
    );
    if flooded && visit.electrolyte_low.is_none() {
        found.push(gap(
            "electrolyte_low",
            "Nobody looked at the electrolyte of a flooded battery.",
            "Look at every cell; say so where it cannot be opened.",
        ));
    }
    if context.battery_temperature.is_none() {
        found.push(gap(
            "battery_temperature",
            "The temperature of the battery is unknown: limits of 25 degC were taken, and frost \
             was not ruled out.",
            "Measure the case.",
        ));
    }
    if context.coldest.is_none() && visit.storage != Storage::RemovedIndoors {
        found.push(gap(
            "coldest",
            "How cold it has been since its last charge is unknown: frost damage was not ruled out.",
            "Ask, or take the coldest night of the place; look for bulges and cracks.",
        ));
    }
    found
}

/// Gaps in what is meant.
fn plan(case: &Case) -> Vec<Objection> {
    let plan = case.plan;
    let mut found = Vec::new();
    if case.limit_v.is_none() {
        let ceiling = limits::ceiling_at_v(case.chemistry, plan.purpose, case.celsius);
        let fix = match ceiling {
            Some(ceiling) => format!(
                "Read the charger's highest voltage; at most {:.2} V here.",
                case.pack_v(ceiling)
            ),
            None => "Read the charger's highest voltage.".to_owned(),
        };
        found.push(gap("limit", "The voltage limit is unknown.", fix));
    }
    if case.amps.is_none() {
        let most = limits::current_c(case.chemistry).zip(case.c20_ah);
        let fix = match most {
            Some((most, c20)) => format!(
                "Read the charger's highest current; at most {:.2} A here.",
                most * c20
            ),
            None => "Read the charger's highest current.".to_owned(),
        };
        found.push(gap("current", "The charging current is unknown.", fix));
    }
    if plan.program_nominal_v.is_none() && case.limit_v.is_none() {
        found.push(gap(
            "program_nominal_v",
            "Whether the charger is set to 6 V or 12 V is unknown.",
            format!("Set it to {} V.", case.cells * 2),
        ));
    }
    found
}

/// Gaps in what is known of the place.
fn place(case: &Case) -> Vec<Objection> {
    let place = &case.context.place;
    let mut found = Vec::new();
    if case.air_m3_h.is_none() {
        let needed = match needed_m3_h(case) {
            Some(needed) => format!("{needed:.2} m3/h are needed (IEC 62485-2)"),
            None => "it cannot be worked out without current and capacity".to_owned(),
        };
        found.push(gap(
            "air_m3_h",
            format!(
                "The fresh air of the room is unknown; for {} of these {needed}.{}",
                place.positions.max(1),
                sealed(case)
            ),
            "Ask for the room's fresh air in m3/h, or measure it.",
        ));
    }
    if place.temperature_sensor.is_none() {
        found.push(gap(
            "temperature_sensor",
            "Whether a temperature sensor sits on the battery is unknown.",
            "Look, and fix one if there is none.",
        ));
    }
    if place.attended.is_none() && case.plan.purpose != Purpose::PlainCharge {
        found.push(gap(
            "attended",
            format!(
                "Whether somebody stays with the {} is unknown.",
                charge_name(case.plan.purpose)
            ),
            "Begin it when somebody does.",
        ));
    }
    found
}
