//! A charger with a limit for current and one for voltage, its cable, and the charge it makes.

use super::STEP_S;
use super::battery::Battery;
use super::random::Random;
use crate::record::words::Stage;

/// What a charger does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Charger {
    /// Current until the limit, A.
    pub bulk_a: f64,
    /// Voltage of absorption and float at 25 degC, V.
    pub absorption_v: f64,
    /// Voltage of float at 25 degC, V.
    pub float_v: f64,
    /// Change of both with the temperature of the case, V/K; 0 = not compensated.
    pub volts_per_k: f64,
    /// Absorption ends below this current, A.
    pub tail_a: f64,
    /// And after this time at the latest, s.
    pub absorption_s: f64,
    /// Case temperature at which it stops, degC.
    pub cut_celsius: f64,
    /// Cable and clamps, ohm.
    pub cable_ohms: f64,
}

/// A charge from the beginning on.
#[derive(Debug)]
pub struct Charge {
    battery: Battery,
    charger: Charger,
    ambient: f64,
    stage: Step,
    /// Time in this stage, s.
    in_stage_s: f64,
    clamp: Option<Clamp>,
}

/// What a charger is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Not charging yet.
    Before,
    /// At the limit of current.
    Bulk,
    /// At the limit of voltage.
    Absorption,
    /// At the lower voltage.
    Float,
    /// Too warm: it stopped.
    Cut,
}

impl Step {
    /// The stage in the trade's words.
    #[must_use]
    pub fn stage(self) -> Stage {
        match self {
            Self::Before | Self::Cut => Stage::Rest,
            Self::Bulk => Stage::Bulk,
            Self::Absorption => Stage::Absorption,
            Self::Float => Stage::Float,
        }
    }
}

/// A clamp that moves: good and bad contact in turn.
#[derive(Debug)]
struct Clamp {
    random: Random,
    left_s: f64,
    /// `None` = good contact; infinite = open.
    bad_ohms: Option<f64>,
}

impl Clamp {
    fn advance(&mut self, step_s: f64) {
        self.left_s -= step_s;
        if self.left_s > 0.0 {
            return;
        }
        let bad = self.bad_ohms.is_none();
        self.left_s = self.random.waiting_s(if bad { 45.0 } else { 500.0 });
        self.bad_ohms = bad.then(|| {
            if self.random.unit() < 0.3 {
                f64::INFINITY
            } else {
                self.random.between(0.3, 3.0)
            }
        });
    }
}

/// What is there at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// At the charger's terminals, V.
    pub charger_v: f64,
    /// At the battery's posts, V.
    pub posts_v: f64,
    /// Into the battery, A.
    pub amperes: f64,
    /// On the case, degC.
    pub case_celsius: f64,
    /// Air, degC.
    pub ambient_celsius: f64,
    /// What the charger does.
    pub step: Step,
}

impl Charge {
    /// Connects a charger to a battery in air of a temperature, degC.
    #[must_use]
    pub fn new(battery: Battery, charger: Charger, ambient_celsius: f64) -> Self {
        Self {
            battery,
            charger,
            ambient: ambient_celsius,
            stage: Step::Before,
            in_stage_s: 0.0,
            clamp: None,
        }
    }

    /// With a clamp that moves now and then.
    #[must_use]
    pub(super) fn with_loose_clamp(mut self, random: Random) -> Self {
        self.clamp = Some(Clamp {
            random,
            left_s: 600.0,
            bad_ohms: None,
        });
        self
    }

    /// The battery.
    #[must_use]
    pub fn battery(&self) -> &Battery {
        &self.battery
    }

    /// Begins to charge.
    pub fn start(&mut self) {
        self.enter(Step::Bulk);
    }

    /// Ends the charge: what follows is rest.
    pub fn stop(&mut self) {
        self.enter(Step::Before);
    }

    fn enter(&mut self, step: Step) {
        self.stage = step;
        self.in_stage_s = 0.0;
    }

    /// Goes on by one step of [`STEP_S`].
    pub fn advance(&mut self) -> Moment {
        if let Some(clamp) = &mut self.clamp {
            clamp.advance(STEP_S);
        }
        let ohms = match self.clamp.as_ref().and_then(|clamp| clamp.bad_ohms) {
            None => self.charger.cable_ohms,
            Some(bad) => self.charger.cable_ohms + bad,
        };
        let lines = self.battery.lines(STEP_S);
        let limit_v = self.limit_v();
        let amperes = if limit_v > 0.0 && ohms.is_finite() {
            let at_limit = (limit_v - lines.open_v) / (lines.ohms + ohms);
            at_limit.clamp(0.0, self.charger.bulk_a)
        } else {
            0.0
        };
        self.battery.advance(&lines, amperes, self.ambient, STEP_S);
        let posts_v = lines.open_v + lines.ohms * amperes;
        let charger_v = if limit_v > 0.0 && !ohms.is_finite() {
            limit_v
        } else {
            posts_v
                + if ohms.is_finite() {
                    ohms * amperes
                } else {
                    0.0
                }
        };
        self.decide(limit_v, charger_v, amperes);
        Moment {
            charger_v,
            posts_v,
            amperes,
            case_celsius: self.battery.case_celsius(),
            ambient_celsius: self.ambient,
            step: self.stage,
        }
    }

    /// Voltage the charger does not exceed now; 0 = it does not charge.
    fn limit_v(&self) -> f64 {
        let volts = match self.stage {
            Step::Before | Step::Cut => return 0.0,
            Step::Bulk | Step::Absorption => self.charger.absorption_v,
            Step::Float => self.charger.float_v,
        };
        volts + self.charger.volts_per_k * (self.battery.case_celsius() - 25.0)
    }

    fn decide(&mut self, limit_v: f64, charger_v: f64, amperes: f64) {
        self.in_stage_s += STEP_S;
        let charger = self.charger;
        let hot = self.battery.case_celsius() >= charger.cut_celsius;
        match self.stage {
            Step::Bulk | Step::Absorption | Step::Float if hot => self.enter(Step::Cut),
            Step::Bulk if charger_v >= limit_v - 1e-6 && amperes < charger.bulk_a => {
                self.enter(Step::Absorption);
            }
            Step::Absorption
                if self.in_stage_s >= charger.absorption_s
                    || (self.in_stage_s >= 600.0 && amperes < charger.tail_a) =>
            {
                self.enter(Step::Float);
            }
            _ => {}
        }
    }
}
