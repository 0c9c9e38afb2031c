//! The alarm journal: framed records for a local file, used while the database is away.
//!
//! A frame is mark, length, check (BLAKE3 of the payload, 8 bytes) and payload. Reading stops at
//! nothing: a torn tail is cut off, a damaged stretch is skipped and counted. A record's id is a
//! digest of its content, so that it may be replayed any number of times. Writing, syncing and the
//! file itself belong to the service.

use std::collections::{BTreeMap, BTreeSet};

use uuid::Uuid;

use super::coalesce::Coalesce;
use super::condition::{Condition, Edge, Origin, Source};
use super::kind::Kind;
use super::state::{Acknowledgement, Shelf};
use crate::record::sample::{Digest, digest_of};

/// Begins every frame; the last byte is the version of the payload.
const MARK: [u8; 4] = [0xA1, b'r', b'v', 1];
const CHECK_BYTES: usize = 8;
const HEAD_BYTES: usize = MARK.len() + 4 + CHECK_BYTES;
/// Longest payload, bytes: two names and a reason of 128 bytes, a kind and numbers fit well.
const PAYLOAD_MAX: usize = 1_024;

/// What happened to an alarm.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// A device's condition.
    Condition(Condition),
    /// A person has seen the alarm of this kind.
    Acknowledge(Kind, Acknowledgement),
    /// A person put it aside.
    Shelve(Kind, Shelf),
}

impl Step {
    /// The kind of the alarm.
    #[must_use]
    pub fn kind(&self) -> Kind {
        match self {
            Self::Condition(condition) => condition.kind,
            Self::Acknowledge(kind, _) | Self::Shelve(kind, _) => *kind,
        }
    }

    /// What showed a condition.
    #[must_use]
    pub fn origin(&self) -> Option<Origin> {
        match self {
            Self::Condition(condition) => condition.origin,
            Self::Acknowledge(..) | Self::Shelve(..) => None,
        }
    }
}

/// One record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// Where.
    pub source: Source,
    /// What.
    pub step: Step,
}

impl Record {
    /// Idempotency id: BLAKE3-128 of the content.
    #[must_use]
    pub fn id(&self) -> Digest {
        digest_of(&self.payload())
    }

    /// Writes the record as one frame behind `out`.
    pub fn encode(&self, out: &mut Vec<u8>) {
        let payload = self.payload();
        let length = u32::try_from(payload.len()).unwrap_or(u32::MAX);
        out.extend(MARK);
        out.extend(length.to_le_bytes());
        out.extend(check(&payload));
        out.extend(payload);
    }

    fn payload(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(128);
        out.extend(self.source.group.as_bytes());
        out.extend(self.source.device.as_bytes());
        put_text(&mut out, self.step.kind().as_str());
        match &self.step {
            Step::Condition(condition) => {
                put_text(&mut out, condition.edge.as_str());
                out.push(u8::from(condition.value.is_some()));
                for number in [
                    condition.value.unwrap_or(0),
                    condition.at_ms,
                    condition.last_ms,
                    condition.first_ms,
                ] {
                    out.extend(number.to_le_bytes());
                }
                out.extend(condition.origin.map_or(vec![0], |origin| origin.bytes()));
            }
            Step::Acknowledge(_, first) => {
                put_text(&mut out, "acknowledge");
                put_text(&mut out, &first.by);
                out.extend(first.at_ms.to_le_bytes());
            }
            Step::Shelve(_, aside) => {
                put_text(&mut out, "shelve");
                put_text(&mut out, &aside.by);
                put_text(&mut out, &aside.reason);
                out.extend(aside.at_ms.to_le_bytes());
                out.extend(aside.until_ms.to_le_bytes());
            }
        }
        out
    }

    fn parse(payload: &[u8]) -> Option<Self> {
        let mut input = Input(payload);
        let source = Source {
            group: Uuid::from_bytes(input.array()?),
            device: Uuid::from_bytes(input.array()?),
        };
        let kind = Kind::find(input.text()?)?;
        let step = match input.text()? {
            "acknowledge" => {
                let by = input.text()?.to_owned();
                let at_ms = input.number()?;
                Step::Acknowledge(kind, Acknowledgement { by, at_ms })
            }
            "shelve" => Step::Shelve(
                kind,
                Shelf {
                    by: input.text()?.to_owned(),
                    reason: input.text()?.to_owned(),
                    at_ms: input.number()?,
                    until_ms: input.number()?,
                },
            ),
            edge => {
                let edge = Edge::find(edge)?;
                let [has_value] = input.array()?;
                let value = input.number()?;
                let (at_ms, last_ms) = (input.number()?, input.number()?);
                // Records of before had no more.
                let (first_ms, origin) = if input.0.is_empty() {
                    (at_ms, None)
                } else {
                    (input.number()?, input.origin()?)
                };
                Step::Condition(Condition {
                    kind,
                    edge,
                    value: (has_value == 1).then_some(value),
                    at_ms,
                    first_ms,
                    last_ms,
                    origin,
                })
            }
        };
        input.0.is_empty().then_some(Self { source, step })
    }
}

/// A text of at most 255 bytes with its length; longer ones are cut at a character.
fn put_text(out: &mut Vec<u8>, text: &str) {
    let mut end = text.len().min(usize::from(u8::MAX));
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    out.push(u8::try_from(end).unwrap_or(u8::MAX));
    out.extend(text.bytes().take(end));
}

/// What is left to read.
struct Input<'a>(&'a [u8]);

impl<'a> Input<'a> {
    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (head, rest) = self.0.split_first_chunk::<N>()?;
        self.0 = rest;
        Some(*head)
    }

    fn number(&mut self) -> Option<i64> {
        self.array().map(i64::from_le_bytes)
    }

    /// `None` when it is none of ours.
    #[expect(
        clippy::option_option,
        reason = "a condition may be shown by nothing that has a name"
    )]
    fn origin(&mut self) -> Option<Option<Origin>> {
        let [tag] = self.array()?;
        let origin = match tag {
            0 => None,
            1 => Some(Origin::Sent {
                boot: self.number()?,
                number: self.number()?,
                device_ms: self.number()?,
            }),
            2 => Some(Origin::Found {
                run: Uuid::from_bytes(self.array()?),
                since_ms: self.number()?,
            }),
            _ => return None,
        };
        Some(origin)
    }

    fn text(&mut self) -> Option<&'a str> {
        let [length] = self.array()?;
        let (text, rest) = self.0.split_at_checked(usize::from(length))?;
        self.0 = rest;
        std::str::from_utf8(text).ok()
    }
}

fn check(payload: &[u8]) -> [u8; CHECK_BYTES] {
    let mut check = [0; CHECK_BYTES];
    for (to, from) in check.iter_mut().zip(blake3::hash(payload).as_bytes()) {
        *to = *from;
    }
    check
}

/// What a journal held.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Whole records, in the order of writing.
    pub records: Vec<Record>,
    /// Bytes up to the end of the last whole record: where writing may go on.
    pub valid_bytes: usize,
    /// Bytes before that which were no record; above 0 the disk is to be looked at.
    pub skipped_bytes: usize,
    /// Bytes after it: a record that was being written when the power went.
    pub torn_bytes: usize,
}

/// Reads a journal back, as far as it is whole.
#[must_use]
pub fn recover(bytes: &[u8]) -> Recovered {
    let mut found = Recovered::default();
    let mut at = 0;
    while let Some(rest) = bytes.get(at..).filter(|rest| !rest.is_empty()) {
        if let Some((record, length)) = frame(rest) {
            found.skipped_bytes += at - found.valid_bytes;
            at += length;
            found.valid_bytes = at;
            found.records.push(record);
        } else {
            let next = rest
                .windows(MARK.len())
                .skip(1)
                .position(|window| window == MARK);
            let Some(next) = next else { break };
            at += next + 1;
        }
    }
    found.torn_bytes = bytes.len() - found.valid_bytes;
    found
}

fn frame(bytes: &[u8]) -> Option<(Record, usize)> {
    let mut input = Input(bytes);
    if input.array()? != MARK {
        return None;
    }
    let length = usize::try_from(u32::from_le_bytes(input.array()?)).ok()?;
    let expected = input.array()?;
    let payload = input.0.get(..length).filter(|_| length <= PAYLOAD_MAX)?;
    if check(payload) != expected {
        return None;
    }
    Some((Record::parse(payload)?, HEAD_BYTES + length))
}

/// When the journal is written anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Policy {
    /// Most bytes of the file.
    pub bytes_max: u64,
    /// Share of `bytes_max`, percent, from which it is compacted.
    pub compact_pct: u8,
}

impl Default for Policy {
    /// 16 MiB, compacted from three quarters: RELIABILITY 4.2, the share is our choice.
    fn default() -> Self {
        Self {
            bytes_max: 16 << 20,
            compact_pct: 75,
        }
    }
}

/// What is to be done before a record is added.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Room {
    /// Add it.
    Append,
    /// Add it and compact soon.
    Compact,
    /// Compact first: the record does not fit.
    CompactFirst,
}

impl Policy {
    /// Whether another record fits a file of this size.
    #[must_use]
    pub fn room(&self, file_bytes: u64, record_bytes: u64) -> Room {
        let after = file_bytes.saturating_add(record_bytes);
        let threshold = self.bytes_max.saturating_mul(u64::from(self.compact_pct)) / 100;
        if after > self.bytes_max {
            Room::CompactFirst
        } else if after > threshold {
            Room::Compact
        } else {
            Room::Append
        }
    }
}

/// The fewest records that lead to the same alarms: without those the database has, and between
/// two acts of people one worst condition and its returns per device and kind.
#[must_use]
pub fn compact(records: &[Record], settled: &BTreeSet<Digest>) -> Vec<Record> {
    let mut kept: Vec<Record> = Vec::new();
    let mut runs: BTreeMap<(Source, Kind), Coalesce> = BTreeMap::new();
    let drain = |run: Coalesce, kept: &mut Vec<Record>| {
        let mut run = run;
        while let Some((source, _, pending)) = run.pop() {
            kept.extend(pending.conditions().map(|condition| Record {
                source,
                step: Step::Condition(condition),
            }));
        }
    };
    for record in records
        .iter()
        .filter(|record| !settled.contains(&record.id()))
    {
        let key = (record.source, record.step.kind());
        match &record.step {
            Step::Condition(condition) => {
                runs.entry(key).or_default().push(record.source, condition);
            }
            Step::Acknowledge(..) | Step::Shelve(..) => {
                if let Some(run) = runs.remove(&key) {
                    drain(run, &mut kept);
                }
                kept.push(record.clone());
            }
        }
    }
    for run in runs.into_values() {
        drain(run, &mut kept);
    }
    kept
}

#[cfg(test)]
mod tests;
