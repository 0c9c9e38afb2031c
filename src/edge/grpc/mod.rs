//! gRPC: who calls, in a task the service owns.

mod advice;
mod alarms;
mod bench;
mod recovery;
mod registry;
mod telemetry;
mod watch;

use std::future::Future;
use std::sync::Arc;

use tokio_util::task::TaskTracker;
use tonic::metadata::MetadataMap;
use tonic::{Request, Status};

use super::pb::advice_service_server::AdviceServiceServer;
use super::pb::alarm_service_server::AlarmServiceServer;
use super::pb::bench_service_server::BenchServiceServer;
use super::pb::recovery_service_server::RecoveryServiceServer;
use super::pb::registry_service_server::RegistryServiceServer;
use super::pb::telemetry_service_server::TelemetryServiceServer;
use super::pb::watch_service_server::WatchServiceServer;
use super::status;
use crate::clock::Clock;
use crate::intake::Intake;
use crate::lane::Lane;
use crate::metrics;
use crate::query::Caller;
use crate::query::tokens::Tokens;
use crate::store::Store;

/// Authenticates, then does the rest in a task of the service.
macro_rules! handle {
    ($self:ident, $request:ident, |$services:ident, $caller:ident, $message:ident| $work:expr) => {{
        let $caller = $self.caller(&$request).await?;
        let ($services, $message) = ($self.clone(), $request.into_inner());
        $self
            .owned(async move {
                let work = async { $work };
                work.await.map(Response::new).map_err(status::of_query)
            })
            .await
    }};
}
use handle;

/// Largest message in either direction, bytes.
pub const MESSAGE_MAX: usize = 1 << 20;

/// What every service needs; cheap to clone.
#[derive(Clone)]
pub struct Services {
    /// Pool for questions and records.
    pub store: Store,
    /// The way in for telemetry.
    pub intake: Intake,
    /// The alarm lane.
    pub lane: Lane,
    /// The clock.
    pub clock: Clock,
    /// Token look-ups.
    pub tokens: Arc<Tokens>,
    /// Tasks that outlive a caller who goes away.
    pub tasks: TaskTracker,
}

impl Services {
    /// Whom a request speaks for.
    ///
    /// # Errors
    /// `UNAUTHENTICATED` without a live token; `UNAVAILABLE` when the database is away.
    pub async fn caller<T>(&self, request: &Request<T>) -> Result<Caller, Status> {
        self.speaker(request.metadata()).await
    }

    /// Whom metadata speaks for: what a stream asks again with each batch, since it may outlive its
    /// token.
    ///
    /// # Errors
    /// As `caller`.
    pub async fn speaker(&self, metadata: &MetadataMap) -> Result<Caller, Status> {
        let header = metadata.get("authorization");
        let text = header
            .and_then(|value| value.to_str().ok())
            .and_then(|value| {
                value
                    .strip_prefix("Bearer ")
                    .or(value.strip_prefix("bearer "))
            });
        let Some(text) = text else {
            metrics::count_refused("no_token");
            return Err(status::unauthenticated());
        };
        let text = text.trim();
        let found = match self.tokens.known(text) {
            Some(known) => known.0,
            None => self.look_up(text.to_owned()).await?,
        };
        found.ok_or_else(|| {
            metrics::count_refused("bad_token");
            status::unauthenticated()
        })
    }

    async fn look_up(&self, text: String) -> Result<Option<Caller>, Status> {
        let services = self.clone();
        self.owned(async move {
            let found = services
                .tokens
                .authenticate(&services.store, &services.clock, &text)
                .await;
            found.map_err(|error| status::of_store(&error))
        })
        .await
    }

    /// Does work in a task of the service: a caller that disconnects cancels nothing half way.
    ///
    /// # Errors
    /// The work's own; `INTERNAL` when it panicked.
    pub async fn owned<T: Send + 'static>(
        &self,
        work: impl Future<Output = Result<T, Status>> + Send + 'static,
    ) -> Result<T, Status> {
        let done = self.tasks.spawn(work).await;
        done.unwrap_or_else(|error| {
            tracing::error!(%error, "a request ended in a panic");
            Err(Status::internal(
                "the service could not do this; the operator's log says why",
            ))
        })
    }
}

/// Every service, with limits.
///
/// # Errors
/// The compiled descriptor is not readable.
pub fn routes(
    services: &Services,
) -> Result<tonic::service::Routes, tonic_reflection::server::Error> {
    let telemetry = TelemetryServiceServer::new(services.clone())
        .max_decoding_message_size(MESSAGE_MAX)
        .max_encoding_message_size(4 * MESSAGE_MAX)
        .accept_compressed(tonic::codec::CompressionEncoding::Gzip);
    // Ten thousand questions with all their texts are larger than telemetry may be.
    let advice = AdviceServiceServer::new(services.clone())
        .max_decoding_message_size(8 * MESSAGE_MAX)
        .max_encoding_message_size(128 * MESSAGE_MAX);
    let reflection = tonic_reflection::server::Builder::configure()
        .register_encoded_file_descriptor_set(super::pb::DESCRIPTOR)
        .register_encoded_file_descriptor_set(tonic_health::pb::FILE_DESCRIPTOR_SET)
        .build_v1()?;
    let bench = BenchServiceServer::new(services.clone()).max_decoding_message_size(MESSAGE_MAX);
    let recovery =
        RecoveryServiceServer::new(services.clone()).max_decoding_message_size(MESSAGE_MAX);
    let registry =
        RegistryServiceServer::new(services.clone()).max_decoding_message_size(MESSAGE_MAX);
    let watch = WatchServiceServer::new(services.clone()).max_decoding_message_size(MESSAGE_MAX);
    let alarms = AlarmServiceServer::new(services.clone())
        .max_decoding_message_size(MESSAGE_MAX)
        .max_encoding_message_size(4 * MESSAGE_MAX);
    Ok(tonic::service::Routes::new(telemetry)
        .add_service(alarms)
        .add_service(bench)
        .add_service(advice)
        .add_service(recovery)
        .add_service(registry)
        .add_service(watch)
        .add_service(reflection))
}
