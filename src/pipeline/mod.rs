//! Jobs: claim, do, finish. Each job may run twice without harm.

mod close_session;

use std::time::Duration;

use chrono::TimeDelta;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::metrics;
use crate::store::work::{self, Job, Kind};
use crate::store::{Error, Store};

/// How often the queue is looked at when it was empty.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How long a worker may keep a job before another takes it over.
const LEASE: TimeDelta = TimeDelta::seconds(60);
/// Jobs taken at once.
const AT_ONCE: i64 = 16;

/// Works until `stop`; the job in hand is finished first.
pub async fn run(store: Store, clock: Clock, stop: CancellationToken) {
    while !stop.is_cancelled() {
        let done = match Box::pin(turn(&store, &clock)).await {
            Ok(done) => done,
            Err(error) => {
                tracing::warn!(
                    error = crate::telemetry::chain(&error),
                    "the job queue is not readable"
                );
                0
            }
        };
        if done == 0 {
            tokio::select! {
                () = tokio::time::sleep(LOOK_EVERY) => {}
                () = stop.cancelled() => {}
            }
        }
    }
}

/// Takes due jobs and does them; returns how many.
///
/// # Errors
/// Database errors of the queue itself; a failed job is put off, logged and counted.
pub async fn turn(store: &Store, clock: &Clock) -> Result<usize, Error> {
    let mut tx = store.begin_work().await?;
    let now = clock.now();
    let jobs = work::claim(&mut tx, Kind::CloseSession, (now, LEASE), AT_ONCE).await?;
    metrics::set_jobs_due(work::due(&mut tx, now).await?);
    tx.commit().await?;
    for job in &jobs {
        if let Err(error) = Box::pin(close_session::run(store, clock, *job)).await {
            put_off(store, clock, *job, &error).await?;
        }
    }
    Ok(jobs.len())
}

async fn put_off(store: &Store, clock: &Clock, job: Job, error: &Error) -> Result<(), Error> {
    let text = crate::telemetry::chain(error);
    tracing::error!(session.id = %job.session, error = text, "a session could not be closed");
    metrics::count_job_failed();
    let wait = TimeDelta::seconds(1 << job.tries().clamp(0, 12));
    let mut tx = store.begin_work().await?;
    work::finish(&mut tx, job, Some(clock.now() + wait), Some(&text)).await?;
    tx.commit().await
}
