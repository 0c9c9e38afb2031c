//! `serve`: the service until it is told to stop.

use std::net::SocketAddr;
use std::time::Duration;

use anyhow::Context as _;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

use super::local::first_token;
use super::{Context, Done, remark};
use crate::app::database::Database;
use crate::app::{self, App, Stores};
use crate::clock::Clock;
use crate::store;

/// Longest time a stop may take before the process ends itself.
const HARD_STOP: Duration = Duration::from_secs(20);

/// Run the service: gRPC, health, metrics, a private database unless one is named.
///
/// Prints the first operator token once, when the group is made. Stops on SIGTERM or Ctrl-C within
/// 20 s; nothing that was acknowledged is lost, whatever ends it.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Address for gRPC.
    #[arg(long, value_name = "ADDRESS")]
    listen: Option<SocketAddr>,
    /// Address for /livez, /readyz and /metrics.
    #[arg(long, value_name = "ADDRESS")]
    admin: Option<SocketAddr>,
    /// Address of the service's own MQTT door; empty: none.
    #[arg(long, value_name = "ADDRESS")]
    mqtt: Option<String>,
    /// A broker to take messages in from: mqtt://HOST:PORT or mqtts://HOST:PORT.
    #[arg(long, value_name = "URL")]
    broker: Option<String>,
}

impl Arguments {
    pub(super) fn flags(&self) -> Vec<(&'static str, String)> {
        let grpc = self.listen.map(|addr| ("listen.grpc", addr.to_string()));
        let admin = self.admin.map(|addr| ("listen.admin", addr.to_string()));
        let mqtt = self.mqtt.clone().map(|addr| ("mqtt.listen", addr));
        let broker = self.broker.clone().map(|url| ("mqtt.broker", url));
        let all = [grpc, admin, mqtt, broker];
        all.into_iter().flatten().collect()
    }
}

pub(super) async fn run(context: &Context) -> anyhow::Result<Done> {
    let shutdown = CancellationToken::new();
    let mut term = signal(SignalKind::terminate())?;
    let told = shutdown.clone();
    let wait = async move {
        tokio::select! {
            _ = term.recv() => {}
            _ = tokio::signal::ctrl_c() => {}
        }
        told.cancel();
        // Whatever hangs: the promise to stop is kept.
        tokio::time::sleep(HARD_STOP).await;
    };
    tokio::select! {
        done = Box::pin(serve(context, shutdown)) => done.map(|()| Done::All),
        () = wait => anyhow::bail!("the stop took longer than 20 s and was cut off; nothing acknowledged is lost"),
    }
}

async fn serve(context: &Context, shutdown: CancellationToken) -> anyhow::Result<()> {
    let config = context.config();
    let database = Database::open(config, &context.surroundings, false).await?;
    let served = Box::pin(serve_on(context, &database, shutdown)).await;
    database.stop().await;
    served
}

async fn serve_on(
    context: &Context,
    database: &Database,
    shutdown: CancellationToken,
) -> anyhow::Result<()> {
    let config = context.config();
    if !database.is_private() {
        store::migrate(database.owner_options())
            .await
            .context("the database cannot be used")?;
    }
    let clock = Clock::System;
    let stores = Stores::open(config, database).await?;
    let (_, secret) = app::ensure_group(&stores.questions, &clock, &config.group.name).await?;
    if let Some(secret) = secret {
        remark(&first_token(&config.group.name, secret.reveal()));
    }
    let app = App::build(config, &stores, clock, app::start_metrics()?).await?;
    let mqtt = app
        .mqtt_addr
        .map_or_else(String::new, |address| format!(", MQTT on {address}"));
    remark(&format!(
        "restvolt {} serves group `{}`: gRPC on {}{mqtt}, health and metrics on http://{}\n\
         It watches and reports. It does not protect. Ctrl-C stops it.",
        env!("CARGO_PKG_VERSION"),
        config.group.name,
        app.grpc_addr,
        app.admin_addr
    ));
    app.run(shutdown).await;
    Ok(())
}
