//! Contact: a device that charges and falls silent is an alarm.

use serde::{Deserialize, Serialize};

use super::condition::{Condition, Edge};
use super::kind::Kind;

/// Least silence that is one, ms. Source: ARCHITECTURE 12, DOMAIN 1.2 ("alert at 60 s").
const SILENCE_MIN_MS: i64 = 60_000;
/// Silence in intervals. Source: ARCHITECTURE 12.
const INTERVALS: i64 = 3;
/// Current above which a charge is under way, mA. Source: RELIABILITY 4.2.
const CHARGING_MA: i32 = 100;
/// Longest interval that is believed, ms; a wrong one must not silence the alarm. Our choice.
const INTERVAL_MAX_MS: i64 = 10 * 60_000;

/// What is remembered of a device to notice its silence.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Contact {
    heard_ms: Option<i64>,
    interval_ms: i64,
    charging: bool,
    lost: bool,
}

impl Contact {
    /// Notes a sample that arrived.
    ///
    /// `at_ms`: when it arrived, on the server's clock; a backlog counts as of its newest sample.
    /// `interval_ms`: usual time between samples; `current_ma`: `None` when not measured, then the
    /// last one stands. Gives the return when contact had been lost.
    pub fn note(
        &mut self,
        at_ms: i64,
        interval_ms: i64,
        current_ma: Option<i32>,
    ) -> Option<Condition> {
        if self.heard_ms.is_some_and(|heard| at_ms < heard) {
            return None;
        }
        self.heard_ms = Some(at_ms);
        self.interval_ms = interval_ms.clamp(0, INTERVAL_MAX_MS);
        if let Some(current) = current_ma {
            self.charging = current > CHARGING_MA;
        }
        self.found(at_ms)
    }

    /// Notes that the device said goodbye: its session ended, silence is expected.
    pub fn end(&mut self, at_ms: i64) -> Option<Condition> {
        self.charging = false;
        self.found(at_ms)
    }

    /// Takes up after a restart: contact is lost until a sample comes.
    pub fn resume(&mut self) {
        self.lost = true;
    }

    fn found(&mut self, at_ms: i64) -> Option<Condition> {
        let lost = std::mem::take(&mut self.lost);
        lost.then(|| Condition::new(Kind::ContactLost, Edge::Off, None, at_ms))
    }

    /// When silence becomes an alarm, ms; `None` when it never will or already has.
    #[must_use]
    pub fn due_at(&self) -> Option<i64> {
        let heard = self.heard_ms.filter(|_| self.charging && !self.lost)?;
        Some(heard.saturating_add(SILENCE_MIN_MS.max(INTERVALS * self.interval_ms)))
    }

    /// The alarm, once, when it is due at `now_ms`; its value is the silence in seconds.
    pub fn due(&mut self, now_ms: i64) -> Option<Condition> {
        let due = self.due_at()?;
        if now_ms < due {
            return None;
        }
        self.lost = true;
        let silent_s = now_ms.saturating_sub(self.heard_ms.unwrap_or(now_ms)) / 1000;
        Some(Condition::new(
            Kind::ContactLost,
            Edge::On,
            Some(silent_s),
            now_ms,
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn charging(interval_ms: i64) -> Contact {
        let mut contact = Contact::default();
        assert_eq!(contact.note(1_000, interval_ms, Some(2_000)), None);
        contact
    }

    // Source: ARCHITECTURE 12: contact lost after max(3 intervals, 60 s).
    #[test]
    fn silence_is_due_after_three_intervals_and_a_minute_at_least() {
        assert_eq!(charging(5_000).due_at(), Some(61_000));
        assert_eq!(charging(60_000).due_at(), Some(181_000));
        let mut contact = charging(5_000);
        assert_eq!(contact.due(60_999), None);
        let lost = contact.due(61_000).unwrap();
        assert_eq!((lost.kind, lost.edge), (Kind::ContactLost, Edge::On));
        assert_eq!(lost.value, Some(60));
        assert_eq!(contact.due(62_000), None, "told once");
        let back = contact.note(70_000, 5_000, Some(2_000)).unwrap();
        assert_eq!(back.edge, Edge::Off);
        assert_eq!(contact.due_at(), Some(130_000));
    }

    #[test]
    fn a_loss_from_before_a_restart_ends_with_the_first_sample() {
        let mut contact = Contact::default();
        contact.resume();
        assert_eq!(contact.due(i64::MAX), None);
        assert_eq!(contact.note(5, 5_000, None).unwrap().edge, Edge::Off);
    }

    #[test]
    fn a_device_that_charges_nothing_may_be_silent() {
        let mut contact = charging(5_000);
        contact.note(2_000, 5_000, Some(100));
        assert_eq!(contact.due_at(), None);
        contact.note(3_000, 5_000, Some(101));
        contact.note(4_000, 5_000, None);
        assert_eq!(
            contact.due_at(),
            Some(64_000),
            "an unmeasured current changes nothing"
        );
        contact.end(5_000);
        assert_eq!(contact.due_at(), None);
    }

    #[test]
    fn a_late_batch_and_a_wrong_interval_do_not_hide_silence() {
        let mut contact = charging(i64::MAX);
        assert_eq!(contact.due_at(), Some(1_000 + 3 * 600_000));
        contact.note(500, 5_000, Some(0));
        assert_eq!(contact.due_at(), Some(1_000 + 3 * 600_000));
        contact.note(2_000, -5, None);
        assert_eq!(contact.due_at(), Some(62_000));
    }
}
