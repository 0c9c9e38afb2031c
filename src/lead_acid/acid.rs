//! Sulfuric acid and the voltage it gives a cell: molality, density, equilibrium voltage.
//!
//! Specific gravity is density in g/mL at 25 degC, as a hydrometer of the trade reads it. The
//! equilibrium voltage follows the acid alone, so it holds for every construction at rest.

/// Mass of one mole of sulfuric acid, kg/mol.
const ACID_KG_MOL: f64 = 0.098_079;
/// Lowest acid that is computed, mol/m3.
pub const ACID_LEAST_MOL_M3: f64 = 20.0;
/// Reference temperature of voltage and specific gravity, degC.
pub const REFERENCE_C: f64 = 25.0;
/// Change of the equilibrium voltage of a cell with temperature (from memory, Berndt), V/K.
pub const EMF_V_PER_K: f64 = 0.2e-3;
/// What a cell's voltage exceeds its specific gravity by, V. Source: DOE-HDBK-1084-95, eq. 6.
const RULE_V: f64 = 0.845;
/// Molality below which the acid counts as water, mol/kg: the physical floor of DOMAIN 2.3.
pub const MOLALITY_LEAST: f64 = 0.1;
/// Highest molality the polynomials are asked for, mol/kg.
const MOLALITY_MOST: f64 = 10.0;
/// Highest share of acid the density is asked for; the correlation holds up to 0.782.
const SHARE_MOST: f64 = 0.75;
/// Halvings of an interval: enough for the last bit of a share.
const HALVINGS: u32 = 60;

/// Tells the equilibrium voltage of a cell at 25 degC, V, from molality, mol/kg.
///
/// Source: Bode 1977, in the polynomials of the open parameter set of Sulzer et al. 2019, J.
/// Electrochem. Soc. 166 A2363; checked on `tests/data/acid_emf.csv`.
#[must_use]
pub fn cell_emf_v(molality: f64) -> f64 {
    let l = libm::log10(molality);
    let negative = -0.294 - l * (0.074 + l * (0.030 + l * (0.031 + l * 0.012)));
    let positive = 1.628 + l * (0.074 + l * (0.033 + l * (0.043 + l * 0.022)));
    positive - negative
}

/// Tells the equilibrium voltage of a cell at 25 degC, V, from acid in the volume, mol/m3.
///
/// Partial molar volumes 17.5e-6 (water) and 45e-6 m3/mol (acid) of the same parameter set.
#[must_use]
pub fn emf_v(acid_mol_m3: f64) -> f64 {
    let acid = acid_mol_m3.max(ACID_LEAST_MOL_M3);
    cell_emf_v(acid * 17.5e-6 / ((1.0 - acid * 45e-6) * 18.01e-3))
}

/// Tells molality, mol/kg of water, from the share of acid by mass.
#[must_use]
pub fn molality(acid_share: f64) -> f64 {
    acid_share / ((1.0 - acid_share) * ACID_KG_MOL)
}

/// Tells the share of acid by mass from molality, mol/kg of water.
#[must_use]
pub fn acid_share(molality: f64) -> f64 {
    let acid = molality * ACID_KG_MOL;
    acid / (1.0 + acid)
}

/// Tells density, kg/m3, from the share of acid by mass and temperature, degC.
///
/// Source: Laliberte 2009, J. Chem. Eng. Data 54:1725 (-11 to 75 degC, share up to 0.782);
/// checked on `tests/data/acid_density.csv` and against handbook densities.
#[must_use]
pub fn density_kg_m3(acid_share: f64, celsius: f64) -> f64 {
    let t = celsius;
    let water = (((((-2.805_425_3e-10 * t + 1.055_630_2e-7) * t - 4.617_046_1e-5) * t
        - 0.007_987_040_1)
        * t
        + 16.945_176)
        * t
        + 999.839_52)
        / (1.0 + 0.016_879_85 * t);
    let warm = t + 1_667.238_646_295_22;
    let acid = (70.839_515_234_712_2 * acid_share + 142.352_693_909_248)
        * libm::exp(1e-6 * warm * warm)
        / (acid_share + 0.687_794_596_187_93 + 0.006_492_996_832_067_03 * t);
    1.0 / ((1.0 - acid_share) / water + acid_share / acid)
}

/// Finds where a rising function reaches a value; the end of the range where it does not.
fn rising(range: (f64, f64), value: f64, of: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = range;
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if of(middle) < value {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

/// Tells the share of acid by mass from density, kg/m3, and temperature, degC; 0 for water.
#[must_use]
pub fn acid_share_of_density(density_kg_m3: f64, celsius: f64) -> f64 {
    rising((0.0, SHARE_MOST), density_kg_m3, |share| {
        self::density_kg_m3(share, celsius)
    })
}

/// Tells molality, mol/kg, from specific gravity at 25 degC.
#[must_use]
pub fn molality_of_gravity(gravity: f64) -> f64 {
    molality(acid_share_of_density(gravity * 1_000.0, REFERENCE_C))
}

/// Tells specific gravity at 25 degC from molality, mol/kg.
#[must_use]
pub fn gravity_of_molality(molality: f64) -> f64 {
    density_kg_m3(acid_share(molality), REFERENCE_C) / 1_000.0
}

/// Tells the rested voltage of a battery, V, from specific gravity at 25 degC and its cells.
///
/// Acid weaker than 0.1 mol/kg counts as 0.1, which is 10.78 V for six cells.
#[must_use]
pub fn open_circuit_v(gravity: f64, cells: u8) -> f64 {
    cell_emf_v(molality_of_gravity(gravity).max(MOLALITY_LEAST)) * f64::from(cells)
}

/// Tells specific gravity at 25 degC from the rested voltage of one live cell, V.
///
/// Below the voltage of 0.1 mol/kg (1.797 V) the answer is that of 0.1 mol/kg: almost water.
#[must_use]
pub fn gravity_of_cell_v(cell_v: f64) -> f64 {
    let range = (MOLALITY_LEAST, MOLALITY_MOST);
    gravity_of_molality(rising(range, cell_v, cell_emf_v))
}

/// Tells the rested voltage of a cell, V, by the rule "specific gravity + 0.845".
///
/// Good to 4 mV when full, up to 20 mV too low when discharged (DOMAIN 2.3): for comparison with
/// what a handbook says, never below half of charge.
/// Source: DOE-HDBK-1084-95, eq. 6.
#[must_use]
pub fn rule_cell_v(gravity: f64) -> f64 {
    gravity + RULE_V
}

#[cfg(test)]
mod tests;
