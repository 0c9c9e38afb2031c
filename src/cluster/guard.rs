//! The step between the service and `postgres`: gives up root, then ties its life to the parent's.
//!
//! The kernel's death signal must be asked for by the child itself, after it changed its user
//! (the change clears the request) and before it becomes `postgres`. Code between fork and exec
//! would need `unsafe`; so the program runs itself once more under a hidden subcommand, and that
//! process turns into `postgres`, keeping its process id. It is started as root, hence the
//! program may lie in a folder that the database's user cannot reach.

use std::convert::Infallible;
use std::ffi::OsString;
use std::io::Write as _;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Command, ExitCode};

use nix::errno::Errno;
use nix::sys::prctl::set_pdeathsig;
use nix::sys::signal::Signal;
use nix::unistd::{Gid, Uid, getppid, setgid, setgroups, setuid};

use super::user::RunAs;

/// First argument that makes the program a guard. Hidden from the help text.
pub const SUBCOMMAND: &str = "cluster-guard";

/// What the kernel sends when the parent dies; to `postgres` a fast shutdown, with a checkpoint.
const DEATH_SIGNAL: Signal = Signal::SIGINT;

/// Exit code of a guard that was called with the wrong arguments.
const EXIT_USAGE: u8 = 64;

/// Exit code of a guard that could not become the database.
const EXIT_FAILED: u8 = 71;

/// Word in place of `UID:GID` when the user stays as it is.
const SAME_USER: &str = "-";

/// Environment of the operator's own Postgres clients, which would leak into the server.
const NOT_INHERITED: [&str; 9] = [
    "PGDATA",
    "PGHOST",
    "PGPORT",
    "PGUSER",
    "PGDATABASE",
    "PGOPTIONS",
    "PGTZ",
    "PGDATESTYLE",
    "PGCLIENTENCODING",
];

/// Why the guard did not become the database.
#[derive(Debug, thiserror::Error)]
enum Failure {
    #[error(
        "usage: {SUBCOMMAND} PARENT_PID UID:GID|- PROGRAM [ARGUMENT..]; internal, not a command"
    )]
    Usage,
    #[error("cannot become user {uid}, group {gid}: {errno}")]
    User { uid: u32, gid: u32, errno: Errno },
    #[error("cannot ask for the parent's death signal: {0}")]
    DeathSignal(Errno),
    #[error("the parent process {0} has ended")]
    Orphan(i32),
    #[error("cannot run {}: {source}", .program.display())]
    Exec {
        program: OsString,
        source: std::io::Error,
    },
}

/// Runs the guard: never returns when all goes well, because the process becomes the database.
///
/// `args` are those after [`SUBCOMMAND`]: the parent's process id, `UID:GID` or `-`, the program
/// and its arguments. A failure goes to standard error, which the caller keeps as the log.
#[must_use]
pub fn main(args: impl Iterator<Item = OsString>) -> ExitCode {
    let Err(failure) = run(args);
    // The parent may be gone, and with it the reader: then nobody is left to be told.
    let _ = writeln!(std::io::stderr(), "{SUBCOMMAND}: {failure}");
    ExitCode::from(if matches!(failure, Failure::Usage) {
        EXIT_USAGE
    } else {
        EXIT_FAILED
    })
}

/// Builds the command that runs the database's `program` behind the guard, as `user`.
///
/// The child is a process group of its own, so that a terminal's Ctrl-C ends the service only,
/// and the service can still write while it drains.
pub(super) fn command(guard: &Path, user: &RunAs, program: &Path) -> Command {
    let who = if user.drops {
        format!("{}:{}", user.uid, user.gid)
    } else {
        SAME_USER.to_owned()
    };
    let mut command = behind(guard, &who, program);
    command.current_dir("/").process_group(0).env("LC_ALL", "C");
    for name in NOT_INHERITED {
        command.env_remove(name);
    }
    command
}

/// Builds the command of a child that ends when the thread that spawns it does, however that ends.
///
/// `guard` is this program itself.
#[must_use]
pub fn tied(guard: &Path, program: &Path) -> Command {
    behind(guard, SAME_USER, program)
}

fn behind(guard: &Path, who: &str, program: &Path) -> Command {
    let mut command = Command::new(guard);
    let parent = std::process::id().to_string();
    command.args([SUBCOMMAND, &parent, who]).arg(program);
    command
}

fn run(mut args: impl Iterator<Item = OsString>) -> Result<Infallible, Failure> {
    let parent: i32 = text(args.next())?.parse().map_err(|_| Failure::Usage)?;
    let user = parse_user(&text(args.next())?)?;
    let program = args.next().ok_or(Failure::Usage)?;
    if let Some((uid, gid)) = user {
        become_user(uid, gid).map_err(|errno| Failure::User { uid, gid, errno })?;
    }
    set_pdeathsig(DEATH_SIGNAL).map_err(Failure::DeathSignal)?;
    // A parent that died before the request above sends no signal any more.
    if getppid().as_raw() != parent {
        return Err(Failure::Orphan(parent));
    }
    let source = Command::new(&program).args(args).exec();
    Err(Failure::Exec { program, source })
}

fn text(arg: Option<OsString>) -> Result<String, Failure> {
    arg.and_then(|arg| arg.into_string().ok())
        .ok_or(Failure::Usage)
}

fn parse_user(word: &str) -> Result<Option<(u32, u32)>, Failure> {
    if word == SAME_USER {
        return Ok(None);
    }
    let (uid, gid) = word.split_once(':').ok_or(Failure::Usage)?;
    match (uid.parse(), gid.parse()) {
        (Ok(uid), Ok(gid)) => Ok(Some((uid, gid))),
        _ => Err(Failure::Usage),
    }
}

/// Groups first: after the user changed, the right to change groups is gone.
fn become_user(uid: u32, gid: u32) -> Result<(), Errno> {
    let gid = Gid::from_raw(gid);
    setgroups(&[gid])?;
    setgid(gid)?;
    setuid(Uid::from_raw(uid))
}
