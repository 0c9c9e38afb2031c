//! Which database: one by URL, the private one of this process, or the private one of another.

use std::path::{Path, PathBuf};
use std::str::FromStr as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::Context as _;
use sqlx::postgres::PgConnectOptions;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _};

use crate::cluster::{self, Cluster, ClusterConfig};
use crate::config::{self, Config, Surroundings};
use crate::store::{self, SERVICE_ROLE};

/// Name of the database inside a private cluster.
const NAME: &str = "restvolt";
/// How often the private server is looked at.
const WATCH: Duration = Duration::from_millis(500);
/// Time for its fast shutdown.
const STOP: Duration = Duration::from_secs(10);

/// A database that can be connected to.
#[derive(Debug)]
pub struct Database {
    owner: PgConnectOptions,
    service: PgConnectOptions,
    keeper: Option<Keeper>,
    folder: PathBuf,
}

/// Keeps the private server of this process running until it is stopped.
#[derive(Debug)]
struct Keeper {
    stop: Arc<AtomicBool>,
    thread: std::thread::JoinHandle<()>,
}

impl Database {
    /// Opens the configured database; a private one is started, or shared with the service that
    /// runs it when `share` is set. Migrations are run by whoever starts it.
    ///
    /// # Errors
    /// No server programs, a folder in use, a server that does not answer; each says the fix.
    pub async fn open(
        config: &Config,
        surroundings: &Surroundings,
        share: bool,
    ) -> anyhow::Result<Self> {
        let folder = config::data_dir(config, surroundings);
        if !config.database.url.is_empty() {
            let shown = config::redact_url(&config.database.url);
            let options = PgConnectOptions::from_str(&config.database.url)
                .with_context(|| format!("database.url {shown} is not readable"))?;
            return Ok(Self {
                owner: options.clone(),
                service: options,
                keeper: None,
                folder,
            });
        }
        let cluster = cluster_config(config, surroundings);
        let opened = tokio::task::spawn_blocking(move || -> Result<_, cluster::Error> {
            if share && let Some(attached) = cluster::attach(&cluster)? {
                let socket = attached.socket_dir().to_path_buf();
                return Ok((socket, attached.port(), attached.superuser(), None));
            }
            let started = Cluster::start(&cluster)?;
            let socket = started.socket_dir().to_path_buf();
            Ok((socket, started.port(), started.superuser(), Some(started)))
        });
        let (socket, port, superuser, started) = opened.await??;
        let owner = PgConnectOptions::new_without_pgpass()
            .socket(socket)
            .port(port)
            .username(superuser)
            .database(NAME);
        let service = owner.clone().username(SERVICE_ROLE);
        let keeper = started.map(Keeper::start).transpose()?;
        let database = Self {
            owner,
            service,
            keeper,
            folder,
        };
        if database.keeper.is_some() {
            database.create().await?;
        }
        Ok(database)
    }

    /// Makes the database and the service's login of a private cluster.
    async fn create(&self) -> anyhow::Result<()> {
        let mut conn = self.owner.clone().database("postgres").connect().await?;
        let known: bool =
            sqlx::query_scalar("select exists (select from pg_database where datname = $1)")
                .bind(NAME)
                .fetch_one(&mut conn)
                .await?;
        if !known {
            sqlx::raw_sql(AssertSqlSafe(format!("create database {NAME}")))
                .execute(&mut conn)
                .await?;
        }
        conn.close().await?;
        store::migrate(&self.owner).await?;
        let mut conn = self.owner.connect().await?;
        sqlx::raw_sql(AssertSqlSafe(format!("alter role {SERVICE_ROLE} login")))
            .execute(&mut conn)
            .await?;
        conn.close().await?;
        Ok(())
    }

    /// How the owner of the schema connects: migrations only.
    #[must_use]
    pub fn owner_options(&self) -> &PgConnectOptions {
        &self.owner
    }

    /// How the service connects.
    #[must_use]
    pub fn service_options(&self) -> PgConnectOptions {
        self.service.clone()
    }

    /// The data folder, which holds more than the database.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Whether this process runs the server.
    #[must_use]
    pub fn is_private(&self) -> bool {
        self.keeper.is_some()
    }

    /// Stops the private server, when this process runs it.
    pub async fn stop(self) {
        let Some(keeper) = self.keeper else { return };
        keeper.stop.store(true, Ordering::SeqCst);
        let joined = tokio::task::spawn_blocking(move || keeper.thread.join());
        if !matches!(joined.await, Ok(Ok(()))) {
            tracing::error!("the private database's keeper ended in a panic");
        }
    }
}

impl Keeper {
    fn start(mut cluster: Cluster) -> std::io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&stop);
        let thread = std::thread::Builder::new()
            .name("database-keeper".into())
            .spawn(move || {
                while !told.load(Ordering::SeqCst) {
                    std::thread::sleep(WATCH);
                    if let Some(status) = cluster.exited() {
                        tracing::error!(%status, "the private database ended; starting it again");
                        if let Err(error) = cluster.ensure_running() {
                            tracing::error!(
                                error = crate::telemetry::chain(&error),
                                "it did not start"
                            );
                        }
                    }
                }
                if let Err(error) = cluster.stop(STOP) {
                    tracing::error!(
                        error = crate::telemetry::chain(&error),
                        "the database did not stop"
                    );
                }
            })?;
        Ok(Self { stop, thread })
    }
}

fn cluster_config(config: &Config, surroundings: &Surroundings) -> ClusterConfig {
    let mut cluster = ClusterConfig::new(config::data_dir(config, surroundings).join("database"));
    if !config.database.bin_dir.is_empty() {
        cluster.bin_dir = Some(PathBuf::from(&config.database.bin_dir));
    }
    cluster.search_path = surroundings.search_path().map(Into::into);
    cluster.durable = config.database.durable;
    cluster
}
