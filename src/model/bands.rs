//! The bands of every table: start voltage, months since the last full charge, age.
//!
//! The bands of one kind cover the whole line without overlap. The band from 10.2 to 10.8 V stands
//! alone on purpose: five good cells and a shorted one rest there.

use crate::record::words::vocabulary;

/// Slack at a voltage edge. 12.2 x 12 / 12 is a hair below 12.2 as a double, and no instrument
/// resolves a microvolt at 12 V.
const EDGE_SLACK_V: f64 = 1e-6;

/// Top of the voltage scale, on six cells; readings above it count as this.
pub const V12_MAX: f64 = 12.9;

vocabulary! {
    /// Band of the rest voltage at intake, scaled to six cells (12 V).
    VoltageBand {
        Below2 = "below_2_v",
        From2 = "2_to_8_v",
        From8 = "8_to_10_2_v",
        From10p2 = "10_2_to_10_8_v",
        From10p8 = "10_8_to_11_5_v",
        From11p5 = "11_5_to_12_2_v",
        From12p2 = "from_12_2_v",
    }
}

vocabulary! {
    /// Band of the months since the last full charge.
    MonthsBand {
        Below1p5 = "below_1_5_months",
        From1p5 = "1_5_to_4_5_months",
        From4p5 = "4_5_to_9_5_months",
        From9p5 = "from_9_5_months",
        Unknown = "unknown",
    }
}

vocabulary! {
    /// Band of the battery's age, for splits; the cuts at whole years are our choice.
    AgeBand {
        UpTo24 = "up_to_24_months",
        Over24 = "over_24_to_48_months",
        Over48 = "over_48_to_72_months",
        Over72 = "over_72_months",
        Unknown = "unknown",
    }
}

impl VoltageBand {
    /// Finds the band of a voltage on the 12 V scale.
    ///
    /// Unit: volts of six cells (see `units::twelve_volt_equivalent`), clamped to 0..=12.9. A
    /// value on an edge, or less than a microvolt below it, is in the upper band. NaN, which
    /// `Volts` refuses, counts as 0.
    #[must_use]
    pub fn of(v12: f64) -> Self {
        let v = v12.clamp(0.0, V12_MAX) + EDGE_SLACK_V;
        match v {
            v if v >= 12.2 => Self::From12p2,
            v if v >= 11.5 => Self::From11p5,
            v if v >= 10.8 => Self::From10p8,
            v if v >= 10.2 => Self::From10p2,
            v if v >= 8.0 => Self::From8,
            v if v >= 2.0 => Self::From2,
            _ => Self::Below2,
        }
    }

    /// The stable word for JSON, SQL and the wire; the same as `as_str`.
    #[must_use]
    pub fn key(self) -> &'static str {
        self.as_str()
    }

    /// The band in words, with its unit.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Below2 => "below 2 V",
            Self::From2 => "2 to 8 V",
            Self::From8 => "8 to 10.2 V",
            Self::From10p2 => "10.2 to 10.8 V",
            Self::From10p8 => "10.8 to 11.5 V",
            Self::From11p5 => "11.5 to 12.2 V",
            Self::From12p2 => "12.2 V and above",
        }
    }

    /// A voltage that stands for the band, in volts of six cells.
    ///
    /// The middle of the band; 12.5 V for the open one at the top. Our choice: it is used where
    /// the model draws its curve beside the table, never in place of a measured voltage.
    #[must_use]
    pub fn centre(self) -> f64 {
        match self {
            Self::Below2 => 1.0,
            Self::From2 => 5.0,
            Self::From8 => 9.1,
            Self::From10p2 => 10.5,
            Self::From10p8 => 11.15,
            Self::From11p5 => 11.85,
            Self::From12p2 => 12.5,
        }
    }
}

impl MonthsBand {
    /// Finds the band of the months since the last full charge; `None` and NaN are not known.
    ///
    /// A value on an edge is in the upper band; a negative one counts as 0.
    #[must_use]
    pub fn of(months: Option<f64>) -> Self {
        match months {
            Some(months) if months >= 9.5 => Self::From9p5,
            Some(months) if months >= 4.5 => Self::From4p5,
            Some(months) if months >= 1.5 => Self::From1p5,
            Some(months) if months < 1.5 => Self::Below1p5,
            _ => Self::Unknown,
        }
    }

    /// The stable word for JSON, SQL and the wire; the same as `as_str`.
    #[must_use]
    pub fn key(self) -> &'static str {
        self.as_str()
    }

    /// The band in words, with its unit.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::Below1p5 => "below 1.5 months",
            Self::From1p5 => "1.5 to 4.5 months",
            Self::From4p5 => "4.5 to 9.5 months",
            Self::From9p5 => "9.5 months and more",
            Self::Unknown => "months not known",
        }
    }

    /// Months that stand for the band: its middle, 12 for the open one, `None` when not known.
    ///
    /// Our choice, for the same use as [`VoltageBand::centre`].
    #[must_use]
    pub fn centre(self) -> Option<f64> {
        match self {
            Self::Below1p5 => Some(0.75),
            Self::From1p5 => Some(3.0),
            Self::From4p5 => Some(7.0),
            Self::From9p5 => Some(12.0),
            Self::Unknown => None,
        }
    }
}

impl AgeBand {
    /// Finds the band of an age in months; `None` and NaN are not known.
    ///
    /// Here an edge belongs to the lower band: a battery of exactly 24 months is "up to 24".
    #[must_use]
    pub fn of(age_months: Option<f64>) -> Self {
        match age_months {
            Some(age) if age <= 24.0 => Self::UpTo24,
            Some(age) if age <= 48.0 => Self::Over24,
            Some(age) if age <= 72.0 => Self::Over48,
            Some(age) if age > 72.0 => Self::Over72,
            _ => Self::Unknown,
        }
    }

    /// The stable word for JSON, SQL and the wire; the same as `as_str`.
    #[must_use]
    pub fn key(self) -> &'static str {
        self.as_str()
    }

    /// The band in words, with its unit.
    #[must_use]
    pub fn label(self) -> &'static str {
        match self {
            Self::UpTo24 => "up to 24 months old",
            Self::Over24 => "over 24 to 48 months old",
            Self::Over48 => "over 48 to 72 months old",
            Self::Over72 => "over 72 months old",
            Self::Unknown => "age not known",
        }
    }

    /// An age in months that stands for the band: its middle, 84 for the open one.
    ///
    /// `None` when not known. Our choice, for the same use as [`VoltageBand::centre`].
    #[must_use]
    pub fn centre(self) -> Option<f64> {
        match self {
            Self::UpTo24 => Some(12.0),
            Self::Over24 => Some(36.0),
            Self::Over48 => Some(60.0),
            Self::Over72 => Some(84.0),
            Self::Unknown => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Volts, twelve_volt_equivalent};
    use proptest::prelude::*;

    const VOLTAGE_EDGES: [f64; 6] = [2.0, 8.0, 10.2, 10.8, 11.5, 12.2];

    #[test]
    fn a_voltage_on_an_edge_is_in_the_upper_band_at_every_nominal_voltage() {
        for (index, edge) in VOLTAGE_EDGES.iter().enumerate() {
            for nominal_v in [6, 12, 24] {
                // As a meter with millivolts shows it.
                let pack_mv = (edge * f64::from(nominal_v) / 12.0 * 1000.0).round();
                let at = |mv: f64| {
                    let pack = Volts::new("rest_v", mv / 1000.0).unwrap();
                    VoltageBand::of(twelve_volt_equivalent(pack, nominal_v))
                };
                assert_eq!(
                    at(pack_mv),
                    VoltageBand::ALL[index + 1],
                    "{edge} {nominal_v}"
                );
                assert_eq!(
                    at(pack_mv - 1.0),
                    VoltageBand::ALL[index],
                    "{edge} {nominal_v}"
                );
            }
        }
    }

    #[test]
    fn a_voltage_outside_the_scale_counts_as_its_end() {
        assert_eq!(VoltageBand::of(-3.0), VoltageBand::Below2);
        assert_eq!(VoltageBand::of(15.0), VoltageBand::From12p2);
    }

    #[test]
    fn months_and_ages_on_an_edge_go_where_their_words_say() {
        assert_eq!(MonthsBand::of(Some(1.5)), MonthsBand::From1p5);
        assert_eq!(MonthsBand::of(Some(4.5)), MonthsBand::From4p5);
        assert_eq!(MonthsBand::of(Some(9.5)), MonthsBand::From9p5);
        assert_eq!(MonthsBand::of(Some(0.0)), MonthsBand::Below1p5);
        assert_eq!(AgeBand::of(Some(24.0)), AgeBand::UpTo24);
        assert_eq!(AgeBand::of(Some(48.0)), AgeBand::Over24);
        assert_eq!(AgeBand::of(Some(72.0)), AgeBand::Over48);
        assert_eq!(AgeBand::of(Some(72.5)), AgeBand::Over72);
    }

    #[test]
    fn what_was_not_told_is_a_band_of_its_own() {
        for value in [None, Some(f64::NAN)] {
            assert_eq!(MonthsBand::of(value), MonthsBand::Unknown);
            assert_eq!(AgeBand::of(value), AgeBand::Unknown);
        }
    }

    #[test]
    fn the_centre_of_a_band_lies_in_the_band() {
        for band in VoltageBand::ALL {
            assert_eq!(VoltageBand::of(band.centre()), *band);
        }
        for band in MonthsBand::ALL {
            assert_eq!(MonthsBand::of(band.centre()), *band);
        }
        for band in AgeBand::ALL {
            assert_eq!(AgeBand::of(band.centre()), *band);
        }
    }

    #[test]
    fn labels_name_a_unit_and_keys_are_lower_snake() {
        let volts = VoltageBand::ALL
            .iter()
            .map(|band| (band.key(), band.label(), " V"));
        let months = MonthsBand::ALL
            .iter()
            .map(|band| (band.key(), band.label(), "months"));
        let ages = AgeBand::ALL
            .iter()
            .map(|band| (band.key(), band.label(), "months"));
        for (key, label, unit) in volts.chain(months).chain(ages) {
            assert!(label.contains(unit) || label == "age not known", "{label}");
            assert!(
                key.chars()
                    .all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
            );
        }
    }

    proptest! {
        #[test]
        fn voltage_bands_partition_the_line_in_order(v12 in -1.0..14.0_f64) {
            let crossed = VOLTAGE_EDGES.iter().filter(|edge| v12 + EDGE_SLACK_V >= **edge).count();
            prop_assert_eq!(VoltageBand::of(v12), VoltageBand::ALL[crossed]);
        }

        #[test]
        fn months_and_age_bands_partition_the_line_in_order(months in 0.0..600.0_f64) {
            let crossed = [1.5, 4.5, 9.5].iter().filter(|edge| months >= **edge).count();
            prop_assert_eq!(MonthsBand::of(Some(months)), MonthsBand::ALL[crossed]);
            let crossed = [24.0, 48.0, 72.0].iter().filter(|edge| months > **edge).count();
            prop_assert_eq!(AgeBand::of(Some(months)), AgeBand::ALL[crossed]);
        }
    }
}
