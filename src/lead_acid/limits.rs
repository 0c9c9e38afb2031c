//! What a charge may do to a battery by its construction: voltage, temperature, current, time.
//!
//! The label wins over every number here. What nobody read off the case gets the strictest.

use super::acid::REFERENCE_C;
use crate::record::limits;
use crate::record::words::{Chemistry, Purpose};

/// Temperatures between which limits are compensated, degC; our choice, DOMAIN 3.1.
const COMPENSATED_C: (f64, f64) = (0.0, 50.0);
/// Voltage from which a glass-mat battery is at its ceiling, V of six cells. Source: a car maker,
/// 2021.
const AGM_CEILING_V: f64 = 14.4;

/// Highest absorption voltage at 25 degC, V of six cells. Source: DOMAIN 3.1.
///
/// Gel takes the classic 14.1; newer ones are labelled 14.4 to 14.6.
#[must_use]
pub fn absorption_v(chemistry: Chemistry) -> f64 {
    f64::from(limits::absorption(chemistry).ceiling_mv) / 1_000.0
}

/// Highest voltage of a kind of charge at 25 degC, V of six cells; `None` where none is allowed.
///
/// Source: DOMAIN 3.1: flooded 15.5 equalise (a 6 V data sheet) and 16 recovery (car makers' table
/// for flat batteries); AGM and gel never above absorption without the maker's word; lithium never.
#[must_use]
pub fn ceiling_v(chemistry: Chemistry, purpose: Purpose) -> Option<f64> {
    let flooded = limits::is_flooded(chemistry);
    match purpose {
        _ if chemistry == Chemistry::Lifepo4 => None,
        Purpose::RecoveryCharge if flooded => Some(16.0),
        Purpose::Equalise if flooded => Some(15.5),
        Purpose::Equalise => None,
        Purpose::PlainCharge | Purpose::RecoveryCharge => Some(absorption_v(chemistry)),
    }
}

/// Compensation by temperature, mV per degC and cell; less voltage when warmer.
///
/// Source: DOMAIN 3.1: 5.0 flooded (0.028 V a cell per 10 degF of a data sheet), 3 AGM, 3 gel. An
/// unknown construction gets the stricter on either side: 3 below 25 degC, 5 above.
#[must_use]
pub fn compensation_mv(chemistry: Chemistry, celsius: f64) -> f64 {
    match chemistry {
        Chemistry::Unknown if celsius > REFERENCE_C => compensation_mv(Chemistry::Flooded, celsius),
        Chemistry::Lifepo4 => 0.0,
        known => f64::from(limits::absorption(known).compensation_mv),
    }
}

/// A limit at a temperature, V: `u25_v` of the pack at 25 degC, mV per degC and cell.
///
/// Below 0 and above 50 degC the limits of 0 and 50 hold.
#[must_use]
pub fn compensated_v(u25_v: f64, cells: u8, mv_per_c: f64, celsius: f64) -> f64 {
    let (coldest, warmest) = COMPENSATED_C;
    let apart = celsius.clamp(coldest, warmest) - REFERENCE_C;
    u25_v - f64::from(cells) * mv_per_c / 1_000.0 * apart
}

/// Highest voltage of a kind of charge at a temperature, V of six cells; `None` where none is allowed.
///
/// Cold raises absorption, never what already lies above it.
#[must_use]
pub fn ceiling_at_v(chemistry: Chemistry, purpose: Purpose, celsius: f64) -> Option<f64> {
    let ceiling = ceiling_v(chemistry, purpose)?;
    let moved = compensated_v(ceiling, 6, compensation_mv(chemistry, celsius), celsius);
    if ceiling > absorption_v(chemistry) {
        Some(moved.min(ceiling))
    } else {
        Some(moved)
    }
}

/// Highest charging current, multiples of C20; `None` for lithium, where its maker says.
///
/// Source: DOMAIN 3.1: 0.25 flooded (our choice), 0.2 AGM (a maker's storage article; others up to
/// 0.3), 0.15 gel (from memory). Unknown counts as gel.
#[must_use]
pub fn current_c(chemistry: Chemistry) -> Option<f64> {
    match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded => Some(0.25),
        Chemistry::Agm => Some(0.20),
        Chemistry::Gel | Chemistry::Unknown => Some(0.15),
        Chemistry::Lifepo4 => None,
    }
}

/// Highest constant current above the absorption voltage, multiples of C20. Our choice, DOMAIN 3.2.
pub const ELEVATED_CURRENT_C: f64 = 0.05;

/// Hours without measurable current after which makers replace a battery, at a voltage of six cells.
///
/// Source: the table for completely discharged batteries of several car makers: 4 h from 16.0 V,
/// 8 h from 14.0 V, 16 h below; a glass-mat battery at its 14.4 V ceiling 4 h (2021).
#[must_use]
pub fn no_current_hours(chemistry: Chemistry, v12: f64) -> f64 {
    let dust = 1e-9;
    if v12 >= 16.0 - dust || (chemistry == Chemistry::Agm && v12 >= AGM_CEILING_V - dust) {
        4.0
    } else if v12 >= 14.0 - dust {
        8.0
    } else {
        16.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} {expected}");
    }

    /// Rows 29 to 31 of DOMAIN 10: `U25 + n k (T - 25)`.
    #[test]
    fn rows_29_to_31_absorption_follows_temperature_and_cells() {
        close(compensated_v(14.40, 6, 4.0, 10.0), 14.76, 0.005);
        close(compensated_v(14.40, 6, 3.0, 35.0), 14.22, 0.005);
        close(compensated_v(14.40, 6, 5.0, 35.0), 14.10, 0.005);
        close(compensated_v(7.20, 3, 4.0, 10.0), 7.38, 0.005);
    }

    /// Row 32; source: a 6 V flooded deep-cycle data sheet of 2014.
    #[test]
    fn row_32_the_coefficient_of_the_data_sheet_is_the_one_of_flooded() {
        let per_celsius = 0.028 * 1_000.0 / (10.0 / 1.8);
        close(per_celsius, 5.04, 0.01);
        close(compensation_mv(Chemistry::Flooded, 30.0), per_celsius, 0.05);
    }

    /// Source: DOMAIN 3.1, temperature clamped to 0 to 50 degC.
    #[test]
    fn frost_and_heat_beyond_the_range_change_no_limit() {
        for (beyond, end) in [(-30.0, 0.0), (80.0, 50.0)] {
            for chemistry in Chemistry::ALL {
                let at = |celsius| ceiling_at_v(*chemistry, Purpose::PlainCharge, celsius);
                assert_eq!(at(beyond), at(end));
            }
        }
    }

    #[test]
    fn an_unknown_construction_never_gets_more_than_any_known_one() {
        for purpose in Purpose::ALL {
            for celsius in [-10.0, 10.0, 25.0, 35.0, 45.0] {
                let at = |chemistry| ceiling_at_v(chemistry, *purpose, celsius);
                for known in [Chemistry::Flooded, Chemistry::Agm, Chemistry::Gel] {
                    if let (Some(unknown), Some(known)) = (at(Chemistry::Unknown), at(known)) {
                        assert!(unknown <= known + 1e-9, "{purpose} {celsius}");
                    }
                }
            }
        }
        for purpose in Purpose::ALL {
            assert_eq!(ceiling_v(Chemistry::Lifepo4, *purpose), None);
        }
        assert_eq!(ceiling_v(Chemistry::Gel, Purpose::Equalise), None);
        let hot = ceiling_at_v(Chemistry::Flooded, Purpose::RecoveryCharge, 0.0);
        assert_eq!(hot, Some(16.0), "cold must not raise an elevated ceiling");
    }

    /// Row 57; source: several car makers' table for completely discharged batteries.
    #[test]
    fn row_57_hours_without_current() {
        let hours = 4.0 + 1.0 / 60.0;
        let over = |chemistry, v12| hours > no_current_hours(chemistry, v12);
        assert!(over(Chemistry::Flooded, 16.0));
        assert!(!over(Chemistry::Flooded, 14.4) && over(Chemistry::Agm, 14.4));
        close(no_current_hours(Chemistry::Flooded, 14.4), 8.0, 0.0);
        close(no_current_hours(Chemistry::Flooded, 15.9), 8.0, 0.0);
        close(no_current_hours(Chemistry::Flooded, 13.9), 16.0, 0.0);
    }
}
