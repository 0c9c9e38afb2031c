//! History from files, the table and the answers that follow from it, by the real program.
//!
//! The rows are invented: the Tarn Valley shops, a generator of a few lines. What the table must
//! say is counted here from the rows themselves.

use std::collections::HashMap;
use std::process::Output;

use serde_json::Value;

use crate::harness::program::Program;

struct Run(Program);

impl Run {
    fn new() -> Self {
        Self(Program::new())
    }

    fn write(&self, name: &str, text: &str) -> String {
        self.0.write(name, text)
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.0.output("tarn-valley", arguments)
    }

    fn lines(&self, arguments: &[&str]) -> (i32, Vec<Value>) {
        let output = self.run(arguments);
        let text = String::from_utf8(output.stdout).unwrap();
        let lines = text.lines().map(|line| serde_json::from_str(line).unwrap());
        let lines: Vec<Value> = lines.collect();
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            output.status.code().is_some_and(|code| code != 1),
            "{error}"
        );
        (output.status.code().unwrap(), lines)
    }
}

struct Case {
    volts: f64,
    chemistry: &'static str,
    outcome: Option<&'static str>,
}

fn cases() -> Vec<Case> {
    let mut state = 20_261_125u64;
    let mut draw = move |below: u64| {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    (0..400)
        .map(|_| Case {
            volts: [0.9, 5.0, 9.1, 10.5, 11.2, 11.9, 12.5][draw(7) as usize],
            chemistry: ["flooded", "agm", "gel", "lifepo4"][draw(4) as usize],
            outcome: [
                None,
                Some("recovered"),
                Some("not_recovered"),
                Some("aborted_heat"),
                Some("stopped_admin"),
            ][draw(5) as usize],
        })
        .collect()
}

fn files(run: &Run, cases: &[Case]) -> (String, String, String) {
    let shops = ["Kelder", "Ostrow", "Brack", "Vell"];
    let (mut batteries, mut attempts) = (String::new(), String::new());
    for (number, case) in cases.iter().enumerate() {
        let shop = shops[number % 4];
        batteries.push_str(&format!(
            "{{\"case_id\":\"c{number}\",\"shop_id\":\"{shop}\",\"presented_at\":{},\"segment\":\"powersports\",\
             \"nominal_v\":12,\"chemistry\":\"{}\",\"rest_v\":{},\"age_months\":24,\"months_since_charge\":3,\
             \"storage\":\"removed_indoors\",\"tester\":\"ok\",\"cca_ratio\":null,\"electrolyte_low\":null,\
             \"replacement_price\":95.0}}\n",
            1_760_000_000 + number * 60,
            case.chemistry,
            case.volts
        ));
        if let Some(outcome) = case.outcome {
            attempts.push_str(&format!(
                "{{\"case_id\":\"c{number}\",\"charger_id\":\"k1\",\"method\":\"cc_cv\",\"started_at\":{},\
                 \"hours\":9.5,\"outcome\":\"{outcome}\",\"verified\":true,\
                 \"checkpoints\":[{{\"h\":0.5,\"accept_c\":0.05,\"dv\":0.3,\"temp_rise_c\":2.0}}]}}\n",
                1_760_003_600 + number * 60
            ));
        }
    }
    // A second attempt of the same battery: kept, never counted.
    let again = cases
        .iter()
        .position(|case| case.outcome == Some("not_recovered"))
        .unwrap();
    attempts.push_str(&format!(
        "{{\"case_id\":\"c{again}\",\"method\":\"cc_cv\",\"started_at\":1761000000,\"hours\":9.5,\
         \"outcome\":\"recovered\",\"verified\":true}}\n"
    ));
    let sheets: Vec<String> = shops
        .iter()
        .map(|shop| format!("{{\"shop_id\":\"{shop}\",\"labour_per_h\":50.0,\"charger_hour\":0.3,\"currency\":\"EUR\"}}"))
        .collect();
    (
        run.write("batteries.jsonl", &batteries),
        run.write("attempts.jsonl", &attempts),
        run.write("shops.json", &format!("[{}]", sheets.join(","))),
    )
}

/// Recovered and labelled of lead-acid first attempts, by starting voltage.
fn counted(cases: &[Case]) -> HashMap<u64, (u64, u64)> {
    let mut counts: HashMap<u64, (u64, u64)> = HashMap::new();
    for case in cases.iter().filter(|case| case.chemistry != "lifepo4") {
        let label = match case.outcome {
            Some("recovered") => true,
            Some("not_recovered" | "aborted_heat") => false,
            _ => continue,
        };
        let count = counts
            .entry((case.volts * 10.0).round() as u64)
            .or_default();
        count.0 += u64::from(label);
        count.1 += 1;
    }
    counts
}

#[test]
fn a_history_is_taken_in_counted_and_asked_and_the_same_again_changes_nothing() {
    let run = Run::new();
    let cases = cases();
    let (batteries, attempts, shops) = files(&run, &cases);
    let all = [
        "import",
        "--json",
        "--batteries",
        &batteries,
        "--attempts",
        &attempts,
        "--shops",
        &shops,
    ];

    let dry: Vec<&str> = all.iter().copied().chain(["--dry-run"]).collect();
    let (code, told) = run.lines(&dry);
    assert_eq!((code, told[1]["tally"]["stored"].as_u64()), (0, Some(400)));
    let (_, empty) = run.lines(&["table", "--json"]);
    assert_eq!(
        empty[0]["table"]["totals"]["all"]["n"], 0,
        "a dry run keeps nothing"
    );

    let (code, told) = run.lines(&all);
    assert_eq!(code, 0, "{told:?}");
    let attempted = cases.iter().filter(|case| case.outcome.is_some()).count() as u64 + 1;
    let stored: Vec<_> = told
        .iter()
        .map(|line| line["tally"]["stored"].as_u64().unwrap())
        .collect();
    assert_eq!(stored, [4, 400, attempted]);
    let (_, again) = run.lines(&all);
    for line in &again {
        assert_eq!(line["tally"]["stored"], 0, "{line}");
        assert_eq!(line["tally"]["refused"], 0, "{line}");
    }

    let (_, table) = run.lines(&["table", "--json", "--by", "chemistry"]);
    let rows = table[0]["table"]["totals"]["by_voltage"]
        .as_array()
        .unwrap()
        .clone();
    let counts = counted(&cases);
    let bands = [
        (9, "below 2 V"),
        (50, "2 to 8"),
        (91, "8 to 10.2"),
        (105, "10.2 to 10.8"),
        (112, "10.8 to 11.5"),
        (119, "11.5 to 12.2"),
        (125, "12.2 V and"),
    ];
    for ((tenths, label), row) in bands.iter().zip(&rows) {
        assert!(
            row["voltage_label"].as_str().unwrap().starts_with(label),
            "{row}"
        );
        let (y, n) = counts[tenths];
        assert_eq!(
            (row["y"].as_u64(), row["n"].as_u64()),
            (Some(y), Some(n)),
            "{label}"
        );
    }
    let lead = cases.iter().filter(|case| case.chemistry != "lifepo4");
    let heat = lead
        .clone()
        .filter(|case| case.outcome == Some("stopped_admin"))
        .count();
    assert_eq!(table[0]["table"]["totals"]["all"]["unlabelled"], heat);
    assert_eq!(
        table[0]["table"]["totals"]["all"]["presented"],
        lead.count()
    );
    let (_, gel) = run.lines(&["table", "--json", "--chemistry", "lifepo4"]);
    assert!(gel[0]["table"]["totals"]["all"]["n"].as_u64().unwrap() > 0);

    let (code, answers) = run.lines(&["ask", "--json", "--batch", &batteries]);
    assert_eq!((code, answers.len()), (0, 400));
    for (number, (answer, case)) in answers.iter().zip(&cases).enumerate() {
        assert_eq!(answer["case_id"], format!("c{number}"));
        for field in [
            "p",
            "lo90",
            "hi90",
            "n_eq",
            "p_star",
            "worth",
            "cost",
            "model_version",
            "belief_only",
        ] {
            assert!(answer.get(field).is_some(), "{field}");
        }
        if case.chemistry == "lifepo4" {
            assert_eq!(
                (&answer["answer"], &answer["p"]),
                (&Value::from("hazard_stop"), &Value::Null)
            );
        } else {
            let (y, n) = counts[&((case.volts * 10.0).round() as u64)];
            assert_eq!(
                (answer["band_recovered"].as_u64(), answer["band_n"].as_u64()),
                (Some(y), Some(n))
            );
            let (low, p, high) = (
                answer["lo90"].as_f64().unwrap(),
                answer["p"].as_f64().unwrap(),
                answer["hi90"].as_f64().unwrap(),
            );
            assert!(low <= p && p <= high, "{answer}");
            assert_eq!(answer["belief_only"], false);
        }
    }
}

#[test]
fn bad_lines_are_named_the_good_ones_kept_and_the_exit_code_says_so() {
    let run = Run::new();
    let line = |case: &str, volts: &str| {
        format!(
            "{{\"case_id\":\"{case}\",\"shop_id\":\"Kelder\",\"presented_at\":1760000000,\"segment\":\"car\",\
             \"nominal_v\":12,\"chemistry\":\"agm\",\"rest_v\":{volts},\"storage\":\"unknown\",\"tester\":\"ok\"}}\n"
        )
    };
    let text = [
        line("a", "11.9"),
        line("b", "119"),
        "{broken\n".into(),
        line("c", "12.1"),
        line("a", "12.6"),
    ];
    let batteries = run.write("batteries.jsonl", &text.concat());
    let attempts = run.write(
        "attempts.csv",
        "case_id,started_at,hours,outcome\na,1760003600,8,recovered\nghost,1760003600,8,recovered\nc,1760003600,8,splendid\n",
    );
    let early = run.run(&["import", "--batteries", &batteries]);
    assert!(String::from_utf8_lossy(&early.stderr).contains("import the shops first"));
    let shops = run.write("shops.json", r#"[{"shop_id": "Kelder"}]"#);
    let files = [
        "import",
        "--shops",
        &shops,
        "--batteries",
        &batteries,
        "--attempts",
        &attempts,
    ];
    let dry: Vec<&str> = files
        .iter()
        .copied()
        .chain(["--dry-run", "--json"])
        .collect();
    let real: Vec<&str> = files.iter().copied().chain(["--json"]).collect();
    let (code, foreseen) = run.lines(&dry);
    assert_eq!(code, 2);
    assert!(
        foreseen
            .iter()
            .any(|line| line.to_string().contains("ghost")),
        "{foreseen:?}"
    );
    let (_, empty) = run.lines(&["table", "--json"]);
    assert_eq!(
        empty[0]["table"]["totals"]["all"]["presented"], 0,
        "nothing was kept"
    );
    let (_, again) = run.lines(&dry);
    assert_eq!(
        again, foreseen,
        "a dry run leaves nothing that a second one would see"
    );
    let other = Run::new();
    let (_, came) = other.lines(&real);
    let told = |lines: &[Value]| -> Vec<Value> {
        let mut lines = lines.to_vec();
        for line in &mut lines {
            line.as_object_mut().unwrap().remove("dry_run");
        }
        lines
    };
    assert_eq!(
        told(&came),
        told(&foreseen),
        "the import answers as its dry run did"
    );
    let output = run.run(&files);
    assert_eq!(output.status.code(), Some(2));
    let told = String::from_utf8(output.stderr).unwrap();
    for part in [
        "line 2: VALUE_OUT_OF_RANGE",
        "line 3: MALFORMED_PAYLOAD",
        "line 5: EXISTS_WITH_DIFFERENT_CONTENT",
        "ghost",
        "splendid",
    ] {
        assert!(told.contains(part), "{part} is not in: {told}");
    }
    let out = String::from_utf8(output.stdout).unwrap();
    assert!(
        out.contains("2 stored") && out.contains("3 refused"),
        "{out}"
    );
    let text = String::from_utf8(run.run(&["table"]).stdout).unwrap();
    assert!(
        text.contains("of batteries these shops chose to attempt"),
        "{text}"
    );
    assert!(text.contains("1 of 1"), "{text}");
}
