//! Puts the service together, runs it, takes it down in order. Owns every task.

pub mod database;
pub(crate) mod mqtt;
pub mod vitals;

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use metrics_exporter_prometheus::{PrometheusBuilder, PrometheusHandle};
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio::net::TcpListener;
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tonic_health::server::HealthReporter;

use crate::alarm::address::Range;
use crate::alarm::vitals::Lines;
use crate::clock::Clock;
use crate::config::Config;
use crate::edge::grpc::{self, Services};
use crate::edge::http::{self, Health};
use crate::edge::serve::{Door, Limits};
use crate::intake::{self, Intake};
use crate::lane::{self, Lane};
use crate::query::tokens::{NewToken, Secret, Tokens};
use crate::query::{registry, tokens};
use crate::record::words::Scope;
use crate::store::{Durability, Store};
use crate::{metrics, pipeline, watch};
use database::Database;

/// Longest time a stop may take.
const STOP: Duration = Duration::from_secs(20);
/// Of that, time for requests and commits in hand.
const DRAIN: Duration = Duration::from_secs(14);

/// A service that is bound and ready to run.
pub struct App {
    services: Services,
    intake_store: Store,
    alarm_store: Store,
    doors: Vec<(Door, &'static str)>,
    mqtt: self::mqtt::Parts,
    reporter: HealthReporter,
    /// Address of gRPC.
    pub grpc_addr: SocketAddr,
    /// Address of health and metrics.
    pub admin_addr: SocketAddr,
    /// Address of the service's own MQTT door, when there is one.
    pub mqtt_addr: Option<SocketAddr>,
    stop: CancellationToken,
    intake_stop: CancellationToken,
    intake_tasks: TaskTracker,
    watched_max: usize,
    lines: Lines,
    database_folder: Option<PathBuf>,
}

/// Connections of the alarm lane: one that keeps, one that looks up.
const LANE_CONNECTIONS: u32 = 2;

/// The pools of a service.
#[derive(Debug, Clone)]
pub struct Stores {
    /// For intake and jobs.
    pub intake: Store,
    /// For questions and records.
    pub questions: Store,
    /// For the alarm lane.
    pub alarms: Store,
    /// Where the lane keeps its files.
    pub folder: PathBuf,
    /// Folder of the database, where it is a private one.
    pub database_folder: Option<PathBuf>,
}

impl Stores {
    /// Opens the pools and checks that the database keeps its side of the contract.
    ///
    /// # Errors
    /// The database is away or does not fit.
    pub async fn open(config: &Config, database: &Database) -> anyhow::Result<Self> {
        let options = database.service_options();
        let stores = Self {
            intake: Store::new(options.clone(), config.database.intake_connections),
            questions: Store::new(options.clone(), config.database.question_connections),
            alarms: Store::new(options, LANE_CONNECTIONS),
            folder: database.folder().to_path_buf(),
            database_folder: (config.database.url.is_empty())
                .then(|| database.folder().join("database")),
        };
        let durability = if config.database.durable {
            Durability::Required
        } else {
            Durability::Waived
        };
        stores
            .questions
            .check(durability)
            .await
            .context("the database cannot be used")?;
        Ok(stores)
    }
}

/// Makes the group when there is none, with its first operator token.
///
/// # Errors
/// Database errors.
pub async fn ensure_group(
    store: &Store,
    clock: &Clock,
    name: &str,
) -> anyhow::Result<(uuid::Uuid, Option<Secret>)> {
    let (group, _) = registry::ensure_group(store, clock, name).await?;
    let mut tx = store.begin(group).await?;
    let known = crate::store::credentials::list(&mut tx, group).await?;
    if known
        .iter()
        .any(|known| known.scope == Scope::Operator && known.revoked_at.is_none())
    {
        tx.rollback().await?;
        return Ok((group, None));
    }
    let new = NewToken {
        scope: Scope::Operator,
        name: "first operator".into(),
        shop: None,
        device: None,
        valid_days: 3650,
    };
    let made = tokens::insert(&mut tx, clock, group, new).await?;
    tx.commit().await?;
    tokens::publish(store, group, &made).await?;
    Ok((group, Some(made.1)))
}

/// Starts the collection of metrics, once a process.
///
/// # Errors
/// A recorder was installed before.
pub fn start_metrics() -> anyhow::Result<PrometheusHandle> {
    let seconds = [
        0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0,
    ];
    let handle = PrometheusBuilder::new()
        .set_buckets(&seconds)?
        .install_recorder()?;
    metrics::describe();
    Ok(handle)
}

impl App {
    /// Binds the doors; nothing is served before `run`.
    ///
    /// # Errors
    /// An address cannot be bound, TLS files cannot be read.
    pub async fn build(
        config: &Config,
        stores: &Stores,
        clock: Clock,
        handle: PrometheusHandle,
    ) -> anyhow::Result<Self> {
        let (tls, mqtt_tls) = (tls(config, &[b"h2", b"http/1.1"])?, tls(config, &[])?);
        let (stop, intake_stop) = (CancellationToken::new(), CancellationToken::new());
        let intake_tasks = TaskTracker::new();
        let owned = (&intake_tasks, &intake_stop);
        let settings = lane_settings(config, stores)?;
        let lane = Lane::start(&stores.alarms, &clock, settings, owned);
        let services = Services {
            store: stores.questions.clone(),
            intake: Intake::start(&stores.intake, &clock, intake_limits(config), owned),
            lane: lane.context("the alarm lane cannot be started")?,
            clock,
            tokens: Arc::new(Tokens::default()),
            tasks: TaskTracker::new(),
        };
        let (reporter, health) = tonic_health::server::health_reporter();
        let grpc = grpc::routes(&services)
            .context("the compiled contract is not readable")?
            .add_service(health);
        let grpc = grpc.prepare().into_axum_router().reset_fallback();
        let mqtt = self::mqtt::Parts::build(&config.mqtt, &services, mqtt_tls).await?;
        let page = Health {
            services: services.clone(),
            broker: mqtt.state(),
            metrics: handle,
            stopping: stop.clone(),
        };
        let (grpc_listener, grpc_addr) = bind(config.listen.grpc, "listen.grpc").await?;
        let (admin_listener, admin_addr) = bind(config.listen.admin, "listen.admin").await?;
        let limits = Limits::default();
        let doors = vec![
            (
                Door {
                    listener: grpc_listener,
                    router: grpc,
                    tls,
                    limits,
                },
                "gRPC",
            ),
            (
                Door {
                    listener: admin_listener,
                    router: http::routes(page),
                    tls: None,
                    limits,
                },
                "health and metrics",
            ),
        ];
        Ok(Self {
            services,
            intake_store: stores.intake.clone(),
            alarm_store: stores.alarms.clone(),
            doors,
            mqtt_addr: mqtt.address(),
            mqtt,
            reporter,
            grpc_addr,
            admin_addr,
            stop,
            intake_stop,
            intake_tasks,
            watched_max: config.watch.runs_max,
            lines: vitals::lines(config),
            database_folder: stores.database_folder.clone(),
        })
    }

    /// What the service's questions run on; for replay out of quarantine.
    #[must_use]
    pub fn services(&self) -> &Services {
        &self.services
    }

    /// Serves until `shutdown`, then finishes what is in hand: within 20 s, or it is cut off.
    pub async fn run(self, shutdown: CancellationToken) {
        let jobs = TaskTracker::new();
        jobs.spawn(pipeline::run(
            self.intake_store.clone(),
            self.services.clock.clone(),
            self.stop.clone(),
        ));
        // What the watch finds in a charge raises alarms like what a single reading shows.
        let lane = self.services.lane.clone();
        jobs.spawn(watch::run(
            self.intake_store.clone(),
            self.services.clock.clone(),
            (self.watched_max, self.stop.clone()),
            Arc::new(move |source, condition| drop(lane.note(source, condition))),
        ));
        let watched = vitals::Watched {
            store: self.alarm_store.clone(),
            folder: self.database_folder,
            lines: self.lines,
            intake: self.services.intake.clone(),
            lane: self.services.lane.clone(),
            clock: self.services.clock.clone(),
        };
        // Before a door opens: telemetry of the first moments would go to a full disk as well.
        watched.hold_if_full();
        jobs.spawn(vitals::run(watched, self.stop.clone()));
        for (door, name) in self.doors {
            tracing::info!(address = ?door.listener.local_addr().ok(), "serving {name}");
            self.services
                .tasks
                .spawn(door.run(self.services.tasks.clone(), self.stop.clone()));
        }
        self.mqtt.run(&self.services.tasks, &self.stop);
        shutdown.cancelled().await;
        tracing::info!("stopping: no new work, finishing what is in hand");
        self.reporter
            .set_service_status("", tonic_health::ServingStatus::NotServing)
            .await;
        self.stop.cancel();
        let orderly = async {
            self.services.tasks.close();
            jobs.close();
            let drained = tokio::time::timeout(DRAIN, async {
                self.services.tasks.wait().await;
                jobs.wait().await;
            });
            if drained.await.is_err() {
                tracing::warn!("requests were cut off; nothing unacknowledged is kept");
            }
            self.intake_stop.cancel();
            self.intake_tasks.close();
            self.intake_tasks.wait().await;
            self.intake_store.close().await;
            self.alarm_store.close().await;
            self.services.store.close().await;
        };
        if tokio::time::timeout(STOP, orderly).await.is_err() {
            tracing::warn!("the stop took longer than {STOP:?} and was cut off");
        }
    }
}

/// Bounds of intake.
fn intake_limits(config: &Config) -> intake::Limits {
    intake::Limits {
        writers: config.intake.writers,
        commit_batches: config.intake.commit_batches,
        commit_bytes: config.intake.commit_bytes,
        budget_kib: config.intake.budget_kib,
        quarantine_rows: config.intake.quarantine_rows,
        ..intake::Limits::default()
    }
}

/// Settings of the alarm lane.
fn lane_settings(config: &Config, stores: &Stores) -> anyhow::Result<lane::Settings> {
    let listed = config.alarm.allowed().map(Range::parse);
    let roots = match config.alarm.webhook_ca_file.as_str() {
        "" => Vec::new(),
        file => certificates(file).with_context(|| format!("alarm.webhook_ca_file {file}"))?,
    };
    Ok(lane::Settings {
        journal: config.alarm.journal(&stores.folder),
        key: config.alarm.key(&stores.folder),
        listed: listed
            .collect::<Result<_, _>>()
            .context("alarm.webhook_allow")?,
        heartbeat_url: config.alarm.heartbeat_url.clone(),
        roots,
    })
}

/// Certificates of a PEM file; at least one.
fn certificates(file: &str) -> anyhow::Result<Vec<CertificateDer<'static>>> {
    let found = CertificateDer::pem_file_iter(file)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .context("cannot be read as PEM")?;
    anyhow::ensure!(!found.is_empty(), "it holds no certificate in PEM form");
    Ok(found)
}

async fn bind(addr: SocketAddr, key: &str) -> anyhow::Result<(TcpListener, SocketAddr)> {
    let listener = TcpListener::bind(addr)
        .await
        .map_err(|error| match error.kind() {
            io::ErrorKind::AddrInUse => anyhow::anyhow!(
                "{addr} is in use: another restvolt runs there, or set {key} to a free address"
            ),
            _ => anyhow::anyhow!("cannot listen on {addr} ({key}): {error}"),
        })?;
    let bound = listener.local_addr()?;
    Ok((listener, bound))
}

/// TLS with the protocols it offers; with none it takes whatever a client names.
fn tls(config: &Config, protocols: &[&[u8]]) -> anyhow::Result<Option<TlsAcceptor>> {
    if config.tls.cert_file.is_empty() {
        return Ok(None);
    }
    let chain = certificates(&config.tls.cert_file)
        .with_context(|| format!("tls.cert_file {}", config.tls.cert_file))?;
    let key = PrivateKeyDer::from_pem_file(&config.tls.key_file)
        .with_context(|| format!("cannot read tls.key_file {}", config.tls.key_file))?;
    let mut server = rustls::ServerConfig::builder()
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .context("the TLS certificate and key do not belong together")?;
    server.alpn_protocols = protocols.iter().map(|name| name.to_vec()).collect();
    Ok(Some(TlsAcceptor::from(Arc::new(server))))
}
