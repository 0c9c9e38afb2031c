//! Health and metrics, on a listener of their own.

use std::time::Duration;

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use metrics_exporter_prometheus::PrometheusHandle;

use super::grpc::Services;
use super::mqtt::broker::State as BrokerState;
use crate::metrics;

/// Longest time the database may take to answer the health page.
const PING: Duration = Duration::from_secs(2);

/// What the health page asks.
#[derive(Clone)]
pub struct Health {
    /// The service itself.
    pub services: Services,
    /// The subscriber at a broker, when there is one.
    pub broker: Option<BrokerState>,
    /// Renders the metrics.
    pub metrics: PrometheusHandle,
    /// Set while the service stops.
    pub stopping: tokio_util::sync::CancellationToken,
}

/// `/livez`, `/readyz`, `/healthz`, `/metrics`.
pub fn routes(health: Health) -> Router {
    Router::new()
        .route("/livez", get(async || "live\n"))
        .route("/readyz", get(ready))
        .route("/healthz", get(ready))
        .route("/metrics", get(render))
        .with_state(health)
}

/// Whether the service can keep its promises; names each part that cannot.
async fn ready(State(health): State<Health>) -> (StatusCode, String) {
    let database = match tokio::time::timeout(PING, health.services.store.ping()).await {
        Ok(Ok(())) => "ok".to_owned(),
        Ok(Err(error)) => format!("FAILED: {error}"),
        Err(_) => format!("FAILED: no answer within {PING:?}"),
    };
    let load = health.services.intake.load();
    let intake = if load > 0.95 {
        format!("FAILED: budget {:.0} % used", load * 100.0)
    } else {
        "ok".into()
    };
    let stopping = if health.stopping.is_cancelled() {
        "FAILED: stopping"
    } else {
        "ok"
    };
    // A broker that is away stops no other door: it is named, and the service stays ready.
    let broker = match &health.broker {
        None => String::new(),
        Some(state) => match state.trouble() {
            None => "broker: ok\n".into(),
            Some(why) => format!("broker: AWAY: {why}\n"),
        },
    };
    let text = format!("database: {database}\nintake: {intake}\n{broker}service: {stopping}\n");
    let code = if text.contains("FAILED") {
        StatusCode::SERVICE_UNAVAILABLE
    } else {
        StatusCode::OK
    };
    (code, text)
}

async fn render(State(health): State<Health>) -> Response {
    metrics::set_load(health.services.intake.load());
    metrics::set_connections("questions", health.services.store.connections());
    health.metrics.run_upkeep();
    let kind = [(
        header::CONTENT_TYPE,
        "text/plain; version=0.0.4; charset=utf-8",
    )];
    (kind, health.metrics.render()).into_response()
}
