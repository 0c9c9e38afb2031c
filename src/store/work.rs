//! Table `work`: jobs, claimed with SKIP LOCKED, idempotent. Exempt from the group rule.
//!
//! A claimed job is leased until `locked_until`; `attempts` counts the claims. Both together are the
//! fence: who holds others has lost the job and may write nothing. The count alone would not do, since
//! a job that was done and comes again counts from 1.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::words::vocabulary;

vocabulary! {
    /// What there is to do.
    Kind {
        /// Close a session that ended or fell silent.
        CloseSession = "close_session",
        /// Watch the charge that a session leads, and sum it up when it is over.
        WatchRun = "watch_run",
    }
}

/// A job to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Job {
    /// What to do.
    pub kind: Kind,
    /// Group to do it in.
    pub group: Uuid,
    /// Session to do it to.
    pub session: Uuid,
    /// Number of this claim.
    pub fence: i32,
    /// End of the lease.
    pub until: DateTime<Utc>,
}

impl Job {
    /// Tries before this one.
    #[must_use]
    pub fn tries(&self) -> i32 {
        self.fence - 1
    }
}

/// Schedules looks at sessions; an earlier time wins over a later one.
///
/// # Errors
/// Database errors.
pub async fn schedule(
    conn: &mut PgConnection,
    kind: Kind,
    group: Uuid,
    sessions: &[Uuid],
    run_at: &[DateTime<Utc>],
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.work (kind, group_id, ref_id, run_at)
        select $4, $1, s.id, s.run_at from unnest($2::uuid[], $3::timestamptz[]) as s (id, run_at)
        order by s.id
        on conflict (kind, group_id, ref_id)
        do update set run_at = least(work.run_at, excluded.run_at)",
        group,
        sessions,
        run_at,
        kind.as_str()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Claims due jobs of one kind for `lease`; another worker takes them over when it passes.
///
/// # Errors
/// Database errors.
pub async fn claim(
    conn: &mut PgConnection,
    kind: Kind,
    (now, lease): (DateTime<Utc>, TimeDelta),
    limit: i64,
) -> Result<Vec<Job>, Error> {
    let rows = sqlx::query!(
        r#"update rv.work set locked_until = $1 + make_interval(secs => $2), attempts = attempts + 1
        where (kind, group_id, ref_id) in (
            select kind, group_id, ref_id from rv.work
            where kind = $4 and run_at <= $1 and (locked_until is null or locked_until < $1)
            order by run_at limit $3 for update skip locked)
        returning group_id, ref_id, attempts, locked_until as "locked_until!""#,
        now,
        lease.as_seconds_f64(),
        limit,
        kind.as_str()
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| Job {
            kind,
            group: row.group_id,
            session: row.ref_id,
            fence: row.attempts,
            until: row.locked_until,
        })
        .collect())
}

/// Prolongs leases; returns the sessions of the jobs that are still ours.
///
/// # Errors
/// Database errors.
pub async fn renew(
    conn: &mut PgConnection,
    kind: Kind,
    jobs: &[Job],
    until: DateTime<Utc>,
) -> Result<Vec<(Uuid, Uuid)>, Error> {
    let rows = sqlx::query!(
        "update rv.work w set locked_until = $5
        from unnest($2::uuid[], $3::uuid[], $4::int[], $6::timestamptz[])
            as k (group_id, ref_id, fence, until)
        where w.kind = $1 and w.group_id = k.group_id and w.ref_id = k.ref_id
            and w.attempts = k.fence and w.locked_until = k.until
        returning w.group_id, w.ref_id",
        kind.as_str(),
        &jobs.iter().map(|job| job.group).collect::<Vec<_>>(),
        &jobs.iter().map(|job| job.session).collect::<Vec<_>>(),
        &jobs.iter().map(|job| job.fence).collect::<Vec<_>>(),
        until,
        &jobs.iter().map(|job| job.until).collect::<Vec<_>>()
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| (row.group_id, row.ref_id))
        .collect())
}

/// Locks a job for this transaction; false when another worker has taken it over.
///
/// # Errors
/// Database errors.
pub async fn hold(conn: &mut PgConnection, job: Job) -> Result<bool, Error> {
    let held = sqlx::query_scalar!(
        r#"select true as "held!" from rv.work
        where kind = $1 and group_id = $2 and ref_id = $3 and attempts = $4
            and locked_until = $5 for update"#,
        job.kind.as_str(),
        job.group,
        job.session,
        job.fence,
        job.until
    )
    .fetch_optional(conn)
    .await?;
    Ok(held.is_some())
}

/// Ends a job, or puts it off to `again_at`; nothing when another worker has taken it over.
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
                "delete from rv.work
                where kind = $3 and group_id = $1 and ref_id = $2 and attempts = $4
                    and locked_until = $5",
                job.group,
                job.session,
                job.kind.as_str(),
                job.fence,
                job.until
            )
            .execute(conn)
            .await?;
        }
        Some(at) => {
            sqlx::query!(
                "update rv.work set run_at = $3, locked_until = null, last_error = $4,
                    attempts = case when $4::text is null then 0 else attempts end
                where kind = $5 and group_id = $1 and ref_id = $2 and attempts = $6
                    and locked_until = $7",
                job.group,
                job.session,
                at,
                error,
                job.kind.as_str(),
                job.fence,
                job.until
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
