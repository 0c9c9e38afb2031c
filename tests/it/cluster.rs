//! The private database: made, started, owned by one, killed, started again. Needs Postgres.

#![expect(
    clippy::unwrap_used,
    reason = "a step that fails in a test ends the test"
)]

mod crashes;
mod refusals;

use std::fs;
use std::os::unix::fs::{MetadataExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use restvolt::cluster::{self, Cluster, ClusterConfig, Error};

/// The program under test, which holds the guard.
const PROGRAM: &str = env!("CARGO_BIN_EXE_restvolt");

/// Names the data folder in a process that this test program starts to own a database.
const OWNER_OF: &str = "RESTVOLT_TEST_OWNER_OF";

/// Far above what a loaded machine needs; reached only by a failure.
const LIMIT: Duration = Duration::from_mins(1);

/// A folder of one test, open to the database's user, removed at the end.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let dir = std::env::temp_dir().join(format!("rvc-{}-{number}", std::process::id()));
        fs::create_dir(&dir).unwrap();
        fs::set_permissions(&dir, fs::Permissions::from_mode(0o755)).unwrap();
        Self(dir)
    }

    fn data(&self) -> PathBuf {
        self.0.join("database")
    }

    fn config(&self) -> ClusterConfig {
        config(&self.data())
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.0);
    }
}

fn config(data: &Path) -> ClusterConfig {
    let mut config = ClusterConfig::new(data);
    config.guard = PROGRAM.into();
    config.search_path = std::env::var_os("PATH");
    config.durable = false;
    config.shared_buffers_mib = 16;
    config
}

fn psql(bin_dir: &Path, socket_dir: &Path, sql: &str) -> Command {
    let beside_server = bin_dir.join("psql");
    let program = if beside_server.is_file() {
        beside_server
    } else {
        "psql".into()
    };
    let mut command = Command::new(program);
    command
        .args([
            "--no-psqlrc",
            "--tuples-only",
            "--no-align",
            "--username",
            "postgres",
        ])
        .args([
            "--dbname",
            "postgres",
            "--port",
            "5432",
            "--command",
            sql,
            "--host",
        ])
        .arg(socket_dir);
    command
}

fn ask(cluster: &Cluster, sql: &str) -> String {
    assert_eq!((cluster.port(), cluster.superuser()), (5432, "postgres"));
    let output = psql(cluster.bin_dir(), cluster.socket_dir(), sql)
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{sql}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

fn wait_until(what: &str, limit: Duration, mut done: impl FnMut() -> bool) {
    let deadline = Instant::now() + limit;
    while !done() {
        assert!(Instant::now() < deadline, "not within {limit:?}: {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// Whether a process has ended; one that nobody has reaped counts as ended.
fn has_ended(pid: u32) -> bool {
    fs::read_to_string(format!("/proc/{pid}/stat")).map_or(true, |stat| {
        stat.rsplit(')')
            .next()
            .unwrap()
            .trim_start()
            .starts_with('Z')
    })
}

fn kill_hard(pid: u32) {
    assert!(
        Command::new("kill")
            .args(["-KILL", &pid.to_string()])
            .status()
            .unwrap()
            .success()
    );
}

fn server_pid(data: &Path) -> u32 {
    let text = fs::read_to_string(data.join("postmaster.pid")).unwrap();
    text.lines().next().unwrap().parse().unwrap()
}

/// A process that owns a database; killed when the test ends, however it ends.
struct Owner(Child);

impl Owner {
    /// Runs the calling test once more in a process of its own, there to own the database.
    ///
    /// `test` is its full path, as in the list that the test program prints, after the crate.
    fn start(test: &str, data: &Path) -> Self {
        let (_, name) = test.split_once("::").unwrap();
        let mut command = Command::new(std::env::current_exe().unwrap());
        command
            .args(["--exact", name, "--nocapture"])
            .env(OWNER_OF, data)
            .stdout(Stdio::null());
        Self(command.spawn().unwrap())
    }

    fn kill(&mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
}

impl Drop for Owner {
    fn drop(&mut self) {
        self.kill();
    }
}

/// In the process made by [`Owner::start`]: owns the database until killed.
fn own_if_asked() {
    let Some(data) = std::env::var_os(OWNER_OF) else {
        return;
    };
    let _cluster = Cluster::start(&config(Path::new(&data))).unwrap();
    std::thread::sleep(LIMIT * 2);
}

fn is_root() -> bool {
    fs::metadata("/proc/self").unwrap().uid() == 0
}

#[test]
fn a_new_database_has_the_settings_that_a_receipt_relies_on() {
    let folder = Folder::new();
    let mut config = folder.config();
    config.durable = true;
    let cluster = Cluster::start(&config).unwrap();
    // Source: PostgreSQL manual, "Reliability and the Write-Ahead Log": a commit survives a crash
    // with these three on; checksums find silent damage.
    for name in [
        "synchronous_commit",
        "fsync",
        "full_page_writes",
        "data_checksums",
    ] {
        assert_eq!(ask(&cluster, &format!("show {name}")), "on", "{name}");
    }
    assert_eq!(ask(&cluster, "show listen_addresses"), "");
    assert_eq!(
        ask(&cluster, "show idle_in_transaction_session_timeout"),
        "10s"
    );
    assert_eq!(ask(&cluster, "show client_connection_check_interval"), "5s");
    assert_eq!(ask(&cluster, "show server_encoding"), "UTF8");
    assert_eq!(ask(&cluster, "show timezone"), "UTC");
    // Capital letters beyond ASCII are known, and order is by code point on every machine.
    assert_eq!(
        ask(&cluster, "select lower('\u{d6}'), 'a' > 'B'"),
        "\u{f6}|t"
    );
    for dir in [folder.data(), cluster.socket_dir().to_path_buf()] {
        assert_eq!(
            fs::metadata(&dir).unwrap().mode() & 0o777,
            0o700,
            "{}",
            dir.display()
        );
    }
    let user = fs::metadata(format!("/proc/{}", cluster.pid()))
        .unwrap()
        .uid();
    assert_ne!(user, 0, "the server runs as root");
    assert_eq!(user, fs::metadata(folder.data()).unwrap().uid());
}

#[test]
fn rows_are_there_after_a_stop_and_a_start() {
    let folder = Folder::new();
    let cluster = Cluster::start(&folder.config()).unwrap();
    ask(&cluster, "create table battery as select 7 as id");
    let pid = cluster.pid();
    let status = cluster.stop(LIMIT).unwrap();
    assert!(status.success(), "{status}");
    assert!(has_ended(pid));
    let cluster = Cluster::start(&folder.config()).unwrap();
    assert_eq!(ask(&cluster, "select id from battery"), "7");
}

#[test]
fn a_dropped_database_stops() {
    let folder = Folder::new();
    let cluster = Cluster::start(&folder.config()).unwrap();
    let pid = cluster.pid();
    drop(cluster);
    assert!(has_ended(pid));
    assert!(
        !folder.data().join("postmaster.pid").exists(),
        "it was not shut down cleanly"
    );
}

#[test]
fn a_database_outlives_the_thread_that_started_it() {
    let folder = Folder::new();
    let config = folder.config();
    let mut cluster = std::thread::spawn(move || Cluster::start(&config).unwrap())
        .join()
        .unwrap();
    // The kernel signals the end of the starting thread at once; a shutdown takes under a second.
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(cluster.exited(), None);
    assert_eq!(ask(&cluster, "select 1"), "1");
}

#[test]
fn an_interrupt_from_the_terminal_does_not_reach_the_server() {
    let folder = Folder::new();
    let cluster = Cluster::start(&folder.config()).unwrap();
    // A terminal signals its foreground process group: field 5 of proc_pid_stat(5).
    let stat = fs::read_to_string(format!("/proc/{}/stat", cluster.pid())).unwrap();
    let group = stat
        .rsplit(')')
        .next()
        .unwrap()
        .split_whitespace()
        .nth(2)
        .unwrap();
    assert_eq!(group, cluster.pid().to_string());
}

#[test]
fn a_second_owner_is_told_who_the_first_is() {
    let folder = Folder::new();
    let first = Cluster::start(&folder.config()).unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    let Error::InUse { pid, .. } = &error else {
        panic!("{error:?}")
    };
    assert_eq!(*pid, Some(std::process::id()));
    assert!(
        error
            .to_string()
            .contains(&format!("process {}", std::process::id())),
        "{error}"
    );
    assert_eq!(ask(&first, "select 1"), "1");
}

#[test]
fn a_command_connects_beside_the_owner() {
    own_if_asked();
    let folder = Folder::new();
    assert_eq!(cluster::attach(&folder.config()).unwrap(), None);
    let mut owner = Owner::start(
        concat!(module_path!(), "::a_command_connects_beside_the_owner"),
        &folder.data(),
    );
    let mut found = None;
    wait_until("the owner has the folder", LIMIT, || {
        found = cluster::attach(&folder.config()).unwrap();
        found.is_some()
    });
    let attached = found.unwrap();
    assert_eq!(attached.owner_pid(), Some(owner.0.id()));
    assert_eq!((attached.port(), attached.superuser()), (5432, "postgres"));
    let one = psql(Path::new(""), attached.socket_dir(), "select 1")
        .output()
        .unwrap();
    assert_eq!(
        one.stdout,
        b"1\n",
        "{}",
        String::from_utf8_lossy(&one.stderr)
    );
    owner.kill();
    assert_eq!(cluster::attach(&folder.config()).unwrap(), None);
}

#[test]
fn a_long_path_has_its_socket_in_the_temporary_folder() {
    let folder = Folder::new();
    let data = folder.0.join("d, \u{e4}".repeat(25)).join("database");
    let mut config = config(&data);
    config.temp_dir.clone_from(&folder.0);
    let cluster = Cluster::start(&config).unwrap();
    assert_eq!(cluster.socket_dir().parent(), Some(folder.0.as_path()));
    assert_eq!(ask(&cluster, "select 1"), "1");
    let socket_dir = cluster.socket_dir().to_path_buf();
    drop(cluster);
    // A folder of that name that others could use is not trusted.
    fs::set_permissions(&socket_dir, fs::Permissions::from_mode(0o777)).unwrap();
    let error = Cluster::start(&config).unwrap_err();
    assert!(matches!(error, Error::SocketDirTaken { .. }), "{error:?}");
}
