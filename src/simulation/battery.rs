//! Cells in a row in one case: voltage, heat, and what a sensor on the case sees.

use super::cell::{Cell, Line};

/// Heat of a battery (from memory, as SIGNALS 2), J/(kg K).
const HEAT_J_KG_K: f64 = 900.0;
/// Mass by capacity: small starter batteries weigh about so much, kg/Ah.
const MASS_KG_PER_AH: f64 = 0.35;
/// Surface by capacity: 12 V 17 Ah in a case of 181 x 77 x 167 mm, m2 per Ah^(2/3).
const SURFACE_M2: f64 = 0.017;
/// From the case to still air, W/(m2 K).
const TO_AIR_W_M2_K: f64 = 8.5;
/// From cell to cell, W/K.
const TO_NEIGHBOR_W_K: f64 = 0.9;
/// Share of the mean rise that a sensor on the case sees, and its lag, s.
const CASE_SHARE: f64 = 0.78;
const CASE_LAG_S: f64 = 240.0;

/// A battery.
#[derive(Debug, Clone, PartialEq)]
pub struct Battery {
    cells: Vec<Cell>,
    /// Share of the heat each cell takes and gives: mass and surface of one.
    heat_j_k: f64,
    to_air_w_k: f64,
    case_celsius: f64,
}

/// A battery in one step: voltage = `open_v` + `ohms` x current.
#[derive(Debug, Clone)]
pub(super) struct Lines {
    cells: Vec<Line>,
    pub(super) open_v: f64,
    pub(super) ohms: f64,
}

impl Battery {
    /// Cells of the same capacity, Ah, in air of a temperature, degC.
    #[must_use]
    pub fn new(cells: Vec<Cell>, capacity_ah: f64, ambient_celsius: f64) -> Self {
        let count = cells.len().max(1) as f64;
        let size = count / 6.0;
        let surface = SURFACE_M2 * libm::cbrt(capacity_ah * capacity_ah) * size;
        Self {
            heat_j_k: HEAT_J_KG_K * MASS_KG_PER_AH * capacity_ah / 6.0,
            to_air_w_k: TO_AIR_W_M2_K * surface / count,
            case_celsius: ambient_celsius,
            cells,
        }
    }

    /// The cells.
    #[must_use]
    pub fn cells(&self) -> &[Cell] {
        &self.cells
    }

    /// Charged share of the weakest cell's capacity, 0 to 1: it decides over cranking.
    #[must_use]
    pub fn weakest(&self) -> f64 {
        let cells = self.cells.iter().map(Cell::charged);
        cells.fold(1.0, f64::min)
    }

    /// What a sensor on the case shows, degC.
    #[must_use]
    pub fn case_celsius(&self) -> f64 {
        self.case_celsius
    }

    /// The warmest cell, degC.
    #[must_use]
    pub fn warmest_celsius(&self) -> f64 {
        self.cells
            .iter()
            .map(|cell| cell.celsius)
            .fold(f64::MIN, f64::max)
    }

    pub(super) fn lines(&self, step_s: f64) -> Lines {
        let cells: Vec<Line> = self.cells.iter().map(|cell| cell.line(step_s)).collect();
        Lines {
            open_v: cells.iter().map(|line| line.open_v).sum(),
            ohms: cells.iter().map(|line| line.ohms).sum(),
            cells,
        }
    }

    /// Goes one step at a current, A, in air of a temperature, degC.
    pub(super) fn advance(&mut self, lines: &Lines, amperes: f64, ambient: f64, step_s: f64) {
        let before: Vec<f64> = self.cells.iter().map(|cell| cell.celsius).collect();
        for (index, (cell, line)) in self.cells.iter_mut().zip(&lines.cells).enumerate() {
            let heat_w = cell.advance(*line, amperes, step_s);
            let own = cell.celsius;
            let next = [index.wrapping_sub(1), index + 1];
            let next = next.iter().filter_map(|at| before.get(*at));
            let to_next: f64 = next.map(|other| TO_NEIGHBOR_W_K * (other - own)).sum();
            let to_air = self.to_air_w_k * (ambient - own);
            cell.celsius += step_s * (heat_w + to_next + to_air) / self.heat_j_k;
        }
        let mean = before.iter().sum::<f64>() / before.len().max(1) as f64;
        let shown = ambient + CASE_SHARE * (mean - ambient);
        self.case_celsius += (shown - self.case_celsius) * step_s / CASE_LAG_S;
    }

    /// Voltage at the posts without a current, as it is now, V.
    #[must_use]
    pub fn open_v(&self) -> f64 {
        self.lines(1e-3).open_v
    }
}
