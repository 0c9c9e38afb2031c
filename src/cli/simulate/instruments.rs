//! What the instruments of a bench make of a simulated charge: steps, errors, clocks of their own.

use std::collections::BTreeMap;

use super::Hours;
use crate::cli::trace::Recording;
use crate::record::sample::{Columns, Samples};
use crate::record::words::{DeviceKind, Stage};
use crate::simulation::{Moment, Setup, Step};

/// Rest before the charge: the voltage at rest is seen, s.
const BEFORE_S: i64 = 300;
/// Rest after it that the charger looks on, s.
const AFTER_S: i64 = 3_600;
/// Time between two samples of meter and sensor, s.
const SLOW_S: i64 = 10;
/// Begin of a recording by the charger's clock, ms since 1970; only differences count.
const CLOCK_MS: i64 = 1_790_000_000_000;

/// Errors of the instruments of one bench, in thousandths, ms and parts per million.
struct Errors {
    charger_v: f64,
    charger_a: f64,
    meter_v: f64,
    meter_offset_ms: i64,
    meter_drift: f64,
}

/// Three small numbers between -1 and 1 for a seed.
fn spread(seed: u64) -> [f64; 5] {
    let hash = blake3::hash(&seed.to_le_bytes());
    let mut bytes = hash.as_bytes().iter();
    [(); 5].map(|()| f64::from(bytes.next().copied().unwrap_or(0)) / 127.5 - 1.0)
}

impl Errors {
    fn of(seed: u64) -> Self {
        let [volts, amperes, meter, offset, drift] = spread(seed);
        Self {
            charger_v: 1.0 + 0.001 * volts,
            charger_a: 1.0 + 0.01 * amperes,
            meter_v: 1.0 + 0.000_5 * meter,
            meter_offset_ms: whole(90_000.0 * offset),
            meter_drift: 1.0 + 30e-6 * drift,
        }
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "volts, amperes and days, all small"
)]
fn whole(value: f64) -> i64 {
    value.round() as i64
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "volts, amperes and degrees, all small"
)]
fn steps(value: f64, per_unit: f64, step: i32) -> i32 {
    (value * per_unit / f64::from(step)).round() as i32 * step
}

/// Charges, rests, and records it; charger off after an hour of rest at the latest.
pub(super) fn record(
    setup: &mut Setup,
    seed: u64,
    hours: Hours,
) -> BTreeMap<DeviceKind, Recording> {
    let errors = Errors::of(seed);
    let [mut charger, mut meter, mut sensor] = [(); 3].map(|()| Samples {
        first_seq: 1,
        ..Samples::default()
    });
    let mut stages: Vec<(i64, Stage, String)> = Vec::new();
    let (start, end) = (BEFORE_S, BEFORE_S + whole(hours.charge * 3_600.0));
    let rest_s = whole(hours.rest * 3_600.0);
    let mut before: Option<Step> = None;
    for second in 0..end + rest_s {
        if second == start {
            setup.charge.start();
        } else if second == end {
            setup.charge.stop();
        }
        let moment = setup.charge.advance();
        if second < end + AFTER_S {
            if before != Some(moment.step) {
                before = Some(moment.step);
                let stage = moment.step.stage();
                stages.push((second * 1_000, stage, stage.as_str().to_owned()));
            }
            charger.time_ms.push(second * 1_000);
            read_charger(&mut charger.columns, &moment, &errors);
        }
        if second % SLOW_S == 0 {
            meter
                .time_ms
                .push(whole((second * 1_000) as f64 * errors.meter_drift));
            let volts = steps(moment.posts_v * errors.meter_v, 1_000.0, 1);
            meter.columns.voltage_mv.push(volts);
            sensor.time_ms.push(second * 1_000);
            let celsius = |value| steps(value, 100.0, 10);
            sensor.columns.case_cc.push(celsius(moment.case_celsius));
            sensor
                .columns
                .ambient_cc
                .push(celsius(moment.ambient_celsius));
        }
    }
    let recording = |samples, clock_ms, stages| Recording {
        samples,
        clock_ms,
        stages,
        repeated: 0,
    };
    BTreeMap::from([
        (DeviceKind::Charger, recording(charger, CLOCK_MS, stages)),
        (
            DeviceKind::Meter,
            recording(meter, CLOCK_MS + errors.meter_offset_ms, Vec::new()),
        ),
        (DeviceKind::Sensor, recording(sensor, CLOCK_MS, Vec::new())),
    ])
}

fn read_charger(columns: &mut Columns, moment: &Moment, errors: &Errors) {
    let volts = steps(moment.charger_v * errors.charger_v, 1_000.0, 1);
    let amperes = steps(moment.amperes * errors.charger_a, 1_000.0, 10);
    columns.voltage_mv.push(volts);
    columns.current_ma.push(amperes);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::Case;

    const HALF: Hours = Hours {
        charge: 0.5,
        rest: 1.0,
    };

    #[test]
    fn a_bench_records_rest_charge_and_rest() {
        let mut setup = Setup::draw(Case::Healthy, 5);
        let start_mv = steps(setup.start_v, 1_000.0, 1);
        let found = record(&mut setup, 5, HALF);
        let charger = &found[&DeviceKind::Charger];
        let (volts, amperes) = (
            &charger.samples.columns.voltage_mv,
            &charger.samples.columns.current_ma,
        );
        assert_eq!(volts.len(), 300 + 1_800 + 3_600);
        assert!((volts[10] - start_mv).abs() <= 20 && amperes[10] == 0);
        assert!(amperes[600] > 0 && volts[600] > volts[10] && amperes[5_000] == 0);
        let words: Vec<Stage> = charger.stages.iter().map(|stage| stage.1).collect();
        assert_eq!(words, [Stage::Rest, Stage::Bulk, Stage::Rest]);
        assert_eq!(charger.stages[1].0, 300_000);
        let meter = &found[&DeviceKind::Meter];
        assert_eq!(meter.samples.len(), 570);
        assert_ne!(meter.clock_ms, charger.clock_ms);
        assert_eq!(
            found[&DeviceKind::Sensor].samples.columns.case_cc.len(),
            570
        );
        assert_eq!(found, record(&mut Setup::draw(Case::Healthy, 5), 5, HALF));
    }
}
