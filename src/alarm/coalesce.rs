//! A queue that never fills: one place per group, device and kind, which keeps the worst pending
//! condition and the newest return.

use std::collections::{BTreeMap, BTreeSet};

use super::condition::{Condition, Source};
use super::kind::{Class, Kind};

/// Most places. Source: RELIABILITY 4.2.
pub const PLACES_MAX: usize = 10_000;

/// What waits for one device and kind. Given in this order it leads to the same state as every
/// condition that came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Pending {
    /// A return before the condition.
    pub before: Option<Condition>,
    /// The condition with its worst value.
    pub holds: Option<Condition>,
    /// A return after the condition.
    pub after: Option<Condition>,
}

impl Pending {
    fn add(&mut self, condition: &Condition) {
        match (&mut self.holds, condition.is_active()) {
            (None, true) => self.holds = Some(*condition),
            (Some(holds), true) => {
                let anew = self.after.take();
                holds.absorb(condition);
                // The condition began anew: its return goes in front of it.
                if let Some(after) = anew {
                    (holds.first_ms, holds.last_ms) = (condition.first_ms, condition.last_ms);
                    self.before = newest(self.before, after);
                }
            }
            (None, false) => self.before = newest(self.before, *condition),
            (Some(holds), false) if condition.last_ms >= holds.last_ms => {
                self.after = newest(self.after, *condition);
            }
            // Older than the last sight of the condition.
            (Some(_), false) => {}
        }
    }

    /// What waits, in order.
    pub fn conditions(&self) -> impl Iterator<Item = Condition> {
        [self.before, self.holds, self.after].into_iter().flatten()
    }
}

fn newest(known: Option<Condition>, other: Condition) -> Option<Condition> {
    known
        .filter(|known| known.last_ms > other.last_ms)
        .or(Some(other))
}

/// Place in the order of leaving: urgent first, then who waits longest.
type Rank = (Class, u64);

/// The queue. Not more than its limit waits; a critical condition is never turned away for a lesser.
#[derive(Debug, Default)]
pub struct Coalesce {
    places: BTreeMap<(Source, Kind), (Rank, Pending)>,
    order: BTreeSet<(Rank, Source, Kind)>,
    arrivals: u64,
    displaced: u64,
    limit: Option<usize>,
}

impl Coalesce {
    /// A queue with another limit than `PLACES_MAX`; at least 1.
    #[must_use]
    pub fn with_limit(limit: usize) -> Self {
        Self {
            limit: Some(limit.max(1)),
            ..Self::default()
        }
    }

    /// Takes a condition in.
    ///
    /// When every place is taken the least urgent newest gives way to a more urgent one, otherwise
    /// the newcomer is let go; both are counted. Gives the key of what was let go.
    pub fn push(&mut self, source: Source, condition: &Condition) -> Option<(Source, Kind)> {
        let kind = condition.kind;
        if let Some((_, pending)) = self.places.get_mut(&(source, kind)) {
            pending.add(condition);
            return None;
        }
        let mut gone = None;
        if self.places.len() >= self.limit.unwrap_or(PLACES_MAX) {
            self.displaced += 1;
            match self.order.last().copied() {
                Some(((class, at), other, least)) if class > kind.class() => {
                    self.order.remove(&((class, at), other, least));
                    self.places.remove(&(other, least));
                    gone = Some((other, least));
                }
                _ => return Some((source, kind)),
            }
        }
        let rank = (kind.class(), self.arrivals);
        self.arrivals += 1;
        let mut pending = Pending::default();
        pending.add(condition);
        self.places.insert((source, kind), (rank, pending));
        self.order.insert((rank, source, kind));
        gone
    }

    /// Takes the most urgent out, of those the one that waited longest.
    pub fn pop(&mut self) -> Option<(Source, Kind, Pending)> {
        let (_, source, kind) = self.order.pop_first()?;
        let (_, pending) = self.places.remove(&(source, kind))?;
        Some((source, kind, pending))
    }

    /// How many places are taken.
    #[must_use]
    pub fn len(&self) -> usize {
        self.places.len()
    }

    /// Whether nothing waits.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.places.is_empty()
    }

    /// How many were let go because every place was taken.
    #[must_use]
    pub fn displaced(&self) -> u64 {
        self.displaced
    }
}

#[cfg(test)]
mod tests;
