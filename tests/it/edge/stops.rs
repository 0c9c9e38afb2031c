//! A charge stopped on advice: its label is the chance it was stopped with, and one in twenty runs on to check that.

use chrono::TimeDelta;
use restvolt::edge::pb;
use restvolt::edge::pb::recovery_service_client::RecoveryServiceClient;

use crate::harness::bench::{Bench, run_down};
use crate::harness::{Stack, noon, with};

/// Attempts until one runs on: in fewer than one of 10^13 runs there are more.
const ATTEMPTS_MAX: usize = 600;

/// A battery that takes nothing after two hours, in a shop whose chargers are dear.
fn facts() -> pb::VisitFacts {
    run_down(60.0)
}

async fn dear_chargers(stack: &Stack) {
    let change = pb::UpdateCostSheetRequest {
        shop_id: stack.shop_id.clone(),
        entries: vec![pb::NewCost {
            item: pb::CostItem::ChargerHour as i32,
            new_value: Some(5.0),
        }],
        reason: "one charger for a whole season".into(),
    };
    let changed = stack
        .registry()
        .update_cost_sheet(with(&stack.operator, change))
        .await;
    changed.unwrap();
}

/// Begins an attempt and asks about it after two hours.
async fn judged(bench: &mut Bench, stack: &Stack) -> (String, pb::RunningAdvice) {
    let begun = (pb::Purpose::RecoveryCharge, stack.bench_id.as_str());
    let attempt_id = bench.begin(facts(), begun).await;
    let ask = pb::AdviseRunningRequest {
        attempt_id: attempt_id.clone(),
        hours: Some(2.0),
        accepted_per_hour: Some(0.005),
        voltage_rise_volts: Some(0.3),
        case_rise_kelvin: Some(1.0),
    };
    let answer = bench.advice.advise_running(with(&bench.token, ask)).await;
    let told = answer.unwrap().into_inner().checkpoints.pop().unwrap();
    (attempt_id, told)
}

/// Ends an attempt after two hours; said twice it is one end.
async fn end(bench: &mut Bench, attempt: &str, reason: pb::EndReason) {
    for _ in 0..2 {
        bench
            .end(attempt, reason, noon() + TimeDelta::hours(2))
            .await;
    }
}

/// Recovered, not recovered and soft outcomes of the newest fit, and its chance of the battery.
async fn learned(bench: &mut Bench, stack: &Stack) -> (String, f64) {
    let ask = pb::AskRequest {
        facts: Some(facts()),
        ..Default::default()
    };
    let answer = bench.advice.ask(with(&bench.token, ask)).await;
    let verdict = answer.unwrap().into_inner().verdict.unwrap();
    let counts =
        "select coalesce((select recovered || ' ' || not_recovered || ' ' || soft from rv.model_fit
        where family = 'lead_acid' order by cutoff desc, fitted_at desc limit 1), 'none')";
    (stack.sql(counts).await, verdict.chance_ratio.unwrap())
}

#[tokio::test]
async fn a_charge_stopped_on_advice_counts_by_the_chance_it_was_stopped_with() {
    let stack = Stack::start().await;
    dear_chargers(&stack).await;
    let mut bench = Bench::new(&stack).await;
    stack.clock.advance(TimeDelta::hours(3));
    let (mut first, mut told) = judged(&mut bench, &stack).await;
    while !told.stop_advised {
        assert!(told.run_on, "dear hours and no current: {told:?}");
        (first, told) = judged(&mut bench, &stack).await;
    }
    end(&mut bench, &first, pb::EndReason::StopAdvised).await;
    let kept: f64 = stack.sql("select chance from rv.advised_stop").await;
    assert!((kept - told.chance_ratio).abs() < 1e-12);
    // Nobody tested it afterwards, and it tells something all the same; a test that it fails changes nothing.
    let belief = "0 0 1".to_owned();
    let (counts, untested) = learned(&mut bench, &stack).await;
    assert_eq!(counts, belief);
    stack.clock.advance(TimeDelta::hours(1));
    bench.report(&first, pb::OutcomeClass::NotRecovered).await;
    let (counts, tested) = learned(&mut bench, &stack).await;
    assert_eq!(counts, belief);
    // A warm fit ends within its tolerance.
    assert!((tested - untested).abs() < 1e-6, "{tested} {untested}");
    // One that came back although it was stopped came back.
    stack.clock.advance(TimeDelta::hours(1));
    bench.report(&first, pb::OutcomeClass::Recovered).await;
    let (counts, came_back) = learned(&mut bench, &stack).await;
    assert_eq!(counts, "1 0 0");
    assert!(came_back > tested);

    // Stopped on advice of which nothing was seen: what would have come of it nobody knows.
    let begun = (pb::Purpose::RecoveryCharge, stack.bench_id.as_str());
    let unseen = bench.begin(facts(), begun).await;
    end(&mut bench, &unseen, pb::EndReason::StopAdvised).await;
    bench.report(&unseen, pb::OutcomeClass::NotRecovered).await;
    stack.clock.advance(TimeDelta::hours(1));
    let (counts, _) = learned(&mut bench, &stack).await;
    assert_eq!(counts, "1 0 0");
    // What its samples showed counts though nobody asked, and an end tells nobody anything.
    let watched = bench.begin(facts(), begun).await;
    let shown = "with shown as (insert into rv.checkpoint (group_id, attempt_id, at_h, accept_c, dv, temp_rise_c, source)
            select group_id, attempt_id, 1, 0.005, 0.3, 1, 'trace' from rv.attempt where ended_at is null returning 1)
        select count(*) from shown";
    assert!(stack.sql::<i64>(shown).await >= 1);
    let told = "select count(*) from rv.stop_advice";
    let before: i64 = stack.sql(told).await;
    end(&mut bench, &watched, pb::EndReason::StopAdvised).await;
    assert_eq!(stack.sql::<i64>(told).await, before);
    let (counts, _) = learned(&mut bench, &stack).await;
    assert_eq!(counts, "1 0 1");
    // One that ran to its end and failed failed.
    stack.clock.advance(TimeDelta::hours(1));
    let completed = bench.begin(facts(), begun).await;
    end(&mut bench, &completed, pb::EndReason::Completed).await;
    bench
        .report(&completed, pb::OutcomeClass::NotRecovered)
        .await;
    let (counts, _) = learned(&mut bench, &stack).await;
    assert_eq!(counts, "1 1 1");
    stack.finish().await;
}

#[tokio::test]
async fn one_stop_in_twenty_runs_on_and_is_told_with_what_came_of_it() {
    let stack = Stack::start().await;
    dear_chargers(&stack).await;
    let mut bench = Bench::new(&stack).await;
    stack.clock.advance(TimeDelta::hours(3));
    let mut ran_on = None;
    let mut stops = 0;
    for _ in 0..ATTEMPTS_MAX {
        let (attempt, told) = judged(&mut bench, &stack).await;
        assert_ne!(told.stop_advised, told.run_on, "{told:?}");
        assert!(told.chance_ratio < told.stop_below_ratio);
        if told.run_on {
            ran_on = Some((attempt, told));
            break;
        }
        stops += 1;
    }
    let (attempt, told) = ran_on.unwrap();
    let kept: String = stack
        .sql("select count(*) filter (where run_on) || ' ' || count(*) from rv.stop_advice")
        .await;
    assert_eq!(kept, format!("1 {}", stops + 1), "what was told is kept");
    end(&mut bench, &attempt, pb::EndReason::Completed).await;
    bench.report(&attempt, pb::OutcomeClass::Recovered).await;
    let quality = RecoveryServiceClient::new(stack.channel.clone())
        .get_model_quality(with(&bench.token, pb::GetModelQualityRequest {}))
        .await
        .unwrap()
        .into_inner();
    let checked = quality.ran_on.unwrap();
    assert_eq!((checked.count, checked.recovered_count), (1, 1));
    assert!((checked.told_ratio - told.chance_ratio).abs() < 1e-12);
    assert!(checked.interval.is_none(), "one is no rate");
    stack.finish().await;
}
