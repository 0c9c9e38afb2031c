//! Outcomes counted by band, and a chance as answers state it.
//!
//! The fitted model gives the chance; the counts of the band stand beside it as visible evidence.

/// Probability inside every range that is stated. Source: STATISTICS 2.
pub const LEVEL: f64 = 0.90;
/// Version of the bands the counts are taken by, part of every answer.
pub const BANDS_VERSION: &str = "bands-1";

/// Labelled outcomes: recovered, and everything else that has a label.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct Tally {
    /// Came back.
    pub recovered: u64,
    /// Did not: partially recovered, not recovered, made worse, ended over temperature.
    pub not_recovered: u64,
}

impl Tally {
    /// Outcomes with a label.
    #[must_use]
    pub fn labelled(self) -> u64 {
        self.recovered.saturating_add(self.not_recovered)
    }
}

/// Outcomes behind an answer. Undetermined attempts and ones stopped by a person are not counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct BandCounts {
    /// In the voltage and months bands of the battery.
    pub band: Tally,
    /// In all bands.
    pub overall: Tally,
}

/// Chance of recovery with what it rests on. Probabilities 0 to 1, `lower <= mean <= upper`.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Chance {
    /// Expected probability.
    pub mean: f64,
    /// Lower end of the range.
    pub lower: f64,
    /// Upper end of the range.
    pub upper: f64,
    /// Probability inside the range: [`LEVEL`].
    pub level: f64,
    /// Worth about this many similar batteries: p (1 - p) / variance - 1.
    pub n_eq: f64,
    /// Labelled outcomes in the band.
    pub n_band: u64,
    /// Recovered ones among them.
    pub recovered_band: u64,
    /// True when the numbers rest on belief more than on outcomes: show steps of 10 %.
    pub belief_only: bool,
}
