//! What books, standards and makers say of a lead-acid battery, as functions with their sources.
//!
//! Facts only: nothing here looks at a sample, decides or advises. Volts are at the terminals unless
//! a name says `cell`; tables are those of a 12 V battery, and a 6 V pack is doubled first.

pub mod acid;
pub mod charge_state;
pub mod endurance;
pub mod freezing;
pub mod gas;
pub mod hydrometer;
pub mod limits;
pub mod live_cells;

/// Straight lines through points that ascend by `.0`; the ends hold beyond them.
///
/// An empty table has no value.
fn interpolate(points: &[(f64, f64)], at: f64) -> Option<f64> {
    let (first, last) = (points.first()?, points.last()?);
    if at <= first.0 {
        return Some(first.1);
    }
    for pair in points.windows(2) {
        if let [low, high] = pair
            && at <= high.0
        {
            let share = (at - low.0) / (high.0 - low.0);
            // Exact at both ends.
            return Some(low.1 * (1.0 - share) + high.1 * share);
        }
    }
    Some(last.1)
}
