//! Settings of alarms.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::Error;

/// Alarms.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields)]
pub struct Alarm {
    /// Where a heartbeat goes; empty = nowhere.
    pub heartbeat_url: String,
    /// Inside addresses that a webhook may go to.
    pub webhook_allow: String,
    /// The journal; empty = in the data folder.
    pub journal_file: String,
    /// The key of the webhooks' secrets; empty = in the data folder.
    pub key_file: String,
    /// Authorities that webhooks are trusted by beside the machine's own; empty = none.
    pub webhook_ca_file: String,
    /// Free share of the database's disk below which people are called, %.
    pub disk_low_percent: u8,
    /// Free share of the database's disk below which telemetry is held back, %.
    pub disk_floor_percent: u8,
}

impl Alarm {
    /// Ranges of addresses that a webhook may go to, as they are written.
    pub fn allowed(&self) -> impl Iterator<Item = &str> {
        let parts = self.webhook_allow.split(',').map(str::trim);
        parts.filter(|range| !range.is_empty())
    }

    /// The journal.
    #[must_use]
    pub fn journal(&self, data: &Path) -> PathBuf {
        named(&self.journal_file, data, "alarm-journal")
    }

    /// The key of the webhooks' secrets.
    #[must_use]
    pub fn key(&self, data: &Path) -> PathBuf {
        named(&self.key_file, data, "alarm-key")
    }

    pub(super) fn validate(&self) -> Result<(), Error> {
        super::range(
            "alarm.disk_low_percent",
            self.disk_low_percent.into(),
            1,
            100,
        )?;
        let low = u64::from(self.disk_low_percent);
        super::range(
            "alarm.disk_floor_percent",
            self.disk_floor_percent.into(),
            1,
            low,
        )?;
        let url = &self.heartbeat_url;
        if url.is_empty() || url.starts_with("https://") || url.starts_with("http://") {
            return Ok(());
        }
        Err(Error::Value {
            key: "alarm.heartbeat_url",
            detail: format!(
                "`{}` is no address such as https://host/path",
                url.escape_debug()
            ),
        })
    }
}

fn named(file: &str, data: &Path, name: &str) -> PathBuf {
    if file.is_empty() {
        data.join(name)
    } else {
        PathBuf::from(file)
    }
}
