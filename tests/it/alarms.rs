//! Alarms from the socket to the notification: raised, told, seen by people, kept through every outage.

mod broker;
mod kills;
mod people;
mod receiver;
mod storm;
mod vitals;
mod webhooks;

use std::future::Future;
use std::time::Duration;

use chrono::TimeDelta;
use restvolt::clock::Clock;
use restvolt::edge::pb;
use sqlx::Row as _;
use tonic::{Code, Streaming};

use crate::harness::device::end;
use crate::harness::{Device, Stack, database, fresh_number, noon, with};
use receiver::Receiver;

/// Asks again until there is an answer; 10 s at most.
pub(crate) async fn until<T, F: Future<Output = Option<T>>>(ask: impl Fn() -> F) -> T {
    for _ in 0..500 {
        if let Some(found) = ask().await {
            return found;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("it never came");
}

/// A batch of one sample each second that measures the case and charges.
pub(crate) fn case(seq: i64, case_centidegrees: &[i32]) -> pb::SampleBatch {
    let count = case_centidegrees.len();
    pb::SampleBatch {
        first_seq: seq,
        start_milliseconds: 1_000 * seq,
        step_milliseconds: (0..count).map(|n| if n == 0 { 0 } else { 1_000 }).collect(),
        voltage_millivolts: vec![13_800; count],
        current_milliamperes: vec![2_000; count],
        case_centidegrees_celsius: case_centidegrees.to_vec(),
        ..pb::SampleBatch::default()
    }
}

async fn open(stack: &Stack) -> Vec<pb::Alarm> {
    let ask = pb::ListAlarmsRequest::default();
    let listed = stack.alarms().list_alarms(with(&stack.operator, ask)).await;
    listed.unwrap().into_inner().alarms
}

/// The one open alarm, once it is there.
pub(crate) async fn one_open(stack: &Stack) -> pb::Alarm {
    until(|| async { open(stack).await.pop() }).await
}

async fn subscribe(
    stack: &Stack,
    token: &str,
    resume: &str,
) -> Streaming<pb::StreamAlarmsResponse> {
    let ask = pb::StreamAlarmsRequest {
        resume_token: resume.to_owned(),
        ..Default::default()
    };
    let stream = stack.alarms().stream_alarms(with(token, ask)).await;
    stream.unwrap().into_inner()
}

async fn next(stream: &mut Streaming<pb::StreamAlarmsResponse>) -> pb::StreamAlarmsResponse {
    let message = tokio::time::timeout(Duration::from_secs(15), stream.message()).await;
    message.unwrap().unwrap().unwrap()
}

/// The next alarm, heartbeats left out.
async fn next_alarm(stream: &mut Streaming<pb::StreamAlarmsResponse>) -> (pb::Alarm, String) {
    loop {
        let message = next(stream).await;
        if let Some(alarm) = message.alarm {
            return (alarm, message.resume_token);
        }
    }
}

async fn route(stack: &Stack, level: pb::AlarmLevel, name: &str, url: &str) -> String {
    let new = pb::SetAlarmRouteRequest {
        shop_id: stack.shop_id.clone(),
        level: level as i32,
        name: name.to_owned(),
        url: url.to_owned(),
        ..Default::default()
    };
    let set = stack
        .alarms()
        .set_alarm_route(with(&stack.operator, new))
        .await;
    set.unwrap().into_inner().secret
}

async fn acknowledge(stack: &Stack, alarm: &str, by: &str) -> Result<pb::Alarm, tonic::Status> {
    let seen = pb::AcknowledgeAlarmRequest {
        alarm_id: alarm.to_owned(),
        acknowledged_by: by.to_owned(),
    };
    let done = stack
        .alarms()
        .acknowledge_alarm(with(&stack.operator, seen))
        .await;
    Ok(done?.into_inner().alarm.unwrap())
}

async fn started(url: String) -> Stack {
    let allow = [("alarm.webhook_allow", "127.0.0.1")];
    Stack::start_on(url, Clock::fixed(noon()), &allow).await
}

/// State and revision of every alarm the database has.
async fn kept(stack: &Stack) -> Vec<(String, i32)> {
    let mut conn = database::superuser(&stack.url).await;
    let rows = sqlx::query("select state, revision from rv.alarm order by raised_at, kind")
        .fetch_all(&mut conn)
        .await
        .unwrap();
    rows.iter().map(|row| (row.get(0), row.get(1))).collect()
}

async fn kept_as(stack: &Stack, state: &str) {
    until(|| async {
        let rows = kept(stack).await;
        (rows.len() == 1 && rows[0].0 == state).then_some(())
    })
    .await;
}

#[tokio::test]
async fn a_hot_sample_is_shown_sent_and_kept_until_it_cools_and_a_person_has_seen_it() {
    let stack = started(database::fresh()).await;
    let receiver = Receiver::start().await;
    let secret = route(&stack, pb::AlarmLevel::Bench, "page", &receiver.url()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut stream = subscribe(&stack, &stack.operator, "").await;
    assert!(next(&mut stream).await.alarm.is_none(), "nothing is open");
    device.push(case(1, &[2_500, 7_000])).await;
    let (alarm, resume) = next_alarm(&mut stream).await;
    assert_eq!(alarm.kind, pb::AlarmKind::OverTemperature as i32);
    assert_eq!(alarm.alarm_class, pb::AlarmClass::Critical as i32);
    assert_eq!(
        (alarm.device_id.as_str(), alarm.revision),
        (device.id.as_str(), 1)
    );
    assert!(
        alarm.line.contains("70.0 degC, Kelder, bench 1"),
        "{}",
        alarm.line
    );
    let told = receiver.alarms(1, &secret).await;
    assert_eq!(told[0]["alarm_id"], alarm.alarm_id);
    assert_eq!(told[0]["state"], "active_unacknowledged");
    kept_as(&stack, "active_unacknowledged").await;
    // The same batch again, and one as hot: nothing new to tell.
    device.push(case(1, &[2_500, 7_000])).await;
    device.push(case(3, &[7_000, 7_050])).await;

    let nameless = acknowledge(&stack, &alarm.alarm_id, " ").await.unwrap_err();
    assert_eq!(nameless.code(), Code::InvalidArgument);
    let seen = acknowledge(&stack, &alarm.alarm_id, "M. Kelder")
        .await
        .unwrap();
    assert_eq!(seen.state, pb::AlarmState::ActiveAcknowledged as i32);
    let (change, _) = next_alarm(&mut stream).await;
    assert_eq!(
        (change.acknowledged_by.as_str(), change.revision),
        ("M. Kelder", 2)
    );
    let other = acknowledge(&stack, &alarm.alarm_id, "T. Vell")
        .await
        .unwrap_err();
    assert!(other.message().contains("M. Kelder"), "{other}");

    // Cool for ten minutes: it returns, and closes since it was seen.
    stack.clock.advance(TimeDelta::minutes(1));
    device.push(case(61, &[2_500])).await;
    stack.clock.advance(TimeDelta::minutes(11));
    device.push(case(721, &[2_500])).await;
    let (closed, _) = next_alarm(&mut stream).await;
    assert_eq!(closed.state, pb::AlarmState::Normal as i32);
    kept_as(&stack, "normal").await;
    let told = receiver.alarms(3, &secret).await;
    let states: Vec<&str> = told
        .iter()
        .map(|one| one["state"].as_str().unwrap())
        .collect();
    assert_eq!(
        states,
        ["active_unacknowledged", "active_acknowledged", "normal"]
    );
    assert!(open(&stack).await.is_empty());
    // The hot batch once more: it was known, so nothing is raised anew.
    device.push(case(1, &[2_500, 7_000])).await;
    let all = pb::ListAlarmsRequest {
        all: true,
        ..Default::default()
    };
    let all = stack.alarms().list_alarms(with(&stack.operator, all)).await;
    let all = all.unwrap().into_inner().alarms;
    assert_eq!(
        (all.len(), all[0].alarm_id.as_str()),
        (1, alarm.alarm_id.as_str())
    );
    // A reader that comes back is told what it missed, in order.
    let mut again = subscribe(&stack, &stack.operator, &resume).await;
    for revision in [2, 3] {
        let missed = next(&mut again).await;
        assert!(missed.replay);
        assert_eq!(missed.alarm.unwrap().revision, revision);
    }
    let waiting = "select count(*) from rv.notification where state <> 'delivered'";
    until(|| async { (stack.sql::<i64>(waiting).await == 0).then_some(()) }).await;
    stack.finish().await;
}

#[tokio::test]
async fn another_group_or_shop_neither_sees_nor_acts_and_a_critical_alarm_is_never_shelved() {
    let url = database::fresh();
    let stack = started(url.clone()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    let alarm = one_open(&stack).await;
    let other = started(url).await;
    let seen = pb::AcknowledgeAlarmRequest {
        alarm_id: alarm.alarm_id.clone(),
        acknowledged_by: "A. Stranger".into(),
    };
    let foreign = stack
        .alarms()
        .acknowledge_alarm(with(&other.operator, seen.clone()))
        .await;
    assert_eq!(foreign.unwrap_err().code(), Code::NotFound);
    let mut theirs = subscribe(&stack, &other.operator, "").await;
    assert!(next(&mut theirs).await.alarm.is_none());
    let new = pb::CreateShopRequest {
        name: "Ostrow".into(),
        currency_code: "EUR".into(),
    };
    let ostrow = stack
        .registry()
        .create_shop(with(&stack.operator, new))
        .await;
    let ostrow = ostrow.unwrap().into_inner().shop.unwrap().shop_id;
    let token = stack.token(pb::Scope::Bench, &ostrow).await;
    let foreign = stack.alarms().acknowledge_alarm(with(&token, seen)).await;
    assert_eq!(foreign.unwrap_err().code(), Code::NotFound);
    let ask = pb::ListAlarmsRequest::default();
    let listed = stack.alarms().list_alarms(with(&token, ask)).await.unwrap();
    assert!(listed.into_inner().alarms.is_empty());

    let shelve = |alarm: &str, minutes: i32| pb::ShelveAlarmRequest {
        alarm_id: alarm.to_owned(),
        shelved_by: "M. Kelder".into(),
        reason: "sensor is being changed".into(),
        minutes,
    };
    let critical = shelve(&alarm.alarm_id, 30);
    let refused = stack
        .alarms()
        .shelve_alarm(with(&stack.operator, critical))
        .await;
    let refused = refused.unwrap_err();
    assert_eq!(refused.code(), Code::InvalidArgument);
    assert!(refused.message().contains("never shelved"), "{refused}");
    // A high one may be, for 8 h at most.
    let mut fault = case(2, &[2_500]);
    fault.events.push(pb::Event {
        event_seq: 1,
        after_seq: 2,
        time_milliseconds: 2_000,
        kind: pb::EventKind::Fault as i32,
        ..pb::Event::default()
    });
    device.push(fault).await;
    let high = until(|| async { open(&stack).await.into_iter().nth(1) }).await;
    assert_eq!(high.kind, pb::AlarmKind::DeviceFault as i32);
    let long = shelve(&high.alarm_id, 481);
    let refused = stack
        .alarms()
        .shelve_alarm(with(&stack.operator, long))
        .await;
    assert_eq!(refused.unwrap_err().code(), Code::InvalidArgument);
    let done = shelve(&high.alarm_id, 480);
    let done = stack
        .alarms()
        .shelve_alarm(with(&stack.operator, done))
        .await;
    let shelved = done.unwrap().into_inner().alarm.unwrap();
    let until_s = noon().timestamp() + 8 * 3_600;
    assert_eq!(shelved.shelved_until_time.unwrap().seconds, until_s);
    stack.finish().await;
    other.finish().await;
}

#[tokio::test]
async fn a_restart_tells_what_is_still_active_again_and_goes_on_where_it_was() {
    let url = database::fresh();
    let stack = started(url.clone()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    let alarm = one_open(&stack).await;
    kept_as(&stack, "active_unacknowledged").await;
    let (operator, device) = (stack.operator.clone(), device.clone());
    stack.finish().await;
    let next_run = started(url).await;
    let mut stream = subscribe(&next_run, &operator, "").await;
    let (again, _) = next_alarm(&mut stream).await;
    assert_eq!((again.alarm_id, again.revision), (alarm.alarm_id, 2));
    assert!(again.line.contains("Kelder"), "{}", again.line);
    let mut device = Device {
        client: next_run.telemetry(),
        ..device
    };
    // Cool samples end it, as if nothing had been.
    next_run.clock.advance(TimeDelta::minutes(1));
    device.push(case(61, &[2_500])).await;
    next_run.clock.advance(TimeDelta::minutes(11));
    device.push(case(721, &[2_500])).await;
    let (returned, _) = next_alarm(&mut stream).await;
    assert_eq!(
        returned.state,
        pb::AlarmState::ReturnedUnacknowledged as i32
    );
    kept_as(&next_run, "returned_unacknowledged").await;
    next_run.finish().await;
}

#[tokio::test]
async fn while_the_database_is_away_alarms_are_told_journaled_and_later_kept_once() {
    let folder = std::env::temp_dir().join(format!("restvolt-journal-{:032x}", fresh_number()));
    let journal = folder.join("alarm-journal").display().to_string();
    let settings = [
        ("alarm.webhook_allow", "127.0.0.1"),
        ("alarm.journal_file", journal.as_str()),
    ];
    let url = database::fresh();
    let stack = Stack::start_on(url.clone(), Clock::fixed(noon()), &settings).await;
    let receiver = Receiver::start().await;
    let secret = route(&stack, pb::AlarmLevel::Bench, "page", &receiver.url()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[2_500])).await;
    let mut stream = subscribe(&stack, &stack.operator, "").await;
    // The registry is asked about a new device within a second.
    tokio::time::sleep(Duration::from_millis(700)).await;
    database::away(&url, true).await;
    let refused = device.try_push(case(2, &[7_000])).await.unwrap_err();
    assert_eq!(refused.code(), Code::Unavailable, "nothing is acknowledged");
    let (alarm, _) = next_alarm(&mut stream).await;
    assert!(alarm.line.contains("Kelder"), "{}", alarm.line);
    let told = receiver.alarms(1, &secret).await;
    assert_eq!(told[0]["alarm_id"], alarm.alarm_id);
    until(|| async {
        std::fs::metadata(&journal)
            .ok()
            .filter(|file| file.len() > 0)
    })
    .await;
    // As a crash leaves it: the journal is there when the next run starts.
    let copy = std::fs::read(&journal).unwrap();
    database::away(&url, false).await;
    kept_as(&stack, "active_unacknowledged").await;
    until(|| async { (std::fs::metadata(&journal).unwrap().len() == 0).then_some(()) }).await;
    assert_eq!(device.push(case(2, &[7_000])).await.stored_count, 1);
    stack.finish().await;
    std::fs::write(&journal, copy).unwrap();
    let next_run = Stack::start_on(url, Clock::fixed(noon()), &settings).await;
    until(|| async { (std::fs::metadata(&journal).unwrap().len() == 0).then_some(()) }).await;
    let rows = kept(&next_run).await;
    assert_eq!(rows.len(), 1, "once: {rows:?}");
    next_run.finish().await;
    std::fs::remove_dir_all(folder).unwrap();
}

#[tokio::test]
async fn a_charger_that_falls_silent_is_an_alarm_and_comes_back() {
    let stack = started(database::fresh()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[2_500; 10])).await;
    stack.clock.advance(TimeDelta::seconds(59));
    tokio::time::sleep(Duration::from_millis(600)).await;
    assert!(open(&stack).await.is_empty());
    stack.clock.advance(TimeDelta::seconds(1));
    let lost = one_open(&stack).await;
    assert_eq!(lost.kind, pb::AlarmKind::ContactLost as i32);
    assert_eq!(lost.value, "60 s");
    device.push(case(71, &[2_500])).await;
    until(|| async {
        let state = open(&stack).await.pop()?.state;
        (state == pb::AlarmState::ReturnedUnacknowledged as i32).then_some(())
    })
    .await;
    acknowledge(&stack, &lost.alarm_id, "M. Kelder")
        .await
        .unwrap();
    assert!(open(&stack).await.is_empty());
    stack.finish().await;
}

#[tokio::test]
async fn people_are_told_step_by_step_until_one_of_them_has_seen_it() {
    let stack = started(database::fresh()).await;
    let receiver = Receiver::start().await;
    let secret = route(&stack, pb::AlarmLevel::Shop, "M. Kelder", &receiver.url()).await;
    route(&stack, pb::AlarmLevel::Manager, "T. Vell", "").await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    // The charge ends with it: silence is expected.
    let mut hot = case(1, &[7_000]);
    hot.events.push(end(1, 1));
    device.push(hot).await;
    let alarm = one_open(&stack).await;
    assert_eq!(
        receiver.count(),
        0,
        "the shop's contact is told after two minutes"
    );
    stack.clock.advance(TimeDelta::minutes(2));
    let told = receiver.alarms(1, &secret).await;
    assert_eq!(told[0]["alarm_id"], alarm.alarm_id);
    stack.clock.advance(TimeDelta::minutes(3));
    let named = ["shop M. Kelder", "manager T. Vell"];
    until(|| async { (one_open(&stack).await.told == named).then_some(()) }).await;
    acknowledge(&stack, &alarm.alarm_id, "M. Kelder")
        .await
        .unwrap();
    stack.clock.advance(TimeDelta::minutes(30));
    tokio::time::sleep(Duration::from_millis(800)).await;
    assert_eq!(receiver.count(), 1, "nobody is called once it was seen");
    stack.finish().await;
}

#[tokio::test]
async fn a_receiver_that_fails_is_tried_again_and_inside_addresses_are_refused() {
    let stack = Stack::start().await;
    for url in ["https://127.0.0.1/x", "http://10.0.0.1/x", "https://[::1]/"] {
        let new = pb::SetAlarmRouteRequest {
            shop_id: stack.shop_id.clone(),
            level: pb::AlarmLevel::Bench as i32,
            name: "inside".into(),
            url: url.into(),
            ..Default::default()
        };
        let refused = stack
            .alarms()
            .set_alarm_route(with(&stack.operator, new))
            .await;
        let refused = refused.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument, "{url}: {refused}");
    }
    // A name is judged when it is resolved, with each attempt.
    route(
        &stack,
        pb::AlarmLevel::Bench,
        "named",
        "https://localhost:9/x",
    )
    .await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    let why = "select coalesce((select last_error from rv.notification limit 1), '')";
    until(|| async {
        let text: String = stack.sql(why).await;
        text.contains("private or special").then_some(())
    })
    .await;
    stack.finish().await;

    let stack = started(database::fresh()).await;
    let receiver = Receiver::start().await;
    receiver.answer(503);
    let secret = route(&stack, pb::AlarmLevel::Bench, "page", &receiver.url()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    until(|| async { (receiver.refusals() == 1).then_some(()) }).await;
    stack.clock.advance(TimeDelta::seconds(1));
    until(|| async { (receiver.refusals() == 2).then_some(()) }).await;
    receiver.answer(200);
    stack.clock.advance(TimeDelta::seconds(5));
    receiver.alarms(1, &secret).await;
    let tried =
        "select coalesce((select attempts from rv.notification where state = 'delivered'), 0)";
    until(|| async { (stack.sql::<i32>(tried).await == 3).then_some(()) }).await;
    stack.finish().await;
}
