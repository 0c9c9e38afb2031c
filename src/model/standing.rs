//! How far a model may be trusted: when its answers are shown as beliefs only, or marked.

use crate::record::words::vocabulary;

/// Outcomes below which answers are beliefs only. Source: STATISTICS 9.
pub const OUTCOMES_MIN: u64 = 10;

/// Outcomes of either kind below which answers are beliefs only. Source: STATISTICS 9.
pub const OUTCOMES_OF_A_KIND_MIN: u64 = 3;

/// Scored forecasts from which the calibration slope is judged. Source: STATISTICS 9.
pub const SCORED_MIN: u64 = 500;

/// Calibration slopes that pass. Source: STATISTICS 9.
pub const SLOPE_RANGE: std::ops::RangeInclusive<f64> = 0.7..=1.3;

/// What is known about a model's past.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Record {
    /// Attempts that recovered, in the fit.
    pub recovered: u64,
    /// Attempts that did not, in the fit.
    pub failed: u64,
    /// Frozen forecasts that have been scored.
    pub scored: u64,
    /// Their calibration slope; `None` when it cannot be fitted.
    pub slope: Option<f64>,
    /// True while a drift alarm has not been acknowledged.
    pub drift_alarm: bool,
}

vocabulary! {
    /// A reason to hold back.
    Reserve {
        /// Too few outcomes: show beliefs in steps of 10 %, and say so.
        BeliefOnly = "belief_only",
        /// The forecasts are too extreme or too timid: mark them and show the counts.
        BadCalibration = "bad_calibration",
        /// The forecasts have drifted off: the same until acknowledged.
        Drift = "drift",
    }
}

/// Gives the reasons to hold back, the gravest first; none when answers may stand as they are.
///
/// Source: STATISTICS 9.
#[must_use]
pub fn reserves(record: &Record) -> Vec<Reserve> {
    let least = record.recovered.min(record.failed);
    let is_thin = record.recovered + record.failed < OUTCOMES_MIN || least < OUTCOMES_OF_A_KIND_MIN;
    let is_off = record.scored >= SCORED_MIN
        && record
            .slope
            .is_some_and(|slope| !SLOPE_RANGE.contains(&slope));
    let all = [
        (is_thin, Reserve::BeliefOnly),
        (is_off, Reserve::BadCalibration),
        (record.drift_alarm, Reserve::Drift),
    ];
    let found = all.into_iter().filter(|(holds, _)| *holds);
    found.map(|(_, reserve)| reserve).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: Record = Record {
        recovered: 400,
        failed: 200,
        scored: 500,
        slope: Some(1.0),
        drift_alarm: false,
    };

    #[test]
    fn enough_outcomes_of_both_kinds_are_needed() {
        let with = |recovered, failed| {
            reserves(&Record {
                recovered,
                failed,
                scored: 0,
                ..GOOD
            })
        };
        assert_eq!(with(7, 3), []);
        assert_eq!(with(6, 3), [Reserve::BeliefOnly]);
        assert_eq!(with(90, 2), [Reserve::BeliefOnly]);
        assert_eq!(reserves(&Record::default()), [Reserve::BeliefOnly]);
    }

    #[test]
    fn a_slope_is_judged_only_once_enough_is_scored() {
        let with = |scored, slope| {
            reserves(&Record {
                scored,
                slope,
                ..GOOD
            })
        };
        assert_eq!(with(500, Some(0.69)), [Reserve::BadCalibration]);
        assert_eq!(with(500, Some(1.31)), [Reserve::BadCalibration]);
        assert_eq!(with(500, Some(0.7)), []);
        assert_eq!(with(499, Some(0.1)), []);
        assert_eq!(with(900, None), []);
    }

    #[test]
    fn drift_stands_until_it_is_acknowledged() {
        let alarmed = Record {
            drift_alarm: true,
            slope: Some(2.0),
            ..GOOD
        };
        assert_eq!(
            reserves(&alarmed),
            [Reserve::BadCalibration, Reserve::Drift]
        );
    }
}
