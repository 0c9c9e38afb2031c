//! What a group believes before any outcome: an expert changes it, and answers follow.

use serde_json::Value;

use super::{Ask, fleet};
use crate::harness::program::Program;

fn mean(verdict: &Value) -> f64 {
    verdict["p"].as_f64().unwrap()
}

#[test]
fn an_expert_checks_uses_and_puts_back_a_prior_and_answers_follow_in_that_group_alone() {
    let program = Program::new();
    for group in ["tarn-valley", "another"] {
        program.import(group, &fleet(8, false));
    }
    let group = "tarn-valley";
    let usual = program.chance(group);
    let elsewhere = program.chance("another");
    let shown = program.run(group, &["prior", "show"]);
    assert!(
        shown.starts_with("# Prior of the recovery model") && shown.contains("version trade-1")
    );

    let own = |version: &str, intercept: &str| {
        let text = shown.replace("version trade-1", &format!("version {version}"));
        let text = text.replace(
            "fixed intercept               1.3",
            &format!("fixed intercept {intercept}"),
        );
        assert_ne!(text, shown);
        program.write(&format!("{version}.prior"), &text)
    };
    let file = own("ours-1", "-0.7");
    let checked = program.json(group, &["prior", "check", &file]);
    let differs = checked["differences"].as_array().unwrap();
    assert_eq!(differs.len(), 1, "{checked}");
    assert_eq!(differs[0]["to"], "fixed intercept -0.7 1.5");
    for example in checked["examples"].as_array().unwrap() {
        assert!(
            example["after"][0].as_f64() < example["before"][0].as_f64(),
            "{example}"
        );
    }
    assert_eq!(
        mean(&program.chance(group)).to_bits(),
        mean(&usual).to_bits(),
        "only looked at"
    );

    let using = |file: &str| {
        let reason = "fewer of them come back here than the trade says";
        program.output(group, &["prior", "use", file, "--reason", reason])
    };
    let used = using(&file);
    assert!(
        used.status.success(),
        "{}",
        String::from_utf8_lossy(&used.stderr)
    );
    let changed = program.chance(group);
    assert!(mean(&changed) < mean(&usual) - 0.05, "{changed}");
    let version = changed["model_version"].as_str().unwrap();
    assert!(version.contains("ours-1"), "{version}");
    assert_eq!(
        mean(&program.chance("another")).to_bits(),
        mean(&elsewhere).to_bits()
    );
    assert!(
        program
            .run(group, &["prior", "show"])
            .contains("version ours-1"),
        "comments and all"
    );

    // A name stands for one set of numbers.
    let other = own("ours-1", "2");
    let refused = using(&other);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("stands for other numbers already"), "{said}");
    let broken = program.write("broken.prior", &shown.replace("fixed agm ", "fixed amg "));
    let refused = using(&broken);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(
        said.contains("amg") || said.contains("agm"),
        "names what is wrong: {said}"
    );
    assert_eq!(
        mean(&program.chance(group)).to_bits(),
        mean(&changed).to_bits()
    );

    program.run(
        group,
        &["prior", "reset", "--reason", "enough outcomes by now"],
    );
    assert_eq!(
        mean(&program.chance(group)).to_bits(),
        mean(&usual).to_bits(),
        "bit for bit"
    );
    let list = program.run(group, &["prior", "list"]);
    let places = [
        "In force: trade-1",
        "ships with the program) ",
        "ours-1  by console: fewer",
    ];
    let found: Vec<usize> = places
        .iter()
        .map(|text| list.find(text).unwrap_or(usize::MAX))
        .collect();
    assert!(
        found.is_sorted() && found[2] < usize::MAX,
        "newest first: {list}"
    );
}
