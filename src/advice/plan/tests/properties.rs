//! What must hold for every plan and every context.

use proptest::prelude::*;

use super::*;

fn any_of<T: Copy + std::fmt::Debug + 'static>(all: &'static [T]) -> impl Strategy<Value = T> {
    (0..all.len()).prop_map(move |at| all[at])
}

fn any_plan() -> impl Strategy<Value = Plan> {
    (
        (any_of(Purpose::ALL), any_of(Method::ALL)),
        prop::option::of(-1.0..60.0f64),
        prop::option::of(0.0..30.0f64),
        prop::option::of(0.0..60.0f64),
        prop::option::of(prop_oneof![Just(6u8), Just(12)]),
        prop::option::of(any_of(Chemistry::ALL)),
    )
        .prop_map(
            |(words, current, limit, hours, program_nominal_v, program)| Plan {
                purpose: words.0,
                method: words.1,
                current: current.and_then(amps),
                limit: limit.and_then(volts),
                hours,
                program_nominal_v,
                program_chemistry: program,
            },
        )
}

fn any_context() -> impl Strategy<Value = PlanContext> {
    (
        (any_of(Chemistry::ALL), prop_oneof![Just(6u8), Just(12)]),
        (-2.0..16.0f64, prop::option::of(0.0..600.0f64)),
        prop::option::of(1.0..200.0f64),
        (
            prop::option::of(-40.0..60.0f64),
            prop::option::of(-40.0..20.0f64),
        ),
        (1u16..20, prop::option::of(0.0..10.0f64)),
        (
            any::<Option<bool>>(),
            any::<Option<bool>>(),
            any::<Option<bool>>(),
        ),
    )
        .prop_map(|(battery, read, ah, temperatures, room, flags)| {
            let mut context = context();
            context.visit.battery.chemistry = battery.0;
            context.visit.battery.nominal_v = battery.1;
            context.visit.rest_v = Volts::new("rest_v", read.0).unwrap();
            context.rested = read.1.map(|m| RestMinutes::new("rested", m).unwrap());
            context.visit.battery.rated_ah = ah.map(|ah| AmpHours::new("ah", ah).unwrap());
            context.battery_temperature = temperatures.0.and_then(degrees);
            context.coldest = temperatures.1.and_then(degrees);
            (context.place.positions, context.place.air_m3_h) = room;
            context.visit.electrolyte_low = flags.0;
            context.place.temperature_sensor = flags.1;
            context.place.attended = flags.2;
            context
        })
}

proptest! {
    #[test]
    fn every_objection_is_whole_sorted_fits_the_page_and_promises_nothing(
        plan in any_plan(), context in any_context(),
    ) {
        let check = review_plan(&plan, &context);
        for one in &check.objections {
            prop_assert!(one.sentence.ends_with('.') && one.fix.ends_with('.'), "{:?}", one);
            prop_assert!(!one.basis.is_empty() && !one.field.is_empty());
            prop_assert!(!one.sentence.contains("NaN") && !one.fix.contains("inf "), "{:?}", one);
        }
        let order = |one: &Objection| (one.severity, one.kind);
        prop_assert!(check.objections.windows(2).all(|pair| order(&pair[0]) <= order(&pair[1])));
        let text = check.text();
        prop_assert!(text.lines().all(|line| line.chars().count() <= 100), "{text}");
        let plain = text.replace("not a safety system", "");
        prop_assert!(!plain.to_lowercase().contains("safe"), "{text}");
        prop_assert_eq!(text.starts_with("No objection found."), check.objections.is_empty());
        prop_assert!(check.cautions.len() >= 7);
    }

    #[test]
    fn more_current_or_voltage_never_removes_an_objection_to_it(
        plan in any_plan(), context in any_context(), more in 1.0..3.0f64,
    ) {
        let has = |plan: &Plan, kinds: &[ObjectionKind]| {
            check_plan(plan, &context).iter().any(|one| kinds.contains(&one.kind))
        };
        let current = plan.current.map(Amps::get).filter(|amps| *amps > 0.0);
        let larger = Plan { current: current.and_then(|a| amps(a * more)), ..plan.clone() };
        for kind in [ObjectionKind::CurrentTooHigh, ObjectionKind::VentilationTooLow] {
            if current.is_some() && has(&plan, &[kind]) {
                prop_assert!(has(&larger, &[kind]), "{}", kind);
            }
        }
        let high = [ObjectionKind::VoltageTooHigh, ObjectionKind::NominalMixUp];
        if let Some(limit) = plan.limit.map(Volts::get)
            && has(&plan, &high[..1])
        {
            let higher = Plan { limit: volts((limit * more).min(40.0)), ..plan.clone() };
            prop_assert!(has(&higher, &high));
        }
    }
}
