//! Temperature: rise, rate, and the warning ahead of a limit. Causal, minute by minute.

use super::context::Context;
use super::rules::Rules;
use super::slope;
use super::window::{Minute, Window};

/// Change between the ends of the slope window below which no rule is near, K: 2 K/h. Our choice.
const MOVES_K: f64 = 0.45;

/// So far below the limit a slow rise needs no exact slope, K. Our choice.
const COOL_K: f64 = 8.0;

/// Temperatures of a run.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Thermal {
    /// First case temperature, degC.
    pub start_case_c: Option<f64>,
    /// Last case temperature, degC.
    pub case_c: Option<f64>,
    /// Highest reading of the case, degC.
    pub max_case_c: Option<f64>,
    /// Highest reading of a centre cell, degC.
    pub max_centre_c: Option<f64>,
    /// Hottest position above the mean of the others in the last minute that measured more than one, K.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub apart_k: Option<f64>,
    /// Largest such distance, K.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_apart_k: Option<f64>,
    /// Last temperature of the air, degC.
    pub ambient_c: Option<f64>,
    /// Largest case above air, K.
    pub max_above_ambient_k: Option<f64>,
    /// Largest case above its start, K.
    pub max_rise_k: Option<f64>,
    /// Slope over 20 min, K/h.
    pub slope_k_per_h: Option<f64>,
    /// Steepest slope over 20 min, K/h.
    pub max_slope_k_per_h: Option<f64>,
}

/// Follows the temperatures.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Heat {
    pub(crate) seen: Thermal,
    /// Minutes on end that the case heats faster than the limit while the voltage is held.
    pub(crate) limit_heating_min: f64,
    /// Least current at the present plateau, A, and minutes on end well above it.
    least_at_limit: Option<f64>,
    pub(crate) above_least_min: f64,
}

impl Heat {
    /// Takes a single reading: extremes are those of readings, not of means.
    pub(crate) fn reading(&mut self, case_c: Option<f64>, centre_c: Option<f64>) {
        higher(&mut self.seen.max_case_c, case_c);
        higher(&mut self.seen.max_centre_c, centre_c);
    }

    /// Takes a closed minute.
    pub(crate) fn minute(&mut self, rules: &Rules, context: &Context, window: &Window, held: bool) {
        let Some(minute) = window.last() else { return };
        self.seen.ambient_c = minute
            .ambient_c
            .or(self.seen.ambient_c)
            .or(context.ambient_c);
        self.seen.apart_k = minute.apart_k.or(self.seen.apart_k);
        higher(&mut self.seen.max_apart_k, minute.apart_k);
        if let Some(case) = minute.case_c {
            let start = *self.seen.start_case_c.get_or_insert(case);
            self.seen.case_c = Some(case);
            higher(&mut self.seen.max_rise_k, Some(case - start));
            let above = self.seen.ambient_c.map(|air| case - air);
            higher(&mut self.seen.max_above_ambient_k, above);
            self.seen.slope_k_per_h = slope_k_per_h(rules, window);
            higher(&mut self.seen.max_slope_k_per_h, self.seen.slope_k_per_h);
        }
        self.at_limit(rules, minute, held);
    }

    /// Current and heating while the voltage is held.
    fn at_limit(&mut self, rules: &Rules, minute: &Minute, held: bool) {
        let Some(i) = minute.i.filter(|_| held) else {
            *self = Self {
                seen: self.seen,
                ..Self::default()
            };
            return;
        };
        let slope = self.seen.slope_k_per_h.unwrap_or(0.0);
        let count = |on: bool, minutes: f64| if on { minutes + 1.0 } else { 0.0 };
        self.limit_heating_min = count(slope > rules.limit_heating_k_per_h, self.limit_heating_min);
        let least = self.least_at_limit.map_or(i, |least| least.min(i));
        self.least_at_limit = Some(least);
        let rises = least > 0.0 && i > (1.0 + rules.runaway_rise_share) * least;
        self.above_least_min = count(rises, self.above_least_min);
    }

    /// Case above its start, or above the air where that is less: a battery brought in from the
    /// cold is not heating, nor is a warm shop.
    pub(crate) fn rise_k(&self) -> Option<f64> {
        let rise = self.seen.case_c? - self.seen.start_case_c?;
        Some(match (self.seen.ambient_c, self.seen.case_c) {
            (Some(air), Some(case)) => rise.min(case - air).max(0.0),
            _ => rise,
        })
    }
}

/// Slope of the case over the window, K/h; 0 when it moves less than any rule asks.
fn slope_k_per_h(rules: &Rules, window: &Window) -> Option<f64> {
    let last = window.last()?;
    let mut points = [(0.0, 0.0); slope::POINTS_MAX];
    let mut count = 0;
    for minute in window.since(last.at - 59) {
        let back = (last.at - minute.at) as f64;
        let (Some(case), true) = (minute.case_c, back < rules.theil_sen_min) else {
            continue;
        };
        if let Some(place) = points.get_mut(count) {
            *place = (-back / 60.0, case);
            count += 1;
        }
    }
    let points = points.get(..count)?;
    let span_h = points.last()?.0 - points.first()?.0;
    if count < 6 || span_h < 0.5 * rules.theil_sen_min / 60.0 {
        return None;
    }
    let end = |points: &[(f64, f64)]| {
        let sum: f64 = points.iter().map(|(_, case)| case).sum();
        sum / points.len() as f64
    };
    let third = count / 3;
    let moved = end(points.get(count - third..)?) - end(points.get(..third)?);
    let cool = last.case_c? < rules.heat_limit_c - COOL_K;
    if cool && moved.abs() < MOVES_K {
        return Some(0.0);
    }
    slope::theil_sen(points)
}

fn higher(kept: &mut Option<f64>, value: Option<f64>) {
    if let Some(value) = value {
        *kept = Some(kept.map_or(value, |high| high.max(value)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn heated(rise_k: impl Fn(f64) -> f64, minutes: i64) -> Heat {
        let (rules, context) = (Rules::default(), Context::default());
        let (mut heat, mut window) = (Heat::default(), Window::new());
        for at in 0..minutes {
            window.push(Minute {
                at,
                i: Some(2.0),
                case_c: Some(25.0 + rise_k(at as f64 * 60.0)),
                ambient_c: Some(25.0),
                ..Minute::default()
            });
            heat.minute(&rules, &context, &window, true);
        }
        heat
    }

    // Source: closed form of one heat capacity: 28 W, 1 W/K, 5200 J/K starts at 19.38 K/h and
    // stands 12.27 K above the air after 3000 s.
    #[test]
    fn a_lumped_case_rises_as_the_closed_form_says() {
        let rise = |s: f64| 28.0 * (1.0 - libm::exp(-s / 5_200.0));
        let first = heated(rise, 21);
        let slope = first.seen.max_slope_k_per_h.unwrap();
        assert!((17.0..19.4).contains(&slope), "{slope}");
        let later = heated(rise, 51);
        let above = later.seen.max_above_ambient_k.unwrap();
        assert!((above - 12.2745).abs() < 1e-3, "{above}");
        let fast = heated(|s| 0.35 * s / 60.0, 31);
        assert!(fast.limit_heating_min > 10.0 && later.limit_heating_min < 1.0);
    }

    #[test]
    fn a_warm_shop_is_no_rise_of_the_battery() {
        let heat = heated(|_| 0.0, 30);
        assert_eq!(heat.rise_k(), Some(0.0));
        assert_eq!(heat.seen.slope_k_per_h, Some(0.0));
    }
}
