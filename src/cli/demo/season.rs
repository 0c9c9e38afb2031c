//! A season that never happened: what four shops might have written down, drawn from an invented world.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

use crate::record::words::{Chemistry, Method, OutcomeClass, Segment, Storage, TesterState};
use crate::simulation::Random;

/// Batteries that came in.
const BATTERIES: usize = 520;
/// Days the season lasts.
const DAYS: f64 = 210.0;

/// A shop of the Tarn Valley group.
pub(super) struct Shop {
    pub(super) name: &'static str,
    pub(super) segment: Segment,
    method: Method,
    /// Chargers at work.
    chargers: u32,
    labour_per_h: f64,
    /// How much better than the others it recovers the same battery, on the logit scale.
    skill: f64,
}

/// Mowers, boats, scooters, quads.
pub(super) const SHOPS: [Shop; 4] = [
    Shop {
        name: "Kelder",
        segment: Segment::Powersports,
        method: Method::LowRateCc,
        chargers: 4,
        labour_per_h: 48.0,
        skill: 0.35,
    },
    Shop {
        name: "Ostrow",
        segment: Segment::Marine,
        method: Method::MultiStage,
        chargers: 3,
        labour_per_h: 56.0,
        skill: 0.0,
    },
    Shop {
        name: "Brack",
        segment: Segment::Powersports,
        method: Method::CcCv,
        chargers: 3,
        labour_per_h: 51.0,
        skill: -0.25,
    },
    Shop {
        name: "Vell",
        segment: Segment::Powersports,
        method: Method::CcCv,
        chargers: 2,
        labour_per_h: 44.0,
        skill: 0.0,
    },
];

/// Rows as `import` reads them.
pub(super) struct Season {
    pub(super) shops: Vec<Value>,
    pub(super) batteries: Vec<Value>,
    pub(super) attempts: Vec<Value>,
}

/// A battery before anybody decides.
struct Battery {
    rest_volts: f64,
    months: f64,
    age: f64,
    storage: Storage,
    chemistry: Chemistry,
}

fn pick<T: Copy>(random: &mut Random, choices: &[(f64, T)]) -> Option<T> {
    let mut left = random.unit() * choices.iter().map(|choice| choice.0).sum::<f64>();
    let hit = choices.iter().find(|(weight, _)| {
        left -= weight;
        left < 0.0
    });
    hit.or(choices.last()).map(|choice| choice.1)
}

fn round(value: f64, digits: i32) -> f64 {
    let scale = f64::powi(10.0, digits);
    (value * scale).round() / scale
}

fn battery(random: &mut Random) -> Battery {
    let states = [
        (0.25, (12.35, 0.20)),
        (0.35, (11.5, 0.5)),
        (0.25, (9.3, 1.5)),
        (0.15, (4.5, 2.2)),
    ];
    let (mean, spread) = pick(random, &states).unwrap_or((12.0, 0.3));
    let storages = [
        (0.25, Storage::InstalledConnected),
        (0.2, Storage::InstalledDisconnected),
        (0.2, Storage::RemovedIndoors),
        (0.2, Storage::RemovedUnheated),
        (0.15, Storage::Unknown),
    ];
    let constructions = [
        (0.45, Chemistry::Flooded),
        (0.35, Chemistry::Agm),
        (0.12, Chemistry::EnhancedFlooded),
        (0.08, Chemistry::Gel),
    ];
    Battery {
        rest_volts: (mean + spread * random.normal()).clamp(0.3, 12.9),
        months: random.waiting_s(7.0).min(48.0),
        age: random.between(6.0, 90.0),
        storage: pick(random, &storages).unwrap_or(Storage::Unknown),
        chemistry: pick(random, &constructions).unwrap_or(Chemistry::Flooded),
    }
}

/// The chance that it recovers in this world.
fn chance(battery: &Battery, shop: &Shop, random: &mut Random) -> f64 {
    let stored = match battery.storage {
        Storage::RemovedIndoors => 0.4,
        Storage::InstalledConnected => -0.5,
        _ => 0.0,
    };
    let volts = 1.1 * (battery.rest_volts - 11.3).clamp(-4.0, 1.3);
    let time = 0.09 * battery.months + 0.012 * battery.age;
    let logit = 0.9 + volts - time + stored + shop.skill + 0.4 * random.normal();
    1.0 / (1.0 + (-logit).exp())
}

/// Draws a season that ended yesterday.
pub(super) fn season(seed: u64, now: DateTime<Utc>) -> Season {
    let mut random = Random::of(seed, "season");
    let shops = SHOPS.iter().map(|shop| {
        json!({
            "shop_id": shop.name, "currency": "EUR", "labour_per_h": shop.labour_per_h,
            "labour_min_per_attempt": 11, "charger_hour": 0.4, "kwh_price": 0.28,
            "recovered_worth_fraction": 0.42, "comeback_prob": 0.06, "hazard_prob": 0.004,
            "hazard_cost": 400,
        })
    });
    let mut season = Season {
        shops: shops.collect(),
        batteries: Vec::new(),
        attempts: Vec::new(),
    };
    let shares = [4.0, 3.0, 3.0, 2.0];
    for number in 0..BATTERIES {
        let weighted: Vec<(f64, &Shop)> = shares.into_iter().zip(&SHOPS).collect();
        let Some(shop) = pick(&mut random, &weighted) else {
            continue;
        };
        let found = battery(&mut random);
        let chance = chance(&found, shop, &mut random);
        let case = format!("tarn-{number:04}");
        let share = number as f64 / BATTERIES as f64;
        let presented = now.timestamp() - seconds(86_400.0 * (1.0 + DAYS * (1.0 - share)));
        let noted = |random: &mut Random, share: f64, value: f64| {
            (random.unit() < share).then(|| round(value, 1))
        };
        let tester = if found.rest_volts < 9.0 {
            TesterState::NoPowerUp
        } else {
            TesterState::Ok
        };
        season.batteries.push(json!({
            "case_id": case, "shop_id": shop.name, "presented_at": presented,
            "segment": shop.segment.as_str(), "nominal_v": 12,
            "chemistry": found.chemistry.as_str(), "rest_v": round(found.rest_volts, 2),
            "age_months": noted(&mut random, 0.7, found.age),
            "months_since_full_charge": noted(&mut random, 0.8, found.months),
            "storage": found.storage.as_str(), "tester": tester.as_str(),
            "replacement_price": round(random.between(50.0, 160.0), 0),
        }));
        let tried = match found.rest_volts {
            volts if volts > 11.0 => 0.9,
            volts if volts > 8.0 => 0.65,
            _ => 0.3,
        };
        if random.unit() >= tried {
            continue;
        }
        let outcome = if random.unit() < chance {
            OutcomeClass::Recovered.as_str()
        } else if random.unit() < 0.06 {
            "aborted_heat"
        } else {
            OutcomeClass::NotRecovered.as_str()
        };
        let charger = 1 + seconds(random.unit() * f64::from(shop.chargers));
        season.attempts.push(json!({
            "case_id": case, "charger_id": format!("{}-k{charger}", shop.name),
            "method": shop.method.as_str(), "started_at": presented + 3_600,
            "hours": round(random.between(7.0, 15.0), 1), "outcome": outcome,
            "verified": random.unit() < 0.7, "checkpoints": [],
        }));
    }
    season
}

#[expect(clippy::cast_possible_truncation, reason = "a season in seconds")]
fn seconds(value: f64) -> i64 {
    value as i64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_season_repeats_with_its_seed_and_fuller_batteries_recover_more_often() {
        let now = DateTime::from_timestamp(1_790_000_000, 0).unwrap();
        let made = season(1, now);
        assert_eq!(made.attempts, season(1, now).attempts);
        assert_ne!(made.attempts, season(2, now).attempts);
        assert_eq!((made.shops.len(), made.batteries.len()), (4, BATTERIES));
        let share = |low: f64, high: f64| {
            let volts = |attempt: &Value| {
                let case = &attempt["case_id"];
                let of = made.batteries.iter().find(|row| row["case_id"] == *case);
                of.unwrap()["rest_v"].as_f64().unwrap()
            };
            let within = |attempt: &&Value| (low..high).contains(&volts(attempt));
            let tried: Vec<&Value> = made.attempts.iter().filter(within).collect();
            let came_back = |attempt: &&&Value| attempt["outcome"] == "recovered";
            let recovered = tried.iter().filter(came_back).count();
            (recovered as f64 / tried.len() as f64, tried.len())
        };
        let ((deep, few), (fuller, many)) = (share(0.0, 9.0), share(11.8, 13.0));
        assert!(few >= 10 && many >= 100, "{few} {many}");
        assert!(deep < 0.3 && fuller > 0.5, "{deep} {fuller}");
    }
}
