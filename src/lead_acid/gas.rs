//! Gas of a charge: hydrogen, the air it needs, water and acid it takes.
//!
//! A number for planning air, never a measurement of it.

use crate::record::words::Chemistry;

/// Charge of one mole of electrons, C/mol.
const FARADAY_C_MOL: f64 = 96_485.332_12;
/// Gas constant, J/(mol K).
const GAS_J_MOL_K: f64 = 8.314_462_618;
/// One atmosphere, Pa.
const ATMOSPHERE_PA: f64 = 101_325.0;
/// Mass of water and of sulfuric acid, g/mol.
const WATER_G_MOL: f64 = 18.015;
const ACID_G_MOL: f64 = 98.079;
/// Coulombs of one ampere-hour.
const COULOMBS_PER_AH: f64 = 3_600.0;
/// Hydrogen of one ampere-hour and cell that the ventilation standard counts with, L at 0 degC.
pub const STANDARD_L_PER_AH: f64 = 0.42;
/// Hydrogen of one ampere, cell and second at 25 degC, m3. Source: UFC 3-520-01 (2002) 14-1.3.2.2.
pub const WORST_M3_S_A: f64 = 1.27e-7;
/// Air of one ampere of gas and cell, m3/h.
///
/// Source: IEC 62485-2 (EN 50272-2): 0.42 L/Ah, diluted to 4 % and five times more.
const AIR_M3_H_A: f64 = 0.05;
/// Share of hydrogen in air that ventilation is to stay below. Source: common, NFPA; DOMAIN 6.
pub const TARGET_SHARE: f64 = 0.01;
/// Share of hydrogen in air from which it explodes. Source: OSHA counts 4.1 %.
pub const EXPLOSIVE_SHARE: f64 = 0.04;

/// Hydrogen of one ampere-hour of gassing in one cell, L at one atmosphere and a temperature, degC.
///
/// Two electrons make one molecule (Faraday's law, ideal gas).
#[must_use]
pub fn hydrogen_l_per_ah(celsius: f64) -> f64 {
    let mol = COULOMBS_PER_AH / (2.0 * FARADAY_C_MOL);
    mol * GAS_J_MOL_K * (celsius + 273.15) / ATMOSPHERE_PA * 1_000.0
}

/// Hydrogen of a gassing current, L/h, at so many litres per ampere-hour and cell.
#[must_use]
pub fn hydrogen_l_h(gas_a: f64, cells: u8, l_per_ah: f64) -> f64 {
    gas_a * f64::from(cells) * l_per_ah
}

/// Hours until hydrogen reaches a share of a sealed room; `None` when none is made.
///
/// No leak and perfect mixing: under a ceiling it is sooner.
#[must_use]
pub fn hours_to_share(room_m3: f64, hydrogen_l_h: f64, share: f64) -> Option<f64> {
    (hydrogen_l_h > 0.0).then(|| room_m3 * 1_000.0 * share / hydrogen_l_h)
}

/// Gassing current that the standard counts with while boost charging, A; 0 for lithium.
///
/// Source: IEC 62485-2 table: 20 mA/Ah vented, 8 mA/Ah valve-regulated. Unknown counts as vented.
#[must_use]
pub fn boost_gas_a(chemistry: Chemistry, c20_ah: f64) -> f64 {
    let ma_per_ah = match chemistry {
        Chemistry::Flooded | Chemistry::EnhancedFlooded | Chemistry::Unknown => 20.0,
        Chemistry::Agm | Chemistry::Gel => 8.0,
        Chemistry::Lifepo4 => 0.0,
    };
    c20_ah * ma_per_ah / 1_000.0
}

/// Fresh air one battery needs, m3/h, from its cells and its gassing current, A.
///
/// Source: IEC 62485-2, Q = 0.05 n I. With the charger's real current where all of it may gas.
#[must_use]
pub fn air_m3_h(cells: u8, gas_a: f64) -> f64 {
    AIR_M3_H_A * f64::from(cells) * gas_a
}

/// Water one cell loses per ampere-hour of overcharge, g.
#[must_use]
pub fn water_g_per_ah() -> f64 {
    COULOMBS_PER_AH / (2.0 * FARADAY_C_MOL) * WATER_G_MOL
}

/// Sulfuric acid one cell uses per ampere-hour of discharge, g.
#[must_use]
pub fn acid_g_per_ah() -> f64 {
    COULOMBS_PER_AH / FARADAY_C_MOL * ACID_G_MOL
}

/// Gassing current of a cell, A; `gassing` compares with a new flooded cell without antimony.
///
/// Source: form of Schiffer et al. 2007, J. Power Sources 168:66, constants from memory: 20 mA per
/// 100 Ah at 2.23 V and 25 degC, 11 per V, 0.06 per degC; checked on tests/data/gassing.csv.
#[must_use]
pub fn gassing_current_a(capacity_ah: f64, gassing: f64, cell_v: f64, celsius: f64) -> f64 {
    capacity_ah / 100.0
        * 0.02
        * gassing
        * libm::exp((11.0 * (cell_v - 2.23) + 0.06 * (celsius - 25.0)).clamp(-40.0, 8.0))
}

#[cfg(test)]
mod tests;
