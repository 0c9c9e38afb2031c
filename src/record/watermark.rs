//! What is told of one boot of a device: how far it is kept, and what is missing.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::ranges::{Range, Ranges};

/// Missing ranges told at once.
pub const MISSING_MAX: usize = 16;

/// What is kept of a boot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Watermark {
    /// Device.
    pub device: Uuid,
    /// Boot.
    pub boot: i64,
    /// Everything up to here is kept, or can no longer be sent.
    pub contiguous_seq: i64,
    /// Missing, oldest first, at most `MISSING_MAX` ranges.
    pub missing: Vec<Range>,
    /// The server's clock.
    pub server_time: DateTime<Utc>,
}

impl Watermark {
    /// Of a boot whose numbers `held` are kept and which can still send from `oldest` on.
    #[must_use]
    pub fn of(
        (device, boot): (Uuid, i64),
        held: &Ranges,
        oldest: i64,
        server_time: DateTime<Utc>,
    ) -> Self {
        let start = oldest.max(1);
        let missing = held
            .last()
            .map_or_else(Vec::new, |last| held.missing_in(start, last));
        let contiguous_seq = held.contiguous_from(start);
        let missing = missing.into_iter().take(MISSING_MAX).collect();
        Self {
            device,
            boot,
            contiguous_seq,
            missing,
            server_time,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_oldest_gaps_are_asked_for_and_lost_ones_are_not() {
        let held = Ranges::from_pairs([(1, 10), (15, 20), (30, 40)]);
        let of = |oldest| Watermark::of((Uuid::nil(), 1), &held, oldest, DateTime::UNIX_EPOCH);
        assert_eq!(
            (of(0).contiguous_seq, of(0).missing),
            (10, vec![(11, 14), (21, 29)])
        );
        assert_eq!(
            (of(15).contiguous_seq, of(15).missing),
            (20, vec![(21, 29)])
        );
        assert_eq!(
            (of(25).contiguous_seq, of(25).missing),
            (24, vec![(25, 29)])
        );
    }
}
