//! How long a battery lasts and how long it charges: self-discharge, drain, Peukert, charge factor.

use crate::record::words::Chemistry;

/// Self-discharge at 20 degC, % a month, least and most. `None` where its maker says.
///
/// Source: DOMAIN 3.1: battery storage advice of two makers; gel from memory.
#[must_use]
pub fn self_discharge_pct(chemistry: Chemistry) -> Option<(f64, f64)> {
    match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded => Some((3.0, 15.0)),
        Chemistry::Agm => Some((1.0, 3.0)),
        Chemistry::Gel => Some((2.0, 2.0)),
        Chemistry::Unknown => Some((1.0, 15.0)),
        Chemistry::Lifepo4 => None,
    }
}

/// Self-discharge at a temperature, % a month: doubles every 10 degC above 20.
///
/// Source: DOMAIN 4.1; TM 9-6140-200-14 p. 4-14 gives 2.06 to 2.28 per 10 degC.
#[must_use]
pub fn self_discharge_at(pct_month_20: f64, celsius: f64) -> f64 {
    pct_month_20 * libm::exp2((celsius - 20.0) / 10.0)
}

/// How many times faster something goes per 10 degC, from two rates and their temperatures, degC.
#[must_use]
pub fn times_per_10_c(slow: f64, slow_c: f64, fast: f64, fast_c: f64) -> f64 {
    libm::pow(fast / slow, 10.0 / (fast_c - slow_c))
}

/// Days until a constant drain empties a charge, Ah and mA; `None` without a drain.
#[must_use]
pub fn days_to_flat(amp_hours: f64, milliamps: f64) -> Option<f64> {
    (milliamps > 0.0).then(|| amp_hours * 1_000.0 / (milliamps * 24.0))
}

/// Least and most Peukert exponent of a construction. Source: a retailer's article, DOMAIN 3.3.
#[must_use]
pub fn peukert_exponent(chemistry: Chemistry) -> Option<(f64, f64)> {
    match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded => Some((1.2, 1.6)),
        Chemistry::Agm => Some((1.05, 1.15)),
        Chemistry::Gel => Some((1.1, 1.25)),
        Chemistry::Unknown => Some((1.05, 1.6)),
        Chemistry::Lifepo4 => None,
    }
}

/// Hours a battery gives a current, A, from its capacity, Ah, at the rate of `rated_h` hours.
///
/// Peukert's law: t = H (C / (I H))^k. `None` for a current or a rate of nothing.
#[must_use]
pub fn discharge_hours(capacity_ah: f64, rated_h: f64, exponent: f64, amps: f64) -> Option<f64> {
    (amps > 0.0 && rated_h > 0.0)
        .then(|| rated_h * libm::pow(capacity_ah / (amps * rated_h), exponent))
}

/// Charge that must go in per charge taken out, least and most. Source: a maker's FAQ, DOMAIN 3.1.
#[must_use]
pub fn charge_factor(chemistry: Chemistry) -> Option<(f64, f64)> {
    match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded => Some((1.15, 1.30)),
        Chemistry::Agm | Chemistry::Gel => Some((1.04, 1.12)),
        Chemistry::Unknown => Some((1.04, 1.30)),
        Chemistry::Lifepo4 => None,
    }
}

/// State of charge, %, of a battery that was empty, from what went in, Ah, and its charge factor.
#[must_use]
pub fn percent_after(ah_in: f64, c20_ah: f64, charge_factor: f64) -> Option<f64> {
    (c20_ah > 0.0 && charge_factor > 0.0)
        .then(|| (100.0 * ah_in / (charge_factor * c20_ah)).clamp(0.0, 100.0))
}

/// Hours a constant current, A, needs to return a missing charge, Ah; `None` without a current.
///
/// The least: a taper at the voltage limit comes on top.
#[must_use]
pub fn charge_hours(missing_ah: f64, charge_factor: f64, amps: f64) -> Option<f64> {
    (amps > 0.0).then(|| missing_ah * charge_factor / amps)
}

/// Warming of a mass that gives no heat away, K/h, from power, W, mass, kg, and heat, kJ/(kg K).
#[must_use]
pub fn warming_k_h(watts: f64, mass_kg: f64, heat_kj_kg_k: f64) -> Option<f64> {
    (mass_kg > 0.0 && heat_kj_kg_k > 0.0).then(|| watts * 3.6 / (mass_kg * heat_kj_kg_k))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::celsius_of_fahrenheit;

    fn close(found: f64, expected: f64, tolerance: f64) {
        assert!((found - expected).abs() <= tolerance, "{found} {expected}");
    }

    /// Rows 34 and 35 of DOMAIN 10.
    #[test]
    fn rows_34_and_35_charge_returned_and_hours_to_return_it() {
        close(percent_after(12.5, 14.0, 1.10).unwrap(), 81.2, 0.5);
        close(percent_after(99.0, 14.0, 1.10).unwrap(), 100.0, 0.0);
        close(charge_hours(14.0, 1.10, 1.4).unwrap(), 11.0, 0.01);
        assert_eq!(charge_hours(14.0, 1.10, 0.0), None);
    }

    /// Rows 36 and 37: Peukert's law, 100 Ah at 20 h, exponent 1.2.
    #[test]
    fn rows_36_and_37_hours_at_larger_currents() {
        for (amps, hours, amp_hours) in [
            (5.0, 20.0, 100.0),
            (10.0, 8.706, 87.1),
            (25.0, 2.899, 72.5),
            (100.0, 0.549, 54.9),
        ] {
            let found = discharge_hours(100.0, 20.0, 1.2, amps).unwrap();
            close(found, hours, 0.01);
            close(found * amps, amp_hours, 0.1);
        }
    }

    /// Row 47; source: TM 9-6140-200-14 p. 4-14, SG a day at 80 and 100 degF (2.06 from 50 degF).
    #[test]
    fn row_47_self_discharge_doubles_every_10_degrees() {
        let at = |slow, slow_f, fast, fast_f| {
            let (slow_c, fast_c) = (celsius_of_fahrenheit(slow_f), celsius_of_fahrenheit(fast_f));
            times_per_10_c(slow, slow_c, fast, fast_c)
        };
        close(at(0.001, 80.0, 0.0025, 100.0), 2.28, 0.02);
        close(at(0.000_3, 50.0, 0.001, 80.0), 2.06, 0.02);
    }

    /// Row 48.
    #[test]
    fn row_48_three_percent_at_20_degrees() {
        close(self_discharge_at(3.0, 30.0), 6.0, 0.01);
        close(self_discharge_at(3.0, 10.0), 1.5, 0.01);
    }

    /// Row 49, and the others of DOMAIN 4.2.
    #[test]
    fn row_49_days_until_a_drain_empties_it() {
        for (amp_hours, milliamps, days, tolerance) in [
            (14.0, 20.0, 29.2, 0.1),
            (14.0, 10.0, 58.0, 0.5),
            (14.0, 5.0, 117.0, 0.5),
            (60.0, 50.0, 50.0, 0.1),
        ] {
            close(days_to_flat(amp_hours, milliamps).unwrap(), days, tolerance);
        }
        assert_eq!(days_to_flat(14.0, 0.0), None);
    }

    /// Row 59.
    #[test]
    fn row_59_32_w_in_4_kg() {
        close(warming_k_h(32.0, 4.0, 1.0).unwrap(), 28.8, 0.1);
    }

    #[test]
    fn an_unknown_construction_spans_the_known_ones() {
        for of in [self_discharge_pct, peukert_exponent, charge_factor] {
            let (least, most) = of(Chemistry::Unknown).unwrap();
            for known in [Chemistry::Flooded, Chemistry::Agm, Chemistry::Gel] {
                let (low, high) = of(known).unwrap();
                assert!(least <= low && high <= most && low <= high, "{known}");
            }
        }
    }
}
