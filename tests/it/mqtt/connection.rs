//! Connections to the service's own MQTT door: who is let in, what it is told, when it ends.

use std::time::Duration;

use restvolt::edge::encoding::Encoding;
use restvolt::edge::mqtt::link::Version;
use restvolt::edge::mqtt::topic;
use restvolt::edge::pb;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;

use super::door::stack;
use super::{expected, held};
use crate::harness::device::run;
use crate::harness::mqtt::{Client, VERSIONS, id, kept, login, message};
use crate::harness::{Device, database, with};

#[tokio::test]
async fn nobody_comes_in_without_the_device_s_own_login() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let other = stack.device(pb::DeviceKind::Meter).await;
    let wrong = format!("{}x", &device.token[..55]);
    for version in VERSIONS {
        for (username, password) in [
            ("", ""),
            (device.id.as_str(), ""),
            (device.id.as_str(), wrong.as_str()),
            (other.id.as_str(), device.token.as_str()),
            (device.id.as_str(), stack.operator.as_str()),
            ("' or 1=1 --", device.token.as_str()),
            ("+", device.token.as_str()),
        ] {
            let mut address = login(port, version, username, password);
            address.client_id = "anybody".into();
            let refused = Client::connect(&address).await.err().unwrap();
            assert!(refused.contains("Bad"), "{refused}");
        }
        let mut address = login(port, version, &device.id, &device.token);
        address.will = Some((topic::status(id(&other)), b"{\"online\":false}".to_vec()));
        assert!(
            Client::connect(&address).await.is_err(),
            "a will of another device"
        );
    }
    stack.finish().await;
}

#[tokio::test]
async fn a_second_connection_of_a_device_ends_the_first_and_others_stay() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let other = stack.device(pb::DeviceKind::Meter).await;
    let mut bystander = Client::of(port, Version::V3, &other).await;
    for version in VERSIONS {
        let mut first = Client::of(port, version, &device).await;
        first
            .push(&device, run(1, 60), Encoding::Protobuf)
            .await
            .unwrap();
        let mut second = Client::of(port, version, &device).await;
        first.ended().await;
        second
            .push(&device, run(61, 120), Encoding::Protobuf)
            .await
            .unwrap();
    }
    bystander
        .push(&other, run(1, 60), Encoding::Protobuf)
        .await
        .unwrap();
    assert_eq!(held(&stack, &device).await, expected(120));
    stack.finish().await;
}

#[tokio::test]
async fn a_device_is_shown_online_while_it_is_connected() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let online = async || {
        let ask = pb::ListDevicesRequest::default();
        let listed = stack
            .registry()
            .list_devices(with(&stack.operator, ask))
            .await
            .unwrap();
        let devices = listed.into_inner().devices;
        let found = devices.into_iter().find(|one| one.device_id == device.id);
        let found = found.unwrap();
        (found.online, found.firmware)
    };
    assert_eq!(online().await, (None, String::new()));
    // Named at the registry it counts without a word of the device.
    let silent = stack.device(pb::DeviceKind::Charger).await;
    let named = pb::UpdateDeviceRequest {
        device_id: silent.id.clone(),
        firmware: Some("0.9".into()),
        ..Default::default()
    };
    let named = stack
        .registry()
        .update_device(with(&stack.operator, named))
        .await;
    let named = named.unwrap().into_inner().device.unwrap();
    assert_eq!((named.online, named.firmware.as_str()), (None, "0.9"));
    let mut client = Client::of(port, Version::V5, &device).await;
    let birth = b"{\"online\": true, \"firmware\": \"1.4\"}".to_vec();
    client
        .retain(&topic::status(id(&device)), birth)
        .await
        .unwrap();
    assert_eq!(online().await, (Some(true), "1.4".into()));
    client
        .publish(&topic::status(id(&device)), b"on".to_vec())
        .await
        .unwrap();
    drop(client);
    for _ in 0..200 {
        if online().await.0 == Some(false) {
            break;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(online().await, (Some(false), "1.4".into()));
    // What is named at the registry counts from then on, and the past stays.
    let name = async |firmware: &str| {
        let change = pb::UpdateDeviceRequest {
            device_id: device.id.clone(),
            firmware: Some(firmware.into()),
            ..Default::default()
        };
        stack
            .registry()
            .update_device(with(&stack.operator, change))
            .await
    };
    for firmware in [" 1.5 ", "1.5", "1.4"] {
        let changed = name(firmware).await.unwrap().into_inner();
        assert_eq!(changed.device.unwrap().firmware, firmware.trim());
    }
    for (wrong, why) in [
        (" ", "name a version"),
        ("1\n4", "firmware"),
        (&"x".repeat(65), "firmware"),
    ] {
        let refused = name(wrong).await.unwrap_err();
        assert_eq!(refused.code(), tonic::Code::InvalidArgument);
        assert!(refused.message().contains(why), "{refused}");
    }
    let kept: String = stack
        .sql("select string_agg(firmware, ' ' order by since) from rv.device_firmware where firmware <> '0.9'")
        .await;
    assert_eq!(kept, "1.4 1.5 1.4");
    stack.finish().await;
}

#[tokio::test]
async fn a_silent_connection_is_closed_and_a_packet_over_the_limit_ends_its_connection() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let mut client = Client::of(port, Version::V5, &device).await;
    let target = topic::samples(id(&device), Encoding::Json);
    let large = client.publish(&target, vec![b' '; 300_000]).await;
    assert!(large.is_err(), "{large:?}");
    let mut client = Client::of(port, Version::V3, &device).await;
    client
        .push(&device, run(1, 60), Encoding::Json)
        .await
        .unwrap();
    // Half a message, and then nothing: unlike a silent device, it never says another word.
    let halved = stack.device(pb::DeviceKind::Charger).await;
    let mut raw = Raw::connect(port, 5, &halved).await;
    raw.0.write_all(&[0x32, 100, 0, 9, b'r']).await.unwrap();
    let ended = async {
        let word = tokio::time::timeout(Duration::from_secs(25), raw.0.read(&mut [0; 1])).await;
        assert_eq!(word.unwrap().unwrap_or(0), 0, "ended by the other side");
    };
    let closed = tokio::task::spawn_blocking(move || {
        use std::io::Read as _;
        let mut silent = std::net::TcpStream::connect(("127.0.0.1", port)).unwrap();
        silent
            .set_read_timeout(Some(Duration::from_secs(20)))
            .unwrap();
        silent.read(&mut [0; 1])
    });
    let (closed, ()) = tokio::join!(closed, ended);
    assert_eq!(closed.unwrap().unwrap(), 0, "closed by the other side");
    assert_eq!(held(&stack, &device).await, expected(60));
    stack.finish().await;
}

#[tokio::test]
async fn while_the_database_is_away_the_connection_ends_without_an_acknowledgement() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    for (version, from) in [(Version::V3, 1), (Version::V5, 61)] {
        let mut client = Client::of(port, version, &device).await;
        database::away(&stack.url, true).await;
        let sent = client
            .push(&device, run(from, from + 59), Encoding::Protobuf)
            .await;
        assert!(sent.is_err(), "acknowledged while nothing could be kept");
        database::away(&stack.url, false).await;
        for _ in 0..100 {
            if let Ok(mut again) =
                Client::connect(&login(port, version, &device.id, &device.token)).await
                && again
                    .push(&device, run(from, from + 59), Encoding::Protobuf)
                    .await
                    .is_ok()
            {
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
    assert_eq!(held(&stack, &device).await, expected(120));
    stack.finish().await;
}

#[tokio::test]
async fn a_token_that_is_taken_back_ends_its_connection() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let mut client = Client::of(port, Version::V5, &device).await;
    client
        .push(&device, run(1, 60), Encoding::Protobuf)
        .await
        .unwrap();
    let listed = stack
        .registry()
        .list_tokens(with(&stack.operator, pb::ListTokensRequest::default()))
        .await
        .unwrap()
        .into_inner();
    let own = listed
        .tokens
        .iter()
        .find(|token| token.device_id == device.id);
    let revoke = pb::RevokeTokenRequest {
        token_id: own.unwrap().token_id.clone(),
    };
    stack
        .registry()
        .revoke_token(with(&stack.operator, revoke))
        .await
        .unwrap();
    let began = std::time::Instant::now();
    let mut next = 61;
    while client
        .push(&device, run(next, next + 59), Encoding::Protobuf)
        .await
        .is_ok()
    {
        next += 60;
        assert!(began.elapsed() < Duration::from_secs(10));
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    assert_eq!(held(&stack, &device).await, expected(next - 1));
    stack.finish().await;
}

#[tokio::test]
async fn subscribing_again_replaces_the_subscription() {
    let (stack, port) = stack().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let filter = topic::receipt(id(&device), Encoding::Json);
    for (round, version) in VERSIONS.into_iter().enumerate() {
        let from = 120 * i64::try_from(round).unwrap();
        let mut client = Client::of(port, version, &device).await;
        client.subscribe(&filter).await.unwrap();
        client.subscribe(&filter).await.unwrap();
        let mut told = 0;
        for to in [from + 60, from + 120] {
            client
                .push(&device, run(to - 59, to), Encoding::Json)
                .await
                .unwrap();
            loop {
                let arrived = client.next().await.unwrap();
                let receipt = Encoding::Json.decode_receipt(&arrived.payload).unwrap();
                told += usize::from(kept(&receipt, device.boot) == from + 60);
                if kept(&receipt, device.boot) == to {
                    break;
                }
            }
        }
        assert_eq!(told, 1, "each receipt once");
        client.leave().await;
    }
    stack.finish().await;
}

/// Packets as the OASIS standards MQTT 3.1.1 (level 4) and 5.0 (level 5) write them.
struct Raw(TcpStream, u8);

impl Raw {
    const PUBLISH: u8 = 0x30;
    const PUBACK: u8 = 0x40;
    const UNSUBACK: u8 = 0xB0;

    async fn connect(port: u16, level: u8, device: &Device) -> Self {
        let stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        let mut raw = Self(stream, level);
        let mut body = text("MQTT");
        body.extend([level, 0xC2, 0, 60]);
        body.extend(raw.no_properties());
        for part in [&device.id, &device.id, &device.token] {
            body.extend(text(part));
        }
        raw.send(0x10, &body).await;
        assert_eq!(raw.next().await, (0x20, 0));
        raw
    }

    fn no_properties(&self) -> &'static [u8] {
        if self.1 == 5 { &[0] } else { &[] }
    }

    /// Subscribes (at QoS 0) or unsubscribes.
    async fn ask(&mut self, kind: u8, filter: &str) {
        let mut body = vec![0, 1];
        body.extend(self.no_properties());
        body.extend(text(filter));
        if kind == 0x82 {
            body.push(0);
        }
        self.send(kind, &body).await;
    }

    async fn publish(&mut self, topic: &str, payload: &[u8]) {
        let mut body = text(topic);
        body.extend([0, 2]);
        body.extend(self.no_properties());
        body.extend(payload);
        self.send(0x32, &body).await;
    }

    async fn send(&mut self, kind: u8, body: &[u8]) {
        self.0.write_all(&packet(kind, body)).await.unwrap();
    }

    /// Kind of the next packet, and its last byte: the reason of an answer to one filter.
    async fn next(&mut self) -> (u8, u8) {
        let kind = self.0.read_u8().await.unwrap();
        let (mut length, mut shift) = (0, 0);
        loop {
            let byte = self.0.read_u8().await.unwrap();
            length |= usize::from(byte & 0x7F) << shift;
            shift += 7;
            if byte < 128 {
                break;
            }
        }
        let mut body = vec![0; length];
        self.0.read_exact(&mut body).await.unwrap();
        (kind, body.last().copied().unwrap_or(0))
    }
}

fn packet(kind: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![kind];
    let mut left = body.len();
    loop {
        let more = left >= 128;
        bytes.push((left % 128) as u8 | u8::from(more) << 7);
        left /= 128;
        if !more {
            break;
        }
    }
    bytes.extend(body);
    bytes
}

fn text(text: &str) -> Vec<u8> {
    let mut bytes = u16::try_from(text.len()).unwrap().to_be_bytes().to_vec();
    bytes.extend(text.as_bytes());
    bytes
}

#[tokio::test]
async fn unsubscribing_ends_the_receipts() {
    let (stack, port) = stack().await;
    for level in [4, 5] {
        let device = stack.device(pb::DeviceKind::Charger).await;
        let filter = topic::receipt(id(&device), Encoding::Json);
        let mut raw = Raw::connect(port, level, &device).await;
        raw.ask(0x82, &filter).await;
        assert_eq!(raw.next().await.0, 0x90);
        let (samples, first) = message(&device, run(1, 60), Encoding::Json);
        raw.publish(&samples, &first).await;
        let mut kinds = [raw.next().await.0, raw.next().await.0];
        kinds.sort_unstable();
        assert_eq!(
            kinds,
            [Raw::PUBLISH, Raw::PUBACK],
            "a receipt and the answer"
        );
        raw.ask(0xA2, &filter).await;
        assert_eq!(raw.next().await.0, Raw::UNSUBACK);
        let (_, second) = message(&device, run(61, 120), Encoding::Json);
        raw.publish(&samples, &second).await;
        assert_eq!(raw.next().await.0, Raw::PUBACK);
        let more = tokio::time::timeout(Duration::from_millis(300), raw.next()).await;
        assert!(more.is_err(), "told after it unsubscribed: {more:?}");
        assert_eq!(held(&stack, &device).await, expected(120));
    }
    stack.finish().await;
}

#[tokio::test]
async fn messages_cut_anywhere_on_their_way_are_taken_whole() {
    const COUNT: u16 = 150;
    let (stack, port) = stack().await;
    for level in [4, 5] {
        let device = stack.device(pb::DeviceKind::Charger).await;
        let mut raw = Raw::connect(port, level, &device).await;
        let mut bytes = Vec::new();
        for (number, batch) in (1..=COUNT).zip(super::batches(60 * i64::from(COUNT))) {
            let (topic, payload) = message(&device, batch, Encoding::Protobuf);
            let mut body = text(&topic);
            body.extend(number.to_be_bytes());
            body.extend(raw.no_properties());
            body.extend(payload);
            bytes.extend(packet(0x32, &body));
        }
        // Many more than are taken side by side, and nearly every piece ends inside a payload.
        for piece in bytes.chunks(383) {
            raw.0.write_all(piece).await.unwrap();
            tokio::time::sleep(Duration::from_micros(200)).await;
        }
        let answers = async {
            for _ in 0..COUNT {
                assert_eq!(raw.next().await.0, Raw::PUBACK);
            }
        };
        let all = tokio::time::timeout(Duration::from_mins(1), answers).await;
        assert!(all.is_ok(), "some were never acknowledged");
        assert_eq!(held(&stack, &device).await, expected(60 * i64::from(COUNT)));
    }
    stack.finish().await;
}
