//! Who is told when: the steps of a class, the people of a shop, its night.

use serde::{Deserialize, Serialize};

use super::kind::Class;
use super::state::Alarm;
use crate::record::words::vocabulary;

const MIN_MS: i64 = 60_000;
const DAY_MIN: i64 = 24 * 60;
/// A critical alarm is told to all again at this interval, ms. Source: RELIABILITY 4.3.
const REPEAT_MS: i64 = 15 * MIN_MS;

vocabulary! {
    /// Who is told, nearest first. The bench is its page, its topic and its webhook.
    Level { Bench = "bench", Shop = "shop", Manager = "manager", Group = "group" }
}

vocabulary! {
    /// When a person may be called.
    Hours { Always = "always", Day = "day", Night = "night" }
}

/// Steps of a class: after how long which level is told. Source: RELIABILITY 4.3.
#[must_use]
pub fn steps(class: Class) -> &'static [(i64, Level)] {
    match class {
        Class::Critical => &[
            (0, Level::Bench),
            (2 * MIN_MS, Level::Shop),
            (5 * MIN_MS, Level::Manager),
            (15 * MIN_MS, Level::Group),
        ],
        Class::High => &[
            (0, Level::Bench),
            (15 * MIN_MS, Level::Shop),
            (60 * MIN_MS, Level::Manager),
        ],
        Class::Low => &[],
    }
}

/// Someone, or something, that is told.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Recipient {
    /// Level at which.
    pub level: Level,
    /// Name of the person, or of the channel of the bench.
    pub name: String,
    /// When the person may be called.
    pub hours: Hours,
}

/// Routes of one shop.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Routes {
    /// Everyone who may be told.
    pub recipients: Vec<Recipient>,
    /// Night begins, minutes after local midnight.
    pub night_from_min: u16,
    /// Night ends, minutes after local midnight; the same as its begin = no night.
    pub night_to_min: u16,
    /// Local time less UTC, minutes.
    pub utc_offset_min: i32,
}

impl Routes {
    /// Whether it is night in the shop.
    #[must_use]
    pub fn is_night(&self, now_ms: i64) -> bool {
        let minute = now_ms.div_euclid(MIN_MS) + i64::from(self.utc_offset_min);
        let minute = minute.rem_euclid(DAY_MIN);
        let (from, to) = (i64::from(self.night_from_min), i64::from(self.night_to_min));
        if from <= to {
            (from..to).contains(&minute)
        } else {
            minute >= from || minute < to
        }
    }

    /// When night begins or ends next, ms since 1970; a day ahead where there is no night.
    fn next_turn(&self, now_ms: i64) -> i64 {
        let minute = now_ms.div_euclid(MIN_MS);
        let local = (minute + i64::from(self.utc_offset_min)).rem_euclid(DAY_MIN);
        let turns = [self.night_from_min, self.night_to_min];
        let ahead = turns
            .iter()
            .map(|turn| (i64::from(*turn) - local - 1).rem_euclid(DAY_MIN) + 1);
        (minute + ahead.min().unwrap_or(DAY_MIN)).saturating_mul(MIN_MS)
    }

    /// Who of a level may be told now.
    fn reach(&self, level: Level, night: bool) -> impl Iterator<Item = &Recipient> {
        self.recipients.iter().filter(move |recipient| {
            recipient.level == level
                && match recipient.hours {
                    Hours::Always => true,
                    Hours::Day => !night,
                    Hours::Night => night,
                }
        })
    }

    /// What is missing, for the page of the shop; charges run overnight.
    #[must_use]
    pub fn findings(&self) -> Vec<&'static str> {
        let missing = |night| {
            let people = [Level::Shop, Level::Manager, Level::Group];
            !people
                .iter()
                .any(|level| self.reach(*level, night).next().is_some())
        };
        let mut found = Vec::new();
        if self.night_from_min != self.night_to_min && missing(true) {
            found.push("no night contact: nobody is told of an alarm at night; add a person with night hours");
        }
        if missing(false) {
            found.push(
                "no day contact: nobody is told of an alarm by day; add a person with day hours",
            );
        }
        found
    }
}

/// How far an alarm was told; kept with it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Told {
    /// The occurrence of the alarm.
    pub occurrence: u32,
    /// How many steps of it were told.
    pub steps: u32,
}

/// One message to one recipient.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tell {
    /// To whom.
    pub recipient: Recipient,
    /// The step, from 0; with alarm and occurrence it makes the message's own id.
    pub step: u32,
    /// When it was due, ms since 1970.
    pub due_ms: i64,
}

/// When a step is due after the alarm was raised, ms; `None` past the last.
fn after_ms(class: Class, step: u32) -> Option<i64> {
    let steps = steps(class);
    let index = usize::try_from(step).ok()?;
    if let Some((after, _)) = steps.get(index) {
        return Some(*after);
    }
    if class != Class::Critical {
        return None;
    }
    let (last, _) = steps.last()?;
    let repeat = i64::try_from(index + 1 - steps.len()).ok()?;
    Some(last + repeat * REPEAT_MS)
}

/// How many steps are due after this long, ms.
fn steps_due(class: Class, age_ms: i64) -> u32 {
    let fixed = steps(class)
        .iter()
        .filter(|(after, _)| *after <= age_ms)
        .count();
    let repeats = match (class, steps(class).last()) {
        (Class::Critical, Some((last, _))) if age_ms > *last => (age_ms - last) / REPEAT_MS,
        _ => 0,
    };
    let due = i64::try_from(fixed)
        .unwrap_or(i64::MAX)
        .saturating_add(repeats);
    u32::try_from(due).unwrap_or(u32::MAX)
}

fn already(alarm: &Alarm, told: Told) -> u32 {
    if told.occurrence == alarm.occurrence {
        told.steps
    } else {
        0
    }
}

/// Who is to be told now, and how far that gets. Nobody once it is acknowledged or while shelved.
///
/// Steps missed while the service was away are told together, each recipient once. A level in
/// which nobody may be called now passes to the next level above; with nobody there either, a step
/// that is never repeated waits until night begins or ends.
#[must_use]
pub fn due(alarm: &Alarm, routes: &Routes, now_ms: i64, told: Told) -> (Vec<Tell>, Told) {
    let class = alarm.kind.class();
    let from = already(alarm, told);
    let to = steps_due(class, now_ms.saturating_sub(alarm.raised_at_ms));
    if !alarm.state.is_unacknowledged() || alarm.shelved_until(now_ms).is_some() || to <= from {
        return (Vec::new(), told);
    }
    let night = routes.is_night(now_ms);
    let mut tells: Vec<Tell> = Vec::new();
    let fixed = u32::try_from(steps(class).len()).unwrap_or(u32::MAX);
    // All repeats that were missed are one.
    let first_repeat = to.saturating_sub(1).max(fixed);
    let mut told_to = to;
    for step in (from..to.min(fixed)).chain(first_repeat..to) {
        let due_ms = alarm
            .raised_at_ms
            .saturating_add(after_ms(class, step).unwrap_or(0));
        for level in levels(class, step) {
            let reached = people(routes, level, night);
            if reached.is_empty() && level != Level::Bench && class != Class::Critical {
                told_to = told_to.min(step);
            }
            for recipient in reached {
                if !tells.iter().any(|tell| tell.recipient == *recipient) {
                    tells.push(Tell {
                        recipient: recipient.clone(),
                        step,
                        due_ms,
                    });
                }
            }
        }
    }
    let told = Told {
        occurrence: alarm.occurrence,
        steps: told_to,
    };
    (tells, told)
}

/// Levels of a step: one, or all of them for a repeat.
fn levels(class: Class, step: u32) -> impl Iterator<Item = Level> {
    let steps = steps(class);
    let one = usize::try_from(step).unwrap_or(usize::MAX);
    let chosen = if one < steps.len() {
        steps.get(one..=one)
    } else {
        Some(steps)
    };
    chosen.unwrap_or_default().iter().map(|(_, level)| *level)
}

/// The people of a level, or of the nearest above it with anybody to call. The bench is no person.
fn people(routes: &Routes, level: Level, night: bool) -> Vec<&Recipient> {
    let above = Level::ALL.iter().filter(|other| **other >= level);
    for other in above {
        let found: Vec<&Recipient> = routes.reach(*other, night).collect();
        if !found.is_empty() || level == Level::Bench {
            return found;
        }
    }
    Vec::new()
}

/// When `due`, which was asked at `now_ms`, may have something new to say, ms since 1970; `None`
/// when it never will by itself. `told` is what that `due` gave, or what was stored.
#[must_use]
pub fn next_due(alarm: &Alarm, routes: &Routes, now_ms: i64, told: Told) -> Option<i64> {
    if !alarm.state.is_unacknowledged() {
        return None;
    }
    let after = after_ms(alarm.kind.class(), already(alarm, told))?;
    let due_ms = alarm.raised_at_ms.saturating_add(after);
    match alarm.shelved_until(now_ms) {
        Some(until_ms) => Some(due_ms.max(until_ms)),
        None if due_ms <= now_ms => Some(routes.next_turn(now_ms)),
        None => Some(due_ms),
    }
}

#[cfg(test)]
mod tests;
