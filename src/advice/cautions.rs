//! The cautions that go with every answer, a stop included. Nothing here ever calls a charge
//! harmless; the strongest good word of the service is "no objection found".

use crate::record::words::{Chemistry, VisualFlag};

/// Shown with every answer. Source: DOMAIN 6, suggested caution.
const ALWAYS: [&str; 7] = [
    "This is decision support, not a safety system.",
    "Follow the battery and charger makers' instructions and your local fire, electrical and \
     waste codes.",
    "Charge only sound, unfrozen, identified lead-acid batteries, on a non-combustible surface, \
     ventilated, with eye protection and an eyewash within reach, and with an independent \
     temperature cut-off.",
    "Do not leave a recovery attempt unattended.",
    "Stop for heat, swelling, smell or leakage.",
    "Work outside your training goes to a qualified person.",
    "Never apply a lead-acid recovery program to lithium.",
];

/// For vented cells and for what nobody read off the case. Source: DOMAIN 6, hydrogen.
const HYDROGEN: &str = "Hydrogen is in and around the cells even when not charging: no \
     sparks, no smoking, charger off before clamps go on or off.";
/// For cells with a valve. Source: DOMAIN 6, H2S.
const HYDROGEN_SULFIDE: &str = "A smell of rotten eggs is poisonous gas that numbs the nose: \
     switch off from a distance, ventilate and leave, also when the smell seems gone.";
/// For plates that stand dry. Source: DOMAIN 6, low electrolyte.
const LOW_ELECTROLYTE: &str = "The electrolyte is below the plates: no charge and no load \
     test before the plates are covered; it may explode.";
/// For what leaks. Source: DOMAIN 6, damaged and transport.
const DAMAGED: &str = "A damaged battery goes into a closed, sound, acid-proof container and \
     is not shipped with others.";
/// For what was not identified. Source: DOMAIN 6, suggested caution.
const UNIDENTIFIED: &str = "The chemistry was not read off the case: identify it before \
     anything is connected.";

/// Lists what a person must be told with any answer on this battery; never empty.
#[must_use]
pub fn cautions(
    chemistry: Chemistry,
    electrolyte_low: bool,
    flags: &[VisualFlag],
) -> Vec<&'static str> {
    let mut list = ALWAYS.to_vec();
    let is_valve_regulated = matches!(chemistry, Chemistry::Agm | Chemistry::Gel);
    let is_damaged = flags.iter().any(|flag| {
        matches!(
            flag,
            VisualFlag::Swollen | VisualFlag::Leaking | VisualFlag::Cracked
        )
    });
    let special = [
        (UNIDENTIFIED, chemistry == Chemistry::Unknown),
        (LOW_ELECTROLYTE, electrolyte_low),
        (DAMAGED, is_damaged),
        (HYDROGEN, chemistry != Chemistry::Lifepo4),
        (
            HYDROGEN_SULFIDE,
            is_valve_regulated || chemistry == Chemistry::Unknown,
        ),
    ];
    list.extend(
        special
            .iter()
            .filter(|(_, applies)| *applies)
            .map(|(text, _)| *text),
    );
    list
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_battery_has_the_suggested_caution_and_its_own() {
        for chemistry in Chemistry::ALL {
            let list = cautions(*chemistry, false, &[]);
            assert!(ALWAYS.iter().all(|text| list.contains(text)), "{chemistry}");
        }
        assert!(cautions(Chemistry::Agm, false, &[]).contains(&HYDROGEN_SULFIDE));
        assert!(!cautions(Chemistry::Flooded, false, &[]).contains(&HYDROGEN_SULFIDE));
        assert!(cautions(Chemistry::Flooded, true, &[]).contains(&LOW_ELECTROLYTE));
        assert!(cautions(Chemistry::Flooded, false, &[VisualFlag::Leaking]).contains(&DAMAGED));
        assert!(cautions(Chemistry::Unknown, false, &[]).contains(&UNIDENTIFIED));
    }
}
