//! What people do at a bench: visits, readings, attempts, claims, outcomes.
//!
//! A repeated call with the same request id gets the same answer; the same id with other content is
//! refused. Rows of another shop do not exist for a token of one shop.

pub mod attempts;
pub mod claims;
pub mod lookup;
pub mod outcome;
pub mod readings;
pub mod visits;

use chrono::{DateTime, SubsecRound, TimeDelta, Utc};
use uuid::Uuid;

use super::{Caller, Error};
use crate::ids;
use crate::record::batch::FUTURE_MIN;
use crate::record::sample::{Digest, digest_of};
use crate::record::words::Scope;
use crate::reject::{Code, Reject};
use crate::store::{self, Tx, attempts as attempt_rows, visits as visit_rows};

pub use crate::store::attempts::StoredAttempt;
pub use crate::store::claims::Claim;
pub use crate::store::outcomes::StoredOutcome;
pub use crate::store::readings::StoredReading;
pub use attempts::{
    EndAttempt, SetDisposition, StartAttempt, StartedAttempt, end_attempt, set_disposition,
    start_attempt,
};
pub use claims::{claim_run, claim_session, revoke_claim};
pub use lookup::{AttemptInFull, ListAttempts, ListedAttempt, get_attempt, list_attempts};
pub use outcome::{
    ComeBackReport, ReportOutcome, record_come_back, report_outcome, revise_outcome,
};
pub use readings::{
    AddReading, AddedReading, RawReading, RegisterInstrument, add_reading, register_instrument,
};
pub use visits::{RecordVisit, RecordedVisit, record_visit};

const MAY_WRITE: &[Scope] = &[Scope::Bench, Scope::Operator];
const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const ASK_BENCH: &str = "ask with a bench or operator token";

/// Digest of what was sent, before the server filled in its own time.
pub(crate) fn content_digest(content: &impl serde::Serialize) -> Result<Digest, Error> {
    let bytes =
        serde_json::to_vec(content).map_err(|error| store::Error::Misfit(error.to_string()))?;
    Ok(digest_of(&bytes))
}

/// Id of the row that a request makes.
fn row_id(caller: &Caller, kind: &str, request_id: Uuid) -> Uuid {
    ids::derived(caller.group, kind, &[request_id.as_bytes()])
}

/// The same request id came before with other content.
fn other_content(what: &str) -> Error {
    Error::bad(
        Code::ExistsWithDifferentContent,
        "request_id",
        format!("this request id made a {what} with other content before"),
    )
}

/// A field that must be said.
fn required<T>(field: &str, value: Option<T>, fix: &str) -> Result<T, Error> {
    value.ok_or_else(|| Error::bad(Code::FieldMissing, field, fix))
}

/// A time that was said, or the server's; as exact as it is kept, a microsecond.
fn time_or_now(
    field: &str,
    said: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
) -> Result<DateTime<Utc>, Reject> {
    let at = said.unwrap_or(now).trunc_subsecs(6);
    if at - now > TimeDelta::minutes(FUTURE_MIN) {
        let detail = format!("{at} is ahead of the server, {now}");
        return Err(Reject::new(Code::TimestampInFuture, field, detail));
    }
    Ok(at)
}

/// Finds a visit the caller may see.
async fn visible_visit(
    tx: &mut Tx,
    caller: &Caller,
    id: Uuid,
) -> Result<visit_rows::StoredVisit, Error> {
    visit_rows::find(tx, caller.group, id)
        .await?
        .filter(|visit| caller.sees_shop(Some(visit.shop_id)))
        .ok_or_else(|| Error::not_found("visit", id))
}

/// Finds an attempt the caller may see.
async fn visible_attempt(tx: &mut Tx, caller: &Caller, id: Uuid) -> Result<StoredAttempt, Error> {
    attempt_rows::find(tx, caller.group, id)
        .await?
        .filter(|attempt| caller.sees_shop(Some(attempt.shop_id)))
        .ok_or_else(|| Error::not_found("attempt", id))
}

/// Finds an attempt the caller may see and keeps others from changing it.
async fn locked_attempt(tx: &mut Tx, caller: &Caller, id: Uuid) -> Result<StoredAttempt, Error> {
    attempt_rows::lock(tx, caller.group, id)
        .await?
        .filter(|attempt| caller.sees_shop(Some(attempt.shop_id)))
        .ok_or_else(|| Error::not_found("attempt", id))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_is_cut_to_what_is_kept_and_may_not_lie_ahead() {
        let now = DateTime::from_timestamp(1_790_000_000, 123_456_789).unwrap();
        let kept = time_or_now("start_time", None, now).unwrap();
        assert_eq!(kept.timestamp_subsec_nanos(), 123_456_000);
        let ahead = Some(now + TimeDelta::minutes(FUTURE_MIN) + TimeDelta::seconds(1));
        let reject = time_or_now("start_time", ahead, now).unwrap_err();
        assert_eq!(
            (reject.code, reject.field.as_str()),
            (Code::TimestampInFuture, "start_time")
        );
    }

    #[test]
    fn other_facts_have_another_digest() {
        let digest = |volts: f64| content_digest(&(Uuid::nil(), volts)).unwrap();
        assert_eq!(digest(11.9), digest(11.9));
        assert_ne!(digest(11.9), digest(11.8));
    }
}
