//! Checks of beliefs: against the stated archetypes, textbook beta facts, and for every battery.

use super::*;
use crate::model::prior::PriorVersion;
use crate::record::words::{Chemistry, Method, Segment, Storage, TesterState};
use proptest::prelude::*;

fn trade() -> Prior {
    Prior::shipped(PriorVersion::Trade1).unwrap()
}

/// DOMAIN 7, first archetype: a year old, a year indoors, tester worked.
fn stored() -> Features {
    Features {
        v12: 11.9,
        months: Some(12.0),
        age_months: Some(12.0),
        chemistry: Chemistry::Agm,
        tester: TesterState::Ok,
        cca_ratio: None,
        storage: Storage::RemovedIndoors,
        electrolyte_low: false,
        six_volt: false,
        method: Method::CcCv,
        segment: Segment::Powersports,
        winter: false,
    }
}

/// DOMAIN 7, second archetype: a year old, a year connected, tester dark.
fn connected() -> Features {
    let (storage, tester) = (Storage::InstalledConnected, TesterState::NoPowerUp);
    Features {
        v12: 1.0,
        storage,
        tester,
        ..stored()
    }
}

fn band(recovered: u64, not_recovered: u64) -> BandCounts {
    let band = Tally {
        recovered,
        not_recovered,
    };
    BandCounts {
        band,
        overall: Tally {
            recovered: 50,
            not_recovered: 50,
        },
    }
}

// Source: ARCHITECTURE 7, "with no data it gives about .72 and .12".
#[test]
fn without_outcomes_the_two_archetypes_have_their_stated_chances() {
    for (features, expected) in [(stored(), 0.72), (connected(), 0.12)] {
        for chemistry in [Chemistry::Agm, Chemistry::Flooded] {
            let battery = Features {
                chemistry,
                ..features
            };
            let p = chance(&trade(), &battery, &BandCounts::default());
            assert!((p.mean - expected).abs() < 0.03, "{chemistry}: {p:?}");
            assert!(p.belief_only && p.n_band == 0, "{p:?}");
        }
    }
}

#[test]
fn a_matched_belief_has_the_mean_and_variance_it_was_matched_to() {
    // Beta(2, 5): mean 2/7, variance 10/392 (any textbook).
    let belief = Belief::matching(normal::Moments {
        mean: 2.0 / 7.0,
        variance: 10.0 / 392.0,
    });
    assert!(
        (belief.a - 2.0).abs() < 1e-12 && (belief.b - 5.0).abs() < 1e-12,
        "{belief:?}"
    );
    let variance = belief.mean() * (1.0 - belief.mean()) / (belief.weight() + 1.0);
    assert!((variance - 10.0 / 392.0).abs() < 1e-15);
}

#[test]
fn the_range_is_the_beta_range_of_prior_and_counts() {
    // Beta(1, 1) and 7 of 11: Beta(8, 5), whose cdf is a binomial tail of 12 trials.
    let flat = Belief { a: 1.0, b: 1.0 };
    let after = flat.update(Tally {
        recovered: 7,
        not_recovered: 4,
    });
    assert!((after.mean() - 8.0 / 13.0).abs() < 1e-15);
    let x = after.quantile(0.05);
    let at_least_8: f64 = [495.0, 220.0, 66.0, 12.0, 1.0]
        .iter()
        .zip(8..)
        .map(|(ways, k)| ways * x.powi(k) * (1.0 - x).powi(12 - k))
        .sum();
    assert!((at_least_8 - 0.05).abs() < 1e-9, "{at_least_8}");
}

#[test]
fn outcomes_outweigh_the_belief() {
    let p = chance(&trade(), &connected(), &band(18, 2));
    assert!(p.mean > 0.75 && !p.belief_only, "{p:?}");
    assert_eq!((p.n_band, p.recovered_band), (20, 18));
}

#[test]
fn few_outcomes_or_one_kind_only_are_called_belief() {
    let counts = |band: Tally, overall: Tally| BandCounts { band, overall }.are_thin();
    let few = Tally {
        recovered: 2,
        not_recovered: 2,
    };
    let enough = Tally {
        recovered: 5,
        not_recovered: 5,
    };
    assert!(counts(
        few,
        Tally {
            recovered: 5,
            not_recovered: 4
        }
    ));
    assert!(counts(
        few,
        Tally {
            recovered: 28,
            not_recovered: 2
        }
    ));
    assert!(counts(Tally::default(), enough));
    assert!(!counts(few, enough));
}

#[test]
fn a_belief_of_no_spread_or_at_the_edge_still_has_a_range() {
    for (mean, variance) in [
        (0.0, 0.0),
        (1.0, 0.0),
        (0.5, 0.0),
        (0.5, 0.25),
        (1e-12, 1e-12),
    ] {
        let belief = Belief::matching(normal::Moments { mean, variance });
        let (low, high) = (belief.quantile(0.05), belief.quantile(0.95));
        assert!(
            (0.0..=1.0).contains(&low) && low <= high && high <= 1.0,
            "{belief:?}"
        );
    }
}

prop_compose! {
    fn batteries()(
        v12 in -1.0..14.0f64,
        months in proptest::option::of(0.0..120.0f64),
        age_months in proptest::option::of(0.0..180.0f64),
        cca_ratio in proptest::option::of(0.0..1.3f64),
        chemistry in proptest::sample::select(Chemistry::ALL),
        tester in proptest::sample::select(TesterState::ALL),
        storage in proptest::sample::select(Storage::ALL),
        method in proptest::sample::select(Method::ALL),
        segment in proptest::sample::select(Segment::ALL),
        (electrolyte_low, six_volt, winter) in any::<(bool, bool, bool)>(),
    ) -> Features {
        Features {
            v12, months, age_months, chemistry, tester, cca_ratio, storage,
            electrolyte_low, six_volt, method, segment, winter,
        }
    }
}

proptest! {
    #[test]
    fn a_chance_is_a_probability_inside_its_range(
        battery in batteries(), y in 0u64..200, n in 0u64..200,
    ) {
        let p = chance(&trade(), &battery, &band(y, n));
        prop_assert!(0.0 <= p.lower && p.lower <= p.mean, "{p:?}");
        prop_assert!(p.mean <= p.upper && p.upper <= 1.0 && p.n_eq > 0.0, "{p:?}");
    }

    #[test]
    fn one_more_recovery_never_lowers_the_chance(
        battery in batteries(), y in 0u64..200, n in 0u64..200,
    ) {
        let before = chance(&trade(), &battery, &band(y, n));
        let more = chance(&trade(), &battery, &band(y + 1, n));
        let less = chance(&trade(), &battery, &band(y, n + 1));
        prop_assert!(more.mean > before.mean && more.lower >= before.lower);
        prop_assert!(less.mean < before.mean && less.upper <= before.upper);
    }

    #[test]
    fn more_outcomes_at_the_same_rate_narrow_the_range(
        battery in batteries(), y in 5u64..100, n in 5u64..100, times in 2u64..6,
    ) {
        let width = |counts| {
            let p = chance(&trade(), &battery, &counts);
            p.upper - p.lower
        };
        prop_assert!(width(band(y * times, n * times)) < width(band(y, n)));
    }
}
