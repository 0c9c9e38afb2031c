//! Table `quarantine`: refused bytes with reason and fix.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::ids;
use crate::record::sample::digest_of;
use crate::reject::Reject;

/// A refused item to keep.
#[derive(Debug, Clone)]
pub struct NewItem<'a> {
    /// Device of the credential or topic.
    pub device: Option<Uuid>,
    /// How it came: grpc, mqtt or replay.
    pub channel: &'static str,
    /// Encoding of the bytes.
    pub content_type: &'static str,
    /// Why.
    pub reject: &'a Reject,
    /// The bytes.
    pub raw: &'a [u8],
}

/// A kept item.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Item {
    /// Id.
    pub quarantine_id: Uuid,
    /// Device.
    pub device_id: Option<Uuid>,
    /// First arrival.
    pub received_at: DateTime<Utc>,
    /// How it came.
    pub channel: String,
    /// Encoding.
    pub content_type: String,
    /// Stable reason.
    pub reason: String,
    /// Field.
    pub field: String,
    /// Value and limit.
    pub detail: String,
    /// What the sender can do.
    pub fix: String,
    /// Size, bytes.
    pub raw_bytes: i64,
    /// How often it came.
    pub times: i64,
    /// open, replayed or discarded.
    pub state: String,
    /// What came of it.
    pub result: Option<String>,
}

/// Filter of a listing; newest first.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Only this device.
    pub device: Option<Uuid>,
    /// Only this reason.
    pub reason: Option<String>,
    /// Only this state.
    pub state: Option<String>,
    /// Only items that arrived at or after.
    pub since: Option<DateTime<Utc>>,
    /// Only items before this one in the listing.
    pub before: Option<(DateTime<Utc>, Uuid)>,
    /// Rows at most.
    pub limit: i64,
}

/// Keeps an item; the same bytes refused for the same reason only count up. Returns its id.
///
/// # Errors
/// Database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    item: &NewItem<'_>,
    now: DateTime<Utc>,
) -> Result<Uuid, Error> {
    let digest = digest_of(item.raw);
    let device = item.device.unwrap_or_default();
    let parts = [
        device.as_bytes().as_slice(),
        &digest,
        item.reject.code.as_str().as_bytes(),
    ];
    let id = ids::derived(group, "quarantine", &parts);
    sqlx::query!(
        "insert into rv.quarantine (group_id, quarantine_id, device_id, received_at, channel,
            content_type, reason, field, detail, fix, raw, raw_digest)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)
        on conflict (group_id, quarantine_id) do update set times = quarantine.times + 1",
        group,
        id,
        item.device,
        now,
        item.channel,
        item.content_type,
        item.reject.code.as_str(),
        item.reject.field,
        item.reject.detail,
        item.reject.code.fix(),
        item.raw,
        digest.as_slice()
    )
    .execute(conn)
    .await?;
    Ok(id)
}

/// Lists items, newest first.
///
/// # Errors
/// Database errors.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    filter: &Filter,
) -> Result<Vec<Item>, Error> {
    let (before_at, before_id) = filter.before.unzip();
    let rows = sqlx::query_as!(
        Item,
        r#"select quarantine_id, device_id, received_at, channel, content_type, reason, field, detail,
            fix, length(raw)::bigint as "raw_bytes!", times, state, result
        from rv.quarantine
        where group_id = $1 and ($2::uuid is null or device_id = $2) and ($3::text is null or reason = $3)
            and ($4::text is null or state = $4) and ($5::timestamptz is null or received_at >= $5)
            and ($6::timestamptz is null or (received_at, quarantine_id) < ($6, $7::uuid))
        order by received_at desc, quarantine_id desc limit $8"#,
        group,
        filter.device,
        filter.reason,
        filter.state,
        filter.since,
        before_at,
        before_id,
        filter.limit
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}

/// Finds one item with its bytes.
///
/// # Errors
/// Database errors.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<(Item, Vec<u8>)>, Error> {
    let row = sqlx::query!(
        r#"select quarantine_id, device_id, received_at, channel, content_type, reason, field, detail,
            fix, times, state, result, raw
        from rv.quarantine where group_id = $1 and quarantine_id = $2"#,
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    Ok(row.map(|row| {
        let item = Item {
            quarantine_id: row.quarantine_id,
            device_id: row.device_id,
            received_at: row.received_at,
            channel: row.channel,
            content_type: row.content_type,
            reason: row.reason,
            field: row.field,
            detail: row.detail,
            fix: row.fix,
            raw_bytes: i64::try_from(row.raw.len()).unwrap_or(i64::MAX),
            times: row.times,
            state: row.state,
            result: row.result,
        };
        (item, row.raw)
    }))
}

/// Marks an item as dealt with.
///
/// # Errors
/// Database errors.
pub async fn settle(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    (state, by, result): (&str, &str, &str),
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.quarantine set state = $3, handled_at = $4, handled_by = $5, result = $6
        where group_id = $1 and quarantine_id = $2",
        group,
        id,
        state,
        now,
        by,
        result
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Open items of the group, for the bound and the metric.
///
/// # Errors
/// Database errors.
pub async fn count_open(conn: &mut PgConnection, group: Uuid, at_most: i64) -> Result<i64, Error> {
    let count = sqlx::query_scalar!(
        r#"select count(*) as "count!" from
            (select from rv.quarantine where group_id = $1 and state = 'open' limit $2) as s"#,
        group,
        at_most
    )
    .fetch_one(conn)
    .await?;
    Ok(count)
}
