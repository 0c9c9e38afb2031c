//! The shipped broker configuration and `restvolt doctor`, against a real broker.

use std::ops::Range;
use std::time::Duration;

use restvolt::edge::mqtt::link::{self, Address, Event, Link, Manner, Version};

use crate::harness::broker::{Broker, set};

const SERVICE: (&str, &str) = ("restvolt", "word of the service");
const DEVICE: (&str, &str) = ("018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e", "word of the device");

/// A connection under a name, with or without a session that outlives it.
async fn connect(
    broker: &Broker,
    login: (&str, &str),
    (name, session): (&str, Duration),
) -> (Box<dyn Link>, bool) {
    let address = Address {
        host: "127.0.0.1".into(),
        port: broker.port,
        version: Version::V5,
        client_id: name.into(),
        username: login.0.into(),
        password: login.1.into(),
        packet_bytes: 262_144,
        in_flight: 200,
        session,
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
        while !matches!(link.next().await.unwrap(), Event::Acknowledged(_)) {}
    }
}

/// What arrives of the device's messages until nothing comes for a second, each acknowledged.
async fn arrived(link: &mut dyn Link) -> Vec<u32> {
    let mut found = Vec::new();
    while let Ok(event) = tokio::time::timeout(Duration::from_secs(1), link.next()).await {
        if let Event::Arrived(message) = event.unwrap() {
            link.outbox().ack(message.packet).unwrap();
            let text = String::from_utf8(message.payload.to_vec()).unwrap();
            found.push(text.parse().unwrap());
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
        if stopped {
            broker.stop();
        } else {
            broker.kill();
        }
        broker.restart();
        let present;
        (service, present) = connect(&broker, SERVICE, session).await;
        assert!(present, "the session is gone: {}", broker.log());
        let kept = arrived(&mut *service).await;
        let lost: Vec<u32> = sent.clone().filter(|n| !kept.contains(n)).collect();
        eprintln!("asked to stop: {stopped}, lost: {lost:?}");
        // PUBACK goes out before the file is written, which is done before the next packet is read:
        // a kill between the two takes the last message. Its device keeps it until our receipt.
        let last = if stopped { sent.end } else { sent.end - 1 };
        assert!(lost.iter().all(|number| *number >= last), "{lost:?}");
    }
}
