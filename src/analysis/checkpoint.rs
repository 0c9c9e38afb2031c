//! Features of a charge at fixed times, for the chance so far.
//!
//! Source: ARCHITECTURE 7. Mean current over five minutes counts only at the voltage limit: before
//! it, it is the charger's setting.

use super::findings::View;

/// Hours after the start of charge.
pub const CHECKPOINT_HOURS: [f64; 6] = [0.25, 0.5, 1.0, 2.0, 4.0, 8.0];

/// Minutes of the mean current.
const MEAN_MIN: i64 = 5;

/// Features at one time. A feature that has no number is `None`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Checkpoint {
    /// Hours after the start of charge.
    pub hours: f64,
    /// Mean current of the last five minutes over C20, 1/h; only at the voltage limit.
    pub accept_c: Option<f64>,
    /// Rise of the voltage since two minutes after the start, V at 12 V.
    pub dv_v: Option<f64>,
    /// Case above the air, or above its start, K.
    pub temp_rise_k: Option<f64>,
    /// Whether the rise counts from the case's own start, for want of the air's temperature.
    pub temp_rise_from_start: bool,
}

/// Keeps the features as their times pass.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Checkpoints {
    kept: [Option<Checkpoint>; 6],
}

impl Checkpoints {
    /// Takes a minute of charge.
    pub(crate) fn minute(&mut self, view: &View<'_>) {
        let Some(elapsed) = view.elapsed else { return };
        for (slot, hours) in self.kept.iter_mut().zip(CHECKPOINT_HOURS) {
            // A charge that was not heard around the time has no features of it.
            let passed = elapsed + 1.0 - hours * 60.0;
            if slot.is_none() && (0.0..5.0).contains(&passed) {
                *slot = Some(features(view, hours));
            }
        }
    }

    /// The features of the times that passed.
    pub(crate) fn all(&self) -> Vec<Checkpoint> {
        self.kept.iter().flatten().copied().collect()
    }
}

fn features(view: &View<'_>, hours: f64) -> Checkpoint {
    let mut sum = (0.0, 0.0);
    for i in view
        .window
        .since(view.at - MEAN_MIN + 1)
        .filter_map(|m| m.i)
    {
        sum = (sum.0 + i, sum.1 + 1.0);
    }
    let mean = (sum.1 > 0.0).then(|| sum.0 / sum.1);
    let seen = &view.heat.seen;
    let above_air = seen
        .case_c
        .zip(seen.ambient_c)
        .map(|(case, air)| case - air);
    let above_start = seen
        .case_c
        .zip(seen.start_case_c)
        .map(|(case, start)| case - start);
    Checkpoint {
        hours,
        accept_c: mean
            .filter(|_| view.stages.at_plateau())
            .and_then(|i| view.scale.share(i)),
        dv_v: view.progress.v_at_2_min.map(|v| view.v - v),
        temp_rise_k: above_air.or(above_start),
        temp_rise_from_start: above_air.is_none() && above_start.is_some(),
    }
}
