//! The main job on measured field charges, from the first sample to the revised outcome.
//!
//! The charges are those of a 12 V 17 Ah VRLA battery behind Sulzer et al. 2019, J. Electrochem.
//! Soc. 166 A2363 (BSD-3-Clause, not part of this repository). They are read from the folder named
//! in `RESTVOLT_TRACES`, or from ../shared/checks/traces/real beside the project; without them the
//! test says so and the constructed charge of `whole_job_on_a_constructed_charge` stands alone.

use std::path::{Path, PathBuf};
use std::process::Command;

use chrono::TimeDelta;
use restvolt::clock::Clock;
use restvolt::edge::pb;
use restvolt::edge::pb::recovery_service_client::RecoveryServiceClient;
use restvolt::edge::wire::timestamp;

use crate::harness::bench::{Bench, class, id};
use crate::harness::{Stack, database, fresh_number, with};

pub(crate) fn traces() -> Option<PathBuf> {
    let named = std::env::var_os("RESTVOLT_TRACES").map(PathBuf::from);
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/checks/traces/real");
    named
        .into_iter()
        .chain([beside])
        .find(|folder| folder.join("truth.json").exists())
}

/// A service whose clock stands at this machine's time, where a replay can reach it.
async fn stack_now() -> Stack {
    let clock = Clock::fixed(Clock::System.now());
    Stack::start_on(database::fresh(), clock, &[]).await
}

/// Replays files with the real program; it compares what it reads back with the file.
async fn replay(stack: &Stack, files: &[PathBuf]) {
    let server = format!("http://{}", stack.grpc_addr);
    let mut command = Command::new(env!("CARGO_BIN_EXE_restvolt"));
    command
        .args([
            "replay", "--verify", "--server", &server, "--shop", "Kelder",
        ])
        .args(files);
    command.env("RESTVOLT_TOKEN", &stack.operator);
    let output = tokio::task::spawn_blocking(move || command.output())
        .await
        .unwrap()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success(),
        "{text}{}",
        String::from_utf8_lossy(&output.stderr)
    );
    assert!(
        text.contains("read back equal") && !text.contains("DIFFERENT"),
        "{text}"
    );
}

async fn sessions(stack: &Stack) -> Vec<(String, pb::Session)> {
    let ask = pb::ListDevicesRequest {
        page_size: 1000,
        ..Default::default()
    };
    let devices = stack
        .registry()
        .list_devices(with(&stack.operator, ask))
        .await
        .unwrap();
    let devices = devices.into_inner().devices;
    let ask = pb::ListSessionsRequest {
        page_size: 1000,
        ..Default::default()
    };
    let listed = stack
        .telemetry()
        .list_sessions(with(&stack.operator, ask))
        .await
        .unwrap();
    let name = |id: &str| {
        devices
            .iter()
            .find(|d| d.device_id == id)
            .unwrap()
            .name
            .clone()
    };
    listed
        .into_inner()
        .sessions
        .into_iter()
        .map(|s| (name(&s.device_id), s))
        .collect()
}

/// Everything that follows a charge: visit, verdict, attempt, claims, retests, outcome, verdict.
async fn whole_job(stack: &Stack, sessions: &[pb::Session], start_volts: f64) {
    let mut bench = Bench::new(stack).await;
    let start = sessions
        .iter()
        .filter_map(|s| s.start_time.as_ref())
        .map(|t| t.seconds)
        .min();
    let end = sessions
        .iter()
        .filter_map(|s| s.end_time.as_ref())
        .map(|t| t.seconds)
        .max();
    let at = |seconds: i64| chrono::DateTime::from_timestamp(seconds, 0).unwrap();
    let (start, end) = (at(start.unwrap()), at(end.unwrap()));
    let battery = pb::BatteryFacts {
        chemistry: pb::Chemistry::Agm as i32,
        segment: pb::Segment::Powersports as i32,
        nominal_volts: 12,
        rated_cca_amperes: Some(180.0),
        cca_standard: pb::CcaStandard::En as i32,
        rated_capacity_ampere_hours: Some(17.0),
        label: "KEL-0017".into(),
    };
    let facts = pb::VisitFacts {
        battery: Some(battery),
        rest_volts: Some(start_volts),
        months_since_full_charge: Some(2.0),
        storage: pb::Storage::RemovedIndoors as i32,
        tester: pb::TesterState::Ok as i32,
        replacement_price: Some(60.0),
        presented_time: Some(timestamp(start - TimeDelta::hours(1))),
        ..Default::default()
    };
    let visit = pb::RecordVisitRequest {
        request_id: id(),
        facts: Some(facts),
        ..Default::default()
    };
    let made = bench
        .service
        .record_visit(with(&bench.token, visit.clone()))
        .await
        .unwrap();
    let visit_id = made.into_inner().visit_id;
    let again = bench
        .service
        .record_visit(with(&bench.token, visit))
        .await
        .unwrap();
    assert_eq!(
        again.into_inner().visit_id,
        visit_id,
        "the same request again is the same visit"
    );

    let before = bench.ask(&visit_id).await;
    assert!(before.belief_only && before.band_count == 0);
    let interval = before.chance_interval.as_ref().unwrap();
    let chance = before.chance_ratio.unwrap();
    assert!(interval.lower_ratio < chance && chance < interval.upper_ratio);
    assert!(!before.cautions.is_empty() && !before.stop_rules.is_empty());

    let new = pb::StartAttemptRequest {
        request_id: id(),
        visit_id: visit_id.clone(),
        bench_id: stack.bench_id.clone(),
        purpose: pb::Purpose::PlainCharge as i32,
        method: pb::Method::CcCv as i32,
        start_time: Some(timestamp(start)),
        ..Default::default()
    };
    let started = bench
        .service
        .start_attempt(with(&bench.token, new))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(
        started.verdict_id, before.verdict_id,
        "it begins on the verdict given before"
    );
    let attempt = started.attempt_id;

    let show = pb::GetAttemptRequest {
        attempt_id: attempt.clone(),
    };
    let shown = bench
        .service
        .get_attempt(with(&bench.token, show.clone()))
        .await
        .unwrap();
    let proposed = shown.into_inner().proposed_session_ids;
    for session in sessions {
        assert!(
            proposed.contains(&session.session_id),
            "the likely match is proposed"
        );
        let claim = pb::ClaimSessionRequest {
            attempt_id: attempt.clone(),
            session_id: session.session_id.clone(),
            whole_run: false,
        };
        let first = bench
            .service
            .claim_session(with(&bench.token, claim.clone()))
            .await
            .unwrap();
        let again = bench
            .service
            .claim_session(with(&bench.token, claim))
            .await
            .unwrap();
        assert_eq!(
            again.into_inner(),
            first.into_inner(),
            "the same claim again is the same"
        );
    }

    let ended = pb::EndAttemptRequest {
        attempt_id: attempt.clone(),
        end_reason: pb::EndReason::Completed as i32,
        end_time: Some(timestamp(end)),
    };
    let outcome = bench
        .service
        .end_attempt(with(&bench.token, ended))
        .await
        .unwrap();
    let outcome = outcome.into_inner().outcome.unwrap();
    assert_eq!(class(&outcome), (pb::OutcomeClass::Undetermined, false));
    assert!(
        !outcome.due.is_empty(),
        "the retests that are due are named"
    );

    stack.clock.advance(TimeDelta::hours(24));
    let day = end + TimeDelta::hours(24);
    let ocv = pb::ReadingKind::OpenCircuitVoltage;
    let outcome = bench.read(&attempt, ocv, (12.9, 1440.0), day).await;
    assert_eq!(
        class(&outcome).0,
        pb::OutcomeClass::Undetermined,
        "a voltage alone is not enough"
    );
    assert!(
        outcome.due.iter().any(|due| due.contains("cca")),
        "{outcome:?}"
    );
    let cca = bench
        .read(&attempt, pb::ReadingKind::MeasuredCca, (171.0, 1440.0), day)
        .await;
    assert_eq!(class(&cca), (pb::OutcomeClass::Recovered, false), "{cca:?}");
    stack.clock.advance(TimeDelta::hours(48));
    let held = bench
        .read(&attempt, ocv, (12.88, 4320.0), end + TimeDelta::hours(72))
        .await;
    assert_eq!(
        class(&held),
        (pb::OutcomeClass::Recovered, true),
        "{held:?}"
    );

    let after = bench.ask(&visit_id).await;
    assert_eq!((after.band_count, after.band_recovered_count), (1, 1));
    assert!(
        after.chance_ratio.unwrap() > chance,
        "one recovery more is no worse chance"
    );
    let kept = pb::GetVerdictRequest {
        verdict_id: before.verdict_id.clone(),
    };
    let kept = bench
        .advice
        .get_verdict(with(&bench.token, kept))
        .await
        .unwrap();
    assert_eq!(
        kept.into_inner().verdict.unwrap(),
        before,
        "what was answered stays as it was"
    );

    stack.clock.advance(TimeDelta::days(40));
    let back = pb::RecordComeBackRequest {
        request_id: id(),
        attempt_id: attempt.clone(),
        come_back_time: Some(timestamp(stack.clock.now())),
        battery_at_fault: true,
    };
    let outcome = bench
        .service
        .record_come_back(with(&bench.token, back))
        .await
        .unwrap();
    let outcome = outcome.into_inner().outcome.unwrap();
    assert_eq!(class(&outcome).0, pb::OutcomeClass::NotRecovered);
    let shown = bench
        .service
        .get_attempt(with(&bench.token, show))
        .await
        .unwrap()
        .into_inner();
    let numbers: Vec<i32> = shown
        .revisions
        .iter()
        .map(|revision| revision.revision)
        .collect();
    let expected: Vec<i32> = (1..=outcome.revision).rev().collect();
    assert_eq!(numbers, expected, "every revision is kept");
    assert!(outcome.revision >= 4);
    assert_eq!(shown.claims.len(), sessions.len());

    let mut recovery = RecoveryServiceClient::new(stack.channel.clone());
    let ask = pb::QueryRecoveryTableRequest::default();
    let table = recovery
        .query_recovery_table(with(&bench.token, ask))
        .await
        .unwrap()
        .into_inner();
    assert!(
        table
            .caption
            .contains("of batteries these shops chose to attempt")
    );
    let counted: i64 = table
        .rows
        .iter()
        .filter(|row| row.months_band.starts_with("all"))
        .map(|row| row.count)
        .sum();
    assert_eq!(counted, 1, "{:?}", table.rows);
}

#[tokio::test]
async fn the_main_job_on_measured_field_charges() {
    let Some(folder) = traces() else {
        eprintln!("SKIPPED: no field charges here; set RESTVOLT_TRACES to their folder");
        return;
    };
    let stack = stack_now().await;
    let truth = std::fs::read_to_string(folder.join("truth.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&truth).unwrap();
    let charges = truth["sessions"].as_array().unwrap();
    assert_eq!(charges.len(), 7);
    let files: Vec<PathBuf> = charges
        .iter()
        .map(|charge| folder.join(format!("{}.csv.gz", charge["session"].as_str().unwrap())))
        .collect();
    replay(&stack, &files).await;
    stack.do_jobs().await;
    let found = sessions(&stack).await;
    assert_eq!(
        found.len(),
        14,
        "seven chargers and seven sensors, one session each"
    );
    for charge in charges {
        let name = charge["session"].as_str().unwrap();
        let session = &found
            .iter()
            .find(|(device, _)| *device == format!("{name} charger"))
            .unwrap()
            .1;
        assert_eq!(session.state, pb::SessionState::Closed as i32);
        assert_eq!(session.completeness_ratio, Some(1.0));
        assert_eq!(session.sample_count, charge["n"].as_i64().unwrap());
        for (ours, field) in [
            (session.charge_ampere_hours.unwrap(), "ah_trapezoid"),
            (session.energy_watt_hours.unwrap(), "wh_trapezoid"),
        ] {
            let theirs = charge[field].as_f64().unwrap();
            let error = (ours / theirs - 1.0).abs();
            assert!(error < 1e-3, "{name} {field}: {ours} against {theirs}");
        }
    }
    let segments: i64 = stack.sql("select count(*) from rv.segment").await;
    assert_eq!(segments, 14, "merged at close");
    let first = found
        .iter()
        .filter(|(device, _)| device.starts_with("real00 "));
    let first: Vec<pb::Session> = first.map(|(_, session)| session.clone()).collect();
    let start_volts = charges[0]["start_v"].as_f64().unwrap();
    whole_job(&stack, &first, start_volts).await;
    stack.finish().await;
}

#[tokio::test]
async fn the_whole_job_on_a_constructed_charge() {
    let stack = stack_now().await;
    let file = std::env::temp_dir().join(format!("restvolt-it-trace-{:032x}.csv", fresh_number()));
    let mut text = String::from("src,t_ms,v,i,t_case,t_centre,t_ambient,event\n");
    text.push_str("e,1770000000000,,,,,,bulk\n");
    for second in 0..3_600 {
        let at = 1_770_000_000_000i64 + second * 1000;
        text.push_str(&format!(
            "c,{at},{:.3},1.700,,,,\n",
            12.0 + second as f64 * 0.0004
        ));
        if second % 60 == 0 {
            text.push_str(&format!(
                "t,{},,,{:.1},,20.0,\n",
                at + 17,
                20.0 + second as f64 * 0.001
            ));
        }
    }
    std::fs::write(&file, text).unwrap();
    replay(&stack, std::slice::from_ref(&file)).await;
    std::fs::remove_file(&file).unwrap();
    stack.do_jobs().await;
    let found: Vec<pb::Session> = sessions(&stack)
        .await
        .into_iter()
        .map(|row| row.1)
        .collect();
    assert_eq!(found.len(), 2);
    let charger = found
        .iter()
        .find(|s| s.device_kind == pb::DeviceKind::Charger as i32)
        .unwrap();
    // 3,599 s at 1.7 A.
    let charge = charger.charge_ampere_hours.unwrap();
    assert!((charge - 1.7 * 3_599.0 / 3_600.0).abs() < 1e-6, "{charge}");
    let stages: i64 = stack
        .sql("select count(*) from rv.event where kind = 'stage'")
        .await;
    assert_eq!(stages, 1);
    whole_job(&stack, &found, 11.6).await;
    stack.finish().await;
}

/// Simulated charges with every fault of an instrument: repetition, disorder, gaps, a meter that
/// switches itself off, clocks that disagree, mV for V.
#[tokio::test]
async fn traces_with_faulty_instruments_go_through_the_mqtt_door_in_disorder() {
    let folder = traces().map(|real| real.join("../sim"));
    let Some(folder) = folder.filter(|folder| folder.exists()) else {
        eprintln!("SKIPPED: no simulated charges here; set RESTVOLT_TRACES beside their folder");
        return;
    };
    let clock = Clock::fixed(Clock::System.now());
    let settings = [("mqtt.listen", "127.0.0.1:0")];
    let stack = Stack::start_on(database::fresh(), clock, &settings).await;
    let door = format!("mqtt://{}", stack.mqtt_addr.unwrap());
    let server = format!("http://{}", stack.grpc_addr);
    let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "gz"))
        .collect();
    files.sort();
    // Every sixth, and the two whose meters send mV for V.
    let odd = ["s0108.csv.gz", "s0359.csv.gz"];
    let chosen = files
        .iter()
        .enumerate()
        .filter(|(index, path)| index % 6 == 0 || odd.iter().any(|name| path.ends_with(name)));
    let chosen: Vec<PathBuf> = chosen.map(|(_, path)| path.clone()).collect();
    let mut command = Command::new(env!("CARGO_BIN_EXE_restvolt"));
    command
        .args(["replay", "--verify", "--json", "--server", &server])
        .args(["--mqtt", &door, "--disorder", "7", "--declare", "v=mV"])
        .args(&chosen)
        .env("RESTVOLT_TOKEN", &stack.operator);
    let output = tokio::task::spawn_blocking(move || command.output());
    let output = output.await.unwrap().unwrap();
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{told}{error}");
    assert!(told.lines().count() >= 2 * chosen.len());
    for line in told.lines() {
        let line: serde_json::Value = serde_json::from_str(line).unwrap();
        assert_eq!(line["read_back_equal"], true, "{line}");
        assert_eq!(line["kept"], line["sent"], "{line}");
    }
    assert_eq!(error.matches("declared mV").count(), 3, "{error}");
    stack.shut().await;
}
