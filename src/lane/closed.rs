//! Closed alarms, remembered so that what is heard again raises none of them anew, and the ids of new ones.

use std::collections::HashMap;

use uuid::Uuid;

use super::engine::Key;
use crate::alarm::condition::Origin;
use crate::alarm::state::Alarm;
use crate::ids;

/// Devices and kinds remembered.
const KEYS_MAX: usize = 20_000;
/// Alarms remembered of each: a person closed every one.
const IDS_MAX: usize = 64;

/// The closed alarms.
#[derive(Debug, Default)]
pub(super) struct Closed {
    of: HashMap<Key, Past>,
}

/// The closed alarms of one device and kind.
#[derive(Debug)]
struct Past {
    /// Newest time at which the condition held, ms since 1970.
    last_on_ms: i64,
    /// Newest last.
    ids: Vec<Uuid>,
}

impl Closed {
    /// Remembers an alarm that was closed. Above the limit those are forgotten whose condition ended first.
    pub(super) fn add(&mut self, key: Key, alarm: Uuid, last_on_ms: i64) {
        if self.of.len() >= KEYS_MAX && !self.of.contains_key(&key) {
            let oldest = self.of.values().map(|past| past.last_on_ms).min();
            self.of.retain(|_, past| Some(past.last_on_ms) > oldest);
        }
        let past = self.of.entry(key).or_insert(Past {
            last_on_ms,
            ids: Vec::new(),
        });
        past.last_on_ms = past.last_on_ms.max(last_on_ms);
        if past.ids.len() >= IDS_MAX {
            past.ids.remove(0);
        }
        past.ids.push(alarm);
    }

    /// Newest time at which a condition held whose alarm is closed, ms since 1970.
    pub(super) fn last_on_ms(&self, key: Key) -> Option<i64> {
        self.of.get(&key).map(|past| past.last_on_ms)
    }

    /// Id of a new alarm. What is heard again after a death makes the same one, whatever the clock of its device
    /// says: it is made of what showed the condition; of the time where that has no name, or where a closed alarm
    /// has it already, since one finding of a run may hold beyond an alarm.
    pub(super) fn new_id(&self, key: Key, alarm: &Alarm, origin: Option<Origin>) -> Uuid {
        let past = self.of.get(&key);
        let by_origin = origin.map(|origin| derived(key, &origin.bytes()));
        let new = by_origin.filter(|id| !past.is_some_and(|past| past.ids.contains(id)));
        new.unwrap_or_else(|| derived(key, &alarm.raised_at_ms.to_le_bytes()))
    }
}

fn derived((source, kind): Key, shown: &[u8]) -> Uuid {
    let parts: [&[u8]; 3] = [source.device.as_bytes(), kind.as_str().as_bytes(), shown];
    ids::derived(source.group, "alarm", &parts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::condition::{Condition, Edge, Source};
    use crate::alarm::kind::Kind;

    fn key(device: u128) -> Key {
        let source = Source {
            group: Uuid::from_u128(1),
            device: Uuid::from_u128(device),
        };
        (source, Kind::OverTemperature)
    }

    fn alarm(at_ms: i64) -> Alarm {
        Alarm::raise(&Condition::new(
            Kind::OverTemperature,
            Edge::On,
            None,
            at_ms,
        ))
        .unwrap()
    }

    const FOUND: Origin = Origin::Found {
        run: Uuid::from_u128(5),
        since_ms: 60_000,
    };

    #[test]
    fn one_origin_is_one_alarm_at_whatever_time_until_that_alarm_is_closed() {
        let mut closed = Closed::default();
        let first = closed.new_id(key(1), &alarm(10), Some(FOUND));
        assert_eq!(closed.new_id(key(1), &alarm(20), Some(FOUND)), first);
        assert_ne!(closed.new_id(key(2), &alarm(10), Some(FOUND)), first);
        assert_ne!(closed.new_id(key(1), &alarm(10), None), first);
        closed.add(key(1), first, 30);
        let second = closed.new_id(key(1), &alarm(40), Some(FOUND));
        assert_ne!(second, first);
        closed.add(key(1), second, 50);
        let third = closed.new_id(key(1), &alarm(60), Some(FOUND));
        assert!(![first, second].contains(&third));
    }

    #[test]
    fn numbers_are_told_apart_by_boot_number_and_device_time() {
        let closed = Closed::default();
        let sent = |boot, number, device_ms| {
            let origin = Origin::Sent {
                boot,
                number,
                device_ms,
            };
            closed.new_id(key(1), &alarm(0), Some(origin))
        };
        let ids = [sent(1, 2, 3), sent(2, 2, 3), sent(1, 3, 3), sent(1, 2, 4)];
        assert!((1..4).all(|index| ids[index] != ids[0]));
        assert_eq!(sent(1, 2, 3), ids[0]);
    }

    #[test]
    fn what_is_remembered_is_limited_and_the_oldest_goes_first() {
        let mut closed = Closed::default();
        for device in 0..=KEYS_MAX {
            let at_ms = i64::try_from(device).unwrap();
            closed.add(key(device as u128), Uuid::nil(), at_ms);
        }
        assert_eq!(closed.of.len(), KEYS_MAX);
        assert_eq!(closed.last_on_ms(key(0)), None);
        for id in 0..=IDS_MAX {
            closed.add(key(5), Uuid::from_u128(id as u128), 9);
        }
        assert_eq!(closed.last_on_ms(key(5)), Some(9));
        assert_eq!(closed.of[&key(5)].ids.len(), IDS_MAX);
    }
}
