//! Which group a device belongs to, for doors where the device is known by its id alone.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use uuid::Uuid;

use crate::store::directory::{self, Kind};
use crate::store::{self, Store};

/// How long a known device is remembered: it never changes its group.
const KNOWN: Duration = Duration::from_mins(10);
/// How long an unknown one is: it may be registered any moment.
const UNKNOWN: Duration = Duration::from_secs(5);
/// Devices remembered at most.
const MEMORY_MAX: usize = 50_000;

/// Looks devices up and remembers the answer for a while.
#[derive(Debug, Default)]
pub struct Senders {
    memory: Mutex<HashMap<Uuid, Known>>,
}

/// What a look-up said, and when.
#[derive(Debug, Clone, Copy)]
struct Known {
    at: Instant,
    group: Option<Uuid>,
}

impl Senders {
    /// Group of a device; `None` when no group has it.
    ///
    /// # Errors
    /// Database errors.
    pub async fn group(&self, store: &Store, device: Uuid) -> Result<Option<Uuid>, store::Error> {
        if let Some(known) = self.remembered(device) {
            return Ok(known.group);
        }
        let mut tx = store.begin_directory().await?;
        let entry = directory::find(&mut tx, Kind::Device, device.as_bytes()).await?;
        tx.rollback().await?;
        let group = entry.map(|entry| entry.group);
        // Every change is complete before anything can panic.
        let mut memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        if memory.len() >= MEMORY_MAX {
            memory.clear();
        }
        let at = Instant::now();
        memory.insert(device, Known { at, group });
        Ok(group)
    }

    /// `None` = nothing is remembered.
    fn remembered(&self, device: Uuid) -> Option<Known> {
        let memory = self.memory.lock().unwrap_or_else(PoisonError::into_inner);
        let known = memory.get(&device)?;
        let lasts = if known.group.is_some() {
            KNOWN
        } else {
            UNKNOWN
        };
        (known.at.elapsed() < lasts).then_some(*known)
    }
}
