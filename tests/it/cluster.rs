//! The private database: made, started, owned by one, killed, started again. Needs Postgres.

#![expect(
    clippy::unwrap_used,
    reason = "a step that fails in a test ends the test"
)]

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{DirBuilderExt as _, MetadataExt as _, PermissionsExt as _};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

use restvolt::cluster::{self, Cluster, ClusterConfig, Error, guard};

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

/// Runs the calling test once more in a process of its own, there to own the database.
fn start_owner(test: &str, data: &Path) -> Child {
    let path = format!("{}::{test}", module_path!());
    let (_, name) = path.split_once("::").unwrap();
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", name, "--nocapture"])
        .env(OWNER_OF, data)
        .stdout(Stdio::null())
        .spawn()
        .unwrap()
}

/// In the process made by [`start_owner`]: owns the database until killed.
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
    let mut owner = start_owner("a_command_connects_beside_the_owner", &folder.data());
    let mut found = None;
    wait_until("the owner has the folder", LIMIT, || {
        found = cluster::attach(&folder.config()).unwrap();
        found.is_some()
    });
    let attached = found.unwrap();
    assert_eq!(attached.owner_pid(), Some(owner.id()));
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
    owner.kill().unwrap();
    owner.wait().unwrap();
    assert_eq!(cluster::attach(&folder.config()).unwrap(), None);
}

#[test]
fn a_killed_server_is_started_again_with_its_rows() {
    let folder = Folder::new();
    let mut cluster = Cluster::start(&folder.config()).unwrap();
    assert!(!cluster.ensure_running().unwrap(), "it runs already");
    ask(&cluster, "create table battery as select 7 as id");
    // A session at work does not notice, and until it ends a new server refuses to start.
    let busy = "do $$ begin loop end loop; end $$";
    let mut session = psql(cluster.bin_dir(), cluster.socket_dir(), busy)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    wait_until("the session works", LIMIT, || {
        ask(
            &cluster,
            "select count(*) from pg_stat_activity where query like 'do %'",
        ) == "1"
    });
    for _ in 0..2 {
        let killed = cluster.pid();
        kill_hard(killed);
        wait_until("the end is seen", LIMIT, || cluster.exited().is_some());
        assert!(cluster.ensure_running().unwrap());
        assert_ne!(cluster.pid(), killed);
        assert_eq!(cluster.exited(), None);
        assert_eq!(ask(&cluster, "select id from battery"), "7");
    }
    session.wait().unwrap();
}

#[test]
fn the_server_ends_when_its_owner_is_killed() {
    own_if_asked();
    let folder = Folder::new();
    let mut owner = start_owner("the_server_ends_when_its_owner_is_killed", &folder.data());
    wait_until("the owner's database is ready", LIMIT, || {
        cluster::attach(&folder.config()).unwrap().is_some()
    });
    let server = server_pid(&folder.data());
    owner.kill().unwrap();
    owner.wait().unwrap();
    wait_until("the server has ended", Duration::from_secs(3), || {
        has_ended(server)
    });
    assert!(
        !folder.data().join("postmaster.pid").exists(),
        "it was not shut down cleanly"
    );
    let next = Cluster::start(&folder.config()).unwrap();
    assert_eq!(ask(&next, "select 1"), "1");
}

#[test]
fn a_start_follows_at_once_on_the_kill_of_owner_and_server() {
    own_if_asked();
    let folder = Folder::new();
    let test = "a_start_follows_at_once_on_the_kill_of_owner_and_server";
    for server_too in [false, true] {
        let mut owner = start_owner(test, &folder.data());
        wait_until("the owner's database is ready", LIMIT, || {
            cluster::attach(&folder.config()).unwrap().is_some()
        });
        if server_too {
            // Its parent never learns of it: where nobody reaps orphans, it keeps its number.
            kill_hard(server_pid(&folder.data()));
        }
        owner.kill().unwrap();
        owner.wait().unwrap();
        let next = Cluster::start(&folder.config()).unwrap();
        assert_eq!(ask(&next, "select 1"), "1");
    }
}

#[test]
fn a_database_killed_while_it_is_made_is_made_anew() {
    own_if_asked();
    let folder = Folder::new();
    let mut owner = start_owner(
        "a_database_killed_while_it_is_made_is_made_anew",
        &folder.data(),
    );
    let half_made = folder.0.join(format!("database.unfinished-{}", owner.id()));
    wait_until("initdb works", LIMIT, || half_made.join("base/1").exists());
    owner.kill().unwrap();
    owner.wait().unwrap();
    assert!(
        !folder.data().exists(),
        "the database appeared before it was complete"
    );
    let cluster = Cluster::start(&folder.config()).unwrap();
    assert_eq!(ask(&cluster, "select 1"), "1");
}

#[test]
fn remains_of_an_unfinished_database_are_removed() {
    let folder = Folder::new();
    let remains = folder.0.join("database.unfinished-1");
    fs::create_dir_all(remains.join("base")).unwrap();
    // The name of somebody's own copy is no remains.
    let copy = folder.0.join("database.new");
    fs::create_dir(&copy).unwrap();
    let _cluster = Cluster::start(&folder.config()).unwrap();
    assert!(!remains.exists());
    assert!(copy.exists());
}

#[test]
fn a_process_that_took_over_an_old_number_does_not_block_the_start() {
    let folder = Folder::new();
    drop(Cluster::start(&folder.config()).unwrap());
    let facts = fs::metadata(folder.data()).unwrap();
    let mut other = Command::new("sleep");
    other.arg("600");
    if is_root() {
        // The server takes only processes of its own user for a living server.
        other.uid(facts.uid()).gid(facts.gid());
    }
    let mut other = other.spawn().unwrap();
    let stale = format!("{}\n/\n1\n5432\n/tmp\n\n  1 1\nready   \n", other.id());
    let file = folder.data().join("postmaster.pid");
    fs::write(&file, stale).unwrap();
    std::os::unix::fs::chown(&file, Some(facts.uid()), Some(facts.gid())).unwrap();
    let mut config = folder.config();
    config.ready_timeout = Duration::from_secs(20);
    let started = Cluster::start(&config);
    other.kill().unwrap();
    other.wait().unwrap();
    assert_eq!(ask(&started.unwrap(), "select 1"), "1");
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

#[test]
fn missing_programs_are_named_with_the_ways_out() {
    let folder = Folder::new();
    let mut config = folder.config();
    config.bin_dir = Some(folder.0.clone());
    let text = Cluster::start(&config).unwrap_err().to_string();
    let looked = format!("{} (no postgres)", folder.0.display());
    for part in [
        looked.as_str(),
        "`apt-get install -y postgresql`",
        "DATABASE_URL",
        "database.bin_dir",
    ] {
        assert!(text.contains(part), "{part:?} is missing in: {text}");
    }
}

#[test]
fn programs_that_are_too_old_are_named_with_their_version() {
    let folder = Folder::new();
    // Written by a shell: a file this process had open for writing could not be run.
    let script = "printf '#!/bin/sh\\necho \"postgres (PostgreSQL) 13.4\"\\n' > postgres && \
                  cp postgres initdb && chmod +x postgres initdb";
    let made = Command::new("sh")
        .args(["-c", script])
        .current_dir(&folder.0)
        .status()
        .unwrap();
    assert!(made.success());
    let mut config = folder.config();
    config.bin_dir = Some(folder.0.clone());
    let error = Cluster::start(&config).unwrap_err();
    assert!(matches!(error, Error::BinariesTooOld { .. }), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("(version 13)") && text.contains("15 or newer"),
        "{text}"
    );
}

#[test]
fn a_database_of_another_major_version_is_left_alone() {
    let folder = Folder::new();
    drop(Cluster::start(&folder.config()).unwrap());
    fs::write(folder.data().join("PG_VERSION"), "99\n").unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    assert!(matches!(error, Error::WrongMajor { .. }), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("postgresql-99") && text.contains("pg_upgrade"),
        "{text}"
    );
    assert_eq!(fs::read(folder.data().join("PG_VERSION")).unwrap(), b"99\n");
}

#[test]
fn a_folder_with_other_files_is_left_alone() {
    let folder = Folder::new();
    fs::create_dir(folder.data()).unwrap();
    fs::File::create(folder.data().join("letter"))
        .unwrap()
        .write_all(b"dear")
        .unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    assert!(matches!(error, Error::NotACluster { .. }), "{error:?}");
    assert_eq!(fs::read(folder.data().join("letter")).unwrap(), b"dear");
}

#[test]
fn a_closed_parent_folder_is_named() {
    let folder = Folder::new();
    let closed = folder.0.join("closed");
    let mode = if is_root() { 0o700 } else { 0o000 };
    fs::DirBuilder::new().mode(mode).create(&closed).unwrap();
    let error = Cluster::start(&config(&closed.join("database"))).unwrap_err();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
    let text = error.to_string();
    assert!(text.contains(&closed.display().to_string()), "{text}");
    if is_root() {
        assert!(matches!(error, Error::Unreachable { .. }), "{error:?}");
        assert!(
            text.contains(&format!("chmod o+x {}", closed.display())),
            "{text}"
        );
    }
}

#[test]
fn a_server_that_cannot_start_shows_its_log() {
    let folder = Folder::new();
    drop(Cluster::start(&folder.config()).unwrap());
    let file = folder.data().join("postgresql.conf");
    fs::OpenOptions::new()
        .append(true)
        .open(file)
        .unwrap()
        .write_all(b"no_such = 1\n")
        .unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    assert!(matches!(error, Error::EndedEarly { .. }), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("no_such") && text.contains("database.log"),
        "{text}"
    );
}

#[test]
fn a_guard_whose_parent_is_gone_starts_nothing() {
    // Process 1 is not this test: as if the parent had died before the guard could ask.
    let run = |args: &[&str]| {
        Command::new(PROGRAM)
            .arg(guard::SUBCOMMAND)
            .args(args)
            .output()
            .unwrap()
    };
    let orphan = run(&["1", "-", "/bin/echo", "started"]);
    assert_eq!(orphan.stdout, b"");
    assert!(
        String::from_utf8(orphan.stderr)
            .unwrap()
            .contains("has ended")
    );
    let me = std::process::id().to_string();
    assert_eq!(
        run(&[&me, "-", "/bin/echo", "started"]).stdout,
        b"started\n"
    );
    assert_eq!(run(&[&me]).status.code(), Some(64));
}
