//! Table `alarm`: one row per life of an alarm. Whole turns are written with one statement, as JSON.

use chrono::{DateTime, Utc};
use serde::Serialize;
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::alarm::condition::Source;
use crate::alarm::escalation::Told;
use crate::alarm::kind::{Class, Kind};
use crate::alarm::state::{Alarm, State};

/// Lives read back at a start, at most, per group.
const RESTORED_MAX: i64 = 20_000;

/// One life of an alarm as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Life {
    /// Alarm.
    pub alarm_id: Uuid,
    /// Where it was seen.
    pub source: Source,
    /// Shop the device stood in, when that is known.
    pub shop: Option<Uuid>,
    /// The alarm.
    pub alarm: Alarm,
    /// How far it was told.
    pub told: Told,
    /// Counts every change.
    pub version: i64,
    /// The alarm in one line.
    pub line: String,
}

/// The same as one JSON object; names are the columns'.
#[derive(Serialize)]
struct Row<'a> {
    alarm_id: Uuid,
    device_id: Uuid,
    shop_id: Option<Uuid>,
    kind: Kind,
    class: Class,
    state: State,
    value: Option<i64>,
    unit: &'static str,
    occurrence: u32,
    raised_at: DateTime<Utc>,
    returned_at: Option<DateTime<Utc>>,
    acknowledged_at: Option<DateTime<Utc>>,
    acknowledged_by: Option<&'a str>,
    shelved_until: Option<DateTime<Utc>>,
    latched: bool,
    revision: u32,
    version: i64,
    told: Told,
    life: &'a Alarm,
    line: &'a str,
}

/// A time the database can hold; a device's clock may say anything.
fn time(ms: i64) -> DateTime<Utc> {
    DateTime::from_timestamp_millis(ms.clamp(0, 253_402_300_799_000)).unwrap_or_default()
}

impl<'a> From<&'a Life> for Row<'a> {
    fn from(life: &'a Life) -> Self {
        let alarm = &life.alarm;
        let seen = alarm.acknowledged.as_ref();
        Self {
            alarm_id: life.alarm_id,
            device_id: life.source.device,
            shop_id: life.shop,
            kind: alarm.kind,
            class: alarm.kind.class(),
            state: alarm.state,
            value: alarm.worst,
            unit: alarm.kind.unit().as_str(),
            occurrence: alarm.occurrence,
            raised_at: time(alarm.raised_at_ms),
            returned_at: alarm.returned_at_ms.map(time),
            acknowledged_at: seen.map(|seen| time(seen.at_ms)),
            acknowledged_by: seen.map(|seen| seen.by.as_str()),
            shelved_until: alarm.shelf.as_ref().map(|shelf| time(shelf.until_ms)),
            latched: alarm.kind.is_latching(),
            revision: alarm.revision,
            version: life.version,
            told: life.told,
            life: alarm,
            line: &life.line,
        }
    }
}

/// What a life is read back from.
struct Kept {
    alarm_id: Uuid,
    device_id: Uuid,
    shop_id: Option<Uuid>,
    version: i64,
    told: String,
    life: String,
    line: String,
}

impl Kept {
    fn life(self, group: Uuid) -> Result<Life, Error> {
        let corrupt = |column| move |_| Error::corrupt("alarm", column, self.alarm_id);
        Ok(Life {
            alarm_id: self.alarm_id,
            source: Source {
                group,
                device: self.device_id,
            },
            shop: self.shop_id,
            alarm: serde_json::from_str(&self.life).map_err(corrupt("life"))?,
            told: serde_json::from_str(&self.told).map_err(corrupt("told"))?,
            version: self.version,
            line: self.line,
        })
    }
}

/// Any serializable rows as one JSON text.
pub(super) fn as_json<T: Serialize>(rows: &[T]) -> Result<String, Error> {
    serde_json::to_string(rows).map_err(|error| Error::Misfit(format!("rows as JSON: {error}")))
}

/// Keeps lives; one that is held in a newer version stays as it is.
///
/// # Errors
/// Database errors.
pub async fn save(
    conn: &mut PgConnection,
    group: Uuid,
    lives: &[Life],
    now: DateTime<Utc>,
) -> Result<(), Error> {
    let rows: Vec<Row<'_>> = lives.iter().map(Row::from).collect();
    sqlx::query!(
        "insert into rv.alarm as a (group_id, alarm_id, device_id, shop_id, kind, class, state, value,
            unit, occurrence, raised_at, returned_at, acknowledged_at, acknowledged_by, shelved_until,
            latched, revision, version, told, life, line, changed_at)
        select $1, r.*, $3 from jsonb_to_recordset($2::text::jsonb) as r (alarm_id uuid,
            device_id uuid, shop_id uuid, kind text, class text, state text, value bigint, unit text,
            occurrence integer, raised_at timestamptz, returned_at timestamptz,
            acknowledged_at timestamptz, acknowledged_by text, shelved_until timestamptz,
            latched boolean, revision integer, version bigint, told jsonb, life jsonb, line text)
        on conflict (group_id, alarm_id) do update set
            shop_id = excluded.shop_id, state = excluded.state, value = excluded.value,
            occurrence = excluded.occurrence, raised_at = excluded.raised_at,
            returned_at = excluded.returned_at, acknowledged_at = excluded.acknowledged_at,
            acknowledged_by = excluded.acknowledged_by, shelved_until = excluded.shelved_until,
            revision = excluded.revision, version = excluded.version, told = excluded.told,
            life = excluded.life, line = excluded.line, changed_at = excluded.changed_at
        where excluded.version > a.version",
        group,
        as_json(&rows)?,
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Lives that are open, or that changed since a time: what a start takes up.
///
/// # Errors
/// `Corrupt`; database errors.
pub async fn restore(
    conn: &mut PgConnection,
    group: Uuid,
    since: DateTime<Utc>,
) -> Result<Vec<Life>, Error> {
    let rows = sqlx::query_as!(
        Kept,
        r#"select alarm_id, device_id, shop_id, version, told::text as "told!", life::text as "life!", line
        from rv.alarm where group_id = $1 and (state <> 'normal' or changed_at >= $2)
        order by state = 'normal', changed_at desc limit $3"#,
        group,
        since,
        RESTORED_MAX
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(|row| row.life(group)).collect()
}

/// Lives newest first, closed ones too, from behind a place in the list.
///
/// # Errors
/// `Corrupt`; database errors.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    shop: Option<Uuid>,
    after: Option<(DateTime<Utc>, Uuid)>,
    limit: i64,
) -> Result<Vec<Life>, Error> {
    let (at, id) = after.unwrap_or((DateTime::<Utc>::MAX_UTC, Uuid::max()));
    let at = at.min(time(i64::MAX));
    let rows = sqlx::query_as!(
        Kept,
        r#"select alarm_id, device_id, shop_id, version, told::text as "told!", life::text as "life!", line
        from rv.alarm
        where group_id = $1 and ($2::uuid is null or shop_id = $2) and (raised_at, alarm_id) < ($3, $4)
        order by raised_at desc, alarm_id desc limit $5"#,
        group,
        shop,
        at,
        id,
        limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(|row| row.life(group)).collect()
}
