//! Checks of the solver on fits by independent libraries and published data.

use super::*;

/// Cells of a CSV file after its heading.
fn csv(text: &'static str) -> Vec<Vec<&'static str>> {
    let lines = text.lines().skip(1).filter(|line| !line.is_empty());
    lines.map(|line| line.split(',').collect()).collect()
}

fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

fn dense(values: &[f64]) -> Vec<(usize, f64)> {
    values.iter().copied().enumerate().collect()
}

fn flat(columns: usize) -> Model {
    Model {
        prior: Gaussian::flat(columns),
        groups: Vec::new(),
        rising: Vec::new(),
    }
}

fn challenger() -> Vec<(f64, f64)> {
    csv(include_str!("../../../tests/data/stats_challenger.csv"))
        .iter()
        .map(|cells| (number(cells[0]), number(cells[1])))
        .collect()
}

fn solve(model: &Model, rows: &Rows) -> Solution {
    let solution = model.solve(rows, model.cold_start()).unwrap();
    assert!(solution.converged);
    solution
}

/// Compares coefficients and standard errors with lines of term, coefficient, error.
fn compare(solution: &Solution, expected: &[Vec<&str>], tolerance: f64) {
    assert_eq!(solution.coefficients.len(), expected.len());
    for (at, cells) in expected.iter().enumerate() {
        let (b, sd) = (number(cells[1]), number(cells[2]));
        let own_sd = solution.covariance.get(at, at).sqrt();
        assert!(
            (solution.coefficients[at] - b).abs() < tolerance,
            "{cells:?}"
        );
        assert!((own_sd - sd).abs() < tolerance, "{cells:?}: {own_sd}");
    }
}

// Source: R 4.2.2 glm on the 23 flights of the Presidential Commission 1986; published 15.0429,
// -0.2322. Independent.
#[test]
fn flights_and_ring_distress_are_fitted_as_by_an_independent_library() {
    let mut rows = Rows::default();
    for (temperature, distress) in challenger() {
        rows.push(dense(&[1.0, temperature]), distress);
    }
    let solution = solve(&flat(2), &rows);
    let expected = csv(include_str!("../../../tests/data/stats_challenger_glm.csv"));
    compare(&solution, &expected, 1e-8);
    assert!((solution.log_likelihood - number(expected[0][4])).abs() < 1e-8);
}

// Source: R 4.2.2 glm on Bliss 1935; published -60.717, 34.270. Independent.
#[test]
fn beetles_and_doses_are_fitted_as_by_an_independent_library() {
    let mut rows = Rows::default();
    for cells in csv(include_str!("../../../tests/data/stats_beetle.csv")) {
        let (dose, n, killed) = (number(cells[0]), number(cells[1]), number(cells[2]));
        let mut at = 0.0;
        while at < n {
            rows.push(dense(&[1.0, dose]), f64::from(u8::from(at < killed)));
            at += 1.0;
        }
    }
    let expected = csv(include_str!("../../../tests/data/stats_beetle_glm.csv"));
    compare(&solve(&flat(2), &rows), &expected, 1e-8);
}

// Source: R 4.2.2 glm on the admissions of 1973, Bickel et al. 1975, Science 187:398. Independent.
#[test]
fn admissions_by_department_are_fitted_as_by_an_independent_library() {
    let mut rows = Rows::default();
    for cells in csv(include_str!("../../../tests/data/stats_ucb.csv")) {
        let mut entries = vec![(0, 1.0)];
        if cells[0] == "Female" {
            entries.push((1, 1.0));
        }
        if let Some(department) = "BCDEF".find(cells[1]) {
            entries.push((2 + department, 1.0));
        }
        for (count, label) in [(cells[2], 1.0), (cells[3], 0.0)] {
            for _ in 0..count.parse::<u32>().unwrap() {
                rows.push(entries.clone(), label);
            }
        }
    }
    assert_eq!(rows.len(), 4526);
    let expected = csv(include_str!("../../../tests/data/stats_ucb_glm.csv"));
    compare(&solve(&flat(7), &rows), &expected, 1e-8);
}

/// Flights with the temperature less its mean, over its population standard deviation.
fn standardised() -> Rows {
    let flights = challenger();
    let n = flights.len() as f64;
    let mean = flights.iter().map(|(t, _)| t).sum::<f64>() / n;
    let spread = flights
        .iter()
        .map(|(t, _)| (t - mean) * (t - mean))
        .sum::<f64>()
        / n;
    let mut rows = Rows::default();
    for (t, distress) in flights {
        rows.push(dense(&[1.0, (t - mean) / spread.sqrt()]), distress);
    }
    rows
}

// Source: map_logistic, scikit-learn 1.9.1, L2 penalty of strength 1/C on the slope only.
// Independent.
#[test]
fn a_penalised_slope_is_the_one_of_an_independent_library() {
    for (c, intercept, slope) in [
        (0.1, -0.854_968_887_816_435_9, -0.397_573_779_967_330_73),
        (1.0, -0.996_489_553_837_557_1, -1.121_024_754_617_781_4),
        (10.0, -1.088_843_211_494_528, -1.521_125_565_782_473_2),
    ] {
        let mut model = flat(2);
        model.prior.precision.set(1, 1, 1.0 / c);
        let solution = solve(&model, &standardised());
        assert!(
            (solution.coefficients[0] - intercept).abs() < 1e-7,
            "{solution:?}"
        );
        assert!(
            (solution.coefficients[1] - slope).abs() < 1e-7,
            "{solution:?}"
        );
    }
}

// Source: map_logistic, a correlated Gaussian prior with a mean that is not 0; mode, covariance
// and log marginal likelihood by a general optimiser of SciPy. Independent.
#[test]
fn a_correlated_prior_gives_the_mode_of_an_independent_optimiser() {
    let covariance = Symmetric::from_lower(2, vec![2.25, 0.3, 0.36]).unwrap();
    let factor = covariance.cholesky().unwrap();
    let model = Model {
        prior: Gaussian {
            mean: vec![0.5, -1.0],
            precision: factor.invert().inverse(),
        },
        ..flat(2)
    };
    let solution = solve(&model, &standardised());
    let expected = [-0.891_627_053_417_148_2, -1.329_929_576_785_766_2];
    for (b, expected) in solution.coefficients.iter().zip(expected) {
        assert!((b - expected).abs() < 1e-7, "{solution:?}");
    }
    let laplace = [
        0.248_883_103_614_284_7,
        0.048_195_425_221_058_574,
        0.186_842_158_154_993_72,
    ];
    for (cell, expected) in solution.covariance.lower().iter().zip(laplace) {
        assert!((cell - expected).abs() < 1e-7, "{solution:?}");
    }
}

fn shops() -> Rows {
    let mut rows = Rows::default();
    for cells in csv(include_str!("../../../tests/data/stats_shops12.csv")) {
        let shop: usize = cells[0].parse().unwrap();
        rows.push(
            [(0, 1.0), (1, number(cells[1])), (1 + shop, 1.0)],
            number(cells[2]),
        );
    }
    rows
}

// Source: mgcv 1.8-41 gam(bs = "re", sp = 4) on twelve invented shops. Independent.
#[test]
fn random_intercepts_of_a_fixed_scale_are_those_of_an_independent_library() {
    let mut model = flat(14);
    for shop in 2..14 {
        model.prior.precision.set(shop, shop, 4.0);
    }
    let solution = solve(&model, &shops());
    let expected = csv(include_str!("../../../tests/data/stats_shops12_mode.csv"));
    compare(&solution, &expected, 1e-6);
    let covariance = csv(include_str!("../../../tests/data/stats_shops12_cov.csv"));
    for (row, cells) in covariance.iter().enumerate() {
        for (column, cell) in cells.iter().enumerate() {
            let own = solution.covariance.get(row, column);
            assert!((own - number(cell)).abs() < 1e-6, "{row} {column}: {own}");
        }
    }
}

// Source: mgcv REML .176, lme4 ML .116 on the same rows; a prior of .35 with weight 4 draws up.
#[test]
fn the_scale_of_the_shops_moves_from_the_prior_towards_the_data() {
    let mut model = flat(14);
    model.groups.push(Group {
        first: 2,
        len: 12,
        prior_sd: 0.35,
        weight: 4.0,
    });
    let sd = solve(&model, &shops()).group_sd[0];
    assert!(sd > 0.116 && sd < 0.35, "{sd}");
}

#[test]
fn a_direction_nobody_knows_is_refused() {
    let mut rows = Rows::default();
    rows.push([(0, 1.0)], 1.0);
    rows.push([(0, 1.0)], 0.0);
    let model = flat(2);
    assert_eq!(model.solve(&rows, model.cold_start()), Err(Undetermined));
}

/// A model of an intercept and one rise, with `n` rows on either side of it.
fn one_rise(low: (u32, u32), high: (u32, u32)) -> Solution {
    let mut rows = Rows::default();
    for (x, (yes, no)) in [(0.0, low), (1.0, high)] {
        for (count, label) in [(yes, 1.0), (no, 0.0)] {
            for _ in 0..count {
                rows.push([(0, 1.0), (1, x)], label);
            }
        }
    }
    let mut model = flat(2);
    model.prior.precision.set(0, 0, 0.25);
    model.prior.precision.set(1, 1, 1.0);
    model.rising.push(1);
    solve(&model, &rows)
}

#[test]
fn a_fall_is_pinned_unless_the_data_confirm_it() {
    let noise = one_rise((11, 9), (9, 11));
    assert_eq!(noise.pinned, [1]);
    assert!(noise.coefficients[1].abs() < f64::MIN_POSITIVE);
    assert!(noise.covariance.get(1, 1).abs() < f64::MIN_POSITIVE);
    let confirmed = one_rise((80, 20), (20, 80));
    assert!(confirmed.pinned.is_empty() && confirmed.coefficients[1] < -1.0);
    assert!(one_rise((9, 11), (11, 9)).pinned.is_empty());
}

#[test]
fn more_chunks_than_one_are_summed_to_the_same_mode() {
    // 70,000 rows in two chunks; half of them recovered at 0 and three quarters at 1.
    let mut rows = Rows::with_capacity(70_000);
    for at in 0..70_000_u32 {
        let x = f64::from(at % 2);
        let label = if at % 2 == 0 {
            at % 4 == 0
        } else {
            at % 8 != 1
        };
        rows.push([(0, 1.0), (1, x)], f64::from(u8::from(label)));
    }
    let solution = solve(&flat(2), &rows);
    assert!(solution.coefficients[0].abs() < 1e-9, "{solution:?}");
    assert!(
        (solution.coefficients[1] - 3.0_f64.ln()).abs() < 1e-9,
        "{solution:?}"
    );
}
