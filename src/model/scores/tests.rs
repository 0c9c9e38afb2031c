//! Tests of scores and reliability bins on twenty forecasts scored by other libraries.

use super::*;
use crate::model::reliability::{Binning, bins, calibration_error, murphy_parts};
use proptest::prelude::*;

const CHANCES: [f64; 20] = [
    0.03, 0.08, 0.1, 0.15, 0.2, 0.22, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.78, 0.82,
    0.88, 0.93, 0.97,
];
const OUTCOMES: [u8; 20] = [0, 0, 0, 1, 0, 0, 0, 1, 0, 1, 1, 0, 1, 1, 0, 1, 1, 1, 1, 1];

fn sample() -> Vec<Forecast> {
    let pair = |(chance, outcome)| Forecast {
        chance,
        recovered: outcome == 1,
    };
    CHANCES.into_iter().zip(OUTCOMES).map(pair).collect()
}

fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9, "{found} {expected}");
}

#[test]
fn scores_agree_with_scikit_learn_and_statsmodels() {
    // Source: scikit-learn 1.9.1 (Brier, log loss, AUC), statsmodels 0.15 (calibration),
    // Spiegelhalter's formula in Python. Independent.
    let found = scores(&sample()).unwrap();
    assert_eq!(found.count, 20);
    near(found.brier, 0.161_46);
    near(found.log_score, 0.480_938_420_340_760_7);
    near(found.auc.unwrap(), 0.848_484_848_484_848_5);
    near(found.skill.unwrap(), 0.347_636_363_636_363_65);
    near(found.spiegelhalter_z.unwrap(), -0.050_060_216_316_529);
    let calibration = found.calibration.unwrap();
    near(calibration.slope, 1.118_264_906_316_202);
    near(calibration.intercept, 0.443_640_452_398_265_4);
    near(calibration.in_the_large, 0.409_524_002_221_227_2);
    // Source: the information matrix at that slope and the standard deviation of a mean, in Python.
    near(calibration.slope_standard_error, 0.513_386_710_704_823_8);
    near(
        found.brier_standard_error.unwrap(),
        0.044_329_906_977_474_91,
    );
    assert_eq!(brier_standard_error(&sample()[..1]), None);
}

#[test]
fn binned_measures_agree_with_independent_values() {
    // Source: numpy, with bin edges 0, 0.1, 2 x 0.1, .. as doubles.
    let sample = sample();
    near(
        calibration_error(&sample, Binning::EqualWidth(10)).unwrap(),
        0.185,
    );
    near(
        calibration_error(&sample, Binning::EqualMass(5)).unwrap(),
        0.074,
    );
    let parts = murphy_parts(&sample, Binning::EqualWidth(10)).unwrap();
    near(parts.reliability, 0.054_716_666_666_666_67);
    near(parts.resolution, 0.139_166_666_666_666_66);
    near(parts.uncertainty, 0.247_5);
}

#[test]
fn reliability_bins_count_and_carry_wilson_bars() {
    let found = bins(&sample(), Binning::EqualMass(5), 0.95);
    let counts: Vec<(u64, u64)> = found.iter().map(|bin| (bin.count, bin.recovered)).collect();
    assert_eq!(counts, [(4, 1), (4, 1), (4, 2), (4, 3), (4, 4)]);
    near(found[0].mean_chance, 0.09);
    // Wilson 95 % of 1 of 4, statsmodels: 0.0455872608, 0.6993581574.
    near(found[0].interval.lower, 0.045_587_260_8);
    near(found[0].interval.upper, 0.699_358_157_4);
    let smoothed: Vec<f64> = found.iter().map(|bin| bin.smoothed).collect();
    assert_eq!(smoothed, [0.25, 0.25, 0.5, 0.75, 1.0]);
    // Rates that fall join: of ten bins of two, those of 0, 1/2, 0, 1/2 and so on.
    let fine = bins(&sample(), Binning::EqualMass(10), 0.95);
    assert!(fine.windows(2).any(|pair| pair[1].rate < pair[0].rate));
    assert!(
        fine.windows(2)
            .all(|pair| pair[1].smoothed >= pair[0].smoothed)
    );
    assert_eq!(bins(&sample(), Binning::EqualMass(5), 1.5), []);
}

#[test]
fn without_forecasts_or_contrast_there_is_no_score() {
    assert_eq!(scores(&[]), None);
    assert_eq!(calibration_error(&[], Binning::EqualMass(10)), None);
    assert_eq!(murphy_parts(&[], Binning::EqualMass(10)), None);
    let alike: Vec<Forecast> = sample()
        .into_iter()
        .map(|forecast| Forecast {
            recovered: true,
            ..forecast
        })
        .collect();
    let found = scores(&alike).unwrap();
    assert_eq!((found.auc, found.skill), (None, None));
    assert_eq!(found.calibration, None);
    let parted: Vec<Forecast> = sample()
        .into_iter()
        .map(|forecast| Forecast {
            recovered: forecast.chance > 0.5,
            ..forecast
        })
        .collect();
    assert_eq!(calibration(&parted), None);
}

#[test]
fn a_certain_forecast_that_fails_costs_much_but_not_everything() {
    let wrong = Forecast {
        chance: 1.0,
        recovered: false,
    };
    let score = log_score(&[wrong]).unwrap();
    assert!(score.is_finite() && score > 27.0, "{score}");
}

proptest! {
    #[test]
    fn the_order_of_the_forecasts_does_not_matter(
        pairs in proptest::collection::vec((1..99_u32, any::<bool>()), 1..80),
    ) {
        let mut forecasts: Vec<Forecast> = pairs
            .into_iter()
            .map(|(percent, recovered)| Forecast {
                chance: f64::from(percent) / 100.0,
                recovered,
            })
            .collect();
        let before = (auc(&forecasts), bins(&forecasts, Binning::EqualMass(10), 0.9));
        forecasts.reverse();
        prop_assert_eq!(before.0, auc(&forecasts));
        prop_assert_eq!(&before.1, &bins(&forecasts, Binning::EqualMass(10), 0.9));
        let count: u64 = before.1.iter().map(|bin| bin.count).sum();
        prop_assert_eq!(count, forecasts.len() as u64);
    }
}
