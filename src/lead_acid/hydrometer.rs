//! Hydrometer readings brought to one temperature.
//!
//! Two corrections are in use; a reading says which of them its instrument was made for.

use crate::units::celsius_of_fahrenheit;

/// Specific gravity per degF. Source: NAVEDTRA 14344, 0.001 per 3 degF.
const PER_FAHRENHEIT: f64 = 0.001 / 3.0;
/// Specific gravity per degC. Source: a car maker's manual, S20 = St + 0.0007 (t - 20).
const PER_CELSIUS: f64 = 0.000_7;

/// Brings a reading to 80 degF (26.7 degC): 0.001 per 3 degF, more when warmer.
///
/// Source: NAVEDTRA electronics course 14344. Another handbook's 0.004 per 10 degF gives 0.002
/// more at 110 degF.
#[must_use]
pub fn gravity_at_80_fahrenheit(gravity: f64, celsius: f64) -> f64 {
    let above = (celsius - celsius_of_fahrenheit(80.0)) * 1.8;
    gravity + PER_FAHRENHEIT * above
}

/// Brings a reading to 20 degC: 0.0007 per degC, more when warmer.
///
/// Source: a car maker's battery inspection; the density of acid confirms it (DOMAIN 2.4).
#[must_use]
pub fn gravity_at_20_celsius(gravity: f64, celsius: f64) -> f64 {
    gravity + PER_CELSIUS * (celsius - 20.0)
}

/// Brings a reading to 25 degC, the scale of [`super::acid`], by the same 0.0007 per degC.
#[must_use]
pub fn gravity_at_25_celsius(gravity: f64, celsius: f64) -> f64 {
    gravity + PER_CELSIUS * (celsius - super::acid::REFERENCE_C)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} {expected}");
    }

    /// Row 24 of DOMAIN 10; source: NAVEDTRA 14344; 1.262 by the 0.004 per 10 degF of a chart.
    #[test]
    fn row_24_a_warm_reading_is_corrected_upward() {
        let warm = gravity_at_80_fahrenheit(1.250, celsius_of_fahrenheit(110.0));
        close(warm, 1.260, 0.001);
        close(warm + 0.002, 1.262, 0.001);
    }

    /// Row 25; source: NAVEDTRA 14344.
    #[test]
    fn row_25_a_cold_reading_is_corrected_downward() {
        let cold = gravity_at_80_fahrenheit(1.250, celsius_of_fahrenheit(20.0));
        close(cold, 1.230, 0.001);
    }

    /// Row 26; source: a car maker's battery inspection.
    #[test]
    fn row_26_a_reading_at_30_degrees_is_brought_to_20() {
        close(gravity_at_20_celsius(1.250, 30.0), 1.257, 0.000_5);
    }

    /// Source: Laliberte's density of the same acid at two temperatures.
    #[test]
    fn the_correction_is_what_the_acid_does() {
        let share = super::super::acid::acid_share_of_density(1_250.0, 35.0);
        let density = super::super::acid::density_kg_m3(share, 25.0);
        close(
            gravity_at_25_celsius(1.250, 35.0),
            density / 1_000.0,
            0.000_7,
        );
    }
}
