//! The outcome is a function of the set of readings, not of their order.

use proptest::prelude::*;

use super::*;

prop_compose! {
    fn any_reading()(
        kind in prop::sample::select(ReadingKind::ALL),
        dark in prop::bool::weighted(0.1),
        value in prop_oneof![
            prop::sample::select(vec![0.8, 9.6, 11.5, 12.5, 12.62, 12.7, 12.72, 12.8]),
            prop::sample::select(vec![8.0, 11.5, 150.0, 216.0, 230.0, 400.0]),
        ],
        instrument in prop::option::of(1_u128..3),
        celsius in prop::option::of(prop::sample::select(vec![0.0, 15.0, 21.0, 40.0])),
        rested_h in prop::option::of(
            prop::sample::select(vec![0.25, 0.5, 8.0, 20.0, 24.0, 30.0, 72.0, 96.0, 200.0])
        ),
        taken_h in 0_i64..5,
    ) -> Reading {
        Reading {
            kind,
            value: if dark {
                ReadingValue::BelowInstrumentMinimum
            } else {
                ReadingValue::Measured(value)
            },
            instrument: instrument.map(Uuid::from_u128),
            temperature: celsius.map(|celsius| Celsius::new("temperature_c", celsius).unwrap()),
            rested: rested_h.map(|hours| RestMinutes::new("rested_min", hours * HOUR).unwrap()),
            at: ended_at() + TimeDelta::hours(taken_h),
        }
    }
}

prop_compose! {
    fn any_evidence()(
        before in prop::collection::vec(any_reading(), 0..6),
        after in prop::collection::vec(any_reading(), 0..12),
        visits in prop::collection::vec((0_i64..120, any::<bool>()), 0..3),
        chemistry in prop::sample::select(Chemistry::ALL),
        nominal_v in prop::sample::select(vec![6_u8, 12]),
        class in prop::option::of(prop::sample::select(OutcomeClass::ALL)),
    ) -> Evidence {
        let mut evidence = evidence(&after);
        evidence.before = before;
        evidence.battery.chemistry = chemistry;
        evidence.battery.nominal_v = nominal_v;
        evidence.come_backs = visits
            .into_iter()
            .map(|(days, battery_at_fault)| ComeBack {
                at: ended_at() + TimeDelta::days(days),
                battery_at_fault,
            })
            .collect();
        evidence.reported =
            class.map(|class| ReportedOutcome { class, basis: Basis::Imported, verified: false });
        evidence
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    #[test]
    fn the_order_of_arrival_and_copies_change_nothing(
        (evidence, shuffled) in any_evidence().prop_flat_map(|evidence| {
            let lists = (
                Just(evidence.before.clone()).prop_shuffle(),
                Just(evidence.after.clone()).prop_shuffle(),
                Just(evidence.come_backs.clone()).prop_shuffle(),
            );
            let shuffled = lists.prop_map({
                let evidence = evidence.clone();
                move |(before, mut after, come_backs)| {
                    after.extend(after.first().cloned());
                    Evidence { before, after, come_backs, ..evidence.clone() }
                }
            });
            (Just(evidence), shuffled)
        })
    ) {
        prop_assert_eq!(classify(&evidence), classify(&shuffled));
    }

    #[test]
    fn every_outcome_keeps_its_promises(evidence in any_evidence()) {
        let outcome = classify(&evidence);
        prop_assert!(!outcome.reasons.is_empty());
        if outcome.standing == Standing::Confirmed {
            prop_assert!(outcome.class != OutcomeClass::Undetermined && outcome.due.is_empty());
        }
        prop_assert!(outcome.due.windows(2).all(|pair| pair[0].at <= pair[1].at));
        if outcome.class == OutcomeClass::Recovered && outcome.basis == Basis::Ladder {
            prop_assert!(says(&outcome, ReasonCode::VoltagePasses));
        }
        for reason in &outcome.reasons {
            prop_assert!(!reason.sentence.contains("NaN") && !reason.sentence.contains("inf"));
            prop_assert!(!reason.sentence.to_lowercase().contains("safe"));
        }
    }
}
