//! A condition: what was seen to begin, last or end at a device. Alarms are made of these.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::kind::Kind;
use crate::record::words::vocabulary;

vocabulary! {
    /// How a condition stands to what was known before.
    Edge { On = "on", Off = "off", Unchanged = "unchanged" }
}

/// Where a condition was seen. `device` is nil for what concerns the service itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Source {
    /// The group (tenant).
    pub group: Uuid,
    /// The device, or the shop where no device is meant.
    pub device: Uuid,
}

/// One condition of one device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Condition {
    /// What it is about.
    pub kind: Kind,
    /// Whether it begins, lasts (perhaps worse) or ends.
    pub edge: Edge,
    /// Worst value seen, in `Kind::unit`; the value that ended it for `off`.
    pub value: Option<i64>,
    /// When that value was measured, ms since 1970.
    pub at_ms: i64,
    /// Newest time for which this is known, ms since 1970; `at_ms` for a single sample.
    pub last_ms: i64,
}

impl Condition {
    /// A condition known from one instant.
    #[must_use]
    pub fn new(kind: Kind, edge: Edge, value: Option<i64>, at_ms: i64) -> Self {
        Self {
            kind,
            edge,
            value,
            at_ms,
            last_ms: at_ms,
        }
    }

    /// Whether the condition holds: it begins or lasts.
    #[must_use]
    pub fn is_active(&self) -> bool {
        self.edge != Edge::Off
    }

    /// Takes another sight of the same lasting condition in: worst value, newest time.
    pub fn absorb(&mut self, other: &Self) {
        let worse = self.kind.worse(self.value, other.value);
        if worse != self.value {
            self.value = worse;
            self.at_ms = other.at_ms;
        }
        self.last_ms = self.last_ms.max(other.last_ms);
    }
}
