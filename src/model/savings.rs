//! Saved and wasted: what past attempts cost, what the advice would have saved, and what a policy
//! would have brought.
//!
//! Every chance here is the one that was stored before the attempt. A chance from a fit that knew
//! the outcome flatters the advice.

/// Largest weight of an audited case. Source: STATISTICS 8. Larger is less biased and noisier.
pub const WEIGHT_MAX: f64 = 20.0;

/// One past attempt with its outcome.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastAttempt {
    /// Number of its shop and week: attempts of one shop-week share their luck.
    pub shop_week: u64,
    /// Charger hours used.
    pub hours: f64,
    /// What it cost, money.
    pub cost: f64,
    /// Worth of a recovery to that shop, money.
    pub worth: f64,
    /// Chance as it was answered before the attempt, 0 to 1.
    pub chance_before: f64,
    /// What came of it.
    pub recovered: bool,
}

impl PastAttempt {
    /// What leaving the attempt would have saved: its cost less what it brought.
    fn saved_by_leaving(&self) -> f64 {
        self.cost - self.gross()
    }

    /// What it brought before its cost.
    fn gross(&self) -> f64 {
        f64::from(u8::from(self.recovered)) * self.worth
    }

    /// True when the chance told before was below break-even.
    fn is_below_break_even(&self) -> bool {
        self.chance_before * self.worth < self.cost
    }
}

/// A sum of money over attempts with its standard error.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Estimate {
    /// Sum over all attempts.
    pub total: f64,
    /// Mean for each attempt.
    pub per_attempt: f64,
    /// Standard error of the mean, clustered by shop-week; `None` with fewer than two of those.
    pub standard_error: Option<f64>,
    /// Attempts.
    pub attempts: u64,
    /// Shop-weeks.
    pub clusters: u64,
}

/// Hours and money of past attempts.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Waste {
    /// Charger hours of all attempts.
    pub hours: f64,
    /// Charger hours of those that failed.
    pub wasted_hours: f64,
    /// Charger hours of failed attempts whose chance, told before, was below break-even.
    pub avoidable_hours: f64,
    /// Failed attempts.
    pub failed: u64,
    /// Failed attempts whose chance, told before, was below break-even.
    pub avoidable: u64,
}

/// Counts the hours of failed attempts, and of those the advice would have left.
#[must_use]
pub fn waste(attempts: &[PastAttempt]) -> Waste {
    let mut found = Waste {
        hours: 0.0,
        wasted_hours: 0.0,
        avoidable_hours: 0.0,
        failed: 0,
        avoidable: 0,
    };
    for attempt in attempts {
        found.hours += attempt.hours;
        if attempt.recovered {
            continue;
        }
        found.failed += 1;
        found.wasted_hours += attempt.hours;
        if attempt.is_below_break_even() {
            found.avoidable += 1;
            found.avoidable_hours += attempt.hours;
        }
    }
    found
}

/// Estimates what a policy would have saved on the attempts that were made.
///
/// `attempts_it` tells whether the policy would have attempted the case: what it leaves saves its
/// cost and loses what it brought. Says nothing about cases that nobody attempted. `None` without
/// attempts.
///
/// Source: STATISTICS 8: sum of (1 - a)(C - y W).
#[must_use]
pub fn saved(
    attempts: &[PastAttempt],
    attempts_it: impl Fn(&PastAttempt) -> bool,
) -> Option<Estimate> {
    let values = attempts.iter().map(|attempt| {
        let value = if attempts_it(attempt) {
            0.0
        } else {
            attempt.saved_by_leaving()
        };
        (attempt.shop_week, value)
    });
    estimate(values.collect())
}

/// Estimates what leaving all attempts below break-even would have saved.
#[must_use]
pub fn saved_by_break_even(attempts: &[PastAttempt]) -> Option<Estimate> {
    saved(attempts, |attempt| !attempt.is_below_break_even())
}

/// One past decision, attempted or not, with the chance the policy of then gave to an attempt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastDecision {
    /// Number of its shop and week.
    pub shop_week: u64,
    /// Propensity of an attempt when it was decided, above 0 to 1.
    pub propensity: f64,
    /// True when the policy to be valued would attempt it.
    pub policy_attempts: bool,
    /// What the attempt brought less its cost; `None` when it was not made.
    pub gain: Option<f64>,
}

/// Value of a policy by inverse propensity, with what limits it.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct PolicyValue {
    /// Gain over all decisions; its mean is for each decision.
    pub gain: Estimate,
    /// Attempts that carry the value.
    pub carried_by: u64,
    /// Attempts among them whose weight was cut to [`WEIGHT_MAX`]: their gain is counted too low.
    pub capped: u64,
    /// Decisions the policy would attempt that had no chance of it: nothing is known of them, and
    /// they are counted as 0.
    pub blind: u64,
}

/// Values a policy on past decisions by weighing each attempt with 1 / propensity.
///
/// `None` without decisions.
///
/// Source: Horvitz and Thompson 1952, J Am Stat Assoc 47:663; cap by STATISTICS 8.
#[must_use]
pub fn policy_value(decisions: &[PastDecision]) -> Option<PolicyValue> {
    let (mut carried_by, mut capped, mut blind) = (0, 0, 0);
    let mut values = Vec::with_capacity(decisions.len());
    for decision in decisions {
        let mut value = 0.0;
        if decision.policy_attempts {
            let has_chance = decision.propensity > 0.0;
            match decision.gain {
                Some(gain) if has_chance => {
                    let weight = 1.0 / decision.propensity.min(1.0);
                    carried_by += 1;
                    capped += u64::from(weight > WEIGHT_MAX);
                    value = weight.min(WEIGHT_MAX) * gain;
                }
                _ => blind += u64::from(!has_chance),
            }
        }
        values.push((decision.shop_week, value));
    }
    Some(PolicyValue {
        gain: estimate(values)?,
        carried_by,
        capped,
        blind,
    })
}

/// Sum and mean with the spread between clusters.
///
/// Source: cluster-robust variance of a mean with the factor g / (g - 1); checked against
/// statsmodels.
fn estimate(mut values: Vec<(u64, f64)>) -> Option<Estimate> {
    if values.is_empty() {
        return None;
    }
    // Stable, so that the sums do not depend on anything but the order given.
    values.sort_by_key(|value| value.0);
    let count = values.len() as f64;
    let total: f64 = values.iter().map(|value| value.1).sum();
    let mean = total / count;
    let mut clusters = 0_u64;
    let mut squares = 0.0;
    for cluster in values.chunk_by(|a, b| a.0 == b.0) {
        let sum: f64 = cluster.iter().map(|value| value.1 - mean).sum();
        squares += sum * sum;
        clusters += 1;
    }
    let factor = clusters as f64 / (clusters as f64 - 1.0);
    Some(Estimate {
        total,
        per_attempt: mean,
        standard_error: (clusters > 1).then(|| libm::sqrt(factor * squares) / count),
        attempts: values.len() as u64,
        clusters,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-12, "{found} {expected}");
    }

    fn attempt(chance_before: f64, recovered: bool, hours: f64) -> PastAttempt {
        PastAttempt {
            shop_week: 1,
            hours,
            cost: 12.0,
            worth: 40.0,
            chance_before,
            recovered,
        }
    }

    #[test]
    fn only_failures_are_wasted_and_only_foreseen_ones_avoidable() {
        let found = waste(&[
            attempt(0.2, false, 9.0),
            attempt(0.2, true, 8.0),
            attempt(0.3, false, 7.0),
            attempt(0.9, false, 5.0),
        ]);
        // Break-even is .3: a chance of just that was worth trying.
        near(found.hours, 29.0);
        near(found.wasted_hours, 21.0);
        near(found.avoidable_hours, 9.0);
        assert_eq!((found.failed, found.avoidable), (3, 1));
    }

    #[test]
    fn leaving_saves_the_cost_and_loses_what_was_recovered() {
        let attempts = [
            attempt(0.2, false, 9.0),
            attempt(0.2, true, 8.0),
            attempt(0.1, false, 7.0),
            attempt(0.9, true, 5.0),
        ];
        // 12 - 28 + 12 + 0.
        let found = saved_by_break_even(&attempts).unwrap();
        near(found.total, -4.0);
        assert_eq!(found.standard_error, None);
        near(saved(&attempts, |_| true).unwrap().total, 0.0);
        near(saved(&attempts, |_| false).unwrap().total, -32.0);
        assert_eq!(saved_by_break_even(&[]), None);
    }

    #[test]
    fn the_standard_error_agrees_with_a_clustered_mean() {
        // Source: statsmodels 0.15, OLS on a constant, cov_type="cluster". Independent.
        let weeks = [4, 1, 1, 2, 2, 3, 1, 4, 4, 4];
        let values = [2.5, 12.0, -3.0, 0.0, 8.0, -6.0, 4.0, 2.5, -1.0, 9.0];
        let found = estimate(weeks.into_iter().zip(values).collect()).unwrap();
        near(found.per_attempt, 2.8);
        near(found.standard_error.unwrap(), 1.197_775_716_345_370_8);
        assert_eq!((found.attempts, found.clusters), (10, 4));
    }

    #[test]
    fn a_policy_is_valued_by_its_audits_with_capped_weights() {
        let decision = |propensity, policy_attempts, gain| PastDecision {
            shop_week: 1,
            propensity,
            policy_attempts,
            gain,
        };
        let found = policy_value(&[
            decision(1.0, true, Some(10.0)),
            decision(1.0, false, Some(-7.0)),
            decision(0.1, true, Some(2.0)),
            decision(0.01, true, Some(-3.0)),
            decision(0.01, true, None),
            decision(0.0, true, None),
        ])
        .unwrap();
        // 10 + 2 / .1 - 3 x 20.
        near(found.gain.total, -30.0);
        near(found.gain.per_attempt, -5.0);
        assert_eq!((found.carried_by, found.capped, found.blind), (3, 1, 1));
        assert_eq!(policy_value(&[]), None);
    }

    #[test]
    fn audits_value_a_policy_without_bias_over_all_their_draws() {
        // Two cases of gain 6 and -2 audited with chances .5 and .25: over the four draws, weighed
        // by their chance, the mean is the true total of 4.
        let cases = [(0.5, 6.0), (0.25, -2.0)];
        let mut mean = 0.0;
        for drawn in [[true, true], [true, false], [false, true], [false, false]] {
            let mut chance = 1.0;
            let decisions: Vec<PastDecision> = cases
                .into_iter()
                .zip(drawn)
                .map(|((propensity, gain), is_drawn)| {
                    chance *= if is_drawn {
                        propensity
                    } else {
                        1.0 - propensity
                    };
                    PastDecision {
                        shop_week: 1,
                        propensity,
                        policy_attempts: true,
                        gain: is_drawn.then_some(gain),
                    }
                })
                .collect();
            mean += chance * policy_value(&decisions).unwrap().gain.total;
        }
        near(mean, 4.0);
    }
}
