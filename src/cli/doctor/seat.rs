//! One connection of the doctor to a broker, with an end to every wait.

use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;

use crate::edge::mqtt::link::{self, Address, Arrived, Event, Link, Manner, Outbox};
use crate::edge::mqtt::tls;

/// Requests that may wait inside a link: all messages of the largest probe.
const OUTBOX: usize = 4_096;
/// Time for an answer of the broker.
const ANSWER: Duration = Duration::from_secs(10);
/// Time for a good-bye.
const GOOD_BYE: Duration = Duration::from_secs(2);

/// A broker and a login.
#[derive(Debug, Clone)]
pub(super) struct Login {
    pub(super) address: Address,
    pub(super) tls: bool,
    /// File of the authority, when not the system's.
    pub(super) ca: Option<PathBuf>,
}

/// A connection that was accepted.
pub(super) struct Seat {
    link: Link,
    outbox: Outbox,
    /// The broker had a session under our name before.
    pub(super) present: bool,
}

/// A session that ends with its connection.
pub(super) const PASSING: Duration = Duration::ZERO;

impl Seat {
    /// Connects under a name; the broker keeps the session for so long.
    pub(super) async fn take(login: &Login, name: &str, session: Duration) -> anyhow::Result<Self> {
        let mut address = login.address.clone();
        address.client_id = name.to_owned();
        address.session = session;
        if login.tls {
            let secured = tls::client(login.ca.clone()).await;
            address.tls = Some(secured.context("TLS to the broker")?);
        }
        let link = link::open(&address, OUTBOX);
        let outbox = link.outbox();
        let mut seat = Self {
            link,
            outbox,
            present: false,
        };
        loop {
            match seat.next(ANSWER).await? {
                Some(Event::Connected { session_present }) => {
                    seat.present = session_present;
                    return Ok(seat);
                }
                Some(_) => {}
                None => anyhow::bail!("the broker does not answer"),
            }
        }
    }

    /// What comes next; `None` = nothing within the limit.
    pub(super) async fn next(&mut self, limit: Duration) -> anyhow::Result<Option<Event>> {
        match tokio::time::timeout(limit, self.link.next()).await {
            Err(_) => Ok(None),
            Ok(event) => Ok(Some(event?)),
        }
    }

    /// Whether every filter was granted.
    pub(super) async fn subscribe(&mut self, filters: &[&str]) -> anyhow::Result<bool> {
        let filters: Vec<(&str, bool)> = filters.iter().map(|filter| (*filter, false)).collect();
        self.outbox.subscribe(&filters)?;
        loop {
            match self.next(ANSWER).await? {
                Some(Event::Subscribed { granted }) => return Ok(granted),
                Some(_) => {}
                None => anyhow::bail!("the broker does not answer a subscription"),
            }
        }
    }

    /// Publishes at least once, and waits until all of it is acknowledged.
    pub(super) async fn publish(
        &mut self,
        topic: &str,
        payloads: impl Iterator<Item = Vec<u8>>,
    ) -> anyhow::Result<()> {
        let how = Manner {
            assured: true,
            retained: false,
        };
        let mut waiting = 0usize;
        for payload in payloads {
            self.outbox.publish(topic, payload, how)?;
            waiting += 1;
        }
        while waiting > 0 {
            match self.next(ANSWER).await? {
                Some(Event::Acknowledged { .. }) => waiting -= 1,
                Some(_) => {}
                None => anyhow::bail!("the broker does not acknowledge"),
            }
        }
        Ok(())
    }

    /// The next message, acknowledged; `None` = none within the limit.
    pub(super) async fn message(&mut self, limit: Duration) -> anyhow::Result<Option<Arrived>> {
        let until = tokio::time::Instant::now() + limit;
        loop {
            let left = until.saturating_duration_since(tokio::time::Instant::now());
            match self.next(left).await? {
                Some(Event::Arrived(message)) => {
                    if message.packet != 0 {
                        self.outbox.ack(message.packet)?;
                    }
                    return Ok(Some(message));
                }
                Some(_) => {}
                None => return Ok(None),
            }
        }
    }

    /// Says good-bye.
    pub(super) async fn leave(mut self) {
        let bye = async {
            if self.outbox.disconnect().is_ok() {
                while self.link.next().await.is_ok() {}
            }
        };
        // The broker notices the end of the connection by itself.
        let _ = tokio::time::timeout(GOOD_BYE, bye).await;
    }
}

/// Takes away what a broker keeps under a name of ours.
pub(super) async fn clear(login: &Login, name: &str) {
    if let Ok(seat) = Seat::take(login, name, PASSING).await {
        seat.leave().await;
    }
}
