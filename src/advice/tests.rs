//! Whole answers: the archetypes, the stops, what is told.

mod every;
mod rungs;

use super::*;
use std::sync::LazyLock;

use crate::model::belief::Tally;
use crate::model::fit::{Label, Observation};
use crate::model::prior::{Prior, PriorVersion};
use crate::record::battery::Battery;
use crate::record::words::{Chemistry, Segment, Storage, TesterState, VisualFlag};
use crate::units::{Money, Months, Volts};
use economics::CostItem;
use reasons::ReasonWord;
use stop_rules::StopWord;

/// A year-old glass-mat battery that stood indoors for a year: DOMAIN 7, first archetype.
pub(super) fn visit(rest_v: f64, nominal_v: u8) -> Visit {
    Visit {
        battery: Battery {
            chemistry: Chemistry::Agm,
            segment: Segment::Powersports,
            nominal_v,
            rated_cca: None,
            rated_ah: None,
        },
        rest_v: Volts::new("rest_v", rest_v).unwrap(),
        age: Some(Months::new("age", 12.0).unwrap()),
        months_since_full_charge: Some(Months::new("months", 12.0).unwrap()),
        storage: Storage::RemovedIndoors,
        tester: TesterState::Ok,
        cca_ratio: None,
        electrolyte_low: None,
        flags: Vec::new(),
        replacement_price: Some(Money::new("price", 110.0).unwrap()),
        presented_at: "2024-05-14T09:00:00Z".parse().unwrap(),
    }
}

/// The same year, left connected: DOMAIN 7, second archetype.
fn connected() -> Visit {
    let (storage, tester) = (Storage::InstalledConnected, TesterState::NoPowerUp);
    Visit {
        storage,
        tester,
        ..visit(1.0, 12)
    }
}

const SHOP: Uuid = Uuid::from_u128(1);
const NO_AUDIT: AuditState = AuditState {
    attempts: 0,
    audits: 0,
    draw: 0.5,
};

static BELIEF: LazyLock<Knowledge> =
    LazyLock::new(|| Knowledge::belief(&Prior::shipped(PriorVersion::Trade1).unwrap()).unwrap());

fn question(visit: Visit) -> Question {
    Question {
        visit,
        method: None,
        shop: ShopContext {
            shop: Some(SHOP),
            usual_method: Method::CcCv,
            southern: false,
        },
    }
}

/// What is known after so many batteries of this kind came back, and so many did not.
fn taught(visit: &Visit, recovered: usize, not_recovered: usize) -> Knowledge {
    let features = question(visit.clone()).features();
    let seen = |label| Observation {
        features,
        shop: SHOP,
        label,
    };
    let labels = std::iter::repeat_n(Label::Recovered, recovered)
        .chain(std::iter::repeat_n(Label::NotRecovered, not_recovered));
    let cases: Vec<Observation> = labels.map(seen).collect();
    let prior = Prior::shipped(PriorVersion::Trade1).unwrap();
    let at = (visit.presented_at, None);
    let fits = knowledge::Fits::new(&prior, &cases, at).unwrap();
    let mut readings = readings::Readings::default();
    for case in &cases {
        readings.add(&case.features);
    }
    Knowledge::new(fits, cases, readings)
}

fn ask_with(visit: Visit, counts: BandCounts, sheet: &CostSheet) -> Verdict {
    advise(&question(visit), &counts, sheet, (&BELIEF, NO_AUDIT))
}

fn ask(visit: Visit) -> Verdict {
    ask_with(visit, BandCounts::default(), &CostSheet::default())
}

fn sentence(verdict: &Verdict, word: ReasonWord) -> Option<String> {
    verdict
        .reasons
        .iter()
        .find(|one| one.word == word)
        .map(|one| one.sentence.clone())
}

fn counts(recovered: u64, not_recovered: u64) -> BandCounts {
    let overall = Tally {
        recovered: recovered + 20,
        not_recovered: not_recovered + 20,
    };
    BandCounts {
        band: Tally {
            recovered,
            not_recovered,
        },
        overall,
    }
}

// Source: DOMAIN 7 (advice), ARCHITECTURE 7 (chances without data, .72 and .12).
#[test]
fn a_battery_stored_for_a_year_is_worth_an_attempt_without_any_data() {
    let verdict = ask(visit(11.9, 12));
    assert_eq!(verdict.answer, Answer::Attempt);
    assert!(
        (verdict.chance.unwrap().mean - 0.72).abs() < 0.03,
        "{:?}",
        verdict.chance
    );
    assert!(
        verdict.plan.unwrap().starts_with("plain slow charge"),
        "{:?}",
        verdict.plan
    );
    let class = sentence(&verdict, ReasonWord::VoltageClass).unwrap();
    assert_eq!(
        class,
        "11.90 V at rest: fully discharged with six live cells."
    );
    assert!(sentence(&verdict, ReasonWord::TesterNotValid).is_some());
    assert!(
        verdict
            .stop_rules
            .iter()
            .all(|rule| rule.word != StopWord::AttendedProbe)
    );
}

#[test]
fn a_battery_left_connected_for_a_year_is_not_worth_one_and_gets_a_probe_at_most() {
    let verdict = ask(connected());
    assert_eq!(verdict.answer, Answer::DoNotAttempt);
    assert!(
        (verdict.chance.unwrap().mean - 0.12).abs() < 0.03,
        "{:?}",
        verdict.chance
    );
    let probe = verdict.stop_rules.first().unwrap();
    assert_eq!(
        (probe.word, probe.stop_advised),
        (StopWord::AttendedProbe, Some(60.0))
    );
    assert!(sentence(&verdict, ReasonWord::TesterDark).is_some());
    assert!(
        sentence(&verdict, ReasonWord::MonthsFlat)
            .unwrap()
            .contains("12 months")
    );
}

#[test]
fn a_six_volt_battery_is_answered_as_its_twelve_volt_equal() {
    let (six, twelve) = (ask(visit(5.95, 6)), ask(visit(11.9, 12)));
    assert_eq!(six.answer, twelve.answer);
    assert!((six.chance.unwrap().mean - twelve.chance.unwrap().mean).abs() < 0.02);
    let class = sentence(&six, ReasonWord::VoltageClass).unwrap();
    assert_eq!(
        class,
        "5.95 V at rest: fully discharged with three live cells."
    );
}

// Source: DOMAIN 1, row 3; 1.1; 6.
#[test]
fn a_hazard_stops_before_any_statistics_and_still_cautions() {
    let mut stops: Vec<Visit> = VisualFlag::ALL
        .iter()
        .map(|flag| Visit {
            flags: vec![*flag],
            ..visit(12.7, 12)
        })
        .collect();
    stops.push(visit(-2.0, 12));
    stops.push(visit(12.4, 6));
    let mut lithium = visit(13.1, 12);
    lithium.battery.chemistry = Chemistry::Lifepo4;
    stops.push(lithium);
    for case in stops {
        let verdict = ask_with(case, counts(500, 0), &CostSheet::default());
        assert_eq!(verdict.answer, Answer::HazardStop);
        assert!(verdict.chance.is_none() && verdict.economics.is_none());
        assert!(verdict.stop_rules.is_empty() && !verdict.cautions.is_empty());
        assert!(
            verdict
                .reasons
                .iter()
                .all(|one| one.word == ReasonWord::HazardFound)
        );
        assert!(render_text(&verdict).starts_with("HAZARD STOP: do not charge.\n"));
    }
}

#[test]
fn evidence_of_the_band_comes_first_with_its_counts() {
    let known = taught(&visit(11.9, 12), 7, 4);
    let question = question(visit(11.9, 12));
    let sheet = CostSheet::default();
    let verdict = advise(&question, &counts(7, 4), &sheet, (&known, NO_AUDIT));
    let first = verdict.reasons.first().unwrap();
    let expected = "7 of 11 similar batteries recovered (11.5 to 12.2 V, 9.5 months and more).";
    assert_eq!(
        (first.word, first.sentence.as_str()),
        (ReasonWord::BandEvidence, expected)
    );
    assert_eq!(sentence(&verdict, ReasonWord::BeliefOnly), None);
    assert_eq!(verdict.chance.unwrap().n_band, 11);
    let similar = sentence(&verdict, ReasonWord::SimilarCases).unwrap();
    assert!(
        similar.starts_with("Of the 10 past cases most like it"),
        "{similar}"
    );
    let weighs = sentence(&verdict, ReasonWord::Weighs).unwrap();
    assert!(weighs.contains("months since full charge x 0."), "{weighs}");
}

#[test]
fn what_was_missing_is_said() {
    let bare = Visit {
        age: None,
        months_since_full_charge: None,
        storage: Storage::Unknown,
        tester: TesterState::NotTested,
        replacement_price: None,
        ..visit(11.9, 12)
    };
    let verdict = ask(bare);
    for word in [
        ReasonWord::NoEvidence,
        ReasonWord::BeliefOnly,
        ReasonWord::MonthsUnknown,
        ReasonWord::StorageUnknown,
        ReasonWord::NotTested,
        ReasonWord::AgeUnknown,
        ReasonWord::MethodAssumed,
        ReasonWord::PriceDefault,
        ReasonWord::CostDefaults,
    ] {
        assert!(sentence(&verdict, word).is_some(), "{word}");
    }
    assert_eq!(verdict.method, Method::CcCv);
    let assumed = sentence(&verdict, ReasonWord::MethodAssumed).unwrap();
    assert!(assumed.contains("usual one, cc_cv"), "{assumed}");
}

// Source: DOMAIN 10, row 53: 600 of a rated 300 is implausible and is capped at 1.0.
#[test]
fn an_implausible_cranking_ratio_is_told_and_counts_as_one() {
    let with = |ratio| {
        ask(Visit {
            cca_ratio: Some(ratio),
            ..visit(12.1, 12)
        })
    };
    assert_eq!(with(2.0).chance, with(1.0).chance);
    assert!(with(1.3).chance.unwrap().mean > with(1.0).chance.unwrap().mean);
    let text = sentence(&with(2.0), ReasonWord::ImplausibleRatio).unwrap();
    assert!(text.contains("2.00"), "{text}");
    assert_eq!(sentence(&with(1.3), ReasonWord::ImplausibleRatio), None);
}

#[test]
fn readings_that_ask_for_a_second_look_are_named() {
    let frosty = Visit {
        storage: Storage::RemovedUnheated,
        presented_at: "2024-01-20T09:00:00Z".parse().unwrap(),
        electrolyte_low: Some(true),
        ..visit(11.4, 12)
    };
    let verdict = ask(frosty);
    assert!(sentence(&verdict, ReasonWord::FrostRisk).is_some());
    assert!(sentence(&verdict, ReasonWord::ElectrolyteLow).is_some());
    assert!(sentence(&ask(visit(13.4, 12)), ReasonWord::SurfaceCharge).is_some());
    assert!(sentence(&ask(visit(6.3, 12)), ReasonWord::NominalDoubt).is_some());
    assert_eq!(
        sentence(&ask(visit(6.3, 6)), ReasonWord::NominalDoubt),
        None
    );
}

#[test]
fn a_worthless_recovery_is_refused_in_plain_words_at_any_chance() {
    let mut sheet = CostSheet::default();
    sheet.set(CostItem::RecoveredWorthFraction, 0.0).unwrap();
    let verdict = ask_with(visit(11.9, 12), counts(900, 1), &sheet);
    assert_eq!(verdict.answer, Answer::DoNotAttempt);
    assert_eq!(verdict.economics.as_ref().unwrap().break_even, None);
    assert!(
        sentence(&verdict, ReasonWord::NeverWorth)
            .unwrap()
            .contains("worth nothing")
    );
    assert_eq!(
        verdict.would_flip.unwrap(),
        "No chance and no price would pay with these costs."
    );
}

#[test]
fn what_would_turn_the_answer_round_does_turn_it_round() {
    for case in [visit(11.9, 12), connected()] {
        let first = ask(case.clone());
        let economics = first.economics.unwrap();
        let turn = economics.price_that_pays.unwrap();
        for (factor, expected) in [(1.01, Answer::Attempt), (0.99, Answer::DoNotAttempt)] {
            let replacement_price = Some(Money::new("price", turn * factor).unwrap());
            assert_eq!(
                ask(Visit {
                    replacement_price,
                    ..case.clone()
                })
                .answer,
                expected
            );
        }
        assert!(first.would_flip.unwrap().contains(&format!("{turn:.2}")));
    }
}

#[test]
fn a_rendered_answer_opens_with_the_answer_and_fits_the_page() {
    let sheet = CostSheet::default().in_currency("EUR");
    let known = taught(&visit(11.9, 12), 14, 8);
    let question = question(visit(11.9, 12));
    let text = render_text(&advise(
        &question,
        &counts(7, 4),
        &sheet,
        (&known, NO_AUDIT),
    ));
    let mut lines = text.lines();
    assert!(
        lines
            .next()
            .unwrap()
            .starts_with("ATTEMPT: plain slow charge"),
        "{text}"
    );
    assert!(
        lines
            .next()
            .unwrap()
            .starts_with("Chance of recovery: about 6"),
        "{text}"
    );
    assert!(
        lines.next().unwrap().contains(" EUR, trying costs "),
        "{text}"
    );
    for part in [
        "Why:",
        "What would turn it round:",
        "Stop rules",
        "Cautions:",
    ] {
        assert!(
            text.lines().any(|line| line.starts_with(part)),
            "{part}: {text}"
        );
    }
    assert!(
        text.ends_with("Model design-2/trade-1/bands-1.\n"),
        "{text}"
    );
    let refused = render_text(&ask(connected()));
    assert!(refused.starts_with("DO NOT ATTEMPT"), "{refused}");
    assert!(
        refused.contains("if it is charged all the same"),
        "{refused}"
    );
}

#[test]
fn no_text_promises_that_a_charge_is_harmless() {
    let mut texts: Vec<String> = Vec::new();
    texts.extend(
        hazard::Hazard::ALL
            .iter()
            .map(|hazard| hazard.sentence().to_owned()),
    );
    for chemistry in Chemistry::ALL {
        let flags = [VisualFlag::Leaking];
        let list = cautions::cautions(*chemistry, true, &flags);
        texts.extend(list.iter().map(|text| (*text).to_owned()));
        for class in VoltageClass::ALL {
            texts.extend([3, 6].map(|cells| class.meaning(cells).to_owned()));
            texts.push(class.plan().to_owned());
            let battery = Battery {
                chemistry: *chemistry,
                ..visit(11.9, 12).battery
            };
            let rules = stop_rules::stop_rules(&battery, *class);
            texts.extend(rules.iter().map(stop_rules::StopRule::text));
        }
    }
    assert!(texts.len() > 100);
    for text in texts {
        // "Not a safety system" is the one place the word may stand in.
        let words = text.to_lowercase().replace("not a safety system", "");
        assert!(
            !words.contains("safe") && !words.contains("harmless"),
            "{text}"
        );
    }
}
