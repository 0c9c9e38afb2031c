//! Raw batches against the limits, and cut in every way.

use proptest::prelude::*;

use super::*;
use crate::record::batch::{ClockClaim, RawEvent};
use crate::record::sample::Columns;

fn batch(start_ms: i64, step_ms: i32, voltage_mv: &[i32], case_cc: &[i32]) -> RawBatch {
    let count = voltage_mv.len().max(case_cc.len());
    RawBatch {
        first_seq: 1,
        start_ms,
        step_ms: (0..count)
            .map(|index| if index == 0 { 0 } else { step_ms })
            .collect(),
        columns: Columns {
            voltage_mv: voltage_mv.to_vec(),
            case_cc: case_cc.to_vec(),
            ..Columns::default()
        },
        events: Vec::new(),
        clock: ClockClaim::None,
        start_time: None,
        sent_ms: 0,
        oldest_held_seq: 0,
    }
}

fn event(at_ms: i64, kind: EventKind, stage: Option<Stage>) -> RawBatch {
    let mut batch = batch(at_ms, 1_000, &[], &[]);
    batch.events.push(RawEvent {
        event_seq: 1,
        time_ms: at_ms,
        kind: Some(kind),
        stage,
        ..RawEvent::default()
    });
    batch
}

struct Bench {
    screen: Screen,
    limits: Limits,
    sender: SenderFacts,
}

impl Bench {
    fn new(chemistry: Chemistry, nominal_v: Option<u8>) -> Self {
        Self {
            screen: Screen::default(),
            limits: Limits::of(chemistry, nominal_v),
            sender: SenderFacts::default(),
        }
    }

    fn judge(&mut self, batch: &RawBatch) -> Vec<Condition> {
        let mut out = Vec::new();
        let arrival = Arrival {
            boot: 1,
            offset_ms: 0,
            received_ms: i64::MAX,
            sender: self.sender,
        };
        self.screen.judge(batch, &self.limits, arrival, &mut out);
        out
    }

    fn edges(&mut self, batch: &RawBatch) -> Vec<(Kind, Edge, Option<i64>, i64)> {
        let found = self.judge(batch);
        found
            .iter()
            .map(|c| (c.kind, c.edge, c.value, c.at_ms))
            .collect()
    }

    fn heat(&mut self, start_ms: i64, case_cc: &[i32]) -> Vec<(Kind, Edge, Option<i64>, i64)> {
        self.edges(&batch(start_ms, 5_000, &[], case_cc))
    }

    fn volts(&mut self, start_ms: i64, voltage_mv: &[i32]) -> Vec<(Kind, Edge, Option<i64>, i64)> {
        self.edges(&batch(start_ms, 5_000, voltage_mv, &[]))
    }
}

// Source: RELIABILITY 4.3: one sample from critical or two of three from high; DOMAIN 1.2: AGM 43.3
// and 51 degC.
#[test]
fn heat_raises_by_one_critical_sample_or_two_of_three_high_ones() {
    let on = |value, at| vec![(Kind::OverTemperature, Edge::On, Some(value), at)];
    let agm = || Bench::new(Chemistry::Agm, Some(12));
    assert_eq!(agm().heat(0, &[5_099, 2_000, 2_000]), []);
    assert_eq!(agm().heat(0, &[2_000, 5_100, 2_000]), on(5_100, 5_000));
    assert_eq!(agm().heat(0, &[4_330, 2_000, 4_330]), on(4_330, 10_000));
    assert_eq!(agm().heat(0, &[4_330, 2_000, 2_000, 4_330]), []);
    assert_eq!(
        agm().heat(0, &[4_330, MISSING, MISSING, 4_330]),
        on(4_330, 15_000)
    );
    let mut flooded = Bench::new(Chemistry::Flooded, Some(12));
    assert_eq!(flooded.heat(0, &[4_999, 4_999]), []);
    assert_eq!(flooded.heat(20_000, &[5_000]), []);
    assert_eq!(
        flooded.heat(30_000, &[5_000]),
        on(5_000, 30_000),
        "across batches"
    );
}

// Source: RELIABILITY 4.3: off 5 K below for 10 min.
#[test]
fn heat_ends_five_kelvin_below_for_ten_minutes() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    bench.heat(0, &[5_200]);
    assert_eq!(
        bench.heat(10_000, &[5_300, 4_000]),
        [(Kind::OverTemperature, Edge::Unchanged, Some(5_300), 10_000)]
    );
    assert_eq!(bench.heat(614_999, &[3_830]), [], "calm since 15 s");
    assert_eq!(
        bench.heat(614_999, &[3_831]).len(),
        1,
        "4.99 K below starts it over"
    );
    assert_eq!(bench.heat(700_000, &[3_830]), []);
    assert_eq!(bench.heat(1_299_999, &[3_830]), []);
    let off = bench.heat(1_300_000, &[3_830, 3_830]);
    assert_eq!(
        off,
        [(Kind::OverTemperature, Edge::Off, Some(3_830), 1_300_000)]
    );
    assert_eq!(bench.screen.active().count(), 0);
}

// Source: RELIABILITY 4.3: over 150 degC is a fault of the sensor, of the same class.
#[test]
fn an_impossible_temperature_is_a_fault_of_the_sensor_and_no_heat() {
    for value in [15_001, 50_000, -6_001, i32::MAX] {
        let mut bench = Bench::new(Chemistry::Flooded, Some(12));
        let found = bench.heat(0, &[value]);
        assert_eq!(
            found,
            [(Kind::SensorFault, Edge::On, Some(i64::from(value)), 0)]
        );
        assert_eq!(found[0].0.class(), Kind::OverTemperature.class());
        assert_eq!(bench.heat(1_000, &[2_000]), []);
        assert_eq!(bench.heat(601_000, &[2_000])[0].1, Edge::Off);
    }
}

#[test]
fn the_hotter_of_case_and_centre_counts() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    let mut both = batch(0, 5_000, &[], &[3_000, 3_000]);
    both.columns.centre_cc = vec![3_100, 5_150];
    assert_eq!(
        bench.edges(&both),
        [(Kind::OverTemperature, Edge::On, Some(5_150), 5_000)]
    );
}

// Source: `record::limits::over_voltage_mv` (DOMAIN 3.1); 6 V is half of it (DOMAIN 2.2).
#[test]
fn over_voltage_is_judged_by_chemistry_and_nominal_voltage() {
    for (chemistry, nominal_v, limit) in [
        (Chemistry::Flooded, Some(12), 16_250),
        (Chemistry::Flooded, Some(6), 8_125),
        (Chemistry::Agm, Some(12), 15_400),
        (Chemistry::Gel, Some(12), 15_050),
        (Chemistry::Unknown, None, 16_250),
    ] {
        let mut bench = Bench::new(chemistry, nominal_v);
        assert_eq!(bench.volts(0, &[limit - 1]), [], "{chemistry}");
        let on = (Kind::OverVoltage, Edge::On, Some(i64::from(limit)), 5_000);
        assert_eq!(bench.volts(5_000, &[limit]), [on], "{chemistry}");
    }
}

// Source: RELIABILITY 4.3: off 0.2 V below for 60 s.
#[test]
fn over_voltage_ends_a_fifth_of_a_volt_below_for_a_minute() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    bench.volts(0, &[15_500]);
    let mut calm = vec![15_201];
    calm.extend([15_200; 12]);
    let lasting = (Kind::OverVoltage, Edge::Unchanged, Some(15_201), 5_000);
    assert_eq!(bench.volts(5_000, &calm), [lasting]);
    assert_eq!(bench.volts(70_000, &[15_200])[0].1, Edge::Off);
}

// Source: RELIABILITY 2, fault 59: 12 V battery at 39 V and 500 degC must alarm though the values
// are refused.
#[test]
fn values_that_are_never_stored_still_alarm() {
    let mut bench = Bench::new(Chemistry::Flooded, Some(12));
    let mut absurd = batch(0, 5_000, &[39_000, 65_000], &[50_000, 50_000]);
    absurd.step_ms = vec![0, -7];
    absurd.columns.current_ma = vec![1];
    let kinds: Vec<(Kind, Edge)> = bench
        .judge(&absurd)
        .iter()
        .map(|c| (c.kind, c.edge))
        .collect();
    assert_eq!(
        kinds,
        [
            (Kind::SensorFault, Edge::On),
            (Kind::OverVoltage, Edge::On),
            (Kind::SensorFault, Edge::Unchanged),
            (Kind::OverVoltage, Edge::Unchanged),
        ]
    );
    let worst = bench.judge(&batch(5_000, 0, &[70_000, 39_000], &[]));
    assert_eq!(worst[0].value, Some(70_000));
}

#[test]
fn values_in_another_unit_are_a_low_alarm_and_judged_as_a_thousandth() {
    let mut bench = Bench::new(Chemistry::Flooded, Some(12));
    let found = bench.volts(0, &[12_600_000]);
    assert_eq!(found, [(Kind::UnitSuspect, Edge::On, Some(12_600_000), 0)]);
    let found = bench.volts(1_000, &[16_300_000]);
    assert!(
        found.contains(&(Kind::OverVoltage, Edge::On, Some(16_300), 1_000)),
        "{found:?}"
    );
    let mut declared = Bench::new(Chemistry::Flooded, Some(12));
    declared.sender.voltage_in_mv = true;
    assert_eq!(declared.volts(0, &[12_600_000]), []);
    assert_eq!(declared.volts(1_000, &[16_300_000])[0].2, Some(16_300));
}

// Source: RELIABILITY 4.3: reversed, two of three.
#[test]
fn a_negative_voltage_needs_two_of_three() {
    let mut bench = Bench::new(Chemistry::Flooded, Some(12));
    assert_eq!(bench.volts(0, &[-11_000, 12_000, 12_000, -199, -199]), []);
    let found = bench.volts(60_000, &[-300, 0, -11_800, -11_900]);
    assert_eq!(
        found,
        [
            (Kind::Reversed, Edge::On, Some(-11_800), 70_000),
            (Kind::Reversed, Edge::Unchanged, Some(-11_900), 75_000),
        ]
    );
    assert_eq!(
        bench.volts(100_000, &[12_000; 13]).last().unwrap().1,
        Edge::Off
    );
}

// Source: DOMAIN 3.1: 14.6 V at most, equalise never.
#[test]
fn a_lithium_battery_alarms_by_voltage_and_by_stage() {
    let mut bench = Bench::new(Chemistry::Lifepo4, Some(12));
    assert_eq!(bench.volts(0, &[14_599]), []);
    let on = (Kind::LithiumOnLeadProgram, Edge::On, Some(14_600), 1_000);
    assert_eq!(bench.volts(1_000, &[14_600]), [on]);

    let stage = |at, stage| event(at, EventKind::Stage, Some(stage));
    let mut bench = Bench::new(Chemistry::Lifepo4, Some(12));
    let on = (Kind::LithiumOnLeadProgram, Edge::On, None, 0);
    assert_eq!(bench.edges(&stage(0, Stage::Equalise)), [on]);
    assert_eq!(
        bench.volts(1_000, &[13_300; 40])[0].1,
        Edge::Unchanged,
        "still that program"
    );
    assert_eq!(bench.edges(&stage(300_000, Stage::Float)), []);
    assert_eq!(bench.volts(301_000, &[13_300; 13])[0].1, Edge::Off);
    let mut lead = Bench::new(Chemistry::Flooded, Some(12));
    assert_eq!(lead.edges(&stage(0, Stage::Equalise)), []);
}

// Source: DOMAIN 3.1: equalise never, recovery prohibited; RELIABILITY 4.3: unknown is a warning.
#[test]
fn a_declared_program_is_judged_before_current_flows() {
    use Chemistry::{Agm, Lifepo4, Unknown};
    let kind = |chemistry, purpose, method| program(chemistry, purpose, method, 0).map(|c| c.kind);
    let lithium = Some(Kind::LithiumOnLeadProgram);
    assert_eq!(kind(Lifepo4, Purpose::PlainCharge, Method::CcCv), None);
    assert_eq!(kind(Lifepo4, Purpose::Equalise, Method::CcCv), lithium);
    assert_eq!(
        kind(Lifepo4, Purpose::RecoveryCharge, Method::Unknown),
        lithium
    );
    assert_eq!(
        kind(Lifepo4, Purpose::PlainCharge, Method::ElevatedCv),
        lithium
    );
    assert_eq!(kind(Agm, Purpose::Equalise, Method::ElevatedCv), None);
    assert_eq!(
        kind(Unknown, Purpose::PlainCharge, Method::CcCv),
        Some(Kind::ChemistryUnknown)
    );
}

#[test]
fn a_backlog_may_raise_but_never_clears() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    bench.heat(10_000_000, &[2_500]);
    let found = bench.heat(1_000, &[5_200, 2_000]);
    assert_eq!(
        found,
        [(Kind::OverTemperature, Edge::On, Some(5_200), 1_000)]
    );
    let old_calm: Vec<i32> = vec![2_000; 1_000];
    assert!(
        bench
            .heat(2_000, &old_calm)
            .iter()
            .all(|found| found.1 != Edge::Off)
    );
    assert_eq!(bench.heat(10_005_000, &[2_500]), []);
    assert_eq!(bench.heat(10_605_000, &[2_500])[0].1, Edge::Off);
}

#[test]
fn a_clock_ahead_of_the_server_does_not_date_alarms_into_the_future() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    let mut out = Vec::new();
    let arrival = Arrival {
        boot: 1,
        offset_ms: i64::MAX,
        received_ms: 77,
        sender: bench.sender,
    };
    let hot = batch(5, 1_000, &[], &[5_200]);
    bench.screen.judge(&hot, &bench.limits, arrival, &mut out);
    assert_eq!(out[0].at_ms, 77);
}

// Source: RELIABILITY 4.2: detection on the device's own alarm event.
#[test]
fn a_fault_that_the_device_reports_lasts_until_its_session_ends() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    let on = (Kind::DeviceFault, Edge::On, None, 1_000);
    assert_eq!(bench.edges(&event(1_000, EventKind::Fault, None)), [on]);
    assert_eq!(bench.volts(2_000, &[13_000; 100]), []);
    let off = (Kind::DeviceFault, Edge::Off, None, 900_000);
    assert_eq!(
        bench.edges(&event(900_000, EventKind::SessionEnd, None)),
        [off]
    );
}

#[test]
fn an_alarm_from_before_a_restart_is_ended_by_samples_and_not_raised_twice() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    bench.screen.resume(Kind::OverTemperature);
    assert_eq!(bench.heat(0, &[5_200])[0].1, Edge::Unchanged);
    assert_eq!(bench.heat(1_000, &[2_500]), []);
    assert_eq!(bench.heat(601_000, &[2_500])[0].1, Edge::Off);
}

#[test]
fn the_state_reads_back_from_json() {
    let mut bench = Bench::new(Chemistry::Agm, Some(12));
    bench.heat(0, &[5_200]);
    let json = serde_json::to_string(&bench.screen).unwrap();
    assert_eq!(serde_json::from_str::<Screen>(&json).unwrap(), bench.screen);
}

fn any_value() -> impl Strategy<Value = i32> {
    prop_oneof![
        Just(MISSING),
        any::<i32>(),
        -1_000_i32..18_000,
        3_500_i32..5_500
    ]
}

proptest! {
    // However a stream is cut into batches, the edges are the same, and so is what showed them.
    #[test]
    fn cuts_between_batches_change_no_edge(
        values in prop::collection::vec((any_value(), any_value()), 1..80),
        cut in any::<prop::sample::Index>(),
    ) {
        let volts: Vec<i32> = values.iter().map(|pair| pair.0).collect();
        let case: Vec<i32> = values.iter().map(|pair| pair.1).collect();
        let cut = cut.index(values.len());
        let step = 30_000;
        let edges = |conditions: Vec<Condition>| -> Vec<Condition> {
            conditions.into_iter().filter(|c| c.edge != Edge::Unchanged).collect()
        };
        let mut whole = Bench::new(Chemistry::Agm, Some(12));
        let together = edges(whole.judge(&batch(0, step, &volts, &case)));
        let mut parts = Bench::new(Chemistry::Agm, Some(12));
        let mut apart = edges(parts.judge(&batch(0, step, &volts[..cut], &case[..cut])));
        let before = i64::try_from(cut).unwrap();
        let mut rest = batch(i64::from(step) * before, step, &volts[cut..], &case[cut..]);
        rest.first_seq = 1 + before;
        apart.extend(edges(parts.judge(&rest)));
        prop_assert_eq!(together, apart);
        prop_assert_eq!(whole.screen, parts.screen);
    }

    // Against a slow second form: a critical sample always leaves its kind on.
    #[test]
    fn a_last_sample_past_a_limit_is_never_missed(values in prop::collection::vec((any_value(), any_value()), 1..40)) {
        let volts: Vec<i32> = values.iter().map(|pair| pair.0).collect();
        let case: Vec<i32> = values.iter().map(|pair| pair.1).collect();
        let mut bench = Bench::new(Chemistry::Flooded, Some(12));
        bench.judge(&batch(0, 1_000, &volts, &case));
        let active: Vec<Kind> = bench.screen.active().collect();
        let (volt, case) = values[values.len() - 1];
        prop_assert!(!(5_100..=15_000).contains(&case) || active.contains(&Kind::OverTemperature));
        prop_assert!(case <= 15_000 || active.contains(&Kind::SensorFault));
        prop_assert!(!(16_250..1_000_000).contains(&volt) || active.contains(&Kind::OverVoltage));
    }
}
