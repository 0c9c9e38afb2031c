//! The morning question: one more charge after a first that did not bring a battery back?

use chrono::TimeDelta;
use restvolt::edge::pb;
use restvolt::edge::pb::recovery_service_client::RecoveryServiceClient;
use restvolt::edge::wire::timestamp;

use crate::harness::bench::{Bench, id, run_down};
use crate::harness::{Stack, noon, with};

fn facts() -> pb::VisitFacts {
    run_down(140.0)
}

async fn again(bench: &mut Bench, attempt: &str) -> Result<pb::AdviseAgainResponse, tonic::Status> {
    let request = pb::AdviseAgainRequest {
        attempt_id: attempt.to_owned(),
    };
    let answer = bench.advice.advise_again(with(&bench.token, request)).await;
    answer.map(tonic::Response::into_inner)
}

#[tokio::test]
async fn a_second_night_is_answered_by_the_rested_voltage_and_by_second_nights_seen() {
    let stack = Stack::start().await;
    let mut bench = Bench::new(&stack).await;
    let begun = (pb::Purpose::RecoveryCharge, stack.bench_id.as_str());
    let first = bench.begin(facts(), begun).await;
    let runs = again(&mut bench, &first).await.unwrap_err();
    assert_eq!(runs.code(), tonic::Code::InvalidArgument);
    assert!(runs.message().contains("still runs"), "{runs}");

    stack.clock.advance(TimeDelta::hours(20));
    let morning = noon() + TimeDelta::hours(10);
    bench.end(&first, pb::EndReason::Completed, morning).await;
    let unread = again(&mut bench, &first).await.unwrap();
    assert_eq!(unread.answer(), pb::Answer::MeasureFirst);
    let ocv = pb::ReadingKind::OpenCircuitVoltage;
    bench
        .read(&first, ocv, (12.7, 30.0), morning + TimeDelta::minutes(30))
        .await;
    let early = again(&mut bench, &first).await.unwrap();
    assert_eq!(early.answer(), pb::Answer::MeasureFirst);
    assert!(early.reasons[1].contains("rest 8 h"), "{:?}", early.reasons);

    bench
        .read(&first, ocv, (12.4, 540.0), morning + TimeDelta::hours(9))
        .await;
    bench.report(&first, pb::OutcomeClass::NotRecovered).await;
    let belief = again(&mut bench, &first).await.unwrap();
    let chance = belief.chance_ratio.unwrap();
    let range = belief.interval.unwrap();
    assert!(belief.belief_only && belief.second_count == 0, "{belief:?}");
    assert!(range.lower_ratio < chance && chance < range.upper_ratio);
    assert!(!belief.cautions.is_empty() && belief.text.contains("too few"));
    assert!(belief.worth.unwrap() > 0.0 && belief.cost.unwrap() > 0.0);
    assert_eq!(belief.attempt_id, first);

    // Tonight it stands beside batteries that were not charged yet, by what an hour of the charger is worth.
    let tonight = pb::RankForChargersRequest {
        questions: vec![pb::AskRequest {
            facts: Some(facts()),
            ..Default::default()
        }],
        charger_count: 1,
        again_attempt_ids: vec![first.clone(), id()],
    };
    let ranked = bench
        .advice
        .rank_for_chargers(with(&bench.token, tonight))
        .await;
    let places = ranked.unwrap().into_inner().places;
    let of = |question: i32| {
        places
            .iter()
            .find(|place| place.question_seq == question)
            .unwrap()
    };
    let (fresh, second, unknown) = (of(0), of(1), of(2));
    assert_eq!((fresh.again, second.again), (false, true));
    assert_eq!(second.chance_ratio, Some(chance));
    let gain = |place: &pb::ChargerPlace| place.hourly_gain_worth.unwrap();
    let (worth, cost) = (belief.worth.unwrap(), belief.cost.unwrap());
    let by_hand = (chance * worth - cost) / second.planned_hours.unwrap();
    assert!(
        (gain(second) - by_hand).abs() < 1e-9,
        "{second:?} {by_hand}"
    );
    let better = if gain(second) > gain(fresh) {
        second
    } else {
        fresh
    };
    assert_eq!(
        (better.charger_seq, places[0].question_seq),
        (1, better.question_seq)
    );
    assert!(
        unknown.rejection_detail.contains("does not exist"),
        "{unknown:?}"
    );

    // The second night is an attempt of the same visit; it brings the battery back.
    let start = pb::StartAttemptRequest {
        request_id: id(),
        visit_id: belief.visit_id.clone(),
        bench_id: stack.bench_id.clone(),
        purpose: pb::Purpose::RecoveryCharge as i32,
        start_time: Some(timestamp(noon() + TimeDelta::hours(20))),
        ..Default::default()
    };
    let second = bench.service.start_attempt(with(&bench.token, start)).await;
    let second = second.unwrap().into_inner().attempt_id;
    stack.clock.advance(TimeDelta::hours(12));
    bench
        .end(
            &second,
            pb::EndReason::Completed,
            noon() + TimeDelta::hours(30),
        )
        .await;
    bench.report(&second, pb::OutcomeClass::Recovered).await;
    let learned = again(&mut bench, &first).await.unwrap();
    assert_eq!(
        (learned.second_count, learned.second_recovered_count),
        (1, 1)
    );
    assert!(
        learned.chance_ratio.unwrap() > chance,
        "{chance} {:?} {:?}",
        belief.reasons,
        learned.reasons
    );
    assert!(learned.counted_interval.is_none(), "one is no rate");
    let third = again(&mut bench, &second).await.unwrap_err();
    assert!(third.message().contains("second attempt itself"), "{third}");
    // Tables and the model of first attempts count the first alone.
    let counted: i64 = stack
        .sql("select count(*) from rv.counted_visit where attempt_id is not null")
        .await;
    assert_eq!(counted, 1);
    let seen: i64 = stack
        .sql("select (recovered + not_recovered)::bigint from rv.model_fit where family = 'lead_acid' order by fitted_at desc limit 1")
        .await;
    assert_eq!(seen, 1, "the first, which did not come back");
    // Each answer is kept as it was given: two that asked for a reading, two with a chance before the night (one of
    // them tonight's), one after it. The last before the night is scored by what came of it.
    let kept: i64 = stack
        .sql("select count(*) from rv.again_verdict where chance is not null")
        .await;
    assert_eq!(kept, 3);
    let as_given: String = stack
        .sql(
            "select string_agg(again_verdict_id::text, ' ') from rv.again_verdict
            where chance is not null and body->>'text' like '%too few%'",
        )
        .await;
    assert!(as_given.contains(&belief.again_verdict_id));
    let asked = pb::GetAgainVerdictRequest {
        again_verdict_id: belief.again_verdict_id.clone(),
    };
    let shown = bench.advice.get_again_verdict(with(&bench.token, asked));
    assert_eq!(
        shown.await.unwrap().into_inner().verdict,
        Some(belief.clone())
    );
    let quality = RecoveryServiceClient::new(stack.channel.clone())
        .get_model_quality(with(&bench.token, pb::GetModelQualityRequest {}))
        .await
        .unwrap()
        .into_inner();
    let scored = quality.second_nights.unwrap();
    assert_eq!(scored.count, 1);
    assert!((scored.brier_score - (1.0 - chance) * (1.0 - chance)).abs() < 1e-9);
    assert!(
        scored.calibration_slope_ratio.is_none(),
        "one tells no slope"
    );
    stack.finish().await;
}
