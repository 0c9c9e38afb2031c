//! Leads the alarms: conditions and acts of people in, changes to the board, the post and the keeper.

use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::acts::{Act, Asked};
use super::board::View;
use super::closed::Closed;
use super::keeper::Keep;
use super::line::Parcel;
use super::places::{Places, names};
use super::post::Post;
use super::{Shared, Store};
use crate::alarm::condition::{Condition, Source};
use crate::alarm::escalation::{self, Level, Told};
use crate::alarm::journal::{Record, Step};
use crate::alarm::kind::{Class, Kind};
use crate::alarm::state::{Alarm, Change, Open, Refused, State};
use crate::alarm::text::Notice;
use crate::clock::Clock;
use crate::ids;
use crate::metrics;
use crate::store::alarm_routes::Route;
use crate::store::alarms::Life;
use crate::store::notifications::{Delivery, Notification};

/// How often silence and escalation are looked at.
const TICK: Duration = Duration::from_millis(250);
/// Every so many of them the registry is asked again about every device.
const TICKS_REFRESH: u32 = 4 * 300;
/// A change nobody would see is written at most this often, ms.
const SILENT_MS: i64 = 30_000;

/// Which alarm.
pub(super) type Key = (Source, Kind);

/// What is known of an open alarm beside its state.
#[derive(Debug, Clone)]
pub(super) struct Meta {
    id: Uuid,
    shop: Option<Uuid>,
    told: Told,
    version: i64,
    told_to: Vec<String>,
    saved_ms: i64,
    due_ms: Option<i64>,
}

/// The engine. Lives in one task.
pub(super) struct Engine {
    pub(super) shared: Arc<Shared>,
    pub(super) store: Store,
    pub(super) keep: Arc<Keep>,
    pub(super) post: Arc<Post>,
    pub(super) clock: Clock,
    places: Places,
    open: Open,
    metas: HashMap<Key, Meta>,
    keys: HashMap<Uuid, Key>,
    closed: Closed,
    due: BTreeSet<(i64, Source, Kind)>,
    ticks: u32,
    /// Notifications that leave once they wait to be kept beside their alarm: a death keeps both or none.
    leaving: Vec<Parcel>,
}

impl Engine {
    pub(super) fn new(
        shared: &Arc<Shared>,
        store: &Store,
        (keep, post): (&Arc<Keep>, &Arc<Post>),
        clock: &Clock,
    ) -> Self {
        Self {
            shared: Arc::clone(shared),
            store: store.clone(),
            keep: Arc::clone(keep),
            post: Arc::clone(post),
            clock: clock.clone(),
            places: Places::new(store),
            open: Open::default(),
            metas: HashMap::new(),
            keys: HashMap::new(),
            closed: Closed::default(),
            due: BTreeSet::new(),
            ticks: 0,
            leaving: Vec::new(),
        }
    }

    /// Leads until `stop`; what waits then is taken first.
    pub(super) async fn run(mut self, mut acts: mpsc::Receiver<Asked>, stop: CancellationToken) {
        let mut ticks = tokio::time::interval(TICK);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            let shared = Arc::clone(&self.shared);
            tokio::select! {
                biased;
                () = shared.wake.notified() => {}
                asked = acts.recv() => {
                    if let Some(asked) = asked {
                        self.act(asked);
                    }
                }
                _ = ticks.tick() => Box::pin(self.tick()).await,
                () = stop.cancelled() => {
                    while Box::pin(self.turn()).await {}
                    return;
                }
            }
            while Box::pin(self.turn()).await {
                while let Ok(asked) = acts.try_recv() {
                    self.act(asked);
                }
            }
        }
    }

    /// Takes what waits, one turn of it; `false` when nothing did.
    async fn turn(&mut self) -> bool {
        let (taken, upto) = self.shared.take();
        if taken.is_empty() {
            return false;
        }
        let sources: Vec<Source> = taken.iter().map(|row| row.0).collect();
        self.places.warm(&sources, &self.shared.taps).await;
        for (source, pending, since) in taken {
            for condition in pending.conditions() {
                self.take(source, &condition, Some(since));
            }
        }
        if let Some(upto) = upto {
            self.keep.done(upto);
        }
        true
    }

    async fn tick(&mut self) {
        let now_ms = self.now_ms();
        let (silent, mut ask) = self.shared.taps.sweep(now_ms);
        for (source, lost) in silent {
            self.shared.note(source, &lost);
        }
        self.ticks = self.ticks.wrapping_add(1);
        if self.ticks.is_multiple_of(TICKS_REFRESH) {
            ask = self.shared.taps.sources();
        }
        let mut due = Vec::new();
        while let Some(first) = self.due.first().copied().filter(|(at, ..)| *at <= now_ms) {
            self.due.pop_first();
            ask.push(first.1);
            due.push((first.1, first.2));
        }
        self.places.warm(&ask, &self.shared.taps).await;
        for key in due {
            self.remind(key);
        }
    }

    pub(super) fn now_ms(&self) -> i64 {
        self.clock.now().timestamp_millis()
    }

    /// Takes a condition in. One that was known before its alarm returned or closed says nothing new.
    pub(super) fn take(&mut self, source: Source, condition: &Condition, since: Option<Instant>) {
        let key = (source, condition.kind);
        let known = match self.open.find(source, condition.kind) {
            Some(alarm) => (!alarm.state.is_active()).then_some(alarm.last_on_ms),
            None => self.closed.last_on_ms(key),
        };
        if condition.is_active() && known.is_some_and(|last| condition.last_ms <= last) {
            return;
        }
        let raised = self.open.find(source, condition.kind).is_none();
        let Some((alarm, change)) = self.open.apply(source, condition) else {
            return;
        };
        if raised {
            metrics::count_alarm(alarm.kind.class().as_str());
        }
        let step = Record {
            source,
            step: Step::Condition(*condition),
        };
        self.settle(key, &alarm, change, Some(step));
        if let Some(since) = since.filter(|_| change == Change::Visible) {
            metrics::observe_alarm(since.elapsed());
        }
    }

    /// Tells an alarm again after a start.
    pub(super) fn reraise(&mut self, key: Key) {
        let raised = self.open.act(key.0, key.1, |alarm| Ok(alarm.reraise()));
        if let Ok((alarm, change)) = raised {
            self.settle(key, &alarm, change, None);
        }
    }

    /// Takes an alarm back as it was stored.
    pub(super) fn restore(&mut self, life: Life) {
        let key = (life.source, life.alarm.kind);
        if life.alarm.state == State::Normal {
            self.closed.add(key, life.alarm_id, life.alarm.last_on_ms);
            return;
        }
        if life.alarm.state.is_active() {
            self.shared.taps.resume(life.source, life.alarm.kind);
        }
        let meta = Meta {
            id: life.alarm_id,
            shop: life.shop,
            told: life.told,
            version: life.version,
            told_to: Vec::new(),
            saved_ms: 0,
            due_ms: None,
        };
        self.keys.insert(life.alarm_id, key);
        self.metas.insert(key, meta);
        self.open.restore(life.source, life.alarm);
    }

    /// Every open alarm.
    pub(super) fn open_keys(&self) -> Vec<Key> {
        self.metas.keys().copied().collect()
    }

    /// Asks where these devices stand and who is told of them.
    pub(super) async fn warm(&mut self, sources: &[Source]) {
        self.places.warm(sources, &self.shared.taps).await;
    }

    /// After a step: told, shown, kept.
    fn settle(&mut self, key: Key, alarm: &Alarm, change: Change, step: Option<Record>) {
        let now_ms = self.now_ms();
        let origin = step.as_ref().and_then(|record| record.step.origin());
        let mut meta = self.metas.remove(&key).unwrap_or_else(|| Meta {
            id: self.closed.new_id(key, alarm, origin),
            shop: None,
            told: Told::default(),
            // Above every version of a forgotten alarm of the same id: a device that counts its starts wrongly.
            version: now_ms,
            told_to: Vec::new(),
            saved_ms: 0,
            due_ms: None,
        });
        meta.version += 1;
        self.keys.insert(meta.id, key);
        if change == Change::Visible {
            self.tell(key, alarm, &mut meta, true);
        }
        self.plan(key, alarm, &mut meta);
        if change == Change::Visible || now_ms - meta.saved_ms >= SILENT_MS {
            meta.saved_ms = now_ms;
            let life = self.life(key, alarm, &meta);
            self.keep_and_send(life.clone(), step);
            if change == Change::Visible {
                self.shared.board.show(View {
                    life,
                    told: meta.told_to.clone(),
                });
            }
        }
        if alarm.state == State::Normal {
            self.keys.remove(&meta.id);
            self.unplan(key, &mut meta);
            self.closed.add(key, meta.id, alarm.last_on_ms);
        } else {
            self.metas.insert(key, meta);
        }
    }

    /// An escalation is due: told further, perhaps.
    fn remind(&mut self, key: Key) {
        let (Some(alarm), Some(mut meta)) = (
            self.open.find(key.0, key.1).cloned(),
            self.metas.remove(&key),
        ) else {
            return;
        };
        meta.due_ms = None;
        let before = (meta.told, meta.told_to.len());
        self.tell(key, &alarm, &mut meta, false);
        self.plan(key, &alarm, &mut meta);
        if before != (meta.told, meta.told_to.len()) || !self.leaving.is_empty() {
            meta.version += 1;
            let life = self.life(key, &alarm, &meta);
            self.keep_and_send(life.clone(), None);
            self.shared.board.show(View {
                life,
                told: meta.told_to.clone(),
            });
        }
        self.metas.insert(key, meta);
    }

    fn keep_and_send(&mut self, life: Life, step: Option<Record>) {
        let mail = self.leaving.iter().map(|parcel| parcel.row.clone());
        self.keep.life(life, step, mail);
        for parcel in self.leaving.drain(..) {
            self.post.offer(parcel);
        }
    }

    fn life(&self, key: Key, alarm: &Alarm, meta: &Meta) -> Life {
        let id = key.0.device.to_string();
        let standing = self.places.standing(key.0);
        let place = names(standing.as_deref(), &id);
        Life {
            alarm_id: meta.id,
            source: key.0,
            shop: meta.shop,
            alarm: alarm.clone(),
            told: meta.told,
            version: meta.version,
            line: Notice::new(alarm, place, self.now_ms()).line,
        }
    }

    /// Tells whom it concerns now. The bench's own channels hear of every change.
    fn tell(&mut self, key: Key, alarm: &Alarm, meta: &mut Meta, changed: bool) {
        let now_ms = self.now_ms();
        let Some(shop) = self.places.told(key.0, &mut meta.shop) else {
            return;
        };
        let (tells, told) = escalation::due(alarm, &shop.routes, now_ms, meta.told);
        meta.told = told;
        let mut reached: Vec<Uuid> = Vec::new();
        for tell in tells {
            let Some(route) = shop.find(&tell.recipient) else {
                continue;
            };
            reached.push(route.route_id);
            let name = format!("{} {}", route.level, route.name);
            if !meta.told_to.contains(&name) {
                meta.told_to.push(name);
            }
            let step = format!("step {} {}", alarm.occurrence, tell.step);
            let parcel = self.parcel((key, meta.id), alarm, route, &step);
            self.leaving.push(parcel);
        }
        let quiet = alarm.kind.class() == Class::Low || alarm.shelved_until(now_ms).is_some();
        if !changed || quiet {
            return;
        }
        let bench = shop
            .routes
            .recipients
            .iter()
            .filter(|r| r.level == Level::Bench);
        for wanted in bench {
            let route = shop.find(wanted);
            if let Some(route) = route.filter(|route| !reached.contains(&route.route_id)) {
                let step = format!("revision {}", alarm.revision);
                let parcel = self.parcel((key, meta.id), alarm, route, &step);
                self.leaving.push(parcel);
            }
        }
    }

    fn parcel(
        &self,
        (key, id): (Key, Uuid),
        alarm: &Alarm,
        route: &Arc<Route>,
        step: &str,
    ) -> Parcel {
        let group = key.0.group;
        let device = key.0.device.to_string();
        let standing = self.places.standing(key.0);
        let place = names(standing.as_deref(), &device);
        let parts: [&[u8]; 3] = [id.as_bytes(), step.as_bytes(), route.route_id.as_bytes()];
        Parcel::new(
            (group, route),
            (
                ids::derived(group, "notification", &parts),
                id,
                key.0.device,
            ),
            Notice::new(alarm, place, self.now_ms()),
            self.clock.now(),
        )
    }

    /// Whether the routes of a group are known.
    pub(super) fn knows_routes(&self, group: Uuid) -> bool {
        self.places.routes(group, None).is_some()
    }

    /// Sends again what waited when the service stopped.
    pub(super) fn send_again(&self, group: Uuid, mut row: Notification) {
        if let Some(route) = self.places.route(group, row.route_id) {
            self.post.offer(Parcel::again(group, route, row));
        } else if !self.knows_routes(group) {
            // It waits in the database for the next start.
            tracing::warn!(%group, "routes are not known: a notification waits");
        } else {
            row.state = Delivery::Failed;
            row.next_at = None;
            row.last_error = Some("its route was taken out".to_owned());
            self.keep.note(group, row);
        }
    }

    /// Notes when the escalation goes on.
    fn plan(&mut self, key: Key, alarm: &Alarm, meta: &mut Meta) {
        self.unplan(key, meta);
        let now_ms = self.now_ms();
        let due_ms = match self.places.told(key.0, &mut meta.shop) {
            Some(shop) => escalation::next_due(alarm, &shop.routes, now_ms, meta.told),
            // Nobody is known to tell: asked again at the next look.
            None => alarm.state.is_unacknowledged().then_some(now_ms + 1_000),
        };
        if let Some(due_ms) = due_ms {
            self.due.insert((due_ms, key.0, key.1));
            meta.due_ms = Some(due_ms);
        }
    }

    fn unplan(&mut self, key: Key, meta: &mut Meta) {
        if let Some(due_ms) = meta.due_ms.take() {
            self.due.remove(&(due_ms, key.0, key.1));
        }
    }

    fn act(&mut self, asked: Asked) {
        let Asked { act, reply } = asked;
        let done = match act {
            Act::Forget(group) => {
                self.places.forget(group);
                Ok(None)
            }
            Act::Acknowledge { alarm, seen } => self.act_on(alarm, |kind, alarm| {
                let change = alarm.acknowledge(&seen.by, seen.at_ms)?;
                Ok((change, Step::Acknowledge(kind, seen)))
            }),
            Act::Shelve { alarm, shelf } => self.act_on(alarm, |kind, alarm| {
                let change = alarm.shelve(shelf.clone())?;
                Ok((change, Step::Shelve(kind, shelf)))
            }),
        };
        // Who asked may have gone away; what was done stays.
        let _ = reply.send(done);
    }

    fn act_on(
        &mut self,
        id: Uuid,
        act: impl FnOnce(Kind, &mut Alarm) -> Result<(Change, Step), Refused>,
    ) -> Result<Option<View>, Refused> {
        let key = *self.keys.get(&id).ok_or(Refused::Closed)?;
        self.act_on_key(key, act).map(Some)
    }

    /// Lets a person act; gives the alarm as it now is.
    pub(super) fn act_on_key(
        &mut self,
        key: Key,
        act: impl FnOnce(Kind, &mut Alarm) -> Result<(Change, Step), Refused>,
    ) -> Result<View, Refused> {
        let (source, kind) = key;
        let mut step = None;
        let (alarm, change) = self.open.act(source, kind, |alarm| {
            let (change, done) = act(kind, alarm)?;
            step = Some(Record { source, step: done });
            Ok(change)
        })?;
        let mut meta = self.metas.get(&key).cloned().ok_or(Refused::Closed)?;
        self.settle(key, &alarm, change, step);
        if let Some(newer) = self.metas.get(&key) {
            meta = newer.clone();
        }
        Ok(View {
            life: self.life(key, &alarm, &meta),
            told: meta.told_to,
        })
    }
}
