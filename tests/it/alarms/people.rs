//! Who is told: by day and by night, and how much at once.

use chrono::TimeDelta;
use restvolt::edge::pb;

use super::receiver::Receiver;
use super::{acknowledge, case, open, started, until};
use crate::harness::device::end;
use crate::harness::{Device, Stack, database, with};

/// A person of the shop who may be called at some hours only; the secret of the messages.
async fn person(stack: &Stack, name: &str, hours: pb::AlarmHours, url: &str) -> String {
    let new = pb::SetAlarmRouteRequest {
        shop_id: stack.shop_id.clone(),
        level: pb::AlarmLevel::Shop as i32,
        name: name.to_owned(),
        hours: hours as i32,
        url: url.to_owned(),
    };
    let set = stack
        .alarms()
        .set_alarm_route(with(&stack.operator, new))
        .await;
    set.unwrap().into_inner().secret
}

/// A device whose case is hot at the end of its charge.
async fn hot(stack: &Stack) -> Device {
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut batch = case(1, &[7_000]);
    batch.events.push(end(1, 1));
    device.push(batch).await;
    device
}

async fn open_count(stack: &Stack, count: usize) {
    until(|| async { (open(stack).await.len() == count).then_some(()) }).await;
}

#[tokio::test]
async fn by_night_the_one_on_call_is_told_and_by_day_the_shop() {
    let stack = started(database::fresh()).await;
    let night = pb::SetAlarmHoursRequest {
        shop_id: stack.shop_id.clone(),
        night_from_minutes: 20 * 60,
        night_to_minutes: 6 * 60,
        utc_offset_minutes: 0,
    };
    let set = stack
        .alarms()
        .set_alarm_hours(with(&stack.operator, night))
        .await;
    set.unwrap();
    let (day, dark) = (Receiver::start().await, Receiver::start().await);
    let by_day = person(&stack, "M. Kelder", pb::AlarmHours::Day, &day.url()).await;
    let by_night = person(&stack, "T. Vell", pb::AlarmHours::Night, &dark.url()).await;
    // It is noon.
    hot(&stack).await;
    open_count(&stack, 1).await;
    stack.clock.advance(TimeDelta::minutes(2));
    let told = day.alarms(1, &by_day).await;
    assert_eq!(dark.count(), 0, "nobody is called by night at noon");
    let alarm = told[0]["alarm_id"].as_str().unwrap();
    acknowledge(&stack, alarm, "M. Kelder").await.unwrap();
    stack.clock.advance(TimeDelta::hours(10));
    hot(&stack).await;
    open_count(&stack, 2).await;
    stack.clock.advance(TimeDelta::minutes(2));
    dark.alarms(1, &by_night).await;
    assert_eq!(day.count(), 1, "the shop sleeps");
    stack.finish().await;
}

/// Twelve and more alarms within ten minutes: a person gets ten messages, then what comes goes together.
#[tokio::test]
async fn a_flood_reaches_a_person_as_few_messages_and_whole() {
    const ALARMS: usize = 15;
    let stack = started(database::fresh()).await;
    let receiver = Receiver::start().await;
    let always = pb::AlarmHours::Always;
    let secret = person(&stack, "M. Kelder", always, &receiver.url()).await;
    for count in 1..=ALARMS {
        hot(&stack).await;
        open_count(&stack, count).await;
        stack.clock.advance(TimeDelta::seconds(1));
    }
    // Two minutes after the first one; the others follow every second.
    stack
        .clock
        .advance(TimeDelta::seconds(120 - i64::try_from(ALARMS).unwrap()));
    for due in 1..=ALARMS {
        until(|| async { (receiver.count() == due.min(11)).then_some(()) }).await;
        stack.clock.advance(TimeDelta::seconds(1));
    }
    tokio::time::sleep(std::time::Duration::from_millis(600)).await;
    assert_eq!(receiver.count(), 11, "the rest is held together");
    stack.clock.advance(TimeDelta::seconds(10));
    until(|| async { (receiver.count() == 12).then_some(()) }).await;
    let bodies = receiver.bodies();
    let counts: Vec<_> = bodies
        .iter()
        .map(|body| body["data"]["count"].clone())
        .collect();
    assert_eq!(counts[..11], [1; 11]);
    assert_eq!(
        (&counts[11], &bodies[11]["data"]["critical"]),
        (&4.into(), &4.into())
    );
    let text = bodies[11]["data"]["text"].as_str().unwrap();
    assert_eq!(text.lines().count(), 4, "one line each: {text}");
    let told = receiver.alarms(ALARMS, &secret).await;
    let mut ids: Vec<_> = told.iter().map(|one| one["alarm_id"].to_string()).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), ALARMS, "none is left out, none comes twice");
    stack.finish().await;
}
