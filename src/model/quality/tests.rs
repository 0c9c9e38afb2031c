//! Frozen answers scored beside table and base rate; drift by stream, latched until a person has seen it.

use chrono::TimeDelta;

use super::*;

fn at(hours: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(1_770_000_000, 0).unwrap() + TimeDelta::hours(hours)
}

/// Answered an hour before its outcome became known.
fn frozen(hour: i64, chance: f64, recovered: bool) -> Frozen {
    Frozen {
        answered_at: at(hour - 1),
        known_at: at(hour),
        chance,
        band: (8, 6),
        method: Method::CcCv,
        charger: String::new(),
        firmware: String::new(),
        recovered,
    }
}

/// So many outcomes known long before, four of five recovered.
fn history(count: i64) -> Vec<(DateTime<Utc>, bool)> {
    (0..count).map(|n| (at(n - 100_000), n % 5 != 0)).collect()
}

#[test]
fn an_answer_is_scored_beside_what_table_and_base_rate_said_then_and_not_later() {
    // Known before the first answer: 4 of 5; between the two answers one more came back.
    let mut outcomes = history(5);
    outcomes.push((at(1), true));
    let answers = [frozen(1, 0.9, true), frozen(3, 0.2, false)];
    let found = Quality::of(&answers, &outcomes, &[]);
    let brier = |scores: Option<Scores>| scores.unwrap().brier;
    assert!((brier(found.answers) - f64::midpoint(0.01, 0.04)).abs() < 1e-12);
    // Jeffreys: (6 + .5) / (8 + 1) each time.
    let table = 6.5 / 9.0;
    let want = f64::midpoint((1.0 - table) * (1.0 - table), table * table);
    assert!((brier(found.band_table) - want).abs() < 1e-12);
    let (first, second) = (4.5 / 6.0, 5.5 / 7.0);
    let want = f64::midpoint((1.0_f64 - first) * (1.0 - first), second * second);
    assert!((brier(found.base_rate) - want).abs() < 1e-12);
    assert_eq!(found.months.len(), 1);
    assert_eq!(
        (found.months[0].month.as_str(), found.months[0].n),
        ("2026-02", 2)
    );
    assert_eq!(found.bins.len(), 0, "too few for a rate");
    let none = Quality::of(&[], &outcomes, &[]);
    assert_eq!((none.answers, none.months.len()), (None, 0));
    let group = &none.streams[0];
    assert_eq!(
        (group.name.as_str(), group.n, group.alarm),
        ("group", 0, None)
    );
}

#[test]
fn of_few_answers_there_are_plain_means_and_of_more_bins_that_hold_enough_for_a_rate() {
    let quality = |count: i64| {
        let answers: Vec<Frozen> = (0..count)
            .map(|n| frozen(n, 0.2 + 0.6 * n as f64 / count as f64, n % 3 != 0))
            .collect();
        Quality::of(&answers, &history(10), &[])
    };
    let few = quality(19);
    let scores = few.answers.unwrap();
    assert_eq!(scores.count, 19);
    assert!(scores.calibration.is_none() && scores.auc.is_none() && scores.skill.is_none());
    assert!(few.parts.is_none() && few.calibration_error.is_none());
    assert_eq!(few.bins.len(), 3);
    let enough = quality(20);
    assert!(enough.answers.unwrap().calibration.is_some() && enough.parts.is_some());
    assert_eq!(
        (
            enough.bins.len(),
            quality(4).bins.len(),
            quality(400).bins.len()
        ),
        (4, 0, 10)
    );
    assert!(enough.bins.iter().all(|bin| bin.count >= RATE_N_MIN));
}

#[test]
fn the_order_of_the_rows_does_not_matter() {
    let mut answers: Vec<Frozen> = (0..40)
        .map(|n| frozen(n / 3, 0.1 + 0.02 * n as f64, n % 3 == 0))
        .collect();
    let mut outcomes = history(1_300);
    let one = Quality::of(&answers, &outcomes, &[]);
    answers.reverse();
    outcomes.reverse();
    assert_eq!(Quality::of(&answers, &outcomes, &[]), one);
}

// Source: Steiner et al. 2000: each failure forecast at .8 adds -ln(.6) = .5108 to the lower sum; the
// fourteenth passes 7.
#[test]
fn drift_is_watched_once_enough_was_known_and_stands_until_a_person_has_seen_it() {
    let failures =
        |count: i64| -> Vec<Frozen> { (0..count).map(|n| frozen(n, 0.8, false)).collect() };
    let alarm = |answers: &[Frozen], outcomes: i64, seen: &[Acknowledged]| {
        let found = Quality::of(answers, &history(outcomes), seen);
        (
            found.streams[0].alarm,
            found.reserves((900, 300)),
            found.drifted_methods(),
        )
    };
    assert_eq!(alarm(&failures(13), 1_200, &[]), (None, vec![], vec![]));
    let raised = Some((Alarm::WorseThanForecast, at(13)));
    let (method, drift) = (vec![Method::CcCv], vec![Reserve::Drift]);
    let standing = (raised, drift, method);
    assert_eq!(alarm(&failures(14), 1_200, &[]), standing);
    assert_eq!(
        alarm(&failures(14), 1_199, &[]).0,
        None,
        "too little was known"
    );
    // Good ones since do not take it back.
    let mut mixed = failures(14);
    mixed.extend((20..60).map(|n| frozen(n, 0.8, true)));
    assert_eq!(alarm(&mixed, 1_200, &[]).0, raised);
    let seen = |stream: &str, hour| Acknowledged {
        stream: stream.into(),
        at: at(hour),
        by: "M. Kelder".into(),
        reason: "a bad batch of separators".into(),
    };
    let both = [seen("group", 15), seen("method cc_cv", 15)];
    assert_eq!(alarm(&mixed, 1_200, &both), (None, vec![], vec![]));
    assert_eq!(
        alarm(&failures(14), 1_200, &both[..1]).0,
        None,
        "nothing came since"
    );
    assert_eq!(alarm(&failures(14), 1_200, &both[..1]).2, [Method::CcCv]);
    // Fourteen more are another alarm.
    assert_eq!(
        alarm(&failures(29), 1_200, &both).0,
        Some((Alarm::WorseThanForecast, at(28)))
    );
}

#[test]
fn a_charger_and_a_firmware_are_streams_of_their_own() {
    let mut answers: Vec<Frozen> = (0..40).map(|n| frozen(n, 0.8, n % 5 != 0)).collect();
    answers.extend((0..20).map(|n| Frozen {
        charger: "left 2".into(),
        firmware: "1.4".into(),
        method: Method::Unknown,
        ..frozen(100 + n, 0.9, false)
    }));
    let found = Quality::of(&answers, &history(2_000), &[]);
    let names: Vec<&str> = found
        .streams
        .iter()
        .map(|stream| stream.name.as_str())
        .collect();
    assert_eq!(
        names,
        ["group", "method cc_cv", "charger left 2", "firmware 1.4"]
    );
    let alarms: Vec<bool> = found
        .streams
        .iter()
        .map(|stream| stream.alarm.is_some())
        .collect();
    assert_eq!(alarms, [true, false, true, true]);
    assert_eq!(found.drifted_methods(), []);
    let told = found.without_chargers();
    assert!(
        told.streams
            .iter()
            .all(|stream| !stream.name.contains("left 2"))
    );
    assert_eq!(told.streams.len(), 3);
}

#[test]
fn stops_that_were_checked_are_told_with_a_range_once_there_are_five() {
    let forecast = |recovered| Forecast {
        chance: 0.1,
        recovered,
    };
    let of = |charges: &[Forecast]| Quality::default().with_ran_on(charges).ran_on;
    assert_eq!(of(&[]), None);
    let few = of(&[forecast(true); 4]).unwrap();
    assert_eq!((few.n, few.recovered, few.interval), (4, 4, None));
    let mut charges = [forecast(false); 20];
    charges[7] = forecast(true);
    let many = of(&charges).unwrap();
    assert_eq!((many.n, many.recovered), (20, 1));
    assert!((many.told - 0.1).abs() < 1e-12);
    // Brown, Cai and DasGupta 2001: Jeffreys' interval is that of beta(1.5, 19.5).
    let range = many.interval.unwrap();
    assert!(range.lower < 0.05 && range.upper > 0.05 && range.upper < 0.2);
}

#[test]
fn a_slope_far_from_one_is_a_reserve_from_five_hundred_on() {
    // Said .95 and .05 where .7 and .3 were true.
    let answers = |count: i64| -> Vec<Frozen> {
        let one = |n: i64| {
            let high = n % 2 == 0;
            frozen(n, if high { 0.95 } else { 0.05 }, (n / 2 % 10 < 7) == high)
        };
        (0..count).map(one).collect()
    };
    let reserves = |count| Quality::of(&answers(count), &[], &[]).reserves((300, 300));
    assert_eq!(reserves(480), []);
    assert_eq!(reserves(520), [Reserve::BadCalibration]);
}
