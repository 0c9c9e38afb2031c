//! Checks of the scores: by hand, and that knowing the truth loses nothing.

use super::*;
use crate::model::fit::Label;
use crate::model::golden;
use crate::model::prior::PriorVersion;

fn visit(p_observed: f64, recovers: bool) -> Presented {
    let seen = golden::observations()[0];
    Presented {
        features: seen.features,
        shop: seen.shop,
        worth: 40.0,
        cost: 20.0,
        p_observed,
        recovers,
    }
}

fn guess(mean: f64) -> Guess {
    Guess {
        mean,
        lower: mean - 0.1,
        upper: mean + 0.1,
    }
}

// By hand: at .8, .6 and .2 of 40 less 20 an attempt pays 12, 4 and -12; the oracle earns 16.
#[test]
fn regret_is_what_the_oracle_earns_more() {
    let visits = [visit(0.8, true), visit(0.6, false), visit(0.2, false)];
    let regret = |decided: [bool; 3]| score(&decided, &visits);
    assert!(regret([true, true, false]).regret_share.abs() < 1e-12);
    assert!((regret([true, true, true]).regret_share - 0.75).abs() < 1e-12);
    assert!((regret([false, false, false]).regret_share - 1.0).abs() < 1e-12);
    assert!((regret([true, true, true]).wasted_share - 1.0 / 3.0).abs() < 1e-12);
}

// By hand: clear at .8 (.7 to .9) and at .2; the second visit's truth is on the other side.
#[test]
fn an_answer_is_clear_when_its_range_leaves_the_break_even_chance_out() {
    let visits = [visit(0.8, true), visit(0.6, false), visit(0.2, false)];
    let found = clear(&[guess(0.8), guess(0.2), guess(0.45)], &visits);
    assert!((found.share - 2.0 / 3.0).abs() < 1e-12);
    assert_eq!(found.right_share, Some(0.5));
    assert_eq!(clear(&[guess(0.5); 3], &visits).right_share, None);
}

// By hand: twenty visits in ten bins of two; half come back at a stated .5, but at .9 only half.
#[test]
fn the_calibration_error_is_the_mean_gap_of_its_bins() {
    let visits: Vec<Presented> = (0..20).map(|at| visit(0.5, at % 2 == 0)).collect();
    let fair = vec![guess(0.5); 20];
    assert!(chances(&fair, &visits).ece.abs() < 1e-12);
    let half_too_high: Vec<Guess> = (0..20)
        .map(|at| guess(if at < 10 { 0.5 } else { 0.9 }))
        .collect();
    let found = chances(&half_too_high, &visits);
    assert!((found.ece - 0.2).abs() < 1e-12, "{found:?}");
    assert!((found.coverage - 0.5).abs() < 1e-12 && (found.bias - 0.2).abs() < 1e-12);
    assert!((found.brier - 0.33).abs() < 1e-12, "{found:?}");
}

#[test]
fn the_model_beats_its_rivals_where_its_own_answers_are_the_truth() {
    let train = golden::observations();
    let prior = Prior::shipped(PriorVersion::Prototype0).unwrap();
    let truth = golden::fitted();
    let visits: Vec<Presented> = train
        .iter()
        .map(|seen| Presented {
            p_observed: truth.predict(&seen.features, Some(seen.shop)).mean,
            recovers: seen.label == Label::Recovered,
            features: seen.features,
            shop: seen.shop,
            ..visit(0.5, true)
        })
        .collect();
    let scores = evaluate(&prior, truth.cutoff(), &train, &visits)
        .unwrap()
        .unwrap();
    assert!(scores.model.regret_share.abs() < 1e-12);
    assert!((scores.model.chances.unwrap().coverage - 1.0).abs() < 1e-12);
    assert_eq!(scores.clear.right_share, Some(1.0));
    for rival in [
        scores.band_table,
        scores.plain_logistic,
        scores.fixed_cut,
        scores.always,
    ] {
        assert!(rival.regret_share > 0.01, "{rival:?}");
    }
    assert!(scores.worst_drop < 1e-12 && scores.confirmed_falls == 0);
    assert_eq!((scores.trained, scores.presented), (300, 300));
    assert_eq!(evaluate(&prior, truth.cutoff(), &train, &[]), Ok(None));
}
