//! The answer to "is this one worth an attempt?": five rungs, tried from the top.
//!
//! Nothing is drawn here: the coin of the audits is a number the caller drew and recorded, and the
//! propensity of each answer is part of it.

use super::value::Stakes;
use crate::record::words::vocabulary;

vocabulary! {
    /// What is answered.
    Rung {
        /// A hazard was seen: no attempt, and no statistics.
        HazardStop = "hazard_stop",
        /// One more reading is worth more than it costs.
        MeasureFirst = "measure_first",
        /// Trying pays on average.
        Attempt = "attempt",
        /// Trying does not pay by itself, but the shops learn from it.
        AuditAttempt = "audit_attempt",
        /// Trying does not pay.
        DoNotAttempt = "do_not_attempt",
    }
}

/// Smallest net value of a reading that is worth asking for, as a share of the worth.
///
/// Source: STATISTICS 5. Smaller asks more often for less.
pub const READING_SHARE_MIN: f64 = 0.02;

/// Equivalent number of similar batteries below which a case is thin. Source: STATISTICS 5.
pub const THIN_BELOW: f64 = 15.0;

/// How many audits are made.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct AuditPolicy {
    /// Largest share of attempts that may be audits of thin cases.
    pub cap: f64,
    /// Chance of an audit for every other case that does not pay.
    pub coin: f64,
}

impl Default for AuditPolicy {
    /// 2 % of attempts and a 1 % coin. Source: STATISTICS 5.
    fn default() -> Self {
        Self {
            cap: 0.02,
            coin: 0.01,
        }
    }
}

/// What the audits of a group look like now, and the number drawn for this case.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AuditState {
    /// Attempts so far in the period the cap counts.
    pub attempts: u64,
    /// Audits among them.
    pub audits: u64,
    /// Number drawn evenly from 0 to 1 for this case and recorded by the caller.
    pub draw: f64,
}

/// One case as the ladder sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Case {
    /// True when a hazard forbids the attempt.
    pub hazard: bool,
    /// Chance of recovery, 0 to 1.
    pub chance: f64,
    /// Upper 90 % limit of the chance.
    pub chance_upper: f64,
    /// Mean of the log-odds.
    pub eta: f64,
    /// Their deviation.
    pub sd: f64,
    /// Equivalent number of similar batteries behind the chance.
    pub equivalent_count: f64,
    /// Worth and cost.
    pub stakes: Stakes,
    /// Largest net value of a reading not yet taken; `None` when there is none to take.
    pub best_reading: Option<f64>,
}

/// The answer with what it rests on.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Decision {
    /// What is answered.
    pub rung: Rung,
    /// Chance that breaks even; `None` when a recovery is worth nothing.
    pub break_even: Option<f64>,
    /// Expected gain of trying.
    pub expected_value: f64,
    /// Confidence that trying pays, 0 to 1.
    pub pays_confidence: f64,
    /// Chance with which this policy answers "attempt" or "audit attempt" to this case; `None`
    /// when it asks for a reading first and decides later.
    pub propensity: Option<f64>,
}

/// Answers for one case.
///
/// Source: STATISTICS 5 (answer, exploration).
#[must_use]
pub fn decide(case: &Case, policy: &AuditPolicy, state: &AuditState) -> Decision {
    let stakes = &case.stakes;
    let expected_value = stakes.expected_value(case.chance);
    let (rung, propensity) = if case.hazard {
        (Rung::HazardStop, Some(0.0))
    } else if is_reading_worth_it(case) {
        (Rung::MeasureFirst, None)
    } else if expected_value > 0.0 {
        (Rung::Attempt, Some(1.0))
    } else {
        audit(case, policy, state)
    };
    Decision {
        rung,
        break_even: stakes.break_even(),
        expected_value,
        pays_confidence: stakes.chance_that_it_pays(case.eta, case.sd),
        propensity,
    }
}

/// True when the best reading is worth more than nothing and than its share of the worth.
fn is_reading_worth_it(case: &Case) -> bool {
    let least = (READING_SHARE_MIN * case.stakes.worth).max(0.0);
    case.best_reading.is_some_and(|net| net > least)
}

/// A case that does not pay: an audit if it is thin, could pay and there is room, else by the coin.
fn audit(case: &Case, policy: &AuditPolicy, state: &AuditState) -> (Rung, Option<f64>) {
    if is_thin(case) && has_room(policy, state) {
        return (Rung::AuditAttempt, Some(1.0));
    }
    let coin = policy.coin.clamp(0.0, 1.0);
    let rung = if state.draw < coin {
        Rung::AuditAttempt
    } else {
        Rung::DoNotAttempt
    };
    (rung, Some(coin))
}

/// True when little is known and the upper limit of the chance would pay.
#[must_use]
pub fn is_thin(case: &Case) -> bool {
    case.equivalent_count < THIN_BELOW && case.stakes.expected_value(case.chance_upper) > 0.0
}

/// True when one more audit stays within the cap.
#[must_use]
pub fn has_room(policy: &AuditPolicy, state: &AuditState) -> bool {
    (state.audits + 1) as f64 <= policy.cap * (state.attempts + 1) as f64
}

/// Picks the thin cases of a list that fit under the cap, the most promising first.
///
/// Gives their places in the list, in the order of promise: expected gain at the upper limit.
#[must_use]
pub fn choose_audits(cases: &[Case], policy: &AuditPolicy, state: &AuditState) -> Vec<usize> {
    let mut thin: Vec<(usize, f64)> = (0..)
        .zip(cases)
        .filter(|(_, case)| !case.hazard && case.stakes.expected_value(case.chance) <= 0.0)
        .filter(|(_, case)| is_thin(case))
        .map(|(place, case)| (place, case.stakes.expected_value(case.chance_upper)))
        .collect();
    thin.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    let mut state = *state;
    let mut chosen = Vec::new();
    for (place, _) in thin {
        if !has_room(policy, &state) {
            break;
        }
        state.attempts += 1;
        state.audits += 1;
        chosen.push(place);
    }
    chosen
}

#[cfg(test)]
mod tests {
    use super::*;

    const STAKES: Stakes = Stakes {
        worth: 50.0,
        cost: 15.0,
    };

    const POOR: Case = Case {
        hazard: false,
        chance: 0.2,
        chance_upper: 0.45,
        eta: -1.386,
        sd: 0.7,
        equivalent_count: 9.0,
        stakes: STAKES,
        best_reading: None,
    };

    const FULL: AuditState = AuditState {
        attempts: 100,
        audits: 2,
        draw: 0.5,
    };

    fn answer(case: &Case, state: &AuditState) -> (Rung, Option<f64>) {
        let found = decide(case, &AuditPolicy::default(), state);
        (found.rung, found.propensity)
    }

    #[test]
    fn a_hazard_comes_before_everything() {
        let case = Case {
            hazard: true,
            chance: 0.99,
            best_reading: Some(40.0),
            ..POOR
        };
        assert_eq!(answer(&case, &FULL), (Rung::HazardStop, Some(0.0)));
    }

    #[test]
    fn a_reading_is_asked_for_only_beyond_two_percent_of_the_worth() {
        let with = |net| Case {
            chance: 0.6,
            best_reading: Some(net),
            ..POOR
        };
        assert_eq!(answer(&with(1.01), &FULL), (Rung::MeasureFirst, None));
        assert_eq!(answer(&with(1.0), &FULL), (Rung::Attempt, Some(1.0)));
        assert_eq!(answer(&with(-3.0), &FULL), (Rung::Attempt, Some(1.0)));
    }

    #[test]
    fn a_thin_case_is_an_audit_while_the_cap_has_room() {
        let roomy = AuditState { audits: 1, ..FULL };
        assert_eq!(answer(&POOR, &roomy), (Rung::AuditAttempt, Some(1.0)));
        assert_eq!(answer(&POOR, &FULL), (Rung::DoNotAttempt, Some(0.01)));
        let known = Case {
            equivalent_count: 15.0,
            ..POOR
        };
        assert_eq!(answer(&known, &roomy), (Rung::DoNotAttempt, Some(0.01)));
        let hopeless = Case {
            chance_upper: 0.3,
            ..POOR
        };
        assert_eq!(answer(&hopeless, &roomy), (Rung::DoNotAttempt, Some(0.01)));
    }

    #[test]
    fn the_coin_makes_an_audit_and_its_chance_is_told_either_way() {
        let lucky = AuditState {
            draw: 0.009_9,
            ..FULL
        };
        assert_eq!(answer(&POOR, &lucky), (Rung::AuditAttempt, Some(0.01)));
    }

    #[test]
    fn the_answer_carries_break_even_gain_and_confidence() {
        let found = decide(&POOR, &AuditPolicy::default(), &FULL);
        assert!((found.break_even.unwrap() - 0.3).abs() < 1e-15);
        assert!((found.expected_value + 5.0).abs() < 1e-12);
        // Phi((-1.386 + .8472979) / .7) = Phi(-.7695744) = .220776172 (mpmath).
        assert!((found.pays_confidence - 0.220_776_172).abs() < 1e-9);
    }

    #[test]
    fn a_list_gives_its_audits_to_the_most_promising() {
        let upper = |chance_upper| Case {
            chance_upper,
            ..POOR
        };
        let cases = [upper(0.4), upper(0.6), upper(0.2), upper(0.5)];
        let state = AuditState {
            attempts: 110,
            audits: 0,
            draw: 0.5,
        };
        let policy = AuditPolicy::default();
        assert_eq!(choose_audits(&cases, &policy, &state), [1, 3]);
        assert_eq!(choose_audits(&cases, &policy, &FULL), [0; 0]);
    }
}
