//! The alarm lane: from a raw batch to a notification, apart from intake, budget and database.
//!
//! `taps` judge batches as they come off the wire; `note` takes conditions in without ever blocking;
//! the `engine` leads the alarms; the `board` shows them; the `post` sends; the `keeper` writes behind,
//! into the database, or into a journal while that is away. Delivery never waits for the keeper.

mod acts;
mod board;
mod closed;
mod engine;
mod file;
mod http;
mod keeper;
mod line;
mod places;
mod post;
mod restore;
mod secret;
mod taps;

use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use rustls::pki_types::CertificateDer;
use tokio::runtime::Builder;
use tokio::sync::{Notify, mpsc, watch};
use tokio::task::JoinSet;
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

/// Longest time an acknowledgement waits for its alarms to be kept.
const KEPT_WITHIN: Duration = Duration::from_secs(8);

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
    /// Authorities that receivers are trusted by, beside the machine's own.
    pub roots: Vec<CertificateDer<'static>>,
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
    kept: watch::Receiver<u64>,
}

/// What must be kept before a batch may be acknowledged: the alarms it raised. A service that dies before has
/// acknowledged nothing, and hears the batch again.
#[derive(Debug)]
pub struct Ticket {
    number: u64,
    kept: watch::Receiver<u64>,
}

impl Ticket {
    /// Waits until the alarms are in the database or the synced journal; `false` when that takes too long.
    pub async fn kept(mut self) -> bool {
        let kept = self.kept.wait_for(|kept| *kept >= self.number);
        matches!(tokio::time::timeout(KEPT_WITHIN, kept).await, Ok(Ok(_)))
    }
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
    /// Conditions that were noted since the start.
    noted: u64,
    since: HashMap<(Source, Kind), Instant>,
}

/// A lock whose holder panicked holds nothing half done: every change under it is complete.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Lane {
    /// Starts the lane on a thread of its own, until `stop`; `tasks` wait for its end. What keeps the other
    /// threads busy delays no alarm.
    ///
    /// # Errors
    /// The thread cannot be started.
    pub fn start(
        store: &Store,
        clock: &Clock,
        settings: Settings,
        (tasks, stop): (&TaskTracker, &CancellationToken),
    ) -> std::io::Result<Self> {
        let shared = Arc::new(Shared {
            inbox: Mutex::default(),
            wake: Notify::new(),
            taps: taps::Taps::default(),
            board: board::Board::new(clock),
        });
        let (acts, asked) = mpsc::channel(ACTS_MAX);
        let secrets = Arc::new(secret::Secrets::new(settings.key));
        let keep = Arc::new(keeper::Keep::new());
        let listed: Arc<[Range]> = settings.listed.into();
        let post = Arc::new(post::Post::default());
        let poster = http::Poster::new(Arc::clone(&listed), settings.roots);
        let owned = (clock.clone(), stop.clone());
        let mail = post::Mail::new(&post, &keep, (poster, Arc::clone(&secrets)), &owned);
        let journal = file::Journal::at(settings.journal);
        let engine = engine::Engine::new(&shared, store, (&keep, &post), clock);
        let keeper = keeper::Keeper::new(&keep, store, journal, clock);
        let leading = restore::run((engine, asked), keeper, stop.clone());
        let posting = mail.run(settings.heartbeat_url);
        let runtime = Builder::new_current_thread().enable_all().build()?;
        let lasts = tasks.token();
        std::thread::Builder::new()
            .name("alarm-lane".to_owned())
            .spawn(move || {
                runtime.block_on(async {
                    // Each in a task of its own: a panic of one ends the other not.
                    let mut parts = JoinSet::new();
                    parts.spawn(leading);
                    parts.spawn(posting);
                    while let Some(ended) = parts.join_next().await {
                        if let Err(error) = ended {
                            tracing::error!(%error, "a part of the alarm lane ended in a panic");
                        }
                    }
                });
                drop(lasts);
            })?;
        Ok(Self {
            shared,
            acts,
            store: store.clone(),
            clock: clock.clone(),
            secrets,
            listed,
            kept: keep.kept(),
        })
    }

    /// Takes a condition in. Never blocks: what waits for one device and kind takes one place.
    #[must_use]
    pub fn note(&self, source: Source, condition: &Condition) -> Ticket {
        Ticket {
            number: self.shared.note(source, condition),
            kept: self.kept.clone(),
        }
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

    /// Judges a batch as it came off the wire, before validation, budget and database. What it raised must be
    /// kept before the batch is acknowledged.
    #[must_use]
    pub fn hear(
        &self,
        (group, device): (Uuid, Uuid),
        boot: i64,
        batch: &RawBatch,
    ) -> Option<Ticket> {
        let received_ms = self.clock.now().timestamp_millis();
        let source = Source { group, device };
        let number = self
            .shared
            .taps
            .hear(source, (boot, batch), received_ms, |condition| {
                self.shared.note(source, condition)
            });
        (number > *self.kept.borrow()).then(|| Ticket {
            number,
            kept: self.kept.clone(),
        })
    }
}

impl Shared {
    /// Takes a condition in; its number.
    fn note(&self, source: Source, condition: &Condition) -> u64 {
        let mut inbox = lock(&self.inbox);
        inbox.noted += 1;
        let number = inbox.noted;
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
        number
    }

    /// What waits, most urgent first, at most one turn of it; and the number up to which nothing waits after it.
    fn take(&self) -> (Vec<(Source, Pending, Instant)>, Option<u64>) {
        let mut inbox = lock(&self.inbox);
        let mut taken = Vec::new();
        while taken.len() < TURN
            && let Some((source, kind, pending)) = inbox.queue.pop()
        {
            let since = inbox.since.remove(&(source, kind));
            taken.push((source, pending, since.unwrap_or_else(Instant::now)));
        }
        metrics::set_alarm_queue(inbox.queue.len());
        let upto = inbox.queue.is_empty().then_some(inbox.noted);
        (taken, upto)
    }
}
