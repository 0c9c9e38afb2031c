//! The life of one alarm, and the open alarms: at most one per device and kind.
//!
//! Acknowledging says "a person has seen it" and never clears; only the device's own samples do. A
//! latching kind closes only by an acknowledgement after the condition returned. States follow the
//! vocabulary of ISA-18.2 and IEC 62682 (from memory).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::condition::{Condition, Edge, Source};
use super::kind::{Class, Kind};
use crate::record::batch::{TEXT_MAX, plain_text};
use crate::record::words::vocabulary;

/// Longest shelving, ms. Source: RELIABILITY 4.3.
pub const SHELF_MAX_MS: i64 = 8 * 3_600_000;

vocabulary! {
    /// Where an alarm stands.
    State {
        ActiveUnacknowledged = "active_unacknowledged",
        ActiveAcknowledged = "active_acknowledged",
        ReturnedUnacknowledged = "returned_unacknowledged",
        /// Latching kind, returned, seen by nobody.
        LatchedUnacknowledged = "latched_unacknowledged",
        /// Latching kind, seen while active, returned; waits for a second acknowledgement.
        LatchedAcknowledged = "latched_acknowledged",
        /// Closed.
        Normal = "normal",
    }
}

impl State {
    /// Whether the condition holds.
    #[must_use]
    pub fn is_active(self) -> bool {
        matches!(self, Self::ActiveUnacknowledged | Self::ActiveAcknowledged)
    }

    /// Whether a person still has to be told.
    #[must_use]
    pub fn is_unacknowledged(self) -> bool {
        matches!(
            self,
            Self::ActiveUnacknowledged | Self::ReturnedUnacknowledged | Self::LatchedUnacknowledged
        )
    }
}

/// Who has seen an alarm, and when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Acknowledgement {
    /// Name of the person.
    pub by: String,
    /// When, ms since 1970.
    pub at_ms: i64,
}

/// A shelving: nobody is told until it ends.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shelf {
    /// Name of the person.
    pub by: String,
    /// Why.
    pub reason: String,
    /// From when, ms since 1970.
    pub at_ms: i64,
    /// Until when, ms since 1970.
    pub until_ms: i64,
}

/// A step that this alarm may not take, with the way out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// Nothing to act on.
    #[error("the alarm is closed; look at the open alarms and act on one of them")]
    Closed,
    /// Another person was first.
    #[error("acknowledged already by {by}; nothing is left to do")]
    AlreadyAcknowledged {
        /// That person.
        by: String,
    },
    /// Critical alarms are never shelved.
    #[error("a critical alarm is never shelved; go to the bench, then acknowledge it")]
    ShelveCritical,
    /// Too long, or not ahead.
    #[error("shelve for more than nothing and at most 8 h; choose an earlier end")]
    ShelveSpan,
    /// No name or reason, or one with control characters or too long.
    #[error("{field}: {detail}; give 1 to 128 bytes of plain text")]
    Text {
        /// Which text.
        field: &'static str,
        /// What is wrong with it.
        detail: String,
    },
}

/// What a step did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// A person would see a difference: `revision` went up.
    Visible,
    /// Known already, or too small to tell.
    Silent,
}

/// One alarm from raising to closing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Alarm {
    /// What it is about.
    pub kind: Kind,
    /// Where it stands.
    pub state: State,
    /// When the present occurrence began, ms since 1970.
    pub raised_at_ms: i64,
    /// How often it began before it closed, from 1.
    pub occurrence: u32,
    /// Worst value since it was raised, in `Kind::unit`.
    pub worst: Option<i64>,
    /// When that was measured, ms since 1970.
    pub worst_at_ms: i64,
    /// Worst value of the last visible change.
    pub shown: Option<i64>,
    /// Newest time at which the condition held, ms since 1970.
    pub last_on_ms: i64,
    /// When it returned, ms since 1970; `None` while active.
    pub returned_at_ms: Option<i64>,
    /// Who has seen the present occurrence.
    pub acknowledged: Option<Acknowledgement>,
    /// Until when nobody is told.
    pub shelf: Option<Shelf>,
    /// Counts visible changes, from 1.
    pub revision: u32,
}

impl Alarm {
    /// Raises an alarm; `None` when the condition is a return.
    #[must_use]
    pub fn raise(condition: &Condition) -> Option<Self> {
        condition.is_active().then_some(Self {
            kind: condition.kind,
            state: State::ActiveUnacknowledged,
            raised_at_ms: condition.first_ms,
            occurrence: 1,
            worst: condition.value,
            worst_at_ms: condition.at_ms,
            shown: condition.value,
            last_on_ms: condition.last_ms,
            returned_at_ms: None,
            acknowledged: None,
            shelf: None,
            revision: 1,
        })
    }

    fn visible(&mut self) -> Change {
        self.revision = self.revision.saturating_add(1);
        self.shown = self.worst;
        Change::Visible
    }

    /// Takes a condition in. A return that is older than the last sight of the condition changes
    /// nothing; a condition that holds makes the alarm active from every state.
    pub fn apply(&mut self, condition: &Condition) -> Change {
        if condition.edge == Edge::Off {
            return self.returned(condition);
        }
        let reopened = !self.state.is_active();
        if reopened {
            self.state = State::ActiveUnacknowledged;
            self.raised_at_ms = condition.first_ms;
            self.occurrence = self.occurrence.saturating_add(1);
            self.returned_at_ms = None;
            self.acknowledged = None;
            self.last_on_ms = condition.last_ms;
        }
        let worse = self.kind.worse(self.worst, condition.value);
        if worse != self.worst {
            self.worst = worse;
            self.worst_at_ms = condition.at_ms;
        }
        self.last_on_ms = self.last_on_ms.max(condition.last_ms);
        let step = match (self.worst, self.shown) {
            (Some(now), Some(told)) => now.abs_diff(told),
            (Some(_), None) => u64::MAX,
            _ => 0,
        };
        if reopened || step >= self.kind.visible_step() {
            self.visible()
        } else {
            Change::Silent
        }
    }

    fn returned(&mut self, condition: &Condition) -> Change {
        if !self.state.is_active() || condition.last_ms < self.last_on_ms {
            return Change::Silent;
        }
        self.returned_at_ms = Some(condition.at_ms);
        let seen = self.state == State::ActiveAcknowledged;
        self.state = match (self.kind.is_latching(), seen) {
            (true, true) => State::LatchedAcknowledged,
            (true, false) => State::LatchedUnacknowledged,
            (false, true) => State::Normal,
            (false, false) => State::ReturnedUnacknowledged,
        };
        self.visible()
    }

    /// A named person has seen it. The same person again is no error.
    ///
    /// # Errors
    /// `Text` without a usable name, `Closed`, `AlreadyAcknowledged` by another person.
    pub fn acknowledge(&mut self, by: &str, at_ms: i64) -> Result<Change, Refused> {
        check_text("name", by)?;
        self.state = match self.state {
            State::Normal => return Err(Refused::Closed),
            State::ActiveAcknowledged => {
                return match &self.acknowledged {
                    Some(first) if first.by != by => Err(Refused::AlreadyAcknowledged {
                        by: first.by.clone(),
                    }),
                    _ => Ok(Change::Silent),
                };
            }
            State::ActiveUnacknowledged => State::ActiveAcknowledged,
            State::ReturnedUnacknowledged
            | State::LatchedUnacknowledged
            | State::LatchedAcknowledged => State::Normal,
        };
        self.acknowledged = Some(Acknowledgement {
            by: by.to_owned(),
            at_ms,
        });
        Ok(self.visible())
    }

    /// Puts it aside for a while: nobody is told, the state goes on.
    ///
    /// # Errors
    /// `Text` without name or reason, `Closed`, `ShelveCritical`, `ShelveSpan`.
    pub fn shelve(&mut self, wanted: Shelf) -> Result<Change, Refused> {
        check_text("name", &wanted.by)?;
        check_text("reason", &wanted.reason)?;
        if self.state == State::Normal {
            return Err(Refused::Closed);
        }
        if self.kind.class() == Class::Critical {
            return Err(Refused::ShelveCritical);
        }
        let span = wanted.until_ms.saturating_sub(wanted.at_ms);
        if !(1..=SHELF_MAX_MS).contains(&span) {
            return Err(Refused::ShelveSpan);
        }
        if self.shelf.as_ref() == Some(&wanted) {
            return Ok(Change::Silent);
        }
        self.shelf = Some(wanted);
        Ok(self.visible())
    }

    /// Until when nobody is told, if that is after `now_ms`.
    #[must_use]
    pub fn shelved_until(&self, now_ms: i64) -> Option<i64> {
        let aside = self.shelf.as_ref()?;
        (aside.at_ms <= now_ms && now_ms < aside.until_ms).then_some(aside.until_ms)
    }

    /// The service started: every alarm that is still active is told again, its state stays.
    pub fn reraise(&mut self) -> Change {
        if self.state.is_active() {
            self.visible()
        } else {
            Change::Silent
        }
    }
}

fn check_text(field: &'static str, text: &str) -> Result<(), Refused> {
    let empty = if text.trim().is_empty() {
        Err("empty".to_owned())
    } else {
        Ok(())
    };
    empty
        .and_then(|()| plain_text(text, TEXT_MAX))
        .map_err(|detail| Refused::Text { field, detail })
}

/// The open alarms. Closed ones leave with the step that closed them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Open {
    alarms: BTreeMap<(Source, Kind), Alarm>,
}

impl Open {
    /// Takes an open alarm back, as it was stored; closed ones are let go.
    pub fn restore(&mut self, source: Source, alarm: Alarm) {
        if alarm.state != State::Normal {
            self.alarms.insert((source, alarm.kind), alarm);
        }
    }

    /// Takes a condition in: raises, changes or closes. Gives the alarm as it now is and whether a
    /// person would see a difference; `None` when a return met no alarm.
    pub fn apply(&mut self, source: Source, condition: &Condition) -> Option<(Alarm, Change)> {
        let key = (source, condition.kind);
        if let Some(alarm) = self.alarms.get_mut(&key) {
            let change = alarm.apply(condition);
            return Some((self.settle(key)?, change));
        }
        let alarm = Alarm::raise(condition)?;
        self.alarms.insert(key, alarm.clone());
        Some((alarm, Change::Visible))
    }

    /// Lets a person act on an open alarm.
    ///
    /// # Errors
    /// `Closed` when none is open, else what `act` refuses.
    pub fn act(
        &mut self,
        source: Source,
        kind: Kind,
        act: impl FnOnce(&mut Alarm) -> Result<Change, Refused>,
    ) -> Result<(Alarm, Change), Refused> {
        let key = (source, kind);
        let alarm = self.alarms.get_mut(&key).ok_or(Refused::Closed)?;
        let change = act(alarm)?;
        let alarm = self.settle(key).ok_or(Refused::Closed)?;
        Ok((alarm, change))
    }

    fn settle(&mut self, key: (Source, Kind)) -> Option<Alarm> {
        let alarm = self.alarms.get(&key)?.clone();
        if alarm.state == State::Normal {
            self.alarms.remove(&key);
        }
        Some(alarm)
    }

    /// The open alarm of a source and kind.
    #[must_use]
    pub fn find(&self, source: Source, kind: Kind) -> Option<&Alarm> {
        self.alarms.get(&(source, kind))
    }

    /// Every open alarm, by source and kind.
    pub fn iter(&self) -> impl Iterator<Item = (Source, &Alarm)> {
        self.alarms
            .iter()
            .map(|((source, _), alarm)| (*source, alarm))
    }
}

#[cfg(test)]
mod tests;
