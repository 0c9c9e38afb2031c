//! Takes messages in from a broker: acknowledged after their commit, in order, never twice.
//!
//! One task polls the link and does nothing else. It hands messages to a second task, which decodes
//! and submits them, and that to a third, which waits for each commit and acknowledges. Between them
//! stand queues without a length limit but with one bound in bytes. Above it what arrives is let go
//! until what is in hand is acknowledged; then, as when nothing can be committed, the connection is
//! dropped and a new one made, and the broker sends again what was not acknowledged. Acknowledgements
//! go through the outbox of the link the message came on: one of a broken connection can never meet
//! another connection.

use std::path::PathBuf;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::{Notify, mpsc};
use tokio_util::sync::CancellationToken;

use super::link::{self, Address, Arrived, Event, Link, Manner, Outbox};
use super::receipts::Due;
use super::{Desk, Message, Taken, tls, topic};
use crate::edge::encoding::Encoding;
use crate::metrics;

/// Requests that may wait inside a link: acknowledgements above all.
const OUTBOX: usize = 4_096;
/// Shortest pause before a new connection; doubled at each failure.
const PAUSE: Duration = Duration::from_millis(250);
/// Longest pause.
const PAUSE_MAX: Duration = Duration::from_secs(10);
/// A connection that lived so long was a good one: the next pause is short again.
const GOOD: Duration = Duration::from_secs(10);
/// How often devices are told what is new.
const TELL: Duration = Duration::from_millis(100);
/// How often gaps are looked for.
const REMIND: Duration = Duration::from_secs(10);
/// Why a connection was dropped: more in hand than may be.
const OVER_BOUND: &str = "over the byte bound";
/// Time for the last words at a stop.
const GOOD_BYE: Duration = Duration::from_secs(2);
/// Cost of a message beside its bytes.
const OVERHEAD: usize = 256;

/// A broker and what may be in hand of it.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Where.
    pub address: Address,
    /// TLS, with the CA file when not the system's.
    pub tls: Option<Option<PathBuf>>,
    /// Bytes taken and not yet settled.
    pub budget_bytes: usize,
}

/// How the subscriber stands, for the health page.
#[derive(Debug, Clone, Default)]
pub struct State(Arc<Mutex<Option<String>>>);

impl State {
    fn set(&self, trouble: Option<String>) {
        metrics::set_mqtt_connected(trouble.is_none());
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = trouble;
    }

    /// Why nothing comes in now; `None` = subscribed.
    #[must_use]
    pub fn trouble(&self) -> Option<String> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

/// Why a connection ended.
enum End {
    Stopped,
    Broken(String),
    /// Dropped by us: over the byte bound, or nothing can be committed.
    Parked(&'static str),
}

/// Bytes in hand; given back when dropped.
struct InHand {
    total: Arc<AtomicUsize>,
    bytes: usize,
}

impl InHand {
    fn take(total: &Arc<AtomicUsize>, bytes: usize) -> Self {
        total.fetch_add(bytes, Ordering::Relaxed);
        Self {
            total: Arc::clone(total),
            bytes,
        }
    }
}

impl Drop for InHand {
    fn drop(&mut self) {
        self.total.fetch_sub(self.bytes, Ordering::Relaxed);
    }
}

/// One connection as the tasks behind it see it.
struct Connection {
    outbox: Outbox,
    ended: CancellationToken,
    /// The broker granted the subscriptions: somebody listens to what is told.
    subscribed: CancellationToken,
    /// Acknowledgements handed to the link that did not go out yet.
    unsent: AtomicUsize,
    /// Asks the polling task to drop the connection.
    park: Notify,
}

struct Handed {
    message: Message,
    packet: u16,
    connection: Arc<Connection>,
    in_hand: InHand,
}

struct Settling {
    taken: Taken,
    packet: u16,
    connection: Arc<Connection>,
    in_hand: InHand,
}

/// Runs until `stop`; reconnects by itself.
pub async fn run(desk: Desk, settings: Settings, state: State, stop: CancellationToken) {
    let (hand, handed) = mpsc::unbounded_channel();
    let (settle, settling) = mpsc::unbounded_channel();
    let subscriber = Subscriber {
        desk: desk.clone(),
        settings,
        state,
        hand,
        total: Arc::default(),
    };
    // In tasks of their own: what one of them does must not hold up the polling.
    let tasks = desk.services.tasks.clone();
    let submitting = tasks.spawn(submit_all(desk.clone(), handed, settle));
    let settling = tasks.spawn(settle_all(desk, settling));
    // At its end it lets go of the first queue, and each of them ends with its queue.
    subscriber.run(stop).await;
    for ended in [submitting.await, settling.await] {
        if let Err(error) = ended {
            tracing::error!(%error, "taking messages in from the broker ended in a panic");
        }
    }
}

/// Up to half as long again: those who lost a broker together do not come back together.
fn jitter(pause: Duration) -> Duration {
    let mut random = [0u8];
    // Without randomness the pause is as good without it.
    let _ = getrandom::fill(&mut random);
    pause.mul_f64(f64::from(random[0]) / 512.0)
}

struct Subscriber {
    desk: Desk,
    settings: Settings,
    state: State,
    hand: mpsc::UnboundedSender<Handed>,
    total: Arc<AtomicUsize>,
}

impl Subscriber {
    async fn run(self, stop: CancellationToken) {
        let mut pause = PAUSE;
        self.state.set(Some("not connected yet".into()));
        loop {
            let began = Instant::now();
            let end = self.connect(&stop).await;
            // Dropped for lack of room, it goes on as soon as there is some.
            if began.elapsed() > GOOD || matches!(end, End::Parked(OVER_BOUND)) {
                pause = PAUSE;
            }
            match end {
                End::Stopped => return,
                End::Broken(why) => {
                    if self.state.trouble().as_ref() != Some(&why) {
                        tracing::warn!(why, "the MQTT broker is away; connecting again by itself");
                    }
                    self.state.set(Some(why));
                }
                End::Parked(why) => {
                    metrics::count_mqtt_parked(why);
                    tracing::info!(why, "the MQTT connection was dropped until there is room");
                    self.state.set(Some(format!("dropped: {why}")));
                }
            }
            tokio::select! {
                () = self.room(pause) => {}
                () = stop.cancelled() => return,
            }
            pause = (2 * pause).min(PAUSE_MAX);
        }
    }

    /// Waits until there is room for messages and the database answers.
    async fn room(&self, pause: Duration) {
        tokio::time::sleep(pause + jitter(pause)).await;
        while self.total.load(Ordering::Relaxed) > self.settings.budget_bytes / 2 {
            tokio::time::sleep(PAUSE).await;
        }
        while !matches!(
            tokio::time::timeout(PAUSE_MAX, self.desk.services.store.ping()).await,
            Ok(Ok(()))
        ) {
            tokio::time::sleep(pause).await;
        }
    }

    /// One connection, from its first packet to its end.
    async fn connect(&self, stop: &CancellationToken) -> End {
        let mut address = self.settings.address.clone();
        if let Some(ca) = &self.settings.tls {
            match tls::client(ca.clone()).await {
                Ok(secured) => address.tls = Some(secured),
                Err(error) => return End::Broken(format!("TLS to the broker: {error:#}")),
            }
        }
        let link = link::open(&address, OUTBOX);
        let connection = Arc::new(Connection {
            outbox: link.outbox(),
            ended: CancellationToken::new(),
            subscribed: CancellationToken::new(),
            unsent: AtomicUsize::new(0),
            park: Notify::new(),
        });
        let teller = tell_all(&self.desk, &connection);
        let polled = async {
            let end = self.poll(link, &connection, stop).await;
            connection.ended.cancel();
            end
        };
        let (end, ()) = tokio::join!(polled, teller);
        end
    }

    /// Polls the link and awaits nothing else, but for the end of it.
    async fn poll(
        &self,
        mut link: Link,
        connection: &Arc<Connection>,
        stop: &CancellationToken,
    ) -> End {
        // Over the byte bound what arrives is let go, unacknowledged: it comes again on the next
        // connection, once what is in hand was acknowledged on this one.
        let mut deaf = false;
        let mut parked = std::pin::pin!(connection.park.notified());
        let mut stopped = std::pin::pin!(stop.cancelled());
        loop {
            let event = {
                let (mut next, mut idle) = (std::pin::pin!(link.next()), 0);
                loop {
                    tokio::select! {
                        event = &mut next => break Some(event),
                        () = &mut parked => {
                            return End::Parked("nothing can be committed");
                        }
                        () = &mut stopped => break None,
                        () = tokio::time::sleep(TELL), if deaf => {
                            idle += 1;
                            if idle > 1 && self.is_settled(connection) {
                                return End::Parked(OVER_BOUND);
                            }
                        }
                    }
                }
            };
            let Some(event) = event else {
                good_bye(link, connection).await;
                return End::Stopped;
            };
            match event {
                Err(broken) => return End::Broken(broken.to_string()),
                Ok(Event::Connected { .. }) => {
                    if self.begin(connection).is_err() {
                        return End::Broken("the first requests found no room".into());
                    }
                }
                Ok(Event::Subscribed { granted: true }) => {
                    tracing::info!("subscribed at the MQTT broker");
                    connection.subscribed.cancel();
                    self.state.set(None);
                }
                Ok(Event::Subscribed { granted: false }) => {
                    let why = "the broker refused a subscription: let its access list allow this \
                               login to read restvolt/v1/+/up/# and restvolt/v1/+/status";
                    return End::Broken(why.into());
                }
                Ok(Event::Arrived(_)) if deaf => {
                    if self.is_settled(connection) {
                        return End::Parked(OVER_BOUND);
                    }
                }
                Ok(Event::Arrived(arrived)) => deaf = !self.hand_over(arrived, connection),
                Ok(Event::AckSent(count)) => {
                    connection.unsent.fetch_sub(count, Ordering::Relaxed);
                }
                Ok(Event::Acknowledged { .. } | Event::Sent(_)) => {}
            }
        }
    }

    /// Nothing is in hand, and every acknowledgement went out.
    fn is_settled(&self, connection: &Connection) -> bool {
        self.total.load(Ordering::Relaxed) == 0 && connection.unsent.load(Ordering::Relaxed) == 0
    }

    /// Subscribes at every connection, whatever the broker remembers.
    fn begin(&self, connection: &Connection) -> Result<(), link::Busy> {
        connection.outbox.subscribe(&link::ALL_DEVICES)?;
        let status = service_status(true);
        connection
            .outbox
            .publish(topic::SERVICE_STATUS, status, KEPT)?;
        // What was told on the connection before may not have gone out, and what was published while
        // nobody was subscribed never came: devices are told what is kept, and send the rest again.
        self.desk.receipts.tell_all();
        Ok(())
    }

    fn hand_over(&self, arrived: Arrived, connection: &Arc<Connection>) -> bool {
        let bytes = arrived.topic.len() + arrived.payload.len() + OVERHEAD;
        if self.total.load(Ordering::Relaxed) + bytes > self.settings.budget_bytes {
            return false;
        }
        let handed = Handed {
            message: Message {
                topic: arrived.topic,
                payload: arrived.payload,
                retained: arrived.retained,
                content_type: arrived.content_type,
            },
            packet: arrived.packet,
            connection: Arc::clone(connection),
            in_hand: InHand::take(&self.total, bytes),
        };
        // The other end lives as long as this task.
        self.hand.send(handed).is_ok()
    }
}

/// Kept by the broker, at least once.
const KEPT: Manner = Manner {
    assured: true,
    retained: true,
};

/// What the service says of itself.
#[must_use]
pub fn service_status(online: bool) -> Vec<u8> {
    let version = env!("CARGO_PKG_VERSION");
    serde_json::json!({"online": online, "version": version})
        .to_string()
        .into_bytes()
}

/// Says that the service is gone, and waits a moment until it is said.
async fn good_bye(mut link: Link, connection: &Connection) {
    let said = connection
        .outbox
        .publish(topic::SERVICE_STATUS, service_status(false), KEPT);
    let bye = async {
        if said.is_err() {
            return;
        }
        while let Ok(event) = link.next().await {
            if matches!(event, Event::Acknowledged { .. }) {
                break;
            }
        }
        if connection.outbox.disconnect().is_ok() {
            while link.next().await.is_ok() {}
        }
    };
    // The last will says the same when this takes too long.
    let _ = tokio::time::timeout(GOOD_BYE, bye).await;
}

/// Decodes and submits, in order of arrival.
async fn submit_all(
    desk: Desk,
    mut handed: mpsc::UnboundedReceiver<Handed>,
    settle: mpsc::UnboundedSender<Settling>,
) {
    while let Some(next) = handed.recv().await {
        if next.connection.ended.is_cancelled() {
            // It comes again on the next connection.
            continue;
        }
        match desk.take(next.message).await {
            Ok(taken) => {
                let settling = Settling {
                    taken,
                    packet: next.packet,
                    connection: next.connection,
                    in_hand: next.in_hand,
                };
                if settle.send(settling).is_err() {
                    return;
                }
            }
            Err(error) => {
                tracing::debug!(%error, "a message was not taken");
                next.connection.park.notify_one();
            }
        }
    }
}

/// Waits for each commit and acknowledges, in order of arrival.
async fn settle_all(desk: Desk, mut settling: mpsc::UnboundedReceiver<Settling>) {
    while let Some(next) = settling.recv().await {
        match desk.settle(next.taken).await {
            // What can never be kept must not block the rest: its device holds it until a receipt.
            Ok(_) => acknowledge(&next.connection, next.packet).await,
            Err(error) => {
                tracing::debug!(%error, "a message was not committed");
                next.connection.park.notify_one();
            }
        }
        drop(next.in_hand);
    }
}

async fn acknowledge(connection: &Connection, packet: u16) {
    if packet == 0 {
        return;
    }
    connection.unsent.fetch_add(1, Ordering::Relaxed);
    while !connection.ended.is_cancelled() && connection.outbox.ack(packet).is_err() {
        // The polling task empties the queue.
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
}

/// Tells devices what is kept, while the connection lasts.
async fn tell_all(desk: &Desk, connection: &Connection) {
    tokio::select! {
        () = connection.subscribed.cancelled() => {}
        () = connection.ended.cancelled() => return,
    }
    let mut ticks = tokio::time::interval(TELL);
    ticks.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut reminded = Instant::now();
    loop {
        tokio::select! {
            _ = ticks.tick() => {}
            () = connection.ended.cancelled() => return,
        }
        let now = Instant::now();
        if now.duration_since(reminded) > REMIND {
            reminded = now;
            desk.receipts.remind(now);
        }
        for due in desk.receipts.due(now) {
            if tell(connection, &due).is_err() {
                desk.receipts.again(due.device);
            }
        }
    }
}

/// Publishes a receipt at most once: the next one says everything, and the broker keeps this one.
fn tell(connection: &Connection, due: &Due) -> Result<(), link::Busy> {
    let how = Manner {
        assured: false,
        retained: true,
    };
    let also = due.protobuf.then_some(Encoding::Protobuf);
    for encoding in [Encoding::Json].into_iter().chain(also) {
        let payload = encoding.encode_receipt(&due.message);
        let topic = topic::receipt(due.device, encoding);
        connection.outbox.publish(&topic, payload, how)?;
    }
    Ok(())
}
