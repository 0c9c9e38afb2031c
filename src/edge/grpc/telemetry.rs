//! Telemetry in, receipts out; sessions, samples and quarantine back.

use std::pin::Pin;
use std::sync::Arc;

use futures_util::{Stream, StreamExt as _};
use prost::Message as _;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::metadata::MetadataMap;
use tonic::{Request, Response, Status, Streaming};
use uuid::Uuid;

use super::Services;
use crate::edge::encoding::Encoding;
use crate::edge::pb::telemetry_service_server::TelemetryService;
use crate::edge::wire::{self, Word as _};
use crate::edge::{pb, status};
use crate::intake::{Besides, Original, Pending, Raw, Submission};
use crate::lane::Lane;
use crate::query::quarantine;
use crate::query::sessions::{self, Listed, Session};
use crate::query::{Caller, Error};
use crate::record::batch::RawBatch;
use crate::record::sample::Samples;
use crate::record::words::Scope;
use crate::reject::{Code, Reject};

/// Batches in one push.
const PUSH_MAX: usize = 100;
/// Batches of one stream taken and not yet answered; then the server stops reading.
const WINDOW: usize = 64;

/// What is left of a message whose columns were taken.
#[derive(Debug)]
struct Left(pb::SampleBatch);

impl Original for Left {
    fn bytes(&self, taken: &RawBatch) -> Vec<u8> {
        wire::put_back(&self.0, taken).encode_to_vec()
    }
}

/// A batch handed to intake by a caller who may write for its device. Hard limits are judged here,
/// before anything may refuse or delay it.
fn submission(
    lane: &Lane,
    caller: &Caller,
    mut batch: pb::SampleBatch,
) -> Result<(Submission, Option<Besides>), Status> {
    let device = wire::optional_id("device_id", &batch.device_id).map_err(status::of_query)?;
    let device = match (caller.scope, caller.device, device) {
        (Scope::Device, Some(own), None) => own,
        (Scope::Device, Some(own), Some(asked)) if own == asked => own,
        (Scope::Integrator, _, Some(asked)) => asked,
        (Scope::Integrator, _, None) => {
            let detail = "a token of scope integrator names the device of each batch";
            let reject = Reject::new(Code::FieldMissing, "device_id", detail);
            return Err(status::of_reject(&reject));
        }
        (Scope::Device, _, _) => {
            let detail = "this token belongs to another device";
            return Err(status::of_reject(&Reject::new(
                Code::ShopMismatch,
                "device_id",
                detail,
            )));
        }
        _ => {
            let fix = "send with the device's own token or one of scope integrator";
            let denied = Error::Denied {
                scope: caller.scope,
                what: "send telemetry",
                fix,
            };
            return Err(status::of_query(denied));
        }
    };
    let boot = batch.boot_id;
    let body = wire::take_batch(&mut batch);
    let (raw, heard) = match &body {
        Ok(taken) => {
            let heard = lane.hear((caller.group, device), boot, taken);
            (Raw::Decoded(Arc::new(Left(batch))), heard)
        }
        Err(_) => (Raw::Bytes(batch.encode_to_vec().into()), None),
    };
    let besides = heard.map(|ticket| -> Besides { Box::pin(ticket.kept()) });
    let submission = Submission {
        group: caller.group,
        device,
        boot,
        channel: "grpc",
        content_type: Encoding::Protobuf.of_batch(),
        raw,
        body,
    };
    Ok((submission, besides))
}

type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

#[tonic::async_trait]
impl TelemetryService for Services {
    async fn push(
        &self,
        request: Request<pb::PushRequest>,
    ) -> Result<Response<pb::PushResponse>, Status> {
        let caller = self.caller(&request).await?;
        let batches = request.into_inner().batches;
        if batches.len() > PUSH_MAX {
            let detail = format!("{} batches; at most {PUSH_MAX}", batches.len());
            let reject = Reject::new(Code::PayloadTooLarge, "batches", detail);
            return Err(status::of_reject(&reject));
        }
        let submissions: Result<Vec<_>, _> = batches
            .into_iter()
            .map(|batch| submission(&self.lane, &caller, batch))
            .collect();
        let mut pending = Vec::new();
        for (submission, besides) in submissions? {
            let handed = self.intake.submit(submission).await;
            let handed = handed.map_err(|error| status::of_intake(&error))?;
            pending.push(handed.besides(besides));
        }
        let mut receipts = Vec::new();
        for handed in pending {
            let receipt = handed.receipt().await;
            receipts.push(wire::receipt(
                &receipt.map_err(|error| status::of_intake(&error))?,
            ));
        }
        Ok(Response::new(pb::PushResponse { receipts }))
    }

    type StreamStream = Answers<pb::StreamResponse>;

    async fn stream(
        &self,
        request: Request<Streaming<pb::StreamRequest>>,
    ) -> Result<Response<Self::StreamStream>, Status> {
        self.caller(&request).await?;
        let (answers, receiver) = mpsc::channel(WINDOW);
        let (metadata, _, batches) = request.into_parts();
        let work = relay(self.clone(), metadata, batches, answers);
        self.tasks.spawn(work);
        Ok(Response::new(Box::pin(ReceiverStream::new(receiver))))
    }

    async fn get_receipt(
        &self,
        request: Request<pb::GetReceiptRequest>,
    ) -> Result<Response<pb::GetReceiptResponse>, Status> {
        let caller = self.caller(&request).await?;
        let (services, request) = (self.clone(), request.into_inner());
        self.owned(async move {
            let asked = wire::optional_id("device_id", &request.device_id);
            let device = asked.map_err(status::of_query)?.or(caller.device);
            let device = device.ok_or_else(|| {
                let detail = "say which device";
                status::of_reject(&Reject::new(Code::FieldMissing, "device_id", detail))
            })?;
            let key = (device, request.boot_id);
            let found = sessions::watermark(&services.store, &services.clock, &caller, key).await;
            let watermark = Some(wire::watermark(&found.map_err(status::of_query)?));
            Ok(Response::new(pb::GetReceiptResponse { watermark }))
        })
        .await
    }

    async fn list_sessions(
        &self,
        request: Request<pb::ListSessionsRequest>,
    ) -> Result<Response<pb::ListSessionsResponse>, Status> {
        let caller = self.caller(&request).await?;
        let (services, request) = (self.clone(), request.into_inner());
        self.owned(async move {
            let work = async {
                let device = wire::optional_id("device_id", &request.device_id)?;
                let bench = wire::optional_id("bench_id", &request.bench_id)?;
                let page = (request.page_size, request.page_token.as_str());
                sessions::list(&services.store, &caller, (device, bench), page).await
            };
            let page = work.await.map_err(status::of_query)?;
            Ok(Response::new(pb::ListSessionsResponse {
                sessions: page.rows.into_iter().map(session).collect(),
                next_page_token: page.next.unwrap_or_default(),
            }))
        })
        .await
    }

    type ReadSamplesStream = Answers<pb::ReadSamplesResponse>;

    async fn read_samples(
        &self,
        request: Request<pb::ReadSamplesRequest>,
    ) -> Result<Response<Self::ReadSamplesStream>, Status> {
        let caller = self.caller(&request).await?;
        let id = wire::id("session_id", &request.get_ref().session_id).map_err(status::of_query)?;
        let found = sessions::get(&self.store, &caller, id)
            .await
            .map_err(status::of_query)?;
        let (answers, receiver) = mpsc::channel(2);
        let store = self.store.clone();
        self.tasks.spawn(async move {
            for part in sessions::parts(&found) {
                let runs = sessions::read_part(&store, &caller, &found, part).await;
                let messages: Vec<Result<pb::ReadSamplesResponse, Status>> = match runs {
                    Ok(runs) => runs
                        .into_iter()
                        .map(|run| Ok(found_samples(&found, run)))
                        .collect(),
                    Err(error) => vec![Err(status::of_query(error))],
                };
                for message in messages {
                    if answers.send(message).await.is_err() {
                        return;
                    }
                }
            }
        });
        Ok(Response::new(Box::pin(ReceiverStream::new(receiver))))
    }

    async fn list_quarantine(
        &self,
        request: Request<pb::ListQuarantineRequest>,
    ) -> Result<Response<pb::ListQuarantineResponse>, Status> {
        let caller = self.caller(&request).await?;
        let (services, request) = (self.clone(), request.into_inner());
        self.owned(async move {
            let work = async {
                let device = wire::optional_id("device_id", &request.device_id)?;
                let filter = quarantine::of_device(device);
                let page = (request.page_size, request.page_token.as_str());
                quarantine::list(&services.store, &caller, filter, page).await
            };
            let page = work.await.map_err(status::of_query)?;
            Ok(Response::new(pb::ListQuarantineResponse {
                items: page
                    .rows
                    .into_iter()
                    .map(|item| pb::QuarantinedItem {
                        quarantine_id: item.quarantine_id.to_string(),
                        received_time: Some(wire::timestamp(item.received_at)),
                        device_id: item.device_id.map(|id| id.to_string()).unwrap_or_default(),
                        rejection: Some(pb::Rejection {
                            reason: item.reason,
                            field: item.field,
                            detail: item.detail,
                            fix: item.fix,
                        }),
                        state: item.state,
                        raw_bytes: item.raw_bytes,
                    })
                    .collect(),
                next_page_token: page.next.unwrap_or_default(),
            }))
        })
        .await
    }
}

/// Reads a stream, hands each batch over and answers in order; ends with the first failure, and
/// within 5 s of the end of its token.
///
/// The queue is the window: when it is full, nothing more is read.
async fn relay(
    services: Services,
    metadata: MetadataMap,
    mut batches: Streaming<pb::StreamRequest>,
    answers: mpsc::Sender<Result<pb::StreamResponse, Status>>,
) {
    let (queue, mut waiting) = mpsc::channel::<Pending>(WINDOW);
    let told = answers.clone();
    // Owns its end of the queue: when it ends early, the reader ends with it.
    let answer = async move {
        while let Some(pending) = waiting.recv().await {
            let receipt = pending.receipt().await;
            let message = receipt
                .map(|receipt| pb::StreamResponse {
                    receipt: Some(wire::receipt(&receipt)),
                })
                .map_err(|error| status::of_intake(&error));
            let failed = message.is_err();
            if told.send(message).await.is_err() || failed {
                return;
            }
        }
    };
    let read = async move {
        loop {
            let place = queue.reserve().await.ok()?;
            let batch = match batches.next().await? {
                Ok(request) => request.batch.unwrap_or_default(),
                Err(status) => return Some(status),
            };
            let caller = match services.speaker(&metadata).await {
                Ok(caller) => caller,
                Err(status) => return Some(status),
            };
            let (submission, besides) = match submission(&services.lane, &caller, batch) {
                Ok(found) => found,
                Err(status) => return Some(status),
            };
            match services.intake.submit(submission).await {
                Ok(pending) => place.send(pending.besides(besides)),
                Err(error) => return Some(status::of_intake(&error)),
            }
        }
    };
    let (failure, ()) = tokio::join!(read, answer);
    if let Some(status) = failure {
        // The caller may have gone away.
        let _ = answers.send(Err(status)).await;
    }
}

fn found_samples(session: &Session, run: Samples) -> pb::ReadSamplesResponse {
    let batch = wire::sample_batch(session.key.device, session.key.boot, run);
    pb::ReadSamplesResponse {
        samples: Some(batch),
    }
}

fn session(listed: Listed) -> pb::Session {
    let Listed {
        session,
        charge_ah,
        energy_wh,
    } = listed;
    let open = session.is_open();
    let text = |id: Option<Uuid>| id.map(|id| id.to_string()).unwrap_or_default();
    pb::Session {
        session_id: session.session_id.to_string(),
        device_id: session.key.device.to_string(),
        boot_id: session.key.boot,
        first_seq: session.span.first_seq,
        last_seq: session.span.last_seq,
        state: if open {
            pb::SessionState::Open
        } else {
            pb::SessionState::Closed
        } as i32,
        revision: session.revision,
        start_time: Some(wire::timestamp(session.start_at)),
        end_time: Some(wire::timestamp(session.end_at)),
        sample_count: session.sample_count,
        completeness_ratio: session.completeness,
        clock_quality: session.clock_quality,
        charge_ampere_hours: charge_ah,
        energy_watt_hours: energy_wh,
        bench_id: text(session.bench_id),
        device_kind: session.kind.to_wire(),
        close_reason: session
            .close_reason
            .map(|reason| reason.to_string())
            .unwrap_or_default(),
    }
}
