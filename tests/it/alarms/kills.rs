//! Alarms while service and database are killed: none is lost, none becomes two.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use nix::sys::signal::{Signal, kill};
use restvolt::clock::Clock;
use restvolt::edge::pb;
use restvolt::edge::pb::alarm_service_client::AlarmServiceClient;
use restvolt::edge::pb::telemetry_service_client::TelemetryServiceClient;
use restvolt::edge::wire::timestamp;
use serde_json::Value;
use sqlx::{Connection as _, PgConnection};
use tonic::Request;
use tonic::transport::{Channel, Endpoint};
use uuid::Uuid;

use super::receiver::Receiver;
use super::storm::{KINDS, percentiles, terrible};
use super::until;
use crate::harness::database;
use crate::harness::device::run;
use crate::harness::process::{Place, Service};
use crate::harness::with;

/// Devices of one push.
const TOGETHER: usize = 20;
/// Longest time until the last alarm was told.
const LIMIT: Duration = Duration::from_mins(1);

/// A service in a process of its own, with routes to a receiver of the test.
struct Scene {
    place: Place,
    service: Option<Service>,
    receiver: Receiver,
    /// Signs what the receiver gets.
    secret: String,
    /// May send for every device.
    gateway: String,
    devices: Vec<Uuid>,
    /// When the devices began to measure.
    began: DateTime<Utc>,
}

fn serve(place: &Place) -> Service {
    place.serve_with(|command| {
        command.env("RESTVOLT_ALARM__WEBHOOK_ALLOW", "127.0.0.1");
    })
}

pub(super) fn token(place: &Place, name: &str, scope: &str) -> String {
    let made = place.run(&["--json", "token", "create", name, "--scope", scope]);
    let answer: Value = serde_json::from_slice(&made.stdout).unwrap();
    answer["secret"].as_str().unwrap().to_owned()
}

/// Five alarms of a device whose clock is set, runs an hour ahead or is not set: heard again after a death they
/// are the same ones.
fn dated(device: &Uuid, began: DateTime<Utc>) -> pb::SampleBatch {
    let claimed = match device.as_u128() % 3 {
        0 => Some(began - TimeDelta::minutes(1)),
        1 => Some(began + TimeDelta::hours(1)),
        _ => None,
    };
    let clock = claimed.map_or(pb::ClockState::None, |_| pb::ClockState::Synced);
    pb::SampleBatch {
        clock: clock as i32,
        start_time: claimed.map(timestamp),
        ..terrible(device)
    }
}

impl Scene {
    async fn new(devices: usize) -> Self {
        let place = Place::new();
        let service = Some(serve(&place));
        let operator = token(&place, "operator", "operator");
        let gateway = token(&place, "gateway", "integrator");
        let receiver = Receiver::start().await;
        drop(place.charger().await);
        let mut scene = Self {
            place,
            service,
            receiver,
            secret: String::new(),
            gateway,
            devices: Vec::new(),
            began: Clock::System.now(),
        };
        let mut conn = scene.database().await;
        let (group, shop, bench): (Uuid, Uuid, Uuid) = sqlx::query_as(
            "select group_id, shop_id, bench_id from rv.bench order by bench_id limit 1",
        )
        .fetch_one(&mut conn)
        .await
        .unwrap();
        scene.devices = super::storm::made(&mut conn, (group, bench), devices).await;
        let route = pb::SetAlarmRouteRequest {
            shop_id: shop.to_string(),
            level: pb::AlarmLevel::Bench as i32,
            name: "page".into(),
            url: scene.receiver.url(),
            ..Default::default()
        };
        let mut alarms = AlarmServiceClient::new(scene.channel());
        let set = alarms.set_alarm_route(with(&operator, route)).await;
        scene.secret = set.unwrap().into_inner().secret;
        scene
    }

    /// Its database, past every wall.
    async fn database(&self) -> PgConnection {
        let (socket, port) = self.place.socket();
        let url = format!(
            "postgres://postgres@localhost:{port}/restvolt?host={}",
            socket.display()
        );
        database::superuser(&url).await
    }

    /// What the database has of one device.
    async fn stored(&self, device: &str) -> String {
        let mut conn = self.database().await;
        sqlx::query_scalar(
            "select concat_ws(E'\\n', 'samples ' || (select sum(sample_count) from rv.segment where device_id = $1),
                (select string_agg(concat_ws(' ', a.kind, a.state, a.revision, a.raised_at, a.changed_at, a.told), E'\\n')
                    from rv.alarm a where a.device_id = $1),
                (select string_agg(concat_ws(' ', n.state, n.revision, n.attempts, n.last_error, n.created_at), E'\\n')
                    from rv.notification n join rv.alarm a using (group_id, alarm_id)
                    where a.device_id = $1))",
        )
        .bind(Uuid::parse_str(device).unwrap())
        .fetch_one(&mut conn)
        .await
        .unwrap()
    }

    /// Connects again by itself after each death.
    fn channel(&self) -> Channel {
        let endpoint = Endpoint::from_shared(format!("http://{}", self.place.grpc)).unwrap();
        endpoint.connect_lazy()
    }

    /// Kills the service, or its database, and brings the service back.
    fn kill(&mut self, database_too: bool) {
        if database_too {
            kill(self.place.postmaster(), Signal::SIGKILL).unwrap();
            // The service starts it again by itself, or ends and is started again.
            std::thread::sleep(Duration::from_millis(500));
        }
        self.die();
    }

    /// Kills the service and brings it back.
    fn die(&mut self) {
        if let Some(mut service) = self.service.take() {
            service.signal(Signal::SIGKILL);
            service.child.wait().unwrap();
        }
        self.service = Some(serve(&self.place));
    }

    /// One batch of each device.
    fn push(&self, part: &[Uuid]) -> Request<pb::PushRequest> {
        let batches = part.iter().map(|device| dated(device, self.began));
        let push = pb::PushRequest {
            batches: batches.collect(),
        };
        with(&self.gateway, push)
    }

    /// Sends one batch of each device, and does not wait.
    fn race(&self, part: &[Uuid]) -> tokio::task::JoinHandle<bool> {
        let mut telemetry = TelemetryServiceClient::new(self.channel());
        let push = self.push(part);
        tokio::spawn(async move { telemetry.push(push).await.is_ok() })
    }

    /// Sends one batch of each device until it is acknowledged; whether the first try was.
    async fn send(&self, part: &[Uuid]) -> bool {
        let mut telemetry = TelemetryServiceClient::new(self.channel());
        let began = Instant::now();
        let mut tries = 0;
        loop {
            tries += 1;
            let call = telemetry.push(self.push(part));
            if let Ok(Ok(_)) = tokio::time::timeout(Duration::from_secs(5), call).await {
                return tries == 1;
            }
            assert!(began.elapsed() < LIMIT, "nothing was acknowledged");
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }

    /// Healthy batches as fast as they are taken, whatever dies meanwhile.
    fn load(&self) -> tokio::task::JoinSet<()> {
        let mut load = tokio::task::JoinSet::new();
        for device in self.devices.iter().rev().take(4) {
            let (channel, gateway) = (self.channel(), self.gateway.clone());
            let name = device.to_string();
            load.spawn(async move {
                let mut telemetry = TelemetryServiceClient::new(channel);
                let mut part = 0;
                loop {
                    let batch = pb::SampleBatch {
                        device_id: name.clone(),
                        boot_id: 9,
                        ..run(60 * part + 1, 60 * part + 60)
                    };
                    let push = pb::PushRequest {
                        batches: vec![batch],
                    };
                    match telemetry.push(with(&gateway, push)).await {
                        Ok(_) => part += 1,
                        Err(_) => tokio::time::sleep(Duration::from_millis(100)).await,
                    }
                }
            });
        }
        load
    }
}

/// Kills while alarms are raised; `deaths` are shares of the devices after which the service dies, and
/// whether its database dies with it.
async fn killed(devices: usize, deaths: &[(f64, bool)]) -> String {
    // The last four devices are the load.
    let mut scene = Scene::new(devices + 4).await;
    let mut load = scene.load();
    let mut sent = BTreeMap::new();
    let mut at_once = BTreeSet::new();
    let mut deaths = deaths.iter().copied().peekable();
    let storm: Vec<Uuid> = scene.devices.iter().take(devices).copied().collect();
    for (number, part) in storm.chunks(TOGETHER).enumerate() {
        let share = (number * TOGETHER) as f64 / devices as f64;
        let at = Instant::now();
        sent.extend(part.iter().map(|device| (device.to_string(), at)));
        let death = deaths.next_if(|death| death.0 <= share);
        if let Some((_, database_too)) = death {
            // It dies with this part on its way.
            let racing = scene.race(part);
            tokio::time::sleep(Duration::from_millis(3)).await;
            tokio::task::block_in_place(|| scene.kill(database_too));
            drop(racing.await);
        }
        if scene.send(part).await && death.is_none() {
            at_once.extend(part.iter().map(ToString::to_string));
        }
    }
    let wanted = devices * KINDS;
    let began = Instant::now();
    let told = loop {
        let told = scene.receiver.told(&scene.secret);
        let mut keys: BTreeSet<(&str, &str)> = told.iter().map(|(_, alarm)| key(alarm)).collect();
        keys.retain(|(device, _)| sent.contains_key(*device));
        if keys.len() >= wanted {
            break told;
        }
        if began.elapsed() > LIMIT {
            let heard: BTreeSet<&str> = keys.iter().map(|(device, _)| *device).collect();
            let silent = sent.keys().find(|device| !heard.contains(device.as_str()));
            let stored = match silent {
                Some(device) => scene.stored(device).await,
                None => "each device told something".to_owned(),
            };
            panic!(
                "{} of {wanted} alarms were told; {silent:?}: {stored}\n{}",
                keys.len(),
                scene.place.log()
            );
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    };
    load.shutdown().await;
    // One device and kind is one alarm, however often it was told, sent again or taken up again.
    let mut alarms: BTreeMap<(&str, &str), BTreeSet<&str>> = BTreeMap::new();
    let mut messages: BTreeMap<&str, &Value> = BTreeMap::new();
    let mut first: BTreeMap<&str, (&str, Instant)> = BTreeMap::new();
    let of_storm = |(_, alarm): &&(Instant, Value)| sent.contains_key(key(alarm).0);
    for (at, alarm) in told.iter().filter(of_storm) {
        let id = alarm["alarm_id"].as_str().unwrap();
        alarms.entry(key(alarm)).or_default().insert(id);
        let notification = alarm["notification_id"].as_str().unwrap();
        let before = messages.insert(notification, alarm);
        assert!(before.is_none_or(|before| before["alarm_id"] == alarm["alarm_id"]));
        first.entry(id).or_insert((key(alarm).0, *at));
    }
    assert_eq!(alarms.len(), wanted, "no alarm of anything else");
    let twice: Vec<_> = alarms.iter().filter(|(_, ids)| ids.len() > 1).collect();
    assert!(
        twice.is_empty(),
        "one condition became two alarms: {twice:?}"
    );
    let delay = |(device, at): &(&str, Instant)| at.saturating_duration_since(sent[*device]);
    let (calm, through): (Vec<_>, Vec<_>) = first
        .values()
        .partition(|(device, _)| at_once.contains(*device));
    let deliveries = told.len();
    let (p50, p99, max) = percentiles(calm.iter().map(delay).collect());
    let told = format!(
        "{wanted} alarms, lost 0, two for one 0: {} told while the service lived, p50 {p50:?}, p99 {p99:?}, max \
         {max:?}; {} through a death of service or database; {} deliveries, {} after removing repetitions",
        calm.len(),
        through.len(),
        deliveries,
        messages.len(),
    );
    assert!(!through.is_empty(), "a death fell on no alarm");
    if let Some(service) = scene.service.take() {
        service.stop(&scene.place);
    }
    told
}

/// Device and kind of an alarm.
fn key(alarm: &Value) -> (&str, &str) {
    (
        alarm["device_id"].as_str().unwrap(),
        alarm["kind"].as_str().unwrap(),
    )
}

/// With 160 devices; `RESTVOLT_STORM_DEVICES=2000` makes it ten thousand alarms.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_alarm_is_lost_or_doubled_when_service_and_database_are_killed() {
    let asked = std::env::var("RESTVOLT_STORM_DEVICES").ok();
    let devices = asked.map_or(160, |count| count.parse().unwrap());
    let deaths = [
        (0.1, false),
        (0.25, true),
        (0.4, false),
        (0.55, true),
        (0.7, false),
        (0.85, true),
    ];
    let few = [(0.2, false), (0.5, true), (0.8, false)];
    let deaths: &[(f64, bool)] = if devices > 1_000 { &deaths } else { &few };
    println!("{}", killed(devices, deaths).await);
}

/// Told at once, and the service dies while the database holds every alarm back: what is sent again is the alarm that
/// was told, whatever the clock of its device says.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_alarm_that_was_told_and_not_kept_is_the_same_alarm_when_it_is_heard_again() {
    let mut scene = Scene::new(24).await;
    let devices = scene.devices.clone();
    let (kinds, wanted) = (scene.devices.len() * KINDS, "select count(*) from rv.alarm");
    let mut conn = scene.database().await;
    let mut tx = conn.begin().await.unwrap();
    let lock = sqlx::query("lock table rv.alarm in exclusive mode");
    lock.execute(&mut *tx).await.unwrap();
    let racing = scene.race(&devices);
    until(|| async { (ids(&scene).len() == kinds).then_some(()) }).await;
    let kept: i64 = sqlx::query_scalar(wanted)
        .fetch_one(&mut *tx)
        .await
        .unwrap();
    assert_eq!(kept, 0);
    // The database dies with it, and the lock with that.
    tokio::task::block_in_place(|| scene.die());
    let first = ids(&scene);
    assert!(
        !racing.await.unwrap(),
        "nothing was kept, nothing is acknowledged"
    );
    scene.send(&devices).await;
    let mut conn = scene.database().await;
    let kept: i64 = sqlx::query_scalar(wanted)
        .fetch_one(&mut conn)
        .await
        .unwrap();
    assert_eq!(
        kept,
        i64::try_from(kinds).unwrap(),
        "acknowledged once kept"
    );
    assert_eq!(ids(&scene), first, "told again as what it was");
    scene.service.take().unwrap().stop(&scene.place);
}

/// A device that begins each start with the same number at the same time names two samples alike: the second alarm is
/// kept all the same, also when the first was closed long ago and is forgotten.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_device_that_counts_its_starts_wrongly_loses_no_alarm() {
    let mut scene = Scene::new(1).await;
    let devices = scene.devices.clone();
    let open = "select count(*) from rv.alarm where state <> 'normal'";
    scene.send(&devices).await;
    let mut conn = scene.database().await;
    let kept: i64 = sqlx::query_scalar(open).fetch_one(&mut conn).await.unwrap();
    assert_eq!(kept, i64::try_from(KINDS).unwrap());
    sqlx::raw_sql(
        "update rv.alarm set state = 'normal', life = jsonb_set(life, '{state}', '\"normal\"'),
            changed_at = now() - interval '3 days'",
    )
    .execute(&mut conn)
    .await
    .unwrap();
    tokio::task::block_in_place(|| scene.die());
    scene.send(&devices).await;
    let mut conn = scene.database().await;
    let kept: i64 = sqlx::query_scalar(open).fetch_one(&mut conn).await.unwrap();
    assert_eq!(kept, i64::try_from(KINDS).unwrap());
    scene.service.take().unwrap().stop(&scene.place);
}

/// Device, kind and id of every alarm that was told.
fn ids(scene: &Scene) -> BTreeSet<(String, String, String)> {
    let told = scene.receiver.told(&scene.secret);
    let named = told.iter().map(|(_, alarm)| {
        let (device, kind) = key(alarm);
        let id = alarm["alarm_id"].as_str().unwrap();
        (device.to_owned(), kind.to_owned(), id.to_owned())
    });
    named.collect()
}
