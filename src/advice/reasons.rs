//! Why: a closed list of reasons with stable words, and one plain sentence each.
//!
//! A word never changes its meaning; sentences may be reworded. Numbers in a sentence carry their
//! unit. `explain` lists what an answer rests on, evidence first, then what was missing.

use super::economics::{CostItem, Economics};
use super::hazard::Hazard;
use super::knowledge::Similar;
use super::readings::WorthReading;
use super::text::{money, percent};
use super::voltage_class::VoltageClass;
use crate::model::belief::Chance;
use crate::model::fit::{Block, Family};
use crate::model::predict;
use crate::model::prior::{Features, IMPLAUSIBLE_CCA_RATIO};
use crate::record::visit::Visit;
use crate::record::words::{Chemistry, Method, Storage, TesterState, vocabulary};

/// Below this a tester's reading is not valid, V of six cells: 25 % of charge (DOMAIN 2.1).
const TESTER_V12_MIN: f64 = 12.0;
/// A rested full battery reads no more, V of six cells. Source: DOMAIN 2.1, widest band.
const RESTED_FULL_V12: f64 = 13.2;
/// A charged 6 V pack rests between these, V. Source: DOMAIN 2.2.
const SIX_VOLT_PACK_V: std::ops::RangeInclusive<f64> = 5.9..=6.5;
/// Months discharged after which sulfate is hard to remove. Source: DOMAIN 4.3.
const SULFATED_MONTHS: f64 = 1.0;

/// Log-odds below which a part is not told: less than a tenth of the odds either way. Our choice.
const WEIGHS_MIN: f64 = 0.1;
/// Parts that are told at most. Our choice.
const WEIGHS_MAX: usize = 4;
/// Similar cases told in a sentence; the answer's data have up to ten. Our choice.
const STORIES: usize = 3;

vocabulary! {
    /// Words of the reasons.
    ReasonWord {
        HazardFound = "hazard_found",
        ReadingWorth = "reading_worth",
        AuditTeaches = "audit_teaches",
        BandEvidence = "band_evidence",
        NoEvidence = "no_evidence",
        BeliefOnly = "belief_only",
        SimilarCases = "similar_cases",
        Extrapolates = "extrapolates",
        Weighs = "weighs",
        VoltageClass = "voltage_class",
        MonthsFlat = "months_flat",
        MonthsUnknown = "months_unknown",
        StorageHistory = "storage_history",
        StorageUnknown = "storage_unknown",
        TesterNotValid = "tester_not_valid",
        TesterDark = "tester_dark",
        NotTested = "not_tested",
        ImplausibleRatio = "implausible_ratio",
        ElectrolyteLow = "electrolyte_low",
        FrostRisk = "frost_risk",
        SurfaceCharge = "surface_charge",
        NominalDoubt = "nominal_doubt",
        ChemistryUnknown = "chemistry_unknown",
        AgeUnknown = "age_unknown",
        MethodAssumed = "method_assumed",
        PriceDefault = "price_default",
        CostDefaults = "cost_defaults",
        NeverWorth = "never_worth",
        NotClear = "not_clear",
        ClearCut = "clear_cut",
    }
}

/// One reason.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Reason {
    /// Its stable word; a hazard's own word stands in `hazard`.
    pub word: ReasonWord,
    /// Which hazard, for `hazard_found`.
    pub hazard: Option<Hazard>,
    /// The reason in words.
    pub sentence: String,
}

impl Reason {
    fn new(word: ReasonWord, sentence: impl Into<String>) -> Self {
        Self {
            word,
            hazard: None,
            sentence: sentence.into(),
        }
    }

    /// The reason of a hazard stop.
    #[must_use]
    pub fn of_hazard(hazard: Hazard) -> Self {
        let sentence = hazard.sentence().to_owned();
        Self {
            word: ReasonWord::HazardFound,
            hazard: Some(hazard),
            sentence,
        }
    }
}

/// What an answer was worked out from.
pub(super) struct Case<'a> {
    pub(super) visit: &'a Visit,
    pub(super) features: Features,
    pub(super) method_is_assumed: bool,
    pub(super) chance: Chance,
    pub(super) economics: &'a Economics,
    /// Log-odds of each part against the reference battery.
    pub(super) weights: Vec<predict::Reason>,
    pub(super) family: Family,
    pub(super) similar: &'a [Similar],
    pub(super) extrapolates: bool,
    /// The reading that is asked for.
    pub(super) reading: Option<WorthReading>,
    /// For an audit: how many similar batteries the chance is worth.
    pub(super) audit: Option<f64>,
}

/// Lists the reasons of an answer that is no hazard stop.
pub(super) fn explain(case: &Case<'_>) -> Vec<Reason> {
    let mut reasons = asked_for(case);
    reasons.extend(evidence(case));
    reasons.extend(weighs(case));
    reasons.push(voltage(case));
    reasons.extend(history(case));
    reasons.extend(tester(case));
    reasons.extend(condition(case));
    reasons.extend(assumptions(case));
    reasons.push(judgement(case));
    reasons
}

/// Why a reading or an audit is asked for, where one is.
fn asked_for(case: &Case<'_>) -> Vec<Reason> {
    let currency = case.economics.currency.as_deref();
    let reading = case.reading.map(|reading| {
        let text = format!(
            "Before deciding, {}: it is worth {} more than the {} it costs, because the answer may \
             turn the decision.",
            reading.reading.wish(),
            money(reading.net, currency),
            money(reading.price, currency),
        );
        Reason::new(ReasonWord::ReadingWorth, text)
    });
    let audit = case.audit.map(|n_eq| {
        let text = format!(
            "On average it would not pay, but the chance is worth only about {} similar batteries: a \
             few such attempts keep the shops learning.",
            libm::round(n_eq.max(0.0))
        );
        Reason::new(ReasonWord::AuditTeaches, text)
    });
    reading.into_iter().chain(audit).collect()
}

/// Parts that move the chance most, against the reference battery.
fn weighs(case: &Case<'_>) -> Option<Reason> {
    let mut parts: Vec<&predict::Reason> = case
        .weights
        .iter()
        .filter(|part| part.log_odds.abs() >= WEIGHS_MIN)
        .collect();
    parts.sort_by(|one, other| other.log_odds.abs().total_cmp(&one.log_odds.abs()));
    let told: Vec<String> = parts
        .iter()
        .take(WEIGHS_MAX)
        .map(|part| format!("{} {}", part_name(part.block), times(part.log_odds)))
        .collect();
    (!told.is_empty()).then(|| {
        let text = format!(
            "Against a {}, the odds are moved by: {}.",
            predict::reference_text(case.family),
            told.join(", ")
        );
        Reason::new(ReasonWord::Weighs, text)
    })
}

/// Log-odds as a factor of the odds: "x 0.4", "x 2.5".
fn times(log_odds: f64) -> String {
    let factor = libm::exp(log_odds);
    if factor < 0.095 {
        format!("x {factor:.2}")
    } else {
        format!("x {factor:.1}")
    }
}

/// A part of a battery in a technician's words.
fn part_name(block: Block) -> String {
    block.as_str().replace('_', " ")
}

/// Outcomes of the band, and whether they carry the numbers.
fn evidence(case: &Case<'_>) -> Vec<Reason> {
    let (volts, months) = case.features.bands();
    let band = format!("{}, {}", volts.label(), months.label());
    let (n, recovered) = (case.chance.n_band, case.chance.recovered_band);
    let mut reasons = vec![if n == 0 {
        let text = format!("No similar battery ({band}) has an outcome yet.");
        Reason::new(ReasonWord::NoEvidence, text)
    } else {
        let text = format!("{recovered} of {n} similar batteries recovered ({band}).");
        Reason::new(ReasonWord::BandEvidence, text)
    }];
    if case.chance.belief_only {
        reasons.push(Reason::new(
            ReasonWord::BeliefOnly,
            "Belief only: too few outcomes were counted, so percentages come in steps of 10 %.",
        ));
    }
    if !case.similar.is_empty() {
        let recovered = case.similar.iter().filter(|one| one.recovered).count();
        let text = format!(
            "Of the {} past cases most like it {recovered} recovered; nearest: {}.",
            case.similar.len(),
            story(case.similar)
        );
        reasons.push(Reason::new(ReasonWord::SimilarCases, text));
    }
    if case.extrapolates {
        reasons.push(Reason::new(
            ReasonWord::Extrapolates,
            "Few attempts were like this one: the chance is drawn from unlike ones.",
        ));
    }
    reasons
}

/// The nearest cases in a few words.
fn story(similar: &[Similar]) -> String {
    let told: Vec<String> = similar
        .iter()
        .take(STORIES)
        .map(|one| {
            let months = one
                .months_since_full_charge
                .map_or_else(|| "months not known".to_owned(), span);
            let end = if one.recovered {
                "recovered"
            } else {
                "not recovered"
            };
            format!("{:.1} V, {months}, {end}", one.v12)
        })
        .collect();
    told.join("; ")
}

/// What the voltage means.
fn voltage(case: &Case<'_>) -> Reason {
    let class = VoltageClass::of(case.features.v12);
    let cells = if case.features.six_volt { 3 } else { 6 };
    let read = format!(
        "{:.2} V at rest: {}",
        case.visit.rest_v.get(),
        class.meaning(cells)
    );
    Reason::new(ReasonWord::VoltageClass, format!("{read}."))
}

/// Where it stood and for how long.
fn history(case: &Case<'_>) -> Vec<Reason> {
    let is_flat = VoltageClass::of(case.features.v12) >= VoltageClass::OverDischarged;
    let months = match case.features.months {
        None => Reason::new(
            ReasonWord::MonthsUnknown,
            "Months since the last full charge are not known: ask for them, they weigh much.",
        ),
        Some(months) if is_flat && months >= SULFATED_MONTHS => Reason::new(
            ReasonWord::MonthsFlat,
            format!(
                "{} since the last full charge and flat: standing discharged for \
                 over a month leaves sulfate that is hard to remove.",
                span(months)
            ),
        ),
        Some(months) => Reason::new(
            ReasonWord::MonthsFlat,
            format!(
                "{} since the last full charge; at this voltage it was not flat for most of it.",
                span(months)
            ),
        ),
    };
    let (word, text) = match case.features.storage {
        Storage::InstalledConnected => (
            ReasonWord::StorageHistory,
            "It stood connected: a small drain keeps a battery flat for most of the time.",
        ),
        Storage::InstalledDisconnected => (
            ReasonWord::StorageHistory,
            "It stood in the machine, disconnected: only self-discharge drew on it.",
        ),
        Storage::RemovedIndoors => (
            ReasonWord::StorageHistory,
            "It stood indoors, disconnected: only self-discharge drew on it, and no frost.",
        ),
        Storage::RemovedUnheated => (
            ReasonWord::StorageHistory,
            "It stood unheated, disconnected: only self-discharge, but frost harms a flat one.",
        ),
        Storage::Unknown => (
            ReasonWord::StorageUnknown,
            "Where it stood is not known: ask whether it was connected.",
        ),
    };
    vec![months, Reason::new(word, text)]
}

/// Months to a tenth, with the word.
fn span(months: f64) -> String {
    match (libm::round(months * 10.0) / 10.0).to_string().as_str() {
        "1" => "1 month".to_owned(),
        tenths => format!("{tenths} months"),
    }
}

/// What the tester is worth.
fn tester(case: &Case<'_>) -> Vec<Reason> {
    let state = match case.features.tester {
        TesterState::Ok if case.features.v12 < TESTER_V12_MIN => Some(Reason::new(
            ReasonWord::TesterNotValid,
            "No tester reading of a discharged battery is a verdict: charge, rest, test again.",
        )),
        TesterState::Ok => None,
        TesterState::NoPowerUp => Some(Reason::new(
            ReasonWord::TesterDark,
            "The tester did not power up: a reading in itself, below the instrument's minimum.",
        )),
        TesterState::NotTested => Some(Reason::new(
            ReasonWord::NotTested,
            "It was not tested; what a tester does counts.",
        )),
    };
    let ratio = case
        .visit
        .cca_ratio
        .filter(|ratio| *ratio > IMPLAUSIBLE_CCA_RATIO)
        .map(|ratio| {
            let text = format!(
                "Measured over rated cranking current is {ratio:.2}, which is implausible (wrong \
             rating or setting): counted as 1.0; read the label again."
            );
            Reason::new(ReasonWord::ImplausibleRatio, text)
        });
    state.into_iter().chain(ratio).collect()
}

/// What must be looked at before a clamp goes on.
fn condition(case: &Case<'_>) -> Vec<Reason> {
    let volts = case.visit.rest_v.get();
    let checks = [
        (
            case.features.electrolyte_low,
            ReasonWord::ElectrolyteLow,
            "The electrolyte is below the plates: cover them with distilled water first; charged \
             as it is, it may explode.",
        ),
        (
            case.features.frost_risk(),
            ReasonWord::FrostRisk,
            "Unheated in winter at this voltage the acid may have frozen: only with flat case \
             sides, at room temperature.",
        ),
        (
            case.features.v12 > RESTED_FULL_V12,
            ReasonWord::SurfaceCharge,
            "It reads above a rested full battery: surface charge; let it rest 8 h and read again.",
        ),
        (
            !case.features.six_volt && SIX_VOLT_PACK_V.contains(&volts),
            ReasonWord::NominalDoubt,
            "It reads like a charged 6 V battery: check the label.",
        ),
        (
            case.features.chemistry == Chemistry::Unknown,
            ReasonWord::ChemistryUnknown,
            "The chemistry is not known: judged as flooded, limited as the strictest kind.",
        ),
        (
            case.features.age_months.is_none(),
            ReasonWord::AgeUnknown,
            "The age is not known: no age was guessed, the range is wider for it.",
        ),
    ];
    let found = checks.into_iter().filter(|(applies, ..)| *applies);
    found
        .map(|(_, word, text)| Reason::new(word, text))
        .collect()
}

/// What was assumed because nobody said.
fn assumptions(case: &Case<'_>) -> Vec<Reason> {
    let economics = case.economics;
    let mut reasons = Vec::new();
    if case.method_is_assumed {
        let text = match case.features.method {
            Method::Unknown => "No method was given and the shop states no usual one.".to_owned(),
            usual => format!("No method was given: the shop's usual one, {usual}, is assumed."),
        };
        reasons.push(Reason::new(ReasonWord::MethodAssumed, text));
    }
    if economics.price_is_default {
        let amount = money(economics.price, economics.currency.as_deref());
        let text = format!("No price of a replacement was given: {amount} is assumed.");
        reasons.push(Reason::new(ReasonWord::PriceDefault, text));
    }
    if !economics.defaulted.is_empty() {
        let text = if economics.defaulted.len() == CostItem::ALL.len() {
            "This shop has no cost sheet: every cost is a default.".to_owned()
        } else {
            let names: Vec<&str> = economics
                .defaulted
                .iter()
                .map(|item| item.as_str())
                .collect();
            format!(
                "Defaults stand for costs this shop did not state: {}.",
                names.join(", ")
            )
        };
        reasons.push(Reason::new(ReasonWord::CostDefaults, text));
    }
    reasons
}

/// How firm the money is.
fn judgement(case: &Case<'_>) -> Reason {
    let Chance { lower, upper, .. } = case.chance;
    match case.economics.break_even {
        None => Reason::new(
            ReasonWord::NeverWorth,
            "A recovery is worth nothing at this price and these costs: no chance would pay.",
        ),
        Some(chance) if chance >= 1.0 => Reason::new(
            ReasonWord::NeverWorth,
            "Trying costs as much as a recovery is worth, or more: no chance would pay.",
        ),
        Some(chance) if (lower..=upper).contains(&chance) => Reason::new(
            ReasonWord::NotClear,
            format!(
                "The break-even chance of {} lies inside the range: not settled; more outcomes \
                 would tell.",
                percent(chance)
            ),
        ),
        Some(chance) => Reason::new(
            ReasonWord::ClearCut,
            format!(
                "The break-even chance of {} lies outside the range.",
                percent(chance)
            ),
        ),
    }
}

/// Says what would turn the answer round: a chance, or a price.
pub(super) fn would_flip(economics: &Economics) -> String {
    let currency = economics.currency.as_deref();
    let chance = economics
        .break_even
        .filter(|chance| *chance < 1.0)
        .map(percent);
    let price = economics
        .price_that_pays
        .map(|price| money(price, currency));
    let (verb, side) = if economics.pays() {
        ("An attempt would not pay", "below")
    } else {
        ("An attempt would pay", "from")
    };
    match (chance, price) {
        (Some(chance), Some(price)) => format!(
            "{verb} {side} a chance of {chance}, or at this chance {side} a replacement price of \
             {price}."
        ),
        (Some(chance), None) => format!("{verb} {side} a chance of {chance}."),
        (None, Some(price)) => format!(
            "No chance would pay at this price; at this chance an attempt would pay from a \
             replacement price of {price}."
        ),
        (None, None) => "No chance and no price would pay with these costs.".to_owned(),
    }
}
