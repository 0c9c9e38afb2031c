//! The real program in a process of its own, with a private database in a folder of its own.

use std::collections::BTreeMap;
use std::fs;
use std::io::{Read as _, Write as _};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use restvolt::edge::pb;
use restvolt::edge::pb::telemetry_service_client::TelemetryServiceClient;

use super::{Device, fresh_number, with};

pub(crate) const PROGRAM: &str = env!("CARGO_BIN_EXE_restvolt");

/// A folder of one test, open to the database's user.
pub(crate) struct Place {
    pub(crate) folder: PathBuf,
    pub(crate) grpc: SocketAddr,
    pub(crate) mqtt: SocketAddr,
    pub(crate) admin: SocketAddr,
    program: PathBuf,
}

fn free_port() -> SocketAddr {
    TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
}

impl Place {
    pub(crate) fn new() -> Self {
        let folder = std::env::temp_dir().join(format!("restvolt-p-{:012x}", fresh_number() >> 80));
        fs::create_dir(&folder).unwrap();
        Self {
            folder,
            grpc: free_port(),
            mqtt: free_port(),
            admin: free_port(),
            program: PROGRAM.into(),
        }
    }

    /// An older folder of data, which somebody else removes.
    pub(crate) fn at(folder: &Path) -> Self {
        Self {
            folder: folder.to_path_buf(),
            grpc: free_port(),
            mqtt: free_port(),
            admin: free_port(),
            program: PROGRAM.into(),
        }
    }

    /// A copy of the program in the folder, where every user may run it.
    pub(crate) fn with_copy() -> Self {
        let mut place = Self::new();
        place.program = place.folder.join("restvolt");
        fs::copy(PROGRAM, &place.program).unwrap();
        place
    }

    pub(crate) fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
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

    pub(crate) fn run(&self, arguments: &[&str]) -> Output {
        within(
            Duration::from_mins(1),
            self.command(arguments)
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .unwrap(),
        )
    }

    pub(crate) fn serve(&self) -> Service {
        self.serve_with(|_| ())
    }

    /// Serves with something about the process changed.
    pub(crate) fn serve_with(&self, change: impl FnOnce(&mut Command)) -> Service {
        let log = self.folder.join("log");
        let file = fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&log)
            .unwrap();
        let [grpc, admin, mqtt] = [self.grpc, self.admin, self.mqtt].map(|addr| addr.to_string());
        let mut command = self.command(&[
            "serve", "--listen", &grpc, "--admin", &admin, "--mqtt", &mqtt,
        ]);
        command.stderr(Stdio::from(file));
        change(&mut command);
        let service = Service {
            child: command.spawn().unwrap(),
        };
        self.wait_ready();
        service
    }

    pub(crate) fn log(&self) -> String {
        fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    pub(crate) fn page(&self, path: &str) -> Option<String> {
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

    pub(crate) fn wait_ready(&self) {
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

    pub(crate) fn postmaster(&self) -> Pid {
        let file = fs::read_to_string(self.folder.join("data/database/postmaster.pid")).unwrap();
        Pid::from_raw(file.lines().next().unwrap().trim().parse().unwrap())
    }

    /// Where the private server listens: (folder of its socket, port).
    pub(crate) fn socket(&self) -> (PathBuf, u16) {
        let file = fs::read_to_string(self.folder.join("data/database/postmaster.pid")).unwrap();
        let lines: Vec<&str> = file.lines().map(str::trim).collect();
        (lines[4].into(), lines[3].parse().unwrap())
    }

    /// Everything kept of one device, read with a client of the test's own:
    /// number -> every (ms since the first, mV) kept under it.
    pub(crate) async fn kept(&self, token: &str, device: &str) -> Kept {
        let mut client = TelemetryServiceClient::connect(format!("http://{}", self.grpc))
            .await
            .unwrap()
            .max_decoding_message_size(8 << 20);
        let ask = pb::ListSessionsRequest {
            device_id: device.to_owned(),
            page_size: 1000,
            ..Default::default()
        };
        let listed = client.list_sessions(with(token, ask)).await.unwrap();
        let mut found = Kept::new();
        for session in listed.into_inner().sessions {
            let session_id = session.session_id;
            let ask = pb::ReadSamplesRequest { session_id };
            let stream = client.read_samples(with(token, ask)).await.unwrap();
            let mut stream = stream.into_inner();
            while let Some(message) = stream.message().await.unwrap() {
                let batch = message.samples.unwrap();
                let mut now = batch.start_milliseconds;
                let values = batch
                    .step_milliseconds
                    .iter()
                    .zip(&batch.voltage_millivolts);
                for (seq, (step, millivolts)) in (batch.first_seq..).zip(values) {
                    now += i64::from(*step);
                    found.entry(seq).or_default().push((now, *millivolts));
                }
            }
        }
        found
    }

    /// A charge of some thousand samples, one a second.
    pub(crate) fn trace(&self, samples: i64) -> PathBuf {
        let path = self.folder.join("charge.csv");
        let mut text = String::from("src,t_ms,v,i,t_case,t_centre,t_ambient,event\n");
        for second in 0..samples {
            let at = 1_770_000_000_000 + second * 1000;
            text.push_str(&format!("c,{at},{:.3},1.700,,,,\n", volts(second)));
        }
        fs::write(&path, text).unwrap();
        path
    }

    /// A new charger of the shop Kelder.
    pub(crate) async fn charger(&self) -> Device {
        let added = self.run(&["device", "add", "charger 3", "--shop", "Kelder", "--json"]);
        let made: serde_json::Value = serde_json::from_slice(&added.stdout).unwrap();
        let text = made.to_string();
        let word = |wanted: &str| text.split('"').find(|word| word.starts_with(wanted));
        let token = word("rvt_d_").unwrap().to_owned();
        let client = TelemetryServiceClient::connect(format!("http://{}", self.grpc));
        Device {
            id: made["device"]["device_id"].as_str().unwrap().to_owned(),
            token,
            boot: 7,
            client: client.await.unwrap(),
        }
    }

    pub(crate) fn replay(&self, trace: &Path, token: &str, speed: &str) -> Child {
        let server = format!("http://{}", self.grpc);
        let mut command = self.command(&[
            "replay", "--json", "--verify", "--server", &server, "--speed", speed,
        ]);
        command.arg(trace).env("RESTVOLT_TOKEN", token);
        command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
    }
}

/// Number -> every (ms since the first, mV) kept under it.
pub(crate) type Kept = BTreeMap<i64, Vec<(i64, i32)>>;

fn volts(second: i64) -> f64 {
    12.0 + (second % 997) as f64 * 0.002
}

/// What must be kept of a charge that was acknowledged: each sample once.
pub(crate) fn sent(samples: i64) -> Kept {
    let millivolts = |second: i64| i32::try_from(12_000 + 2 * (second % 997)).unwrap();
    (0..samples)
        .map(|second| (second + 1, vec![(1000 * second, millivolts(second))]))
        .collect()
}

/// Waits for the end of a process, with a bound.
pub(crate) fn within(limit: Duration, child: Child) -> Output {
    let process = Pid::from_raw(i32::try_from(child.id()).unwrap());
    let (done, ended) = std::sync::mpsc::channel();
    let wait = std::thread::spawn(move || {
        // Nobody listens any more after the bound.
        let _ = done.send(child.wait_with_output());
    });
    let Ok(output) = ended.recv_timeout(limit) else {
        kill(process, Signal::SIGKILL).unwrap();
        wait.join().unwrap();
        panic!("a process was still running after {limit:?}");
    };
    output.unwrap()
}

impl Drop for Place {
    fn drop(&mut self) {
        // A database whose owner was killed writes for a moment longer.
        for _ in 0..100 {
            let _ = fs::remove_dir_all(&self.folder);
            if !self.folder.exists() {
                return;
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

pub(crate) struct Service {
    pub(crate) child: Child,
}

impl Service {
    pub(crate) fn signal(&self, signal: Signal) {
        kill(
            Pid::from_raw(i32::try_from(self.child.id()).unwrap()),
            signal,
        )
        .unwrap();
    }

    /// Asks it to stop; fails when it does not end well within 20 s.
    pub(crate) fn stop(mut self, place: &Place) {
        let began = Instant::now();
        self.signal(Signal::SIGTERM);
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(
                began.elapsed() < Duration::from_secs(20),
                "it does not stop: {}",
                place.log()
            );
            std::thread::sleep(Duration::from_millis(20));
        };
        assert!(status.success(), "{status}: {}", place.log());
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Waits until something holds, or fails with what was told meanwhile.
pub(crate) fn until(
    what: &str,
    limit: Duration,
    holds: impl Fn() -> bool,
    told: &dyn Fn() -> String,
) {
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
