//! The integrators' examples of deploy/examples, as they are shipped, against the real program.

use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

use serde_json::Value;

use crate::harness::process::{PROGRAM, Place, within};

/// Runs one with its arguments; fails with what it said.
fn run(name: &str, arguments: &[&str], token: &str) -> String {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/examples");
    let mut command = Command::new(file.join(name));
    command
        .args(arguments)
        .env("RESTVOLT_TOKEN", token)
        .env("RESTVOLT", PROGRAM)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let output = within(Duration::from_mins(1), command.spawn().unwrap());
    said(name, &output)
}

fn said(name: &str, output: &Output) -> String {
    let (out, told) = (
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    );
    assert!(output.status.success(), "{name}: {out}{told}");
    out
}

#[tokio::test(flavor = "multi_thread")]
async fn every_example_runs_as_it_is_shipped() {
    let place = Place::new();
    let mut service = place.serve();
    let device = place.charger().await;
    let [grpc, admin] = [place.grpc, place.admin].map(|address| format!("http://{address}"));
    let port = place.mqtt.port().to_string();

    let receipt = run("push_mqtt.sh", &[&device.id, &device.token, &port], "");
    let receipt: Value = serde_json::from_str(&receipt).unwrap();
    assert_eq!(receipt["watermarks"][0]["contiguous_seq"], "2", "{receipt}");

    let told = run("push_grpc.sh", &[&device.id, &grpc], &device.token);
    let told: Value = serde_json::from_str(&told).unwrap();
    let receipt = &told["receipts"][0];
    assert_eq!(receipt["status"], "RECEIPT_STATUS_STORED", "{told}");
    assert_eq!(receipt["watermark"]["contiguous_seq"], "2", "{told}");

    let told = run("push_http2.sh", &[&grpc], &device.token);
    assert!(told.to_lowercase().contains("grpc-status: 0"), "{told}");
    assert!(told.contains("0000000 00 00 00 00"), "{told}");

    let (id, token) = (device.id.as_str(), device.token.as_str());
    let told = run("charger.py", &[id, token, "1234", "127.0.0.1", &port], "");
    assert!(told.starts_with("1234 samples of boot"), "{told}");

    let told = run("health.sh", &[&admin], "");
    let stored = told
        .lines()
        .find(|line| line.contains("result=\"stored\""))
        .unwrap();
    // 2 over MQTT, 2 over gRPC, 1 byte by byte, 1,234 of the charger.
    assert!(stored.ends_with(" 1239"), "{told}");

    // It goes on where the service comes back, and a wrong login is told at once.
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy/examples/charger.py");
    service.stop(&place);
    let mut waiting = Command::new(&file);
    waiting
        .args([id, token, "300", "127.0.0.1", &port])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    let waiting = waiting.spawn().unwrap();
    std::thread::sleep(Duration::from_millis(500));
    service = place.serve();
    let told = said("charger.py", &within(Duration::from_mins(1), waiting));
    assert!(told.starts_with("300 samples"), "{told}");
    let mut wrong = Command::new(&file);
    wrong
        .args([id, "rvt_d_wrong", "60", "127.0.0.1", &port])
        .stderr(Stdio::piped());
    let output = within(Duration::from_mins(1), wrong.spawn().unwrap());
    assert_eq!(output.status.code(), Some(1));
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(told.contains("check ID and TOKEN"), "{told}");
    drop(service);
}

#[tokio::test(flavor = "multi_thread")]
async fn any_method_is_called_from_a_shell() {
    let place = Place::new();
    let _service = place.serve();
    let device = place.charger().await;
    let server = format!("http://{}", place.grpc);
    let made = place.run(&["--json", "token", "create", "me", "--scope", "operator"]);
    let made: Value = serde_json::from_slice(&made.stdout).unwrap();
    let token = made["secret"].as_str().unwrap().to_owned();
    let call = |arguments: &[&str], token: &str| {
        let mut command = place.command(&["call", "--server", &server]);
        command
            .args(arguments)
            .env("RESTVOLT_TOKEN", token)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        within(Duration::from_mins(1), command.spawn().unwrap())
    };
    let listed = said("call --list", &call(&["--list"], ""));
    let stream = "TelemetryService/Stream                stream of StreamRequest -> stream of StreamResponse";
    assert!(listed.contains(stream), "{listed}");
    let devices = said("ListDevices", &call(&["ListDevices"], &token));
    assert!(devices.contains(&device.id), "{devices}");
    let refused = call(&["CreateShop", "{\"name\": \"Vell\"}"], &device.token);
    assert_eq!(refused.status.code(), Some(1));
    let told = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(told.contains("PermissionDenied"), "{told}");
    let wrong = call(&["Explode"], &token);
    assert_eq!(wrong.status.code(), Some(64));
    let wrong = call(&["ListDevices", "{\"page\": 3}"], &token);
    let told = String::from_utf8_lossy(&wrong.stderr).into_owned();
    assert!(
        told.contains("no ListDevicesRequest") && told.contains("page"),
        "{told}"
    );
    let none = call(&["ListDevices"], "");
    let told = String::from_utf8_lossy(&none.stderr).into_owned();
    assert!(told.contains("RESTVOLT_TOKEN"), "{told}");
}

#[test]
fn the_program_tells_its_version_and_writes_its_manual() {
    let place = Place::new();
    let told = said("--version", &place.run(&["--version"]));
    let newest = std::fs::read_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations"))
        .unwrap()
        .flatten()
        .filter_map(|file| {
            let name = file.file_name().to_string_lossy().into_owned();
            name.split('_').next()?.parse::<i64>().ok()
        })
        .max()
        .unwrap();
    let expected = format!("restvolt {} (", env!("CARGO_PKG_VERSION"));
    assert!(told.starts_with(&expected), "{told}");
    assert!(
        told.trim_end().ends_with(&format!("schema {newest}")),
        "{told}"
    );
    let folder = place.folder.join("man1");
    let pages = said(
        "man",
        &place.run(&["man", "--folder", folder.to_str().unwrap()]),
    );
    assert!(pages.lines().count() >= 20, "{pages}");
    for (page, words) in [
        (
            "restvolt.1",
            "Which batteries are worth a charger overnight",
        ),
        ("restvolt-quarantine-replay.1", "quarantine"),
        ("restvolt-soak.1", "ledger"),
    ] {
        let text = std::fs::read_to_string(folder.join(page)).unwrap();
        assert!(
            text.starts_with(".ie") && text.contains(words),
            "{page}: {text}"
        );
    }
    let one = said("man", &place.run(&["man"]));
    assert!(one.contains(".SH SYNOPSIS"), "{one}");
}
