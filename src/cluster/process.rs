//! The `postgres` child: started by a thread that lives as long as the service, watched, ended.
//!
//! The kernel's death signal is tied to the thread that started the child, not to the process;
//! hence one thread does nothing but start children and keep the log small. Readiness is read
//! from `postmaster.pid`, of which a killed server leaves a stale copy: it is removed before a
//! start, and counts only when its first line is our child.

use std::fs::{self, File, OpenOptions};
use std::io::{self, ErrorKind};
use std::os::unix::fs::{FileExt as _, MetadataExt as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use nix::errno::Errno;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::Error;
use super::folder::{self, Paths};
use super::user::RunAs;

/// How often a waiting step looks again: small against the 30 ms of the fastest start seen.
const LOOK_AGAIN: Duration = Duration::from_millis(10);

/// How often the size of the log is looked at.
const LOG_CHECK: Duration = Duration::from_secs(1);

/// Size in bytes from which the log starts anew; one older part of this size is kept.
const LOG_BYTES_MAX: u64 = 8 * 1024 * 1024;

/// Bytes of the log that go into an error text.
const TAIL_BYTES: u64 = 2048;

/// How long an immediate shutdown may take before the child is killed.
const IMMEDIATE_WAIT: Duration = Duration::from_secs(5);

/// How long the kernel may take to end a killed child.
const KILL_WAIT: Duration = Duration::from_secs(10);

/// What `postmaster.pid` says. Lines by number: source `miscadmin.h` of Postgres.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct PidFile {
    /// Line 1.
    pub(super) pid: u32,
    /// Line 4.
    pub(super) port: Option<u16>,
    /// Line 5.
    pub(super) socket_dir: Option<PathBuf>,
    /// Line 8 is `ready`.
    pub(super) ready: bool,
}

impl PidFile {
    fn path(data: &Path) -> PathBuf {
        data.join("postmaster.pid")
    }

    /// Reads the file; `None` where there is none or it is not yet written.
    pub(super) fn read(data: &Path) -> Result<Option<Self>, Error> {
        let path = Self::path(data);
        match fs::read(&path) {
            Ok(bytes) => Ok(Self::parse(&String::from_utf8_lossy(&bytes))),
            Err(e) if e.kind() == ErrorKind::NotFound => Ok(None),
            Err(e) => Err(folder::closed_or_io(e, "read", &path, data)),
        }
    }

    fn parse(text: &str) -> Option<Self> {
        let line = |number: usize| text.lines().nth(number - 1).map(str::trim);
        Some(Self {
            // A server in single-user mode writes its number negative.
            pid: line(1)?.trim_start_matches('-').parse().ok()?,
            port: line(4).and_then(|text| text.parse().ok()),
            socket_dir: line(5).filter(|text| !text.is_empty()).map(PathBuf::from),
            ready: line(8) == Some("ready"),
        })
    }

    /// Whether the process it names is alive and serves this data folder.
    pub(super) fn is_live(&self, data: &Path) -> bool {
        is_server(self.pid, data)
    }
}

/// Whether a process is a server process of this data folder.
///
/// A number alone proves nothing: after a crash another process may have it, and where nobody
/// reaps it a dead server keeps it. Every server process works in its data folder, which a dead
/// one no longer does; runs `postgres`, which a shell left there does not; and is the user that
/// owns the folder, never root.
fn is_server(pid: u32, data: &Path) -> bool {
    works_in(pid, data) && runs_postgres(pid) && is_owners(pid, data)
}

fn works_in(pid: u32, data: &Path) -> bool {
    fs::read_link(format!("/proc/{pid}/cwd")).is_ok_and(|dir| dir == data)
}

fn runs_postgres(pid: u32) -> bool {
    let program = fs::read_link(format!("/proc/{pid}/exe"));
    let name = program
        .ok()
        .and_then(|program| program.file_name()?.to_str().map(str::to_owned));
    // The kernel adds the word after an upgrade replaced the file.
    name.is_some_and(|name| name == "postgres" || name == "postgres (deleted)")
}

fn is_owners(pid: u32, data: &Path) -> bool {
    match (fs::metadata(format!("/proc/{pid}")), fs::metadata(data)) {
        (Ok(process), Ok(folder)) => process.uid() == folder.uid() && process.uid() != 0,
        _ => false,
    }
}

/// Makes the data folder free for a start.
///
/// The caller holds the lock, so a live server here belongs to an owner that died a moment ago,
/// or was started by hand: it is waited for until `deadline`, then `InUse`. What a killed server
/// left is removed: its file, and sessions that work on without noticing, during which a new
/// server refuses to start.
pub(super) fn make_free(paths: &Paths, deadline: Instant) -> Result<(), Error> {
    while let Some(file) = PidFile::read(&paths.data)?.filter(|file| file.is_live(&paths.data)) {
        wait_for(file.pid, paths, deadline)?;
    }
    let stale = PidFile::path(&paths.data);
    match fs::remove_file(&stale) {
        Ok(()) => tracing::warn!("the database was not shut down; it will recover"),
        Err(e) if e.kind() == ErrorKind::NotFound => {}
        Err(e) => return Err(Error::io("remove", &stale)(e)),
    }
    let patience = Instant::now() + IMMEDIATE_WAIT;
    loop {
        let left = servers(&paths.data).map_err(Error::io("list", "/proc"))?;
        let Some(first) = left.first() else {
            return Ok(());
        };
        let signal = if Instant::now() < patience {
            Signal::SIGQUIT
        } else {
            Signal::SIGKILL
        };
        for pid in &left {
            send(*pid, signal).map_err(Error::io("stop a session of", &paths.data))?;
        }
        wait_for(*first, paths, deadline)?;
    }
}

fn wait_for(pid: u32, paths: &Paths, deadline: Instant) -> Result<(), Error> {
    if Instant::now() >= deadline {
        return Err(Error::InUse {
            dir: paths.data.clone(),
            pid: Some(pid),
        });
    }
    std::thread::sleep(LOOK_AGAIN);
    Ok(())
}

fn servers(data: &Path) -> io::Result<Vec<u32>> {
    let pids = fs::read_dir("/proc")?
        .filter_map(Result::ok)
        .filter_map(|entry| entry.file_name().to_str()?.parse().ok())
        .filter(|pid| is_server(*pid, data));
    Ok(pids.collect())
}

/// How waiting for a start ended.
#[derive(Debug)]
pub(super) enum Start {
    Ready,
    Ended(ExitStatus),
    TooLate,
}

/// Waits until the child says that it accepts connections.
pub(super) fn wait_ready(
    child: &mut Child,
    data: &Path,
    deadline: Instant,
) -> Result<Start, Error> {
    loop {
        if let Some(status) = child.try_wait().map_err(Error::io("wait for", data))? {
            return Ok(Start::Ended(status));
        }
        if PidFile::read(data)?.is_some_and(|file| file.pid == child.id() && file.ready) {
            return Ok(Start::Ready);
        }
        if Instant::now() >= deadline {
            return Ok(Start::TooLate);
        }
        std::thread::sleep(LOOK_AGAIN);
    }
}

/// Ends the child and reaps it: fast shutdown, then an immediate one, then by force.
///
/// Each is without loss; the last two cost a recovery at the next start. Waits at most `fast`
/// and 15 s more.
pub(super) fn end(child: &mut Child, fast: Duration) -> io::Result<ExitStatus> {
    let steps = [
        (Signal::SIGINT, fast),
        (Signal::SIGQUIT, IMMEDIATE_WAIT),
        (Signal::SIGKILL, KILL_WAIT),
    ];
    for (signal, limit) in steps {
        let deadline = Instant::now() + limit;
        // Looked at before each signal: the number of a reaped child may belong to another.
        if let Some(status) = child.try_wait()? {
            return Ok(status);
        }
        send(child.id(), signal)?;
        while Instant::now() < deadline {
            if let Some(status) = child.try_wait()? {
                return Ok(status);
            }
            std::thread::sleep(LOOK_AGAIN);
        }
        tracing::warn!(database.pid = child.id(), %signal, "the database did not end in time");
    }
    Err(io::Error::from(ErrorKind::TimedOut))
}

fn send(pid: u32, signal: Signal) -> io::Result<()> {
    let pid = i32::try_from(pid).map_err(io::Error::other)?;
    match kill(Pid::from_raw(pid), signal) {
        Err(errno) if errno != Errno::ESRCH => Err(errno.into()),
        _ => Ok(()),
    }
}

/// A command to start, and where the child goes.
struct Order {
    command: Command,
    answer: Sender<io::Result<Child>>,
}

/// The thread that starts children. When it ends, the kernel ends what it started.
#[derive(Debug)]
pub(super) struct Spawner {
    orders: Option<Sender<Order>>,
    thread: Option<JoinHandle<()>>,
    log: File,
}

impl Spawner {
    pub(super) fn new(paths: &Paths, user: &RunAs) -> Result<Self, Error> {
        let log = folder::open(&paths.log, user, OpenOptions::new().append(true), 0o600)
            .map_err(Error::io("open", &paths.log))?;
        let watched = Log {
            file: log.try_clone().map_err(Error::io("open", &paths.log))?,
            paths: paths.clone(),
            user: user.clone(),
        };
        let (orders, inbox) = mpsc::channel();
        let thread = std::thread::Builder::new()
            .name("cluster".to_owned())
            .spawn(move || serve(&inbox, &watched))
            .map_err(Error::io("start the thread for", &paths.data))?;
        Ok(Self {
            orders: Some(orders),
            thread: Some(thread),
            log,
        })
    }

    /// Starts a child whose output goes to the log.
    pub(super) fn spawn(&self, mut command: Command) -> io::Result<Child> {
        command
            .stdin(Stdio::null())
            .stdout(self.log.try_clone()?)
            .stderr(self.log.try_clone()?);
        let (answer, child) = mpsc::channel();
        let sent = self
            .orders
            .as_ref()
            .is_some_and(|orders| orders.send(Order { command, answer }).is_ok());
        match child.recv() {
            Ok(child) if sent => child,
            _ => Err(io::Error::other(
                "the thread that starts the database has ended",
            )),
        }
    }
}

impl Drop for Spawner {
    fn drop(&mut self) {
        self.orders = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn serve(inbox: &Receiver<Order>, log: &Log) {
    loop {
        match inbox.recv_timeout(LOG_CHECK) {
            Ok(Order {
                mut command,
                answer,
            }) => {
                // A lost answer drops the child's handle; the caller has gone with it.
                let _ = answer.send(command.spawn());
            }
            Err(RecvTimeoutError::Timeout) => log.keep_below(LOG_BYTES_MAX),
            Err(RecvTimeoutError::Disconnected) => return,
        }
    }
}

/// The open log file, to which the server appends.
struct Log {
    file: File,
    paths: Paths,
    user: RunAs,
}

impl Log {
    /// Moves a full log to `.log.1`. The server holds the file open, so it is emptied in place;
    /// a few lines written meanwhile may be lost.
    fn keep_below(&self, bytes_max: u64) {
        if self
            .file
            .metadata()
            .is_ok_and(|facts| facts.len() <= bytes_max)
        {
            return;
        }
        let kept = self.copy().and(self.file.set_len(0));
        if let Err(e) = kept.or_else(|e| self.file.set_len(0).and(Err(e))) {
            tracing::warn!(path = %self.paths.log_old.display(), error = %e, "an old log is lost");
        }
    }

    fn copy(&self) -> io::Result<u64> {
        let mut options = OpenOptions::new();
        let mut old = folder::open(
            &self.paths.log_old,
            &self.user,
            options.write(true).truncate(true),
            0o600,
        )?;
        io::copy(&mut File::open(&self.paths.log)?, &mut old)
    }
}

/// The last lines of the log.
pub(super) fn log_tail(paths: &Paths) -> String {
    tail(&paths.log).unwrap_or_else(|e| format!("(not readable: {e})"))
}

fn tail(path: &Path) -> io::Result<String> {
    let file = File::open(path)?;
    let len = file.metadata()?.len();
    let start = len.saturating_sub(TAIL_BYTES);
    let mut bytes = vec![0; usize::try_from(len - start).unwrap_or_default()];
    file.read_exact_at(&mut bytes, start)?;
    let text = String::from_utf8_lossy(&bytes);
    // A cut first line only confuses.
    let whole = if start == 0 {
        &text
    } else {
        text.split_once('\n').map_or("", |(_, rest)| rest)
    };
    Ok(whole.trim_end().to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;

    /// Written by Postgres 15 in a run of this module.
    const READY: &str = "4711\n/var/lib/restvolt/database\n1764061200\n5432\n\
                         /var/lib/restvolt/database.run\n\n  12345678     65536\nready   \n";

    #[test]
    fn a_ready_server_is_read_from_its_file() {
        let expected = PidFile {
            pid: 4711,
            port: Some(5432),
            socket_dir: Some(PathBuf::from("/var/lib/restvolt/database.run")),
            ready: true,
        };
        assert_eq!(PidFile::parse(READY), Some(expected));
    }

    #[test]
    fn a_server_that_starts_or_stops_is_not_ready() {
        for word in ["starting", "stopping", "standby "] {
            let file = PidFile::parse(&READY.replace("ready   ", word)).unwrap();
            assert!(!file.ready, "{word}");
        }
        assert_eq!(PidFile::parse(""), None);
        assert_eq!(PidFile::parse("4711\n").map(|file| file.ready), Some(false));
    }

    #[test]
    fn a_file_of_another_process_says_nothing_about_our_child() {
        let data = std::env::temp_dir().join(format!("restvolt-ready-{}", std::process::id()));
        fs::create_dir(&data).unwrap();
        let mut child = Command::new("sleep").arg("600").spawn().unwrap();
        fs::write(PidFile::path(&data), READY.replace("4711", "1")).unwrap();
        let soon = Instant::now() + LOOK_AGAIN * 3;
        let of_another = wait_ready(&mut child, &data, soon);
        fs::write(
            PidFile::path(&data),
            READY.replace("4711", &child.id().to_string()),
        )
        .unwrap();
        let of_child = wait_ready(&mut child, &data, soon);
        child.kill().unwrap();
        child.wait().unwrap();
        fs::remove_dir_all(&data).unwrap();
        assert!(matches!(of_another, Ok(Start::TooLate)), "{of_another:?}");
        assert!(matches!(of_child, Ok(Start::Ready)), "{of_child:?}");
    }

    #[test]
    fn a_full_log_starts_anew_and_its_last_part_is_kept() {
        let dir = std::env::temp_dir().join(format!("restvolt-log-{}", std::process::id()));
        let paths = Paths::make(&dir.join("database")).unwrap();
        let user = RunAs {
            uid: 0,
            gid: 0,
            name: String::new(),
            drops: false,
        };
        let mut options = OpenOptions::new();
        let file = folder::open(&paths.log, &user, options.append(true), 0o600).unwrap();
        let log = Log {
            file,
            paths: paths.clone(),
            user,
        };
        writeln!(&log.file, "first").unwrap();
        log.keep_below(6);
        assert_eq!(tail(&paths.log).unwrap(), "first");
        writeln!(&log.file, "second").unwrap();
        log.keep_below(6);
        writeln!(&log.file, "third").unwrap();
        let (new, old) = (tail(&paths.log), tail(&paths.log_old));
        fs::remove_dir_all(&dir).unwrap();
        assert_eq!(
            (new.unwrap().as_str(), old.unwrap().as_str()),
            ("third", "first\nsecond")
        );
    }

    #[test]
    fn another_program_in_the_data_folder_is_not_the_server() {
        let (me, here) = (std::process::id(), std::env::current_dir().unwrap());
        assert!(works_in(me, &here));
        assert!(!works_in(me, Path::new("/proc")));
        assert!(!runs_postgres(me));
        assert!(!is_server(me, &here));
    }

    #[test]
    fn a_process_of_root_or_of_another_user_is_not_the_server() {
        // /proc belongs to root, so does process 1: equal, and refused all the same.
        assert!(!is_owners(1, Path::new("/proc")));
        let mine = std::env::temp_dir().join(format!("restvolt-owner-{}", std::process::id()));
        fs::create_dir(&mine).unwrap();
        let me_counts = is_owners(std::process::id(), &mine);
        fs::remove_dir(&mine).unwrap();
        assert_eq!(me_counts, !nix::unistd::geteuid().is_root());
        assert!(!is_owners(std::process::id(), Path::new("/nowhere")));
    }
}
