//! Per-minute figures of a session: count, lowest, mean and highest value, 60 minutes a row.
//!
//! Minutes count from the first sample of the session. Incremental: runs of samples may be added
//! one after another in order of the sequence.

use crate::record::sample::{Channel, MISSING, Samples};

/// Channels with minute figures, in storage order.
pub const CHANNELS: [Channel; 3] = [Channel::Voltage, Channel::Current, Channel::Case];

/// Hours a session may have: 96 h and some slack for clocks that run fast.
const HOURS_MAX: usize = 400;

/// Lowest, mean and highest value per minute; `None` in minutes without a value.
pub type Figures = [Vec<Option<i32>>; 3];

/// One hour of minute figures.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Hour {
    /// Hour since the first sample.
    pub hour: i32,
    /// Samples per minute, 60 of them.
    pub n: Vec<i16>,
    /// Figures by `CHANNELS`; `None` when the channel has no value in this hour.
    pub channels: [Option<Figures>; 3],
}

#[derive(Clone, Copy, Default)]
struct Bin {
    count: i64,
    sum: i64,
    low: i32,
    high: i32,
}

impl Bin {
    fn add(&mut self, value: i32) {
        (self.low, self.high) = if self.count == 0 {
            (value, value)
        } else {
            (self.low.min(value), self.high.max(value))
        };
        self.count += 1;
        self.sum += i64::from(value);
    }

    /// Mean to the nearest integer, half away from zero.
    fn mean(&self) -> Option<i32> {
        let half = self.count / 2 * self.sum.signum();
        (self.count > 0).then(|| i32::try_from((self.sum + half) / self.count).unwrap_or(MISSING))
    }
}

#[derive(Clone)]
struct HourBins {
    n: [i16; 60],
    channels: [[Bin; 60]; 3],
}

/// Collects minute figures.
#[derive(Default)]
pub struct Minutes {
    origin_ms: Option<i64>,
    hours: Vec<Option<Box<HourBins>>>,
}

impl Minutes {
    /// Adds a run of samples; samples past the longest session are left out.
    pub fn add(&mut self, samples: &Samples) {
        let Some(first) = samples.time_ms.first() else {
            return;
        };
        let origin = *self.origin_ms.get_or_insert(*first);
        for (index, time) in samples.time_ms.iter().enumerate() {
            let minute = usize::try_from((time - origin) / 60_000).unwrap_or(usize::MAX);
            let (hour, minute) = (minute / 60, minute % 60);
            if hour >= HOURS_MAX {
                return;
            }
            if self.hours.len() <= hour {
                self.hours.resize(hour + 1, None);
            }
            let Some(slot) = self.hours.get_mut(hour) else {
                return;
            };
            let bins = slot.get_or_insert_with(|| {
                Box::new(HourBins {
                    n: [0; 60],
                    channels: [[Bin::default(); 60]; 3],
                })
            });
            if let Some(n) = bins.n.get_mut(minute) {
                *n = n.saturating_add(1);
            }
            for (channel, row) in CHANNELS.iter().zip(bins.channels.iter_mut()) {
                let value = samples.columns.get(*channel).get(index).copied();
                if let (Some(value), Some(bin)) =
                    (value.filter(|value| *value != MISSING), row.get_mut(minute))
                {
                    bin.add(value);
                }
            }
        }
    }

    /// The figures, by hour; hours without a sample are left out.
    #[must_use]
    pub fn finish(self) -> Vec<Hour> {
        let hours = self.hours.into_iter().enumerate();
        hours
            .filter_map(|(hour, bins)| {
                let bins = bins?;
                let figures = |row: &[Bin; 60]| -> Option<Figures> {
                    row.iter().any(|bin| bin.count > 0).then(|| {
                        let seen = |bin: &Bin| bin.count > 0;
                        [
                            row.iter().map(|bin| seen(bin).then_some(bin.low)).collect(),
                            row.iter().map(Bin::mean).collect(),
                            row.iter()
                                .map(|bin| seen(bin).then_some(bin.high))
                                .collect(),
                        ]
                    })
                };
                Some(Hour {
                    hour: i32::try_from(hour).unwrap_or(i32::MAX),
                    n: bins.n.to_vec(),
                    channels: bins.channels.each_ref().map(figures),
                })
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::sample::Columns;

    #[test]
    fn minutes_hold_lowest_mean_and_highest_value_and_holes_stay_out() {
        let samples = Samples {
            first_seq: 1,
            time_ms: vec![5_000, 30_000, 64_999, 65_000, 5_000 + 3_600_000],
            columns: Columns {
                voltage_mv: vec![12_000, 12_101, MISSING, 13_000, 14_000],
                ..Columns::default()
            },
        };
        let mut minutes = Minutes::default();
        minutes.add(&samples.slice(1, 2));
        minutes.add(&samples.slice(3, 5));
        let hours = minutes.finish();
        assert_eq!(hours.len(), 2);
        let [low, mean, high] = hours[0].channels[0].as_ref().unwrap();
        assert_eq!(&hours[0].n[..2], [3, 1]);
        assert_eq!(
            (low[0], mean[0], high[0]),
            (Some(12_000), Some(12_051), Some(12_101))
        );
        assert_eq!((low[1], low[2]), (Some(13_000), None));
        assert!(hours[0].channels[1].is_none());
        assert_eq!(hours[1].hour, 1);
    }
}
