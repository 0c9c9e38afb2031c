//! Table `group_prior`: what a group believes before any outcome, appended and never changed.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// One change of the prior of a group.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct PriorChange {
    /// Name of the prior.
    pub version: String,
    /// Its text; `None` = the one of this name that ships with the program.
    pub text: Option<String>,
    /// Why.
    pub reason: String,
    /// Name of the token.
    pub set_by: String,
    /// When.
    pub set_at: DateTime<Utc>,
}

/// Changes of a group, the newest first: that one is in force. At most `most`.
///
/// # Errors
/// Database errors.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    most: i64,
) -> Result<Vec<PriorChange>, Error> {
    let rows = sqlx::query_as!(
        PriorChange,
        "select version, form as text, reason, set_by, set_at from rv.group_prior
        where group_id = $1 order by set_at desc, change_id desc limit $2",
        group,
        most
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}

/// Keeps a change; it is later than every one of the group before.
///
/// # Errors
/// `Refused` outside the ranges; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    (group, id): (Uuid, Uuid),
    mut change: PriorChange,
) -> Result<(), Error> {
    sqlx::query!(
        "select from rv.shop_group where group_id = $1 for no key update",
        group
    )
    .fetch_one(&mut *conn)
    .await?;
    if let Some(before) = list(conn, group, 1).await?.pop() {
        change.set_at = change
            .set_at
            .max(before.set_at + TimeDelta::microseconds(1));
    }
    sqlx::query!(
        "insert into rv.group_prior (group_id, change_id, version, form, reason, set_by, set_at)
        values ($1, $2, $3, $4, $5, $6, $7)",
        group,
        id,
        change.version,
        change.text,
        change.reason,
        change.set_by,
        change.set_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// What makes a group think anew besides outcomes: when a drift was seen last, when the prior was changed last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Marks {
    /// A person saw a drift.
    pub seen: Option<DateTime<Utc>>,
    /// The prior was changed.
    pub prior: Option<DateTime<Utc>>,
}

/// Reads both.
///
/// # Errors
/// Database errors.
pub async fn marks(conn: &mut PgConnection, group: Uuid) -> Result<Marks, Error> {
    let row = sqlx::query_as!(
        Marks,
        "select (select max(acknowledged_at) from rv.drift_acknowledgement where group_id = $1) as seen,
            (select max(set_at) from rv.group_prior where group_id = $1) as prior",
        group
    )
    .fetch_one(conn)
    .await?;
    Ok(row)
}
