//! Shops and methods of one group side by side, fairly: case mix taken out, small numbers told.

use std::collections::BTreeMap;

use uuid::Uuid;

use super::chance_sum::ChanceSum;
use super::funnel::{Dispersion, Funnel, dispersion, funnel};
use super::multiplicity::worth_a_look;
use super::observed_expected::{Limits, ObservedExpected, observed_expected};
use super::rank::{NoRanking, Rank, ShopEffect, ranking};
use super::standard::{OddsRatio, Pair, mantel_haenszel};
use crate::model::adjusted::{Adjusted, Case, MethodContrast, method_contrast, shop_rate};
use crate::model::bands::{MonthsBand, VoltageBand};
use crate::model::fit::{Block, Family, Fit, Observation};
use crate::model::interval::{Interval, jeffreys};
use crate::model::logistic::Undetermined;
use crate::model::normal;
use crate::model::predict::LEVEL;
use crate::model::table::RATE_N_MIN;
use crate::record::words::Method;

/// Cases of the reference mix at most: every so many is taken beyond it. More cost time, not truth.
const MIX_MAX: usize = 2_000;
/// Share of false ones in the list "worth a look". Source: STATISTICS 7.
const FALSE_SHARE: f64 = 0.10;

/// One shop among the shops of its group.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ShopStanding {
    /// Which.
    pub shop: Uuid,
    /// Attempts with a known outcome.
    pub n: u64,
    /// Of these, recovered.
    pub recovered: u64,
    /// Crude rate with its 90 % interval; `None` without outcomes.
    pub crude: Option<Interval>,
    /// Recovered over expected of such batteries in an average shop, 90 % limits.
    pub observed_expected: Option<ObservedExpected>,
    /// Rate for the case mix of the whole group.
    pub adjusted: Option<Adjusted>,
    /// Odds against all other shops within the same bands of voltage and idle time: counts alone, no model. `None`
    /// where either has too few, or no band both.
    pub same_bands: Option<OddsRatio>,
    /// Limits within which an average shop with these batteries would lie.
    pub funnel: Option<Funnel>,
    /// Standard score of the recovered count against the expected; over-dispersion taken out.
    pub score: f64,
    /// On the list "worth a look": at most a tenth of the list is there by chance.
    pub worth_a_look: bool,
    /// Rank with its 90 % range; `None` below 30 attempts or where ranks would pretend.
    pub rank: Option<Rank>,
}

/// All shops of a group.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ShopComparison {
    /// In the order of their ids.
    pub shops: Vec<ShopStanding>,
    /// How much more shops differ than chance lets them; used only beyond the 95 % point.
    pub dispersion: Option<Dispersion>,
    /// Why nobody is ranked.
    pub no_ranking: Option<NoRanking>,
    /// Attempts in the reference mix.
    pub mix: usize,
}

/// Compares the shops of a group by a fit and the outcomes behind it.
///
/// Lead-acid only: lithium is fitted apart. Source: STATISTICS 7.
#[must_use]
pub fn shops(fit: &Fit, observations: &[Observation]) -> ShopComparison {
    let own: Vec<&Observation> = observations
        .iter()
        .filter(|seen| Family::of(seen.features.chemistry) == fit.family())
        .collect();
    let step = own.len().div_ceil(MIX_MAX).max(1);
    let mix: Vec<Case> = own
        .iter()
        .step_by(step)
        .map(|seen| Case::from(*seen))
        .collect();
    let sums: Vec<(Uuid, u64, u64, ChanceSum)> = fit
        .shops()
        .iter()
        .map(|shop| {
            let there = || own.iter().filter(|seen| seen.shop == *shop);
            let chances: Vec<f64> = there()
                .map(|seen| fit.predict(&seen.features, None).mean)
                .collect();
            let recovered = there().filter(|seen| seen.label.value() > 0.5).count();
            let n = chances.len() as u64;
            (*shop, n, recovered as u64, ChanceSum::new(&chances))
        })
        .collect();
    let raw: Vec<f64> = sums.iter().map(|(_, _, y, sum)| sum.score(*y)).collect();
    let spread = dispersion(&raw);
    let phi = spread.map_or(1.0, |spread| spread.factor());
    let scores: Vec<f64> = raw.iter().map(|z| z / libm::sqrt(phi)).collect();
    let tails: Vec<f64> = scores.iter().map(|z| 2.0 * normal::cdf(-z.abs())).collect();
    let looks = worth_a_look(&tails, FALSE_SHARE);
    let adjusted: Vec<Option<Adjusted>> = fit
        .shops()
        .iter()
        .map(|shop| shop_rate(fit, &mix, *shop))
        .collect();
    let (ranks, no_ranking) = match ranked(fit, &sums, &adjusted) {
        Ok(ranks) => (ranks, None),
        Err(reason) => (Vec::new(), Some(reason)),
    };
    let standing =
        |(at, (shop, n, recovered, sum)): (usize, &(Uuid, u64, u64, ChanceSum))| ShopStanding {
            shop: *shop,
            n: *n,
            recovered: *recovered,
            crude: jeffreys(*recovered, *n, LEVEL),
            observed_expected: observed_expected(*recovered, sum.mean(), LEVEL),
            adjusted: adjusted.get(at).cloned().flatten(),
            same_bands: same_bands(&own, |seen| Some(seen.shop == *shop)),
            funnel: funnel(sum, phi),
            score: scores.get(at).copied().unwrap_or(0.0),
            worth_a_look: looks.get(at).copied().unwrap_or(false),
            rank: ranks.get(at).copied().flatten(),
        };
    ShopComparison {
        shops: sums.iter().enumerate().map(standing).collect(),
        dispersion: spread,
        no_ranking,
        mix: mix.len(),
    }
}

/// Ranks by the shops' own coefficients, with their covariance.
fn ranked(
    fit: &Fit,
    sums: &[(Uuid, u64, u64, ChanceSum)],
    adjusted: &[Option<Adjusted>],
) -> Result<Vec<Option<Rank>>, NoRanking> {
    let columns: Vec<usize> = (0..fit.coefficients().len())
        .filter(|at| fit.block(*at) == Some(Block::Shop))
        .collect();
    let effects: Vec<ShopEffect> = sums
        .iter()
        .zip(&columns)
        .zip(adjusted)
        .map(|(((_, n, ..), column), adjusted)| ShopEffect {
            attempts: *n,
            mean: fit.coefficients().get(*column).copied().unwrap_or(0.0),
            interval: adjusted.as_ref().map_or(
                Limits {
                    lower: 0.0,
                    upper: 1.0,
                },
                |rate| Limits {
                    lower: rate.lower,
                    upper: rate.upper,
                },
            ),
        })
        .collect();
    let covariance: Vec<f64> = columns
        .iter()
        .flat_map(|row| {
            columns
                .iter()
                .map(|column| fit.covariance().get(*row, *column))
        })
        .collect();
    ranking(&effects, &covariance)
}

/// Two methods, on the batteries for which both were plausible.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct MethodComparison {
    /// First.
    pub first: Method,
    /// Second.
    pub second: Method,
    /// Recovered and counted of the first.
    pub crude_first: (u64, u64),
    /// Recovered and counted of the second.
    pub crude_second: (u64, u64),
    /// First less second; `None` where people all but always chose one of the two for their kind.
    pub contrast: Option<MethodContrast>,
    /// Odds of the first over those of the second within the same bands of voltage and idle time: counts alone, no
    /// model. `None` where either has too few, or no band both.
    pub same_bands: Option<OddsRatio>,
}

/// Odds of one side over those of the other, strata of voltage and idle time pooled; `first` says on which side an
/// attempt is, or that it is on neither.
fn same_bands(
    seen: &[&Observation],
    first: impl Fn(&Observation) -> Option<bool>,
) -> Option<OddsRatio> {
    let mut strata: BTreeMap<(VoltageBand, MonthsBand), Pair> = BTreeMap::new();
    for one in seen {
        let Some(is_first) = first(one) else { continue };
        let none = Pair {
            first: (0.0, 0.0),
            second: (0.0, 0.0),
        };
        let pair = strata.entry(one.features.bands()).or_insert(none);
        let side = if is_first {
            &mut pair.first
        } else {
            &mut pair.second
        };
        side.0 += one.label.value();
        side.1 += 1.0;
    }
    let strata: Vec<Pair> = strata.into_values().collect();
    let attempts = |of: fn(&Pair) -> f64| strata.iter().map(of).sum::<f64>();
    let least = attempts(|pair| pair.first.1).min(attempts(|pair| pair.second.1));
    if least < RATE_N_MIN as f64 {
        return None;
    }
    mantel_haenszel(&strata, LEVEL)
}

/// Compares every pair of methods that were used.
///
/// # Errors
/// `Undetermined` when a feature is not a number.
pub fn methods(
    fit: &Fit,
    observations: &[Observation],
) -> Result<Vec<MethodComparison>, Undetermined> {
    let own: Vec<Observation> = observations
        .iter()
        .filter(|seen| Family::of(seen.features.chemistry) == fit.family())
        .copied()
        .collect();
    let crude = |method: Method| {
        let of = || own.iter().filter(|seen| seen.features.method == method);
        let recovered = of().filter(|seen| seen.label.value() > 0.5).count();
        (recovered as u64, of().count() as u64)
    };
    let used: Vec<(Method, (u64, u64))> = Method::ALL
        .iter()
        .filter(|method| **method != Method::Unknown)
        .map(|method| (*method, crude(*method)))
        .filter(|(_, (_, n))| *n > 0)
        .collect();
    let rows: Vec<&Observation> = own.iter().collect();
    let mut found = Vec::new();
    for (at, (first, crude_first)) in used.iter().enumerate() {
        for (second, crude_second) in used.iter().skip(at + 1) {
            found.push(MethodComparison {
                first: *first,
                second: *second,
                crude_first: *crude_first,
                crude_second: *crude_second,
                contrast: method_contrast(fit, &own, *first, *second)?,
                same_bands: same_bands(&rows, |seen| match seen.features.method {
                    method if method == *first => Some(true),
                    method if method == *second => Some(false),
                    _ => None,
                }),
            });
        }
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use chrono::DateTime;

    use super::*;
    use crate::model::fit::{Basis, Label, Request, fit};
    use crate::model::prior::{Features, Prior, PriorVersion};

    fn battery(v12: f64, method: Method) -> Features {
        Features {
            v12,
            method,
            ..Features::REFERENCE
        }
    }

    /// Every so many recover, whatever the shop: the second shop only takes harder ones.
    fn invented() -> Vec<Observation> {
        let mut seen = Vec::new();
        for number in 0..240u32 {
            for (shop, hard_of_ten) in [(1u128, 2), (2, 8)] {
                let hard = number % 10 < hard_of_ten;
                let recovers = if hard {
                    number / 10 % 5 == 0
                } else {
                    number / 10 % 5 != 0
                };
                let method = if number % 2 == 0 {
                    Method::CcCv
                } else {
                    Method::LowRateCc
                };
                seen.push(Observation {
                    features: battery(if hard { 8.0 } else { 12.2 }, method),
                    shop: Uuid::from_u128(shop),
                    label: if recovers {
                        Label::Recovered
                    } else {
                        Label::NotRecovered
                    },
                });
            }
        }
        seen
    }

    fn fitted(seen: &[Observation]) -> Fit {
        let prior = Prior::shipped(PriorVersion::Trade1).unwrap();
        let request = Request {
            basis: Basis::LeadAcid(prior),
            cutoff: DateTime::UNIX_EPOCH,
            start: None,
        };
        fit(seen, request).unwrap()
    }

    #[test]
    fn a_shop_that_takes_the_harder_ones_is_not_blamed_for_them() {
        let seen = invented();
        let found = shops(&fitted(&seen), &seen);
        let [easy, hard] = found.shops.as_slice() else {
            panic!("{found:?}");
        };
        let crude = |one: &ShopStanding| one.recovered as f64 / one.n as f64;
        assert!(crude(easy) - crude(hard) > 0.3, "{found:?}");
        let rate = |one: &ShopStanding| one.adjusted.as_ref().unwrap().rate;
        assert!((rate(easy) - rate(hard)).abs() < 0.05, "{found:?}");
        for one in [easy, hard] {
            let ratio = one.observed_expected.unwrap();
            assert!(ratio.exact.lower < 1.0 && ratio.exact.upper > 1.0);
            let funnel = one.funnel.unwrap();
            assert!(funnel.limits_95[0] < crude(one) && crude(one) < funnel.limits_95[1]);
            assert!(!one.worth_a_look);
            let odds = one.same_bands.unwrap();
            assert!(
                odds.limits.lower < 1.0 && odds.limits.upper > 1.0,
                "{odds:?}"
            );
            assert!((odds.ratio - 1.0).abs() < 0.2, "{odds:?}");
        }
    }

    #[test]
    fn methods_are_contrasted_where_both_were_plausible_and_a_coin_is_named() {
        let seen = invented();
        let found = methods(&fitted(&seen), &seen).unwrap();
        assert_eq!(found.len(), 1);
        let one = found.first().unwrap();
        assert_eq!((one.first, one.second), (Method::CcCv, Method::LowRateCc));
        assert_eq!(one.crude_first.1 + one.crude_second.1, seen.len() as u64);
        let contrast = one.contrast.unwrap();
        assert_eq!(contrast.cases, seen.len() as u64);
        assert!(contrast.difference.lower < 0.0 && contrast.difference.upper > 0.0);
        let odds = one.same_bands.unwrap();
        assert!(odds.limits.lower < 1.0 && odds.limits.upper > 1.0);
        // Of four attempts nothing is said.
        let few = methods(&fitted(&seen[..8]), &seen[..8]).unwrap();
        assert_eq!(few[0].same_bands, None);
    }

    // Source: the kidney stones of Charig et al. 1986, Br Med J 292:879 (from memory; counts as in every textbook of
    // Simpson's paradox): open surgery does better for small and for large stones, worse when both are pooled.
    #[test]
    fn within_the_same_bands_the_pooled_order_is_turned_round() {
        let groups = [
            (Method::CcCv, 12.2, 81, 87),
            (Method::CcCv, 8.5, 192, 263),
            (Method::LowRateCc, 12.2, 234, 270),
            (Method::LowRateCc, 8.5, 55, 80),
        ];
        let of = |(method, v12, recovered, n): (Method, f64, u32, u32)| {
            (0..n).map(move |number| Observation {
                features: battery(v12, method),
                shop: Uuid::from_u128(1),
                label: if number < recovered {
                    Label::Recovered
                } else {
                    Label::NotRecovered
                },
            })
        };
        let seen: Vec<Observation> = groups.into_iter().flat_map(of).collect();
        let found = methods(&fitted(&seen), &seen).unwrap();
        let rate = |(recovered, n): (u64, u64)| recovered as f64 / n as f64;
        assert!(rate(found[0].crude_first) < rate(found[0].crude_second));
        let odds = found[0].same_bands.unwrap();
        assert!((odds.ratio - 1.446).abs() < 0.002, "{odds:?}");
    }
}
