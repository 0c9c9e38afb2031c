//! One spot measurement at a bench.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::words::ReadingKind;
use crate::units::{Celsius, RestMinutes};

/// What the instrument showed.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ReadingValue {
    /// A number in the unit of the kind.
    Measured(f64),
    /// The instrument did not power up or showed "too low": a reading, not a gap.
    BelowInstrumentMinimum,
}

/// One measurement with the conditions it was taken under.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Reading {
    /// What was measured.
    pub kind: ReadingKind,
    /// The number, or that the instrument could not measure.
    pub value: ReadingValue,
    /// Which instrument; two meters on one battery commonly differ by 0.1 V.
    pub instrument: Option<Uuid>,
    /// Battery temperature at the reading.
    pub temperature: Option<Celsius>,
    /// Time since charge or load ended; `None` when nobody noted it.
    pub rested: Option<RestMinutes>,
    /// When it was taken.
    pub at: DateTime<Utc>,
}

impl Reading {
    /// The number, when there is one.
    #[must_use]
    pub fn measured(&self) -> Option<f64> {
        match self.value {
            ReadingValue::Measured(value) => Some(value),
            ReadingValue::BelowInstrumentMinimum => None,
        }
    }
}
