//! Stop rules for the person who supervises an attempt: numbers by chemistry, in their units.
//!
//! Advice only. The service pauses nothing; the charger and its own cut-off protect.
//! Words: `warn`, `stop_advised`, `stop_advised_now`.

use super::voltage_class::VoltageClass;
use crate::lead_acid::limits::{absorption_v, compensation_mv};
use crate::record::battery::Battery;
use crate::record::limits;
use crate::record::words::{Chemistry, vocabulary};

/// Most minutes of a probe. Source: DOMAIN 7, and 3.2 low-voltage start.
const PROBE_MIN: f64 = 60.0;
/// A temperature on the warm side of 25 degC, where compensation lowers a ceiling, degC.
const WARM_C: f64 = 40.0;

vocabulary! {
    /// What a stop rule looks at.
    StopWord {
        CaseTemperature = "case_temperature",
        AboveAmbient = "above_ambient",
        AboveNeighbours = "above_neighbours",
        HeatingAtLimit = "heating_at_limit",
        CurrentRise = "current_rise",
        AbsorptionCeiling = "absorption_ceiling",
        ChargeReturned = "charge_returned",
        CellBand = "cell_band",
        StalledLow = "stalled_low",
        NoAcceptance = "no_acceptance",
        Duration = "duration",
        AttendedProbe = "attended_probe",
        GasOrDamage = "gas_or_damage",
        ContactLost = "contact_lost",
    }
}

impl StopWord {
    /// What is looked at, as a technician says it.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::CaseTemperature => "Case temperature",
            Self::AboveAmbient => "Case above the air around it",
            Self::AboveNeighbours => "One position above its neighbours",
            Self::HeatingAtLimit => "Heating at the voltage limit",
            Self::CurrentRise => "Current rising at constant voltage",
            Self::AbsorptionCeiling => "Voltage ceiling at 25 degC",
            Self::ChargeReturned => "Charge put in and still not full",
            Self::CellBand => "Voltage after 60 min of charge",
            Self::StalledLow => "Voltage that stays flat",
            Self::NoAcceptance => "Charge accepted in 60 min",
            Self::Duration => "Length of an attempt",
            Self::AttendedProbe => "Probe, if it is insisted on",
            Self::GasOrDamage => "Smell, hiss, bulge, leak",
            Self::ContactLost => "Time without readings",
        }
    }
}

vocabulary! {
    /// On which side of its level a rule speaks.
    Side {
        /// At the level and above.
        From = "from",
        /// Below the level.
        Below = "below",
    }
}

/// One limit of a supervised charge. A level that has no number is `None`.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct StopRule {
    /// What it looks at.
    pub word: StopWord,
    /// On which side of the levels it speaks.
    pub side: Side,
    /// Level to look closer.
    pub warn: Option<f64>,
    /// Level from which stopping is advised.
    pub stop_advised: Option<f64>,
    /// Level from which stopping at once is advised.
    pub stop_advised_now: Option<f64>,
    /// Unit of the levels.
    pub unit: &'static str,
    /// Conditions and what to do, in words; may be empty.
    pub sentence: String,
}

impl StopRule {
    /// The levels with their unit, as `warn from 40, stop advised from 43.3 degC`.
    #[must_use]
    pub fn levels(&self) -> String {
        let named = [
            ("warn", self.warn),
            ("stop advised", self.stop_advised),
            ("stop advised now", self.stop_advised_now),
        ];
        let stated: Vec<String> = named
            .iter()
            .filter_map(|(name, level)| level.map(|level| format!("{name} {} {level}", self.side)))
            .collect();
        format!("{} {}", stated.join(", "), self.unit)
            .trim()
            .to_owned()
    }

    /// The whole rule for a person.
    #[must_use]
    pub fn text(&self) -> String {
        let parts = [self.levels(), self.sentence.clone()];
        let stated: Vec<&str> = parts
            .iter()
            .map(String::as_str)
            .filter(|p| !p.is_empty())
            .collect();
        format!("{}: {}.", self.word.name(), stated.join("; "))
    }
}

/// Warn, stop advised, stop advised now.
type Levels = (Option<f64>, Option<f64>, Option<f64>);

fn rule(word: StopWord, levels: Levels, unit: &'static str, text: impl Into<String>) -> StopRule {
    let (warn, stop_advised, stop_advised_now) = levels;
    let side = match word {
        StopWord::CellBand | StopWord::StalledLow | StopWord::NoAcceptance => Side::Below,
        _ => Side::From,
    };
    StopRule {
        word,
        side,
        warn,
        stop_advised,
        stop_advised_now,
        unit,
        sentence: text.into(),
    }
}

/// Lists the stop rules for charging this battery, the hottest matters first.
#[must_use]
pub fn stop_rules(battery: &Battery, class: VoltageClass) -> Vec<StopRule> {
    let mut rules = vec![probe(class)];
    rules.push(Some(rule(
        StopWord::GasOrDamage,
        (None, None, None),
        "",
        "stop now, ventilate, leave",
    )));
    rules.extend(heat(battery.chemistry).into_iter().map(Some));
    rules.extend(ceilings(battery).into_iter().map(Some));
    rules.extend(cells(battery).into_iter().map(Some));
    rules.push(Some(rule(
        StopWord::ContactLost,
        (Some(60.0), None, None),
        "s",
        "nobody is watching: go and look",
    )));
    rules.into_iter().flatten().collect()
}

/// The probe that is all a hopeless voltage may get. Source: DOMAIN 1.1, 7.
fn probe(class: VoltageClass) -> Option<StopRule> {
    class.is_probe_only().then(|| {
        rule(
            StopWord::AttendedProbe,
            (None, Some(PROBE_MIN), None),
            "min",
            "one, attended, at 0.02 to 0.05 C, and no second one; end it sooner if the voltage \
             stays low while current flows",
        )
    })
}

/// Case temperatures of a charge, degC: warn, stop advised.
pub(super) fn case_levels(chemistry: Chemistry) -> (f64, f64) {
    let levels = limits::case(chemistry);
    let celsius = |centi: i32| f64::from(centi) / 100.0;
    (celsius(levels.warn_cc), celsius(levels.stop_advised_cc))
}

/// Charge put in without getting full from which stopping is advised, multiples of C20.
pub(super) fn charge_returned_c(chemistry: Chemistry) -> f64 {
    if limits::is_flooded(chemistry) {
        2.0
    } else {
        1.5
    }
}

/// Limits of temperature, and of current at constant voltage.
///
/// Source: `record::limits` for the case; DOMAIN 1.2 for the rest.
fn heat(chemistry: Chemistry) -> Vec<StopRule> {
    let degrees = |centi: i32| Some(f64::from(centi) / 100.0);
    let (warn, stop_advised) = case_levels(chemistry);
    let now = degrees(limits::case(chemistry).stop_advised_now_cc);
    let case = (Some(warn), Some(stop_advised), now);
    let ambient = if limits::is_flooded(chemistry) {
        (Some(10.0), Some(15.0), None)
    } else {
        (None, Some(10.0), None)
    };
    vec![
        rule(StopWord::CaseTemperature, case, "degC", ""),
        rule(StopWord::AboveAmbient, ambient, "K", ""),
        rule(
            StopWord::AboveNeighbours,
            (Some(5.0), Some(10.0), None),
            "K",
            "",
        ),
        rule(
            StopWord::HeatingAtLimit,
            (None, None, degrees(limits::HEATING_CK_PER_MIN)),
            "K/min",
            format!("for {} min", limits::HEATING_MIN),
        ),
        rule(
            StopWord::CurrentRise,
            (None, None, Some(20.0)),
            "%",
            "above its least, for 15 min, while the case gains more than 3 K/h and has gained \
             more than 4 K",
        ),
    ]
}

/// Ceilings of voltage, charge and time.
///
/// Source: DOMAIN 3.1 (absorption at 25 degC, compensation), 1.2 (charge returned, time).
fn ceilings(battery: &Battery) -> Vec<StopRule> {
    let ceiling = absorption_v(battery.chemistry);
    let per_cell_mv = compensation_mv(battery.chemistry, WARM_C);
    let factor = charge_returned_c(battery.chemistry);
    let charge = match battery.rated_ah.map(crate::units::AmpHours::get) {
        Some(c20) if c20 > 0.0 => {
            let levels = (None, Some(tenth(factor * c20)), None);
            rule(StopWord::ChargeReturned, levels, "Ah", "")
        }
        _ => rule(
            StopWord::ChargeReturned,
            (None, Some(factor), None),
            "x C20",
            "",
        ),
    };
    vec![
        rule(
            StopWord::AbsorptionCeiling,
            (None, Some(pack(battery, ceiling)), None),
            "V",
            format!(
                "{per_cell_mv} mV per degC and cell less when warmer; the label wins, and more \
                 than this only by the maker's word, attended"
            ),
        ),
        charge,
        rule(
            StopWord::Duration,
            (None, Some(limits::ATTEMPT_H), None),
            "h",
            "two attempts at most, 12 h of rest between them",
        ),
    ]
}

/// What shows lost cells and batteries that take nothing.
///
/// Source: SIGNALS 5 (bands of 1.90 to 2.26 V a cell; 3, 5 and 8.5 % at 60, 120, 240 min) with
/// the amendments of ARCHITECTURE 7; published hours without current: DOMAIN 1.2.
fn cells(battery: &Battery) -> Vec<StopRule> {
    let live = f64::from(battery.nominal_v) / 2.0 - 1.0;
    let (low, high) = (tenth(live * 1.90), tenth(live * 2.26));
    let stalled = pack(battery, 13.2);
    let (v16, v14) = (pack(battery, 16.0), pack(battery, 14.0));
    let published = match battery.chemistry {
        Chemistry::Agm => "4 h at its ceiling".to_owned(),
        _ => format!("4 h at {v16} V and more, 8 h from {v14} V, 16 h below"),
    };
    vec![
        rule(
            StopWord::CellBand,
            (None, Some(pack(battery, 10.5).min(high)), None),
            "V",
            format!(
                "with 0.05 C or more flowing a cell is lost: with one cell less it holds {low} to \
                 {high} V"
            ),
        ),
        rule(
            StopWord::StalledLow,
            (None, Some(stalled), None),
            "V",
            "less than 0.1 V gained in 3 h, with 80 % of the missing Ah delivered",
        ),
        rule(
            StopWord::NoAcceptance,
            (None, Some(3.0), None),
            "% of C20",
            format!(
                "5 % in 120, 8.5 % in 240; with the current below 3 % of C20 and not growing; put \
                 the clamps on anew first; published: no current after {published}, in an \
                 overnight queue 4 h at most"
            ),
        ),
    ]
}

/// A voltage of six cells on this pack, in tenths of a volt or finer where the half needs it.
fn pack(battery: &Battery, v12: f64) -> f64 {
    libm::round(v12 * f64::from(battery.nominal_v) / 12.0 * 100.0) / 100.0
}

/// Rounds to a tenth.
fn tenth(value: f64) -> f64 {
    libm::round(value * 10.0) / 10.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::tests::visit;
    use crate::units::AmpHours;

    fn battery(chemistry: Chemistry, nominal_v: u8) -> Battery {
        Battery {
            chemistry,
            ..visit(11.9, nominal_v).battery
        }
    }

    fn find(battery: &Battery, class: VoltageClass, word: StopWord) -> Option<StopRule> {
        stop_rules(battery, class)
            .into_iter()
            .find(|rule| rule.word == word)
    }

    fn levels(battery: &Battery, word: StopWord) -> String {
        find(battery, VoltageClass::SixLiveCells, word)
            .unwrap()
            .levels()
    }

    // Source: DOMAIN 10, row 58.
    #[test]
    fn a_glass_mat_charge_warns_at_40_and_is_to_be_stopped_from_43_3() {
        let agm = battery(Chemistry::Agm, 12);
        let expected = "warn from 40, stop advised from 43.3, stop advised now from 51 degC";
        assert_eq!(levels(&agm, StopWord::CaseTemperature), expected);
        assert_eq!(
            levels(&agm, StopWord::AboveAmbient),
            "stop advised from 10 K"
        );
    }

    // Source: DOMAIN 1.2: flooded never above 51; warn +10, abort +15 over ambient.
    #[test]
    fn no_limit_of_any_chemistry_is_above_51_degrees() {
        for chemistry in Chemistry::ALL {
            let rules = stop_rules(&battery(*chemistry, 12), VoltageClass::SixLiveCells);
            let case = rules
                .iter()
                .find(|rule| rule.word == StopWord::CaseTemperature)
                .unwrap();
            assert_eq!(case.stop_advised_now, Some(51.0), "{chemistry}");
            assert!(case.warn < case.stop_advised && case.stop_advised < case.stop_advised_now);
        }
        let flooded = battery(Chemistry::Flooded, 12);
        assert_eq!(
            levels(&flooded, StopWord::AboveAmbient),
            "warn from 10, stop advised from 15 K"
        );
    }

    // Source: DOMAIN 3.1 for 12 V; half of it for 6 V (DOMAIN 2.2).
    #[test]
    fn ceilings_follow_chemistry_and_cells() {
        for (chemistry, nominal_v, expected) in [
            (Chemistry::Flooded, 12, 14.8),
            (Chemistry::Agm, 12, 14.7),
            (Chemistry::Gel, 12, 14.1),
            (Chemistry::Flooded, 6, 7.4),
            (Chemistry::Gel, 6, 7.05),
        ] {
            let battery = battery(chemistry, nominal_v);
            let ceiling = format!("stop advised from {expected} V");
            assert_eq!(levels(&battery, StopWord::AbsorptionCeiling), ceiling);
        }
    }

    // Source: DOMAIN 1.2: 1.5 x C20 for AGM and gel, 2.0 x for flooded.
    #[test]
    fn charge_is_limited_by_capacity_or_by_its_multiple() {
        let mut agm = battery(Chemistry::Agm, 12);
        agm.rated_ah = Some(AmpHours::new("rated_ah", 14.0).unwrap());
        assert_eq!(
            levels(&agm, StopWord::ChargeReturned),
            "stop advised from 21 Ah"
        );
        let mut flooded = battery(Chemistry::Flooded, 12);
        flooded.rated_ah = None;
        assert_eq!(
            levels(&flooded, StopWord::ChargeReturned),
            "stop advised from 2 x C20"
        );
    }

    // Source: SIGNALS 5: five cells of 1.90 to 2.26 V, two for a 6 V pack; below 10.5 V after
    // 60 min only together with that band (ARCHITECTURE 7).
    #[test]
    fn the_band_of_a_lost_cell_is_counted_in_cells() {
        for (nominal_v, band, below) in [(12, "9.5 to 11.3 V", 10.5), (6, "3.8 to 4.5 V", 4.5)] {
            let battery = battery(Chemistry::Agm, nominal_v);
            let rule = find(&battery, VoltageClass::SixLiveCells, StopWord::CellBand).unwrap();
            assert!(rule.text().contains(band), "{}", rule.text());
            assert_eq!((rule.side, rule.stop_advised), (Side::Below, Some(below)));
        }
    }

    #[test]
    fn a_rule_reads_as_name_levels_and_conditions() {
        let agm = battery(Chemistry::Agm, 12);
        let text = |word| find(&agm, VoltageClass::NoLiveCell, word).unwrap().text();
        assert_eq!(
            text(StopWord::AboveAmbient),
            "Case above the air around it: stop advised from 10 K."
        );
        assert_eq!(
            text(StopWord::HeatingAtLimit),
            "Heating at the voltage limit: stop advised now from 0.3 K/min; for 10 min."
        );
        assert_eq!(
            text(StopWord::GasOrDamage),
            "Smell, hiss, bulge, leak: stop now, ventilate, leave."
        );
    }

    #[test]
    fn only_a_hopeless_voltage_is_held_to_a_probe_of_an_hour() {
        let agm = battery(Chemistry::Agm, 12);
        let probe = |class| find(&agm, class, StopWord::AttendedProbe);
        assert_eq!(
            probe(VoltageClass::NoLiveCell).unwrap().levels(),
            "stop advised from 60 min"
        );
        assert_eq!(probe(VoltageClass::SixLiveCells), None);
    }
}
