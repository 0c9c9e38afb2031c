//! A device that speaks MQTT, with a client library that is none of the server's.

use std::collections::VecDeque;
use std::time::Duration;

use restvolt::edge::encoding::Encoding;
use restvolt::edge::mqtt::link::{self, Address, Arrived, Event, Link, Manner, Outbox, Version};
use restvolt::edge::mqtt::topic;
use restvolt::edge::pb;
use tokio::time::Instant;
use uuid::Uuid;

use super::Device;

/// Longest wait for anything.
const LIMIT: Duration = Duration::from_secs(20);

/// Both versions of the protocol.
pub(crate) const VERSIONS: [Version; 2] = [Version::V3, Version::V5];

/// A connection of a device, or of anybody.
pub(crate) struct Client {
    link: Link,
    outbox: Outbox,
    arrived: VecDeque<Arrived>,
    acknowledged: usize,
    refused: usize,
}

/// Where and as whom; a clean session.
pub(crate) fn login(port: u16, version: Version, username: &str, password: &str) -> Address {
    let login = (username, username, password);
    Address::passing(("127.0.0.1", port), version, login, 100)
}

impl Client {
    /// Connects; `Err` when it is refused.
    pub(crate) async fn connect(address: &Address) -> Result<Self, String> {
        let mut link = link::open(address, 1_000);
        let first = tokio::time::timeout(LIMIT, link.next()).await.unwrap();
        match first.map_err(|error| error.to_string())? {
            Event::Connected { .. } => Ok(Self {
                outbox: link.outbox(),
                link,
                arrived: VecDeque::new(),
                acknowledged: 0,
                refused: 0,
            }),
            other => Err(format!("{other:?}")),
        }
    }

    /// Connects as a registered device.
    pub(crate) async fn of(port: u16, version: Version, device: &Device) -> Self {
        Self::connect(&login(port, version, &device.id, &device.token))
            .await
            .unwrap()
    }

    async fn step(&mut self) -> Result<(), String> {
        let event = self.link.next().await.map_err(|error| error.to_string())?;
        match event {
            Event::Arrived(arrived) => {
                if arrived.packet != 0 {
                    self.outbox.ack(arrived.packet).unwrap();
                }
                self.arrived.push_back(arrived);
            }
            Event::Acknowledged { accepted, .. } => {
                self.acknowledged += 1;
                self.refused += usize::from(!accepted);
            }
            Event::Subscribed { granted: false } => return Err("not granted".into()),
            _ => {}
        }
        Ok(())
    }

    async fn until(&mut self, holds: impl Fn(&Self) -> bool) -> Result<(), String> {
        // Answers to pings are no progress.
        let (mut seen, mut by) = ((0, 0), Instant::now() + LIMIT);
        while !holds(self) {
            if seen != (self.acknowledged, self.arrived.len()) {
                seen = (self.acknowledged, self.arrived.len());
                by = Instant::now() + LIMIT;
            }
            tokio::time::timeout_at(by, self.step())
                .await
                .unwrap_or_else(|_| Err("nothing came within 20 s".into()))?;
        }
        Ok(())
    }

    /// Publishes at least once and waits for the acknowledgement.
    pub(crate) async fn publish(&mut self, topic: &str, payload: Vec<u8>) -> Result<(), String> {
        let (wanted, refused) = (self.acknowledged + 1, self.refused);
        self.send(topic, payload);
        self.until(|client| client.acknowledged >= wanted).await?;
        if self.refused > refused {
            return Err("refused".into());
        }
        Ok(())
    }

    /// Publishes at least once and does not wait.
    pub(crate) fn send(&mut self, topic: &str, payload: Vec<u8>) {
        let how = Manner {
            assured: true,
            retained: false,
        };
        self.outbox.publish(topic, payload, how).unwrap();
    }

    /// Waits until so many publishes were acknowledged since the beginning.
    pub(crate) async fn acknowledged(&mut self, count: usize) -> Result<(), String> {
        self.until(|client| client.acknowledged >= count).await
    }

    /// Publishes with the retain flag.
    pub(crate) async fn retain(&mut self, topic: &str, payload: Vec<u8>) -> Result<(), String> {
        let wanted = self.acknowledged + 1;
        let how = Manner {
            assured: true,
            retained: true,
        };
        self.outbox.publish(topic, payload, how).unwrap();
        self.until(|client| client.acknowledged >= wanted).await
    }

    /// Sends a batch as its device and waits for the acknowledgement.
    pub(crate) async fn push(
        &mut self,
        device: &Device,
        batch: pb::SampleBatch,
        encoding: Encoding,
    ) -> Result<(), String> {
        let (topic, payload) = message(device, batch, encoding);
        self.publish(&topic, payload).await
    }

    /// Subscribes and waits for the answer.
    pub(crate) async fn subscribe(&mut self, filter: &str) -> Result<(), String> {
        self.outbox.subscribe(&[(filter, true)]).unwrap();
        let work = async {
            loop {
                match self.link.next().await.map_err(|error| error.to_string())? {
                    Event::Subscribed { granted: true } => return Ok(()),
                    Event::Subscribed { granted: false } => return Err("not granted".to_owned()),
                    Event::Arrived(arrived) => self.arrived.push_back(arrived),
                    _ => {}
                }
            }
        };
        tokio::time::timeout(LIMIT, work).await.unwrap()
    }

    /// The next message.
    pub(crate) async fn next(&mut self) -> Result<Arrived, String> {
        self.until(|client| !client.arrived.is_empty()).await?;
        Ok(self.arrived.pop_front().unwrap())
    }

    /// The first receipt that says so much.
    pub(crate) async fn receipt(
        &mut self,
        encoding: Encoding,
        says: impl Fn(&pb::DeviceReceipt) -> bool,
    ) -> pb::DeviceReceipt {
        loop {
            let arrived = self.next().await.unwrap();
            if let Ok(receipt) = encoding.decode_receipt(&arrived.payload)
                && says(&receipt)
            {
                return receipt;
            }
        }
    }

    /// Waits for the end of the connection.
    pub(crate) async fn ended(&mut self) -> String {
        let work = async {
            loop {
                if let Err(error) = self.step().await {
                    return error;
                }
            }
        };
        tokio::time::timeout(LIMIT, work).await.unwrap()
    }

    /// Says good-bye.
    pub(crate) async fn leave(mut self) {
        self.outbox.disconnect().unwrap();
        self.ended().await;
    }
}

/// Topic and payload of a batch of a device.
pub(crate) fn message(
    device: &Device,
    mut batch: pb::SampleBatch,
    encoding: Encoding,
) -> (String, Vec<u8>) {
    if batch.boot_id == 0 {
        batch.boot_id = device.boot;
    }
    (
        topic::samples(id(device), encoding),
        encoding.encode_batch(&batch),
    )
}

/// Id of a device.
pub(crate) fn id(device: &Device) -> Uuid {
    device.id.parse().unwrap()
}

/// How far a receipt says a boot is kept.
pub(crate) fn kept(receipt: &pb::DeviceReceipt, boot: i64) -> i64 {
    receipt
        .watermarks
        .iter()
        .find(|kept| kept.boot_id == boot)
        .map_or(0, |kept| kept.contiguous_seq)
}
