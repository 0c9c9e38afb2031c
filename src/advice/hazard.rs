//! Hazard stops: what must not be charged whatever its chance. Judged first, with no statistics.

use crate::record::visit::Visit;
use crate::record::words::{Chemistry, VisualFlag, vocabulary};
use crate::units::twelve_volt_equivalent;

/// A pack labelled 6 V that reads above this is no 6 V pack, V. Source: DOMAIN 11.
const SIX_VOLT_LABEL_MAX_V: f64 = 9.0;
/// No rested pack reads above this, V of six cells. A charged one rests at 12.9 V (DOMAIN 1.1),
/// fresh off a charger under 14.8 V; 15 V is our choice. Higher: more of what is sound passes.
const REST_V12_MAX: f64 = 15.0;

vocabulary! {
    /// Why a battery must not be charged.
    Hazard {
        Swollen = "swollen",
        Leaking = "leaking",
        Cracked = "cracked",
        Frozen = "frozen",
        ReversedPolarity = "reversed_polarity",
        VentCapMissing = "vent_cap_missing",
        TerminalMelted = "terminal_melted",
        FoulSmell = "foul_smell",
        /// The meter shows a negative voltage.
        NegativeVoltage = "negative_voltage",
        /// Never treated by a lead-acid program.
        Lithium = "lithium",
        /// The voltage contradicts the nominal voltage on the label.
        NominalMismatch = "nominal_mismatch",
        /// Above what a rested battery can read.
        VoltageImpossible = "voltage_impossible",
    }
}

impl Hazard {
    /// The stop in a sentence: what it is and what to do.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Swollen => "The case is swollen: do not charge; isolate it and recycle it.",
            Self::Leaking => {
                "It leaks: do not charge; put it in a closed, acid-proof container and recycle it."
            }
            Self::Cracked => "The case is cracked: do not charge; isolate it and recycle it.",
            Self::Frozen => {
                "It is frozen: never charge it frozen; replace it, or thaw it at room temperature \
                 and inspect the case again."
            }
            Self::ReversedPolarity => "Its polarity is reversed: do not charge; recycle it.",
            Self::VentCapMissing => {
                "A vent cap is missing: that cell counts as bad; do not charge; recycle it."
            }
            Self::TerminalMelted => "A terminal has melted: do not charge; recycle it.",
            Self::FoulSmell => {
                "It smells foul: do not charge; ventilate, leave it alone, then recycle it."
            }
            Self::NegativeVoltage => {
                "The voltage is negative: swap the meter leads and read again; if it stays \
                 negative the battery is reversed: do not charge, recycle it."
            }
            Self::Lithium => {
                "It is a lithium battery: no lead-acid program may be used on it; follow its maker."
            }
            Self::NominalMismatch => {
                "More than 9 V on a 6 V label: one of them is wrong; read label and voltage again \
                 before anything is connected."
            }
            Self::VoltageImpossible => {
                "No rested battery of this kind reads so high: check label, meter and that the \
                 charger is off, then read again."
            }
        }
    }

    /// True when a corrected reading may lift the stop.
    #[must_use]
    pub fn may_be_a_misreading(self) -> bool {
        matches!(
            self,
            Self::NegativeVoltage | Self::NominalMismatch | Self::VoltageImpossible
        )
    }
}

/// Finds every reason not to charge this battery; empty when no objection is found.
///
/// Source: DOMAIN 1, row 3 ("any one = do not charge"), 1.1 first and last row, 6 (lithium), 11.
#[must_use]
pub fn hazards(visit: &Visit) -> Vec<Hazard> {
    let volts = visit.rest_v.get();
    let nominal_v = visit.battery.nominal_v;
    let mismatch = nominal_v == 6 && volts > SIX_VOLT_LABEL_MAX_V;
    let impossible = twelve_volt_equivalent(visit.rest_v, nominal_v) > REST_V12_MAX;
    let mut found: Vec<Hazard> = visit.flags.iter().map(|flag| of_flag(*flag)).collect();
    let readings = [
        (Hazard::NegativeVoltage, volts < 0.0),
        (
            Hazard::Lithium,
            visit.battery.chemistry == Chemistry::Lifepo4,
        ),
        (Hazard::NominalMismatch, mismatch),
        (Hazard::VoltageImpossible, impossible && !mismatch),
    ];
    found.extend(
        readings
            .iter()
            .filter(|(_, present)| *present)
            .map(|(hazard, _)| *hazard),
    );
    found.sort_unstable();
    found.dedup();
    found
}

/// The hazard a person saw.
fn of_flag(flag: VisualFlag) -> Hazard {
    match flag {
        VisualFlag::Swollen => Hazard::Swollen,
        VisualFlag::Leaking => Hazard::Leaking,
        VisualFlag::Cracked => Hazard::Cracked,
        VisualFlag::Frozen => Hazard::Frozen,
        VisualFlag::ReversedPolarity => Hazard::ReversedPolarity,
        VisualFlag::VentCapMissing => Hazard::VentCapMissing,
        VisualFlag::TerminalMelted => Hazard::TerminalMelted,
        VisualFlag::FoulSmell => Hazard::FoulSmell,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::tests::visit;
    use crate::units::Volts;

    // Source: DOMAIN 1, row 3: any one of what a person sees means "do not charge".
    #[test]
    fn whatever_a_person_sees_is_a_hazard_of_the_same_name() {
        for flag in VisualFlag::ALL {
            let mut seen = visit(12.7, 12);
            seen.flags = vec![*flag, *flag];
            let words: Vec<&str> = hazards(&seen)
                .iter()
                .map(|hazard| hazard.as_str())
                .collect();
            assert_eq!(words, [flag.as_str()]);
        }
        assert!(hazards(&visit(12.7, 12)).is_empty());
    }

    // Source: DOMAIN 1.1 (negative, lithium) and 11 (6 V label with more than 9 V).
    #[test]
    fn readings_that_cannot_be_are_stops() {
        for (volts, nominal_v, expected) in [
            (-0.3, 12, vec![Hazard::NegativeVoltage]),
            (0.0, 12, vec![]),
            (9.01, 6, vec![Hazard::NominalMismatch]),
            (12.6, 6, vec![Hazard::NominalMismatch]),
            (7.0, 6, vec![]),
            (13.4, 12, vec![]),
            (15.1, 12, vec![Hazard::VoltageImpossible]),
            (25.4, 12, vec![Hazard::VoltageImpossible]),
        ] {
            assert_eq!(
                hazards(&visit(volts, nominal_v)),
                expected,
                "{volts} V on {nominal_v} V"
            );
        }
        let mut lithium = visit(13.2, 12);
        lithium.battery.chemistry = Chemistry::Lifepo4;
        lithium.rest_v = Volts::new("rest_v", -1.0).unwrap();
        assert_eq!(
            hazards(&lithium),
            [Hazard::NegativeVoltage, Hazard::Lithium]
        );
    }

    #[test]
    fn every_stop_says_what_to_do() {
        for hazard in Hazard::ALL {
            let text = hazard.sentence();
            assert!(
                text.ends_with('.') && (text.contains(':') || text.contains(';')),
                "{text}"
            );
        }
    }
}
