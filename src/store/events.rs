//! Table `event`: stage changes, ends and faults as devices report them.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use super::receipts::BootKey;
use crate::record::batch::{Event, EventKind};
use crate::record::words::Stage;

/// Stores events; returns those that were held already with other content.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
    events: &[Event],
    received_at: DateTime<Utc>,
) -> Result<Vec<Event>, Error> {
    let mut conflicts = Vec::new();
    for event in events {
        let done = sqlx::query!(
            "insert into rv.event (group_id, device_id, boot_id, event_seq, after_seq, time_ms, kind, stage, detail, received_at)
            values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict do nothing",
            group,
            key.device,
            key.boot,
            event.event_seq,
            event.after_seq,
            event.time_ms,
            event.kind.as_str(),
            event.stage.map(Stage::as_str),
            event.detail,
            received_at
        )
        .execute(&mut *conn)
        .await?;
        if done.rows_affected() == 0
            && find(conn, group, key, event.event_seq).await? != Some(event.clone())
        {
            conflicts.push(event.clone());
        }
    }
    Ok(conflicts)
}

async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
    event_seq: i64,
) -> Result<Option<Event>, Error> {
    let row = sqlx::query!(
        "select event_seq, after_seq, time_ms, kind, stage, detail from rv.event
        where group_id = $1 and device_id = $2 and boot_id = $3 and event_seq = $4",
        group,
        key.device,
        key.boot,
        event_seq
    )
    .fetch_optional(conn)
    .await?;
    row.map(|row| {
        Ok(Event {
            event_seq: row.event_seq,
            after_seq: row.after_seq,
            time_ms: row.time_ms,
            kind: EventKind::find(&row.kind)
                .ok_or_else(|| Error::corrupt("event", "kind", row.event_seq))?,
            stage: row.stage.as_deref().and_then(Stage::find),
            detail: row.detail,
        })
    })
    .transpose()
}

/// Numbers after which the device reported an end, ascending.
///
/// # Errors
/// Database errors.
pub async fn ends(conn: &mut PgConnection, group: Uuid, key: BootKey) -> Result<Vec<i64>, Error> {
    let rows = sqlx::query_scalar!(
        "select after_seq from rv.event
        where group_id = $1 and device_id = $2 and boot_id = $3 and kind = 'session_end'
        order by after_seq",
        group,
        key.device,
        key.boot
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}
