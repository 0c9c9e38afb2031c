//! Reliability of forecasts in bins: what was said beside what happened.

use super::interval::{self, Interval};
use super::isotonic;
use super::scores::Forecast;

/// How forecasts are put into bins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Binning {
    /// So many bins of equal width on 0 to 1; an edge belongs to the upper bin.
    EqualWidth(u32),
    /// So many bins of equal numbers of forecasts, by rising chance; the usual choice.
    EqualMass(u32),
}

/// Forecasts of similar chance and their outcomes.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Bin {
    /// Number of forecasts, at least 1.
    pub count: u64,
    /// Number that recovered.
    pub recovered: u64,
    /// Mean of the forecast chances, 0 to 1.
    pub mean_chance: f64,
    /// Share that recovered, 0 to 1.
    pub rate: f64,
    /// Wilson interval of the share.
    pub interval: Interval,
    /// The share on the rising curve nearest to all bins: what a chance like this came to. For drawings.
    pub smoothed: f64,
}

/// Puts forecasts into bins; empty bins are left out.
///
/// The level is that of the Wilson bars, between 0 and 1; for another one there are no bins. The
/// order of the forecasts does not matter: equal chances that straddle two bins are taken failures
/// first.
#[must_use]
pub fn bins(forecasts: &[Forecast], binning: Binning, level: f64) -> Vec<Bin> {
    let mut sorted = forecasts.to_vec();
    sorted.sort_by(|a, b| {
        let chances = a.chance.total_cmp(&b.chance);
        chances.then(a.recovered.cmp(&b.recovered))
    });
    let groups: Vec<&[Forecast]> = match binning {
        Binning::EqualWidth(count) => sorted
            .chunk_by(|a, b| slot(a.chance, count) == slot(b.chance, count))
            .collect(),
        Binning::EqualMass(count) => equal_mass(&sorted, count),
    };
    let bins = groups.into_iter().filter_map(|group| bin(group, level));
    let mut bins: Vec<Bin> = bins.collect();
    let rates: Vec<(f64, f64)> = bins
        .iter()
        .map(|bin| (bin.rate, bin.count as f64))
        .collect();
    for (bin, smoothed) in bins.iter_mut().zip(isotonic::rising(&rates)) {
        bin.smoothed = smoothed;
    }
    bins
}

/// Mean distance between forecast and rate over the bins, weighted by their numbers: 0 is best.
///
/// Known as the expected calibration error. `None` without forecasts.
#[must_use]
pub fn calibration_error(forecasts: &[Forecast], binning: Binning) -> Option<f64> {
    weighted(forecasts, binning, |bin| (bin.mean_chance - bin.rate).abs())
}

/// The three parts of the Brier score of binned forecasts.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MurphyParts {
    /// Mean squared distance between forecast and rate in the bins: 0 is best.
    pub reliability: f64,
    /// Mean squared distance of the bins' rates from the overall rate: more is better.
    pub resolution: f64,
    /// Brier score of always saying the overall rate.
    pub uncertainty: f64,
}

/// Splits the Brier score over bins. `None` without forecasts.
///
/// Source: Murphy 1973, J. Appl. Meteorol. 12:595.
#[must_use]
pub fn murphy_parts(forecasts: &[Forecast], binning: Binning) -> Option<MurphyParts> {
    let hits = forecasts.iter().filter(|forecast| forecast.recovered);
    let base = hits.count() as f64 / forecasts.len() as f64;
    Some(MurphyParts {
        reliability: weighted(forecasts, binning, |bin| {
            (bin.mean_chance - bin.rate) * (bin.mean_chance - bin.rate)
        })?,
        resolution: weighted(forecasts, binning, |bin| {
            (bin.rate - base) * (bin.rate - base)
        })?,
        uncertainty: base * (1.0 - base),
    })
}

/// Mean of a number per bin over all forecasts.
fn weighted(forecasts: &[Forecast], binning: Binning, of: impl Fn(&Bin) -> f64) -> Option<f64> {
    let bins = bins(forecasts, binning, 0.9);
    let sum: f64 = bins.iter().map(|bin| bin.count as f64 * of(bin)).sum();
    (!bins.is_empty()).then(|| sum / forecasts.len() as f64)
}

/// Number of inner edges at or below a chance.
fn slot(chance: f64, count: u32) -> usize {
    let width = 1.0 / f64::from(count.max(1));
    let edges = 1..count;
    edges
        .take_while(|&edge| f64::from(edge) * width <= chance)
        .count()
}

/// Cuts sorted forecasts into runs whose lengths differ by at most one.
fn equal_mass(sorted: &[Forecast], count: u32) -> Vec<&[Forecast]> {
    let count = count.max(1) as usize;
    let cut = |index: usize| sorted.len() * index / count;
    (0..count)
        .filter_map(|index| sorted.get(cut(index)..cut(index + 1)))
        .collect()
}

/// Counts one bin; `None` when it is empty or the level is none.
fn bin(group: &[Forecast], level: f64) -> Option<Bin> {
    let count = group.len() as u64;
    let recovered = group.iter().filter(|forecast| forecast.recovered).count() as u64;
    let sum: f64 = group.iter().map(|forecast| forecast.chance).sum();
    let rate = recovered as f64 / count as f64;
    Some(Bin {
        count,
        recovered,
        mean_chance: sum / count as f64,
        rate,
        interval: interval::wilson(recovered, count, level)?,
        smoothed: rate,
    })
}
