//! A whole run at once: its voices merged in order of time, then pushed one by one.

use super::analyzer::Analyzer;
use super::context::{Context, Event};
use super::report::Report;
use super::rules::Rules;
use super::slope;
use super::stop::StopAdvice;
use crate::lead_acid::charge_state::{ChargeState, RestReading, charge_state};
use crate::record::run::{Run, Voice};
use crate::record::sample::{Channel, MISSING, Samples};
use crate::record::words::{Chemistry, DeviceKind};
use crate::units::{Celsius, RestMinutes, Volts};

/// Readings at the start of a record that tell its unit.
const UNIT_SAMPLES: usize = 64;

/// One voice, read in order of its sequence numbers.
#[derive(Debug)]
struct Reader<'a> {
    kind: DeviceKind,
    offset_ms: i64,
    pieces: Vec<&'a Samples>,
    piece: usize,
    index: usize,
}

impl<'a> Reader<'a> {
    fn new(voice: &'a Voice) -> Self {
        let mut pieces: Vec<&Samples> = voice.pieces.iter().collect();
        pieces.sort_by_key(|piece| piece.first_seq);
        Self {
            kind: voice.member.place.kind,
            offset_ms: voice.member.offset_ms,
            pieces,
            piece: 0,
            index: 0,
        }
    }

    /// Time of the next reading, ms of the run.
    fn time_ms(&mut self) -> Option<i64> {
        loop {
            let piece = self.pieces.get(self.piece)?;
            if let Some(time) = piece.time_ms.get(self.index) {
                return Some(time + self.offset_ms);
            }
            self.piece += 1;
            self.index = 0;
        }
    }

    /// The next reading.
    fn next(&mut self, time_ms: i64) -> Option<Event> {
        let piece = self.pieces.get(self.piece)?;
        let index = self.index;
        self.index += 1;
        let value = |channel: Channel, scale: f64| {
            let value = piece.columns.get(channel).get(index).copied();
            value
                .filter(|value| *value != MISSING)
                .map(|value| f64::from(value) / scale)
        };
        Some(Event {
            time_ms,
            source: self.kind,
            voltage_v: value(Channel::Voltage, 1000.0),
            current_a: value(Channel::Current, 1000.0),
            case_c: value(Channel::Case, 100.0),
            centre_c: value(Channel::Centre, 100.0),
            ambient_c: value(Channel::Ambient, 100.0),
        })
    }
}

/// Minutes of charge at which stop advice is kept. Source: SIGNALS 5.
pub const STOP_AT_MIN: [u16; 3] = [60, 120, 240];

/// Stop advice as it stood some time after the start of charge.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct StopAt {
    /// Minutes since the start of charge.
    pub at_min: u16,
    /// What was advised then.
    pub advice: StopAdvice,
}

/// A whole run: its report, and what was advised on the way.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Closing {
    /// The report.
    pub report: Report,
    /// Stop advice at the minutes of `STOP_AT_MIN` that the charge reached.
    pub stops: Vec<StopAt>,
    /// State of charge by table from the voltage after the charge; `None` while it may not be read.
    pub charge_state: Option<ChargeState>,
    /// The same for a person.
    pub charge_state_sentence: Option<String>,
}

/// The readings of a run in the order in which analysis takes them.
///
/// Readings of one moment go in the order charger, meter, sensor, then by device; what lies outside
/// the run is left out.
#[derive(Debug)]
pub struct Events<'a> {
    readers: Vec<Reader<'a>>,
    from_ms: i64,
    until_ms: Option<i64>,
}

impl<'a> Events<'a> {
    /// From the first reading of every voice on.
    #[must_use]
    pub fn of(run: &'a Run) -> Self {
        Self {
            readers: in_order(run).into_iter().map(Reader::new).collect(),
            from_ms: run.from_ms,
            until_ms: run.until_ms,
        }
    }
}

impl Iterator for Events<'_> {
    type Item = Event;

    fn next(&mut self) -> Option<Event> {
        loop {
            let (index, time_ms) = earliest(&mut self.readers)?;
            let reader = self.readers.get_mut(index)?;
            let event = reader.next(time_ms)?;
            let inside =
                self.from_ms <= time_ms && self.until_ms.is_none_or(|until| time_ms < until);
            if inside {
                return Some(event);
            }
        }
    }
}

/// The voices of a run, charger first.
fn in_order(run: &Run) -> Vec<&Voice> {
    let mut voices: Vec<&Voice> = std::iter::once(&run.lead).chain(&run.others).collect();
    let place = |voice: &&Voice| {
        let place = voice.member.place;
        (place.kind, place.device, place.session)
    };
    voices.sort_by_key(place);
    voices
}

/// Analyses a whole run; equal to pushing its readings in order of time.
///
/// With `Context::correct_units`, a record whose volts are above 100 is read as millivolts and the
/// report says so.
#[must_use]
pub fn analyze(run: &Run, rules: &Rules, context: &Context) -> Report {
    close(run, rules, context).report
}

/// Analyses a whole run, with the stop advice as it stood on the way.
#[must_use]
pub fn close(run: &Run, rules: &Rules, context: &Context) -> Closing {
    let mut context = context.clone();
    context.lead = run.lead.member.place.kind;
    if context.correct_units {
        for voice in in_order(run) {
            let millivolts = sends_millivolts(rules, voice);
            match voice.member.place.kind {
                DeviceKind::Charger => context.millivolts.charger |= millivolts,
                DeviceKind::Meter => context.millivolts.meter |= millivolts,
                DeviceKind::Sensor => {}
            }
        }
    }
    let mut analyzer = Analyzer::new(rules, context.clone());
    let mut stops = Vec::new();
    for event in Events::of(run) {
        analyzer.push(&event);
        if let Some(at_min) = STOP_AT_MIN.get(stops.len()).copied()
            && analyzer.charged_min(event.time_ms) >= f64::from(at_min) + 1.0
        {
            stops.push(StopAt {
                at_min,
                advice: analyzer.stop(),
            });
        }
    }
    let report = analyzer.close();
    let charge_state = state_of_charge(&report, context.chemistry);
    Closing {
        charge_state_sentence: charge_state.as_ref().map(ChargeState::sentence),
        report,
        stops,
        charge_state,
    }
}

/// State of charge by table from the voltage after the charge.
fn state_of_charge(report: &Report, chemistry: Chemistry) -> Option<ChargeState> {
    let rested = report.rested?;
    let case_c = report.thermal.case_c;
    let reading = RestReading {
        volts: Volts::new("rested_v", rested.open_circuit_v).ok()?,
        nominal_v: report.nominal_v?,
        rested: RestMinutes::new("rested_min", rested.rested_min).ok(),
        temperature: case_c.and_then(|celsius| Celsius::new("case_c", celsius).ok()),
        instrument_error_v: 0.0,
    };
    charge_state(&reading, chemistry).ok()
}

/// The reader whose next reading is first, and its time.
fn earliest(readers: &mut [Reader<'_>]) -> Option<(usize, i64)> {
    let mut first: Option<(usize, i64)> = None;
    for (index, reader) in readers.iter_mut().enumerate() {
        if let Some(time_ms) = reader.time_ms()
            && first.is_none_or(|(_, least)| time_ms < least)
        {
            first = Some((index, time_ms));
        }
    }
    first
}

/// Whether the first readings of a record are above what any pack has.
fn sends_millivolts(rules: &Rules, voice: &Voice) -> bool {
    let mut values = [0.0; UNIT_SAMPLES];
    let mut count = 0;
    let pieces = voice.pieces.iter();
    let all = pieces.flat_map(|piece| piece.columns.get(Channel::Voltage).iter());
    for (place, value) in values
        .iter_mut()
        .zip(all.filter(|value| **value != MISSING))
    {
        *place = f64::from(*value) / 1000.0;
        count += 1;
    }
    let median = values.get_mut(..count).and_then(slope::median);
    median.is_some_and(|volts| volts.abs() > rules.wrong_unit_v)
}
