//! Why the private database cannot be started, stopped or found; every text names the way out.

use std::path::PathBuf;
use std::process::ExitStatus;
use std::time::Duration;

use super::binaries::MIN_MAJOR;

/// Says what stands between the caller and a running database.
///
/// All variants are of the startup class: nothing was stored, the operator changes something and
/// starts again. `Busy` states (`InUse`) clear themselves when the other process ends.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// No folder holds both `postgres` and `initdb`.
    #[error(
        "no PostgreSQL server programs found; looked in: {looked}. Fix: \
         `apt-get install -y postgresql`, or set DATABASE_URL to a PostgreSQL {MIN_MAJOR} or \
         newer, or set database.bin_dir to the folder that holds `postgres` and `initdb`"
    )]
    BinariesMissing {
        /// Places that were searched, with what was wrong at each.
        looked: String,
    },
    /// Server programs exist, but none is new enough.
    #[error(
        "PostgreSQL {MIN_MAJOR} or newer is needed; looked in: {looked}. Fix: \
         `apt-get install -y postgresql` on a newer system, or set DATABASE_URL to a PostgreSQL \
         {MIN_MAJOR} or newer, or set database.bin_dir to a newer installation"
    )]
    BinariesTooOld {
        /// Places that were searched, with the version at each.
        looked: String,
    },
    /// The data folder was made by a major version that is not installed.
    #[error(
        "the database in {} was made by PostgreSQL {made_by}, which is not installed; looked in: \
         {looked}. Fix: `apt-get install -y postgresql-{made_by}`, or set database.bin_dir to \
         that version, or move the data to the installed version with pg_upgrade",
        .dir.display()
    )]
    WrongMajor {
        /// The data folder.
        dir: PathBuf,
        /// Text of its `PG_VERSION`.
        made_by: String,
        /// Places that were searched, with the version at each.
        looked: String,
    },
    /// The data folder holds files, but no database.
    #[error(
        "{} holds files but no database, and nothing is deleted. Fix: set database.data_dir to a \
         new or empty folder",
        .dir.display()
    )]
    NotACluster {
        /// The data folder.
        dir: PathBuf,
    },
    /// The data folder is a file system of its own, so a finished database cannot move in.
    #[error(
        "{} is a mount point, so a new database cannot be moved into place in one step. Fix: set \
         database.data_dir to a folder inside of it, such as {}",
        .dir.display(), .dir.join("database").display()
    )]
    MountPoint {
        /// The data folder.
        dir: PathBuf,
    },
    /// The files belong to somebody whom this process cannot become.
    #[error(
        "{} may be used by user {owner} only. Fix: run this command as {owner} or as root, or \
         `chown -R` the folder to the user that runs the service (never to root)",
        .path.display()
    )]
    WrongOwner {
        /// The folder or file in question.
        path: PathBuf,
        /// Name or number of the user it belongs to.
        owner: String,
    },
    /// A parent folder keeps the database's user out.
    #[error(
        "user {user}, as whom PostgreSQL runs, cannot pass through {} to reach {}. Fix: \
         `chmod o+x {}`, or set database.data_dir below a folder open to all, such as /var/lib",
        .parent.display(), .dir.display(), .parent.display()
    )]
    Unreachable {
        /// What has to be reached.
        dir: PathBuf,
        /// The parent that is closed.
        parent: PathBuf,
        /// The user that is kept out.
        user: String,
    },
    /// Started as root, and there is no other user to run the database as.
    #[error(
        "PostgreSQL refuses to run as root, and neither user `postgres` nor `nobody` exists. Fix: \
         `useradd --system postgres`, or start this program as another user"
    )]
    NoUser,
    /// Another process owns the data folder.
    #[error(
        "the database in {} is in use by {}. Fix: stop that process, or set database.data_dir to \
         another folder",
        .dir.display(), process_name(*.pid)
    )]
    InUse {
        /// The data folder.
        dir: PathBuf,
        /// Process id of the owner; `None` when it did not say.
        pid: Option<u32>,
    },
    /// The folder for the socket exists and is not ours.
    #[error(
        "{} is needed for the database's socket, but it is not a folder that user {user} alone \
         may use. Fix: remove it",
        .dir.display()
    )]
    SocketDirTaken {
        /// The folder for the socket.
        dir: PathBuf,
        /// The user that should own it.
        user: String,
    },
    /// No folder gives a socket path that the system accepts.
    #[error(
        "the socket path in {} is longer than 107 bytes. Fix: set database.data_dir or TMPDIR to \
         a shorter path",
        .dir.display()
    )]
    SocketPathTooLong {
        /// The shortest folder that was tried.
        dir: PathBuf,
    },
    /// `initdb` ended with an error.
    #[error(
        "cannot make a new database in {} ({status}); `initdb` said: {output}. Fix: what it \
         names, then start again; nothing half-made stays in use",
        .dir.display()
    )]
    Initdb {
        /// The data folder.
        dir: PathBuf,
        /// How `initdb` ended.
        status: ExitStatus,
        /// What it printed.
        output: String,
    },
    /// `postgres` ended before it was ready.
    #[error(
        "the database ended while starting ({status}). Fix: what its log names; last lines of \
         {}:\n{tail}",
        .log.display()
    )]
    EndedEarly {
        /// How `postgres` ended.
        status: ExitStatus,
        /// The log file.
        log: PathBuf,
        /// Its last lines.
        tail: String,
    },
    /// `postgres` runs, but was not ready in time.
    #[error(
        "the database was not ready within {} s. Fix: what its log names, or a longer wait if it \
         is still recovering from a crash; last lines of {}:\n{tail}",
        .waited.as_secs(), .log.display()
    )]
    NotReady {
        /// How long was waited.
        waited: Duration,
        /// The log file.
        log: PathBuf,
        /// Its last lines.
        tail: String,
    },
    /// The system refused a step.
    #[error(
        "cannot {step} {}. Fix: check that the path exists, that its disk has room and that the \
         user of this process may do that there",
        .path.display()
    )]
    Io {
        /// What was tried, as a verb.
        step: &'static str,
        /// On what.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
}

impl Error {
    /// Builds the closure that `map_err` takes: which step failed, and on what.
    pub(super) fn io(
        step: &'static str,
        path: impl Into<PathBuf>,
    ) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| Self::Io { step, path, source }
    }
}

/// Names a process by its number, or says that the number is not known.
fn process_name(pid: Option<u32>) -> String {
    pid.map_or_else(
        || "another process".to_owned(),
        |pid| format!("process {pid}"),
    )
}
