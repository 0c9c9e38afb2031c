//! Physical quantities as checked numbers: a value that exists is finite and inside its range.
//!
//! The unit is the type's name; SQL columns, proto fields and log fields carry it as a suffix.
//! From here on no function checks the range again.

use crate::reject::{Code, Reject};

/// Declares a checked quantity: newtype, unit symbol, accepted range.
macro_rules! quantity {
    ($(#[$meta:meta])* $name:ident, $unit:literal, $min:expr, $max:expr) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, serde::Serialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Symbol of the unit.
            pub const UNIT: &'static str = $unit;
            /// Smallest accepted value.
            pub const MIN: f64 = $min;
            /// Largest accepted value.
            pub const MAX: f64 = $max;

            /// Accepts a finite value inside `MIN..=MAX`.
            ///
            /// # Errors
            /// `VALUE_NOT_FINITE` for NaN and infinities, `VALUE_OUT_OF_RANGE` outside the range.
            pub fn new(field: &'static str, value: f64) -> Result<Self, Reject> {
                if !value.is_finite() {
                    return Err(Reject::new(Code::ValueNotFinite, field, format!("{value} is not a number")));
                }
                if !(Self::MIN..=Self::MAX).contains(&value) {
                    return Err(Reject::new(
                        Code::ValueOutOfRange,
                        field,
                        format!("{value} {} is outside {} to {} {}", $unit, $min, $max, $unit),
                    ));
                }
                Ok(Self(value))
            }

            /// The number in this type's unit.
            #[must_use]
            pub fn get(self) -> f64 {
                self.0
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                match f.precision() {
                    Some(digits) => write!(f, "{:.*} {}", digits, self.0, $unit),
                    None => write!(f, "{} {}", self.0, $unit),
                }
            }
        }
    };
}

quantity!(
    /// Battery or charger voltage. The range is the hard gate for stored values.
    Volts, "V", -16.0, 40.0
);
quantity!(
    /// Current, positive into the battery.
    Amps, "A", -500.0, 500.0
);
quantity!(
    /// Temperature.
    Celsius, "degC", -60.0, 150.0
);
quantity!(
    /// Rated or measured capacity.
    AmpHours, "Ah", 0.0, 1000.0
);
quantity!(
    /// Cranking current of a rating or a tester.
    CrankingAmps, "A", 0.0, 3000.0
);
quantity!(
    /// Months as a span: age, time since the last full charge. One month is 30.4375 days.
    Months, "months", 0.0, 600.0
);
quantity!(
    /// Minutes a battery rested since charge or load ended.
    RestMinutes, "min", 0.0, 1_000_000.0
);
quantity!(
    /// Money in the shop's own currency.
    Money, "money", 0.0, 1_000_000.0
);

/// Volts of a pack scaled to six cells, the scale of every table and of the model.
#[must_use]
pub fn twelve_volt_equivalent(pack: Volts, nominal_v: u8) -> f64 {
    pack.get() * 12.0 / f64::from(nominal_v.max(1))
}

/// Degrees Celsius of degrees Fahrenheit.
#[must_use]
pub fn celsius_of_fahrenheit(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

/// Degrees Fahrenheit of degrees Celsius.
#[must_use]
pub fn fahrenheit_of_celsius(celsius: f64) -> f64 {
    celsius * 1.8 + 32.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows 27 and 28 of DOMAIN 10; exact by definition.
    #[test]
    fn rows_27_and_28_degrees_turn_into_each_other() {
        assert!((fahrenheit_of_celsius(50.0) - 122.0).abs() <= 1e-9);
        for (fahrenheit, celsius) in [(110.0, 43.3), (125.0, 51.7), (131.0, 55.0), (140.0, 60.0)] {
            assert!((celsius_of_fahrenheit(fahrenheit) - celsius).abs() <= 0.05);
            let back = fahrenheit_of_celsius(celsius_of_fahrenheit(fahrenheit));
            assert!((back - fahrenheit).abs() <= 1e-9);
        }
    }

    #[test]
    fn a_value_that_is_not_a_number_is_refused_with_its_field() {
        let reject = Volts::new("rest_v", f64::NAN).unwrap_err();
        assert_eq!(
            (reject.code, reject.field.as_str()),
            (Code::ValueNotFinite, "rest_v")
        );
    }

    #[test]
    fn the_gate_is_closed_at_its_ends() {
        assert!(Volts::new("v", 40.0).is_ok());
        assert!(Volts::new("v", 40.001).is_err());
        assert!(Volts::new("v", -16.0).is_ok());
        assert!(Volts::new("v", -16.001).is_err());
    }

    #[test]
    fn six_volt_packs_are_doubled() {
        let pack = Volts::new("rest_v", 5.95).unwrap();
        assert!((twelve_volt_equivalent(pack, 6) - 11.9).abs() < 1e-12);
    }
}
