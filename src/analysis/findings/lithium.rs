//! Lithium iron phosphate on a lead-acid program: a flat bulk, a sharp knee, a high rest.
//!
//! Source: SIGNALS 5.

use super::View;
use crate::analysis::progress::Scale;
use crate::analysis::rules::Rules;
use crate::analysis::slope::Line;
use crate::analysis::window::Minute;
use crate::record::words::Chemistry;

/// Minutes of bulk after which its shape is judged; the first are polarisation. Our choice.
const SETTLE_MIN: f64 = 5.0;

/// Fewest minutes of bulk whose slope is judged. Our choice.
const SLOPE_MIN: f64 = 10.0;

/// Factor of current above which a rise of voltage is no knee. Our choice.
const STRONGER: f64 = 1.1;

/// Fall from a held voltage to rest, V at 12 V. Our choice.
const FALL_V: f64 = 0.06;

/// Voltages so near belong to one level, V at 12 V. Our choice.
const LEVEL_V: f64 = 0.02;

/// A level without current that lasted so long was held, minutes. Our choice.
const HELD_MIN: f64 = 20.0;

/// Slope up to which contact toggles may be those of a pack's own protection. Our choice.
const SUSPECT_FACTOR: f64 = 1.5;

/// Current that has ended, share of C20. Our choice: lead-acid still takes more an hour later.
const ENDED_C: f64 = 0.008;

/// How long it must have ended, minutes. Our choice.
const ENDED_MIN: f64 = 10.0;

/// How soon after the knee, minutes. Our choice.
const ENDED_WITHIN_MIN: f64 = 35.0;

/// Levels of voltage without current, V at 12 V.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Quiet {
    level_v: f64,
    steady_min: f64,
    held_v: Option<f64>,
}

impl Quiet {
    fn minute(&mut self, v: f64, quiet: bool) {
        if quiet && (v - self.level_v).abs() <= LEVEL_V {
            self.steady_min += 1.0;
            return;
        }
        if self.steady_min >= HELD_MIN && v < self.level_v {
            self.held_v = Some(self.level_v);
        }
        self.level_v = v;
        self.steady_min = 0.0;
    }
}

/// The shape of bulk so far, voltages at 12 V.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Bulk {
    minutes: f64,
    inside: f64,
    line: Line,
    below_knee: Option<(i64, f64)>,
    quiet: Quiet,
    knee_min: Option<f64>,
    over: bool,
    over_at: Option<i64>,
    ended_min: f64,
    ended: bool,
}

impl Bulk {
    /// Takes a minute of charge.
    pub(crate) fn minute(
        &mut self,
        rules: &Rules,
        scale: &Scale,
        minute: &Minute,
        (elapsed, ah, held): (Option<f64>, f64, bool),
    ) {
        let (Some(v), Some(i), Some(elapsed)) =
            (minute.v.and_then(|v| scale.v12(v)), minute.i, elapsed)
        else {
            return;
        };
        self.quiet.minute(v, i < scale.on_a);
        if i >= scale.on_a && v <= rules.lithium_knee_from_v {
            self.below_knee = Some((minute.at, i));
        }
        if v >= rules.lithium_knee_to_v && !self.over {
            // A stronger current lifts the voltage by itself.
            let same = self.below_knee.filter(|(_, before)| i <= STRONGER * before);
            self.knee_min = same.map(|(at, _)| (minute.at - at) as f64);
        }
        if v >= rules.lithium_knee_to_v {
            self.over_at.get_or_insert(minute.at);
        }
        self.end(rules, scale, minute.at, (v, i));
        self.over |= held || v >= rules.lithium_knee_to_v;
        if self.over || i < scale.on_a {
            return;
        }
        self.minutes += 1.0;
        if (rules.lithium_low_v..=rules.lithium_high_v).contains(&v) {
            self.inside += 1.0;
            if elapsed >= SETTLE_MIN
                && v <= rules.lithium_knee_from_v
                && let Some(charge_c) = scale.share(ah)
            {
                self.line.add(charge_c, v);
            }
        }
    }

    /// Whether the current ends soon after the knee while the voltage is still held.
    fn end(&mut self, rules: &Rules, scale: &Scale, at: i64, (v, i): (f64, f64)) {
        let Some(over_at) = self.over_at else { return };
        let none = scale.share(i).is_some_and(|c| c < ENDED_C);
        self.ended_min = if none && v >= rules.at_limit_v {
            self.ended_min + 1.0
        } else {
            0.0
        };
        let soon = (at - over_at) as f64 <= ENDED_WITHIN_MIN;
        self.ended |= soon && self.ended_min >= ENDED_MIN;
    }

    fn mostly_inside(&self, rules: &Rules) -> bool {
        self.minutes > 0.0 && self.inside > rules.lithium_share * self.minutes
    }

    /// V per C20 of the flat part; `None` when it was too short.
    fn slope(&self) -> Option<f64> {
        let long = self.line.count() >= SLOPE_MIN;
        self.line.slope().filter(|_| long)
    }

    /// Whether bulk looks like lithium: then contact toggles are its own protection.
    pub(crate) fn looks_lithium(&self, rules: &Rules) -> bool {
        let flat = self
            .slope()
            .is_some_and(|slope| slope < SUSPECT_FACTOR * rules.lithium_slope);
        self.mostly_inside(rules) && flat
    }
}

/// Told by the label, by the knee, or by the rest.
pub(super) fn lithium(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    view.elapsed?;
    if view.context.chemistry == Chemistry::Lifepo4 {
        return Some("the label says lithium iron phosphate".to_owned());
    }
    if !view.bulk.mostly_inside(rules) || view.scale.cells? < 6.0 {
        return None;
    }
    let slope = view.bulk.slope().filter(|slope| *slope >= 0.0)?;
    if let Some(knee) = view.bulk.knee_min
        && slope < rules.lithium_knee_slope
        && knee < rules.lithium_knee_min
    {
        return Some(format!(
            "{slope:.1} V per C20 in bulk, then {:.2} V within {knee:.0} min: lithium iron \
             phosphate",
            rules.lithium_knee_to_v
        ));
    }
    if view.bulk.ended && view.bulk.looks_lithium(rules) {
        return Some(format!(
            "{slope:.1} V per C20 in bulk, then the current ended at {:.2} V within {:.0} min: \
             lithium iron phosphate",
            view.v, ENDED_WITHIN_MIN
        ));
    }
    let quiet = view.bulk.quiet;
    let rested = quiet.steady_min;
    let rest = (rules.lithium_rest_low_v..=rules.lithium_rest_high_v).contains(&view.v);
    // A float of a lead-acid battery may draw nothing that shows; it only falls from it to rest.
    let fell = quiet.held_v.is_some_and(|held| held - view.v >= FALL_V);
    let flat = view.bulk.looks_lithium(rules);
    (flat && rest && fell && rested >= rules.lithium_rest_min).then(|| {
        format!(
            "{slope:.1} V per C20 in bulk and {:.2} V after {rested:.0} min of rest: lithium iron \
             phosphate",
            view.v
        )
    })
}
