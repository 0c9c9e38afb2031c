//! Checks of fair comparison: published counts, invented shops and methods with a known truth.

use super::*;
use crate::model::fit::{Label, Request, fit};
use crate::model::golden::{self, csv, number};
use crate::model::predict::reference;
use crate::model::prior::PriorVersion;

/// Counts of one treatment and stone size: large stones last.
struct Counts {
    treatment_b: bool,
    large: bool,
    y: u32,
    n: u32,
}

fn kidney() -> Vec<Counts> {
    csv(include_str!("../../../tests/data/stats_simpson_kidney.csv"))
        .iter()
        .map(|cells| Counts {
            treatment_b: cells[1] == "B",
            large: cells[0] == "large",
            y: cells[2].parse().unwrap(),
            n: cells[3].parse().unwrap(),
        })
        .collect()
}

fn saturated(treatment_b: bool, large: bool) -> Vec<(usize, f64)> {
    let mut entries = vec![(0, 1.0)];
    for (column, set) in [(1, treatment_b), (2, large), (3, treatment_b && large)] {
        if set {
            entries.push((column, 1.0));
        }
    }
    entries
}

// Source: Charig et al. 1986, BMJ 292:879, counts; directly standardised rates .8325 and .7789
// computed in R. With one coefficient a cell the model's average is that standardisation.
#[test]
fn treatments_of_stones_change_places_when_the_mix_is_the_same() {
    let counts = kidney();
    let mut rows = Rows::default();
    for cell in &counts {
        for at in 0..cell.n {
            let label = f64::from(u8::from(at < cell.y));
            rows.push(saturated(cell.treatment_b, cell.large), label);
        }
    }
    let model = Model {
        prior: Gaussian::flat(4),
        groups: Vec::new(),
        rising: Vec::new(),
    };
    let b = model.solve(&rows, model.cold_start()).unwrap().coefficients;
    let rate = |treatment_b: bool| {
        let mix = counts
            .iter()
            .flat_map(|cell| (0..cell.n).map(|_| cell.large));
        let rows = mix.map(|large| {
            let entries = saturated(treatment_b, large);
            let eta = entries.iter().map(|(column, x)| x * b[*column]).sum();
            (entries, eta)
        });
        Average::over(4, rows).unwrap().rate
    };
    let expected = csv(include_str!(
        "../../../tests/data/stats_simpson_expected.csv"
    ));
    let of = |name: &str| number(expected.iter().find(|cells| cells[0] == name).unwrap()[1]);
    assert!((rate(false) - of("std_A")).abs() < 1e-9);
    assert!((rate(true) - of("std_B")).abs() < 1e-9);
    assert!(of("crude_A") < of("crude_B") && of("std_A") > of("std_B"));
}

#[test]
fn the_variance_of_an_average_is_the_one_of_its_finite_difference() {
    let fit = golden::fitted();
    let mix: Vec<Case> = golden::observations().iter().map(Case::from).collect();
    let adjusted = band_rate(&fit, &mix, VoltageBand::From8, None).unwrap();
    // Directional derivative along each coefficient by the mean over the mix itself.
    let mean = |column: usize, step: f64| {
        let cases = mix.iter().flat_map(|case| {
            [8.22, 8.66, 9.1, 9.54, 9.98].map(|v12| {
                let mut case = *case;
                case.features.v12 = v12;
                let entries = fit.place(&case.features, case.shop).entries;
                let at = entries.iter().find(|(found, _)| *found == column);
                normal::logistic(log_odds(&fit, &entries) + step * at.map_or(0.0, |(_, x)| *x))
            })
        });
        cases.sum::<f64>() / (5.0 * mix.len() as f64)
    };
    assert!((adjusted.rate - mean(0, 0.0)).abs() < 1e-12);
    for column in [0, 3, 26, 32, 36, 80] {
        let slope = (mean(column, 1e-5) - mean(column, -1e-5)) / 2e-5;
        assert!(
            (adjusted.average.gradient[column] - slope).abs() < 1e-9,
            "{column}"
        );
    }
    let shared = 0.2 * fit.lack_of_fit_variance() * adjusted.average.weight.powi(2);
    assert!(adjusted.sd * adjusted.sd > shared);
    assert!(adjusted.lower < adjusted.rate && adjusted.rate < adjusted.upper);
    assert_eq!(band_rate(&fit, &[], VoltageBand::From8, None), None);
}

/// Batteries of one kind in one shop: `y` of `n` came back.
fn outcomes(seen: &mut Vec<Observation>, features: Features, shop: u128, (y, n): (u32, u32)) {
    seen.extend((0..n).map(|at| Observation {
        features,
        shop: Uuid::from_u128(shop),
        label: if at < y {
            Label::Recovered
        } else {
            Label::NotRecovered
        },
    }));
}

fn trade(seen: &[Observation]) -> Fit {
    let request: Request<'_> = golden::request(PriorVersion::Trade1);
    fit(seen, request).unwrap()
}

/// Two shops, alike but for the better one taking the deep batteries.
fn two_shops() -> Vec<Observation> {
    let shallow = reference(&golden::fitted());
    let deep = Features {
        v12: 4.0,
        ..shallow
    };
    let mut seen = Vec::new();
    outcomes(&mut seen, shallow, 1, (93, 100));
    outcomes(&mut seen, deep, 1, (290, 400));
    outcomes(&mut seen, shallow, 2, (336, 400));
    outcomes(&mut seen, deep, 2, (45, 100));
    seen
}

#[test]
fn a_shop_that_takes_the_hard_ones_is_not_called_worse() {
    let seen = two_shops();
    let fit = trade(&seen);
    let mix: Vec<Case> = seen.iter().map(Case::from).collect();
    let [one, two] = [1, 2].map(|shop| shop_rate(&fit, &mix, Uuid::from_u128(shop)).unwrap());
    let difference = compare(&fit, &one, &two);
    let tally = |shop: u128| {
        let own = seen
            .iter()
            .filter(|seen| seen.shop == Uuid::from_u128(shop));
        own.fold(Tally::default(), |mut tally, seen| {
            match seen.label {
                Label::Recovered => tally.recovered += 1,
                _ => tally.not_recovered += 1,
            }
            tally
        })
    };
    // Crude 383 of 500 against 381 of 500 in the easy shop plus three more.
    let mut second = tally(2);
    second.recovered += 3;
    second.not_recovered -= 3;
    assert!(tally(1).recovered < second.recovered);
    assert!(
        difference.difference > 0.0 && difference.support > 0.9,
        "{difference:?}"
    );
    assert!(order_is_reversed((tally(1), second), difference));
    assert!(!order_is_reversed((second, tally(1)), difference));
    assert!(!order_is_reversed((Tally::default(), second), difference));
}

#[test]
fn methods_are_compared_only_where_both_were_plausible() {
    let shallow = reference(&golden::fitted());
    let slow = Features {
        method: Method::LowRateCc,
        ..shallow
    };
    let deep = |of: Features| Features { v12: 5.0, ..of };
    let mut seen = Vec::new();
    // Deep ones nearly always get the slow method, and recover less by either.
    outcomes(&mut seen, shallow, 1, (240, 300));
    outcomes(&mut seen, slow, 1, (252, 300));
    outcomes(&mut seen, deep(slow), 1, (120, 300));
    outcomes(&mut seen, deep(shallow), 1, (1, 3));
    let fit = trade(&seen);
    let contrast = method_contrast(&fit, &seen, Method::LowRateCc, Method::CcCv)
        .unwrap()
        .unwrap();
    assert_eq!((contrast.cases, contrast.left_out), (600, 303));
    assert!(contrast.difference.difference.abs() < 0.06, "{contrast:?}");
    assert!(contrast.difference.lower < 0.04 && contrast.difference.upper > 0.04);
    let none = method_contrast(&fit, &seen, Method::ElevatedCv, Method::MultiStage).unwrap();
    assert_eq!(none, None);
}
