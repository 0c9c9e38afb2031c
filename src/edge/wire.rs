//! Between wire and domain: words, ids, times, batches, receipts.
//!
//! A word's text form is the proto enum's name without its prefix, in lower case; one tested table
//! (`words!`) ties them together.

pub mod advice;
pub mod alarm;
pub mod bench;
pub mod fair;
pub mod priors;
pub mod quality;
pub mod sheet;
pub mod times;
pub mod watch;

use std::mem::take;

use chrono::{DateTime, Utc};
use prost_types::Timestamp;
use uuid::Uuid;

use super::pb;
use crate::alarm::{escalation, kind, state};
use crate::intake;
use crate::model::interval::IntervalMethod;
use crate::query::Error;
use crate::query::recovery::Split;
use crate::query::sheet::CostItem;
use crate::query::watch::{FindingKind, Standing, StopLevel};
use crate::record::batch::{ClockClaim, EventKind, RawBatch, RawEvent};
use crate::record::sample::{Columns, Samples};
use crate::record::watermark::Watermark;
use crate::record::words;
use crate::reject::{Code, Reject};

/// A domain word with a proto twin.
pub trait Word: Copy + 'static {
    /// Finds the word of a proto number; `None` for "not said" and unknown numbers.
    fn from_wire(number: i32) -> Option<Self>;
    /// The proto number.
    fn to_wire(self) -> i32;
    /// Every word and its proto name, for the test of the table.
    fn table() -> Vec<(&'static str, String)>;
}

macro_rules! words {
    ($($domain:ty => $proto:ident, $prefix:literal;)+) => {$(
        impl Word for $domain {
            fn from_wire(number: i32) -> Option<Self> {
                let name = pb::$proto::try_from(number).ok()?.as_str_name();
                <$domain>::find(&name.strip_prefix($prefix)?.to_ascii_lowercase())
            }

            fn to_wire(self) -> i32 {
                let name = format!("{}{}", $prefix, self.as_str().to_ascii_uppercase());
                pb::$proto::from_str_name(&name).map_or(0, |word| word as i32)
            }

            fn table() -> Vec<(&'static str, String)> {
                <$domain>::ALL
                    .iter()
                    .map(|word| (word.as_str(), format!("{}{}", $prefix, word.as_str().to_ascii_uppercase())))
                    .collect()
            }
        }
    )+

    #[cfg(test)]
    fn every_table() -> Vec<(&'static str, Vec<(&'static str, i32, bool)>)> {
        vec![$((stringify!($domain), <$domain>::ALL.iter().map(|word| {
            let number = word.to_wire();
            (word.as_str(), number, <$domain>::from_wire(number) == Some(*word))
        }).collect())),+]
    }};
}

words! {
    words::Chemistry => Chemistry, "CHEMISTRY_";
    words::Segment => Segment, "SEGMENT_";
    words::Storage => Storage, "STORAGE_";
    words::TesterState => TesterState, "TESTER_STATE_";
    words::VisualFlag => VisualFlag, "VISUAL_FLAG_";
    words::Purpose => Purpose, "PURPOSE_";
    words::Method => Method, "METHOD_";
    words::EndReason => EndReason, "END_REASON_";
    words::OutcomeClass => OutcomeClass, "OUTCOME_CLASS_";
    words::Basis => Basis, "BASIS_";
    words::Disposition => Disposition, "DISPOSITION_";
    words::Stage => Stage, "STAGE_";
    words::ReadingKind => ReadingKind, "READING_KIND_";
    words::CcaStandard => CcaStandard, "CCA_STANDARD_";
    words::DeviceKind => DeviceKind, "DEVICE_KIND_";
    words::Scope => Scope, "SCOPE_";
    words::Answer => Answer, "ANSWER_";
    ClockClaim => ClockState, "CLOCK_STATE_";
    EventKind => EventKind, "EVENT_KIND_";
    IntervalMethod => IntervalMethod, "INTERVAL_METHOD_";
    Split => Split, "SPLIT_";
    CostItem => CostItem, "COST_ITEM_";
    FindingKind => FindingKind, "FINDING_KIND_";
    Standing => FindingState, "FINDING_STATE_";
    StopLevel => StopLevel, "STOP_LEVEL_";
    kind::Kind => AlarmKind, "ALARM_KIND_";
    kind::Class => AlarmClass, "ALARM_CLASS_";
    state::State => AlarmState, "ALARM_STATE_";
    escalation::Level => AlarmLevel, "ALARM_LEVEL_";
    escalation::Hours => AlarmHours, "ALARM_HOURS_";
}

/// A word that must be said.
///
/// # Errors
/// `FIELD_MISSING` that lists the choices.
pub fn need<W: Word>(field: &str, number: i32) -> Result<W, Error> {
    W::from_wire(number).ok_or_else(|| {
        let words: Vec<&str> = W::table().iter().map(|row| row.0).collect();
        Error::bad(
            Code::FieldMissing,
            field,
            format!("say one of {}", words.join(", ")),
        )
    })
}

/// An id that must be there.
///
/// # Errors
/// `FIELD_MISSING`, `FIELD_INVALID`.
pub fn id(field: &str, text: &str) -> Result<Uuid, Error> {
    optional_id(field, text)?
        .ok_or_else(|| Error::bad(Code::FieldMissing, field, "an id is needed"))
}

/// An id that may be empty.
///
/// # Errors
/// `FIELD_INVALID`.
pub fn optional_id(field: &str, text: &str) -> Result<Option<Uuid>, Error> {
    if text.is_empty() {
        return Ok(None);
    }
    let shown: String = text.chars().take(64).collect();
    Uuid::try_parse(text).map(Some).map_err(|_| {
        Error::bad(
            Code::FieldInvalid,
            field,
            format!("`{}` is no id", shown.escape_debug()),
        )
    })
}

/// A time that may be absent.
///
/// # Errors
/// `FIELD_INVALID` for a time no calendar has.
pub fn time(field: &str, time: Option<Timestamp>) -> Result<Option<DateTime<Utc>>, Error> {
    let Some(time) = time else { return Ok(None) };
    let nanos = u32::try_from(time.nanos).ok();
    let found = nanos.and_then(|nanos| DateTime::from_timestamp(time.seconds, nanos));
    // The database keeps microseconds; finer parts would not come back equal.
    let found = found.and_then(|at| DateTime::from_timestamp_micros(at.timestamp_micros()));
    let sensible = |at: &DateTime<Utc>| (0..253_402_300_800).contains(&at.timestamp());
    found.filter(sensible).map(Some).ok_or_else(|| {
        let detail = format!("{} s {} ns is no time", time.seconds, time.nanos);
        Error::bad(Code::FieldInvalid, field, detail)
    })
}

/// A time for the wire.
#[must_use]
pub fn timestamp(at: DateTime<Utc>) -> Timestamp {
    let nanos = i32::try_from(at.timestamp_subsec_nanos()).unwrap_or(0);
    Timestamp {
        seconds: at.timestamp(),
        nanos,
    }
}

/// A batch off the wire, not yet checked.
///
/// # Errors
/// `FIELD_INVALID` for a start time no calendar has.
pub fn raw_batch(mut batch: pb::SampleBatch) -> Result<RawBatch, Reject> {
    take_batch(&mut batch)
}

/// The same, leaving of the message what `put_back` makes whole again; an error leaves all of it.
///
/// # Errors
/// As `raw_batch`.
pub fn take_batch(batch: &mut pb::SampleBatch) -> Result<RawBatch, Reject> {
    let start_time = match time("start_time", batch.start_time) {
        Ok(time) => time,
        Err(Error::Bad(reject)) => return Err(reject),
        Err(other) => {
            return Err(Reject::new(
                Code::FieldInvalid,
                "start_time",
                other.to_string(),
            ));
        }
    };
    Ok(RawBatch {
        first_seq: batch.first_seq,
        start_ms: batch.start_milliseconds,
        step_ms: take(&mut batch.step_milliseconds),
        columns: Columns {
            voltage_mv: take(&mut batch.voltage_millivolts),
            current_ma: take(&mut batch.current_milliamperes),
            case_cc: take(&mut batch.case_centidegrees_celsius),
            centre_cc: take(&mut batch.centre_centidegrees_celsius),
            ambient_cc: take(&mut batch.ambient_centidegrees_celsius),
        },
        events: batch.events.iter().map(raw_event).collect(),
        clock: ClockClaim::from_wire(batch.clock).unwrap_or(ClockClaim::None),
        start_time,
        sent_ms: batch.sent_milliseconds,
        oldest_held_seq: batch.oldest_held_seq,
    })
}

/// The message as it came, from what `take_batch` left of it and what it took.
#[must_use]
pub fn put_back(left: &pb::SampleBatch, taken: &RawBatch) -> pb::SampleBatch {
    let columns = taken.columns.clone();
    pb::SampleBatch {
        step_milliseconds: taken.step_ms.clone(),
        voltage_millivolts: columns.voltage_mv,
        current_milliamperes: columns.current_ma,
        case_centidegrees_celsius: columns.case_cc,
        centre_centidegrees_celsius: columns.centre_cc,
        ambient_centidegrees_celsius: columns.ambient_cc,
        ..left.clone()
    }
}

fn raw_event(event: &pb::Event) -> RawEvent {
    RawEvent {
        event_seq: event.event_seq,
        after_seq: event.after_seq,
        time_ms: event.time_milliseconds,
        kind: EventKind::from_wire(event.kind),
        stage: words::Stage::from_wire(event.stage),
        detail: event.detail.clone(),
    }
}

/// Stored samples for the wire.
#[must_use]
pub fn sample_batch(device: Uuid, boot: i64, samples: Samples) -> pb::SampleBatch {
    let first = samples.first_ms();
    let mut last = first;
    let steps = samples.time_ms.iter().map(|time| {
        let step = time - last;
        last = *time;
        i32::try_from(step).unwrap_or(i32::MAX)
    });
    pb::SampleBatch {
        device_id: device.to_string(),
        boot_id: boot,
        first_seq: samples.first_seq,
        start_milliseconds: first,
        step_milliseconds: steps.collect(),
        voltage_millivolts: samples.columns.voltage_mv,
        current_milliamperes: samples.columns.current_ma,
        case_centidegrees_celsius: samples.columns.case_cc,
        centre_centidegrees_celsius: samples.columns.centre_cc,
        ambient_centidegrees_celsius: samples.columns.ambient_cc,
        ..pb::SampleBatch::default()
    }
}

/// A watermark for the wire.
#[must_use]
pub fn watermark(watermark: &Watermark) -> pb::Watermark {
    pb::Watermark {
        device_id: watermark.device.to_string(),
        boot_id: watermark.boot,
        contiguous_seq: watermark.contiguous_seq,
        last_seq: watermark.last_seq,
        missing: watermark
            .missing
            .iter()
            .map(|(first_seq, last_seq)| pb::SeqRange {
                first_seq: *first_seq,
                last_seq: *last_seq,
            })
            .collect(),
        server_time: Some(timestamp(watermark.server_time)),
    }
}

/// A watermark off the wire; `None` when it is not readable.
#[must_use]
pub fn read_watermark(watermark: &pb::Watermark) -> Option<Watermark> {
    Some(Watermark {
        device: Uuid::try_parse(&watermark.device_id).ok()?,
        boot: watermark.boot_id,
        contiguous_seq: watermark.contiguous_seq,
        last_seq: watermark.last_seq,
        missing: watermark
            .missing
            .iter()
            .map(|range| (range.first_seq, range.last_seq))
            .collect(),
        server_time: time("server_time", watermark.server_time).ok()??,
    })
}

/// A rejection for the wire.
#[must_use]
pub fn rejection(reject: &Reject) -> pb::Rejection {
    pb::Rejection {
        reason: reject.code.to_string(),
        field: reject.field.clone(),
        detail: reject.detail.clone(),
        fix: reject.code.fix().to_owned(),
    }
}

/// A receipt for the wire.
#[must_use]
pub fn receipt(receipt: &intake::Receipt) -> pb::Receipt {
    let status = if receipt.refused_whole {
        pb::ReceiptStatus::Quarantined
    } else if receipt.stored == 0 && receipt.duplicate > 0 {
        pb::ReceiptStatus::Duplicate
    } else {
        pb::ReceiptStatus::Stored
    };
    pb::Receipt {
        first_seq: receipt.first_seq,
        status: status as i32,
        stored_count: receipt.stored,
        duplicate_count: receipt.duplicate,
        quarantined_count: receipt.quarantined,
        rejections: receipt.rejections.iter().map(rejection).collect(),
        watermark: Some(watermark(&receipt.watermark)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_has_a_proto_twin_and_comes_back() {
        for (name, rows) in every_table() {
            for (word, number, same) in rows {
                assert!(number > 0 && same, "{name}::{word} has no twin of its name");
            }
        }
    }

    #[test]
    fn samples_survive_the_wire() {
        let samples = Samples {
            first_seq: 7,
            time_ms: vec![5_000, 6_000, 6_001],
            columns: Columns {
                voltage_mv: vec![1, -2, 3],
                ..Columns::default()
            },
        };
        let batch = sample_batch(Uuid::nil(), -5, samples.clone());
        assert_eq!(batch.step_milliseconds, [0, 1000, 1]);
        let raw = raw_batch(batch).unwrap();
        assert_eq!((raw.first_seq, raw.start_ms), (7, 5_000));
        assert_eq!(raw.columns, samples.columns);
    }

    #[test]
    fn what_was_taken_of_a_batch_can_be_put_back() {
        let whole = pb::SampleBatch {
            device_id: "of whoever".into(),
            step_milliseconds: vec![0, 10],
            voltage_millivolts: vec![1, -2],
            ambient_centidegrees_celsius: vec![3, 4],
            clock: 77,
            events: vec![pb::Event {
                kind: 99,
                detail: "a word of a later version".into(),
                ..pb::Event::default()
            }],
            ..pb::SampleBatch::default()
        };
        let mut left = whole.clone();
        let taken = take_batch(&mut left).unwrap();
        assert!(left.voltage_millivolts.is_empty());
        assert_eq!(put_back(&left, &taken), whole);
        let mut no_date = pb::SampleBatch {
            start_time: Some(Timestamp {
                seconds: i64::MAX,
                nanos: 0,
            }),
            ..whole
        };
        let before = no_date.clone();
        assert!(take_batch(&mut no_date).is_err() && no_date == before);
    }

    #[test]
    fn times_no_calendar_has_are_refused() {
        for (seconds, nanos) in [(i64::MAX, 0), (0, -1), (-1, 0), (253_402_300_800, 0)] {
            assert!(time("t", Some(Timestamp { seconds, nanos })).is_err());
        }
    }
}
