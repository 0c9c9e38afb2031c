//! Simulated chargers through the real program: faults of devices change nothing of what is kept.

use std::process::Command;

use restvolt::clock::Clock;
use restvolt::edge::pb;
use serde_json::Value;

use crate::harness::{Stack, database, with};

/// Runs `simulate --json --verify`; the batteries it tells of, and its devices.
async fn simulate(stack: &Stack, arguments: &[&str]) -> (Vec<Value>, Vec<Value>) {
    let server = format!("http://{}", stack.grpc_addr);
    let mut command = Command::new(env!("CARGO_BIN_EXE_restvolt"));
    command.args(["simulate", "--json", "--verify", "--server", &server]);
    command
        .args(arguments)
        .env("RESTVOLT_TOKEN", &stack.operator);
    let output = tokio::task::spawn_blocking(move || command.output());
    let output = output.await.unwrap().unwrap();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{error}");
    let lines = String::from_utf8(output.stdout).unwrap();
    let lines = lines
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap());
    lines.partition(|line| line["simulated"].is_object())
}

async fn stack() -> Stack {
    let settings = [("mqtt.listen", "127.0.0.1:0")];
    let clock = Clock::fixed(Clock::System.now());
    Stack::start_on(database::fresh(), clock, &settings).await
}

async fn sessions(stack: &Stack, device: &Value) -> Vec<pb::Session> {
    let ask = pb::ListSessionsRequest {
        device_id: device["device_id"].as_str().unwrap().to_owned(),
        page_size: 100,
        ..Default::default()
    };
    let listed = stack
        .telemetry()
        .list_sessions(with(&stack.operator, ask))
        .await;
    listed.unwrap().into_inner().sessions
}

#[tokio::test]
async fn over_either_door_everything_is_kept_whatever_the_devices_do() {
    let stack = stack().await;
    let door = format!("mqtt://{}", stack.mqtt_addr.unwrap());
    let faults = ["--disorder", "3", "--reboot", "0.6", "--no-clock"];
    let common = [
        "--chargers",
        "2",
        "--case",
        "healthy,loose_clamp",
        "--hours",
        "0.5",
    ];
    for through in [&[][..], &["--mqtt", &door][..]] {
        let arguments = [&common[..], &faults[..], through].concat();
        let (batteries, devices) = simulate(&stack, &arguments).await;
        let cases: Vec<&str> = batteries
            .iter()
            .map(|b| b["simulated"]["case"].as_str().unwrap())
            .collect();
        assert_eq!(cases, ["healthy", "loose_clamp"]);
        assert_eq!(devices.len(), 6, "a charger, a meter and a sensor each");
        for device in &devices {
            assert_eq!(
                (&device["read_back_equal"], &device["refused"]),
                (&true.into(), &0.into())
            );
            let sessions = sessions(&stack, device).await;
            assert_eq!(sessions.len(), 2, "one before the restart and one after it");
            let clocks = sessions
                .iter()
                .map(|session| session.clock_quality.as_str());
            assert!(clocks.eq(["none"; 2]), "{sessions:?}");
        }
        let charger = devices
            .iter()
            .filter(|d| d["name"].as_str().unwrap().ends_with("charger"));
        assert!(
            charger
                .clone()
                .all(|device| device["sent"] == 300 + 1_800 + 3_600)
        );
        assert_eq!(charger.count(), 2);
    }
    stack.finish().await;
}

#[tokio::test]
async fn what_was_out_of_reach_comes_later() {
    let stack = stack().await;
    let began = std::time::Instant::now();
    // 5,760 s at 1,920 a second are 3 s; out of reach from the first to the last.
    let (_, devices) = simulate(
        &stack,
        &[
            "--chargers",
            "1",
            "--hours",
            "0.516",
            "--speed",
            "1920",
            "--offline",
            "0.1-1.5",
        ],
    )
    .await;
    assert!(began.elapsed().as_secs_f64() > 2.5);
    assert_eq!(devices.len(), 3);
    assert!(
        devices
            .iter()
            .all(|device| device["read_back_equal"] == true)
    );
    stack.finish().await;
}

#[test]
fn written_files_are_traces() {
    let place = crate::harness::process::Place::new();
    let folder = place.folder.join("traces");
    let folder = folder.to_str().unwrap();
    let made = place.run(&[
        "simulate",
        "--case",
        "runaway",
        "--chargers",
        "1",
        "--hours",
        "0.1",
        "--write",
        folder,
    ]);
    assert!(
        made.status.success(),
        "{}",
        String::from_utf8_lossy(&made.stderr)
    );
    let text = String::from_utf8(made.stdout).unwrap();
    let path = text
        .lines()
        .find(|line| line.ends_with("runaway-1.csv.gz"))
        .unwrap();
    let service = place.serve();
    let server = format!("http://{}", place.grpc);
    let sent = place.run(&["replay", "--verify", "--server", &server, path]);
    let told = String::from_utf8_lossy(&sent.stdout).into_owned();
    assert!(
        sent.status.success(),
        "{told}{}",
        String::from_utf8_lossy(&sent.stderr)
    );
    assert_eq!(told.matches("read back equal").count(), 3, "{told}");
    service.stop(&place);
    for (wrong, says) in [
        ("--hours=0", "0.1 to 96 h"),
        ("--case=tired", "shorted_cell"),
        ("--offline=3-2", "FROM"),
    ] {
        let refused = place.run(&["simulate", wrong, "--speed", "1"]);
        assert_eq!(refused.status.code(), Some(64));
        assert!(
            String::from_utf8_lossy(&refused.stderr).contains(says),
            "{wrong}"
        );
    }
}
