//! Drift of the forecasts: a risk-adjusted cumulative sum in both directions.
//!
//! Each outcome adds its log likelihood ratio between "the odds of recovery are R times what was
//! forecast" and "the forecast is right". To be started after about 1,200 training outcomes
//! (STATISTICS 9); run one per group, method, charger model and firmware.

use super::normal;
use super::whole::whole;
use crate::record::words::vocabulary;

/// Height at which an alarm is raised. Source: STATISTICS 9, chosen from six heights on simulated
/// fleets: 0.06 false alarms per 1,000 attempts; lower is quicker and cries wolf more often.
pub const ALARM_HEIGHT: f64 = 7.0;

/// Odds ratio that "better than forecast" is tested for. Source: STATISTICS 9.
pub const BETTER_ODDS_RATIO: f64 = 2.0;

/// Odds ratio that "worse than forecast" is tested for. Source: STATISTICS 9.
pub const WORSE_ODDS_RATIO: f64 = 0.5;

/// Cells of the Markov chain per unit of height in [`average_run_length`].
const CELLS_PER_UNIT: f64 = 400.0;

/// Largest height that [`average_run_length`] answers.
const HEIGHT_MAX: f64 = 20.0;

/// Outcomes followed at most by [`average_run_length`].
const STEPS_MAX: u32 = 200_000;

/// Both sums after some outcomes; starts at zero.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Drift {
    /// Evidence that batteries do better than forecast, a log likelihood ratio, at least 0.
    pub better: f64,
    /// Evidence that they do worse.
    pub worse: f64,
}

vocabulary! {
    /// Which way the forecasts are off.
    Alarm {
        /// More recover than forecast.
        BetterThanForecast = "better_than_forecast",
        /// Fewer recover than forecast.
        WorseThanForecast = "worse_than_forecast",
    }
}

impl Drift {
    /// Adds one outcome whose recovery had been forecast with this chance, 0 to 1.
    ///
    /// Source: Steiner et al. 2000, Biostatistics 1:441.
    pub fn add(&mut self, chance: f64, recovered: bool) {
        self.better = (self.better + score(chance, recovered, BETTER_ODDS_RATIO)).max(0.0);
        self.worse = (self.worse + score(chance, recovered, WORSE_ODDS_RATIO)).max(0.0);
    }

    /// The alarm that stands at this height, if any; the stronger one when both do.
    #[must_use]
    pub fn alarm(&self, height: f64) -> Option<Alarm> {
        if self.better.max(self.worse) < height {
            None
        } else if self.better > self.worse {
            Some(Alarm::BetterThanForecast)
        } else {
            Some(Alarm::WorseThanForecast)
        }
    }
}

/// Log likelihood ratio of one outcome: `y ln R - ln(1 - p + R p)`.
#[must_use]
pub fn score(chance: f64, recovered: bool, odds_ratio: f64) -> f64 {
    let hit = if recovered {
        libm::log(odds_ratio)
    } else {
        0.0
    };
    hit - libm::log1p(chance * (odds_ratio - 1.0))
}

/// Gives the mean number of outcomes until the alarm when every forecast is `chance`.
///
/// `true_odds_ratio` is what the odds of recovery really are as a multiple of the forecast's: 1
/// for the false alarms, the tested ratio for the delay. `None` when the chance is not strictly
/// between 0 and 1, a ratio is not positive, the tested ratio is within .001 of 1, the height is not within
/// 0 to 20, or an alarm takes more than about 200,000 outcomes to settle.
///
/// Source: Markov chain of Brook and Evans 1972, Biometrika 59:539, 400 cells per unit.
#[must_use]
pub fn average_run_length(
    chance: f64,
    odds_ratio: f64,
    true_odds_ratio: f64,
    height: f64,
) -> Option<f64> {
    let is_chance = chance > 0.0 && chance < 1.0;
    let is_ratio = odds_ratio > 0.0 && true_odds_ratio > 0.0;
    let tells_apart = (odds_ratio - 1.0).abs() > 1e-3;
    let is_height = height > 0.0 && height <= HEIGHT_MAX;
    if !(is_chance && is_ratio && tells_apart && is_height) {
        return None;
    }
    let hit = normal::logistic(libm::log(chance / (1.0 - chance)) + libm::log(true_odds_ratio));
    let up = score(chance, true, odds_ratio);
    let down = score(chance, false, odds_ratio);
    let count = whole(libm::ceil(height * CELLS_PER_UNIT));
    let targets = |step: f64| -> Vec<Option<usize>> {
        (0..count).map(|from| target(from, step, count)).collect()
    };
    let (on_hit, on_miss) = (targets(up), targets(down));
    let mut mass = vec![0.0; on_hit.len()];
    *mass.first_mut()? = 1.0;
    follow(&mut mass, &on_hit, &on_miss, hit)
}

/// Cell reached from a cell by a step in units of height; `None` beyond the alarm.
fn target(from: usize, step: f64, cells: usize) -> Option<usize> {
    let to = whole(libm::round(from as f64 + step * CELLS_PER_UNIT));
    (to < cells).then_some(to)
}

/// Sums the chances of no alarm so far until their decline is geometric, then closes the sum.
fn follow(
    mass: &mut Vec<f64>,
    on_hit: &[Option<usize>],
    on_miss: &[Option<usize>],
    hit: f64,
) -> Option<f64> {
    let mut next = vec![0.0; mass.len()];
    let (mut alive, mut length, mut ratio) = (1.0, 0.0, 0.0_f64);
    let mut steady = 0;
    for _ in 0..STEPS_MAX {
        length += alive;
        next.fill(0.0);
        for (from, (hit_to, miss_to)) in mass.iter().zip(on_hit.iter().zip(on_miss)) {
            if let Some(cell) = hit_to.and_then(|to| next.get_mut(to)) {
                *cell += from * hit;
            }
            if let Some(cell) = miss_to.and_then(|to| next.get_mut(to)) {
                *cell += from * (1.0 - hit);
            }
        }
        std::mem::swap(mass, &mut next);
        let now: f64 = mass.iter().sum();
        if now <= 0.0 {
            return Some(length);
        }
        let decline = now / alive;
        // The loss per outcome, not the ratio, must be steady: the ratio is near 1 when alarms are
        // rare.
        let is_steady = (decline - ratio).abs() <= 1e-7 * (1.0 - decline);
        steady = if is_steady { steady + 1 } else { 0 };
        (alive, ratio) = (now, decline);
        if steady > 20 {
            return Some(length + now / (1.0 - decline));
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the formula of Steiner et al. 2000, worked out in Python.
    const PATH: &str = include_str!("../../tests/data/stats_racusum_path.csv");

    #[test]
    fn the_path_agrees_with_the_published_formula() {
        let mut drift = Drift::default();
        let mut row_count = 0;
        for line in PATH.lines().skip(1) {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            drift.add(cells[0], cells[1] > 0.5);
            assert!((drift.better - cells[2]).abs() < 1e-12, "{line} {drift:?}");
            assert!((drift.worse - cells[3]).abs() < 1e-12, "{line} {drift:?}");
            row_count += 1;
        }
        assert_eq!(row_count, 40);
    }

    #[test]
    fn run_lengths_agree_with_an_independent_markov_chain() {
        // Chance .3; odds ratio, height, in control, out of control. Source: Brook and Evans'
        // chain in Python with a grid of 1/400, which is why 2 %.
        let rows = [
            (2.0, 2.0, 122.202_009_45, 24.350_289_03),
            (2.0, 3.0, 426.116_733_40, 40.921_288_01),
            (2.0, 4.0, 1_279.915_192_14, 57.949_300_43),
            (0.5, 2.0, 143.060_348_42, 34.191_709_12),
            (0.5, 3.0, 483.673_749_31, 57.140_725_32),
            (0.5, 4.0, 1_456.132_262_46, 81.444_135_01),
        ];
        for (ratio, height, in_control, out_of_control) in rows {
            let usual = average_run_length(0.3, ratio, 1.0, height).unwrap();
            let off = average_run_length(0.3, ratio, ratio, height).unwrap();
            assert!(
                (usual / in_control - 1.0).abs() < 0.02,
                "{ratio} {height} {usual}"
            );
            assert!(
                (off / out_of_control - 1.0).abs() < 0.02,
                "{ratio} {height} {off}"
            );
        }
    }

    #[test]
    fn an_alarm_tells_the_direction() {
        let mut drift = Drift::default();
        assert_eq!(drift.alarm(ALARM_HEIGHT), None);
        let mut failed_count = 0;
        while drift.alarm(ALARM_HEIGHT).is_none() {
            drift.add(0.8, false);
            failed_count += 1;
        }
        assert_eq!(drift.alarm(ALARM_HEIGHT), Some(Alarm::WorseThanForecast));
        // Each adds -ln(.6) = .5108: the fourteenth passes 7.
        assert_eq!(failed_count, 14);
        let mut drift = Drift::default();
        (0..60).for_each(|_| drift.add(0.3, true));
        assert_eq!(drift.alarm(ALARM_HEIGHT), Some(Alarm::BetterThanForecast));
    }

    #[test]
    fn impossible_questions_have_no_run_length() {
        assert_eq!(average_run_length(0.0, 2.0, 1.0, 4.0), None);
        assert_eq!(average_run_length(0.3, 1.0, 1.0, 4.0), None);
        assert_eq!(average_run_length(0.3, 2.0, 0.0, 4.0), None);
        assert_eq!(average_run_length(0.3, 2.0, 1.0, f64::NAN), None);
    }
}
