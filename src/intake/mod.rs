//! Telemetry in, receipts out: one transaction per group and turn, owned by the service.
//!
//! Callers hand over a batch and wait; writer tasks commit. A caller that goes away changes
//! nothing. A receipt exists only after its commit. Nothing is spooled: when the database is away,
//! callers are told to keep their data and come again.

mod boot;
mod commit;
mod writer;

use std::borrow::Cow;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use chrono::{DateTime, Utc};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, TryAcquireError, mpsc, oneshot};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use uuid::Uuid;

use crate::clock::Clock;
use crate::record::batch::{RawBatch, TEXT_MAX};
use crate::record::sample::Channel;
use crate::record::watermark::Watermark;
use crate::reject::Reject;
use crate::store::{self, Store};

/// Channel of bytes that come back out of quarantine.
pub const REPLAY: &str = "replay";

/// Bounds of intake.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Writer tasks; batches of one device always meet the same one.
    pub writers: usize,
    /// Batches in one transaction.
    pub commit_batches: usize,
    /// Bytes in one transaction.
    pub commit_bytes: usize,
    /// Bytes of batches taken and not yet committed, KiB.
    pub budget_kib: u32,
    /// How long a batch may wait for the budget.
    pub wait: Duration,
    /// Open quarantine rows a group may have; above it refused batches are sent back.
    pub quarantine_rows: i64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            writers: 2,
            commit_batches: 500,
            commit_bytes: 1 << 20,
            budget_kib: 64 * 1024,
            wait: Duration::from_secs(5),
            quarantine_rows: 10_000,
        }
    }
}

/// What a batch was before it was decoded.
pub trait Original: std::fmt::Debug + Send + Sync {
    /// The bytes, given what was decoded of them.
    fn bytes(&self, batch: &RawBatch) -> Vec<u8>;
}

/// A batch as it came, for quarantine.
#[derive(Debug, Clone)]
pub enum Raw {
    /// Its bytes.
    Bytes(bytes::Bytes),
    /// Decoded before it came here: written again only where it is refused.
    Decoded(Arc<dyn Original>),
}

/// One batch handed over.
#[derive(Debug, Clone)]
pub struct Submission {
    /// Group of the credential.
    pub group: Uuid,
    /// Device the credential may write for.
    pub device: Uuid,
    /// Boot.
    pub boot: i64,
    /// Door: grpc, mqtt or replay.
    pub channel: &'static str,
    /// Encoding of `raw`.
    pub content_type: &'static str,
    /// The batch as it came, for quarantine.
    pub raw: Raw,
    /// Decoded batch, or why there is none.
    pub body: Result<RawBatch, Reject>,
}

impl Submission {
    /// The batch as it came.
    fn bytes(&self) -> Cow<'_, [u8]> {
        match (&self.raw, &self.body) {
            (Raw::Bytes(bytes), _) => Cow::Borrowed(bytes),
            (Raw::Decoded(original), Ok(batch)) => Cow::Owned(original.bytes(batch)),
            // What was decoded is let go by `refuse` alone, which keeps the bytes.
            (Raw::Decoded(_), Err(_)) => Cow::Borrowed(&[]),
        }
    }

    /// Refuses what was decoded; the bytes stay.
    fn refuse(&mut self, reject: Reject) {
        self.raw = Raw::Bytes(self.bytes().into_owned().into());
        self.body = Err(reject);
    }

    /// Bytes it holds in memory, about.
    fn size(&self) -> usize {
        let raw = match &self.raw {
            Raw::Bytes(bytes) => bytes.len(),
            Raw::Decoded(_) => 0,
        };
        let decoded = self.body.as_ref().map_or(0, |batch| {
            let columns = Channel::ALL.map(|channel| batch.columns.get(channel).len());
            let values = batch.step_ms.len() + columns.iter().sum::<usize>();
            size_of::<i32>() * values + TEXT_MAX * batch.events.len()
        });
        raw + decoded + 256
    }
}

/// What became of a batch; exists only after the commit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt {
    /// First number of the batch; given by the server when weak.
    pub first_seq: i64,
    /// Samples in the batch as sent.
    pub received: i64,
    /// Samples stored.
    pub stored: i64,
    /// Samples held already with the same content.
    pub duplicate: i64,
    /// Samples or values refused.
    pub quarantined: i64,
    /// The whole batch was refused.
    pub refused_whole: bool,
    /// Why, at most 16.
    pub rejections: Vec<Reject>,
    /// What is kept of the boot.
    pub watermark: Watermark,
}

/// Why nothing is known to be written: the caller keeps its data and comes again.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Over a stated bound.
    #[error("{0}")]
    Full(&'static str),
    /// The batch must be refused, and the group's quarantine has no room to keep it.
    #[error("quarantine is full: the operator must replay or discard items")]
    QuarantineFull,
    /// The database is away.
    #[error("the database is away; nothing was acknowledged")]
    Unavailable(#[source] Arc<store::Error>),
    /// The disk of the database is nearly full.
    #[error("the database has no room: the operator must free space; nothing was acknowledged")]
    NoRoom,
    /// The service stops.
    #[error("the service is stopping")]
    Stopping,
}

struct Job {
    submission: Submission,
    received_at: DateTime<Utc>,
    bytes: usize,
    reply: oneshot::Sender<Result<Receipt, Error>>,
    _budget: OwnedSemaphorePermit,
}

/// Something else that must be done before a batch may be acknowledged; `false` when it was not.
pub type Besides = Pin<Box<dyn Future<Output = bool> + Send>>;

/// A batch on its way to its commit.
pub struct Pending {
    receipt: oneshot::Receiver<Result<Receipt, Error>>,
    besides: Option<Besides>,
}

impl std::fmt::Debug for Pending {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pending").finish_non_exhaustive()
    }
}

impl Pending {
    /// The same, with something that must be done too.
    #[must_use]
    pub fn besides(mut self, besides: Option<Besides>) -> Self {
        self.besides = besides;
        self
    }

    /// Waits for the commit, and for what must be done besides.
    ///
    /// # Errors
    /// `QuarantineFull`, `Unavailable` when the database is away, `Full` when what must be done besides was
    /// not: the same batch again is a duplicate then. `Stopping`.
    pub async fn receipt(self) -> Result<Receipt, Error> {
        let receipt = self.receipt.await.map_err(|_| Error::Stopping)??;
        let done = match self.besides {
            Some(besides) => besides.await,
            None => true,
        };
        if done {
            Ok(receipt)
        } else {
            Err(Error::Full("the alarms of this batch are not kept yet"))
        }
    }
}

/// The way in; cheap to clone.
#[derive(Debug, Clone)]
pub struct Intake {
    queues: Arc<[mpsc::Sender<Job>]>,
    budget: Arc<Semaphore>,
    limits: Limits,
    clock: Clock,
    /// Set while nothing may be written for want of room.
    held: Arc<AtomicBool>,
}

impl Intake {
    /// Starts the writer tasks on `tasks`; they drain and end when `stop` is cancelled.
    #[must_use]
    pub fn start(
        store: &Store,
        clock: &Clock,
        limits: Limits,
        (tasks, stop): (&TaskTracker, &CancellationToken),
    ) -> Self {
        let queues = (0..limits.writers.max(1))
            .map(|_| {
                let (queue, jobs) = mpsc::channel(limits.commit_batches * 2);
                let writer = writer::Writer::new(store.clone(), clock.clone(), limits);
                tasks.spawn(writer.run(jobs, stop.clone()));
                queue
            })
            .collect();
        Self {
            queues,
            budget: Arc::new(Semaphore::new(limits.budget_kib as usize)),
            limits,
            clock: clock.clone(),
            held: Arc::default(),
        }
    }

    /// Holds telemetry back, or no longer: a full disk would stop the database for everybody.
    pub fn hold(&self, held: bool) {
        if self.held.swap(held, Ordering::Relaxed) != held {
            tracing::warn!(
                held,
                "telemetry is held back for want of room, or no longer"
            );
        }
    }

    /// Hands a batch over and waits for its receipt.
    ///
    /// # Errors
    /// `Full` over a bound, `Unavailable` when the database is away, `NoRoom`, `Stopping`.
    pub async fn accept(&self, submission: Submission) -> Result<Receipt, Error> {
        self.submit(submission).await?.receipt().await
    }

    /// Hands a batch over; batches handed over one after another keep their order.
    ///
    /// # Errors
    /// `Full` over a bound, `NoRoom`, `Stopping`.
    pub async fn submit(&self, submission: Submission) -> Result<Pending, Error> {
        if self.held.load(Ordering::Relaxed) {
            return Err(Error::NoRoom);
        }
        let received_at = self.clock.now();
        let bytes = submission.size();
        let kib = u32::try_from(bytes.div_ceil(1024))
            .unwrap_or(u32::MAX)
            .min(self.limits.budget_kib);
        let budget = match Arc::clone(&self.budget).try_acquire_many_owned(kib) {
            Ok(budget) => budget,
            Err(TryAcquireError::Closed) => return Err(Error::Stopping),
            Err(TryAcquireError::NoPermits) => self.room(kib).await?,
        };
        let (reply, receipt) = oneshot::channel();
        let queue = self.queue_of(&submission).ok_or(Error::Stopping)?;
        let job = Job {
            submission,
            received_at,
            bytes,
            reply,
            _budget: budget,
        };
        queue.send(job).await.map_err(|_| Error::Stopping)?;
        Ok(Pending {
            receipt,
            besides: None,
        })
    }

    /// Waits for room in the budget.
    async fn room(&self, kib: u32) -> Result<OwnedSemaphorePermit, Error> {
        let budget = Arc::clone(&self.budget).acquire_many_owned(kib);
        match tokio::time::timeout(self.limits.wait, budget).await {
            Ok(budget) => budget.map_err(|_| Error::Stopping),
            Err(_) => Err(Error::Full("the service takes in more than it can commit")),
        }
    }

    fn queue_of(&self, submission: &Submission) -> Option<&mpsc::Sender<Job>> {
        let mut hasher = DefaultHasher::new();
        (submission.group, submission.device).hash(&mut hasher);
        let index = hasher.finish() % self.queues.len() as u64;
        self.queues.get(usize::try_from(index).ok()?)
    }

    /// Share of the byte budget in use, 0 to 1.
    #[must_use]
    pub fn load(&self) -> f64 {
        1.0 - self.budget.available_permits() as f64 / f64::from(self.limits.budget_kib)
    }
}
