//! Table `device_firmware`: which firmware a device had when.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// Keeps that a device has a firmware from a moment on, where it is another than before; an empty one says nothing.
///
/// Of two that are named at once one stands.
///
/// # Errors
/// `Refused` for a text longer than 64 characters; database errors.
pub async fn note(
    conn: &mut PgConnection,
    group: Uuid,
    (device, firmware): (Uuid, &str),
    now: DateTime<Utc>,
) -> Result<(), Error> {
    if firmware.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "insert into rv.device_firmware (group_id, device_id, since, firmware)
        select d.group_id, d.device_id, greatest($4, f.since + interval '1 microsecond'), $3
        from rv.device d
            left join lateral (
                select f.firmware, f.since from rv.device_firmware f
                where f.group_id = d.group_id and f.device_id = d.device_id order by f.since desc limit 1) f on true
        where d.group_id = $1 and d.device_id = $2 and f.firmware is distinct from $3
        on conflict do nothing",
        group,
        device,
        firmware,
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}
