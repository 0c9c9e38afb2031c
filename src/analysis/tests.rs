//! The analysis as a whole: bits, bounds, and constructed charges for rules without data.

use std::collections::BTreeMap;

use proptest::prelude::*;
use uuid::Uuid;

use super::analyzer::Analyzer;
use super::context::{Context, Event};
use super::findings::{Finding, FindingKind, FindingState};
use super::report::{Origin, Report};
use super::rules::Rules;
use super::run::analyze;
use super::stop::{StopBasis, StopLevel};
use crate::record::run::{Member, Place, Run, Voice};
use crate::record::sample::{Columns, MISSING, Samples};
use crate::record::words::{Chemistry, DeviceKind, Stage};

mod positions;

const MINUTE: i64 = 60_000;

fn agm() -> Context {
    Context {
        claimed: true,
        nominal_v: Some(12),
        chemistry: Chemistry::Agm,
        c20_ah: Some(18.0),
        start_rest_v: Some(12.1),
        ..Context::default()
    }
}

/// A charge sampled every ten seconds: (minute) -> (V, A, degC).
fn charge(context: Context, minutes: i64, at: impl Fn(f64) -> (f64, f64, f64)) -> Analyzer {
    let mut analyzer = Analyzer::new(&Rules::default(), context);
    for n in 0..minutes * 6 {
        let (v, i, case) = at(n as f64 / 6.0);
        analyzer.push(&Event {
            voltage_v: Some(v),
            current_a: Some(i),
            case_c: Some(case),
            ambient_c: Some(22.0),
            ..Event::at(n * 10_000, DeviceKind::Charger)
        });
    }
    analyzer
}

fn kinds(report: &Report) -> Vec<FindingKind> {
    report.findings.iter().map(|finding| finding.kind).collect()
}

/// Bulk, absorption, float and rest of a healthy battery.
fn healthy(minute: f64) -> (f64, f64, f64) {
    let h = minute / 60.0;
    match h {
        _ if h < 4.0 => (12.5 + 0.475 * h, 2.0, 22.0 + h),
        _ if h < 7.0 => (14.4, 2.0 * libm::exp(4.0 - h), 26.0),
        _ if h < 9.0 => (13.6, 0.08, 24.0),
        _ => (12.85 + 0.1 * libm::exp(9.0 - h), 0.0, 22.0),
    }
}

#[test]
fn a_healthy_charge_has_its_stages_and_no_finding() {
    let report = charge(agm(), 720, healthy).close();
    let stages: Vec<Stage> = report.stages.iter().map(|span| span.stage).collect();
    let expected = [Stage::Bulk, Stage::Absorption, Stage::Float, Stage::Rest];
    assert_eq!(stages, expected);
    let limit_min = report.stages[1].from_ms as f64 / MINUTE as f64;
    assert!((limit_min - 240.0).abs() <= 5.0, "{limit_min}");
    assert_eq!(
        (kinds(&report), report.stop.level),
        (vec![], StopLevel::None)
    );
    let rested = report.rested.unwrap();
    assert!((rested.open_circuit_v - 12.855).abs() < 0.01 && rested.rested_min > 175.0);
    let cells = report.live_cells.unwrap();
    assert_eq!((cells.count, cells.of, cells.after_charge), (6, 6, true));
    assert!(report.stand_test.is_some());
}

// Source: closed form of a current that falls by e each hour from 2 A at 4 h.
#[test]
fn checkpoints_hold_the_mean_of_five_minutes_only_at_the_limit() {
    let report = charge(agm(), 720, healthy).close();
    let hours: Vec<f64> = report.checkpoints.iter().map(|point| point.hours).collect();
    assert_eq!(hours, super::checkpoint::CHECKPOINT_HOURS);
    assert_eq!(report.checkpoints[3].accept_c, None);
    assert!((report.checkpoints[3].dv_v.unwrap() - 0.475 * 2.0).abs() < 0.03);
    let float = report.checkpoints[5].accept_c.unwrap();
    assert!((float - 0.08 / 18.0).abs() < 1e-6, "{float}");
    assert!((report.checkpoints[2].temp_rise_k.unwrap() - 1.0).abs() < 0.05);
}

// Source: closed form of an exponential taper, 2.5 A to 0.12 A with 5400 s: 3.792370 Ah in 14280 s.
#[test]
fn a_taper_at_constant_voltage_is_absorption_with_the_charge_of_the_closed_form() {
    let current = |s: f64| 0.12 + 2.38 * libm::exp(-s / 5_400.0);
    let report = charge(agm(), 239, |min| {
        (14.4, current((60.0 * min).min(14_280.0)), 22.0)
    })
    .close();
    let stages: Vec<Stage> = report.stages.iter().map(|span| span.stage).collect();
    assert_eq!(stages, [Stage::Absorption]);
    let beyond = current(14_280.0) * 50.0 / 3_600.0;
    let error = report.charge.ah_net() - beyond - 3.792_370_020_738_644;
    assert!(error.abs() < 1e-5, "{error}");
    let mean = |from: f64, until: f64| {
        let part = libm::exp(-from / 5_400.0) - libm::exp(-until / 5_400.0);
        0.12 + 2.38 * 5_400.0 * part / (until - from)
    };
    let accept = report.checkpoints[3].accept_c.unwrap() * 18.0;
    assert!((accept - mean(6_900.0, 7_200.0)).abs() < 1e-3, "{accept}");
}

#[test]
fn what_is_not_known_is_left_out_and_said() {
    let unknown = Context::default();
    let report = charge(unknown, 720, healthy).close();
    assert_eq!(kinds(&report), []);
    assert_eq!(
        (report.nominal_v, report.nominal_origin),
        (Some(12), Origin::Inferred)
    );
    let missing: Vec<&str> = report.left_out.iter().map(|row| row.missing).collect();
    assert_eq!(missing, ["rated capacity", "chemistry", "cranking current"]);
    assert!(
        report
            .checkpoints
            .iter()
            .all(|point| point.accept_c.is_none())
    );
}

#[test]
fn five_live_cells_are_told_with_their_numbers_and_a_stop() {
    let mut context = agm();
    context.start_rest_v = Some(10.4);
    let watched = charge(context, 64, |_| (10.41, 1.8, 23.0));
    let report = watched.report();
    let finding = &report.findings[0];
    assert_eq!(finding.kind, FindingKind::ShortedCell);
    assert_eq!(
        finding.evidence,
        "10.41 V after 30 min at 1.8 A: 5 live cells"
    );
    assert_eq!(report.stop.level, StopLevel::StopAdvised);
    assert_eq!(report.live_cells.map(|cells| cells.count), Some(5));
}

// Unmeasured rule: constructed example.
#[test]
fn three_live_cells_that_stay_so_are_several_lost_ones() {
    let mut context = agm();
    context.start_rest_v = Some(6.0);
    let report = charge(context, 200, |_| (6.4, 1.8, 23.0)).report();
    assert_eq!(kinds(&report), [FindingKind::SeveralShorted]);
    assert!(report.findings[0].evidence.ends_with("3 live cells"));
    assert!(!report.findings[0].measured);
}

#[test]
fn an_open_circuit_is_to_be_clamped_anew_before_it_is_to_be_stopped() {
    let early = charge(agm(), 10, |_| (14.4, 0.0, 22.0)).report();
    assert_eq!(kinds(&early), [FindingKind::OpenCell]);
    assert_eq!(early.stop.level, StopLevel::ReclampFirst);
    let late = charge(agm(), 70, |_| (14.4, 0.0, 22.0)).report();
    assert_eq!(
        (late.stop.level, late.stop.basis),
        (StopLevel::StopAdvised, Some(StopBasis::Evidence))
    );
    let again = |minute: f64| {
        if minute < 5.0 {
            (14.4, 0.0, 22.0)
        } else {
            (12.7, 2.0, 22.0)
        }
    };
    let healed = charge(agm(), 30, again).report();
    assert_eq!(healed.findings[0].state, FindingState::Ended);
    assert_eq!(healed.stop.level, StopLevel::None);
}

#[test]
fn a_battery_at_the_limit_that_takes_nothing_is_stopped_at_60_min_only_if_it_does_not_wake() {
    let still = charge(agm(), 64, |_| (14.4, 0.15, 22.0)).report();
    assert_eq!(kinds(&still), [FindingKind::NoAcceptance]);
    assert_eq!(still.stop.level, StopLevel::StopAdvised);
    assert_eq!(still.stop.judged_at_min, Some(60));
    let waking = charge(agm(), 64, |min| (14.4, 0.15 + 0.0025 * min, 22.0)).report();
    assert_eq!(kinds(&waking), [FindingKind::NoAcceptance]);
    assert_eq!(waking.stop.level, StopLevel::Warn);
}

// Source: DOMAIN 1.2: 8 h without measurable current at 14.0 to 15.9 V.
#[test]
fn the_published_hours_without_current_hold_without_any_finding_of_the_first_hour() {
    let mut context = agm();
    context.start_rest_v = None;
    let at = |min: f64| (14.4, if min < 15.0 { 0.4 } else { 0.0 }, 22.0);
    let report = charge(context, 9 * 60, at).report();
    assert_eq!(report.stop.basis, Some(StopBasis::PublishedLimit));
    assert_eq!(report.stop.level, StopLevel::StopAdvised);
}

// Source: DOMAIN 1.2 and 10: glass mat 40, 43.3 and 51 degC.
#[test]
fn heat_is_warned_of_before_it_is_there() {
    let at = |min: f64| (13.5, 2.0, 22.0 + 0.2 * min);
    let levels = |minutes| charge(agm(), minutes, at).report();
    assert_eq!(levels(45).stop.level, StopLevel::None);
    let early = levels(85);
    assert!(
        kinds(&early).contains(&FindingKind::ThermalRunawayWarning),
        "{early:?}"
    );
    let warning = |finding: &&Finding| finding.kind == FindingKind::ThermalRunawayWarning;
    let warned_ms = early.findings.iter().find(warning).unwrap().since_ms;
    let warned_c = 22.0 + 0.2 * warned_ms as f64 / MINUTE as f64;
    assert!((36.0..41.0).contains(&warned_c), "{warned_c}");
    assert_eq!(levels(150).stop.level, StopLevel::StopAdvisedNow);
}

#[test]
fn heat_ends_and_comes_back_where_nobody_knows_how_many_cells_there_are() {
    let mut analyzer = Analyzer::new(&Rules::default(), Context::default());
    let mut told = Vec::new();
    for n in 0..180 * 6 {
        let case = match n / 6 {
            0..30 | 120..180 => 55.0,
            _ => 25.0,
        };
        // Three cells, or six that are badly lost: nobody said.
        analyzer.push(&Event {
            voltage_v: Some(6.5),
            current_a: Some(2.0),
            case_c: Some(case),
            ..Event::at(n * 10_000, DeviceKind::Charger)
        });
        let heat = analyzer.report().findings.into_iter();
        let mut heat = heat.filter(|finding| finding.kind == FindingKind::OverTemperature);
        let state = heat.next().map(|finding| finding.state);
        if told.last() != Some(&state) {
            told.push(state);
        }
    }
    assert_eq!(analyzer.report().nominal_v, None);
    let (present, ended) = (Some(FindingState::Present), Some(FindingState::Ended));
    assert_eq!(told, [None, present, ended, present]);
}

#[test]
fn limits_of_voltage_and_charge_are_those_of_the_construction() {
    let mut gel = agm();
    gel.chemistry = Chemistry::Gel;
    let high = |_: f64| (15.2, 2.0, 25.0);
    assert_eq!(
        kinds(&charge(gel, 10, high).report()),
        [FindingKind::OverVoltage]
    );
    let mut flooded = agm();
    flooded.chemistry = Chemistry::Flooded;
    assert_eq!(kinds(&charge(flooded, 10, high).report()), []);
    let mut small = agm();
    small.c20_ah = Some(4.0);
    let long = charge(small, 200, |min| (12.6 + 0.006 * min, 2.0, 22.0)).report();
    assert_eq!(kinds(&long), [FindingKind::AhOverrun]);
}

// Unmeasured rule: constructed example. Source: DOMAIN 1.2, ARCHITECTURE 7.
#[test]
fn a_low_flat_voltage_counts_only_when_most_of_the_missing_charge_went_in() {
    let flat = |_: f64| (12.9, 1.8, 22.0);
    assert_eq!(kinds(&charge(agm(), 250, flat).report()), []);
    let report = charge(agm(), 480, flat).report();
    assert_eq!(kinds(&report), [FindingKind::StalledLow]);
}

#[test]
fn silence_while_charging_is_told_and_silence_at_rest_is_not() {
    let charging = charge(agm(), 60, healthy);
    let lost = charging.report_at(60 * MINUTE + 120_000);
    assert_eq!(kinds(&lost), [FindingKind::TelemetryLost]);
    assert_eq!(lost.stop.level, StopLevel::Warn);
    assert_eq!(kinds(&charging.report_at(60 * MINUTE)), []);
    assert_eq!(
        kinds(&charge(agm(), 720, healthy).report_at(900 * MINUTE)),
        []
    );
}

#[test]
fn lithium_on_the_label_is_stopped_at_once() {
    let mut context = agm();
    context.chemistry = Chemistry::Lifepo4;
    let report = charge(context, 5, |_| (13.3, 2.0, 22.0)).report();
    assert_eq!(kinds(&report), [FindingKind::LithiumOnLeadProgram]);
    assert_eq!(report.stop.level, StopLevel::StopAdvisedNow);
}

// Source: DOMAIN 1.2, current 20 % above its least for 15 min; ARCHITECTURE 7, with heat.
#[test]
fn a_current_that_rises_at_constant_voltage_counts_only_with_heat() {
    let current = |min: f64| {
        if min < 60.0 {
            2.0 - 0.02 * min
        } else {
            0.8 + 0.004 * (min - 60.0)
        }
    };
    let cool = charge(agm(), 200, |min| (14.4, current(min), 22.0)).report();
    assert_eq!(kinds(&cool), []);
    let hot = |min: f64| 22.0 + if min < 60.0 { 0.0 } else { 0.1 * (min - 60.0) };
    let report = charge(agm(), 180, |min| (14.4, current(min), hot(min))).report();
    assert!(kinds(&report).contains(&FindingKind::ThermalRunawayWarning));
    assert_eq!(report.stop.level, StopLevel::StopAdvisedNow);
}

/// A run of a charger and a meter from numbers of the generator.
fn run(steps: &[(i64, i32, i32)], cut: usize) -> Run {
    let place = |n: u128, kind| Place {
        session: Uuid::from_u128(n),
        device: Uuid::from_u128(10 + n),
        kind,
        start_ms: 0,
        end_ms: 0,
        first_ms: 0,
    };
    let member = |n, kind| Member {
        place: place(n, kind),
        offset_ms: 0,
        overlap_ms: 0,
    };
    let samples = |first_seq: i64, steps: &[(i64, i32, i32)], shift: i32| Samples {
        first_seq,
        time_ms: steps.iter().map(|step| step.0).collect(),
        columns: Columns {
            voltage_mv: steps.iter().map(|step| step.1 + shift).collect(),
            current_ma: steps
                .iter()
                .map(|step| if shift == 0 { step.2 } else { MISSING })
                .collect(),
            ..Columns::default()
        },
    };
    let cut = cut.min(steps.len());
    let (first, second) = steps.split_at(cut);
    let later = i64::try_from(cut).unwrap() + 1;
    let meter = |n| Voice {
        member: member(n, DeviceKind::Meter),
        pieces: vec![samples(1, steps, -20 - i32::try_from(n).unwrap())],
    };
    Run {
        lead: Voice {
            member: member(1, DeviceKind::Charger),
            pieces: vec![samples(1, first, 0), samples(later, second, 0)],
        },
        others: vec![meter(2), meter(3)],
        from_ms: -1,
        until_ms: None,
    }
}

fn steps() -> impl Strategy<Value = Vec<(i64, i32, i32)>> {
    let step = (500_i64..40_000, 9_000_i32..15_500, -100_i32..8_000);
    proptest::collection::vec(step, 1..300).prop_map(|mut steps| {
        let mut time = 0;
        for step in &mut steps {
            time += step.0;
            step.0 = time;
        }
        steps
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn the_order_of_arrival_changes_no_bit(steps in steps(), cut in 0_usize..300) {
        let straight = run(&steps, cut);
        let mut mixed = straight.clone();
        mixed.others.reverse();
        mixed.lead.pieces.reverse();
        let rules = Rules::default();
        let first = format!("{:?}", analyze(&straight, &rules, &agm()));
        prop_assert_eq!(&first, &format!("{:?}", analyze(&mixed, &rules, &agm())));
        prop_assert_eq!(&first, &format!("{:?}", analyze(&run(&steps, 0), &rules, &agm())));
    }

    #[test]
    fn one_by_one_is_the_same_as_all_at_once_and_looking_changes_nothing(steps in steps()) {
        let whole = run(&steps, 0);
        let rules = Rules::default();
        let mut analyzer = Analyzer::new(&rules, agm());
        for (time_ms, mv, ma) in &steps {
            for (shift, source) in [
                (0, DeviceKind::Charger), (-22, DeviceKind::Meter), (-23, DeviceKind::Meter),
            ] {
                analyzer.push(&Event {
                    voltage_v: Some(f64::from(mv + shift) / 1000.0),
                    current_a: (shift == 0).then(|| f64::from(*ma) / 1000.0),
                    ..Event::at(*time_ms, source)
                });
                let _ = analyzer.report();
            }
        }
        let once = format!("{:?}", analyze(&whole, &rules, &agm()));
        prop_assert_eq!(format!("{:?}", analyzer.close()), once);
    }
}

// ARCHITECTURE 3: 24 KiB a run, whatever its length. Irregular times, a clamp that toggles and
// pauses fill every bounded list.
#[test]
fn state_stays_below_24_kib_over_96_hours() {
    let mut analyzer = Analyzer::new(&Rules::default(), agm());
    let (mut time_ms, mut state, mut largest) = (0_i64, 1_u64, 0);
    while time_ms < 96 * 60 * MINUTE {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let draw = (state >> 33) as f64 / f64::from(1_u32 << 31);
        let wait = if draw < 0.01 {
            200_000.0
        } else {
            500.0 + 20_000.0 * draw * draw
        };
        #[expect(clippy::cast_possible_truncation, reason = "a test of whole ms")]
        let wait = wait as i64;
        time_ms += wait;
        let v = 11.0 + 3.6 * draw;
        let event = Event {
            voltage_v: Some(v),
            current_a: Some(4.0 * (1.0 - draw)),
            case_c: Some(25.0 + 20.0 * draw),
            ..Event::at(time_ms, DeviceKind::Charger)
        };
        analyzer.push(&event);
        let meter = Event {
            voltage_v: Some(v - 0.05),
            ..Event::at(time_ms, DeviceKind::Meter)
        };
        analyzer.push(&meter);
        largest = largest.max(analyzer.size_bytes());
    }
    assert!(largest <= 24 * 1024, "{largest} bytes");
}

#[test]
fn a_wrong_unit_is_told_live_and_set_right_offline_on_request() {
    let mut context = agm();
    let millivolts = |min: f64| {
        let (v, i, case) = healthy(min);
        (1000.0 * v, i, case)
    };
    let live = charge(context.clone(), 60, millivolts).report();
    assert_eq!(kinds(&live), [FindingKind::WrongUnit]);
    assert_eq!(live.charge.start_v, None);
    context.millivolts.charger = true;
    let offline = charge(context, 720, millivolts).close();
    assert_eq!(kinds(&offline), []);
    assert!(offline.quality.read_as_millivolts.charger);
    assert!((offline.charge.start_v.unwrap() - 12.5).abs() < 1e-9);
}

#[test]
fn a_changed_threshold_changes_the_answer_and_its_version() {
    let changed = BTreeMap::from([("case_stop_vrla_c".to_owned(), 38.0)]);
    let rules = Rules::default().with(&changed).unwrap();
    let mut analyzer = Analyzer::new(&rules, agm());
    for n in 0..60 {
        analyzer.push(&Event {
            voltage_v: Some(13.0),
            current_a: Some(2.0),
            case_c: Some(39.0),
            ..Event::at(n * 10_000, DeviceKind::Charger)
        });
    }
    let report = analyzer.report();
    assert_eq!(kinds(&report), [FindingKind::OverTemperature]);
    assert!(report.rules_version.ends_with("case_stop_vrla_c=38"));
}
