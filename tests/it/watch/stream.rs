//! Runs as they go over gRPC, and what is read of them afterwards.

use std::collections::BTreeMap;
use std::process::Command;

use chrono::TimeDelta;
use restvolt::alarm::text::STANDING_SHORT;
use restvolt::edge::pb;
use restvolt::edge::pb::watch_service_client::WatchServiceClient;
use restvolt::edge::wire::timestamp;
use restvolt::simulation::Case;
use restvolt::watch::nobody;
use tonic::Code;
use tonic::transport::Channel;

use super::{EVERY_S, Scene, charged};
use crate::harness::bench::Bench;
use crate::harness::{Stack, with};

fn client(stack: &Stack) -> WatchServiceClient<Channel> {
    WatchServiceClient::new(stack.channel.clone()).max_decoding_message_size(16 << 20)
}

/// What a reader collected: times by session, the last state, the last token.
#[derive(Default)]
struct Seen {
    times: BTreeMap<String, Vec<i64>>,
    state: Option<pb::RunState>,
    findings: Vec<pb::Finding>,
    token: String,
    standing: String,
}

impl Seen {
    fn take(&mut self, answer: pb::WatchRunResponse) {
        let update = answer.update.unwrap();
        for of in update.samples {
            let times = self.times.entry(of.session_id).or_default();
            times.extend(of.samples.iter().map(|sample| sample.time_milliseconds));
        }
        self.state = update.state.or(self.state.take());
        self.findings.extend(update.findings);
        self.token = update.resume_token;
        self.standing.push_str(&answer.standing);
    }
}

#[tokio::test]
async fn a_run_is_followed_over_a_broken_stream_without_a_hole_or_a_repetition() {
    let charge = charged(Case::ShortedCell, 1, 2);
    let mut scene = Scene::new().await;
    let mut watch = scene.watch(nobody());
    let half = charge.charger.len() / 2;
    for part in 0..half {
        scene.send(&charge, part).await;
        if part == 0 {
            scene.claim(&charge).await;
        }
        watch.look().await.unwrap();
    }
    let token = scene.stack.token(pb::Scope::Analyst, "").await;
    let mut service = client(&scene.stack);
    let ask = |resume_token: String| pb::WatchRunRequest {
        session_id: scene.session.unwrap().to_string(),
        resume_token,
    };
    let mut seen = Seen::default();
    let stream = service.watch_run(with(&token, ask(String::new()))).await;
    let mut stream = stream.unwrap().into_inner();
    seen.take(stream.message().await.unwrap().unwrap());
    drop(stream);
    let state = seen.state.clone().unwrap();
    assert!(!state.whole_run && !state.attempt_id.is_empty());
    assert_eq!(state.stage, pb::Stage::Bulk as i32);
    assert_eq!(seen.standing, STANDING_SHORT);
    let kinds: Vec<i32> = seen.findings.iter().map(|one| one.kind).collect();
    assert_eq!(kinds, [pb::FindingKind::ShortedCell as i32]);

    for part in half..charge.charger.len() {
        scene.send(&charge, part).await;
        watch.look().await.unwrap();
    }
    scene.end(&charge).await;
    watch.look().await.unwrap();
    let ask = pb::WatchRunRequest {
        session_id: scene.session.unwrap().to_string(),
        resume_token: seen.token.clone(),
    };
    let stream = service.watch_run(with(&token, ask)).await;
    let mut stream = stream.unwrap().into_inner();
    while let Some(answer) = stream.message().await.unwrap() {
        seen.take(answer);
    }
    assert!(
        seen.state.unwrap().whole_run,
        "the stream ends with the summary"
    );
    assert_eq!(seen.times.len(), 2, "charger and sensor");
    for (session, times) in &seen.times {
        let steps = times.windows(2).map(|pair| pair[1] - pair[0]);
        assert!(
            steps.clone().all(|step| step == 1_000 * EVERY_S),
            "{session}"
        );
        assert_eq!(times.len(), 720, "{session}");
    }
    let bad = pb::WatchRunRequest {
        session_id: scene.session.unwrap().to_string(),
        resume_token: "yesterday".into(),
    };
    let refused = service.watch_run(with(&token, bad)).await.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    scene.stack.finish().await;
}

#[tokio::test]
async fn reports_findings_and_retests_are_read_by_those_who_may() {
    let charge = charged(Case::ShortedCell, 1, 2);
    let mut scene = Scene::new().await;
    let mut watch = scene.watch(nobody());
    let mut service = client(&scene.stack);
    let mut attempt = String::new();
    for part in 0..charge.charger.len() {
        scene.send(&charge, part).await;
        if part == 0 {
            attempt = scene.claim(&charge).await;
        }
        watch.look().await.unwrap();
    }
    let token = scene
        .stack
        .token(pb::Scope::Bench, &scene.stack.shop_id)
        .await;
    let ask = pb::WatchAttemptRequest {
        attempt_id: attempt.clone(),
        resume_token: String::new(),
    };
    let stream = service.watch_attempt(with(&token, ask)).await.unwrap();
    let first = stream.into_inner().message().await.unwrap().unwrap();
    assert_eq!(first.update.unwrap().state.unwrap().attempt_id, attempt);
    // The chance so far comes from the trace itself, while it runs.
    let running = first.running.unwrap();
    let hours: Vec<f64> = running
        .checkpoints
        .iter()
        .map(|at| at.checkpoint_hours)
        .collect();
    assert!(hours.starts_with(&[0.25, 0.5, 1.0]), "{hours:?}");
    for at in &running.checkpoints {
        assert!(at.belief_only && at.chance_ratio > 0.0 && at.chance_ratio < 1.0);
    }
    scene.end(&charge).await;
    watch.look().await.unwrap();

    let ask = pb::GetRunReportRequest {
        session_id: scene.session.unwrap().to_string(),
    };
    let report = service.get_run_report(with(&token, ask.clone())).await;
    let report = report.unwrap().into_inner();
    let state = report.state.unwrap();
    assert!(state.whole_run && report.standing == STANDING_SHORT);
    let net = state.charge_ampere_hours.unwrap();
    let bounds = (
        state.charge_low_ampere_hours.unwrap(),
        state.charge_high_ampere_hours.unwrap(),
    );
    assert!(
        bounds.0 - 1e-9 <= net && net <= bounds.1 + 1e-9,
        "{net} {bounds:?}"
    );
    let device = service
        .get_run_report(with(&scene.charger.token, ask))
        .await
        .unwrap_err();
    assert_eq!(device.code(), Code::PermissionDenied);

    let ask = pb::ListFindingsRequest {
        present_only: true,
        page_size: 1,
        ..Default::default()
    };
    let page = service.list_findings(with(&token, ask)).await;
    let page = page.unwrap().into_inner();
    assert_eq!(page.findings[0].kind, pb::FindingKind::ShortedCell as i32);
    assert!(page.next_page_token.is_empty() && page.findings[0].evidence.contains(" V"));

    retests(&mut scene, &mut service, &token, &attempt).await;
    stored_report(&scene).await;
    scene.stack.finish().await;
}

/// 30 min, 24 h and 72 h after the end, until a reading with that rest is there.
async fn retests(
    scene: &mut Scene,
    service: &mut WatchServiceClient<Channel>,
    token: &str,
    attempt: &str,
) {
    let mut bench = Bench::new(&scene.stack).await;
    let ended_at = scene.stack.clock.now();
    let end = pb::EndAttemptRequest {
        attempt_id: attempt.to_owned(),
        end_reason: pb::EndReason::Completed as i32,
        end_time: Some(timestamp(ended_at)),
    };
    bench
        .service
        .end_attempt(with(&bench.token, end))
        .await
        .unwrap();
    let mut due = async |hours: f64| -> Vec<f64> {
        let until = ended_at + TimeDelta::seconds((3_600.0 * hours) as i64);
        let ask = pb::ListDueRetestsRequest {
            until_time: Some(timestamp(until)),
            ..Default::default()
        };
        let found = service.list_due_retests(with(token, ask)).await.unwrap();
        let found = found.into_inner().retests;
        found.iter().map(|one| one.rested_minutes).collect()
    };
    assert_eq!(due(0.4).await, [0.0; 0]);
    assert_eq!(due(0.6).await, [30.0]);
    assert_eq!(due(25.0).await, [1440.0], "half an hour is long over");
    scene.stack.clock.advance(TimeDelta::hours(26));
    let at = scene.stack.clock.now();
    let kind = pb::ReadingKind::OpenCircuitVoltage;
    bench.read(attempt, kind, (12.8, 26.0 * 60.0), at).await;
    assert_eq!(due(27.0).await, [0.0; 0]);
    assert_eq!(due(73.0).await, [4320.0]);
}

/// `restvolt report --latest` prints what is stored.
async fn stored_report(scene: &Scene) {
    let group: String = scene
        .stack
        .sql("select name from rv.shop_group limit 1")
        .await;
    let mut command = Command::new(env!("CARGO_BIN_EXE_restvolt"));
    command
        .args(["--group", &group, "report", "--latest"])
        .env("DATABASE_URL", &scene.stack.url)
        .env("RESTVOLT_DATABASE__DURABLE", "false");
    let output = tokio::task::spawn_blocking(move || command.output());
    let output = output.await.unwrap().unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{error}");
    for part in [
        "shorted cell (present",
        "Ah net",
        "at 60 min",
        "Voltage (V)",
        "By worth            at 0.25 h: chance so far",
        "Belief:",
        STANDING_SHORT,
    ] {
        assert!(text.contains(part), "{part}\n{text}");
    }
}

/// The offline command on files: plain text, and millivolts that are set right and told.
#[tokio::test]
async fn files_are_analyzed_without_a_service() {
    let charge = charged(Case::ShortedCell, 1, 3);
    let folder = std::env::temp_dir().join(format!("restvolt-analyse-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let mut files = Vec::new();
    for (name, scale) in [("volts", 1_000.0), ("millivolts", 1.0)] {
        let mut text = "src,t_ms,v,i,t_case,t_centre,t_ambient,event\n".to_owned();
        for (charger, sensor) in charge.charger.iter().zip(&charge.sensor) {
            let rows = charger
                .voltage_millivolts
                .iter()
                .zip(&charger.current_milliamperes);
            let rows = rows.zip(&sensor.case_centidegrees_celsius);
            for (n, ((mv, ma), case)) in (0i64..).zip(rows) {
                let at = charger.start_milliseconds + 1_000 * EVERY_S * n;
                let (v, i) = (f64::from(*mv) / scale, f64::from(*ma) / 1_000.0);
                let case = f64::from(*case) / 100.0;
                text.push_str(&format!("c,{at},{v},{i},,,,\nt,{at},,,{case},,,\n"));
            }
        }
        let file = folder.join(format!("{name}.csv"));
        std::fs::write(&file, text).unwrap();
        files.push(file);
    }
    let rated = charge.setup.rated_ah.to_string();
    let rest = charge.setup.start_v.to_string();
    let said = |json: bool, file: &std::path::Path| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_restvolt"));
        command.args(json.then_some("--json"));
        command.args(["analyse", "--chemistry", "agm", "--nominal-volts", "12"]);
        let output = command
            .args(["--rated-ah", &rated, "--rest-volts", &rest])
            .arg(file)
            .output()
            .unwrap();
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        String::from_utf8(output.stdout).unwrap()
    };
    for (file, corrected) in files.iter().zip([false, true]) {
        let text = said(false, file);
        assert!(text.contains("shorted cell (present"), "{text}");
        assert_eq!(
            text.contains("sent millivolts as volts"),
            corrected,
            "{text}"
        );
        assert!(
            text.contains(STANDING_SHORT) && text.contains("Cautions"),
            "{text}"
        );
        let json: serde_json::Value = serde_json::from_str(&said(true, file)).unwrap();
        assert_eq!(json["report"]["findings"][0]["kind"], "shorted_cell");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}
