//! Readings around an attempt, sorted into what the ladder may use and what it must set aside.
//!
//! Everything is put into one total order first, so the order of arrival never matters. What is
//! set aside is said as a reason, never dropped in silence.

use std::cmp::Ordering;

use super::criteria::{self, Grade, VoltageLimits, at_least};
use super::reasons::{ReasonCode, Reasons};
use super::strength::Strength;
use crate::record::attempt::{Attempt, ComeBack};
use crate::record::battery::Battery;
use crate::record::reading::{Reading, ReadingValue};
use crate::record::words::{Basis, OutcomeClass, ReadingKind};
use crate::units::{Celsius, RestMinutes};

/// An outcome that somebody stated; who and when is kept elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct ReportedOutcome {
    /// The class stated.
    pub class: OutcomeClass,
    /// `imported` from a file, else `reported` by a person.
    pub basis: Basis,
    /// Whether it rests on a retest.
    pub verified: bool,
}

/// Everything known about how an attempt came out, in any order.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Evidence {
    /// What the case says.
    pub battery: Battery,
    /// The charge.
    pub attempt: Attempt,
    /// Readings before the charge.
    pub before: Vec<Reading>,
    /// Readings after its end and before any other charge.
    pub after: Vec<Reading>,
    /// Times the customer came back.
    pub come_backs: Vec<ComeBack>,
    /// What somebody stated.
    pub reported: Option<ReportedOutcome>,
}

/// A rested voltage; no number when the instrument did not power up.
#[derive(Debug, Clone, Copy)]
pub(super) struct RestVoltage<'a> {
    reading: &'a Reading,
    pub(super) rested_min: f64,
    /// Volts of a 12 V battery.
    pub(super) v12: Option<f64>,
    pub(super) grade: Grade,
}

/// What the readings rested 72 h say; drops in V of a 12 V battery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Hold {
    NotRead,
    NotComparable,
    Held(f64),
    Doubtful(f64),
    Failed(Option<f64>),
}

/// What the ladder climbs on.
#[derive(Debug)]
pub(super) struct Facts<'a> {
    /// Ascending in rest; among equals the lowest voltage stands last.
    pub(super) rest: Vec<RestVoltage<'a>>,
    pub(super) strengths: Vec<Strength>,
    pub(super) hold: Hold,
    /// A later metric lies below the earlier one by more than tolerance.
    pub(super) worse: bool,
}

/// Reads the evidence of one battery.
pub(super) struct Reader<'a> {
    pub(super) battery: &'a Battery,
    pub(super) limits: VoltageLimits,
    pub(super) before: Vec<&'a Reading>,
    pub(super) after: Vec<&'a Reading>,
}

impl<'a> Facts<'a> {
    /// Sorts and grades the readings; says what was set aside.
    pub(super) fn read(
        evidence: &'a Evidence,
        limits: VoltageLimits,
        reasons: &mut Reasons,
    ) -> Self {
        let reader = Reader {
            battery: &evidence.battery,
            limits,
            before: sorted(&evidence.before),
            after: sorted(&evidence.after),
        };
        let rest = reader.rest_voltages(reasons);
        let tests = reader.tests(reasons);
        let worse_voltage = reader.worse_voltage(rest.last(), reasons);
        Self {
            hold: hold(&rest),
            rest,
            strengths: tests.strengths,
            worse: worse_voltage || tests.worse,
        }
    }
}

impl<'a> Reader<'a> {
    /// Finds the rested voltages after the charge.
    fn rest_voltages(&self, reasons: &mut Reasons) -> Vec<RestVoltage<'a>> {
        let mut rest = Vec::new();
        let (mut terminal, mut too_long, mut uncertain) = (0, 0, 0);
        for reading in of_kind(&self.after, ReadingKind::OpenCircuitVoltage) {
            let Some(rested_min) = rest_of(reading) else {
                terminal += 1;
                continue;
            };
            let v12 = self.v12(reading);
            let grade = v12.map_or(Some(Grade::Fail), |v12| {
                self.limits
                    .grade(v12, reading.temperature.map(Celsius::get))
            });
            match grade {
                None => uncertain += 1,
                Some(grade) if rested_min > criteria::REST_LONGEST_MIN && grade != Grade::Pass => {
                    too_long += 1;
                }
                Some(grade) => rest.push(RestVoltage {
                    reading,
                    rested_min,
                    v12,
                    grade,
                }),
            }
        }
        if rest.is_empty() {
            rest = self.unpowered_testers();
        }
        rest.sort_by(|a, b| {
            a.rested_min
                .total_cmp(&b.rested_min)
                .then_with(|| lowest_last(a.reading, b.reading))
                .then_with(|| order(a.reading, b.reading))
        });
        terminal += of_kind(&self.after, ReadingKind::TerminalVoltage).count();
        reasons.count(terminal, ReasonCode::TerminalVoltage, || {
            "without a noted rest of at least 30 min: terminal voltages, not used".into()
        });
        reasons.count(too_long, ReasonCode::RestedTooLong, || {
            "low after more than 7 days: may be self-discharge, not used".into()
        });
        reasons.count(uncertain, ReasonCode::TemperatureUncertain, || {
            "too near a limit for a battery outside 10 to 35 degC: bring it to room temperature \
             and read again"
                .into()
        });
        rest
    }

    /// Testers that did not power up after the rest stand for a voltage when none was read.
    fn unpowered_testers(&self) -> Vec<RestVoltage<'a>> {
        let kinds = [ReadingKind::MeasuredCca, ReadingKind::LoadTestVoltage];
        let unpowered = self
            .after
            .iter()
            .filter(|r| kinds.contains(&r.kind) && r.value == ReadingValue::BelowInstrumentMinimum);
        unpowered
            .filter_map(|reading| {
                let rested_min = rest_of(reading)?;
                Some(RestVoltage {
                    reading,
                    rested_min,
                    v12: None,
                    grade: Grade::Fail,
                })
            })
            .collect()
    }

    /// Whether the longest-rested voltage lies below the one before the charge.
    ///
    /// A voltage that passes is never worse. The earlier one must have rested 8 h, or be so low
    /// that it carries no surface charge.
    fn worse_voltage(&self, post: Option<&RestVoltage<'_>>, reasons: &mut Reasons) -> bool {
        let pre = of_kind(&self.before, ReadingKind::OpenCircuitVoltage)
            .filter(|reading| rest_of(reading).is_some() && reading.measured().is_some())
            .last();
        let (Some(pre), Some(post)) = (pre, post.filter(|post| post.grade != Grade::Pass)) else {
            return false;
        };
        let (Some(pre_v), Some(post_v)) = (self.v12(pre), post.v12) else {
            return false;
        };
        let settled = rest_of(pre).is_some_and(|min| min >= criteria::REST_LADDER_MIN)
            || !at_least(pre_v, self.limits.partial_v);
        let Some(tolerance) = tolerance_v(pre, post.reading).filter(|_| settled) else {
            return false;
        };
        let worse = pre_v - post_v > tolerance + criteria::ROUNDING;
        if worse {
            reasons.say(
                ReasonCode::WorseThanBefore,
                format!(
                    "{} at rest, {} before the charge; more than {} apart",
                    self.pack(post_v),
                    self.pack(pre_v),
                    self.pack(tolerance)
                ),
            );
        }
        worse
    }

    /// Volts scaled to six cells.
    pub(super) fn v12(&self, reading: &Reading) -> Option<f64> {
        let nominal_v = f64::from(self.battery.nominal_v.max(1));
        reading.measured().map(|volts| volts * 12.0 / nominal_v)
    }

    /// Volts of six cells as this pack shows them.
    pub(super) fn pack(&self, v12: f64) -> String {
        pack_volts(self.battery, v12)
    }
}

/// Says volts of six cells as a pack shows them.
pub(super) fn pack_volts(battery: &Battery, v12: f64) -> String {
    format!("{:.2} V", v12 * f64::from(battery.nominal_v) / 12.0)
}

/// Judges every reading rested 72 h against the one at 24 h: failed, held, doubtful, in this order.
fn hold(rest: &[RestVoltage<'_>]) -> Hold {
    let late = rest
        .iter()
        .filter(|late| late.rested_min >= criteria::REST_HOLD_MIN);
    late.map(|late| hold_of(late, rest))
        .fold(Hold::NotRead, |worst, next| match (worst, next) {
            (Hold::Failed(a), Hold::Failed(b)) => Hold::Failed(a.zip(b).map(|(a, b)| a.max(b))),
            (Hold::Held(a), Hold::Held(b)) => Hold::Held(a.min(b)),
            (Hold::Doubtful(a), Hold::Doubtful(b)) => Hold::Doubtful(a.min(b)),
            (a, b) if rank(a) >= rank(b) => a,
            (_, b) => b,
        })
}

/// Precedence among the readings of a hold.
fn rank(hold: Hold) -> u8 {
    match hold {
        Hold::NotRead => 0,
        Hold::NotComparable => 1,
        Hold::Doubtful(_) => 2,
        Hold::Held(_) => 3,
        Hold::Failed(_) => 4,
    }
}

/// Judges one reading rested 72 h or more.
fn hold_of(late: &RestVoltage<'_>, rest: &[RestVoltage<'_>]) -> Hold {
    let Some(late_v) = late.v12 else {
        return Hold::Failed(None);
    };
    let (day_from, day_to) = criteria::REST_DAY_WINDOW_MIN;
    let nearest = |same: bool| {
        rest.iter()
            .filter(|early| (criteria::REST_LADDER_MIN..=day_to).contains(&early.rested_min))
            .filter(|early| same_instrument(early.reading, late.reading) == same)
            .filter(|early| tolerance_v(early.reading, late.reading).is_some())
            .min_by(|a, b| {
                let from_day = |v: &RestVoltage<'_>| (v.rested_min - criteria::REST_DAY_MIN).abs();
                from_day(a).total_cmp(&from_day(b))
            })
            .and_then(|early| Some((early.v12? - late_v, early.rested_min >= day_from)))
    };
    let may_fail = late.rested_min <= criteria::REST_LONGEST_MIN;
    match (nearest(true), nearest(false)) {
        (Some((drop, _)), _) if drop <= criteria::HOLD_DROP_V + criteria::ROUNDING => {
            Hold::Held(drop)
        }
        (Some((drop, _)), _) if drop <= criteria::HOLD_FAILED_DROP_V + criteria::ROUNDING => {
            Hold::Doubtful(drop)
        }
        (Some((drop, true)), _) if may_fail => Hold::Failed(Some(drop)),
        (None, Some((drop, true)))
            if may_fail
                && drop
                    > criteria::HOLD_FAILED_DROP_V
                        + criteria::TWO_INSTRUMENTS_V
                        + criteria::ROUNDING =>
        {
            Hold::Failed(Some(drop))
        }
        _ => Hold::NotComparable,
    }
}

/// Whether both readings are known to come from one instrument.
pub(super) fn same_instrument(a: &Reading, b: &Reading) -> bool {
    a.instrument.is_some() && a.instrument == b.instrument
}

/// Difference of two voltages that means nothing, in V; `None` when temperatures forbid comparing.
fn tolerance_v(a: &Reading, b: &Reading) -> Option<f64> {
    let apart_k = a
        .temperature
        .zip(b.temperature)
        .map(|(a, b)| (a.get() - b.get()).abs());
    let comparable = apart_k.is_none_or(|k| k <= criteria::COMPARABLE_K);
    comparable.then_some(if same_instrument(a, b) {
        criteria::ONE_INSTRUMENT_V
    } else {
        criteria::TWO_INSTRUMENTS_V
    })
}

/// Noted rest in minutes when it is long enough for an open-circuit voltage.
pub(super) fn rest_of(reading: &Reading) -> Option<f64> {
    reading
        .rested
        .map(RestMinutes::get)
        .filter(|minutes| *minutes >= criteria::REST_USABLE_MIN)
}

/// Readings of one kind, in order.
pub(super) fn of_kind<'a, 'b>(
    list: &'b [&'a Reading],
    kind: ReadingKind,
) -> impl Iterator<Item = &'a Reading> + use<'a, 'b> {
    list.iter()
        .copied()
        .filter(move |reading| reading.kind == kind)
}

/// Readings in their total order, copies dropped: the latest stands last, of equals the lowest.
fn sorted(readings: &[Reading]) -> Vec<&Reading> {
    let mut list: Vec<&Reading> = readings.iter().collect();
    list.sort_by(|a, b| order(a, b));
    list.dedup();
    list
}

/// Total order of readings.
fn order(a: &Reading, b: &Reading) -> Ordering {
    let minutes = |r: &Reading| r.rested.map_or(-1.0, RestMinutes::get);
    let celsius = |r: &Reading| r.temperature.map_or(-1000.0, Celsius::get);
    a.at.cmp(&b.at)
        .then_with(|| a.kind.cmp(&b.kind))
        .then_with(|| lowest_last(a, b))
        .then_with(|| minutes(a).total_cmp(&minutes(b)))
        .then_with(|| a.instrument.cmp(&b.instrument))
        .then_with(|| celsius(a).total_cmp(&celsius(b)))
}

/// Higher numbers first, a dark instrument last.
pub(super) fn lowest_last(a: &Reading, b: &Reading) -> Ordering {
    let number = |r: &Reading| r.measured().unwrap_or(f64::NEG_INFINITY);
    number(b).total_cmp(&number(a))
}
