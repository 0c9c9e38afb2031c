//! Topics: `restvolt/v1/{device}/up/{kind}/{encoding}`, `/status`, `/alarm`, `/receipt`,
//! `/receipt/pb`.
//!
//! The device is a level of its own, so that a broker's access list can tie it to the login. The shop
//! is never part of a topic: it comes from the registry.

use uuid::Uuid;

use crate::edge::encoding::Encoding;

/// Where every topic of the contract begins.
pub const ROOT: &str = "restvolt/v1";
/// Status of the service itself, retained.
pub const SERVICE_STATUS: &str = "restvolt/v1/service/status";
/// Where the doctor tries the broker: it writes and reads there, nobody else.
pub const DOCTOR: &str = "restvolt/v1/doctor";
/// What a subscriber for all devices asks for: samples.
pub const ALL_UP: &str = "restvolt/v1/+/up/+/+";
/// What a subscriber for all devices asks for: status.
pub const ALL_STATUS: &str = "restvolt/v1/+/status";
/// The same for alarms, in a session of their own.
pub const ALL_ALARMS: &str = "restvolt/v1/+/alarm";
/// Longest topic of the contract, bytes; a longer one is none of ours.
const LENGTH_MAX: usize = 128;

/// What a device publishes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Samples and events; `None` = the encoding is none of ours.
    Samples(Option<Encoding>),
    /// Birth and last will.
    Status,
    /// A fault the device reports by itself.
    Alarm,
}

/// A topic a device writes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Topic {
    /// Device.
    pub device: Uuid,
    /// What.
    pub kind: Kind,
}

impl Topic {
    /// Reads a topic; `None` when it is none a device may write to.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        if text.len() > LENGTH_MAX {
            return None;
        }
        let mut levels = text.strip_prefix(ROOT)?.strip_prefix('/')?.split('/');
        let device = device(levels.next()?)?;
        let rest: Vec<&str> = levels.take(4).collect();
        let kind = match rest.as_slice() {
            ["up", "samples", encoding] => Kind::Samples(Encoding::find(encoding)),
            ["status"] => Kind::Status,
            ["alarm"] => Kind::Alarm,
            _ => return None,
        };
        Some(Self { device, kind })
    }
}

/// A device id in the one form we write: lower-case with hyphens.
#[must_use]
pub fn device(level: &str) -> Option<Uuid> {
    let id = Uuid::try_parse(level).ok()?;
    let mut text = Uuid::encode_buffer();
    (id.hyphenated().encode_lower(&mut text) == level).then_some(id)
}

/// Topic for samples.
#[must_use]
pub fn samples(device: Uuid, encoding: Encoding) -> String {
    format!("{ROOT}/{device}/up/samples/{}", encoding.level())
}

/// Topic for birth and last will.
#[must_use]
pub fn status(device: Uuid) -> String {
    format!("{ROOT}/{device}/status")
}

/// Topic of a device's alarms: their state, retained, and what the device writes itself.
#[must_use]
pub fn alarm(device: Uuid) -> String {
    format!("{ROOT}/{device}/alarm")
}

/// Topic on which a device is told what is kept: JSON always, protobuf beside it for devices that
/// send it.
#[must_use]
pub fn receipt(device: Uuid, encoding: Encoding) -> String {
    match encoding {
        Encoding::Json => format!("{ROOT}/{device}/receipt"),
        Encoding::Protobuf => format!("{ROOT}/{device}/receipt/pb"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ID: &str = "018f2c6e-7d1a-7b3c-9d4e-5f6a7b8c9d0e";

    #[test]
    fn what_a_device_may_write_is_read_and_nothing_else() {
        let id = Uuid::try_parse(ID).unwrap();
        let json = Kind::Samples(Some(Encoding::Json));
        for (tail, kind) in [
            ("up/samples/json", json),
            ("up/samples/pb", Kind::Samples(Some(Encoding::Protobuf))),
            ("up/samples/cbor", Kind::Samples(None)),
            ("status", Kind::Status),
            ("alarm", Kind::Alarm),
        ] {
            let found = Topic::parse(&format!("{ROOT}/{ID}/{tail}")).unwrap();
            assert_eq!((found.device, found.kind), (id, kind));
        }
        assert_eq!(
            Topic::parse(&samples(id, Encoding::Json)).unwrap().kind,
            json
        );
        assert_eq!(Topic::parse(&status(id)).unwrap().kind, Kind::Status);
        for text in [
            "",
            "restvolt/v1",
            "restvolt/v1/",
            SERVICE_STATUS,
            "restvolt/v1/+/up/samples/pb",
            "$SYS/broker/uptime",
            &receipt(id, Encoding::Json),
            &receipt(id, Encoding::Protobuf),
            &format!("restvolt/v2/{ID}/status"),
            &format!("/restvolt/v1/{ID}/status"),
            &format!("restvolt/v1/{}/status", ID.to_uppercase()),
            &format!("restvolt/v1/{{{ID}}}/status"),
            &format!("restvolt/v1/{ID}/up/samples"),
            &format!("restvolt/v1/{ID}/up/samples/pb/more"),
            &format!("restvolt/v1/{ID}/up/samples/pb/a/b/c/d"),
            &format!("restvolt/v1/{ID}/down/samples/pb"),
            &format!("restvolt/v1/{ID}\0/status"),
            &format!("restvolt/v1/{ID}/{}", "x".repeat(70_000)),
        ] {
            assert_eq!(Topic::parse(text), None, "{text}");
        }
    }
}
