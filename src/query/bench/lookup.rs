//! Attempts to look at: one in full, or a listing.

use chrono::TimeDelta;
use uuid::Uuid;

use super::{ASK_BENCH, Claim, MAY_READ, StoredAttempt, StoredOutcome, visible_attempt};
use crate::clock::Clock;
use crate::query::{self, Caller, Error, Page};
use crate::store::attempts::Filter;
use crate::store::readings::StoredReading;
use crate::store::{Store, attempts, claims, outcomes, readings, sessions};

/// How long before the noted start a session may have begun and still be proposed, minutes.
///
/// Our choice: clamps go on first, the note is written after.
const PROPOSED_BEFORE_MIN: i64 = 15;

/// An attempt with everything that hangs on it.
#[derive(Debug, Clone, PartialEq)]
pub struct AttemptInFull {
    /// The attempt.
    pub attempt: StoredAttempt,
    /// Claims, live and revoked, oldest first.
    pub claims: Vec<Claim>,
    /// Sessions of the same bench and time that nobody claimed.
    pub proposed_sessions: Vec<Uuid>,
    /// Readings of the visit at intake and of the attempt, oldest first.
    pub readings: Vec<StoredReading>,
    /// Every revision of the outcome, newest first; empty before the first.
    pub revisions: Vec<StoredOutcome>,
}

/// Filter and page of a listing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ListAttempts {
    /// Only this shop.
    pub shop_id: Option<Uuid>,
    /// Rows a page; 50 when 0.
    pub page_size: i32,
    /// From the answer before; empty at first.
    pub page_token: String,
}

/// One row of a listing.
#[derive(Debug, Clone, PartialEq)]
pub struct ListedAttempt {
    /// The attempt.
    pub attempt: StoredAttempt,
    /// Newest revision of its outcome.
    pub outcome: Option<StoredOutcome>,
}

/// Shows one attempt in full.
///
/// # Errors
/// `Denied`, `NotFound`.
pub async fn get_attempt(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    attempt_id: Uuid,
) -> Result<AttemptInFull, Error> {
    caller.need(MAY_READ, "read attempts", ASK_BENCH)?;
    let group = caller.group;
    let mut tx = store.begin(group).await?;
    let attempt = visible_attempt(&mut tx, caller, attempt_id).await?;
    let claims = claims::of_attempt(&mut tx, group, attempt_id).await?;
    let from = attempt.attempt.started_at - TimeDelta::minutes(PROPOSED_BEFORE_MIN);
    let to = attempt.attempt.ended_at.unwrap_or_else(|| clock.now());
    let proposed_sessions = match attempt.bench_id {
        Some(bench) => sessions::unclaimed_on_bench(&mut tx, group, bench, (from, to)).await?,
        None => Vec::new(),
    };
    let mut readings = readings::of_visit(&mut tx, group, attempt.visit_id).await?;
    readings.retain(|reading| reading.attempt_id.is_none_or(|of| of == attempt_id));
    let revisions = outcomes::revisions(&mut tx, group, attempt_id).await?;
    tx.rollback().await?;
    Ok(AttemptInFull {
        attempt,
        claims,
        proposed_sessions,
        readings,
        revisions,
    })
}

/// Lists attempts the caller may see by start, newest first.
///
/// # Errors
/// `Denied`, `NotFound` for another shop than the token's, `FIELD_INVALID` for size or token.
pub async fn list_attempts(
    store: &Store,
    _clock: &Clock,
    caller: &Caller,
    request: ListAttempts,
) -> Result<Page<ListedAttempt>, Error> {
    caller.need(MAY_READ, "read attempts", ASK_BENCH)?;
    let size = query::page_size(request.page_size)?;
    let shop = caller.shop_among(request.shop_id)?;
    let before = query::read_time_token(&request.page_token)?;
    let mut tx = store.begin(caller.group).await?;
    let filter = Filter {
        shop,
        before,
        limit: size + 1,
    };
    let rows = attempts::list(&mut tx, caller.group, filter).await?;
    let page = query::cut_page(rows, size, |row| {
        query::time_token(row.attempt.started_at, row.attempt_id)
    });
    let ids: Vec<Uuid> = page.rows.iter().map(|row| row.attempt_id).collect();
    let outcomes = outcomes::newest_of(&mut tx, caller.group, &ids).await?;
    tx.rollback().await?;
    let with_outcome = |attempt: StoredAttempt| {
        let at = outcomes.binary_search_by_key(&attempt.attempt_id, |one| one.attempt_id);
        ListedAttempt {
            outcome: at.ok().and_then(|at| outcomes.get(at)).cloned(),
            attempt,
        }
    };
    Ok(Page {
        rows: page.rows.into_iter().map(with_outcome).collect(),
        next: page.next,
    })
}
