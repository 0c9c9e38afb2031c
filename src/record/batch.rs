//! The only way in for telemetry: raw columns -> a batch of checked samples, or a rejection.
//!
//! Intake never scales a unit by itself: values that fit another unit are refused with the fix. A
//! unit the registry declares for the device is applied here, once. A single impossible value is
//! refused alone: its sample stays, with a hole, and the batch goes on.

use chrono::{DateTime, TimeDelta, Utc};

use super::sample::{Channel, Columns, MISSING, Samples};
use super::words::{Stage, vocabulary};
use crate::reject::{Code, Reject};

/// Most samples in one batch.
pub const SAMPLES_MAX: usize = 3_600;
/// Most events in one batch.
pub const EVENTS_MAX: usize = 64;
/// Most single refusals reported for one batch.
pub const REJECTS_MAX: usize = 16;
/// How far a set clock may be ahead of the server, minutes.
pub const FUTURE_MIN: i64 = 5;
/// How far back live data may reach, days.
pub const PAST_DAYS: i64 = 90;
/// Longest text a device may send, bytes.
pub const TEXT_MAX: usize = 128;
/// Largest sequence number, step of time and device time: keeps sums inside 64 bits.
const COUNTER_MAX: i64 = 1 << 53;

vocabulary! {
    /// How far a device trusts its wall clock.
    ClockClaim { Synced = "synced", Unsynced = "unsynced", None = "none" }
}

vocabulary! {
    /// What a device reports beside samples.
    EventKind { Stage = "stage", SessionEnd = "session_end", Fault = "fault" }
}

/// What the registry says of the sender.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct SenderFacts {
    /// Voltages arrive a thousand times too large.
    pub voltage_in_mv: bool,
    /// Currents arrive a thousand times too large.
    pub current_in_ma: bool,
    /// Switched off in the registry.
    pub disabled: bool,
}

/// An event as it was sent; words may be unknown.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RawEvent {
    /// Counter of events of this boot.
    pub event_seq: i64,
    /// Last sample before it.
    pub after_seq: i64,
    /// Device time, ms.
    pub time_ms: i64,
    /// Kind, when it is one we know.
    pub kind: Option<EventKind>,
    /// Stage, when it is one we know.
    pub stage: Option<Stage>,
    /// Text of the device.
    pub detail: String,
}

/// A checked event.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// Counter of events of this boot, from 1.
    pub event_seq: i64,
    /// Last sample before it, 0 = none.
    pub after_seq: i64,
    /// Device time, ms.
    pub time_ms: i64,
    /// Kind.
    pub kind: EventKind,
    /// Stage entered, for a stage event.
    pub stage: Option<Stage>,
    /// Text of the device, plain and short.
    pub detail: String,
}

/// A batch as it was sent, columns not yet checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawBatch {
    /// First sequence number; 0 = the device keeps none.
    pub first_seq: i64,
    /// Device time of the first sample, ms.
    pub start_ms: i64,
    /// Milliseconds from the sample before.
    pub step_ms: Vec<i32>,
    /// Values as sent.
    pub columns: Columns,
    /// Events.
    pub events: Vec<RawEvent>,
    /// Trust in the wall clock.
    pub clock: ClockClaim,
    /// Wall time of the first sample, as claimed.
    pub start_time: Option<DateTime<Utc>>,
    /// Device time of sending, ms; 0 = not said.
    pub sent_ms: i64,
    /// Oldest number the device still holds; 0 = not said.
    pub oldest_held_seq: i64,
}

impl RawBatch {
    /// Sequence number of a sample; 0 = the device keeps none.
    #[must_use]
    pub fn number(&self, index: usize) -> i64 {
        let index = i64::try_from(index).unwrap_or(i64::MAX);
        match self.first_seq {
            0 => 0,
            first => first.saturating_add(index),
        }
    }
}

/// A batch that may be stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Batch {
    /// Samples; their `first_seq` is 0 when weak, the server numbers them.
    pub samples: Samples,
    /// The device keeps no sequence.
    pub weak: bool,
    /// Events.
    pub events: Vec<Event>,
    /// Trust in the wall clock.
    pub clock: ClockClaim,
    /// Claimed wall time of device time 0, ms since 1970.
    pub claim_offset_ms: Option<i64>,
    /// Device time of sending, ms; the last sample's when not said.
    pub sent_ms: i64,
    /// Oldest number the device still holds; 0 = not said.
    pub oldest_held_seq: i64,
    /// Values and events refused one by one.
    pub refused: Vec<Reject>,
    /// How many were refused; `refused` lists the first of them.
    pub refused_count: i64,
}

/// Checks a raw batch. Checks run in the order in which `reject.rs` lists its codes.
///
/// # Errors
/// One `Reject` when nothing of the batch can be kept.
pub fn parse(
    raw: &RawBatch,
    sender: SenderFacts,
    received_at: DateTime<Utc>,
) -> Result<Batch, Reject> {
    check_shape(raw, sender)?;
    let time_ms = times(raw)?;
    for (column, channel, declared) in [
        (
            &raw.columns.voltage_mv,
            Channel::Voltage,
            sender.voltage_in_mv,
        ),
        (
            &raw.columns.current_ma,
            Channel::Current,
            sender.current_in_ma,
        ),
    ] {
        if let Some(reject) = suspect_unit(column, channel).filter(|_| !declared) {
            return Err(reject);
        }
    }
    let mut columns = raw.columns.clone();
    if sender.voltage_in_mv {
        scale_down(&mut columns.voltage_mv);
    }
    if sender.current_in_ma {
        scale_down(&mut columns.current_ma);
    }
    let mut refused = Refusals::default();
    for channel in Channel::ALL {
        gate(
            columns.get_mut(channel),
            channel,
            raw.first_seq,
            &mut refused,
        );
    }
    let claim_offset_ms = check_clock(raw.clock, raw.start_time, &time_ms, received_at)?;
    let events: Vec<Event> = raw
        .events
        .iter()
        .filter_map(|event| parse_event(event, &mut refused))
        .collect();
    let mut samples = Samples {
        first_seq: raw.first_seq,
        time_ms,
        columns,
    };
    samples.normalize();
    let sent_ms = if raw.sent_ms > 0 {
        raw.sent_ms
    } else {
        samples.last_ms()
    };
    Ok(Batch {
        weak: raw.first_seq == 0,
        samples,
        events,
        clock: raw.clock,
        claim_offset_ms,
        sent_ms,
        oldest_held_seq: raw.oldest_held_seq.max(0),
        refused: refused.list,
        refused_count: refused.count,
    })
}

#[derive(Default)]
struct Refusals {
    list: Vec<Reject>,
    count: i64,
}

impl Refusals {
    fn add(&mut self, reject: Reject) {
        self.count += 1;
        if self.list.len() < REJECTS_MAX {
            self.list.push(reject);
        }
    }
}

fn check_shape(raw: &RawBatch, sender: SenderFacts) -> Result<(), Reject> {
    let count = raw.step_ms.len();
    if count > SAMPLES_MAX {
        let detail = format!("{count} samples; at most {SAMPLES_MAX}");
        return Err(Reject::new(
            Code::TooManySamples,
            "step_milliseconds",
            detail,
        ));
    }
    if raw.events.len() > EVENTS_MAX {
        let detail = format!("{} events; at most {EVENTS_MAX}", raw.events.len());
        return Err(Reject::new(Code::TooManySamples, "events", detail));
    }
    if sender.disabled {
        let detail = "the registry has this device switched off";
        return Err(Reject::new(Code::DeviceDisabled, "device_id", detail));
    }
    if count == 0 && raw.events.is_empty() {
        let detail = "the batch has neither samples nor events";
        return Err(Reject::new(Code::FieldMissing, "step_milliseconds", detail));
    }
    for (field, value) in [
        ("first_seq", raw.first_seq),
        ("start_milliseconds", raw.start_ms),
        ("sent_milliseconds", raw.sent_ms),
        ("oldest_held_seq", raw.oldest_held_seq),
    ] {
        if !(0..=COUNTER_MAX).contains(&value) {
            let detail = format!("{value} is outside 0 to 2^53");
            return Err(Reject::new(Code::FieldInvalid, field, detail));
        }
    }
    for channel in Channel::ALL {
        let length = raw.columns.get(channel).len();
        if length != 0 && length != count {
            let detail = format!("{length} values for {count} samples");
            return Err(Reject::new(
                Code::ColumnLengthMismatch,
                channel.field(),
                detail,
            ));
        }
    }
    if count > 0
        && Channel::ALL
            .iter()
            .all(|channel| raw.columns.get(*channel).is_empty())
    {
        let detail = "no column has a value";
        return Err(Reject::new(
            Code::FieldMissing,
            "voltage_millivolts",
            detail,
        ));
    }
    Ok(())
}

fn times(raw: &RawBatch) -> Result<Vec<i64>, Reject> {
    let mut now = raw.start_ms;
    let mut times = Vec::with_capacity(raw.step_ms.len());
    for (index, step) in raw.step_ms.iter().enumerate() {
        if *step < 0 || (index == 0 && *step != 0) {
            let detail = if index == 0 {
                format!("the first step is {step} ms and must be 0")
            } else {
                format!("sample {index} of the batch is {step} ms after the one before")
            };
            return Err(Reject::new(
                Code::TimeNotAscending,
                "step_milliseconds",
                detail,
            ));
        }
        now += i64::from(*step);
        times.push(now);
    }
    Ok(times)
}

/// Why a column is not taken in its unit: most of its values lie outside the gate, and a thousandth
/// of them inside.
#[must_use]
pub fn suspect_unit(column: &[i32], channel: Channel) -> Option<Reject> {
    let (low, high) = channel.gate();
    let measured = column.iter().filter(|value| **value != MISSING).count();
    let fits_thousandth = |value: i32| {
        value != MISSING && !(low..=high).contains(&value) && (low..=high).contains(&(value / 1000))
    };
    let mut suspects = column.iter().filter(|value| fits_thousandth(**value));
    let example = suspects.next()?;
    let count = 1 + suspects.count();
    if count * 2 <= measured || (count < 3 && count < measured) {
        return None;
    }
    let (unit, small) = if channel == Channel::Voltage {
        ("V", "mV")
    } else {
        ("A", "mA")
    };
    let detail = format!(
        "{count} of {measured} values are a thousand times too large, for example {:.1} {unit}; \
         as {small} they would fit",
        f64::from(*example) / 1000.0,
    );
    Some(Reject::new(Code::UnitSuspect, channel.field(), detail))
}

/// Divides by 1000, to the nearest integer, half away from zero.
pub fn scale_down(column: &mut [i32]) {
    for value in column.iter_mut().filter(|value| **value != MISSING) {
        let wide = i64::from(*value);
        *value = i32::try_from((wide + 500 * wide.signum()) / 1000).unwrap_or(MISSING);
    }
}

fn gate(column: &mut [i32], channel: Channel, first_seq: i64, refused: &mut Refusals) {
    let (low, high) = channel.gate();
    for (seq, value) in (first_seq..).zip(column.iter_mut()) {
        if *value != MISSING && !(low..=high).contains(value) {
            let detail = format!("sample {seq}: {value} is outside {low} to {high}");
            refused.add(Reject::new(Code::ValueOutOfRange, channel.field(), detail));
            *value = MISSING;
        }
    }
}

fn check_clock(
    clock: ClockClaim,
    start_time: Option<DateTime<Utc>>,
    time_ms: &[i64],
    received_at: DateTime<Utc>,
) -> Result<Option<i64>, Reject> {
    let (Some(start), Some(first_ms)) = (start_time, time_ms.first()) else {
        return Ok(None);
    };
    if clock == ClockClaim::Synced {
        let span = time_ms.last().map_or(0, |last| last - first_ms);
        let end = start + TimeDelta::milliseconds(span);
        if end > received_at + TimeDelta::minutes(FUTURE_MIN) {
            let detail = format!("{end} is ahead of the server's {received_at}");
            return Err(Reject::new(Code::TimestampInFuture, "start_time", detail));
        }
        if start < received_at - TimeDelta::days(PAST_DAYS) {
            let detail = format!("{start} is more than {PAST_DAYS} days before {received_at}");
            return Err(Reject::new(Code::TimestampTooOld, "start_time", detail));
        }
    }
    Ok(Some(start.timestamp_millis() - first_ms))
}

fn parse_event(raw: &RawEvent, refused: &mut Refusals) -> Option<Event> {
    let mut refuse = |code, field: &str, detail: String| {
        refused.add(Reject::new(code, format!("events.{field}"), detail));
        None
    };
    if !(1..=COUNTER_MAX).contains(&raw.event_seq) {
        let detail = format!("{} is outside 1 to 2^53", raw.event_seq);
        return refuse(Code::FieldInvalid, "event_seq", detail);
    }
    if !(0..=COUNTER_MAX).contains(&raw.after_seq) || !(0..=COUNTER_MAX).contains(&raw.time_ms) {
        let detail = format!("event {}: a counter is outside 0 to 2^53", raw.event_seq);
        return refuse(Code::FieldInvalid, "after_seq", detail);
    }
    let Some(kind) = raw.kind else {
        let detail = format!("event {} has no kind we know", raw.event_seq);
        return refuse(Code::FieldInvalid, "kind", detail);
    };
    if kind == EventKind::Stage && raw.stage.is_none() {
        let detail = format!("event {} names no stage", raw.event_seq);
        return refuse(Code::FieldMissing, "stage", detail);
    }
    if let Err(detail) = plain_text(&raw.detail, TEXT_MAX) {
        return refuse(Code::TextInvalid, "detail", detail);
    }
    let stage = raw.stage.filter(|_| kind == EventKind::Stage);
    Some(Event {
        event_seq: raw.event_seq,
        after_seq: raw.after_seq,
        time_ms: raw.time_ms,
        kind,
        stage,
        detail: raw.detail.clone(),
    })
}

/// Checks text from outside: no control or direction characters, at most `max` bytes.
///
/// # Errors
/// What is wrong, in words.
pub fn plain_text(text: &str, max: usize) -> Result<(), String> {
    if text.len() > max {
        return Err(format!("{} bytes; at most {max}", text.len()));
    }
    let hostile = |c: char| {
        c.is_control()
            || matches!(c, '\u{200e}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
    };
    match text.chars().find(|c| hostile(*c)) {
        Some(c) => Err(format!("character U+{:04X} is not allowed", u32::from(c))),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests;
