//! A charge meant to bring a battery back, and what became of it.

use chrono::{DateTime, Utc};

use super::words::{EndReason, Method, Purpose};

/// Facts of one attempt that the outcome needs.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Attempt {
    /// What the technician means by it.
    pub purpose: Purpose,
    /// Charging profile.
    pub method: Method,
    /// Start of the charge.
    pub started_at: DateTime<Utc>,
    /// End of the charge; `None` while it runs.
    pub ended_at: Option<DateTime<Utc>>,
    /// Why it ended; `None` while it runs.
    pub end_reason: Option<EndReason>,
}

/// The customer brought the battery back.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ComeBack {
    /// When.
    pub at: DateTime<Utc>,
    /// Whether the battery was at fault (not the vehicle, not the wiring).
    pub battery_at_fault: bool,
}
