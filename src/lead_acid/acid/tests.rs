//! The check values of DOMAIN 10 by their row, and tables computed elsewhere.

use super::*;

const EMF: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/data/acid_emf.csv"
));
const DENSITY: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/data/acid_density.csv"
));
/// DOMAIN 2.3: specific gravity at 25 degC, % of acid, mol/kg, V a cell, x6, x3, rule x6, error mV.
const PRINTED: [[f64; 8]; 9] = [
    [1.050, 7.8, 0.87, 1.913, 11.48, 5.74, 11.37, -18.0],
    [1.100, 14.9, 1.78, 1.965, 11.79, 5.89, 11.67, -20.0],
    [1.120, 17.6, 2.18, 1.983, 11.90, 5.95, 11.79, -18.0],
    [1.155, 22.3, 2.92, 2.014, 12.08, 6.04, 12.00, -14.0],
    [1.190, 26.8, 3.73, 2.045, 12.27, 6.13, 12.21, -10.0],
    [1.225, 31.1, 4.60, 2.076, 12.46, 6.23, 12.42, -6.0],
    [1.265, 35.9, 5.71, 2.113, 12.68, 6.34, 12.66, -3.0],
    [1.280, 37.6, 6.16, 2.128, 12.77, 6.38, 12.75, -3.0],
    [1.300, 39.9, 6.78, 2.147, 12.88, 6.44, 12.87, -2.0],
];

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected} within {tolerance}"
    );
}

/// Numbers of a table, its head left out.
fn rows(table: &str) -> Vec<Vec<f64>> {
    let rows = table.lines().skip(1);
    rows.map(|row| row.split(',').map(|cell| cell.parse().unwrap()).collect())
        .collect()
}

/// Rows 1 to 3; source: Bode 1977 as printed with the parameter set of Sulzer et al. 2019.
#[test]
fn rows_1_to_3_voltages_by_molality() {
    close(cell_emf_v(1.0), 1.922, 0.001);
    close(cell_emf_v(6.0), 2.1226, 0.001);
    close(6.0 * cell_emf_v(0.1), 10.78, 0.01);
    let printed = [
        (0.25, 1.844),
        (0.5, 1.881),
        (2.0, 1.975),
        (3.0, 2.017),
        (4.0, 2.055),
        (5.0, 2.090),
        (7.0, 2.154),
    ];
    for (molality, volts) in printed {
        close(cell_emf_v(molality), volts, 0.001);
    }
}

/// Rows 4 and 5; source: DOMAIN 2.3.
#[test]
fn rows_4_and_5_rested_voltages_by_specific_gravity() {
    close(open_circuit_v(1.265, 6), 12.68, 0.02);
    close(open_circuit_v(1.120, 6), 11.90, 0.02);
}

/// Rows 6 and 7; source: DOE-HDBK-1084-95, eq. 6.
#[test]
fn rows_6_and_7_the_rule_of_thumb_and_its_error() {
    close(rule_cell_v(1.265), 2.110, 0.001);
    close(
        (rule_cell_v(1.120) - open_circuit_v(1.120, 1)) * 1e3,
        -18.0,
        2.0,
    );
}

#[test]
fn the_printed_table_of_gravity_is_met_to_its_last_digit() {
    for [gravity, percent, mol, cell, six, three, rule, error] in PRINTED {
        let found = molality_of_gravity(gravity);
        close(acid_share(found) * 100.0, percent, 0.06);
        close(found, mol, 0.01);
        close(open_circuit_v(gravity, 1), cell, 0.001);
        close(open_circuit_v(gravity, 6), six, 0.01);
        close(open_circuit_v(gravity, 3), three, 0.01);
        close(6.0 * rule_cell_v(gravity), rule, 0.01);
        let apart = rule_cell_v(gravity) - open_circuit_v(gravity, 1);
        close(apart * 1e3, error, 1.0);
    }
}

/// Source: tests/data/README.md, `acid_emf.csv`, computed by the open model itself.
#[test]
fn voltages_are_those_of_the_open_model() {
    let rows = rows(EMF);
    assert_eq!(rows.len(), 59);
    for row in rows {
        close(emf_v(row[0]), row[2], 6e-7);
        close(cell_emf_v(row[1]), row[2], 2e-6);
    }
}

/// Source: tests/data/README.md, `acid_density.csv`; a handbook's 20 degC densities, DOMAIN 2.3.
#[test]
fn densities_are_those_of_the_open_library_and_near_the_handbook() {
    let rows = rows(DENSITY);
    assert_eq!(rows.len(), 44);
    for row in rows {
        close(density_kg_m3(row[0], row[1]), row[2], 1e-6);
        close(acid_share_of_density(row[2], row[1]), row[0], 1e-9);
    }
    close(density_kg_m3(0.10, 20.0), 1_066.1, 1.5);
    close(density_kg_m3(0.30, 20.0), 1_219.1, 1.5);
}

/// Source: DOMAIN 2.4, -0.67 to -0.75 kg/m3 per degC at 30 to 37 %.
#[test]
fn density_falls_with_warmth_as_the_hydrometer_correction_says() {
    for share in [0.30, 0.37] {
        let slope = (density_kg_m3(share, 30.0) - density_kg_m3(share, 20.0)) / 10.0;
        assert!((-0.76..=-0.66).contains(&slope), "{share}: {slope}");
    }
}

#[test]
fn voltage_gives_the_gravity_it_came_from_and_never_less_than_almost_water() {
    for [gravity, ..] in PRINTED {
        close(gravity_of_cell_v(open_circuit_v(gravity, 1)), gravity, 1e-9);
    }
    let weakest = gravity_of_molality(MOLALITY_LEAST);
    for cell_v in [-1.0, 0.0, 1.7] {
        close(gravity_of_cell_v(cell_v), weakest, 1e-9);
    }
    close(open_circuit_v(0.9, 6), 10.78, 0.01);
}
