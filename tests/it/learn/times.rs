//! How long charges took, from an imported history to the table.

use std::fmt::Write as _;

use serde_json::Value;

use super::{Ask, Fleet, SHOPS};
use crate::harness::database;
use crate::harness::program::Program;

/// 200 invented sessions of the reference data as charges of batteries that came in at 11 V: hours, and 1 recovered,
/// 2 failed, 3 too hot, 0 stopped by a person.
fn fleet() -> Fleet {
    let (mut batteries, mut attempts) = (String::new(), String::new());
    let sessions = include_str!("../../data/stats_fleet_sessions200.csv");
    for (number, line) in sessions.lines().skip(1).enumerate() {
        let (hours, code) = line.split_once(',').unwrap();
        let outcome = match code {
            "1" => "recovered",
            "2" => "not_recovered",
            "3" => "aborted_heat",
            _ => "stopped_admin",
        };
        let (shop, presented) = (SHOPS[number % 4], 1_760_000_000 + number * 3_600);
        writeln!(
            batteries,
            "{{\"case_id\":\"c{number}\",\"shop_id\":\"{shop}\",\"presented_at\":{presented},\"segment\":\"marine\",\
             \"nominal_v\":12,\"chemistry\":\"agm\",\"rest_v\":11.0,\"replacement_price\":120.0}}"
        )
        .unwrap();
        writeln!(
            attempts,
            "{{\"case_id\":\"c{number}\",\"method\":\"cc_cv\",\"started_at\":{},\"hours\":{hours},\
             \"outcome\":\"{outcome}\",\"verified\":true}}",
            presented + 600
        )
        .unwrap();
    }
    Fleet {
        batteries,
        attempts,
        shops: super::shops(),
        truth: String::new(),
    }
}

fn count(of: &Value) -> u64 {
    of.as_u64().unwrap_or_else(|| panic!("{of}"))
}

fn number(of: &Value) -> f64 {
    of.as_f64().unwrap_or_else(|| panic!("{of}"))
}

// Expected: R survival 3.5-3, survfit of the same sessions (tests/data/stats_fleet_sessions200_aj.csv).
#[test]
fn what_had_become_of_charges_by_an_hour_is_what_r_says_of_the_same_sessions() {
    let program = Program::new();
    program.import("tarn-valley", &fleet());
    let found = program.json("tarn-valley", &["times"]);
    let all = &found["times"]["all"];
    assert_eq!(count(&all["n"]) + count(&all["censored"]), 200);
    let expected = include_str!("../../data/stats_fleet_sessions200_aj.csv");
    let mut compared = 0;
    for at in all["by_hour"].as_array().unwrap() {
        let row = expected
            .lines()
            .filter_map(|line| line.split(',').map(|cell| cell.parse().ok()).collect())
            .find(|row: &Vec<f64>| (row[0] - number(&at["hours"])).abs() < 1e-9);
        let Some(row) = row else { continue };
        let ended = at["ended"].as_array().unwrap();
        let shares = ended.iter().map(|one| number(&one["share"]));
        for (share, expected) in shares.zip(&row[2..5]) {
            assert!((share - expected).abs() < 1e-9, "{at} {row:?}");
        }
        compared += 1;
    }
    assert!(compared >= 4);
    let bands = found["times"]["bands"].as_array().unwrap();
    let filled: Vec<&str> = bands
        .iter()
        .filter(|band| band["n"] != 0)
        .map(|band| band["label"].as_str().unwrap())
        .collect();
    assert_eq!(filled, ["10.8 to 11.5 V"]);
    // One shop of four; a construction nobody brought; text for people.
    let kelder = program.json("tarn-valley", &["times", "--shop", "Kelder"]);
    let kelder = &kelder["times"]["all"];
    assert_eq!(count(&kelder["n"]) + count(&kelder["censored"]), 50);
    // Beside its planned hours the sheet shows what its charges took.
    let sessions = include_str!("../../data/stats_fleet_sessions200.csv");
    let own = sessions.lines().skip(1).step_by(4);
    let hours = own.map(|line| line.split_once(',').unwrap().0.parse::<f64>().unwrap());
    let mean = hours.sum::<f64>() / 50.0;
    let sheet = ["costs", "--shop", SHOPS[0], "--price", "120"];
    let costs = program.json("tarn-valley", &sheet);
    let taken = &costs["taken"];
    assert_eq!(count(&taken["n"]), 50);
    assert!(
        (number(&taken["mean"]) - mean).abs() < 1e-9,
        "{taken} {mean}"
    );
    let entry = |name: &str| {
        let entries = costs["entries"].as_array().unwrap();
        number(&entries.iter().find(|one| one["item"] == name).unwrap()["value"])
    };
    let less = (mean - entry("planned_hours")) * entry("charger_hour");
    assert!((number(&taken["cost"]) - number(&costs["cost"]) - less).abs() < 1e-9);
    let range = taken["range"].as_array().unwrap();
    assert!(number(&range[0]) < mean && mean < number(&range[1]));
    let told = program.run("tarn-valley", &sheet);
    assert!(
        told.contains(&format!("took {mean:.1} h on average")),
        "{told}"
    );
    let lithium = program.run("tarn-valley", &["times", "--chemistry", "lifepo4"]);
    assert!(lithium.contains("Too few for rates"), "{lithium}");
    let text = program.run("tarn-valley", &["times"]);
    for wanted in [
        "13 broken off for heat",
        "ask before each attempt",
        "stop stands before",
    ] {
        assert!(text.contains(wanted), "{wanted}\n{text}");
    }
}

/// An answer a minute before each of the first 50 charges, chances from .01 to .50; ten more came after the start.
const ANSWERS: &str = "create temp table given as
    select c.*, row_number() over (order by c.attempt_id) as n, gen_random_uuid() as verdict_id
    from rv.counted_visit c join rv.shop_group g using (group_id) where g.name = 'tarn-valley';
    insert into rv.verdict (group_id, verdict_id, visit_id, shop_id, answered_at, answer, chance, band_n, band_y,
        worth, cost, currency, model_version, belief_only, propensity, body)
    select group_id, verdict_id, visit_id, shop_id,
        started_at + case when n <= 50 then -1 else 1 end * interval '1 minute', 'attempt', n / 100.0, 12, 9, 60, 10,
        'EUR', 'test', false, 1, '{}'
    from given where n <= 60;
    update rv.attempt a set verdict_id = g.verdict_id from given g where g.attempt_id = a.attempt_id and g.n <= 60";

#[tokio::test]
async fn fifths_are_of_the_chance_that_was_told_before_the_attempt() {
    let program = Program::new();
    let group = "tarn-valley";
    program.import(group, &super::fleet(80, false));
    let before = program.json(group, &["times"]);
    assert_eq!(before["times"]["fifths"].as_array().unwrap().len(), 0);
    let mut conn = database::superuser(&program.url).await;
    sqlx::raw_sql(ANSWERS).execute(&mut conn).await.unwrap();
    let found = program.json(group, &["times"]);
    let fifths = found["times"]["fifths"].as_array().unwrap();
    let named: Vec<(&str, u64)> = fifths
        .iter()
        .map(|row| (row["label"].as_str().unwrap(), count(&row["n"])))
        .collect();
    assert_eq!(named.len(), 5);
    assert!(named.iter().all(|row| row.1 == 10), "{named:?}");
    assert_eq!(
        (named[0].0, named[4].0),
        ("chance 1 to 10 %", "chance 41 to 50 %")
    );
}
