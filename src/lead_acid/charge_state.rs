//! State of charge from a rested voltage: an interval and the tables it came from, never one number.
//!
//! Every table is one maker's; they disagree by up to a third of the charge at one voltage. What
//! nobody read off the case gets the interval over all of them.

use super::interpolate;
use super::live_cells::LiveCells;
use crate::record::words::{Chemistry, vocabulary};
use crate::units::{Celsius, RestMinutes, Volts, twelve_volt_equivalent};

/// Rest in minutes below which a voltage is a terminal voltage.
///
/// Source: service manuals of powersports batteries, 30 min after the charge.
pub const REST_USABLE_MIN: f64 = 30.0;
/// Difference in V that two instruments may show on one battery.
///
/// Common practice, no source: two meters on one battery commonly differ by 0.1 V.
pub const TWO_INSTRUMENTS_V: f64 = 0.10;
/// Temperatures in degC between which an open-circuit voltage needs no correction.
///
/// Our choice: published corrections outside differ in size and sign.
pub const CORRECTION_FREE_C: (f64, f64) = (10.0, 35.0);
/// How far in V a cold battery may read low; the largest published figure is 0.134 V at -17.8 degC.
pub const COLD_READS_LOW_V: f64 = 0.15;
/// How far in V a hot battery may read high; 0.013 V at 48.9 degC is published.
pub const HOT_READS_HIGH_V: f64 = 0.05;
/// Forgives floating-point dust, V.
const DUST_V: f64 = 1e-9;

vocabulary! {
    /// A published table of rested voltage against state of charge. Source: DOMAIN 2.1.
    ChargeTable {
        /// "State of charge measurement", attributed to BCI.
        Flooded = "flooded",
        /// A car maker's state-of-charge sheet, 26.7 degC column.
        AgmGel = "agm_gel",
        /// US Army PS Magazine, TB 43-PS-665: the two ends only, a straight line between.
        AgmCarSize = "agm_car_size",
        /// A motorcycle maker's voltmeter test.
        AgmMotorcycle = "agm_motorcycle",
        /// A maker of all-terrain vehicles: bands; 12.0 V and below is discharged.
        AgmAllTerrain = "agm_all_terrain",
        /// A maker of powersports batteries; its table ends at 25 %.
        AgmPowersports = "agm_powersports",
    }
}

impl ChargeTable {
    /// Rested volts of six cells and % of charge, ascending.
    #[must_use]
    pub fn points(self) -> &'static [(f64, f64)] {
        match self {
            Self::Flooded => &[
                (11.89, 0.0),
                (12.06, 25.0),
                (12.24, 50.0),
                (12.45, 75.0),
                (12.65, 100.0),
            ],
            Self::AgmGel => &[
                (11.80, 0.0),
                (12.00, 25.0),
                (12.40, 50.0),
                (12.60, 75.0),
                (12.80, 100.0),
            ],
            Self::AgmCarSize => &[(11.4, 0.0), (12.9, 100.0)],
            Self::AgmMotorcycle => &[
                (11.8, 0.0),
                (12.0, 25.0),
                (12.3, 50.0),
                (12.6, 75.0),
                (12.7, 100.0),
            ],
            Self::AgmAllTerrain => &[(12.0, 25.0), (12.3, 50.0), (12.6, 75.0), (12.8, 100.0)],
            Self::AgmPowersports => &[(12.0, 25.0), (12.5, 50.0), (12.75, 75.0), (12.90, 100.0)],
        }
    }

    /// Where the table was printed.
    #[must_use]
    pub fn source(self) -> &'static str {
        match self {
            Self::Flooded => "state of charge table attributed to BCI",
            Self::AgmGel => "a car maker's state-of-charge sheet, wet and gel",
            Self::AgmCarSize => "US Army TB 43-PS-665 (2008)",
            Self::AgmMotorcycle => "a motorcycle maker's voltmeter test",
            Self::AgmAllTerrain => "an all-terrain vehicle maker's charging recommendations",
            Self::AgmPowersports => "a powersports battery maker's table (2020)",
        }
    }

    /// The tables that may speak for a construction; none for lithium.
    #[must_use]
    pub fn of(chemistry: Chemistry) -> &'static [Self] {
        match chemistry {
            Chemistry::Flooded | Chemistry::EnhancedFlooded => &[Self::Flooded],
            Chemistry::Gel => &[Self::AgmGel],
            Chemistry::Agm => &[
                Self::AgmGel,
                Self::AgmCarSize,
                Self::AgmMotorcycle,
                Self::AgmAllTerrain,
                Self::AgmPowersports,
            ],
            Chemistry::Unknown => Self::ALL,
            Chemistry::Lifepo4 => &[],
        }
    }

    /// Least and most % of charge at a rested voltage of six cells, and whether it is below the table.
    ///
    /// Below its last row a table says 0 %, or nothing: then 0 % to that row.
    #[must_use]
    pub fn read(self, v12: f64) -> TableReading {
        let points = self.points();
        let lowest_v = points.first().map_or(f64::MAX, |point| point.0);
        let highest_v = points.last().map_or(f64::MIN, |point| point.0);
        let under = v12 < lowest_v - DUST_V;
        let at = interpolate(points, v12).unwrap_or_default();
        let (low_pct, high_pct) = match self {
            // Its discharged row is "12.0 V and below".
            Self::AgmAllTerrain if under => (0.0, 0.0),
            Self::AgmAllTerrain if v12 <= lowest_v + DUST_V => (0.0, at),
            Self::AgmPowersports if under => (0.0, at),
            _ => (at, at),
        };
        TableReading {
            table: self,
            low_pct,
            high_pct,
            below_table: under && self != Self::AgmAllTerrain,
            above_table: v12 > highest_v + DUST_V,
        }
    }

    /// Rested volts of a pack at a state of charge, %; 6 V is half of 12 V.
    #[must_use]
    pub fn volts_at(self, percent: f64, nominal_v: u8) -> f64 {
        let turned: Vec<(f64, f64)> = self
            .points()
            .iter()
            .map(|point| (point.1, point.0))
            .collect();
        interpolate(&turned, percent).unwrap_or_default() * (f64::from(nominal_v) / 12.0)
    }
}

/// State of charge, %, from specific gravity at 25 degC, flooded cells.
///
/// Source: gravity column of the flooded table, DOMAIN 2.1.
#[must_use]
pub fn percent_of_gravity(gravity: f64) -> f64 {
    let points = [
        (1.120, 0.0),
        (1.155, 25.0),
        (1.190, 50.0),
        (1.225, 75.0),
        (1.265, 100.0),
    ];
    interpolate(&points, gravity).unwrap_or_default()
}

/// What one table says of a voltage.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct TableReading {
    /// The table.
    pub table: ChargeTable,
    /// Least state of charge, %.
    pub low_pct: f64,
    /// Most state of charge, %.
    pub high_pct: f64,
    /// Below the last row of the table.
    pub below_table: bool,
    /// Above the first row of the table: full, or surface charge.
    pub above_table: bool,
}

/// A voltage read at rest and what is known of the reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RestReading {
    /// At the posts of the pack.
    pub volts: Volts,
    /// 6 or 12.
    pub nominal_v: u8,
    /// Since charge or load ended; `None` when nobody noted it.
    pub rested: Option<RestMinutes>,
    /// Of the battery; `None` counts as within 10 to 35 degC.
    pub temperature: Option<Celsius>,
    /// How far the instrument may be off, V of the pack; 0 takes it at its word.
    pub instrument_error_v: f64,
}

vocabulary! {
    /// Why a voltage says nothing of the charge.
    Unreadable {
        NotRested = "not_rested",
        RestUnknown = "rest_unknown",
        Lithium = "lithium",
        NegativeVoltage = "negative_voltage",
    }
}

impl Unreadable {
    /// What is needed to read it.
    #[must_use]
    pub fn needed(self) -> &'static str {
        match self {
            Self::NotRested => {
                "The voltage still moves: disconnect everything, wait 30 min at least, better 8 h, \
                 and read again."
            }
            Self::RestUnknown => {
                "Nobody noted how long it rested: note the minutes since charge or load ended, 30 \
                 at least, and read again."
            }
            Self::Lithium => "No lead-acid table may be read for lithium: ask its maker.",
            Self::NegativeVoltage => {
                "The voltage is negative: swap the meter leads and read again."
            }
        }
    }
}

/// State of charge as an interval with what it rests on.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ChargeState {
    /// Least state of charge of any table, %.
    pub low_pct: f64,
    /// Most state of charge of any table, %.
    pub high_pct: f64,
    /// What each table says of the voltage itself.
    pub tables: Vec<TableReading>,
    /// Every table ends above this voltage: over-discharged, or a cell is lost.
    pub below_table: bool,
    /// Every table ends below this voltage: full, or surface charge has not gone.
    pub above_table: bool,
    /// Cells that may be alive.
    pub live_cells: LiveCells,
    /// Outside 10 to 35 degC: the interval was widened; bring it to room temperature and re-read.
    pub widened_for_temperature: bool,
}

impl ChargeState {
    /// The interval, the tables behind it and what limits it, for a person.
    #[must_use]
    pub fn sentence(&self) -> String {
        let whole = |percent: f64| libm::round(percent) + 0.0;
        let tables: Vec<String> = self
            .tables
            .iter()
            .map(|one| match (whole(one.low_pct), whole(one.high_pct)) {
                (low, high) if low < high => format!("{} {low} to {high} %", one.table),
                (_, high) => format!("{} {high} %", one.table),
            })
            .collect();
        let mut out = format!(
            "{} to {} % of charge by table ({})",
            libm::floor(self.low_pct),
            libm::ceil(self.high_pct),
            tables.join(", ")
        );
        let live = self.live_cells;
        let lost = format!("; {} of {} cells alive at most", live.at_most, live.of);
        let notes = [
            (self.below_table, "; below every table"),
            (
                self.above_table,
                "; above every table: full, or surface charge",
            ),
            (!live.all(), lost.as_str()),
            (live.not_settled, "; not settled: read again later"),
            (
                self.widened_for_temperature,
                "; bring it to room temperature and read again",
            ),
        ];
        for (_, note) in notes.iter().filter(|(applies, _)| *applies) {
            out.push_str(note);
        }
        out.push('.');
        out
    }
}

/// Reads the state of charge off a rested voltage.
///
/// The interval runs over the tables of the construction, over the instrument's error and, outside
/// 10 to 35 degC, over what cold and heat may do to the voltage.
///
/// # Errors
/// What keeps the voltage from being read; `Unreadable::needed` says what to do.
pub fn charge_state(
    reading: &RestReading,
    chemistry: Chemistry,
) -> Result<ChargeState, Unreadable> {
    if chemistry == Chemistry::Lifepo4 {
        return Err(Unreadable::Lithium);
    }
    if reading.volts.get() < 0.0 {
        return Err(Unreadable::NegativeVoltage);
    }
    match reading.rested {
        None => return Err(Unreadable::RestUnknown),
        Some(rested) if rested.get() < REST_USABLE_MIN => return Err(Unreadable::NotRested),
        Some(_) => {}
    }
    let v12 = twelve_volt_equivalent(reading.volts, reading.nominal_v);
    let error = reading.instrument_error_v.abs() * 12.0 / f64::from(reading.nominal_v.max(1));
    let (down, up) = match reading.temperature.map(Celsius::get) {
        Some(celsius) if celsius < CORRECTION_FREE_C.0 => (0.0, COLD_READS_LOW_V),
        Some(celsius) if celsius > CORRECTION_FREE_C.1 => (HOT_READS_HIGH_V, 0.0),
        _ => (0.0, 0.0),
    };
    let asked = ChargeTable::of(chemistry);
    let tables: Vec<TableReading> = asked.iter().map(|table| table.read(v12)).collect();
    let lows = asked.iter().map(|t| t.read(v12 - error - down).low_pct);
    let highs = asked.iter().map(|t| t.read(v12 + error + up).high_pct);
    Ok(ChargeState {
        low_pct: lows.fold(100.0, f64::min),
        high_pct: highs.fold(0.0, f64::max),
        below_table: tables.iter().all(|one| one.low_pct <= 0.0)
            && tables
                .iter()
                .all(|one| one.below_table || one.high_pct <= 0.0)
            && tables.iter().any(|one| one.below_table),
        above_table: tables.iter().all(|one| one.above_table),
        live_cells: LiveCells::of_rest_v(reading.volts.get(), reading.nominal_v / 2),
        widened_for_temperature: down + up > 0.0,
        tables,
    })
}

#[cfg(test)]
mod tests;
