//! One lead-acid cell: acid, active material, overpotential, side reactions.
//!
//! Equilibrium voltage and gassing current are those of `lead_acid`. Hard sulfate and passivation are
//! a model of our own, without data behind their constants.

use crate::lead_acid::acid::{ACID_LEAST_MOL_M3, EMF_V_PER_K, emf_v};
use crate::lead_acid::gas::gassing_current_a;

/// Coulombs of one ampere-hour.
const COULOMBS_PER_AH: f64 = 3_600.0;
/// RT/F at 25 degC, V; the main reaction takes half of the overpotential on each side.
const THERMAL_V: f64 = 0.025_69;
/// Thermoneutral voltage of water (from memory), V.
const THERMONEUTRAL_V: f64 = 1.48;
/// Share of the acid that stands in the pores of the plates.
const PORE_SHARE: f64 = 0.4;
/// Charged material at which a cell's voltage breaks down, share of its capacity.
const BREAKDOWN: f64 = 0.006;
/// Double layer, F/Ah.
const DOUBLE_LAYER: f64 = 20.0;

/// How a cell is built and how it has aged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grade {
    /// Charge between full and exhausted, Ah.
    pub capacity_ah: f64,
    /// Acid of the full cell, mol/m3.
    pub acid_full: f64,
    /// Acid of the exhausted cell, mol/m3.
    pub acid_flat: f64,
    /// Time constant of the exchange between pores and bulk, s.
    pub exchange_s: f64,
    /// Exchange current of the main reaction, A/Ah.
    pub exchange_per_h: f64,
    /// Largest charging current, as far as soft sulfate dissolves, A/Ah.
    pub dissolution_per_h: f64,
    /// Ohmic resistance at 25 degC in full acid, ohm.
    pub ohms: f64,
    /// Gassing against a new flooded cell with antimony-free grids.
    pub gassing: f64,
    /// Share of the gas that recombines in the cell.
    pub recombination: f64,
    /// Rate at which hard sulfate converts, 1/h.
    pub hard_per_h: f64,
    /// Resistance of a hard sulfate film, ohm Ah.
    pub film_ohm_ah: f64,
}

/// A cell and its state.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell {
    grade: Grade,
    /// Charged active material, Ah; below zero the cell is reversed.
    charged_ah: f64,
    /// Hard sulfate at the start and now, Ah.
    hard_start_ah: f64,
    hard_ah: f64,
    /// Acid in the pores and outside, mol/m3.
    pore: f64,
    bulk: f64,
    /// Voltage across the double layer above the equilibrium, V.
    over_v: f64,
    /// Conductance across the cell: a short, S.
    short_s: f64,
    /// Temperature, degC.
    pub(super) celsius: f64,
}

/// Currents of a cell at one overpotential, A.
struct Currents {
    main: f64,
    hard: f64,
    gas: f64,
    short: f64,
}

impl Currents {
    fn sum(&self) -> f64 {
        self.main + self.hard + self.gas + self.short
    }
}

/// A cell in one step: voltage = `open_v` + `ohms` x current, both at the end of the step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    pub(super) open_v: f64,
    pub(super) ohms: f64,
    slope_s: f64,
    drawn_a: f64,
}

impl Cell {
    /// A rested cell: charged and hard material as shares of the capacity.
    #[must_use]
    pub fn rested(grade: Grade, charged: f64, hard: f64, celsius: f64) -> Self {
        let acid = grade.acid_flat + (grade.acid_full - grade.acid_flat) * charged.max(0.0);
        Self {
            charged_ah: charged * grade.capacity_ah,
            hard_start_ah: hard * grade.capacity_ah,
            hard_ah: hard * grade.capacity_ah,
            pore: acid,
            bulk: acid,
            over_v: 0.0,
            short_s: 0.0,
            celsius,
            grade,
        }
    }

    /// The same cell with a short across it, ohm. It has drained what it could.
    #[must_use]
    pub fn shorted(mut self, ohms: f64) -> Self {
        self.short_s = 1.0 / ohms;
        self
    }

    /// Charged active material against the capacity.
    #[must_use]
    pub fn charged(&self) -> f64 {
        self.charged_ah / self.grade.capacity_ah
    }

    /// Hard sulfate against the capacity.
    #[must_use]
    pub fn hard(&self) -> f64 {
        self.hard_ah / self.grade.capacity_ah
    }

    fn equilibrium_v(&self) -> f64 {
        let warm = EMF_V_PER_K * (self.celsius - 25.0);
        let whole = emf_v(self.pore) + warm;
        whole * libm::tanh(self.charged_ah / (BREAKDOWN * self.grade.capacity_ah))
    }

    /// Share of the capacity that is sulfate of the soft kind.
    fn soft(&self) -> f64 {
        let grade = &self.grade;
        ((grade.capacity_ah - self.charged_ah - self.hard_ah) / grade.capacity_ah).max(0.0)
    }

    /// Share of the hard sulfate that was converted.
    fn converted(&self) -> f64 {
        if self.hard_start_ah > 0.0 {
            1.0 - self.hard_ah / self.hard_start_ah
        } else {
            1.0
        }
    }

    /// 25 kJ/mol against 25 degC.
    fn speed(&self) -> f64 {
        libm::exp(3_007.0 * (1.0 / 298.15 - 1.0 / (self.celsius + 273.15)))
    }

    fn ohms(&self) -> f64 {
        // A quarter of the path is acid, whose resistance rises as it is spent and in the cold.
        let thin = (self.grade.acid_full / self.pore.max(self.grade.acid_flat)).min(8.0);
        let cold = libm::exp(1_600.0 * (1.0 / (self.celsius + 273.15) - 1.0 / 298.15));
        let film = self.grade.film_ohm_ah / self.grade.capacity_ah * self.hard()
            / (0.02 + self.converted());
        self.grade.ohms * (0.75 + 0.25 * thin * cold) + film
    }

    fn currents(&self, over_v: f64, speed: f64) -> Currents {
        let grade = &self.grade;
        let (soft, capacity) = (self.soft(), grade.capacity_ah);
        let exchange = grade.exchange_per_h * capacity * speed;
        let drive = 2.0 * libm::sinh((over_v / (2.0 * THERMAL_V)).clamp(-12.0, 12.0));
        let main = if over_v >= 0.0 {
            // In series: what reacts, and what dissolves.
            let reacts = exchange * libm::sqrt(soft) * drive;
            let dissolves = grade.dissolution_per_h * capacity * speed * libm::pow(soft, 0.85);
            if reacts > 0.0 {
                reacts * dissolves / (reacts + dissolves)
            } else {
                0.0
            }
        } else {
            exchange * libm::tanh((self.charged_ah / (BREAKDOWN * capacity)).abs()) * drive
        };
        let hard_share = self.hard().max(0.0);
        let hard = grade.hard_per_h
            * capacity
            * libm::cbrt(hard_share * hard_share)
            * libm::pow(0.03 + self.converted(), 0.8)
            * (1.0 - libm::exp(-over_v.max(0.0) / 0.1));
        let cell_v = self.equilibrium_v() + over_v;
        let gas = gassing_current_a(capacity, grade.gassing, cell_v, self.celsius);
        Currents {
            main,
            hard,
            gas,
            short: cell_v * self.short_s,
        }
    }

    /// The straight line between current and voltage over the next step.
    pub(super) fn line(&self, step_s: f64) -> Line {
        let speed = self.speed();
        let drawn = self.currents(self.over_v, speed).sum();
        let nudge = 1e-4;
        let slope = (self.currents(self.over_v + nudge, speed).sum() - drawn) / nudge;
        let farads = DOUBLE_LAYER * self.grade.capacity_ah;
        let gain = step_s / (farads + step_s * slope);
        Line {
            open_v: self.equilibrium_v() + self.over_v - gain * drawn,
            ohms: gain + self.ohms(),
            slope_s: slope,
            drawn_a: drawn,
        }
    }

    /// Goes one step at a current; returns the heat, W.
    pub(super) fn advance(&mut self, line: Line, amperes: f64, step_s: f64) -> f64 {
        let farads = DOUBLE_LAYER * self.grade.capacity_ah;
        let before = self.over_v;
        self.over_v += step_s * (amperes - line.drawn_a) / (farads + step_s * line.slope_s);
        // No step leaves what the reactions can follow.
        self.over_v = self
            .over_v
            .clamp(before - 0.5, before + 0.5)
            .clamp(-2.5, 3.0);
        let currents = self.currents(self.over_v, self.speed());
        let hours = step_s / 3_600.0;
        let converted = (currents.hard * hours).min(self.hard_ah);
        let soft_ah = self.soft() * self.grade.capacity_ah;
        let charged = (currents.main * hours).min(soft_ah);
        self.hard_ah -= converted;
        self.charged_ah += charged + converted;
        self.mix((charged + converted) * COULOMBS_PER_AH, step_s);
        let cell_v = self.equilibrium_v() + self.over_v;
        amperes * amperes * self.ohms()
            + (currents.main + currents.hard) * self.over_v
            + currents.gas
                * (self.grade.recombination * cell_v
                    + (1.0 - self.grade.recombination) * (cell_v - THERMONEUTRAL_V))
            + currents.short * cell_v
    }

    /// Acid comes out of the plates into the pores and spreads.
    fn mix(&mut self, coulombs: f64, step_s: f64) {
        let grade = &self.grade;
        let per_coulomb =
            (grade.acid_full - grade.acid_flat) / (grade.capacity_ah * COULOMBS_PER_AH);
        let spread = (self.pore - self.bulk) * (step_s / grade.exchange_s).min(1.0);
        self.pore += coulombs * per_coulomb / PORE_SHARE - spread * (1.0 - PORE_SHARE);
        self.bulk += spread * PORE_SHARE;
        self.pore = self.pore.max(ACID_LEAST_MOL_M3);
        self.bulk = self.bulk.max(ACID_LEAST_MOL_M3);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn grade() -> Grade {
        Grade {
            capacity_ah: 20.0,
            acid_full: 5_650.0,
            acid_flat: 640.0,
            exchange_s: 12_000.0,
            exchange_per_h: 0.1,
            dissolution_per_h: 0.5,
            ohms: 0.003,
            gassing: 2.0,
            recombination: 0.95,
            hard_per_h: 0.1,
            film_ohm_ah: 0.2,
        }
    }

    #[test]
    fn charge_that_went_in_is_active_material_or_gas() {
        let mut cell = Cell::rested(grade(), 0.2, 0.1, 25.0);
        let mut gas_ah = 0.0;
        for _ in 0..8 * 3_600 {
            let line = cell.line(1.0);
            cell.advance(line, 2.0, 1.0);
            let currents = cell.currents(cell.over_v, cell.speed());
            gas_ah += currents.gas / 3_600.0;
        }
        // What is still in the double layer is less than a thousandth.
        let stored = (cell.charged() - 0.2) * 20.0;
        assert!((stored + gas_ah - 16.0).abs() < 0.1, "{stored} + {gas_ah}");
        let acid = PORE_SHARE * cell.pore + (1.0 - PORE_SHARE) * cell.bulk;
        let wanted = 640.0 + (5_650.0 - 640.0) * cell.charged();
        assert!((acid - wanted).abs() < 1.0, "{acid} {wanted}");
    }

    #[test]
    fn a_short_drains_a_cell_to_nothing_and_a_deep_one_shows_little_voltage() {
        let mut cell = Cell::rested(grade(), 0.5, 0.0, 25.0).shorted(0.02);
        for _ in 0..3 * 3_600 {
            let line = cell.line(1.0);
            cell.advance(line, 0.0, 1.0);
        }
        assert!(cell.charged() < 0.02, "{}", cell.charged());
        assert!(cell.line(1.0).open_v < 0.3);
        let deep = Cell::rested(grade(), 0.003, 0.0, 25.0);
        assert!((0.5..1.5).contains(&deep.line(1.0).open_v));
    }
}
