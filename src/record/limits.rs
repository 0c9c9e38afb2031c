//! Limits of a charge by construction: advice states them, alarms watch them. One number, one place.

use super::words::Chemistry;

/// Levels of the case temperature, 0.01 degC.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CaseLimits {
    /// Look closer.
    pub warn_cc: i32,
    /// Stopping is advised.
    pub stop_advised_cc: i32,
    /// Stopping at once is advised; no chemistry goes above it.
    pub stop_advised_now_cc: i32,
}

/// Levels of the case temperature of a construction. What nobody read off the case gets the
/// strictest.
///
/// Source: DOMAIN 1.2 and 10, row 58 (AGM 40, 43.3, 51; gel as other valve-regulated: 43 in a
/// public specification, S30). Flooded: 51 is never exceeded, 50 is the lead-time limit of
/// ARCHITECTURE 7; warning at 45 is our choice.
#[must_use]
pub fn case(chemistry: Chemistry) -> CaseLimits {
    let (warn_cc, stop_advised_cc) = if is_flooded(chemistry) {
        (4_500, 5_000)
    } else {
        (4_000, 4_330)
    };
    CaseLimits {
        warn_cc,
        stop_advised_cc,
        stop_advised_now_cc: 5_100,
    }
}

/// Heating of the case from which stopping at once is advised, 0.01 K per minute, and for how long,
/// minutes. Source: DOMAIN 1.2 (dT/dt; our choice there, none is published).
pub const HEATING_CK_PER_MIN: i32 = 30;
/// See `HEATING_CK_PER_MIN`.
pub const HEATING_MIN: u8 = 10;

/// Length of an attempt from which stopping is advised, hours. Source: DOMAIN 1.2.
pub const ATTEMPT_H: f64 = 24.0;

/// The voltage that a charge of six cells holds, and how it follows temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Absorption {
    /// Ceiling at 25 degC, mV of six cells.
    pub ceiling_mv: i32,
    /// Less per degree above 25 degC and cell, mV.
    pub compensation_mv: i32,
}

/// Absorption of a construction. Source: DOMAIN 3.1.
#[must_use]
pub fn absorption(chemistry: Chemistry) -> Absorption {
    let (ceiling_mv, compensation_mv) = match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded => (14_800, 5),
        Chemistry::Agm => (14_700, 3),
        Chemistry::Gel | Chemistry::Unknown | Chemistry::Lifepo4 => (14_100, 3),
    };
    Absorption {
        ceiling_mv,
        compensation_mv,
    }
}

/// Voltage that no charge of this construction reaches on purpose, mV of six cells.
///
/// Unlike the ceiling of `absorption` it leaves room for what makers allow: equalising and cold.
/// Source: DOMAIN 3.1. Flooded: equalise 15.5 V at 25 degC, 5 mV per degree and cell, at 0 degC
/// (the coldest that is compensated for) 16.25 V; this also covers the 16 V of car makers' tables
/// (S27, S28). AGM: chargers above 15.4 V "must be avoided" (S63). Gel: newer makers' 14.6 V, 3 mV
/// per degree and cell, at 0 degC 15.05 V. `LiFePO4`: 3.65 V a cell, no compensation. Unknown: what
/// no construction is given, the flooded one's.
#[must_use]
pub fn over_voltage_mv(chemistry: Chemistry) -> i32 {
    match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded | Chemistry::Unknown => 16_250,
        Chemistry::Agm => 15_400,
        Chemistry::Gel => 15_050,
        Chemistry::Lifepo4 => 14_600,
    }
}

/// Whether the construction is limited as flooded lead-acid is.
#[must_use]
pub fn is_flooded(chemistry: Chemistry) -> bool {
    matches!(chemistry, Chemistry::Flooded | Chemistry::EnhancedFlooded)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: DOMAIN 3.1, "Compensated limit": U25 + cells x k x (T - 25), T held to 0..50 degC.
    #[test]
    fn over_voltage_is_above_every_compensated_absorption() {
        for chemistry in [Chemistry::Flooded, Chemistry::Agm, Chemistry::Gel] {
            let absorption = absorption(chemistry);
            let coldest = absorption.ceiling_mv + 6 * absorption.compensation_mv * 25;
            assert!(over_voltage_mv(chemistry) > coldest, "{chemistry}");
        }
        assert_eq!(over_voltage_mv(Chemistry::Flooded), 15_500 + 6 * 5 * 25);
        assert_eq!(over_voltage_mv(Chemistry::Gel), 14_600 + 6 * 3 * 25);
        assert_eq!(over_voltage_mv(Chemistry::Lifepo4), 4 * 3_650);
    }
}
