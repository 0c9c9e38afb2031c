//! Samples of one boot with consecutive sequence numbers, as fixed-point columns.
//!
//! Integers on the wire and in storage: mV, mA, 0.01 degC, ms. NaN cannot exist here. A channel is
//! either empty (not measured at all) or as long as the time column; `MISSING` marks single holes.

/// A single value that was not measured.
pub const MISSING: i32 = i32::MIN;

/// First 16 bytes of BLAKE3 over canonical content.
pub type Digest = [u8; 16];

/// BLAKE3-128 of some bytes.
#[must_use]
pub fn digest_of(bytes: &[u8]) -> Digest {
    shorten(&blake3::hash(bytes))
}

fn cut<T: Copy>(column: &[T], start: usize, count: usize) -> Vec<T> {
    column.iter().skip(start).take(count).copied().collect()
}

fn shorten(hash: &blake3::Hash) -> Digest {
    let mut digest = [0; 16];
    for (to, from) in digest.iter_mut().zip(hash.as_bytes()) {
        *to = *from;
    }
    digest
}

/// A measured quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Channel {
    /// Volts at the device's terminals, mV.
    Voltage,
    /// Current into the battery, mA.
    Current,
    /// Case temperature, 0.01 degC.
    Case,
    /// Centre cell temperature, 0.01 degC.
    Centre,
    /// Ambient temperature, 0.01 degC.
    Ambient,
}

impl Channel {
    /// Every channel, in storage order.
    pub const ALL: [Self; 5] = [
        Self::Voltage,
        Self::Current,
        Self::Case,
        Self::Centre,
        Self::Ambient,
    ];

    /// Field name in the wire contract.
    #[must_use]
    pub fn field(self) -> &'static str {
        match self {
            Self::Voltage => "voltage_millivolts",
            Self::Current => "current_milliamperes",
            Self::Case => "case_centidegrees_celsius",
            Self::Centre => "centre_centidegrees_celsius",
            Self::Ambient => "ambient_centidegrees_celsius",
        }
    }

    /// Smallest and largest stored value: -16..40 V, -500..500 A, -60..150 degC.
    #[must_use]
    pub fn gate(self) -> (i32, i32) {
        match self {
            Self::Voltage => (-16_000, 40_000),
            Self::Current => (-500_000, 500_000),
            Self::Case | Self::Centre | Self::Ambient => (-6_000, 15_000),
        }
    }
}

/// The channels of a run of samples; each empty or as long as the run.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Columns {
    /// Volts, mV.
    pub voltage_mv: Vec<i32>,
    /// Current, mA.
    pub current_ma: Vec<i32>,
    /// Case temperature, 0.01 degC.
    pub case_cc: Vec<i32>,
    /// Centre cell temperature, 0.01 degC.
    pub centre_cc: Vec<i32>,
    /// Ambient temperature, 0.01 degC.
    pub ambient_cc: Vec<i32>,
}

impl Columns {
    /// One channel.
    #[must_use]
    pub fn get(&self, channel: Channel) -> &Vec<i32> {
        match channel {
            Channel::Voltage => &self.voltage_mv,
            Channel::Current => &self.current_ma,
            Channel::Case => &self.case_cc,
            Channel::Centre => &self.centre_cc,
            Channel::Ambient => &self.ambient_cc,
        }
    }

    /// One channel, to change.
    pub fn get_mut(&mut self, channel: Channel) -> &mut Vec<i32> {
        match channel {
            Channel::Voltage => &mut self.voltage_mv,
            Channel::Current => &mut self.current_ma,
            Channel::Case => &mut self.case_cc,
            Channel::Centre => &mut self.centre_cc,
            Channel::Ambient => &mut self.ambient_cc,
        }
    }
}

/// A run of samples with consecutive sequence numbers and non-decreasing device time.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Samples {
    /// Sequence number of the first sample, from 1.
    pub first_seq: i64,
    /// Milliseconds since boot, one per sample.
    pub time_ms: Vec<i64>,
    /// Values.
    pub columns: Columns,
}

impl Samples {
    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.time_ms.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.time_ms.is_empty()
    }

    /// Number of samples as a sequence span.
    #[must_use]
    pub fn count(&self) -> i64 {
        i64::try_from(self.len()).unwrap_or(i64::MAX)
    }

    /// Sequence number of the last sample; `first_seq - 1` when empty.
    #[must_use]
    pub fn last_seq(&self) -> i64 {
        self.first_seq
            .saturating_add(self.count())
            .saturating_sub(1)
    }

    /// Device time of the first sample, 0 when empty.
    #[must_use]
    pub fn first_ms(&self) -> i64 {
        self.time_ms.first().copied().unwrap_or(0)
    }

    /// Device time of the last sample, 0 when empty.
    #[must_use]
    pub fn last_ms(&self) -> i64 {
        self.time_ms.last().copied().unwrap_or(0)
    }

    /// The samples numbered `from..=to`, as far as they are here.
    #[must_use]
    pub fn slice(&self, from: i64, to: i64) -> Self {
        let from = from.max(self.first_seq);
        let to = to.min(self.last_seq());
        if from > to {
            return Self {
                first_seq: from,
                ..Self::default()
            };
        }
        let start = usize::try_from(from - self.first_seq).unwrap_or(usize::MAX);
        let count = usize::try_from(to - from + 1).unwrap_or(0);
        let mut columns = Columns::default();
        for channel in Channel::ALL {
            *columns.get_mut(channel) = cut(self.columns.get(channel), start, count);
        }
        Self {
            first_seq: from,
            time_ms: cut(&self.time_ms, start, count),
            columns,
        }
    }

    /// Appends a run that follows directly; channels missing on one side are filled with holes.
    pub fn append(&mut self, next: &Self) {
        if self.is_empty() {
            *self = next.clone();
            return;
        }
        let (before, after) = (self.len(), next.len());
        self.time_ms.extend_from_slice(&next.time_ms);
        for channel in Channel::ALL {
            let (to, from) = (self.columns.get_mut(channel), next.columns.get(channel));
            if to.is_empty() && from.is_empty() {
                continue;
            }
            to.resize(before, MISSING);
            to.extend_from_slice(from);
            to.resize(before + after, MISSING);
        }
    }

    /// Drops a channel that has no value at all, so that equal content has one form.
    pub fn normalize(&mut self) {
        for channel in Channel::ALL {
            let column = self.columns.get_mut(channel);
            if column.iter().all(|value| *value == MISSING) {
                column.clear();
            }
        }
    }

    /// BLAKE3-128 of the canonical content, sequence numbers included.
    #[must_use]
    pub fn digest(&self) -> Digest {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.first_seq.to_le_bytes());
        self.hash_content(&mut hasher);
        shorten(&hasher.finalize())
    }

    /// BLAKE3-128 of times and values alone: the key of samples without sequence numbers.
    #[must_use]
    pub fn content_digest(&self) -> Digest {
        let mut hasher = blake3::Hasher::new();
        self.hash_content(&mut hasher);
        shorten(&hasher.finalize())
    }

    fn hash_content(&self, hasher: &mut blake3::Hasher) {
        let mut bytes = Vec::with_capacity(self.len() * 8 + 64);
        bytes.extend_from_slice(&self.count().to_le_bytes());
        for time in &self.time_ms {
            bytes.extend_from_slice(&time.to_le_bytes());
        }
        for channel in Channel::ALL {
            let column = self.columns.get(channel);
            bytes.push(u8::from(!column.is_empty()));
            for value in column {
                bytes.extend_from_slice(&value.to_le_bytes());
            }
        }
        hasher.update(&bytes);
    }

    /// Whether the numbers both runs have carry the same times and values.
    #[must_use]
    pub fn agrees_with(&self, other: &Self) -> bool {
        let (from, to) = (
            self.first_seq.max(other.first_seq),
            self.last_seq().min(other.last_seq()),
        );
        let (mut mine, mut theirs) = (self.slice(from, to), other.slice(from, to));
        mine.normalize();
        theirs.normalize();
        mine == theirs
    }

    /// Lowest and highest value of a channel; `None` when nothing was measured.
    #[must_use]
    pub fn range(&self, channel: Channel) -> Option<(i32, i32)> {
        let measured = || {
            self.columns
                .get(channel)
                .iter()
                .filter(|value| **value != MISSING)
        };
        Some((*measured().min()?, *measured().max()?))
    }

    /// Times and values of one channel, holes as `None`.
    pub fn channel(&self, channel: Channel) -> impl Iterator<Item = Option<i32>> + '_ {
        let column = self.columns.get(channel);
        (0..self.len()).map(|n| column.get(n).copied().filter(|value| *value != MISSING))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(first_seq: i64, voltages: &[i32]) -> Samples {
        Samples {
            first_seq,
            time_ms: (first_seq..)
                .zip(voltages)
                .map(|(seq, _)| 1000 * seq)
                .collect(),
            columns: Columns {
                voltage_mv: voltages.to_vec(),
                ..Columns::default()
            },
        }
    }

    #[test]
    fn a_slice_keeps_numbers_times_and_values_together() {
        let slice = run(10, &[1, 2, 3, 4]).slice(11, 12);
        assert_eq!((slice.first_seq, slice.last_seq()), (11, 12));
        assert_eq!(slice.time_ms, [11_000, 12_000]);
        assert_eq!(slice.columns.voltage_mv, [2, 3]);
        assert!(run(10, &[1]).slice(12, 20).is_empty());
    }

    #[test]
    fn joining_slices_gives_the_run_back() {
        let whole = run(1, &[5, 6, 7, 8]);
        let mut joined = whole.slice(1, 2);
        joined.append(&whole.slice(3, 4));
        assert_eq!(joined, whole);
        assert_eq!(joined.digest(), whole.digest());
    }

    #[test]
    fn a_channel_that_starts_later_gets_holes_before() {
        let mut joined = run(1, &[5]);
        let mut next = run(2, &[6]);
        next.columns.current_ma = vec![100];
        joined.append(&next);
        assert_eq!(joined.columns.current_ma, [MISSING, 100]);
    }

    #[test]
    fn overlaps_agree_only_when_times_and_values_do() {
        let held = run(1, &[1, 2, 3]);
        assert!(held.agrees_with(&run(2, &[2, 3, 4])));
        assert!(!held.agrees_with(&run(2, &[2, 9, 4])));
        let mut late = run(2, &[2, 3]);
        late.time_ms = vec![2001, 3000];
        assert!(!held.agrees_with(&late));
    }

    #[test]
    fn the_digest_depends_on_numbers_and_the_content_digest_does_not() {
        let (mut a, b) = (run(1, &[1, 2]), run(1, &[1, 2]));
        a.first_seq = 7;
        assert_ne!(a.digest(), b.digest());
        assert_eq!(a.content_digest(), b.content_digest());
    }
}
