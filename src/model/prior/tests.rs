//! Checks of the prior: a fitted example, hand arithmetic, slips in the text.

#![expect(
    clippy::float_cmp,
    reason = "columns and priors are copied, not computed"
)]

use super::*;
use crate::record::words::{Segment, TesterState};
use chrono::{TimeZone, Utc};

fn trade() -> Prior {
    Prior::shipped(PriorVersion::Trade1).unwrap()
}

fn prototype() -> Prior {
    Prior::shipped(PriorVersion::Prototype0).unwrap()
}

/// The battery every coefficient is stated against: STATISTICS 2, first row of the table.
fn reference() -> Features {
    Features {
        v12: 12.4,
        months: Some(4.0),
        age_months: Some(36.0),
        chemistry: Chemistry::Flooded,
        tester: TesterState::NotTested,
        cca_ratio: None,
        storage: Storage::RemovedIndoors,
        electrolyte_low: false,
        six_volt: false,
        method: Method::CcCv,
        segment: Segment::Car,
        winter: false,
    }
}

fn value(row: &Row, term: Term) -> f64 {
    row.entries
        .iter()
        .find(|(column, _)| *column == term as usize)
        .map_or(0.0, |(_, x)| *x)
}

fn number(text: &str) -> Option<f64> {
    if text.is_empty() {
        None
    } else {
        Some(text.parse().unwrap())
    }
}

/// Columns of a CSV file after its heading.
fn csv(text: &'static str) -> Vec<Vec<&'static str>> {
    text.lines()
        .skip(1)
        .map(|line| line.split(',').collect())
        .collect()
}

fn golden_case(cells: &[&str]) -> Features {
    Features {
        v12: cells[0].parse().unwrap(),
        chemistry: Chemistry::find(cells[1]).unwrap(),
        storage: Storage::find(cells[2]).unwrap(),
        segment: Segment::find(cells[3]).unwrap(),
        method: Method::find(cells[4]).unwrap(),
        tester: TesterState::find(cells[5]).unwrap(),
        cca_ratio: number(cells[6]),
        age_months: number(cells[7]),
        months: number(cells[8]),
        electrolyte_low: cells[9] == "1",
        six_volt: cells[10] == "1",
        winter: cells[11] == "1",
    }
}

#[test]
fn every_shipped_text_is_a_prior_that_bears_its_name() {
    for version in PriorVersion::ALL {
        let prior = Prior::shipped(*version).unwrap();
        assert_eq!(prior.version(), version.as_str());
        assert_eq!(prior.columns(), 32);
    }
}

// Source: golden_prior.csv, the prior a separate program was fitted with.
#[test]
fn the_first_version_is_the_prior_of_the_fitted_example() {
    let rows = csv(include_str!("../../../tests/data/golden_prior.csv"));
    assert_eq!(rows.len(), Term::ALL.len());
    for (column, cells) in rows.iter().enumerate() {
        let (mean, sd) = (number(cells[1]).unwrap(), number(cells[2]).unwrap());
        assert_eq!(prototype().mean(column), mean, "{}", cells[0]);
        assert_eq!(
            prototype().covariance(column, column),
            sd * sd,
            "{}",
            cells[0]
        );
    }
}

// Source: ARCHITECTURE 7, the four numbers in which the default differs.
#[test]
fn the_default_differs_in_four_means_and_in_no_spread() {
    let (old, new) = (prototype(), trade());
    for column in 0..old.columns() {
        let expected = match Term::ALL.get(column) {
            Some(Term::Intercept) => 1.3,
            Some(Term::OneCellShort) => -1.5,
            Some(Term::MonthsDepth) => -1.4,
            Some(_) => old.mean(column),
            None => old.mean(column) * 0.32 / 0.25,
        };
        assert!(
            (new.mean(column) - expected).abs() < 1e-12,
            "column {column}"
        );
        for other in 0..old.columns() {
            assert_eq!(new.covariance(column, other), old.covariance(column, other));
        }
    }
    assert_eq!(old.groups(), new.groups());
}

// Source: golden_coefficients.csv and golden_eta.csv, a fit of 151 columns and its log-odds for 40
// batteries by a separate program; tolerance as proposed there, 1e-7.
#[test]
fn the_row_of_a_battery_times_fitted_coefficients_gives_its_published_log_odds() {
    let table = csv(include_str!("../../../tests/data/golden_coefficients.csv"));
    let coefficients: Vec<f64> = table
        .iter()
        .map(|cells| cells[1].parse().unwrap())
        .collect();
    let starts = |name: &str| table.iter().position(|cells| cells[0] == name).unwrap();
    let cases = csv(include_str!("../../../tests/data/golden_eta.csv"));
    assert_eq!(cases.len(), 40);
    for cells in cases {
        let row = prototype().row(&golden_case(&cells));
        let fixed: f64 = row
            .entries
            .iter()
            .map(|(column, x)| x * coefficients[*column])
            .sum();
        let shop: usize = cells[12].parse().unwrap();
        let groups = coefficients[starts("shop0") + shop]
            + coefficients[starts("meth_cc_cv") + row.levels.method.unwrap()]
            + coefficients[starts("stor_installed_connected") + row.levels.storage.unwrap()]
            + coefficients[starts("seg_powersports") + row.levels.segment]
            + coefficients[starts("cell_v0_m0_flooded") + row.levels.cell];
        let expected: f64 = cells[13].parse().unwrap();
        assert!(
            (fixed + groups - expected).abs() < 1e-7,
            "{cells:?}: {}",
            fixed + groups
        );
    }
}

// Source: STATISTICS 2; the example above holds no gel and no winter store, so by hand.
#[test]
fn gel_under_elevated_voltage_and_a_winter_store_set_their_columns() {
    let battery = Features {
        v12: 6.2,
        chemistry: Chemistry::Gel,
        method: Method::ElevatedCv,
        storage: Storage::RemovedUnheated,
        winter: true,
        months: None,
        age_months: None,
        ..reference()
    };
    let row = trade().row(&battery);
    for (term, expected) in [
        (Term::Gel, 1.0),
        (Term::GelDepth, 0.5),
        (Term::ElevatedDepth, 0.5),
        (Term::ElevatedGel, 1.0),
        (Term::FrostRisk, 1.0),
        (Term::MonthsUnknown, 1.0),
        (Term::MonthsUnknownDepth, 0.5),
        (Term::AgeUnknown, 1.0),
        (Term::Months, 0.0),
    ] {
        assert!((value(&row, term) - expected).abs() < 1e-12, "{term}");
    }
    let summer = trade().row(&Features {
        winter: false,
        ..battery
    });
    assert_eq!(value(&summer, Term::FrostRisk), 0.0);
    let shallow = trade().row(&Features {
        v12: 11.8,
        ..battery
    });
    assert_eq!(value(&shallow, Term::FrostRisk), 0.0);
}

#[test]
fn the_reference_battery_has_the_intercept_and_the_plain_sum_of_variances() {
    // 1.5^2 + (.35^2 + .25^2 + .25^2 + .20^2 + .30^2) + 1.5 x .30^2, by hand from STATISTICS 2.
    let odds = trade().log_odds(&reference());
    assert!((odds.mean - 1.3).abs() < 1e-12);
    assert!(
        (odds.sd * odds.sd - (2.25 + 0.3775 + 0.135)).abs() < 1e-12,
        "{}",
        odds.sd
    );
    assert_eq!(trade().lack_of_fit_variance(0.1), 0.0625);
}

#[test]
fn half_a_volt_above_the_reference_adds_its_rise_and_its_spread() {
    // Mean .32 x .5; variance .22^2 x .5 + .12^2 x .5^2, by hand from STATISTICS 2.
    let (at, above) = (
        reference(),
        Features {
            v12: 12.9,
            ..reference()
        },
    );
    let (at, above) = (trade().log_odds(&at), trade().log_odds(&above));
    assert!((above.mean - at.mean - 0.16).abs() < 1e-12);
    assert!((above.sd * above.sd - at.sd * at.sd - (0.0242 + 0.0036)).abs() < 1e-12);
}

#[test]
fn the_curve_rises_with_voltage_but_for_the_tent_of_one_short_cell() {
    let prior = trade();
    let curve = |v12: f64| -> f64 {
        let row = prior.row(&Features { v12, ..reference() });
        let rises = row
            .entries
            .iter()
            .filter(|(column, _)| *column >= Term::ALL.len());
        rises.map(|(column, x)| x * prior.mean(*column)).sum()
    };
    let volts: Vec<f64> = (0..=129).map(|tenth| f64::from(tenth) / 10.0).collect();
    for pair in volts.windows(2) {
        assert!(curve(pair[1]) > curve(pair[0]), "{pair:?}");
    }
    let odds = |v12: f64| prior.log_odds(&Features { v12, ..reference() }).mean;
    assert!(odds(10.5) < odds(10.0) && odds(10.5) < odds(11.0));
}

#[test]
fn a_voltage_beyond_the_curve_counts_as_its_end() {
    let odds = |v12: f64| trade().log_odds(&Features { v12, ..reference() });
    assert_eq!(odds(13.4), odds(12.9));
    assert_eq!(odds(-0.4), odds(0.0));
}

#[test]
fn unknown_method_and_storage_have_no_level() {
    let battery = Features {
        method: Method::Unknown,
        storage: Storage::Unknown,
        ..reference()
    };
    let levels = trade().row(&battery).levels;
    assert_eq!((levels.method, levels.storage), (None, None));
}

#[test]
fn winter_is_weeks_0_to_11_and_47_to_51_and_turned_round_in_the_south() {
    let day = |month, day| Utc.with_ymd_and_hms(2024, month, day, 12, 0, 0).unwrap();
    for (at, north, south) in [
        (day(1, 1), true, false),
        (day(3, 24), true, false),
        (day(3, 25), false, false),
        (day(7, 1), false, true),
        (day(11, 24), false, false),
        (day(11, 25), true, false),
    ] {
        assert_eq!(
            (winter(at, false), winter(at, true)),
            (north, south),
            "{at}"
        );
    }
    // The cycle also runs backwards: a date before it.
    assert!(winter(
        Utc.with_ymd_and_hms(2023, 12, 25, 0, 0, 0).unwrap(),
        false
    ));
}

#[test]
fn a_slip_in_the_text_is_named_with_its_line() {
    let text = PriorVersion::Trade1.text();
    let message = |from: &str, to: &str| {
        assert!(text.contains(from));
        Prior::parse(&text.replacen(from, to, 1))
            .unwrap_err()
            .to_string()
    };
    assert!(message("fixed agm  ", "fixed agn  ").contains("`fixed agm` is missing"));
    assert!(message("version trade-1", "version trade 1").contains("needs one word"));
    assert!(message("slope_sd    0.12", "slope_sd    -0.12").contains("needs one number above 0"));
    assert!(message("slope_sd    0.12", "slope_sd    O.12").contains("`O.12` is not a number"));
    assert!(message("knots 0 1", "knots 1 0").contains("ascending"));
    assert!(message("group shop    0.35", "group bench 0.3").contains("`group shop` is missing"));
    assert!(message("group shop", "gruop shop").contains("`gruop` is no kind of fact"));
    let doubled = format!("{text}\nfixed gel 0 1\n");
    let line = doubled.lines().count();
    let error = Prior::parse(&doubled).unwrap_err().to_string();
    assert!(
        error.starts_with(&format!("line {line}: `fixed gel` stands already")),
        "{error}"
    );
    let more = format!("{text}\nfixed moon 0 1\n");
    assert!(
        Prior::parse(&more)
            .unwrap_err()
            .to_string()
            .contains("`fixed moon` is not known")
    );
    assert!(
        Prior::parse("fixed\n")
            .unwrap_err()
            .to_string()
            .contains("needs a name")
    );
}

#[test]
fn the_text_of_a_prior_reads_back_as_the_same_prior() {
    for version in PriorVersion::ALL {
        let prior = Prior::shipped(*version).unwrap();
        assert_eq!(Prior::parse(&prior.to_text()), Ok(prior));
    }
    let odd = PriorVersion::Trade1
        .text()
        .replacen("0.12", "0.1200000000000000011", 1);
    let odd = Prior::parse(&odd.replacen("-1.5", "-1e-9", 1)).unwrap();
    assert_eq!(Prior::parse(&odd.to_text()), Ok(odd));
}
