//! Published ceilings of voltage and charge. Source: DOMAIN 1.2, 3.1; ARCHITECTURE 7.

use super::View;

/// Most degrees by which a ceiling is compensated, degC. Source: DOMAIN 3.1.
const CLAMP_C: (f64, f64) = (0.0, 50.0);

/// Highest voltage this construction may get, V at 12 V, and where that comes from.
fn ceiling(view: &View<'_>) -> (f64, &'static str) {
    let rules = view.rules;
    let celsius = view
        .progress
        .celsius
        .unwrap_or(25.0)
        .clamp(CLAMP_C.0, CLAMP_C.1);
    let cold = rules.ceiling_tempco_v_per_k * (25.0 - celsius).max(0.0);
    let (by_kind, word) = if view.context.flooded() {
        (rules.ceiling_flooded_v, "flooded")
    } else if view.context.valve_regulated() {
        match view.context.chemistry {
            crate::record::words::Chemistry::Gel => (rules.ceiling_gel_v, "gel"),
            _ => (rules.ceiling_agm_v, "glass mat"),
        }
    } else {
        (rules.ceiling_flooded_v, "any starter battery")
    };
    let by_kind = by_kind + cold + rules.ceiling_slack_v;
    let plan = view.context.planned_limit_v.and_then(|v| view.scale.v12(v));
    match plan.map(|v| v + cold + rules.plan_slack_v) {
        Some(planned) if planned < by_kind => (planned, "the plan"),
        _ => (by_kind, word),
    }
}

/// Above the ceiling for some minutes.
pub(super) fn over_voltage(view: &View<'_>) -> Option<String> {
    view.scale.cells?;
    let (limit, whose) = ceiling(view);
    if view.v <= limit {
        return None;
    }
    let volts = view.volts(view.rules.ceiling_min)?;
    let long = volts.span_min >= view.rules.ceiling_min - 0.5;
    (long && volts.low > limit).then(|| {
        format!(
            "{:.2} V for {:.0} min, ceiling of {whose} {:.2} V at this temperature",
            view.shown(view.v),
            volts.span_min,
            view.shown(limit)
        )
    })
}

/// Below it again.
pub(super) fn voltage_fine(view: &View<'_>) -> bool {
    view.v <= ceiling(view).0
}

/// More charge than a battery of this size takes.
pub(super) fn overrun(view: &View<'_>) -> Option<String> {
    let most = if view.context.valve_regulated() {
        view.rules.overrun_vrla_c
    } else {
        view.rules.overrun_flooded_c
    };
    let accepted = view.accepted()?;
    (accepted > most && view.charging()).then(|| {
        format!(
            "{:.1} Ah went in, {accepted:.1} times its rated capacity; limit {most:.1} times",
            view.progress.ah
        )
    })
}

/// Low and flat for hours although current flows and most of the missing charge was delivered.
pub(super) fn stalled(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    view.scale.cells?;
    let hours = view.elapsed? / 60.0;
    if hours < rules.stalled_h || view.v >= rules.stalled_v {
        return None;
    }
    let range = view.window.long_range(rules.stalled_h)?;
    let gained = view.scale.v12(range.last - range.first)?;
    let flat = range.span_min >= 60.0 * rules.stalled_h - 10.0 && gained < rules.stalled_gain_v;
    let flows =
        view.current_c()? >= rules.stalled_current_c && view.amperes(60.0)?.low >= view.scale.on_a;
    let missing = view.missing_c(view.cells())?;
    let delivered = view.accepted()? >= rules.stalled_missing_share * missing && missing > 0.1;
    (flat && flows && delivered).then(|| {
        format!(
            "{:.2} V, {:.2} V gained in {:.0} h at {:.1} A and {:.1} Ah",
            view.shown(view.v),
            view.shown(gained),
            rules.stalled_h,
            view.i,
            view.progress.ah
        )
    })
}
