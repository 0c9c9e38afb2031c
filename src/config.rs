//! Settings: defaults < file < environment < flags. An unknown key is an error, never ignored.
//!
//! The default file is the documentation; `deploy/config.default.toml` is compiled in. Only this
//! file reads the environment.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use toml::{Table, Value};

pub use self::alarm::Alarm;
pub use self::mqtt::{BrokerAddress, Mqtt, broker_address};
use crate::telemetry::LogFormat;

mod alarm;
mod mqtt;

/// The default file, with a comment for each key.
pub const DEFAULT_FILE: &str = include_str!("../deploy/config.default.toml");

/// A setting that cannot be used; says which, and the fix.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// A file cannot be read.
    #[error("cannot read the settings file {}: {source}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A text is no TOML, or a key or value does not fit.
    #[error("settings from {origin}: {detail}")]
    Unreadable {
        /// Where it came from.
        origin: String,
        /// What does not fit.
        detail: String,
    },
    /// A value is outside its range.
    #[error("setting {key}: {detail}")]
    Value {
        /// Which.
        key: &'static str,
        /// What is wrong, and the fix.
        detail: String,
    },
}

/// Every setting.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// Folder of the private database.
    pub data_dir: String,
    /// The service group.
    pub group: Group,
    /// The database.
    pub database: Database,
    /// Addresses.
    pub listen: Listen,
    /// MQTT.
    pub mqtt: Mqtt,
    /// TLS files.
    pub tls: Tls,
    /// Alarms.
    pub alarm: Alarm,
    /// Bounds of intake.
    pub intake: Intake,
    /// Bounds of the live watch.
    pub watch: Watch,
    /// Logging.
    pub log: Log,
}

/// The service group.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Group {
    /// Name.
    pub name: String,
}

/// The database.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Database {
    /// URL; empty = private.
    pub url: String,
    /// Server programs.
    pub bin_dir: String,
    /// Refuse a server that may forget.
    pub durable: bool,
    /// Connections for intake.
    pub intake_connections: u32,
    /// Connections for questions.
    pub question_connections: u32,
}

/// Addresses.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Listen {
    /// gRPC.
    pub grpc: SocketAddr,
    /// Health and metrics.
    pub admin: SocketAddr,
    /// Consent to talk in the clear off the machine.
    pub allow_plaintext: String,
}

/// TLS files.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Tls {
    /// Certificate chain, PEM.
    pub cert_file: String,
    /// Key, PEM.
    pub key_file: String,
}

/// Bounds of intake.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Intake {
    /// Writer tasks.
    pub writers: usize,
    /// Batches in one transaction.
    pub commit_batches: usize,
    /// Bytes in one transaction.
    pub commit_bytes: usize,
    /// Bytes not yet committed, KiB.
    pub budget_kib: u32,
    /// Open quarantine items.
    pub quarantine_rows: i64,
}

/// Bounds of the live watch.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Watch {
    /// Runs this process follows at once; 0 = none.
    pub runs_max: usize,
}

/// Logging.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Log {
    /// Which lines.
    pub filter: String,
    /// How they look.
    pub format: LogFormat,
}

/// Settings with the origin of each value.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The settings.
    pub config: Config,
    /// Key -> where it came from.
    pub origins: BTreeMap<String, String>,
}

/// What a process gets from outside.
#[derive(Debug, Clone, Default)]
pub struct Surroundings {
    /// Environment variables.
    pub vars: BTreeMap<String, String>,
}

impl Surroundings {
    /// Reads the environment of this process; names and values that are not text are left out.
    #[must_use]
    pub fn read() -> Self {
        let text = |(name, value): (std::ffi::OsString, std::ffi::OsString)| {
            Some((name.into_string().ok()?, value.into_string().ok()?))
        };
        Self {
            vars: std::env::vars_os().filter_map(text).collect(),
        }
    }

    fn get(&self, name: &str) -> Option<&str> {
        self.vars
            .get(name)
            .map(String::as_str)
            .filter(|value| !value.is_empty())
    }

    /// A token for commands that call a running service.
    #[must_use]
    pub fn token(&self) -> Option<&str> {
        self.get("RESTVOLT_TOKEN")
    }

    /// Password of an MQTT login that a command is given.
    #[must_use]
    pub fn mqtt_password(&self) -> Option<&str> {
        self.get("RESTVOLT_MQTT_PASSWORD")
    }

    /// Where programs are looked for.
    #[must_use]
    pub fn search_path(&self) -> Option<&str> {
        self.get("PATH")
    }
}

/// Loads the settings: defaults, then the file, then the environment, then `flags` (key, value).
///
/// # Errors
/// `File`, `Unreadable`, `Value`.
pub fn load(
    file: Option<&Path>,
    surroundings: &Surroundings,
    flags: &[(&str, String)],
) -> Result<Loaded, Error> {
    let mut origins = BTreeMap::new();
    let mut table = read(DEFAULT_FILE, "the defaults")?;
    note(&table, "", "default", &mut origins);
    let named = surroundings.get("RESTVOLT_CONFIG").map(PathBuf::from);
    if let Some(path) = file.map(Path::to_path_buf).or(named) {
        let text = std::fs::read_to_string(&path).map_err(|source| Error::File {
            path: path.clone(),
            source,
        })?;
        let origin = path.display().to_string();
        merge(&mut table, read(&text, &origin)?, &origin, "", &mut origins)?;
    }
    if let Some(url) = surroundings.get("DATABASE_URL") {
        set(
            &mut table,
            "database.url",
            url,
            "DATABASE_URL",
            &mut origins,
        )?;
    }
    for (name, value) in &surroundings.vars {
        let Some(rest) = name.strip_prefix("RESTVOLT_") else {
            continue;
        };
        let key = rest.to_ascii_lowercase().replace("__", ".");
        if key.contains('.') || key == "data_dir" {
            set(&mut table, &key, value, name, &mut origins)?;
        }
    }
    for (key, value) in flags {
        set(&mut table, key, value, "a flag", &mut origins)?;
    }
    let config = Config::deserialize(Value::Table(table))
        .map_err(|error| unreadable("all sources together", error.to_string()))?;
    config.validate()?;
    Ok(Loaded { config, origins })
}

fn unreadable(origin: &str, error: impl Into<String>) -> Error {
    Error::Unreadable {
        origin: origin.to_owned(),
        detail: error.into(),
    }
}

fn read(text: &str, origin: &str) -> Result<Table, Error> {
    text.parse::<Table>()
        .map_err(|error| unreadable(origin, error.to_string()))
}

fn note(table: &Table, prefix: &str, origin: &str, origins: &mut BTreeMap<String, String>) {
    for (key, value) in table {
        let key = if prefix.is_empty() {
            key.clone()
        } else {
            format!("{prefix}.{key}")
        };
        match value {
            Value::Table(inner) => note(inner, &key, origin, origins),
            _ => drop(origins.insert(key, origin.to_owned())),
        }
    }
}

fn merge(
    into: &mut Table,
    from: Table,
    origin: &str,
    prefix: &str,
    origins: &mut BTreeMap<String, String>,
) -> Result<(), Error> {
    for (name, value) in from {
        let key = if prefix.is_empty() {
            name.clone()
        } else {
            format!("{prefix}.{name}")
        };
        match (into.get_mut(&name), value) {
            (Some(Value::Table(old)), Value::Table(new)) => {
                merge(old, new, origin, &key, origins)?;
            }
            (Some(old), new) if old.same_type(&new) => {
                *old = new;
                origins.insert(key, origin.to_owned());
            }
            (Some(old), new) => {
                let detail = format!("{key} is {}, not {}", old.type_str(), new.type_str());
                return Err(unreadable(origin, detail));
            }
            (None, _) => return Err(unknown(&key, origin, origins)),
        }
    }
    Ok(())
}

fn set(
    table: &mut Table,
    key: &str,
    text: &str,
    origin: &str,
    origins: &mut BTreeMap<String, String>,
) -> Result<(), Error> {
    let mut names: Vec<&str> = key.split('.').collect();
    let Some(last) = names.pop() else {
        return Ok(());
    };
    let mut place = table;
    for name in names {
        let Some(Value::Table(inner)) = place.get_mut(name) else {
            return Err(unknown(key, origin, origins));
        };
        place = inner;
    }
    let Some(old) = place.get_mut(last) else {
        return Err(unknown(key, origin, origins));
    };
    let bad = || unreadable(origin, format!("{key}: `{text}` does not fit"));
    *old = match old {
        Value::Integer(_) => Value::Integer(text.parse().map_err(|_| bad())?),
        Value::Boolean(_) => Value::Boolean(text.parse().map_err(|_| bad())?),
        _ => Value::String(text.to_owned()),
    };
    origins.insert(key.to_owned(), origin.to_owned());
    Ok(())
}

fn unknown(key: &str, origin: &str, known: &BTreeMap<String, String>) -> Error {
    let distance = |other: &str| {
        let same = key
            .chars()
            .zip(other.chars())
            .take_while(|(a, b)| a == b)
            .count();
        key.len().max(other.len()) - same
    };
    let near = known.keys().min_by_key(|other| distance(other));
    let hint = near
        .map(|near| format!("; did you mean {near}?"))
        .unwrap_or_default();
    unreadable(origin, format!("there is no setting {key}{hint}"))
}

impl Config {
    /// The defaults alone.
    ///
    /// # Errors
    /// Only when the compiled-in file is broken, which a test rules out.
    pub fn defaults() -> Result<Self, Error> {
        Ok(load(None, &Surroundings::default(), &[])?.config)
    }

    fn validate(&self) -> Result<(), Error> {
        range(
            "database.intake_connections",
            self.database.intake_connections.into(),
            1,
            100,
        )?;
        range(
            "database.question_connections",
            self.database.question_connections.into(),
            1,
            100,
        )?;
        range("watch.runs_max", self.watch.runs_max as u64, 0, 100_000)?;
        range("intake.writers", self.intake.writers as u64, 1, 64)?;
        range(
            "intake.commit_batches",
            self.intake.commit_batches as u64,
            1,
            5_000,
        )?;
        range(
            "intake.commit_bytes",
            self.intake.commit_bytes as u64,
            1 << 10,
            64 << 20,
        )?;
        range(
            "intake.budget_kib",
            self.intake.budget_kib.into(),
            1_024,
            16 << 20,
        )?;
        let rows = u64::try_from(self.intake.quarantine_rows).unwrap_or(0);
        range("intake.quarantine_rows", rows, 1, 10_000_000)?;
        let name = self.group.name.len() as u64;
        range("group.name", name, 1, 64)?;
        if self.tls.cert_file.is_empty() != self.tls.key_file.is_empty() {
            let detail = "tls.cert_file and tls.key_file are given together or not at all".into();
            return Err(Error::Value {
                key: "tls.key_file",
                detail,
            });
        }
        self.alarm.validate()?;
        let consent = self.listen.allow_plaintext == "I understand";
        self.mqtt
            .validate(consent, !self.tls.cert_file.is_empty())?;
        let clear = self.tls.cert_file.is_empty() && self.listen.allow_plaintext != "I understand";
        if clear && !self.listen.grpc.ip().is_loopback() {
            let detail = format!(
                "{} can be reached from other machines and would carry tokens in the clear: give \
                 tls.cert_file and tls.key_file, or set listen.allow_plaintext = \"I understand\"",
                self.listen.grpc
            );
            return Err(Error::Value {
                key: "listen.grpc",
                detail,
            });
        }
        Ok(())
    }

    /// The settings as TOML, secrets blotted out.
    ///
    /// # Errors
    /// Only when a value cannot be written as TOML, which none here can cause.
    pub fn redacted(&self) -> Result<String, Error> {
        let mut shown = self.clone();
        shown.database.url = redact_url(&shown.database.url);
        toml::to_string_pretty(&shown)
            .map_err(|error| unreadable("the settings", error.to_string()))
    }
}

/// A URL without its password.
#[must_use]
pub fn redact_url(url: &str) -> String {
    let Some((scheme, rest)) = url.split_once("://") else {
        return url.to_owned();
    };
    let Some((user, host)) = rest.rsplit_once('@') else {
        return url.to_owned();
    };
    match user.split_once(':') {
        Some((name, _)) => format!("{scheme}://{name}:…@{host}"),
        None => url.to_owned(),
    }
}

/// Folder of the private database: as configured, else by the user's custom.
#[must_use]
pub fn data_dir(config: &Config, surroundings: &Surroundings) -> PathBuf {
    if !config.data_dir.is_empty() {
        return PathBuf::from(&config.data_dir);
    }
    if nix::unistd::geteuid().is_root() {
        return PathBuf::from("/var/lib/restvolt");
    }
    let share = surroundings.get("XDG_DATA_HOME").map(PathBuf::from);
    let home = surroundings
        .get("HOME")
        .map(|home| Path::new(home).join(".local/share"));
    share
        .or(home)
        .unwrap_or_else(std::env::temp_dir)
        .join("restvolt")
}

/// Refuses a value outside its range.
fn range(key: &'static str, value: u64, low: u64, high: u64) -> Result<(), Error> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    let detail = format!("{value} is outside {low} to {high}");
    Err(Error::Value { key, detail })
}

#[cfg(test)]
mod tests;
