//! A writer task: gathers batches of one group, commits them, answers each.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::{Error, Job, Limits, Receipt, commit};
use crate::clock::Clock;
use crate::metrics;
use crate::reject::{Code, Reject};
use crate::store::{self, Store};

/// Longest time one commit may take before its connection is thrown away.
const DEADLINE: Duration = Duration::from_secs(8);
/// Tries when another transaction is in the way or the connection broke.
const TRIES: u32 = 6;

pub(super) struct Writer {
    store: Store,
    clock: Clock,
    limits: Limits,
    waiting: VecDeque<Job>,
}

impl Writer {
    pub(super) fn new(store: Store, clock: Clock, limits: Limits) -> Self {
        Self {
            store,
            clock,
            limits,
            waiting: VecDeque::new(),
        }
    }

    pub(super) async fn run(mut self, mut jobs: mpsc::Receiver<Job>, stop: CancellationToken) {
        loop {
            if self.waiting.is_empty() {
                let next = tokio::select! {
                    job = jobs.recv() => job,
                    () = stop.cancelled() => {
                        jobs.close();
                        jobs.recv().await
                    }
                };
                let Some(job) = next else { return };
                self.waiting.push_back(job);
            }
            while self.waiting.len() < self.limits.commit_batches
                && let Ok(job) = jobs.try_recv()
            {
                self.waiting.push_back(job);
            }
            let turn = self.take_turn();
            self.commit(turn).await;
        }
    }

    /// The batches of the first waiting group, up to the limits of one transaction.
    fn take_turn(&mut self) -> Vec<Job> {
        let Some(group) = self.waiting.front().map(|job| job.submission.group) else {
            return Vec::new();
        };
        let (mut turn, mut rest, mut bytes) = (Vec::new(), VecDeque::new(), 0);
        let mut full = false;
        while let Some(job) = self.waiting.pop_front() {
            if job.submission.group == group {
                full |= !turn.is_empty() && bytes + job.bytes > self.limits.commit_bytes;
                full |= turn.len() >= self.limits.commit_batches;
            }
            if job.submission.group == group && !full {
                bytes += job.bytes;
                turn.push(job);
            } else {
                rest.push_back(job);
            }
        }
        self.waiting = rest;
        turn
    }

    /// Commits a turn; a row the database refuses is found by halving and kept in quarantine.
    async fn commit(&self, turn: Vec<Job>) {
        let mut turns = vec![turn];
        while let Some(mut turn) = turns.pop() {
            let Some(group) = turn.first().map(|job| job.submission.group) else {
                continue;
            };
            match self.commit_with_retries(group, &turn).await {
                Ok(receipts) => answer(turn, receipts),
                // One that no repetition mends must not take its neighbors with it.
                Err(error) if turn.len() > 1 && !error.is_transient() => {
                    let error = crate::telemetry::chain(&error);
                    tracing::warn!(error, batches = turn.len(), "a turn is halved");
                    let half = turn.split_off(turn.len() / 2);
                    turns.push(half);
                    turns.push(turn);
                }
                Err(store::Error::Refused { constraint, .. })
                    if turn.iter().all(|job| job.submission.body.is_ok()) =>
                {
                    for job in &mut turn {
                        let detail = format!("refused by {constraint}");
                        job.submission
                            .refuse(Reject::new(Code::DbRejected, "batch", detail));
                    }
                    turns.push(turn);
                }
                Err(error) => {
                    tracing::warn!(
                        error = crate::telemetry::chain(&error),
                        batches = turn.len(),
                        "nothing of this turn was acknowledged"
                    );
                    let error = Arc::new(error);
                    for job in turn {
                        // The caller may have gone away; nothing was acknowledged either way.
                        let _ = job.reply.send(Err(Error::Unavailable(Arc::clone(&error))));
                    }
                }
            }
        }
    }

    async fn commit_with_retries(
        &self,
        group: Uuid,
        turn: &[Job],
    ) -> Result<Vec<Result<Receipt, Error>>, store::Error> {
        let mut tries = 0;
        loop {
            tries += 1;
            let started = tokio::time::Instant::now();
            let work = Box::pin(commit::commit(
                &self.store,
                &self.clock,
                group,
                turn,
                self.limits,
            ));
            let result = match tokio::time::timeout(DEADLINE, work).await {
                Ok(result) => result,
                Err(_) => Err(store::Error::Lost(sqlx::Error::Io(
                    std::io::ErrorKind::TimedOut.into(),
                ))),
            };
            metrics::observe_commit(started.elapsed(), turn.len());
            match result {
                Err(error @ (store::Error::Contended(_) | store::Error::Lost(_)))
                    if tries < TRIES =>
                {
                    let error = crate::telemetry::chain(&error);
                    tracing::info!(error, tries, "a commit is tried again");
                    tokio::time::sleep(Duration::from_millis(20 << tries)).await;
                }
                other => return other,
            }
        }
    }
}

fn answer(turn: Vec<Job>, receipts: Vec<Result<Receipt, Error>>) {
    for (job, receipt) in turn.into_iter().zip(receipts) {
        if let Ok(receipt) = &receipt {
            metrics::count_receipt(job.submission.channel, receipt);
        }
        // The caller may have gone away; what is committed stays committed.
        let _ = job.reply.send(receipt);
    }
}
