//! The closed list of alarm kinds: class, latching, unit, what to do.

use crate::record::words::vocabulary;

vocabulary! {
    /// How urgent an alarm is, most urgent first.
    Class {
        /// Someone must go now.
        Critical = "critical",
        /// Someone must look within the hour.
        High = "high",
        /// To be put in order; nobody is called.
        Low = "low",
    }
}

vocabulary! {
    /// What an alarm is about. At most one alarm is open per device and kind.
    ///
    /// Source: RELIABILITY 4.3; the last seven are named in its sections 1.1, 1.4 to 1.8 and 4.2.
    Kind {
        /// Case temperature at its limit.
        OverTemperature = "over_temperature",
        /// Temperature rising fast, or rising together with current at constant voltage.
        TemperatureRise = "temperature_rise",
        /// Voltage that no charge of this construction reaches on purpose.
        OverVoltage = "over_voltage",
        /// A lithium battery gets a lead-acid program or its voltage.
        LithiumOnLeadProgram = "lithium_on_lead_program",
        /// A temperature that cannot be: nobody measures the case.
        SensorFault = "sensor_fault",
        /// Negative voltage.
        Reversed = "reversed",
        /// Signature of a shorted cell.
        ShortedCell = "shorted_cell",
        /// The analysis advises to stop.
        StopAdvised = "stop_advised",
        /// Longer than an attempt may take.
        TooLong = "too_long",
        /// More charge put in than the battery can hold.
        AmpereHoursOverrun = "ampere_hours_overrun",
        /// A charging device went silent.
        ContactLost = "contact_lost",
        /// The device itself reports a fault.
        DeviceFault = "device_fault",
        /// The database does not take data; operators.
        DatabaseAway = "database_away",
        /// The database's disk runs full; operators.
        DiskLow = "disk_low",
        /// Two devices use one identity.
        IdentityShared = "identity_shared",
        /// The clock of a device jumped.
        ClockJump = "clock_jump",
        /// Values that fit another unit.
        UnitSuspect = "unit_suspect",
        /// Nobody read the construction off the case.
        ChemistryUnknown = "chemistry_unknown",
        /// A sequence number came again with other content.
        KeyConflict = "key_conflict",
        /// More sessions a day than a device can have.
        TooManySessions = "too_many_sessions",
    }
}

vocabulary! {
    /// Fixed-point unit of an alarm's value; integers as on the wire.
    Unit {
        Millivolt = "mV",
        Centidegree = "cdegC",
        CentikelvinPerHour = "cK/h",
        MilliampereHour = "mAh",
        Second = "s",
        Percent = "%",
        Count = "count",
        None = "none",
    }
}

impl Unit {
    /// The value for a person, with its unit: `52.3 degC`, `16.31 V`, `3 min`.
    #[must_use]
    pub fn show(self, value: i64) -> String {
        let exact = value as f64;
        match self {
            Self::Millivolt => format!("{:.2} V", exact / 1000.0),
            Self::Centidegree => format!("{:.1} degC", exact / 100.0),
            Self::CentikelvinPerHour => format!("{:.1} K/h", exact / 100.0),
            Self::MilliampereHour => format!("{:.1} Ah", exact / 1000.0),
            Self::Second => super::text::span(value),
            Self::Percent => format!("{value} % left"),
            Self::Count => value.to_string(),
            Self::None => String::new(),
        }
    }
}

/// What is fixed about a kind.
struct Facts {
    class: Class,
    name: &'static str,
    unit: Unit,
    what_to_do: &'static str,
}

const fn facts(class: Class, name: &'static str, unit: Unit, what_to_do: &'static str) -> Facts {
    Facts {
        class,
        name,
        unit,
        what_to_do,
    }
}

const COOL: &str = "Go to the bench. Switch the charger off before touching a clamp, air the room, \
                    keep away from the battery until it has cooled; follow its maker's instructions.";
const LOOK: &str = "Look at battery, clamps and charger; switch the charger off first if anything \
                    is hot, swollen, leaking or smells.";
const STOP: &str = "Stopping is advised: switch the charger off, then look at the battery and read \
                    the findings of this charge.";

impl Kind {
    fn facts(self) -> Facts {
        use Class::{Critical, High};
        match self {
            Self::OverTemperature => {
                facts(Critical, "case over-temperature", Unit::Centidegree, COOL)
            }
            Self::TemperatureRise => {
                let name = "temperature rising fast";
                facts(Critical, name, Unit::CentikelvinPerHour, COOL)
            }
            Self::OverVoltage => facts(
                Critical,
                "over-voltage",
                Unit::Millivolt,
                "Switch the charger off; compare its program with the battery's label before any \
                 further charge.",
            ),
            Self::LithiumOnLeadProgram => facts(
                Critical,
                "lithium battery on a lead-acid program",
                Unit::Millivolt,
                "Switch the charger off. Charge a lithium battery only as its maker's \
                 instructions say, never with equalise or recovery stages.",
            ),
            Self::SensorFault => facts(
                Critical,
                "impossible temperature: sensor fault",
                Unit::Centidegree,
                "Nobody measures this case now: go and feel for heat without touching a clamp; \
                 stop the charge until the sensor is mended.",
            ),
            Self::Reversed => facts(
                High,
                "reversed or negative voltage",
                Unit::Millivolt,
                "Switch the charger off; check the polarity of clamps and battery with a meter. A \
                 reversed battery is not charged.",
            ),
            Self::ShortedCell => facts(High, "signs of a shorted cell", Unit::Millivolt, STOP),
            Self::StopAdvised => facts(High, "stop advised", Unit::None, STOP),
            Self::TooLong => facts(High, "charge takes too long", Unit::Second, STOP),
            Self::AmpereHoursOverrun => {
                let name = "more charge put in than expected";
                facts(High, name, Unit::MilliampereHour, STOP)
            }
            Self::ContactLost => facts(
                High,
                "contact lost while charging",
                Unit::Second,
                "Nobody is watching this charge: go and look, then mend power or network.",
            ),
            Self::DeviceFault => facts(High, "device reports a fault", Unit::None, LOOK),
            other => other.upkeep(),
        }
    }

    /// Kinds that concern the instruments and the service, not a battery.
    fn upkeep(self) -> Facts {
        use Class::{High, Low};
        match self {
            Self::DatabaseAway => facts(
                High,
                "database away",
                Unit::Second,
                "Operator: bring the database back. Alarms go on; telemetry waits in the devices.",
            ),
            Self::DiskLow => facts(
                High,
                "disk of the database runs full",
                Unit::Percent,
                "Operator: make room before telemetry must be held back.",
            ),
            Self::IdentityShared => facts(
                Low,
                "identity shared by two devices",
                Unit::Count,
                "Enrol each device with a token of its own; both keep sending until then.",
            ),
            Self::ClockJump => facts(
                Low,
                "clock of the device jumped",
                Unit::Second,
                "Check the device's time source.",
            ),
            Self::UnitSuspect => facts(
                Low,
                "values fit another unit",
                Unit::Millivolt,
                "Correct the unit in the sender, or declare it in the registry.",
            ),
            Self::ChemistryUnknown => facts(
                Low,
                "chemistry unknown",
                Unit::None,
                "Read the construction off the case and enter it; until then the strictest \
                 temperature limits hold and the voltage limit is only what no battery is given.",
            ),
            Self::TooManySessions => facts(
                Low,
                "too many sessions in a day",
                Unit::Count,
                "Check the device's power supply; it may restart again and again.",
            ),
            _ => facts(
                Low,
                "sequence number used twice",
                Unit::Count,
                "Let the device start a new boot after a reset; the first content was kept.",
            ),
        }
    }

    /// How urgent it is.
    #[must_use]
    pub fn class(self) -> Class {
        self.facts().class
    }

    /// Whether it stays until a person has acknowledged it after it returned.
    #[must_use]
    pub fn is_latching(self) -> bool {
        matches!(self, Self::TemperatureRise | Self::LithiumOnLeadProgram)
    }

    /// What it is, as a technician says it.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.facts().name
    }

    /// Unit of its value.
    #[must_use]
    pub fn unit(self) -> Unit {
        self.facts().unit
    }

    /// What a person should do.
    #[must_use]
    pub fn what_to_do(self) -> &'static str {
        self.facts().what_to_do
    }

    /// The worse of two values: the lower voltage of a reversed or shorted battery, the temperature
    /// farther from zero of a broken sensor, the smaller rest of a disk, otherwise the larger.
    #[must_use]
    pub fn worse(self, one: Option<i64>, other: Option<i64>) -> Option<i64> {
        let (Some(a), Some(b)) = (one, other) else {
            return one.or(other);
        };
        let worse = match self {
            Self::Reversed | Self::ShortedCell | Self::DiskLow => a.min(b),
            Self::SensorFault if b.unsigned_abs() > a.unsigned_abs() => b,
            Self::SensorFault => a,
            _ => a.max(b),
        };
        Some(worse)
    }

    /// Change of the worst value that people should hear of: 1 K, 0.1 V, 5 min and so on; our
    /// choice. Less is kept, but makes no new revision.
    #[must_use]
    pub fn visible_step(self) -> u64 {
        match self.unit() {
            Unit::Millivolt | Unit::Centidegree => 100,
            Unit::CentikelvinPerHour | Unit::Second => 300,
            Unit::MilliampereHour => 5_000,
            Unit::Percent | Unit::Count | Unit::None => 1,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: RELIABILITY 4.3, columns Kind and Class.
    #[test]
    fn classes_and_latching_are_as_listed() {
        for (kind, class, latching) in [
            (Kind::OverTemperature, Class::Critical, false),
            (Kind::SensorFault, Class::Critical, false),
            (Kind::TemperatureRise, Class::Critical, true),
            (Kind::OverVoltage, Class::Critical, false),
            (Kind::LithiumOnLeadProgram, Class::Critical, true),
            (Kind::Reversed, Class::High, false),
            (Kind::ShortedCell, Class::High, false),
            (Kind::TooLong, Class::High, false),
            (Kind::ContactLost, Class::High, false),
            (Kind::UnitSuspect, Class::Low, false),
        ] {
            assert_eq!(
                (kind.class(), kind.is_latching()),
                (class, latching),
                "{kind}"
            );
        }
    }

    #[test]
    fn every_kind_has_its_own_name_and_says_what_to_do_without_promising() {
        let mut names: Vec<&str> = Kind::ALL.iter().map(|kind| kind.name()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), Kind::ALL.len());
        for kind in Kind::ALL {
            let text = kind.what_to_do();
            assert!(
                text.ends_with('.') && !text.to_lowercase().contains("safe"),
                "{text}"
            );
        }
    }

    #[test]
    fn the_worse_value_lies_on_the_side_of_the_fault() {
        let worse = |kind: Kind, a, b| kind.worse(Some(a), Some(b)).unwrap();
        assert_eq!(worse(Kind::OverTemperature, 5_100, 5_200), 5_200);
        assert_eq!(worse(Kind::Reversed, -300, -12_000), -12_000);
        assert_eq!(worse(Kind::SensorFault, 16_000, -20_000), -20_000);
        assert_eq!(Kind::OverVoltage.worse(None, Some(16_300)), Some(16_300));
        assert_eq!(Kind::OverVoltage.worse(Some(16_300), None), Some(16_300));
    }

    #[test]
    fn values_are_shown_with_their_unit() {
        assert_eq!(Unit::Centidegree.show(5_234), "52.3 degC");
        assert_eq!(Unit::Millivolt.show(-12_345), "-12.35 V");
        assert_eq!(Unit::Second.show(185), "3 min");
        assert_eq!(Unit::Percent.show(14), "14 % left");
    }
}
