//! Many alarms at once under load: none is lost, none comes twice.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use restvolt::edge::pb;
use sqlx::PgConnection;
use uuid::Uuid;

use super::receiver::Receiver;
use super::{next, route, started, subscribe, until};
use crate::harness::device::run;
use crate::harness::{Stack, database, with};

/// Devices of the storm; each raises five kinds.
const DEVICES: usize = 400;
/// Kinds one batch raises.
pub(super) const KINDS: usize = 5;

/// Devices of the first bench.
async fn devices(stack: &Stack) -> Vec<Uuid> {
    let mut conn = database::superuser(&stack.url).await;
    let bench = Uuid::parse_str(&stack.bench_id).unwrap();
    made(&mut conn, (stack.group, bench), DEVICES).await
}

/// Devices of one bench, as many as stand on one.
const ON_A_BENCH: i32 = 10;

/// Devices on benches of their own in the shop of a bench, made past the doors.
pub(super) async fn made(
    conn: &mut PgConnection,
    (group, bench): (Uuid, Uuid),
    count: usize,
) -> Vec<Uuid> {
    let made = sqlx::query_scalar(
        "with benches as (insert into rv.bench (group_id, bench_id, shop_id, name)
            select $1, gen_random_uuid(), shop_id, 'storm ' || n from rv.bench
                cross join generate_series(0, ($3 - 1) / $4) n where group_id = $1 and bench_id = $2
            returning bench_id, name),
        made as (insert into rv.device (group_id, device_id, name, kind, created_at)
            select $1, gen_random_uuid(), 'charger ' || n, 'charger', now() from generate_series(0, $3 - 1) n
            returning device_id, name),
        placed as (insert into rv.device_assignment (group_id, device_id, valid_from, bench_id)
            select $1, d.device_id, now() - interval '10 years', b.bench_id from made d
                join benches b on b.name = 'storm ' || (split_part(d.name, ' ', 2)::int / $4))
        select device_id from made",
    )
    .bind(group)
    .bind(bench)
    .bind(i32::try_from(count).unwrap())
    .bind(ON_A_BENCH);
    made.fetch_all(conn).await.unwrap()
}

/// Over-temperature, sensor fault, over-voltage, reversed and the device's own fault in one batch.
pub(super) fn terrible(device: &Uuid) -> pb::SampleBatch {
    pb::SampleBatch {
        device_id: device.to_string(),
        boot_id: 7,
        first_seq: 1,
        start_milliseconds: 1_000,
        step_milliseconds: vec![0, 1_000, 1_000, 1_000],
        voltage_millivolts: vec![19_000, 13_000, -9_000, -9_000],
        case_centidegrees_celsius: vec![9_000, 25_000, 2_500, 2_500],
        events: vec![pb::Event {
            event_seq: 1,
            after_seq: 4,
            time_milliseconds: 4_000,
            kind: pb::EventKind::Fault as i32,
            ..pb::Event::default()
        }],
        ..pb::SampleBatch::default()
    }
}

pub(super) fn percentiles(mut delays: Vec<Duration>) -> (Duration, Duration, Duration) {
    delays.sort_unstable();
    let at = |share: usize| delays[(delays.len() - 1) * share / 1_000];
    (at(500), at(990), at(1_000))
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_thousand_alarms_under_load_come_each_once_to_stream_webhook_and_table() {
    let stack = started(database::fresh()).await;
    let receiver = Receiver::start().await;
    let secret = route(&stack, pb::AlarmLevel::Bench, "page", &receiver.url()).await;
    let devices = devices(&stack).await;
    let gateway = stack.token(pb::Scope::Integrator, "").await;
    // Load: four devices that send healthy batches as fast as they are taken.
    let mut load = tokio::task::JoinSet::new();
    for _ in 0..4 {
        let mut device = stack.device(pb::DeviceKind::Charger).await;
        load.spawn(async move {
            for part in 0.. {
                device.push(run(60 * part + 1, 60 * part + 60)).await;
            }
        });
    }
    let mut stream = subscribe(&stack, &stack.operator, "").await;
    assert!(next(&mut stream).await.alarm.is_none());
    let reading = tokio::task::spawn(async move {
        let mut seen: BTreeMap<String, (String, Instant, u32)> = BTreeMap::new();
        while seen.len() < DEVICES * KINDS {
            if let Some(alarm) = next(&mut stream).await.alarm {
                let first = (alarm.device_id, Instant::now(), 0);
                seen.entry(alarm.alarm_id).or_insert(first).2 += 1;
            }
        }
        seen
    });
    let mut sent = BTreeMap::new();
    for part in devices.chunks(20) {
        let push = pb::PushRequest {
            batches: part.iter().map(terrible).collect(),
        };
        let at = Instant::now();
        sent.extend(part.iter().map(|device| (device.to_string(), at)));
        let mut telemetry = stack.telemetry();
        telemetry.push(with(&gateway, push)).await.unwrap();
    }
    let seen = reading.await.unwrap();
    let shown = seen.values().map(|(device, at, _)| *at - sent[device]);
    let (p50, p99, max) = percentiles(shown.collect());
    println!(
        "{} alarms on the stream: p50 {p50:?}, p99 {p99:?}, max {max:?}",
        seen.len()
    );
    let told = until(|| async {
        let told = receiver.told(&secret);
        let ids: BTreeSet<&str> = told
            .iter()
            .map(|(_, alarm)| alarm["alarm_id"].as_str().unwrap())
            .collect();
        (ids.len() >= DEVICES * KINDS).then_some(told.clone())
    })
    .await;
    let mut first: BTreeMap<&str, Duration> = BTreeMap::new();
    let mut notifications = BTreeSet::new();
    for (at, alarm) in &told {
        let id = alarm["alarm_id"].as_str().unwrap();
        let device = alarm["device_id"].as_str().unwrap();
        first.entry(id).or_insert(*at - sent[device]);
        let new = notifications.insert(alarm["notification_id"].as_str().unwrap());
        assert!(new, "told twice: {alarm}");
    }
    let (p50, p99, max) = percentiles(first.values().copied().collect());
    println!(
        "{} alarms in {} messages by webhook: p50 {p50:?}, p99 {p99:?}, max {max:?}",
        first.len(),
        receiver.count()
    );
    assert_eq!(first.len(), DEVICES * KINDS);
    assert!(seen.keys().all(|id| first.contains_key(id.as_str())));
    load.shutdown().await;
    let rows = "select count(*) from rv.alarm a where exists
        (select from rv.notification n where n.alarm_id = a.alarm_id and n.state = 'delivered')";
    let expected = i64::try_from(DEVICES * KINDS).unwrap();
    until(|| async { (stack.sql::<i64>(rows).await == expected).then_some(()) }).await;
    let rows: i64 = stack.sql("select count(*) from rv.alarm").await;
    assert_eq!(rows, expected);
    stack.finish().await;
}
