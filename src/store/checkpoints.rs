//! Table `checkpoint`: features of a running attempt at fixed hours.

use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// Features of one attempt at one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Checkpoint {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Hours since the start of charge.
    pub at_h: f64,
    /// Mean current of the last 5 minutes over C20, 1/h.
    pub accept_c: Option<f64>,
    /// Rise of the 12 V-equivalent voltage since 2 minutes after the start, volts.
    pub dv: Option<f64>,
    /// Case above ambient, kelvin.
    pub temp_rise_c: Option<f64>,
}

/// Writes checkpoints of imported attempts; those that exist stay as they are.
///
/// # Errors
/// `Refused` when an attempt does not exist; database errors.
pub async fn insert_imported(
    conn: &mut PgConnection,
    group: Uuid,
    checkpoints: &[Checkpoint],
) -> Result<(), Error> {
    let numbers = |pick: fn(&Checkpoint) -> Option<f64>| -> Vec<Option<f64>> {
        checkpoints.iter().map(pick).collect()
    };
    sqlx::query!(
        "insert into rv.checkpoint (group_id, attempt_id, at_h, accept_c, dv, temp_rise_c, source)
        select $1, k.attempt, k.at_h, k.accept_c, k.dv, k.temp_rise_c, 'imported'
        from unnest($2::uuid[], $3::float8[], $4::float8[], $5::float8[], $6::float8[])
            as k (attempt, at_h, accept_c, dv, temp_rise_c)
        on conflict do nothing",
        group,
        &checkpoints
            .iter()
            .map(|one| one.attempt_id)
            .collect::<Vec<_>>(),
        &checkpoints.iter().map(|one| one.at_h).collect::<Vec<_>>(),
        &numbers(|one| one.accept_c) as &[Option<f64>],
        &numbers(|one| one.dv) as &[Option<f64>],
        &numbers(|one| one.temp_rise_c) as &[Option<f64>]
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Replaces the checkpoints that a trace gave; imported ones stay as they are.
///
/// # Errors
/// `Refused` when the attempt does not exist; database errors.
pub async fn replace_of_trace(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
    checkpoints: &[Checkpoint],
) -> Result<(), Error> {
    sqlx::query!(
        "delete from rv.checkpoint where group_id = $1 and attempt_id = $2 and source = 'trace'",
        group,
        attempt
    )
    .execute(&mut *conn)
    .await?;
    for one in checkpoints {
        sqlx::query!(
            "insert into rv.checkpoint (group_id, attempt_id, at_h, accept_c, dv, temp_rise_c, source)
            values ($1, $2, $3, $4, $5, $6, 'trace') on conflict do nothing",
            group,
            attempt,
            one.at_h,
            one.accept_c,
            one.dv,
            one.temp_rise_c
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}
