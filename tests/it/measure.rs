//! The figures, with a load so small that they say nothing: every line is there, and nothing is left.

use std::time::Duration;

use serde_json::Value;

use crate::harness::process::{Place, within};

#[test]
fn every_figure_is_printed_with_its_unit_and_the_folder_is_the_asker_s() {
    let place = Place::new();
    let folder = place.folder.join("figures");
    let folder = folder.to_str().unwrap();
    let parts = "sizes,ways,devices,delay,memory,answers";
    let arguments = [
        "--json", "measure", "--scale", "0.005", "--rounds", "1", "--parts", parts,
    ];
    let mut command = place.command(&[&arguments[..], &["--folder", folder]].concat());
    command
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped());
    let output = within(Duration::from_mins(2), command.spawn().unwrap());
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{told}");
    let text = String::from_utf8(output.stdout).unwrap();
    let lines: Vec<Value> = text
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let units: Vec<&str> = lines
        .iter()
        .map(|line| line["unit"].as_str().unwrap())
        .collect();
    let expected = [
        &["bytes/sample"; 3][..],
        &["samples/s"; 4],
        &["messages/s"; 3],
        &["us/sample"; 3],
        &["ms"; 3],
        &["MiB"],
        &["outcomes/s"],
        &["ms"; 2],
    ];
    assert_eq!(units, expected.concat(), "{text}");
    for line in &lines {
        assert!(line["value"].as_f64().unwrap() > 0.0, "{line}");
    }
    // A row a sample takes many times what segments take, whatever the load.
    let bytes = |index: usize| lines[index]["value"].as_f64().unwrap();
    assert!(bytes(2) > 10.0 * bytes(0), "{text}");
    let again = place.run(&["measure", "--folder", folder]);
    assert_eq!(again.status.code(), Some(1));
    let told = String::from_utf8_lossy(&again.stderr).into_owned();
    assert!(told.contains("exists already"), "{told}");
}
