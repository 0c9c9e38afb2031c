//! Tests of survival and cumulative incidence against R.

use super::*;
use proptest::prelude::*;

/// Numbers of each row of a check file, without its head.
fn rows(text: &str) -> Vec<Vec<f64>> {
    let row = |line: &str| line.split(',').map(|cell| cell.parse().unwrap()).collect();
    text.lines().skip(1).map(row).collect()
}

fn near(found: f64, expected: f64) {
    assert!((found - expected).abs() < 1e-9, "{found} {expected}");
}

/// Charges of a file of hours and codes: 1 recovered, 2 failed, 3 heat abort, 0 stopped.
fn charges(text: &str) -> Vec<EndedCharge> {
    let charge = |line: &str| {
        let (hours, code) = line.split_once(',').unwrap();
        EndedCharge {
            hours: hours.parse().unwrap(),
            end: match code {
                "1" => End::Recovered,
                "2" => End::Failed,
                "3" => End::HeatAbort,
                "0" => End::Stopped,
                other => panic!("{other}"),
            },
        }
    };
    text.lines().skip(1).map(charge).collect()
}

#[test]
fn survival_agrees_with_r_on_the_remission_data() {
    // Source: Freireich et al. 1963; R survival 3.5-3, conf.type = "log-log". Independent.
    let observations: Vec<Observation> = rows(include_str!("../../../tests/data/stats_km_6mp.csv"))
        .iter()
        .map(|row| Observation {
            time: row[0],
            event: row[1] > 0.5,
        })
        .collect();
    let expected = rows(include_str!(
        "../../../tests/data/stats_km_6mp_expected.csv"
    ));
    let found = survival(&observations, 0.95);
    assert_eq!((found.len(), expected.len()), (7, 7));
    for (step, row) in found.iter().zip(expected) {
        let [lower, upper] = step.limits.unwrap();
        near(step.time, row[0]);
        near(step.at_risk as f64, row[1]);
        near(step.events as f64, row[2]);
        near(step.survival, row[3]);
        near(step.standard_error.unwrap(), row[4]);
        near(lower, row[5]);
        near(upper, row[6]);
    }
}

#[test]
fn when_the_last_one_ends_there_is_no_error_to_tell() {
    let both = [1.0, 2.0].map(|time| Observation { time, event: true });
    let found = survival(&both, 0.95);
    assert_eq!(found.len(), 2);
    near(found[1].survival, 0.0);
    assert_eq!((found[1].standard_error, found[1].limits), (None, None));
    assert_eq!(survival(&both, 1.0)[0].limits, None);
    assert_eq!(survival(&[], 0.95), []);
}

#[test]
fn incidence_agrees_with_r_on_charges_with_ties() {
    // Source: R survfit with several states. Independent.
    let charges = charges(include_str!(
        "../../../tests/data/stats_sessions_invented.csv"
    ));
    let expected = rows(include_str!("../../../tests/data/stats_sessions_aj.csv"));
    let found = incidence(&charges);
    assert_eq!((charges.len(), found.steps.len()), (16, expected.len()));
    for (step, row) in found.steps.iter().zip(expected) {
        near(step.hours, row[0]);
        near(step.at_risk as f64, row[1]);
        near(step.running, row[2]);
        for (share, expected) in step.ended.iter().zip(&row[3..6]) {
            near(*share, *expected);
        }
        near(step.standard_error[0], row[6]);
        near(step.standard_error[2], row[7]);
    }
    assert_eq!(found.median_hours(End::Recovered), Some(9.4));
    assert_eq!(found.median_hours(End::HeatAbort), None);
    assert_eq!(found.median_hours(End::Stopped), None);
}

#[test]
fn incidence_agrees_with_r_on_two_hundred_charges() {
    // Source: R survfit with several states. Independent.
    let charges = charges(include_str!(
        "../../../tests/data/stats_fleet_sessions200.csv"
    ));
    let expected = rows(include_str!(
        "../../../tests/data/stats_fleet_sessions200_aj.csv"
    ));
    let found = incidence(&charges);
    assert_eq!((charges.len(), expected.len()), (200, 6));
    for row in expected {
        let step = found.by(row[0]).unwrap();
        let values = [&[step.running], &step.ended[..], &step.standard_error[..]].concat();
        for (value, expected) in values.iter().zip(&row[1..]) {
            near(*value, *expected);
        }
    }
    assert_eq!(found.by(0.001), None);
}

proptest! {
    #[test]
    fn without_censoring_incidence_is_the_counted_share(
        ends in proptest::collection::vec((1..40_u8, 0..3_usize), 1..60),
    ) {
        let kinds = [End::Recovered, End::Failed, End::HeatAbort];
        let charges: Vec<EndedCharge> = ends
            .iter()
            .map(|&(hours, kind)| EndedCharge { hours: f64::from(hours), end: kinds[kind] })
            .collect();
        let found = incidence(&charges);
        let last = found.steps.last().unwrap();
        let total = ends.len() as f64;
        for step in &found.steps {
            prop_assert!((step.running + step.ended.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            for (kind, error) in step.standard_error.iter().enumerate() {
                // Without censoring the error is that of a binomial share.
                let share = step.ended[kind];
                let binomial = libm::sqrt(share * (1.0 - share) / total);
                prop_assert!((error - binomial).abs() < 1e-7, "{} {}", error, binomial);
            }
        }
        for (kind, share) in last.ended.iter().enumerate() {
            let count = ends.iter().filter(|end| end.1 == kind).count() as f64;
            prop_assert!((share - count / total).abs() < 1e-12);
        }
    }
}
