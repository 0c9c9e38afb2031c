//! Table `notification`: the outbox of alarms.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use super::alarms::as_json;
use crate::record::words::vocabulary;

/// Rows read back at a start, at most, per group.
const RESTORED_MAX: i64 = 20_000;

vocabulary! {
    /// Where a notification stands.
    Delivery {
        Waiting = "waiting",
        Delivered = "delivered",
        Failed = "failed",
        /// A person without a channel: named in lists and streams.
        Shown = "shown",
    }
}

/// One notification.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notification {
    /// Idempotency id.
    pub notification_id: Uuid,
    /// Alarm.
    pub alarm_id: Uuid,
    /// Change of the alarm it tells of.
    pub revision: u32,
    /// Route.
    pub route_id: Uuid,
    /// webhook or person.
    pub channel: String,
    /// Name of the route when it was told.
    pub recipient: String,
    /// Where it stands.
    pub state: Delivery,
    /// Attempts so far.
    pub attempts: u32,
    /// When it is tried again.
    pub next_at: Option<DateTime<Utc>>,
    /// Why the last attempt failed.
    pub last_error: Option<String>,
    /// What is sent, as JSON.
    pub notice: serde_json::Value,
    /// When it was due.
    pub created_at: DateTime<Utc>,
}

/// Keeps notifications; one that was delivered stays so.
///
/// # Errors
/// Database errors.
pub async fn save(
    conn: &mut PgConnection,
    group: Uuid,
    rows: &[Notification],
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.notification as n (group_id, notification_id, alarm_id, revision, route_id,
            channel, recipient, state, attempts, next_at, last_error, notice, created_at, changed_at)
        select $1, r.*, $3 from jsonb_to_recordset($2::text::jsonb) as r (notification_id uuid,
            alarm_id uuid, revision integer, route_id uuid, channel text, recipient text, state text,
            attempts integer, next_at timestamptz, last_error text, notice jsonb,
            created_at timestamptz)
        on conflict (group_id, notification_id) do update set
            state = excluded.state, attempts = excluded.attempts, next_at = excluded.next_at,
            last_error = excluded.last_error, changed_at = excluded.changed_at
        where n.state <> 'delivered'",
        group,
        as_json(rows)?,
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Notifications that still wait, oldest first.
///
/// # Errors
/// `Corrupt`; database errors.
pub async fn waiting(conn: &mut PgConnection, group: Uuid) -> Result<Vec<Notification>, Error> {
    let rows = sqlx::query!(
        r#"select notification_id, alarm_id, revision, route_id, channel, recipient, attempts, next_at,
            last_error, notice::text as "notice!", created_at
        from rv.notification where group_id = $1 and state = 'waiting'
        order by created_at, notification_id limit $2"#,
        group,
        RESTORED_MAX
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter()
        .map(|row| {
            let corrupt = |column| Error::corrupt("notification", column, row.notification_id);
            Ok(Notification {
                notification_id: row.notification_id,
                alarm_id: row.alarm_id,
                revision: u32::try_from(row.revision).map_err(|_| corrupt("revision"))?,
                route_id: row.route_id,
                channel: row.channel,
                recipient: row.recipient,
                state: Delivery::Waiting,
                attempts: u32::try_from(row.attempts).map_err(|_| corrupt("attempts"))?,
                next_at: row.next_at,
                last_error: row.last_error,
                notice: serde_json::from_str(&row.notice).map_err(|_| corrupt("notice"))?,
                created_at: row.created_at,
            })
        })
        .collect()
}
