//! Table `credential`: bearer tokens, hashed.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::words::Scope;

/// A stored credential, without its text.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Credential {
    /// Id.
    pub credential_id: Uuid,
    /// What it may do.
    pub scope: Scope,
    /// Name people use.
    pub name: String,
    /// Shop it is bound to.
    pub shop_id: Option<Uuid>,
    /// Device it is bound to.
    pub device_id: Option<Uuid>,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it ends.
    pub expires_at: DateTime<Utc>,
    /// When it was taken back.
    pub revoked_at: Option<DateTime<Utc>>,
}

struct Row {
    credential_id: Uuid,
    scope: String,
    name: String,
    shop_id: Option<Uuid>,
    device_id: Option<Uuid>,
    created_at: DateTime<Utc>,
    expires_at: DateTime<Utc>,
    revoked_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for Credential {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        Ok(Self {
            scope: Scope::find(&row.scope)
                .ok_or_else(|| Error::corrupt("credential", "scope", row.credential_id))?,
            credential_id: row.credential_id,
            name: row.name,
            shop_id: row.shop_id,
            device_id: row.device_id,
            created_at: row.created_at,
            expires_at: row.expires_at,
            revoked_at: row.revoked_at,
        })
    }
}

/// Stores a credential by the hash of its text.
///
/// # Errors
/// `Refused` when shop or device do not exist; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    credential: &Credential,
    hash: &[u8; 32],
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.credential (group_id, credential_id, token_hash, scope, name, shop_id, device_id,
            created_at, expires_at)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        group,
        credential.credential_id,
        hash.as_slice(),
        credential.scope.as_str(),
        credential.name,
        credential.shop_id,
        credential.device_id,
        credential.created_at,
        credential.expires_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Finds a credential by the hash of its text.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find_by_hash(
    conn: &mut PgConnection,
    group: Uuid,
    hash: &[u8; 32],
) -> Result<Option<Credential>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select credential_id, scope, name, shop_id, device_id, created_at, expires_at, revoked_at
        from rv.credential where group_id = $1 and token_hash = $2",
        group,
        hash.as_slice()
    )
    .fetch_optional(conn)
    .await?;
    row.map(Credential::try_from).transpose()
}

/// Every credential of the group, newest first, at most 1,000.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn list(conn: &mut PgConnection, group: Uuid) -> Result<Vec<Credential>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select credential_id, scope, name, shop_id, device_id, created_at, expires_at, revoked_at
        from rv.credential where group_id = $1 order by created_at desc, credential_id limit 1000",
        group
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Credential::try_from).collect()
}

/// Takes a credential back; false when there is none of that id.
///
/// # Errors
/// Database errors.
pub async fn revoke(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    now: DateTime<Utc>,
) -> Result<bool, Error> {
    let done = sqlx::query!(
        "update rv.credential set revoked_at = coalesce(revoked_at, $3)
        where group_id = $1 and credential_id = $2",
        group,
        id,
        now
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}
