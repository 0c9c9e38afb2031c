//! The database refuses, or goes away: nothing acknowledged is lost, nothing stored twice.

use restvolt::edge::pb;
use restvolt::edge::wire::timestamp;
use tonic::Code;
use tonic_types::StatusExt as _;

use crate::harness::bench::Bench;
use crate::harness::device::{reason, run};
use crate::harness::{Stack, database, noon, with};
use crate::intake::{all, expected};

fn says_come_again(answer: &tonic::Status, reason: &str) {
    assert_eq!(answer.code(), Code::Unavailable, "{answer}");
    let details = answer.get_error_details();
    assert!(
        details
            .retry_info()
            .is_some_and(|info| info.retry_delay.is_some())
    );
    assert_eq!(details.error_info().unwrap().reason, reason);
}

/// A row the database refuses (SQLSTATE 23514) is found by halving; its neighbours are stored.
#[tokio::test]
async fn a_row_the_database_refuses_is_kept_in_quarantine_and_its_neighbours_are_stored() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut conn = database::superuser(&stack.url).await;
    sqlx::raw_sql(
        "create function rv.refuse() returns trigger language plpgsql as $$
        begin
            if new.first_seq <= 121 and new.last_seq >= 121 then raise check_violation using constraint = 'planted'; end if;
            return new;
        end $$;
        create trigger planted before insert on rv.segment for each row execute function rv.refuse()",
    )
    .execute(&mut conn)
    .await
    .unwrap();
    let batches = (0..6).map(|part| pb::SampleBatch {
        boot_id: device.boot,
        ..run(60 * part + 1, 60 * part + 60)
    });
    let push = pb::PushRequest {
        batches: batches.collect(),
    };
    let answer = device
        .client
        .push(with(&device.token, push))
        .await
        .unwrap()
        .into_inner();
    let stored: Vec<i64> = answer
        .receipts
        .iter()
        .map(|receipt| receipt.stored_count)
        .collect();
    assert_eq!(stored, [60, 60, 0, 60, 60, 60]);
    assert_eq!(reason(&answer.receipts[2]), "DB_REJECTED");
    sqlx::raw_sql("drop trigger planted on rv.segment")
        .execute(&mut conn)
        .await
        .unwrap();
    assert_eq!(device.push(run(121, 180)).await.stored_count, 60);
    assert_eq!(all(&stack, &device).await, expected(1..=360));
    stack.finish().await;
}

/// The database goes away for a moment: nothing is acknowledged, and the same again is stored once.
#[tokio::test]
async fn while_the_database_is_away_senders_are_told_to_come_again() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    database::away(&stack.url, true).await;
    let away = device.try_push(run(61, 120)).await.unwrap_err();
    says_come_again(&away, "DATABASE_AWAY");
    database::away(&stack.url, false).await;
    assert_eq!(device.push(run(61, 120)).await.stored_count, 60);
    assert_eq!(all(&stack, &device).await, expected(1..=120));
    stack.finish().await;
}

/// A request that waits too long for another one changes nothing and is told apart from an absent
/// database; the same again is done.
#[tokio::test]
async fn a_request_another_one_is_in_the_way_of_is_told_to_come_again() {
    let stack = Stack::start().await;
    let mut bench = Bench::new(&stack).await;
    let facts = pb::VisitFacts {
        battery: Some(pb::BatteryFacts {
            chemistry: pb::Chemistry::Flooded as i32,
            segment: pb::Segment::Powersports as i32,
            nominal_volts: 12,
            ..Default::default()
        }),
        rest_volts: Some(11.9),
        ..Default::default()
    };
    let begun = (pb::Purpose::RecoveryCharge, stack.bench_id.as_str());
    let attempt = bench.begin(facts, begun).await;
    let end = pb::EndAttemptRequest {
        attempt_id: attempt,
        end_reason: pb::EndReason::Completed as i32,
        end_time: Some(timestamp(noon())),
    };
    let mut conn = database::superuser(&stack.url).await;
    let mut other = sqlx::Connection::begin(&mut conn).await.unwrap();
    sqlx::raw_sql("select 1 from rv.attempt for update")
        .execute(&mut *other)
        .await
        .unwrap();
    let busy = bench.service.end_attempt(with(&bench.token, end.clone()));
    let busy = busy.await.unwrap_err();
    says_come_again(&busy, "BUSY");
    other.rollback().await.unwrap();
    let ended = bench.service.end_attempt(with(&bench.token, end)).await;
    assert!(ended.unwrap().into_inner().outcome.is_some());
    stack.finish().await;
}
