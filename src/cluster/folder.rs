//! The data folder: where its things are, which process owns it now, how it is made.
//!
//! Beside a data folder `DIR` stand `DIR.lock` (held while a process owns it; names the owner),
//! `DIR.log` with `DIR.log.1`, `DIR.run` (the socket) and, while a database is being made,
//! `DIR.unfinished-PID`. `DIR` itself appears in one step, complete, or not at all. Root never
//! follows a link here: the folder above may belong to the database's user.

use std::fs::{self, DirBuilder, File, OpenOptions, TryLockError};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::io::{self, ErrorKind, Write as _};
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::{
    DirBuilderExt as _, MetadataExt as _, OpenOptionsExt as _, fchown, lchown,
};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use nix::fcntl::OFlag;

use super::binaries::{Binaries, MadeBy};
use super::user::{self, RunAs};
use super::{ClusterConfig, Error, PORT, SUPERUSER, guard};

/// Longest socket path in bytes: `sun_path` of `unix(7)` has 108, one of them the closing zero.
const SOCKET_PATH_MAX: usize = 107;

/// How long a start waits for the lock: `attach` holds it for an instant to see if it is free.
const LOCK_WAIT: Duration = Duration::from_millis(500);

/// How often a waiting step looks again.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// First major version with a collation that no system library can change (`initdb`, 17).
const BUILTIN_LOCALE_MAJOR: u16 = 17;

/// Where one database keeps its things. `data` is absolute and free of links.
#[derive(Debug, Clone)]
pub(super) struct Paths {
    pub(super) data: PathBuf,
    pub(super) lock: PathBuf,
    pub(super) log: PathBuf,
    pub(super) log_old: PathBuf,
    run: PathBuf,
}

impl Paths {
    /// Resolves the data folder, making missing parents.
    pub(super) fn make(data_dir: &Path) -> Result<Self, Error> {
        let data = std::path::absolute(data_dir).map_err(Error::io("resolve", data_dir))?;
        if let Some(parent) = data.parent() {
            let mut builder = DirBuilder::new();
            builder.recursive(true).mode(0o755);
            builder
                .create(parent)
                .map_err(Error::io("make folder", parent))?;
        }
        Self::resolve(&data).map_err(Error::io("resolve", data_dir))
    }

    /// Resolves the data folder if its parents exist.
    pub(super) fn find(data_dir: &Path) -> Result<Option<Self>, Error> {
        let found = std::path::absolute(data_dir).and_then(|data| Self::resolve(&data));
        match found {
            Ok(paths) => Ok(Some(paths)),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
            Err(e) => Err(Error::io("resolve", data_dir)(e)),
        }
    }

    fn resolve(data: &Path) -> io::Result<Self> {
        let data = match fs::canonicalize(data) {
            Err(e) if e.kind() == ErrorKind::NotFound => match (data.parent(), data.file_name()) {
                (Some(parent), Some(name)) => fs::canonicalize(parent)?.join(name),
                _ => return Err(e),
            },
            other => other?,
        };
        Ok(Self {
            lock: beside(&data, ".lock"),
            log: beside(&data, ".log"),
            log_old: beside(&data, ".log.1"),
            run: beside(&data, ".run"),
            data,
        })
    }

    /// The version that made the database, `None` where there is none yet.
    pub(super) fn made_by(&self) -> Result<Option<MadeBy>, Error> {
        let file = self.data.join("PG_VERSION");
        match fs::read_to_string(&file) {
            Ok(text) => Ok(Some(MadeBy {
                dir: self.data.clone(),
                version: text.trim().to_owned(),
            })),
            Err(e) if e.kind() == ErrorKind::NotFound => self.must_be_empty().map(|()| None),
            Err(e) => Err(closed_or_io(e, "read", &file, &self.data)),
        }
    }

    fn must_be_empty(&self) -> Result<(), Error> {
        match fs::read_dir(&self.data).map(|mut entries| entries.next().is_none()) {
            Ok(true) => Ok(()),
            Ok(false) => Err(Error::NotACluster {
                dir: self.data.clone(),
            }),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(()),
            Err(e) => Err(Error::io("list", &self.data)(e)),
        }
    }
}

/// Takes ownership of the data folder for as long as the returned file lives.
pub(super) fn lock(paths: &Paths, user: &RunAs) -> Result<File, Error> {
    let mut file = open(&paths.lock, user, OpenOptions::new().write(true), 0o644)
        .map_err(Error::io("open", &paths.lock))?;
    let deadline = Instant::now() + LOCK_WAIT;
    loop {
        match file.try_lock() {
            Ok(()) => break,
            Err(TryLockError::WouldBlock) if Instant::now() < deadline => {
                std::thread::sleep(LOOK_AGAIN);
            }
            Err(TryLockError::WouldBlock) => {
                return Err(Error::InUse {
                    dir: paths.data.clone(),
                    pid: owner_pid(paths),
                });
            }
            Err(TryLockError::Error(e)) => return Err(Error::io("lock", &paths.lock)(e)),
        }
    }
    let written = file
        .set_len(0)
        .and_then(|()| writeln!(file, "{}", std::process::id()));
    written.map_err(Error::io("write", &paths.lock))?;
    Ok(file)
}

/// The process that owns a data folder.
#[derive(Debug, Clone, Copy)]
pub(super) struct Owner {
    /// Its process id, if it is written down.
    pub(super) pid: Option<u32>,
}

/// Finds the process that owns the data folder now.
pub(super) fn owner(paths: &Paths) -> Result<Option<Owner>, Error> {
    let file = match File::open(&paths.lock) {
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(None),
        other => other.map_err(Error::io("open", &paths.lock))?,
    };
    match file.try_lock_shared() {
        Ok(()) => Ok(None),
        Err(TryLockError::WouldBlock) => Ok(Some(Owner {
            pid: owner_pid(paths),
        })),
        Err(TryLockError::Error(e)) => Err(Error::io("lock", &paths.lock)(e)),
    }
}

fn owner_pid(paths: &Paths) -> Option<u32> {
    fs::read_to_string(&paths.lock).ok()?.trim().parse().ok()
}

/// Opens a file for writing; one that did not exist is made and given to the database's user.
pub(super) fn open(
    path: &Path,
    user: &RunAs,
    options: &mut OpenOptions,
    mode: u32,
) -> io::Result<File> {
    options.custom_flags(OFlag::O_NOFOLLOW.bits()).mode(mode);
    match options.clone().create_new(true).open(path) {
        Ok(file) if user.drops => {
            fchown(&file, Some(user.uid), Some(user.gid))?;
            Ok(file)
        }
        Err(e) if e.kind() == ErrorKind::AlreadyExists => options.open(path),
        other => other,
    }
}

/// Makes the folder for the socket, empty: beside the data folder, or in the folder for temporary
/// files where the path would be too long.
///
/// Beside the data folder is better: a service manager may give the service a private `/tmp`, in
/// which a second command would not find the socket.
pub(super) fn make_socket_dir(
    paths: &Paths,
    config: &ClusterConfig,
    user: &RunAs,
) -> Result<PathBuf, Error> {
    let mut hasher = DefaultHasher::new();
    paths.data.hash(&mut hasher);
    let short = config
        .temp_dir
        .join(format!("restvolt-{:016x}", hasher.finish()));
    let Some(dir) = [&paths.run, &short]
        .into_iter()
        .find(|dir| socket_fits(dir))
    else {
        return Err(Error::SocketPathTooLong { dir: short });
    };
    match make_private_dir(dir, user) {
        Err(e) if e.kind() == ErrorKind::AlreadyExists => {}
        other => other.map_err(Error::io("make folder", dir))?,
    }
    let facts = fs::symlink_metadata(dir).map_err(Error::io("look at", dir))?;
    if !facts.is_dir() || facts.uid() != user.uid || facts.mode() & 0o077 != 0 {
        return Err(Error::SocketDirTaken {
            dir: dir.clone(),
            user: user.name.clone(),
        });
    }
    user.must_reach(dir)?;
    Ok(dir.clone())
}

/// Removes what a killed server left in the folder for the socket.
pub(super) fn clear_socket_dir(dir: &Path) -> Result<(), Error> {
    for name in [format!(".s.PGSQL.{PORT}"), format!(".s.PGSQL.{PORT}.lock")] {
        let file = dir.join(name);
        match fs::remove_file(&file) {
            Err(e) if e.kind() != ErrorKind::NotFound => return Err(Error::io("remove", &file)(e)),
            _ => {}
        }
    }
    Ok(())
}

/// Whether the socket's path is short enough, and can stand between quotes in a setting.
fn socket_fits(dir: &Path) -> bool {
    let path = dir.join(format!(".s.PGSQL.{PORT}"));
    let bytes = path.as_os_str().as_bytes();
    bytes.len() <= SOCKET_PATH_MAX && !bytes.contains(&b'"')
}

/// Makes the database beside its place and moves it there in one step.
///
/// The caller holds the lock. Remains of an attempt that was killed are removed first; each
/// attempt has a name of its own, so an `initdb` that is still dying cleans up only after itself.
pub(super) fn create(
    paths: &Paths,
    config: &ClusterConfig,
    user: &RunAs,
    binaries: &Binaries,
) -> Result<(), Error> {
    remove_unfinished(paths);
    let fresh = beside(&paths.data, &format!(".unfinished-{}", std::process::id()));
    make_private_dir(&fresh, user).map_err(Error::io("make folder", &fresh))?;
    let made = initdb(&fresh, paths, config, user, binaries).and_then(|()| publish(&fresh, paths));
    if made.is_err()
        && let Err(e) = fs::remove_dir_all(&fresh)
    {
        tracing::warn!(path = %fresh.display(), error = %e, "a half-made database stays behind");
    }
    made
}

fn initdb(
    fresh: &Path,
    paths: &Paths,
    config: &ClusterConfig,
    user: &RunAs,
    binaries: &Binaries,
) -> Result<(), Error> {
    let program = binaries.program("initdb");
    let mut command = guard::command(&config.guard, user, &program);
    command
        .arg("--pgdata")
        .arg(fresh)
        .args(["--username", SUPERUSER, "--encoding", "UTF8"]);
    // Whoever can open the socket is the database's user or root: the folder is the wall. `peer`
    // would lock root out, who must be able to connect as well.
    command.args(["--auth-local", "trust", "--auth-host", "reject"]);
    command.args(["--data-checksums", "--no-instructions"]);
    if binaries.major >= BUILTIN_LOCALE_MAJOR {
        command.args([
            "--locale-provider",
            "builtin",
            "--builtin-locale",
            "C.UTF-8",
        ]);
        command.args(["--locale", "C"]);
    } else {
        command.args(["--locale", "C.UTF-8"]);
    }
    if !config.durable {
        command.arg("--no-sync");
    }
    // Waited for on this thread, so the guard's death signal means the whole process.
    let output = command
        .stdin(std::process::Stdio::null())
        .output()
        .map_err(Error::io("run", &config.guard))?;
    if output.status.success() {
        return Ok(());
    }
    let mut said = String::from_utf8_lossy(&output.stdout).into_owned();
    said.push_str(&String::from_utf8_lossy(&output.stderr));
    Err(Error::Initdb {
        dir: paths.data.clone(),
        status: output.status,
        output: said,
    })
}

/// The rename is the instant from which the database exists.
fn publish(fresh: &Path, paths: &Paths) -> Result<(), Error> {
    fs::rename(fresh, &paths.data).map_err(|e| match e.kind() {
        ErrorKind::ResourceBusy | ErrorKind::CrossesDevices => Error::MountPoint {
            dir: paths.data.clone(),
        },
        _ => Error::io("put the new database at", &paths.data)(e),
    })?;
    let parent = paths.data.parent().unwrap_or(Path::new("/"));
    let synced = File::open(parent).and_then(|dir| dir.sync_all());
    synced.map_err(Error::io("sync", parent))
}

fn remove_unfinished(paths: &Paths) {
    let Some((parent, name)) = paths.data.parent().zip(paths.data.file_name()) else {
        return;
    };
    let mut prefix = name.as_bytes().to_vec();
    prefix.extend_from_slice(b".unfinished-");
    for entry in fs::read_dir(parent)
        .into_iter()
        .flatten()
        .filter_map(Result::ok)
    {
        if !entry.file_name().as_bytes().starts_with(&prefix) {
            continue;
        }
        match fs::remove_dir_all(entry.path()) {
            Ok(()) => {
                tracing::info!(path = %entry.path().display(), "removed a half-made database");
            }
            Err(e) => {
                tracing::warn!(path = %entry.path().display(), error = %e, "cannot remove it");
            }
        }
    }
}

fn make_private_dir(dir: &Path, user: &RunAs) -> io::Result<()> {
    DirBuilder::new().mode(0o700).create(dir)?;
    if user.drops {
        lchown(dir, Some(user.uid), Some(user.gid))?;
    }
    Ok(())
}

fn beside(data: &Path, suffix: &str) -> PathBuf {
    let mut name = data.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// A refusal by permission means that the folder is somebody else's: says whose.
pub(super) fn closed_or_io(
    error: io::Error,
    step: &'static str,
    path: &Path,
    data: &Path,
) -> Error {
    match fs::metadata(data) {
        Ok(facts) if error.kind() == ErrorKind::PermissionDenied => Error::WrongOwner {
            path: data.to_path_buf(),
            owner: user::name(facts.uid()),
        },
        _ => Error::io(step, path)(error),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_longest_socket_path_has_107_bytes() {
        let name_len = format!("/.s.PGSQL.{PORT}").len();
        let dir = |len: usize| PathBuf::from(format!("/{}", "d".repeat(len - 1)));
        assert!(socket_fits(&dir(107 - name_len)));
        assert!(!socket_fits(&dir(108 - name_len)));
    }
}
