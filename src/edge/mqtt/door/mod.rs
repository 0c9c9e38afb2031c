//! The service's own MQTT door: devices connect straight to it, and PUBACK means committed.
//!
//! No broker: a device writes under its own topics and reads its own receipts, nothing is passed from
//! one device to another. The login is the device id and its token. What speaks MQTT on the wire
//! stands behind `Host` and is the only file that names its library.

mod carrier;
mod visit;
mod whole;
mod window;

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::io::AsyncWriteExt as _;
use tokio::net::{TcpListener, TcpStream, UnixStream};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use uuid::Uuid;

use self::carrier::{Carrier, Incoming};
use super::topic::{self, Topic};
use super::{Desk, Message, Settled};
use crate::edge::encoding::Encoding;
use crate::edge::pb;
use crate::edge::serve::{self, Limits, Place};
use crate::metrics;
use crate::query::sessions;
use crate::record::words::Scope;

/// How often devices are told what is new.
const TELL: Duration = Duration::from_millis(100);
/// How often gaps are looked for.
const REMIND: Duration = Duration::from_secs(10);
/// Time for messages in hand at a stop.
const DRAIN: Duration = Duration::from_secs(5);
/// Time for our last words to a peer that stopped writing.
const LAST_WORDS: Duration = Duration::from_secs(5);
/// Cost of a message beside its bytes.
const OVERHEAD: usize = 256;

/// Bounds of the door.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    /// Connections.
    pub limits: Limits,
    /// Largest packet, bytes.
    pub packet_bytes: u32,
    /// Bytes taken and not yet settled, over all connections.
    pub budget_bytes: usize,
}

/// A bound door.
pub struct Door {
    /// Bound socket.
    pub listener: TcpListener,
    /// TLS, when configured.
    pub tls: Option<TlsAcceptor>,
    /// Bounds.
    pub bounds: Bounds,
    /// Where messages go.
    pub desk: Desk,
}

impl Door {
    /// Serves until `stop`, then settles what is in hand.
    ///
    /// # Errors
    /// The carrier's thread cannot be started.
    pub async fn run(self, tasks: TaskTracker, stop: CancellationToken) -> std::io::Result<()> {
        let house = Arc::new(House {
            desk: self.desk,
            guests: Mutex::default(),
            in_hand: Arc::default(),
            budget_bytes: self.bounds.budget_bytes,
            runtime: tokio::runtime::Handle::current(),
        });
        let carrier = Carrier::start(Arc::clone(&house), self.bounds)?;
        let telling = tasks.spawn(tell_all(Arc::clone(&house), stop.clone()));
        let (tls, silence) = (self.tls, self.bounds.limits.silence);
        serve::accept(
            self.listener,
            self.bounds.limits,
            stop,
            |stream, peer, place| {
                let (tls, carrier) = (tls.clone(), carrier.clone());
                tasks.spawn(async move {
                    if let Err(error) =
                        hand_in((stream, peer), tls, silence, (carrier, place)).await
                    {
                        tracing::debug!(%peer, %error, "an MQTT connection was not taken");
                    }
                });
            },
        )
        .await;
        let drained = async {
            while house.in_hand.load(Ordering::Relaxed) > 0 {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        };
        if tokio::time::timeout(DRAIN, drained).await.is_err() {
            tracing::warn!("MQTT messages were cut off; nothing unacknowledged is kept");
        }
        carrier.stop().await;
        // It ends with the same stop; a panic in it was logged.
        let _ = telling.await;
        Ok(())
    }
}

/// Takes TLS off, where there is some, and hands the stream to the carrier.
async fn hand_in(
    (stream, peer): (TcpStream, SocketAddr),
    tls: Option<TlsAcceptor>,
    silence: Duration,
    (carrier, place): (Carrier, Place),
) -> std::io::Result<()> {
    // Receipts are small and waited for.
    stream.set_nodelay(true)?;
    let Some(tls) = tls else {
        carrier.serve(Incoming::Tcp(stream.into_std()?), peer, place);
        return Ok(());
    };
    let accepted = tokio::time::timeout(silence, tls.accept(stream)).await;
    let far = accepted.map_err(|_| std::io::Error::from(std::io::ErrorKind::TimedOut))??;
    let (near, other) = UnixStream::pair()?;
    carrier.serve(Incoming::Unix(other.into_std()?), peer, place);
    carry(near, far).await
}

/// Carries both ways until either side ends; a peer that goes on after ours did is left a moment.
async fn carry(near: UnixStream, far: TlsStream<TcpStream>) -> std::io::Result<()> {
    let (mut near_read, mut near_write) = near.into_split();
    let (mut far_read, mut far_write) = tokio::io::split(far);
    let outwards = async {
        tokio::io::copy(&mut near_read, &mut far_write).await?;
        far_write.shutdown().await
    };
    let inwards = async {
        tokio::io::copy(&mut far_read, &mut near_write).await?;
        near_write.shutdown().await
    };
    let (mut outwards, mut inwards) = (std::pin::pin!(outwards), std::pin::pin!(inwards));
    tokio::select! {
        ended = &mut outwards => ended,
        ended = &mut inwards => {
            ended?;
            // Our last words: what was acknowledged before the peer stopped writing.
            tokio::time::timeout(LAST_WORDS, outwards).await.unwrap_or(Ok(()))
        }
    }
}

/// How a connection logs in.
#[derive(Debug, Default)]
struct Login {
    username: String,
    password: Vec<u8>,
    /// Topic of the last will.
    will: Option<String>,
}

/// Why a connection is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Denied {
    /// User name and password are not those of a device.
    Credential,
    /// The last will goes to a topic that is not the device's status.
    Will,
    /// The database is away.
    Away,
}

/// The newest receipt of a device.
type News = Option<Arc<pb::DeviceReceipt>>;

/// A token text that is never printed.
#[derive(Clone)]
struct Token(Arc<str>);

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token(…)")
    }
}

/// A connected device.
#[derive(Debug, Clone)]
struct Guest {
    group: Uuid,
    device: Uuid,
    /// It may end while the connection lasts.
    token: Token,
    /// Which connection of the device.
    visit: u64,
    /// The connection must end: another of the same device came.
    leave: CancellationToken,
    /// What it is to be told; `None` = nothing yet.
    news: watch::Receiver<News>,
}

/// What became of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Answer {
    /// Settled: it may be acknowledged.
    Settled,
    /// Not this device's topic.
    Forbidden,
    /// Nothing of it is kept, and the same again would fare no better for now.
    NoRoom,
    /// Nothing is known to be kept: the connection must end without an acknowledgement.
    NotKept,
}

/// What a subscription leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Granted {
    Receipts(Encoding),
    ServiceStatus,
}

/// What the carrier asks of the service.
trait Host: Send + Sync + 'static {
    /// Admits a device.
    fn admit(&self, login: Login) -> impl Future<Output = Result<Guest, Denied>> + Send;
    /// Takes a message and waits for its commit.
    fn publish(&self, guest: &Guest, message: Message) -> impl Future<Output = Answer> + Send;
    /// Whether a device may subscribe so.
    fn subscribe(&self, guest: &Guest, filter: &str) -> Option<Granted>;
    /// A connection ended.
    fn left(&self, guest: &Guest);
}

struct Entry {
    visit: u64,
    leave: CancellationToken,
    news: watch::Sender<News>,
}

#[derive(Default)]
struct Guests {
    visits: u64,
    of: HashMap<Uuid, Entry>,
}

/// The service's side of the door.
struct House {
    desk: Desk,
    guests: Mutex<Guests>,
    in_hand: Arc<AtomicUsize>,
    budget_bytes: usize,
    /// Work runs here, whatever the carrier's threads run on.
    runtime: tokio::runtime::Handle,
}

/// Counts down when dropped.
struct InHand(Arc<AtomicUsize>, usize);

impl Drop for InHand {
    fn drop(&mut self) {
        self.0.fetch_sub(self.1, Ordering::Relaxed);
    }
}

impl House {
    fn guests(&self) -> MutexGuard<'_, Guests> {
        // Every change is complete before anything can panic.
        self.guests.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does work in a task of the service, on its runtime: a device that leaves cancels nothing.
    fn spawn<T: Send + 'static>(
        &self,
        work: impl Future<Output = T> + Send + 'static,
    ) -> JoinHandle<T> {
        self.desk.services.tasks.spawn_on(work, &self.runtime)
    }

    /// Gives a device its place; the connection it had before must leave.
    fn seat(&self, (group, device): (Uuid, Uuid), token: Token) -> Guest {
        let (leave, (news, heard)) = (CancellationToken::new(), watch::channel(None));
        let mut guests = self.guests();
        guests.visits += 1;
        let visit = guests.visits;
        let entry = Entry {
            visit,
            leave: leave.clone(),
            news,
        };
        if let Some(before) = guests.of.insert(device, entry) {
            tracing::info!(device.id = %device, "a device connected again; its older connection ends");
            metrics::count_refused("taken_over");
            before.leave.cancel();
        }
        Guest {
            group,
            device,
            token,
            visit,
            leave,
            news: heard,
        }
    }

    fn note_online(&self, guest: &Guest, online: bool) {
        let (desk, device) = (self.desk.clone(), (guest.group, guest.device));
        self.spawn(async move {
            if let Err(error) = desk.note_status(device, (online, String::new())).await {
                tracing::debug!(%error, "a device's status was not kept");
            }
        });
    }

    /// Tells a device what is kept of its last boots, from the database.
    fn tell_kept(&self, guest: &Guest) {
        let (desk, key) = (self.desk.clone(), (guest.group, guest.device));
        self.spawn(async move {
            let services = &desk.services;
            let found = sessions::latest_watermarks(&services.store, &services.clock, key).await;
            for watermark in found.unwrap_or_default() {
                desk.receipts.note_kept(watermark);
            }
        });
    }
}

impl Host for House {
    async fn admit(&self, login: Login) -> Result<Guest, Denied> {
        let device = topic::device(&login.username).ok_or(Denied::Credential)?;
        let text = String::from_utf8(login.password).map_err(|_| Denied::Credential)?;
        let token = Token(text.into());
        let (services, text) = (self.desk.services.clone(), token.clone());
        let work = self.spawn(async move {
            let (store, clock) = (&services.store, &services.clock);
            services.tokens.authenticate(store, clock, &text.0).await
        });
        let found = work
            .await
            .map_err(|_| Denied::Away)?
            .map_err(|_| Denied::Away)?;
        let caller = found
            .filter(|caller| caller.scope == Scope::Device && caller.device == Some(device))
            .ok_or_else(|| {
                metrics::count_refused("bad_token");
                Denied::Credential
            })?;
        if login.will.is_some_and(|will| will != topic::status(device)) {
            return Err(Denied::Will);
        }
        let guest = self.seat((caller.group, device), token);
        self.note_online(&guest, true);
        Ok(guest)
    }

    async fn publish(&self, guest: &Guest, message: Message) -> Answer {
        if Topic::parse(&message.topic).is_none_or(|topic| topic.device != guest.device) {
            metrics::count_refused("bad_topic");
            return Answer::Forbidden;
        }
        let bytes = message.payload.len() + OVERHEAD;
        let before = self.in_hand.fetch_add(bytes, Ordering::Relaxed);
        let in_hand = InHand(Arc::clone(&self.in_hand), bytes);
        if before + bytes > self.budget_bytes {
            metrics::count_refused("budget");
            return Answer::NotKept;
        }
        let desk = self.desk.clone();
        // Live: what a device sends with the retain flag is as new as the rest.
        let message = Message {
            retained: false,
            ..message
        };
        let (token, device) = (guest.token.clone(), guest.device);
        let work = self.spawn(async move {
            // Counted until it is settled, whether its device stays or not.
            let _in_hand = in_hand;
            if !desk.is_live(&token.0, device).await? {
                return Ok(None);
            }
            let pending = desk.take(message).await?;
            desk.settle(pending).await.map(Some)
        });
        match work.await {
            Ok(Ok(Some(Settled::Kept))) => Answer::Settled,
            Ok(Ok(Some(Settled::NotKept))) => Answer::NoRoom,
            Ok(Ok(None)) => {
                metrics::count_refused("bad_token");
                guest.leave.cancel();
                Answer::NotKept
            }
            Ok(Err(_)) | Err(_) => Answer::NotKept,
        }
    }

    fn subscribe(&self, guest: &Guest, filter: &str) -> Option<Granted> {
        let receipts = [Encoding::Json, Encoding::Protobuf]
            .into_iter()
            .find(|encoding| filter == topic::receipt(guest.device, *encoding));
        if let Some(encoding) = receipts {
            self.tell_kept(guest);
            Some(Granted::Receipts(encoding))
        } else if filter == topic::SERVICE_STATUS {
            Some(Granted::ServiceStatus)
        } else {
            metrics::count_refused("bad_subscription");
            None
        }
    }

    fn left(&self, guest: &Guest) {
        let mut guests = self.guests();
        let last = guests
            .of
            .get(&guest.device)
            .is_some_and(|entry| entry.visit == guest.visit);
        if last {
            guests.of.remove(&guest.device);
            drop(guests);
            self.note_online(guest, false);
        }
    }
}

/// Tells devices what is kept, until the stop.
async fn tell_all(house: Arc<House>, stop: CancellationToken) {
    let mut tell = tokio::time::interval(TELL);
    tell.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut reminded = Instant::now();
    loop {
        tokio::select! {
            _ = tell.tick() => {}
            () = stop.cancelled() => return,
        }
        let now = Instant::now();
        if now.duration_since(reminded) > REMIND {
            reminded = now;
            house.desk.receipts.remind(now);
        }
        for due in house.desk.receipts.due(now) {
            if let Some(entry) = house.guests().of.get(&due.device) {
                entry.news.send_replace(Some(Arc::new(due.message)));
            }
        }
    }
}
