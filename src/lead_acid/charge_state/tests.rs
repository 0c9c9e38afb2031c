//! The check values of DOMAIN 10 by their row, and what must hold for every table.

use super::super::acid::{emf_v, open_circuit_v};
use super::*;

const BY_CHARGE: &str = include_str!(concat!(
    env!("CARGO_MANIFEST_DIR"),
    "/tests/data/acid_by_charge.csv"
));

fn close(found: f64, expected: f64, tolerance: f64) {
    assert!(
        (found - expected).abs() <= tolerance,
        "{found} is not {expected} within {tolerance}"
    );
}

fn reading(volts: f64, nominal_v: u8) -> RestReading {
    RestReading {
        volts: Volts::new("rest_v", volts).unwrap(),
        nominal_v,
        rested: Some(RestMinutes::new("rested", 480.0).unwrap()),
        temperature: None,
        instrument_error_v: 0.0,
    }
}

fn state(volts: f64, chemistry: Chemistry) -> ChargeState {
    charge_state(&reading(volts, 12), chemistry).unwrap()
}

/// Rows 8 to 10; source: the table attributed to BCI.
#[test]
fn rows_8_to_10_flooded() {
    for (volts, percent) in [(12.45, 75.0), (12.15, 37.5), (11.89, 0.0), (12.9, 100.0)] {
        let found = state(volts, Chemistry::Flooded);
        close(found.low_pct, percent, 1.0);
        close(found.high_pct, percent, 1.0);
        assert!(!found.below_table, "{volts}");
    }
    let below = state(11.50, Chemistry::Flooded);
    assert_eq!((below.low_pct, below.high_pct), (0.0, 0.0));
    assert!(below.below_table);
    assert!(state(12.9, Chemistry::EnhancedFlooded).above_table);
}

/// Rows 11 to 13; sources: a car maker's sheet, US Army TB 43-PS-665.
#[test]
fn rows_11_to_13_single_glass_mat_tables() {
    close(ChargeTable::AgmGel.read(12.70).high_pct, 87.5, 1.0);
    close(ChargeTable::AgmGel.read(11.89).high_pct, 11.2, 1.0);
    close(ChargeTable::AgmCarSize.read(11.89).high_pct, 32.7, 1.0);
}

/// Row 14: one voltage is not one state of charge.
#[test]
fn row_14_the_tables_of_agm_leave_0_to_33_percent() {
    for chemistry in [Chemistry::Agm, Chemistry::Unknown] {
        let found = state(11.89, chemistry);
        close(found.low_pct, 0.0, 1.0);
        close(found.high_pct, 33.0, 1.0);
        assert!(!found.below_table && found.live_cells.all());
        assert_eq!(found.tables.len(), ChargeTable::of(chemistry).len());
    }
}

/// Row 15, and the 6 V tables of DOMAIN 2.2.
#[test]
fn row_15_six_volts_are_half_of_twelve() {
    close(ChargeTable::Flooded.volts_at(50.0, 6), 6.12, 0.01);
    let printed = [
        (ChargeTable::Flooded, [6.32, 6.22, 6.12, 6.03, 5.95]),
        (ChargeTable::AgmGel, [6.40, 6.30, 6.20, 6.00, 5.90]),
    ];
    for (table, volts) in printed {
        for (percent, volts) in [100.0, 75.0, 50.0, 25.0, 0.0].into_iter().zip(volts) {
            close(table.volts_at(percent, 6), volts, 0.005 + 1e-9);
        }
    }
    let pack = charge_state(&reading(6.12, 6), Chemistry::Flooded).unwrap();
    close(pack.low_pct, 50.0, 1.0);
    assert!(pack.live_cells.all());
}

/// Row 55; common practice, no source: 0.10 V are 13 % flooded and 10 % AGM.
#[test]
fn row_55_an_instrument_a_tenth_of_a_volt_off_widens_by_13_or_10_percent() {
    for (chemistry, volts, percent) in [
        (Chemistry::Flooded, 12.24, 13.0),
        (Chemistry::Gel, 12.40, 10.0),
    ] {
        let meter = RestReading {
            instrument_error_v: TWO_INSTRUMENTS_V,
            ..reading(volts, 12)
        };
        let found = charge_state(&meter, chemistry).unwrap();
        close((found.high_pct - found.low_pct) / 2.0, percent, 1.0);
        let six = RestReading {
            volts: Volts::new("rest_v", volts / 2.0).unwrap(),
            nominal_v: 6,
            ..meter
        };
        let six = charge_state(&six, chemistry).unwrap();
        assert!(six.high_pct - six.low_pct > 1.5 * (found.high_pct - found.low_pct));
    }
}

/// Source: DOMAIN 2.3: the flooded table falls out of the acid within 0.03 V.
#[test]
fn the_flooded_table_falls_out_of_the_acid() {
    for (gravity, percent) in [
        (1.120, 0.0),
        (1.155, 25.0),
        (1.190, 50.0),
        (1.225, 75.0),
        (1.265, 100.0),
    ] {
        let table = ChargeTable::Flooded.volts_at(percent, 12);
        close(open_circuit_v(gravity, 6), table, 0.03 + 1e-9);
        close(percent_of_gravity(gravity), percent, 1e-9);
    }
}

/// Source: the rows as printed in DOMAIN 2.1.
#[test]
fn every_table_rises_and_gives_back_its_own_rows() {
    for table in ChargeTable::ALL {
        for pair in table.points().windows(2) {
            assert!(pair[0].0 < pair[1].0 && pair[0].1 < pair[1].1, "{table}");
        }
        for (volts, percent) in table.points() {
            close(table.read(*volts).high_pct, *percent, 1e-9);
            close(table.volts_at(*percent, 12), *volts, 1e-9);
        }
        let mut last = 0.0;
        for step in 0..400 {
            let found = table.read(10.0 + f64::from(step) * 0.01);
            assert!(found.low_pct <= found.high_pct && found.high_pct >= last);
            last = found.high_pct;
        }
        close(last, 100.0, 1e-9);
    }
    let ended = ChargeTable::AgmPowersports.read(11.0);
    assert_eq!((ended.low_pct, ended.high_pct), (0.0, 25.0));
    let band = ChargeTable::AgmAllTerrain.read(12.0);
    assert_eq!((band.low_pct, band.high_pct), (0.0, 25.0));
}

#[test]
fn what_did_not_rest_is_refused_and_told_what_is_needed() {
    let minutes = |m: f64| Some(RestMinutes::new("rested", m).unwrap());
    for (rested, expected) in [
        (None, Some(Unreadable::RestUnknown)),
        (minutes(29.0), Some(Unreadable::NotRested)),
        (minutes(30.0), None),
    ] {
        let found = charge_state(
            &RestReading {
                rested,
                ..reading(12.4, 12)
            },
            Chemistry::Agm,
        );
        assert_eq!(found.err(), expected);
    }
    assert!(Unreadable::NotRested.needed().contains("30 min"));
    let refused = |volts, chemistry| charge_state(&reading(volts, 12), chemistry).err();
    assert_eq!(refused(13.2, Chemistry::Lifepo4), Some(Unreadable::Lithium));
    assert_eq!(
        refused(-1.0, Chemistry::Agm),
        Some(Unreadable::NegativeVoltage)
    );
}

/// Source: DOMAIN 2.4: cold reads low; corrections differ in size and sign.
#[test]
fn cold_and_heat_widen_the_interval_and_never_move_it() {
    let at = |celsius: f64| {
        let temperature = Some(Celsius::new("temperature", celsius).unwrap());
        let read = RestReading {
            temperature,
            ..reading(12.24, 12)
        };
        charge_state(&read, Chemistry::Flooded).unwrap()
    };
    let (room, cold, hot) = (at(20.0), at(-5.0), at(45.0));
    assert!(!room.widened_for_temperature && cold.widened_for_temperature);
    assert!(hot.widened_for_temperature && hot.low_pct < room.low_pct);
    assert!(cold.high_pct > room.high_pct);
    assert_eq!((cold.low_pct, hot.high_pct), (room.low_pct, room.high_pct));
}

#[test]
fn a_lost_cell_is_told_beside_the_empty_interval() {
    let found = state(10.6, Chemistry::Flooded);
    assert_eq!((found.low_pct, found.high_pct), (0.0, 0.0));
    assert!(found.below_table && found.live_cells.at_most == 5);
}

/// Source: tests/data/README.md, `acid_by_charge.csv`.
#[test]
fn tables_agree_with_the_acid_of_a_modelled_battery() {
    let mut count = 0;
    for row in BY_CHARGE.lines().skip(1) {
        let row: Vec<f64> = row.split(',').map(|cell| cell.parse().unwrap()).collect();
        for pair in row[1..].chunks(2) {
            close(6.0 * emf_v(pair[0]), pair[1], 6e-5);
        }
        let percent = row[0] * 100.0;
        close(state(row[4], Chemistry::Flooded).low_pct, percent, 11.0);
        let agm = state(row[6], Chemistry::Agm);
        assert!(agm.low_pct <= percent && percent <= agm.high_pct, "{agm:?}");
        count += 1;
    }
    assert_eq!(count, 21);
}

#[test]
fn the_sentence_names_the_interval_its_tables_and_its_limits() {
    assert_eq!(
        state(11.89, Chemistry::Agm).sentence(),
        "0 to 33 % of charge by table (agm_gel 11 %, agm_car_size 33 %, agm_motorcycle 11 %, \
         agm_all_terrain 0 %, agm_powersports 0 to 25 %)."
    );
    assert_eq!(
        state(10.77, Chemistry::Flooded).sentence(),
        "0 to 0 % of charge by table (flooded 0 %); below every table; 5 of 6 cells alive at most; \
         not settled: read again later."
    );
}
