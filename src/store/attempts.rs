//! Tables `attempt` and `claim`: charges meant to bring a battery back, and their sessions.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::attempt::Attempt;
use crate::record::sample::Digest;
use crate::record::words::{Disposition, EndReason, Method, Purpose};

/// An attempt with its keys.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredAttempt {
    /// Id.
    pub attempt_id: Uuid,
    /// Visit.
    pub visit_id: Uuid,
    /// Shop.
    pub shop_id: Uuid,
    /// Bench.
    pub bench_id: Option<Uuid>,
    /// What the outcome needs: purpose, method, start, end and why.
    pub attempt: Attempt,
    /// Planned voltage limit, volts.
    pub planned_v: Option<f64>,
    /// Planned current limit, amperes.
    pub planned_a: Option<f64>,
    /// Verdict it began on.
    pub verdict_id: Option<Uuid>,
    /// Charger id of an imported file.
    pub charger_ref: Option<String>,
    /// Name of the token that started it.
    pub started_by: String,
    /// Hours charged.
    pub hours: Option<f64>,
    /// What became of the battery.
    pub disposition: Option<Disposition>,
    /// Newest revision of its outcome; 0 = none yet.
    pub outcome_revision: i32,
    /// Digest of what it was started with.
    pub content_digest: Digest,
}

/// One claim of a session.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Claim {
    /// Id.
    pub claim_id: Uuid,
    /// Attempt.
    pub attempt_id: Uuid,
    /// Session.
    pub session_id: Uuid,
    /// Name of the token.
    pub claimed_by: String,
    /// When.
    pub claimed_at: DateTime<Utc>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

struct Row {
    attempt_id: Uuid,
    visit_id: Uuid,
    shop_id: Uuid,
    bench_id: Option<Uuid>,
    purpose: String,
    method: String,
    planned_v: Option<f64>,
    planned_a: Option<f64>,
    verdict_id: Option<Uuid>,
    charger_ref: Option<String>,
    started_by: String,
    started_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
    end_reason: Option<String>,
    hours: Option<f64>,
    disposition: Option<String>,
    outcome_revision: i32,
    content_digest: Vec<u8>,
}

impl TryFrom<Row> for StoredAttempt {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("attempt", column, row.attempt_id);
        let end_reason = row.end_reason.as_deref().map(|text| {
            EndReason::find(text).ok_or_else(|| corrupt("end_reason"))
        });
        let disposition = row.disposition.as_deref().map(|text| {
            Disposition::find(text).ok_or_else(|| corrupt("disposition"))
        });
        let digest = row.content_digest.as_slice().try_into();
        Ok(Self {
            attempt_id: row.attempt_id,
            visit_id: row.visit_id,
            shop_id: row.shop_id,
            bench_id: row.bench_id,
            attempt: Attempt {
                purpose: Purpose::find(&row.purpose).ok_or_else(|| corrupt("purpose"))?,
                method: Method::find(&row.method).ok_or_else(|| corrupt("method"))?,
                started_at: row.started_at,
                ended_at: row.ended_at,
                end_reason: end_reason.transpose()?,
            },
            planned_v: row.planned_v,
            planned_a: row.planned_a,
            verdict_id: row.verdict_id,
            disposition: disposition.transpose()?,
            content_digest: digest.map_err(|_| corrupt("content_digest"))?,
            charger_ref: row.charger_ref,
            started_by: row.started_by,
            hours: row.hours,
            outcome_revision: row.outcome_revision,
        })
    }
}

/// Writes an attempt, started or complete; `false` when one of that id exists, which stays as it is.
///
/// The revision of its outcome starts at 0.
///
/// # Errors
/// `Refused` when visit, shop, bench or verdict do not exist; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    new: &StoredAttempt,
) -> Result<bool, Error> {
    let done = sqlx::query!(
        "insert into rv.attempt (group_id, attempt_id, visit_id, shop_id, bench_id, purpose, method,
            planned_v, planned_a, verdict_id, charger_ref, started_by, started_at, ended_at, end_reason,
            hours, disposition, content_digest)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)
        on conflict do nothing",
        group,
        new.attempt_id,
        new.visit_id,
        new.shop_id,
        new.bench_id,
        new.attempt.purpose.as_str(),
        new.attempt.method.as_str(),
        new.planned_v,
        new.planned_a,
        new.verdict_id,
        new.charger_ref,
        new.started_by,
        new.attempt.started_at,
        new.attempt.ended_at,
        new.attempt.end_reason.map(EndReason::as_str),
        new.hours,
        new.disposition.map(Disposition::as_str),
        &new.content_digest
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Finds an attempt.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredAttempt>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select attempt_id, visit_id, shop_id, bench_id, purpose, method, planned_v, planned_a, verdict_id,
            charger_ref, started_by, started_at, ended_at, end_reason, hours, disposition,
            outcome_revision, content_digest
        from rv.attempt where group_id = $1 and attempt_id = $2",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(StoredAttempt::try_from).transpose()
}

/// Finds an attempt and keeps others from changing it until the transaction ends.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn lock(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredAttempt>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select attempt_id, visit_id, shop_id, bench_id, purpose, method, planned_v, planned_a, verdict_id,
            charger_ref, started_by, started_at, ended_at, end_reason, hours, disposition,
            outcome_revision, content_digest
        from rv.attempt where group_id = $1 and attempt_id = $2 for update",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(StoredAttempt::try_from).transpose()
}

/// Attempts of a visit that have an outcome and began at a time or later, by id.
///
/// # Errors
/// Database errors.
pub async fn judged_since(
    conn: &mut PgConnection,
    group: Uuid,
    visit: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<Uuid>, Error> {
    let ids = sqlx::query_scalar!(
        "select attempt_id from rv.attempt
        where group_id = $1 and visit_id = $2 and started_at >= $3 and outcome_revision > 0
        order by attempt_id",
        group,
        visit,
        since
    )
    .fetch_all(conn)
    .await?;
    Ok(ids)
}

/// Writes the end of an attempt.
///
/// # Errors
/// `Refused` when the end lies before the start; database errors.
pub async fn end(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    (reason, ended_at, hours): (EndReason, DateTime<Utc>, f64),
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.attempt set end_reason = $3, ended_at = $4, hours = $5
        where group_id = $1 and attempt_id = $2",
        group,
        id,
        reason.as_str(),
        ended_at,
        hours
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Writes what became of the battery.
///
/// # Errors
/// Database errors.
pub async fn set_disposition(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    disposition: Disposition,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.attempt set disposition = $3 where group_id = $1 and attempt_id = $2",
        group,
        id,
        disposition.as_str()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Filter of a listing; newest first.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// Only this shop.
    pub shop: Option<Uuid>,
    /// Only attempts after this one in the listing.
    pub before: Option<(DateTime<Utc>, Uuid)>,
    /// Rows at most.
    pub limit: i64,
}

/// Lists attempts by start, newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    filter: Filter,
) -> Result<Vec<StoredAttempt>, Error> {
    let (before_at, before_id) = filter.before.unzip();
    let rows = sqlx::query_as!(
        Row,
        "select attempt_id, visit_id, shop_id, bench_id, purpose, method, planned_v, planned_a, verdict_id,
            charger_ref, started_by, started_at, ended_at, end_reason, hours, disposition,
            outcome_revision, content_digest
        from rv.attempt
        where group_id = $1 and ($2::uuid is null or shop_id = $2)
            and ($3::timestamptz is null or started_at < $3
                or (started_at = $3 and attempt_id > $4::uuid))
        order by started_at desc, attempt_id limit $5",
        group,
        filter.shop,
        before_at,
        before_id,
        filter.limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredAttempt::try_from).collect()
}

/// Visit and shop a verdict was given for.
///
/// # Errors
/// Database errors.
pub async fn visit_of_verdict(
    conn: &mut PgConnection,
    group: Uuid,
    verdict: Uuid,
) -> Result<Option<Uuid>, Error> {
    let visit = sqlx::query_scalar!(
        "select visit_id from rv.verdict where group_id = $1 and verdict_id = $2",
        group,
        verdict
    )
    .fetch_optional(conn)
    .await?;
    Ok(visit)
}

/// Writes a live claim.
///
/// # Errors
/// `Refused` by `claim_live` when the session has one already; database errors.
pub async fn insert_claim(
    conn: &mut PgConnection,
    group: Uuid,
    claim: &Claim,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.claim (group_id, claim_id, attempt_id, session_id, claimed_by, claimed_at)
        values ($1, $2, $3, $4, $5, $6)",
        group,
        claim.claim_id,
        claim.attempt_id,
        claim.session_id,
        claim.claimed_by,
        claim.claimed_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The live claim of a session.
///
/// # Errors
/// Database errors.
pub async fn live_claim(
    conn: &mut PgConnection,
    group: Uuid,
    session: Uuid,
) -> Result<Option<Claim>, Error> {
    let claim = sqlx::query_as!(
        Claim,
        "select claim_id, attempt_id, session_id, claimed_by, claimed_at, revoked_at from rv.claim
        where group_id = $1 and session_id = $2 and revoked_at is null",
        group,
        session
    )
    .fetch_optional(conn)
    .await?;
    Ok(claim)
}

/// Finds a claim.
///
/// # Errors
/// Database errors.
pub async fn find_claim(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<Claim>, Error> {
    let claim = sqlx::query_as!(
        Claim,
        "select claim_id, attempt_id, session_id, claimed_by, claimed_at, revoked_at from rv.claim
        where group_id = $1 and claim_id = $2",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    Ok(claim)
}

/// Takes a claim back; one that was taken back before keeps its time.
///
/// # Errors
/// Database errors.
pub async fn revoke_claim(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.claim set revoked_at = $3
        where group_id = $1 and claim_id = $2 and revoked_at is null",
        group,
        id,
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Claims of an attempt, live and revoked, oldest first.
///
/// # Errors
/// Database errors.
pub async fn claims_of(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
) -> Result<Vec<Claim>, Error> {
    let claims = sqlx::query_as!(
        Claim,
        "select claim_id, attempt_id, session_id, claimed_by, claimed_at, revoked_at from rv.claim
        where group_id = $1 and attempt_id = $2 order by claimed_at, claim_id",
        group,
        attempt
    )
    .fetch_all(conn)
    .await?;
    Ok(claims)
}
