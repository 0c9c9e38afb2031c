//! Floods: more than a person can read are told as one message; nothing is dropped.

use std::collections::VecDeque;

use super::kind::Class;

/// Messages to one person in the window before a flood begins. Source: RELIABILITY 4.3, which
/// takes the threshold from ISA-18.2 (from memory).
pub const MESSAGES_MAX: usize = 10;
/// The window, ms. Source: RELIABILITY 4.3.
pub const WINDOW_MS: i64 = 10 * 60_000;
/// In a flood one message goes at most this often, ms; our choice.
pub const GROUP_MS: i64 = 60_000;
/// The same while something critical waits, ms; our choice.
pub const GROUP_CRITICAL_MS: i64 = 10_000;

/// What a person would be told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item<T> {
    /// How urgent it is.
    pub class: Class,
    /// Which alarm: a newer one of the same takes the place of the one that waits.
    pub alarm: T,
    /// The line.
    pub line: String,
}

/// A message to one person.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Message<T> {
    /// One alarm.
    One(Item<T>),
    /// Several, critical first.
    Many(Vec<Item<T>>),
}

impl<T> Message<T> {
    /// How many alarms it tells of.
    #[must_use]
    pub fn count(&self) -> usize {
        match self {
            Self::One(_) => 1,
            Self::Many(items) => items.len(),
        }
    }

    /// The message in words.
    #[must_use]
    pub fn text(&self) -> String {
        match self {
            Self::One(item) => item.line.clone(),
            Self::Many(items) => {
                let critical = items.iter().filter(|item| item.class == Class::Critical);
                let mut text = format!("{} alarms, {} critical:", items.len(), critical.count());
                for item in items {
                    text.push('\n');
                    text.push_str(&item.line);
                }
                text
            }
        }
    }
}

/// What one person was told lately, and what waits for them.
#[derive(Debug, Clone)]
pub struct Flood<T> {
    sent_ms: VecDeque<i64>,
    grouped_ms: Option<i64>,
    waiting: Vec<Item<T>>,
}

impl<T> Default for Flood<T> {
    fn default() -> Self {
        Self {
            sent_ms: VecDeque::new(),
            grouped_ms: None,
            waiting: Vec::new(),
        }
    }
}

impl<T: PartialEq> Flood<T> {
    /// Takes an alarm for this person in; gives the message that goes now, if one does.
    pub fn offer(&mut self, item: Item<T>, now_ms: i64) -> Option<Message<T>> {
        self.forget(now_ms);
        if self.waiting.is_empty() && self.sent_ms.len() < MESSAGES_MAX {
            self.sent_ms.push_back(now_ms);
            return Some(Message::One(item));
        }
        match self
            .waiting
            .iter_mut()
            .find(|other| other.alarm == item.alarm)
        {
            Some(other) => *other = item,
            None => self.waiting.push(item),
        }
        self.flush(now_ms)
    }

    /// Whether something waits, or was sent so lately that it counts.
    #[must_use]
    pub fn is_live(&self) -> bool {
        !self.waiting.is_empty() || !self.sent_ms.is_empty()
    }

    /// When `flush` gives what waits, ms; `None` when nothing does.
    #[must_use]
    pub fn due_at(&self) -> Option<i64> {
        let critical = self
            .waiting
            .iter()
            .any(|item| item.class == Class::Critical);
        let gap = if critical {
            GROUP_CRITICAL_MS
        } else {
            GROUP_MS
        };
        self.waiting.first()?;
        Some(
            self.grouped_ms
                .map_or(i64::MIN, |last| last.saturating_add(gap)),
        )
    }

    /// Everything that waits as one message, when its time has come.
    pub fn flush(&mut self, now_ms: i64) -> Option<Message<T>> {
        if self.due_at()? > now_ms {
            return None;
        }
        let mut items = std::mem::take(&mut self.waiting);
        items.sort_by_key(|item| item.class);
        self.grouped_ms = Some(now_ms);
        self.sent_ms.push_back(now_ms);
        self.forget(now_ms);
        Some(Message::Many(items))
    }

    fn forget(&mut self, now_ms: i64) {
        let begin = now_ms.saturating_sub(WINDOW_MS);
        while self.sent_ms.front().is_some_and(|sent| *sent <= begin)
            || self.sent_ms.len() > MESSAGES_MAX
        {
            self.sent_ms.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn item(alarm: u32, class: Class) -> Item<u32> {
        Item {
            class,
            alarm,
            line: format!("{class} {alarm}"),
        }
    }

    // Source: RELIABILITY 4.3: more than 10 in 10 min become one message with count.
    #[test]
    fn the_eleventh_begins_a_flood_and_criticals_come_first() {
        let mut flood = Flood::default();
        for alarm in 0..10 {
            let message = flood.offer(item(alarm, Class::High), 0).unwrap();
            assert_eq!(message, Message::One(item(alarm, Class::High)));
        }
        assert_eq!(
            flood.offer(item(10, Class::High), 1_000).unwrap().count(),
            1
        );
        assert_eq!(flood.offer(item(11, Class::High), 2_000), None);
        assert_eq!(flood.offer(item(12, Class::Critical), 3_000), None);
        assert_eq!(
            flood.due_at(),
            Some(11_000),
            "a critical one waits 10 s at most"
        );
        assert_eq!(flood.flush(10_999), None);
        let message = flood.flush(11_000).unwrap();
        assert_eq!(
            message.text(),
            "2 alarms, 1 critical:\ncritical 12\nhigh 11"
        );
        assert_eq!(flood.due_at(), None);
    }

    #[test]
    fn news_of_an_alarm_that_waits_takes_its_place() {
        let mut flood = Flood::default();
        for alarm in 0..12 {
            flood.offer(item(alarm, Class::High), 0);
        }
        let mut worse = item(11, Class::High);
        worse.line = "worse".to_owned();
        assert_eq!(flood.offer(worse.clone(), 1), None);
        assert_eq!(flood.flush(GROUP_MS), Some(Message::Many(vec![worse])));
    }

    #[test]
    fn after_a_quiet_window_each_alarm_has_its_own_message_again() {
        let mut flood = Flood::default();
        for alarm in 0..11 {
            flood.offer(item(alarm, Class::High), 0);
        }
        let message = flood.offer(item(20, Class::High), WINDOW_MS).unwrap();
        assert_eq!(message, Message::One(item(20, Class::High)));
    }

    proptest! {
        #[test]
        fn nothing_is_dropped_and_nobody_gets_more_than_the_limits_allow(
            offers in prop::collection::vec((0_i64..20_000, any::<bool>()), 1..200),
        ) {
            let mut flood = Flood::default();
            let (mut now_ms, mut told, mut messages) = (0, Vec::new(), Vec::new());
            for (alarm, (gap, critical)) in (0..).zip(&offers) {
                now_ms += gap;
                let class = if *critical { Class::Critical } else { Class::High };
                let offered = flood.offer(item(alarm, class), now_ms);
                let flushed = flood.flush(now_ms);
                for message in offered.into_iter().chain(flushed) {
                    messages.push(now_ms);
                    match message {
                        Message::One(item) => told.push(item.alarm),
                        Message::Many(items) => {
                            prop_assert!(items.is_sorted_by_key(|item| item.class));
                            told.extend(items.iter().map(|item| item.alarm));
                        }
                    }
                }
            }
            told.extend(flood.flush(now_ms + GROUP_MS).into_iter().flat_map(|message| match message {
                Message::One(item) => vec![item.alarm],
                Message::Many(items) => items.iter().map(|item| item.alarm).collect(),
            }));
            told.sort_unstable();
            let all: Vec<u32> = (0..u32::try_from(offers.len()).unwrap()).collect();
            prop_assert_eq!(told, all);
            // Ten single ones and then one each 10 s.
            for (index, at_ms) in messages.iter().enumerate() {
                let within = messages[index..].iter().filter(|other| **other < at_ms + WINDOW_MS);
                prop_assert!(within.count() <= MESSAGES_MAX + 61);
            }
        }
    }
}
