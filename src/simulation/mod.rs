//! Charges that never happened: a lead-acid battery, its cable, its charger and its instruments.
//!
//! For trying the service without hardware and for checking what it concludes. Pure: the same case and
//! seed give the same bits. Equations as SIGNALS 2; what they come from is named where they stand.

mod battery;
mod case;
mod cell;
mod charger;
mod random;

pub use battery::Battery;
pub use case::{Case, Setup};
pub use cell::{Cell, Grade};
pub use charger::{Charge, Charger, Moment, Step};
pub use random::Random;

/// Step of a simulation, s: what is stiff is solved implicitly, so that a second is short enough.
pub const STEP_S: f64 = 1.0;
