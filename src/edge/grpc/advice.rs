//! Is this battery worth an attempt?

use tonic::{Request, Response, Status};

use super::{Services, handle};
use crate::advice::plan::review_plan;
use crate::edge::pb::advice_service_server::AdviceService;
use crate::edge::wire::{self, advice as shape, fair};
use crate::edge::{pb, status};
use crate::model::checkpoint::Seen;
use crate::query::Error;
use crate::query::advice::{self, QueueRequest, RunningRequest, StoredVerdict};

/// The answer to one of many questions; a refusal of one stops no other.
fn item(answer: Result<StoredVerdict, Error>) -> Result<pb::AskBatchItem, Error> {
    let refused = |reason: &str, detail: String| {
        Ok(pb::AskBatchItem {
            verdict: None,
            rejection_reason: reason.to_owned(),
            rejection_detail: detail,
        })
    };
    match answer {
        Ok(given) => Ok(pb::AskBatchItem {
            verdict: Some(shape::verdict(given)),
            ..pb::AskBatchItem::default()
        }),
        Err(Error::Bad(reject)) => refused(reject.code.as_str(), reject.to_string()),
        Err(error @ Error::NotFound { .. }) => refused("NOT_FOUND", error.to_string()),
        Err(error) => Err(error),
    }
}

#[tonic::async_trait]
impl AdviceService for Services {
    async fn ask(
        &self,
        request: Request<pb::AskRequest>,
    ) -> Result<Response<pb::AskResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let question = shape::ask(message)?;
            let given = advice::ask(&services.store, &services.clock, &caller, question).await?;
            crate::metrics::count_verdict(given.answer.as_str());
            Ok(pb::AskResponse {
                verdict: Some(shape::verdict(given)),
            })
        })
    }

    async fn ask_batch(
        &self,
        request: Request<pb::AskBatchRequest>,
    ) -> Result<Response<pb::AskBatchResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let questions: Result<Vec<_>, Error> =
                message.questions.into_iter().map(shape::ask).collect();
            let answers =
                advice::ask_many(&services.store, &services.clock, &caller, questions?).await?;
            for given in answers.iter().flatten() {
                crate::metrics::count_verdict(given.answer.as_str());
            }
            let items: Result<Vec<_>, Error> = answers.into_iter().map(item).collect();
            Ok(pb::AskBatchResponse { items: items? })
        })
    }

    async fn get_verdict(
        &self,
        request: Request<pb::GetVerdictRequest>,
    ) -> Result<Response<pb::GetVerdictResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let id = wire::id("verdict_id", &message.verdict_id)?;
            let given = advice::get_verdict(&services.store, &caller, id).await?;
            Ok(pb::GetVerdictResponse {
                verdict: Some(shape::verdict(given)),
            })
        })
    }

    async fn rank_for_chargers(
        &self,
        request: Request<pb::RankForChargersRequest>,
    ) -> Result<Response<pb::RankForChargersResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let chargers = usize::try_from(message.charger_count).unwrap_or(0);
            let questions: Result<Vec<_>, Error> =
                message.questions.into_iter().map(shape::ask).collect();
            let again = message.again_attempt_ids.iter();
            let again = again.map(|id| wire::id("again_attempt_ids", id));
            let asked = QueueRequest {
                questions: questions?,
                again: again.collect::<Result<_, _>>()?,
                chargers,
            };
            let found = advice::queue(&services.store, &services.clock, &caller, asked).await?;
            Ok(fair::queue(&found))
        })
    }

    async fn check_plan(
        &self,
        request: Request<pb::CheckPlanRequest>,
    ) -> Result<Response<pb::CheckPlanResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let facts = message.facts.clone().unwrap_or_default();
            let facts = wire::bench::raw_visit(facts)?;
            let visit = advice::read_facts(&caller, facts, services.clock.now())?;
            let (plan, context) = fair::plan(&message, visit)?;
            Ok(fair::plan_check(&review_plan(&plan, &context)))
        })
    }

    async fn advise_running(
        &self,
        request: Request<pb::AdviseRunningRequest>,
    ) -> Result<Response<pb::AdviseRunningResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let seen = Seen {
                accepted: message.accepted_per_hour,
                voltage_rise: message.voltage_rise_volts,
                case_rise: message.case_rise_kelvin,
            };
            let request = RunningRequest {
                attempt_id: wire::id("attempt_id", &message.attempt_id)?,
                now: message.hours.map(|hours| (hours, seen)),
            };
            let found = advice::running(&services.store, &services.clock, &caller, request).await?;
            Ok(fair::running(found))
        })
    }

    async fn get_again_verdict(
        &self,
        request: Request<pb::GetAgainVerdictRequest>,
    ) -> Result<Response<pb::GetAgainVerdictResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let id = wire::id("again_verdict_id", &message.again_verdict_id)?;
            let given = advice::get_again(&services.store, &caller, id).await?;
            Ok(pb::GetAgainVerdictResponse {
                verdict: Some(shape::again(given)),
            })
        })
    }

    async fn advise_again(
        &self,
        request: Request<pb::AdviseAgainRequest>,
    ) -> Result<Response<pb::AdviseAgainResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let id = wire::id("attempt_id", &message.attempt_id)?;
            let found = advice::again(&services.store, &services.clock, &caller, id).await?;
            crate::metrics::count_verdict(found.answer.answer.as_str());
            Ok(shape::again(found))
        })
    }
}
