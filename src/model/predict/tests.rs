//! Checks of the answers: a fitted example, sums, more data, other shops.

use super::*;
use crate::model::fit::{LithiumVersion, Observation, Request, fit};
use crate::model::golden::{self, csv, number};
use crate::model::prior::PriorVersion;
use crate::record::words::{Method, Segment, Storage, TesterState};
use proptest::prelude::*;

fn near(own: f64, expected: &str) -> bool {
    (own - number(expected)).abs() < 1e-7
}

// Source: golden_answers.csv, 40 cases by a separate program; tolerance as proposed there, 1e-7.
#[test]
fn forty_batteries_get_the_answers_of_the_fitted_example() {
    let fit = golden::fitted();
    let cases = csv(include_str!("../../../tests/data/golden_answers.csv"));
    assert_eq!(cases.len(), 40);
    for cells in cases {
        let features = golden::features(&cells);
        let answer = fit.predict(&features, Some(golden::shop(&cells)));
        assert!(near(answer.log_odds, cells[13]), "{cells:?}: {answer:?}");
        assert!(near(answer.sd_model, cells[14]), "{cells:?}: {answer:?}");
        assert!(near(answer.sd, cells[15]), "{cells:?}: {answer:?}");
        assert!(near(answer.mean, cells[16]), "{cells:?}: {answer:?}");
        assert!(near(answer.lower, cells[17]), "{cells:?}: {answer:?}");
        assert!(near(answer.upper, cells[18]), "{cells:?}: {answer:?}");
        assert!(near(answer.n_eq, cells[19]), "{cells:?}: {answer:?}");
        assert!(!answer.new_shop && !answer.belief_only);
        let stranger = fit.predict(&features, None);
        assert!(
            near(stranger.log_odds, cells[20]),
            "{cells:?}: {stranger:?}"
        );
        assert!(
            near(stranger.sd_model, cells[21]),
            "{cells:?}: {stranger:?}"
        );
        assert!(stranger.new_shop);
    }
}

#[test]
fn without_outcomes_the_answer_is_the_prior() {
    let empty = fit(&[], golden::request(PriorVersion::Trade1)).unwrap();
    let Basis::LeadAcid(prior) = empty.basis() else {
        panic!("lead-acid was asked for");
    };
    let battery = Features {
        v12: 7.3,
        months: None,
        method: Method::Unknown,
        ..reference(&empty)
    };
    let (answer, odds) = (empty.predict(&battery, None), prior.log_odds(&battery));
    assert!((answer.log_odds - odds.mean).abs() < 1e-9);
    assert!((answer.sd - odds.sd).abs() < 1e-9, "{answer:?} {odds:?}");
    assert!(answer.evidence_share < 1e-9);
    assert!(answer.thin && answer.belief_only && answer.new_shop);
}

// Source: ARCHITECTURE 7, about .72 and .12 for the two archetypes of DOMAIN 7 with no data.
#[test]
fn without_outcomes_the_two_archetypes_get_their_published_chances() {
    let empty = fit(&[], golden::request(PriorVersion::Trade1)).unwrap();
    let indoors = Features {
        v12: 11.9,
        months: Some(12.0),
        age_months: Some(12.0),
        chemistry: Chemistry::Agm,
        tester: TesterState::Ok,
        segment: Segment::Powersports,
        ..reference(&empty)
    };
    let connected = Features {
        v12: 1.0,
        storage: Storage::InstalledConnected,
        tester: TesterState::NoPowerUp,
        ..indoors
    };
    assert!((empty.predict(&indoors, None).mean - 0.72).abs() < 0.02);
    assert!((empty.predict(&connected, None).mean - 0.12).abs() < 0.02);
}

#[test]
fn reasons_stand_in_one_order_and_add_up() {
    let fit = golden::fitted();
    let base = fit.predict(&reference(&fit), None).log_odds;
    for seen in golden::observations().iter().take(50) {
        let reasons = fit.reasons(&seen.features, Some(seen.shop));
        let blocks: Vec<Block> = reasons.iter().map(|reason| reason.block).collect();
        assert_eq!(blocks, Block::ALL[1..]);
        let sum: f64 = reasons.iter().map(|reason| reason.log_odds).sum();
        let answer = fit.predict(&seen.features, Some(seen.shop));
        assert!((base + sum - answer.log_odds).abs() < 1e-12);
    }
    let same = fit.reasons(&reference(&fit), None);
    assert!(
        same.iter()
            .all(|reason| reason.log_odds.abs() + reason.sd < 1e-12)
    );
}

/// Cold refit without one observation.
fn without(at: usize) -> (Observation, Fit) {
    let mut rest = golden::observations();
    let left_out = rest.remove(at);
    let refit = fit(&rest, golden::request(PriorVersion::Prototype0)).unwrap();
    (left_out, refit)
}

// The refit also moves the group scales, which the one step does not: hence .02.
#[test]
fn one_step_leaves_an_outcome_out_nearly_as_a_refit_does() {
    let full = golden::fitted();
    for at in [57, 299] {
        let (seen, refit) = without(at);
        let shop = Some(seen.shop);
        let stepped = full.leave_one_out(&seen.features, shop, seen.label);
        let refitted = refit.predict(&seen.features, shop).log_odds;
        let with = full.predict(&seen.features, shop).log_odds;
        assert!(
            (stepped - refitted).abs() < 0.02,
            "{at}: {stepped} {refitted}"
        );
        assert!((stepped - refitted).abs() < (with - refitted).abs());
    }
}

#[test]
fn more_outcomes_narrow_the_answers() {
    let cases = golden::observations();
    let spread = |n: usize| -> (f64, f64) {
        let fit = fit(&cases[..n], golden::request(PriorVersion::Trade1)).unwrap();
        let answers = cases
            .iter()
            .map(|seen| fit.predict(&seen.features, Some(seen.shop)));
        answers.fold((0.0, 0.0), |(sd, share), answer| {
            (
                sd + answer.sd_model / 300.0,
                share + answer.evidence_share / 300.0,
            )
        })
    };
    let [none, few, some, many] = [0, 30, 100, 300].map(spread);
    assert!(none.0 > 1.1 * few.0 && few.0 > 1.1 * some.0 && some.0 > 1.1 * many.0);
    assert!(none.1 < few.1 && few.1 < some.1 && some.1 < many.1);
}

// As foreseen, for surprises may widen an answer: they raise the scales of the groups.
#[test]
fn outcomes_that_came_as_foreseen_narrow_the_answer() {
    let mut observations = golden::observations();
    let answer = |observations: &[Observation], of: &Observation| {
        let fit = fit(observations, golden::request(PriorVersion::Trade1)).unwrap();
        fit.predict(&of.features, Some(of.shop))
    };
    for at in [3, 211] {
        let seen = observations[at];
        let before = answer(&observations, &seen);
        let label = Label::Soft(normal::logistic(before.log_odds));
        observations.extend([Observation { label, ..seen }; 30]);
        let after = answer(&observations, &seen);
        assert!((after.log_odds - before.log_odds).abs() < 0.02);
        assert!(after.sd_model < 0.8 * before.sd_model);
        assert!(after.upper - after.lower < before.upper - before.lower);
        observations.truncate(300);
    }
}

#[test]
fn a_lithium_pack_is_answered_by_its_own_model() {
    let lithium = |v12: f64| Features {
        v12,
        chemistry: Chemistry::Lifepo4,
        ..reference(&golden::fitted())
    };
    let mut observations = golden::observations();
    let shop = observations[0].shop;
    // Packs at 0 V that all wake: their protection had opened.
    observations.extend((0..20).map(|_| Observation {
        features: lithium(0.0),
        shop,
        label: Label::Recovered,
    }));
    let request = Request {
        basis: Basis::Lithium(LithiumVersion::CURRENT),
        ..golden::request(PriorVersion::Trade1)
    };
    let packs = fit(&observations, request).unwrap();
    assert_eq!(packs.counts().total(), 20);
    assert!(packs.predict(&lithium(0.0), Some(shop)).mean > 0.85);
    assert!(packs.predict(&lithium(0.0), None).mean > packs.predict(&lithium(12.0), None).mean);
    let batteries = fit(&observations, golden::request(PriorVersion::Prototype0)).unwrap();
    assert_eq!(batteries, golden::fitted());
    assert!(packs.reasons(&lithium(0.0), None)[0].log_odds > 0.0);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn an_answer_is_ordered_and_within_bounds(v12 in 0.0..14.0_f64, months in 0.0..60.0_f64, age in 0.0..150.0_f64, shop in 0_u128..5) {
        let fit = golden::fitted();
        let battery = Features { v12, months: Some(months), age_months: Some(age), ..reference(&fit) };
        let answer = fit.predict(&battery, Some(Uuid::from_u128(shop)));
        prop_assert!(0.0 < answer.lower && answer.lower <= answer.mean);
        prop_assert!(answer.mean <= answer.upper && answer.upper < 1.0);
        prop_assert!(answer.sd > answer.sd_model && answer.n_eq > 0.0);
        prop_assert!((0.0..=1.0).contains(&answer.evidence_share));
        prop_assert_eq!(answer.new_shop, shop > 2);
    }
}
