//! The shipped broker configuration and `restvolt doctor`, against a real broker.

use std::collections::BTreeMap;
use std::fs;
use std::net::TcpListener;
use std::ops::Range;
use std::process::{Command, Stdio};
use std::time::Duration;

use restvolt::edge::mqtt::link::{self, Address, Event, Link, Manner, Version};
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _};

use crate::harness::broker::{Broker, set};
use crate::harness::database;
use crate::harness::process::{Place, within};

const SERVICE: (&str, &str) = ("restvolt", "word of the service");
const DEVICE: (&str, &str) = ("018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e", "word of the device");

/// One finding: (result, what was found, the fix).
type Finding = (String, String, String);

/// What the doctor says: its exit code, and each check.
struct Said {
    code: Option<i32>,
    checks: BTreeMap<String, Finding>,
}

impl Said {
    /// Checks with this result, in order of their names.
    fn with(&self, result: &str) -> Vec<&str> {
        let found = self.checks.iter().filter(|(_, said)| said.0 == result);
        found.map(|(check, _)| check.as_str()).collect()
    }
}

fn command(place: &Place, arguments: &[&str], change: impl FnOnce(&mut Command)) -> Command {
    fs::write(place.folder.join("password"), SERVICE.1).unwrap();
    let mut command = place.command(&["doctor"]);
    command
        .args(arguments)
        .env("RESTVOLT_MQTT__USERNAME", SERVICE.0)
        .env(
            "RESTVOLT_MQTT__PASSWORD_FILE",
            place.folder.join("password"),
        )
        .env("RESTVOLT_MQTT_PASSWORD", DEVICE.1)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    change(&mut command);
    command
}

/// Runs the doctor and reads what it says as JSON.
fn doctor(place: &Place, arguments: &[&str], change: impl FnOnce(&mut Command)) -> Said {
    let mut command = command(place, arguments, change);
    let output = within(
        Duration::from_mins(1),
        command.arg("--json").spawn().unwrap(),
    );
    let text = String::from_utf8(output.stdout).unwrap();
    let error = String::from_utf8_lossy(&output.stderr);
    eprintln!("{text}{error}");
    assert_eq!(error, "", "the doctor says all it has to say in its lines");
    let lines = text.lines().map(|line| {
        let said: serde_json::Value = serde_json::from_str(line).unwrap();
        let word = |key: &str| said[key].as_str().unwrap().to_owned();
        assert_eq!(word("result") == "ok", word("fix").is_empty(), "{line}");
        (word("check"), (word("result"), word("found"), word("fix")))
    });
    Said {
        code: output.status.code(),
        checks: lines.collect(),
    }
}

/// Looks at a broker, beside a database of its own that nothing has to be said of.
fn at_broker(url: &str, change: impl FnOnce(&mut Command)) -> Said {
    let database = owned();
    doctor(
        &Place::new(),
        &["--broker", url, "--device", DEVICE.0],
        |command| {
            command
                .env("DATABASE_URL", database)
                .env("RESTVOLT_DATABASE__DURABLE", "false");
            change(command);
        },
    )
}

/// A migrated database, by the URL of a login that may migrate it.
fn owned() -> String {
    let url = database::fresh();
    url.replace("rv_service@", "postgres@")
}

fn url(broker: &Broker) -> String {
    format!("mqtt://127.0.0.1:{}", broker.port)
}

/// Text without the one line that begins with `key`.
fn without(text: &str, key: &str) -> String {
    set(text, key, "")
}

/// A connection under a name, with or without a session that outlives it.
async fn connect(
    broker: &Broker,
    login: (&str, &str),
    (name, session): (&str, Duration),
) -> (Link, bool) {
    let address = Address {
        host: "127.0.0.1".into(),
        port: broker.port,
        version: Version::V5,
        client_id: name.into(),
        username: login.0.into(),
        password: login.1.into(),
        packet_bytes: 262_144,
        in_flight: 200,
        keep_alive: Duration::from_secs(14),
        session,
        tls: None,
        will: None,
    };
    let mut link = link::open(&address, 4_096);
    let present = loop {
        if let Event::Connected { session_present } = link.next().await.unwrap() {
            break session_present;
        }
    };
    (link, present)
}

#[tokio::test]
async fn a_device_cannot_take_the_session_of_the_service() {
    let hour = Duration::from_hours(1);
    for (tied, taken) in [(true, false), (false, true)] {
        let broker = Broker::start_with(&[SERVICE, DEVICE], |text| {
            // The shipped line belongs to the listener for devices, which needs a certificate.
            let line = text.lines().find(|line| line.starts_with("listener "));
            let line = line.unwrap().to_owned();
            assert!(text.contains("#use_username_as_clientid true\n"));
            set(
                &text,
                "listener",
                &format!("{line}\nuse_username_as_clientid {tied}"),
            )
        });
        let (service, _) = connect(&broker, SERVICE, ("restvolt", hour)).await;
        drop(service);
        let (_device, _) = connect(&broker, DEVICE, ("restvolt", Duration::ZERO)).await;
        let (_service, present) = connect(&broker, SERVICE, ("restvolt", hour)).await;
        assert_eq!(present, !taken, "names tied to logins: {tied}");
    }
}

/// Messages of the device, each acknowledged by the broker before the next is sent.
async fn publish(broker: &Broker, numbers: Range<u32>) {
    let (mut link, _) = connect(broker, DEVICE, (DEVICE.0, Duration::ZERO)).await;
    let how = Manner {
        assured: true,
        retained: false,
    };
    let topic = format!("restvolt/v1/{}/up/samples/json", DEVICE.0);
    for number in numbers {
        let payload = number.to_string().into_bytes();
        link.outbox().publish(&topic, payload, how).unwrap();
        while !matches!(link.next().await.unwrap(), Event::Acknowledged { .. }) {}
    }
}

/// What arrives of the device's messages until nothing comes for a second, each acknowledged.
async fn arrived(link: &mut Link) -> Vec<u32> {
    let mut found = Vec::new();
    while let Ok(event) = tokio::time::timeout(Duration::from_secs(1), link.next()).await {
        if let Event::Arrived(message) = event.unwrap() {
            link.outbox().ack(message.packet).unwrap();
            let text = String::from_utf8(message.payload.to_vec()).unwrap();
            // What the doctor writes as the device comes here too.
            found.extend(text.parse::<u32>());
        }
    }
    found
}

#[tokio::test]
async fn the_shipped_broker_keeps_what_it_acknowledged_through_a_kill_and_a_stop() {
    let mut broker = Broker::start(&[SERVICE, DEVICE]);
    let session = ("restvolt", Duration::from_hours(1));
    let (mut service, _) = connect(&broker, SERVICE, session).await;
    service.outbox().subscribe(&link::ALL_DEVICES).unwrap();
    while !matches!(service.next().await.unwrap(), Event::Subscribed { .. }) {}
    for (stopped, sent) in [(false, 0..800), (true, 800..1_600)] {
        drop(service);
        publish(&broker, sent.clone()).await;
        if !stopped {
            // What came within the second before a kill may be lost: devices send it again.
            tokio::time::sleep(Duration::from_millis(2_500)).await;
        }
        if stopped {
            broker.stop();
        } else {
            broker.kill();
        }
        broker.restart();
        let present;
        (service, present) = connect(&broker, SERVICE, session).await;
        assert!(present, "the session is gone: {}", broker.log());
        let kept = arrived(&mut service).await;
        let lost: Vec<u32> = sent.clone().filter(|n| !kept.contains(n)).collect();
        assert!(lost.is_empty(), "asked to stop: {stopped}, lost: {lost:?}");
    }
}

#[tokio::test]
async fn the_shipped_broker_and_a_private_database_pass_and_the_service_keeps_its_session() {
    let broker = Broker::start(&[SERVICE, DEVICE]);
    let session = ("restvolt", Duration::from_hours(1));
    let (mut service, _) = connect(&broker, SERVICE, session).await;
    service.outbox().subscribe(&link::ALL_DEVICES).unwrap();
    while !matches!(service.next().await.unwrap(), Event::Subscribed { .. }) {}
    drop(service);
    publish(&broker, 0..10).await;
    let place = Place::new();
    let url = url(&broker);
    for version in ["5", "3"] {
        let said = doctor(
            &place,
            &["--broker", &url, "--device", DEVICE.0],
            |command| {
                command.env("RESTVOLT_MQTT__VERSION", version);
            },
        );
        assert_eq!(said.code, Some(0));
        assert_eq!(said.with("warn"), ["broker persistence"]);
        assert_eq!(said.with("ok").len(), 13, "{:?}", said.checks);
    }
    // In words, and without a device.
    let output = command(&place, &["--broker", &url], |_| ())
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(
        text.lines()
            .all(|line| line.starts_with("ok   ") || line.starts_with("warn "))
    );
    let fix = "not checked. Fix: give --device and RESTVOLT_MQTT_PASSWORD";
    assert!(text.contains(fix), "{text}");
    let (mut service, present) = connect(&broker, SERVICE, session).await;
    assert!(present, "the doctor took the service's session");
    assert_eq!(arrived(&mut service).await, (0..10).collect::<Vec<u32>>());
}

#[tokio::test]
async fn the_usual_limit_of_the_queue_fails() {
    let broker = Broker::start_with(&[SERVICE, DEVICE], |text| {
        without(&text, "max_queued_messages")
    });
    let said = at_broker(&url(&broker), |_| ());
    assert_eq!(
        (said.code, said.with("fail")),
        (Some(2), vec!["broker queue"])
    );
    let (_, found, fix) = &said.checks["broker queue"];
    assert!(found.contains("it kept 1000"), "{found}");
    assert!(fix.contains("max_queued_messages 0"), "{fix}");
}

#[tokio::test]
async fn a_packet_size_that_is_not_ours_fails_below_and_warns_above() {
    for (bytes, version, code, check) in [
        ("100000", "5", 2, "broker packet size"),
        // It does not count the length of the packet: up to four bytes more pass.
        ("262139", "3", 2, "broker packet size"),
        ("300000", "5", 0, "broker larger packets"),
    ] {
        let broker = Broker::start_with(&[SERVICE, DEVICE], |text| {
            let line = format!("max_packet_size {bytes}");
            set(&text, "max_packet_size", &line)
        });
        let said = at_broker(&url(&broker), |command| {
            command.env("RESTVOLT_MQTT__VERSION", version);
        });
        assert_eq!(said.code, Some(code), "{bytes}, MQTT {version}");
        let (result, _, fix) = &said.checks[check];
        assert_eq!(result, if code == 2 { "fail" } else { "warn" });
        assert!(fix.contains("max_packet_size 262144"), "{fix}");
    }
}

#[tokio::test]
async fn an_access_list_that_is_too_wide_or_too_narrow_fails() {
    for (list, version, finds) in [
        (
            "topic readwrite #\npattern readwrite #\n",
            "3",
            "may write as another one",
        ),
        (
            "pattern write restvolt/v1/+/status\npattern write restvolt/v1/%u/up/#\n",
            "5",
            "status arrived",
        ),
        ("", "3", "does not arrive"),
    ] {
        let broker = Broker::start_with(&[SERVICE, DEVICE], |text| {
            let service = "user restvolt\ntopic readwrite restvolt/v1/#\n";
            let file = text.lines().find_map(|line| line.strip_prefix("acl_file "));
            fs::write(file.unwrap(), format!("{list}{service}")).unwrap();
            text
        });
        let said = at_broker(&url(&broker), |command| {
            command.env("RESTVOLT_MQTT__VERSION", version);
        });
        assert_eq!(
            (said.code, said.with("fail")),
            (Some(2), vec!["broker access list"])
        );
        let (_, found, fix) = &said.checks["broker access list"];
        assert!(found.contains(finds), "{found}");
        assert!(fix.contains("deploy/mosquitto/acl"), "{fix}");
    }
}

#[tokio::test]
async fn what_cannot_be_reached_or_entered_fails_with_its_fix() {
    let mut broker = Broker::start(&[SERVICE]);
    let said = at_broker(&url(&broker), |_| ());
    assert_eq!(said.with("fail"), ["broker access list"]);
    assert!(
        said.checks["broker access list"]
            .2
            .contains("RESTVOLT_MQTT_PASSWORD")
    );
    let said = at_broker(&url(&broker), |command| {
        command.env("RESTVOLT_MQTT__USERNAME", "stranger");
    });
    assert_eq!((said.code, said.with("fail")), (Some(2), vec!["broker"]));
    assert!(said.checks["broker"].2.contains("mqtt.username"));
    broker.kill();
    let said = at_broker(&url(&broker), |command| {
        command.env("DATABASE_URL", "postgres://nobody@127.0.0.1:1/none");
        command.env("RESTVOLT_DATABASE__DURABLE", "true");
    });
    assert_eq!(
        (said.code, said.with("fail")),
        (Some(2), vec!["broker", "database"])
    );
}

#[tokio::test]
async fn the_listener_for_devices_speaks_tls_and_is_not_for_the_doctor() {
    let signed = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let port = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let hour = Duration::from_hours(1);
    for tied in [false, true] {
        let broker = Broker::start_with(&[SERVICE, DEVICE], |text| {
            let file = text.lines().find_map(|line| line.strip_prefix("acl_file "));
            let folder = std::path::Path::new(file.unwrap()).parent().unwrap();
            let (cert, key) = (folder.join("cert.pem"), folder.join("key.pem"));
            fs::write(&cert, signed.cert.pem()).unwrap();
            fs::write(&key, signed.signing_key.serialize_pem()).unwrap();
            let mut text = set(&text, "#listener", &format!("listener {port} 127.0.0.1"));
            text = set(&text, "#certfile", &format!("certfile {}", cert.display()));
            text = set(&text, "#keyfile", &format!("keyfile {}", key.display()));
            text = set(&text, "#tls_version", "tls_version tlsv1.2");
            let names = format!("use_username_as_clientid {tied}");
            set(&text, "#use_username_as_clientid", &names)
        });
        let (service, _) = connect(&broker, SERVICE, ("restvolt", hour)).await;
        drop(service);
        let said = at_broker(&format!("mqtts://localhost:{port}"), |command| {
            command.env("RESTVOLT_MQTT__CA_FILE", broker.folder.join("cert.pem"));
        });
        if tied {
            assert_eq!((said.code, said.with("fail")), (Some(2), vec!["broker"]));
            assert!(said.checks["broker"].1.contains("use_username_as_clientid"));
        } else {
            assert_eq!((said.code, said.with("fail")), (Some(0), vec![]));
        }
        let (_service, present) = connect(&broker, SERVICE, ("restvolt", hour)).await;
        assert!(present, "the doctor ended the service's session");
    }
}

#[tokio::test]
async fn a_database_that_may_forget_fails_whoever_turned_it_off() {
    let place = Place::new();
    let service = place.serve_with(|command| {
        command.env("RESTVOLT_MQTT__LISTEN", "");
    });
    let (socket, port) = place.socket();
    let superuser = PgConnectOptions::new_without_pgpass()
        .socket(socket)
        .port(port)
        .username("postgres")
        .database("restvolt");
    let mut conn = superuser.connect().await.unwrap();
    for (statement, fails) in [
        ("select 1", vec![]),
        (
            "alter database restvolt set synchronous_commit = off",
            vec!["synchronous_commit"],
        ),
        ("alter database restvolt reset synchronous_commit", vec![]),
        (
            "alter role rv_service set synchronous_commit = off",
            vec!["synchronous_commit"],
        ),
        ("alter role rv_service reset synchronous_commit", vec![]),
        (
            "insert into _sqlx_migrations values (9001, 'later', now(), true, '', 0)",
            vec!["migrations"],
        ),
    ] {
        sqlx::raw_sql(AssertSqlSafe(statement))
            .execute(&mut conn)
            .await
            .unwrap();
        let said = doctor(&place, &[], |_| ());
        assert_eq!(said.with("fail"), fails, "{statement}");
        assert_eq!(said.code, Some(if fails.is_empty() { 0 } else { 2 }));
    }
    service.stop(&place);
}

#[tokio::test]
async fn a_database_by_url_is_checked_as_far_as_it_can_be_seen() {
    let (migrated, empty) = (owned(), database::empty());
    // The server of the tests runs without fsync, which is what a real one must not do.
    let said = doctor(&Place::new(), &[], |command| {
        command.env("DATABASE_URL", &migrated);
    });
    assert_eq!(
        (said.code, said.with("fail")),
        (Some(2), vec!["fsync", "full_page_writes"])
    );
    assert_eq!(said.with("warn"), ["disk"]);
    let said = doctor(&Place::new(), &[], |command| {
        command.env("DATABASE_URL", &empty);
    });
    assert_eq!(
        said.with("fail"),
        ["fsync", "full_page_writes", "migrations"]
    );
    assert!(said.checks["migrations"].2.contains("restvolt migrate"));
    // A login that may do nothing but serve cannot migrate.
    let said = doctor(&Place::new(), &[], |command| {
        command.env("DATABASE_URL", database::fresh());
    });
    assert_eq!(
        said.with("fail"),
        ["fsync", "full_page_writes", "migrations"]
    );
    assert_eq!(said.checks["row security"].0, "ok");
}
