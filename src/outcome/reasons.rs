//! The closed list of reasons behind an outcome, each said with its numbers.

use super::criteria::Grade;
use crate::record::words::vocabulary;

vocabulary! {
    /// Why an outcome is what it is, or what was set aside on the way.
    ReasonCode {
        NotLeadAcid = "not_lead_acid",
        StillCharging = "still_charging",
        TerminalVoltage = "terminal_voltage",
        RestedTooShort = "rested_too_short",
        RestedTooLong = "rested_too_long",
        TemperatureUncertain = "temperature_uncertain",
        NotValidUntilCharged = "not_valid_until_charged",
        BelowInstrumentMinimum = "below_instrument_minimum",
        ImplausibleRatio = "implausible_ratio",
        CcaStandardUnknown = "cca_standard_unknown",
        RatedCcaMissing = "rated_cca_missing",
        RatedAhMissing = "rated_ah_missing",
        RestVoltageMissing = "rest_voltage_missing",
        VoltagePasses = "voltage_passes",
        VoltagePartial = "voltage_partial",
        VoltageFails = "voltage_fails",
        StrengthTestMissing = "strength_test_missing",
        CrankingPasses = "cranking_passes",
        CrankingPartial = "cranking_partial",
        CrankingFails = "cranking_fails",
        LoadTestPasses = "load_test_passes",
        LoadTestFails = "load_test_fails",
        LoadTestUndecided = "load_test_undecided",
        CapacityPasses = "capacity_passes",
        CapacityPartial = "capacity_partial",
        CapacityFails = "capacity_fails",
        TestsDisagree = "tests_disagree",
        HoldPasses = "hold_passes",
        HoldDoubtful = "hold_doubtful",
        HoldFails = "hold_fails",
        HoldNotComparable = "hold_not_comparable",
        WorseThanBefore = "worse_than_before",
        ReportUsed = "report_used",
        ReportAgrees = "report_agrees",
        ReportOverruled = "report_overruled",
        CameBack = "came_back",
        ComeBackNotCounted = "come_back_not_counted",
    }
}

/// One reason with its numbers.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Reason {
    /// Closed word.
    pub code: ReasonCode,
    /// Sentence with numbers and units, in the volts of this pack.
    pub sentence: String,
}

/// Reasons in the order in which the rules said them.
#[derive(Debug, Default)]
pub(super) struct Reasons(pub(super) Vec<Reason>);

impl Reasons {
    pub(super) fn say(&mut self, code: ReasonCode, sentence: String) {
        self.0.push(Reason { code, sentence });
    }

    /// Says how many readings a sentence is about; nothing for none.
    pub(super) fn count(
        &mut self,
        count: usize,
        code: ReasonCode,
        sentence: impl FnOnce() -> String,
    ) {
        if count > 0 {
            let noun = if count == 1 { "reading" } else { "readings" };
            self.say(code, format!("{count} {noun} {}", sentence()));
        }
    }

    /// Says a graded measurement under the code of its grade: fails, partial, passes.
    pub(super) fn grade(
        &mut self,
        grade: Grade,
        [fails, partial, passes]: [ReasonCode; 3],
        sentence: String,
    ) {
        let code = match grade {
            Grade::Fail => fails,
            Grade::Partial => partial,
            Grade::Pass => passes,
        };
        self.say(code, sentence);
    }
}
