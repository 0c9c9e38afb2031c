//! Plans against published limits.

mod place;
mod properties;

use super::*;
use crate::advice::tests::visit;
use crate::record::words::VisualFlag;

fn amps(value: f64) -> Option<Amps> {
    Amps::new("current", value).ok()
}

fn volts(value: f64) -> Option<Volts> {
    Volts::new("limit", value).ok()
}

fn degrees(value: f64) -> Option<Celsius> {
    Celsius::new("temperature", value).ok()
}

/// A plain slow charge of a 14 Ah glass-mat battery: DOMAIN 7, first archetype.
fn plan() -> Plan {
    Plan {
        purpose: Purpose::PlainCharge,
        method: Method::CcCv,
        current: amps(1.4),
        limit: volts(14.4),
        hours: Some(16.0),
        program_nominal_v: Some(12),
        program_chemistry: Some(Chemistry::Agm),
    }
}

fn context() -> PlanContext {
    let mut visit = visit(11.9, 12);
    visit.battery.rated_ah = Some(AmpHours::new("rated_ah", 14.0).unwrap());
    PlanContext {
        visit,
        rested: Some(RestMinutes::new("rested", 480.0).unwrap()),
        instrument_error_v: 0.0,
        battery_temperature: degrees(20.0),
        coldest: degrees(5.0),
        place: Place {
            positions: 1,
            air_m3_h: Some(5.0),
            volume_m3: Some(30.0),
            temperature_sensor: Some(true),
            attended: Some(true),
        },
    }
}

fn of_chemistry(chemistry: Chemistry) -> PlanContext {
    let mut context = context();
    context.visit.battery.chemistry = chemistry;
    context.visit.electrolyte_low = Some(false);
    context
}

fn kinds(plan: &Plan, context: &PlanContext) -> Vec<ObjectionKind> {
    let found = check_plan(plan, context);
    found.iter().map(|one| one.kind).collect()
}

fn only(plan: &Plan, context: &PlanContext) -> Objection {
    let mut found = check_plan(plan, context);
    assert_eq!(found.len(), 1, "{found:#?}");
    found.remove(0)
}

#[test]
fn a_sound_plan_has_no_objection_and_still_has_its_cautions() {
    let check = review_plan(&plan(), &context());
    assert_eq!(check.objections, []);
    assert_eq!(
        check.heading(),
        "No objection found. This is not a safety system."
    );
    assert!(!check.cautions.is_empty() && check.text().contains("Cautions:"));
}

// Source: DOMAIN 3.1: AGM at most C/5, gel 0.15, flooded 0.25 of C20.
#[test]
fn the_current_is_held_against_capacity_and_construction() {
    for (chemistry, most) in [
        (Chemistry::Flooded, 3.5),
        (Chemistry::Agm, 2.8),
        (Chemistry::Gel, 2.1),
    ] {
        let context = of_chemistry(chemistry);
        let at = |current| Plan {
            current: amps(current),
            limit: volts(14.0),
            program_chemistry: Some(chemistry),
            ..plan()
        };
        assert_eq!(kinds(&at(most), &context), [], "{chemistry}");
        let found = only(&at(most + 0.1), &context);
        assert_eq!(found.kind, ObjectionKind::CurrentTooHigh);
        assert!(found.fix.contains(&format!("Set {most:.2} A")), "{found:?}");
    }
    let found = only(
        &Plan {
            current: amps(6.0),
            ..plan()
        },
        &context(),
    );
    assert!(
        found
            .sentence
            .starts_with("6.00 A is 0.43 C20 of 14 Ah (AGM)"),
        "{found:?}"
    );
}

// Source: DOMAIN 3.1 and 10, rows 29 to 31: `U25 + n k (T - 25)`.
#[test]
fn the_ceiling_follows_construction_temperature_and_cells() {
    let at = |limit| Plan {
        limit: volts(limit),
        program_chemistry: None,
        ..plan()
    };
    // 14.7 - 6 x 3 mV x 10 K = 14.52 V for AGM, 14.8 - 6 x 5 mV x 10 K = 14.5 V flooded.
    for (chemistry, celsius, ceiling) in [
        (Chemistry::Agm, 25.0, 14.7),
        (Chemistry::Agm, 35.0, 14.52),
        (Chemistry::Flooded, 35.0, 14.5),
        (Chemistry::Flooded, 15.0, 15.1),
        (Chemistry::Gel, 25.0, 14.1),
    ] {
        let context = PlanContext {
            battery_temperature: degrees(celsius),
            ..of_chemistry(chemistry)
        };
        assert_eq!(kinds(&at(ceiling), &context), [], "{chemistry} {celsius}");
        let found = only(&at(ceiling + 0.02), &context);
        assert_eq!(found.kind, ObjectionKind::VoltageTooHigh);
        assert!(
            found.fix.contains(&format!("Set {ceiling:.2} V or less")),
            "{found:?}"
        );
    }
    let mut six = context();
    six.visit.battery.nominal_v = 6;
    six.visit.rest_v = Volts::new("rest_v", 5.95).unwrap();
    six.battery_temperature = degrees(25.0);
    let small = |limit| Plan {
        program_nominal_v: Some(6),
        ..at(limit)
    };
    assert_eq!(kinds(&small(7.35), &six), []);
    assert_eq!(only(&small(7.37), &six).kind, ObjectionKind::VoltageTooHigh);
}

// Source: DOMAIN 3.1: 16 V class and 15.5 V flooded, makers disagree on AGM, gel never.
#[test]
fn recovery_and_equalising_go_higher_on_flooded_cells_only() {
    let high = |purpose, limit| Plan {
        purpose,
        method: Method::ElevatedCv,
        limit: volts(limit),
        current: amps(0.7),
        program_chemistry: None,
        ..plan()
    };
    let (recovery, equalise) = (Purpose::RecoveryCharge, Purpose::Equalise);
    let flooded = PlanContext {
        battery_temperature: degrees(25.0),
        ..of_chemistry(Chemistry::Flooded)
    };
    assert_eq!(kinds(&high(recovery, 16.0), &flooded), []);
    assert_eq!(kinds(&high(equalise, 15.5), &flooded), []);
    let fast = Plan {
        current: amps(0.8),
        ..high(recovery, 16.0)
    };
    assert_eq!(only(&fast, &flooded).kind, ObjectionKind::CurrentTooHigh);
    let agm = of_chemistry(Chemistry::Agm);
    assert_eq!(
        kinds(&high(recovery, 16.0), &agm),
        [ObjectionKind::VoltageTooHigh]
    );
    for chemistry in [Chemistry::Agm, Chemistry::Gel] {
        let context = of_chemistry(chemistry);
        assert_eq!(
            kinds(&high(equalise, 14.0), &context),
            [ObjectionKind::EqualiseNotAllowed]
        );
    }
}

#[test]
fn six_and_twelve_volts_are_not_mixed_up() {
    let six_program = Plan {
        program_nominal_v: Some(6),
        limit: volts(7.2),
        ..plan()
    };
    let found = check_plan(&six_program, &context());
    let all: Vec<_> = found.iter().map(|one| (one.kind, one.severity)).collect();
    assert_eq!(
        all,
        [(ObjectionKind::NominalMixUp, Severity::DoNotStart); 2]
    );
    let both = Plan {
        program_nominal_v: Some(6),
        limit: volts(15.5),
        ..plan()
    };
    assert_eq!(
        kinds(&both, &context()),
        [ObjectionKind::NominalMixUp, ObjectionKind::VoltageTooHigh]
    );
    let mut six = context();
    six.visit.battery.nominal_v = 6;
    six.visit.rest_v = Volts::new("rest_v", 6.0).unwrap();
    let found = kinds(&plan(), &six);
    assert_eq!(found, [ObjectionKind::NominalMixUp; 2]);
    six.visit.rest_v = Volts::new("rest_v", 12.4).unwrap();
    assert!(kinds(&plan(), &six).contains(&ObjectionKind::Hazard));
    // Source: DOMAIN 1.2, "up to 25 V, bench-attended only, do not automate".
    let pushed = Plan {
        limit: volts(25.0),
        ..plan()
    };
    assert_eq!(only(&pushed, &context()).severity, Severity::DoNotStart);
    let mut doubtful = context();
    doubtful.visit.rest_v = Volts::new("rest_v", 6.3).unwrap();
    assert!(kinds(&plan(), &doubtful).contains(&ObjectionKind::NominalDoubtful));
}

// Source: DOMAIN 1.1 and 6: never a lead-acid program on lithium.
#[test]
fn lithium_is_stopped_and_nothing_else_is_said_of_it() {
    let found = only(&plan(), &of_chemistry(Chemistry::Lifepo4));
    assert_eq!(
        (found.kind, found.severity, found.field),
        (ObjectionKind::Hazard, Severity::DoNotStart, "lithium")
    );
    let mut unknown = of_chemistry(Chemistry::Unknown);
    unknown.visit.rest_v = Volts::new("rest_v", 13.3).unwrap();
    let found = check_plan(&plan(), &unknown);
    assert_eq!(found[0].kind, ObjectionKind::MayBeLithium, "{found:?}");
    let wrong = Plan {
        program_chemistry: Some(Chemistry::Lifepo4),
        ..plan()
    };
    assert_eq!(
        only(&wrong, &context()).kind,
        ObjectionKind::ProgramMismatch
    );
}

#[test]
fn what_a_person_saw_and_dry_plates_come_first() {
    let mut seen = of_chemistry(Chemistry::Flooded);
    seen.visit.flags = vec![VisualFlag::Swollen];
    seen.visit.electrolyte_low = Some(true);
    seen.place.attended = None;
    let found = check_plan(
        &Plan {
            limit: None,
            ..plan()
        },
        &seen,
    );
    let first: Vec<_> = found.iter().take(2).map(|one| one.kind).collect();
    assert_eq!(
        first,
        [ObjectionKind::Hazard, ObjectionKind::ElectrolyteLow]
    );
    assert!(
        found
            .iter()
            .take(2)
            .all(|one| one.severity == Severity::DoNotStart)
    );
    assert_eq!(found.last().unwrap().severity, Severity::FindOutFirst);
}

// Source: DOMAIN 2.5 and 10, row 23: 11.89 V freezes near -10 degC, 12.45 V near -39.
#[test]
fn frost_is_judged_by_the_charge_it_has() {
    let at = |rest_v: f64, now: f64, coldest: f64| PlanContext {
        visit: Visit {
            rest_v: Volts::new("rest_v", rest_v).unwrap(),
            ..context().visit
        },
        battery_temperature: degrees(now),
        coldest: degrees(coldest),
        ..context()
    };
    assert_eq!(kinds(&plan(), &at(11.89, 20.0, -8.0)), []);
    let damaged = only(&plan(), &at(11.89, 20.0, -12.0));
    assert_eq!(damaged.kind, ObjectionKind::FrostDamage);
    assert!(
        damaged.sentence.contains("freezes at -10 degC"),
        "{damaged:?}"
    );
    let frozen = only(&plan(), &at(11.89, -12.0, -12.0));
    assert_eq!(
        (frozen.kind, frozen.severity),
        (ObjectionKind::MayBeFrozen, Severity::DoNotStart)
    );
    assert_eq!(kinds(&plan(), &at(12.45, -12.0, -30.0)), []);
    assert_eq!(
        kinds(&plan(), &at(11.2, 20.0, -0.5)),
        [ObjectionKind::FrostDamage]
    );
    let meter = PlanContext {
        instrument_error_v: 0.3,
        ..at(11.89, 20.0, -8.0)
    };
    assert_eq!(kinds(&plan(), &meter), [ObjectionKind::FrostDamage]);
    let unrested = PlanContext {
        rested: None,
        ..at(12.7, 20.0, -2.0)
    };
    assert_eq!(
        kinds(&plan(), &unrested),
        [ObjectionKind::FrostDamage, ObjectionKind::MissingFact]
    );
}

// Source: DOMAIN 1.2 and 10, row 58: AGM 40 and 43.3 degC.
#[test]
fn a_hot_battery_waits() {
    let at = |celsius| PlanContext {
        battery_temperature: degrees(celsius),
        ..context()
    };
    let cool = Plan {
        limit: volts(13.8),
        ..plan()
    };
    assert_eq!(kinds(&cool, &at(39.0)), []);
    assert_eq!(only(&cool, &at(41.0)).severity, Severity::ChangeFirst);
    assert_eq!(only(&cool, &at(43.3)).severity, Severity::DoNotStart);
}

// Source: DOMAIN 10, row 16, and DOMAIN 7: one attended probe of at most 60 min.
#[test]
fn lost_cells_get_an_attended_probe_and_no_more() {
    let mut low = context();
    low.visit.rest_v = Volts::new("rest_v", 10.6).unwrap();
    let found = check_plan(&plan(), &low);
    let lost = found
        .iter()
        .find(|one| one.kind == ObjectionKind::CellsLost)
        .unwrap();
    assert!(lost.sentence.contains("5 of 6 live cells"), "{lost:?}");
    assert!(lost.fix.contains("0.28 to 0.70 A"), "{lost:?}");
    let probe = Plan {
        hours: Some(1.0),
        current: amps(0.7),
        ..plan()
    };
    assert_eq!(kinds(&probe, &low), []);
    // Source: DOMAIN 3.2, low-voltage start at 0.02 to 0.05 C20.
    let fast = Plan {
        current: amps(0.8),
        ..probe.clone()
    };
    assert_eq!(only(&fast, &low).kind, ObjectionKind::CurrentTooHigh);
    low.place.attended = Some(false);
    assert_eq!(only(&probe, &low).kind, ObjectionKind::CellsLost);
}

// Source: DOMAIN 1.2: 1.5 x C20 for AGM; 24 h an attempt.
#[test]
fn charge_and_time_are_bounded() {
    let steady = |hours| Plan {
        method: Method::LowRateCc,
        hours: Some(hours),
        ..plan()
    };
    assert_eq!(kinds(&steady(15.0), &context()), []);
    let found = only(&steady(15.5), &context());
    assert_eq!(found.kind, ObjectionKind::ChargeTooLarge);
    assert!(
        found
            .sentence
            .contains("21.7 Ah, more than 1.5 x C20 = 21.0 Ah"),
        "{found:?}"
    );
    let long = Plan {
        hours: Some(24.5),
        ..plan()
    };
    assert_eq!(only(&long, &context()).kind, ObjectionKind::TooLong);
}
