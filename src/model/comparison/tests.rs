//! Tests of the comparison of shops and methods against R and published values.

use super::chance_sum::{ChanceSum, EXACT_COUNT_MAX};
use super::experiment::{batteries_per_method, failures_in_a_row};
use super::funnel::{
    Dispersion, binomial_limit, dispersion, funnel, limit, normal_limit, winsorized,
};
use super::multiplicity::{Correction, corrected, worth_a_look};
use super::observed_expected::{Limits, observed_expected};
use super::rank::{NoRanking, ShopEffect, ranking, ranks};
use super::shrinkage::{CommonLaw, likelihood, pulled};
use super::standard::{Pair, Stratum, direct, mantel_haenszel};

use crate::model::normal;
use crate::model::whole::whole;

fn count(value: f64) -> u64 {
    whole(value) as u64
}

/// Numbers of each row of a check file, without its head.
fn rows(text: &str) -> Vec<Vec<f64>> {
    let row = |line: &str| line.split(',').map(|cell| cell.parse().unwrap()).collect();
    text.lines().skip(1).map(row).collect()
}

fn near(found: f64, expected: f64, tolerance: f64) {
    let miss = (found - expected).abs();
    assert!(miss <= tolerance, "{found} {expected}");
}

#[test]
fn limits_of_observed_over_expected_agree_with_r() {
    // Source: R 4.2.2 qchisq, and Byar's formula. Independent.
    let rows = rows(include_str!("../../../tests/data/stats_indirect_oe.csv"));
    assert_eq!(rows.len(), 7);
    for row in rows {
        let found = observed_expected(count(row[0]), row[1], 0.95).unwrap();
        let ends = [
            found.ratio,
            found.exact.lower,
            found.exact.upper,
            found.byar.lower,
            found.byar.upper,
        ];
        for (end, expected) in ends.into_iter().zip(&row[2..]) {
            near(end, *expected, 1e-9);
        }
    }
    assert_eq!(observed_expected(3, 0.0, 0.95), None);
    assert_eq!(observed_expected(3, 2.0, 1.0), None);
}

#[test]
fn the_law_of_a_sum_of_chances_is_exact() {
    // Source: exact rational arithmetic. Independent.
    let chances = [0.05, 0.15, 0.15, 0.25, 0.4, 0.5, 0.6, 0.75, 0.85, 0.95];
    let exactly = [
        0.000_115_825_781_25,
        0.003_656_879_296_875,
        0.034_216_359_375,
        0.138_286_636_718_75,
        0.278_669_346_093_75,
        0.300_366_351_562_5,
        0.177_416_653_906_25,
        0.056_932_582_031_25,
        0.009_561_375,
        0.000_757_550_390_625,
        2.043_984_375e-5,
    ];
    let sum = ChanceSum::new(&chances);
    let mut upto = 0.0;
    for (k, expected) in (0..).zip(exactly) {
        upto += expected;
        near(sum.exactly(k), expected, 1e-14);
        near(sum.at_most(k), upto, 1e-14);
    }
    near(sum.mean(), 4.65, 1e-14);
    near(sum.variance(), 1.582_5, 1e-14);
    near(sum.mid_p(3), 0.214_264_765_625, 1e-14);
    assert_eq!((sum.quantile(0.5), sum.quantile(0.05)), (5, 3));
    // Two sides of the same: 2 Phi(-|z|) is the two-sided chance, at the limits of a double 8.
    near(2.0 * normal::cdf(sum.score(3)), 0.214_264_765_625, 1e-12);
    assert!(sum.score(8) > 2.0 && sum.score(5) < 1.0);
    near(ChanceSum::new(&[0.5; 400]).score(400), 8.0, 0.0);
}

#[test]
fn beyond_the_exact_number_the_normal_law_takes_over_without_a_step() {
    let chances: Vec<f64> = (0..=EXACT_COUNT_MAX)
        .map(|i| 0.2 + 0.6 * (i % 7) as f64 / 6.0)
        .collect();
    let exact = ChanceSum::new(&chances[1..]);
    let normal = ChanceSum::new(&chances);
    assert!(exact.is_exact() && !normal.is_exact());
    for q in [0.001, 0.025, 0.5, 0.975, 0.999] {
        let gap = exact.quantile(q).abs_diff(normal.quantile(q));
        assert!(gap <= 1, "{q} {gap}");
    }
    near(exact.at_most(1000), normal.at_most(1000), 0.02);
}

#[test]
fn funnel_limits_agree_with_r() {
    // Source: Spiegelhalter 2005, appendix, through R qbinom and pbinom. Independent.
    let rows = rows(include_str!("../../../tests/data/stats_funnel_limits.csv"));
    assert_eq!(rows.len(), 72);
    for row in rows {
        let (theta, n, tail) = (row[0], count(row[1]), row[2]);
        let found = binomial_limit(theta, n, tail).unwrap();
        assert_eq!(found.count, count(row[3]), "{row:?}");
        near(found.rate, row[4], 1e-9);
        near(normal_limit(theta, n, tail), row[5], 1e-9);
        if n <= 100 {
            // With equal chances the sum of chances is the binomial law.
            let sum = ChanceSum::new(&vec![theta; whole(row[1])]);
            near(limit(&sum, tail).unwrap().rate, row[4], 1e-9);
        }
    }
}

#[test]
fn a_funnel_widens_with_dispersion_and_stays_within_the_shares() {
    let sum = ChanceSum::new(&[0.5; 40]);
    let plain = funnel(&sum, 0.4).unwrap();
    assert_eq!(funnel(&sum, 1.0).unwrap(), plain);
    let wide = funnel(&sum, 4.0).unwrap();
    near(
        wide.limits_95[0] - 0.5,
        2.0 * (plain.limits_95[0] - 0.5),
        1e-12,
    );
    assert!(plain.limits_998[0] < plain.limits_95[0]);
    assert!(funnel(&sum, 1e9).unwrap().limits_998[1] <= 1.0);
    assert_eq!(funnel(&ChanceSum::new(&[]), 1.0), None);
    assert_eq!(funnel(&ChanceSum::new(&[1.0, 0.0]), 1.0), None);
}

#[test]
fn dispersion_agrees_with_r_and_is_used_only_beyond_chance() {
    // Source: R quantile type 7; phi by Spiegelhalter 2005. Independent.
    let rows = rows(include_str!("../../../tests/data/stats_overdispersion.csv"));
    let scores: Vec<f64> = rows.iter().map(|row| row[0]).collect();
    for (found, row) in winsorized(&scores).unwrap().iter().zip(&rows) {
        near(*found, row[1], 1e-9);
    }
    let found = dispersion(&scores).unwrap();
    near(found.phi, 1.358_772_114_444_44, 1e-9);
    // R qchisq(.95, 18) / 18 = 28.869299 / 18.
    near(found.point_95, 28.869_299 / 18.0, 1e-7);
    assert!(!found.is_used);
    near(found.factor(), 1.0, 0.0);
    let doubled: Vec<f64> = scores.iter().map(|z| 2.0 * z).collect();
    let found: Dispersion = dispersion(&doubled).unwrap();
    assert!(found.is_used);
    near(found.factor(), 4.0 * 1.358_772_114_444_44, 1e-8);
    assert_eq!(dispersion(&[]), None);
}

#[test]
fn corrected_p_values_agree_with_r_in_any_order() {
    // Source: R 4.2.2 p.adjust. Independent.
    let mut rows = rows(include_str!("../../../tests/data/stats_p_adjust.csv"));
    assert_eq!(rows.len(), 15);
    rows.rotate_left(6);
    rows.swap(1, 9);
    let p_values: Vec<f64> = rows.iter().map(|row| row[0]).collect();
    for (column, correction) in [
        (1, Correction::BenjaminiHochberg),
        (2, Correction::Holm),
        (3, Correction::BenjaminiYekutieli),
    ] {
        for (found, row) in corrected(&p_values, correction).iter().zip(&rows) {
            near(*found, row[column], 1e-12);
        }
    }
    let listed = worth_a_look(&p_values, 0.10);
    assert_eq!(listed.iter().filter(|is_listed| **is_listed).count(), 9);
}

const MEANS: [f64; 4] = [0.3, 0.1, -0.2, 0.0];
const COVARIANCE: [f64; 16] = [
    0.05, 0.01, 0.0, 0.0, 0.01, 0.09, 0.0, 0.0, 0.0, 0.0, 0.04, 0.02, 0.0, 0.0, 0.02, 0.16,
];

#[test]
fn expected_ranks_agree_with_the_closed_form_and_a_simulation() {
    // Source: closed form in Python, and four million draws of a normal vector. Independent.
    let exact = [
        1.585_987_163_229_162_9,
        2.341_579_137_964_981_5,
        3.440_981_830_771_727_3,
        2.631_451_868_034_128,
    ];
    let drawn = [1.586_202_5, 2.342_157_75, 3.441_011_5, 2.630_628_25];
    let found = ranks(&MEANS, &COVARIANCE).unwrap();
    for (index, rank) in found.iter().enumerate() {
        near(rank.expected, exact[index], 1e-9);
        near(rank.expected, drawn[index], 2e-3);
    }
    // 5 % and 95 % quantiles of the rank in two million draws of numpy, generator 1.
    let intervals: Vec<[u64; 2]> = found.iter().map(|rank| rank.interval).collect();
    assert_eq!(intervals, [[1, 3], [1, 4], [2, 4], [1, 4]]);
    assert_eq!(ranks(&MEANS, &COVARIANCE[1..]), None);
}

fn shop(attempts: u64, mean: f64, lower: f64, upper: f64) -> ShopEffect {
    ShopEffect {
        attempts,
        mean,
        interval: Limits { lower, upper },
    }
}

#[test]
fn ranks_are_refused_where_nothing_can_be_told_apart() {
    let apart = [
        shop(29, 0.9, 0.5, 0.9),
        shop(30, 0.3, 0.5, 0.7),
        shop(400, -0.2, 0.4, 0.6),
    ];
    let covariance = [0.3, 0.0, 0.0, 0.0, 0.05, 0.0, 0.0, 0.0, 0.04];
    let found = ranking(&apart, &covariance).unwrap();
    assert_eq!(found[0], None);
    // Phi(-.5 / .3) = .047790: the better one is first in 95 % of cases.
    near(found[1].unwrap().expected, 1.047_790_352, 1e-8);
    near(found[2].unwrap().expected, 1.952_209_648, 1e-8);
    assert_eq!(found[1].unwrap().interval, [1, 1]);
    let nested = [shop(90, 0.3, 0.4, 0.8), shop(90, 0.2, 0.5, 0.7)];
    let square = [0.1, 0.0, 0.0, 0.1];
    assert_eq!(ranking(&nested, &square), Err(NoRanking::IntervalsOverlap));
    assert_eq!(ranking(&apart[..2], &square), Err(NoRanking::TooFewShops));
    assert_eq!(ranking(&nested, &[0.1]), Err(NoRanking::BadCovariance));
}

#[test]
fn the_coin_between_methods_needs_as_many_as_r_says() {
    // R: power.prop.test(p1 = .50, p2 = .75, power = .90) gives n = 76.7, its documented example.
    assert_eq!(batteries_per_method(0.50, 0.75, 0.95, 0.90), Some(77));
    assert_eq!(batteries_per_method(0.75, 0.50, 0.95, 0.90), Some(77));
    assert_eq!(batteries_per_method(0.5, 0.5, 0.95, 0.9), None);
    assert_eq!(batteries_per_method(0.5, 0.0, 0.95, 0.9), None);
    // ln .05 / ln .9 = 28.43 and the rule of three, 3 / .01.
    assert_eq!(failures_in_a_row(0.1, 0.95), Some(29));
    assert_eq!(failures_in_a_row(0.01, 0.95), Some(299));
    assert_eq!(failures_in_a_row(0.1, 1.0), None);
}

#[test]
fn standardized_rates_agree_with_epitools() {
    // Source: R epitools 0.5-10.1; Fleiss 1981, p. 249; weights are the row means of births.
    let input = rows(include_str!("../../../tests/data/stats_fleiss_input.csv"));
    let expected = rows(include_str!("../../../tests/data/stats_fleiss_dsr.csv"));
    assert_eq!(expected.len(), 5);
    for (order, row) in expected.iter().enumerate() {
        let strata: Vec<Stratum> = input
            .iter()
            .map(|band| Stratum {
                cases: band[1 + order],
                attempts: band[6 + order],
                weight: band[6..11].iter().sum::<f64>() / 5.0,
            })
            .collect();
        let found = direct(&strata, 0.95).unwrap();
        let values = [
            found.crude,
            found.rate,
            found.limits.lower,
            found.limits.upper,
        ];
        for (value, expected) in values.into_iter().zip(&row[1..]) {
            near(1e5 * value / expected, 1.0, 1e-7);
        }
    }
}

#[test]
fn the_paradox_of_the_kidney_stones_is_undone() {
    // Source: Charig et al. 1986, Br Med J 292:879; R mantelhaen.test. Independent.
    let small = Pair {
        first: (81.0, 87.0),
        second: (234.0, 270.0),
    };
    let large = Pair {
        first: (192.0, 263.0),
        second: (55.0, 80.0),
    };
    let found = mantel_haenszel(&[small, large], 0.95).unwrap();
    near(found.ratio, 1.446_846_624_942_62, 1e-9);
    near(found.limits.lower, 0.915_793_413_504_026, 1e-9);
    near(found.limits.upper, 2.285_848_669_841_57, 1e-9);
    let strata = |of: fn(&Pair) -> (f64, f64)| {
        [small, large].map(|pair| Stratum {
            cases: of(&pair).0,
            attempts: of(&pair).1,
            weight: pair.first.1 + pair.second.1,
        })
    };
    let first = direct(&strata(|pair| pair.first), 0.95).unwrap();
    let second = direct(&strata(|pair| pair.second), 0.95).unwrap();
    near(first.crude, 0.78, 1e-9);
    near(second.crude, 0.825_714_285_714_286, 1e-9);
    near(first.rate, 0.832_546_217_385_604, 1e-9);
    near(second.rate, 0.778_875, 1e-9);
    assert_eq!(mantel_haenszel(&[], 0.95), None);
}

#[test]
fn the_common_law_of_the_rat_tumours_is_found() {
    // Source: marginal likelihood and moments in Python (scipy); published 1.4 and 8.6 by
    // Gelman et al., Bayesian Data Analysis, ch. 5.
    let groups: Vec<(u64, u64)> = rows(include_str!("../../../tests/data/stats_rat_tumour.csv"))
        .iter()
        .map(|row| (count(row[0]), count(row[1])))
        .collect();
    assert_eq!(groups.len(), 71);
    let law = CommonLaw::by_likelihood(&groups).unwrap();
    near(law.alpha, 2.341_618_839_1, 1e-4);
    near(law.beta, 14.114_833_572_7, 1e-4);
    near(law.shrunk(4, 14), 0.208_219_222_43, 1e-6);
    near(law.shrunk(0, 20), 0.064_230_573_31, 1e-6);
    let historical: Vec<(u64, u64)> = groups[..70].to_vec();
    let law = CommonLaw::by_moments(&historical).unwrap();
    near(law.alpha, 1.356_149_391_03, 1e-4);
    near(law.beta, 8.615_057_891_32, 1e-4);
}

#[test]
fn the_mean_law_of_the_rat_tumours_is_the_published_one() {
    // Source: Gelman et al., Bayesian Data Analysis, ch. 5: 2.4 and 14.3 under a prior proportional to
    // (a + b)^(-5/2), log(a / b) from -2.3 to -1.3 and log(a + b) from 1 to 5; digits by Python (scipy).
    let groups: Vec<(u64, u64)> = rows(include_str!("../../../tests/data/stats_rat_tumour.csv"))
        .iter()
        .map(|row| (count(row[0]), count(row[1])))
        .collect();
    let (mut mass, mut alphas, mut betas) = (0.0, 0.0, 0.0);
    for across in 0..120 {
        let ratio = -2.3 + (f64::from(across) + 0.5) / 120.0;
        for up in 0..160 {
            let sum = libm::exp(1.0 + 4.0 * (f64::from(up) + 0.5) / 160.0);
            let beta = sum / (1.0 + libm::exp(ratio));
            let alpha = sum - beta;
            let fits = likelihood(&groups, [libm::log(alpha), libm::log(beta)]);
            // The last factor carries the prior over to the two logarithms.
            let weight = libm::exp(fits + 730.0) * alpha * beta * libm::pow(sum, -2.5);
            mass += weight;
            alphas += weight * alpha;
            betas += weight * beta;
        }
    }
    near(alphas / mass, 2.402_563_291_6, 1e-4);
    near(betas / mass, 14.319_483_891, 1e-4);
}

#[test]
fn groups_that_do_not_differ_get_one_rate() {
    let law = CommonLaw::by_likelihood(&[(10, 20), (10, 20), (10, 20)]).unwrap();
    near(law.shrunk(0, 5), 0.5, 1e-4);
    assert_eq!(CommonLaw::by_likelihood(&[(0, 9), (0, 4)]), None);
    assert_eq!(CommonLaw::by_likelihood(&[(1, 9)]), None);
    assert_eq!(CommonLaw::by_moments(&[(5, 10), (5, 10)]), None);
}

#[test]
fn batting_averages_are_pulled_as_published() {
    // Source: Efron and Morris 1975 and 1977: mean .265, part kept .212; digits by Python.
    let hits = [
        18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7,
    ];
    let averages: Vec<f64> = hits.iter().map(|hits| f64::from(*hits) / 45.0).collect();
    let mean = averages.iter().sum::<f64>() / 18.0;
    let found = pulled(&averages, mean * (1.0 - mean) / 45.0).unwrap();
    near(found.mean, 0.265_432_098_765_432_17, 1e-9);
    near(found.kept, 0.211_653_417_144_265_9, 1e-9);
    near(found.values[0], 0.293_913_854_899_660_54, 1e-9);
    near(found.values[17], 0.242_176_352_931_062_2, 1e-9);
    // The same on the scale of the arcsine, where the variance is 1 / 45 for all of them.
    let turned: Vec<f64> = averages
        .iter()
        .map(|rate| libm::asin(2.0 * rate - 1.0))
        .collect();
    let found = pulled(&turned, 1.0 / 45.0).unwrap();
    let back = |value: f64| f64::midpoint(libm::sin(value), 1.0);
    near(found.kept, 0.208_974_232_098_122_6, 1e-9);
    near(back(found.values[0]), 0.290_127_227_944_296, 1e-9);
    near(back(found.values[17]), 0.238_700_135_434_043_78, 1e-9);
    assert_eq!(pulled(&averages[..3], 0.01), None);
    near(pulled(&[0.25; 6], 0.01).unwrap().values[5], 0.25, 0.0);
}
