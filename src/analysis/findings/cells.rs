//! Cells that are lost or turned round. Source: SIGNALS 5 with the amendments of ARCHITECTURE 7.

use super::View;
use crate::record::words::Stage;

/// Times between which a voltage must be flat to be judged, minutes. Source: SIGNALS 5.
const FLAT_MIN: f64 = 10.0;

/// How long full current flowed when a plateau below the limit is judged, minutes. Our choice.
const FULL_MIN: f64 = 40.0;

/// Rest after which a fallen voltage is judged, minutes. Our choice.
const REST_MIN: f64 = 30.0;

/// Voltages at 12 V of one cell less: at rest and under charge.
fn bands(view: &View<'_>) -> ((f64, f64), (f64, f64)) {
    let live = 6.0 * (view.cells() - 1.0) / view.cells();
    let r = view.rules;
    (
        (live * r.rest_cell_low_v, live * r.rest_cell_high_v),
        (live * r.band_low_v, live * r.band_high_v),
    )
}

/// Whether the charge began in the band of one cell less; the first voltage under charge is above
/// the rested one and counts when no rested one is known.
fn began_in_band(view: &View<'_>) -> bool {
    let ((low, high), _) = bands(view);
    let start = view.start_v().or(view.progress.first_v);
    start.is_some_and(|v| (low..=high).contains(&v))
}

/// One cell less than the label says.
pub(super) fn shorted(view: &View<'_>) -> Option<String> {
    view.scale.cells?;
    flat_in_band(view)
        .or_else(|| full_below_limit(view))
        .or_else(|| fell_at_rest(view))
}

/// A battery that seemed to wake and has a lost cell.
pub(super) fn shorted_after_all(view: &View<'_>) -> bool {
    shorted(view).is_some()
}

fn flat_in_band(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    let wait = if began_in_band(view) {
        rules.short_min
    } else {
        rules.short_outside_min
    };
    let (_, (low, high)) = bands(view);
    if elapsed < wait || !(low..=high).contains(&view.v) {
        return None;
    }
    let volts = view.volts(FLAT_MIN)?;
    let flows = view.amperes(FLAT_MIN)?.low >= view.scale.on_a
        && view.current_c().is_none_or(|c| c >= rules.short_current_c);
    let slope = (volts.last - volts.first) / volts.span_min * 60.0;
    let fits = volts.span_min >= FLAT_MIN - 0.5
        && volts.low >= low
        && volts.high <= high
        && slope.abs() < rules.short_flat_v_per_h;
    (fits && flows).then(|| {
        format!(
            "{:.2} V after {elapsed:.0} min at {:.1} A: {:.0} live cells",
            view.shown(view.v),
            view.i,
            view.cells() - 1.0
        )
    })
}

fn full_below_limit(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    let in_band = began_in_band(view);
    if !(rules.short_full_min_v..=rules.short_full_v).contains(&view.v) {
        return None;
    }
    let volts = view.volts(FULL_MIN)?;
    let amperes = view.amperes(FULL_MIN)?;
    let steady = amperes.low >= 0.97 * amperes.high && view.i >= 0.95 * view.progress.i_max;
    let flat = volts.last - volts.first <= rules.short_full_flat_v
        && volts.high <= rules.short_full_v
        && volts.low >= rules.short_full_min_v;
    if !steady || !flat || volts.span_min < FULL_MIN - 0.5 {
        return None;
    }
    let (live, least) = if in_band {
        (view.cells() - 1.0, rules.short_full_share)
    } else {
        (view.cells(), rules.short_full_share_outside)
    };
    let missing = view.missing_c(6.0 * live / view.cells())?;
    let accepted = view.accepted()?;
    let strong = view.current_c()? >= rules.stalled_current_c;
    let enough = accepted >= (least * missing).max(rules.short_full_least_c);
    let told = in_band || missing > 0.1;
    // Full cells beside a lost one turn the charge into heat; sulfate with the same voltage does not.
    let warm = view.heat.rise_k().is_none_or(|k| k >= rules.heat_rise_k);
    (strong && told && enough && warm).then(|| {
        format!(
            "{:.2} V and no longer rising after {elapsed:.0} min at {:.1} A and {:.1} Ah: \
             one cell does not take part",
            view.shown(view.v),
            view.i,
            view.progress.ah
        )
    })
}

fn fell_at_rest(view: &View<'_>) -> Option<String> {
    let since = view.stages.resting_since()?;
    let rested = (view.at - since) as f64;
    let ((low, high), _) = bands(view);
    let accepted = view
        .accepted()
        .is_some_and(|c| c >= view.rules.sulfate_accept_c);
    let most = if view.stages.ever_held() {
        view.rules.fell_held_max_v
    } else {
        view.rules.fell_max_v
    };
    let never_full = view.progress.v_max < most;
    let fell = rested >= REST_MIN && (low..=high).contains(&view.v);
    (fell && accepted && never_full).then(|| {
        format!(
            "{:.2} V after {rested:.0} min of rest and {:.1} Ah of charge: {:.0} live cells",
            view.shown(view.v),
            view.progress.ah,
            view.cells() - 1.0
        )
    })
}

/// Two or more cells less. Unmeasured.
pub(super) fn several(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    view.scale.cells?;
    let elapsed = view.elapsed?;
    let long = elapsed >= rules.several_min && view.accepted()? >= rules.several_share_c;
    if !long {
        return None;
    }
    let volts = view.volts(FLAT_MIN)?;
    let flat = volts.width() / volts.span_min * 60.0 < rules.short_flat_v_per_h;
    if !flat || !view.charging() || view.current_c()? < rules.short_current_c {
        return None;
    }
    let per_cell = 6.0 / view.cells();
    let mut live = view.cells() - 2.0;
    while live >= 1.0 {
        let (low, high) = (
            live * per_cell * rules.band_low_v,
            live * per_cell * rules.band_high_v,
        );
        if volts.low >= low && volts.high <= high {
            return Some(format!(
                "{:.2} V after {elapsed:.0} min at {:.1} A: {live:.0} live cells",
                view.shown(view.v),
                view.i
            ));
        }
        live -= 1.0;
    }
    None
}

/// A cell that stood the wrong way round and turns.
pub(super) fn reversed(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    let start = view.progress.first_v?;
    let low = view.start_v().map_or(start, |v| v.min(start));
    // Six cells rest at 8 V with one of them reversed, three at 2 V: 4 V at 12 V.
    let shift = 12.0 * (view.cells() - 2.0) / view.cells() - 8.0;
    let (from, to) = (rules.reversed_low_v + shift, rules.reversed_high_v + shift);
    let below = rules.reversed_below_v * 1.2 * (view.cells() - 1.0) / view.cells();
    let began = (from..=to).contains(&low) && start <= to;
    if !began || elapsed < rules.reversed_wait_min || view.stages.now() == Some(Stage::Rest) {
        return None;
    }
    let before = view.at - super::whole_minutes(rules.reversed_step_min);
    let mut earlier: Option<f64> = None;
    for minute in view.window.since(before) {
        let since_start = view.progress.elapsed_min(minute.at);
        let waited = since_start.is_some_and(|min| min >= rules.reversed_wait_min - 1.0);
        let flows = minute.i.is_some_and(|i| i >= view.scale.on_a);
        let Some(v) = minute.v.and_then(|v| view.scale.v12(v)) else {
            continue;
        };
        if waited && flows && v < below {
            earlier = Some(earlier.map_or(v, |least| least.min(v)));
        }
    }
    let step = view.v - earlier?;
    (view.charging() && step >= rules.reversed_step_v).then(|| {
        format!(
            "{:.2} V for more than {:.0} min under charge, then {:.2} V within {:.0} min: \
             a reversed cell turned round",
            view.shown(view.v - step),
            rules.reversed_wait_min,
            view.shown(view.v),
            rules.reversed_step_min
        )
    })
}
