//! The table of figures, and what its numbers are of many.

use std::time::Duration;

/// One line of the table.
pub(super) struct Line {
    pub(super) what: String,
    pub(super) value: f64,
    pub(super) unit: &'static str,
    pub(super) remark: String,
}

/// The middle value; NaN of none.
pub(super) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    let at = |index: usize| sorted.get(index).copied().unwrap_or(f64::NAN);
    if sorted.len() % 2 == 1 {
        at(middle)
    } else {
        f64::midpoint(at(middle.wrapping_sub(1)), at(middle))
    }
}

/// The value below which so large a share lies.
pub(super) fn quantile(sorted: &[Duration], share: f64) -> f64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index"
    )]
    let index = ((sorted.len() as f64 * share).ceil() as usize).max(1) - 1;
    sorted
        .get(index)
        .map_or(f64::NAN, |time| time.as_secs_f64() * 1_000.0)
}

/// The figures as text.
pub(super) fn text(rounds: u8, scale: f64, lines: &[Line]) -> String {
    let now = crate::clock::Clock::System.now().format("%Y-%m-%d");
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let mut text = format!(
        "restvolt {} on {cores} cores shared with the load, {now}; medians of {} rounds, scale {}\n\n",
        env!("CARGO_PKG_VERSION"),
        rounds,
        scale,
    );
    for line in lines {
        let digits = if line.value >= 1_000.0 { 0 } else { 2 };
        let row = format!(
            "{:47} {:>12.digits$} {:13} {}",
            line.what, line.value, line.unit, line.remark
        );
        text += row.trim_end();
        text += "\n";
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_and_quantiles_are_values_of_the_middle_and_the_share() {
        assert!((median(&[9.0, 1.0, 4.0]) - 4.0).abs() < 1e-12);
        assert!((median(&[9.0, 1.0, 4.0, 2.0]) - 3.0).abs() < 1e-12);
        assert!(median(&[]).is_nan() && quantile(&[], 0.5).is_nan());
        let times: Vec<Duration> = (1..=200).map(Duration::from_millis).collect();
        for (share, expected) in [(0.5, 100.0), (0.99, 198.0), (1.0, 200.0)] {
            assert!((quantile(&times, share) - expected).abs() < 1e-9, "{share}");
        }
    }
}
