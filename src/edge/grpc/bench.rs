//! Visits, readings, attempts, outcomes.

use tonic::{Request, Response, Status};

use super::{Services, handle};
use crate::edge::pb::bench_service_server::BenchService;
use crate::edge::wire::{self, Word as _, bench as shape};
use crate::edge::{pb, status};
use crate::query::bench::{
    self, AddReading, ComeBackReport, EndAttempt, ListAttempts, RecordVisit, RegisterInstrument,
    ReportOutcome, SetDisposition, StartAttempt,
};
use crate::query::runs;
use crate::record::words;

#[tonic::async_trait]
impl BenchService for Services {
    async fn record_visit(
        &self,
        request: Request<pb::RecordVisitRequest>,
    ) -> Result<Response<pb::RecordVisitResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = RecordVisit {
                request_id: wire::id("request_id", &message.request_id)?,
                shop_id: wire::optional_id("shop_id", &message.shop_id)?,
                facts: shape::raw_visit(message.facts.unwrap_or_default())?,
            };
            let made =
                bench::record_visit(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::RecordVisitResponse {
                visit_id: made.visit_id.to_string(),
                battery_id: made.battery_id.to_string(),
            })
        })
    }

    async fn register_instrument(
        &self,
        request: Request<pb::RegisterInstrumentRequest>,
    ) -> Result<Response<pb::RegisterInstrumentResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = RegisterInstrument {
                request_id: wire::id("request_id", &message.request_id)?,
                shop_id: wire::optional_id("shop_id", &message.shop_id)?,
                name: message.name,
                offset_volts: message.offset_volts,
                calibrated_at: wire::time("calibrated_time", message.calibrated_time)?,
            };
            let made =
                bench::register_instrument(&services.store, &services.clock, &caller, request)
                    .await?;
            Ok(pb::RegisterInstrumentResponse {
                instrument_id: made.to_string(),
            })
        })
    }

    async fn add_reading(
        &self,
        request: Request<pb::AddReadingRequest>,
    ) -> Result<Response<pb::AddReadingResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = AddReading {
                request_id: wire::id("request_id", &message.request_id)?,
                visit_id: wire::optional_id("visit_id", &message.visit_id)?,
                attempt_id: wire::optional_id("attempt_id", &message.attempt_id)?,
                reading: shape::raw_reading(&message.reading.unwrap_or_default())?,
            };
            let added =
                bench::add_reading(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::AddReadingResponse {
                reading_id: added.reading_id.to_string(),
                outcome: added.outcome.as_ref().map(shape::outcome),
            })
        })
    }

    async fn start_attempt(
        &self,
        request: Request<pb::StartAttemptRequest>,
    ) -> Result<Response<pb::StartAttemptResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = StartAttempt {
                request_id: wire::id("request_id", &message.request_id)?,
                visit_id: wire::id("visit_id", &message.visit_id)?,
                bench_id: wire::optional_id("bench_id", &message.bench_id)?,
                purpose: words::Purpose::from_wire(message.purpose),
                method: words::Method::from_wire(message.method),
                verdict_id: wire::optional_id("verdict_id", &message.verdict_id)?,
                started_at: wire::time("start_time", message.start_time)?,
                planned_limit_volts: message.planned_limit_volts,
                planned_limit_amperes: message.planned_limit_amperes,
            };
            let made =
                bench::start_attempt(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::StartAttemptResponse {
                attempt_id: made.attempt_id.to_string(),
                verdict_id: made.verdict_id.map(|id| id.to_string()).unwrap_or_default(),
            })
        })
    }

    async fn end_attempt(
        &self,
        request: Request<pb::EndAttemptRequest>,
    ) -> Result<Response<pb::EndAttemptResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = EndAttempt {
                attempt_id: wire::id("attempt_id", &message.attempt_id)?,
                end_reason: words::EndReason::from_wire(message.end_reason),
                ended_at: wire::time("end_time", message.end_time)?,
            };
            let stands =
                bench::end_attempt(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::EndAttemptResponse {
                outcome: Some(shape::outcome(&stands)),
            })
        })
    }

    async fn claim_session(
        &self,
        request: Request<pb::ClaimSessionRequest>,
    ) -> Result<Response<pb::ClaimSessionResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let attempt = wire::id("attempt_id", &message.attempt_id)?;
            let pair = (attempt, wire::id("session_id", &message.session_id)?);
            let (store, clock) = (&services.store, &services.clock);
            let (claim, others) = if message.whole_run {
                bench::claim_run(store, clock, &caller, pair).await?
            } else {
                (
                    bench::claim_session(store, clock, &caller, pair).await?,
                    Vec::new(),
                )
            };
            Ok(pb::ClaimSessionResponse {
                claim_id: claim.to_string(),
                other_claim_ids: others.iter().map(ToString::to_string).collect(),
            })
        })
    }

    async fn get_run(
        &self,
        request: Request<pb::GetRunRequest>,
    ) -> Result<Response<pb::GetRunResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let session = wire::id("session_id", &message.session_id)?;
            let (cast, found) = runs::cast(&services.store, &caller, session).await?;
            Ok(shape::run(&cast, &found))
        })
    }

    async fn revoke_claim(
        &self,
        request: Request<pb::RevokeClaimRequest>,
    ) -> Result<Response<pb::RevokeClaimResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let claim = wire::id("claim_id", &message.claim_id)?;
            bench::revoke_claim(&services.store, &services.clock, &caller, claim).await?;
            Ok(pb::RevokeClaimResponse {})
        })
    }

    async fn report_outcome(
        &self,
        request: Request<pb::ReportOutcomeRequest>,
    ) -> Result<Response<pb::ReportOutcomeResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = ReportOutcome {
                attempt_id: wire::id("attempt_id", &message.attempt_id)?,
                class: words::OutcomeClass::from_wire(message.outcome_class),
                verified: message.verified,
            };
            let stands =
                bench::report_outcome(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::ReportOutcomeResponse {
                outcome: Some(shape::outcome(&stands)),
            })
        })
    }

    async fn set_disposition(
        &self,
        request: Request<pb::SetDispositionRequest>,
    ) -> Result<Response<pb::SetDispositionResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = SetDisposition {
                attempt_id: wire::id("attempt_id", &message.attempt_id)?,
                disposition: words::Disposition::from_wire(message.disposition),
            };
            bench::set_disposition(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::SetDispositionResponse {})
        })
    }

    async fn record_come_back(
        &self,
        request: Request<pb::RecordComeBackRequest>,
    ) -> Result<Response<pb::RecordComeBackResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = ComeBackReport {
                request_id: wire::id("request_id", &message.request_id)?,
                attempt_id: wire::id("attempt_id", &message.attempt_id)?,
                came_at: wire::time("come_back_time", message.come_back_time)?,
                battery_at_fault: message.battery_at_fault,
            };
            let stands =
                bench::record_come_back(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::RecordComeBackResponse {
                outcome: Some(shape::outcome(&stands)),
            })
        })
    }

    async fn get_attempt(
        &self,
        request: Request<pb::GetAttemptRequest>,
    ) -> Result<Response<pb::GetAttemptResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let id = wire::id("attempt_id", &message.attempt_id)?;
            let full = bench::get_attempt(&services.store, &services.clock, &caller, id).await?;
            let newest = full.revisions.first();
            Ok(pb::GetAttemptResponse {
                attempt: Some(shape::attempt(&full.attempt, newest)),
                claims: full.claims.iter().map(shape::claim).collect(),
                proposed_session_ids: full
                    .proposed_sessions
                    .iter()
                    .map(ToString::to_string)
                    .collect(),
                readings: full
                    .readings
                    .iter()
                    .map(|row| shape::reading(&row.reading))
                    .collect(),
                revisions: full.revisions.iter().map(shape::outcome).collect(),
            })
        })
    }

    async fn list_attempts(
        &self,
        request: Request<pb::ListAttemptsRequest>,
    ) -> Result<Response<pb::ListAttemptsResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = ListAttempts {
                shop_id: wire::optional_id("shop_id", &message.shop_id)?,
                page_size: message.page_size,
                page_token: message.page_token,
            };
            let page =
                bench::list_attempts(&services.store, &services.clock, &caller, request).await?;
            Ok(pb::ListAttemptsResponse {
                attempts: page.rows.iter().map(shape::listed).collect(),
                next_page_token: page.next.unwrap_or_default(),
            })
        })
    }
}
