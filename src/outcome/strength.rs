//! Tests under load: cranking current, load test, capacity; what they grade and what they cannot.
//!
//! A tester's figure of a discharged battery is never graded, only said.

use super::criteria::{self, Grade, at_least, grade_share};
use super::evidence::{Reader, lowest_last, of_kind, rest_of, same_instrument};
use super::reasons::{ReasonCode, Reasons};
use crate::record::reading::{Reading, ReadingValue};
use crate::record::words::{CcaStandard, ReadingKind};
use crate::units::{AmpHours, Celsius};

/// One graded test under load.
#[derive(Debug, Clone, Copy)]
pub(super) struct Strength {
    pub(super) grade: Grade,
    /// Rests on a cranking current no battery has.
    pub(super) implausible: bool,
}

/// What all tests of one attempt say together.
#[derive(Debug)]
pub(super) struct Tests {
    pub(super) strengths: Vec<Strength>,
    /// One of them fell by more than its noise.
    pub(super) worse: bool,
}

/// Charge of a battery while a tester was on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Unread,
    Empty,
    Low,
    Charged,
}

impl<'a> Reader<'a> {
    /// Grades the tests after the charge; says what was set aside.
    pub(super) fn tests(&self, reasons: &mut Reasons) -> Tests {
        self.say_unrested(reasons);
        self.say_invalid(reasons);
        let cca = self.valid_cca();
        let strengths = [
            cca.and_then(|reading| self.cranking(reading, reasons)),
            self.load_test(reasons),
            self.capacity(reasons),
        ];
        Tests {
            strengths: strengths.into_iter().flatten().collect(),
            worse: self.worse_tests(cca, reasons),
        }
    }

    /// Finds the cranking current to grade: the latest plausible one, else the latest.
    fn valid_cca(&self) -> Option<&'a Reading> {
        let (mut latest, mut plausible) = (None, None);
        for reading in of_kind(&self.after, ReadingKind::MeasuredCca)
            .filter(|reading| rested_for_test(reading))
            .filter(|reading| self.state_at(reading, &self.after) != State::Empty)
        {
            latest = Some(reading);
            if self
                .cca_ratio(reading)
                .is_none_or(|ratio| ratio <= criteria::CCA_IMPLAUSIBLE)
            {
                plausible = Some(reading);
            }
        }
        plausible.or(latest)
    }

    /// Says how many tests after the charge came too early.
    fn say_unrested(&self, reasons: &mut Reasons) {
        let kinds = [ReadingKind::MeasuredCca, ReadingKind::LoadTestVoltage];
        let early = self
            .after
            .iter()
            .filter(|r| kinds.contains(&r.kind) && !rested_for_test(r));
        reasons.count(early.count(), ReasonCode::RestedTooShort, || {
            "of a tester less than 30 min after the charge, or dark with no rest noted: not used"
                .into()
        });
    }

    /// Says how many tester figures of a discharged battery were ignored.
    fn say_invalid(&self, reasons: &mut Reasons) {
        let kinds = [
            ReadingKind::MeasuredCca,
            ReadingKind::TesterReportedHealth,
            ReadingKind::TesterReportedSoc,
        ];
        let invalid = [&self.before, &self.after].into_iter().flat_map(|list| {
            list.iter().filter(move |reading| {
                kinds.contains(&reading.kind)
                    && reading.measured().is_some()
                    && self.state_at(reading, list) == State::Empty
            })
        });
        reasons.count(invalid.count(), ReasonCode::NotValidUntilCharged, || {
            format!(
                "of a tester taken at {} or less, where no tester's figure is valid: charge, rest, \
                 retest",
                self.pack(self.limits.empty_v)
            )
        });
    }

    /// Grades a cranking current.
    fn cranking(&self, reading: &Reading, reasons: &mut Reasons) -> Option<Strength> {
        let Some(measured) = reading.measured() else {
            reasons.say(
                ReasonCode::BelowInstrumentMinimum,
                "the tester did not power up after the rest".into(),
            );
            return Some(Strength {
                grade: Grade::Fail,
                implausible: false,
            });
        };
        let Some((ratio, (rated, standard))) = self.cca_ratio(reading).zip(self.battery.rated_cca)
        else {
            reasons.say(
                ReasonCode::RatedCcaMissing,
                format!("{measured:.0} A were measured, but the rated cranking current is unknown"),
            );
            return None;
        };
        if standard == CcaStandard::Unknown {
            reasons.say(
                ReasonCode::CcaStandardUnknown,
                "the standard of the rated cranking current is unknown; it was used as it stands"
                    .into(),
            );
        }
        let implausible = ratio > criteria::CCA_IMPLAUSIBLE;
        if implausible {
            reasons.say(
                ReasonCode::ImplausibleRatio,
                format!(
                    "measured {measured:.0} A over rated {:.0} A is {ratio:.2}, more than any \
                     battery has: graded as 1.00, cannot confirm; read the label again",
                    rated.get()
                ),
            );
        }
        let grade = grade_share(ratio.min(1.0), criteria::CCA_PASS, criteria::CCA_PARTIAL);
        let text = format!(
            "cranking current {measured:.0} A is {:.0} % of {:.0} A ({standard}); 90 % pass, 60 % \
             is the least",
            ratio * 100.0,
            rated.get()
        );
        let codes = [
            ReasonCode::CrankingFails,
            ReasonCode::CrankingPartial,
            ReasonCode::CrankingPasses,
        ];
        reasons.grade(grade, codes, text);
        Some(Strength { grade, implausible })
    }

    /// Grades the latest load test.
    fn load_test(&self, reasons: &mut Reasons) -> Option<Strength> {
        let reading = of_kind(&self.after, ReadingKind::LoadTestVoltage)
            .filter(|reading| rested_for_test(reading))
            .last()?;
        let Some(v12) = self.v12(reading) else {
            reasons.say(
                ReasonCode::BelowInstrumentMinimum,
                "the load tester did not power up after the rest".into(),
            );
            return Some(Strength {
                grade: Grade::Fail,
                implausible: false,
            });
        };
        let celsius = reading.temperature.map(Celsius::get);
        let (mildest, needed) = match celsius {
            Some(celsius) => {
                let minimum = criteria::load_test_minimum_v(celsius);
                (minimum, minimum)
            }
            None => (
                criteria::load_test_minimum_v(f64::MIN),
                criteria::load_test_minimum_v(f64::MAX),
            ),
        };
        let text = format!(
            "{} after 15 s at half the rated cranking current; {} are needed at {}",
            self.pack(v12),
            self.pack(needed),
            celsius.map_or("an unknown temperature".into(), |celsius| format!(
                "{celsius:.0} degC"
            ))
        );
        let charged = self.state_at(reading, &self.after) == State::Charged;
        let grade = if at_least(v12, needed) {
            Grade::Pass
        } else if charged && !at_least(v12, mildest) {
            Grade::Fail
        } else {
            let why = if charged {
                "note the temperature"
            } else {
                "charge to 75 % first"
            };
            reasons.say(
                ReasonCode::LoadTestUndecided,
                format!("{text}: not judged, {why}"),
            );
            return None;
        };
        let codes = [
            ReasonCode::LoadTestFails,
            ReasonCode::LoadTestFails,
            ReasonCode::LoadTestPasses,
        ];
        reasons.grade(grade, codes, text);
        Some(Strength {
            grade,
            implausible: false,
        })
    }

    /// Grades the latest capacity test.
    fn capacity(&self, reasons: &mut Reasons) -> Option<Strength> {
        let measured = last_measured(&self.after, ReadingKind::CapacityTest)?.measured()?;
        let rated = self
            .battery
            .rated_ah
            .map(AmpHours::get)
            .filter(|ah| *ah > 0.0);
        let Some(rated) = rated else {
            reasons.say(
                ReasonCode::RatedAhMissing,
                format!("{measured:.1} Ah were measured, but the rated capacity is unknown"),
            );
            return None;
        };
        let share = measured / rated;
        let grade = grade_share(share, criteria::CAPACITY_PASS, criteria::CAPACITY_PARTIAL);
        let text = format!(
            "capacity {measured:.1} Ah is {:.0} % of {rated:.1} Ah; 80 % pass, 60 % is the least",
            share * 100.0
        );
        let codes = [
            ReasonCode::CapacityFails,
            ReasonCode::CapacityPartial,
            ReasonCode::CapacityPasses,
        ];
        reasons.grade(grade, codes, text);
        Some(Strength {
            grade,
            implausible: false,
        })
    }

    /// Whether cranking current or capacity fell by more than one test's noise, same instrument.
    fn worse_tests(&self, cca: Option<&'a Reading>, reasons: &mut Reasons) -> bool {
        let pre_cca = of_kind(&self.before, ReadingKind::MeasuredCca)
            .filter(|reading| {
                let state = self.state_at(reading, &self.before);
                reading.measured().is_some() && (state == State::Low || state == State::Charged)
            })
            .last();
        let pairs = [
            (pre_cca, cca),
            (
                last_measured(&self.before, ReadingKind::CapacityTest),
                last_measured(&self.after, ReadingKind::CapacityTest),
            ),
        ];
        let mut worse = false;
        for (pre, post) in pairs {
            let Some((pre, post)) = pre.zip(post).filter(|(a, b)| same_instrument(a, b)) else {
                continue;
            };
            let Some((was, is)) = pre.measured().zip(post.measured()) else {
                continue;
            };
            if is < was * (1.0 - criteria::SINGLE_TEST_NOISE) - criteria::ROUNDING {
                worse = true;
                let (name, unit) = (pre.kind, pre.kind.unit());
                let text = format!(
                    "{name} {is:.1} {unit} after and {was:.1} {unit} before the charge; a fall of \
                     more than 15 % is no noise"
                );
                reasons.say(ReasonCode::WorseThanBefore, text);
            }
        }
        worse
    }

    /// State of charge at a reading, by the voltage of the same list nearest in time.
    fn state_at(&self, reading: &Reading, list: &[&Reading]) -> State {
        let apart = |other: &Reading| (other.at - reading.at).abs();
        let nearest = of_kind(list, ReadingKind::OpenCircuitVoltage)
            .min_by(|a, b| apart(a).cmp(&apart(b)).then_with(|| lowest_last(b, a)));
        match nearest.map(|nearest| self.v12(nearest)) {
            None => State::Unread,
            Some(Some(v12)) if at_least(v12, self.limits.load_test_v) => State::Charged,
            Some(Some(v12)) if v12 > self.limits.empty_v + criteria::ROUNDING => State::Low,
            Some(_) => State::Empty,
        }
    }

    /// Measured over rated cranking current; `None` without a rating.
    fn cca_ratio(&self, reading: &Reading) -> Option<f64> {
        let (rated, _) = self
            .battery
            .rated_cca
            .filter(|(rated, _)| rated.get() > 0.0)?;
        reading.measured().map(|measured| measured / rated.get())
    }
}

/// Whether a test under load may be graded: a figure unless the rest is known to be too short, a
/// dark tester only after a known rest.
fn rested_for_test(reading: &Reading) -> bool {
    let dark = reading.value == ReadingValue::BelowInstrumentMinimum;
    rest_of(reading).is_some() || (reading.rested.is_none() && !dark)
}

/// Latest number of one kind.
fn last_measured<'a>(list: &[&'a Reading], kind: ReadingKind) -> Option<&'a Reading> {
    of_kind(list, kind)
        .filter(|reading| reading.measured().is_some())
        .last()
}
