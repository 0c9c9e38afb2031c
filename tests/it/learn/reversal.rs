//! A table whose bands change places once the batteries are the same, through the program.

use std::fmt::Write as _;

use super::{Ask, Fleet, SHOPS, attempt};
use crate::harness::program::Program;

/// Of each hundred of a kind (rested volts, months idle): how many there are in hundreds, how many came back.
/// At either idle time the higher voltage does better; but most of the higher ones stood for long.
const KINDS: [(f64, f64, u64, u64); 4] = [
    (12.3, 1.0, 1, 95),
    (12.3, 30.0, 9, 55),
    (11.2, 1.0, 9, 85),
    (11.2, 30.0, 1, 10),
];

fn fleet() -> Fleet {
    let (mut batteries, mut attempts) = (String::new(), String::new());
    let mut number = 0_u64;
    for (volts, months, hundreds, of_hundred) in KINDS {
        for place in 0..100 * hundreds {
            let (shop, presented) = (SHOPS[(number % 4) as usize], 1_760_000_000 + number * 3_600);
            // 37 and 100 have no common factor: spread evenly over shops and time.
            let outcome = if place * 37 % 100 < of_hundred {
                "recovered"
            } else {
                "not_recovered"
            };
            writeln!(
                batteries,
                "{{\"case_id\":\"c{number}\",\"shop_id\":\"{shop}\",\"presented_at\":{presented},\"segment\":\"car\",\
                 \"nominal_v\":12,\"chemistry\":\"flooded\",\"rest_v\":{volts},\"age_months\":24,\
                 \"months_since_full_charge\":{months},\"storage\":\"removed_indoors\",\"tester\":\"ok\",\
                 \"replacement_price\":120.0}}"
            )
            .unwrap();
            attempts.push_str(&attempt(number, presented, outcome));
            number += 1;
        }
    }
    Fleet {
        batteries,
        attempts,
        shops: super::shops(),
        truth: String::new(),
    }
}

#[test]
fn bands_that_change_places_once_the_batteries_are_the_same_are_told() {
    let program = Program::new();
    program.import("tarn-valley", &fleet());
    let found = program.json("tarn-valley", &["table"]);
    let margin = found["adjusted"]["by_voltage"].as_array().unwrap();
    let rate = |band: &str| {
        let row = margin
            .iter()
            .find(|row| row["label"].as_str().unwrap().starts_with(band));
        let number = |field: &str| row.unwrap()[field].as_f64().unwrap();
        number("y") / number("n")
    };
    let (high, low) = (rate("12.2"), rate("10.8"));
    // .1 x .95 + .9 x .55 and .9 x .85 + .1 x .10.
    assert!(
        (high - 0.59).abs() < 1e-9 && (low - 0.775).abs() < 1e-9,
        "{high} {low}"
    );
    let reversals = found["adjusted"]["reversals"].as_array().unwrap();
    assert_eq!(reversals.len(), 1, "{reversals:?}");
    assert!(
        reversals[0]["counted_better"]
            .as_str()
            .unwrap()
            .starts_with("10.8")
    );
    assert!(reversals[0]["support"].as_f64().unwrap() >= 0.9);
    let text = program.run("tarn-valley", &["table"]);
    assert!(text.contains("Mind the mix: by the counts 10.8"), "{text}");
}
