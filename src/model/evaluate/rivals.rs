//! Simpler ways to decide, each with one plain setting.

use super::{Guess, Presented};
use crate::model::bands::{MonthsBand, VoltageBand};
use crate::model::fit::Observation;
use crate::model::interval;
use crate::model::logistic::{Gaussian, Model, Rows, Undetermined};
use crate::model::normal;
use crate::model::predict::{LEVEL, Z_90};
use crate::model::prior::Features;
use crate::record::words::{Chemistry, TesterState};
use std::collections::BTreeMap;

/// The cut of the fixed rule, V of six cells. Source: STATISTICS 10.
const CUT_V: f64 = 10.5;
/// Precision that keeps the plain fit finite when few outcomes are separated: sd of 10 log-odds.
const PLAIN_PRECISION: f64 = 0.01;
/// Columns of the plain fit.
const PLAIN_COLUMNS: usize = 9;

/// Attempts from 10.5 V.
pub(super) fn cut(features: &Features) -> bool {
    features.v12 >= CUT_V
}

/// Share of the voltage and months band with its Jeffreys interval; an empty band knows nothing.
pub(super) fn band_table(train: &[Observation], presented: &[Presented]) -> Vec<Guess> {
    let mut counts: BTreeMap<(VoltageBand, MonthsBand), (u64, u64)> = BTreeMap::new();
    for seen in train {
        let (y, n) = counts.entry(seen.features.bands()).or_default();
        *n += 1;
        *y += u64::from(seen.label.value() > 0.5);
    }
    let guess = |visit: &Presented| {
        let (y, n) = counts
            .get(&visit.features.bands())
            .copied()
            .unwrap_or_default();
        let range = interval::jeffreys(y, n, LEVEL);
        Guess {
            mean: (y as f64 + 0.5) / (n as f64 + 1.0),
            // Beta(1/2, 1/2): sin^2(pi / 40) and its mirror.
            lower: range.map_or(0.006_155_829_702_431_115, |range| range.lower),
            upper: range.map_or(0.993_844_170_297_568_9, |range| range.upper),
        }
    };
    presented.iter().map(guess).collect()
}

/// Straight lines in voltage, months, age and cranking current; gaps filled by the mean.
pub(super) fn plain_logistic(
    train: &[Observation],
    presented: &[Presented],
) -> Result<Vec<Guess>, Undetermined> {
    let fill = Fill::of(train);
    let mut prior = Gaussian::flat(PLAIN_COLUMNS);
    for column in 0..PLAIN_COLUMNS {
        prior.precision.set(column, column, PLAIN_PRECISION);
    }
    let model = Model {
        prior,
        groups: Vec::new(),
        rising: Vec::new(),
    };
    let mut rows = Rows::with_capacity(train.len());
    for seen in train {
        rows.push(fill.row(&seen.features), seen.label.value());
    }
    let solution = model.solve(&rows, model.cold_start())?;
    let guess = |visit: &Presented| {
        let row = fill.row(&visit.features);
        let terms = row.iter().zip(&solution.coefficients);
        let eta: f64 = terms.map(|((_, x), b)| x * b).sum();
        let sd = libm::sqrt(solution.covariance.form(&row));
        Guess {
            mean: normal::logistic(eta),
            lower: normal::logistic(eta - Z_90 * sd),
            upper: normal::logistic(eta + Z_90 * sd),
        }
    };
    Ok(presented.iter().map(guess).collect())
}

/// Means that stand in for what is not known.
struct Fill {
    months: f64,
    age: f64,
    cca: f64,
}

impl Fill {
    fn of(train: &[Observation]) -> Self {
        let mean = |value: fn(&Features) -> Option<f64>| {
            let known = train.iter().filter_map(|seen| value(&seen.features));
            let (sum, n) = known.fold((0.0, 0.0), |(sum, n), x| (sum + x, n + 1.0));
            if n > 0.0 { sum / n } else { 0.0 }
        };
        Self {
            months: mean(idle),
            age: mean(years),
            cca: mean(|features| features.cca_ratio),
        }
    }

    fn row(&self, of: &Features) -> Vec<(usize, f64)> {
        let flag = |set: bool| f64::from(u8::from(set));
        let values: [f64; PLAIN_COLUMNS] = [
            1.0,
            of.v12 - 12.0,
            idle(of).unwrap_or(self.months),
            years(of).unwrap_or(self.age),
            of.cca_ratio.unwrap_or(self.cca),
            flag(of.tester == TesterState::Ok),
            flag(of.tester == TesterState::NoPowerUp),
            flag(of.chemistry == Chemistry::Agm),
            flag(of.chemistry == Chemistry::Gel),
        ];
        values.into_iter().enumerate().collect()
    }
}

fn idle(of: &Features) -> Option<f64> {
    of.months.map(|months| libm::log1p(months.max(0.0)))
}

fn years(of: &Features) -> Option<f64> {
    of.age_months.map(|months| months / 12.0)
}
