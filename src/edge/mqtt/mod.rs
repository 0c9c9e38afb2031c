//! MQTT: what both doors share. A message is decoded, handed to intake, and settled after its commit.
//!
//! Two doors lead here: a broker the service subscribes at (`broker`), and the service's own listener
//! (`door`). Neither acknowledges anything before it is settled. A message that can never be taken is
//! kept in quarantine or, when nobody is known who sent it, counted; it blocks nothing.

pub mod alarms;
pub mod broker;
#[cfg(feature = "mqtt-door")]
pub mod door;
pub mod link;
pub mod receipts;
pub mod tls;
pub mod topic;

use std::sync::Arc;

use bytes::Bytes;
use uuid::Uuid;

use self::receipts::{Receipts, Sent};
use self::topic::{Kind, Topic};
use super::encoding::Encoding;
use super::grpc::Services;
use super::{pb, wire};
use crate::alarm::condition::Source;
use crate::intake::{Besides, Error, Pending, Raw, Submission};
use crate::metrics;
use crate::query::registry;
use crate::query::senders::Senders;
use crate::reject::{Code, Reject};

/// Longest status a device may send, bytes.
const STATUS_MAX: usize = 1024;

/// A message of either door.
#[derive(Debug, Clone)]
pub struct Message {
    /// Topic as it came.
    pub topic: String,
    /// Payload.
    pub payload: Bytes,
    /// It was kept by a broker, and may be old.
    pub retained: bool,
    /// Content type, where the sender named one.
    pub content_type: Option<String>,
}

/// What a message led to before its commit.
#[derive(Debug)]
pub enum Taken {
    /// A batch on its way.
    Batch(Pending, Sent),
    /// Nothing waits: a status was kept, or the message was refused and counted.
    Done,
}

/// How a message ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settled {
    /// Committed, kept in quarantine, or counted where it belongs to nobody.
    Kept,
    /// Nothing of it is kept, and never will be: quarantine is full, or no row can hold it.
    NotKept,
}

/// What every door needs to take messages in.
#[derive(Clone)]
pub struct Desk {
    /// The service.
    pub services: Services,
    /// Groups of devices.
    pub senders: Arc<Senders>,
    /// What devices are told.
    pub receipts: Arc<Receipts>,
}

/// What a device says of itself: `{"online": true, "firmware": "1.4"}`.
#[derive(Debug, serde::Deserialize)]
struct Status {
    online: bool,
    #[serde(default)]
    firmware: String,
}

impl Desk {
    /// Of a service, with receipts of its own.
    #[must_use]
    pub fn new(services: &Services) -> Self {
        Self {
            services: services.clone(),
            senders: Arc::default(),
            receipts: Arc::default(),
        }
    }

    /// Whether a token still speaks for a device; a revoked one does at most 5 s longer.
    ///
    /// # Errors
    /// `Unavailable`.
    pub async fn is_live(&self, token: &str, device: Uuid) -> Result<bool, Error> {
        let Services {
            tokens,
            store,
            clock,
            ..
        } = &self.services;
        let found = tokens.authenticate(store, clock, token).await;
        let found = found.map_err(|error| Error::Unavailable(Arc::new(error)))?;
        Ok(found.is_some_and(|caller| caller.device == Some(device)))
    }

    /// Takes a message in. `Err` means nothing is known to be kept: it must not be acknowledged.
    ///
    /// # Errors
    /// `Full`, `Unavailable`, `Stopping`.
    pub async fn take(&self, message: Message) -> Result<Taken, Error> {
        let Some(topic) = Topic::parse(&message.topic) else {
            return Ok(refused("bad_topic"));
        };
        let group = self.senders.group(&self.services.store, topic.device).await;
        let group = group.map_err(|error| Error::Unavailable(Arc::new(error)))?;
        let Some(group) = group else {
            tracing::debug!(device.id = %topic.device, "a message of no device we know");
            return Ok(refused("unknown_device"));
        };
        match topic.kind {
            Kind::Status => {
                self.keep_status((group, topic.device), &message.payload)
                    .await
            }
            Kind::Alarm => Ok(self.raise((group, topic.device), &message.payload).await),
            Kind::Samples(encoding) => self.submit((group, topic.device), encoding, message).await,
        }
    }

    /// Waits for the commit of what was taken, and notes what its device is to be told.
    ///
    /// # Errors
    /// `Unavailable`, `Stopping`: nothing is known to be kept, and the same again may be.
    pub async fn settle(&self, taken: Taken) -> Result<Settled, Error> {
        let Taken::Batch(pending, sent) = taken else {
            return Ok(Settled::Kept);
        };
        match pending.receipt().await {
            Ok(receipt) => {
                self.receipts.note(&receipt, sent);
                Ok(Settled::Kept)
            }
            // Its device still holds it: no receipt was sent.
            Err(Error::QuarantineFull) => {
                refused("quarantine_full");
                Ok(Settled::NotKept)
            }
            Err(error) if lasts(&error) => {
                tracing::error!(%error, "a message that can never be committed is let go");
                refused("not_committable");
                Ok(Settled::NotKept)
            }
            Err(error) => Err(error),
        }
    }

    async fn submit(
        &self,
        (group, device): (Uuid, Uuid),
        encoding: Option<Encoding>,
        message: Message,
    ) -> Result<Taken, Error> {
        let read = read_batch(device, encoding, &message);
        if message.retained && !read.as_ref().is_ok_and(|batch| batch.first_seq > 0) {
            // A kept message without a key would be new at each subscription.
            return Ok(refused("retained"));
        }
        let encoding = encoding.unwrap_or(Encoding::Protobuf);
        let (boot, first_seq) = read
            .as_ref()
            .map_or((0, 0), |batch| (batch.boot_id, batch.first_seq));
        let submission = Submission {
            group,
            device,
            boot,
            channel: "mqtt",
            content_type: encoding.of_batch(),
            raw: Raw::Bytes(message.payload),
            body: read.and_then(wire::raw_batch),
        };
        let heard = match &submission.body {
            Ok(batch) => self.services.lane.hear((group, device), boot, batch),
            Err(_) => None,
        };
        let besides = heard.map(|ticket| -> Besides { Box::pin(ticket.kept()) });
        let pending = self.services.intake.submit(submission).await?;
        let pending = pending.besides(besides);
        let sent = Sent {
            boot,
            first_seq,
            encoding,
        };
        Ok(Taken::Batch(pending, sent))
    }

    /// Hands what a device says of its own fault to the alarm lane.
    async fn raise(&self, (group, device): (Uuid, Uuid), payload: &[u8]) -> Taken {
        if payload.is_empty() {
            // A retained message was taken back.
            return Taken::Done;
        }
        let now_ms = self.services.clock.now().timestamp_millis();
        match alarms::read(payload, now_ms).filter(|_| payload.len() <= STATUS_MAX) {
            Some(condition) => {
                let source = Source { group, device };
                let noted = self.services.lane.note(source, &condition);
                if !noted.kept().await {
                    tracing::warn!(device.id = %device, "an alarm of a device is told but not kept");
                }
                Taken::Done
            }
            None => refused("bad_alarm"),
        }
    }

    async fn keep_status(&self, device: (Uuid, Uuid), payload: &[u8]) -> Result<Taken, Error> {
        if payload.is_empty() {
            // The device took its retained status back.
            return Ok(Taken::Done);
        }
        let status = if payload.len() > STATUS_MAX {
            None
        } else {
            serde_json::from_slice::<Status>(payload).ok()
        };
        let Some(status) = status else {
            return Ok(refused("bad_status"));
        };
        self.note_status(device, (status.online, status.firmware))
            .await
    }

    /// Keeps what a device said of itself, in a task of the service.
    pub(super) async fn note_status(
        &self,
        device: (Uuid, Uuid),
        (online, firmware): (bool, String),
    ) -> Result<Taken, Error> {
        let (store, clock) = (self.services.store.clone(), self.services.clock.clone());
        let work = self.services.tasks.spawn(async move {
            registry::note_status(&store, &clock, device, (online, &firmware)).await
        });
        match work.await {
            Ok(Ok(_)) => Ok(Taken::Done),
            Ok(Err(crate::query::Error::Store(error))) if error.is_transient() => {
                Err(Error::Unavailable(Arc::new(error)))
            }
            Ok(Err(_)) => Ok(refused("bad_status")),
            Err(_) => Err(Error::Stopping),
        }
    }
}

/// Whether no repetition mends it.
fn lasts(error: &Error) -> bool {
    matches!(error, Error::Unavailable(error) if !error.is_transient())
}

fn refused(reason: &'static str) -> Taken {
    metrics::count_refused(reason);
    Taken::Done
}

/// Reads a batch that speaks for this device.
fn read_batch(
    device: Uuid,
    encoding: Option<Encoding>,
    message: &Message,
) -> Result<pb::SampleBatch, Reject> {
    let encoding = encoding.ok_or_else(|| {
        let level = message.topic.rsplit('/').next().unwrap_or_default();
        let detail = format!("`{}` is none of pb, json", level.escape_debug());
        Reject::new(Code::UnsupportedContentType, "topic", detail)
    })?;
    if let Some(named) = &message.content_type
        && Encoding::of_content_type(named) != Some(encoding)
    {
        let shown: String = named.chars().take(64).collect();
        let detail = format!(
            "the topic says {}, the content type `{}`",
            encoding.media_type(),
            shown.escape_debug()
        );
        return Err(Reject::new(
            Code::ContentTypeMismatch,
            "content_type",
            detail,
        ));
    }
    let batch = encoding.decode_batch(&message.payload)?;
    if !batch.device_id.is_empty() && topic::device(&batch.device_id) != Some(device) {
        let detail = "the batch names another device than its topic";
        return Err(Reject::new(Code::ShopMismatch, "device_id", detail));
    }
    Ok(batch)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(level: &str, content_type: Option<&str>, payload: &[u8]) -> Message {
        Message {
            topic: format!("restvolt/v1/{}/up/samples/{level}", Uuid::nil()),
            payload: Bytes::copy_from_slice(payload),
            retained: false,
            content_type: content_type.map(str::to_owned),
        }
    }

    #[test]
    fn a_content_type_must_agree_with_the_topic() {
        let read = |encoding: Encoding, content_type| {
            let payload = encoding.encode_batch(&pb::SampleBatch::default());
            let message = message(encoding.level(), content_type, &payload);
            read_batch(Uuid::nil(), Some(encoding), &message).map_err(|reject| reject.code)
        };
        for (encoding, named) in [
            (Encoding::Json, None),
            (Encoding::Json, Some("application/json; charset=utf-8")),
            (Encoding::Protobuf, Some("application/x-protobuf")),
        ] {
            assert!(read(encoding, named).is_ok(), "{named:?}");
        }
        for (encoding, named) in [
            (Encoding::Json, "application/x-protobuf"),
            (Encoding::Protobuf, "text/plain"),
        ] {
            let refused = read(encoding, Some(named));
            assert_eq!(refused.unwrap_err(), Code::ContentTypeMismatch);
        }
    }

    #[test]
    fn a_batch_speaks_for_the_device_of_its_topic_only() {
        let of = |device_id: String| {
            let batch = pb::SampleBatch {
                device_id,
                ..pb::SampleBatch::default()
            };
            let payload = Encoding::Json.encode_batch(&batch);
            read_batch(
                Uuid::nil(),
                Some(Encoding::Json),
                &message("json", None, &payload),
            )
        };
        assert!(of(String::new()).is_ok());
        assert!(of(Uuid::nil().to_string()).is_ok());
        for other in [Uuid::max().to_string(), "charger".into()] {
            assert_eq!(of(other).unwrap_err().code, Code::ShopMismatch);
        }
        let unknown = read_batch(Uuid::nil(), None, &message("cbor", None, b"\xa0"));
        assert_eq!(unknown.unwrap_err().code, Code::UnsupportedContentType);
    }
}
