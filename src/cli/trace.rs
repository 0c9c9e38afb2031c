//! A recorded charge as its devices would send it.
//!
//! Format: CSV, plain or gzip, `src,t_ms,v,i,t_case,t_centre,t_ambient,event`; `src` is c charger,
//! m meter, t temperature sensor, e event of the charger; `t_ms` is that source's own clock; volts,
//! amperes into the battery, degC; empty = not measured. Rows stand in the order of arrival.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Write};
use std::path::Path;

use anyhow::Context as _;
use flate2::Compression;
use flate2::read::MultiGzDecoder;
use flate2::write::GzEncoder;
use serde::{Deserialize, Serialize};

use crate::record::sample::{Channel, Columns, MISSING, Samples};
use crate::record::words::{DeviceKind, Stage};

/// Largest file taken, bytes after unpacking: ten days at 10 Hz.
const BYTES_MAX: u64 = 1 << 30;

/// What one device recorded.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recording {
    /// Samples in order of the device's own clock, numbered from 1; times from its first sample.
    pub samples: Samples,
    /// The device's own clock at its first sample, ms since 1970.
    pub clock_ms: i64,
    /// Stage changes: (time from the first sample, stage, word of the file).
    pub stages: Vec<(i64, Stage, String)>,
    /// Rows that stood twice.
    pub repeated: usize,
}

impl Recording {
    /// What a device records that starts again so long after its first sample, ms.
    #[must_use]
    pub fn parted(&self, at_ms: i64) -> Vec<Self> {
        let before = self.samples.time_ms.partition_point(|time| *time < at_ms);
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        let first = self.samples.slice(1, before);
        let mut second = self.samples.slice(before + 1, self.samples.last_seq());
        if first.is_empty() || second.is_empty() {
            return vec![self.clone()];
        }
        let start_ms = second.first_ms();
        second.first_seq = 1;
        for time in &mut second.time_ms {
            *time -= start_ms;
        }
        let stages = |after: bool| {
            let stages = self
                .stages
                .iter()
                .filter(|stage| (stage.0 >= start_ms) == after);
            let shift = if after { start_ms } else { 0 };
            stages
                .map(|(at, stage, word)| (at - shift, *stage, word.clone()))
                .collect()
        };
        let part = |samples, clock_ms, stages| Self {
            samples,
            clock_ms,
            stages,
            repeated: 0,
        };
        vec![
            part(first, self.clock_ms, stages(false)),
            part(second, self.clock_ms + start_ms, stages(true)),
        ]
    }
}

#[derive(Debug, Default, Deserialize, Serialize)]
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
///
/// # Errors
/// A file that cannot be read, or a line that is no row of a trace.
pub fn read(path: &Path) -> anyhow::Result<BTreeMap<DeviceKind, Recording>> {
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

/// Writes what the devices of one bench recorded, gzip, rows in the order of their clocks.
///
/// # Errors
/// A file that cannot be written.
pub fn write(path: &Path, recordings: &BTreeMap<DeviceKind, Recording>) -> anyhow::Result<()> {
    let shown = path.display();
    let file = File::create(path).with_context(|| format!("cannot write {shown}"))?;
    let packed = GzEncoder::new(BufWriter::new(file), Compression::default());
    let packed = format(packed, recordings).with_context(|| format!("cannot write {shown}"))?;
    packed.finish()?.flush()?;
    Ok(())
}

fn format<W: Write>(to: W, recordings: &BTreeMap<DeviceKind, Recording>) -> anyhow::Result<W> {
    let mut rows: Vec<Row> = Vec::new();
    for (kind, recording) in recordings {
        let samples = &recording.samples;
        let src = match kind {
            DeviceKind::Charger => "c",
            DeviceKind::Meter => "m",
            DeviceKind::Sensor => "t",
        };
        let column = |channel: Channel, scale: f64| {
            let column = samples.columns.get(channel);
            move |index: usize| {
                let value = column.get(index).filter(|value| **value != MISSING);
                value.map(|value| f64::from(*value) / scale)
            }
        };
        let volts = column(Channel::Voltage, 1000.0);
        let amperes = column(Channel::Current, 1000.0);
        let case = column(Channel::Case, 100.0);
        let centre = column(Channel::Centre, 100.0);
        let ambient = column(Channel::Ambient, 100.0);
        rows.extend(samples.time_ms.iter().enumerate().map(|(index, time)| Row {
            src: src.to_owned(),
            t_ms: recording.clock_ms + time,
            v: volts(index),
            i: amperes(index),
            t_case: case(index),
            t_centre: centre(index),
            t_ambient: ambient(index),
            event: None,
        }));
        rows.extend(recording.stages.iter().map(|(at, _, word)| Row {
            src: "e".to_owned(),
            t_ms: recording.clock_ms + at,
            event: Some(word.clone()),
            ..Row::default()
        }));
    }
    rows.sort_by_key(|row| row.t_ms);
    let mut writer = csv::Writer::from_writer(to);
    for row in rows {
        writer.serialize(row)?;
    }
    writer
        .into_inner()
        .map_err(|error| error.into_error().into())
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
    fn what_is_written_is_read_again() {
        let found = parse(TRACE.as_bytes()).unwrap();
        let mut again = parse(&*format(Vec::new(), &found).unwrap()).unwrap();
        again.get_mut(&DeviceKind::Charger).unwrap().repeated = 1;
        assert_eq!(again, found);
    }

    #[test]
    fn a_restart_parts_numbers_clocks_and_stages() {
        let found = parse(TRACE.as_bytes()).unwrap();
        let charger = &found[&DeviceKind::Charger];
        let parts = charger.parted(1_500);
        assert_eq!((parts[0].samples.len(), parts[1].samples.len()), (2, 1));
        assert_eq!(
            (parts[1].samples.first_seq, parts[1].samples.first_ms()),
            (1, 0)
        );
        assert_eq!(parts[1].clock_ms, charger.clock_ms + 2_000);
        assert_eq!((parts[0].stages.len(), parts[1].stages.len()), (1, 0));
        assert_eq!(charger.parted(9_000_000), vec![charger.clone()]);
    }

    #[test]
    fn a_bad_line_is_named() {
        let bad = TRACE.replace("12.5,2.0", "twelve,2.0");
        let error = format!("{:#}", parse(bad.as_bytes()).unwrap_err());
        assert!(error.contains("line 5"), "{error}");
        assert!(parse("src,t_ms\n".as_bytes()).is_err());
    }
}
