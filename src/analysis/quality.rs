//! How good a record is: gaps, repetitions, disorder, jumps of clocks and of values, units.

use super::charge::Charge;
use super::context::{Event, Millivolts};
use super::rules::Rules;
use crate::record::words::{DeviceKind, vocabulary};

/// A clock that goes back by more than this stepped; less is disorder. Unit: ms. Our choice.
const CLOCK_STEP_MS: i64 = 60_000;

/// Share of time without readings above which a record is poor. Our choice.
const POOR_UNKNOWN_SHARE: f64 = 0.2;

/// Fewer readings than this tell little. Our choice.
const FEW_SAMPLES: u64 = 10;

/// Readings of a wrong unit needed before it is told. Our choice.
const UNIT_SAMPLES: u64 = 5;

vocabulary! {
    /// How far a record can be relied on.
    Grade {
        /// Nothing was found.
        Good = "good",
        /// Faults that the analysis works around.
        Usable = "usable",
        /// Faults that leave much unknown.
        Poor = "poor",
    }
}

/// What was found in the records of one kind of device.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct VoiceQuality {
    /// Readings taken.
    pub sample_count: u64,
    /// Readings that repeat the one before, time and values.
    pub duplicate_count: u64,
    /// Readings older than one before; left out.
    pub disorder_count: u64,
    /// Jumps back of the clock by more than a minute; those readings are left out.
    pub clock_step_count: u64,
    /// Silences longer than three usual intervals and a minute.
    pub gap_count: u64,
    /// Longest silence, s.
    pub longest_gap_s: f64,
    /// Single readings far from both neighbours.
    pub spike_count: u64,
    /// Readings above the limit of any pack: millivolts sent as volts.
    pub wrong_unit_count: u64,
    /// Smallest step of voltage seen, V.
    pub quantum_v: Option<f64>,
    /// Smallest step of current seen, A.
    pub quantum_a: Option<f64>,
    /// Usual interval between readings, s.
    pub usual_interval_s: Option<f64>,
    #[serde(skip)]
    last: Option<Event>,
    #[serde(skip)]
    jumped_v: f64,
}

impl VoiceQuality {
    /// Takes the next reading; false when it must be left out.
    pub(crate) fn push(&mut self, rules: &Rules, event: &Event) -> bool {
        let Some(last) = self.last else {
            self.sample_count += 1;
            self.last = Some(*event);
            return true;
        };
        let apart = event.time_ms - last.time_ms;
        if apart < 0 {
            self.disorder_count += 1;
            if -apart > CLOCK_STEP_MS {
                self.clock_step_count += 1;
            }
            return false;
        }
        if *event == last {
            self.duplicate_count += 1;
            return false;
        }
        self.sample_count += 1;
        let seconds = apart as f64 / 1000.0;
        let usual = self.usual_interval_s.unwrap_or(seconds);
        if seconds > rules.gap_lost_s && seconds > rules.gap_lost_periods * usual {
            self.gap_count += 1;
            self.longest_gap_s = self.longest_gap_s.max(seconds);
        }
        let most = 0.05 * usual;
        self.usual_interval_s = Some(usual + (0.05 * (seconds - usual)).clamp(-most, most));
        if let (Some(v), Some(before)) = (event.voltage_v, last.voltage_v) {
            let jump = v - before;
            least(&mut self.quantum_v, jump.abs());
            if jump.abs() > rules.spike_v && self.jumped_v.abs() > rules.spike_v {
                let back = jump.is_sign_negative() != self.jumped_v.is_sign_negative();
                self.spike_count += u64::from(back);
            }
            self.jumped_v = jump;
        }
        if let (Some(i), Some(before)) = (event.current_a, last.current_a) {
            least(&mut self.quantum_a, (i - before).abs());
        }
        self.last = Some(*event);
        true
    }

    /// Counts a voltage of a wrong unit.
    pub(crate) fn wrong_unit(&mut self) {
        self.wrong_unit_count += 1;
    }

    /// Whether enough readings carry a wrong unit, and most of them.
    pub(crate) fn slipped(&self) -> bool {
        self.wrong_unit_count >= UNIT_SAMPLES && self.wrong_unit_count * 2 > self.sample_count
    }
}

/// Keeps the smallest change that is more than rounding of the arithmetic.
fn least(kept: &mut Option<f64>, change: f64) {
    if change > 1e-6 && kept.is_none_or(|least| change < least) {
        *kept = Some(change);
    }
}

/// What was found in all records of a run.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Quality {
    /// How far the record can be relied on.
    pub grade: Grade,
    /// Why, in words.
    pub reasons: Vec<String>,
    /// Devices whose volts were read as millivolts on request.
    pub read_as_millivolts: Millivolts,
    /// The charger.
    pub charger: VoiceQuality,
    /// Meters.
    pub meter: VoiceQuality,
    /// Sensors.
    pub sensor: VoiceQuality,
}

/// The records of the three kinds of device.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Voices {
    charger: VoiceQuality,
    meter: VoiceQuality,
    sensor: VoiceQuality,
}

impl Voices {
    pub(crate) fn of(&mut self, kind: DeviceKind) -> &mut VoiceQuality {
        match kind {
            DeviceKind::Charger => &mut self.charger,
            DeviceKind::Meter => &mut self.meter,
            DeviceKind::Sensor => &mut self.sensor,
        }
    }

    pub(crate) fn get(&self, kind: DeviceKind) -> &VoiceQuality {
        match kind {
            DeviceKind::Charger => &self.charger,
            DeviceKind::Meter => &self.meter,
            DeviceKind::Sensor => &self.sensor,
        }
    }

    /// Judges the records.
    pub(crate) fn report(&self, charge: &Charge, read: Millivolts) -> Quality {
        let mut verdict = Verdict {
            grade: Grade::Good,
            reasons: Vec::new(),
        };
        verdict.voice("charger", &self.charger);
        verdict.voice("meter", &self.meter);
        verdict.voice("sensor", &self.sensor);
        if read.charger || read.meter {
            verdict.say(
                Grade::Usable,
                "volts above 100 were read as millivolts".to_owned(),
            );
        }
        let share = charge.unknown_ms as f64 / charge.duration_ms.max(1) as f64;
        if share > POOR_UNKNOWN_SHARE {
            let percent = 100.0 * share;
            let reason = format!("no current known for {percent:.0} % of the time");
            verdict.say(Grade::Poor, reason);
        }
        if charge.point_count < FEW_SAMPLES {
            let reason = format!("only {} readings of current", charge.point_count);
            verdict.say(Grade::Poor, reason);
        }
        Quality {
            grade: verdict.grade,
            reasons: verdict.reasons,
            read_as_millivolts: read,
            charger: self.charger,
            meter: self.meter,
            sensor: self.sensor,
        }
    }
}

/// A grade that only gets worse, with its reasons.
struct Verdict {
    grade: Grade,
    reasons: Vec<String>,
}

impl Verdict {
    fn say(&mut self, worse: Grade, reason: String) {
        self.grade = self.grade.max(worse);
        self.reasons.push(reason);
    }

    fn voice(&mut self, name: &str, voice: &VoiceQuality) {
        if voice.slipped() {
            let count = voice.wrong_unit_count;
            self.say(Grade::Poor, format!("{name}: {count} readings above 100 V"));
        }
        let steps = voice.clock_step_count;
        for (count, what) in [
            (steps, "readings after the clock went back"),
            (voice.disorder_count - steps, "readings out of order"),
            (voice.duplicate_count, "repeated readings"),
            (voice.spike_count, "single far readings"),
        ] {
            if count > 0 {
                self.say(Grade::Usable, format!("{name}: {count} {what}"));
            }
        }
        if voice.gap_count > 0 {
            let (count, longest_s) = (voice.gap_count, voice.longest_gap_s);
            let reason = format!("{name}: {count} gaps, the longest {longest_s:.0} s");
            self.say(Grade::Usable, reason);
        }
    }
}
