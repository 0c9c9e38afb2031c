//! The service's own MQTT door.

use restvolt::clock::Clock;
use restvolt::edge::encoding::Encoding;
use restvolt::edge::mqtt::link::Version;
use restvolt::edge::mqtt::tls;
use restvolt::edge::mqtt::topic;
use restvolt::edge::pb;

use super::{batches, expected, held};
use crate::harness::device::run;
use crate::harness::mqtt::{Client, VERSIONS, id, kept, login, message};
use crate::harness::{Stack, database, noon};

pub(super) async fn stack() -> (Stack, u16) {
    let settings = [("mqtt.listen", "127.0.0.1:0")];
    let stack = Stack::start_on(database::fresh(), Clock::fixed(noon()), &settings).await;
    let port = stack.mqtt_addr.unwrap().port();
    (stack, port)
}

#[tokio::test]
async fn what_is_acknowledged_is_stored_in_both_versions_and_encodings() {
    let (stack, port) = stack().await;
    for version in VERSIONS {
        for encoding in [Encoding::Protobuf, Encoding::Json] {
            let device = stack.device(pb::DeviceKind::Charger).await;
            let mut client = Client::of(port, version, &device).await;
            client
                .subscribe(&topic::receipt(id(&device), encoding))
                .await
                .unwrap();
            for batch in batches(300) {
                client.push(&device, batch, encoding).await.unwrap();
            }
            assert_eq!(held(&stack, &device).await, expected(300));
            client.push(&device, run(241, 300), encoding).await.unwrap();
            assert_eq!(
                held(&stack, &device).await,
                expected(300),
                "again changes nothing"
            );
            client.push(&device, run(361, 420), encoding).await.unwrap();
            let receipt = client
                .receipt(encoding, |receipt| {
                    receipt
                        .watermarks
                        .iter()
                        .any(|kept| !kept.missing.is_empty())
                })
                .await;
            assert_eq!(kept(&receipt, device.boot), 300);
            let missing = &receipt.watermarks[0].missing;
            assert_eq!((missing[0].first_seq, missing[0].last_seq), (301, 360));
            assert!(receipt.server_time.is_some());
            client.push(&device, run(301, 360), encoding).await.unwrap();
            let whole = client
                .receipt(encoding, |r| kept(r, device.boot) == 420)
                .await;
            assert!(whole.watermarks[0].missing.is_empty());
            client.leave().await;
        }
    }
    stack.finish().await;
}

#[tokio::test]
async fn a_device_that_subscribes_again_is_told_what_is_kept() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let mut client = Client::of(port, Version::V5, &device).await;
    client
        .push(&device, run(1, 60), Encoding::Protobuf)
        .await
        .unwrap();
    client.leave().await;
    for encoding in [Encoding::Protobuf, Encoding::Json] {
        let mut again = Client::of(port, Version::V3, &device).await;
        again
            .subscribe(&topic::receipt(id(&device), encoding))
            .await
            .unwrap();
        let receipt = again.receipt(encoding, |_| true).await;
        assert_eq!(kept(&receipt, device.boot), 60);
        again.subscribe(topic::SERVICE_STATUS).await.unwrap();
        let status = again.next().await.unwrap();
        assert!(String::from_utf8_lossy(&status.payload).contains("\"online\":true"));
    }
    stack.finish().await;
}

#[tokio::test]
async fn a_device_writes_and_reads_its_own_topics_only() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let other = stack.device(pb::DeviceKind::Meter).await;
    let (_, payload) = message(&device, run(1, 60), Encoding::Protobuf);
    for version in VERSIONS {
        for filter in [
            "#".to_owned(),
            "restvolt/v1/+/receipt".into(),
            topic::receipt(id(&other), Encoding::Json),
            topic::samples(id(&device), Encoding::Protobuf),
            "$SYS/#".into(),
        ] {
            let mut client = Client::of(port, version, &device).await;
            assert!(client.subscribe(&filter).await.is_err(), "{filter}");
        }
        for target in [
            topic::samples(id(&other), Encoding::Protobuf),
            topic::receipt(id(&device), Encoding::Json),
            topic::SERVICE_STATUS.to_owned(),
            format!("{}/more", topic::samples(id(&device), Encoding::Protobuf)),
        ] {
            let mut client = Client::of(port, version, &device).await;
            let sent = client.publish(&target, payload.clone()).await;
            // 3.1.1 has no word for it: the connection ends, where others stay silent.
            let refused = sent.unwrap_err();
            assert_eq!(
                refused == "refused",
                version == Version::V5,
                "{target}: {refused}"
            );
            assert!(!refused.contains("within"), "{target}: {refused}");
        }
    }
    let kept: i64 = stack.sql("select count(*) from rv.segment").await;
    let quarantined: i64 = stack.sql("select count(*) from rv.quarantine").await;
    assert_eq!((kept, quarantined), (0, 0));
    stack.finish().await;
}

#[tokio::test]
async fn bad_bytes_are_kept_with_the_fix_and_block_nothing() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let mut client = Client::of(port, Version::V5, &device).await;
    let own = |encoding| topic::samples(id(&device), encoding);
    client
        .subscribe(&topic::receipt(id(&device), Encoding::Json))
        .await
        .unwrap();
    client
        .publish(&own(Encoding::Protobuf), b"\xff\xff".to_vec())
        .await
        .unwrap();
    client
        .publish(&own(Encoding::Json), b"{\"volts\": 12}".to_vec())
        .await
        .unwrap();
    let cbor = format!("restvolt/v1/{}/up/samples/cbor", device.id);
    client.publish(&cbor, b"\xa0".to_vec()).await.unwrap();
    let mut suspect = run(1, 60);
    for millivolts in &mut suspect.voltage_millivolts {
        *millivolts *= 1000;
    }
    client
        .push(&device, suspect, Encoding::Protobuf)
        .await
        .unwrap();
    let mut foreign = run(1, 60);
    foreign.device_id = uuid::Uuid::nil().to_string();
    client
        .push(&device, foreign, Encoding::Protobuf)
        .await
        .unwrap();
    client
        .push(&device, run(61, 120), Encoding::Json)
        .await
        .unwrap();
    let receipt = client
        .receipt(Encoding::Json, |r| {
            r.watermarks.iter().any(|kept| !kept.missing.is_empty())
        })
        .await;
    let mut reasons: Vec<(String, i64)> = receipt
        .refused_batches
        .iter()
        .map(|batch| (batch.rejection.clone().unwrap().reason, batch.first_seq))
        .collect();
    reasons.sort();
    let told: Vec<(&str, i64)> = reasons.iter().map(|row| (row.0.as_str(), row.1)).collect();
    let wanted = [
        ("MALFORMED_PAYLOAD", 0),
        ("SHOP_MISMATCH", 0),
        ("UNIT_SUSPECT", 1),
        ("UNSUPPORTED_CONTENT_TYPE", 0),
    ];
    assert_eq!(told, wanted);
    let found: Vec<String> = {
        let mut conn = database::superuser(&stack.url).await;
        sqlx::query_scalar("select distinct reason from rv.quarantine order by 1")
            .fetch_all(&mut conn)
            .await
            .unwrap()
    };
    assert_eq!(found, wanted.map(|row| row.0));
    assert_eq!(
        held(&stack, &device).await.len(),
        60,
        "the good batch is stored"
    );
    stack.finish().await;
}

#[tokio::test]
async fn many_in_flight_are_stored_once_each_and_acknowledged_in_order() {
    let (stack, port) = stack().await;
    for version in VERSIONS {
        let device = stack.device(pb::DeviceKind::Charger).await;
        let mut client = Client::of(port, version, &device).await;
        for batch in batches(12_000) {
            let (topic, payload) = message(&device, batch, Encoding::Protobuf);
            client.send(&topic, payload);
        }
        client.acknowledged(200).await.unwrap();
        assert_eq!(held(&stack, &device).await, expected(12_000));
    }
    stack.finish().await;
}

#[tokio::test]
async fn over_tls_the_same_holds_and_the_clear_is_refused() {
    let signed = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let number = crate::harness::fresh_number();
    let folder = std::env::temp_dir().join(format!("restvolt-mt-{number:032x}"));
    std::fs::create_dir(&folder).unwrap();
    let (cert, key) = (folder.join("cert.pem"), folder.join("key.pem"));
    std::fs::write(&cert, signed.cert.pem()).unwrap();
    std::fs::write(&key, signed.signing_key.serialize_pem()).unwrap();
    let settings = [
        ("mqtt.listen", "127.0.0.1:0"),
        ("tls.cert_file", cert.to_str().unwrap()),
        ("tls.key_file", key.to_str().unwrap()),
    ];
    let stack = Stack::start_on(database::fresh(), Clock::fixed(noon()), &settings).await;
    let port = stack.mqtt_addr.unwrap().port();
    let device = stack.device(pb::DeviceKind::Charger).await;
    for version in VERSIONS {
        let mut address = login(port, version, &device.id, &device.token);
        let clear = Client::connect(&address).await;
        assert!(clear.is_err(), "in the clear on a TLS port");
        address.host = "localhost".into();
        address.tls = Some(tls::client(Some(cert.clone())).await.unwrap());
        let mut client = Client::connect(&address).await.unwrap();
        client
            .subscribe(&topic::receipt(id(&device), Encoding::Json))
            .await
            .unwrap();
        client
            .push(&device, run(1, 60), Encoding::Json)
            .await
            .unwrap();
        client
            .receipt(Encoding::Json, |r| kept(r, device.boot) == 60)
            .await;
        client.leave().await;
        // A certificate nobody vouched for is not spoken to.
        if let Ok(other) = tls::client(None).await {
            address.tls = Some(other);
            let Err(refused) = Client::connect(&address).await else {
                panic!("spoke to a certificate nobody vouched for");
            };
            assert!(refused.contains("TLS to the broker"), "{refused}");
            assert!(refused.contains("ertificate"), "{refused}");
        }
    }
    assert_eq!(held(&stack, &device).await, expected(60));
    std::fs::remove_dir_all(&folder).unwrap();
    stack.finish().await;
}

#[tokio::test]
async fn a_refused_batch_takes_nothing_back_of_what_is_kept() {
    let (stack, port) = stack().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut client = Client::of(port, Version::V5, &device).await;
    client
        .subscribe(&topic::receipt(id(&device), Encoding::Json))
        .await
        .unwrap();
    client
        .push(&device, run(1, 60), Encoding::Json)
        .await
        .unwrap();
    client
        .receipt(Encoding::Json, |r| kept(r, device.boot) == 60)
        .await;
    let mut suspect = run(61, 120);
    for millivolts in &mut suspect.voltage_millivolts {
        *millivolts *= 1000;
    }
    client
        .push(&device, suspect.clone(), Encoding::Json)
        .await
        .unwrap();
    let told = client
        .receipt(Encoding::Json, |r| !r.refused_batches.is_empty())
        .await;
    assert_eq!(kept(&told, device.boot), 60);
    let receipt = device.push(suspect).await;
    assert_eq!(
        receipt.watermark.unwrap().contiguous_seq,
        60,
        "over gRPC too"
    );
    stack.finish().await;
}
