//! A run: charger, meter and sensor of one bench, each with a clock of its own.

use chrono::TimeDelta;
use restvolt::edge::pb;
use restvolt::edge::wire::timestamp;
use restvolt::query::{Caller, runs};
use restvolt::record::sample::Channel;
use restvolt::record::words::Scope;

use crate::harness::bench::Bench;
use crate::harness::device::run;
use crate::harness::{Device, Stack, noon, with};

/// Sends an hour at 1 Hz; device time begins at `boot_ms`, the device believes `claim`.
async fn hour(
    stack: &Stack,
    device: &mut Device,
    boot_ms: i64,
    claim: Option<(pb::ClockState, TimeDelta)>,
) -> pb::Session {
    for part in 0..60 {
        let mut batch = run(60 * part + 1, 60 * part + 60);
        batch.start_milliseconds += boot_ms;
        // The last sample is sent as it is taken: arrivals tell when the device booted.
        batch.sent_milliseconds = batch.start_milliseconds + 59_000;
        if let Some((clock, off)) = claim {
            batch.clock = clock as i32;
            let begins = stack.clock.now() - TimeDelta::seconds(59) + off;
            batch.start_time = Some(timestamp(begins));
        }
        device.push(batch).await;
        stack.clock.advance(TimeDelta::minutes(1));
    }
    stack.sessions(device).await.remove(0)
}

#[tokio::test]
async fn devices_with_clocks_of_their_own_are_heard_on_one_time_and_claimed_together() {
    let stack = Stack::start().await;
    let mut charger = stack.device(pb::DeviceKind::Charger).await;
    let mut meter = stack.device(pb::DeviceKind::Meter).await;
    let mut sensor = stack.device(pb::DeviceKind::Sensor).await;
    // The same hour for each: the charger's clock is set, the meter has none and ran for days, the
    // sensor believes it is 2019.
    let synced = Some((pb::ClockState::Synced, TimeDelta::zero()));
    let charge = hour(&stack, &mut charger, 0, synced).await;
    stack.clock.advance(TimeDelta::hours(-1));
    hour(&stack, &mut meter, 400_000_000, None).await;
    stack.clock.advance(TimeDelta::hours(-1));
    let lost = Some((pb::ClockState::Unsynced, TimeDelta::days(-2_500)));
    let heat = hour(&stack, &mut sensor, 5_000, lost).await;

    let mut bench = Bench::new(&stack).await;
    let ask = pb::GetRunRequest {
        session_id: heat.session_id.clone(),
    };
    let found = bench
        .service
        .get_run(with(&bench.token, ask))
        .await
        .unwrap();
    let found = found.into_inner();
    let leader = found.leader.clone().unwrap();
    assert_eq!(leader.session_id, charge.session_id);
    assert_eq!(found.others.len(), 2);
    let quality = |device: &Device| {
        let member = found
            .others
            .iter()
            .find(|other| other.device_id == device.id);
        member.unwrap().clock_quality.clone()
    };
    assert_eq!(leader.clock_quality, "synced");
    assert_eq!(
        (quality(&meter).as_str(), quality(&sensor).as_str()),
        ("none", "unsynced")
    );

    let caller = Caller {
        group: stack.group,
        scope: Scope::Operator,
        shop: None,
        device: None,
        name: "test".into(),
    };
    let session = charge.session_id.parse().unwrap();
    let whole = runs::load(&stack.stores.questions, &caller, session)
        .await
        .unwrap();
    let lead: Vec<(i64, i32)> = whole.points(&whole.lead, Channel::Voltage).collect();
    assert_eq!((lead.len(), lead[0].0), (3_600, 0));
    for other in &whole.others {
        let points: Vec<(i64, i32)> = whole.points(other, Channel::Voltage).collect();
        assert_eq!(points.len(), 3_600);
        for ((at, value), (own, same)) in lead.iter().zip(&points) {
            assert!((at - own).abs() <= 1_000 && value == same, "{at} {own}");
        }
    }

    let facts = pb::VisitFacts {
        battery: Some(pb::BatteryFacts {
            chemistry: pb::Chemistry::Agm as i32,
            nominal_volts: 12,
            segment: pb::Segment::Powersports as i32,
            ..Default::default()
        }),
        rest_volts: Some(11.9),
        presented_time: Some(timestamp(noon())),
        ..Default::default()
    };
    let begun = (pb::Purpose::PlainCharge, stack.bench_id.as_str());
    let attempt = bench.begin(facts, begun).await;
    let claim = pb::ClaimSessionRequest {
        attempt_id: attempt.clone(),
        session_id: charge.session_id,
        whole_run: true,
    };
    let first = bench
        .service
        .claim_session(with(&bench.token, claim.clone()))
        .await
        .unwrap();
    let first = first.into_inner();
    assert_eq!(first.other_claim_ids.len(), 2);
    let again = bench
        .service
        .claim_session(with(&bench.token, claim))
        .await
        .unwrap();
    assert_eq!(again.into_inner(), first, "the same again is the same");
    let show = pb::GetAttemptRequest {
        attempt_id: attempt,
    };
    let shown = bench
        .service
        .get_attempt(with(&bench.token, show))
        .await
        .unwrap();
    let shown = shown.into_inner();
    assert_eq!(
        (shown.claims.len(), shown.proposed_session_ids.len()),
        (3, 0)
    );
    stack.finish().await;
}
