//! Encodings of one message of the contract: protobuf, and its JSON form.
//!
//! JSON is the protobuf JSON mapping (protobuf.dev, `ProtoJSON`) with the field names of the
//! protos: 64-bit numbers are written as text and read as either. Unknown fields are refused by name.

use std::sync::OnceLock;

use prost::Message;
use prost_reflect::{DescriptorPool, DynamicMessage, MessageDescriptor, SerializeOptions};

use super::pb;
use crate::reject::{Code, Reject};

/// How a message is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Encoding {
    /// Protobuf binary.
    Protobuf,
    /// The protobuf JSON mapping.
    Json,
}

impl Encoding {
    /// Finds the encoding of the last level of a topic.
    #[must_use]
    pub fn find(level: &str) -> Option<Self> {
        match level {
            "pb" => Some(Self::Protobuf),
            "json" => Some(Self::Json),
            _ => None,
        }
    }

    /// Last level of a topic.
    #[must_use]
    pub fn level(self) -> &'static str {
        match self {
            Self::Protobuf => "pb",
            Self::Json => "json",
        }
    }

    /// Media type, without parameters.
    #[must_use]
    pub fn media_type(self) -> &'static str {
        match self {
            Self::Protobuf => "application/x-protobuf",
            Self::Json => "application/json",
        }
    }

    /// Content type under which a batch is kept in quarantine.
    #[must_use]
    pub fn of_batch(self) -> &'static str {
        match self {
            Self::Protobuf => "application/x-protobuf; messageType=restvolt.v1.SampleBatch",
            Self::Json => "application/json; messageType=restvolt.v1.SampleBatch",
        }
    }

    /// Encoding of a content type, whatever its parameters.
    #[must_use]
    pub fn of_content_type(text: &str) -> Option<Self> {
        let kind = text.split(';').next().unwrap_or_default().trim();
        [Self::Protobuf, Self::Json]
            .into_iter()
            .find(|encoding| encoding.media_type().eq_ignore_ascii_case(kind))
    }

    /// Reads a batch.
    ///
    /// # Errors
    /// `MALFORMED_PAYLOAD` with the place where it is none.
    pub fn decode_batch(self, bytes: &[u8]) -> Result<pb::SampleBatch, Reject> {
        match self {
            Self::Protobuf => pb::SampleBatch::decode(bytes).map_err(|error| error.to_string()),
            Self::Json => from_json("restvolt.v1.SampleBatch", bytes),
        }
        .map_err(|detail| Reject::new(Code::MalformedPayload, "payload", detail))
    }

    /// Writes what a device is told.
    #[must_use]
    pub fn encode_receipt(self, receipt: &pb::DeviceReceipt) -> Vec<u8> {
        match self {
            Self::Protobuf => receipt.encode_to_vec(),
            Self::Json => to_json("restvolt.v1.DeviceReceipt", receipt),
        }
    }

    /// Reads what a device was told.
    ///
    /// # Errors
    /// Where it is none, in words.
    pub fn decode_receipt(self, bytes: &[u8]) -> Result<pb::DeviceReceipt, String> {
        match self {
            Self::Protobuf => pb::DeviceReceipt::decode(bytes).map_err(|error| error.to_string()),
            Self::Json => from_json("restvolt.v1.DeviceReceipt", bytes),
        }
    }

    /// Writes a batch.
    #[must_use]
    pub fn encode_batch(self, batch: &pb::SampleBatch) -> Vec<u8> {
        match self {
            Self::Protobuf => batch.encode_to_vec(),
            Self::Json => to_json("restvolt.v1.SampleBatch", batch),
        }
    }
}

/// The compiled contract.
pub(super) fn pool() -> Option<&'static DescriptorPool> {
    static POOL: OnceLock<Option<DescriptorPool>> = OnceLock::new();
    POOL.get_or_init(|| DescriptorPool::decode(pb::DESCRIPTOR).ok())
        .as_ref()
}

fn from_json<T: Message + Default>(name: &str, bytes: &[u8]) -> Result<T, String> {
    let descriptor = pool()
        .and_then(|pool| pool.get_message_by_name(name))
        .ok_or("the compiled contract is not readable")?;
    let message = read_json(descriptor, bytes)?;
    message.transcode_to().map_err(|error| error.to_string())
}

/// Reads one message, with nothing behind it.
pub(super) fn read_json(
    descriptor: MessageDescriptor,
    bytes: &[u8],
) -> Result<DynamicMessage, String> {
    let mut json = serde_json::Deserializer::from_slice(bytes);
    let message = DynamicMessage::deserialize(descriptor, &mut json);
    let message = message.map_err(|error| error.to_string())?;
    json.end().map_err(|error| error.to_string())?;
    Ok(message)
}

/// Writes one message, with the field names of the protos.
pub(super) fn write_json<S: serde::Serializer>(
    message: &DynamicMessage,
    to: S,
) -> Result<S::Ok, S::Error> {
    let options = SerializeOptions::new().use_proto_field_name(true);
    message.serialize_with_options(to, &options)
}

fn to_json<T: Message>(name: &str, message: &T) -> Vec<u8> {
    let write = || {
        let descriptor = pool()?.get_message_by_name(name)?;
        let dynamic =
            DynamicMessage::decode(descriptor, message.encode_to_vec().as_slice()).ok()?;
        let mut json = serde_json::Serializer::new(Vec::new());
        write_json(&dynamic, &mut json).ok()?;
        Some(json.into_inner())
    };
    // The descriptor is the one the types were generated from: a test writes every message.
    write().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn batch() -> pb::SampleBatch {
        pb::SampleBatch {
            boot_id: i64::MIN + 7,
            first_seq: 1 << 52,
            start_milliseconds: 5,
            step_milliseconds: vec![0, 1000],
            voltage_millivolts: vec![12_345, i32::MIN],
            clock: pb::ClockState::Synced as i32,
            start_time: Some(prost_types::Timestamp {
                seconds: 1_780_000_000,
                nanos: 5_000_000,
            }),
            events: vec![pb::Event {
                event_seq: 1,
                kind: pb::EventKind::Stage as i32,
                stage: pb::Stage::Bulk as i32,
                ..pb::Event::default()
            }],
            ..pb::SampleBatch::default()
        }
    }

    #[test]
    fn a_batch_survives_both_encodings() {
        for encoding in [Encoding::Protobuf, Encoding::Json] {
            let bytes = encoding.encode_batch(&batch());
            assert_eq!(encoding.decode_batch(&bytes).unwrap(), batch());
        }
        let receipt = pb::DeviceReceipt {
            watermarks: vec![pb::Watermark {
                contiguous_seq: 60,
                ..pb::Watermark::default()
            }],
            ..pb::DeviceReceipt::default()
        };
        for encoding in [Encoding::Protobuf, Encoding::Json] {
            let bytes = encoding.encode_receipt(&receipt);
            assert_eq!(encoding.decode_receipt(&bytes).unwrap(), receipt);
        }
    }

    #[test]
    fn json_takes_names_of_the_protos_and_of_the_mapping_and_numbers_as_text_or_not() {
        for text in [
            r#"{"first_seq": 3, "boot_id": 9, "step_milliseconds": [0], "voltage_millivolts": [12345]}"#,
            r#"{"firstSeq": "3", "bootId": "9", "stepMilliseconds": [0], "voltageMillivolts": [12345]}"#,
        ] {
            let found = Encoding::Json.decode_batch(text.as_bytes()).unwrap();
            assert_eq!((found.first_seq, found.boot_id), (3, 9));
            assert_eq!(found.voltage_millivolts, [12_345]);
        }
    }

    #[test]
    fn what_is_no_batch_is_refused_with_the_place() {
        for (text, hint) in [
            (r#"{"voltage_mv": [1]}"#, "voltage_mv"),
            (r#"{"voltage_millivolts": [1.5]}"#, "integer"),
            (r#"{"voltage_millivolts": [NaN]}"#, "line 1"),
            (r#"{"voltage_millivolts": [1e400]}"#, "range"),
            (r#"{"first_seq": 1} {"first_seq": 2}"#, "trailing"),
            ("", "EOF"),
            ("[1]", "line 1"),
        ] {
            let refused = Encoding::Json.decode_batch(text.as_bytes()).unwrap_err();
            assert_eq!(refused.code, Code::MalformedPayload);
            assert!(refused.detail.contains(hint), "{text}: {}", refused.detail);
        }
        let deep = "[".repeat(10_000);
        assert!(Encoding::Json.decode_batch(deep.as_bytes()).is_err());
        assert!(Encoding::Protobuf.decode_batch(b"\xff\xff").is_err());
    }

    #[test]
    fn content_types_are_read_whatever_their_parameters() {
        for (text, found) in [
            ("application/json", Some(Encoding::Json)),
            ("Application/JSON; charset=utf-8", Some(Encoding::Json)),
            (Encoding::Protobuf.of_batch(), Some(Encoding::Protobuf)),
            ("text/plain", None),
        ] {
            assert_eq!(Encoding::of_content_type(text), found, "{text}");
        }
    }
}
