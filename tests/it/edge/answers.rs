//! Answers over the wire beside `Ask`: plans, running attempts, tonight's chargers, comparisons.

use restvolt::edge::pb;
use restvolt::edge::pb::recovery_service_client::RecoveryServiceClient;

use crate::harness::bench::{Bench, id};
use crate::harness::{Stack, with};

fn facts(rest_volts: f64) -> pb::VisitFacts {
    pb::VisitFacts {
        battery: Some(pb::BatteryFacts {
            chemistry: pb::Chemistry::Agm as i32,
            nominal_volts: 12,
            segment: pb::Segment::Powersports as i32,
            rated_capacity_ampere_hours: Some(14.0),
            ..Default::default()
        }),
        rest_volts: Some(rest_volts),
        months_since_full_charge: Some(6.0),
        replacement_price: Some(120.0),
        ..Default::default()
    }
}

#[tokio::test]
async fn a_plan_is_objected_to_with_the_fix_and_nothing_is_permitted() {
    let stack = Stack::start().await;
    let mut bench = Bench::new(&stack).await;
    let sound = pb::CheckPlanRequest {
        facts: Some(facts(12.3)),
        purpose: pb::Purpose::PlainCharge as i32,
        method: pb::Method::CcCv as i32,
        current_amperes: Some(1.4),
        limit_volts: Some(14.4),
        planned_hours: Some(10.0),
        program_nominal_volts: Some(12),
        program_chemistry: pb::Chemistry::Agm as i32,
        rested_minutes: Some(600.0),
        battery_celsius: Some(20.0),
        coldest_celsius: Some(10.0),
        position_count: 1,
        air_cubic_metres_per_hour: Some(20.0),
        room_cubic_metres: Some(40.0),
        temperature_sensor: Some(true),
        attended: Some(true),
        ..Default::default()
    };
    let hot = pb::CheckPlanRequest {
        current_amperes: Some(9.0),
        limit_volts: Some(16.0),
        ..sound.clone()
    };
    let ask = |request| {
        let mut advice = bench.advice.clone();
        let request = with(&bench.token, request);
        async move { advice.check_plan(request).await.unwrap().into_inner() }
    };
    let found = ask(sound).await;
    assert!(found.objections.is_empty(), "{}", found.text);
    assert!(found.text.contains("No objection found") && !found.cautions.is_empty());
    let found = ask(hot).await;
    let codes: Vec<&str> = found
        .objections
        .iter()
        .map(|one| one.code.as_str())
        .collect();
    assert!(
        codes.contains(&"current_too_high") && codes.contains(&"voltage_too_high"),
        "{codes:?}"
    );
    assert!(
        found
            .objections
            .iter()
            .all(|one| !one.fix.is_empty() && !one.basis.is_empty())
    );
    let senseless = pb::CheckPlanRequest {
        facts: Some(facts(12.3)),
        current_amperes: Some(f64::NAN),
        ..Default::default()
    };
    let refused = bench.advice.check_plan(with(&bench.token, senseless)).await;
    assert_eq!(refused.unwrap_err().code(), tonic::Code::InvalidArgument);
    stack.finish().await;
}

#[tokio::test]
async fn a_running_attempt_is_judged_by_what_it_shows_and_says_that_it_is_belief() {
    let stack = Stack::start().await;
    let mut bench = Bench::new(&stack).await;
    let begun = (pb::Purpose::RecoveryCharge, stack.bench_id.as_str());
    let attempt_id = bench.begin(facts(11.0), begun).await;
    let ask = |accepted, hours| pb::AdviseRunningRequest {
        attempt_id: attempt_id.clone(),
        hours: Some(hours),
        accepted_per_hour: Some(accepted),
        voltage_rise_volts: Some(0.36),
        case_rise_kelvin: Some(2.0),
    };
    let mut judged = Vec::new();
    for request in [ask(0.10, 2.0), ask(0.01, 2.0)] {
        let answer = bench
            .advice
            .advise_running(with(&bench.token, request))
            .await
            .unwrap();
        let answer = answer.into_inner();
        assert!(answer.worth > 0.0 && !answer.currency_code.is_empty());
        let [found] = answer.checkpoints.as_slice() else {
            panic!("{answer:?}");
        };
        assert!(found.belief_only && (found.checkpoint_hours - 2.0).abs() < 1e-9);
        judged.push(found.chance_ratio);
    }
    assert!(
        judged[0] > judged[1],
        "acceptance speaks for it: {judged:?}"
    );
    let early = bench
        .advice
        .advise_running(with(&bench.token, ask(0.1, 0.1)))
        .await
        .unwrap();
    assert!(
        early.into_inner().checkpoints.is_empty(),
        "before the first checkpoint"
    );
    let unknown = pb::AdviseRunningRequest {
        attempt_id: id(),
        ..Default::default()
    };
    let refused = bench
        .advice
        .advise_running(with(&bench.token, unknown))
        .await;
    assert_eq!(refused.unwrap_err().code(), tonic::Code::NotFound);
    stack.finish().await;
}

#[tokio::test]
async fn chargers_go_where_an_hour_is_worth_most_and_comparisons_say_what_they_rest_on() {
    let stack = Stack::start().await;
    let mut bench = Bench::new(&stack).await;
    let question = |volts| pb::AskRequest {
        facts: Some(facts(volts)),
        ..Default::default()
    };
    let unreadable = pb::AskRequest::default();
    let request = pb::RankForChargersRequest {
        questions: vec![question(3.0), question(12.2), question(11.6), unreadable],
        charger_count: 1,
        ..Default::default()
    };
    let ranked = bench
        .advice
        .rank_for_chargers(with(&bench.token, request))
        .await
        .unwrap();
    let places = ranked.into_inner().places;
    let order: Vec<i32> = places.iter().map(|place| place.question_seq).collect();
    assert_eq!(order, [1, 2, 0, 3], "{places:?}");
    let chargers: Vec<i32> = places.iter().map(|place| place.charger_seq).collect();
    assert_eq!(chargers, [1, 0, 0, 0]);
    assert!(!places[3].rejection_detail.is_empty());
    let mut recovery = RecoveryServiceClient::new(stack.channel.clone());
    let asked = pb::CompareShopsRequest {};
    let refused = recovery.compare_shops(with(&bench.token, asked)).await;
    assert_eq!(
        refused.unwrap_err().code(),
        tonic::Code::PermissionDenied,
        "one shop alone"
    );
    let of_one = stack.token(pb::Scope::Analyst, &stack.shop_id).await;
    let asked = pb::CompareMethodsRequest {};
    let refused = recovery.compare_methods(with(&of_one, asked)).await;
    assert_eq!(
        refused.unwrap_err().code(),
        tonic::Code::PermissionDenied,
        "an analyst of one shop"
    );
    let asked = pb::CompareShopsRequest {};
    let analyst = stack.token(pb::Scope::Analyst, "").await;
    let found = recovery
        .compare_shops(with(&analyst, asked))
        .await
        .unwrap()
        .into_inner();
    assert!(found.shops.is_empty() && !found.no_ranking_reason.is_empty());
    assert_eq!(found.basis.unwrap().outcome_count, 0);
    let asked = pb::GetModelCardRequest {};
    let card = recovery
        .get_model_card(with(&analyst, asked))
        .await
        .unwrap()
        .into_inner();
    let json: serde_json::Value = serde_json::from_str(&card.json).unwrap();
    assert!(json["lead_acid"].is_object() && json["lithium"].is_object());
    let asked = pb::CompareMethodsRequest {};
    let methods = recovery
        .compare_methods(with(&analyst, asked))
        .await
        .unwrap();
    assert!(methods.into_inner().pairs.is_empty());
    let asked = pb::GetSavingsRequest {};
    let savings = recovery.get_savings(with(&analyst, asked)).await.unwrap();
    assert!(savings.into_inner().shops.is_empty());
    stack.finish().await;
}
