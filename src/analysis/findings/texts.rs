//! What to do about a finding, and which rules were measured. Advice, never a command.

use super::FindingKind;

/// What to do. The maker's instructions and local rules come first everywhere.
pub(super) fn action(kind: FindingKind) -> &'static str {
    match kind {
        FindingKind::NotStarted => {
            "check clamps and polarity; many chargers refuse so low a voltage: the charger's manual \
             says how a flat battery is started, attended"
        }
        FindingKind::OpenCell => {
            "clean and re-clamp first; if still no current flows, stop: a cell or strap is open"
        }
        FindingKind::LooseClamp => "stop, clean the posts, re-clamp and start again",
        FindingKind::ShortedCell => {
            "stop: one cell does not hold; let it cool, confirm by the voltage after a night of \
             rest, then recycle"
        }
        FindingKind::SeveralShorted => "stop: several cells do not hold; recycle",
        FindingKind::ReversedCell => {
            "go on at low current, attended; test capacity and hold after a rest before it is \
             returned"
        }
        FindingKind::NoAcceptance => {
            "re-clamp once; then follow the stop advice at 60, 120 and 240 min: one night rarely \
             brings back hard sulfate"
        }
        FindingKind::AcidExhaustedWaking => {
            "go on at low current, watch the temperature, expect a long charge; retest after rest"
        }
        FindingKind::DriedOut => "test cranking current after rest; replace when it stays low",
        FindingKind::LithiumOnLeadProgram => {
            "stop now and read the label: lithium needs its own charger"
        }
        FindingKind::ThermalRunawayWarning => {
            "go and look now; lower the current or stop before the limit is reached"
        }
        FindingKind::OverTemperature => "stop, ventilate, let it cool; do not touch a swollen case",
        FindingKind::OverVoltage => {
            "check the program against the label; stop unless the maker allows this voltage"
        }
        FindingKind::AhOverrun => "stop: it takes charge and does not fill; retest after rest",
        FindingKind::StalledLow => "stop: the voltage no longer rises although current flows",
        FindingKind::SoftShort => "stand test: read the voltage after rest and again a day later",
        FindingKind::TelemetryLost => "nobody is watching: go and look",
        FindingKind::WrongUnit => "set the device to volts; its voltages are left out until then",
    }
}

/// Whether the rule was measured on unseen sessions. Source: SIGNALS 6.
pub(super) fn measured(kind: FindingKind) -> bool {
    matches!(
        kind,
        FindingKind::NotStarted
            | FindingKind::OpenCell
            | FindingKind::LooseClamp
            | FindingKind::ShortedCell
            | FindingKind::ReversedCell
            | FindingKind::NoAcceptance
            | FindingKind::DriedOut
            | FindingKind::LithiumOnLeadProgram
            | FindingKind::ThermalRunawayWarning
            | FindingKind::WrongUnit
    )
}
