//! Tests of the chance so far, its fit and the leave-one-out correction.

use super::*;
use proptest::prelude::*;

const SCALES: Scales = Scales {
    accepted: Scale {
        mean: 0.08,
        sd: 0.02,
    },
    voltage_rise: Scale { mean: 1.5, sd: 0.5 },
};

/// Twenty-four invented charges by a rule of small numbers; the sixth was stopped on advice.
fn charges() -> Vec<Charge> {
    (0..24_u32)
        .map(|i| Charge {
            columns: [
                1.0,
                -2.0 + f64::from(i) * 0.17,
                f64::from((i * 7) % 11) / 5.0 - 1.0,
                f64::from((i * 5) % 13) / 6.0 - 1.0,
                f64::from((i * 3) % 8) / 8.0,
            ],
            outcome: match i {
                5 => 0.4,
                _ => f64::from(u8::from((i * i + 3 * i) % 7 < 3)),
            },
        })
        .collect()
}

#[test]
fn the_fit_agrees_with_an_independent_solver() {
    // Source: root of the penalized gradient by mpmath, 30 digits; deviations by numpy's inverse.
    let mean = [
        -0.529_663_285_545_980_2,
        0.641_973_367_510_735_1,
        -0.027_092_988_469_835_71,
        -0.080_733_789_526_596_7,
        -0.286_866_757_595_165_2,
    ];
    let sd = [
        0.398_808_941_043_895_9,
        0.213_315_425_060_491_8,
        0.535_315_451_784_237_3,
        0.543_365_458_470_091_2,
        0.381_762_656_116_662_44,
    ];
    let found = fit(&charges());
    for (found, expected) in found.coefficients.to_array().iter().zip(mean) {
        assert!((found - expected).abs() < 1e-9, "{found} {expected}");
    }
    for (found, expected) in found.sd.to_array().iter().zip(sd) {
        assert!((found - expected).abs() < 1e-9, "{found} {expected}");
    }
    assert_eq!(found.charges, 24);
}

#[test]
fn without_charges_the_fit_is_the_prior() {
    let found = fit(&[]);
    assert_eq!(found.coefficients, Coefficients::PRIOR_MEAN);
    let deviations = found.sd.to_array();
    for (found, prior) in deviations.iter().zip(Coefficients::PRIOR_SD.to_array()) {
        assert!((found - prior).abs() < 1e-14);
    }
}

#[test]
fn features_move_the_chance_by_their_weights_and_missing_ones_do_not() {
    let model = CheckpointModel::prior([SCALES; CHECKPOINTS]);
    let at = |seen: &Seen| {
        let p = model.chance_so_far(0.4, Checkpoint::TwoHours, seen);
        libm::log(p / (1.0 - p))
    };
    let blind = at(&Seen::default());
    assert!((blind - 0.4).abs() < 1e-12);
    // Two deviations of current at .5, one of voltage at .25, 8 K of rise: .5 units at -.25.
    let seen = Seen {
        accepted: Some(0.12),
        voltage_rise: Some(2.0),
        case_rise: Some(8.0),
    };
    assert!((at(&seen) - (0.4 + 1.0 + 0.25 - 0.125)).abs() < 1e-12);
    let wild = Seen {
        accepted: Some(9.0),
        voltage_rise: Some(f64::NAN),
        case_rise: Some(5.9),
    };
    assert!((at(&wild) - (0.4 + 3.0 * 0.5)).abs() < 1e-12);
}

#[test]
fn a_scale_without_spread_leaves_its_feature_out() {
    let flat = Scales {
        accepted: Scale { mean: 0.1, sd: 0.0 },
        ..SCALES
    };
    let seen = Seen {
        accepted: Some(0.3),
        ..Seen::default()
    };
    let found = columns(0.0, &seen, &flat);
    assert!(found[2].abs() < 1e-15, "{found:?}");
}

#[test]
fn a_scale_is_learned_from_two_hundred_values_on() {
    // 0 to 199: mean 99.5, variance 200 x 201 / 12.
    let values: Vec<f64> = (0..200_u32).map(f64::from).collect();
    let found = Scale::learned(&values).unwrap();
    assert!((found.mean - 99.5).abs() < 1e-12);
    assert!((found.sd * found.sd - 3350.0).abs() < 1e-9, "{found:?}");
    assert_eq!(Scale::learned(&values[1..]), None);
    assert_eq!(Scale::learned(&[1.5; 300]), None);
}

#[test]
fn the_checkpoint_passed_is_the_last_one_before() {
    assert_eq!(Checkpoint::passed(0.2), None);
    assert_eq!(Checkpoint::passed(0.25), Some(Checkpoint::QuarterHour));
    assert_eq!(Checkpoint::passed(3.9), Some(Checkpoint::TwoHours));
    assert_eq!(Checkpoint::passed(70.0), Some(Checkpoint::EightHours));
    assert_eq!(Checkpoint::passed(f64::NAN), None);
}

#[test]
fn leaving_one_out_is_close_to_a_fit_without_it() {
    let all = charges();
    let fitted = fit(&all);
    for left in [0, 4, 10, 17] {
        let case = all[left];
        let eta = |fitted: &Fitted| -> f64 {
            let pairs = case.columns.iter().zip(fitted.coefficients.to_array());
            pairs.map(|(column, weight)| column * weight).sum()
        };
        let mut others = all.clone();
        others.remove(left);
        let without = eta(&fit(&others));
        let mean = Coefficients::PRIOR_MEAN.to_array();
        let precision = Coefficients::PRIOR_SD.to_array().map(|sd| 1.0 / (sd * sd));
        let at = fitted.coefficients.to_array();
        let (_, hessian) = slopes(&all, &at, &mean, &precision);
        let spread = solve(&hessian, case.columns);
        let variance: f64 = case.columns.iter().zip(spread).map(|(a, b)| a * b).sum();
        let found = leave_one_out(eta(&fitted), variance, case.outcome);
        let moved = (without - eta(&fitted)).abs();
        // One Newton step: within a fifth of the way it moved.
        assert!(
            (found - without).abs() < 0.2 * moved,
            "{left} {found} {without}"
        );
    }
}

proptest! {
    #[test]
    fn the_own_outcome_is_always_taken_back(
        eta in -6.0..6.0_f64, variance in 0.001..50.0_f64, recovered: bool,
    ) {
        let found = leave_one_out(eta, variance, f64::from(u8::from(recovered)));
        prop_assert!(found.is_finite());
        let toward = if recovered { eta - found } else { found - eta };
        prop_assert!(toward >= 0.0);
    }
}
