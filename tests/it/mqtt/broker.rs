//! Messages taken in from a real broker on the shipped configuration.

use std::time::{Duration, Instant};

use restvolt::clock::Clock;
use restvolt::edge::encoding::Encoding;
use restvolt::edge::mqtt::link::Version;
use restvolt::edge::mqtt::topic;
use restvolt::edge::pb;

use super::{batches, expected, held};
use crate::harness::broker::Broker;
use crate::harness::device::run;
use crate::harness::mqtt::{Client, VERSIONS, id, kept, login, message};
use crate::harness::{Device, Stack, database, noon};

/// Password of every device of these tests.
const PASSWORD: &str = "device";

/// Recovery after a fault, RELIABILITY I10.
const RECOVERY: Duration = Duration::from_secs(30);

fn broker() -> Broker {
    let broker = Broker::start(&[("restvolt", "service")]);
    std::fs::write(broker.folder.join("password"), "service\n").unwrap();
    broker
}

async fn stack_on(broker: &Broker, url: String, more: &[(&str, &str)]) -> Stack {
    let address = format!("mqtt://127.0.0.1:{}", broker.port);
    let password = broker.folder.join("password").display().to_string();
    let mut settings = vec![
        ("mqtt.broker", address.as_str()),
        ("mqtt.username", "restvolt"),
        ("mqtt.password_file", password.as_str()),
    ];
    settings.extend(more);
    let stack = Stack::start_on(url, Clock::fixed(noon()), &settings).await;
    subscribed(&stack).await;
    stack
}

async fn ready(stack: &Stack) -> String {
    page(stack, "/readyz").await
}

async fn page(stack: &Stack, path: &'static str) -> String {
    let address = stack.admin_addr;
    let page = tokio::task::spawn_blocking(move || {
        use std::io::{Read as _, Write as _};
        let mut stream = std::net::TcpStream::connect(address).unwrap();
        write!(
            stream,
            "GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
        )
        .unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    });
    page.await.unwrap()
}

async fn subscribed(stack: &Stack) {
    let began = Instant::now();
    while !ready(stack).await.contains("broker: ok") {
        assert!(began.elapsed() < RECOVERY, "{}", ready(stack).await);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// Waits until the service has seen that its broker is gone: what it says before is of the old connection.
async fn away(stack: &Stack) {
    let began = Instant::now();
    while !ready(stack).await.contains("broker: AWAY") {
        assert!(began.elapsed() < RECOVERY, "{}", ready(stack).await);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// A device that may log in at the broker.
async fn device(stack: &Stack, broker: &Broker) -> Device {
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    broker.add(&device.id, PASSWORD);
    device.token = PASSWORD.into();
    // The broker reads its password file at its own pace.
    for _ in 0..100 {
        if Client::connect(&login(broker.port, Version::V5, &device.id, PASSWORD))
            .await
            .is_ok()
        {
            return device;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("the broker does not know {}: {}", device.id, broker.log());
}

/// Waits until so much is held, within the time of a recovery.
async fn until_held(stack: &Stack, device: &Device, to: i64) {
    let began = Instant::now();
    loop {
        let found = held(stack, device).await;
        if found == expected(to) {
            return;
        }
        let doubled = found.windows(2).any(|pair| pair[0].0 == pair[1].0);
        assert!(!doubled, "stored twice");
        assert!(
            began.elapsed() < RECOVERY,
            "{} of {to} held after {RECOVERY:?}: {}",
            found.len(),
            ready(stack).await
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// Waits until so many samples are stored in all, within the time of a recovery.
async fn until_stored(stack: &Stack, wanted: i64) {
    let began = Instant::now();
    loop {
        let stored: i64 = stack
            .sql("select coalesce(sum(sample_count), 0)::bigint from rv.segment")
            .await;
        if stored == wanted {
            return;
        }
        assert!(
            began.elapsed() < RECOVERY,
            "{stored} {}",
            ready(stack).await
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

/// What the registry says of a device: there or gone.
async fn online(stack: &Stack, device: &Device) -> Option<bool> {
    let ask = pb::ListDevicesRequest::default();
    let listed = stack
        .registry()
        .list_devices(crate::harness::with(&stack.operator, ask))
        .await
        .unwrap();
    let mut devices = listed.into_inner().devices.into_iter();
    devices
        .find(|one| one.device_id == device.id)
        .unwrap()
        .online
}

#[tokio::test]
async fn birth_and_last_will_of_device_and_service_are_told() {
    let broker = broker();
    let stack = stack_on(&broker, database::fresh(), &[]).await;
    let device = device(&stack, &broker).await;
    let mut observer = Client::connect(&login(broker.port, Version::V5, "observer", "")).await;
    assert!(observer.is_err(), "nobody comes in without a login");
    broker.add("observer", PASSWORD);
    for _ in 0..100 {
        observer = Client::connect(&login(broker.port, Version::V5, "observer", PASSWORD)).await;
        if observer.is_ok() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let mut observer = observer.unwrap();
    observer.subscribe(topic::SERVICE_STATUS).await.unwrap();
    let said = observer.next().await.unwrap();
    assert!(String::from_utf8_lossy(&said.payload).contains("\"online\":true"));

    let status = topic::status(id(&device));
    let mut address = login(broker.port, Version::V3, &device.id, PASSWORD);
    address.will = Some((status.clone(), b"{\"online\": false}".to_vec()));
    let mut client = Client::connect(&address).await.unwrap();
    let birth = b"{\"online\": true, \"firmware\": \"1.4\"}".to_vec();
    client.retain(&status, birth).await.unwrap();
    for (wanted, gone) in [(Some(true), false), (Some(false), true)] {
        if gone {
            // No good-bye: the broker tells its last will.
            client = Client::of(broker.port, Version::V3, &device).await;
        }
        let began = Instant::now();
        while online(&stack, &device).await != wanted {
            assert!(began.elapsed() < RECOVERY);
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }
    drop(client);
    stack.finish().await;
    let said = observer.next().await.unwrap();
    assert!(String::from_utf8_lossy(&said.payload).contains("\"online\":false"));
}

#[tokio::test]
async fn what_a_device_publishes_is_stored_and_told_in_both_versions_and_encodings() {
    let broker = broker();
    for (service, version) in [("5", VERSIONS[0]), ("3", VERSIONS[1])] {
        let stack = stack_on(&broker, database::fresh(), &[("mqtt.version", service)]).await;
        for encoding in [Encoding::Protobuf, Encoding::Json] {
            let device = device(&stack, &broker).await;
            let mut client = Client::of(broker.port, version, &device).await;
            client
                .subscribe(&topic::receipt(id(&device), encoding))
                .await
                .unwrap();
            for batch in batches(300) {
                client.push(&device, batch, encoding).await.unwrap();
            }
            let receipt = client
                .receipt(encoding, |r| kept(r, device.boot) == 300)
                .await;
            assert!(receipt.refused_batches.is_empty());
            assert_eq!(held(&stack, &device).await, expected(300));
            client.push(&device, run(1, 60), encoding).await.unwrap();
            client.push(&device, run(361, 420), encoding).await.unwrap();
            let gap = client
                .receipt(encoding, |r| {
                    r.watermarks.iter().any(|kept| !kept.missing.is_empty())
                })
                .await;
            assert_eq!(gap.watermarks[0].missing[0].first_seq, 301);
            client.leave().await;
            let mut again = Client::of(broker.port, version, &device).await;
            again
                .subscribe(&topic::receipt(id(&device), encoding))
                .await
                .unwrap();
            let kept_by_broker = again.next().await.unwrap();
            assert!(
                kept_by_broker.retained,
                "a device that was away finds its receipt"
            );
        }
        stack.finish().await;
    }
}

#[tokio::test]
async fn while_the_service_is_away_the_broker_keeps_what_comes() {
    let broker = broker();
    let url = database::fresh();
    let stack = stack_on(&broker, url.clone(), &[]).await;
    let device = device(&stack, &broker).await;
    let mut client = Client::of(broker.port, Version::V5, &device).await;
    client
        .push(&device, run(1, 60), Encoding::Protobuf)
        .await
        .unwrap();
    until_held(&stack, &device, 60).await;
    stack.finish().await;
    for batch in batches(60_000).into_iter().skip(1) {
        let (topic, payload) = message(&device, batch, Encoding::Protobuf);
        client.send(&topic, payload);
    }
    client.acknowledged(1_000).await.unwrap();
    let stack = stack_on(&broker, url, &[]).await;
    until_stored(&stack, 60_000).await;
    stack.shut().await;
}

#[tokio::test]
async fn a_killed_broker_loses_nothing_and_stores_nothing_twice() {
    let mut broker = broker();
    let stack = stack_on(&broker, database::fresh(), &[]).await;
    let device = device(&stack, &broker).await;
    for (round, version) in VERSIONS.into_iter().enumerate() {
        let to = 6_000 * (i64::try_from(round).unwrap() + 1);
        let new = batches(to).split_off(100 * round);
        let mut client = Client::of(broker.port, version, &device).await;
        for batch in new.clone() {
            let (topic, payload) = message(&device, batch, Encoding::Protobuf);
            client.send(&topic, payload);
        }
        client.acknowledged(20).await.unwrap();
        broker.kill();
        away(&stack).await;
        broker.restart();
        subscribed(&stack).await;
        // No receipt, no good-bye: the device sends everything again.
        let mut client = Client::of(broker.port, Version::V5, &device).await;
        client
            .subscribe(&topic::receipt(id(&device), Encoding::Json))
            .await
            .unwrap();
        for batch in new {
            client
                .push(&device, batch, Encoding::Protobuf)
                .await
                .unwrap();
        }
        client
            .receipt(Encoding::Json, |r| kept(r, device.boot) == to)
            .await;
        until_held(&stack, &device, to).await;
    }
    stack.finish().await;
}

#[tokio::test]
async fn a_session_lost_at_the_broker_is_made_again_and_devices_are_told_what_to_resend() {
    let mut broker = broker();
    let stack = stack_on(&broker, database::fresh(), &[]).await;
    let device = device(&stack, &broker).await;
    let mut client = Client::of(broker.port, Version::V5, &device).await;
    client
        .push(&device, run(1, 60), Encoding::Json)
        .await
        .unwrap();
    until_held(&stack, &device, 60).await;
    let file = broker.folder.join("mosquitto.db");
    let began = Instant::now();
    while !file.exists() {
        assert!(began.elapsed() < RECOVERY, "{}", broker.log());
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    broker.kill();
    away(&stack).await;
    std::fs::remove_file(file).unwrap();
    broker.restart();
    subscribed(&stack).await;
    let mut client = Client::of(broker.port, Version::V5, &device).await;
    client
        .subscribe(&topic::receipt(id(&device), Encoding::Json))
        .await
        .unwrap();
    client
        .receipt(Encoding::Json, |r| kept(r, device.boot) == 60)
        .await;
    client
        .push(&device, run(61, 120), Encoding::Json)
        .await
        .unwrap();
    until_held(&stack, &device, 120).await;
    stack.finish().await;
}

#[tokio::test]
async fn while_the_database_is_away_nothing_is_acknowledged_and_it_all_comes_again() {
    let broker = broker();
    let stack = stack_on(&broker, database::fresh(), &[]).await;
    let device = device(&stack, &broker).await;
    let mut client = Client::of(broker.port, Version::V5, &device).await;
    client
        .push(&device, run(1, 60), Encoding::Protobuf)
        .await
        .unwrap();
    until_held(&stack, &device, 60).await;
    database::away(&stack.url, true).await;
    for batch in batches(6_000).into_iter().skip(1) {
        client
            .push(&device, batch, Encoding::Protobuf)
            .await
            .unwrap();
    }
    let began = Instant::now();
    while !ready(&stack).await.contains("broker: AWAY: dropped") {
        assert!(began.elapsed() < RECOVERY, "{}", ready(&stack).await);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    tokio::time::sleep(Duration::from_secs(2)).await;
    database::away(&stack.url, false).await;
    until_held(&stack, &device, 6_000).await;
    stack.finish().await;
}

#[tokio::test]
async fn a_backlog_larger_than_the_byte_bound_is_taken_in_parts() {
    let broker = broker();
    let url = database::fresh();
    let stack = stack_on(&broker, url.clone(), &[]).await;
    let device = device(&stack, &broker).await;
    stack.finish().await;
    let mut client = Client::of(broker.port, Version::V5, &device).await;
    // 10,000 batches of 6 samples: 256 bytes of account each, over a bound of 1 MiB.
    for part in 0..10_000 {
        let (topic, payload) = message(&device, run(6 * part + 1, 6 * part + 6), Encoding::Json);
        client.send(&topic, payload);
        if part % 500 == 499 {
            client
                .acknowledged(usize::try_from(part).unwrap() + 1)
                .await
                .unwrap();
        }
    }
    let stack = stack_on(&broker, url, &[("mqtt.budget_kib", "1024")]).await;
    until_stored(&stack, 60_000).await;
    let metrics = page(&stack, "/metrics").await;
    assert!(metrics.contains("restvolt_mqtt_parked_total{reason=\"over the byte bound\"}"));
    stack.shut().await;
}

#[tokio::test]
async fn what_can_never_be_taken_blocks_nobody() {
    let broker = broker();
    let stack = stack_on(&broker, database::fresh(), &[]).await;
    let device = device(&stack, &broker).await;
    let other = self::device(&stack, &broker).await;
    broker.add("018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e", PASSWORD);
    let unknown = login(
        broker.port,
        Version::V5,
        "018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e",
        PASSWORD,
    );
    for version in VERSIONS {
        let mut client = Client::of(broker.port, version, &device).await;
        let own = |encoding| topic::samples(id(&device), encoding);
        client
            .publish(&own(Encoding::Json), b"{".to_vec())
            .await
            .unwrap();
        // The refusal names the field: no character of it may reach the database as it is.
        client
            .publish(&own(Encoding::Json), br#"{"a\u0000b": 1}"#.to_vec())
            .await
            .unwrap();
        client
            .publish(&own(Encoding::Protobuf), vec![0xff; 1_000])
            .await
            .unwrap();
        client
            .publish(&topic::status(id(&device)), b"?".to_vec())
            .await
            .unwrap();
        // Kept by the broker with no key: each subscription would bring it again.
        let mut weak = run(1, 60);
        weak.first_seq = 0;
        let (topic, payload) = message(&device, weak, Encoding::Protobuf);
        client.retain(&topic, payload).await.unwrap();
        let cbor = format!("restvolt/v1/{}/up/samples/cbor", device.id);
        client.publish(&cbor, vec![0xa0]).await.unwrap();
        // Larger than any packet may be: the broker ends the connection, and nothing loops.
        let oversize = client
            .publish(&own(Encoding::Json), vec![b' '; 300_000])
            .await;
        assert!(oversize.is_err());
    }
    let began = Instant::now();
    while let Err(error) = Client::connect(&unknown).await {
        assert!(began.elapsed() < RECOVERY, "{error}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let mut stranger = Client::connect(&unknown).await.unwrap();
    let theirs = "restvolt/v1/018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e/up/samples/pb";
    stranger.publish(theirs, vec![0]).await.unwrap();
    let mut good = Client::of(broker.port, Version::V5, &other).await;
    good.push(&other, run(1, 60), Encoding::Protobuf)
        .await
        .unwrap();
    until_held(&stack, &other, 60).await;
    let reasons: Vec<(String, i64)> = {
        let mut conn = database::superuser(&stack.url).await;
        sqlx::query_as("select reason, count(*) from rv.quarantine group by 1 order by 1")
            .fetch_all(&mut conn)
            .await
            .unwrap()
    };
    assert_eq!(
        reasons,
        [
            ("MALFORMED_PAYLOAD".to_owned(), 3),
            ("UNSUPPORTED_CONTENT_TYPE".to_owned(), 1)
        ]
    );
    stack.finish().await;
}
