//! How far batteries lie from the model, measured: what similar ones miss together.
//!
//! The residuals of two batteries are independent where the model is right. Where its shapes are wrong, batteries of
//! much the same voltage, idle time and age miss the same way, and the products of their residuals do not average
//! out. What one battery misses by alone (what nobody recorded) does not show here, and should not: a range speaks of
//! batteries with the same record.

use super::Observation;
use crate::model::prior::Features;

/// Outcomes below which nothing is measured: the error would be larger than what is looked for. Our choice.
const OUTCOMES_MIN: usize = 2_000;
/// Width of a cell, volts of six cells. Our choice: a third of the narrowest bends that batteries are known for.
const CELL_V: f64 = 0.3;
/// Cells of voltage: up to 15 V.
const VOLTAGES: usize = 50;
/// Cells of idle time, by half of its logarithm's units; the last is "not known".
const MONTHS: usize = 11;
/// Cells of age, years; the last is "not known".
const AGES: usize = 12;

/// Sums of one cell: residuals, their squares, weights p (1 - p), their squares.
type Sums = [f64; 4];

/// Variance of the log-odds by which batteries of one cell miss the model together; 0 where nothing is seen.
///
/// So many residuals e with weights w = p (1 - p) come in the order of the observations. Over all pairs of a cell the
/// expectation of `e e'` is `w w'` times the variance: the ratio of both sums estimates it, with a standard error
/// of at most `sqrt(2 / sum w w')` where the model is right. One standard error is taken off, so that chance alone
/// seldom widens a range.
pub(super) fn variance<'a>(
    observations: impl Iterator<Item = &'a Observation>,
    (count, residuals): (usize, impl Iterator<Item = (f64, f64)>),
) -> f64 {
    if count < OUTCOMES_MIN {
        return 0.0;
    }
    let mut cells = vec![Sums::default(); VOLTAGES * MONTHS * AGES];
    for (seen, (residual, weight)) in observations.zip(residuals) {
        if let Some(cell) = cells.get_mut(cell(&seen.features)) {
            let row = [residual, residual * residual, weight, weight * weight];
            for (sum, value) in cell.iter_mut().zip(row) {
                *sum += value;
            }
        }
    }
    let (mut products, mut weights) = (0.0, 0.0);
    for [residual, residual_squares, weight, weight_squares] in cells {
        products += residual * residual - residual_squares;
        weights += weight * weight - weight_squares;
    }
    if weights <= 0.0 {
        return 0.0;
    }
    (products / weights - libm::sqrt(2.0 / weights)).max(0.0)
}

/// Number of the cell of a battery.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "bounded by the number of cells right after; a cast saturates"
)]
fn cell(of: &Features) -> usize {
    let at = |value: f64, cells: usize| (value as usize).min(cells - 1);
    let voltage = at(of.v12 / CELL_V, VOLTAGES);
    let months = of.months.map_or(MONTHS - 1, |months| {
        at(2.0 * libm::log1p(months.max(0.0)), MONTHS - 1)
    });
    let age = of
        .age_months
        .map_or(AGES - 1, |months| at(months / 12.0, AGES - 1));
    (voltage * MONTHS + months) * AGES + age
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;
    use crate::model::fit::Label;
    use crate::model::normal::logistic;

    fn battery(v12: f64) -> Features {
        Features {
            v12,
            ..Features::REFERENCE
        }
    }

    /// What is measured of so many batteries whose log-odds are 0 to the model and truly miss by `missed`.
    fn measured(count: usize, missed: impl Fn(f64) -> f64) -> f64 {
        let mut state = 20_261_128_u64;
        let mut draw = || {
            // Knuth's linear congruential generator, its upper bits.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        let mut seen = Vec::new();
        for _ in 0..count {
            let v12 = 12.9 * draw();
            let came_back = draw() < logistic(missed(v12));
            seen.push(Observation {
                features: battery(v12),
                shop: Uuid::nil(),
                label: if came_back {
                    Label::Recovered
                } else {
                    Label::NotRecovered
                },
            });
        }
        let residuals: Vec<(f64, f64)> = seen
            .iter()
            .map(|one| (one.label.value() - 0.5, 0.25))
            .collect();
        variance(seen.iter(), (residuals.len(), residuals.into_iter()))
    }

    #[test]
    fn nothing_is_seen_where_the_model_is_right_and_what_it_misses_is() {
        assert!(measured(20_000, |_| 0.0) < 0.005);
        // Half a volt in each volt misses by .4 up, the rest by .4 down: variance .16.
        let wave = |v12: f64| if v12.fract() < 0.5 { 0.4 } else { -0.4 };
        let found = measured(20_000, wave);
        assert!((0.06..0.17).contains(&found), "{found}");
        let whole = |v12: f64| {
            if (v12 / 0.3).floor() % 2.0 < 1.0 {
                0.4
            } else {
                -0.4
            }
        };
        let found = measured(80_000, whole);
        // (logistic(.4) - .5) / .25 squared is .156.
        assert!((found - 0.156).abs() < 0.02, "{found}");
    }

    #[test]
    fn what_single_batteries_miss_by_alone_is_not_seen() {
        // Odds that turn within a thousandth of a volt are the same as chance to every cell.
        let own = |v12: f64| {
            if (v12 * 1e6).floor() % 2.0 < 1.0 {
                1.0
            } else {
                -1.0
            }
        };
        assert!(measured(20_000, own) < 0.005);
    }

    #[test]
    fn few_outcomes_measure_nothing() {
        assert!(measured(OUTCOMES_MIN - 1, |_| 2.0) < f64::MIN_POSITIVE);
        assert!(measured(OUTCOMES_MIN, |_| 2.0) > 1.0);
    }

    #[test]
    fn every_battery_has_a_cell() {
        for v12 in [0.0, 12.9, 14.4, 99.0] {
            for months in [None, Some(0.0), Some(1e9)] {
                let features = Features {
                    months,
                    age_months: months,
                    ..battery(v12)
                };
                assert!(cell(&features) < VOLTAGES * MONTHS * AGES);
            }
        }
    }
}
