//! What is known of a charge besides its samples, and one instant of it.

use crate::record::words::{Chemistry, DeviceKind};

/// Cells of lead-acid packs this service judges: 6 V and 12 V.
const CELLS: [(f64, f64); 2] = [(6.0, 3.0), (12.0, 6.0)];

/// One instant of one device, on the time of the run. Plain units; `None` = not measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Event {
    /// Time of the run, ms.
    pub time_ms: i64,
    /// Which kind of device speaks.
    pub source: DeviceKind,
    /// Voltage at the device's terminals, V.
    pub voltage_v: Option<f64>,
    /// Current into the battery, A.
    pub current_a: Option<f64>,
    /// Case temperature, degC.
    pub case_c: Option<f64>,
    /// Temperature of a centre cell, degC.
    pub centre_c: Option<f64>,
    /// Air around the battery, degC.
    pub ambient_c: Option<f64>,
}

impl Event {
    /// An instant at which nothing was measured yet.
    #[must_use]
    pub fn at(time_ms: i64, source: DeviceKind) -> Self {
        Self {
            time_ms,
            source,
            voltage_v: None,
            current_a: None,
            case_c: None,
            centre_c: None,
            ambient_c: None,
        }
    }
}

/// Devices whose volts are to be read as millivolts. Offline only: live data is never scaled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct Millivolts {
    /// The charger's.
    pub charger: bool,
    /// The meter's.
    pub meter: bool,
}

/// What the shop knows of the battery and the plan. What is unknown is left out, never guessed.
#[derive(Debug, Clone, PartialEq)]
pub struct Context {
    /// Device whose current is counted: the charger, or a device that stands alone.
    pub lead: DeviceKind,
    /// Whether an attempt has claimed the run: only then is it known which battery this is.
    pub claimed: bool,
    /// Nominal voltage, V: 6 or 12.
    pub nominal_v: Option<u8>,
    /// Construction.
    pub chemistry: Chemistry,
    /// Rated capacity at the 20 h rate, Ah.
    pub c20_ah: Option<f64>,
    /// Rated cranking current, A.
    pub rated_cca_a: Option<f64>,
    /// Last cranking current a tester told, A.
    pub measured_cca_a: Option<f64>,
    /// The tester did not start: voltage below its minimum.
    pub below_instrument_minimum: bool,
    /// Age, months.
    pub age_months: Option<f64>,
    /// Air around the battery where no sensor tells it, degC.
    pub ambient_c: Option<f64>,
    /// Rested voltage before the charge, V, as a person read it.
    pub start_rest_v: Option<f64>,
    /// Highest voltage the plan allows, V.
    pub planned_limit_v: Option<f64>,
    /// Highest current the plan allows, A.
    pub planned_limit_a: Option<f64>,
    /// Offline reading: take volts above 100 as millivolts and say so.
    pub correct_units: bool,
    /// Devices already known to send millivolts for volts.
    pub millivolts: Millivolts,
}

impl Default for Context {
    fn default() -> Self {
        Self {
            lead: DeviceKind::Charger,
            claimed: false,
            nominal_v: None,
            chemistry: Chemistry::Unknown,
            c20_ah: None,
            rated_cca_a: None,
            measured_cca_a: None,
            below_instrument_minimum: false,
            age_months: None,
            ambient_c: None,
            start_rest_v: None,
            planned_limit_v: None,
            planned_limit_a: None,
            correct_units: false,
            millivolts: Millivolts::default(),
        }
    }
}

impl Context {
    /// Lead cells in series; `None` without a nominal voltage that is judged.
    pub(crate) fn cells(&self) -> Option<f64> {
        let nominal = f64::from(self.nominal_v?);
        let found = CELLS
            .iter()
            .find(|(volts, _)| volts.to_bits() == nominal.to_bits());
        found.map(|(_, cells)| *cells)
    }

    /// Rated capacity, when it is a usable number.
    pub(crate) fn c20(&self) -> Option<f64> {
        self.c20_ah.filter(|ah| *ah > 0.0 && ah.is_finite())
    }

    /// Measured over rated cranking current; 0 when the tester did not start.
    pub(crate) fn cca_share(&self) -> Option<f64> {
        if self.below_instrument_minimum {
            return Some(0.0);
        }
        let rated = self.rated_cca_a.filter(|rated| *rated > 0.0)?;
        Some(self.measured_cca_a? / rated)
    }

    /// Whether the electrolyte is held: glass mat or gel.
    pub(crate) fn valve_regulated(&self) -> bool {
        matches!(self.chemistry, Chemistry::Agm | Chemistry::Gel)
    }

    /// Whether it is flooded, enhanced or not.
    pub(crate) fn flooded(&self) -> bool {
        matches!(
            self.chemistry,
            Chemistry::Flooded | Chemistry::EnhancedFlooded
        )
    }
}
