//! How many batteries a fair coin between two methods needs before it settles which is better.

use crate::model::normal;
use crate::model::whole::whole;

/// Gives the number of batteries for each of the two methods, rounded up.
///
/// `first` and `second` are the recovery rates to tell apart, `level` the two-sided confidence
/// (.95) and `power` the chance to see the difference if it is there (.80 or .90). `None` when
/// the rates are equal or a number is not strictly between 0 and 1.
///
/// Source: Fleiss 1981, Statistical Methods for Rates and Proportions, 2nd ed., without continuity
/// correction (from memory); checked against the example of R power.prop.test.
///
/// # Examples
/// ```
/// use restvolt::model::comparison::experiment::batteries_per_method;
/// assert_eq!(batteries_per_method(0.50, 0.75, 0.95, 0.90), Some(77));
/// ```
#[must_use]
pub fn batteries_per_method(first: f64, second: f64, level: f64, power: f64) -> Option<u64> {
    let is_share = |value: f64| value > 0.0 && value < 1.0;
    let gap = (first - second).abs();
    if ![first, second, level, power].into_iter().all(is_share) || gap < 1e-6 {
        return None;
    }
    let pooled = f64::midpoint(first, second);
    let under_none = libm::sqrt(2.0 * pooled * (1.0 - pooled));
    let under_gap = libm::sqrt(first * (1.0 - first) + second * (1.0 - second));
    let reach =
        normal::quantile(0.5 * (1.0 + level)) * under_none + normal::quantile(power) * under_gap;
    let root = reach.max(0.0) / gap;
    // At most about 1e14: far below the largest whole number of a double.
    Some((whole(libm::ceil(root * root)) as u64).max(1))
}

/// Gives how many failures in a row show, with this confidence, that a chance is below `chance`.
///
/// `None` when a number is not strictly between 0 and 1. Source: `(1 - p)^n <= 1 - confidence`.
///
/// # Examples
/// ```
/// use restvolt::model::comparison::experiment::failures_in_a_row;
/// assert_eq!(failures_in_a_row(0.1, 0.95), Some(29));
/// ```
#[must_use]
pub fn failures_in_a_row(chance: f64, confidence: f64) -> Option<u64> {
    let is_share = |value: f64| value > 0.0 && value < 1.0;
    let count = libm::ceil(libm::log1p(-confidence) / libm::log1p(-chance));
    (is_share(chance) && is_share(confidence)).then_some((whole(count) as u64).max(1))
}
