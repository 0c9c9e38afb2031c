//! What a database server promises: version, durability, and the walls around the service's role.

use std::time::Duration;

use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{ConnectOptions as _, Connection as _, PgConnection, PgPool};

use super::{Durability, Error, SERVICE_ROLE, Store};

/// Time for a connection.
const PATIENCE: Duration = Duration::from_secs(10);
/// Oldest version that will do, as the server numbers it.
const VERSION_MIN: i32 = 150_000;

/// A server as one connection sees it.
#[derive(Debug, Clone)]
pub struct Server {
    /// Version, as in 150008.
    pub version: i32,
    /// Whether a commit waits for the disk.
    pub synchronous_commit: String,
    /// Whether writes reach the disk at all.
    pub fsync: String,
    /// Whether a torn page can be mended.
    pub full_page_writes: String,
    /// Whether a rotten page is noticed.
    pub data_checksums: String,
    user: String,
    above_walls: bool,
    open_tables: i64,
}

impl Server {
    async fn read(conn: &mut PgConnection) -> Result<Self, Error> {
        let row = sqlx::query!(
            r#"select current_setting('synchronous_commit') as "sync!", current_setting('fsync') as "fsync!",
                current_setting('full_page_writes') as "pages!",
                current_setting('data_checksums') as "checksums!",
                current_setting('server_version_num')::int as "version!",
                current_user as "user!",
                (select rolsuper or rolbypassrls from pg_roles where rolname = current_user) as "above!",
                exists (select from pg_tables where schemaname = 'rv' and tableowner = current_user) as "owner!",
                (select count(*) from pg_class c join pg_namespace n on n.oid = c.relnamespace
                    where n.nspname = 'rv' and c.relkind = 'r' and not (c.relrowsecurity and c.relforcerowsecurity)
                    and c.relname not in ('directory', 'work')) as "open!""#
        )
        .fetch_one(conn)
        .await?;
        Ok(Self {
            version: row.version,
            synchronous_commit: row.sync,
            fsync: row.fsync,
            full_page_writes: row.pages,
            data_checksums: row.checksums,
            user: row.user,
            above_walls: row.above || row.owner,
            open_tables: row.open,
        })
    }

    /// As a connection sees it that asks for nothing.
    ///
    /// # Errors
    /// `Away` when there is no connection.
    pub async fn plain(options: &PgConnectOptions) -> Result<Self, Error> {
        // Not a pool: it would try again until its time is up, and not say why.
        let connected = tokio::time::timeout(PATIENCE, options.connect()).await;
        let mut conn = connected
            .unwrap_or(Err(sqlx::Error::PoolTimedOut))
            .map_err(Error::Away)?;
        let server = Self::read(&mut conn).await;
        // What was asked is known; how the connection ends changes nothing.
        let _ = conn.close().await;
        server
    }

    /// Whether the version is too old.
    ///
    /// # Errors
    /// `Misfit`.
    pub fn check_version(&self) -> Result<(), Error> {
        if self.version < VERSION_MIN {
            return Err(Error::Misfit(format!(
                "the server is version {}; 15 or later is needed",
                self.version
            )));
        }
        Ok(())
    }

    fn check_durability(&self) -> Result<(), Error> {
        let settings = [
            &self.synchronous_commit,
            &self.fsync,
            &self.full_page_writes,
        ];
        if settings.iter().any(|setting| *setting == "off") {
            return Err(Error::Misfit(format!(
                "synchronous_commit ({}), fsync ({}) and full_page_writes ({}) must be on: \
                 an acknowledged sample must survive a crash",
                self.synchronous_commit, self.fsync, self.full_page_writes
            )));
        }
        Ok(())
    }

    /// Whether row-level security binds the role of this connection.
    ///
    /// # Errors
    /// `Misfit` with the fix.
    pub fn check_walls(&self) -> Result<(), Error> {
        if self.above_walls {
            return Err(Error::Misfit(format!(
                "the service acts as {}, which row-level security does not bind; \
                 let database.url log in as a member of {SERVICE_ROLE}",
                self.user
            )));
        }
        if self.open_tables != 0 {
            return Err(Error::Misfit(format!(
                "{} tables lack forced row-level security; run `restvolt migrate`",
                self.open_tables
            )));
        }
        Ok(())
    }
}

impl Store {
    /// The server as the service's own connections see it.
    ///
    /// # Errors
    /// `Away` when there is no connection.
    pub async fn server(&self) -> Result<Server, Error> {
        let mut tx = self.begin_work().await?;
        let server = Server::read(&mut tx).await?;
        tx.rollback().await?;
        Ok(server)
    }

    /// Checks that the server keeps what it commits and that row-level security binds this role.
    ///
    /// # Errors
    /// `Misfit` with the fix; `Away` when there is no connection.
    pub async fn check(&self, durability: Durability) -> Result<(), Error> {
        let server = self.server().await?;
        server.check_version()?;
        if durability == Durability::Required {
            server.check_durability()?;
        }
        server.check_walls()
    }
}

/// A pool of one connection, which is there.
pub(super) async fn one_connection(options: &PgConnectOptions) -> Result<PgPool, Error> {
    PgPoolOptions::new()
        .max_connections(1)
        .acquire_timeout(PATIENCE)
        .connect_with(options.clone())
        .await
        .map_err(Error::Away)
}
