//! A recorded charge as its devices would send it.
//!
//! Format: CSV, plain or gzip, `src,t_ms,v,i,t_case,t_centre,t_ambient,event`; `src` is c charger,
//! m meter, t temperature sensor, e event of the charger; `t_ms` is that source's own clock; volts,
//! amperes into the battery, degC; empty = not measured. Rows stand in the order of arrival.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;

use anyhow::Context as _;
use flate2::read::MultiGzDecoder;
use serde::Deserialize;

use crate::record::sample::{Channel, Columns, MISSING, Samples};
use crate::record::words::{DeviceKind, Stage};

/// Largest file taken, bytes after unpacking: ten days at 10 Hz.
const BYTES_MAX: u64 = 1 << 30;

/// What one device recorded.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Recording {
    /// Samples in order of the device's own clock, numbered from 1; times from its first sample.
    pub(super) samples: Samples,
    /// The device's own clock at its first sample, ms since 1970.
    pub(super) clock_ms: i64,
    /// Stage changes: (time from the first sample, stage, word of the file).
    pub(super) stages: Vec<(i64, Stage, String)>,
    /// Rows that stood twice.
    pub(super) repeated: usize,
}

#[derive(Debug, Deserialize)]
struct Row {
    src: String,
    t_ms: i64,
    v: Option<f64>,
    i: Option<f64>,
    t_case: Option<f64>,
    t_centre: Option<f64>,
    t_ambient: Option<f64>,
    event: Option<String>,
}

/// One sample of any device, in wire units.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Sample {
    time_ms: i64,
    values: [i32; 5],
}

/// Reads a trace: the devices of one bench.
pub(super) fn read(path: &Path) -> anyhow::Result<BTreeMap<DeviceKind, Recording>> {
    let shown = path.display();
    let file = File::open(path).with_context(|| format!("cannot read {shown}"))?;
    let packed = path.extension().is_some_and(|ending| ending == "gz");
    let reader: Box<dyn Read> = if packed {
        Box::new(MultiGzDecoder::new(BufReader::new(file)))
    } else {
        Box::new(BufReader::new(file))
    };
    parse(reader.take(BYTES_MAX)).with_context(|| format!("{shown} is no trace"))
}

fn parse(reader: impl Read) -> anyhow::Result<BTreeMap<DeviceKind, Recording>> {
    let mut samples: BTreeMap<DeviceKind, Vec<Sample>> = BTreeMap::new();
    let mut stages = Vec::new();
    for (index, row) in csv::Reader::from_reader(reader).deserialize().enumerate() {
        let line = index + 2;
        let row: Row = row.with_context(|| format!("line {line}"))?;
        let kind = match row.src.as_str() {
            "c" => DeviceKind::Charger,
            "m" => DeviceKind::Meter,
            "t" => DeviceKind::Sensor,
            "e" => {
                let word = row.event.unwrap_or_default();
                stages.push((row.t_ms, stage(&word), word));
                continue;
            }
            other => anyhow::bail!(
                "line {line}: src `{}` is none of c, m, t, e",
                other.escape_debug()
            ),
        };
        let values = [
            (row.v, 1000.0),
            (row.i, 1000.0),
            (row.t_case, 100.0),
            (row.t_centre, 100.0),
            (row.t_ambient, 100.0),
        ];
        let mut wire = [MISSING; 5];
        for (to, (value, scale)) in wire.iter_mut().zip(values) {
            *to = fixed(value, scale).with_context(|| format!("line {line}"))?;
        }
        samples.entry(kind).or_default().push(Sample {
            time_ms: row.t_ms,
            values: wire,
        });
    }
    let mut recordings: BTreeMap<DeviceKind, Recording> = samples
        .into_iter()
        .map(|(kind, samples)| (kind, record(samples)))
        .collect();
    if let Some(charger) = recordings.get_mut(&DeviceKind::Charger) {
        stages.sort_by_key(|stage| stage.0);
        let clock = charger.clock_ms;
        charger.stages = stages
            .into_iter()
            .filter_map(|(at, stage, word)| Some((at - clock, stage?, word)))
            .collect();
    }
    anyhow::ensure!(!recordings.is_empty(), "it has no samples");
    Ok(recordings)
}

/// A decimal as a whole number of wire units, to the nearest.
fn fixed(value: Option<f64>, scale: f64) -> anyhow::Result<i32> {
    let Some(value) = value else {
        return Ok(MISSING);
    };
    let scaled = (value * scale).round();
    anyhow::ensure!(
        scaled.is_finite() && scaled.abs() < 2e9,
        "{value} is outside what can be sent"
    );
    #[expect(clippy::cast_possible_truncation, reason = "checked above")]
    Ok(scaled as i32)
}

/// Puts samples into the order of the device's own clock; exact repetitions count once.
fn record(mut samples: Vec<Sample>) -> Recording {
    let before = samples.len();
    samples.sort_by_key(|sample| sample.time_ms);
    samples.dedup();
    let clock_ms = samples.first().map_or(0, |sample| sample.time_ms);
    let mut columns = Columns::default();
    for (index, channel) in Channel::ALL.iter().enumerate() {
        *columns.get_mut(*channel) = samples
            .iter()
            .filter_map(|sample| sample.values.get(index).copied())
            .collect();
    }
    let mut run = Samples {
        first_seq: 1,
        time_ms: samples
            .iter()
            .map(|sample| sample.time_ms - clock_ms)
            .collect(),
        columns,
    };
    run.normalize();
    Recording {
        repeated: before - samples.len(),
        samples: run,
        clock_ms,
        stages: Vec::new(),
    }
}

/// The stage a word of a trace means.
fn stage(word: &str) -> Option<Stage> {
    match word {
        "idle" | "aborted" => Some(Stage::Rest),
        "precharge" => Some(Stage::LowVoltageStart),
        "low_rate_recovery" => Some(Stage::Bulk),
        other => Stage::find(other),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TRACE: &str = "src,t_ms,v,i,t_case,t_centre,t_ambient,event\n\
        c,1000000,12.3456,-0.0099,,,,\nt,1000400,,,23.56,,21.0,\ne,1000500,,,,,,precharge\n\
        c,1002000,12.5,2.0,,,,\nc,1001000,12.4,1.0,,,,\nc,1001000,12.4,1.0,,,,\n";

    #[test]
    fn each_source_is_a_device_with_its_own_clock_in_its_own_order() {
        let found = parse(TRACE.as_bytes()).unwrap();
        let charger = &found[&DeviceKind::Charger];
        assert_eq!(charger.samples.time_ms, [0, 1000, 2000]);
        assert_eq!(charger.samples.columns.voltage_mv, [12_346, 12_400, 12_500]);
        assert_eq!(charger.samples.columns.current_ma, [-10, 1000, 2000]);
        assert!(charger.samples.columns.case_cc.is_empty());
        assert_eq!(charger.repeated, 1);
        let stage = (500, Stage::LowVoltageStart, "precharge".to_owned());
        assert_eq!(charger.stages, [stage]);
        let sensor = &found[&DeviceKind::Sensor];
        assert_eq!(
            (sensor.clock_ms, sensor.samples.columns.case_cc.as_slice()),
            (1_000_400, &[2356][..])
        );
    }

    #[test]
    fn a_bad_line_is_named() {
        let bad = TRACE.replace("12.5,2.0", "twelve,2.0");
        let error = format!("{:#}", parse(bad.as_bytes()).unwrap_err());
        assert!(error.contains("line 5"), "{error}");
        assert!(parse("src,t_ms\n".as_bytes()).is_err());
    }
}
