//! Nothing flows, or it comes and goes. Source: SIGNALS 5.

use super::View;

/// Share of drops to nothing from which a pack's own protection may open. Our choice.
const PROTECTION_SHARE: f64 = 0.7;

/// Fewest drops to nothing of an intermittent cell. Our choice.
const OPEN_TOGGLES: f64 = 3.0;

/// No current ever and next to no voltage.
pub(super) fn not_started(view: &View<'_>) -> Option<String> {
    let waited = ((view.at + 1) * 60_000 - view.progress.first_ms?) as f64 / 60_000.0;
    let nothing = view.progress.start_ms.is_none() && view.v < view.rules.not_started_v;
    (nothing && waited >= view.rules.not_started_min).then(|| {
        format!(
            "{:.2} V and no current for {waited:.0} min: the charge has not started",
            view.shown(view.v)
        )
    })
}

/// Current came after all.
pub(super) fn has_started(view: &View<'_>) -> bool {
    view.charging()
}

/// The charger's voltage without the battery's current.
pub(super) fn open_cell(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    let toggles = view.steps.toggles();
    let all_open = toggles.to_nothing >= rules.open_toggle_share * toggles.drops;
    if toggles.to_nothing >= OPEN_TOGGLES && all_open && !own_protection(view) {
        return Some(format!(
            "current fell to nothing {:.0} times and came back {:.0} times within {elapsed:.0} min: \
             a contact inside or outside opens",
            toggles.to_nothing, toggles.returns
        ));
    }
    let start_ms = view.progress.start_ms?;
    let full = ((view.at + 1) * 60_000 - start_ms) as f64 / 60_000.0;
    if full < rules.open_min || elapsed > rules.open_min + 1.0 {
        return None;
    }
    let limit = view
        .scale
        .c20
        .map_or(view.scale.on_a, |c20| rules.open_share_c * c20);
    let from = start_ms.div_euclid(60_000);
    let mut none = (true, 0.0);
    for minute in view.window.since(from) {
        let (Some(v), Some(i)) = (minute.v.and_then(|v| view.scale.v12(v)), minute.i) else {
            continue;
        };
        none = (
            none.0 && v >= rules.at_limit_v - 0.15 && i.abs() < limit,
            none.1 + 1.0,
        );
    }
    let little = view.accepted().is_none_or(|c| c < rules.open_total_c);
    (none.0 && none.1 >= 2.0 && little).then(|| {
        format!(
            "{:.2} V and {:.3} A for {full:.0} min from the start: nothing conducts",
            view.shown(view.v),
            view.i
        )
    })
}

/// Current flows again, more than an open circuit lets through.
pub(super) fn flows_again(view: &View<'_>) -> bool {
    let open = view.rules.open_share_c;
    let flows = view.current_c().map_or(view.charging(), |c| c > 5.0 * open);
    flows && view.steps.toggles().to_nothing < OPEN_TOGGLES
}

/// Contact that comes and goes, by the charger alone or by charger and meter.
pub(super) fn loose_clamp(view: &View<'_>) -> Option<String> {
    let rules = view.rules;
    let elapsed = view.elapsed?;
    if own_protection(view) {
        return None;
    }
    let toggles = view.steps.toggles();
    let often = toggles.returns >= rules.toggle_per_h * (elapsed / 60.0).max(1.0);
    if toggles.returns >= rules.toggle_count && often {
        return Some(format!(
            "contact was lost and came back {:.0} times within {elapsed:.0} min of charge",
            toggles.returns
        ));
    }
    let spread = view.contact_spread?;
    // Without jumps of the charger a wide spread may come from clocks that differ.
    let jumps = toggles.drops + toggles.returns >= 2.0;
    let sure = jumps || spread > 2.0 * rules.contact_spread_ohm;
    (spread > rules.contact_spread_ohm && sure && elapsed >= rules.contact_judge_min).then(|| {
        format!("resistance between charger and posts moved by {spread:.2} Ohm in the first hour")
    })
}

/// Whether drops of contact may be a lithium pack's own protection: to nothing, or at the limit.
fn own_protection(view: &View<'_>) -> bool {
    let toggles = view.steps.toggles();
    let whole = toggles.to_nothing >= PROTECTION_SHARE * toggles.drops;
    view.bulk.looks_lithium(view.rules) && (whole || toggles.below_limit < 2.0)
}
