//! What is known of the battery of a run: attempt -> visit -> battery, and its readings.

use uuid::Uuid;

use crate::analysis::context::Context;
use crate::record::reading::ReadingValue;
use crate::record::words::{ReadingKind, TesterState};
use crate::store::{Error, Tx, attempts, claims, readings, visits};
use crate::units::{AmpHours, CrankingAmps, Months};

/// The attempt that has claimed a session, and what its visit says of the battery.
///
/// Nothing is known of a session that nobody claimed.
pub(super) async fn of(tx: &mut Tx, session: Uuid) -> Result<(Option<Uuid>, Context), Error> {
    let unknown = (None, Context::default());
    let group = tx.group();
    let Some(claim) = claims::live_of_session(tx, group, session).await? else {
        return Ok(unknown);
    };
    let Some(attempt) = attempts::find(tx, group, claim.attempt_id).await? else {
        return Ok(unknown);
    };
    let Some(stored) = visits::find(tx, group, attempt.visit_id).await? else {
        return Ok(unknown);
    };
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
    Ok((Some(claim.attempt_id), context))
}
