//! Sessions as a pure function of what is held: order of arrival never matters for their bounds.
//!
//! A new session begins after an end the device reported, after a silence that no missing sample
//! can explain, or at the length limit. Sessions never span boots.

use super::ranges::Range;
use super::sample::Samples;
use super::words::{DeviceKind, vocabulary};

vocabulary! {
    /// Why a session closed.
    CloseReason {
        /// The device reported the end.
        SessionEnd = "session_end",
        /// Nothing came for longer than the limit of its kind.
        Silence = "silence",
        /// It reached the length limit.
        LengthLimit = "length_limit",
        /// A later session of the same boot exists.
        NextSession = "next_session",
    }
}

vocabulary! {
    /// What the estimated time of a session is worth.
    ClockQuality {
        /// The device's clock agrees with arrivals within 2 s, or was declared set.
        Synced = "synced",
        /// Off by at most a day; arrival times were used.
        Corrected = "corrected",
        /// Off by more; only durations hold.
        Unsynced = "unsynced",
        /// The clock moved against device time inside the boot.
        Jumped = "jumped",
        /// The device claims no clock; arrival times were used.
        None = "none",
    }
}

/// When silence and length end a session, in milliseconds of device time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SessionLimits {
    /// Silence that ends it.
    pub silence_ms: i64,
    /// Longest session.
    pub length_ms: i64,
}

impl SessionLimits {
    /// Limits by kind of device: 30 min of silence for a charger, 6 h for a meter or sensor, 96 h
    /// in all. Source: our own choice, ARCHITECTURE of the project, "times".
    #[must_use]
    pub fn of(kind: DeviceKind) -> Self {
        let silence_min = match kind {
            DeviceKind::Charger => 30,
            DeviceKind::Meter | DeviceKind::Sensor => 6 * 60,
        };
        Self {
            silence_ms: silence_min * 60_000,
            length_ms: 96 * 3_600_000,
        }
    }
}

/// A stored run of samples, without its values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// First sequence number.
    pub first_seq: i64,
    /// Last sequence number.
    pub last_seq: i64,
    /// Device time of the first sample, ms.
    pub first_ms: i64,
    /// Device time of the last sample, ms.
    pub last_ms: i64,
}

impl Span {
    /// The span of some samples.
    #[must_use]
    pub fn of(samples: &Samples) -> Self {
        Self {
            first_seq: samples.first_seq,
            last_seq: samples.last_seq(),
            first_ms: samples.first_ms(),
            last_ms: samples.last_ms(),
        }
    }

    /// Why `next` cannot belong to the session that `self` covers so far; `None` when it does.
    #[must_use]
    pub fn breaks_before(&self, next: &Self, limits: SessionLimits) -> Option<CloseReason> {
        let contiguous = next.first_seq == self.last_seq + 1;
        if contiguous && next.first_ms - self.last_ms > limits.silence_ms {
            Some(CloseReason::Silence)
        } else if next.last_ms - self.first_ms > limits.length_ms {
            Some(CloseReason::LengthLimit)
        } else {
            None
        }
    }
}

/// Bounds of one session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    /// What it covers.
    pub span: Span,
    /// Why the next one is separate, or that the device ended it; `None` while more may come.
    pub closed_by: Option<CloseReason>,
}

/// Cuts the spans of one boot into sessions.
///
/// `spans` ascend and are disjoint; `ends` are the numbers after which the device reported an end,
/// ascending. No span may cross an end or an inner silence: `cut_points` sees to that.
#[must_use]
pub fn partition(spans: &[Span], ends: &[i64], limits: SessionLimits) -> Vec<Bounds> {
    let mut sessions: Vec<Bounds> = Vec::new();
    for span in spans {
        let Some(open) = sessions.last_mut().filter(|open| open.closed_by.is_none()) else {
            sessions.push(Bounds {
                span: *span,
                closed_by: None,
            });
            continue;
        };
        let ended = ends
            .iter()
            .any(|end| (open.span.last_seq..span.first_seq).contains(end));
        let reason = if ended {
            Some(CloseReason::SessionEnd)
        } else {
            open.span.breaks_before(span, limits)
        };
        if let Some(reason) = reason {
            open.closed_by = Some(reason);
            sessions.push(Bounds {
                span: *span,
                closed_by: None,
            });
        } else {
            open.span.last_seq = span.last_seq;
            open.span.last_ms = open.span.last_ms.max(span.last_ms);
        }
    }
    if let Some(open) = sessions.last_mut()
        && ends.iter().any(|end| *end >= open.span.last_seq)
    {
        open.closed_by = Some(CloseReason::SessionEnd);
    }
    sessions
}

/// Parts of a batch that must be stored apart: cut after reported ends and at inner silences.
#[must_use]
pub fn cut_points(samples: &Samples, ends: &[i64], limits: SessionLimits) -> Vec<Range> {
    let mut parts = Vec::new();
    let mut from = samples.first_seq;
    let pairs = samples.time_ms.iter().zip(samples.time_ms.iter().skip(1));
    for (seq, (now, next)) in (samples.first_seq..).zip(pairs) {
        if next - now > limits.silence_ms || ends.contains(&seq) {
            parts.push((from, seq));
            from = seq + 1;
        }
    }
    parts.push((from, samples.last_seq()));
    parts
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const LIMITS: SessionLimits = SessionLimits {
        silence_ms: 1_800_000,
        length_ms: 345_600_000,
    };

    fn span(first_seq: i64, last_seq: i64, first_min: i64, last_min: i64) -> Span {
        Span {
            first_seq,
            last_seq,
            first_ms: first_min * 60_000,
            last_ms: last_min * 60_000,
        }
    }

    #[test]
    fn a_silence_between_consecutive_numbers_parts_two_sessions() {
        let parts = partition(&[span(1, 60, 0, 1), span(61, 120, 40, 41)], &[], LIMITS);
        assert_eq!(parts.len(), 2);
        assert_eq!(parts[0].closed_by, Some(CloseReason::Silence));
        assert_eq!(parts[1].closed_by, None);
    }

    #[test]
    fn missing_numbers_may_still_bridge_a_silence() {
        let parts = partition(&[span(1, 60, 0, 1), span(180, 240, 40, 41)], &[], LIMITS);
        assert_eq!(parts.len(), 1);
        assert_eq!((parts[0].span.first_seq, parts[0].span.last_seq), (1, 240));
    }

    #[test]
    fn a_reported_end_closes_and_the_next_sample_opens_anew() {
        let spans = [span(1, 60, 0, 1), span(61, 120, 2, 3)];
        let parts = partition(&spans, &[60], LIMITS);
        assert_eq!(parts.len(), 2);
        assert_eq!(parts[0].closed_by, Some(CloseReason::SessionEnd));
        let parts = partition(&spans, &[120], LIMITS);
        assert_eq!(
            (parts.len(), parts[0].closed_by),
            (1, Some(CloseReason::SessionEnd))
        );
    }

    #[test]
    fn a_session_ends_at_96_hours() {
        let parts = partition(
            &[span(1, 60, 0, 1), span(61, 70, 96 * 60, 96 * 60 + 1)],
            &[],
            LIMITS,
        );
        assert_eq!(parts.len(), 2);
    }

    proptest! {
        /// Whatever the order and repetition of arrival, the held spans are the same, and so are
        /// the sessions; here: splitting a span at any point changes nothing.
        #[test]
        fn cutting_a_stored_run_in_two_changes_no_session(at in 1i64..59, gap_min in 0i64..90) {
            let whole = [span(1, 60, 0, 59), span(61, 120, 59 + gap_min, 120 + gap_min)];
            let cut = [
                Span { last_seq: at, last_ms: (at - 1) * 60_000, ..whole[0] },
                Span { first_seq: at + 1, first_ms: at * 60_000, ..whole[0] },
                whole[1],
            ];
            prop_assert_eq!(partition(&whole, &[], LIMITS), partition(&cut, &[], LIMITS));
        }
    }
}
