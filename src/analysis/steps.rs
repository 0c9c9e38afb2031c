//! Sudden steps: contact that comes and goes, and resistance from current interruptions.
//!
//! A contact that opens raises the charger's voltage while current does not rise, or cuts the
//! current while the voltage stays; a charger that pauses lowers both. Resistance is taken one
//! second after a step of current and only from records of one sample a second or faster.

use super::progress::Scale;
use super::rules::Rules;
use super::slope;

/// Resistances kept: the first interruptions and resumptions of a charge.
const RESISTANCES_MAX: usize = 16;

/// Longest time between two samples that are compared, ms. Our choice: three slow periods.
const NEIGHBOURS_MS: i64 = 15_000;

/// After charge begins or begins again a voltage climbs by itself so long, ms. Our choice.
const CLIMB_MS: i64 = 120_000;

/// Share of a step that the current may still move and count as settled. Our choice.
const SETTLED_SHARE: f64 = 0.1;

/// Share of its largest current from which the charger limits the current. Our choice.
const LIMITED_SHARE: f64 = 0.95;

/// When the second sample after a step counts as one second after it, ms.
const ONE_SECOND_MS: (i64, i64) = (800, 1_500);

/// Voltage and current of one instant.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Sample {
    pub(crate) time_ms: i64,
    pub(crate) v: f64,
    pub(crate) i: f64,
}

/// A step that waits for the sample one second later.
#[derive(Debug, Clone, Copy)]
struct Step {
    before: Sample,
    after: Sample,
}

/// Contact changes so far.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Toggles {
    /// Drops of contact that came back.
    pub(crate) returns: f64,
    /// Of the drops, those to no current at all.
    pub(crate) to_nothing: f64,
    /// Drops.
    pub(crate) drops: f64,
    /// Of the drops, those below the voltage limit: a pack's own protection opens above it.
    pub(crate) below_limit: f64,
    /// First drop, ms.
    pub(crate) first_ms: Option<i64>,
}

/// Watches neighbouring samples of the leading device.
#[derive(Debug, Clone)]
pub(crate) struct Steps {
    last: Option<Sample>,
    earlier: Option<Sample>,
    pending: Option<Step>,
    resistances: Vec<(f64, f64)>,
    refused: u32,
    i_max: f64,
    tremble_a: f64,
    climbing_until_ms: i64,
    dropped: bool,
    toggles: Toggles,
}

impl Steps {
    pub(crate) fn new() -> Self {
        Self {
            last: None,
            earlier: None,
            pending: None,
            resistances: Vec::with_capacity(RESISTANCES_MAX),
            refused: 0,
            i_max: 0.0,
            tremble_a: 0.0,
            climbing_until_ms: i64::MIN,
            dropped: false,
            toggles: Toggles::default(),
        }
    }

    /// Takes the next sample that has both values.
    pub(crate) fn push(&mut self, rules: &Rules, scale: &Scale, here: Sample, quantum_a: f64) {
        let Sample { time_ms, i, .. } = here;
        self.tremble_a = (0.05 * self.i_max).max(2.5 * quantum_a);
        self.i_max = self.i_max.max(i);
        if let Some(step) = self.pending {
            self.finish_step(step, here);
        }
        if let Some(before) = self.last {
            let apart = time_ms - before.time_ms;
            if apart > 0 && apart <= NEIGHBOURS_MS {
                self.contact(rules, scale, before, here);
                self.begin_step(rules, scale, before, here);
            }
            if apart > 0 {
                self.earlier = Some(before);
            }
        }
        self.last = Some(here);
    }

    /// Contact changes so far.
    pub(crate) fn toggles(&self) -> Toggles {
        self.toggles
    }

    /// Median resistances one second after a step and at its first reading, Ohm, and of how many.
    pub(crate) fn resistance(&self) -> (Option<f64>, Option<f64>, usize) {
        let median = |pick: fn(&(f64, f64)) -> f64| {
            let mut values = [0.0; RESISTANCES_MAX];
            for (to, from) in values.iter_mut().zip(&self.resistances) {
                *to = pick(from);
            }
            values
                .get_mut(..self.resistances.len())
                .and_then(slope::median)
        };
        let count = self.resistances.len();
        (median(|pair| pair.0), median(|pair| pair.1), count)
    }

    /// Steps that were refused because samples were too far apart.
    pub(crate) fn refused(&self) -> u32 {
        self.refused
    }

    /// Bytes on the heap.
    pub(crate) fn heap_bytes(&self) -> usize {
        self.resistances.capacity() * size_of::<(f64, f64)>()
    }

    fn contact(&mut self, rules: &Rules, scale: &Scale, before: Sample, here: Sample) {
        let Some(jump_v) = scale.v12(here.v - before.v) else {
            return;
        };
        let tremble = self.tremble_a;
        let rise = here.i - before.i;
        let cut = -rise > rules.toggle_share * before.i && -rise > tremble;
        let freed = rise > rules.toggle_share * here.i && rise > tremble;
        let flowed = before.i > tremble && before.i > scale.on_a;
        let flows = here.i > tremble && here.i > scale.on_a;
        if !flowed && flows && jump_v > 0.0 {
            self.climbing_until_ms = here.time_ms + CLIMB_MS;
        }
        if here.time_ms < self.climbing_until_ms && !cut {
            return;
        }
        let holds = jump_v > -0.2 * rules.toggle_v;
        let opens = flowed && (jump_v >= rules.toggle_v && rise <= 0.4 * tremble || cut && holds);
        let falls = jump_v <= -rules.toggle_v && rise >= -0.4 * tremble;
        let closes = flows && (falls || freed && jump_v < 0.2 * rules.toggle_v);
        if opens && !self.dropped {
            self.dropped = true;
            self.toggles.drops += 1.0;
            self.toggles.first_ms.get_or_insert(here.time_ms);
            if here.i < scale.on_a {
                self.toggles.to_nothing += 1.0;
            }
            if scale.v12(before.v).is_some_and(|v| v < rules.at_limit_v) {
                self.toggles.below_limit += 1.0;
            }
        } else if closes && self.dropped {
            self.dropped = false;
            self.toggles.returns += 1.0;
        }
    }

    fn begin_step(&mut self, rules: &Rules, scale: &Scale, before: Sample, here: Sample) {
        let size = (here.i - before.i).abs();
        let least = scale.c20.map_or(rules.step_min_a, |c20| {
            (rules.step_min_share_c * c20).max(rules.step_min_a)
        });
        let calm = self
            .earlier
            .is_none_or(|earlier| (before.i - earlier.i).abs() <= SETTLED_SHARE * size);
        // At the voltage limit the current follows the battery, not the other way round.
        let (idle, loaded) = (before.i.min(here.i), before.i.max(here.i));
        let limited = idle < scale.on_a && loaded >= LIMITED_SHARE * self.i_max;
        if size < least || !calm || !limited {
            return;
        }
        if (here.time_ms - before.time_ms) as f64 > rules.step_period_max_s * 1000.0 {
            self.refused = self.refused.saturating_add(1);
            return;
        }
        self.pending = Some(Step {
            before,
            after: here,
        });
    }

    fn finish_step(&mut self, step: Step, here: Sample) {
        let waited = here.time_ms - step.after.time_ms;
        if waited < ONE_SECOND_MS.0 {
            return;
        }
        self.pending = None;
        let size = here.i - step.before.i;
        let settled = (here.i - step.after.i).abs() <= SETTLED_SHARE * size.abs();
        if waited > ONE_SECOND_MS.1 || !settled || self.resistances.len() >= RESISTANCES_MAX {
            return;
        }
        let ohms = (here.v - step.before.v) / size;
        let first = (step.after.v - step.before.v) / (step.after.i - step.before.i);
        if ohms > 0.0 && ohms < 5.0 {
            self.resistances.push((ohms, first));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::context::Context;

    fn scale(c20: f64) -> Scale {
        let context = Context {
            nominal_v: Some(12),
            c20_ah: Some(c20),
            ..Context::default()
        };
        Scale::new(&Rules::default(), &context)
    }

    /// Six samples at rest, then a step of current and what the voltage did.
    fn after_step(amperes: f64, volts: &[f64], period_ms: i64, c20: f64) -> Steps {
        let mut steps = Steps::new();
        let rules = Rules::default();
        for n in -5..0 {
            let here = Sample {
                time_ms: n * period_ms,
                v: 12.7,
                i: 0.0,
            };
            steps.push(&rules, &scale(c20), here, 0.001);
        }
        for (n, v) in (0..).zip(volts) {
            let here = Sample {
                time_ms: n * period_ms,
                v: *v,
                i: amperes,
            };
            steps.push(&rules, &scale(c20), here, 0.001);
        }
        steps
    }

    // Source: closed form of R0 in series with R1 parallel C1, 18 Ah glass mat and an aged one:
    // 15.709 and 47.787 mOhm one second after the step. Values to a microvolt.
    #[test]
    fn resistance_is_that_of_one_second_after_a_step() {
        for (amperes, volts, expected) in [
            (3.0, [12.733, 12.747_127, 12.753_863], 0.015_709_154),
            (1.0, [12.735, 12.747_787, 12.755_124], 0.047_787_397),
        ] {
            let (found, first, count) = after_step(amperes, &volts, 1_000, 10.0).resistance();
            assert_eq!(count, 1);
            assert!((first.unwrap() - (volts[0] - 12.7) / amperes).abs() < 1e-9);
            assert!((found.unwrap() - expected).abs() < 1e-6, "{found:?}");
        }
    }

    #[test]
    fn slow_records_tell_no_resistance() {
        let steps = after_step(3.0, &[12.75, 12.76, 12.77], 5_000, 18.0);
        assert_eq!((steps.resistance(), steps.refused()), ((None, None, 0), 1));
    }

    #[test]
    fn a_pause_is_no_contact_loss_but_a_clamp_that_opens_is() {
        let rules = Rules::default();
        let run = |off: f64| {
            let mut steps = Steps::new();
            for n in 0..1_200 {
                let out = (n / 60) % 4 == 3;
                let (v, i) = if out { (off, 0.0) } else { (13.4, 2.0) };
                let time_ms = n * 1_000;
                steps.push(&rules, &scale(18.0), Sample { time_ms, v, i }, 0.01);
            }
            steps.toggles()
        };
        assert_eq!(run(12.9).drops.to_bits(), 0.0_f64.to_bits());
        let open = run(14.4);
        assert!(open.returns >= 4.0 && open.to_nothing >= 4.0, "{open:?}");
    }
}
