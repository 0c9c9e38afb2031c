//! The check values of DOMAIN 10 by their row.

use super::*;

const GASSING: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/data/gassing.csv"
));

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected} within {tolerance}"
    );
}

/// Row 38; source: Faraday's law; 0.42 in EN 50272-2.
#[test]
fn row_38_hydrogen_of_an_ampere_hour() {
    close(hydrogen_l_per_ah(0.0), 0.418, 0.002);
    close(hydrogen_l_per_ah(25.0), 0.456, 0.002);
    close(hydrogen_l_per_ah(0.0), STANDARD_L_PER_AH, 0.002);
}

/// Row 39; source: UFC 3-520-01 (2002) 14-1.3.2.2.
#[test]
fn row_39_the_public_worst_case_is_faradays_law_at_25_degrees() {
    let litres = WORST_M3_S_A * 3_600.0 * 1_000.0;
    close(litres, 0.4572, 0.000_5);
    close(hydrogen_l_per_ah(25.0), litres, 0.001);
}

/// Row 40, on the standard's 0.42.
#[test]
fn row_40_hydrogen_of_2_a_fully_gassing() {
    close(hydrogen_l_h(2.0, 6, STANDARD_L_PER_AH), 5.04, 0.02);
}

/// Rows 41 to 43; source: EN 50272-2 (now IEC 62485-2) formula and current table.
#[test]
fn rows_41_to_43_air_of_one_battery_and_of_eight() {
    close(
        air_m3_h(6, boost_gas_a(Chemistry::Flooded, 60.0)),
        0.36,
        0.001,
    );
    close(air_m3_h(6, boost_gas_a(Chemistry::Agm, 60.0)), 0.144, 0.001);
    close(air_m3_h(6, 2.0), 0.60, 0.001);
    close(8.0 * air_m3_h(6, 2.0), 4.80, 0.001);
}

/// Row 44: 30 m3, 8 x 2 A x 6 cells.
#[test]
fn row_44_hours_to_1_and_4_percent_in_a_sealed_room() {
    let litres = 8.0 * hydrogen_l_h(2.0, 6, STANDARD_L_PER_AH);
    let hours = |share| hours_to_share(30.0, litres, share).unwrap();
    close(hours(TARGET_SHARE), 7.4, 0.1);
    close(hours(EXPLOSIVE_SHARE), 29.8, 0.1);
    assert_eq!(hours_to_share(30.0, 0.0, TARGET_SHARE), None);
}

/// Rows 45 and 46; source: Faraday's law; 0.335 g in an encyclopaedia.
#[test]
fn rows_45_and_46_water_lost_and_acid_used() {
    close(water_g_per_ah(), 0.336, 0.001);
    close(acid_g_per_ah(), 3.66, 0.01);
}

/// Source: tests/data/README.md, `gassing.csv`.
#[test]
fn gassing_follows_voltage_and_temperature() {
    let mut count = 0;
    for row in GASSING.lines().skip(1) {
        let cells: Vec<f64> = row.split(',').map(|cell| cell.parse().unwrap()).collect();
        close(
            gassing_current_a(100.0, 1.0, cells[0], cells[1]),
            cells[2],
            6e-6,
        );
        count += 1;
    }
    assert_eq!(count, 30);
}
