//! What the service itself lacks is an alarm in every shop: a database that answers, room on its disk.

use chrono::TimeDelta;
use restvolt::edge::pb;

use super::receiver::Receiver;
use super::{kept_as, next, next_alarm, route, started, subscribe, until};
use crate::harness::device::run;
use crate::harness::process::Place;
use crate::harness::{Device, database};

#[tokio::test]
async fn a_database_that_is_away_for_two_minutes_is_told_in_every_shop_and_its_return_too() {
    let url = database::fresh();
    let first = started(url.clone()).await;
    let receiver = Receiver::start().await;
    route(&first, pb::AlarmLevel::Bench, "page", &receiver.url()).await;
    let operator = first.operator.clone();
    first.finish().await;
    let stack = started(url.clone()).await;
    let mut stream = subscribe(&stack, &operator, "").await;
    assert!(next(&mut stream).await.alarm.is_none());
    // The lane has asked who is told in the shop once it has seen its first condition.
    let known = "select count(*) from pg_stat_activity where query like '%alarm_hours%'";
    until(|| async { (stack.sql::<i64>(known).await > 0).then_some(()) }).await;
    database::away(&url, true).await;
    stack.clock.advance(TimeDelta::seconds(121));
    let (alarm, _) = next_alarm(&mut stream).await;
    assert_eq!(alarm.kind, pb::AlarmKind::DatabaseAway as i32);
    assert_eq!(alarm.alarm_class, pb::AlarmClass::High as i32);
    assert_eq!(alarm.line, "HIGH: database away 2 min, Kelder");
    until(|| async { (receiver.count() == 1).then_some(()) }).await;
    let told = receiver.bodies().remove(0);
    assert_eq!(told["data"]["alarms"][0]["alarm_id"], alarm.alarm_id);
    database::away(&url, false).await;
    let (back, _) = next_alarm(&mut stream).await;
    assert_eq!(back.state, pb::AlarmState::ReturnedUnacknowledged as i32);
    // What happened meanwhile was journaled, and is in the database now.
    kept_as(&stack, "returned_unacknowledged").await;
    stack.finish().await;
}

/// Samples stored of a minute, once the service is reached again.
async fn stored(device: &Device, from: i64) -> i64 {
    let pushed = until(|| async {
        let mut device = device.clone();
        device.try_push(run(from, from + 59)).await.ok()
    });
    pushed.await.stored_count
}

#[tokio::test]
async fn a_disk_that_runs_full_is_an_alarm_and_telemetry_is_held_back_before_the_database_stops() {
    let place = Place::new();
    let service = place.serve();
    let device = place.charger().await;
    assert_eq!(stored(&device, 1).await, 60);
    service.stop(&place);
    let service = place.serve_with(|command| {
        command.env("RESTVOLT_ALARM__DISK_LOW_PERCENT", "100");
    });
    let server = format!("http://{}", place.grpc);
    let made = place.run(&["--json", "token", "create", "bench", "--scope", "operator"]);
    let made: serde_json::Value = serde_json::from_slice(&made.stdout).unwrap();
    let listed = || async {
        let mut command = place.command(&["alarms", "--server", &server]);
        command.env("RESTVOLT_TOKEN", made["secret"].as_str().unwrap());
        let listed = command.output().unwrap();
        let text = String::from_utf8(listed.stdout).unwrap();
        text.contains("disk of the database runs full")
            .then_some(text)
    };
    let text = until(listed).await;
    assert!(text.contains(" %") && text.contains("Kelder"), "{text}");
    assert_eq!(stored(&device, 61).await, 60, "told, and no more");
    service.stop(&place);
    let service = place.serve_with(|command| {
        command.env("RESTVOLT_ALARM__DISK_LOW_PERCENT", "100");
        command.env("RESTVOLT_ALARM__DISK_FLOOR_PERCENT", "100");
    });
    let held = until(|| async {
        let mut device = device.clone();
        let refused = device.try_push(run(121, 180)).await.err()?;
        refused.message().contains("free space").then_some(refused)
    });
    let held = held.await;
    assert_eq!(held.code(), tonic::Code::Unavailable);
    service.stop(&place);
    let service = place.serve();
    assert_eq!(stored(&device, 121).await, 60, "nothing is lost");
    service.stop(&place);
}
