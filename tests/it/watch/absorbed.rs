//! A session that another one absorbed: what was told of it ends, unless the device's other runs hold it.

use chrono::TimeDelta;
use restvolt::alarm::condition::Edge;
use restvolt::alarm::kind::Kind;
use restvolt::edge::pb;

use super::{Scene, listener};
use crate::harness::database;

/// Ten minutes of a hot charge.
fn hot() -> pb::SampleBatch {
    pb::SampleBatch {
        first_seq: 1,
        start_milliseconds: 10_000,
        step_milliseconds: (0..60).map(|n| if n == 0 { 0 } else { 10_000 }).collect(),
        voltage_millivolts: vec![12_600; 60],
        current_milliamperes: vec![2_000; 60],
        case_centidegrees_celsius: vec![5_600; 60],
        ..pb::SampleBatch::default()
    }
}

/// Late samples join sessions seldom and in few ways; the row is changed as intake changes it.
async fn absorb(scene: &Scene, boot: i64) {
    let mut conn = database::superuser(&scene.stack.url).await;
    sqlx::query("update rv.session set state = 'absorbed', dirty = false where boot_id = $1")
        .bind(boot)
        .execute(&mut conn)
        .await
        .unwrap();
}

#[tokio::test]
async fn what_an_absorbed_session_told_ends_where_no_other_run_of_its_device_holds_it() {
    let mut scene = Scene::new().await;
    let (heard, told) = listener();
    let mut watch = scene.watch(told);
    let (first, second) = (scene.charger.boot, scene.charger.boot + 1);
    for boot in [first, second] {
        scene.charger.boot = boot;
        scene.charger.push(hot()).await;
        watch.look().await.unwrap();
    }
    let each = |edge| [(Kind::OverTemperature, edge), (Kind::StopAdvised, edge)];
    let on = [each(Edge::On), each(Edge::On)].concat();
    assert_eq!(*heard.lock().unwrap(), on, "told by each run");
    absorb(&scene, first).await;
    scene.stack.clock.advance(TimeDelta::seconds(5));
    watch.look().await.unwrap();
    assert_eq!(watch.count(), 1);
    assert_eq!(
        heard.lock().unwrap().len(),
        on.len(),
        "the other run holds it still"
    );
    absorb(&scene, second).await;
    scene.stack.clock.advance(TimeDelta::seconds(5));
    watch.look().await.unwrap();
    assert_eq!(watch.count(), 0);
    assert_eq!(heard.lock().unwrap()[on.len()..], each(Edge::Off));
    scene.stack.finish().await;
}
