//! The record in Postgres: pools, transactions, schema. One file per table or pair of tables.
//!
//! A transaction belongs to one group: its first statement sets `app.group_id`, and row-level
//! security shows and takes rows of that group only. A transaction that is not committed closes its
//! connection, so that no half-open transaction can ever reach the next borrower.

pub mod again_verdicts;
pub mod alarm_routes;
pub mod alarms;
pub mod attempts;
pub mod bands;
pub mod charge_times;
pub mod checkpoints;
pub mod claims;
pub mod codec;
pub mod costs;
pub mod counted;
pub mod credentials;
pub mod directory;
pub mod error;
pub mod events;
pub mod findings;
pub mod firmware;
pub mod fits;
pub mod notifications;
pub mod outcomes;
pub mod priors;
pub mod quality;
pub mod quarantine;
pub mod readings;
pub mod receipts;
pub mod registry;
pub mod retests;
pub mod rule_overrides;
pub mod run_summaries;
pub mod segments;
pub mod server;
pub mod sessions;
pub mod settled;
pub mod stops;
pub mod summaries;
pub mod verdicts;
pub mod visits;
pub mod watches;
pub mod work;

use std::ops::{Deref, DerefMut};
use std::time::Duration;

pub use error::Error;
use server::one_connection;
use sqlx::pool::PoolConnection;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{AssertSqlSafe, Executor as _, PgConnection, PgPool, Postgres};
use uuid::Uuid;

/// Migrations compiled into the program.
pub static MIGRATOR: sqlx::migrate::Migrator = sqlx::migrate!();

/// Number of the newest migration: the schema this program keeps.
#[must_use]
pub fn schema_version() -> i64 {
    MIGRATOR
        .iter()
        .map(|migration| migration.version)
        .max()
        .unwrap_or(0)
}

/// How often an open transaction is heard of while arithmetic runs beside it: well within the 10 s that the server
/// allows.
const SIGN_OF_LIFE: Duration = Duration::from_secs(2);

/// Role the service acts as.
pub const SERVICE_ROLE: &str = "rv_service";

/// Whether the server must keep what it commits through a crash of the machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// The service refuses to run otherwise.
    Required,
    /// For throw-away databases of tests.
    Waived,
}

/// A pool of connections that act as the service role.
#[derive(Debug, Clone)]
pub struct Store {
    pool: PgPool,
}

/// One transaction of one group. Dropped without `commit`, it closes its connection.
#[derive(Debug)]
pub struct Tx {
    conn: PoolConnection<Postgres>,
    group: Uuid,
    open: bool,
}

impl Store {
    /// Makes a pool of at most `max` connections; connects when first used.
    #[must_use]
    pub fn new(options: PgConnectOptions, max: u32) -> Self {
        let options = options.options([
            ("statement_timeout", "5s"),
            ("lock_timeout", "2s"),
            ("idle_in_transaction_session_timeout", "10s"),
            ("synchronous_commit", "on"),
            ("search_path", "rv"),
        ]);
        let pool = PgPoolOptions::new()
            .max_connections(max)
            .acquire_timeout(Duration::from_secs(5))
            .after_connect(|conn, _| {
                Box::pin(async move {
                    conn.execute("set role rv_service").await?;
                    Ok(())
                })
            })
            .connect_lazy_with(options);
        Self { pool }
    }

    /// Begins a transaction of one group.
    ///
    /// # Errors
    /// `Away` when no connection comes in time.
    pub async fn begin(&self, group: Uuid) -> Result<Tx, Error> {
        let mut tx = self.begin_as(group).await?;
        let set = format!("begin; select set_config('app.group_id', '{group}', true)");
        sqlx::raw_sql(AssertSqlSafe(set)).execute(&mut *tx).await?;
        Ok(tx)
    }

    /// Begins a transaction that reads or writes the directory and nothing else.
    ///
    /// # Errors
    /// `Away` when no connection comes in time.
    pub async fn begin_directory(&self) -> Result<Tx, Error> {
        let mut tx = self.begin_as(Uuid::nil()).await?;
        sqlx::raw_sql("begin; set local role rv_directory")
            .execute(&mut *tx)
            .await?;
        Ok(tx)
    }

    /// Begins a transaction outside any group, for the job queue.
    ///
    /// # Errors
    /// `Away` when no connection comes in time.
    pub async fn begin_work(&self) -> Result<Tx, Error> {
        let mut tx = self.begin_as(Uuid::nil()).await?;
        sqlx::raw_sql("begin").execute(&mut *tx).await?;
        Ok(tx)
    }

    async fn begin_as(&self, group: Uuid) -> Result<Tx, Error> {
        let conn = self.pool.acquire().await.map_err(Error::Away)?;
        Ok(Tx {
            conn,
            group,
            open: true,
        })
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// `Away` when it does not.
    pub async fn ping(&self) -> Result<(), Error> {
        let tx = self.begin_work().await?;
        tx.rollback().await
    }

    /// Closes the pool after its last connection is back.
    pub async fn close(&self) {
        self.pool.close().await;
    }

    /// Connections of the pool: (in use, idle).
    #[must_use]
    pub fn connections(&self) -> (usize, usize) {
        let idle = self.pool.num_idle();
        ((self.pool.size() as usize).saturating_sub(idle), idle)
    }
}

impl Tx {
    /// Group of the transaction.
    #[must_use]
    pub fn group(&self) -> Uuid {
        self.group
    }

    /// Lets what follows in this transaction read much: a statement may take a minute, where others have 5 s. What a
    /// million outcomes are learned from takes some 10 s.
    ///
    /// # Errors
    /// Database errors.
    pub async fn read_much(&mut self) -> Result<(), Error> {
        let patience = "set local statement_timeout = '60s'";
        sqlx::raw_sql(patience).execute(&mut *self.conn).await?;
        Ok(())
    }

    /// Lets long arithmetic run beside the transaction, which stays open: the server cuts one that says nothing.
    ///
    /// # Errors
    /// `Misfit` when the work ends in a panic; database errors.
    pub async fn beside<T: Send + 'static>(
        &mut self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Error> {
        let mut work = tokio::task::spawn_blocking(work);
        loop {
            tokio::select! {
                done = &mut work => {
                    return done.map_err(|_| Error::Misfit("arithmetic ended in a panic".into()));
                }
                () = tokio::time::sleep(SIGN_OF_LIFE) => {}
            }
            sqlx::raw_sql("select 1").execute(&mut *self.conn).await?;
        }
    }

    /// Commits.
    ///
    /// # Errors
    /// `Lost` when the outcome is not known.
    pub async fn commit(mut self) -> Result<(), Error> {
        sqlx::raw_sql("commit").execute(&mut *self.conn).await?;
        self.open = false;
        Ok(())
    }

    /// Takes everything back; for reads and refused questions.
    ///
    /// # Errors
    /// `Lost` when the connection broke.
    pub async fn rollback(mut self) -> Result<(), Error> {
        sqlx::raw_sql("rollback").execute(&mut *self.conn).await?;
        self.open = false;
        Ok(())
    }
}

impl Deref for Tx {
    type Target = PgConnection;
    fn deref(&self) -> &PgConnection {
        &self.conn
    }
}

impl DerefMut for Tx {
    fn deref_mut(&mut self) -> &mut PgConnection {
        &mut self.conn
    }
}

impl Drop for Tx {
    fn drop(&mut self) {
        if self.open {
            self.conn.close_on_drop();
        }
    }
}

/// Brings the schema to this program's version, or says that the database is newer.
///
/// # Errors
/// `Misfit` when a migration fails or the database has migrations this program does not know.
pub async fn migrate(options: &PgConnectOptions) -> Result<(), Error> {
    let pool = one_connection(options).await?;
    let result = MIGRATOR.run(&pool).await.map_err(|error| match error {
        sqlx::migrate::MigrateError::VersionMissing(version) => Error::Misfit(format!(
            "the database has migration {version}, which this program does not know: run a newer restvolt"
        )),
        other => Error::Misfit(format!("migration failed: {other}")),
    });
    pool.close().await;
    result
}

/// How the schema of a database differs from this program's.
#[derive(Debug, Clone, Default)]
pub struct Drift {
    /// Migrations the database lacks.
    pub pending: Vec<String>,
    /// Numbers of those this program does not know: the database is newer.
    pub unknown: Vec<i64>,
}

/// Compares the schema of a database with this program's.
///
/// # Errors
/// `Away` when there is no connection.
pub async fn drift(options: &PgConnectOptions) -> Result<Drift, Error> {
    let pool = one_connection(options).await?;
    let applied = applied_migrations(&pool).await;
    pool.close().await;
    let mut unknown = applied?;
    let missing = MIGRATOR.iter().filter(|migration| {
        let before = unknown.len();
        unknown.retain(|version| *version != migration.version);
        unknown.len() == before
    });
    let named =
        missing.map(|migration| format!("{:04} {}", migration.version, migration.description));
    let pending = named.collect();
    Ok(Drift { pending, unknown })
}

/// Migrations the database lacks.
///
/// # Errors
/// `Away` when there is no connection.
pub async fn pending_migrations(options: &PgConnectOptions) -> Result<Vec<String>, Error> {
    Ok(drift(options).await?.pending)
}

async fn applied_migrations(pool: &PgPool) -> Result<Vec<i64>, Error> {
    let known: bool = sqlx::query_scalar("select to_regclass('_sqlx_migrations') is not null")
        .fetch_one(pool)
        .await?;
    if !known {
        return Ok(Vec::new());
    }
    let applied = sqlx::query_scalar("select version from _sqlx_migrations where success");
    Ok(applied.fetch_all(pool).await?)
}
