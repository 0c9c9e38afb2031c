//! Lets whole packets through, never a part of one.
//!
//! The server library hands a message on before its payload is there, and the rest in pieces. With
//! messages taken side by side, the pieces of one can meet another: the first then waits for ever, or its
//! connection ends (measured on a busy machine: every fourth run of 400 messages). What it never sees in
//! part it cannot mix up. A packet that stops in the middle is this file's to notice.

use std::cell::Cell;
use std::io;
use std::rc::Rc;
use std::time::{Duration, Instant};

use ntex_bytes::BytePages;
use ntex_io::{FilterBuf, FilterLayer};

/// Time for a packet however small, and the most for one of any size.
const TIME: (Duration, Duration) = (Duration::from_secs(10), Duration::from_mins(2));
/// Slowest pace at which a packet may come after that, bytes/s.
const PACE: u64 = 256;

/// Since when a packet is incomplete, and how much of it is here.
#[derive(Debug, Clone, Default)]
pub(super) struct Waiting(Rc<Cell<Option<(Instant, usize)>>>);

impl Waiting {
    fn note(&self, bytes: usize, fresh: bool) {
        let since = self.0.get().filter(|_| !fresh).map(|(since, _)| since);
        self.0
            .set((bytes > 0).then(|| (since.unwrap_or_else(Instant::now), bytes)));
    }

    /// Whether a packet took too long.
    pub(super) fn too_long(&self, now: Instant) -> bool {
        self.0.get().is_some_and(|(since, bytes)| {
            let paced = TIME.0 + Duration::from_secs(bytes as u64 / PACE);
            now.saturating_duration_since(since) > paced.min(TIME.1)
        })
    }
}

/// The layer between the stream and the server library.
#[derive(Debug)]
pub(super) struct Whole {
    waiting: Waiting,
    packet_bytes: usize,
}

impl Whole {
    /// Of a connection with packets up to so many bytes; a larger one goes through, to be refused.
    pub(super) fn new(waiting: Waiting, packet_bytes: u32) -> Self {
        Self {
            waiting,
            packet_bytes: packet_bytes as usize,
        }
    }
}

impl FilterLayer for Whole {
    fn process_read_buf(&self, buf: &FilterBuf<'_>) -> io::Result<()> {
        buf.with_read_buffers(|source, target| {
            let Some(source) = source else { return };
            let whole = whole(source, self.packet_bytes);
            if whole > 0 {
                target.extend_from_slice(&source.split_to(whole));
            }
            self.waiting.note(source.len(), whole > 0);
        });
        Ok(())
    }

    fn process_write_buf(&self, buf: &FilterBuf<'_>) -> io::Result<()> {
        buf.with_write_buffers(BytePages::move_to);
        Ok(())
    }
}

/// Bytes of the whole packets at the front; all of them where a packet is malformed or over the limit.
///
/// Fixed header: one byte, then the length of the rest, 7 bits a byte, at most four (MQTT 3.1.1, 2.2.3).
fn whole(bytes: &[u8], packet_bytes: usize) -> usize {
    let mut from = 0;
    while let Some(packet) = bytes.get(from..).filter(|packet| packet.len() > 1) {
        let Some(end) = packet
            .iter()
            .skip(1)
            .take(4)
            .position(|byte| byte & 0x80 == 0)
        else {
            return if packet.len() > 4 { bytes.len() } else { from };
        };
        let length = packet.iter().skip(1).take(end + 1).rev();
        let rest = length.fold(0, |sum, byte| sum << 7 | usize::from(byte & 0x7f));
        if rest > packet_bytes {
            return bytes.len();
        }
        let size = end + 2 + rest;
        if packet.len() < size {
            break;
        }
        from += size;
    }
    from
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMIT: usize = 300;

    /// A packet with so many bytes after its fixed header.
    fn packet(rest: usize) -> Vec<u8> {
        let mut bytes = vec![0x30];
        if rest > 127 {
            bytes.push(u8::try_from(rest % 128).unwrap() | 0x80);
            bytes.push(u8::try_from(rest / 128).unwrap());
        } else {
            bytes.push(u8::try_from(rest).unwrap());
        }
        bytes.resize(bytes.len() + rest, 7);
        bytes
    }

    #[test]
    fn a_part_of_a_packet_stays_behind_wherever_it_is_cut() {
        let parts = [packet(0), packet(127), packet(128), packet(299)];
        let ends: Vec<usize> = parts
            .iter()
            .scan(0, |sum, part| {
                *sum += part.len();
                Some(*sum)
            })
            .collect();
        let bytes = parts.concat();
        for cut in 0..=bytes.len() {
            let wanted = ends.iter().copied().filter(|end| *end <= cut).max();
            assert_eq!(whole(&bytes[..cut], LIMIT), wanted.unwrap_or(0), "{cut}");
        }
    }

    #[test]
    fn what_must_be_refused_goes_through_at_once() {
        let large = packet(301);
        assert_eq!(whole(&large[..3], LIMIT), 3);
        let endless = [0x30, 0xff, 0xff, 0xff, 0xff];
        assert_eq!(whole(&endless[..4], LIMIT), 0);
        assert_eq!(whole(&endless, LIMIT), 5);
    }

    #[test]
    fn a_packet_that_stops_in_the_middle_is_noticed() {
        let waiting = Waiting::default();
        let later = |s| Instant::now() + Duration::from_secs(s);
        assert!(!waiting.too_long(later(1_000)));
        waiting.note(3, false);
        assert!(!waiting.too_long(later(9)));
        assert!(waiting.too_long(later(11)));
        waiting.note(2_560, false);
        assert!(!waiting.too_long(later(19)));
        assert!(waiting.too_long(later(21)));
        waiting.note(1_000_000, false);
        assert!(waiting.too_long(later(121)));
        waiting.note(0, true);
        assert!(!waiting.too_long(later(1_000)));
    }
}
