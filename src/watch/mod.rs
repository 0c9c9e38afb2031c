//! The live watch: follows open charges sample by sample, and sums them up when they are over.
//!
//! A watch job is leased by one process at a time; whoever lost the lease writes nothing. What is in
//! memory is rebuilt from the stored segments at any time, so that a restart or a take-over loses no
//! finding and doubles none. The watch reports; it never commands.

mod closing;
mod conditions;
mod facts;
mod follow;
mod voices;
mod write;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use futures_util::{StreamExt as _, stream};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::alarm::condition::{Condition, Source};
use crate::clock::Clock;
use crate::metrics;
use crate::store::watches::Print;
use crate::store::work::{self, Job, Kind};
use crate::store::{Error, Store, watches};
use follow::Followed;

/// How often the watched sessions are looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How long a process may keep a run before another takes it over.
const LEASE: TimeDelta = TimeDelta::seconds(30);
/// Rest of a lease at which it is prolonged.
const RENEW_AT: TimeDelta = TimeDelta::seconds(20);
/// Runs taken at once.
const AT_ONCE: i64 = 256;
/// Runs asked about with one statement; between two of these leases are prolonged.
const TOGETHER: usize = 500;
/// Runs analyzed side by side: leaves most connections to intake.
const AT_A_TIME: usize = 3;
/// How often a run without news is judged again for its silence. Our choice.
const SILENCE_EVERY: TimeDelta = TimeDelta::seconds(30);
/// Wait after a failure.
const AGAIN: TimeDelta = TimeDelta::seconds(5);

/// Hears which conditions of a charger begin and end; never blocks, never fails.
pub type Told = Arc<dyn Fn(Source, &Condition) + Send + Sync>;

/// Tells nobody.
#[must_use]
pub fn nobody() -> Told {
    Arc::new(|_, _| {})
}

/// What became of a look at one run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Looked {
    /// It is followed on.
    Goes,
    /// It is over, and summed up.
    Over,
    /// Another process has it now.
    Lost,
}

/// Watches the runs of one process.
pub struct Watch {
    store: Store,
    clock: Clock,
    /// Hears conditions.
    pub told: Told,
    runs_max: usize,
    runs: BTreeMap<(Uuid, Uuid), Followed>,
}

impl Watch {
    /// Follows at most `runs_max` runs; none with 0.
    #[must_use]
    pub fn new(store: Store, clock: Clock, runs_max: usize, told: Told) -> Self {
        Self {
            store,
            clock,
            told,
            runs_max,
            runs: BTreeMap::new(),
        }
    }

    /// Runs followed now.
    #[must_use]
    pub fn count(&self) -> usize {
        self.runs.len()
    }

    /// Bytes that the largest run takes.
    #[must_use]
    pub fn largest_bytes(&self) -> usize {
        let sizes = self.runs.values().map(Followed::size_bytes);
        sizes.max().unwrap_or(0)
    }

    /// Looks once: keeps leases, takes runs on, analyzes what is new, writes what changed.
    ///
    /// # Errors
    /// Database errors of the queue; a run that fails is put off, logged and counted.
    pub async fn look(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        self.renew(now).await?;
        self.take(now).await?;
        let mut groups: BTreeMap<Uuid, Vec<Uuid>> = BTreeMap::new();
        for (group, session) in self.runs.keys() {
            groups.entry(*group).or_default().push(*session);
        }
        // Row-level security binds a transaction to one group: one statement for its runs.
        for (group, sessions) in groups {
            for some in sessions.chunks(TOGETHER) {
                self.look_at((group, some), now).await?;
                self.renew(self.clock.now()).await?;
            }
        }
        metrics::set_watched(self.runs.len());
        Ok(())
    }

    /// Prolongs leases that run out soon and drops runs that another process has taken over.
    async fn renew(&mut self, now: DateTime<Utc>) -> Result<(), Error> {
        let soon = self.runs.values().map(|run| run.job);
        let soon: Vec<Job> = soon.filter(|job| job.until - now <= RENEW_AT).collect();
        if soon.is_empty() {
            return Ok(());
        }
        let until = now + LEASE;
        let mut tx = self.store.begin_work().await?;
        let kept = work::renew(&mut tx, Kind::WatchRun, &soon, until).await?;
        tx.commit().await?;
        for job in soon {
            let key = (job.group, job.session);
            if !kept.contains(&key) {
                tracing::info!(session.id = %job.session, "another process watches this run now");
                self.runs.remove(&key);
            } else if let Some(run) = self.runs.get_mut(&key) {
                run.job.until = until;
            }
        }
        Ok(())
    }

    /// Takes on runs that nobody watches, as far as there is room.
    async fn take(&mut self, now: DateTime<Utc>) -> Result<(), Error> {
        let room = self.runs_max.saturating_sub(self.runs.len());
        let room = i64::try_from(room).unwrap_or(i64::MAX).min(AT_ONCE);
        if room == 0 {
            return Ok(());
        }
        let mut tx = self.store.begin_work().await?;
        let jobs = work::claim(&mut tx, Kind::WatchRun, (now, LEASE), room).await?;
        tx.commit().await?;
        for job in jobs {
            let run = Followed::new(job);
            self.runs.insert((job.group, job.session), run);
        }
        Ok(())
    }

    /// Looks at some runs of a group, a few at a time.
    async fn look_at(
        &mut self,
        (group, sessions): (Uuid, &[Uuid]),
        now: DateTime<Utc>,
    ) -> Result<(), Error> {
        let mut tx = self.store.begin(group).await?;
        let prints = watches::prints(&mut tx, group, sessions).await?;
        tx.rollback().await?;
        let mut found: BTreeMap<Uuid, Print> = BTreeMap::new();
        found.extend(prints.into_iter().map(|print| (print.session_id, print)));
        let mut news = Vec::new();
        for session in sessions {
            let print = found.remove(session);
            let run = self.runs.remove(&(group, *session));
            match run {
                Some(run) if run.has_news(print.as_ref(), now) => news.push((run, print)),
                Some(run) => drop(self.runs.insert((group, *session), run)),
                None => {}
            }
        }
        let parts = (&self.store, &self.told);
        let looked: Vec<(Followed, Result<Looked, Error>)> = stream::iter(news)
            .map(|(run, print)| Box::pin(look_at_one(parts, run, print, now)))
            .buffer_unordered(AT_A_TIME)
            .collect()
            .await;
        let mut failed = Vec::new();
        for (run, looked) in looked {
            let job = run.job;
            match looked {
                Ok(Looked::Goes) => drop(self.runs.insert((job.group, job.session), run)),
                Ok(Looked::Over | Looked::Lost) => {}
                Err(error) => failed.push((job, error)),
            }
        }
        // After those that go on are back in their places: this may fail.
        for (job, error) in failed {
            self.put_off(job, &error, now).await?;
        }
        Ok(())
    }

    /// Gives every run back, so that another process need not wait for the leases to pass.
    ///
    /// # Errors
    /// Database errors.
    pub async fn release(&mut self) -> Result<(), Error> {
        let now = self.clock.now();
        let mut tx = self.store.begin_work().await?;
        for (_, run) in std::mem::take(&mut self.runs) {
            work::finish(&mut tx, run.job, Some(now), None).await?;
        }
        tx.commit().await
    }

    async fn put_off(&self, job: Job, error: &Error, now: DateTime<Utc>) -> Result<(), Error> {
        let text = crate::telemetry::chain(error);
        tracing::error!(session.id = %job.session, error = text, "a run could not be watched");
        metrics::count_job_failed();
        let kept = (!error.is_transient()).then_some(text.as_str());
        let mut tx = self.store.begin_work().await?;
        work::finish(&mut tx, job, Some(now + AGAIN), kept).await?;
        tx.commit().await
    }
}

async fn look_at_one(
    parts: (&Store, &Told),
    mut run: Followed,
    print: Option<Print>,
    now: DateTime<Utc>,
) -> (Followed, Result<Looked, Error>) {
    let (store, told) = parts;
    let over = print
        .as_ref()
        .is_none_or(|print| !print.open && !print.dirty);
    let looked = if over {
        closing::close(store, (run.job, now), told).await
    } else {
        run.look(parts, print, now).await
    };
    (run, looked)
}

/// Watches until `stop`, then gives its runs back.
pub async fn run(
    store: Store,
    clock: Clock,
    (runs_max, stop): (usize, CancellationToken),
    told: Told,
) {
    if runs_max == 0 {
        return;
    }
    let mut watch = Watch::new(store, clock, runs_max, told);
    while !stop.is_cancelled() {
        if let Err(error) = Box::pin(watch.look()).await {
            tracing::warn!(
                error = crate::telemetry::chain(&error),
                "the watch could not look; alarms on raw samples go on"
            );
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY) => {}
            () = stop.cancelled() => {}
        }
    }
    if let Err(error) = watch.release().await {
        let error = crate::telemetry::chain(&error);
        tracing::info!(
            error,
            "the runs are watched again when their leases have passed"
        );
    }
}
