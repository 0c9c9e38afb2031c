//! What people read: one line and one message per alarm, and the same as data.

use serde::{Deserialize, Serialize};

use super::kind::{Class, Kind};
use super::state::{Alarm, State};

/// What every alarm and page says. Source: RELIABILITY 4.1.
pub const STANDING: &str = "restvolt watches and reports. It does not protect. It must never be the \
     only thing between a fault and a person: the charger's own over-temperature, over-voltage, \
     reverse-polarity and time cut-outs, the fuse, the ventilation and the person's own checks must \
     be enough with this service switched off. An alarm may come late or not at all (power, \
     network, phone). No alarm does not mean that nothing is wrong.";
/// The same where there is room for one line.
pub const STANDING_SHORT: &str =
    "restvolt watches and reports; it does not protect. Alarms may come late or not at all.";

/// Age from which a message says how late it is, ms; our choice.
const LATE_MS: i64 = 60_000;

/// Names of where an alarm happens, as people know them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place<'a> {
    /// The shop.
    pub shop: &'a str,
    /// The bench.
    pub bench: &'a str,
    /// The device.
    pub device: &'a str,
}

/// One alarm as it is sent; the fields are the contract of the webhook and the topic.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Notice {
    /// What it is about.
    pub kind: Kind,
    /// How urgent it is.
    pub class: Class,
    /// Where it stands.
    pub state: State,
    /// Which change of it this is.
    pub revision: u32,
    /// The shop's name.
    pub shop: String,
    /// The bench's name.
    pub bench: String,
    /// The device's name.
    pub device: String,
    /// Worst value in words with its unit; empty when the kind has none.
    pub value: String,
    /// When that was measured, ms since 1970.
    pub at_ms: i64,
    /// How much older than this message that is, s.
    pub late_s: i64,
    /// Everything in one line.
    pub line: String,
    /// What a person should do.
    pub what_to_do: String,
    /// What this service is not.
    pub standing: String,
}

impl Notice {
    /// Writes an alarm up for people, as of `now_ms`.
    #[must_use]
    pub fn new(alarm: &Alarm, place: Place<'_>, now_ms: i64) -> Self {
        let kind = alarm.kind;
        let value = alarm.worst.map(|worst| kind.unit().show(worst));
        let value = value.unwrap_or_default();
        let seen_ms = alarm.returned_at_ms.unwrap_or(alarm.last_on_ms);
        let late_ms = now_ms.saturating_sub(seen_ms).max(0);
        Self {
            kind,
            class: kind.class(),
            state: alarm.state,
            revision: alarm.revision,
            shop: place.shop.to_owned(),
            bench: place.bench.to_owned(),
            device: place.device.to_owned(),
            line: line(alarm, place, &value, late_ms),
            value,
            at_ms: alarm.worst_at_ms,
            late_s: late_ms / 1000,
            what_to_do: kind.what_to_do().to_owned(),
            standing: STANDING.to_owned(),
        }
    }

    /// The whole message as plain text.
    #[must_use]
    pub fn message(&self) -> String {
        format!(
            "{}\n\n{}\n\n{}\n",
            self.line, self.what_to_do, self.standing
        )
    }
}

fn line(alarm: &Alarm, place: Place<'_>, value: &str, late_ms: i64) -> String {
    let mut text = alarm.kind.class().as_str().to_uppercase();
    text.push_str(": ");
    text.push_str(alarm.kind.name());
    if !value.is_empty() {
        text.push(' ');
        text.push_str(value);
    }
    for part in [place.shop, place.bench, place.device] {
        if !part.is_empty() {
            text.push_str(", ");
            text.push_str(part);
        }
    }
    text.push_str(match alarm.state {
        State::ActiveUnacknowledged | State::ActiveAcknowledged => "",
        State::LatchedAcknowledged | State::LatchedUnacknowledged => {
            "; returned, held until a person acknowledges it"
        }
        State::ReturnedUnacknowledged => "; returned",
        State::Normal => "; closed",
    });
    if let Some(seen) = &alarm.acknowledged {
        text.push_str("; acknowledged by ");
        text.push_str(&seen.by);
    }
    if late_ms >= LATE_MS {
        text.push_str("; late by ");
        text.push_str(&span(late_ms / 1000));
    }
    text
}

/// A span for a person: whole seconds below two minutes, minutes below two hours, then hours.
#[must_use]
pub fn span(seconds: i64) -> String {
    match seconds.unsigned_abs() {
        s if s < 120 => format!("{seconds} s"),
        s if s < 7_200 => format!("{} min", seconds / 60),
        _ => format!("{} h", seconds / 3_600),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::condition::{Condition, Edge};

    const PLACE: Place<'_> = Place {
        shop: "Kelder",
        bench: "bench 3",
        device: "charger 7",
    };

    fn alarm() -> Alarm {
        let on = Condition::new(Kind::OverTemperature, Edge::On, Some(5_234), 1_000_000);
        Alarm::raise(&on).unwrap()
    }

    #[test]
    fn a_line_says_class_kind_value_and_place() {
        let notice = Notice::new(&alarm(), PLACE, 1_001_000);
        let expected = "CRITICAL: case over-temperature 52.3 degC, Kelder, bench 3, charger 7";
        assert_eq!(notice.line, expected);
        assert_eq!(notice.late_s, 1);
    }

    #[test]
    fn an_old_sample_says_how_late_it_is() {
        let notice = Notice::new(&alarm(), PLACE, 1_000_000 + 200_000);
        assert!(notice.line.ends_with("; late by 3 min"), "{}", notice.line);
        assert_eq!(notice.late_s, 200);
        let ahead = Notice::new(&alarm(), PLACE, 0);
        assert_eq!(ahead.late_s, 0);
    }

    // Source: RELIABILITY 4.1; the word that promises is left out.
    #[test]
    fn every_message_says_what_the_service_is_not_and_promises_nothing() {
        let message = Notice::new(&alarm(), PLACE, 1_000_000).message();
        assert!(message.contains("does not protect") && message.contains("may come late"));
        assert!(message.contains("switched off") && message.contains("Switch the charger off"));
        for text in [message.as_str(), STANDING_SHORT] {
            assert!(!text.to_lowercase().contains("safe"), "{text}");
        }
    }

    #[test]
    fn the_notice_as_json_reads_back_the_same() {
        let mut alarm = alarm();
        alarm.acknowledge("M. Kelder", 1_100_000).unwrap();
        let notice = Notice::new(&alarm, PLACE, 1_100_000);
        let json = serde_json::to_string(&notice).unwrap();
        assert!(
            json.contains(r#""kind":"over_temperature","class":"critical""#),
            "{json}"
        );
        assert!(json.contains("acknowledged by M. Kelder"), "{json}");
        assert_eq!(serde_json::from_str::<Notice>(&json).unwrap(), notice);
    }

    #[test]
    fn spans_are_rounded_down_to_what_a_person_needs() {
        for (seconds, text) in [(59, "59 s"), (119, "119 s"), (120, "2 min"), (7_200, "2 h")] {
            assert_eq!(span(seconds), text);
        }
    }
}
