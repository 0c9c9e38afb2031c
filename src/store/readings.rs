//! Tables `reading` and `instrument`: spot measurements and what they were taken with.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::reading::{Reading, ReadingValue};
use crate::record::words::ReadingKind;
use crate::units::{Celsius, RestMinutes};

/// A reading with its keys.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredReading {
    /// Id.
    pub reading_id: Uuid,
    /// Visit it belongs to.
    pub visit_id: Uuid,
    /// Attempt it was taken for; `None` = at intake.
    pub attempt_id: Option<Uuid>,
    /// The reading as the instrument showed it.
    pub reading: Reading,
    /// When we were told.
    pub received_at: DateTime<Utc>,
}

/// A meter or tester.
#[derive(Debug, Clone, PartialEq)]
pub struct Instrument {
    /// Id.
    pub instrument_id: Uuid,
    /// Shop that owns it.
    pub shop_id: Uuid,
    /// Name people use.
    pub name: String,
    /// What it reads too much, volts.
    pub offset_v: f64,
    /// When it was last compared with a reference.
    pub calibrated_at: Option<DateTime<Utc>>,
}

struct Row {
    reading_id: Uuid,
    visit_id: Uuid,
    attempt_id: Option<Uuid>,
    kind: String,
    value: Option<f64>,
    instrument_id: Option<Uuid>,
    temperature_c: Option<f64>,
    rested_min: Option<f64>,
    read_at: DateTime<Utc>,
    received_at: DateTime<Utc>,
}

impl TryFrom<Row> for StoredReading {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("reading", column, row.reading_id);
        let temperature = row
            .temperature_c
            .map(|celsius| Celsius::new("temperature_c", celsius));
        let rested = row
            .rested_min
            .map(|minutes| RestMinutes::new("rested_min", minutes));
        let reading = Reading {
            kind: ReadingKind::find(&row.kind).ok_or_else(|| corrupt("kind"))?,
            value: row
                .value
                .map_or(ReadingValue::BelowInstrumentMinimum, ReadingValue::Measured),
            instrument: row.instrument_id,
            temperature: temperature
                .transpose()
                .map_err(|_| corrupt("temperature_c"))?,
            rested: rested.transpose().map_err(|_| corrupt("rested_min"))?,
            at: row.read_at,
        };
        Ok(Self {
            reading_id: row.reading_id,
            visit_id: row.visit_id,
            attempt_id: row.attempt_id,
            reading,
            received_at: row.received_at,
        })
    }
}

/// Writes a reading; `false` when one of that id exists, which stays as it is.
///
/// # Errors
/// `Refused` when visit, attempt or instrument do not exist; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    new: &StoredReading,
) -> Result<bool, Error> {
    let reading = &new.reading;
    let done = sqlx::query!(
        "insert into rv.reading (group_id, reading_id, visit_id, attempt_id, kind, value,
            below_instrument_minimum, instrument_id, temperature_c, rested_min, read_at,
            received_at)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12) on conflict do nothing",
        group,
        new.reading_id,
        new.visit_id,
        new.attempt_id,
        reading.kind.as_str(),
        reading.measured(),
        reading.value == ReadingValue::BelowInstrumentMinimum,
        reading.instrument,
        reading.temperature.map(Celsius::get),
        reading.rested.map(RestMinutes::get),
        reading.at,
        new.received_at
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Finds one reading.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredReading>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select reading_id, visit_id, attempt_id, kind, value, instrument_id, temperature_c,
            rested_min, read_at, received_at
        from rv.reading where group_id = $1 and reading_id = $2",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(StoredReading::try_from).transpose()
}

/// Every reading of a visit and of its attempts, oldest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn of_visit(
    conn: &mut PgConnection,
    group: Uuid,
    visit: Uuid,
) -> Result<Vec<StoredReading>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select reading_id, visit_id, attempt_id, kind, value, instrument_id, temperature_c,
            rested_min, read_at, received_at
        from rv.reading where group_id = $1 and visit_id = $2 order by read_at, reading_id",
        group,
        visit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredReading::try_from).collect()
}

/// Finds instruments by id.
///
/// # Errors
/// Database errors.
pub async fn find_instruments(
    conn: &mut PgConnection,
    group: Uuid,
    ids: &[Uuid],
) -> Result<Vec<Instrument>, Error> {
    let rows = sqlx::query_as!(
        Instrument,
        "select instrument_id, shop_id, name, offset_v, calibrated_at from rv.instrument
        where group_id = $1 and instrument_id = any($2) order by instrument_id",
        group,
        ids
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}
