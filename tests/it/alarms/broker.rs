//! Alarms at a real broker on the shipped configuration.

use restvolt::clock::Clock;
use restvolt::edge::mqtt::link::Version;
use restvolt::edge::mqtt::topic;
use restvolt::edge::pb;
use serde_json::Value;

use super::{acknowledge, case, one_open};
use crate::harness::broker::Broker;
use crate::harness::mqtt::{Client, id, login};
use crate::harness::{Stack, database, noon};

/// The next state the service tells; what the device wrote itself comes back too.
async fn state(client: &mut Client) -> Value {
    loop {
        let arrived = client.next().await.unwrap();
        let state: Value = serde_json::from_slice(&arrived.payload).unwrap();
        if state["service"] == "restvolt" {
            return state;
        }
    }
}

#[tokio::test]
async fn a_device_s_own_word_is_an_alarm_and_its_state_is_kept_at_the_broker() {
    let broker = Broker::start(&[("restvolt", "service")]);
    std::fs::write(broker.folder.join("password"), "service\n").unwrap();
    let address = format!("mqtt://127.0.0.1:{}", broker.port);
    let password = broker.folder.join("password").display().to_string();
    let settings = [
        ("mqtt.broker", address.as_str()),
        ("mqtt.username", "restvolt"),
        ("mqtt.password_file", password.as_str()),
    ];
    let url = database::fresh();
    let stack = Stack::start_on(url, Clock::fixed(noon()), &settings).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    broker.add(&device.id, "device");
    let as_device = login(broker.port, Version::V5, &device.id, "device");
    let own = topic::alarm(id(&device));
    let mut client = loop {
        // The broker reads its logins anew a moment later.
        if let Ok(client) = Client::connect(&as_device).await {
            break client;
        }
        tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    };
    client.subscribe(&own).await.unwrap();
    let word = br#"{"kind": "device_fault", "active": true}"#;
    client.publish(&own, word.to_vec()).await.unwrap();
    let told = state(&mut client).await;
    assert_eq!(told["alarms"][0]["kind"], "device_fault");
    assert!(
        told["standing"]
            .as_str()
            .unwrap()
            .contains("does not protect")
    );
    let alarm = one_open(&stack).await;
    assert_eq!(told["alarms"][0]["alarm_id"], alarm.alarm_id);

    // Its word clears no measured alarm; a person's acknowledgement is told.
    device.push(case(1, &[7_000])).await;
    let told = state(&mut client).await;
    assert_eq!(told["alarms"][0]["kind"], "over_temperature");
    let forged = br#"{"kind": "over_temperature", "active": false}"#;
    client.publish(&own, forged.to_vec()).await.unwrap();
    let word = br#"{"active": false}"#;
    client.publish(&own, word.to_vec()).await.unwrap();
    let told = state(&mut client).await;
    assert_eq!(told["alarms"][0]["state"], "active_unacknowledged");
    assert_eq!(told["alarms"][1]["state"], "returned_unacknowledged");
    acknowledge(&stack, &alarm.alarm_id, "M. Kelder")
        .await
        .unwrap();
    let told = state(&mut client).await;
    assert_eq!(told["alarms"].as_array().unwrap().len(), 1);
    client.leave().await;

    // Who comes later is told what holds.
    let mut later = Client::connect(&as_device).await.unwrap();
    later.subscribe(&own).await.unwrap();
    assert_eq!(state(&mut later).await["alarms"], told["alarms"]);
    stack.finish().await;
}
