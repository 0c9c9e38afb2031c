//! What is said and heard, whatever the version of the protocol.

use bytes::{Bytes, BytesMut};

use super::{Address, Arrived, Broken, Manner, Version, v3, v5};

/// A packet of ours.
#[derive(Debug)]
pub(super) enum Say {
    Ack(u16),
    Publish {
        /// Id; 0 when no acknowledgement is awaited.
        packet: u16,
        topic: String,
        payload: Bytes,
        how: Manner,
    },
    Subscribe {
        packet: u16,
        filters: Vec<(String, bool)>,
    },
    Ping,
    Disconnect,
}

/// A packet of the broker.
#[derive(Debug)]
pub(super) enum Heard {
    Accepted(Accepted),
    Subscribed { packet: u16, granted: bool },
    Arrived(Arrived),
    Acknowledged { packet: u16, accepted: bool },
    Other,
}

/// What a broker grants a connection.
#[derive(Debug, Clone, Copy)]
pub(super) struct Accepted {
    pub(super) session_present: bool,
    /// Messages of ours it takes before it acknowledged one.
    pub(super) window: u16,
    /// Largest packet it takes, bytes.
    pub(super) largest: usize,
}

impl Version {
    /// Writes the first packet of a connection.
    pub(super) fn connect(self, out: &mut BytesMut, address: &Address) -> Result<(), Broken> {
        match self {
            Self::V3 => v3::connect(out, address),
            Self::V5 => v5::connect(out, address),
        }
    }

    /// Writes a packet of at most `largest` bytes.
    pub(super) fn write(self, out: &mut BytesMut, say: &Say, largest: usize) -> Result<(), Broken> {
        match self {
            Self::V3 => v3::write(out, say, largest),
            Self::V5 => v5::write(out, say, largest),
        }
    }

    /// Takes a whole packet of at most `largest` bytes off what came in.
    pub(super) fn read(self, input: &mut BytesMut, largest: u32) -> Result<Option<Heard>, Broken> {
        match self {
            Self::V3 => v3::read(input, largest),
            Self::V5 => v5::read(input, largest),
        }
    }
}
