//! What is learned from outcomes: fits as rows, answers that follow them, walls between groups.
//!
//! The rows are invented: the Tarn Valley shops, a generator of a few lines whose truth is known.

use std::fmt::Write as _;

use restvolt::learn;
use restvolt::store::Store;
use serde_json::Value;

use crate::harness::database;
use crate::harness::program::Program;

mod prior;
mod quality;
mod reversal;
mod times;

const SHOPS: [&str; 4] = ["Kelder", "Ostrow", "Brack", "Vell"];

/// What these tests ask of the program.
pub(crate) trait Ask {
    fn run(&self, group: &str, arguments: &[&str]) -> String;
    fn json(&self, group: &str, arguments: &[&str]) -> Value;
    fn import(&self, group: &str, fleet: &Fleet);
    fn chance(&self, group: &str) -> Value;
}

impl Ask for Program {
    fn run(&self, group: &str, arguments: &[&str]) -> String {
        let output = self.output(group, arguments);
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{arguments:?}: {error}");
        String::from_utf8(output.stdout).unwrap()
    }

    fn json(&self, group: &str, arguments: &[&str]) -> Value {
        let mut arguments = arguments.to_vec();
        arguments.push("--json");
        serde_json::from_str(&self.run(group, &arguments)).unwrap()
    }

    fn import(&self, group: &str, fleet: &Fleet) {
        let batteries = self.write("batteries.jsonl", &fleet.batteries);
        let attempts = self.write("attempts.jsonl", &fleet.attempts);
        let shops = self.write("shops.json", &fleet.shops);
        let files = [
            "--batteries",
            &batteries,
            "--attempts",
            &attempts,
            "--shops",
            &shops,
        ];
        self.run(group, &[&["import"], files.as_slice()].concat());
    }

    /// Chance of a battery that rests at 11.9 V after half a year.
    fn chance(&self, group: &str) -> Value {
        let question = [
            "ask",
            "--rest-volts",
            "11.9",
            "--chemistry",
            "flooded",
            "--months",
            "6",
            "--age",
            "24",
            "--tester",
            "ok",
            "--shop",
            "Kelder",
        ];
        self.json(group, &question)
    }
}

/// Files of an invented fleet.
pub(crate) struct Fleet {
    batteries: String,
    attempts: String,
    shops: String,
    truth: String,
}

/// Batteries that recover the more surely the higher they rest; `turned` turns that round.
pub(crate) fn fleet(count: u64, turned: bool) -> Fleet {
    let mut state = 20_261_126u64;
    let mut draw = move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let (mut batteries, mut attempts, mut truth) = (String::new(), String::new(), String::new());
    for number in 0..count {
        let volts = 2.0 + 10.7 * draw();
        let rises = 1.0 / (1.0 + (-(volts - 9.0)).exp());
        let p = if turned { 1.0 - rises } else { rises };
        let recovers = draw() < p;
        let shop = SHOPS[(number % 4) as usize];
        let presented = 1_760_000_000 + number * 3_600;
        writeln!(
            batteries,
            "{{\"case_id\":\"c{number}\",\"shop_id\":\"{shop}\",\"presented_at\":{presented},\"segment\":\"car\",\
             \"nominal_v\":12,\"chemistry\":\"flooded\",\"rest_v\":{volts:.2},\"age_months\":24,\
             \"months_since_full_charge\":6,\"storage\":\"removed_indoors\",\"tester\":\"ok\",\
             \"replacement_price\":120.0}}"
        )
        .unwrap();
        let outcome = if recovers {
            "recovered"
        } else {
            "not_recovered"
        };
        attempts.push_str(&attempt(number, presented, outcome));
        writeln!(
            truth,
            "{{\"case_id\":\"c{number}\",\"p_observed\":{p:.5},\"recovers\":{}}}",
            u8::from(recovers)
        )
        .unwrap();
    }
    Fleet {
        batteries,
        attempts,
        truth,
        shops: shops(),
    }
}

/// The line of an attempt on a battery that was presented ten minutes before.
fn attempt(number: u64, presented: u64, outcome: &str) -> String {
    format!(
        "{{\"case_id\":\"c{number}\",\"method\":\"cc_cv\",\"started_at\":{},\"hours\":9.5,\
         \"outcome\":\"{outcome}\",\"verified\":true}}\n",
        presented + 600
    )
}

/// Sheets of the four shops.
fn shops() -> String {
    let sheets = SHOPS.map(|shop| {
        format!("{{\"shop_id\":\"{shop}\",\"labour_per_h\":50.0,\"charger_hour\":0.3,\"currency\":\"EUR\"}}")
    });
    format!("[{}]", sheets.join(","))
}

#[tokio::test]
async fn answers_follow_the_outcomes_and_no_other_group_s() {
    let program = Program::new();
    program.import("tarn-valley", &fleet(300, false));
    let good = program.chance("tarn-valley");
    assert!(good["p"].as_f64().unwrap() > 0.8, "{good}");
    assert_eq!(good["belief_only"], false);
    assert!(
        good["model_version"]
            .as_str()
            .unwrap()
            .starts_with("design-2/trade-1")
    );
    assert_eq!(good["similar"].as_array().unwrap().len(), 10);
    // A group where such batteries fail is answered so, and moves nothing next door.
    program.import("fen-side", &fleet(300, true));
    let poor = program.chance("fen-side");
    assert!(poor["p"].as_f64().unwrap() < 0.3, "{poor}");
    let again = program.chance("tarn-valley");
    for field in ["p", "lo90", "hi90", "n_eq", "cut_off"] {
        assert_eq!(good[field], again[field], "{field}");
    }
    let mut conn = database::superuser(&program.url).await;
    let fits: Vec<(String, i64)> = sqlx::query_as(
        "select family, recovered + not_recovered from rv.model_fit order by family, fitted_at",
    )
    .fetch_all(&mut conn)
    .await
    .unwrap();
    let kept = |family: &str, n| (family.to_owned(), n);
    let two = |family, n| [kept(family, n), kept(family, n)];
    assert_eq!(fits, [two("lead_acid", 300), two("lithium", 0)].concat());
}

#[test]
fn the_table_tells_what_the_same_batteries_would_have_done_in_each_band() {
    let program = Program::new();
    program.import("tarn-valley", &fleet(9, false));
    let few = program.json("tarn-valley", &["table"]);
    assert_eq!(few["not_adjusted"], "too_few", "{few}");
    program.import("fen-side", &fleet(600, false));
    let table = program.json("fen-side", &["table"]);
    let bands = table["adjusted"]["by_voltage"].as_array().unwrap();
    assert_eq!(bands.len(), 7);
    let rates: Vec<f64> = bands
        .iter()
        .map(|band| band["expected"]["rate"].as_f64().unwrap())
        .collect();
    assert!(rates[1] < 0.1 && rates[6] > 0.9, "{rates:?}");
    // The fleet's only reason is the voltage: counts and expectations agree. None rests below 2 V.
    for band in &bands[1..] {
        let (y, n) = (band["y"].as_f64().unwrap(), band["n"].as_f64().unwrap());
        let expected = band["expected"]["rate"].as_f64().unwrap();
        let spread = band["expected"]["sd"].as_f64().unwrap() + 0.5 / n.sqrt();
        assert!((y / n - expected).abs() < 2.5 * spread, "{band}");
    }
    assert_eq!(table["adjusted"]["mix"], 300, "every second of 600");
    assert_eq!(table["adjusted"]["reversals"], serde_json::json!([]));
    let text = program.run("fen-side", &["table", "--shop", "Kelder"]);
    assert!(
        text.contains("Adjusted: what the same 150 batteries"),
        "{text}"
    );
    let counted = program.json("fen-side", &["table", "--counted"]);
    assert_eq!(counted["adjusted"], Value::Null);
}

#[tokio::test]
async fn a_fit_as_of_a_moment_gives_the_same_bits_again() {
    let program = Program::new();
    program.import("tarn-valley", &fleet(120, false));
    let card = program.json("tarn-valley", &["fit"]);
    let cut_off = card["lead_acid"]["cutoff"].as_str().unwrap().to_owned();
    program.json("tarn-valley", &["fit", "--as-of", &cut_off]);
    let before = program.json("tarn-valley", &["fit", "--as-of", "2020-01-01T00:00:00Z"]);
    assert_eq!(before["lead_acid"]["counts"]["recovered"], 0, "{before}");
    let mut conn = database::superuser(&program.url).await;
    let forms: Vec<Vec<u8>> = sqlx::query_scalar(
        "select form from rv.model_fit where family = 'lead_acid' and recovered > 0 order by fitted_at",
    )
    .fetch_all(&mut conn)
    .await
    .unwrap();
    assert_eq!(forms.len(), 2);
    assert!(forms[0] == forms[1], "two cold fits of one cut-off differ");
}

#[test]
fn the_model_is_scored_beside_simpler_rules_on_a_fleet_whose_truth_is_known() {
    let program = Program::new();
    let invented = fleet(1_200, false);
    let files = [
        ("--batteries", program.write("b.jsonl", &invented.batteries)),
        ("--attempts", program.write("a.jsonl", &invented.attempts)),
        ("--shops", program.write("s.json", &invented.shops)),
        ("--truth", program.write("t.jsonl", &invented.truth)),
    ];
    let mut arguments = vec!["evaluate", "--train", "400"];
    for (flag, path) in &files {
        arguments.extend([*flag, path.as_str()]);
    }
    let found = program.json("tarn-valley", &arguments);
    let scores = &found["scores"];
    assert_eq!(
        (&scores["trained"], &scores["presented"]),
        (&400.into(), &800.into())
    );
    let regret = |way: &str| scores[way]["regret_share"].as_f64().unwrap();
    assert!(regret("model") < 0.05, "{scores}");
    for rival in ["band_table", "fixed_cut", "always"] {
        assert!(regret("model") < regret(rival), "{rival}: {scores}");
    }
    let coverage = scores["model"]["chances"]["coverage"].as_f64().unwrap();
    assert!(coverage > 0.8, "{coverage}");
    let text = program.run("tarn-valley", &arguments);
    assert!(
        text.contains("plain logistic") && text.contains("Clear answers"),
        "{text}"
    );
}

#[test]
fn shops_methods_and_tonight_s_queue_are_told_with_their_ranges() {
    let program = Program::new();
    let invented = fleet(240, false);
    program.import("tarn-valley", &invented);
    let shops = program.json("tarn-valley", &["compare", "shops"]);
    assert_eq!(shops["names"].as_array().unwrap().len(), 4);
    for shop in shops["comparison"]["shops"].as_array().unwrap() {
        assert_eq!(shop["n"], 60);
        let (rate, low, high) = (
            shop["adjusted"]["rate"].as_f64().unwrap(),
            shop["adjusted"]["lower"].as_f64().unwrap(),
            shop["adjusted"]["upper"].as_f64().unwrap(),
        );
        assert!(low < rate && rate < high);
    }
    let text = program.run("tarn-valley", &["compare", "methods"]);
    assert!(
        text.contains("nothing to compare"),
        "one method only: {text}"
    );
    let text = program.run("tarn-valley", &["savings"]);
    assert!(
        text.contains("Kelder: 60 attempts") && text.contains("Nothing can be said"),
        "{text}"
    );
    let mut few = invented
        .batteries
        .lines()
        .take(8)
        .collect::<Vec<_>>()
        .join("\n");
    few.push('\n');
    let batch = program.write("tonight.jsonl", &few);
    let queue = program.json(
        "tarn-valley",
        &["tonight", "--batch", &batch, "--chargers", "2"],
    );
    let places = queue["places"].as_array().unwrap();
    assert_eq!(places.len(), 8);
    let gain = |place: &Value| place["gain_per_charger_hour"].as_f64().unwrap();
    let charged: Vec<&Value> = places
        .iter()
        .filter(|place| !place["charger"].is_null())
        .collect();
    assert_eq!(charged.len(), 2, "{queue}");
    assert!(gain(charged[0]) >= gain(charged[1]));
    let best = places.iter().map(gain).fold(f64::MIN, f64::max);
    assert!((gain(charged[0]) - best).abs() < 1e-12);
}

#[tokio::test]
async fn a_fit_whose_transaction_is_taken_back_is_kept_all_the_same_before_answers_rest_on_it() {
    let program = Program::new();
    program.import("tarn-valley", &fleet(60, false));
    let mut conn = database::superuser(&program.url).await;
    let group: uuid::Uuid = sqlx::query_scalar("select group_id from rv.shop_group")
        .fetch_one(&mut conn)
        .await
        .unwrap();
    let store = Store::new(program.url.parse().unwrap(), 1);
    let now = chrono::DateTime::from_timestamp(1_800_000_000, 0).unwrap();
    let mut tx = store.begin(group).await.unwrap();
    learn::learned(&mut tx, now).await.unwrap();
    tx.rollback().await.unwrap();
    let count = "select count(*) from rv.model_fit";
    let rows: i64 = sqlx::query_scalar(count)
        .fetch_one(&mut conn)
        .await
        .unwrap();
    assert_eq!(rows, 0);
    for _ in 0..2 {
        let mut tx = store.begin(group).await.unwrap();
        learn::learned(&mut tx, now).await.unwrap();
        tx.commit().await.unwrap();
        let rows: i64 = sqlx::query_scalar(count)
            .fetch_one(&mut conn)
            .await
            .unwrap();
        assert_eq!(rows, 2, "one a family, once");
    }
}

#[tokio::test]
async fn a_transaction_outlives_arithmetic_that_is_longer_than_the_server_lets_it_be_silent() {
    let program = Program::new();
    let store = Store::new(program.url.parse().unwrap(), 1);
    let mut tx = store.begin_work().await.unwrap();
    let silence = sqlx::query("set local idle_in_transaction_session_timeout = '3s'");
    silence.execute(&mut *tx).await.unwrap();
    let long = std::time::Duration::from_secs(4);
    tx.beside(move || std::thread::sleep(long)).await.unwrap();
    let one: i32 = sqlx::query_scalar("select 1")
        .fetch_one(&mut *tx)
        .await
        .unwrap();
    assert_eq!(one, 1);
    tx.commit().await.unwrap();
}
