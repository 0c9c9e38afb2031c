//! Sends notifications: per route one request at a time, what waits meanwhile goes together; people get no
//! more than they can read. At least once; every alarm in a message carries an id that tells copies apart.

use std::collections::HashMap;
use std::panic::AssertUnwindSafe;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use chrono::{DateTime, TimeDelta, Utc};
use futures_util::FutureExt as _;
use serde::Serialize;
use tokio::sync::Notify;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::http::Poster;
use super::keeper::Keep;
use super::line::{Bundle, Line, Parcel};
use super::lock;
use super::secret::Secrets;
use crate::alarm::escalation::Level;
use crate::alarm::flood::Item;
use crate::alarm::kind::Class;
use crate::alarm::text::STANDING;
use crate::alarm::webhook::{HEADER_ID, HEADER_SIGNATURE, HEADER_TIMESTAMP, Secret};
use crate::clock::Clock;
use crate::ids;
use crate::metrics;
use crate::store::alarm_routes::Route;
use crate::store::notifications::Delivery;

/// Requests on their way, at most.
const FLYING_MAX: usize = 32;
/// Seconds until the next attempt; the last one repeats. Source: RELIABILITY 4.2.
const BACKOFF_S: [i64; 8] = [1, 5, 15, 60, 300, 900, 3_600, 21_600];
/// How long a message is tried. Source: RELIABILITY 4.2.
const TRIED_FOR: TimeDelta = TimeDelta::hours(24);
/// How often waiting messages are looked at when nothing wakes the task.
const TICK: Duration = Duration::from_millis(200);
/// How often a heartbeat goes out. Source: RELIABILITY 4.2.
const HEARTBEAT: Duration = Duration::from_secs(30);
/// Longest error that is kept, bytes.
const ERROR_MAX: usize = 300;

/// What was offered, and whether what is offered now is known to its receivers already.
#[derive(Default)]
struct Inbox {
    parcels: Vec<Parcel>,
    live: bool,
}

/// The way to the task that sends; never blocks.
#[derive(Default)]
pub(super) struct Post {
    inbox: Mutex<Inbox>,
    wake: Notify,
}

impl Post {
    pub(super) fn offer(&self, mut parcel: Parcel) {
        let mut inbox = lock(&self.inbox);
        parcel.retold = !inbox.live;
        inbox.parcels.push(parcel);
        drop(inbox);
        self.wake.notify_one();
    }

    /// Everything from before the start was offered: what comes now is news.
    pub(super) fn go_live(&self) {
        lock(&self.inbox).live = true;
    }
}

type Flown = (Uuid, Bundle, Result<(), String>);

/// The task that sends.
pub(super) struct Mail {
    post: Arc<Post>,
    keep: Arc<Keep>,
    poster: Arc<Poster>,
    secrets: Arc<Secrets>,
    clock: Clock,
    stop: CancellationToken,
    lines: HashMap<Uuid, Line>,
    flying: JoinSet<Flown>,
}

impl Mail {
    pub(super) fn new(
        post: &Arc<Post>,
        keep: &Arc<Keep>,
        (poster, secrets): (Poster, Arc<Secrets>),
        (clock, stop): &(Clock, CancellationToken),
    ) -> Self {
        Self {
            post: Arc::clone(post),
            keep: Arc::clone(keep),
            poster: Arc::new(poster),
            secrets,
            clock: clock.clone(),
            stop: stop.clone(),
            lines: HashMap::new(),
            flying: JoinSet::new(),
        }
    }

    /// Sends until the service stops; what is not delivered then waits in the database.
    pub(super) async fn run(mut self, heartbeat_url: String) {
        let mut beats = tokio::time::interval(HEARTBEAT);
        let mut ticks = tokio::time::interval(TICK);
        ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let mut beating: JoinSet<()> = JoinSet::new();
        loop {
            let post = Arc::clone(&self.post);
            tokio::select! {
                () = post.wake.notified() => {}
                _ = ticks.tick() => {}
                Some(flown) = self.flying.join_next() => {
                    match flown {
                        Ok(flown) => self.landed(flown),
                        Err(error) => tracing::error!(%error, "a notification ended in a panic"),
                    }
                }
                _ = beats.tick(), if !heartbeat_url.is_empty() => {
                    while beating.try_join_next().is_some() {}
                    let (poster, url) = (Arc::clone(&self.poster), heartbeat_url.clone());
                    let now = self.clock.now();
                    beating.spawn(Box::pin(async move { beat(&poster, &url, now).await }));
                }
                () = self.stop.cancelled() => return,
            }
            let parcels = std::mem::take(&mut lock(&self.post.inbox).parcels);
            for parcel in parcels {
                self.accept(parcel);
            }
            self.launch();
        }
    }

    fn accept(&mut self, mut parcel: Parcel) {
        let now = self.clock.now();
        if parcel.route.url.is_empty() {
            parcel.row.state = Delivery::Shown;
            self.keep.note(parcel.group, parcel.row);
            return;
        }
        let again = parcel.row.attempts > 0;
        parcel.row.next_at = parcel.row.next_at.or(Some(now));
        self.keep.note(parcel.group, parcel.row.clone());
        let line = self
            .lines
            .entry(parcel.route.route_id)
            .or_insert_with(|| Line::new(Arc::clone(&parcel.route)));
        line.route = Arc::clone(&parcel.route);
        // The bench's channel is a machine: it gets everything at once.
        if again || parcel.route.level == Level::Bench {
            line.push(vec![parcel], now);
            return;
        }
        parcel
            .replaces
            .extend(line.flooded.remove(&parcel.row.alarm_id));
        let (alarm, row) = (parcel.row.alarm_id, parcel.row.clone());
        let item = Item {
            class: parcel.class,
            line: parcel.line.clone(),
            alarm: parcel,
        };
        match line.flood.offer(item, now.timestamp_millis()) {
            Some(message) => line.send(message, now),
            None => drop(line.flooded.insert(alarm, row)),
        }
    }

    /// Starts what is due, as far as there is room.
    fn launch(&mut self) {
        let now = self.clock.now();
        let now_ms = now.timestamp_millis();
        for (id, line) in &mut self.lines {
            if let Some(message) = line.flood.flush(now_ms) {
                line.send(message, now);
            }
            if line.busy || self.flying.len() >= FLYING_MAX {
                continue;
            }
            let Some(bundle) = line.due(now_ms) else {
                continue;
            };
            line.busy = true;
            let (poster, secrets) = (Arc::clone(&self.poster), Arc::clone(&self.secrets));
            let (id, route) = (*id, Arc::clone(&line.route));
            self.flying.spawn(Box::pin(async move {
                // A panic must not take the bundle with it: its route would wait for ever.
                let sent = deliver(&poster, &secrets, &route, &bundle.parcels, now);
                let done = AssertUnwindSafe(sent).catch_unwind().await;
                let done = done.unwrap_or_else(|_| Err("sending ended in a panic".to_owned()));
                (id, bundle, done)
            }));
        }
        // A route that has nothing to do keeps no place.
        self.lines
            .retain(|_, line| line.busy || !line.waiting.is_empty() || line.flood.is_live());
    }

    fn landed(&mut self, (id, mut bundle, done): Flown) {
        let now = self.clock.now();
        bundle.attempts += 1;
        let state = match &done {
            Ok(()) => Delivery::Delivered,
            Err(_) if now - bundle.since > TRIED_FOR => Delivery::Failed,
            Err(_) => Delivery::Waiting,
        };
        metrics::count_notification(state.as_str(), bundle.parcels.len());
        let wait = BACKOFF_S
            .get(bundle.attempts as usize - 1)
            .or(BACKOFF_S.last());
        let next = now + TimeDelta::seconds(wait.copied().unwrap_or(1));
        let error = done.err().map(|mut text| {
            let end = text.floor_char_boundary(ERROR_MAX);
            text.truncate(end);
            text
        });
        if let Some(error) = &error {
            tracing::warn!(route.id = %id, error, "a notification was not delivered");
        }
        for parcel in &mut bundle.parcels {
            parcel.row.state = state;
            parcel.row.attempts = bundle.attempts;
            parcel.row.last_error.clone_from(&error);
            parcel.row.next_at = (state == Delivery::Waiting).then_some(next);
            self.keep.note(parcel.group, parcel.row.clone());
            if state != Delivery::Waiting {
                for mut older in parcel.replaces.drain(..) {
                    older.state = state;
                    older.next_at = None;
                    self.keep.note(parcel.group, older);
                }
            }
        }
        if let Some(line) = self.lines.get_mut(&id) {
            line.busy = false;
            if state == Delivery::Waiting {
                bundle.next_ms = next.timestamp_millis();
                line.waiting.push_back(bundle);
            }
        }
    }
}

/// Body of a message: the same form for one alarm and many.
#[derive(Serialize)]
struct Body<'a> {
    r#type: &'static str,
    timestamp: DateTime<Utc>,
    data: Data<'a>,
}

#[derive(Serialize)]
struct Data<'a> {
    count: usize,
    critical: usize,
    text: String,
    standing: &'static str,
    alarms: Vec<&'a serde_json::Value>,
}

async fn deliver(
    poster: &Poster,
    secrets: &Secrets,
    route: &Route,
    parcels: &[Parcel],
    now: DateTime<Utc>,
) -> Result<(), String> {
    let mut sorted: Vec<&Parcel> = parcels.iter().collect();
    sorted.sort_by_key(|parcel| parcel.class);
    let critical = sorted
        .iter()
        .filter(|parcel| parcel.class == Class::Critical)
        .count();
    let lines: Vec<&str> = sorted.iter().map(|parcel| parcel.line.as_str()).collect();
    let body = Body {
        r#type: "alarms",
        timestamp: now,
        data: Data {
            count: sorted.len(),
            critical,
            text: lines.join("\n"),
            standing: STANDING,
            alarms: sorted.iter().map(|parcel| &parcel.row.notice).collect(),
        },
    };
    let body = serde_json::to_vec(&body).map_err(|error| error.to_string())?;
    let ids: Vec<&[u8]> = parcels
        .iter()
        .map(|parcel| parcel.row.notification_id.as_bytes().as_slice())
        .collect();
    let id = ids::derived(route.route_id, "message", &ids).to_string();
    let secret = secrets
        .of(route.route_id, &route.salt)
        .map_err(|error| format!("{error:#}"))?;
    send(poster, &route.url, &id, (Some(&secret), now), body).await
}

async fn send(
    poster: &Poster,
    url: &str,
    id: &str,
    (secret, now): (Option<&Secret>, DateTime<Utc>),
    body: Vec<u8>,
) -> Result<(), String> {
    let second = now.timestamp();
    let mut headers = vec![
        (HEADER_ID, id.to_owned()),
        (HEADER_TIMESTAMP, second.to_string()),
    ];
    if let Some(secret) = secret {
        headers.push((HEADER_SIGNATURE, secret.sign(id, second, &body)));
    }
    poster.post(url, &headers, body).await
}

/// Says that the service lives, to a receiver that cries when it no longer hears it.
async fn beat(poster: &Poster, url: &str, now: DateTime<Utc>) {
    let body = serde_json::json!({"type": "heartbeat", "timestamp": now, "data": {}});
    let id = ids::new_id(now).to_string();
    let sent = send(poster, url, &id, (None, now), body.to_string().into_bytes()).await;
    if let Err(error) = sent {
        metrics::count_notification("heartbeat_failed", 1);
        tracing::warn!(error, "the heartbeat was not delivered");
    }
}
