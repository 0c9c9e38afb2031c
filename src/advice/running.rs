//! "Go on or stop?" while a charge runs: the chance so far, and the chance below which to stop.
//!
//! Never traded against temperature: the published limits stand beside it, and come first.

use uuid::Uuid;

use crate::model::checkpoint::{
    CHECKPOINTS, Charge, Checkpoint, CheckpointModel, Coefficients, Fitted, Scale, Scales, Seen,
    columns, fit,
};
use crate::model::fit::{Fit, Label};
use crate::model::normal;
use crate::model::prior::Features;
use crate::model::stop_table::{CHARGES_MIN, Evidence, LogOddsPath, StopTable};

/// Share of the stops advised by worth that run on, so that stops are checked. Source: STATISTICS 1.
pub const RUN_ON_SHARE: f64 = 0.05;

/// Scales of accepted current (1/h) and voltage rise (V) at each checkpoint, mean and deviation.
///
/// Seen on an invented fleet of 5,000 attempts; replaced by a group's own from 200 charges on.
const SCALES: [[(f64, f64); 2]; CHECKPOINTS] = [
    [(0.0551, 0.0040), (0.3510, 0.0507)],
    [(0.0551, 0.0062), (0.3510, 0.0522)],
    [(0.0554, 0.0100), (0.3502, 0.0633)],
    [(0.0564, 0.0162), (0.3573, 0.1020)],
    [(0.0558, 0.0261), (0.3554, 0.2102)],
    [(0.0321, 0.0292), (0.0708, 0.3641)],
];

/// A settled charge with what it showed while it ran.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastCharge {
    /// What was known before.
    pub features: Features,
    /// Where.
    pub shop: Uuid,
    /// How it came out.
    pub label: Label,
    /// What it showed at each checkpoint; `None` where it had ended or nobody looked.
    pub seen: [Option<Seen>; CHECKPOINTS],
}

/// The models of all checkpoints and the stop table.
#[derive(Debug, Clone)]
pub struct Running {
    model: CheckpointModel,
    charges: [u64; CHECKPOINTS],
    table: StopTable,
}

/// What is said of a charge that runs.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RunningAdvice {
    /// The checkpoint it is judged at, the last one passed.
    pub checkpoint: Checkpoint,
    /// Chance of recovery before it began.
    pub chance_before: f64,
    /// Chance so far.
    pub chance: f64,
    /// Going on is worth less than it costs below this chance.
    pub stop_below: f64,
    /// Stopping is advised by worth; limits of temperature and voltage stand apart.
    pub stop: bool,
    /// Stopping would be advised by worth, but this one runs on, so that stops are checked. Limits come first.
    pub run_on: bool,
    /// Settled charges behind the checkpoint.
    pub charges: u64,
    /// Fewer than 200 of them: belief more than evidence.
    pub belief_only: bool,
}

impl RunningAdvice {
    /// The same after the coin of its attempt, 0 to 1: one in twenty that should stop by worth runs on.
    #[must_use]
    pub fn with_coin(self, coin: f64) -> Self {
        let run_on = self.stop && coin < RUN_ON_SHARE;
        Self {
            stop: self.stop && !run_on,
            run_on,
            ..self
        }
    }
}

impl Running {
    /// Learns from settled charges, in a fixed order; without any it is belief.
    #[must_use]
    pub fn learn<'a>(
        before: impl Fn(Features) -> &'a Fit,
        past: &[PastCharge],
        plan_h: f64,
    ) -> Self {
        let etas: Vec<f64> = past
            .iter()
            .map(|charge| {
                let fit = before(charge.features);
                fit.leave_one_out(&charge.features, Some(charge.shop), charge.label)
            })
            .collect();
        let scales: [Scales; CHECKPOINTS] = std::array::from_fn(|at| scales(past, at));
        let fitted: [Fitted; CHECKPOINTS] = std::array::from_fn(|at| {
            let charges: Vec<Charge> = past
                .iter()
                .zip(&etas)
                .filter_map(|(charge, eta)| {
                    let seen = charge.seen.get(at)?.as_ref()?;
                    Some(Charge {
                        columns: columns(*eta, seen, scales.get(at)?),
                        outcome: charge.label.value(),
                    })
                })
                .collect();
            fit(&charges)
        });
        let model = CheckpointModel {
            coefficients: fitted.map(|fitted| fitted.coefficients),
            scales,
        };
        let paths: Vec<LogOddsPath> = past
            .iter()
            .zip(&etas)
            .map(|(charge, eta)| path(&model, charge, *eta))
            .collect();
        Self {
            table: StopTable::new(&Evidence::learned(&paths, plan_h)),
            charges: fitted.map(|fitted| fitted.charges),
            model,
        }
    }

    /// Coefficients of a checkpoint.
    #[must_use]
    pub fn coefficients(&self, checkpoint: Checkpoint) -> Option<Coefficients> {
        self.model.coefficients.get(checkpoint as usize).copied()
    }

    /// Judges a charge that has run for so many hours; `None` before the first checkpoint.
    ///
    /// `worth` of a recovery and `price` of a charger-hour in the same currency.
    #[must_use]
    pub fn advise(
        &self,
        (hours, seen): (f64, &Seen),
        eta: f64,
        (worth, price): (f64, f64),
    ) -> Option<RunningAdvice> {
        let checkpoint = Checkpoint::passed(hours)?;
        let chance = self.model.chance_so_far(eta, checkpoint, seen);
        let stop_below = self.table.stop_below(checkpoint, worth, price);
        let charges = self.charges.get(checkpoint as usize).copied().unwrap_or(0);
        Some(RunningAdvice {
            checkpoint,
            chance_before: normal::logistic(eta),
            chance,
            stop_below,
            stop: chance < stop_below,
            run_on: false,
            charges,
            belief_only: charges < CHARGES_MIN,
        })
    }
}

/// Scales of one checkpoint: a group's own where there are enough charges.
fn scales(past: &[PastCharge], at: usize) -> Scales {
    let values = |of: fn(&Seen) -> Option<f64>| -> Vec<f64> {
        past.iter()
            .filter_map(|charge| charge.seen.get(at)?.as_ref().and_then(of))
            .collect()
    };
    let usual = SCALES.get(at).copied().unwrap_or([(0.0, 1.0); 2]);
    let [accepted, rise] = usual.map(|(mean, sd)| Scale { mean, sd });
    Scales {
        accepted: Scale::learned(&values(|seen| seen.accepted)).unwrap_or(accepted),
        voltage_rise: Scale::learned(&values(|seen| seen.voltage_rise)).unwrap_or(rise),
    }
}

/// Log-odds of a settled charge at its start and at each checkpoint it reached.
fn path(model: &CheckpointModel, charge: &PastCharge, eta: f64) -> LogOddsPath {
    let mut path: LogOddsPath = [None; CHECKPOINTS + 1];
    let reached = Checkpoint::ALL.iter().zip(&charge.seen).map(|(at, seen)| {
        let chance = model.chance_so_far(eta, *at, seen.as_ref()?);
        let odds = chance / (1.0 - chance);
        Some(libm::log(odds).clamp(-20.0, 20.0))
    });
    for (place, value) in path
        .iter_mut()
        .zip(std::iter::once(Some(eta)).chain(reached))
    {
        *place = value;
    }
    path
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::model::fit::{Basis, Observation, Request};
    use crate::model::prior::{Prior, PriorVersion};
    use crate::record::words::{Chemistry, Method, Segment, Storage, TesterState};

    fn battery() -> Features {
        Features {
            v12: 10.9,
            months: Some(6.0),
            age_months: Some(30.0),
            chemistry: Chemistry::Agm,
            tester: TesterState::Ok,
            cca_ratio: None,
            storage: Storage::RemovedIndoors,
            electrolyte_low: false,
            six_volt: false,
            method: Method::CcCv,
            segment: Segment::Powersports,
            winter: false,
        }
    }

    fn fitted(past: &[PastCharge]) -> Fit {
        let seen: Vec<Observation> = past
            .iter()
            .map(|charge| Observation {
                features: charge.features,
                shop: charge.shop,
                label: charge.label,
            })
            .collect();
        let prior = Prior::shipped(PriorVersion::Trade1).unwrap();
        let request = Request {
            basis: Basis::LeadAcid(prior),
            cutoff: DateTime::UNIX_EPOCH,
            start: None,
        };
        crate::model::fit::fit(&seen, request).unwrap()
    }

    /// Charges that accept current come back, the others do not.
    fn past(count: u32) -> Vec<PastCharge> {
        (0..count)
            .map(|number| {
                let good = number % 2 == 0;
                let wobble = f64::from(number % 7) * 0.002;
                let seen = Seen {
                    accepted: Some(if good { 0.08 } else { 0.01 } + wobble),
                    voltage_rise: Some(0.3 + wobble),
                    case_rise: Some(2.0),
                };
                // A tenth comes out the other way, so that no curve is infinitely steep.
                let recovers = good != (number % 10 == 9 || number % 10 == 8);
                PastCharge {
                    features: battery(),
                    shop: Uuid::from_u128(1),
                    label: if recovers {
                        Label::Recovered
                    } else {
                        Label::NotRecovered
                    },
                    seen: [Some(seen); CHECKPOINTS],
                }
            })
            .collect()
    }

    fn judged(running: &Running, accepted: f64) -> RunningAdvice {
        let seen = Seen {
            accepted: Some(accepted),
            voltage_rise: Some(0.3),
            case_rise: Some(2.0),
        };
        running.advise((2.5, &seen), 0.2, (40.0, 1.5)).unwrap()
    }

    #[test]
    fn without_charges_it_is_belief_and_before_a_quarter_of_an_hour_nothing_is_said() {
        let fit = fitted(&[]);
        let running = Running::learn(|_| &fit, &[], 12.0);
        let found = judged(&running, 0.0564);
        assert!(found.belief_only && found.charges == 0);
        assert_eq!(found.checkpoint, Checkpoint::TwoHours);
        assert!(
            running
                .advise((0.2, &Seen::default()), 0.2, (40.0, 1.5))
                .is_none()
        );
    }

    #[test]
    fn one_stop_in_twenty_runs_on_and_what_should_go_on_is_left_alone() {
        let fit = fitted(&[]);
        let running = Running::learn(|_| &fit, &[], 12.0);
        let told = judged(&running, 0.0564);
        let (stop, go) = (
            RunningAdvice { stop: true, ..told },
            RunningAdvice {
                stop: false,
                ..told
            },
        );
        let coin = |advice: RunningAdvice, coin| {
            let found = advice.with_coin(coin);
            (found.stop, found.run_on)
        };
        assert_eq!(coin(stop, 0.049), (false, true));
        assert_eq!(coin(stop, 0.05), (true, false));
        assert_eq!(coin(go, 0.0), (false, false));
    }

    #[test]
    fn charges_of_the_group_teach_what_acceptance_means_and_when_to_stop() {
        let past = past(400);
        let fit = fitted(&past);
        let running = Running::learn(|_| &fit, &past, 12.0);
        let (good, poor) = (judged(&running, 0.08), judged(&running, 0.01));
        assert!(!good.belief_only);
        assert!(good.chance > 0.7 && poor.chance < 0.35, "{good:?} {poor:?}");
        assert!(!good.stop);
        // Dear hours and little worth: a poor charge is given up sooner.
        let seen = Seen {
            accepted: Some(0.01),
            voltage_rise: Some(0.3),
            case_rise: Some(2.0),
        };
        let dear = running.advise((2.5, &seen), 0.2, (10.0, 1.5)).unwrap();
        assert!(dear.stop && dear.stop_below > poor.stop_below);
    }
}
