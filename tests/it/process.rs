//! The real program with its private database: started, asked, killed, started again.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Child, Output, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use restvolt::edge::encoding::Encoding;
use restvolt::edge::pb;
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions as _, Connection as _};

use crate::harness::device::{reason, run, status};
use crate::harness::fresh_number;
use crate::harness::mqtt::{Client, VERSIONS};
use crate::harness::process::{Place, Service, sent, until, within};
use crate::mqtt::expected;

fn token_of(log: &str) -> Vec<String> {
    log.lines()
        .filter_map(|line| {
            line.trim()
                .strip_prefix("rvt_o_")
                .map(|rest| format!("rvt_o_{rest}"))
        })
        .collect()
}

/// Ends a replay and compares, with a client of its own, what is kept with what was sent.
async fn succeeded(place: &Place, token: &str, replay: Child, samples: i64) {
    let output = within(Duration::from_mins(2), replay);
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(output.status.success(), "{error}{}", place.log());
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let count = |name: &str| told[name].as_i64().unwrap();
    assert_eq!(told["read_back_equal"], true, "{told}");
    assert_eq!((count("sent"), count("refused")), (samples, 0), "{told}");
    assert_eq!(count("stored") + count("duplicate"), samples, "{told}");
    let kept = place.kept(token, told["device_id"].as_str().unwrap()).await;
    let expected = sent(samples);
    let lost = expected
        .keys()
        .filter(|seq| !kept.contains_key(seq))
        .count();
    let twice = kept.values().filter(|held| held.len() > 1).count();
    eprintln!(
        "sent {samples}, told stored {}, told held already {}, kept {}, lost {lost}, twice {twice}",
        count("stored"),
        count("duplicate"),
        kept.len()
    );
    assert_eq!((lost, twice), (0, 0));
    assert!(kept == expected, "what is kept is not what was sent");
}

/// Kills the service; its database must follow it within 3 s.
fn kill_whole(place: &Place, mut service: Service) {
    let postmaster = place.postmaster();
    service.signal(Signal::SIGKILL);
    service.child.wait().unwrap();
    let gone = || {
        kill(postmaster, None).is_err() || fs::read_link(format!("/proc/{postmaster}/exe")).is_err()
    };
    let limit = Duration::from_secs(3);
    until(
        "the private database ends with its owner",
        limit,
        gone,
        &String::new,
    );
}

/// Sum of the series of the metrics page whose line begins so.
fn sum(place: &Place, beginning: &str) -> i64 {
    let page = place.page("/metrics").unwrap();
    let lines = page.lines().filter(|line| line.starts_with(beginning));
    let values = lines.map(|line| line.rsplit(' ').next().unwrap().parse::<f64>().unwrap());
    values.sum::<f64>().round() as i64
}

#[tokio::test(flavor = "multi_thread")]
async fn killed_again_and_again_while_a_charger_sends_it_keeps_every_sample_once() {
    let place = Place::new();
    let mut service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let samples = 30_000;
    let trace = place.trace(samples);
    // Twenty seconds of load each; where the service comes up slowly, another charger goes on.
    let mut replays = Vec::new();
    let mut kills = 0;
    while kills < 5 {
        let sending = |replay: &mut Child| replay.try_wait().unwrap().is_none();
        if !replays.last_mut().is_some_and(sending) {
            assert!(replays.len() < 10, "a charger's load ends too soon");
            replays.push(place.replay(&trace, &token, "1500"));
        }
        let pause = 300 + u64::try_from(fresh_number() % 1_200).unwrap();
        std::thread::sleep(Duration::from_millis(pause));
        if replays.last_mut().is_some_and(sending) {
            eprintln!("killed {pause} ms after it was ready");
            kill_whole(&place, service);
            service = place.serve();
            kills += 1;
        }
    }
    let _service = service;
    for replay in replays {
        succeeded(&place, &token, replay, samples).await;
    }
    assert_eq!(
        token_of(&place.log()).len(),
        1,
        "the first token is printed once"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_mqtt_acknowledged_is_there_after_a_kill_at_that_moment_and_is_not_sent_again() {
    let place = Place::new();
    let mut service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let device = place.charger().await;
    let mut to = 0;
    for version in VERSIONS.into_iter().cycle().take(4) {
        let mut client = Client::of(place.mqtt.port(), version, &device).await;
        let until = to + 60 * (1 + i64::try_from(fresh_number() % 40).unwrap());
        while to < until {
            let batch = run(to + 1, to + 60);
            client
                .push(&device, batch, Encoding::Protobuf)
                .await
                .unwrap();
            to += 60;
        }
        kill_whole(&place, service);
        service = place.serve();
        let kept = place.kept(&token, &device.id).await;
        let found: Vec<(i64, i32)> = kept.iter().map(|(seq, held)| (*seq, held[0].1)).collect();
        assert_eq!(found, expected(to));
        assert!(kept.values().all(|held| held.len() == 1));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn told_to_stop_under_load_it_ends_well_and_loses_nothing() {
    let place = Place::new();
    let service = place.serve();
    let token = token_of(&place.log()).remove(0);
    // Longer than the time a stop leaves to requests in hand: the stream is cut, not drained.
    let samples = 40_000;
    let mut replay = place.replay(&place.trace(samples), &token, "2400");
    let flowing = || sum(&place, "restvolt_ingest_samples_total{") > 0;
    let limit = Duration::from_secs(20);
    until("the load flows", limit, flowing, &|| place.log());
    std::thread::sleep(Duration::from_millis(500));
    assert!(replay.try_wait().unwrap().is_none());
    service.stop(&place);
    let _service = place.serve();
    succeeded(&place, &token, replay, samples).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn its_database_is_killed_under_load_and_it_recovers_by_itself() {
    let place = Place::new();
    let _service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let samples = 12_000;
    let replay = place.replay(&place.trace(samples), &token, "2400");
    std::thread::sleep(Duration::from_millis(1_500));
    let postmaster = place.postmaster();
    let began = Instant::now();
    kill(postmaster, Signal::SIGKILL).unwrap();
    let back = || {
        fs::read_to_string(place.folder.join("data/database/postmaster.pid"))
            .is_ok_and(|file| file.lines().next() != Some(postmaster.to_string().as_str()))
    };
    let limit = Duration::from_secs(30);
    until("the database is started again", limit, back, &|| {
        place.log()
    });
    place.wait_ready();
    assert!(began.elapsed() < Duration::from_secs(30));
    assert_ne!(place.postmaster(), postmaster);
    succeeded(&place, &token, replay, samples).await;
    let received = sum(&place, "restvolt_ingest_samples_received_total");
    assert!(received >= samples);
    assert_eq!(received, sum(&place, "restvolt_ingest_samples_total{"));
}

/// received = stored + duplicate + quarantined, each of them known beforehand.
#[tokio::test(flavor = "multi_thread")]
async fn every_received_sample_is_counted_under_one_result() {
    let place = Place::new();
    let _service = place.serve();
    let mut device = place.charger().await;
    let mut suspect = run(91, 150);
    for millivolts in &mut suspect.voltage_millivolts {
        *millivolts *= 1000;
    }
    for (batch, (stored, duplicate)) in [
        (run(1, 60), (60, 0)),
        (run(1, 60), (0, 60)),
        (run(31, 90), (30, 30)),
    ] {
        let receipt = device.push(batch).await;
        assert_eq!(
            (receipt.stored_count, receipt.duplicate_count),
            (stored, duplicate)
        );
    }
    let refused = device.push(suspect).await;
    assert_eq!(status(&refused), pb::ReceiptStatus::Quarantined);
    assert_eq!(reason(&refused), "UNIT_SUSPECT");
    let of = |result: &str| {
        sum(
            &place,
            &format!("restvolt_ingest_samples_total{{result=\"{result}\"}}"),
        )
    };
    assert_eq!(sum(&place, "restvolt_ingest_samples_received_total"), 240);
    assert_eq!(
        [of("stored"), of("duplicate"), of("quarantined")],
        [90, 90, 60]
    );
}

/// Who is connected to the private database, seen by its superuser.
async fn logins(place: &Place) -> Vec<String> {
    let (socket, port) = place.socket();
    let mut conn = PgConnectOptions::new_without_pgpass()
        .socket(socket)
        .port(port)
        .username("postgres")
        .database("restvolt")
        .connect()
        .await
        .unwrap();
    let found = sqlx::query_scalar(
        "select distinct usename::text from pg_stat_activity
        where datname = 'restvolt' and pid <> pg_backend_pid() and backend_type = 'client backend'",
    )
    .fetch_all(&mut conn)
    .await
    .unwrap();
    conn.close().await.unwrap();
    found
}

#[tokio::test(flavor = "multi_thread")]
async fn commands_work_beside_a_running_service_and_without_one() {
    let place = Place::new();
    let text = |output: &Output| String::from_utf8_lossy(&output.stdout).into_owned();
    let first = place.run(&["token", "list"]);
    assert!(
        first.status.success(),
        "{}",
        String::from_utf8_lossy(&first.stderr)
    );
    assert_eq!(token_of(&String::from_utf8_lossy(&first.stderr)).len(), 1);
    let service = place.serve();
    assert!(
        token_of(&place.log()).is_empty(),
        "the group was made before"
    );
    let added = place.run(&["device", "add", "charger 3", "--shop", "Kelder"]);
    assert!(
        text(&added).contains("rvt_d_"),
        "{}",
        String::from_utf8_lossy(&added.stderr)
    );
    assert!(text(&place.run(&["device", "list"])).contains("charger 3"));
    let made = place.run(&[
        "token", "create", "phone", "--scope", "bench", "--shop", "Kelder",
    ]);
    assert!(text(&made).contains("rvt_b_"));
    assert_eq!(place.run(&["migrate", "--check"]).status.code(), Some(0));
    assert!(place.run(&["quarantine", "list"]).status.success());
    assert_eq!(logins(&place).await, ["rv_service"]);
    service.stop(&place);
    assert!(place.run(&["quarantine", "list"]).status.success());
    assert!(text(&place.run(&["token", "list"])).contains("phone"));
    let refused = place.run(&["ask", "--rest-volts", "99"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("VALUE_OUT_OF_RANGE"));
}

#[test]
fn wrong_usage_and_settings_exit_with_64_and_name_the_way_out() {
    let place = Place::new();
    let told = |output: &Output| String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(
        place.run(&["serve", "--lissen", "x"]).status.code(),
        Some(64)
    );
    let output = place
        .command(&["config", "check"])
        .env("RESTVOLT_INTAKE__WRITER", "3")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(64));
    assert!(
        told(&output).contains("intake.writers"),
        "{}",
        told(&output)
    );
    let open = place.run(&["serve", "--listen", "0.0.0.0:0"]);
    assert_eq!(open.status.code(), Some(64));
    assert!(told(&open).contains("tls.cert_file"));
    let empty = place.folder.join("empty");
    fs::create_dir(&empty).unwrap();
    let missing = place
        .command(&["serve"])
        .env("RESTVOLT_DATABASE__BIN_DIR", &empty)
        .output()
        .unwrap();
    assert_eq!(missing.status.code(), Some(1));
    assert!(
        told(&missing).contains("apt-get install") || told(&missing).contains("bin_dir"),
        "{}",
        told(&missing)
    );
}

/// The words of every command and subcommand, from the program's own help.
fn commands(place: &Place, words: &[String], found: &mut Vec<Vec<String>>) {
    let mut arguments: Vec<&str> = words.iter().map(String::as_str).collect();
    arguments.push("--help");
    let help = place.run(&arguments);
    assert_eq!(help.status.code(), Some(0), "{words:?}");
    let text = String::from_utf8(help.stdout).unwrap();
    let about: Vec<&str> = text
        .lines()
        .take_while(|line| !line.starts_with("Usage:"))
        .collect();
    assert!(
        about.concat().split_whitespace().count() >= 2 && text.len() > 200,
        "{words:?} --help teaches nothing: {text}"
    );
    let listed = text.lines().skip_while(|line| *line != "Commands:").skip(1);
    for line in listed.take_while(|line| line.starts_with("  ")) {
        // A deeper indent goes on with the text of the line before.
        let name = line.split_whitespace().next().unwrap_or_default();
        if line.starts_with("   ") || name == "help" {
            continue;
        }
        let mut deeper = words.to_vec();
        deeper.push(name.to_owned());
        commands(place, &deeper, found);
        found.push(deeper);
    }
}

#[test]
fn every_command_explains_itself() {
    let place = Place::new();
    let mut found = Vec::new();
    commands(&place, &[], &mut found);
    let own = |words: &[&str]| found.iter().any(|known| known == words);
    assert!(own(&["serve"]) && own(&["device", "add"]), "{found:?}");
    assert!(found.len() >= 20, "{found:?}");
}

#[test]
fn it_runs_as_a_user_without_rights() {
    if !nix::unistd::geteuid().is_root() {
        // Then every other test here runs it so already.
        return;
    }
    let nobody = nix::unistd::User::from_name("nobody").unwrap().unwrap();
    let place = Place::with_copy();
    let (uid, gid) = (nobody.uid.as_raw(), nobody.gid.as_raw());
    std::os::unix::fs::chown(&place.folder, Some(uid), Some(gid)).unwrap();
    let owner = |path: &Path| fs::metadata(path).unwrap().uid();
    let service = place.serve_with(|command| {
        command.current_dir(&place.folder).uid(uid).gid(gid);
        command.env("HOME", &place.folder);
    });
    let server = format!("/proc/{}", place.postmaster());
    assert_eq!(
        owner(Path::new(&server)),
        uid,
        "the database runs as nobody"
    );
    assert_eq!(owner(&place.folder.join("data/database")), uid);
    service.stop(&place);
    let mut ask = place.command(&["ask", "--rest-volts", "11.9", "--chemistry", "agm"]);
    ask.current_dir(&place.folder).uid(uid).gid(gid);
    ask.stdout(Stdio::piped()).stderr(Stdio::piped());
    let output = within(Duration::from_mins(1), ask.spawn().unwrap());
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success() && text.contains("Chance of recovery"),
        "{text}{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[test]
fn a_wrong_unit_waits_in_quarantine_until_it_is_declared_and_replayed() {
    let place = Place::new();
    let _service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let trace = place.folder.join("meter.csv");
    let mut text = String::from("src,t_ms,v,i,t_case,t_centre,t_ambient,event\n");
    for second in 0..180i64 {
        let at = 1_770_000_000_000 + second * 1000;
        text.push_str(&format!("m,{at},{},,,,,\n", 12_000 + second));
    }
    fs::write(&trace, text).unwrap();
    let server = format!("http://{}", place.grpc);
    let sent = place
        .command(&["replay", "--server", &server])
        .arg(&trace)
        .env("RESTVOLT_TOKEN", &token)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&sent.stdout).into_owned();
    assert_eq!(sent.status.code(), Some(2), "{told}");
    assert!(
        told.contains("refused 180") && told.contains("UNIT_SUSPECT"),
        "{told}"
    );
    let lines = |arguments: &[&str]| -> Vec<String> {
        let output = place.run(arguments);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        text.lines().map(str::to_owned).collect()
    };
    let listed = lines(&["quarantine", "list", "--reason", "UNIT_SUSPECT", "--json"]);
    assert_eq!(listed.len(), 3, "three batches of sixty");
    let item: serde_json::Value = serde_json::from_str(&listed[0]).unwrap();
    let id = item["quarantine_id"].as_str().unwrap();
    assert!(
        lines(&["quarantine", "show", id])
            .concat()
            .contains("SampleBatch")
    );
    let still = place.run(&["quarantine", "replay"]);
    assert_eq!(still.status.code(), Some(2), "nothing was mended yet");
    let device = item["device_id"].as_str().unwrap();
    assert!(
        lines(&["device", "set", device, "--unit", "v=mV"])
            .concat()
            .contains("\"mV\"")
    );
    let dry = lines(&["quarantine", "replay", "--dry-run"]).join("\n");
    assert!(dry.contains("would be done"), "{dry}");
    let done = lines(&["quarantine", "replay"]).join("\n");
    assert_eq!(done.matches("stored 60 samples").count(), 3, "{done}");
    assert!(lines(&["quarantine", "list", "--state", "open"]).is_empty());
    assert!(
        lines(&["quarantine", "replay"]).is_empty(),
        "a second time there is nothing to do"
    );
}
