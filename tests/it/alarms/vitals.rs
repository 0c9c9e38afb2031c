//! What the service itself lacks is an alarm in every shop: a database that answers, room on its disk.

use std::time::Duration;

use chrono::TimeDelta;
use restvolt::edge::pb;

use super::kills::token;
use super::receiver::Receiver;
use super::{kept, next, next_alarm, route, started, subscribe, until};
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
    // The shops are read at once, and the lane then asks who is told in them.
    tokio::time::sleep(Duration::from_millis(1_500)).await;
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
    drop(stream);
    // What happened meanwhile was journaled, and is in the database now; so it is in every shop there is.
    until(|| async {
        let rows = kept(&stack).await;
        let back = rows.iter().all(|row| row.0 == "returned_unacknowledged");
        (back && !rows.is_empty()).then_some(())
    })
    .await;
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

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_disk_that_runs_full_is_an_alarm_and_telemetry_is_held_back_before_the_database_stops() {
    let place = Place::new();
    let service = place.serve();
    let device = place.charger().await;
    assert_eq!(stored(&device, 1).await, 60);
    tokio::task::block_in_place(|| service.stop(&place));
    let service = place.serve_with(|command| {
        command.env("RESTVOLT_ALARM__DISK_LOW_PERCENT", "100");
    });
    let server = format!("http://{}", place.grpc);
    let operator = token(&place, "bench", "operator");
    let listed = || async {
        let mut command = place.command(&["alarms", "--server", &server]);
        command.env("RESTVOLT_TOKEN", &operator);
        let listed = command.output().unwrap();
        let text = String::from_utf8(listed.stdout).unwrap();
        text.contains("disk of the database runs full")
            .then_some(text)
    };
    let text = until(listed).await;
    assert!(
        text.contains(" % left") && text.contains("Kelder"),
        "{text}"
    );
    assert_eq!(stored(&device, 61).await, 60, "told, and no more");
    tokio::task::block_in_place(|| service.stop(&place));
    let service = place.serve_with(|command| {
        command.env("RESTVOLT_ALARM__DISK_LOW_PERCENT", "100");
        command.env("RESTVOLT_ALARM__DISK_FLOOR_PERCENT", "100");
    });
    let answered = until(|| async {
        let mut device = device.clone();
        match device.try_push(run(121, 180)).await {
            // The door is not open yet.
            Err(error) if !error.message().contains("free space") => None,
            answered => Some(answered),
        }
    });
    let held = answered.await.expect_err("held back from the first moment");
    assert_eq!(held.code(), tonic::Code::Unavailable);
    tokio::task::block_in_place(|| service.stop(&place));
    let service = place.serve();
    assert_eq!(stored(&device, 121).await, 60, "nothing is lost");
    tokio::task::block_in_place(|| service.stop(&place));
}
