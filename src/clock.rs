//! The one place that reads the wall clock; everything else is told the time.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use chrono::{DateTime, TimeDelta, Utc};

/// A source of the current time: the system's, or one that tests move by hand.
#[derive(Debug, Clone, Default)]
pub enum Clock {
    /// The wall clock of this machine.
    #[default]
    System,
    /// A clock that stands where it was set, in milliseconds since 1970.
    Fixed(Arc<AtomicI64>),
}

impl Clock {
    /// A clock that stands at `at` until it is moved.
    #[must_use]
    pub fn fixed(at: DateTime<Utc>) -> Self {
        Self::Fixed(Arc::new(AtomicI64::new(at.timestamp_millis())))
    }

    /// Moves a fixed clock forward; the system clock cannot be moved.
    pub fn advance(&self, by: TimeDelta) {
        if let Self::Fixed(at) = self {
            at.fetch_add(by.num_milliseconds(), Ordering::SeqCst);
        }
    }

    /// The current time, to the microsecond the database keeps.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "the one wall clock")]
    pub fn now(&self) -> DateTime<Utc> {
        match self {
            Self::System => {
                let now = Utc::now();
                DateTime::from_timestamp_micros(now.timestamp_micros()).unwrap_or(now)
            }
            Self::Fixed(at) => {
                DateTime::from_timestamp_millis(at.load(Ordering::SeqCst)).unwrap_or_default()
            }
        }
    }
}
