//! Stop advice while it charges: what, on which ground. The service advises, never commands.
//!
//! Source: evidence at 60, 120 and 240 min (SIGNALS 5), published limits (DOMAIN 1.2). A suspected
//! clamp is to be put on anew before anything is stopped for it.

use super::findings::{FindingKind, Findings, View};
use crate::record::words::{Stage, vocabulary};

vocabulary! {
    /// How urgent the advice is, mildest first.
    StopLevel {
        /// Nothing speaks for a stop.
        None = "none",
        /// Look closer.
        Warn = "warn",
        /// Put the clamps on anew before anything else.
        ReclampFirst = "reclamp_first",
        /// A stop is advised.
        StopAdvised = "stop_advised",
        /// A stop is advised at once.
        StopAdvisedNow = "stop_advised_now",
    }
}

vocabulary! {
    /// What the advice rests on.
    StopBasis {
        /// What this charge shows.
        Evidence = "evidence",
        /// A published limit.
        PublishedLimit = "published_limit",
        /// Outcomes of like charges, by a table of the caller.
        Statistics = "statistics",
    }
}

/// Advice with its ground.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct StopAdvice {
    /// How urgent.
    pub level: StopLevel,
    /// What it rests on; `None` when nothing is advised.
    pub basis: Option<StopBasis>,
    /// The finding it follows from.
    pub finding: Option<FindingKind>,
    /// Since when it stands, ms of the run.
    pub since_ms: Option<i64>,
    /// The numbers.
    pub sentence: String,
    /// Minute of charge of the last milestone that was judged: 60, 120, 240.
    pub judged_at_min: Option<u16>,
    /// Advice of a statistical table, filled by the caller that has one; never by this module.
    pub statistics: Option<StatisticalAdvice>,
}

impl StopAdvice {
    /// Takes an advice that is more urgent.
    fn offer(
        &mut self,
        level: StopLevel,
        (basis, finding): (StopBasis, FindingKind),
        since_ms: Option<i64>,
        sentence: String,
    ) {
        if level > self.level {
            self.level = level;
            self.basis = Some(basis);
            self.finding = Some(finding);
            self.since_ms = since_ms;
            self.sentence = sentence;
        }
    }
}

/// What a table of outcomes says at a milestone.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct StatisticalAdvice {
    /// Chance that the battery recovers, 0 to 1.
    pub chance: f64,
    /// Charges the table counted.
    pub support_n: u32,
    /// Version of the table.
    pub version: String,
}

/// A milestone that was passed and what it showed.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Judged {
    at_min: u16,
    hopeless: bool,
    accepted_c: f64,
    current_c: f64,
    since_ms: i64,
}

/// Keeps what the milestones showed.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Milestones {
    last: Option<Judged>,
    /// Longest time at the limit without measurable current, h, by voltage class.
    idle_h: [f64; 3],
    /// Case limits passed in this minute: warn.
    warm: Option<f64>,
    /// One position well above the others, K.
    uneven_k: Option<f64>,
    now: Option<f64>,
    heating: bool,
    runaway: bool,
    reached_60_ms: Option<i64>,
}

/// Hours without measurable current: from 16.0 V, from 14.0 V, below. Source: DOMAIN 1.2.
const PUBLISHED_H: [f64; 3] = [4.0, 8.0, 16.0];

/// Lower ends of the voltage classes of the published hours, V at 12 V. Source: DOMAIN 1.2.
const PUBLISHED_V: [f64; 3] = [16.0, 14.0, 13.2];

impl Milestones {
    /// Takes a minute.
    pub(crate) fn minute(&mut self, view: &View<'_>) {
        let rules = view.rules;
        let (warn, _, _) = super::findings::case_limits(view);
        let case = view.heat.seen.case_c;
        self.warm = case.filter(|c| *c >= warn);
        self.uneven_k = super::findings::uneven_k(view);
        self.now = case.filter(|c| *c >= rules.case_now_c);
        let rise = view.heat.rise_k().unwrap_or(0.0);
        let slope = view.heat.seen.slope_k_per_h.unwrap_or(0.0);
        self.heating = view.heat.limit_heating_min >= rules.limit_heating_min;
        self.runaway = view.heat.above_least_min >= rules.runaway_min
            && slope > rules.heat_slope_k_per_h
            && rise > rules.heat_rise_k;
        let Some(elapsed) = view.elapsed else { return };
        self.idle_hours(view);
        if elapsed >= 59.0 {
            self.reached_60_ms.get_or_insert((view.at + 1) * 60_000);
        }
        for (at_min, least) in [
            (60, rules.stop_60_c),
            (120, rules.stop_120_c),
            (240, rules.stop_240_c),
        ] {
            let passed = self.last.is_some_and(|judged| judged.at_min >= at_min);
            if !passed && elapsed + 1.0 >= f64::from(at_min) {
                self.judge(view, at_min, least);
            }
        }
    }

    fn judge(&mut self, view: &View<'_>, at_min: u16, least: f64) {
        let (Some(accepted_c), Some(current_c)) = (view.accepted(), view.current_c()) else {
            return;
        };
        let growth = growth_c_per_h(view).unwrap_or(0.0);
        let little = accepted_c < least && current_c < view.rules.stop_current_c;
        let grows = growth > view.rules.stop_growth_c_per_h;
        self.last = Some(Judged {
            at_min,
            hopeless: little && !grows,
            accepted_c,
            current_c,
            since_ms: (view.at + 1) * 60_000,
        });
    }

    /// Counts minutes at a held voltage without measurable current.
    fn idle_hours(&mut self, view: &View<'_>) {
        let class = PUBLISHED_V.iter().position(|v| view.v >= *v);
        let none = view.rules.no_current_a_share;
        let idle = view.current_c().is_some_and(|c| c < none)
            && matches!(view.stages.now(), Some(Stage::Absorption | Stage::Equalise));
        match class.and_then(|class| self.idle_h.get_mut(class)) {
            Some(hours) if idle => *hours += 1.0 / 60.0,
            _ => self.idle_h = [0.0; 3],
        }
    }

    /// The most urgent advice.
    pub(crate) fn advice(&self, findings: &Findings) -> StopAdvice {
        let mut best = quiet(self.last.map(|judged| judged.at_min));
        for finding in findings.all() {
            if findings.present(finding.kind) {
                let (level, basis) = self.of_finding(finding.kind);
                let said = finding.evidence.clone();
                best.offer(level, (basis, finding.kind), Some(finding.since_ms), said);
            }
        }
        self.of_acceptance(findings, &mut best);
        self.of_heat(&mut best);
        best
    }

    /// Evidence at the milestones and published hours of a battery that takes nothing.
    fn of_acceptance(&self, findings: &Findings, best: &mut StopAdvice) {
        let kind = FindingKind::NoAcceptance;
        if let Some(judged) = self.last.filter(|judged| judged.hopeless)
            && findings.present(kind)
        {
            let said = format!(
                "{:.1} % of C20 accepted in {} min, {:.1} % of C20 flowing and not growing",
                100.0 * judged.accepted_c,
                judged.at_min,
                100.0 * judged.current_c
            );
            let ground = (StopBasis::Evidence, kind);
            best.offer(StopLevel::StopAdvised, ground, Some(judged.since_ms), said);
        }
        for ((hours, limit), volts) in self.idle_h.iter().zip(PUBLISHED_H).zip(PUBLISHED_V) {
            if *hours >= limit {
                let said = format!("no measurable current for {hours:.0} h from {volts} V at 12 V");
                let ground = (StopBasis::PublishedLimit, kind);
                best.offer(StopLevel::StopAdvised, ground, None, said);
            }
        }
    }

    /// Published limits of heat.
    fn of_heat(&self, best: &mut StopAdvice) {
        let hot = (StopBasis::PublishedLimit, FindingKind::OverTemperature);
        if let Some(case) = self.warm {
            best.offer(StopLevel::Warn, hot, None, format!("case {case:.1} degC"));
        }
        if let Some(apart) = self.uneven_k {
            let said = format!("one position of the case is {apart:.1} K above the others");
            best.offer(StopLevel::Warn, hot, None, said);
        }
        if let Some(case) = self.now {
            let said = format!("case {case:.1} degC: no starter battery may be this hot");
            best.offer(StopLevel::StopAdvisedNow, hot, None, said);
        }
        let said = if self.runaway {
            "current rises at constant voltage while the case heats"
        } else {
            "the case heats by more than 0.3 K/min at the voltage limit"
        };
        if self.heating || self.runaway {
            let ground = (
                StopBasis::PublishedLimit,
                FindingKind::ThermalRunawayWarning,
            );
            best.offer(StopLevel::StopAdvisedNow, ground, None, said.to_owned());
        }
    }

    /// How urgent a finding is by itself.
    fn of_finding(&self, kind: FindingKind) -> (StopLevel, StopBasis) {
        use FindingKind as K;
        match kind {
            K::LithiumOnLeadProgram => (StopLevel::StopAdvisedNow, StopBasis::PublishedLimit),
            K::OverTemperature | K::OverVoltage | K::AhOverrun | K::StalledLow => {
                (StopLevel::StopAdvised, StopBasis::PublishedLimit)
            }
            K::ShortedCell | K::SeveralShorted => (StopLevel::StopAdvised, StopBasis::Evidence),
            K::OpenCell if self.reached_60_ms.is_some() => {
                (StopLevel::StopAdvised, StopBasis::Evidence)
            }
            K::OpenCell | K::LooseClamp => (StopLevel::ReclampFirst, StopBasis::Evidence),
            K::AcidExhaustedWaking | K::SoftShort => (StopLevel::None, StopBasis::Evidence),
            K::NotStarted
            | K::NoAcceptance
            | K::ReversedCell
            | K::DriedOut
            | K::ThermalRunawayWarning
            | K::TelemetryLost
            | K::WrongUnit => (StopLevel::Warn, StopBasis::Evidence),
        }
    }
}

/// No advice.
fn quiet(judged_at_min: Option<u16>) -> StopAdvice {
    StopAdvice {
        level: StopLevel::None,
        basis: None,
        finding: None,
        since_ms: None,
        sentence: String::new(),
        judged_at_min,
        statistics: None,
    }
}

/// Growth of the current over the last half hour as a share of C20 per hour.
fn growth_c_per_h(view: &View<'_>) -> Option<f64> {
    let mut line = super::slope::Line::default();
    for minute in view.window.since(view.at - 29) {
        if let Some(i) = minute.i {
            line.add((minute.at - view.at) as f64 / 60.0, i);
        }
    }
    // Growth within the last digit of the instrument is none.
    let slope = line.slope()?;
    let shown = slope * 0.5 > 2.0 * view.quantum_a;
    view.scale.share(if shown { slope } else { slope.min(0.0) })
}
