//! Times of few, many and cut-off charges.

use super::*;
use crate::model::survival::End::{Failed, HeatAbort, Recovered, Stopped};

fn past(hours: f64, end: End, volts: f64, chance: Option<f64>) -> PastCharge {
    PastCharge {
        charge: EndedCharge { hours, end },
        band: VoltageBand::of(volts),
        chance,
    }
}

/// The invented sessions of the reference data: hours, and 0 stopped, 1 recovered, 2 failed, 3 heat.
fn sessions() -> Vec<PastCharge> {
    let text = include_str!("../../../tests/data/stats_fleet_sessions200.csv");
    let rows = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    rows.map(|line| {
        let (hours, code) = line.split_once(',').unwrap();
        let end = match code {
            "1" => Recovered,
            "2" => Failed,
            "3" => HeatAbort,
            _ => Stopped,
        };
        past(hours.parse().unwrap(), end, 11.0, None)
    })
    .collect()
}

// Expected: R survfit of the same sessions (tests/data/stats_fleet_sessions200_aj.csv).
#[test]
fn shares_by_hour_are_those_of_r() {
    let times = charge_times(&sessions());
    let expected: Vec<Vec<f64>> =
        include_str!("../../../tests/data/stats_fleet_sessions200_aj.csv")
            .lines()
            .filter_map(|line| line.split(',').map(|cell| cell.parse().ok()).collect())
            .collect();
    let mut compared = 0;
    for at in &times.all.by_hour {
        let Some(row) = expected.iter().find(|row| (row[0] - at.hours).abs() < 1e-9) else {
            continue;
        };
        let found = [
            at.running.share,
            at.ended[0].share,
            at.ended[1].share,
            at.ended[2].share,
        ];
        for (found, expected) in found.iter().zip(&row[1..5]) {
            assert!((found - expected).abs() < 1e-9, "{found} {expected}");
        }
        compared += 1;
    }
    assert!(compared >= 4, "{compared}");
}

#[test]
fn counts_add_up_and_shares_of_one_hour_make_a_whole() {
    let charges = sessions();
    let times = charge_times(&charges);
    let all = &times.all;
    assert_eq!(all.n + all.censored, charges.len() as u64);
    assert_eq!(all.ended.iter().sum::<u64>(), all.n);
    for at in &all.by_hour {
        let whole: f64 = at.running.share + at.ended.iter().map(|one| one.share).sum::<f64>();
        assert!((whole - 1.0).abs() < 1e-9);
        for one in at.ended.iter().chain([&at.running]) {
            let Interval { lower, upper, .. } = one.interval;
            assert!(0.0 <= lower && lower <= one.share && one.share <= upper && upper <= 1.0);
        }
        assert!(at.later.recovered <= at.later.known && at.later.known <= at.at_risk);
    }
    let bands: u64 = times.bands.iter().map(|row| row.n).sum();
    assert_eq!((times.bands.len(), bands), (7, all.n));
}

#[test]
fn under_five_known_ends_there_are_counts_alone_and_it_is_said() {
    let four: Vec<PastCharge> = (1..=4)
        .map(|hour| past(f64::from(hour), Recovered, 12.0, Some(0.5)))
        .chain((1..=9).map(|hour| past(f64::from(hour), Stopped, 12.0, None)))
        .collect();
    let times = charge_times(&four);
    assert_eq!((times.all.n, times.all.censored), (4, 9));
    assert_eq!(times.all.support, Support::CountsOnly);
    assert!(times.all.by_hour.is_empty() && times.fifths.is_empty());
    assert_eq!(times.all.median_recovered_hours, None);
    assert!(render_text(&times).contains("Too few for rates"));
    assert!(render_text(&charge_times(&[])).contains("chose to attempt: 0;"));
}

#[test]
fn none_and_all_have_the_exact_bound_and_failed_ones_do_not_recover_later() {
    let failed: Vec<PastCharge> = (0..30).map(|_| past(10.0, Failed, 9.0, None)).collect();
    let times = charge_times(&failed);
    let by_8 = times.all.by_hour.iter().find(|at| at.hours > 7.9).unwrap();
    // 0 of 30: below 9.5 %, the 95 % bound (rule of three: 3/n).
    assert!((by_8.ended[0].interval.upper - 0.095).abs() < 1e-3);
    assert_eq!((by_8.later.recovered, by_8.later.known), (0, 30));
    let last = times.all.by_hour.last().unwrap();
    assert_eq!((last.hours, last.at_risk), (12.0, 0), "nothing runs on");
    assert!(last.ended[1].share > 1.0 - 1e-12);
    assert!((last.ended[1].interval.lower - 0.905).abs() < 1e-3);
    // Read as survival of the recovered alone it would be otherwise: half of all never recovered.
    let half = [
        failed,
        (0..29).map(|_| past(5.0, Recovered, 9.0, None)).collect(),
    ]
    .concat();
    assert_eq!(charge_times(&half).all.median_recovered_hours, None);
    assert_eq!(charge_times(&half).all.median_ended_hours, Some(10.0));
}

#[test]
fn fifths_are_of_equal_size_and_named_by_their_chances() {
    let charges: Vec<PastCharge> = (0..50)
        .map(|at| {
            let chance = f64::from(at) / 50.0;
            let end = if at % 50 < 25 { Failed } else { Recovered };
            past(8.0, end, 11.0, Some(chance))
        })
        .collect();
    let fifths = charge_times(&charges).fifths;
    let sizes: Vec<u64> = fifths.iter().map(|row| row.n).collect();
    assert_eq!(sizes, [10; 5]);
    assert_eq!(fifths[0].label, "chance 0 to 18 %");
    let recovered: Vec<u64> = fifths.iter().map(|row| row.ended[0]).collect();
    assert_eq!(recovered, [0, 0, 5, 10, 10]);
}

#[test]
fn the_text_shows_counts_ranges_and_what_ran_on() {
    let text = render_text(&charge_times(&sessions()));
    for wanted in [
        "First charges with a known end",
        "recovered later, of those",
        "below 2 V",
        "Ranges are of 90 %",
    ] {
        assert!(text.contains(wanted), "{wanted}\n{text}");
    }
    assert!(
        text.lines().all(|line| line.chars().count() <= 120),
        "{text}"
    );
}
