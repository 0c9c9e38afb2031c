//! When the acid of a battery freezes: by specific gravity, by rested voltage, by state of charge.
//!
//! A widely copied table (25 % at -16 degF, discharged at -10 degF) is wrong by 20 degF and not used.

use super::acid::gravity_of_cell_v;
use super::interpolate;

/// Specific gravity at 25 degC and freezing point, degC.
///
/// Source: US Army Ordnance subcourse OD1002 lesson 2; 1.050 an owner's manual; 1.220 TM
/// 10-6140-200-14. For 1.280 two manuals print -90 and -95 degF: the warmer stands here.
const BY_GRAVITY: [(f64, f64); 8] = [
    (1.000, 0.0),
    (1.050, -2.8),
    (1.100, -7.2),
    (1.150, -15.0),
    (1.200, -26.7),
    (1.220, -35.0),
    (1.250, -52.2),
    (1.280, -68.0),
];
/// State of charge, %, and freezing point, degC. Source: TM 5-3820-256-24-4 p. 366, its degC column.
const BY_CHARGE: [(f64, f64); 5] = [
    (0.0, -9.4),
    (25.0, -15.0),
    (50.0, -26.1),
    (75.0, -37.2),
    (100.0, -59.5),
];
/// Rested voltage of six cells below which the acid counts as water, V. Source: DOMAIN 2.5.
const WATER_V12: f64 = 11.3;

/// Freezing point, degC, from specific gravity at 25 degC; the table's ends hold beyond it.
#[must_use]
pub fn point_of_gravity(gravity: f64) -> f64 {
    interpolate(&BY_GRAVITY, gravity).unwrap_or_default()
}

/// Freezing point, degC, from the rested voltage of six cells.
///
/// The voltage gives the acid (DOMAIN 2.3), the acid the freezing point. Below 11.3 V cells may be
/// lost and the acid counts as water: 0 degC.
#[must_use]
pub fn point_of_rest_v(v12: f64) -> f64 {
    if v12 < WATER_V12 {
        0.0
    } else {
        point_of_gravity(gravity_of_cell_v(v12 / 6.0))
    }
}

/// Freezing point, degC, from the state of charge, %, flooded cells that were full at 1.265.
#[must_use]
pub fn point_of_charge(percent: f64) -> f64 {
    interpolate(&BY_CHARGE, percent).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::celsius_of_fahrenheit;

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} {expected}");
    }

    /// Rows 20 and 21 of DOMAIN 10; source: US Army Ordnance subcourse OD1002, lesson 2.
    #[test]
    fn rows_20_and_21_freezing_points_by_gravity() {
        close(point_of_gravity(1.100), celsius_of_fahrenheit(19.0), 0.3);
        close(point_of_gravity(1.250), celsius_of_fahrenheit(-62.0), 0.3);
        let printed = [(1.000, 32.0), (1.150, 5.0), (1.200, -16.0), (1.220, -31.0)];
        for (gravity, fahrenheit) in printed {
            close(
                point_of_gravity(gravity),
                celsius_of_fahrenheit(fahrenheit),
                0.06,
            );
        }
    }

    /// Row 22; source: TM 5-3820-256-24-4 p. 366, table 2.
    #[test]
    fn row_22_a_discharged_battery_freezes_near_minus_9() {
        close(point_of_gravity(1.120), -9.4, 1.5);
        close(point_of_charge(0.0), -9.4, 0.01);
    }

    /// Row 23, and the other voltages of DOMAIN 2.5 (whole degrees there; its -39 at 12.45 V leaves
    /// out the point at 1.220, with which the answer is 2 degC warmer).
    #[test]
    fn row_23_freezing_point_by_rested_voltage() {
        close(point_of_rest_v(11.89), -10.2, 1.5);
        for (v12, celsius) in [
            (12.24, -23.0),
            (12.06, -15.0),
            (11.6, -5.0),
            (11.5, -4.0),
            (11.4, -3.0),
        ] {
            close(point_of_rest_v(v12), celsius, 1.0);
        }
        close(point_of_rest_v(12.45), -39.0, 2.0);
        for v12 in [11.29, 10.5, 1.0] {
            close(point_of_rest_v(v12), 0.0, 1e-12);
        }
    }

    #[test]
    fn more_charge_never_freezes_warmer() {
        let mut last = [1.0; 3];
        for step in 0..=300 {
            let share = f64::from(step) / 300.0;
            let found = [
                point_of_gravity(1.0 + 0.3 * share),
                point_of_rest_v(11.0 + 2.0 * share),
                point_of_charge(100.0 * share),
            ];
            for (now, before) in found.iter().zip(last) {
                assert!(*now <= before + 1e-9, "{share}: {found:?}");
            }
            last = found;
        }
    }
}
