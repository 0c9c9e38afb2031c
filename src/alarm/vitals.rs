//! What the service itself lacks: a database that answers, room on its disk. Pure: time is an argument.

use super::condition::{Condition, Edge};
use super::kind::Kind;

/// How long the database may be silent before people are called, s. Source: RELIABILITY 1.6.
pub const AWAY_S: i64 = 120;
/// Share of free space below which people are called, %. Source: RELIABILITY 1.6.
pub const LOW_PERCENT: u8 = 15;
/// Share of free space below which telemetry is held back, %. Source: RELIABILITY 1.6.
pub const FLOOR_PERCENT: u8 = 5;
/// Free bytes below which telemetry is held back, whatever the share. Source: RELIABILITY 1.6.
pub const FLOOR_BYTES: u64 = 2 << 30;
/// So much above its line the space must be before it counts as room again, %. Our choice.
const RECOVERS_PERCENT: i64 = 3;

/// Space of one disk.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    /// Bytes that may still be written.
    pub free: u64,
    /// Bytes in all.
    pub total: u64,
}

impl Space {
    /// Free share, whole %; 100 where a disk does not tell its size.
    #[must_use]
    pub fn free_percent(self) -> i64 {
        let percent = u128::from(self.free) * 100;
        let percent = percent.checked_div(u128::from(self.total)).unwrap_or(100);
        i64::try_from(percent).unwrap_or(100)
    }
}

/// Lines that free space is held against, %.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lines {
    /// Below it people are called.
    pub low: u8,
    /// Below it telemetry is held back.
    pub floor: u8,
}

impl Default for Lines {
    fn default() -> Self {
        Self {
            low: LOW_PERCENT,
            floor: FLOOR_PERCENT,
        }
    }
}

impl Lines {
    /// Whether people are to be called.
    #[must_use]
    pub fn is_low(self, space: Space) -> bool {
        space.free_percent() < i64::from(self.low) || self.is_full(space)
    }

    /// Whether the database must be given nothing that can wait: a full disk stops it altogether.
    #[must_use]
    pub fn is_full(self, space: Space) -> bool {
        let little = space.total > 0 && space.free < FLOOR_BYTES;
        little || space.free_percent() < i64::from(self.floor)
    }
}

/// One look.
#[derive(Debug, Clone, Copy)]
pub struct Look {
    /// When, ms since 1970.
    pub at_ms: i64,
    /// Whether the database answered.
    pub answered: bool,
    /// Its disk, where it can be seen.
    pub space: Option<Space>,
}

/// What was seen so far.
#[derive(Debug, Clone, Copy)]
pub struct Vitals {
    lines: Lines,
    answered_ms: i64,
    /// Whether each condition holds; `None` until it was told once: an alarm may have outlived a restart.
    away: Option<bool>,
    low: Option<bool>,
    full: bool,
}

impl Vitals {
    /// Starts with a database that has just answered.
    #[must_use]
    pub fn new(lines: Lines, now_ms: i64) -> Self {
        Self {
            lines,
            answered_ms: now_ms,
            away: None,
            low: None,
            full: false,
        }
    }

    /// Takes a look; gives what begins, lasts and ends. What lasts is told again with its present value.
    pub fn judge(&mut self, look: Look) -> Vec<Condition> {
        let mut found = Vec::new();
        if look.answered {
            self.answered_ms = look.at_ms;
        }
        let silent_s = look.at_ms.saturating_sub(self.answered_ms) / 1000;
        // Where the first look gets no answer, an alarm from before the restart is left as it is.
        let away = silent_s >= AWAY_S;
        if away || look.answered {
            let edge = edge(&mut self.away, away);
            found.extend(edge.map(|edge| (Kind::DatabaseAway, edge, silent_s)));
        }
        if let Some(space) = look.space {
            let percent = space.free_percent();
            let margin = if self.full { RECOVERS_PERCENT } else { 0 };
            self.full = self.lines.is_full(space)
                || self.full && percent < i64::from(self.lines.floor) + margin;
            let lasts =
                self.low == Some(true) && percent < i64::from(self.lines.low) + RECOVERS_PERCENT;
            let low = self.lines.is_low(space) || lasts;
            found.extend(edge(&mut self.low, low).map(|edge| (Kind::DiskLow, edge, percent)));
        }
        let condition = |(kind, edge, value)| Condition::new(kind, edge, Some(value), look.at_ms);
        found.into_iter().map(condition).collect()
    }

    /// Whether telemetry is to be held back for want of room.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.full
    }
}

/// How a condition stands to what was told; `None` when its absence was told already.
fn edge(told: &mut Option<bool>, holds: bool) -> Option<Edge> {
    let before = told.replace(holds);
    match (before, holds) {
        (Some(true), true) => Some(Edge::Unchanged),
        (_, true) => Some(Edge::On),
        (Some(false), false) => None,
        (_, false) => Some(Edge::Off),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GIB: u64 = 1 << 30;

    fn look(at_s: i64, answered: bool, free_gib: u64) -> Look {
        Look {
            at_ms: at_s * 1000,
            answered,
            space: Some(Space {
                free: free_gib * GIB,
                total: 100 * GIB,
            }),
        }
    }

    fn told(vitals: &mut Vitals, look: Look) -> Vec<(Kind, Edge, i64)> {
        let found = vitals.judge(look);
        let told = found
            .iter()
            .map(|one| (one.kind, one.edge, one.value.unwrap()));
        told.collect()
    }

    // Source: RELIABILITY 1.6: operator alarm at 2 min of a database that is away.
    #[test]
    fn two_minutes_without_an_answer_are_an_alarm_until_the_first_answer() {
        let mut vitals = Vitals::new(Lines::default(), 0);
        let gone = [
            (Kind::DatabaseAway, Edge::Off, 0),
            (Kind::DiskLow, Edge::Off, 50),
        ];
        assert_eq!(
            told(&mut vitals, look(0, true, 50)),
            gone,
            "told once at a start"
        );
        assert_eq!(told(&mut vitals, look(60, true, 50)), []);
        assert_eq!(told(&mut vitals, look(179, false, 50)), []);
        let on = [(Kind::DatabaseAway, Edge::On, 120)];
        assert_eq!(told(&mut vitals, look(180, false, 50)), on);
        let lasts = [(Kind::DatabaseAway, Edge::Unchanged, 600)];
        assert_eq!(told(&mut vitals, look(660, false, 50)), lasts);
        let off = [(Kind::DatabaseAway, Edge::Off, 0)];
        assert_eq!(told(&mut vitals, look(661, true, 50)), off);
        assert_eq!(told(&mut vitals, look(662, true, 50)), []);
    }

    #[test]
    fn an_alarm_from_before_a_restart_stays_while_nothing_answers() {
        let mut vitals = Vitals::new(Lines::default(), 0);
        let first = told(&mut vitals, look(5, false, 50));
        assert_eq!(first, [(Kind::DiskLow, Edge::Off, 50)]);
    }

    // Source: RELIABILITY 1.6: page at 15, 10, 5 %; hold telemetry back below 5 % or 2 GiB.
    #[test]
    fn a_disk_that_fills_is_told_with_what_is_left_and_holds_telemetry_back_at_the_floor() {
        let mut vitals = Vitals::new(Lines::default(), 0);
        vitals.judge(look(0, true, 15));
        assert_eq!(vitals.low, Some(false));
        let low = |edge, percent| [(Kind::DiskLow, edge, percent)];
        assert_eq!(told(&mut vitals, look(5, true, 14)), low(Edge::On, 14));
        assert_eq!(
            told(&mut vitals, look(10, true, 5)),
            low(Edge::Unchanged, 5)
        );
        assert!(!vitals.is_full());
        vitals.judge(look(15, true, 4));
        assert!(vitals.is_full());
        vitals.judge(look(20, true, 7));
        assert!(vitals.is_full(), "not at the first block that is freed");
        vitals.judge(look(25, true, 8));
        assert!(!vitals.is_full());
        assert_eq!(
            told(&mut vitals, look(30, true, 17)),
            low(Edge::Unchanged, 17)
        );
        assert_eq!(told(&mut vitals, look(35, true, 18)), low(Edge::Off, 18));
    }

    #[test]
    fn a_small_disk_is_full_by_its_bytes_and_one_of_unknown_size_by_none() {
        let lines = Lines::default();
        let space = |free, total| Space { free, total };
        assert!(lines.is_full(space(2 * GIB - 1, 10 * GIB)) && lines.is_low(space(GIB, 4 * GIB)));
        assert!(!lines.is_full(space(2 * GIB, 10 * GIB)));
        assert!(!lines.is_low(space(0, 0)), "a disk that tells nothing");
        assert_eq!(space(u64::MAX, u64::MAX).free_percent(), 100);
    }
}
