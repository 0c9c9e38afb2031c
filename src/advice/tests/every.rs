//! What must hold for every battery.

use proptest::prelude::*;

use super::*;

/// Batteries of every kind, most of them no hazard.
fn any_visit() -> impl Strategy<Value = Visit> {
    let told = (
        proptest::sample::select(Chemistry::ALL),
        proptest::sample::select(Segment::ALL),
        proptest::sample::select(Storage::ALL),
        proptest::sample::select(TesterState::ALL),
        proptest::sample::select(vec![6u8, 12]),
        proptest::collection::vec(proptest::sample::select(VisualFlag::ALL), 0..2),
    );
    let measured = (
        -1.0..15.0f64,
        proptest::option::of(0.0..120.0f64),
        proptest::option::of(0.0..120.0f64),
        proptest::option::of(0.0..3.0f64),
        proptest::option::of(0.0..400.0f64),
        any::<Option<bool>>(),
        0i64..800,
    );
    (told, measured).prop_map(|(told, measured)| {
        let (chemistry, segment, storage, tester, nominal_v, flags) = told;
        let (v, age, months, cca_ratio, price, electrolyte_low, days) = measured;
        let mut visit = visit(v * f64::from(nominal_v) / 12.0, nominal_v);
        visit.battery.chemistry = chemistry;
        visit.battery.segment = segment;
        visit.presented_at += chrono::TimeDelta::days(days);
        Visit {
            age: age.map(|months| Months::new("age", months).unwrap()),
            months_since_full_charge: months.map(|months| Months::new("m", months).unwrap()),
            storage,
            tester,
            cca_ratio,
            electrolyte_low,
            flags,
            replacement_price: price.map(|price| Money::new("price", price).unwrap()),
            ..visit
        }
    })
}

proptest! {
    #[test]
    fn every_answer_has_cautions_fits_the_page_and_promises_nothing(
        case in any_visit(), y in 0u64..30, n in 0u64..30,
    ) {
        let is_hazard = !hazard::hazards(&case).is_empty();
        let verdict = ask_with(case, counts(y, n), &CostSheet::default());
        prop_assert!(verdict.cautions.first().unwrap().contains("decision support"));
        prop_assert!(!verdict.reasons.is_empty());
        prop_assert_eq!(verdict.answer == Answer::HazardStop, is_hazard);
        prop_assert_eq!(verdict.chance.is_none(), is_hazard);
        let text = render_text(&verdict);
        for line in text.lines() {
            prop_assert!(line.chars().count() <= 100, "{line}");
        }
        // "Not a safety system" is the one place the word may stand in.
        let words = text.to_lowercase().replace("not a safety system", "");
        prop_assert!(!words.contains("safe") && !words.contains("harmless"), "{text}");
        prop_assert!(!words.contains("nan") && !words.contains("inf"), "{text}");
    }

    #[test]
    fn an_attempt_is_advised_exactly_when_the_chance_beats_the_break_even(
        case in any_visit(), y in 0u64..30, n in 0u64..30,
    ) {
        let verdict = ask_with(case, counts(y, n), &CostSheet::default());
        if let (Some(chance), Some(economics)) = (verdict.chance, &verdict.economics) {
            let beats = economics.break_even.is_some_and(|p| chance.mean > p);
            let pays = match verdict.answer {
                // A reading comes before either.
                Answer::MeasureFirst => beats,
                answer => answer == Answer::Attempt,
            };
            prop_assert_eq!(pays, beats);
        }
    }

    #[test]
    fn a_higher_price_never_turns_an_attempt_into_a_refusal(
        case in any_visit(), y in 0u64..30, n in 0u64..30,
        fraction in 0.15..1.0f64, come_back in 0.0..0.3f64,
        low in 0.0..400.0f64, more in 0.0..400.0f64,
    ) {
        let mut sheet = CostSheet::default();
        sheet.set(CostItem::RecoveredWorthFraction, fraction).unwrap();
        sheet.set(CostItem::ComeBackProb, come_back).unwrap();
        let at = |price: f64| {
            let replacement_price = Some(Money::new("price", price).unwrap());
            let priced = Visit { replacement_price, ..case.clone() };
            ask_with(priced, counts(y, n), &sheet)
                .economics
                .is_some_and(|economics| economics.pays())
        };
        if at(low) {
            prop_assert!(at(low + more));
        }
    }
}
