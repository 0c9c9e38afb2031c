//! Batches in, receipts out: duplicates, conflicts, gaps, disorder, refusals, replay, traps.

use std::time::Duration;

use restvolt::edge::pb::{self, ReceiptStatus};
use restvolt::store::Store;
use sqlx::postgres::PgConnectOptions;
use tonic::Code;

use crate::harness::device::{reason, run, status, voltage};
use crate::harness::{Stack, with};

pub(crate) async fn all(stack: &Stack, device: &crate::harness::Device) -> Vec<(i64, i64, i32)> {
    let mut found = Vec::new();
    for session in stack.sessions(device).await {
        found.extend(stack.samples(&session).await);
    }
    found
}

pub(crate) fn expected(numbers: impl IntoIterator<Item = i64>) -> Vec<(i64, i64, i32)> {
    numbers
        .into_iter()
        .map(|seq| (seq, 1000 * seq, voltage(seq)))
        .collect()
}

#[tokio::test]
async fn a_batch_is_kept_and_the_same_again_is_told_to_be_a_duplicate() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let first = device.push(run(1, 60)).await;
    assert_eq!(
        (status(&first), first.stored_count),
        (ReceiptStatus::Stored, 60)
    );
    assert_eq!(first.watermark.unwrap().contiguous_seq, 60);
    for _ in 0..3 {
        let again = device.push(run(1, 60)).await;
        assert_eq!(
            (status(&again), again.duplicate_count),
            (ReceiptStatus::Duplicate, 60)
        );
    }
    assert_eq!(all(&stack, &device).await, expected(1..=60));
    stack.finish().await;
}

#[tokio::test]
async fn other_content_under_held_numbers_is_a_conflict_and_the_first_write_wins() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    let mut other = run(31, 90);
    other.voltage_millivolts[0] += 1;
    let receipt = device.push(other.clone()).await;
    assert_eq!(
        (status(&receipt), reason(&receipt)),
        (ReceiptStatus::Quarantined, "SEQ_CONFLICT")
    );
    assert_eq!(all(&stack, &device).await, expected(1..=60));
    // The refused bytes are kept as they came; the same refusal again only counts up.
    device.push(other).await;
    let times: i64 = stack.sql("select times from rv.quarantine").await;
    assert_eq!(times, 2);
    stack.finish().await;
}

#[tokio::test]
async fn of_an_overlap_only_the_new_part_is_stored() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    let receipt = device.push(run(31, 90)).await;
    assert_eq!((receipt.stored_count, receipt.duplicate_count), (30, 30));
    let receipt = device.push(run(1, 120)).await;
    assert_eq!((receipt.stored_count, receipt.duplicate_count), (30, 90));
    assert_eq!(all(&stack, &device).await, expected(1..=120));
    stack.finish().await;
}

#[tokio::test]
async fn missing_numbers_are_asked_for_until_they_come() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    let receipt = device.push(run(121, 180)).await;
    let watermark = receipt.watermark.unwrap();
    assert_eq!(watermark.contiguous_seq, 60);
    assert_eq!(
        watermark.missing,
        [pb::SeqRange {
            first_seq: 61,
            last_seq: 120
        }]
    );
    let ask = pb::GetReceiptRequest {
        device_id: String::new(),
        boot_id: device.boot,
    };
    let told = device
        .client
        .get_receipt(with(&device.token, ask))
        .await
        .unwrap()
        .into_inner();
    assert_eq!(told.watermark.unwrap().missing.len(), 1);
    let receipt = device.push(run(61, 120)).await;
    let watermark = receipt.watermark.unwrap();
    assert_eq!(
        (watermark.contiguous_seq, watermark.missing.len()),
        (180, 0)
    );
    // What the device no longer holds is not asked for.
    let mut last = run(241, 300);
    last.oldest_held_seq = 241;
    let watermark = device.push(last).await.watermark.unwrap();
    assert_eq!(
        (watermark.contiguous_seq, watermark.missing.len()),
        (300, 0)
    );
    stack.finish().await;
}

#[tokio::test]
async fn any_order_and_repetition_stores_the_same_samples_and_one_session() {
    let stack = Stack::start().await;
    let orders: [&[i64]; 4] = [
        &[0, 1, 2, 3],
        &[3, 2, 1, 0],
        &[2, 0, 3, 0, 1, 2],
        &[1, 3, 1, 2, 0],
    ];
    let mut digests = Vec::new();
    for order in orders {
        let mut device = stack.device(pb::DeviceKind::Charger).await;
        for part in order {
            device.push(run(60 * part + 1, 60 * part + 60)).await;
        }
        assert_eq!(all(&stack, &device).await, expected(1..=240), "{order:?}");
        let sessions = stack.sessions(&device).await;
        assert_eq!(
            (sessions.len(), sessions[0].first_seq, sessions[0].last_seq),
            (1, 1, 240)
        );
        let mut last = run(241, 241);
        last.events = vec![crate::harness::device::end(1, 241)];
        device.push(last).await;
        stack.do_jobs().await;
        let digest: Vec<u8> = stack
            .sql("select input_digest from rv.session_summary natural join rv.session order by opened_at desc, opened_seq limit 1")
            .await;
        digests.push(digest);
    }
    digests.dedup();
    assert_eq!(
        digests.len(),
        1,
        "the order of arrival changed what the analysis saw"
    );
    stack.finish().await;
}

#[tokio::test]
async fn a_batch_without_numbers_is_known_by_its_content() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Meter).await;
    let weak = |from: i64, to: i64| pb::SampleBatch {
        first_seq: 0,
        ..run(from, to)
    };
    assert_eq!(device.push(weak(1, 60)).await.stored_count, 60);
    assert_eq!(device.push(weak(61, 90)).await.first_seq, 61);
    let again = device.push(weak(1, 60)).await;
    assert_eq!(
        (status(&again), again.duplicate_count),
        (ReceiptStatus::Duplicate, 60)
    );
    // A boot is sent either way, not both.
    assert_eq!(reason(&device.push(run(91, 95)).await), "FIELD_INVALID");
    assert_eq!(all(&stack, &device).await, expected(1..=90));
    stack.finish().await;
}

#[tokio::test]
async fn a_wrong_unit_is_refused_with_the_fix_and_stored_after_it_is_declared() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Meter).await;
    let mut thousandfold = run(1, 30);
    thousandfold
        .voltage_millivolts
        .iter_mut()
        .for_each(|value| *value *= 1000);
    let receipt = device.push(thousandfold.clone()).await;
    assert_eq!(
        (status(&receipt), reason(&receipt)),
        (ReceiptStatus::Quarantined, "UNIT_SUSPECT")
    );
    assert!(receipt.rejections[0].fix.contains("--unit v=mV"));
    assert!(all(&stack, &device).await.is_empty());
    let change = pb::UpdateDeviceRequest {
        device_id: device.id.clone(),
        voltage_unit: Some("mV".into()),
        ..pb::UpdateDeviceRequest::default()
    };
    stack
        .registry()
        .update_device(with(&stack.operator, change))
        .await
        .unwrap();
    assert_eq!(device.push(thousandfold).await.stored_count, 30);
    assert_eq!(all(&stack, &device).await, expected(1..=30));
    stack.finish().await;
}

#[tokio::test]
async fn one_impossible_value_is_refused_alone() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut batch = run(1, 10);
    batch.voltage_millivolts[4] = 99_000;
    let receipt = device.push(batch).await;
    assert_eq!(
        (status(&receipt), receipt.stored_count),
        (ReceiptStatus::Stored, 10)
    );
    assert_eq!(
        (receipt.quarantined_count, reason(&receipt)),
        (1, "VALUE_OUT_OF_RANGE")
    );
    let found = all(&stack, &device).await;
    assert_eq!(found[4].2, i32::MIN);
    assert_eq!(found[5].2, voltage(6));
    let ask = pb::ListQuarantineRequest::default();
    let mut client = device.client.clone();
    let items = client
        .list_quarantine(with(&device.token, ask))
        .await
        .unwrap()
        .into_inner()
        .items;
    assert_eq!(items.len(), 1);
    assert!(items[0].raw_bytes > 50 && !items[0].rejection.as_ref().unwrap().fix.is_empty());
    stack.finish().await;
}

#[tokio::test]
async fn poison_blocks_neither_its_device_nor_others() {
    let stack = Stack::start().await;
    let mut bad = stack.device(pb::DeviceKind::Charger).await;
    let mut good = stack.device(pb::DeviceKind::Charger).await;
    let mut uneven = run(1, 5);
    uneven.current_milliamperes.pop();
    let mut backwards = run(1, 5);
    backwards.step_milliseconds[2] = -1;
    let poison = [
        (uneven, "COLUMN_LENGTH_MISMATCH"),
        (backwards, "TIME_NOT_ASCENDING"),
        (pb::SampleBatch::default(), "FIELD_MISSING"),
        (
            pb::SampleBatch {
                first_seq: -7,
                ..run(1, 2)
            },
            "FIELD_INVALID",
        ),
    ];
    for (round, (batch, code)) in (0..).zip(poison) {
        let receipt = bad.push(batch).await;
        assert_eq!(
            (status(&receipt), reason(&receipt)),
            (ReceiptStatus::Quarantined, code)
        );
        let next = 5 * round + 1;
        assert_eq!(good.push(run(next, next + 4)).await.stored_count, 5);
    }
    assert_eq!(bad.push(run(1, 5)).await.stored_count, 5);
    stack.finish().await;
}

#[tokio::test]
async fn device_time_that_goes_back_against_held_numbers_is_refused() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    let reset = pb::SampleBatch {
        start_milliseconds: 0,
        ..run(61, 70)
    };
    assert_eq!(reason(&device.push(reset).await), "TIME_NOT_ASCENDING");
    device.push(run(121, 180)).await;
    let late = pb::SampleBatch {
        start_milliseconds: 119_000,
        ..run(61, 70)
    };
    assert_eq!(reason(&device.push(late).await), "TIME_NOT_ASCENDING");
    assert_eq!(all(&stack, &device).await.len(), 120);
    stack.finish().await;
}

#[tokio::test]
async fn a_device_writes_for_itself_alone() {
    let stack = Stack::start().await;
    let mut one = stack.device(pb::DeviceKind::Charger).await;
    let two = stack.device(pb::DeviceKind::Charger).await;
    let foreign = pb::SampleBatch {
        device_id: two.id.clone(),
        ..run(1, 5)
    };
    assert_eq!(
        one.try_push(foreign).await.unwrap_err().code(),
        Code::PermissionDenied
    );
    let bench = stack.token(pb::Scope::Bench, &stack.shop_id).await;
    let mut posing = crate::harness::Device {
        token: bench,
        ..one.clone()
    };
    assert_eq!(
        posing.try_push(run(1, 5)).await.unwrap_err().code(),
        Code::PermissionDenied
    );
    let gateway = stack.token(pb::Scope::Integrator, "").await;
    let mut gateway = crate::harness::Device {
        token: gateway,
        ..one.clone()
    };
    let named = pb::SampleBatch {
        device_id: two.id.clone(),
        ..run(1, 5)
    };
    assert_eq!(gateway.push(named).await.stored_count, 5);
    let unknown = "01890000-0000-7000-8000-000000000000".to_owned();
    let stray = pb::SampleBatch {
        device_id: unknown,
        ..run(1, 5)
    };
    assert_eq!(reason(&gateway.push(stray).await), "UNKNOWN_DEVICE");
    stack.finish().await;
}

#[tokio::test]
async fn a_stream_answers_each_batch_in_order_and_a_caller_who_leaves_loses_nothing_acknowledged() {
    let stack = Stack::start().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    for stop_after in [0usize, 1, 7, 40] {
        let boot = device.boot + 1 + i64::try_from(stop_after).unwrap();
        let batches = (0..60).map(move |part| pb::StreamRequest {
            batch: Some(pb::SampleBatch {
                boot_id: boot,
                ..run(60 * part + 1, 60 * part + 60)
            }),
        });
        let mut client = device.client.clone();
        let stream = tokio_stream::iter(batches);
        let mut answers = client
            .stream(with(&device.token, stream))
            .await
            .unwrap()
            .into_inner();
        let mut kept = 0;
        for _ in 0..stop_after {
            let receipt = answers.message().await.unwrap().unwrap().receipt.unwrap();
            assert_eq!(receipt.first_seq, kept + 1, "answers come in order");
            kept = receipt
                .watermark
                .unwrap()
                .contiguous_seq
                .min(receipt.first_seq + 59);
        }
        drop(answers);
        drop(client);
        let ask = pb::GetReceiptRequest {
            device_id: String::new(),
            boot_id: boot,
        };
        let mut client = device.client.clone();
        let told = client
            .get_receipt(with(&device.token, ask))
            .await
            .unwrap()
            .into_inner();
        assert!(
            told.watermark.unwrap().contiguous_seq >= kept,
            "an acknowledged sample is gone"
        );
    }
    stack.finish().await;
}

/// The driver's own `begin` loses acknowledged writes when its future is dropped at the wrong
/// moment; here a dropped transaction closes its connection, so the next borrower's is clean.
#[tokio::test]
async fn a_transaction_that_is_cancelled_at_any_moment_never_swallows_the_next_ones_writes() {
    let stack = Stack::start().await;
    let store = Store::new(stack.url.parse::<PgConnectOptions>().unwrap(), 2);
    let group = stack.group;
    for round in 0..200u64 {
        let begun = store.begin(group);
        let _ = tokio::time::timeout(Duration::from_micros(20 * (round % 40)), begun).await;
        let mut tx = store.begin(group).await.unwrap();
        let name = format!("shop {round}");
        let id = uuid::Uuid::from_u128(u128::from(round) + 1);
        sqlx::query("insert into rv.shop (group_id, shop_id, name) values ($1, $2, $3)")
            .bind(group)
            .bind(id)
            .bind(name)
            .execute(&mut *tx)
            .await
            .unwrap();
        tx.commit().await.unwrap();
    }
    let kept: i64 = stack
        .sql("select count(*) from rv.shop where name like 'shop %'")
        .await;
    assert_eq!(kept, 200);
    store.close().await;
    stack.finish().await;
}

/// Unsorted keys of several writers deadlock in the database; receipts are locked in key order.
#[tokio::test]
async fn many_callers_pushing_for_the_same_devices_in_any_order_all_get_receipts() {
    let stack = Stack::start_on(
        crate::harness::database::fresh(),
        restvolt::clock::Clock::fixed(crate::harness::noon()),
        &[("intake.writers", "4")],
    )
    .await;
    let gateway = stack.token(pb::Scope::Integrator, "").await;
    let mut devices = Vec::new();
    for _ in 0..6 {
        devices.push(stack.device(pb::DeviceKind::Charger).await);
    }
    let callers = (0..8usize).map(|caller| {
        let (mut client, devices, gateway) = (stack.telemetry(), devices.clone(), gateway.clone());
        async move {
            for round in 0..10i64 {
                let batches = (0..devices.len()).map(|n| {
                    let device = &devices[(n * 5 + caller) % devices.len()];
                    let mut batch = run(20 * round + 1, 20 * round + 20);
                    batch.device_id = device.id.clone();
                    batch.boot_id = device.boot;
                    batch
                });
                let push = pb::PushRequest {
                    batches: batches.collect(),
                };
                let receipts = client
                    .push(with(&gateway, push))
                    .await
                    .unwrap()
                    .into_inner()
                    .receipts;
                assert!(
                    receipts
                        .iter()
                        .all(|receipt| receipt.quarantined_count == 0)
                );
            }
        }
    });
    futures_util::future::join_all(callers).await;
    for device in &devices {
        assert_eq!(all(&stack, device).await, expected(1..=200));
    }
    let deadlocks: i64 = stack
        .sql("select deadlocks from pg_stat_database where datname = current_database()")
        .await;
    assert_eq!(deadlocks, 0);
    stack.finish().await;
}
