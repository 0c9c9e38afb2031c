//! The live watch: simulated charges sent to the real service, followed, taken over, summed up.

use std::sync::{Arc, Mutex};

use chrono::{DateTime, TimeDelta, Utc};
use restvolt::alarm::condition::{Condition, Edge};
use restvolt::alarm::kind::Kind;
use restvolt::analysis::context::Context;
use restvolt::analysis::rules::Rules;
use restvolt::analysis::run::analyze;
use restvolt::clock::Clock;
use restvolt::edge::pb;
use restvolt::edge::wire::timestamp;
use restvolt::query::{Caller, runs};
use restvolt::record::words::{Chemistry, Scope};
use restvolt::simulation::{Case, Setup};
use restvolt::watch::{Told, Watch, nobody};
use serde_json::Value;
use uuid::Uuid;

use crate::harness::bench::Bench;
use crate::harness::{Device, Stack, database, noon, with};

mod absorbed;
mod rules;
mod stream;

/// Seconds between two samples of a simulated device.
const EVERY_S: i64 = 10;
/// Samples in a batch: five minutes.
const IN_BATCH: i64 = 30;

/// A simulated charge as its devices send it: batches of charger and sensor, five minutes each.
pub(crate) struct Charged {
    setup: Setup,
    charger: Vec<pb::SampleBatch>,
    sensor: Vec<pb::SampleBatch>,
}

pub(crate) fn charged(case: Case, seed: u64, hours: i64) -> Charged {
    let mut setup = Setup::draw(case, seed);
    setup.charge.start();
    let empty = |first_seq: i64| pb::SampleBatch {
        first_seq,
        start_milliseconds: 1_000 * EVERY_S * first_seq,
        ..pb::SampleBatch::default()
    };
    let (mut charger, mut sensor) = (Vec::new(), Vec::new());
    let mut open = (empty(1), empty(1));
    for second in 1..=3_600 * hours {
        let moment = setup.charge.advance();
        if second % EVERY_S != 0 {
            continue;
        }
        let step = if open.0.step_milliseconds.is_empty() {
            0
        } else {
            1_000 * EVERY_S as i32
        };
        let fixed = |value: f64, scale: f64| (value * scale).round() as i32;
        open.0.step_milliseconds.push(step);
        open.0
            .voltage_millivolts
            .push(fixed(moment.charger_v, 1_000.0));
        open.0
            .current_milliamperes
            .push(fixed(moment.amperes, 1_000.0));
        open.1.step_milliseconds.push(step);
        let case = fixed(moment.case_celsius, 100.0);
        open.1.case_centidegrees_celsius.push(case);
        let air = fixed(moment.ambient_celsius, 100.0);
        open.1.ambient_centidegrees_celsius.push(air);
        if second % (EVERY_S * IN_BATCH) == 0 {
            let next = second / EVERY_S + 1;
            let (one, other) = std::mem::replace(&mut open, (empty(next), empty(next)));
            charger.push(one);
            sensor.push(other);
        }
    }
    Charged {
        setup,
        charger,
        sensor,
    }
}

/// A service whose charges are watched by the test, with two devices on one bench.
pub(crate) struct Scene {
    pub(crate) stack: Stack,
    pub(crate) charger: Device,
    pub(crate) sensor: Device,
    pub(crate) session: Option<Uuid>,
}

impl Scene {
    pub(crate) async fn new() -> Self {
        let clock = Clock::fixed(noon());
        let settings = [("watch.runs_max", "0")];
        let stack = Stack::start_on(database::fresh(), clock, &settings).await;
        let charger = stack.device(pb::DeviceKind::Charger).await;
        let sensor = stack.device(pb::DeviceKind::Sensor).await;
        Self {
            stack,
            charger,
            sensor,
            session: None,
        }
    }

    pub(crate) fn watch(&self, told: Told) -> Watch {
        let store = self.stack.stores.intake.clone();
        Watch::new(store, self.stack.clock.clone(), 100, told)
    }

    /// Five more minutes of both devices.
    pub(crate) async fn send(&mut self, charged: &Charged, part: usize) {
        self.stack.clock.advance(TimeDelta::minutes(5));
        self.charger.push(charged.charger[part].clone()).await;
        self.sensor.push(charged.sensor[part].clone()).await;
        if self.session.is_none() {
            let session = self.stack.sessions(&self.charger).await.remove(0);
            self.session = Some(session.session_id.parse().unwrap());
        }
    }

    /// The charger says that the charge is over; the session closes.
    pub(crate) async fn end(&mut self, charged: &Charged) {
        let last = charged.charger.last().unwrap();
        let after_seq = last.first_seq + IN_BATCH - 1;
        self.charger
            .push(pb::SampleBatch {
                events: vec![pb::Event {
                    event_seq: 1,
                    after_seq,
                    time_milliseconds: 1_000 * EVERY_S * after_seq,
                    kind: pb::EventKind::SessionEnd as i32,
                    ..pb::Event::default()
                }],
                ..pb::SampleBatch::default()
            })
            .await;
        self.stack.do_jobs().await;
    }

    /// An attempt on a battery that claims the charge.
    pub(crate) async fn claim(&self, charged: &Charged) -> String {
        let mut bench = Bench::new(&self.stack).await;
        let facts = pb::VisitFacts {
            battery: Some(pb::BatteryFacts {
                chemistry: pb::Chemistry::Agm as i32,
                nominal_volts: i32::from(charged.setup.nominal_volts),
                segment: pb::Segment::Powersports as i32,
                rated_capacity_ampere_hours: Some(charged.setup.rated_ah),
                ..Default::default()
            }),
            rest_volts: Some(charged.setup.start_v),
            presented_time: Some(timestamp(noon())),
            ..Default::default()
        };
        let begun = (pb::Purpose::RecoveryCharge, self.stack.bench_id.as_str());
        let attempt_id = bench.begin(facts, begun).await;
        let claim = pb::ClaimSessionRequest {
            attempt_id: attempt_id.clone(),
            session_id: self.session.unwrap().to_string(),
            whole_run: true,
        };
        let claimed = bench.service.claim_session(with(&bench.token, claim)).await;
        claimed.unwrap();
        attempt_id
    }

    /// Findings as SQL users see them: kind, state, revision.
    pub(crate) async fn findings(&self) -> Vec<(String, String, i32)> {
        let mut conn = database::superuser(&self.stack.url).await;
        sqlx::query_as("select kind, state, revision from report.finding order by since_at, kind")
            .fetch_all(&mut conn)
            .await
            .unwrap()
    }

    /// The newest summary: revision and body.
    pub(crate) async fn summary(&self) -> (i32, Value) {
        let mut conn = database::superuser(&self.stack.url).await;
        let (revision, body): (i32, String) = sqlx::query_as(
            "select revision, body::text from rv.run_summary order by revision desc limit 1",
        )
        .fetch_one(&mut conn)
        .await
        .unwrap();
        (revision, serde_json::from_str(&body).unwrap())
    }

    /// What the analysis says of the same samples without any service.
    pub(crate) async fn offline(&self, context: &Context) -> Value {
        let caller = Caller {
            group: self.stack.group,
            scope: Scope::Operator,
            shop: None,
            device: None,
            name: "test".into(),
        };
        let store = &self.stack.stores.questions;
        let whole = runs::load(store, &caller, self.session.unwrap()).await;
        let report = analyze(&whole.unwrap(), &Rules::default(), context);
        serde_json::to_value(report).unwrap()
    }
}

fn battery(charged: &Charged) -> Context {
    Context {
        claimed: true,
        nominal_v: Some(charged.setup.nominal_volts),
        chemistry: Chemistry::Agm,
        c20_ah: Some(charged.setup.rated_ah),
        start_rest_v: Some(charged.setup.start_v),
        ..Context::default()
    }
}

/// Equal but for the last digits, which a database writes otherwise.
fn same(one: &Value, other: &Value, path: &str) {
    match (one, other) {
        (Value::Object(a), Value::Object(b)) => {
            assert_eq!(a.len(), b.len(), "{path}");
            for (key, value) in a {
                same(value, &b[key], &format!("{path}.{key}"));
            }
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len(), "{path}");
            for (n, (x, y)) in a.iter().zip(b).enumerate() {
                same(x, y, &format!("{path}[{n}]"));
            }
        }
        (Value::Number(a), Value::Number(b)) => {
            let (a, b) = (a.as_f64().unwrap(), b.as_f64().unwrap());
            assert!((a - b).abs() <= 1e-12 * a.abs(), "{path}: {a} {b}");
        }
        _ => assert_eq!(one, other, "{path}"),
    }
}

type Heard = Arc<Mutex<Vec<(Kind, Edge)>>>;

fn listener() -> (Heard, Told) {
    let heard = Heard::default();
    let to = Arc::clone(&heard);
    let told = move |_, condition: &Condition| {
        to.lock().unwrap().push((condition.kind, condition.edge));
    };
    (heard, Arc::new(told))
}

#[tokio::test]
async fn a_shorted_cell_is_found_while_it_charges_and_a_second_process_takes_the_run_over() {
    let charge = charged(Case::ShortedCell, 1, 5);
    let mut scene = Scene::new().await;
    let (heard, told) = listener();
    let mut first = scene.watch(Arc::clone(&told));
    let mut second = scene.watch(told);
    scene.send(&charge, 0).await;
    let attempt = scene.claim(&charge).await;
    let mut found_at: Option<DateTime<Utc>> = None;
    let half = charge.charger.len() / 2;
    for part in 1..half {
        scene.send(&charge, part).await;
        first.look().await.unwrap();
        if found_at.is_none() && !scene.findings().await.is_empty() {
            found_at = Some(scene.stack.clock.now());
        }
    }
    assert_eq!((first.count(), second.count()), (1, 0));
    second.look().await.unwrap();
    assert_eq!(second.count(), 0, "the lease holds");
    let short = ("shorted_cell".to_owned(), "present".to_owned(), 1);
    let revision = scene.findings().await[0].2;
    let kinds = |found: Vec<(String, String, i32)>| -> Vec<(String, String)> {
        found.into_iter().map(|one| (one.0, one.1)).collect()
    };
    let before = scene.findings().await;
    assert_eq!(kinds(before.clone()), [(short.0.clone(), short.1.clone())]);
    let minutes = (found_at.unwrap() - noon()).num_minutes();
    eprintln!("shorted cell found {minutes} min after the start, revision {revision}");
    assert!(minutes <= 180, "{minutes}");
    // The first process stands still; its lease passes and the second takes the run over.
    scene.send(&charge, half).await;
    second.look().await.unwrap();
    assert_eq!(second.count(), 1);
    assert_eq!(scene.findings().await, before, "none lost, none doubled");
    first.look().await.unwrap();
    assert_eq!(first.count(), 0, "it gave the run up");
    for part in half + 1..charge.charger.len() {
        scene.send(&charge, part).await;
        second.look().await.unwrap();
        first.look().await.unwrap();
    }
    assert!(
        second.largest_bytes() <= 24 * 1024,
        "{}",
        second.largest_bytes()
    );
    eprintln!("a followed run takes {} bytes", second.largest_bytes());
    scene.end(&charge).await;
    second.look().await.unwrap();
    assert_eq!(second.count(), 0, "over");
    let left: i64 = scene
        .stack
        .sql("select count(*) from rv.work where kind = 'watch_run'")
        .await;
    assert_eq!(left, 0);
    let (_, body) = scene.summary().await;
    same(
        &body["report"],
        &scene.offline(&battery(&charge)).await,
        "report",
    );
    assert_eq!(
        body["stops"].as_array().unwrap().len(),
        3,
        "60, 120 and 240 min"
    );
    assert_eq!(body["stops"][1]["advice"]["level"], "stop_advised");
    assert_eq!(kinds(scene.findings().await), kinds(before));
    let heard = heard.lock().unwrap().clone();
    let edges = |kind: Kind| -> Vec<Edge> {
        let of_kind = heard
            .iter()
            .filter(|one| one.0 == kind && one.1 != Edge::Unchanged);
        of_kind.map(|one| one.1).collect()
    };
    for kind in [Kind::ShortedCell, Kind::StopAdvised] {
        assert_eq!(
            edges(kind),
            [Edge::On, Edge::On, Edge::Off],
            "{kind}: again by the second"
        );
    }
    let mut conn = database::superuser(&scene.stack.url).await;
    let checkpoints: Vec<(f64, String)> = sqlx::query_as(
        "select at_h, source from rv.checkpoint where attempt_id = $1 order by at_h",
    )
    .bind(attempt.parse::<Uuid>().unwrap())
    .fetch_all(&mut conn)
    .await
    .unwrap();
    let hours: Vec<f64> = checkpoints.iter().map(|one| one.0).collect();
    assert_eq!(hours, [0.25, 0.5, 1.0, 2.0, 4.0]);
    let run: (String, Option<f64>) =
        sqlx::query_as("select stop_120_level, charge_ampere_hours from report.run")
            .fetch_one(&mut conn)
            .await
            .unwrap();
    assert_eq!(run.0, "stop_advised");
    assert!(
        run.1.unwrap() > 0.5 * charge.setup.rated_ah * 0.08,
        "{run:?}"
    );
    scene.stack.finish().await;
}

#[tokio::test]
async fn a_healthy_charge_shows_nothing_and_late_samples_are_analyzed_in_their_place() {
    let charge = charged(Case::Healthy, 2, 4);
    let mut scene = Scene::new().await;
    let mut watch = scene.watch(nobody());
    scene.send(&charge, 0).await;
    scene.claim(&charge).await;
    watch.look().await.unwrap();
    let late = 7;
    for part in 1..charge.charger.len() {
        if part == late {
            scene.stack.clock.advance(TimeDelta::minutes(5));
            continue;
        }
        scene.send(&charge, part).await;
        watch.look().await.unwrap();
    }
    let state = "select revision from rv.watch_state";
    let before: i32 = scene.stack.sql(state).await;
    scene.stack.clock.advance(TimeDelta::seconds(1));
    scene.charger.push(charge.charger[late].clone()).await;
    watch.look().await.unwrap();
    let after: i32 = scene.stack.sql(state).await;
    assert_eq!(after, before + 1, "a late batch runs the run again");
    scene.sensor.push(charge.sensor[late].clone()).await;
    scene.end(&charge).await;
    watch.look().await.unwrap();
    let (revision, body) = scene.summary().await;
    assert!(revision >= after);
    same(
        &body["report"],
        &scene.offline(&battery(&charge)).await,
        "report",
    );
    assert_eq!(
        body["report"]["quality"]["charger"]["gap_count"], 0,
        "the hole is filled"
    );
    let lost = scene.findings().await;
    assert!(
        lost.iter()
            .all(|one| one.1 == "ended" && one.0 == "telemetry_lost"),
        "{lost:?}"
    );
    // Nothing new, no new revision; a claim that is taken back makes one that knows no battery.
    watch.look().await.unwrap();
    assert_eq!(scene.summary().await.0, revision);
    scene.stack.finish().await;
}

#[tokio::test]
async fn a_run_that_nobody_claimed_says_what_is_not_known_and_a_later_claim_makes_a_revision() {
    let charge = charged(Case::Healthy, 3, 1);
    let mut scene = Scene::new().await;
    let mut watch = scene.watch(nobody());
    for part in 0..charge.charger.len() {
        scene.send(&charge, part).await;
        watch.look().await.unwrap();
        if part == 5 {
            // A process that ends in order gives its runs back: no lease has to pass.
            watch.release().await.unwrap();
            watch = scene.watch(nobody());
            watch.look().await.unwrap();
            assert_eq!(watch.count(), 1);
        }
    }
    scene.end(&charge).await;
    watch.look().await.unwrap();
    let (first, body) = scene.summary().await;
    assert_eq!(body["report"]["claimed"], false);
    let missing: Vec<&str> = body["report"]["left_out"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["missing"].as_str().unwrap())
        .collect();
    assert!(missing.contains(&"chemistry") && missing.contains(&"rated capacity"));
    same(
        &body["report"],
        &scene.offline(&Context::default()).await,
        "report",
    );
    scene.claim(&charge).await;
    watch.look().await.unwrap();
    let (second, body) = scene.summary().await;
    assert_eq!(
        (second, &body["report"]["claimed"]),
        (first + 1, &Value::Bool(true))
    );
    same(
        &body["report"],
        &scene.offline(&battery(&charge)).await,
        "report",
    );
    scene.stack.finish().await;
}
