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
    /// Highest number kept; 0 = none.
    pub last_seq: i64,
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
            last_seq: held.last().unwrap_or(0),
            missing,
            server_time,
        }
    }

    /// Whether these numbers are kept, as far as this tells: at the limit of `missing` it cannot tell
    /// of what lies above.
    #[must_use]
    pub fn keeps(&self, (from, to): Range) -> bool {
        let told = match self.missing.last() {
            Some((_, last)) if self.missing.len() >= MISSING_MAX => *last,
            _ => self.last_seq,
        };
        let hole = |(first, last): &Range| *first <= to && from <= *last;
        to <= self.contiguous_seq || (to <= told && !self.missing.iter().any(hole))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_beyond_a_gap_is_known_up_to_the_limit_of_what_is_told() {
        let held = Ranges::from_pairs([(1, 10), (15, 20), (30, 40)]);
        let of = |held: &Ranges| Watermark::of((Uuid::nil(), 1), held, 0, DateTime::UNIX_EPOCH);
        let kept = of(&held);
        for (range, keeps) in [
            ((1, 10), true),
            ((5, 11), false),
            ((15, 20), true),
            ((14, 20), false),
            ((30, 40), true),
            ((30, 41), false),
        ] {
            assert_eq!(kept.keeps(range), keeps, "{range:?}");
        }
        let many = Ranges::from_pairs((0..20).map(|n| (10 * n + 1, 10 * n + 5)));
        assert!(of(&many).keeps((151, 155)) && !of(&many).keeps((171, 175)));
    }

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
