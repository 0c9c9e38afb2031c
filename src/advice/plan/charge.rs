//! Objections to the charge: program, voltage, current, charge, time.

use super::{Case, DUST, Objection, ObjectionKind, Severity, charge_name, construction};
use crate::advice::stop_rules::charge_returned_c;
use crate::lead_acid::limits;
use crate::record::words::{Chemistry, Method, Purpose};

/// Volts of a cell that no lead-acid program exceeds or stays under: it is another nominal voltage.
///
/// Source: DOMAIN 11, 18 V accepted for six cells; 1.9 V is what an exhausted cell reads at rest.
const CELL_V: (f64, f64) = (1.9, 3.0);
/// Longest attempt, h. Source: TM 5-3820-256-24-4 p. 372; our choice for every attempt.
const HOURS_MAX: f64 = 24.0;

/// Adds what speaks against the charge itself.
pub(super) fn look(case: &Case, found: &mut Vec<Objection>) {
    found.extend(program_nominal(case));
    let mixed = limit_of_another(case);
    let is_mixed = mixed.is_some();
    found.extend(mixed);
    found.extend(program(case));
    if !is_mixed {
        found.extend(voltage(case));
    }
    found.extend(current(case));
    found.extend(charge(case));
    found.extend(time(case));
}

/// An objection to another nominal voltage than the label's.
fn mix_up(case: &Case, field: &'static str, sentence: String) -> Objection {
    Objection {
        kind: ObjectionKind::NominalMixUp,
        severity: Severity::DoNotStart,
        field,
        sentence,
        fix: format!(
            "Set the charger to {} V, or read the label again.",
            case.cells * 2
        ),
        basis: "three or six cells of 2.0 to 2.7 V each",
    }
}

/// A charger that is set to another nominal voltage.
fn program_nominal(case: &Case) -> Option<Objection> {
    let label = case.cells * 2;
    let program = case.plan.program_nominal_v.filter(|v| *v != label)?;
    let sentence = format!("The charger is set to {program} V, the label says {label} V.");
    Some(mix_up(case, "program_nominal_v", sentence))
}

/// A voltage limit that only another nominal voltage explains.
fn limit_of_another(case: &Case) -> Option<Objection> {
    let limit = case.limit_v?;
    let cell_v = limit / f64::from(case.cells.max(1));
    let (least, most) = CELL_V;
    let sentence = format!(
        "{limit} V on a {} V label is {cell_v:.2} V a cell; lead-acid programs lie between {least} \
         and {most} V.",
        case.cells * 2
    );
    (cell_v > most + DUST || cell_v < least - DUST).then(|| mix_up(case, "limit", sentence))
}

/// A charger that is set to another construction with a higher voltage, or to lithium.
fn program(case: &Case) -> Option<Objection> {
    let program = case.plan.program_chemistry?;
    let higher = limits::absorption_v(program) > limits::absorption_v(case.chemistry);
    (program == Chemistry::Lifepo4 || higher).then(|| Objection {
        kind: ObjectionKind::ProgramMismatch,
        severity: Severity::ChangeFirst,
        field: "program_chemistry",
        sentence: format!(
            "The charger is set to {}, the battery is {}: at most {:.2} V absorption at 25 degC.",
            construction(program),
            construction(case.chemistry),
            case.pack_v(limits::absorption_v(case.chemistry))
        ),
        fix: if case.chemistry == Chemistry::Unknown {
            "Read the chemistry off the case; until then set the lowest lead-acid voltage."
                .to_owned()
        } else {
            format!("Set the charger to {}.", construction(case.chemistry))
        },
        basis: "makers' charging limits by construction",
    })
}

/// The voltage limit against construction, purpose and temperature.
fn voltage(case: &Case) -> Option<Objection> {
    let (chemistry, purpose) = (case.chemistry, case.plan.purpose);
    let Some(at_25) = limits::ceiling_v(chemistry, purpose) else {
        return Some(equalise(case));
    };
    let limit = case.limit_v?;
    let here = limits::ceiling_at_v(chemistry, purpose, case.celsius)?;
    let (at_25, here) = (case.pack_v(at_25), case.pack_v(here));
    let temperature = if case.context.battery_temperature.is_some() {
        format!(", {here:.2} V at {:.0} degC", case.celsius)
    } else {
        String::new()
    };
    (limit > here + DUST).then(|| Objection {
        kind: ObjectionKind::VoltageTooHigh,
        severity: Severity::ChangeFirst,
        field: "limit",
        sentence: format!(
            "{limit:.2} V is above the ceiling of a {} ({}): {at_25:.2} V at 25 degC{temperature}.",
            charge_name(purpose),
            construction(chemistry)
        ),
        fix: format!(
            "Set {:.2} V or less; more only by the label or the maker's word, attended.",
            libm::floor(here * 100.0 + DUST) / 100.0
        ),
        basis: "makers' charging limits by construction and temperature",
    })
}

/// Equalising what must not be equalised.
fn equalise(case: &Case) -> Objection {
    let why = match case.chemistry {
        Chemistry::Gel => "gel is never equalised: bubbles stay in the gel",
        Chemistry::Agm => "AGM is not equalised unless its maker says so",
        _ => "nothing is equalised before its chemistry is known",
    };
    Objection {
        kind: ObjectionKind::EqualiseNotAllowed,
        severity: Severity::ChangeFirst,
        field: "purpose",
        sentence: format!("The plan is to equalise, but {why}."),
        fix: format!(
            "Plan a plain charge of at most {:.2} V.",
            libm::floor(case.absorption_v() * 100.0 + DUST) / 100.0
        ),
        basis: "a coach maker's manual (AGM); gel from memory",
    }
}

/// The current against C20 and construction.
fn current(case: &Case) -> Option<Objection> {
    let amps = case.amps?;
    let c20 = case.c20_ah?;
    let most = limits::current_c(case.chemistry)?;
    let least = most.min(limits::ELEVATED_CURRENT_C);
    let (most, why) = if case.has_lost_cells() {
        (least, "while cells are lost")
    } else if case.may_be_elevated() && case.is_elevated() {
        let why = "above absorption, where the current turns into gas and heat";
        (least, why)
    } else {
        (most, "for this construction")
    };
    let allowed = most * c20;
    (amps > allowed + DUST).then(|| Objection {
        kind: ObjectionKind::CurrentTooHigh,
        severity: Severity::ChangeFirst,
        field: "current",
        sentence: format!(
            "{amps:.2} A is {:.2} C20 of {c20} Ah ({}); at most {most:.2} C20 {why}.",
            amps / c20,
            construction(case.chemistry)
        ),
        fix: format!(
            "Set {:.2} A or less; a plain slow charge takes {:.2} A (0.1 C20).",
            libm::floor(allowed * 100.0 + DUST) / 100.0,
            0.1 * c20
        ),
        basis: "makers' charging currents; 0.25 C20 flooded and 0.05 C20 elevated are our choice",
    })
}

/// The charge a constant current would put in.
fn charge(case: &Case) -> Option<Objection> {
    let (amps, hours) = (case.amps?, case.hours?);
    let c20 = case.c20_ah?;
    let factor = charge_returned_c(case.chemistry);
    let planned = amps * hours;
    let constant = case.plan.method == Method::LowRateCc || case.plan.purpose == Purpose::Equalise;
    (constant && planned > factor * c20 + DUST).then(|| Objection {
        kind: ObjectionKind::ChargeTooLarge,
        severity: Severity::ChangeFirst,
        field: "hours",
        sentence: format!(
            "{amps:.2} A for {hours:.1} h is {planned:.1} Ah, more than {factor} x C20 = {:.1} Ah.",
            factor * c20
        ),
        fix: format!("Plan at most {:.1} h at this current.", factor * c20 / amps),
        basis: "car makers replace a battery that is not full after twice its reserve capacity; \
                1.5 and 2 x C20 are our choice",
    })
}

fn time(case: &Case) -> Option<Objection> {
    let hours = case.hours.filter(|hours| *hours > HOURS_MAX)?;
    Some(Objection {
        kind: ObjectionKind::TooLong,
        severity: Severity::ChangeFirst,
        field: "hours",
        sentence: format!("{hours:.1} h is longer than one attempt of {HOURS_MAX} h."),
        fix: "Plan at most 24 h, then 12 h of rest; two attempts at most.".to_owned(),
        basis: "TM 5-3820-256-24-4 p. 372; two attempts are our choice",
    })
}
