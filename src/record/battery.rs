//! What the case says.

use super::words::{CcaStandard, Chemistry, Segment};
use crate::units::{AmpHours, CrankingAmps};

/// Facts printed on a battery. Nominal voltage is picked, never guessed.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Battery {
    /// Construction.
    pub chemistry: Chemistry,
    /// What it serves.
    pub segment: Segment,
    /// Nominal volts: 6 or 12.
    pub nominal_v: u8,
    /// Rated cold cranking current with the standard it was stated by.
    pub rated_cca: Option<(CrankingAmps, CcaStandard)>,
    /// Rated capacity at the 20 h rate.
    pub rated_ah: Option<AmpHours>,
}
