//! Time to the end of a charge: survival, and cumulative incidence of several kinds of end.
//!
//! Charges that people stopped for other reasons are censored: they count as running up to then.
//! Failed charges are not: the survival curve of "recovered" alone would pretend that they might
//! still recover, so time to recovery is read from the cumulative incidence.

use super::normal;

/// One thing observed up to its event or until it was lost from sight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Observation {
    /// Time, in any one unit, at least 0.
    pub time: f64,
    /// True for the event, false for censored.
    pub event: bool,
}

/// The survival curve after one event time.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SurvivalStep {
    /// Event time.
    pub time: f64,
    /// Still observed just before it.
    pub at_risk: u64,
    /// Events at it.
    pub events: u64,
    /// Share without the event after it.
    pub survival: f64,
    /// Greenwood's standard error; `None` once nobody is left.
    pub standard_error: Option<f64>,
    /// Limits on the log-log scale; `None` once nobody is left.
    pub limits: Option<[f64; 2]>,
}

/// Estimates the share without the event after each event time.
///
/// Kaplan-Meier; those censored at an event time were at risk for it. Times that are no number are
/// left out. `level` is the coverage of the limits, between 0 and 1; other levels give no limits.
///
/// Source: Kalbfleisch and Prentice 1980 (limits, from memory); checked against R survival.
#[must_use]
pub fn survival(observations: &[Observation], level: f64) -> Vec<SurvivalStep> {
    let mut sorted: Vec<&Observation> = observations
        .iter()
        .filter(|one| one.time.is_finite())
        .collect();
    sorted.sort_by(|a, b| a.time.total_cmp(&b.time));
    let is_level = level > 0.0 && level < 1.0;
    let z = -normal::quantile(0.5 * (1.0 - level));
    let mut left = sorted.len();
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut steps = Vec::new();
    for tie in sorted.chunk_by(|a, b| a.time.total_cmp(&b.time).is_eq()) {
        let events = tie.iter().filter(|one| one.event).count();
        if let (Some(first), true) = (tie.first(), events > 0) {
            let (at_risk, died) = (left as f64, events as f64);
            survival *= (at_risk - died) / at_risk;
            greenwood += died / (at_risk * (at_risk - died));
            let is_open = events < left;
            let error = libm::sqrt(greenwood);
            steps.push(SurvivalStep {
                time: first.time,
                at_risk: left as u64,
                events: events as u64,
                survival,
                standard_error: is_open.then_some(survival * error),
                limits: (is_open && is_level).then(|| log_log_limits(survival, z * error)),
            });
        }
        left -= tie.len();
    }
    steps
}

/// Limits of a share between 0 and 1 from its standard error, symmetric after two logarithms.
///
/// Source: Kalbfleisch and Prentice 1980 (from memory); for the survival checked against R survival.
#[must_use]
pub fn limits(share: f64, standard_error: f64, level: f64) -> [f64; 2] {
    let z = -normal::quantile(0.5 * (1.0 - level));
    log_log_limits(share, z * standard_error / share)
}

/// Limits from the error of the logarithm of the survival, symmetric after two logarithms.
fn log_log_limits(survival: f64, reach: f64) -> [f64; 2] {
    let hazard = -libm::log(survival);
    let factor = libm::exp(reach / hazard);
    [libm::exp(-hazard * factor), libm::exp(-hazard / factor)]
}

/// How a charge ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum End {
    /// The battery recovered.
    Recovered,
    /// It did not.
    Failed,
    /// It was broken off for heat.
    HeatAbort,
    /// People stopped it for other reasons: censored.
    Stopped,
}

/// What sums of shares lose to rounding at most: five tenths are half.
pub(super) const ROUNDING: f64 = 1e-12;

/// Kinds of end that are told apart, without [`End::Stopped`].
pub const KINDS: usize = 3;

impl End {
    /// Place among the kinds; `None` when censored.
    #[must_use]
    pub fn kind(self) -> Option<usize> {
        match self {
            Self::Recovered => Some(0),
            Self::Failed => Some(1),
            Self::HeatAbort => Some(2),
            Self::Stopped => None,
        }
    }
}

/// One charge and its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EndedCharge {
    /// Hours from the start to the end, at least 0.
    pub hours: f64,
    /// How it ended.
    pub end: End,
}

impl EndedCharge {
    /// The charge as one whose end of any kind was looked for.
    #[must_use]
    pub fn any_end(&self) -> Observation {
        Observation {
            time: self.hours,
            event: self.end.kind().is_some(),
        }
    }
}

/// What had become of the charges after one time; arrays are recovered, failed, heat abort.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct IncidenceStep {
    /// Hours at which charges ended.
    pub hours: f64,
    /// Still running just before.
    pub at_risk: u64,
    /// Share still running after it.
    pub running: f64,
    /// Cumulative share that ended so.
    pub ended: [f64; KINDS],
    /// Standard errors of those shares.
    pub standard_error: [f64; KINDS],
}

/// Cumulative incidence of each kind of end.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct Incidence {
    /// A step for each time at which charges ended, in order.
    pub steps: Vec<IncidenceStep>,
}

impl Incidence {
    /// What had become of the charges by so many hours; `None` before the first end.
    #[must_use]
    pub fn by(&self, hours: f64) -> Option<&IncidenceStep> {
        let after = self.steps.partition_point(|step| step.hours <= hours);
        self.steps.get(after.checked_sub(1)?)
    }

    /// Hours by which half of all charges had ended so; `None` when half never did.
    #[must_use]
    pub fn median_hours(&self, end: End) -> Option<f64> {
        let kind = end.kind()?;
        let reached = |step: &&IncidenceStep| {
            let share = step.ended.get(kind);
            share.is_some_and(|share| *share >= 0.5 - ROUNDING)
        };
        self.steps.iter().find(reached).map(|step| step.hours)
    }
}

/// One event time as the error of one kind sees it.
#[derive(Debug, Clone, Copy)]
struct EventTime {
    /// Share running before it.
    before: f64,
    /// Charges running just before it.
    at_risk: f64,
    /// Charges that ended at it in any way.
    ends: f64,
    /// Charges that ended at it in this way.
    of_kind: f64,
}

/// Running sums from which the errors of one kind's incidence follow at every time.
///
/// S is the share running before, I the incidence after, n at risk, d all ends, k those of the
/// kind.
#[derive(Debug, Clone, Copy, Default)]
struct ErrorSums {
    /// Of `d / (n (n - d))`, plain and times `I` and its square.
    hazard: [f64; 3],
    /// Of `S^2 (n - k) k / n^3`.
    own: f64,
    /// Of `S k / n^2`, plain and times `I`.
    cross: [f64; 2],
}

impl ErrorSums {
    /// Adds one event time with the incidence after it.
    fn add(&mut self, at: &EventTime, incidence: f64) {
        // When all end at once there is no later time at which the term would count.
        if at.ends < at.at_risk {
            let term = at.ends / (at.at_risk * (at.at_risk - at.ends));
            let powers = [1.0, incidence, incidence * incidence];
            for (sum, power) in self.hazard.iter_mut().zip(powers) {
                *sum += term * power;
            }
        }
        let share = at.of_kind / (at.at_risk * at.at_risk);
        self.own += at.before * at.before * (at.at_risk - at.of_kind) / at.at_risk * share;
        for (sum, power) in self.cross.iter_mut().zip([1.0, incidence]) {
            *sum += at.before * share * power;
        }
    }

    /// Standard error of the incidence now.
    fn standard_error(&self, incidence: f64) -> f64 {
        let [plain, once, twice] = self.hazard;
        let [first, second] = self.cross;
        let variance = incidence * incidence * plain - 2.0 * incidence * once + twice + self.own
            - 2.0 * (incidence * first - second);
        libm::sqrt(variance.max(0.0))
    }
}

/// Estimates the cumulative incidence of each kind of end.
///
/// Aalen-Johansen, with the error by the delta method. Charges stopped at a time at which others
/// ended were at risk for it. Hours that are no number are left out.
///
/// Source: Marubini and Valsecchi 1995, Analysing Survival Data (error); checked against R survfit.
#[must_use]
pub fn incidence(charges: &[EndedCharge]) -> Incidence {
    let mut sorted: Vec<&EndedCharge> = charges
        .iter()
        .filter(|charge| charge.hours.is_finite())
        .collect();
    sorted.sort_by(|a, b| a.hours.total_cmp(&b.hours));
    let mut left = sorted.len();
    let mut running = 1.0;
    let mut ended = [0.0; KINDS];
    let mut sums = [ErrorSums::default(); KINDS];
    let mut steps = Vec::new();
    for tie in sorted.chunk_by(|a, b| a.hours.total_cmp(&b.hours).is_eq()) {
        let mut counts = [0.0; KINDS];
        for kind in tie.iter().filter_map(|charge| charge.end.kind()) {
            if let Some(count) = counts.get_mut(kind) {
                *count += 1.0;
            }
        }
        let (at_risk, ends) = (left as f64, counts.iter().sum::<f64>());
        if let (Some(first), true) = (tie.first(), ends > 0.0) {
            let mut standard_error = [0.0; KINDS];
            let kinds = ended.iter_mut().zip(&mut sums).zip(counts);
            for (((share, sums), count), error) in kinds.zip(&mut standard_error) {
                *share += running * count / at_risk;
                let at = EventTime {
                    before: running,
                    at_risk,
                    ends,
                    of_kind: count,
                };
                sums.add(&at, *share);
                *error = sums.standard_error(*share);
            }
            running *= (at_risk - ends) / at_risk;
            steps.push(IncidenceStep {
                hours: first.hours,
                at_risk: left as u64,
                running,
                ended,
                standard_error,
            });
        }
        left -= tie.len();
    }
    Incidence { steps }
}

#[cfg(test)]
mod tests;
