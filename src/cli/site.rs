//! The real service, its private database and a real broker, as processes of a command that tries them.

use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use sqlx::postgres::PgConnection;
use sqlx::{AssertSqlSafe, ConnectOptions as _, Connection as _};

use crate::app::database::Database;
use crate::cli::Context;
use crate::cluster::guard::tied;
use crate::record::words::Scope;

/// The shipped configuration of the broker.
const BROKER: &str = include_str!("../../deploy/mosquitto/mosquitto.conf");
/// The shipped access list; devices share one login that may write for all of them.
const ACCESS: &str = include_str!("../../deploy/mosquitto/acl");
const GATEWAY: &str = "
user gateway
topic write restvolt/v1/+/up/#
topic write restvolt/v1/+/status
topic read restvolt/v1/+/receipt
topic read restvolt/v1/+/receipt/#
";
/// Time for a process to come up.
const START: Duration = Duration::from_mins(1);
/// Password of every login of this broker, which listens on loopback only.
pub(super) const PASSWORD: &str = "restvolt";

/// The processes, and where they listen. They end with this one, however it ends.
pub(super) struct Site {
    folder: PathBuf,
    /// What every command is told: where the data is.
    settings: Vec<OsString>,
    program: PathBuf,
    pub(super) grpc: SocketAddr,
    admin: SocketAddr,
    pub(super) door: SocketAddr,
    /// Port of the broker; `None` where none is installed.
    pub(super) broker: Option<u16>,
    service: Option<Child>,
    mosquitto: Option<Child>,
}

/// Samples by what became of them, as the service counts them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Balance {
    pub(super) received: u64,
    pub(super) stored: u64,
    pub(super) duplicate: u64,
    pub(super) quarantined: u64,
}

impl Balance {
    /// Reads the page of the metrics.
    pub(super) fn read(page: &str) -> anyhow::Result<Self> {
        let sum = |beginning: &str| -> anyhow::Result<u64> {
            let lines = page.lines().filter(|line| line.starts_with(beginning));
            let values = lines.map(|line| line.rsplit(' ').next().unwrap_or_default());
            values.map(|value| Ok(value.parse::<u64>()?)).sum()
        };
        let of = |result| {
            sum(&format!(
                "restvolt_ingest_samples_total{{result=\"{result}\"}}"
            ))
        };
        Ok(Self {
            received: sum("restvolt_ingest_samples_received_total")?,
            stored: of("stored")?,
            duplicate: of("duplicate")?,
            quarantined: of("quarantined")?,
        })
    }

    /// received = stored + duplicate + quarantined, and something was received.
    pub(super) fn holds(self) -> bool {
        self.received > 0 && self.received == self.stored + self.duplicate + self.quarantined
    }
}

/// kill -9, and that it was this which ended it.
fn killed(mut child: Child, what: &str) -> anyhow::Result<()> {
    use std::os::unix::process::ExitStatusExt as _;
    child.kill()?;
    let status = child.wait()?;
    anyhow::ensure!(
        status.signal() == Some(Signal::SIGKILL as i32),
        "{what} had ended by itself: {status}"
    );
    Ok(())
}

fn free_port() -> anyhow::Result<SocketAddr> {
    Ok(TcpListener::bind("127.0.0.1:0")?.local_addr()?)
}

fn program(name: &str) -> Option<PathBuf> {
    let usual = ["/usr/sbin", "/usr/local/sbin", "/usr/bin", "/usr/local/bin"];
    usual
        .iter()
        .map(|folder| Path::new(folder).join(name))
        .find(|file| file.is_file())
}

impl Site {
    /// Makes the folder and finds the programs; nothing runs yet. Data lies in `data` of the folder.
    pub(super) fn new(folder: &Path, with_broker: bool) -> anyhow::Result<Self> {
        fs::create_dir_all(folder)
            .with_context(|| format!("cannot make the folder {}", folder.display()))?;
        let mut site = Self {
            folder: folder.to_path_buf(),
            settings: vec!["--data-dir".into(), folder.join("data").into()],
            program: std::env::current_exe()?,
            grpc: free_port()?,
            admin: free_port()?,
            door: free_port()?,
            broker: None,
            service: None,
            mosquitto: None,
        };
        if with_broker {
            site.broker = Some(free_port()?.port());
            site.write_broker_files()?;
        }
        Ok(site)
    }

    /// Takes its settings from a file, which names the data folder.
    pub(super) fn configured(mut self, file: &Path) -> Self {
        self.settings = vec!["--config".into(), file.into()];
        self
    }

    /// Whether a broker can be run on this machine.
    pub(super) fn has_broker() -> bool {
        program("mosquitto").is_some() && program("mosquitto_passwd").is_some()
    }

    fn write_broker_files(&self) -> anyhow::Result<()> {
        let folder = self.folder.join("broker");
        fs::create_dir_all(&folder)?;
        let path = |name: &str| folder.join(name).display().to_string();
        let port = self.broker.unwrap_or_default();
        let line = |line: &str| {
            let key = line.split(' ').next().unwrap_or_default();
            match key {
                "persistence_location" => format!("{key} {}/", folder.display()),
                "password_file" => format!("{key} {}", path("passwd")),
                "acl_file" => format!("{key} {}", path("acl")),
                "listener" => format!("{key} {port} 127.0.0.1"),
                _ => line.to_owned(),
            }
        };
        let mut config: Vec<String> = BROKER.lines().map(line).collect();
        if nix::unistd::geteuid().is_root() {
            config.push("user root".into());
        }
        fs::write(folder.join("mosquitto.conf"), config.join("\n"))?;
        fs::write(folder.join("acl"), format!("{ACCESS}{GATEWAY}"))?;
        fs::write(folder.join("passwd"), "")?;
        fs::write(folder.join("word"), PASSWORD)?;
        for login in ["restvolt", "gateway"] {
            let tool = program("mosquitto_passwd").context("mosquitto_passwd is missing")?;
            let made = Command::new(tool)
                .args(["-b", &path("passwd"), login, PASSWORD])
                .output()?;
            anyhow::ensure!(made.status.success(), "mosquitto_passwd failed: {made:?}");
        }
        Ok(())
    }

    fn log(&self, name: &str) -> anyhow::Result<File> {
        let path = self.folder.join(name);
        Ok(OpenOptions::new().create(true).append(true).open(path)?)
    }

    /// This program, ending with this process, with its own data and nothing of the caller's settings.
    pub(super) fn command(&self) -> Command {
        let mut command = tied(&self.program, &self.program);
        command.args(&self.settings);
        for (name, _) in std::env::vars_os() {
            let text = name.to_string_lossy();
            if text == "DATABASE_URL" || text.starts_with("RESTVOLT_") {
                command.env_remove(&name);
            }
        }
        command
    }

    /// A token.
    pub(super) fn token(&self, name: &str, scope: Scope) -> anyhow::Result<String> {
        let mut command = self.command();
        command.args(["--json", "token", "create", name, "--scope", scope.as_str()]);
        let made = command.output().context("this program cannot be started")?;
        let answer: serde_json::Value =
            serde_json::from_slice(&made.stdout).with_context(|| {
                format!(
                    "no token was made: {}",
                    String::from_utf8_lossy(&made.stderr)
                )
            })?;
        let secret = answer.get("secret").and_then(|secret| secret.as_str());
        Ok(secret.context("no token was made")?.to_owned())
    }

    /// Starts the service; it is not waited for.
    pub(super) fn start_service(&mut self) -> anyhow::Result<()> {
        let mut command = self.command();
        command.arg("serve");
        for (flag, address) in [
            ("--listen", self.grpc),
            ("--admin", self.admin),
            ("--mqtt", self.door),
        ] {
            command.arg(flag).arg(address.to_string());
        }
        if let Some(port) = self.broker {
            let word = self.folder.join("broker/word");
            command
                .arg("--broker")
                .arg(format!("mqtt://127.0.0.1:{port}"))
                .env("RESTVOLT_MQTT__USERNAME", "restvolt")
                .env("RESTVOLT_MQTT__PASSWORD_FILE", word);
        }
        command
            .stdout(Stdio::null())
            .stderr(self.log("service.log")?);
        self.service = Some(command.spawn().context("the service cannot be started")?);
        Ok(())
    }

    /// Starts the broker; it is not waited for.
    pub(super) fn start_broker(&mut self) -> anyhow::Result<()> {
        if self.broker.is_none() {
            return Ok(());
        }
        let tool = program("mosquitto").context("mosquitto is missing")?;
        let child = tied(&self.program, &tool)
            .arg("-c")
            .arg(self.folder.join("broker/mosquitto.conf"))
            .stdin(Stdio::null())
            .stdout(self.log("broker.log")?)
            .stderr(self.log("broker.log")?)
            .spawn()?;
        self.mosquitto = Some(child);
        Ok(())
    }

    /// This program, by a path that works from anywhere.
    pub(super) fn program(&self) -> &Path {
        &self.program
    }

    /// Where its gRPC is.
    pub(super) fn server(&self) -> String {
        format!("http://{}", self.grpc)
    }

    /// What the service counted since its start.
    pub(super) fn balance(&self) -> anyhow::Result<Balance> {
        Balance::read(&self.page("/metrics").context("no metrics page")?)
    }

    /// Process of the service.
    pub(super) fn service_process(&self) -> Option<u32> {
        self.service.as_ref().map(Child::id)
    }

    /// Process of the database.
    pub(super) fn postmaster(&self) -> anyhow::Result<Pid> {
        let file = self.folder.join("data/database/postmaster.pid");
        let text = fs::read_to_string(&file).context("the database is not running")?;
        let process: i32 = text.lines().next().unwrap_or_default().trim().parse()?;
        anyhow::ensure!(process > 1, "{} names no process", file.display());
        Ok(Pid::from_raw(process))
    }

    /// One page of the health listener.
    pub(super) fn page(&self, path: &str) -> Option<String> {
        use std::io::{Read as _, Write as _};
        let mut stream = TcpStream::connect_timeout(&self.admin, Duration::from_secs(1)).ok()?;
        stream.set_read_timeout(Some(Duration::from_secs(5))).ok()?;
        let ask = format!("GET {path} HTTP/1.1\r\nHost: restvolt\r\nConnection: close\r\n\r\n");
        stream.write_all(ask.as_bytes()).ok()?;
        let mut answer = String::new();
        stream.read_to_string(&mut answer).ok()?;
        Some(answer)
    }

    /// Waits until the service is ready and subscribed.
    pub(super) async fn wait_ready(&self) -> anyhow::Result<()> {
        let began = Instant::now();
        loop {
            let page = self.page("/readyz").unwrap_or_default();
            if page.contains("200 OK") && !page.contains("AWAY") {
                return Ok(());
            }
            anyhow::ensure!(
                began.elapsed() < START,
                "the service is not ready within {START:?}; see {}: {page}",
                self.folder.join("service.log").display()
            );
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    /// kill -9 of the service; starts it again at once.
    pub(super) fn kill_service(&mut self) -> anyhow::Result<()> {
        if let Some(child) = self.service.take() {
            killed(child, "the service")?;
        }
        self.start_service()
    }

    /// kill -9 of the database's postmaster; the service starts it again.
    pub(super) fn kill_database(&self) -> anyhow::Result<()> {
        kill(self.postmaster()?, Signal::SIGKILL)?;
        Ok(())
    }

    /// kill -9 of the broker, with its file when `forget`; starts it again at once.
    pub(super) fn kill_broker(&mut self, forget: bool) -> anyhow::Result<()> {
        if let Some(child) = self.mosquitto.take() {
            killed(child, "the broker")?;
        }
        if forget {
            let file = self.folder.join("broker/mosquitto.db");
            fs::remove_file(&file).with_context(|| {
                format!(
                    "the broker kept nothing that it could lose: {}",
                    file.display()
                )
            })?;
        }
        self.start_broker()
    }

    async fn database(&self, context: &Context, name: &str) -> anyhow::Result<PgConnection> {
        let mut config = context.config().clone();
        config.database.url = String::new();
        config.data_dir = self.folder.join("data").display().to_string();
        let database = Database::open(&config, &context.surroundings, true).await?;
        anyhow::ensure!(
            !database.is_private(),
            "the service does not run its database"
        );
        let options = database.owner_options().clone().database(name);
        Ok(options.connect().await?)
    }

    /// A connection past every wall, to look at what is there.
    pub(super) async fn superuser(&self, context: &Context) -> anyhow::Result<PgConnection> {
        self.database(context, "restvolt").await
    }

    /// Shuts everybody out of the database, or lets them in again.
    pub(super) async fn shut_database(&self, context: &Context, shut: bool) -> anyhow::Result<()> {
        let mut conn = self.database(context, "postgres").await?;
        let allow = format!("alter database restvolt with allow_connections {}", !shut);
        let cut = "select pg_terminate_backend(pid) from pg_stat_activity \
                   where datname = 'restvolt'";
        sqlx::raw_sql(AssertSqlSafe(allow))
            .execute(&mut conn)
            .await?;
        if shut {
            sqlx::raw_sql(cut).execute(&mut conn).await?;
        }
        conn.close().await?;
        Ok(())
    }

    /// Ends every process in order.
    pub(super) async fn stop(&mut self) -> anyhow::Result<()> {
        if let Some(mut child) = self.service.take() {
            kill(Pid::from_raw(i32::try_from(child.id())?), Signal::SIGTERM)?;
            let began = Instant::now();
            let status = loop {
                if let Some(status) = child.try_wait()? {
                    break status;
                }
                anyhow::ensure!(
                    began.elapsed() < Duration::from_secs(25),
                    "the service does not stop; see {}",
                    self.folder.join("service.log").display()
                );
                tokio::time::sleep(Duration::from_millis(50)).await;
            };
            anyhow::ensure!(status.success(), "the service ended with {status}");
        }
        if let Some(mut child) = self.mosquitto.take() {
            child.kill()?;
            child.wait()?;
        }
        Ok(())
    }
}

impl Drop for Site {
    fn drop(&mut self) {
        let children = [self.service.take(), self.mosquitto.take()];
        for mut child in children.into_iter().flatten() {
            // It is gone already when this fails.
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_balance_is_read_and_a_missing_sample_is_seen() {
        let page = "# HELP x\nrestvolt_ingest_samples_received_total 240\n\
            restvolt_ingest_samples_total{result=\"stored\"} 90\n\
            restvolt_ingest_samples_total{result=\"duplicate\"} 90\n\
            restvolt_ingest_samples_total{result=\"quarantined\"} 60\n";
        let balance = Balance::read(page).unwrap();
        assert!(balance.holds());
        assert!(
            !Balance {
                stored: 89,
                ..balance
            }
            .holds()
        );
        assert!(!Balance::read("").unwrap().holds());
        assert!(Balance::read("restvolt_ingest_samples_received_total many").is_err());
    }
}
