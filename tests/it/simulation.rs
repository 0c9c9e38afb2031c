//! The simulator against measured charges, and each case against what is known of it.
//!
//! Measured: the charges named in `field`. What each fault shows is common practice, no source.

use std::io::Read as _;
use std::path::Path;

use restvolt::lead_acid::acid::emf_v;
use restvolt::simulation::{
    Battery, Case, Cell, Charge, Charger, Grade, Moment, STEP_S, Setup, Step,
};

use crate::field::traces;

/// Charger rows of a measured charge: (s from the first row, V, A).
fn measured(file: &Path) -> Vec<(f64, f64, f64)> {
    let mut text = String::new();
    flate2::read::GzDecoder::new(std::fs::File::open(file).unwrap())
        .read_to_string(&mut text)
        .unwrap();
    let rows = text
        .lines()
        .skip(1)
        .map(|line| line.split(',').collect::<Vec<_>>());
    let mut found: Vec<(f64, f64, f64)> = rows
        .filter(|row| row[0] == "c")
        .filter_map(|row| {
            Some((
                row[1].parse().ok()?,
                row[2].parse().ok()?,
                row[3].parse().ok()?,
            ))
        })
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let start = found[0].0;
    for row in &mut found {
        row.0 = (row.0 - start) / 1_000.0;
    }
    found
}

/// The aged end of the range that cases are drawn from: 12 V 17 Ah.
const AGED: Grade = Grade {
    capacity_ah: 21.0,
    acid_full: 5_650.0,
    acid_flat: 640.0,
    exchange_s: 12_000.0,
    exchange_per_h: 0.10,
    dissolution_per_h: 1.5,
    ohms: 0.003,
    gassing: 2.0,
    recombination: 0.95,
    hard_per_h: 0.2,
    film_ohm_ah: 0.2,
};

/// Charged material at which a rested battery shows a voltage, share of the capacity.
fn charged_at(rest_v: f64) -> f64 {
    let (mut low, mut high) = (0.001, 1.0);
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        let acid = AGED.acid_flat + (AGED.acid_full - AGED.acid_flat) * middle;
        let volts = 6.0 * emf_v(acid) * (middle / 0.006).tanh();
        if volts < rest_v {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

/// First row from which eight of ten are so: single values jump near the limit.
fn settled(rows: &[(f64, f64, f64)], so: impl Fn(&(f64, f64, f64)) -> bool) -> usize {
    let ten = |from: &[(f64, f64, f64)]| from.iter().filter(|row| so(row)).count() >= 8;
    rows.windows(10).position(ten).unwrap()
}

/// Error of one charge: bulk rmse and bias (V), time to the limit, time from there to 1.2 A (h).
fn compare(rows: &[(f64, f64, f64)]) -> (f64, f64, [f64; 2], [f64; 2]) {
    let limit = 14.35;
    let to_limit = settled(rows, |row| row.1 >= limit);
    let bulk = &rows[..to_limit];
    let began = bulk.iter().position(|row| row.2 > 1.0).unwrap();
    let constant: Vec<f64> = bulk.iter().map(|row| row.2).filter(|a| *a > 1.0).collect();
    let charger = Charger {
        bulk_a: constant.iter().sum::<f64>() / constant.len() as f64,
        absorption_v: 14.43,
        float_v: 13.6,
        volts_per_k: 0.0,
        tail_a: 0.0,
        absorption_s: 1e9,
        cut_celsius: 60.0,
        cable_ohms: 0.01,
    };
    let cell = Cell::rested(AGED, charged_at(rows[0].1), 0.0, 25.0);
    let mut charge = Charge::new(Battery::new(vec![cell; 6], 17.0, 24.0), charger, 24.0);
    charge.start();
    let (mut next, mut errors) = (began, Vec::new());
    let (mut limit_h, mut tail_h) = (None, None);
    for second in 1..20 * 3_600 {
        let moment = charge.advance();
        let hours = f64::from(second) / 3_600.0;
        while next < to_limit && rows[next].0 - rows[began].0 <= f64::from(second) {
            errors.push(moment.charger_v - rows[next].1);
            next += 1;
        }
        if moment.charger_v >= limit {
            limit_h.get_or_insert(hours);
            if moment.amperes <= 1.2 {
                tail_h.get_or_insert(hours);
            }
        }
    }
    let count = errors.len() as f64;
    let rmse = (errors.iter().map(|e| e * e).sum::<f64>() / count).sqrt();
    let bias = errors.iter().sum::<f64>() / count;
    let tail = &rows[settled(rows, |row| row.1 >= limit - 0.1 && row.2 <= 1.2)];
    let limit_h = limit_h.unwrap();
    (
        rmse,
        bias,
        [limit_h, (rows[to_limit].0 - rows[began].0) / 3_600.0],
        [
            tail_h.unwrap() - limit_h,
            (tail.0 - rows[to_limit].0) / 3_600.0,
        ],
    )
}

#[test]
fn measured_charges_are_met() {
    let Some(folder) = traces() else {
        eprintln!("SKIPPED: no field charges here; set RESTVOLT_TRACES to their folder");
        return;
    };
    eprintln!(
        "charge  bulk V rmse (bias)   h to the limit, sim / real   h on to 1.2 A, sim / real"
    );
    for number in 0..7 {
        let rows = measured(&folder.join(format!("real{number:02}.csv.gz")));
        let (rmse, bias, limit, tail) = compare(&rows);
        eprintln!(
            "real{number:02}  {rmse:.3} ({bias:+.3})       {:5.2} / {:5.2} ({:+.0} %)       {:.2} / {:.2}",
            limit[0],
            limit[1],
            100.0 * (limit[0] / limit[1] - 1.0),
            tail[0],
            tail[1]
        );
        assert!(rmse < 0.17 && bias.abs() < 0.12);
        assert!((limit[0] / limit[1] - 1.0).abs() < 0.15 && (tail[0] - tail[1]).abs() < 0.5);
    }
}

/// Hours of a case, second by second.
fn hours(setup: Setup, hours: u32) -> (Setup, Vec<Moment>) {
    let mut setup = setup;
    setup.charge.start();
    let steps = f64::from(hours) * 3_600.0 / STEP_S;
    let moments = (0..steps as u32).map(|_| setup.charge.advance()).collect();
    (setup, moments)
}

/// A charge of twelve hours, for one 12 V battery: volts doubled where it has 6 V.
struct Night {
    start_v: f64,
    moments: Vec<Moment>,
    /// Current against the rated capacity, 1/h, at each hour.
    per_h: Vec<f64>,
    /// Charge against the rated capacity.
    charged: f64,
    /// Hours until the limit of voltage.
    limit_h: Option<f64>,
    /// Most that the case was above the air, K.
    rise_k: f64,
}

fn night(case: Case, seed: u64) -> Night {
    let setup = Setup::draw(case, seed);
    let twelve = 12.0 / f64::from(setup.nominal_volts);
    let (start_v, rated_ah) = (setup.start_v * twelve, setup.rated_ah);
    let (_, mut moments) = hours(setup, 12);
    for moment in &mut moments {
        moment.charger_v *= twelve;
        moment.posts_v *= twelve;
    }
    let per_h: Vec<f64> = moments
        .iter()
        .skip(3_599)
        .step_by(3_600)
        .map(|m| m.amperes / rated_ah)
        .collect();
    let limit = moments.iter().position(|m| m.step == Step::Absorption);
    let night = Night {
        start_v,
        charged: moments.iter().map(|m| m.amperes).sum::<f64>() / 3_600.0 / rated_ah,
        limit_h: limit.map(|at| at as f64 / 3_600.0),
        rise_k: moments
            .iter()
            .map(|m| m.case_celsius - m.ambient_celsius)
            .fold(0.0, f64::max),
        per_h,
        moments,
    };
    eprintln!(
        "{case:15} {seed}: starts {start_v:5.2} V, limit after {:5.2} h, takes {:.2} C, C/h {:.3?}, rise {:.1} K, ends {:?} {:.2} V",
        night.limit_h.unwrap_or(f64::NAN),
        night.charged,
        night.per_h.iter().step_by(3).collect::<Vec<_>>(),
        night.rise_k,
        night.moments[43_199].step,
        night.moments[43_199].charger_v,
    );
    night
}

const SEEDS: std::ops::Range<u64> = 0..4;

#[test]
fn a_healthy_battery_tapers_and_stays_cool() {
    for night in SEEDS.map(|seed| night(Case::Healthy, seed)) {
        assert!((11.8..12.9).contains(&night.start_v));
        assert!((0.2..0.9).contains(&night.charged));
        assert_eq!(night.moments[43_199].step, Step::Float);
        assert!(night.rise_k < 6.0 && night.per_h[11] < 0.02);
    }
}

#[test]
fn a_deeply_discharged_one_starts_low_and_takes_its_whole_capacity() {
    for night in SEEDS.map(|seed| night(Case::DeepDischarged, seed)) {
        assert!((1.0..11.3).contains(&night.start_v));
        assert!((0.8..1.4).contains(&night.charged));
        assert!(night.limit_h.unwrap() > 3.0);
    }
}

#[test]
fn a_sulfated_one_is_at_the_limit_at_once_and_takes_little() {
    for night in SEEDS.map(|seed| night(Case::Sulfated, seed)) {
        assert!(night.limit_h.unwrap() < 0.5);
        assert!(night.per_h[0] < 0.05 && night.charged < 0.5);
    }
}

#[test]
fn a_shorted_cell_never_reaches_the_limit_warms_and_rests_low() {
    for night in SEEDS.map(|seed| night(Case::ShortedCell, seed)) {
        assert!((9.5..10.8).contains(&night.start_v));
        assert!(night.limit_h.is_none() && night.rise_k > 8.0);
        let plateau = night.moments[6 * 3_600].charger_v;
        assert!((12.0..14.2).contains(&plateau), "{plateau}");
    }
}

#[test]
fn a_runaway_draws_more_the_warmer_it_gets() {
    for night in SEEDS.map(|seed| night(Case::Runaway, seed)) {
        let from = (night.limit_h.unwrap() * 3_600.0) as usize;
        let hottest = night
            .moments
            .iter()
            .map(|m| m.case_celsius)
            .fold(0.0, f64::max);
        assert!(hottest > 50.0, "{hottest}");
        // At one voltage the current falls, then rises again.
        let held = night.moments[from..]
            .iter()
            .take_while(|m| m.step == Step::Absorption);
        let held: Vec<f64> = held.map(|m| m.amperes).collect();
        let least = (0..held.len())
            .min_by(|a, b| held[*a].total_cmp(&held[*b]))
            .unwrap();
        let after = held[least..].iter().copied().fold(0.0, f64::max);
        assert!(after > 1.2 * held[least], "{after} {}", held[least]);
    }
}

#[test]
fn a_loose_clamp_shows_the_limit_to_the_charger_and_less_to_the_meter() {
    for night in SEEDS.map(|seed| night(Case::LooseClamp, seed)) {
        let apart = night
            .moments
            .iter()
            .filter(|m| m.charger_v - m.posts_v > 0.3)
            .count();
        let open = night
            .moments
            .iter()
            .filter(|m| m.amperes == 0.0 && m.charger_v > 13.0);
        assert!(
            apart > 300 && apart < 20_000 && open.count() > 20,
            "{apart}"
        );
    }
}

#[test]
fn the_same_seed_gives_the_same_bits() {
    let both = [1, 1, 2].map(|seed| {
        let mut setup = Setup::draw(Case::LooseClamp, seed);
        setup.charge.start();
        (0..3_600)
            .map(|_| setup.charge.advance())
            .collect::<Vec<_>>()
    });
    assert_eq!(both[0], both[1]);
    assert_ne!(both[0], both[2]);
}
