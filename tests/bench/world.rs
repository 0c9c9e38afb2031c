//! Invented fleets with a known truth, any number of attempts, three kinds of world.
//!
//! The first has the shapes the model was designed for; the second does not: it is no sum on the log-odds,
//! falls with the square root of the months, has its dip elsewhere and wears out by age at once. The third has
//! lithium packs alone, of which nobody knows beforehand what an output that was switched off means. In all an
//! eye nobody recorded helps to choose what is attempted and sees part of what will happen.

use chrono::{DateTime, Utc};
use restvolt::model::evaluate::Presented;
use restvolt::model::fit::{Label, Observation};
use restvolt::model::prior::Features;
use restvolt::record::words::{Chemistry, Method, Segment, Storage, TesterState};
use restvolt::simulation::Random;
use uuid::Uuid;

/// How much the unrecorded eye sees, log-odds.
const EYE: f64 = 0.5;
/// Points over which the eye is averaged out of the recorded chance.
const EYE_POINTS: i32 = 20;

/// What comes in, each as often as it stands here.
const CHEMISTRIES: [Chemistry; 4] = [
    Chemistry::Flooded,
    Chemistry::Flooded,
    Chemistry::Agm,
    Chemistry::Gel,
];
const TESTERS: [TesterState; 4] = [
    TesterState::Ok,
    TesterState::Ok,
    TesterState::NoPowerUp,
    TesterState::NotTested,
];
const STORAGES: [Storage; 4] = [
    Storage::InstalledConnected,
    Storage::InstalledDisconnected,
    Storage::RemovedIndoors,
    Storage::RemovedUnheated,
];
const METHODS: [Method; 5] = [
    Method::CcCv,
    Method::CcCv,
    Method::LowRateCc,
    Method::ElevatedCv,
    Method::MultiStage,
];
const SEGMENTS: [Segment; 4] = [
    Segment::Powersports,
    Segment::Powersports,
    Segment::Car,
    Segment::Marine,
];

/// Which truth.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Near what the model can say.
    Designed,
    /// Other shapes than the model's.
    Other,
    /// Lithium packs; what an output switched off means differs from world to world.
    Lithium,
}

/// A fleet that goes on as long as it is asked.
pub(crate) struct World {
    kind: Kind,
    random: Random,
    /// Log-odds that a shop adds.
    shops: Vec<f64>,
    /// Log-odds that a lithium pack loses when its output is off.
    output_off: f64,
    presented: u32,
}

/// What an attempt of a battery would bring, and whether somebody would try.
struct Battery {
    features: Features,
    shop: usize,
    eye: f64,
    price: f64,
}

impl World {
    pub(crate) fn new(kind: Kind, seed: u64, shops: usize) -> Self {
        let mut random = Random::of(seed, "world");
        let shops = (0..shops).map(|_| 0.35 * random.normal()).collect();
        let output_off = match kind {
            Kind::Lithium => random.between(-1.0, 4.0),
            Kind::Designed | Kind::Other => 0.0,
        };
        Self {
            kind,
            random,
            shops,
            output_off,
            presented: 0,
        }
    }

    /// Attempts that were chosen and settled, in order.
    pub(crate) fn attempts(&mut self, count: usize) -> Vec<Observation> {
        let mut seen = Vec::with_capacity(count);
        while seen.len() < count {
            let battery = self.next();
            let odds = self.log_odds(&battery);
            // Shops try what looks good, by what they wrote down and by what they saw besides.
            let tried = chance(0.8 + 0.7 * odds + 0.6 * battery.eye);
            if self.random.unit() >= tried {
                continue;
            }
            let recovers = self.random.unit() < self.truth(&battery, battery.eye);
            seen.push(Observation {
                features: battery.features,
                shop: shop_id(battery.shop),
                label: if recovers {
                    Label::Recovered
                } else {
                    Label::NotRecovered
                },
            });
        }
        seen
    }

    /// Batteries presented next, whoever would try them, with their truth.
    pub(crate) fn presented(&mut self, count: usize) -> Vec<Presented> {
        (0..count)
            .map(|_| {
                let battery = self.next();
                let eyes =
                    (0..=EYE_POINTS).map(|at| 6.0 * f64::from(at) / f64::from(EYE_POINTS) - 3.0);
                let (mut mass, mut sum) = (0.0, 0.0);
                for eye in eyes {
                    let weight = (-0.5 * eye * eye).exp();
                    mass += weight;
                    sum += weight * self.truth(&battery, eye);
                }
                Presented {
                    features: battery.features,
                    shop: shop_id(battery.shop),
                    worth: 0.45 * battery.price,
                    cost: self.random.between(8.0, 22.0),
                    p_observed: sum / mass,
                    recovers: self.random.unit() < self.truth(&battery, battery.eye),
                }
            })
            .collect()
    }

    fn next(&mut self) -> Battery {
        let random = &mut self.random;
        self.presented += 1;
        let week = self.presented / 60 % 52;
        let deep = random.unit() < 0.4;
        let v12 = match (self.kind, deep) {
            (Kind::Lithium, true) => random.between(0.0, 1.5),
            (Kind::Lithium, false) => (13.0 + 0.4 * random.normal()).clamp(10.0, 14.2),
            (_, true) => random.between(0.0, 10.8),
            (_, false) => (12.0 + 0.45 * random.normal()).clamp(10.8, 12.9),
        };
        let months = (random.unit() < 0.85).then(|| random.waiting_s(5.0).min(60.0));
        let age_months = (random.unit() < 0.8).then(|| 6.0 + random.waiting_s(30.0).min(120.0));
        let chemistry = match self.kind {
            Kind::Lithium => Chemistry::Lifepo4,
            Kind::Designed | Kind::Other => pick(random, &CHEMISTRIES),
        };
        let tester = pick(random, &TESTERS);
        let cca_ratio = (tester == TesterState::Ok && random.unit() < 0.7)
            .then(|| (0.75 + 0.15 * random.normal()).clamp(0.1, 1.2));
        Battery {
            features: Features {
                v12,
                months,
                age_months,
                chemistry,
                tester,
                cca_ratio,
                storage: pick(random, &STORAGES),
                electrolyte_low: chemistry == Chemistry::Flooded && random.unit() < 0.1,
                six_volt: random.unit() < 0.1,
                method: pick(random, &METHODS),
                segment: pick(random, &SEGMENTS),
                winter: !(12..=46).contains(&week),
            },
            shop: pick(random, &(0..self.shops.len()).collect::<Vec<usize>>()),
            eye: random.normal(),
            price: random.between(45.0, 220.0),
        }
    }

    /// Log-odds by what is recorded.
    fn log_odds(&self, battery: &Battery) -> f64 {
        let Battery { features, shop, .. } = battery;
        let shop = self.shops.get(*shop).copied().unwrap_or(0.0);
        let v = features.v12.min(12.4);
        let depth = (12.4 - v) / 12.4;
        // Who does not know stands where a battery of the fleet stands on average.
        let months = features.months.unwrap_or(6.0);
        let years = features.age_months.unwrap_or(36.0) / 12.0;
        let tester = match features.tester {
            TesterState::NoPowerUp => -0.3,
            _ => features
                .cca_ratio
                .map_or(0.0, |ratio| 0.6 * (ratio - 0.75) / 0.15),
        };
        let freezing = f64::from(u8::from(
            features.winter && features.storage == Storage::RemovedUnheated && v < 11.8,
        ));
        match self.kind {
            Kind::Lithium => {
                let off = features.v12 < 2.0;
                let stored = match features.storage {
                    Storage::RemovedUnheated => -0.4,
                    Storage::InstalledConnected => -0.2,
                    _ => 0.2,
                };
                let volts = if off { 0.0 } else { features.v12 - 13.0 };
                1.0 - if off { self.output_off } else { 0.0 } + 0.4 * volts - 0.4 * (years - 3.0)
                    + stored
                    + shop
            }
            Kind::Designed => {
                let short = (1.0 - (v - 10.5).abs() / 0.45).max(0.0);
                let idle = (1.0 + months).ln() - 5.0_f64.ln();
                1.6 - 3.2 * depth
                    - 1.5 * short
                    - (0.25 + 1.1 * depth) * idle
                    - 0.25 * (years - 3.0)
                    - 0.6 * freezing
                    - 0.5 * f64::from(u8::from(features.electrolyte_low))
                    + tester
                    + shop
            }
            Kind::Other => {
                // Two hurdles, each of which may fail by itself, so that the log-odds do not add up.
                let acid = chance(3.2 - 0.45 * (12.4 - v) - 0.9 * months.sqrt() * depth);
                let plates = chance(2.6 - if years > 5.0 { 2.2 } else { 0.0 } + tester + shop);
                let dip = if (9.6..10.1).contains(&v) || (10.3..10.7).contains(&v) {
                    0.55
                } else {
                    1.0
                };
                let both = (acid * plates * dip * (1.0 - 0.25 * freezing)).clamp(1e-6, 1.0 - 1e-6);
                (both / (1.0 - both)).ln()
            }
        }
    }

    /// Chance with what the eye saw.
    fn truth(&self, battery: &Battery, eye: f64) -> f64 {
        chance(self.log_odds(battery) + EYE * eye)
    }
}

/// Where every fit is cut off.
pub(crate) fn cutoff() -> DateTime<Utc> {
    DateTime::UNIX_EPOCH
}

fn shop_id(shop: usize) -> Uuid {
    Uuid::from_u128(1 + shop as u128)
}

fn chance(log_odds: f64) -> f64 {
    1.0 / (1.0 + (-log_odds).exp())
}

fn pick<T: Copy>(random: &mut Random, of: &[T]) -> T {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index"
    )]
    let at = (random.unit() * of.len() as f64) as usize;
    #[expect(
        clippy::indexing_slicing,
        reason = "below the length, for the draw is below 1"
    )]
    of[at]
}
