//! The vocabulary: one spelling of each word for proto, SQL, JSON, command line and import.

/// Declares a closed enum whose text form is its wire form.
macro_rules! vocabulary {
    ($(#[$meta:meta])* $name:ident { $($(#[$vmeta:meta])* $variant:ident = $text:literal),+ $(,)? }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum $name {
            $($(#[$vmeta])* #[doc = concat!(" Wire word `", $text, "`.")] $variant),+
        }

        impl $name {
            /// Every value, in the order of the declaration.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];

            /// The wire word.
            #[must_use]
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $text),+ }
            }

            /// Finds the value of a wire word; `None` for any other text.
            #[must_use]
            pub fn find(text: &str) -> Option<Self> {
                match text { $($text => Some(Self::$variant),)+ _ => None }
            }

            /// Parses a wire word.
            ///
            /// # Errors
            /// `FIELD_INVALID` that lists the allowed words.
            pub fn parse(field: &str, text: &str) -> Result<Self, $crate::reject::Reject> {
                Self::find(text).ok_or_else(|| {
                    let words: Vec<&str> = Self::ALL.iter().map(|word| word.as_str()).collect();
                    $crate::reject::Reject::new(
                        $crate::reject::Code::FieldInvalid,
                        field,
                        format!("`{}` is not one of {}", text.escape_debug(), words.join(", ")),
                    )
                })
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.as_str())
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(self.as_str())
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = String::deserialize(deserializer)?;
                Self::parse(stringify!($name), &text).map_err(serde::de::Error::custom)
            }
        }
    };
}
pub(crate) use vocabulary;

vocabulary! {
    /// Construction of a battery.
    Chemistry {
        /// Vented or sealed flooded lead-acid.
        Flooded = "flooded",
        /// Enhanced flooded; modelled as flooded.
        EnhancedFlooded = "enhanced_flooded",
        /// Absorbent glass mat.
        Agm = "agm",
        /// Gelled electrolyte.
        Gel = "gel",
        /// Lithium iron phosphate; never treated by a lead-acid rule.
        Lifepo4 = "lifepo4",
        /// Not read off the case.
        Unknown = "unknown",
    }
}

vocabulary! {
    /// What the battery serves. Mowers, scooters and quads are powersports.
    Segment { Powersports = "powersports", Car = "car", Marine = "marine" }
}

vocabulary! {
    /// Where the battery spent its idle time.
    Storage {
        InstalledConnected = "installed_connected",
        InstalledDisconnected = "installed_disconnected",
        RemovedIndoors = "removed_indoors",
        RemovedUnheated = "removed_unheated",
        Unknown = "unknown",
    }
}

vocabulary! {
    /// What the tester said at intake; each state is information.
    TesterState { Ok = "ok", NoPowerUp = "no_power_up", NotTested = "not_tested" }
}

vocabulary! {
    /// What a person sees on the case at intake. Any of the first five is a hazard stop.
    VisualFlag {
        Swollen = "swollen",
        Leaking = "leaking",
        Cracked = "cracked",
        Frozen = "frozen",
        ReversedPolarity = "reversed_polarity",
        VentCapMissing = "vent_cap_missing",
        TerminalMelted = "terminal_melted",
        FoulSmell = "foul_smell",
    }
}

vocabulary! {
    /// What the technician means by the charge.
    Purpose { PlainCharge = "plain_charge", RecoveryCharge = "recovery_charge", Equalise = "equalise" }
}

vocabulary! {
    /// Charging profile of the attempt, a factor of the model.
    Method {
        CcCv = "cc_cv",
        LowRateCc = "low_rate_cc",
        ElevatedCv = "elevated_cv",
        MultiStage = "multi_stage",
        Unknown = "unknown",
    }
}

vocabulary! {
    /// Why an attempt ended.
    EndReason {
        Completed = "completed",
        StopAdvised = "stop_advised",
        StoppedByPerson = "stopped_by_person",
        OverTemperature = "over_temperature",
        ChargerFault = "charger_fault",
        NotStarted = "not_started",
        ContactLost = "contact_lost",
    }
}

vocabulary! {
    /// How an attempt came out, best first; `undetermined` is a legal value.
    OutcomeClass {
        Recovered = "recovered",
        PartiallyRecovered = "partially_recovered",
        NotRecovered = "not_recovered",
        MadeWorse = "made_worse",
        Undetermined = "undetermined",
    }
}

vocabulary! {
    /// Where an outcome comes from: our ladder of retests, a person's word, an imported file.
    Basis { Ladder = "ladder", Reported = "reported", Imported = "imported" }
}

vocabulary! {
    /// What became of the battery.
    Disposition {
        ReturnToService = "return_to_service",
        Maintain = "maintain",
        Retest = "retest",
        Recycle = "recycle",
    }
}

vocabulary! {
    /// Stage of a charge.
    Stage {
        LowVoltageStart = "low_voltage_start",
        Bulk = "bulk",
        Absorption = "absorption",
        Float = "float",
        Equalise = "equalise",
        Rest = "rest",
        Pause = "pause",
    }
}

vocabulary! {
    /// Kind of a spot measurement; the unit of the value follows from it (`ReadingKind::unit`).
    ReadingKind {
        OpenCircuitVoltage = "open_circuit_voltage",
        TerminalVoltage = "terminal_voltage",
        MeasuredCca = "measured_cca",
        LoadTestVoltage = "load_test_voltage",
        CapacityTest = "capacity_test",
        SpecificGravity = "specific_gravity",
        InternalResistance = "internal_resistance",
        Conductance = "conductance",
        TesterReportedHealth = "tester_reported_health_pct",
        TesterReportedSoc = "tester_reported_soc_pct",
        CaseTemperature = "case_temperature",
    }
}

impl ReadingKind {
    /// Unit symbol of the value.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Self::OpenCircuitVoltage | Self::TerminalVoltage | Self::LoadTestVoltage => "V",
            Self::MeasuredCca => "A",
            Self::CapacityTest => "Ah",
            Self::SpecificGravity => "1",
            Self::InternalResistance => "Ohm",
            Self::Conductance => "S",
            Self::TesterReportedHealth | Self::TesterReportedSoc => "%",
            Self::CaseTemperature => "degC",
        }
    }
}

vocabulary! {
    /// Standard that a cold cranking rating was stated by. 800 A by one is not 800 A by another.
    CcaStandard { Sae = "sae", En = "en", Jis = "jis", Iec = "iec", Din = "din", Unknown = "unknown" }
}

vocabulary! {
    /// Kind of a device on a bench.
    DeviceKind { Charger = "charger", Meter = "meter", Sensor = "sensor" }
}

vocabulary! {
    /// What a bearer token may do.
    Scope {
        /// Write its own telemetry and read its own receipts.
        Device = "device",
        /// Write for the devices of its group, enrol devices, read their quarantine.
        Integrator = "integrator",
        /// Read and write visits, attempts, readings; ask.
        Bench = "bench",
        /// Read every shop of the group; ask; write nothing.
        Analyst = "analyst",
        /// Registry, tokens, quarantine, and everything above.
        Operator = "operator",
    }
}

vocabulary! {
    /// The answer to "is this battery worth an attempt?".
    Answer {
        Attempt = "attempt",
        DoNotAttempt = "do_not_attempt",
        MeasureFirst = "measure_first",
        AuditAttempt = "audit_attempt",
        HazardStop = "hazard_stop",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_round_trip_and_unknown_words_list_the_choices() {
        for chemistry in Chemistry::ALL {
            assert_eq!(Chemistry::find(chemistry.as_str()), Some(*chemistry));
        }
        let reject = Storage::parse("storage", "attic").unwrap_err();
        assert!(reject.detail.contains("removed_unheated"), "{reject}");
    }
}
