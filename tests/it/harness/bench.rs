//! A technician at a bench, over the wire.

use restvolt::edge::pb;
use restvolt::edge::pb::advice_service_client::AdviceServiceClient;
use restvolt::edge::pb::bench_service_client::BenchServiceClient;
use restvolt::edge::wire::timestamp;
use uuid::Uuid;

use super::{Stack, fresh_number, noon, with};

/// A technician's phone.
pub(crate) struct Bench {
    pub(crate) service: BenchServiceClient<tonic::transport::Channel>,
    pub(crate) advice: AdviceServiceClient<tonic::transport::Channel>,
    pub(crate) token: String,
    pub(crate) meter: String,
}

impl Bench {
    pub(crate) async fn new(stack: &Stack) -> Self {
        let mut bench = BenchServiceClient::new(stack.channel.clone());
        let token = stack.token(pb::Scope::Bench, &stack.shop_id).await;
        let new = pb::RegisterInstrumentRequest {
            request_id: id(),
            name: "meter of bench 1".into(),
            ..Default::default()
        };
        let meter = bench
            .register_instrument(with(&token, new))
            .await
            .unwrap()
            .into_inner();
        let advice = AdviceServiceClient::new(stack.channel.clone());
        Self {
            service: bench,
            advice,
            token,
            meter: meter.instrument_id,
        }
    }

    /// Adds a reading to an attempt; returns the outcome as it stands.
    pub(crate) async fn read(
        &mut self,
        attempt: &str,
        kind: pb::ReadingKind,
        (value, rested_minutes): (f64, f64),
        at: chrono::DateTime<chrono::Utc>,
    ) -> pb::Outcome {
        let reading = pb::Reading {
            kind: kind as i32,
            value: Some(value),
            instrument_id: self.meter.clone(),
            temperature_celsius: Some(22.0),
            rested_minutes: Some(rested_minutes),
            reading_time: Some(timestamp(at)),
            ..Default::default()
        };
        let add = pb::AddReadingRequest {
            request_id: id(),
            attempt_id: attempt.to_owned(),
            reading: Some(reading),
            ..Default::default()
        };
        let added = self
            .service
            .add_reading(with(&self.token, add))
            .await
            .unwrap()
            .into_inner();
        added.outcome.unwrap()
    }

    /// Records a visit and starts an attempt at noon; returns the attempt.
    pub(crate) async fn begin(
        &mut self,
        facts: pb::VisitFacts,
        (purpose, bench_id): (pb::Purpose, &str),
    ) -> String {
        let visit = pb::RecordVisitRequest {
            request_id: id(),
            facts: Some(facts),
            ..Default::default()
        };
        let visit = self.service.record_visit(with(&self.token, visit)).await;
        let start = pb::StartAttemptRequest {
            request_id: id(),
            visit_id: visit.unwrap().into_inner().visit_id,
            bench_id: bench_id.to_owned(),
            purpose: purpose as i32,
            start_time: Some(timestamp(noon())),
            ..Default::default()
        };
        let attempt = self.service.start_attempt(with(&self.token, start)).await;
        attempt.unwrap().into_inner().attempt_id
    }

    /// Ends an attempt.
    pub(crate) async fn end(
        &mut self,
        attempt: &str,
        reason: pb::EndReason,
        at: chrono::DateTime<chrono::Utc>,
    ) {
        let ended = pb::EndAttemptRequest {
            attempt_id: attempt.to_owned(),
            end_reason: reason as i32,
            end_time: Some(timestamp(at)),
        };
        let ended = self.service.end_attempt(with(&self.token, ended)).await;
        ended.unwrap();
    }

    /// Reports what came of an attempt, as tested by somebody.
    pub(crate) async fn report(&mut self, attempt: &str, class: pb::OutcomeClass) {
        let report = pb::ReportOutcomeRequest {
            attempt_id: attempt.to_owned(),
            outcome_class: class as i32,
            verified: true,
        };
        let told = self.service.report_outcome(with(&self.token, report)).await;
        told.unwrap();
    }

    /// Asks about a visit.
    pub(crate) async fn ask(&mut self, visit: &str) -> pb::Verdict {
        let ask = pb::AskRequest {
            visit_id: visit.to_owned(),
            ..Default::default()
        };
        let answer = self.advice.ask(with(&self.token, ask)).await.unwrap();
        answer.into_inner().verdict.unwrap()
    }
}

/// A flooded battery at 10.9 V that stood for five months.
pub(crate) fn run_down(replacement_price: f64) -> pb::VisitFacts {
    pb::VisitFacts {
        battery: Some(pb::BatteryFacts {
            chemistry: pb::Chemistry::Flooded as i32,
            nominal_volts: 12,
            segment: pb::Segment::Powersports as i32,
            ..Default::default()
        }),
        rest_volts: Some(10.9),
        months_since_full_charge: Some(5.0),
        replacement_price: Some(replacement_price),
        ..Default::default()
    }
}

/// A fresh id.
pub(crate) fn id() -> String {
    Uuid::from_u128(fresh_number()).to_string()
}

/// Class of an outcome, and whether it is confirmed.
pub(crate) fn class(outcome: &pb::Outcome) -> (pb::OutcomeClass, bool) {
    (
        pb::OutcomeClass::try_from(outcome.outcome_class).unwrap(),
        outcome.confirmed,
    )
}
