//! The limits of the acceptance ladder, each with unit and source. Numbers only, no readings.
//!
//! Voltages are those of a 12 V battery; six cells are the scale of every limit, and a 6 V pack
//! is doubled before it is compared, which halves the limits for it.

pub use crate::lead_acid::charge_state::{
    COLD_READS_LOW_V, CORRECTION_FREE_C, HOT_READS_HIGH_V, REST_USABLE_MIN, TWO_INSTRUMENTS_V,
};
use crate::record::battery::Battery;
use crate::record::words::{Chemistry, vocabulary};

/// Version of these limits and of the rules in this module; changes with either.
pub const RULES_VERSION: &str = "ladder-1";

/// Rest in minutes from which a voltage counts on the ladder: 8 h.
///
/// Source: US Army TB 9-6140-252-13, WP 0011 (2011); 24 h is better.
pub const REST_LADDER_MIN: f64 = 480.0;

/// Rest in minutes of the reading that the hold is compared with: 24 h.
///
/// Source: a mower maker's storage instructions (24 h, 12.6 V).
pub const REST_DAY_MIN: f64 = 1440.0;

/// Rest in minutes within which a reading stands for the one at 24 h: 18 h to 36 h.
///
/// Our choice. A reading of 8 h to 18 h still carries surface charge: a small drop from it shows
/// the hold, a large one shows nothing.
pub const REST_DAY_WINDOW_MIN: (f64, f64) = (1080.0, 2160.0);

/// Rest in minutes of the hold: 72 h.
///
/// Our choice after the Army's self-discharge test of 3 to 7 days (TM 9-6140-200-14, p. 4-8).
pub const REST_HOLD_MIN: f64 = 4320.0;

/// Rest in minutes after which a low voltage may be plain self-discharge: 7 days.
///
/// Source: longest stand of the same Army test. A later reading can pass but not fail.
pub const REST_LONGEST_MIN: f64 = 10_080.0;

/// Drop in V from 24 h to 72 h up to which the battery holds.
///
/// Our choice: a healthy absorbent glass mat battery loses about 3 mV in three days.
pub const HOLD_DROP_V: f64 = 0.05;

/// Drop in V above which the hold failed; between the two limits it is doubtful.
pub const HOLD_FAILED_DROP_V: f64 = 0.10;

/// Difference in V that one instrument may show on two days.
///
/// Our choice: the drop that still counts as holding.
pub const ONE_INSTRUMENT_V: f64 = 0.05;

/// Share of the earlier value by which cranking current or capacity must fall to be worse.
///
/// Source: two identical capacity tests of 91 starter batteries differed by up to 15 %.
pub const SINGLE_TEST_NOISE: f64 = 0.15;

/// Measured over rated cranking current that returns a used battery to service.
///
/// Source: US Army TB 9-6140-252-13, WP 0011 (2011).
pub const CCA_PASS: f64 = 0.90;

/// Measured over rated cranking current below which nothing was recovered.
///
/// Source: shops reject below 60 to 70 %; common practice, no source.
pub const CCA_PARTIAL: f64 = 0.60;

/// Measured over rated cranking current that no battery has: wrong rating basis or setting.
///
/// Common practice, no source.
pub const CCA_IMPLAUSIBLE: f64 = 1.30;

/// Measured over rated capacity that passes.
///
/// Source: TM 5-684 / NAVFAC MO-200 section 14-28; Bureau of Reclamation FIST 3-6.
pub const CAPACITY_PASS: f64 = 0.80;

/// Measured over rated capacity below which nothing was recovered.
///
/// Source: a car maker's bulletin of 1992 expects 60 to 80 % from sulfated batteries.
pub const CAPACITY_PARTIAL: f64 = 0.60;

/// Voltage after 30 min from which a charge is done, in V of a 12 V battery.
///
/// Source: service manual of a 660 cc motorcycle, p. 3-56, valve-regulated batteries.
pub const THIRTY_MINUTES_DONE_V: f64 = 12.8;

/// Voltage after 30 min below which the battery is replaced, in V; same source.
pub const THIRTY_MINUTES_REPLACE_V: f64 = 12.0;

/// Days in which a come-back revises an outcome.
pub const COME_BACK_DAYS: i64 = 90;

/// Difference of temperature in K up to which two voltages may be compared.
///
/// Our choice: 10 K at the published 1.2 to 3 mV/K stay below the hold's 0.05 V.
pub const COMPARABLE_K: f64 = 10.0;

/// Slack in V, and in shares, that keeps 12.80 - 12.75 from being more than 0.05.
pub const ROUNDING: f64 = 1e-6;

/// Load-test minimum by temperature: (degC, V after 15 s at half the rated cranking current).
///
/// Source: load-test table of a car maker's service manuals of 2004 and 2007.
const LOAD_TEST_MIN_V: [(f64, f64); 8] = [
    (-18.0, 8.5),
    (-12.0, 8.7),
    (-7.0, 8.9),
    (-1.0, 9.1),
    (4.0, 9.3),
    (10.0, 9.4),
    (16.0, 9.5),
    (20.0, 9.6),
];

vocabulary! {
    /// How sure an outcome is.
    Standing {
        /// A later reading or a come-back may revise it.
        Provisional = "provisional",
        /// Nothing more is awaited; a come-back within 90 days still revises it.
        Confirmed = "confirmed",
    }
}

vocabulary! {
    /// What the check 30 min after a charge says.
    ThirtyMinutes {
        /// The charge is done.
        Done = "done",
        /// Charge again.
        Recharge = "recharge",
        /// Replace the battery.
        Replace = "replace",
    }
}

/// Rung that one measurement reaches, worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Grade {
    Fail,
    Partial,
    Pass,
}

/// Limits of one construction, in V of a 12 V battery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VoltageLimits {
    /// Rested voltage from which the battery passes. Our choice: 12.6 flooded, 12.7 AGM and gel.
    pub pass_v: f64,
    /// Rested voltage that still holds.
    ///
    /// A car maker replaces a battery that does not stay above 12.4 V (flooded); AGM and gel get
    /// the same 0.2 V below their pass, which is the same two thirds of charge.
    pub partial_v: f64,
    /// Voltage at 75 % charge, below which a failed load test says nothing. Tables: 12.45 / 12.60.
    pub load_test_v: f64,
    /// Voltage at 0 % charge, at which no tester's figure is valid. Tables: 11.89 / 11.80.
    pub empty_v: f64,
}

impl VoltageLimits {
    /// Finds the limits of a construction; an unknown one is judged as flooded.
    ///
    /// `None` for lithium, which no lead-acid rule may judge.
    /// Source of the tables: "State of charge measurement" attributed to BCI (flooded); a car
    /// maker's state-of-charge sheet (AGM and gel).
    #[must_use]
    pub fn of(chemistry: Chemistry) -> Option<Self> {
        match chemistry {
            Chemistry::Flooded | Chemistry::EnhancedFlooded | Chemistry::Unknown => Some(Self {
                pass_v: 12.6,
                partial_v: 12.4,
                load_test_v: 12.45,
                empty_v: 11.89,
            }),
            Chemistry::Agm | Chemistry::Gel => Some(Self {
                pass_v: 12.7,
                partial_v: 12.5,
                load_test_v: 12.60,
                empty_v: 11.80,
            }),
            Chemistry::Lifepo4 => None,
        }
    }

    /// Grades a voltage of a 12 V battery; `None` when the temperature leaves it open.
    pub(super) fn grade(&self, v12: f64, celsius: Option<f64>) -> Option<Grade> {
        let rung = |volts: f64| {
            if at_least(volts, self.pass_v) {
                Grade::Pass
            } else if at_least(volts, self.partial_v) {
                Grade::Partial
            } else {
                Grade::Fail
            }
        };
        let other = match celsius {
            Some(celsius) if celsius < CORRECTION_FREE_C.0 => v12 + COLD_READS_LOW_V,
            Some(celsius) if celsius > CORRECTION_FREE_C.1 => v12 - HOT_READS_HIGH_V,
            _ => v12,
        };
        (rung(v12) == rung(other)).then(|| rung(v12))
    }
}

/// Whether a value reaches a limit, floating-point dust forgiven.
pub(super) fn at_least(value: f64, limit: f64) -> bool {
    value >= limit - ROUNDING
}

/// Grades a share of a rating.
pub(super) fn grade_share(share: f64, pass: f64, partial: f64) -> Grade {
    if at_least(share, pass) {
        Grade::Pass
    } else if at_least(share, partial) {
        Grade::Partial
    } else {
        Grade::Fail
    }
}

/// Tells what a voltage 30 min after the charge says; volts of a 12 V battery, double a 6 V one.
///
/// For valve-regulated powersports batteries: done from 12.8 V, replace below 12.0 V.
/// Source: service manual of a 660 cc motorcycle, p. 3-56; another maker's p. 69 agrees.
#[must_use]
pub fn thirty_minute_check(v12: f64) -> ThirtyMinutes {
    if at_least(v12, THIRTY_MINUTES_DONE_V) {
        ThirtyMinutes::Done
    } else if at_least(v12, THIRTY_MINUTES_REPLACE_V) {
        ThirtyMinutes::Recharge
    } else {
        ThirtyMinutes::Replace
    }
}

/// Tells the load of a load test in A: half the rated cranking current, for 15 s.
#[must_use]
pub fn load_test_current_a(battery: &Battery) -> Option<f64> {
    battery.rated_cca.map(|(rated, _)| rated.get() / 2.0)
}

/// Tells the least voltage after 15 s of load test, in V of a 12 V battery.
///
/// Linear between the rows of the maker's table; its ends hold beyond it, so that below -18 degC
/// the limit is the mildest one printed.
#[must_use]
pub fn load_test_minimum_v(celsius: f64) -> f64 {
    let [(coldest_c, coldest_v), ..] = LOAD_TEST_MIN_V;
    let mut minimum = coldest_v;
    if celsius <= coldest_c {
        return minimum;
    }
    for pair in LOAD_TEST_MIN_V.windows(2) {
        if let [(low_c, low_v), (high_c, high_v)] = pair
            && celsius > *low_c
        {
            let share = ((celsius - low_c) / (high_c - low_c)).min(1.0);
            minimum = low_v + share * (high_v - low_v);
        }
    }
    minimum
}

/// Estimates the capacity in Ah from a reserve capacity in minutes.
///
/// Source: a car maker's bulletin on parasitic drain: usable Ah = reserve minutes x 0.6.
#[must_use]
pub fn ah_from_reserve_minutes(minutes: f64) -> f64 {
    minutes * 0.6
}
