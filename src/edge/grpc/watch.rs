//! Reports and findings of charges, and charges as they go.

use std::pin::Pin;
use std::time::Duration;

use futures_util::{Stream, StreamExt as _};
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_stream::wrappers::ReceiverStream;
use tonic::metadata::MetadataMap;
use tonic::{Request, Response, Status};
use uuid::Uuid;

use super::{Services, handle};
use crate::edge::pb::watch_service_server::WatchService;
use crate::edge::wire::{self, watch as shape};
use crate::edge::{pb, status};
use crate::query::Caller;
use crate::query::advice::{self, RunningRequest};
use crate::query::rules::{self, NewRule};
use crate::query::watch::tail::{self, News, Tail};
use crate::query::watch::{self, ListFindings, STANDING_SHORT};

/// How often a run is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Silence after which a stream says that it lives.
const HEARTBEAT: Duration = Duration::from_secs(10);
/// Updates that wait for a slow reader; then nothing more is read.
const WAITING: usize = 8;

type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

/// What a stream follows.
#[derive(Debug, Clone, Copy)]
enum Followed {
    Run(Uuid),
    Attempt(Uuid),
}

#[tonic::async_trait]
impl WatchService for Services {
    async fn get_run_report(
        &self,
        request: Request<pb::GetRunReportRequest>,
    ) -> Result<Response<pb::GetRunReportResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let session = wire::id("session_id", &message.session_id)?;
            let found = watch::get_report(&services.store, &caller, session).await?;
            Ok(shape::report(&found, STANDING_SHORT))
        })
    }

    async fn list_rules(
        &self,
        request: Request<pb::ListRulesRequest>,
    ) -> Result<Response<pb::ListRulesResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let scope = shape::rule_scope(&message.shop_id, message.battery_label)?;
            let found = rules::list(&services.store, &caller, &scope).await?;
            Ok(shape::rules(&found))
        })
    }

    async fn set_rule(
        &self,
        request: Request<pb::SetRuleRequest>,
    ) -> Result<Response<pb::SetRuleResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = NewRule {
                scope: shape::rule_scope(&message.shop_id, message.battery_label)?,
                key: message.rule_key,
                value: message.new_value,
                reason: message.reason,
            };
            let Services { store, clock, .. } = &services;
            let change = rules::set(store, clock, &caller, new).await?;
            Ok(pb::SetRuleResponse {
                change: Some(shape::rule_change(&change)),
            })
        })
    }

    async fn list_findings(
        &self,
        request: Request<pb::ListFindingsRequest>,
    ) -> Result<Response<pb::ListFindingsResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let asked = ListFindings {
                shop_id: wire::optional_id("shop_id", &message.shop_id)?,
                session_id: wire::optional_id("session_id", &message.session_id)?,
                present: message.present_only,
                page_size: message.page_size,
                page_token: message.page_token,
            };
            let page = watch::list_findings(&services.store, &caller, asked).await?;
            Ok(pb::ListFindingsResponse {
                findings: page.rows.iter().map(shape::finding).collect(),
                next_page_token: page.next.unwrap_or_default(),
                standing: STANDING_SHORT.to_owned(),
            })
        })
    }

    type WatchRunStream = Answers<pb::WatchRunResponse>;

    async fn watch_run(
        &self,
        request: Request<pb::WatchRunRequest>,
    ) -> Result<Response<Self::WatchRunStream>, Status> {
        let caller = self.caller(&request).await?;
        let (metadata, _, asked) = request.into_parts();
        let session = wire::id("session_id", &asked.session_id).map_err(status::of_query)?;
        let who = (caller, metadata);
        let updates = self
            .follow(who, Followed::Run(session), &asked.resume_token)
            .await?;
        let first = updates.map(|update| {
            let Update { news, standing, .. } = update?;
            Ok(pb::WatchRunResponse {
                update: Some(news),
                standing,
            })
        });
        Ok(Response::new(Box::pin(first)))
    }

    type WatchAttemptStream = Answers<pb::WatchAttemptResponse>;

    async fn watch_attempt(
        &self,
        request: Request<pb::WatchAttemptRequest>,
    ) -> Result<Response<Self::WatchAttemptStream>, Status> {
        let caller = self.caller(&request).await?;
        let (metadata, _, asked) = request.into_parts();
        let attempt = wire::id("attempt_id", &asked.attempt_id).map_err(status::of_query)?;
        let who = (caller, metadata);
        let updates = self
            .follow(who, Followed::Attempt(attempt), &asked.resume_token)
            .await?;
        let first = updates.map(|update| {
            let Update {
                news,
                standing,
                running,
            } = update?;
            Ok(pb::WatchAttemptResponse {
                update: Some(news),
                standing,
                running,
            })
        });
        Ok(Response::new(Box::pin(first)))
    }

    async fn list_due_retests(
        &self,
        request: Request<pb::ListDueRetestsRequest>,
    ) -> Result<Response<pb::ListDueRetestsResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let shop = wire::optional_id("shop_id", &message.shop_id)?;
            let until = wire::time("until_time", message.until_time)?;
            let until = until.unwrap_or_else(|| services.clock.now());
            let due = watch::due_retests(&services.store, &caller, (shop, until)).await?;
            Ok(pb::ListDueRetestsResponse {
                retests: due.iter().map(shape::due).collect(),
            })
        })
    }
}

/// What a stream tells at once.
struct Update {
    news: pb::RunUpdate,
    standing: String,
    /// Of an attempt, with its state.
    running: Option<pb::AdviseRunningResponse>,
}

impl Services {
    /// Starts to follow; what cannot be followed is refused before the stream begins.
    async fn follow(
        &self,
        (caller, metadata): (Caller, MetadataMap),
        what: Followed,
        token: &str,
    ) -> Result<ReceiverStream<Result<Update, Status>>, Status> {
        let tail = Tail::resume(token).map_err(status::of_query)?;
        let store = self.store.clone();
        self.owned(async move {
            let known = match what {
                Followed::Run(session) => watch::get_report(&store, &caller, session)
                    .await
                    .map(|_| ()),
                Followed::Attempt(attempt) => {
                    tail::session_of(&store, &caller, attempt).await.map(|_| ())
                }
            };
            known.map_err(status::of_query)
        })
        .await?;
        let (updates, receiver) = mpsc::channel(WAITING);
        self.tasks
            .spawn(relay(self.clone(), metadata, (what, tail), updates));
        Ok(ReceiverStream::new(receiver))
    }

    /// What is new; `None` while an attempt has claimed nothing.
    async fn news(
        &self,
        metadata: &MetadataMap,
        what: Followed,
        tail: &mut Tail,
    ) -> Result<Option<News>, Status> {
        // A stream may outlive its token.
        let caller = self.speaker(metadata).await?;
        let session = match what {
            Followed::Run(session) => Some(session),
            Followed::Attempt(attempt) => tail::session_of(&self.store, &caller, attempt)
                .await
                .map_err(status::of_query)?,
        };
        let Some(session) = session else {
            return Ok(None);
        };
        let news = tail.news(&self.store, &caller, session).await;
        news.map(Some).map_err(status::of_query)
    }
}

impl Services {
    /// Chance so far of an attempt. What cannot be told now stops no stream: the state goes out without it.
    async fn running(
        &self,
        metadata: &MetadataMap,
        attempt_id: Uuid,
    ) -> Option<pb::AdviseRunningResponse> {
        let caller = self.speaker(metadata).await.ok()?;
        let request = RunningRequest {
            attempt_id,
            now: None,
        };
        match advice::running(&self.store, &self.clock, &caller, request).await {
            Ok(found) => Some(wire::fair::running(found)),
            Err(error) => {
                tracing::warn!(%attempt_id, %error, "no chance so far can be told");
                None
            }
        }
    }
}

/// Sends what is new until the run is over, the reader leaves or the service stops.
async fn relay(
    services: Services,
    metadata: MetadataMap,
    (what, mut tail): (Followed, Tail),
    updates: mpsc::Sender<Result<Update, Status>>,
) {
    let mut standing = STANDING_SHORT.to_owned();
    let mut spoke_at: Option<Instant> = None;
    loop {
        if services.tasks.is_closed() {
            let text = "the service stops; go on with the resume token";
            // The reader may have gone away.
            let _ = updates.send(Err(Status::unavailable(text))).await;
            return;
        }
        let news = match services.news(&metadata, what, &mut tail).await {
            Ok(news) => news,
            Err(status) => {
                let _ = updates.send(Err(status)).await;
                return;
            }
        };
        let silent = spoke_at.is_none_or(|at| at.elapsed() >= HEARTBEAT);
        let update = match &news {
            Some(news) if !news.is_empty() || silent => Some(shape::update(news, &tail)),
            None if silent => Some(pb::RunUpdate {
                resume_token: tail.token(),
                heartbeat: true,
                ..pb::RunUpdate::default()
            }),
            _ => None,
        };
        if let Some(update) = update {
            let running = match (what, &update.state) {
                (Followed::Attempt(attempt), Some(_)) => services.running(&metadata, attempt).await,
                _ => None,
            };
            let update = Update {
                news: update,
                standing: std::mem::take(&mut standing),
                running,
            };
            if updates.send(Ok(update)).await.is_err() {
                return;
            }
            spoke_at = Some(Instant::now());
        }
        if news.as_ref().is_some_and(|news| news.over) {
            return;
        }
        if news.is_some_and(|news| news.more) {
            continue;
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY) => {}
            () = updates.closed() => return,
        }
    }
}
