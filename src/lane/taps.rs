//! What is remembered of each device to judge its raw batches; in memory, bounded.

use std::collections::HashMap;
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::sync::Mutex;

use super::lock;
use crate::alarm::condition::{Condition, Source};
use crate::alarm::contact::Contact;
use crate::alarm::kind::Kind;
use crate::alarm::rise::Rise;
use crate::alarm::screen::{Arrival, Limits, Screen};
use crate::record::batch::{ClockClaim, EventKind, RawBatch, SenderFacts};
use crate::record::sample::MISSING;
use crate::record::words::Chemistry;

/// Parts with a lock each, so that doors do not wait for each other.
const PARTS: usize = 16;
/// Devices remembered in a part: 64,000 in all, about 300 bytes each.
const DEVICES_MAX: usize = 4_000;

/// Longest delay of a batch that is believed, ms: a device time that jumped must not make everything
/// after it look old. Our choice.
const DELAY_MAX_MS: i64 = 7 * 24 * 3_600_000;

/// One device.
#[derive(Debug, Clone, Copy)]
struct Tap {
    screen: Screen,
    rise: Rise,
    contact: Contact,
    limits: Limits,
    /// What the registry declares of it; `None` until it was asked.
    sender: Option<SenderFacts>,
    heard_ms: i64,
    zero: Option<Zero>,
    /// Number of the last condition it raised; 0 = none.
    raised: u64,
}

/// Where the time of a boot lies on the server's clock.
#[derive(Debug, Clone, Copy)]
struct Zero {
    boot: i64,
    /// Wall time of device time 0 by the batch that was least delayed, ms since 1970.
    at_ms: i64,
    /// Highest number heard, and the device time then, ms.
    last_seq: i64,
    last_ms: i64,
}

impl Default for Tap {
    fn default() -> Self {
        Self {
            screen: Screen::default(),
            rise: Rise::default(),
            contact: Contact::default(),
            limits: Limits::of(Chemistry::Unknown, None),
            sender: None,
            heard_ms: 0,
            zero: None,
            raised: 0,
        }
    }
}

/// Every device that was heard.
#[derive(Debug, Default)]
pub(super) struct Taps {
    parts: [Mutex<HashMap<Source, Tap>>; PARTS],
}

impl Taps {
    fn part(&self, source: Source) -> &Mutex<HashMap<Source, Tap>> {
        let mut hasher = DefaultHasher::new();
        source.device.hash(&mut hasher);
        let index = usize::try_from(hasher.finish() % PARTS as u64).unwrap_or(0);
        let [first, ..] = &self.parts;
        self.parts.get(index).unwrap_or(first)
    }

    fn with<T>(&self, source: Source, act: impl FnOnce(&mut Tap) -> T) -> T {
        let mut part = lock(self.part(source));
        if part.len() >= DEVICES_MAX && !part.contains_key(&source) {
            make_room(&mut part);
        }
        act(part.entry(source).or_default())
    }

    /// Judges a batch; each condition is handed to `note`, which numbers it, before another batch of the device
    /// is judged. Returns the number of the last one it ever raised: a batch that comes again raises nothing new,
    /// and all the same waits for what it raised.
    pub(super) fn hear(
        &self,
        source: Source,
        (boot, batch): (i64, &RawBatch),
        received_ms: i64,
        mut note: impl FnMut(&Condition) -> u64,
    ) -> u64 {
        self.with(source, |tap| {
            let mut found = Vec::new();
            tap.hear(boot, batch, received_ms, &mut found);
            for condition in &found {
                tap.raised = tap.raised.max(note(condition));
            }
            tap.raised
        })
    }

    /// Takes an alarm up after a restart: its condition holds until samples end it.
    pub(super) fn resume(&self, source: Source, kind: Kind) {
        self.with(source, |tap| match kind {
            Kind::ContactLost => tap.contact.resume(),
            Kind::TemperatureRise => tap.rise.resume(),
            other => tap.screen.resume(other),
        });
    }

    /// What the registry declares of a device.
    pub(super) fn declare(&self, source: Source, sender: SenderFacts) {
        if let Some(tap) = lock(self.part(source)).get_mut(&source) {
            tap.sender = Some(sender);
        }
    }

    /// Devices whose silence became an alarm, and devices of which the registry was not asked yet.
    pub(super) fn sweep(&self, now_ms: i64) -> (Vec<(Source, Condition)>, Vec<Source>) {
        let (mut silent, mut strange) = (Vec::new(), Vec::new());
        for part in &self.parts {
            for (source, tap) in lock(part).iter_mut() {
                silent.extend(tap.contact.due(now_ms).map(|lost| (*source, lost)));
                if tap.sender.is_none() {
                    strange.push(*source);
                }
            }
        }
        (silent, strange)
    }

    /// Every device that is remembered.
    pub(super) fn sources(&self) -> Vec<Source> {
        let keys = |part: &Mutex<HashMap<Source, Tap>>| -> Vec<Source> {
            lock(part).keys().copied().collect()
        };
        self.parts.iter().flat_map(keys).collect()
    }
}

/// Forgets the quarter that was silent longest; who neither charges nor has an alarm goes first.
fn make_room(part: &mut HashMap<Source, Tap>) {
    let mut by_age: Vec<(bool, i64, Source)> = part
        .iter()
        .map(|(source, tap)| {
            let needed = tap.contact.due_at().is_some() || tap.screen.active().next().is_some();
            (needed, tap.heard_ms, *source)
        })
        .collect();
    by_age.sort_unstable();
    for (_, _, source) in by_age.iter().take(DEVICES_MAX / 4) {
        part.remove(source);
    }
}

impl Tap {
    fn hear(&mut self, boot: i64, batch: &RawBatch, received_ms: i64, out: &mut Vec<Condition>) {
        let sender = self.sender.unwrap_or_default();
        self.heard_ms = received_ms;
        let arrival = Arrival {
            boot,
            offset_ms: self.offset(boot, batch, received_ms),
            received_ms,
            sender,
        };
        self.screen.judge(batch, &self.limits, arrival, out);
        if self.sender.is_none() {
            // What unit it declared is not known yet, and may explain it.
            out.retain(|condition| condition.kind != Kind::UnitSuspect);
        }
        // Without a case temperature nothing can rise.
        let measured = !batch.columns.case_cc.is_empty();
        let mut device_ms = batch.start_ms;
        for (index, step) in batch.step_ms.iter().enumerate() {
            device_ms = device_ms.saturating_add(i64::from((*step).max(0)));
            if !measured {
                continue;
            }
            let at_ms = device_ms.saturating_add(arrival.offset_ms).min(received_ms);
            let case = value(&batch.columns.case_cc, index);
            let current = current(batch, index, sender);
            let rising = self.rise.note(at_ms, case, current);
            let origin = arrival.origin(batch.number(index), device_ms);
            out.extend(rising.map(|found| found.shown_by(origin)));
        }
        let ended =
            |event: &crate::record::batch::RawEvent| event.kind == Some(EventKind::SessionEnd);
        if let Some(last) = batch.step_ms.len().checked_sub(1) {
            let interval = batch.step_ms.get(last).copied().unwrap_or(0);
            // A device that gathers samples before it sends is silent for as long as it gathers.
            let interval = i64::from(interval).max(device_ms.saturating_sub(batch.start_ms));
            let current = (0..=last)
                .rev()
                .find_map(|index| current(batch, index, sender));
            out.extend(self.contact.note(received_ms, interval, current));
        }
        if batch.events.last().is_some_and(ended) {
            out.extend(self.contact.end(received_ms));
        }
    }
}

fn value(column: &[i32], index: usize) -> Option<i32> {
    column.get(index).copied().filter(|value| *value != MISSING)
}

fn current(batch: &RawBatch, index: usize, sender: SenderFacts) -> Option<i32> {
    let sent = value(&batch.columns.current_ma, index)?;
    Some(if sender.current_in_ma {
        sent / 1000
    } else {
        sent
    })
}

impl Tap {
    /// Wall time of device time 0, ms since 1970: as a set clock says, else by the batch of this boot
    /// that was on its way the shortest, so that one sent again is as old as it was.
    fn offset(&mut self, boot: i64, batch: &RawBatch, received_ms: i64) -> i64 {
        if let (ClockClaim::Synced, Some(start)) = (batch.clock, batch.start_time) {
            return start.timestamp_millis().saturating_sub(batch.start_ms);
        }
        let steps = batch.step_ms.iter().map(|step| i64::from((*step).max(0)));
        let last = steps.fold(batch.start_ms, i64::saturating_add);
        let events = batch.events.iter().map(|event| event.time_ms);
        let newest = events.fold(last, i64::max).max(batch.sent_ms);
        let now_ms = received_ms.saturating_sub(newest);
        if batch.first_seq == 0 {
            // Without numbers nothing can be told to be sent again.
            return now_ms;
        }
        let count = i64::try_from(batch.step_ms.len()).unwrap_or(i64::MAX);
        let last_seq = batch.first_seq.saturating_add(count);
        let known = self.zero.filter(|zero| {
            // New numbers with an older time: the device's clock was set back.
            let set_back = batch.first_seq > zero.last_seq && newest < zero.last_ms;
            let jumped = now_ms.saturating_sub(zero.at_ms) > DELAY_MAX_MS;
            zero.boot == boot && !set_back && !jumped
        });
        let fresh = Zero {
            boot,
            at_ms: now_ms,
            last_seq,
            last_ms: newest,
        };
        let zero = known.map_or(fresh, |known| Zero {
            boot,
            at_ms: known.at_ms.min(now_ms),
            last_seq: known.last_seq.max(last_seq),
            last_ms: known.last_ms.max(newest),
        });
        self.zero = Some(zero);
        zero.at_ms
    }
}

#[cfg(test)]
mod tests;
