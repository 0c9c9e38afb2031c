//! A private Postgres cluster: made, started, watched and stopped by the service itself.
//!
//! For one laptop or one shop: the installed server programs, a data folder, a unix socket, no
//! port on the network, no password. One process owns the data folder; a second one is refused
//! ([`Error::InUse`]) or connects beside it ([`attach`]). When the owner dies, in whatever way,
//! the kernel ends the database too. All calls block: run them on a blocking thread. Linux only.
//! Never reads the environment or the wall clock; the caller connects with the facts given here.

mod binaries;
mod error;
mod folder;
pub mod guard;
mod process;
mod user;

use std::ffi::OsString;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus};
use std::time::{Duration, Instant};

use binaries::{Binaries, MadeBy};
use folder::Paths;
use process::{PidFile, Spawner, Start};
use user::RunAs;

pub use error::Error;

/// Port that names the socket file. Nothing listens on the network, so it is always this one.
const PORT: u16 = 5432;

/// The role that owns the cluster.
const SUPERUSER: &str = "postgres";

/// How often [`attach`] looks again while the owner is starting.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// How long a dropped cluster may take for a fast shutdown before it is ended harder.
const DROP_WAIT: Duration = Duration::from_secs(10);

/// Settings of every start. On the command line they win over the files in the data folder, so
/// that nobody switches off what a receipt promises.
const SETTINGS: [&str; 14] = [
    "listen_addresses=",
    "unix_socket_permissions=0700",
    "synchronous_commit=on",
    "idle_in_transaction_session_timeout=10s",
    "client_connection_check_interval=5s",
    "restart_after_crash=on",
    "log_destination=stderr",
    "logging_collector=off",
    "log_min_duration_statement=1s",
    "log_line_prefix=%m [%p] %q%a ",
    "log_timezone=UTC",
    "timezone=UTC",
    "lc_messages=C",
    "cluster_name=restvolt",
];

/// Says where the cluster lives and how it is run.
#[derive(Debug, Clone)]
pub struct ClusterConfig {
    /// Data folder (`database.data_dir`); made when missing, with files of its name beside it.
    ///
    /// As root, every parent must be open to user `postgres` (or `nobody`).
    pub data_dir: PathBuf,
    /// Folder of `postgres` and `initdb` (`database.bin_dir` or `PG_BIN`); `None` searches.
    pub bin_dir: Option<PathBuf>,
    /// Value of `PATH`, searched last; `None` leaves it and `pg_config` out.
    pub search_path: Option<OsString>,
    /// This program, run again as the guard ([`guard::SUBCOMMAND`]).
    pub guard: PathBuf,
    /// Folder for the socket when the path beside the data folder is too long.
    pub temp_dir: PathBuf,
    /// Off, nothing is synced to disk: a power cut destroys the data. For tests only.
    pub durable: bool,
    /// Most connections at a time.
    pub max_connections: u16,
    /// Server's own cache in MiB.
    pub shared_buffers_mib: u32,
    /// How long a start may take, recovery after a crash included.
    pub ready_timeout: Duration,
}

impl ClusterConfig {
    /// Fills in the defaults of a durable cluster for one shop.
    ///
    /// The guard is this very program, even after its file was replaced by an upgrade. 128 MiB is
    /// the server's own default; 50 connections are ten times what one process pools.
    #[must_use]
    pub fn new(data_dir: impl Into<PathBuf>) -> Self {
        Self {
            data_dir: data_dir.into(),
            bin_dir: None,
            search_path: None,
            guard: PathBuf::from("/proc/self/exe"),
            temp_dir: std::env::temp_dir(),
            durable: true,
            max_connections: 50,
            shared_buffers_mib: 128,
            ready_timeout: Duration::from_mins(1),
        }
    }
}

/// A running cluster that this process owns. Dropped, it stops.
#[derive(Debug)]
pub struct Cluster {
    child: Child,
    setup: Setup,
    /// Released last, when the database is gone.
    _lock: File,
}

impl Cluster {
    /// Starts the cluster, making it first where the data folder is missing or empty.
    ///
    /// Returns when it accepts connections. As root the database runs as the owner of the data
    /// folder, or as `postgres` (else `nobody`) for a new one.
    ///
    /// # Errors
    /// All variants of [`Error`]; each text names the way out.
    pub fn start(config: &ClusterConfig) -> Result<Self, Error> {
        let paths = Paths::make(&config.data_dir)?;
        let mut facts = Facts::gather(config, &paths)?;
        let lock = folder::lock(&paths, &facts.user)?;
        if paths.made_by()? != facts.made_by {
            // Another process made the database while this one waited for the lock.
            facts = Facts::gather(config, &paths)?;
        }
        if facts.made_by.is_none() {
            let began = Instant::now();
            folder::create(&paths, config, &facts.user, &facts.binaries)?;
            let took_ms = millis(began);
            tracing::info!(database.dir = %paths.data.display(), took_ms, "database made");
        }
        let socket_dir = folder::make_socket_dir(&paths, config, &facts.user)?;
        let spawner = Spawner::new(&paths, &facts.user)?;
        let setup = Setup {
            config: config.clone(),
            paths,
            facts,
            socket_dir,
            spawner,
        };
        Ok(Self {
            child: setup.launch()?,
            setup,
            _lock: lock,
        })
    }

    /// How the database ended, `None` while it runs. Never blocks; reaps the child.
    pub fn exited(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().ok().flatten()
    }

    /// Starts the database again if it has ended; returns whether it had.
    ///
    /// Not logged here: the caller asks [`Cluster::exited`] for the status first.
    ///
    /// # Errors
    /// As [`Cluster::start`]. The call may be repeated.
    pub fn ensure_running(&mut self) -> Result<bool, Error> {
        if self.exited().is_none() {
            return Ok(false);
        }
        self.child = self.setup.launch()?;
        Ok(true)
    }

    /// Stops the database: a fast shutdown within `timeout`, else an immediate one, else by force.
    ///
    /// Open transactions are rolled back, committed ones stay. Blocks at most `timeout` + 15 s.
    ///
    /// # Errors
    /// `Io` when the system lets the process be neither signaled nor waited for.
    pub fn stop(mut self, timeout: Duration) -> Result<ExitStatus, Error> {
        self.end(timeout)
    }

    /// Folder of the unix socket; the host to connect to.
    #[must_use]
    pub fn socket_dir(&self) -> &Path {
        &self.setup.socket_dir
    }

    /// Port that names the socket file.
    #[must_use]
    pub fn port(&self) -> u16 {
        PORT
    }

    /// Role that may do everything; it needs no password on the socket.
    #[must_use]
    pub fn superuser(&self) -> &'static str {
        SUPERUSER
    }

    /// Folder of the server programs in use, which has `pg_dump` of the right version as well.
    #[must_use]
    pub fn bin_dir(&self) -> &Path {
        &self.setup.facts.binaries.dir
    }

    /// Process id of the server.
    #[must_use]
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    fn end(&mut self, timeout: Duration) -> Result<ExitStatus, Error> {
        process::end(&mut self.child, timeout).map_err(Error::io("stop", &self.setup.paths.data))
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if let Err(e) = self.end(DROP_WAIT) {
            tracing::error!(error = %e, "the database could not be stopped");
        }
    }
}

/// A running cluster that another process owns.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attached {
    socket_dir: PathBuf,
    port: u16,
    owner_pid: Option<u32>,
}

impl Attached {
    /// Folder of the unix socket; the host to connect to.
    #[must_use]
    pub fn socket_dir(&self) -> &Path {
        &self.socket_dir
    }

    /// Port that names the socket file.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Role that may do everything; it needs no password on the socket.
    #[must_use]
    pub fn superuser(&self) -> &'static str {
        SUPERUSER
    }

    /// Process id of the owner, if it is written down.
    #[must_use]
    pub fn owner_pid(&self) -> Option<u32> {
        self.owner_pid
    }
}

/// Finds the cluster that another process of ours runs in the data folder, to connect beside it.
///
/// `None` when nobody owns the folder: the caller may start it. Waits while the owner starts.
///
/// # Errors
/// `WrongOwner` when this user may not look into the folder; `NotReady` when the owner lives but
/// its database is not ready within `config.ready_timeout`; `Io`.
pub fn attach(config: &ClusterConfig) -> Result<Option<Attached>, Error> {
    let Some(paths) = Paths::find(&config.data_dir)? else {
        return Ok(None);
    };
    let deadline = Instant::now() + config.ready_timeout;
    loop {
        let Some(owner) = folder::owner(&paths)? else {
            return Ok(None);
        };
        if let Some(PidFile {
            pid: _,
            port: Some(port),
            socket_dir: Some(dir),
            ready: true,
        }) = PidFile::read(&paths.data)?.filter(|file| file.is_live(&paths.data))
        {
            return Ok(Some(Attached {
                socket_dir: dir,
                port,
                owner_pid: owner.pid,
            }));
        }
        if Instant::now() >= deadline {
            return Err(not_ready(config, &paths));
        }
        std::thread::sleep(LOOK_AGAIN);
    }
}

/// What a start found out before it changed anything.
#[derive(Debug)]
struct Facts {
    made_by: Option<MadeBy>,
    user: RunAs,
    binaries: Binaries,
}

impl Facts {
    fn gather(config: &ClusterConfig, paths: &Paths) -> Result<Self, Error> {
        let made_by = paths.made_by()?;
        let binaries = binaries::find(config, made_by.as_ref())?;
        let user = RunAs::choose(paths, made_by.is_some())?;
        user.must_reach(&paths.data)?;
        user.must_reach(&binaries.program("postgres"))?;
        Ok(Self {
            made_by,
            user,
            binaries,
        })
    }
}

/// All that a start and a later restart need.
#[derive(Debug)]
struct Setup {
    config: ClusterConfig,
    paths: Paths,
    facts: Facts,
    socket_dir: PathBuf,
    spawner: Spawner,
}

impl Setup {
    /// Starts `postgres` and waits until it is ready.
    fn launch(&self) -> Result<Child, Error> {
        let began = Instant::now();
        let deadline = began + self.config.ready_timeout;
        process::make_free(&self.paths, deadline)?;
        folder::clear_socket_dir(&self.socket_dir)?;
        let mut child = self
            .spawner
            .spawn(self.command())
            .map_err(Error::io("run", &self.config.guard))?;
        match process::wait_ready(&mut child, &self.paths.data, deadline) {
            Ok(Start::Ready) => {
                let took_ms = millis(began);
                tracing::info!(database.pid = child.id(), took_ms, "database ready");
                Ok(child)
            }
            Ok(Start::Ended(status)) => {
                let (log, tail) = (self.paths.log.clone(), process::log_tail(&self.paths));
                Err(Error::EndedEarly { status, log, tail })
            }
            Ok(Start::TooLate) => Err(self.give_up(child, not_ready(&self.config, &self.paths))),
            Err(error) => Err(self.give_up(child, error)),
        }
    }

    /// Ends a child that did not get ready, so that the next try finds the folder free.
    fn give_up(&self, mut child: Child, error: Error) -> Error {
        match process::end(&mut child, DROP_WAIT) {
            Ok(_) => error,
            Err(e) => Error::io("stop", &self.paths.data)(e),
        }
    }

    fn command(&self) -> Command {
        let program = self.facts.binaries.program("postgres");
        let mut command = guard::command(&self.config.guard, &self.facts.user, &program);
        command
            .arg("-D")
            .arg(&self.paths.data)
            .arg("-p")
            .arg(PORT.to_string());
        // A list of quoted names: a comma or a space in the path would split it.
        let mut sockets = OsString::from("unix_socket_directories=\"");
        sockets.push(&self.socket_dir);
        sockets.push("\"");
        command.arg("-c").arg(sockets);
        let durable = if self.config.durable { "on" } else { "off" };
        let chosen = [
            format!("fsync={durable}"),
            format!("full_page_writes={durable}"),
            format!("max_connections={}", self.config.max_connections),
            format!("shared_buffers={}MB", self.config.shared_buffers_mib),
        ];
        for setting in SETTINGS
            .into_iter()
            .chain(chosen.iter().map(String::as_str))
        {
            command.arg("-c").arg(setting);
        }
        command
    }
}

fn not_ready(config: &ClusterConfig, paths: &Paths) -> Error {
    Error::NotReady {
        waited: config.ready_timeout,
        log: paths.log.clone(),
        tail: process::log_tail(paths),
    }
}

fn millis(began: Instant) -> u64 {
    u64::try_from(began.elapsed().as_millis()).unwrap_or(u64::MAX)
}
