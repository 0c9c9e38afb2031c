//! A real broker on loopback, run on the shipped configuration, with a folder of its own.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::{Pid, geteuid};

use super::fresh_number;
use super::process::until;

/// The shipped configuration.
const CONFIG: &str = include_str!("../../../deploy/mosquitto/mosquitto.conf");
/// The shipped access list.
const ACCESS: &str = include_str!("../../../deploy/mosquitto/acl");

/// A broker that runs until it is dropped.
pub(crate) struct Broker {
    pub(crate) port: u16,
    pub(crate) folder: PathBuf,
    child: Option<Child>,
}

/// A program of the package, which may lie where only root looks.
fn program(name: &str) -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let usual = ["/usr/sbin", "/usr/local/sbin", "/usr/bin"].map(PathBuf::from);
    let places = std::env::split_paths(&path).chain(usual);
    places
        .map(|folder| folder.join(name))
        .find(|file| file.is_file())
        .unwrap_or_else(|| panic!("{name} is missing: apt-get install mosquitto"))
}

/// Puts `line` in the place of the one line that begins with `key`.
pub(crate) fn set(text: &str, key: &str, line: &str) -> String {
    let key = format!("{key} ");
    let found = text.lines().filter(|line| line.starts_with(&key)).count();
    assert_eq!(found, 1, "{key}must stand on one line of its own");
    let changed = text
        .lines()
        .map(|old| if old.starts_with(&key) { line } else { old });
    changed.fold(String::new(), |text, line| text + line + "\n")
}

impl Broker {
    /// On the shipped configuration, with these logins: (name, password).
    pub(crate) fn start(logins: &[(&str, &str)]) -> Self {
        Self::start_with(logins, |text| text)
    }

    /// With the configuration changed; the access list lies beside it as `acl`.
    pub(crate) fn start_with(
        logins: &[(&str, &str)],
        change: impl FnOnce(String) -> String,
    ) -> Self {
        let folder = std::env::temp_dir().join(format!("restvolt-b-{:012x}", fresh_number() >> 80));
        fs::create_dir(&folder).unwrap();
        let port = TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        fs::write(folder.join("acl"), ACCESS).unwrap();
        write_logins(&folder.join("passwd"), logins);
        let mut text = CONFIG.to_owned();
        for (key, name) in [
            ("persistence_location", ""),
            ("password_file", "passwd"),
            ("acl_file", "acl"),
        ] {
            let line = format!("{key} {}", folder.join(name).display());
            text = set(&text, key, &line);
        }
        text = set(&text, "listener", &format!("listener {port} 127.0.0.1"));
        if geteuid().is_root() {
            text.insert_str(0, "user root\n");
        }
        fs::write(folder.join("mosquitto.conf"), change(text)).unwrap();
        let mut broker = Self {
            port,
            folder,
            child: None,
        };
        broker.restart();
        broker
    }

    /// Starts it again on the same port and folder; ends it first when it still runs.
    pub(crate) fn restart(&mut self) {
        self.kill();
        let log = fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.folder.join("log"))
            .unwrap();
        let child = Command::new(program("mosquitto"))
            .arg("-c")
            .arg(self.folder.join("mosquitto.conf"))
            .stdin(Stdio::null())
            .stdout(Stdio::from(log.try_clone().unwrap()))
            .stderr(Stdio::from(log))
            .spawn();
        self.child = Some(child.unwrap());
        let answers = || TcpStream::connect(("127.0.0.1", self.port)).is_ok();
        let limit = Duration::from_secs(10);
        until("the broker answers", limit, answers, &|| self.log());
    }

    /// Lets one more in, from now on.
    pub(crate) fn add(&self, name: &str, password: &str) {
        write_login(&self.folder.join("passwd"), name, password);
        let child = self.child.as_ref().unwrap();
        kill(
            Pid::from_raw(i32::try_from(child.id()).unwrap()),
            Signal::SIGHUP,
        )
        .unwrap();
    }

    /// What it said.
    pub(crate) fn log(&self) -> String {
        fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    /// Ends it as a crash does.
    pub(crate) fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }

    /// Asks it to end, and waits for that.
    pub(crate) fn stop(&mut self) {
        let Some(mut child) = self.child.take() else {
            return;
        };
        let process = Pid::from_raw(i32::try_from(child.id()).unwrap());
        kill(process, Signal::SIGTERM).unwrap();
        let began = Instant::now();
        while child.try_wait().unwrap().is_none() {
            if began.elapsed() > Duration::from_secs(10) {
                child.kill().unwrap();
                child.wait().unwrap();
                panic!("the broker does not stop: {}", self.log());
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

fn write_logins(file: &Path, logins: &[(&str, &str)]) {
    fs::write(file, "").unwrap();
    for (name, password) in logins {
        write_login(file, name, password);
    }
}

fn write_login(file: &Path, name: &str, password: &str) {
    let made = Command::new(program("mosquitto_passwd"))
        .arg("-b")
        .arg(file)
        .args([name, password])
        .output()
        .unwrap();
    assert!(made.status.success(), "{made:?}");
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        let _ = fs::remove_dir_all(&self.folder);
    }
}
