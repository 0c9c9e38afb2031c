//! Table `claim`: which sessions belong to an attempt.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

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

/// Writes a live claim.
///
/// # Errors
/// `Refused` by `claim_live` when the session has one already; database errors.
pub async fn insert(conn: &mut PgConnection, group: Uuid, claim: &Claim) -> Result<(), Error> {
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
pub async fn live_of_session(
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
pub async fn find(conn: &mut PgConnection, group: Uuid, id: Uuid) -> Result<Option<Claim>, Error> {
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
pub async fn revoke(
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
pub async fn of_attempt(
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
