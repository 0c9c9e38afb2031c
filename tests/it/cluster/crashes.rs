//! Kills of the server, of its owner, and of a database half made: the next start works.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::os::unix::process::CommandExt as _;
use std::process::{Command, Stdio};
use std::time::Duration;

use restvolt::cluster::{self, Cluster, guard};

use super::{
    Folder, LIMIT, Owner, PROGRAM, ask, has_ended, is_root, kill_hard, own_if_asked, psql,
    server_pid, wait_until,
};

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
    let mut owner = Owner::start(
        concat!(module_path!(), "::the_server_ends_when_its_owner_is_killed"),
        &folder.data(),
    );
    wait_until("the owner's database is ready", LIMIT, || {
        cluster::attach(&folder.config()).unwrap().is_some()
    });
    let server = server_pid(&folder.data());
    owner.kill();
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
    let test = concat!(
        module_path!(),
        "::a_start_follows_at_once_on_the_kill_of_owner_and_server"
    );
    for server_too in [false, true] {
        let mut owner = Owner::start(test, &folder.data());
        wait_until("the owner's database is ready", LIMIT, || {
            cluster::attach(&folder.config()).unwrap().is_some()
        });
        if server_too {
            // Its parent never learns of it: where nobody reaps orphans, it keeps its number.
            kill_hard(server_pid(&folder.data()));
        }
        owner.kill();
        let next = Cluster::start(&folder.config()).unwrap();
        assert_eq!(ask(&next, "select 1"), "1");
    }
}

#[test]
fn a_database_killed_while_it_is_made_is_made_anew() {
    own_if_asked();
    let folder = Folder::new();
    let mut owner = Owner::start(
        concat!(
            module_path!(),
            "::a_database_killed_while_it_is_made_is_made_anew"
        ),
        &folder.data(),
    );
    let half_made = folder
        .0
        .join(format!("database.unfinished-{}", owner.0.id()));
    wait_until("initdb works", LIMIT, || half_made.join("base/1").exists());
    owner.kill();
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
