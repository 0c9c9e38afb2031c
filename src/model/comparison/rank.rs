//! Ranks of shops by their adjusted effect, with the uncertainty that a rank has, or a refusal.

use super::chance_sum::ChanceSum;
use super::observed_expected::Limits;
use crate::model::normal;

/// Attempts below which a shop gets no rank. Source: STATISTICS 7.
pub const ATTEMPTS_MIN: u64 = 30;

/// Coverage of a rank's interval. Source: STATISTICS 7.
pub const RANK_LEVEL: f64 = 0.90;

/// Shops up to which ranks are made: the work grows with the cube of their number.
pub const SHOPS_MAX: usize = 200;

/// Points over which a shop's own effect is averaged for the interval of its rank.
const OWN_POINTS: u32 = 100;

/// What the model says about one shop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShopEffect {
    /// Attempts with an outcome.
    pub attempts: u64,
    /// Mean of the effect on log-odds; larger is better.
    pub mean: f64,
    /// Interval of the shop's adjusted rate, as it is shown.
    pub interval: Limits,
}

/// Rank of one shop; 1 is best.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Rank {
    /// Expected rank: not whole.
    pub expected: f64,
    /// Lower and upper end of the 90 % interval, whole ranks.
    pub interval: [u64; 2],
}

/// Why there is no ranking.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NoRanking {
    /// Fewer than two shops have enough attempts.
    TooFewShops,
    /// More than [`SHOPS_MAX`] shops have enough attempts.
    TooManyShops,
    /// Of any two shops one's interval lies within the other's: nobody can be told apart.
    IntervalsOverlap,
    /// The covariance does not belong to these shops.
    BadCovariance,
}

/// Ranks the shops that have at least [`ATTEMPTS_MIN`] attempts among each other.
///
/// `covariance` of the effects is row by row, shops by shops. The result has an entry for each
/// shop in the order given; `None` for a shop with too few attempts.
///
/// # Errors
/// `NoRanking` when ranks would pretend to know what is not known.
///
/// Source: STATISTICS 7 and 9. That "overlap fully" means that one interval lies within the other,
/// for every pair, is our reading.
pub fn ranking(shops: &[ShopEffect], covariance: &[f64]) -> Result<Vec<Option<Rank>>, NoRanking> {
    if covariance.len() != shops.len() * shops.len() {
        return Err(NoRanking::BadCovariance);
    }
    let is_ranked = |shop: &ShopEffect| shop.attempts >= ATTEMPTS_MIN;
    let kept: Vec<usize> = (0..)
        .zip(shops)
        .filter(|(_, shop)| is_ranked(shop))
        .map(|(index, _)| index)
        .collect();
    if kept.len() < 2 {
        return Err(NoRanking::TooFewShops);
    }
    if kept.len() > SHOPS_MAX {
        return Err(NoRanking::TooManyShops);
    }
    let intervals: Vec<Limits> = shops
        .iter()
        .filter(|shop| is_ranked(shop))
        .map(|shop| shop.interval)
        .collect();
    if all_nested(&intervals) {
        return Err(NoRanking::IntervalsOverlap);
    }
    let means: Vec<f64> = shops
        .iter()
        .filter(|shop| is_ranked(shop))
        .map(|shop| shop.mean)
        .collect();
    let part = covariance
        .chunks(shops.len())
        .zip(shops)
        .filter(|(_, shop)| is_ranked(shop))
        .flat_map(|(row, _)| row.iter().zip(shops).filter(|(_, shop)| is_ranked(shop)))
        .map(|(value, _)| *value);
    let part: Vec<f64> = part.collect();
    let ranks = ranks(&means, &part).ok_or(NoRanking::BadCovariance)?;
    let mut ranks = ranks.into_iter();
    let placed = shops
        .iter()
        .map(|shop| is_ranked(shop).then(|| ranks.next()).flatten());
    Ok(placed.collect())
}

/// True when of any two intervals one lies within the other.
fn all_nested(intervals: &[Limits]) -> bool {
    // Sorted by width, a chain of nested intervals only needs its neighbors compared.
    let mut sorted = intervals.to_vec();
    sorted.sort_by(|a, b| (a.upper - a.lower).total_cmp(&(b.upper - b.lower)));
    sorted.windows(2).all(|pair| match pair {
        [inner, outer] => outer.lower <= inner.lower && inner.upper <= outer.upper,
        _ => true,
    })
}

/// Expected ranks and their intervals from means and covariance of effects; 1 is the largest.
///
/// Expected rank: `1 + sum over k of Phi((m_k - m_j) / sd of the difference)`, exact. The interval
/// takes the other shops as independent given the shop's own effect, which is exact when effects
/// are uncorrelated. `None` when the covariance has not as many rows and columns as there are
/// means, or a negative variance.
#[must_use]
pub fn ranks(means: &[f64], covariance: &[f64]) -> Option<Vec<Rank>> {
    let count = means.len();
    let is_square = covariance.len() == count * count;
    let variances: Vec<f64> = covariance.iter().step_by(count + 1).copied().collect();
    if !is_square || !variances.iter().all(|variance| *variance >= 0.0) {
        return None;
    }
    let mut found = Vec::with_capacity(count);
    for (own, row) in covariance.chunks(count.max(1)).enumerate() {
        let others: Vec<Other> = (0..)
            .zip(means.iter().zip(row).zip(&variances))
            .filter(|(index, _)| *index != own)
            .map(|(_, ((mean, covariance), variance))| Other {
                mean: *mean,
                covariance: *covariance,
                variance: *variance,
            })
            .collect();
        let (mean, variance) = (*means.get(own)?, *variances.get(own)?);
        let ahead = others.iter().map(|other| {
            let spread = other.variance + variance - 2.0 * other.covariance;
            chance_above(other.mean - mean, spread)
        });
        found.push(Rank {
            expected: 1.0 + ahead.sum::<f64>(),
            interval: interval(mean, variance, &others),
        });
    }
    Some(found)
}

/// Another shop as seen from the one that is ranked.
struct Other {
    mean: f64,
    covariance: f64,
    variance: f64,
}

/// Chance that a normal variable with this mean and variance is above 0; a tie counts half.
fn chance_above(mean: f64, variance: f64) -> f64 {
    if variance > 0.0 {
        normal::cdf(mean / libm::sqrt(variance))
    } else if mean == 0.0 {
        0.5
    } else {
        f64::from(u8::from(mean > 0.0))
    }
}

/// Interval of a rank: the number of shops ahead, averaged over the shop's own effect.
fn interval(mean: f64, variance: f64, others: &[Other]) -> [u64; 2] {
    let mut ahead = vec![0.0; others.len() + 1];
    let deviation = libm::sqrt(variance);
    let mut chances = Vec::with_capacity(others.len());
    for point in 0..OWN_POINTS {
        let z = normal::quantile((f64::from(point) + 0.5) / f64::from(OWN_POINTS));
        let effect = mean + deviation * z;
        chances.clear();
        chances.extend(others.iter().map(|other| {
            let slope = if variance > 0.0 {
                other.covariance / variance
            } else {
                0.0
            };
            let center = other.mean + slope * (effect - mean);
            chance_above(center - effect, other.variance - slope * other.covariance)
        }));
        let sum = ChanceSum::new(&chances);
        for (k, mass) in (0..).zip(&mut ahead) {
            *mass += sum.exactly(k) / f64::from(OWN_POINTS);
        }
    }
    let tail = 0.5 * (1.0 - RANK_LEVEL);
    [1 + reach(&ahead, tail), 1 + reach(&ahead, 1.0 - tail)]
}

/// Smallest count whose chance of not being exceeded reaches `q`.
fn reach(masses: &[f64], q: f64) -> u64 {
    let sums = masses.iter().scan(0.0, |sum, mass| {
        *sum += mass;
        Some(*sum)
    });
    // The last sum may stay a rounding below 1.
    let below = sums.take_while(|sum| *sum < q - 1e-12).count();
    below.min(masses.len().saturating_sub(1)) as u64
}
