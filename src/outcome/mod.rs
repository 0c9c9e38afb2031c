//! How an attempt came out, by a ladder of retests; revised when later readings arrive.
//!
//! `classify` looks at all the evidence at once, so a late reading gives the outcome it would have
//! given in time. It never fails: what is missing is a reason and a reading that is due.

pub mod criteria;
pub mod evidence;
pub mod reasons;
mod strength;

use chrono::{DateTime, TimeDelta, Utc};

use crate::record::attempt::{Attempt, ComeBack};
use crate::record::words::{Basis, EndReason, OutcomeClass, ReadingKind};
use criteria::{Grade, Standing, VoltageLimits, at_least};
use evidence::{Evidence, Facts, Hold, ReportedOutcome, RestVoltage, pack_volts};
use reasons::{Reason, ReasonCode, Reasons};

/// A reading that would move the outcome on.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct DueReading {
    /// What to measure.
    pub kind: ReadingKind,
    /// Rest after the end of the charge, in minutes.
    pub rested_min: f64,
    /// When that rest is reached.
    pub at: DateTime<Utc>,
}

/// How an attempt came out.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Outcome {
    /// The class.
    pub class: OutcomeClass,
    /// Where the class comes from.
    pub basis: Basis,
    /// Whether more is awaited.
    pub standing: Standing,
    /// Whether it rests on a retest: always for the ladder, as stated for a report.
    pub verified: bool,
    /// Why, in a fixed order.
    pub reasons: Vec<Reason>,
    /// What is still to be measured, soonest first; empty once confirmed.
    pub due: Vec<DueReading>,
    /// Version of the rules that judged.
    pub rules_version: &'static str,
}

impl Outcome {
    /// Tells the model's label: `true` recovered, `false` not, `None` missing.
    ///
    /// A charge that ended over temperature is `false` whatever came after, one that a person
    /// stopped is missing, and one that never started says nothing of the battery unless it was
    /// retested. An undetermined outcome is missing, never `false`.
    #[must_use]
    pub fn label(&self, end: Option<EndReason>) -> Option<bool> {
        label_of((self.class, self.verified), end)
    }
}

/// Whether the label stands for a charge that our advice cut short, so that it is soft.
#[must_use]
pub fn label_is_soft(end: EndReason) -> bool {
    end == EndReason::StopAdvised
}

/// The label of a class, as [`Outcome::label`] tells it; `verified` = a retest stands behind the class.
#[must_use]
pub fn label_of((class, verified): (OutcomeClass, bool), end: Option<EndReason>) -> Option<bool> {
    match end {
        Some(EndReason::OverTemperature) => Some(false),
        Some(EndReason::StoppedByPerson) => None,
        Some(EndReason::NotStarted) if !verified => None,
        _ => match class {
            OutcomeClass::Recovered => Some(true),
            OutcomeClass::PartiallyRecovered
            | OutcomeClass::NotRecovered
            | OutcomeClass::MadeWorse => Some(false),
            OutcomeClass::Undetermined => None,
        },
    }
}

/// Classifies an attempt from everything known so far.
///
/// Rungs: `recovered` = a voltage rested 8 h passes and one of cranking current, load test and
/// capacity passes; `partially_recovered` = one of both only holds; `not_recovered` = below;
/// `made_worse` = not recovered or partially, and below what was measured before the charge.
/// The hold at 72 h confirms or refutes; a come-back within 90 days with the battery at fault
/// refutes. A reported outcome stands while the ladder is undetermined.
/// The order in which readings and come-backs are listed does not matter.
#[must_use]
pub fn classify(evidence: &Evidence) -> Outcome {
    let mut reasons = Reasons::default();
    let (class, standing, due) = by_ladder(evidence, &mut reasons);
    let mut outcome = Outcome {
        class,
        basis: Basis::Ladder,
        standing,
        verified: class != OutcomeClass::Undetermined,
        reasons: Vec::new(),
        due,
        rules_version: criteria::RULES_VERSION,
    };
    if let Some(report) = evidence.reported {
        weigh_report(&mut outcome, report, &mut reasons);
    }
    revise(&mut outcome, evidence, &mut reasons);
    outcome.reasons = reasons.0;
    outcome
}

/// Climbs the ladder of retests.
fn by_ladder(
    evidence: &Evidence,
    reasons: &mut Reasons,
) -> (OutcomeClass, Standing, Vec<DueReading>) {
    let nothing = (
        OutcomeClass::Undetermined,
        Standing::Provisional,
        Vec::new(),
    );
    let Some(limits) = VoltageLimits::of(evidence.battery.chemistry) else {
        reasons.say(
            ReasonCode::NotLeadAcid,
            "no lead-acid rule may judge a lithium battery".into(),
        );
        return nothing;
    };
    if evidence.attempt.ended_at.is_none() {
        reasons.say(ReasonCode::StillCharging, "the charge has not ended".into());
        return nothing;
    }
    let facts = Facts::read(evidence, limits, reasons);
    let voltage = facts.judged_voltage();
    say_voltage(evidence, &facts, limits, reasons);
    say_strength(&facts, reasons);
    say_hold(evidence, facts.hold, reasons);
    let (class, standing) = facts.climb();
    let due = if standing == Standing::Confirmed {
        Vec::new()
    } else {
        due_readings(evidence, &facts, voltage)
    };
    (class, standing, due)
}

impl<'a> Facts<'a> {
    /// The voltage that counts: the longest rest of 8 h or more, or an earlier one so low that
    /// rest can only lower it.
    fn judged_voltage(&self) -> Option<&RestVoltage<'a>> {
        self.rest.last().filter(|longest| {
            longest.rested_min >= criteria::REST_LADDER_MIN
                || !longest
                    .v12
                    .is_some_and(|v12| at_least(v12, criteria::THIRTY_MINUTES_REPLACE_V))
        })
    }

    /// Best grade of the tests under load.
    fn strength(&self) -> Option<Grade> {
        self.strengths.iter().map(|strength| strength.grade).max()
    }

    /// Finds the rung.
    fn climb(&self) -> (OutcomeClass, Standing) {
        let held = matches!(self.hold, Hold::Held(_));
        let confirmed_if = |sure| {
            if sure {
                Standing::Confirmed
            } else {
                Standing::Provisional
            }
        };
        let voltage = self.judged_voltage();
        let (class, standing) = match (voltage.map(|v| v.grade), self.strength()) {
            _ if matches!(self.hold, Hold::Failed(_)) => {
                (OutcomeClass::NotRecovered, Standing::Confirmed)
            }
            (Some(Grade::Fail), _) => {
                let a_day = voltage.is_some_and(|v| v.rested_min >= criteria::REST_DAY_MIN);
                (OutcomeClass::NotRecovered, confirmed_if(a_day))
            }
            (Some(Grade::Pass), Some(Grade::Pass)) => {
                let sound = self
                    .strengths
                    .iter()
                    .any(|s| s.grade == Grade::Pass && !s.implausible);
                (
                    OutcomeClass::Recovered,
                    confirmed_if(held && sound && !self.tests_disagree()),
                )
            }
            (None, _) | (Some(Grade::Pass), None) => {
                (OutcomeClass::Undetermined, Standing::Provisional)
            }
            (Some(_), Some(Grade::Fail)) => (OutcomeClass::NotRecovered, confirmed_if(held)),
            (Some(_), _) => (OutcomeClass::PartiallyRecovered, confirmed_if(held)),
        };
        let below = [OutcomeClass::PartiallyRecovered, OutcomeClass::NotRecovered].contains(&class);
        (
            if below && self.worse {
                OutcomeClass::MadeWorse
            } else {
                class
            },
            standing,
        )
    }

    /// Whether one more reading at 72 h could judge the hold: it needs one near 24 h before it.
    fn hold_can_be_read(&self) -> bool {
        let window = criteria::REST_LADDER_MIN..=criteria::REST_DAY_WINDOW_MIN.1;
        match self.hold {
            Hold::NotRead => true,
            Hold::NotComparable => self.rest.iter().any(|v| window.contains(&v.rested_min)),
            Hold::Held(_) | Hold::Doubtful(_) | Hold::Failed(_) => false,
        }
    }

    /// One test passes and another one fails.
    fn tests_disagree(&self) -> bool {
        let has = |grade| {
            self.strengths
                .iter()
                .any(|strength| strength.grade == grade)
        };
        has(Grade::Pass) && has(Grade::Fail)
    }
}

/// Says what the rested voltage shows.
fn say_voltage(
    evidence: &Evidence,
    facts: &Facts<'_>,
    limits: VoltageLimits,
    reasons: &mut Reasons,
) {
    let pack = |v12| pack_volts(&evidence.battery, v12);
    let Some(voltage) = facts.judged_voltage() else {
        let so_far = facts
            .rest
            .last()
            .map_or("none was read after a rest".into(), |early| {
                format!("the longest rest so far is {}", rest_text(early.rested_min))
            });
        reasons.say(
            ReasonCode::RestVoltageMissing,
            format!("an open-circuit voltage after 8 h of rest is missing: {so_far}"),
        );
        return;
    };
    let rest = rest_text(voltage.rested_min);
    let Some(v12) = voltage.v12 else {
        reasons.say(
            ReasonCode::BelowInstrumentMinimum,
            format!("too little for the instrument after {rest} of rest"),
        );
        return;
    };
    let text = if voltage.rested_min < criteria::REST_LADDER_MIN {
        format!(
            "{} after only {rest} of rest; below {} it is lost, and rest only lowers it",
            pack(v12),
            pack(criteria::THIRTY_MINUTES_REPLACE_V)
        )
    } else {
        format!(
            "{} after {rest} of rest; {} pass, {} is the least",
            pack(v12),
            pack(limits.pass_v),
            pack(limits.partial_v)
        )
    };
    let codes = [
        ReasonCode::VoltageFails,
        ReasonCode::VoltagePartial,
        ReasonCode::VoltagePasses,
    ];
    reasons.grade(voltage.grade, codes, text);
}

/// Says what the tests under load leave open.
fn say_strength(facts: &Facts<'_>, reasons: &mut Reasons) {
    if facts.strengths.is_empty() {
        reasons.say(
            ReasonCode::StrengthTestMissing,
            "no cranking current, load test or capacity test after the charge can be graded".into(),
        );
    }
    if facts.tests_disagree() {
        reasons.say(
            ReasonCode::TestsDisagree,
            "one test passes and another fails: the best one counts, the outcome stays provisional"
                .into(),
        );
    }
}

/// Says what the hold shows.
fn say_hold(evidence: &Evidence, hold: Hold, reasons: &mut Reasons) {
    let pack = |v12| pack_volts(&evidence.battery, v12);
    let (good, failed) = (
        pack(criteria::HOLD_DROP_V),
        pack(criteria::HOLD_FAILED_DROP_V),
    );
    let dropped = |drop: f64| format!("dropped by {} from 24 h to 72 h of rest", pack(drop));
    let (code, sentence) = match hold {
        Hold::NotRead => return,
        Hold::NotComparable => (
            ReasonCode::HoldNotComparable,
            "read after 72 h of rest, but not at 24 h on the same instrument and at a like \
             temperature"
                .into(),
        ),
        Hold::Held(drop) => (
            ReasonCode::HoldPasses,
            format!("{}; up to {good} hold", dropped(drop)),
        ),
        Hold::Doubtful(drop) => (
            ReasonCode::HoldDoubtful,
            format!("{}; {good} hold, {failed} fail: doubtful", dropped(drop)),
        ),
        Hold::Failed(Some(drop)) => (
            ReasonCode::HoldFails,
            format!("{}; more than {failed} fail", dropped(drop)),
        ),
        Hold::Failed(None) => (
            ReasonCode::HoldFails,
            "too little for the instrument after 72 h of rest or more".into(),
        ),
    };
    reasons.say(code, sentence);
}

/// Lists what to measure next, soonest first.
fn due_readings(
    evidence: &Evidence,
    facts: &Facts<'_>,
    voltage: Option<&RestVoltage<'_>>,
) -> Vec<DueReading> {
    let mut due = Vec::new();
    let mut ask = |kind, rested_min: f64| {
        due.extend(due_at(&evidence.attempt, rested_min).map(|at| DueReading {
            kind,
            rested_min,
            at,
        }));
    };
    let longest = facts.rest.last().map_or(0.0, |longest| longest.rested_min);
    let fails = voltage.is_some_and(|voltage| voltage.grade == Grade::Fail);
    if longest < criteria::REST_USABLE_MIN {
        ask(ReadingKind::OpenCircuitVoltage, criteria::REST_USABLE_MIN);
    }
    if longest < criteria::REST_LADDER_MIN || (fails && longest < criteria::REST_DAY_MIN) {
        ask(ReadingKind::OpenCircuitVoltage, criteria::REST_DAY_MIN);
    }
    if facts.strengths.is_empty() && !fails {
        let kind = if evidence.battery.rated_cca.is_none() && evidence.battery.rated_ah.is_some() {
            ReadingKind::CapacityTest
        } else {
            ReadingKind::MeasuredCca
        };
        ask(kind, criteria::REST_DAY_MIN);
    }
    if !fails && facts.hold_can_be_read() {
        ask(ReadingKind::OpenCircuitVoltage, criteria::REST_HOLD_MIN);
    }
    due
}

/// Time at which a rest is reached.
fn due_at(attempt: &Attempt, rested_min: f64) -> Option<DateTime<Utc>> {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "whole minutes of this module, < 2^31"
    )]
    let minutes = TimeDelta::try_minutes(rested_min as i64)?;
    attempt.ended_at?.checked_add_signed(minutes)
}

/// Uses a report while the ladder is undetermined; says so either way.
///
/// History asks for nothing: an imported outcome in use leaves no reading due.
fn weigh_report(outcome: &mut Outcome, report: ReportedOutcome, reasons: &mut Reasons) {
    let retest = if report.verified { "with" } else { "without" };
    let basis = if report.basis == Basis::Imported {
        Basis::Imported
    } else {
        Basis::Reported
    };
    let text = format!("{basis} {} {retest} a retest", report.class);
    if outcome.class == OutcomeClass::Undetermined {
        reasons.say(
            ReasonCode::ReportUsed,
            format!("{text}: used while the ladder is open"),
        );
        outcome.class = report.class;
        outcome.basis = basis;
        if basis == Basis::Imported {
            outcome.due.clear();
        }
        outcome.standing = Standing::Provisional;
        outcome.verified = report.verified && report.class != OutcomeClass::Undetermined;
    } else if outcome.class == report.class {
        reasons.say(
            ReasonCode::ReportAgrees,
            format!("{text}: the ladder agrees"),
        );
    } else {
        let text = format!("{text}: the ladder's retests win with {}", outcome.class);
        reasons.say(ReasonCode::ReportOverruled, text);
    }
}

/// Lets come-backs revise the outcome.
fn revise(outcome: &mut Outcome, evidence: &Evidence, reasons: &mut Reasons) {
    let Some(ended_at) = evidence.attempt.ended_at else {
        return;
    };
    let mut come_backs: Vec<&ComeBack> = evidence
        .come_backs
        .iter()
        .filter(|come_back| come_back.at >= ended_at)
        .collect();
    come_backs.sort_by_key(|come_back| (come_back.at, come_back.battery_at_fault));
    for come_back in come_backs {
        let after = come_back.at - ended_at;
        let in_time = after <= TimeDelta::days(criteria::COME_BACK_DAYS);
        let days = after.num_days();
        if !come_back.battery_at_fault || !in_time {
            let why = if in_time {
                "the battery was not at fault"
            } else {
                "later than 90 days"
            };
            let text = format!("came back {days} days after the charge: not counted, {why}");
            reasons.say(ReasonCode::ComeBackNotCounted, text);
            continue;
        }
        let text = format!("came back {days} days after the charge with the battery at fault");
        reasons.say(ReasonCode::CameBack, text);
        if outcome.class != OutcomeClass::MadeWorse {
            outcome.class = OutcomeClass::NotRecovered;
        }
        outcome.basis = Basis::Ladder;
        outcome.verified = true;
        outcome.standing = Standing::Confirmed;
        outcome.due.clear();
    }
}

/// Says a rest in minutes or hours.
fn rest_text(minutes: f64) -> String {
    if minutes < 120.0 {
        format!("{minutes:.0} min")
    } else {
        format!("{:.1} h", minutes / 60.0)
    }
}

#[cfg(test)]
mod tests;
