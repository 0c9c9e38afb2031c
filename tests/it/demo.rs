//! The demo, as a newcomer runs it: twice, and nothing is left running.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::harness::fresh_number;

/// Processes that have the folder in their command line or work in it, this one apart.
fn left_running(folder: &Path) -> Vec<String> {
    let name = folder.display().to_string();
    let processes = fs::read_dir("/proc").unwrap().flatten();
    let told = processes.filter_map(|process| {
        let line = fs::read(process.path().join("cmdline")).ok()?;
        let place = fs::read_link(process.path().join("cwd")).unwrap_or_default();
        let line = String::from_utf8_lossy(&line).replace('\0', " ");
        (line.contains(&name) || place.starts_with(folder)).then_some(line)
    });
    told.collect()
}

fn restvolt(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_restvolt"));
    command.args(arguments).output().unwrap()
}

#[test]
fn it_shows_a_season_a_night_and_four_verdicts_twice_and_leaves_nothing_running() {
    let folder = std::env::temp_dir().join(format!("restvolt-demo-it-{}", fresh_number()));
    let place = folder.display().to_string();
    let config = folder.join("restvolt.toml").display().to_string();
    for _ in 0..2 {
        let output = restvolt(&["demo", "--folder", &place, "--benches", "4"]);
        let (text, told) = (
            String::from_utf8_lossy(&output.stdout).into_owned(),
            String::from_utf8_lossy(&output.stderr).into_owned(),
        );
        assert!(output.status.success(), "{told}");
        assert!(told.contains("[6/6"), "{told}");
        let kept = told
            .lines()
            .filter(|line| line.contains("samples kept over"));
        let doors: Vec<bool> = kept
            .inspect(|line| assert!(line.ends_with("refused 0"), "{line}"))
            .map(|line| line.contains("over MQTT"))
            .collect();
        assert_eq!(doors.len(), 4);
        assert_eq!(doors.iter().filter(|mqtt| **mqtt).count(), 3);
        for (name, outcome) in [
            ("Kelder bench 1", "recovered, provisional"),
            ("Ostrow bench 2", "recovered, provisional"),
            ("Brack bench 3", "not recovered, provisional"),
            ("Vell bench 4", "not recovered, provisional"),
        ] {
            let line = text.lines().find(|line| line.starts_with(name)).unwrap();
            assert!(line.ends_with(outcome), "{line}");
        }
        let answers = [
            "\nATTEMPT",
            "\nDO NOT ATTEMPT",
            "\nHAZARD STOP",
            "\nMEASURE FIRST",
            "rate for one mix",
            "Stop advice ",
            "of batteries these shops chose",
        ];
        for answer in answers {
            assert!(text.contains(answer), "{answer}: {text}");
        }
        assert_eq!(text.matches("\nCautions").count(), 5);
        assert_eq!(left_running(&folder), Vec::<String>::new());
        // What it says to ask next works as it stands, without an installed program.
        let next = text
            .lines()
            .find(|line| line.ends_with("table --shop Kelder"));
        let mut next = next.unwrap().split_whitespace();
        let asked = Command::new(next.next().unwrap()).args(next).output();
        assert!(asked.unwrap().status.success());
        // The data is there to be asked: the season's attempts and those of the night.
        let table = restvolt(&["--config", &config, "--json", "table"]);
        let table: serde_json::Value = serde_json::from_slice(&table.stdout).unwrap();
        let season = fs::read_to_string(folder.join("attempts.jsonl")).unwrap();
        let told = text.split("chose to attempt: ").nth(1).unwrap();
        let counted: Vec<usize> = told
            .split([' ', ','])
            .filter_map(|word| word.parse().ok())
            .take(2)
            .collect();
        assert_eq!(counted[1], season.lines().count() + 4);
        assert!(table["cut_off"].is_string(), "{table}");
        assert_eq!(left_running(&folder), Vec::<String>::new());
    }
    let other = restvolt(&["demo", "--folder", env!("CARGO_MANIFEST_DIR")]);
    assert_eq!(other.status.code(), Some(1));
    let told = String::from_utf8_lossy(&other.stderr).into_owned();
    assert!(told.contains("not the demo's"), "{told}");
    fs::remove_dir_all(&folder).unwrap();
}
