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

/// What showed a condition first, named so that it is the same when it is heard again: a sample that is sent again,
/// or a run that is looked at again, after a death of the service. No clock is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Origin {
    /// A sample or an event as its device numbers it.
    Sent {
        /// Start of the device.
        boot: i64,
        /// Its number since then, from 1.
        number: i64,
        /// Device time, ms.
        device_ms: i64,
    },
    /// A finding of a run.
    Found {
        /// Session that leads the run.
        run: Uuid,
        /// Since when it holds, ms of the run.
        since_ms: i64,
    },
}

impl Origin {
    /// As bytes that are the same on every machine; the first says which kind, never 0.
    #[must_use]
    pub fn bytes(&self) -> Vec<u8> {
        match self {
            Self::Sent {
                boot,
                number,
                device_ms,
            } => {
                let numbers = [boot, number, device_ms].map(|number| number.to_le_bytes());
                [&[1], numbers.as_flattened()].concat()
            }
            Self::Found { run, since_ms } => {
                [&[2], run.as_bytes().as_slice(), &since_ms.to_le_bytes()].concat()
            }
        }
    }
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
    /// When the condition was first seen, ms since 1970; `at_ms` for a single sample.
    pub first_ms: i64,
    /// Newest time for which this is known, ms since 1970; `at_ms` for a single sample.
    pub last_ms: i64,
    /// What showed it first; `None` where nothing is numbered.
    pub origin: Option<Origin>,
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
            first_ms: at_ms,
            last_ms: at_ms,
            origin: None,
        }
    }

    /// The same condition, with what showed it.
    #[must_use]
    pub fn shown_by(self, origin: Option<Origin>) -> Self {
        Self { origin, ..self }
    }

    /// Whether the condition holds: it begins or lasts.
    #[must_use]
    pub fn is_active(&self) -> bool {
        self.edge != Edge::Off
    }

    /// Takes another sight of the same lasting condition in: worst value, newest time. When and by what it was seen
    /// first stays.
    pub fn absorb(&mut self, other: &Self) {
        let worse = self.kind.worse(self.value, other.value);
        if worse != self.value {
            self.value = worse;
            self.at_ms = other.at_ms;
        }
        self.last_ms = self.last_ms.max(other.last_ms);
    }
}
