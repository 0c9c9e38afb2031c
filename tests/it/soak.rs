//! The small soak: real processes, killed under load, over all three doors; and that it can fail.

use std::process::Stdio;
use std::time::Duration;

use serde_json::Value;
use sqlx::postgres::PgConnectOptions;
use sqlx::{ConnectOptions as _, Connection as _};

use crate::harness::process::{Place, within};

fn soak(place: &Place, arguments: &[&str]) -> (bool, Vec<Value>, String) {
    let mut command = place.command(&[&["--json", "soak"], arguments].concat());
    command.stdout(Stdio::piped()).stderr(Stdio::piped());
    let output = within(Duration::from_mins(5), command.spawn().unwrap());
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    let lines = String::from_utf8(output.stdout).unwrap();
    let lines = lines
        .lines()
        .map(|line| serde_json::from_str(line).unwrap());
    (output.status.success(), lines.collect(), told)
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_acknowledged_is_lost_under_the_axe_and_a_loss_would_be_seen() {
    let place = Place::new();
    let folder = place.folder.join("soak");
    let folder = folder.to_str().unwrap();
    let faults = "service:3,postgres:1,broker:1";
    let (good, told, log) = soak(&place, &["--folder", folder, "--faults", faults]);
    assert!(good, "{told:?}{log}");
    let report = &told[0];
    eprintln!("{report}");
    for door in ["grpc", "mqtt", "broker"] {
        let found = &report["doors"][door];
        assert!(found["acknowledged"].as_i64().unwrap() > 100, "{found}");
        for count in ["lost", "twice", "different", "receipts_wrong"] {
            assert_eq!(found[count], 0, "{door} {count}");
        }
        assert!(found["bad_input"].as_i64().unwrap() >= 28);
        assert_eq!(found["bad_input_wrong"], Value::Array(Vec::new()));
    }
    for (fault, count) in [("service", 3), ("postgres", 1), ("broker", 1)] {
        assert_eq!(report["faults"][fault]["recovered"], count, "{report}");
    }
    // One run of samples is taken away behind the service's back.
    let kept = Place::at(&place.folder.join("soak"));
    let service = kept.serve();
    let (socket, port) = kept.socket();
    let options = PgConnectOptions::new_without_pgpass()
        .socket(socket)
        .port(port)
        .username("postgres")
        .database("restvolt");
    let mut conn = options.connect().await.unwrap();
    let taken: i32 = sqlx::query_scalar(
        "delete from rv.segment s using (
            select * from rv.segment join rv.device using (group_id, device_id)
            where name = 'mqtt 1' order by boot_id, first_seq limit 1) t
        where s.group_id = t.group_id and s.device_id = t.device_id
            and s.boot_id = t.boot_id and s.first_seq = t.first_seq
        returning s.sample_count",
    )
    .fetch_one(&mut conn)
    .await
    .unwrap();
    conn.close().await.unwrap();
    service.stop(&kept);
    let (good, found, _) = soak(&place, &["--again", folder]);
    assert!(!good);
    let mqtt = found.iter().find(|line| line["door"] == "mqtt").unwrap();
    assert_eq!(mqtt["lost"].as_i64(), Some(i64::from(taken)), "{mqtt}");
    assert_eq!(mqtt["receipts_wrong"], 1, "{mqtt}");
}
