//! What a battery takes: nothing at the limit, little by little, or less than it once did.
//!
//! Source: SIGNALS 5; amendments of ARCHITECTURE 7.

use super::View;
use crate::analysis::slope;
use crate::record::words::Stage;

/// Temperature above which cold no longer excuses a small current, degC. Source: SIGNALS 5.
const WARM_C: f64 = 25.0;

/// Share of C20 per minute below which a waking battery takes nothing. Our choice.
const WAKING_CURRENT_C: f64 = 0.005;

/// At the limit within the first hour and taking next to nothing.
pub(super) fn none(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    if !(59.0..65.0).contains(&elapsed) {
        return None;
    }
    let (limit, all) = view.progress.limit_minutes;
    let accepted = view.accepted()?;
    let median = median_c(view)?;
    let colder = (WARM_C - view.progress.celsius.unwrap_or(WARM_C)).max(0.0);
    let most = rules.sulfate_current_c * libm::exp(-rules.sulfate_cold_per_k * colder);
    let long = all > 0.0 && limit / all >= rules.sulfate_limit_share;
    let little = median < most && accepted < rules.sulfate_accept_c;
    let discharged = view
        .progress
        .was_discharged(rules, view.context, view.scale);
    (long && little && discharged).then(|| {
        format!(
            "{:.1} % of C20 accepted in {:.0} min, {limit:.0} min of them at the voltage limit, \
             {:.2} A now: sulfated",
            100.0 * accepted,
            elapsed + 1.0,
            view.i
        )
    })
}

/// Median one-minute current of the first hour as a share of C20.
fn median_c(view: &View<'_>) -> Option<f64> {
    let from = view.progress.start_ms?.div_euclid(60_000);
    let mut values = [0.0; 64];
    let mut count = 0;
    for i in view.window.since(from).filter_map(|m| m.i) {
        if let Some(place) = values.get_mut(count) {
            *place = i;
            count += 1;
        }
    }
    view.scale.share(slope::median(values.get_mut(..count)?)?)
}

/// It took a fifth of its capacity after all.
pub(super) fn accepts_again(view: &View<'_>) -> bool {
    view.accepted().is_some_and(|c| c >= 0.2)
}

/// From next to nothing to six cells with current flowing: acid forms.
pub(super) fn waking(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    view.scale.cells?;
    let start = view.start_v().or(view.progress.first_v)?;
    let began = view.start_v().map_or(start, |v| v.min(start));
    if began >= rules.waking_start_v || view.v < rules.waking_v {
        return None;
    }
    let volts = view.volts(rules.waking_min)?;
    let held = volts.span_min >= rules.waking_min - 0.5
        && volts.low >= rules.waking_v
        && volts.high <= rules.waking_max_v
        && volts.last >= volts.first - 0.05
        && volts.last - volts.first <= rules.waking_gain_v;
    let flows = view.amperes(rules.waking_min)?.low >= view.scale.on_a
        && view.current_c()? >= WAKING_CURRENT_C;
    let early = elapsed <= 4.0 * rules.reversed_wait_min + 2.0 * rules.waking_min;
    (held && flows && early).then(|| {
        format!(
            "from {:.2} V to {:.2} V within {elapsed:.0} min at {:.2} A: the acid forms again",
            view.shown(began),
            view.shown(view.v),
            view.i
        )
    })
}

/// High voltage after rest and little cranking current, in a battery that holds its acid.
pub(super) fn dried_out(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    if !view.context.valve_regulated() || view.stages.now() != Some(Stage::Rest) {
        return None;
    }
    let rested = (view.at - view.stages.resting_since()?) as f64;
    let high = (rules.dry_rest_v..rules.dry_rest_max_v).contains(&view.v);
    let few = view.accepted()? <= rules.dry_accept_c;
    let start = view.progress.start_v(view.scale, view.context, rules);
    let strong = match start {
        Some(v) => v >= rules.dry_start_v,
        None => view
            .progress
            .first_v
            .is_some_and(|v| v >= rules.dry_start_v),
    };
    let share = view.context.cca_share()?;
    let weak = share < rules.weak_cca_share && !view.context.below_instrument_minimum;
    (rested >= rules.dry_rest_min && high && few && strong && weak).then(|| {
        format!(
            "{:.2} V after {rested:.0} min of rest, yet {:.0} % of the rated cranking current and \
             {:.0} % of C20 accepted: water is lost",
            view.shown(view.v),
            100.0 * share,
            100.0 * view.accepted().unwrap_or(0.0)
        )
    })
}
