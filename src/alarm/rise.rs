//! Fast temperature rise while charging: a slope of minute means, without any absolute limit.
//!
//! Both halves of the last ten minutes must rise, so that one wrong sample or one step of a sensor
//! raises nothing. The alarm latches; here it ends once the case has not warmed for five minutes.

use serde::{Deserialize, Serialize};

use super::condition::{Condition, Edge};
use super::kind::Kind;
use crate::record::limits;
use crate::record::sample::Channel;

/// Minutes of half the window. Source: RELIABILITY 4.3, slope over 5 min.
const HALF: usize = limits::HEATING_MIN as usize / 2;
/// Minute means kept: both ends of the window.
const MEANS: usize = 2 * HALF + 1;
/// Rise of half the window, 0.01 K.
const HALF_RISE_CK: i64 = limits::HEATING_CK_PER_MIN as i64 * limits::HEATING_MIN as i64 / 2;
/// Current above which a charge is under way, mA. Source: RELIABILITY 4.2.
const CHARGING_MA: i32 = 100;
const MINUTE_MS: i64 = 60_000;

/// What is remembered of one device. Of fixed size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Rise {
    minute: i64,
    sum_cc: i64,
    count: i64,
    /// Means of the finished minutes, newest first; `None` where nothing was measured.
    means_cc: [Option<i64>; MEANS],
    charging: bool,
    on: bool,
}

impl Rise {
    /// Takes a case temperature, 0.01 degC, and the current, mA, of one sample in; samples come in
    /// order of time, older ones are let go. `None` = not measured.
    ///
    /// The value of the condition is the slope over ten minutes, 0.01 K per hour.
    pub fn note(
        &mut self,
        at_ms: i64,
        case_cc: Option<i32>,
        current_ma: Option<i32>,
    ) -> Option<Condition> {
        let minute = at_ms.div_euclid(MINUTE_MS);
        if minute < self.minute {
            return None;
        }
        let finished = minute > self.minute;
        if finished {
            self.finish(minute);
        }
        if let Some(current) = current_ma {
            self.charging = current > CHARGING_MA;
        }
        let (low, high) = Channel::Case.gate();
        if let Some(case) = case_cc.filter(|case| (low..=high).contains(case)) {
            self.sum_cc += i64::from(case);
            self.count += 1;
        }
        if finished { self.judge(at_ms) } else { None }
    }

    /// Takes up after a restart: the rise goes on until the case no longer warms.
    pub fn resume(&mut self) {
        self.on = true;
    }

    /// Closes the minute that was open and leaves holes for those without samples.
    fn finish(&mut self, minute: i64) {
        let passed = usize::try_from(minute.saturating_sub(self.minute)).unwrap_or(MEANS);
        let mean = (self.count > 0).then(|| self.sum_cc / self.count.max(1));
        for step in 0..passed.min(MEANS) {
            self.means_cc.rotate_right(1);
            let [newest, ..] = &mut self.means_cc;
            *newest = mean.filter(|_| step == 0);
        }
        (self.minute, self.sum_cc, self.count) = (minute, 0, 0);
    }

    fn judge(&mut self, at_ms: i64) -> Option<Condition> {
        let mean = |index: usize| self.means_cc.get(index).copied().flatten();
        let (now, middle) = (mean(0)?, mean(HALF)?);
        if self.on {
            if now > middle {
                return None;
            }
            self.on = false;
            return Some(Condition::new(
                Kind::TemperatureRise,
                Edge::Off,
                None,
                at_ms,
            ));
        }
        let begin = mean(2 * HALF)?;
        if !self.charging || now - middle < HALF_RISE_CK || middle - begin < HALF_RISE_CK {
            return None;
        }
        self.on = true;
        let per_hour = (now - begin) * 60 / i64::from(limits::HEATING_MIN);
        Some(Condition::new(
            Kind::TemperatureRise,
            Edge::On,
            Some(per_hour),
            at_ms,
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One sample each 10 s of a case that warms by so many 0.01 K a minute.
    fn warm(
        rise: &mut Rise,
        minutes: std::ops::Range<i64>,
        per_minute: i64,
        current_ma: i32,
    ) -> Vec<Condition> {
        let samples = minutes.start * 6..minutes.end * 6;
        samples
            .filter_map(|index| {
                let case = 2_500 + (index - minutes.start * 6) * per_minute / 6;
                rise.note(index * 10_000, i32::try_from(case).ok(), Some(current_ma))
            })
            .collect()
    }

    // Source: DOMAIN 1.2: more than 0.3 K a minute for 10 min.
    #[test]
    fn ten_minutes_of_a_third_of_a_kelvin_raise_at_any_temperature() {
        let found = warm(&mut Rise::default(), 0..20, 36, 2_000);
        assert_eq!(found.len(), 1);
        assert_eq!(
            (found[0].kind, found[0].edge),
            (Kind::TemperatureRise, Edge::On)
        );
        assert_eq!(found[0].value, Some(36 * 60), "36 cK/min as cK/h");
        assert_eq!(
            found[0].at_ms,
            11 * 60_000,
            "eleven whole minutes are needed"
        );
        assert_eq!(warm(&mut Rise::default(), 0..60, 29, 2_000), []);
    }

    #[test]
    fn a_battery_that_is_carried_into_a_warm_room_raises_nothing() {
        assert_eq!(warm(&mut Rise::default(), 0..20, 60, 100), []);
    }

    #[test]
    fn one_step_of_a_sensor_and_impossible_values_raise_nothing() {
        let mut rise = Rise::default();
        for index in 0..180 {
            let case = if index < 90 { 2_500 } else { 3_500 };
            let case = if index % 7 == 0 { 60_000 } else { case };
            assert_eq!(rise.note(index * 10_000, Some(case), Some(2_000)), None);
        }
    }

    #[test]
    fn it_ends_when_the_case_no_longer_warms_and_a_hole_says_nothing() {
        let mut rise = Rise::default();
        rise.resume();
        assert_eq!(warm(&mut rise, 0..12, 60, 2_000), [], "on already");
        assert_eq!(
            warm(&mut rise, 60..65, 0, 2_000),
            [],
            "too little after the hole"
        );
        let found = warm(&mut rise, 65..70, 0, 0);
        assert_eq!((found.len(), found[0].edge), (1, Edge::Off));
        assert_eq!(
            rise.note(0, Some(9_000), Some(2_000)),
            None,
            "older samples are let go"
        );
    }
}
