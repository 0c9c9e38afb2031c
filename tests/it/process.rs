//! The real program with its private database: started, asked, killed, started again.

use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use crate::harness::fresh_number;

const PROGRAM: &str = env!("CARGO_BIN_EXE_restvolt");

/// A folder of one test, open to the database's user.
struct Place {
    folder: PathBuf,
    grpc: SocketAddr,
    admin: SocketAddr,
}

fn free_port() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
}

impl Place {
    fn new() -> Self {
        let folder = std::env::temp_dir().join(format!("restvolt-p-{:012x}", fresh_number() >> 80));
        fs::create_dir(&folder).unwrap();
        Self {
            folder,
            grpc: free_port(),
            admin: free_port(),
        }
    }

    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(PROGRAM);
        command
            .arg("--data-dir")
            .arg(self.folder.join("data"))
            .args(arguments);
        for (name, _) in std::env::vars_os() {
            let foreign = name.to_string_lossy().into_owned();
            if foreign == "DATABASE_URL" || foreign.starts_with("RESTVOLT_") {
                command.env_remove(&name);
            }
        }
        command
    }

    fn run(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    fn serve(&self) -> Service {
        let log = self.folder.join("log");
        let file = fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&log)
            .unwrap();
        let (grpc, admin) = (self.grpc.to_string(), self.admin.to_string());
        let child = self
            .command(&["serve", "--listen", &grpc, "--admin", &admin])
            .stderr(Stdio::from(file))
            .spawn()
            .unwrap();
        let service = Service { child };
        self.wait_ready();
        service
    }

    fn log(&self) -> String {
        fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    fn page(&self, path: &str) -> Option<String> {
        let mut stream = TcpStream::connect_timeout(&self.admin, Duration::from_secs(1)).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
        write!(
            stream,
            "GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"
        )
        .ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        Some(answer)
    }

    fn wait_ready(&self) {
        let ready = || {
            self.page("/readyz")
                .is_some_and(|answer| answer.contains("200 OK"))
        };
        until(
            "the service is ready",
            Duration::from_mins(1),
            ready,
            &|| self.log(),
        );
    }

    fn postmaster(&self) -> Pid {
        let file = fs::read_to_string(self.folder.join("data/database/postmaster.pid")).unwrap();
        Pid::from_raw(file.lines().next().unwrap().trim().parse().unwrap())
    }

    /// A charge of some thousand samples, one a second.
    fn trace(&self, samples: i64) -> PathBuf {
        let path = self.folder.join("charge.csv");
        let mut text = String::from("src,t_ms,v,i,t_case,t_centre,t_ambient,event\n");
        for second in 0..samples {
            let at = 1_770_000_000_000 + second * 1000;
            text.push_str(&format!(
                "c,{at},{:.3},1.700,,,,\n",
                12.0 + (second % 997) as f64 * 0.002
            ));
        }
        fs::write(&path, text).unwrap();
        path
    }

    fn replay(&self, trace: &Path, token: &str, speed: &str) -> Child {
        let server = format!("http://{}", self.grpc);
        let mut command =
            self.command(&["replay", "--verify", "--server", &server, "--speed", speed]);
        command.arg(trace).env("RESTVOLT_TOKEN", token);
        command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let _ = fs::remove_dir_all(&self.folder);
    }
}

struct Service {
    child: Child,
}

impl Service {
    fn signal(&self, signal: Signal) {
        kill(
            Pid::from_raw(i32::try_from(self.child.id()).unwrap()),
            signal,
        )
        .unwrap();
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn until(what: &str, limit: Duration, holds: impl Fn() -> bool, told: &dyn Fn() -> String) {
    let began = Instant::now();
    while !holds() {
        assert!(
            began.elapsed() < limit,
            "waited in vain until {what}\n{}",
            told()
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}

fn token_of(log: &str) -> Vec<String> {
    log.lines()
        .filter_map(|line| {
            line.trim()
                .strip_prefix("rvt_o_")
                .map(|rest| format!("rvt_o_{rest}"))
        })
        .collect()
}

fn succeeded(child: Child) {
    let output = child.wait_with_output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(
        output.status.success() && text.contains("read back equal"),
        "{text}{error}"
    );
    eprintln!("{}", text.trim());
}

#[test]
fn killed_again_and_again_while_a_charger_sends_it_keeps_every_sample_once() {
    let place = Place::new();
    let mut service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let trace = place.trace(24_000);
    let replay = place.replay(&trace, &token, "2400");
    for round in 0..5u64 {
        std::thread::sleep(Duration::from_millis(500 + 170 * (round * 7 % 5)));
        let postmaster = place.postmaster();
        service.signal(Signal::SIGKILL);
        service.child.wait().unwrap();
        let gone = || {
            kill(postmaster, None).is_err()
                || fs::read_link(format!("/proc/{postmaster}/exe")).is_err()
        };
        until(
            "the private database ends with its owner",
            Duration::from_secs(3),
            gone,
            &String::new,
        );
        service = place.serve();
    }
    service.signal(Signal::SIGTERM);
    let began = Instant::now();
    let status = service.child.wait().unwrap();
    assert!(status.success(), "{status}: {}", place.log());
    assert!(began.elapsed() < Duration::from_secs(20));
    let _service = place.serve();
    succeeded(replay);
    assert_eq!(
        token_of(&place.log()).len(),
        1,
        "the first token is printed once"
    );
}

#[test]
fn its_database_is_killed_under_load_and_it_recovers_by_itself() {
    let place = Place::new();
    let service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let trace = place.trace(12_000);
    let replay = place.replay(&trace, &token, "3000");
    std::thread::sleep(Duration::from_millis(1_500));
    let postmaster = place.postmaster();
    kill(postmaster, Signal::SIGKILL).unwrap();
    let began = Instant::now();
    let back = || {
        fs::read_to_string(place.folder.join("data/database/postmaster.pid"))
            .is_ok_and(|file| file.lines().next() != Some(postmaster.to_string().as_str()))
    };
    until(
        "the database is started again",
        Duration::from_secs(30),
        back,
        &|| place.log(),
    );
    place.wait_ready();
    assert!(began.elapsed() < Duration::from_secs(30));
    succeeded(replay);
    let page = place.page("/metrics").unwrap();
    let sum = |name: &str| -> f64 {
        let lines = page.lines().filter(|line| line.starts_with(name));
        lines
            .filter_map(|line| line.rsplit(' ').next()?.parse::<f64>().ok())
            .sum()
    };
    let received = sum("restvolt_ingest_samples_received_total");
    assert!(received >= 12_000.0);
    assert!(
        (received - sum("restvolt_ingest_samples_total{")).abs() < 0.5,
        "received = stored + duplicate + quarantined"
    );
    drop(service);
}

#[test]
fn commands_work_beside_a_running_service_and_without_one() {
    let place = Place::new();
    let text = |output: &Output| String::from_utf8_lossy(&output.stdout).into_owned();
    let first = place.run(&["token", "list"]);
    assert!(
        first.status.success(),
        "{}",
        String::from_utf8_lossy(&first.stderr)
    );
    assert_eq!(token_of(&String::from_utf8_lossy(&first.stderr)).len(), 1);
    let service = place.serve();
    assert!(
        token_of(&place.log()).is_empty(),
        "the group was made before"
    );
    let added = place.run(&["device", "add", "charger 3", "--shop", "Kelder"]);
    assert!(
        text(&added).contains("rvt_d_"),
        "{}",
        String::from_utf8_lossy(&added.stderr)
    );
    assert!(text(&place.run(&["device", "list"])).contains("charger 3"));
    let made = place.run(&[
        "token", "create", "phone", "--scope", "bench", "--shop", "Kelder",
    ]);
    assert!(text(&made).contains("rvt_b_"));
    assert_eq!(place.run(&["migrate", "--check"]).status.code(), Some(0));
    drop(service);
    assert!(text(&place.run(&["token", "list"])).contains("phone"));
    let refused = place.run(&["ask", "--rest-volts", "99"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&refused.stderr).contains("VALUE_OUT_OF_RANGE"));
}

#[test]
fn wrong_usage_and_settings_exit_with_64_and_name_the_way_out() {
    let place = Place::new();
    let told = |output: &Output| String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(
        place.run(&["serve", "--lissen", "x"]).status.code(),
        Some(64)
    );
    let output = place
        .command(&["config", "check"])
        .env("RESTVOLT_INTAKE__WRITER", "3")
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(64));
    assert!(
        told(&output).contains("intake.writers"),
        "{}",
        told(&output)
    );
    let open = place.run(&["serve", "--listen", "0.0.0.0:0"]);
    assert_eq!(open.status.code(), Some(64));
    assert!(told(&open).contains("tls.cert_file"));
    let empty = place.folder.join("empty");
    fs::create_dir(&empty).unwrap();
    let missing = place
        .command(&["serve"])
        .env("RESTVOLT_DATABASE__BIN_DIR", &empty)
        .output()
        .unwrap();
    assert_eq!(missing.status.code(), Some(1));
    assert!(
        told(&missing).contains("apt-get install") || told(&missing).contains("bin_dir"),
        "{}",
        told(&missing)
    );
    for command in [
        "serve",
        "ask",
        "table",
        "import",
        "replay",
        "device",
        "token",
        "quarantine",
        "migrate",
        "config",
    ] {
        let help = place.run(&[command, "--help"]);
        assert_eq!(help.status.code(), Some(0));
        assert!(help.stdout.len() > 200, "{command} --help teaches nothing");
    }
}

#[test]
fn it_runs_as_a_user_without_rights() {
    if !nix::unistd::geteuid().is_root() {
        // Then every other test here runs it so already.
        return;
    }
    let nobody = nix::unistd::User::from_name("nobody").unwrap().unwrap();
    let place = Place::new();
    let program = place.folder.join("restvolt");
    fs::copy(PROGRAM, &program).unwrap();
    std::os::unix::fs::chown(
        &place.folder,
        Some(nobody.uid.as_raw()),
        Some(nobody.gid.as_raw()),
    )
    .unwrap();
    let output = Command::new(&program)
        .args([
            "--data-dir",
            "data",
            "ask",
            "--rest-volts",
            "11.9",
            "--chemistry",
            "agm",
        ])
        .current_dir(&place.folder)
        .env_clear()
        .env("PATH", std::env::var_os("PATH").unwrap_or_default())
        .env("HOME", &place.folder)
        .uid(nobody.uid.as_raw())
        .gid(nobody.gid.as_raw())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(
        output.status.success() && text.contains("Chance of recovery"),
        "{text}{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[test]
fn a_wrong_unit_waits_in_quarantine_until_it_is_declared_and_replayed() {
    let place = Place::new();
    let _service = place.serve();
    let token = token_of(&place.log()).remove(0);
    let trace = place.folder.join("meter.csv");
    let mut text = String::from("src,t_ms,v,i,t_case,t_centre,t_ambient,event\n");
    for second in 0..180i64 {
        let at = 1_770_000_000_000 + second * 1000;
        text.push_str(&format!("m,{at},{},,,,,\n", 12_000 + second));
    }
    fs::write(&trace, text).unwrap();
    let server = format!("http://{}", place.grpc);
    let sent = place
        .command(&["replay", "--server", &server])
        .arg(&trace)
        .env("RESTVOLT_TOKEN", &token)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&sent.stdout).into_owned();
    assert_eq!(sent.status.code(), Some(2), "{told}");
    assert!(
        told.contains("refused 180") && told.contains("UNIT_SUSPECT"),
        "{told}"
    );
    let lines = |arguments: &[&str]| -> Vec<String> {
        let output = place.run(arguments);
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        text.lines().map(str::to_owned).collect()
    };
    let listed = lines(&["quarantine", "list", "--reason", "UNIT_SUSPECT", "--json"]);
    assert_eq!(listed.len(), 3, "three batches of sixty");
    let item: serde_json::Value = serde_json::from_str(&listed[0]).unwrap();
    let id = item["quarantine_id"].as_str().unwrap();
    assert!(
        lines(&["quarantine", "show", id])
            .concat()
            .contains("SampleBatch")
    );
    let still = place.run(&["quarantine", "replay"]);
    assert_eq!(still.status.code(), Some(2), "nothing was mended yet");
    let device = item["device_id"].as_str().unwrap();
    assert!(
        lines(&["device", "set", device, "--unit", "v=mV"])
            .concat()
            .contains("\"mV\"")
    );
    let dry = lines(&["quarantine", "replay", "--dry-run"]).join("\n");
    assert!(dry.contains("would be done"), "{dry}");
    let done = lines(&["quarantine", "replay"]).join("\n");
    assert_eq!(done.matches("stored 60 samples").count(), 3, "{done}");
    assert!(lines(&["quarantine", "list", "--state", "open"]).is_empty());
    assert!(
        lines(&["quarantine", "replay"]).is_empty(),
        "a second time there is nothing to do"
    );
}
