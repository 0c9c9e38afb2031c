//! One connection to a broker: the only files of the service that name the MQTT client library.
//!
//! A link lives as long as its connection and is never opened again: what is left in its queues,
//! above all acknowledgements, dies with it and can never reach another connection. Packets are the
//! library's, the loop is our own (`session`); everything goes through an `Outbox` that never waits.

mod packet;
mod session;
#[cfg(test)]
mod tests;
mod v3;
mod v5;

use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rustls::ClientConfig;
use tokio::sync::mpsc;

use self::session::{Inbox, Request, Session};
use super::topic;

/// Usual `keep_alive`: a silent broker is given up within 30 s.
pub const KEEP_ALIVE: Duration = Duration::from_secs(14);

/// Version of the protocol spoken with a broker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Version {
    /// MQTT 3.1.1.
    V3,
    /// MQTT 5.
    V5,
}

/// Where and as whom to connect.
#[derive(Debug, Clone)]
pub struct Address {
    /// Host.
    pub host: String,
    /// Port.
    pub port: u16,
    /// TLS; `None` = in the clear.
    pub tls: Option<Arc<ClientConfig>>,
    /// Version.
    pub version: Version,
    /// Fixed: the broker keeps the session under it.
    pub client_id: String,
    /// Login; empty = none.
    pub username: String,
    /// Its password.
    pub password: String,
    /// Largest packet taken, bytes.
    pub packet_bytes: u32,
    /// Messages the broker may have on the way to us, and we to it.
    pub in_flight: u16,
    /// Time without news after which the broker is asked for a sign of life; after a second one it is given up.
    pub keep_alive: Duration,
    /// How long the broker keeps the session while we are away.
    pub session: Duration,
    /// Topic and payload of the last will, retained.
    pub will: Option<(String, Vec<u8>)>,
}

impl Address {
    /// A session that ends with its connection, as (client id, user name, password); no will.
    #[must_use]
    pub fn passing(
        (host, port): (&str, u16),
        version: Version,
        (client_id, username, password): (&str, &str, &str),
        in_flight: u16,
    ) -> Self {
        Self {
            host: host.to_owned(),
            port,
            tls: None,
            version,
            client_id: client_id.to_owned(),
            username: username.to_owned(),
            password: password.to_owned(),
            packet_bytes: 1 << 20,
            in_flight,
            keep_alive: KEEP_ALIVE,
            session: Duration::ZERO,
            will: None,
        }
    }
}

/// A message as it arrived.
#[derive(Debug, Clone)]
pub struct Arrived {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Bytes,
    /// It was kept by the broker before we subscribed.
    pub retained: bool,
    /// Content type, MQTT 5 only.
    pub content_type: Option<String>,
    /// Packet id to acknowledge; 0 = none is awaited (QoS 0).
    pub packet: u16,
}

/// What a link tells.
#[derive(Debug)]
pub enum Event {
    /// The broker accepted us.
    Connected {
        /// It still had our session.
        session_present: bool,
    },
    /// It answered a subscription.
    Subscribed {
        /// Every filter was granted.
        granted: bool,
    },
    /// A message.
    Arrived(Arrived),
    /// A packet of ours was acknowledged.
    Acknowledged {
        /// Which.
        packet: u16,
        /// The other side took it; MQTT 3.1.1 has no word for a refusal.
        accepted: bool,
    },
    /// A packet of ours went out under this id.
    Sent(u16),
    /// So many acknowledgements of ours went out.
    AckSent(usize),
}

/// A broken or refused connection, in words.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Broken(String);

/// The queue of the link is full, or the link is gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the connection takes nothing now")]
pub struct Busy;

/// How a message is published.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Manner {
    /// QoS 1 instead of QoS 0.
    pub assured: bool,
    /// The broker keeps it for later subscribers.
    pub retained: bool,
}

impl Broken {
    fn of(error: impl std::fmt::Display) -> Self {
        Self(error.to_string())
    }

    fn refused(code: &impl std::fmt::Debug) -> Self {
        Self(format!("the broker refused the connection: {code:?}"))
    }
}

/// What is sent over a link. Never waits.
#[derive(Debug, Clone)]
pub struct Outbox {
    acks: mpsc::Sender<u16>,
    requests: mpsc::Sender<Request>,
}

impl Outbox {
    /// Acknowledges a message of this link.
    ///
    /// # Errors
    /// `Busy`.
    pub fn ack(&self, packet: u16) -> Result<(), Busy> {
        self.acks.try_send(packet).map_err(|_| Busy)
    }

    /// Publishes; at least once when `assured`, else at most once.
    ///
    /// # Errors
    /// `Busy`.
    pub fn publish(&self, topic: &str, payload: impl Into<Bytes>, how: Manner) -> Result<(), Busy> {
        self.ask(Request::Publish(topic.to_owned(), payload.into(), how))
    }

    /// Subscribes at QoS 1; retained messages are asked for when `retained`.
    ///
    /// # Errors
    /// `Busy`.
    pub fn subscribe(&self, filters: &[(&str, bool)]) -> Result<(), Busy> {
        let filters = filters
            .iter()
            .map(|(filter, retained)| ((*filter).to_owned(), *retained));
        self.ask(Request::Subscribe(filters.collect()))
    }

    /// Says good-bye.
    ///
    /// # Errors
    /// `Busy`.
    pub fn disconnect(&self) -> Result<(), Busy> {
        self.ask(Request::Disconnect)
    }

    fn ask(&self, request: Request) -> Result<(), Busy> {
        self.requests.try_send(request).map_err(|_| Busy)
    }
}

/// How far a link is.
enum Stand {
    New(Box<Address>),
    Open(Box<Session>),
    Ended,
}

/// One connection to a broker.
pub struct Link {
    stand: Stand,
    inbox: Inbox,
    outbox: Outbox,
}

impl std::fmt::Debug for Link {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Link").finish_non_exhaustive()
    }
}

/// A link that connects at the first call of `next`, with room for so many acknowledgements and requests.
#[must_use]
pub fn open(address: &Address, queue: usize) -> Link {
    let (acks, acks_in) = mpsc::channel(queue);
    let (requests, requests_in) = mpsc::channel(queue);
    Link {
        stand: Stand::New(Box::new(address.clone())),
        inbox: Inbox {
            acks: acks_in,
            requests: requests_in,
        },
        outbox: Outbox { acks, requests },
    }
}

impl Link {
    /// Waits for what comes next. Nothing else may be awaited by the task that calls it.
    ///
    /// # Errors
    /// `Broken`; from then on always.
    pub async fn next(&mut self) -> Result<Event, Broken> {
        let next = match &mut self.stand {
            Stand::Open(session) => session.next(&mut self.inbox).await,
            Stand::New(address) => match Session::open(address).await {
                Ok((session, session_present)) => {
                    self.stand = Stand::Open(Box::new(session));
                    Ok(Event::Connected { session_present })
                }
                Err(broken) => Err(broken),
            },
            Stand::Ended => Err(Broken("the connection is gone".into())),
        };
        if next.is_err() {
            self.stand = Stand::Ended;
        }
        next
    }

    /// Where to send.
    #[must_use]
    pub fn outbox(&self) -> Outbox {
        self.outbox.clone()
    }
}

/// Topics of every device: (filter, whether what the broker kept is wanted).
pub const ALL_DEVICES: [(&str, bool); 2] = [(topic::ALL_UP, false), (topic::ALL_STATUS, true)];
