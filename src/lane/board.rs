//! What is open now, and every change of it in order, for readers that come and go.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex};

use tokio::sync::broadcast;
use uuid::Uuid;

use super::lock;
use crate::alarm::condition::Source;
use crate::alarm::kind::Class;
use crate::alarm::state::State;
use crate::clock::Clock;
use crate::store::alarms::Life;

/// Changes kept for a reader that is behind; one that is further behind is ended.
pub(super) const BUFFER: usize = 4_096;

/// One alarm as it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct View {
    /// The alarm.
    pub life: Life,
    /// Who was told, as "level name".
    pub told: Vec<String>,
}

/// One change.
#[derive(Debug, Clone)]
pub struct Event {
    /// Place in the order of changes since the service started.
    pub seq: u64,
    /// The alarm as it then stood.
    pub view: Arc<View>,
}

/// A reader of changes.
#[derive(Debug)]
pub struct Subscription {
    /// To be told first: open alarms, or the changes since the reader's token.
    pub replay: Vec<Event>,
    /// Changes from then on.
    pub changes: broadcast::Receiver<Event>,
    /// Place in the order from which `changes` goes on.
    pub seq: u64,
    /// Which run of the service this is.
    pub run: u64,
}

/// The board.
pub(super) struct Board {
    inner: Mutex<Inner>,
    changes: broadcast::Sender<Event>,
    run: u64,
}

#[derive(Default)]
struct Inner {
    /// By device, so that one device is found without the others.
    open: BTreeMap<(Source, Uuid), Event>,
    recent: VecDeque<Event>,
    seq: u64,
}

impl Board {
    pub(super) fn new(clock: &Clock) -> Self {
        let run = crate::ids::new_id(clock.now()).as_u64_pair().1;
        Self {
            inner: Mutex::default(),
            changes: broadcast::channel(BUFFER).0,
            run,
        }
    }

    /// Shows a change.
    pub(super) fn show(&self, view: View) {
        let view = Arc::new(view);
        let id = (view.life.source, view.life.alarm_id);
        let closed = view.life.alarm.state == State::Normal;
        let mut inner = lock(&self.inner);
        inner.seq += 1;
        let event = Event {
            seq: inner.seq,
            view,
        };
        if closed {
            inner.open.remove(&id);
        } else {
            inner.open.insert(id, event.clone());
        }
        inner.recent.push_back(event.clone());
        if inner.recent.len() > BUFFER {
            inner.recent.pop_front();
        }
        // Under the lock, so that a new reader misses nothing. Nobody reads: nothing to do.
        let _ = self.changes.send(event);
    }

    /// An open alarm.
    pub(super) fn find(&self, alarm: Uuid) -> Option<Arc<View>> {
        let inner = lock(&self.inner);
        let mut open = inner.open.values();
        open.find(|event| event.view.life.alarm_id == alarm)
            .map(|event| Arc::clone(&event.view))
    }

    /// Open alarms of a group, or of one of its devices, most urgent first.
    pub(super) fn open(&self, group: Uuid, device: Option<Uuid>) -> Vec<Arc<View>> {
        let inner = lock(&self.inner);
        let (first, last) = (device.unwrap_or(Uuid::nil()), device.unwrap_or(Uuid::max()));
        let from = (
            Source {
                group,
                device: first,
            },
            Uuid::nil(),
        );
        let to = (
            Source {
                group,
                device: last,
            },
            Uuid::max(),
        );
        let found = inner.open.range(from..=to);
        let mut open: Vec<Arc<View>> = found.map(|(_, event)| Arc::clone(&event.view)).collect();
        drop(inner);
        open.sort_by_key(|view| place(view));
        open
    }

    /// Goes on behind `token` = (run, place in the order), or begins with every open alarm.
    pub(super) fn subscribe(&self, token: Option<(u64, u64)>) -> Subscription {
        let inner = lock(&self.inner);
        let oldest = inner
            .recent
            .front()
            .map_or(inner.seq + 1, |event| event.seq);
        let known =
            token.filter(|(run, seq)| *run == self.run && seq + 1 >= oldest && *seq <= inner.seq);
        let replay = if let Some((_, seq)) = known {
            let newer = inner.recent.iter().filter(|event| event.seq > seq);
            newer.cloned().collect()
        } else {
            let mut open: Vec<Event> = inner.open.values().cloned().collect();
            open.sort_by_key(|event| event.seq);
            open
        };
        Subscription {
            replay,
            changes: self.changes.subscribe(),
            seq: inner.seq,
            run: self.run,
        }
    }
}

/// Place of an open alarm in a list.
pub(super) fn place(view: &View) -> (Class, i64, Uuid) {
    let life = &view.life;
    (
        life.alarm.kind.class(),
        life.alarm.raised_at_ms,
        life.alarm_id,
    )
}
