//! Objections to the battery itself: what was seen and read, frost, heat, lost cells, lithium.

use super::{Case, DUST, Objection, ObjectionKind, Severity};
use crate::advice::hazard::hazards;
use crate::advice::stop_rules::case_levels;
use crate::lead_acid::freezing;
use crate::record::words::{Chemistry, Purpose};
use crate::units::Celsius;

/// Highest rested voltage of any lead-acid table, V of six cells. Source: DOMAIN 2.1.
const LEAD_V12_MAX: f64 = 13.2;
/// What three live cells of a 12 V battery and a whole 6 V battery both read, V. Source: DOMAIN 1.1.
const SIX_VOLT_LIKE_V: (f64, f64) = (5.4, 6.6);
/// Minutes a battery with lost cells may be probed. Source: DOMAIN 7.
const PROBE_H: f64 = 1.0;

/// Adds what speaks against this battery.
pub(super) fn look(case: &Case, found: &mut Vec<Objection>) {
    found.extend(hazards(&case.context.visit).into_iter().map(|hazard| {
        let fix = if hazard.may_be_a_misreading() {
            "Correct the reading or the label and check again."
        } else {
            "Connect nothing."
        };
        Objection {
            kind: ObjectionKind::Hazard,
            severity: Severity::DoNotStart,
            field: hazard.as_str(),
            sentence: hazard.sentence().to_owned(),
            fix: fix.to_owned(),
            basis: "makers' manuals: any one of these means no charge",
        }
    }));
    if case.chemistry == Chemistry::Lifepo4 {
        return;
    }
    found.extend(electrolyte(case));
    found.extend(lithium(case));
    found.extend(nominal(case));
    found.extend(frost(case));
    found.extend(heat(case));
    found.extend(cells(case));
}

fn electrolyte(case: &Case) -> Option<Objection> {
    (case.context.visit.electrolyte_low == Some(true)).then(|| Objection {
        kind: ObjectionKind::ElectrolyteLow,
        severity: Severity::DoNotStart,
        field: "electrolyte_low",
        sentence: "The electrolyte is below the plates: it may explode when charged or \
                   load-tested."
            .to_owned(),
        fix: "Cover the plates with distilled water as its maker says, then check again; a \
              sealed battery is replaced."
            .to_owned(),
        basis: "a car maker's service bulletin on low electrolyte",
    })
}

/// A rested voltage that no lead-acid table has, on a battery nobody identified.
fn lithium(case: &Case) -> Option<Objection> {
    let high = case.is_rested() && case.v12 > LEAD_V12_MAX + DUST;
    (high && case.chemistry == Chemistry::Unknown).then(|| Objection {
        kind: ObjectionKind::MayBeLithium,
        severity: Severity::DoNotStart,
        field: "chemistry",
        sentence: format!(
            "{} at rest is above every lead-acid table ({:.2} V): the unknown chemistry may be \
             lithium.",
            case.context.visit.rest_v,
            case.pack_v(LEAD_V12_MAX)
        ),
        fix: "Read the chemistry off the case first; no lead-acid program on lithium.".to_owned(),
        basis: "rested voltages of six makers' tables",
    })
}

/// A 12 V label on what reads like a whole 6 V battery.
fn nominal(case: &Case) -> Option<Objection> {
    let volts = case.context.visit.rest_v.get();
    let alike = case.cells == 6 && (SIX_VOLT_LIKE_V.0..=SIX_VOLT_LIKE_V.1).contains(&volts);
    alike.then(|| Objection {
        kind: ObjectionKind::NominalDoubtful,
        severity: Severity::FindOutFirst,
        field: "nominal_v",
        sentence: format!(
            "{volts} V on a 12 V label is a 6 V battery, or a 12 V one with three live cells."
        ),
        fix: "Count the cells or read the label again.".to_owned(),
        basis: "live cells rest at 1.80 to 2.15 V each",
    })
}

/// Freezing point of the weakest acid the reading leaves open, degC; water where nothing is known.
fn freezing_point(case: &Case) -> f64 {
    if case.is_rested() {
        let error =
            case.context.instrument_error_v.abs().max(0.0) * 6.0 / f64::from(case.cells.max(1));
        freezing::point_of_rest_v(case.v12 - error)
    } else {
        0.0
    }
}

fn frost(case: &Case) -> Option<Objection> {
    let point = freezing_point(case);
    let known = if case.is_rested() {
        format!("At {} its acid", case.context.visit.rest_v)
    } else {
        "Its charge is unknown, so its acid counts as water: it".to_owned()
    };
    let below = |at: Option<Celsius>| at.map(Celsius::get).filter(|c| *c <= point + DUST);
    if let Some(now) = below(case.context.battery_temperature) {
        return Some(Objection {
            kind: ObjectionKind::MayBeFrozen,
            severity: Severity::DoNotStart,
            field: "battery_temperature",
            sentence: format!(
                "{known} freezes at {point:.0} degC, and it is at {now:.0} degC: it may \
                 be frozen."
            ),
            fix: "Never charge it frozen: thaw it at room temperature, look for cracks and \
                  bulges, then check again; its maker may want it replaced."
                .to_owned(),
            basis: "US Army Ordnance subcourse OD1002; car makers' manuals",
        });
    }
    below(case.context.coldest).map(|coldest| Objection {
        kind: ObjectionKind::FrostDamage,
        severity: Severity::ChangeFirst,
        field: "coldest",
        sentence: format!(
            "{known} freezes at {point:.0} degC, and it has been at {coldest:.0} degC: if \
             it was as flat then, ice may have cracked plates and case."
        ),
        fix: "Attempt it only if the case is flat-sided and dry, and begin with an attended probe \
              of at most 60 min."
            .to_owned(),
        basis: "US Army Ordnance subcourse OD1002; the probe is our choice",
    })
}

fn heat(case: &Case) -> Option<Objection> {
    let celsius = case.context.battery_temperature?.get();
    let (warn, stop) = case_levels(case.chemistry);
    let severity = if celsius >= stop - DUST {
        Severity::DoNotStart
    } else {
        Severity::ChangeFirst
    };
    (celsius >= warn - DUST).then(|| Objection {
        kind: ObjectionKind::TooHot,
        severity,
        field: "battery_temperature",
        sentence: format!(
            "The battery is at {celsius:.1} degC; a charge of it warns from {warn} and is to be \
             stopped from {stop} degC."
        ),
        fix: "Let it cool below 38 degC and find out what warmed it.".to_owned(),
        basis: "makers' limits of 43 to 52 degC; resuming at 38 is a public specification's",
    })
}

/// Lost cells allow one attended probe.
fn cells(case: &Case) -> Option<Objection> {
    let plan = case.plan;
    let live = case.live;
    let short = case.hours.is_some_and(|hours| hours <= PROBE_H + DUST);
    let is_probe =
        short && case.context.place.attended == Some(true) && plan.purpose != Purpose::Equalise;
    (case.has_lost_cells() && !is_probe).then(|| Objection {
        kind: ObjectionKind::CellsLost,
        severity: Severity::ChangeFirst,
        field: "rest_v",
        sentence: format!(
            "{} at rest comes from {} of {} live cells at most: the others are shorted, reversed \
             or deeply flat.",
            case.context.visit.rest_v, live.at_most, live.of
        ),
        fix: match case.c20_ah {
            Some(ah) => format!(
                "Plan one attended probe of at most 60 min at {:.2} to {:.2} A (0.02 to 0.05 C20), \
                 then decide.",
                0.02 * ah,
                0.05 * ah
            ),
            None => "Plan one attended probe of at most 60 min at 0.02 to 0.05 C20, then decide."
                .to_owned(),
        },
        basis: "live cells rest at 1.80 to 2.15 V each; the probe is our choice",
    })
}
