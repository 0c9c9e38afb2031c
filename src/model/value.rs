//! What an attempt, and what one more reading before it, are worth in money.
//!
//! All amounts are in one currency of the caller's. An attempt brings `worth` with the chance of
//! recovery and costs `cost` in any case; leaving it brings 0.

use super::normal;

/// Steps of the search for the common shift at most; bisection alone needs 60.
const SHIFT_STEPS_MAX: u32 = 100;

/// Log-odds that the common shift never exceeds.
const SHIFT_MAX: f64 = 40.0;

/// Worth and cost of an attempt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stakes {
    /// Worth of a recovery.
    pub worth: f64,
    /// Cost of trying.
    pub cost: f64,
}

impl Stakes {
    /// Chance at which trying breaks even: cost / worth. `None` when a recovery is worth nothing.
    #[must_use]
    pub fn break_even(&self) -> Option<f64> {
        (self.worth > 0.0).then(|| self.cost / self.worth)
    }

    /// Expected gain of trying at this chance; below 0 a loss.
    #[must_use]
    pub fn expected_value(&self, chance: f64) -> f64 {
        chance * self.worth - self.cost
    }

    /// Expected gain when one may also leave it: at least 0.
    fn optional_value(&self, chance: f64) -> f64 {
        self.expected_value(chance).max(0.0)
    }

    /// Confidence that trying pays, for a chance whose log-odds have this mean and deviation.
    ///
    /// Source: STATISTICS 5, `Phi((eta - logit p*) / s)`.
    #[must_use]
    pub fn chance_that_it_pays(&self, eta: f64, sd: f64) -> f64 {
        match self.break_even() {
            None => 0.0,
            Some(p) if p >= 1.0 => 0.0,
            Some(p) if p <= 0.0 => 1.0,
            Some(p) => {
                let gap = eta - (libm::log(p) - libm::log1p(-p));
                if sd > 0.0 {
                    normal::cdf(gap / sd)
                } else {
                    f64::from(u8::from(gap > 0.0))
                }
            }
        }
    }

    /// Expected value of knowing the outcome beforehand: no reading is worth more.
    #[must_use]
    pub fn perfect_information(&self, chance: f64) -> f64 {
        chance * self.optional_value(1.0) + (1.0 - chance) * self.optional_value(0.0)
            - self.optional_value(chance)
    }

    /// Values one more reading before the decision.
    ///
    /// `answers` are what the reading may say, with the chance after each; their probabilities are
    /// scaled to sum 1. All chances are first shifted by one common log-odds so that their mean is
    /// `chance`: then the value before the reading's cost is never negative. `None` without
    /// answers of positive probability or for a chance outside 0..=1.
    ///
    /// Source: STATISTICS 5.
    ///
    /// # Examples
    /// ```
    /// use restvolt::model::value::{Answer, Stakes};
    /// let stakes = Stakes { worth: 40.0, cost: 12.0 };
    /// let answers = [(0.5, 0.15), (0.3, 0.35), (0.2, 0.7)]
    ///     .map(|(probability, chance)| Answer { probability, chance });
    /// let found = stakes.reading(0.32, &answers, 1.0).unwrap();
    /// assert!((found.net - 2.0).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn reading(&self, chance: f64, answers: &[Answer], price: f64) -> Option<ReadingValue> {
        let total: f64 = answers.iter().map(|answer| answer.probability).sum();
        let are_shares = answers.iter().all(|answer| answer.probability >= 0.0);
        if !(are_shares && total > 0.0 && (0.0..=1.0).contains(&chance)) {
            return None;
        }
        let shift = common_shift(chance, answers, total);
        let after: f64 = answers
            .iter()
            .map(|answer| {
                let shifted = shifted(answer.chance, shift);
                answer.probability / total * self.optional_value(shifted)
            })
            .sum();
        // What rounding leaves below zero is no loss.
        let expected = (after - self.optional_value(chance)).max(0.0);
        Some(ReadingValue {
            expected,
            net: expected - price,
            shift,
        })
    }
}

/// One thing a reading may say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Probability that it says so.
    pub probability: f64,
    /// Chance of recovery if it does, 0 to 1.
    pub chance: f64,
}

/// Worth of a reading before the decision.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ReadingValue {
    /// Expected gain by deciding with it, at least 0.
    pub expected: f64,
    /// The same less the reading's price.
    pub net: f64,
    /// Common shift of the chances, log-odds: far from 0, the answers did not fit the chance.
    pub shift: f64,
}

/// A chance moved by log-odds; 0 and 1 stay.
fn shifted(chance: f64, shift: f64) -> f64 {
    // By the odds' factor, so that a shift of 0 changes no bit that matters.
    let up = chance * libm::exp(shift);
    let rest = 1.0 - chance;
    if up + rest > 0.0 {
        up / (up + rest)
    } else {
        chance
    }
}

/// Log-odds by which all chances move so that their mean is `chance`.
fn common_shift(chance: f64, answers: &[Answer], total: f64) -> f64 {
    let (mut low, mut high) = (-SHIFT_MAX, SHIFT_MAX);
    let mut shift = 0.0;
    for _ in 0..SHIFT_STEPS_MAX {
        let (mut mean, mut slope) = (0.0, 0.0);
        for answer in answers {
            let p = shifted(answer.chance, shift);
            let weight = answer.probability / total;
            mean += weight * p;
            slope += weight * p * (1.0 - p);
        }
        let miss = mean - chance;
        if miss > 0.0 {
            high = shift;
        } else {
            low = shift;
        }
        let newton = shift - miss / slope;
        if miss.abs() <= 1e-16 || high - low < 1e-15 {
            break;
        }
        shift = if newton > low && newton < high {
            newton
        } else {
            f64::midpoint(low, high)
        };
    }
    shift
}

/// How strongly the overall shares stand in where a cell has few readings, in readings.
///
/// Our choice: a cell with as many readings of its own weighs them half.
pub const SMOOTHING: f64 = 4.0;

/// Counts of what a reading said, by cell (voltage band x storage): the base of its forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct AnswerTable {
    answers: usize,
    cells: Vec<u64>,
}

impl AnswerTable {
    /// An empty table of so many cells and possible answers.
    #[must_use]
    pub fn new(cells: usize, answers: usize) -> Self {
        Self {
            answers,
            cells: vec![0; cells * answers],
        }
    }

    /// Counts one reading; one outside the table is left out.
    pub fn add(&mut self, cell: usize, answer: usize) {
        if answer >= self.answers {
            return;
        }
        let place = cell
            .checked_mul(self.answers)
            .and_then(|at| at.checked_add(answer));
        if let Some(count) = place.and_then(|place| self.cells.get_mut(place)) {
            *count += 1;
        }
    }

    /// Forecasts what the reading would say in a cell: a probability for each answer.
    ///
    /// Dirichlet-smoothed: the shares over all cells, themselves smoothed by one reading of each
    /// answer, count as [`SMOOTHING`] readings of the cell. An unknown cell gets those shares.
    #[must_use]
    pub fn forecast(&self, cell: usize) -> Vec<f64> {
        let mut overall = vec![1.0; self.answers];
        for row in self.cells.chunks(self.answers.max(1)) {
            for (sum, count) in overall.iter_mut().zip(row) {
                *sum += *count as f64;
            }
        }
        let total: f64 = overall.iter().sum();
        let own = self
            .cells
            .chunks(self.answers.max(1))
            .nth(cell)
            .unwrap_or(&[]);
        let own_total = own.iter().sum::<u64>() as f64;
        let smoothed = overall.iter().enumerate().map(|(answer, sum)| {
            let count = own.get(answer).map_or(0.0, |count| *count as f64);
            (count + SMOOTHING * sum / total) / (own_total + SMOOTHING)
        });
        smoothed.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const STAKES: Stakes = Stakes {
        worth: 40.0,
        cost: 12.0,
    };

    fn answers(pairs: &[(f64, f64)]) -> Vec<Answer> {
        let answer = |&(probability, chance): &(f64, f64)| Answer {
            probability,
            chance,
        };
        pairs.iter().map(answer).collect()
    }

    #[test]
    fn the_worked_example_is_met() {
        // Source: hand arithmetic. Worth 40, cost 12, a reading at 1 with three answers.
        let chance = 0.5 * 0.15 + 0.3 * 0.35 + 0.2 * 0.7;
        let answers = answers(&[(0.5, 0.15), (0.3, 0.35), (0.2, 0.7)]);
        let found = STAKES.reading(chance, &answers, 1.0).unwrap();
        assert!((found.expected - 3.0).abs() < 1e-12, "{found:?}");
        assert!((found.net - 2.0).abs() < 1e-12);
        assert!((STAKES.perfect_information(chance) - 8.16).abs() < 1e-12);
        assert!((STAKES.expected_value(chance) - 0.8).abs() < 1e-12);
        assert!((STAKES.break_even().unwrap() - 0.3).abs() < 1e-12);
    }

    #[test]
    fn answers_that_do_not_fit_the_chance_are_shifted_together() {
        let answers = answers(&[(2.0, 0.1), (6.0, 0.9)]);
        let found = STAKES.reading(0.5, &answers, 0.0).unwrap();
        let odds = libm::exp(found.shift) / 9.0;
        let low = odds / (1.0 + odds);
        let high = 81.0 * odds / (1.0 + 81.0 * odds);
        assert!((0.25 * low + 0.75 * high - 0.5).abs() < 1e-12);
        assert_eq!(STAKES.reading(0.5, &[], 0.0), None);
        assert_eq!(STAKES.reading(1.5, &answers, 0.0), None);
    }

    #[test]
    fn the_confidence_that_it_pays_follows_the_normal_law() {
        // Log-odds .3 beyond break-even with a deviation of .6: Phi(.5) = .691462461.
        let even = libm::log(0.3 / 0.7);
        let found = STAKES.chance_that_it_pays(even + 0.3, 0.6);
        assert!((found - 0.691_462_461_274_013).abs() < 1e-12, "{found}");
        let never = Stakes {
            worth: 10.0,
            cost: 12.0,
        };
        assert!(never.chance_that_it_pays(9.0, 0.1).abs() < 1e-15);
        let worthless = Stakes {
            worth: 0.0,
            cost: 1.0,
        };
        assert_eq!(worthless.break_even(), None);
        assert!(worthless.chance_that_it_pays(9.0, 0.1).abs() < 1e-15);
    }

    #[test]
    fn what_a_reading_would_say_is_smoothed_toward_all_cells() {
        let mut table = AnswerTable::new(2, 3);
        (0..8).for_each(|_| table.add(0, 0));
        (0..4).for_each(|_| table.add(0, 1));
        table.add(9, 0);
        table.add(0, 7);
        // Overall (9, 5, 1) / 15; the first cell: (8 + 4 x 9/15) / 16 and so on.
        for (cell, expected) in [
            (
                0,
                [10.4 / 16.0, (4.0 + 4.0 / 3.0) / 16.0, 4.0 / 15.0 / 16.0],
            ),
            (1, [9.0 / 15.0, 5.0 / 15.0, 1.0 / 15.0]),
            (5, [9.0 / 15.0, 5.0 / 15.0, 1.0 / 15.0]),
        ] {
            for (found, expected) in table.forecast(cell).iter().zip(expected) {
                assert!((found - expected).abs() < 1e-15, "{cell} {found}");
            }
        }
    }

    proptest! {
        #[test]
        fn a_reading_is_worth_between_nothing_and_knowing_all(
            pairs in proptest::collection::vec((0.01..1.0_f64, 0.0..=1.0_f64), 1..6),
            chance in 0.01..0.99_f64,
            worth in 1.0..200.0_f64,
            cost in 0.0..100.0_f64,
        ) {
            let stakes = Stakes { worth, cost };
            let found = stakes.reading(chance, &answers(&pairs), 0.0).unwrap();
            prop_assert!(found.expected >= 0.0);
            let bound = stakes.perfect_information(chance);
            // Chances of 0 and 1 only cannot be shifted to the mean.
            let is_open = pairs.iter().any(|pair| pair.1 > 0.001 && pair.1 < 0.999);
            prop_assert!(!is_open || found.expected <= bound + 1e-9, "{} {}", found.expected, bound);
        }
    }
}
