//! Which battery comes in: the cases that can be asked for, and their spread.

use super::battery::Battery;
use super::cell::{Cell, Grade};
use super::charger::{Charge, Charger};
use super::random::Random;
use crate::record::words::vocabulary;

vocabulary! {
    /// What is the matter with a simulated battery.
    Case {
        Healthy = "healthy",
        DeepDischarged = "deep_discharged",
        Sulfated = "sulfated",
        ShortedCell = "shorted_cell",
        Runaway = "runaway",
        LooseClamp = "loose_clamp",
    }
}

/// A battery on a charger, drawn for a case and a seed: absorbent glass mat, as in small vehicles.
#[derive(Debug)]
pub struct Setup {
    /// What is the matter with it.
    pub case: Case,
    /// 6 or 12 V.
    pub nominal_volts: u8,
    /// Rated capacity at the 20 h rate, Ah.
    pub rated_ah: f64,
    /// Voltage at the posts before the charge, V.
    pub start_v: f64,
    /// The charge, not begun yet.
    pub charge: Charge,
}

impl Setup {
    /// Draws one.
    #[must_use]
    pub fn draw(case: Case, seed: u64) -> Self {
        let mut random = Random::of(seed, case.as_str());
        let six_volts = case != Case::ShortedCell && random.unit() < 0.15;
        let count = if six_volts { 3 } else { 6 };
        let sizes = [7.0, 12.0, 18.0, 30.0, 45.0, 60.0];
        let rated_ah = random.among(&sizes);
        let ambient = match case {
            Case::Runaway => random.between(31.0, 37.0),
            _ => random.between(12.0, 26.0),
        };
        let grade = grade(case, rated_ah, &mut random);
        let (full, hard) = state(case, &mut random);
        let shorted = (case == Case::ShortedCell).then(|| random.among(&[0, 1, 2, 3, 4, 5]));
        let short_ohms = random.between(0.004, 0.04);
        let cells = (0..count).map(|index| {
            let spread = 1.0 + 0.03 * random.normal();
            if shorted == Some(index) {
                // A short has drained its cell long ago.
                Cell::rested(grade, 0.0, hard, ambient).shorted(short_ohms)
            } else {
                let room = 1.0 - hard;
                Cell::rested(grade, (full * spread).clamp(0.000_5, room), hard, ambient)
            }
        });
        let battery = Battery::new(cells.collect(), rated_ah, ambient);
        let start_v = battery.open_v();
        let charger = charger(case, f64::from(count) / 6.0, rated_ah, &mut random);
        let mut charge = Charge::new(battery, charger, ambient);
        if case == Case::LooseClamp {
            charge = charge.with_loose_clamp(random);
        }
        Self {
            case,
            nominal_volts: if six_volts { 6 } else { 12 },
            rated_ah,
            start_v,
            charge,
        }
    }
}

/// The range spans a new battery and an aged one, as fitted to measured charges.
fn grade(case: Case, rated_ah: f64, random: &mut Random) -> Grade {
    let capacity_ah = rated_ah * random.between(1.0, 1.2);
    Grade {
        capacity_ah,
        acid_full: random.between(5_300.0, 5_650.0),
        acid_flat: random.between(600.0, 1_000.0),
        exchange_s: random.between(6_000.0, 12_000.0),
        exchange_per_h: random.between(0.08, 0.30),
        dissolution_per_h: random.between(0.8, 1.6),
        ohms: random.between(0.035, 0.055) / capacity_ah,
        gassing: match case {
            Case::Runaway => random.between(13.0, 16.0),
            _ => random.between(1.2, 4.0),
        },
        recombination: if case == Case::Runaway { 0.985 } else { 0.95 },
        hard_per_h: match case {
            Case::Sulfated => random.between(0.003, 0.15),
            _ => random.between(0.11, 0.42),
        },
        film_ohm_ah: random.between(0.3, 0.5),
    }
}

/// Charged and hard material, shares of the capacity.
fn state(case: Case, random: &mut Random) -> (f64, f64) {
    match case {
        Case::Healthy | Case::LooseClamp | Case::Runaway => {
            (random.between(0.35, 0.75), random.between(0.0, 0.02))
        }
        Case::DeepDischarged => (random.between(0.001, 0.012), random.between(0.02, 0.15)),
        Case::Sulfated => {
            // Little is left that a charger dissolves quickly.
            let (hard, soft) = (random.between(0.50, 0.65), random.between(0.01, 0.06));
            (1.0 - hard - soft, hard)
        }
        Case::ShortedCell => (random.between(0.25, 0.60), random.between(0.0, 0.05)),
    }
}

fn charger(case: Case, size: f64, rated_ah: f64, random: &mut Random) -> Charger {
    let compensated = case != Case::Runaway && random.unit() < 0.5;
    let hard_driven = case == Case::Runaway;
    Charger {
        bulk_a: rated_ah * random.between(0.08, 0.15) * if hard_driven { 1.4 } else { 1.0 },
        absorption_v: size * (random.between(14.4, 14.7) + if hard_driven { 0.2 } else { 0.0 }),
        float_v: size * random.between(13.5, 13.8),
        volts_per_k: if compensated { -0.018 * size } else { 0.0 },
        tail_a: rated_ah * 0.01,
        absorption_s: 3_600.0 * random.between(6.0, 10.0) * if hard_driven { 2.0 } else { 1.0 },
        cut_celsius: random.between(55.0, 60.0),
        cable_ohms: random.between(0.008, 0.025),
    }
}
