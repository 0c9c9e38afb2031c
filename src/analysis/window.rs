//! One-minute means of a run and the bounded windows made of them.

use std::collections::VecDeque;

use super::context::Event;
use crate::record::words::DeviceKind;

/// Milliseconds of a minute.
pub(crate) const MINUTE_MS: i64 = 60_000;

/// Minutes kept one by one: the first hour must be whole when it is judged.
const MINUTES_KEPT: usize = 62;

/// Five-minute figures kept: four hours, for the longest flat stretch that is judged.
const FIVES_KEPT: usize = 48;

/// Sum and count of one channel.
#[derive(Debug, Clone, Copy, Default)]
struct Mean {
    sum: f64,
    count: f64,
}

impl Mean {
    fn add(&mut self, value: Option<f64>) {
        if let Some(value) = value {
            self.sum += value;
            self.count += 1.0;
        }
    }

    fn get(self) -> Option<f64> {
        (self.count > 0.0).then(|| self.sum / self.count)
    }
}

/// Means of one minute, V, A and degC of the pack as measured.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Minute {
    /// Minute of the run.
    pub(crate) at: i64,
    /// Leading device's voltage.
    pub(crate) v: Option<f64>,
    /// Leading device's current.
    pub(crate) i: Option<f64>,
    /// Meter's voltage.
    pub(crate) meter_v: Option<f64>,
    /// Case, at the hottest of the positions where it is measured.
    pub(crate) case_c: Option<f64>,
    /// Hottest position above the mean of the others, K; `None` with fewer than two of them.
    pub(crate) apart_k: Option<f64>,
    /// Air.
    pub(crate) ambient_c: Option<f64>,
}

/// What is kept of a minute to look back at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Kept {
    /// Minute of the run.
    pub(crate) at: i64,
    /// Leading device's voltage.
    pub(crate) v: Option<f64>,
    /// Leading device's current.
    pub(crate) i: Option<f64>,
    /// Case.
    pub(crate) case_c: Option<f64>,
}

/// The minute that is being filled.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct OpenMinute {
    at: i64,
    v: Mean,
    i: Mean,
    meter_v: Mean,
    /// Case by device: each measures at a position of its own.
    case_c: [Mean; 3],
    ambient_c: Mean,
    any: bool,
}

impl OpenMinute {
    /// Adds an instant; a new minute hands out the one before.
    pub(crate) fn add(&mut self, event: &Event, lead: DeviceKind) -> Option<Minute> {
        let at = event.time_ms.div_euclid(MINUTE_MS);
        let closed = self.close().filter(|_| at > self.at);
        if closed.is_some() || !self.any {
            *self = Self {
                at,
                any: true,
                ..Self::default()
            };
        }
        if event.source == lead {
            self.v.add(event.voltage_v);
            self.i.add(event.current_a);
        } else if event.source == DeviceKind::Meter {
            self.meter_v.add(event.voltage_v);
        }
        let [charger, meter, sensor] = &mut self.case_c;
        match event.source {
            DeviceKind::Charger => charger.add(event.case_c),
            DeviceKind::Meter => meter.add(event.case_c),
            DeviceKind::Sensor => sensor.add(event.case_c),
        }
        self.ambient_c.add(event.ambient_c);
        closed
    }

    /// Its means so far; `None` before the first instant.
    pub(crate) fn close(&self) -> Option<Minute> {
        let (case_c, apart_k) = hottest(self.case_c.map(Mean::get));
        self.any.then(|| Minute {
            at: self.at,
            v: self.v.get(),
            i: self.i.get(),
            meter_v: self.meter_v.get(),
            case_c,
            apart_k,
            ambient_c: self.ambient_c.get(),
        })
    }
}

/// The hottest of some positions, and how far it is above the mean of the others.
fn hottest(positions: [Option<f64>; 3]) -> (Option<f64>, Option<f64>) {
    let measured = positions.iter().flatten();
    let hot = measured.clone().copied().reduce(f64::max);
    let (sum, count) = measured.fold((0.0, 0.0), |(sum, count), c| (sum + c, count + 1.0));
    let apart = hot
        .filter(|_| count > 1.0)
        .map(|hot| hot - (sum - hot) / (count - 1.0));
    (hot, apart)
}

/// The last hour by minutes and the last four hours by five minutes.
#[derive(Debug, Clone)]
pub(crate) struct Window {
    minutes: VecDeque<Kept>,
    last: Option<Minute>,
    fives: VecDeque<(i64, f64)>,
    five: (i64, f64, f64),
}

impl Window {
    pub(crate) fn new() -> Self {
        Self {
            minutes: VecDeque::with_capacity(MINUTES_KEPT),
            last: None,
            fives: VecDeque::with_capacity(FIVES_KEPT),
            five: (i64::MIN, 0.0, 0.0),
        }
    }

    /// Takes the next minute.
    pub(crate) fn push(&mut self, minute: Minute) {
        if self.minutes.len() == MINUTES_KEPT {
            self.minutes.pop_front();
        }
        self.minutes.push_back(Kept {
            at: minute.at,
            v: minute.v,
            i: minute.i,
            case_c: minute.case_c,
        });
        self.last = Some(minute);
        let Some(v) = minute.v else { return };
        let five = minute.at.div_euclid(5);
        if five != self.five.0 {
            let (at, sum, count) = self.five;
            if count > 0.0 {
                if self.fives.len() == FIVES_KEPT {
                    self.fives.pop_front();
                }
                self.fives.push_back((at, sum / count));
            }
            self.five = (five, 0.0, 0.0);
        }
        self.five.1 += v;
        self.five.2 += 1.0;
    }

    /// Minutes from a moment on, oldest first.
    pub(crate) fn since(&self, minute: i64) -> impl DoubleEndedIterator<Item = &Kept> {
        let from = self.minutes.partition_point(|m| m.at < minute);
        self.minutes.range(from..)
    }

    /// The last minute.
    pub(crate) fn last(&self) -> Option<&Minute> {
        self.last.as_ref()
    }

    /// Least and largest of a figure over the last minutes, and how many minutes have it.
    pub(crate) fn range(&self, back: f64, value: impl Fn(&Kept) -> Option<f64>) -> Option<Range> {
        let last = self.last()?.at;
        let mut range: Option<Range> = None;
        for minute in self.minutes.iter().rev() {
            if (last - minute.at) as f64 >= back {
                break;
            }
            let Some(value) = value(minute) else { continue };
            let found = range.get_or_insert(Range {
                low: value,
                high: value,
                first: value,
                last: value,
                count: 0.0,
                span_min: 0.0,
            });
            found.low = found.low.min(value);
            found.high = found.high.max(value);
            found.first = value;
            found.count += 1.0;
            found.span_min = (last - minute.at + 1) as f64;
        }
        range
    }

    /// Change of the five-minute voltage over the last hours, V: largest less first and the range.
    pub(crate) fn long_range(&self, hours: f64) -> Option<Range> {
        let last = self.fives.back()?.0;
        let mut range: Option<Range> = None;
        for (at, v) in self.fives.iter().rev() {
            let minutes = ((last - at + 1) * 5) as f64;
            if minutes > hours * 60.0 {
                break;
            }
            let found = range.get_or_insert(Range {
                low: *v,
                high: *v,
                first: *v,
                last: *v,
                count: 0.0,
                span_min: 0.0,
            });
            found.low = found.low.min(*v);
            found.high = found.high.max(*v);
            found.first = *v;
            found.count += 1.0;
            found.span_min = minutes;
        }
        range
    }

    /// Bytes on the heap.
    pub(crate) fn heap_bytes(&self) -> usize {
        self.minutes.capacity() * size_of::<Kept>()
            + self.fives.capacity() * size_of::<(i64, f64)>()
    }
}

/// Extremes and ends of a figure over a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Range {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) first: f64,
    pub(crate) last: f64,
    pub(crate) count: f64,
    pub(crate) span_min: f64,
}

impl Range {
    /// Largest less least.
    pub(crate) fn width(&self) -> f64 {
        self.high - self.low
    }
}
