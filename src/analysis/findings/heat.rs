//! Heat: the warning ahead and the published limits. Source: SIGNALS 5, DOMAIN 1.2.

use super::View;

/// Below its limit by this much a finding ends, K. Our choice.
const COOLED_K: f64 = 2.0;

/// The case heads for the limit, or current and case reinforce each other.
pub(super) fn warning(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    if !view.charging() {
        return None;
    }
    let case = view.heat.seen.case_c?;
    let slope = view.heat.seen.slope_k_per_h?;
    let rise = view.heat.rise_k()?;
    let told = |why: String| Some(format!("case {case:.1} degC, {slope:.1} K/h: {why}"));
    let within_min = rules.heat_within_min;
    let ahead = (rules.heat_limit_c - case) / slope.max(0.001) * 60.0;
    let heats = slope > rules.heat_slope_k_per_h && rise > rules.heat_rise_k;
    let falls = || {
        let current = view.amperes(rules.theil_sen_min);
        current.is_none_or(|i| i.last < rules.heat_current_share * i.first)
    };
    if heats && ahead <= within_min && !falls() {
        return told(format!(
            "{:.0} degC within {:.0} min",
            rules.heat_limit_c,
            ahead.max(0.0)
        ));
    }
    let near = case >= rules.heat_limit_c - rules.heat_near_k;
    if near && slope > rules.heat_near_slope_k_per_h {
        return told(format!("{:.0} degC is near", rules.heat_limit_c));
    }
    if heats && view.heat.above_least_min >= rules.runaway_min {
        return told(format!(
            "current rises at constant voltage, {:.2} A",
            view.i
        ));
    }
    None
}

/// Charge is over and the case cools.
pub(super) fn calmed(view: &View<'_>) -> bool {
    let slope = view.heat.seen.slope_k_per_h.unwrap_or(0.0);
    !view.charging() && slope <= 0.0
}

/// Case limits of a construction: warn and stop, degC; above the air, K.
pub(crate) fn case_limits(view: &View<'_>) -> (f64, f64, Option<f64>) {
    let rules = view.rules;
    if view.context.valve_regulated() {
        let above = Some(rules.ambient_vrla_k);
        (rules.case_warn_vrla_c, rules.case_stop_vrla_c, above)
    } else if view.context.flooded() {
        let above = Some(rules.ambient_flooded_k);
        (rules.case_warn_flooded_c, rules.case_stop_flooded_c, above)
    } else {
        // Unknown construction: only the limit that no starter battery may pass.
        (rules.case_stop_flooded_c, rules.case_now_c, None)
    }
}

/// How far a limit of the case is passed, in words.
pub(super) fn over(view: &View<'_>) -> Option<String> {
    let (_, stop, above) = case_limits(view);
    let case = view.heat.seen.case_c?;
    if case >= stop {
        return Some(format!(
            "case {case:.1} degC, published limit {stop:.1} degC"
        ));
    }
    view.progress.start_ms?;
    let apart = view.heat.seen.apart_k.unwrap_or(0.0);
    let limit = view.rules.position_stop_k;
    if apart >= limit {
        return Some(format!(
            "case {case:.1} degC at one position, {apart:.1} K above the others, limit {limit:.0} K"
        ));
    }
    let air = view.heat.seen.ambient_c?;
    let rise = view.heat.rise_k()?;
    let limit = above?;
    (rise >= limit).then(|| {
        format!(
            "case {case:.1} degC, {:.1} K above the air, published limit {limit:.0} K",
            case - air
        )
    })
}

/// How far one position is above the others, K, where that is to be looked at.
pub(crate) fn uneven_k(view: &View<'_>) -> Option<f64> {
    let apart = view.heat.seen.apart_k?;
    (apart >= view.rules.position_warn_k && view.progress.start_ms.is_some()).then_some(apart)
}

/// Well below the limits again.
pub(super) fn cooled(view: &View<'_>) -> bool {
    let (_, stop, above) = case_limits(view);
    let case = view.heat.seen.case_c.is_none_or(|c| c < stop - COOLED_K);
    let rise = view.heat.rise_k().zip(above);
    let apart = view.heat.seen.apart_k.unwrap_or(0.0);
    case && apart < view.rules.position_stop_k - COOLED_K
        && rise.is_none_or(|(k, limit)| k < limit - COOLED_K)
}
