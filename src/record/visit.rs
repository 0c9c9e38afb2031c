//! What a bench can know of a battery before deciding.

pub mod parse;

use chrono::{DateTime, Utc};

use super::battery::Battery;
use super::words::{Storage, TesterState, VisualFlag};
use crate::units::{Money, Months, Volts};

/// A battery presented to a shop once, with everything known before the decision.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Visit {
    /// What the case says.
    pub battery: Battery,
    /// Rested open-circuit voltage of the pack, as read.
    pub rest_v: Volts,
    /// Age of the battery.
    pub age: Option<Months>,
    /// Time since the last full charge.
    pub months_since_full_charge: Option<Months>,
    /// Where it spent that time.
    pub storage: Storage,
    /// What the tester did.
    pub tester: TesterState,
    /// Measured over rated cranking current at intake, when the tester gave one.
    pub cca_ratio: Option<f64>,
    /// Electrolyte below the plates; `None` where nobody could look.
    pub electrolyte_low: Option<bool>,
    /// What a person saw on the case.
    pub flags: Vec<VisualFlag>,
    /// Price of a replacement in the shop's currency.
    pub replacement_price: Option<Money>,
    /// When it came in.
    pub presented_at: DateTime<Utc>,
}
