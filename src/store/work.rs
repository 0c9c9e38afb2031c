//! Table `work`: jobs, claimed with SKIP LOCKED, idempotent. Exempt from the group rule.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// A job to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Job {
    /// Group to do it in.
    pub group: Uuid,
    /// Session to look at.
    pub session: Uuid,
    /// Tries before this one.
    pub attempts: i32,
}

/// Schedules looks at sessions; an earlier time wins over a later one.
///
/// # Errors
/// Database errors.
pub async fn schedule(
    conn: &mut PgConnection,
    group: Uuid,
    sessions: &[Uuid],
    run_at: &[DateTime<Utc>],
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.work (kind, group_id, ref_id, run_at)
        select 'close_session', $1, s.id, s.run_at from unnest($2::uuid[], $3::timestamptz[]) as s (id, run_at)
        order by s.id
        on conflict (kind, group_id, ref_id)
        do update set run_at = least(work.run_at, excluded.run_at)",
        group,
        sessions,
        run_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Claims due jobs for `lease`; another worker takes them over when it passes.
///
/// # Errors
/// Database errors.
pub async fn claim(
    conn: &mut PgConnection,
    now: DateTime<Utc>,
    lease: TimeDelta,
    limit: i64,
) -> Result<Vec<Job>, Error> {
    let rows = sqlx::query!(
        "update rv.work set locked_until = $1 + make_interval(secs => $2), attempts = attempts + 1
        where (kind, group_id, ref_id) in (
            select kind, group_id, ref_id from rv.work
            where run_at <= $1 and (locked_until is null or locked_until < $1)
            order by run_at limit $3 for update skip locked)
        returning group_id, ref_id, attempts",
        now,
        lease.as_seconds_f64(),
        limit
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| Job {
            group: row.group_id,
            session: row.ref_id,
            attempts: row.attempts - 1,
        })
        .collect())
}

/// Ends a job, or puts it off to `again_at`.
///
/// # Errors
/// Database errors.
pub async fn finish(
    conn: &mut PgConnection,
    job: Job,
    again_at: Option<DateTime<Utc>>,
    error: Option<&str>,
) -> Result<(), Error> {
    match again_at {
        None => {
            sqlx::query!(
                "delete from rv.work where kind = 'close_session' and group_id = $1 and ref_id = $2",
                job.group,
                job.session
            )
            .execute(conn)
            .await?;
        }
        Some(at) => {
            sqlx::query!(
                "update rv.work set run_at = $3, locked_until = null, last_error = $4,
                    attempts = case when $4::text is null then 0 else attempts end
                where kind = 'close_session' and group_id = $1 and ref_id = $2",
                job.group,
                job.session,
                at,
                error
            )
            .execute(conn)
            .await?;
        }
    }
    Ok(())
}

/// Number of jobs that are due and not taken.
///
/// # Errors
/// Database errors.
pub async fn due(conn: &mut PgConnection, now: DateTime<Utc>) -> Result<i64, Error> {
    let count = sqlx::query_scalar!(
        r#"select count(*) as "count!" from rv.work
        where run_at <= $1 and (locked_until is null or locked_until < $1)"#,
        now
    )
    .fetch_one(conn)
    .await?;
    Ok(count)
}
