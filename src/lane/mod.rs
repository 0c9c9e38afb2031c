//! The alarm lane: from a raw batch to a notification, apart from intake, budget and database.
//!
//! `taps` judge batches as they come off the wire; `note` takes conditions in without ever blocking;
//! the `engine` leads the alarms; the `board` shows them; the `post` sends; the `keeper` writes behind,
//! into the database, or into a journal while that is away. Delivery never waits for the keeper.

mod acts;
mod board;
mod engine;
mod file;
mod http;
mod keeper;
mod places;
mod post;
mod restore;
mod secret;
mod taps;

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use tokio::sync::{Notify, mpsc};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use uuid::Uuid;

pub use self::acts::{Act, NewRoute};
pub use self::board::{Event, Subscription, View};
use crate::alarm::address::Range;
use crate::alarm::coalesce::{Coalesce, Pending};
use crate::alarm::condition::{Condition, Source};
use crate::alarm::kind::Kind;
use crate::clock::Clock;
use crate::metrics;
use crate::record::batch::RawBatch;
use crate::store::Store;
pub use crate::store::alarm_routes::Route;

/// Acts of people on their way to the engine, at most.
const ACTS_MAX: usize = 256;
/// Conditions of one turn of the engine.
const TURN: usize = 500;

/// Settings of the lane.
#[derive(Debug, Clone, Default)]
pub struct Settings {
    /// Where steps are kept while the database is away.
    pub journal: PathBuf,
    /// The key that makes the secrets of webhooks.
    pub key: PathBuf,
    /// Addresses a webhook may go to although they are inside.
    pub listed: Vec<Range>,
    /// Where a heartbeat goes each 30 s; empty = nowhere.
    pub heartbeat_url: String,
}

/// Takes conditions in from anywhere; cheap to clone, never blocks, never fails.
#[derive(Clone)]
pub struct Lane {
    shared: Arc<Shared>,
    acts: mpsc::Sender<acts::Asked>,
    store: Store,
    clock: Clock,
    secrets: Arc<secret::Secrets>,
    listed: Arc<[Range]>,
}

/// What the lane's tasks and its callers have in common.
struct Shared {
    inbox: Mutex<Inbox>,
    wake: Notify,
    taps: taps::Taps,
    board: board::Board,
}

/// Conditions that wait, and since when.
#[derive(Default)]
struct Inbox {
    queue: Coalesce,
    since: HashMap<(Source, Kind), Instant>,
}

/// A lock whose holder panicked holds nothing half done: every change under it is complete.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Lane {
    /// Starts the tasks of the lane on `tasks`, until `stop`.
    #[must_use]
    pub fn start(
        store: &Store,
        clock: &Clock,
        settings: Settings,
        (tasks, stop): (&TaskTracker, &CancellationToken),
    ) -> Self {
        let shared = Arc::new(Shared {
            inbox: Mutex::default(),
            wake: Notify::new(),
            taps: taps::Taps::default(),
            board: board::Board::new(clock),
        });
        let (acts, asked) = mpsc::channel(ACTS_MAX);
        let secrets = Arc::new(secret::Secrets::new(settings.key));
        let keep = Arc::new(keeper::Keep::default());
        let listed: Arc<[Range]> = settings.listed.into();
        let post = Arc::new(post::Post::default());
        let poster = http::Poster::new(Arc::clone(&listed));
        let owned = (clock.clone(), stop.clone());
        let mail = post::Mail::new(&post, &keep, (poster, Arc::clone(&secrets)), &owned);
        let journal = file::Journal::at(settings.journal);
        let engine = engine::Engine::new(&shared, store, (&keep, &post), clock);
        tasks.spawn(Box::pin(restore::run(
            (engine, asked),
            keeper::Keeper::new(&keep, store, journal, clock),
            stop.clone(),
        )));
        tasks.spawn(Box::pin(mail.run(settings.heartbeat_url)));
        Self {
            shared,
            acts,
            store: store.clone(),
            clock: clock.clone(),
            secrets,
            listed,
        }
    }

    /// Takes a condition in. Never blocks: what waits for one device and kind takes one place.
    pub fn note(&self, source: Source, condition: &Condition) {
        self.shared.note(source, condition);
    }

    /// Open alarms of one device.
    #[must_use]
    pub fn open_at(&self, source: Source) -> Vec<Arc<View>> {
        self.shared.board.open(source.group, Some(source.device))
    }

    /// Every change of every group, for a door of the service's own; what is open is told first.
    #[must_use]
    pub fn watch(&self) -> Subscription {
        self.shared.board.subscribe(None)
    }

    /// Judges a batch as it came off the wire, before validation, budget and database.
    pub fn hear(&self, (group, device): (Uuid, Uuid), boot: i64, batch: &RawBatch) {
        let received_ms = self.clock.now().timestamp_millis();
        let source = Source { group, device };
        let mut found = Vec::new();
        self.shared
            .taps
            .hear(source, (boot, batch), received_ms, &mut found);
        for condition in &found {
            self.shared.note(source, condition);
        }
    }
}

impl Shared {
    fn note(&self, source: Source, condition: &Condition) {
        let mut inbox = lock(&self.inbox);
        inbox
            .since
            .entry((source, condition.kind))
            .or_insert_with(Instant::now);
        if let Some(gone) = inbox.queue.push(source, condition) {
            inbox.since.remove(&gone);
            metrics::count_alarm_displaced();
        }
        drop(inbox);
        self.wake.notify_one();
    }

    /// What waits, most urgent first, at most one turn of it.
    fn take(&self) -> Vec<(Source, Pending, Instant)> {
        let mut inbox = lock(&self.inbox);
        let mut taken = Vec::new();
        while taken.len() < TURN
            && let Some((source, kind, pending)) = inbox.queue.pop()
        {
            let since = inbox.since.remove(&(source, kind));
            taken.push((source, pending, since.unwrap_or_else(Instant::now)));
        }
        metrics::set_alarm_queue(inbox.queue.len());
        taken
    }
}
