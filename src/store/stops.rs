//! Tables `stop_advice` and `advised_stop`: charges that are stopped on advice, and those that ran on to check it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::model::scores::Forecast;

/// Advice to stop at a checkpoint.
#[derive(Debug, Clone, PartialEq)]
pub struct StopAdvice {
    /// Hours of the checkpoint.
    pub checkpoint_h: f64,
    /// Chance so far, 0 to 1.
    pub chance: f64,
    /// Chance below which going on was worth less than it cost, 0 to 1.
    pub stop_below: f64,
    /// The coin let it run on.
    pub run_on: bool,
    /// Design and prior of the model.
    pub model_version: String,
    /// Newest outcome known.
    pub cut_off: Option<DateTime<Utc>>,
}

/// Keeps what was told of a running attempt; at a checkpoint that was told of before, the first stands.
///
/// # Errors
/// `Refused` when the attempt does not exist; database errors.
pub async fn tell(
    conn: &mut PgConnection,
    (group, attempt): (Uuid, Uuid),
    told: &[StopAdvice],
    now: DateTime<Utc>,
) -> Result<(), Error> {
    if told.is_empty() {
        return Ok(());
    }
    let numbers = |of: fn(&StopAdvice) -> f64| told.iter().map(of).collect::<Vec<_>>();
    sqlx::query!(
        "insert into rv.stop_advice (group_id, attempt_id, checkpoint_h, told_at, chance, stop_below, run_on,
            model_version, cut_off)
        select $1, $2, k.checkpoint_h, $3, k.chance, k.stop_below, k.run_on, k.model, k.cut_off
        from unnest($4::float8[], $5::float8[], $6::float8[], $7::bool[], $8::text[], $9::timestamptz[])
            as k (checkpoint_h, chance, stop_below, run_on, model, cut_off)
        on conflict do nothing",
        group,
        attempt,
        now,
        &numbers(|one| one.checkpoint_h),
        &numbers(|one| one.chance),
        &numbers(|one| one.stop_below),
        &told.iter().map(|one| one.run_on).collect::<Vec<_>>(),
        &told.iter().map(|one| one.model_version.clone()).collect::<Vec<_>>(),
        &told.iter().map(|one| one.cut_off).collect::<Vec<_>>() as &[Option<DateTime<Utc>>]
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The chance that was told last of a running attempt, where a stop was advised.
///
/// # Errors
/// Database errors.
pub async fn told_last(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
) -> Result<Option<f64>, Error> {
    let chance = sqlx::query_scalar!(
        "select chance from rv.stop_advice where group_id = $1 and attempt_id = $2
        order by checkpoint_h desc limit 1",
        group,
        attempt
    )
    .fetch_optional(conn)
    .await?;
    Ok(chance)
}

/// Keeps with which chance an attempt was stopped on advice; `None` where nothing was seen of it.
///
/// # Errors
/// `Refused` when the attempt does not exist; database errors.
pub async fn stopped(
    conn: &mut PgConnection,
    (group, attempt): (Uuid, Uuid),
    chance: Option<f64>,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.advised_stop (group_id, attempt_id, chance, told_at) values ($1, $2, $3, $4)
        on conflict do nothing",
        group,
        attempt,
        chance,
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Attempts that were stopped on advice up to a moment, each with its chance then.
///
/// # Errors
/// Database errors.
pub async fn stopped_until(
    conn: &mut PgConnection,
    group: Uuid,
    cutoff: DateTime<Utc>,
) -> Result<BTreeMap<Uuid, Option<f64>>, Error> {
    let rows = sqlx::query!(
        "select attempt_id, chance from rv.advised_stop where group_id = $1 and told_at <= $2",
        group,
        cutoff
    )
    .fetch_all(conn)
    .await?;
    let chances = rows.into_iter().map(|row| (row.attempt_id, row.chance));
    Ok(chances.collect())
}

/// Attempts that a stop was advised of and that ran on by the coin, with a known outcome: the chance told first
/// and what came of them. At most `most`, the newest.
///
/// # Errors
/// Database errors.
pub async fn ran_on(
    conn: &mut PgConnection,
    group: Uuid,
    most: i64,
) -> Result<Vec<Forecast>, Error> {
    let forecasts = sqlx::query_as!(
        Forecast,
        r#"select distinct on (s.attempt_id) s.chance as "chance!", o.label as "recovered!"
        from rv.stop_advice s
            join lateral (
                select a.attempt_id from rv.attempt a
                where a.group_id = s.group_id and a.attempt_id = s.attempt_id
                    and a.end_reason is distinct from 'stop_advised' limit 1) a on true
            join lateral (
                select o.label from rv.outcome o
                where o.group_id = s.group_id and o.attempt_id = s.attempt_id
                order by o.revision desc limit 1) o on true
        where s.group_id = $1 and s.run_on and o.label is not null
        order by s.attempt_id desc, s.checkpoint_h limit $2"#,
        group,
        most
    )
    .fetch_all(conn)
    .await?;
    Ok(forecasts)
}
