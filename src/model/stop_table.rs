//! When to stop a charge: below which chance, at each checkpoint, going on costs more than it can
//! bring.
//!
//! A dynamic programme over log-odds. Between checkpoints the log-odds move as evidence comes in;
//! at each, going on is worth the mean value at the next less the charger's time. Values scale
//! with the price, so a threshold depends on worth over charger-hour price alone, and one table
//! over that ratio serves every shop.

use super::checkpoint::{CHECKPOINTS, Checkpoint};
use super::normal;
use super::whole::whole;

/// Log-odds at the two ends of the grid: chances of 0.03 % and 99.97 %.
const GRID_END: f64 = 8.0;

/// Distance of the grid's points, log-odds: a threshold is known to this.
const GRID_STEP: f64 = 0.025;

/// Points of the grid: 2 x 8 / .025 + 1.
const GRID_POINTS: u32 = 641;

/// Weight of the node at zero of the 21-point Gauss-Hermite rule for the standard normal.
const CENTER_WEIGHT: f64 = 0.270_260_183_572_877_07;

/// Positive nodes and weights of that rule, computed with 50 digits; exact to degree 41.
const NODES: [(f64, f64); 10] = [
    (0.678_045_692_440_644, 0.215_333_715_695_059_69),
    (1.359_765_823_211_230_4, 0.108_392_285_626_419_44),
    (2.049_102_468_257_163, 0.033_952_729_786_542_83),
    (2.750_592_981_052_373_3, 0.006_439_697_051_408_777),
    (3.469_846_690_475_376_4, 0.000_708_047_795_481_536_5),
    (4.214_343_981_688_422, 4.219_234_742_551_676e-5),
    (4.994_963_944_782_025, 1.225_354_836_148_253_4e-6),
    (5.829_382_007_304_471_5, 1.450_661_284_449_308_7e-8),
    (6.751_444_718_717_461, 4.975_368_604_121_724e-11),
    (7.849_382_895_113_822, 2.098_991_219_565_676_6e-14),
];

/// How fast evidence comes in, and how long a charge is planned to take.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Evidence {
    /// Mean square change of the log-odds up to each checkpoint, from the one before (the first:
    /// from the start).
    pub variance: [f64; CHECKPOINTS],
    /// Planned hours of the whole charge, beyond the last checkpoint.
    pub plan_h: f64,
}

impl Default for Evidence {
    /// Seen on an invented fleet of 5,000 attempts (STATISTICS 6); to be replaced by a group's own.
    fn default() -> Self {
        Self {
            variance: [0.15, 0.2, 0.45, 1.0, 1.8, 2.9],
            plan_h: 12.0,
        }
    }
}

/// Log-odds of one charge at its start and at each checkpoint; `None` once it had ended.
pub type LogOddsPath = [Option<f64>; CHECKPOINTS + 1];

/// Charges from which a variance is learned. Our choice, as for the scales of the features.
pub const CHARGES_MIN: u64 = 200;

impl Evidence {
    /// Learns how far the log-odds moved between checkpoints; the default where fewer than
    /// [`CHARGES_MIN`] charges ran from one to the next.
    #[must_use]
    pub fn learned(paths: &[LogOddsPath], plan_h: f64) -> Self {
        let mut found = Self {
            plan_h,
            ..Self::default()
        };
        for (index, variance) in found.variance.iter_mut().enumerate() {
            let (mut squares, mut count) = (0.0, 0);
            for path in paths {
                let before = path.get(index).copied().flatten();
                let after = path.get(index + 1).copied().flatten();
                let Some((before, after)) = before.zip(after) else {
                    continue;
                };
                squares += (after - before) * (after - before);
                count += 1;
            }
            if count >= CHARGES_MIN {
                *variance = squares / count as f64;
            }
        }
        found
    }
}

/// Gives the chance below which to stop, at each checkpoint in the order of [`Checkpoint::ALL`].
///
/// `worth` of a recovery and `price` of a charger-hour are in the same currency. The threshold is
/// the first point of the grid at which going on is worth more than nothing: 1 where it never is,
/// 0 when the time costs nothing.
///
/// Source: STATISTICS 6; the tests hold its prototype's table.
#[must_use]
pub fn thresholds(evidence: &Evidence, worth: f64, price: f64) -> [f64; CHECKPOINTS] {
    if worth.is_nan() || worth <= 0.0 {
        return [1.0; CHECKPOINTS];
    }
    if price.is_nan() || price <= 0.0 {
        return [0.0; CHECKPOINTS];
    }
    by_ratio(evidence, worth / price)
}

/// Thresholds by worth over price, in hours.
fn by_ratio(evidence: &Evidence, ratio: f64) -> [f64; CHECKPOINTS] {
    let grid: Vec<Point> = (0..GRID_POINTS)
        .map(|index| {
            let log_odds = -GRID_END + f64::from(index) * GRID_STEP;
            Point {
                log_odds,
                chance: normal::logistic(log_odds),
            }
        })
        .collect();
    let mut found = [1.0; CHECKPOINTS];
    let mut values: Vec<f64> = Vec::new();
    let mut later: Option<(f64, f64)> = None;
    let steps = Checkpoint::ALL.iter().zip(evidence.variance);
    for ((checkpoint, variance), threshold) in steps.zip(&mut found).rev() {
        let hours = checkpoint.hours();
        let going_on: Vec<f64> = grid
            .iter()
            .map(|point| match later {
                None => point.chance * ratio - (evidence.plan_h - hours).max(0.0),
                Some((next_h, next_variance)) => {
                    ahead(&values, *point, next_variance) - (next_h - hours)
                }
            })
            .collect();
        let mut pairs = grid.iter().zip(&going_on);
        let first = pairs.find(|(_, value)| **value > 0.0);
        *threshold = first.map_or(1.0, |(point, _)| point.chance);
        values = going_on.into_iter().map(|value| value.max(0.0)).collect();
        later = Some((hours, variance));
    }
    found
}

/// A point of the grid.
#[derive(Clone, Copy)]
struct Point {
    log_odds: f64,
    chance: f64,
}

/// Mean value at the next checkpoint. Evidence of variance `m` moves the log-odds by a normal of
/// variance `m` around `m/2` if the battery recovers, around `-m/2` if not.
fn ahead(values: &[f64], point: Point, variance: f64) -> f64 {
    let deviation = libm::sqrt(variance);
    let mean = |center: f64| {
        let pairs = NODES.iter().map(|(node, weight)| {
            let below = at(values, center - deviation * node);
            let above = at(values, center + deviation * node);
            weight * (below + above)
        });
        CENTER_WEIGHT * at(values, center) + pairs.sum::<f64>()
    };
    let up = mean(point.log_odds + 0.5 * variance);
    let down = mean(point.log_odds - 0.5 * variance);
    point.chance * up + (1.0 - point.chance) * down
}

/// Value between the points of the grid by a straight line; beyond its ends that of the end.
fn at(values: &[f64], log_odds: f64) -> f64 {
    let place = ((log_odds + GRID_END) / GRID_STEP).clamp(0.0, f64::from(GRID_POINTS - 1));
    let index = whole(place);
    let low = values.get(index).copied().unwrap_or(0.0);
    let high = values.get(index + 1).copied().unwrap_or(low);
    low + (place - index as f64) * (high - low)
}

/// Smallest worth over charger-hour price of the table, hours; below it nothing pays.
const RATIO_MIN: f64 = 1.0;

/// Rows of the table for each unit of the logarithm of the ratio.
const ROWS_PER_UNIT: f64 = 10.0;

/// Rows of the table: up to a ratio of e^9, about 8,100 hours.
const ROWS: u32 = 91;

/// Thresholds over all ratios of worth to price.
#[derive(Debug, Clone, PartialEq)]
pub struct StopTable {
    /// Log-odds of the thresholds, a row for each ratio; infinite where stopping is always right.
    rows: Vec<[f64; CHECKPOINTS]>,
}

impl StopTable {
    /// Works out the table.
    #[must_use]
    pub fn new(evidence: &Evidence) -> Self {
        let rows = (0..ROWS).map(|row| {
            let ratio = RATIO_MIN * libm::exp(f64::from(row) / ROWS_PER_UNIT);
            by_ratio(evidence, ratio).map(|p| libm::log(p) - libm::log1p(-p))
        });
        Self {
            rows: rows.collect(),
        }
    }

    /// Gives the chance below which stopping is advised at a checkpoint.
    ///
    /// Within .05 of [`thresholds`] on log-odds. 0 when the charger's time costs nothing or less
    /// than 1/8,100 of the worth an hour; 1 when a recovery is worth nothing.
    #[must_use]
    pub fn stop_below(&self, checkpoint: Checkpoint, worth: f64, price: f64) -> f64 {
        if worth.is_nan() || worth <= 0.0 {
            return 1.0;
        }
        if price.is_nan() || price <= 0.0 {
            return 0.0;
        }
        let place = (libm::log(worth / price / RATIO_MIN) * ROWS_PER_UNIT).max(0.0);
        if place > f64::from(ROWS - 1) {
            return 0.0;
        }
        let index = whole(place);
        let column = checkpoint as usize;
        let entry = |row: usize| self.rows.get(row)?.get(column).copied();
        let low = entry(index).unwrap_or(f64::INFINITY);
        let high = entry(index + 1).unwrap_or(low);
        let part = place - index as f64;
        if low == f64::INFINITY || part == 0.0 {
            return normal::logistic(low);
        }
        normal::logistic(low + part * (high - low))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    // Worth, price, chance to stop below at each checkpoint. Source: the prototype of this design
    // in Python, not independent.
    const PROTOTYPE: [(f64, f64, [f64; 6]); 6] = [
        (
            25.0,
            0.4,
            [
                0.061_514_181_7,
                0.065_989_009_5,
                0.074_124_065_2,
                0.087_065_772_4,
                0.099_750_489_1,
                0.064_464_765_8,
            ],
        ),
        (
            25.0,
            1.5,
            [
                0.468_790_626_6,
                0.462_570_154_7,
                0.462_570_154_7,
                0.456_361_312_8,
                0.419_457_695_2,
                0.240_489_083_1,
            ],
        ),
        (
            50.0,
            0.4,
            [
                0.027_922_573_8,
                0.030_031_988_4,
                0.033_895_164_2,
                0.041_091_278_2,
                0.048_568_154_4,
                0.032_295_464_7,
            ],
        ),
        (
            50.0,
            1.5,
            [
                0.138_834_993_5,
                0.144_921_631_5,
                0.157_758_687,
                0.182_425_523_8,
                0.193_878_937_8,
                0.121_852_850_8,
            ],
        ),
        (
            100.0,
            0.4,
            [
                0.013_386_917_8,
                0.014_414_517_6,
                0.016_302_499_4,
                0.019_840_305_7,
                0.024_127_021_4,
                0.016_302_499_4,
            ],
        ),
        (
            100.0,
            1.5,
            [
                0.057_324_175_9,
                0.061_514_181_7,
                0.067_546_691_1,
                0.079_438_549_2,
                0.093_214_723_1,
                0.060_086_650_2,
            ],
        ),
    ];

    #[test]
    fn the_table_of_the_prototype_is_met() {
        for (worth, price, expected) in PROTOTYPE {
            let found = thresholds(&Evidence::default(), worth, price);
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-6, "{worth} {price} {found}");
            }
        }
    }

    #[test]
    fn the_lookup_is_within_two_steps_of_the_grid() {
        let table = StopTable::new(&Evidence::default());
        for (worth, price, expected) in PROTOTYPE {
            for (checkpoint, expected) in Checkpoint::ALL.iter().zip(expected) {
                let found = table.stop_below(*checkpoint, worth, price);
                let log_odds = |p: f64| libm::log(p / (1.0 - p));
                let miss = log_odds(found) - log_odds(expected);
                assert!(miss.abs() <= 2.0 * GRID_STEP, "{worth} {price} {miss}");
            }
        }
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "these values are exact")]
    fn the_evidence_is_the_mean_square_move_of_charges_that_ran_on() {
        let mut paths = Vec::new();
        for index in 0..200_u32 {
            let step = if index % 2 == 0 { 0.5 } else { -1.5 };
            let mut path = [None; CHECKPOINTS + 1];
            path[0] = Some(1.0);
            path[1] = Some(1.0 + step);
            // Of the second move one charge too few is seen.
            path[2] = (index > 0).then_some(9.0);
            paths.push(path);
        }
        let found = Evidence::learned(&paths, 10.0);
        // (.25 + 2.25) / 2.
        assert_eq!(found.variance[0], 1.25);
        assert_eq!(found.variance[1..], Evidence::default().variance[1..]);
        assert_eq!(found.plan_h, 10.0);
    }

    #[test]
    fn at_the_last_checkpoint_the_rest_of_the_plan_must_pay() {
        // Four hours at 2 for a worth of 80: break-even at a chance of .1.
        let [.., last] = thresholds(&Evidence::default(), 80.0, 2.0);
        assert!((0.1..0.1025).contains(&last), "{last}");
    }

    #[test]
    #[expect(clippy::float_cmp, reason = "these values are exact")]
    fn worthless_and_free_are_answered() {
        let table = StopTable::new(&Evidence::default());
        for checkpoint in Checkpoint::ALL {
            assert_eq!(table.stop_below(*checkpoint, 0.0, 1.0), 1.0);
            assert_eq!(table.stop_below(*checkpoint, 1.0, 9.0), 1.0);
            assert_eq!(table.stop_below(*checkpoint, 50.0, 0.0), 0.0);
            assert_eq!(table.stop_below(*checkpoint, 1e6, 1.0), 0.0);
            assert_eq!(table.stop_below(*checkpoint, f64::NAN, 1.0), 1.0);
        }
        assert_eq!(thresholds(&Evidence::default(), 50.0, 0.0), [0.0; 6]);
        assert_eq!(thresholds(&Evidence::default(), -1.0, 0.4), [1.0; 6]);
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(12))]
        #[test]
        fn more_worth_never_stops_sooner(ratio in 2.0..2000.0_f64, more in 1.0..3.0_f64) {
            let less = thresholds(&Evidence::default(), ratio, 1.0);
            let greater = thresholds(&Evidence::default(), ratio * more, 1.0);
            for (less, greater) in less.iter().zip(greater) {
                prop_assert!(greater <= *less);
            }
        }
    }
}
