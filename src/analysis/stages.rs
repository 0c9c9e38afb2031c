//! Stages of a charge, found from stationary voltage and never from constant current.
//!
//! Source: SIGNALS 5: real chargers are limited by their supply, so a plateau is voltage within
//! 45 mV over 10 min, confirmed by a current that falls or has fallen. The first plateau is
//! absorption; a later lower one float, a later higher one equalise; the rest of charging is bulk.

use super::progress::Scale;
use super::rules::Rules;
use super::window::{Kept, MINUTE_MS, Window};
use crate::record::words::Stage;

/// Stages kept; beyond it the shortest joins the one before.
const SPANS_MAX: usize = 40;

/// Longest break of current that is a pause when charge goes on after it, minutes. Our choice.
const PAUSE_MAX_MIN: i64 = 240;

/// Longest time after which a plateau goes on at once at its old voltage, minutes. Our choice.
const RESUME_MAX_MIN: i64 = 60;

/// Longest break within a level that is just found, minutes. Our choice: a pause of the charger.
const BREAK_MAX_MIN: u32 = 2;

/// So near its level a plateau has begun, V at 12 V. Our choice: a coarse meter's last digit.
const NEAR_LEVEL_V: f64 = 0.012;

/// Longest bulk between two held voltages that is only the way between them, minutes. Our choice.
const SLIVER_MAX_MIN: i64 = 3;

/// Longest fall without current from absorption to float that belongs to float, minutes. Our choice.
const FALL_MAX_MIN: i64 = 60;

/// Longest break of float that belongs to it, as chargers refresh, minutes. Our choice.
const FLOAT_BREAK_MAX_MIN: i64 = 45;

/// A stage from one moment to another, ms of the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct StageSpan {
    /// Which.
    pub stage: Stage,
    /// First ms.
    pub from_ms: i64,
    /// First ms after it.
    pub until_ms: i64,
}

#[derive(Debug, Clone, Copy)]
struct Span {
    stage: Stage,
    from: i64,
    until: i64,
}

#[derive(Debug, Clone, Copy)]
struct Plateau {
    stage: Stage,
    level: f64,
    outside: Option<i64>,
    last: i64,
}

/// Finds the stages minute by minute.
#[derive(Debug, Clone)]
pub(crate) struct Stages {
    spans: Vec<Span>,
    plateau: Option<Plateau>,
    before: Option<Plateau>,
    absorption_v: Option<f64>,
    passed_low: bool,
    started: bool,
}

/// What a minute says about stages.
#[derive(Clone, Copy)]
struct Look<'a> {
    rules: &'a Rules,
    scale: &'a Scale,
    window: &'a Window,
    at: i64,
    v: f64,
    i: f64,
    i_max: f64,
    /// Volts to add to a limit for a battery colder than 25 degC.
    cold_v: f64,
}

impl Stages {
    pub(crate) fn new() -> Self {
        Self {
            spans: Vec::with_capacity(SPANS_MAX + 1),
            plateau: None,
            before: None,
            absorption_v: None,
            passed_low: false,
            started: false,
        }
    }

    /// The stage of the last minute.
    pub(crate) fn now(&self) -> Option<Stage> {
        self.spans.last().map(|span| span.stage)
    }

    /// Whether the charger holds a voltage.
    pub(crate) fn at_plateau(&self) -> bool {
        self.plateau.is_some()
    }

    /// Whether the charger ever held a voltage.
    pub(crate) fn ever_held(&self) -> bool {
        self.absorption_v.is_some()
    }

    /// How long the present stage lasts, minutes.
    pub(crate) fn held_min(&self, at: i64) -> f64 {
        self.spans
            .last()
            .map_or(0.0, |span| (at - span.from) as f64)
    }

    /// Minute in which the present rest began.
    pub(crate) fn resting_since(&self) -> Option<i64> {
        let last = self.spans.last()?;
        (last.stage == Stage::Rest && self.started).then_some(last.from)
    }

    /// The stages so far.
    pub(crate) fn report(&self, first_ms: i64) -> Vec<StageSpan> {
        let spans = smooth(&self.spans);
        let spans = spans.iter().map(|span| StageSpan {
            stage: span.stage,
            from_ms: (span.from * MINUTE_MS).max(first_ms),
            until_ms: span.until * MINUTE_MS,
        });
        spans.collect()
    }

    /// Bytes on the heap.
    pub(crate) fn heap_bytes(&self) -> usize {
        self.spans.capacity() * size_of::<Span>()
    }

    /// Takes the last minute of the window.
    pub(crate) fn minute(
        &mut self,
        rules: &Rules,
        scale: &Scale,
        window: &Window,
        (i_max, celsius): (f64, Option<f64>),
    ) {
        let Some(minute) = window.last() else { return };
        let (Some(v), Some(i)) = (minute.v.and_then(|v| scale.v12(v)), minute.i) else {
            return;
        };
        let look = Look {
            rules,
            scale,
            window,
            at: minute.at,
            v,
            i,
            i_max,
            cold_v: rules.tempco_v_per_k * (25.0 - celsius.unwrap_or(25.0)),
        };
        if let Some(stage) = self.held(&look) {
            self.label(stage, look.at, look.at);
        } else if let Some((plateau, from)) = self.begins(&look) {
            self.plateau = Some(plateau);
            self.label(plateau.stage, from, look.at);
        } else {
            let stage = self.moving(&look);
            self.label(stage, look.at, look.at);
        }
    }

    /// The plateau that goes on, or goes on again.
    fn held(&mut self, look: &Look<'_>) -> Option<Stage> {
        let band = look.rules.plateau_band_v;
        if self.plateau.is_none() {
            let resumed = self.before.filter(|old| {
                look.at - old.last <= RESUME_MAX_MIN
                    && (look.v - old.level).abs() <= band
                    && look.i >= look.scale.on_a
            });
            self.plateau = resumed;
        }
        let plateau = self.plateau.as_mut()?;
        if (look.v - plateau.level).abs() <= band {
            plateau.level += 0.05 * (look.v - plateau.level);
            plateau.outside = None;
            plateau.last = look.at;
            return Some(plateau.stage);
        }
        if let Some(from) = plateau.outside {
            let ended = *plateau;
            self.plateau = None;
            self.before = Some(ended);
            self.truncate(from);
            let stage = self.moving(look);
            self.label(stage, from, look.at);
            return Some(stage);
        }
        plateau.outside = Some(look.at);
        Some(plateau.stage)
    }

    /// A plateau that is recognised in this minute, and since when it lasts.
    fn begins(&mut self, look: &Look<'_>) -> Option<(Plateau, i64)> {
        let rules = look.rules;
        let volts = |m: &Kept| m.v.and_then(|v| look.scale.v12(v));
        let range = look.window.range(rules.stationary_min, volts)?;
        let long = range.span_min >= rules.stationary_min - 0.5 && range.count >= 5.0;
        if !long || range.width() > rules.stationary_v || range.low < rules.plateau_min_v {
            return None;
        }
        let level = f64::midpoint(range.low, range.high);
        let first = Self::first_near(look, level)?;
        // The last steps towards the level still belong to the stage before.
        let on_level = NEAR_LEVEL_V.max(0.5 * range.width());
        let reached = |m: &&Kept| volts(m).is_some_and(|v| (v - level).abs() <= on_level);
        let from = look
            .window
            .since(first)
            .find(reached)
            .map_or(first, |m| m.at);
        let idle = look.i < look.scale.on_a;
        let confirmed = if idle {
            level >= rules.float_idle_min_v + look.cold_v.min(0.0)
                && range.width() <= rules.float_idle_flat_v
        } else {
            self.confirmed(look, from, level)
        };
        if !confirmed {
            return None;
        }
        let stage = self.kind(look, level);
        if stage == Stage::Absorption && self.absorption_v.is_none() {
            self.absorption_v = Some(level);
        }
        let plateau = Plateau {
            stage,
            level,
            outside: None,
            last: look.at,
        };
        Some((plateau, from))
    }

    /// First minute of a level, short breaks of it included.
    fn first_near(look: &Look<'_>, level: f64) -> Option<i64> {
        let (mut first, mut outside) = (None, 0);
        for minute in look.window.since(i64::MIN).rev() {
            let Some(v) = minute.v.and_then(|v| look.scale.v12(v)) else {
                continue;
            };
            if (v - level).abs() <= look.rules.plateau_band_v {
                first = Some(minute.at);
                outside = 0;
            } else {
                outside += 1;
            }
            if outside > BREAK_MAX_MIN {
                break;
            }
        }
        first
    }

    /// Whether the current says that the voltage is held: it falls, or is below that before.
    fn confirmed(&self, look: &Look<'_>, from: i64, level: f64) -> bool {
        let mean = |from: i64, until: i64| {
            let mut sum = (0.0, 0.0);
            for i in look
                .window
                .since(from)
                .filter(|m| m.at < until)
                .filter_map(|m| m.i)
            {
                sum = (sum.0 + i, sum.1 + 1.0);
            }
            (sum.1 > 0.0).then(|| sum.0 / sum.1)
        };
        let now = mean(look.at - 2, look.at + 1).unwrap_or(look.i);
        let fell = |from: Option<f64>, share: f64| from.is_some_and(|i| now < (1.0 - share) * i);
        let falls = fell(mean(from, from + 3), look.rules.plateau_fall_share);
        let dropped = fell(mean(from - 5, from), look.rules.plateau_drop_share);
        let limited = level >= look.rules.at_limit_v + look.cold_v.min(0.0)
            && now < (1.0 - look.rules.plateau_drop_share) * look.i_max;
        let lower = self
            .absorption_v
            .is_some_and(|v| level <= v - look.rules.float_drop_v)
            && now < (1.0 - look.rules.plateau_drop_share) * look.i_max;
        falls || dropped || limited || lower
    }

    fn kind(&self, look: &Look<'_>, level: f64) -> Stage {
        let rules = look.rules;
        let Some(absorption) = self.absorption_v else {
            return Stage::Absorption;
        };
        if level >= rules.equalise_v && level >= absorption + rules.equalise_rise_v {
            Stage::Equalise
        } else if level <= absorption - rules.float_drop_v
            && level <= rules.float_max_v + look.cold_v.max(0.0)
        {
            Stage::Float
        } else {
            Stage::Absorption
        }
    }

    /// The stage of a minute without a held voltage.
    fn moving(&mut self, look: &Look<'_>) -> Stage {
        let rules = look.rules;
        if look.i < look.scale.on_a {
            // No lead-acid battery rests this high: the charger holds it.
            if look.v >= rules.at_limit_v {
                self.absorption_v.get_or_insert(look.v);
                return Stage::Absorption;
            }
            return Stage::Rest;
        }
        self.started = true;
        let high = self
            .absorption_v
            .is_some_and(|v| look.v >= rules.equalise_v && look.v >= v + rules.equalise_rise_v);
        if high {
            return Stage::Equalise;
        }
        let gentle = look
            .scale
            .share(look.i)
            .is_none_or(|c| c <= rules.low_start_share_c);
        self.passed_low |= look.v >= rules.low_start_v || !gentle;
        if self.passed_low {
            Stage::Bulk
        } else {
            Stage::LowVoltageStart
        }
    }

    /// Ends what lies at or after a minute.
    fn truncate(&mut self, from: i64) {
        while self.spans.last().is_some_and(|span| span.from >= from) {
            self.spans.pop();
        }
        if let Some(last) = self.spans.last_mut() {
            last.until = last.until.min(from);
        }
    }

    /// Names the minutes `from..=at`, whatever they were called before.
    fn label(&mut self, stage: Stage, from: i64, at: i64) {
        self.truncate(from);
        if stage != Stage::Rest
            && let Some(last) = self.spans.last_mut()
            && last.stage == Stage::Rest
            && self.started
            && last.until - last.from <= PAUSE_MAX_MIN
        {
            last.stage = Stage::Pause;
        }
        let first = self.spans.is_empty();
        match self.spans.last_mut() {
            Some(last) if last.stage == stage => last.until = at + 1,
            _ => self.spans.push(Span {
                stage,
                from,
                until: at + 1,
            }),
        }
        if first && stage != Stage::Rest {
            self.started = true;
        }
        if self.spans.len() > 1
            && let Some(first) = self.spans.first_mut()
            && first.stage == Stage::Pause
        {
            first.stage = Stage::Rest;
        }
        self.bound();
    }

    /// Joins the shortest inner stage to the one before when there are too many.
    fn bound(&mut self) {
        if self.spans.len() <= SPANS_MAX {
            return;
        }
        let inner = self.spans.iter().enumerate().skip(1).take(SPANS_MAX - 1);
        let shortest = inner.min_by_key(|(_, span)| span.until - span.from);
        let Some(index) = shortest.map(|(index, _)| index) else {
            return;
        };
        let gone = self.spans.remove(index);
        if let Some(before) = self.spans.get_mut(index - 1) {
            before.until = gone.until;
        }
        self.spans.dedup_by(|later, earlier| {
            let same = later.stage == earlier.stage;
            if same {
                earlier.until = later.until;
            }
            same
        });
    }
}

/// Joins slivers of bulk to the plateau before them and short breaks of float to the float.
fn smooth(spans: &[Span]) -> Vec<Span> {
    let held = |stage: Stage| matches!(stage, Stage::Absorption | Stage::Float | Stage::Equalise);
    let mut smooth: Vec<Span> = Vec::with_capacity(spans.len());
    for (index, span) in spans.iter().enumerate() {
        let next = spans.get(index + 1);
        let short = span.stage == Stage::Bulk && span.until - span.from <= SLIVER_MAX_MIN;
        let between = next.is_some_and(|next| held(next.stage));
        let falls = span.stage == Stage::Pause
            && span.until - span.from <= FALL_MAX_MIN
            && next.is_some_and(|next| next.stage == Stage::Float)
            && smooth.last().is_some_and(|last| held(last.stage));
        if falls {
            // The charger already holds its float voltage; the battery comes down to it.
            smooth.push(Span {
                stage: Stage::Float,
                ..*span
            });
            continue;
        }
        match smooth.last_mut() {
            Some(last) if short && between && held(last.stage) => last.until = span.until,
            Some(last) if last.stage == span.stage => last.until = span.until,
            _ => smooth.push(*span),
        }
    }
    let mut index = 0;
    while let Some(first) = smooth.get(index).copied() {
        let after = smooth.iter().enumerate().skip(index + 1);
        let mut again = after.filter(|(_, span)| span.stage == Stage::Float);
        if first.stage == Stage::Float
            && let Some((later, span)) = again.next()
            && span.from - first.until <= FLOAT_BREAK_MAX_MIN
        {
            let until = span.until;
            smooth.drain(index + 1..=later);
            if let Some(first) = smooth.get_mut(index) {
                first.until = until;
            }
        } else {
            index += 1;
        }
    }
    smooth
}
