//! What is known of the battery of a run: attempt -> visit -> battery, and its readings.

use std::collections::BTreeMap;

use uuid::Uuid;

use crate::analysis::context::Context;
use crate::analysis::rules::Rules;
use crate::record::reading::ReadingValue;
use crate::record::words::{ReadingKind, TesterState};
use crate::store::attempts::StoredAttempt;
use crate::store::visits::StoredVisit;
use crate::store::{Error, Tx, attempts, claims, readings, rule_overrides, visits};
use crate::units::{AmpHours, CrankingAmps, Months};

/// What a run is analyzed by.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Facts {
    /// The attempt that has claimed it.
    pub(super) attempt: Option<Uuid>,
    /// What its visit says of the battery.
    pub(super) context: Context,
    /// Thresholds of its shop and battery.
    pub(super) rules: Rules,
}

/// Facts of the run of a session that stands in a shop.
///
/// Nothing is known of the battery of a session that nobody claimed.
pub(super) async fn of(tx: &mut Tx, session: Uuid, shop: Option<Uuid>) -> Result<Facts, Error> {
    let group = tx.group();
    let claim = claims::live_of_session(tx, group, session).await?;
    let attempt = match claim {
        Some(claim) => attempts::find(tx, group, claim.attempt_id).await?,
        None => None,
    };
    let visit = match &attempt {
        Some(attempt) => visits::find(tx, group, attempt.visit_id).await?,
        None => None,
    };
    let battery = visit.as_ref().and_then(|visit| visit.battery_id);
    let shop = attempt.as_ref().map(|attempt| attempt.shop_id).or(shop);
    let rules = rules_for(tx, (shop, battery)).await?;
    let (attempt, context) = match attempt.zip(visit) {
        Some((attempt, visit)) => {
            let context = of_visit(tx, &attempt, visit).await?;
            (Some(attempt.attempt_id), context)
        }
        None => (None, Context::default()),
    };
    Ok(Facts {
        attempt,
        context,
        rules,
    })
}

async fn of_visit(
    tx: &mut Tx,
    attempt: &StoredAttempt,
    stored: StoredVisit,
) -> Result<Context, Error> {
    let group = tx.group();
    let visit = stored.visit;
    let rated_cca_a = visit.battery.rated_cca.map(|rated| rated.0);
    let rated_cca_a = rated_cca_a.map(CrankingAmps::get);
    let mut context = Context {
        claimed: true,
        nominal_v: Some(visit.battery.nominal_v),
        chemistry: visit.battery.chemistry,
        c20_ah: visit.battery.rated_ah.map(AmpHours::get),
        rated_cca_a,
        measured_cca_a: rated_cca_a
            .zip(visit.cca_ratio)
            .map(|(rated, ratio)| rated * ratio),
        below_instrument_minimum: visit.tester == TesterState::NoPowerUp,
        age_months: visit.age.map(Months::get),
        start_rest_v: Some(visit.rest_v.get()),
        planned_limit_v: attempt.planned_v,
        planned_limit_a: attempt.planned_a,
        ..Context::default()
    };
    // Oldest first: the last one told is the one that counts.
    for stored in readings::of_visit(tx, group, attempt.visit_id).await? {
        let reading = stored.reading;
        match (reading.kind, reading.value) {
            (ReadingKind::MeasuredCca, ReadingValue::Measured(amperes)) => {
                context.measured_cca_a = Some(amperes);
                context.below_instrument_minimum = false;
            }
            (ReadingKind::MeasuredCca, ReadingValue::BelowInstrumentMinimum) => {
                context.measured_cca_a = None;
                context.below_instrument_minimum = true;
            }
            (ReadingKind::OpenCircuitVoltage, ReadingValue::Measured(volts))
                if reading.at <= attempt.attempt.started_at =>
            {
                context.start_rest_v = Some(volts);
            }
            _ => {}
        }
    }
    Ok(context)
}

/// The thresholds for a shop and a battery.
///
/// A change that no longer fits, after a range was narrowed, is passed over: the default holds.
async fn rules_for(
    tx: &mut Tx,
    (shop, battery): (Option<Uuid>, Option<Uuid>),
) -> Result<Rules, Error> {
    let group = tx.group();
    let label = match battery {
        Some(battery) => rule_overrides::label_of(tx, group, battery).await?,
        None => None,
    };
    let changes = rule_overrides::in_force(tx, group, (shop, label.as_deref())).await?;
    let mut rules = Rules::default();
    for change in changes {
        let value = change
            .value
            .or_else(|| Rules::default().get(&change.rule_key));
        let Some(value) = value else { continue };
        let one = BTreeMap::from([(change.rule_key, value)]);
        if let Ok(changed) = rules.with(&one) {
            rules = changed;
        }
    }
    Ok(rules)
}
