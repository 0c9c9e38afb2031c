//! Writes behind: alarms and notifications into the database, steps into the journal while it is away.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::file::Journal;
use super::lock;
use crate::alarm::journal::Record;
use crate::clock::Clock;
use crate::metrics;
use crate::store::alarms::{self, Life};
use crate::store::notifications::{self, Notification};
use crate::store::{self, Store};
use crate::telemetry;

/// Longest time one group may take before its connection is thrown away.
const DEADLINE: Duration = Duration::from_secs(8);
/// How long the database is left alone after a failure.
const REST: Duration = Duration::from_secs(1);

type Lives = BTreeMap<Uuid, Life>;
type Notes = BTreeMap<Uuid, Notification>;

/// What waits to be kept: of each alarm and notification the newest form alone.
pub(super) struct Keep {
    waiting: Mutex<Waiting>,
    wake: Notify,
    /// Conditions up to this number are kept.
    kept: watch::Sender<u64>,
}

#[derive(Default)]
struct Waiting {
    groups: BTreeMap<Uuid, (Lives, Notes)>,
    steps: Vec<Record>,
    /// Conditions up to this number led to what waits here, or to nothing.
    upto: u64,
}

impl Keep {
    pub(super) fn new() -> Self {
        Self {
            waiting: Mutex::default(),
            wake: Notify::new(),
            kept: watch::Sender::new(0),
        }
    }

    /// Up to which number conditions are kept, as it grows.
    pub(super) fn kept(&self) -> watch::Receiver<u64> {
        self.kept.subscribe()
    }

    /// Every condition up to a number was taken in.
    pub(super) fn done(&self, upto: u64) {
        let mut waiting = lock(&self.waiting);
        waiting.upto = waiting.upto.max(upto);
        drop(waiting);
        self.wake.notify_one();
    }

    /// Takes an alarm in the form it now has, the step that led there, and whom it is told to.
    pub(super) fn life(
        &self,
        life: Life,
        step: Option<Record>,
        mail: impl Iterator<Item = Notification>,
    ) {
        let mut waiting = lock(&self.waiting);
        waiting.steps.extend(step);
        let (lives, notes) = waiting.groups.entry(life.source.group).or_default();
        lives.insert(life.alarm_id, life);
        notes.extend(mail.map(|note| (note.notification_id, note)));
        drop(waiting);
        self.wake.notify_one();
    }

    /// Takes a notification in the form it now has.
    pub(super) fn note(&self, group: Uuid, note: Notification) {
        let mut waiting = lock(&self.waiting);
        let notes = &mut waiting.groups.entry(group).or_default().1;
        notes.insert(note.notification_id, note);
        drop(waiting);
        self.wake.notify_one();
    }

    fn take(&self) -> Waiting {
        std::mem::take(&mut *lock(&self.waiting))
    }

    /// Puts back what could not be kept, where nothing newer came.
    fn put_back(&self, group: Uuid, (lives, notes): (Lives, Notes)) {
        let mut waiting = lock(&self.waiting);
        let (newer_lives, newer_notes) = waiting.groups.entry(group).or_default();
        for (id, life) in lives {
            newer_lives.entry(id).or_insert(life);
        }
        for (id, note) in notes {
            newer_notes.entry(id).or_insert(note);
        }
    }

    fn is_empty(&self) -> bool {
        lock(&self.waiting).groups.is_empty()
    }
}

/// The task that keeps.
pub(super) struct Keeper {
    keep: Arc<Keep>,
    store: Store,
    pub(super) journal: Journal,
    clock: Clock,
}

impl Keeper {
    pub(super) fn new(keep: &Arc<Keep>, store: &Store, journal: Journal, clock: &Clock) -> Self {
        Self {
            keep: Arc::clone(keep),
            store: store.clone(),
            journal,
            clock: clock.clone(),
        }
    }

    /// Keeps what comes until `stop`, then what is left, once.
    pub(super) async fn run(mut self, stop: CancellationToken) {
        loop {
            let kept = Box::pin(self.turn()).await;
            if stop.is_cancelled() && (self.keep.is_empty() || !kept) {
                return;
            }
            let pause = if kept { None } else { Some(REST) };
            let wake = async {
                match pause {
                    Some(rest) => tokio::time::sleep(rest).await,
                    None => self.keep.wake.notified().await,
                }
            };
            tokio::select! {
                () = wake => {}
                () = stop.cancelled() => {}
            }
        }
    }

    /// Keeps what waits; `false` when the database did not take all of it.
    async fn turn(&mut self) -> bool {
        let taken = self.keep.take();
        let (mut steps, upto) = (taken.steps, taken.upto);
        let (mut kept, mut written) = (true, true);
        for (group, (lives, notes)) in taken.groups {
            let rows: Vec<Life> = lives.values().cloned().collect();
            let mail: Vec<Notification> = notes.values().cloned().collect();
            if let Err(error) = self.save(group, &rows, &mail).await {
                if kept {
                    let error = telemetry::chain(&error);
                    tracing::warn!(
                        error,
                        "alarms wait for the database; they are told all the same"
                    );
                }
                kept = false;
                self.keep.put_back(group, (lives, notes));
                // At the first sign: the groups behind may each wait for a database that hangs.
                if !steps.is_empty() {
                    metrics::count_alarm_journaled(steps.len());
                    written &= self.write(std::mem::take(&mut steps)).await;
                }
            }
        }
        if kept || written {
            self.keep.kept.send_if_modified(|kept| {
                let grown = upto > *kept;
                *kept = upto.max(*kept);
                grown
            });
        } else {
            self.keep.done(upto);
        }
        if kept && !self.journal.is_empty() && self.keep.is_empty() {
            // Blocks for one truncation of a local file.
            if let Err(error) = self.journal.clear() {
                tracing::error!(%error, "the alarm journal cannot be emptied; it will be read again");
            }
        }
        kept
    }

    /// Adds steps to the journal, off the threads that serve; whether they are on the disk.
    async fn write(&mut self, steps: Vec<Record>) -> bool {
        let mut journal =
            std::mem::replace(&mut self.journal, Journal::at(std::path::PathBuf::new()));
        let work = tokio::task::spawn_blocking(move || {
            let done = journal.append(&steps);
            (journal, done)
        });
        match work.await {
            Ok((journal, done)) => {
                self.journal = journal;
                if let Err(error) = &done {
                    tracing::error!(%error, "the alarm journal cannot be written; alarms are told but not kept");
                }
                done.is_ok()
            }
            Err(error) => {
                tracing::error!(%error, "writing the alarm journal ended in a panic");
                false
            }
        }
    }

    async fn save(
        &self,
        group: Uuid,
        lives: &[Life],
        notes: &[Notification],
    ) -> Result<(), store::Error> {
        match self.save_all(group, lives, notes).await {
            Err(error) if !error.is_transient() => {
                tracing::error!(
                    error = telemetry::chain(&error),
                    "the database refuses alarms; they are written one by one"
                );
            }
            other => return other,
        }
        // A row the database refuses must not hold the others up.
        for life in lives {
            let one = self.save_all(group, std::slice::from_ref(life), &[]).await;
            let_go(one, life.alarm_id)?;
        }
        for note in notes {
            let one = self.save_all(group, &[], std::slice::from_ref(note)).await;
            let_go(one, note.notification_id)?;
        }
        Ok(())
    }

    async fn save_all(
        &self,
        group: Uuid,
        lives: &[Life],
        notes: &[Notification],
    ) -> Result<(), store::Error> {
        let now = self.clock.now();
        let work = async {
            let mut tx = self.store.begin(group).await?;
            alarms::save(&mut tx, group, lives, now).await?;
            notifications::save(&mut tx, group, notes, now).await?;
            tx.commit().await
        };
        let done = tokio::time::timeout(DEADLINE, work).await;
        done.unwrap_or_else(|_| Err(store::Error::Away(sqlx::Error::PoolTimedOut)))
    }
}

/// What the database will never take is let go; everything else is an error as before.
fn let_go(done: Result<(), store::Error>, row: Uuid) -> Result<(), store::Error> {
    match done {
        Err(error) if !error.is_transient() => {
            let error = telemetry::chain(&error);
            tracing::error!(%row, error, "a row of the alarm lane is let go");
            Ok(())
        }
        other => other,
    }
}
