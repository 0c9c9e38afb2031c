//! A run: what one bench saw of one charge, each device by its own clock, all on one time.
//!
//! A charger's session leads. Sessions of meters and sensors of the same bench ride along for the time
//! they overlap it, before the next charge begins. Nothing is resampled: every sample keeps its
//! device's own time and gets an offset to the time of the run.

use uuid::Uuid;

use super::sample::{Channel, MISSING, Samples};
use super::words::DeviceKind;

/// How long before the charge a meter's words belong to it, ms: clamps go on first. Our choice.
pub const BEFORE_MS: i64 = 15 * 60_000;

/// How far around a session others of its bench are looked for, hours: the longest session there is.
pub const AROUND_H: i64 = 96;

/// When a session was, on the one estimated clock of the service, ms since 1970.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// Session.
    pub session: Uuid,
    /// Device.
    pub device: Uuid,
    /// What it is.
    pub kind: DeviceKind,
    /// Estimated time of its first sample.
    pub start_ms: i64,
    /// Estimated time of its last sample.
    pub end_ms: i64,
    /// Device time of its first sample, ms since boot.
    pub first_ms: i64,
}

/// A session's part in a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Member {
    /// The session.
    pub place: Place,
    /// What turns its device time into the time of the run, ms: run = device + offset.
    pub offset_ms: i64,
    /// How much of it lies in the run, ms.
    pub overlap_ms: i64,
}

/// Which sessions make a run, and from when to when, on the time of the run: 0 is the leader's first
/// sample.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Cast {
    /// The charger, or a session that stands alone; offset and overlap as of the others.
    pub lead: Member,
    /// Meters and sensors by start.
    pub others: Vec<Member>,
    /// From when samples of the others belong to it, ms; never above 0.
    pub from_ms: i64,
    /// Until when, ms; `None` = until they end.
    pub until_ms: Option<i64>,
}

impl Cast {
    /// The run of a session among the sessions of its bench, itself among them.
    ///
    /// A charger leads its own run. A meter or sensor belongs to the charge it overlaps longest; with
    /// none it stands alone. `None` when the session is not among them.
    #[must_use]
    pub fn of(session: Uuid, on_bench: &[Place]) -> Option<Self> {
        let own = *on_bench.iter().find(|place| place.session == session)?;
        let chargers = on_bench
            .iter()
            .filter(|place| place.kind == DeviceKind::Charger);
        let lead = if own.kind == DeviceKind::Charger {
            own
        } else {
            let longest = chargers
                .clone()
                .filter(|charger| overlap(charger, &own, None) > 0)
                .max_by_key(|charger| (overlap(charger, &own, None), charger.start_ms));
            longest.copied().unwrap_or(own)
        };
        let next = chargers
            .filter(|place| place.session != lead.session && place.start_ms > lead.end_ms)
            .map(|place| place.start_ms)
            .min();
        let member = |place: Place| Member {
            offset_ms: place.start_ms - lead.start_ms - place.first_ms,
            overlap_ms: overlap(&lead, &place, next),
            place,
        };
        let mut others: Vec<Member> = on_bench
            .iter()
            .filter(|place| place.kind != DeviceKind::Charger && place.session != lead.session)
            .filter(|place| lead.kind == DeviceKind::Charger && overlap(&lead, place, None) > 0)
            .map(|place| member(*place))
            .collect();
        others.sort_by_key(|other| (other.place.start_ms, other.place.session));
        Some(Self {
            lead: member(lead),
            others,
            from_ms: if lead.kind == DeviceKind::Charger {
                -BEFORE_MS
            } else {
                0
            },
            until_ms: next.map(|next| next - lead.start_ms),
        })
    }
}

/// Shared time of two sessions, ms, up to a moment; one more than the difference, so that a touch
/// counts.
fn overlap(lead: &Place, other: &Place, until_ms: Option<i64>) -> i64 {
    let end = lead
        .end_ms
        .min(other.end_ms)
        .min(until_ms.unwrap_or(i64::MAX));
    (end - lead.start_ms.max(other.start_ms) + 1).max(0)
}

/// A session of a run with its samples: pieces of consecutive numbers, ascending.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Voice {
    /// Its part.
    pub member: Member,
    /// Its samples.
    pub pieces: Vec<Samples>,
}

/// A run with its samples: what analysis sees.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Run {
    /// The charger.
    pub lead: Voice,
    /// Meters and sensors.
    pub others: Vec<Voice>,
    /// From when samples of the others belong to it, ms of the run.
    pub from_ms: i64,
    /// Until when, ms of the run.
    pub until_ms: Option<i64>,
}

impl Run {
    /// Measured values of one channel and one session, on the time of the run: (ms, wire unit),
    /// ascending. Holes are left out; so is what lies outside the run.
    pub fn points<'a>(
        &'a self,
        voice: &'a Voice,
        channel: Channel,
    ) -> impl Iterator<Item = (i64, i32)> + 'a {
        let offset = voice.member.offset_ms;
        let pieces = voice.pieces.iter();
        let all = pieces.flat_map(move |piece| {
            let values = piece.columns.get(channel).iter().copied();
            piece
                .time_ms
                .iter()
                .map(move |time| time + offset)
                .zip(values)
        });
        let inside =
            move |at: i64| self.from_ms <= at && self.until_ms.is_none_or(|until| at < until);
        all.filter(move |(at, value)| *value != MISSING && inside(*at))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::sample::Columns;

    fn place(n: u128, kind: DeviceKind, (start_ms, end_ms): (i64, i64)) -> Place {
        Place {
            session: Uuid::from_u128(n),
            device: Uuid::from_u128(100 + n),
            kind,
            start_ms,
            end_ms,
            first_ms: 7_000,
        }
    }

    const HOUR: i64 = 3_600_000;

    #[test]
    fn meters_and_sensors_join_the_charge_they_overlap() {
        let on_bench = [
            place(1, DeviceKind::Charger, (0, 8 * HOUR)),
            place(2, DeviceKind::Meter, (-HOUR, 20 * HOUR)),
            place(3, DeviceKind::Sensor, (HOUR, 7 * HOUR)),
            place(4, DeviceKind::Charger, (12 * HOUR, 14 * HOUR)),
            place(5, DeviceKind::Sensor, (30 * HOUR, 31 * HOUR)),
        ];
        let of = |n| Cast::of(Uuid::from_u128(n), &on_bench).unwrap();
        let first = of(1);
        let others: Vec<u128> = first
            .others
            .iter()
            .map(|other| other.place.session.as_u128())
            .collect();
        assert_eq!(others, [2, 3]);
        assert_eq!(first.others[0].offset_ms, -HOUR - 7_000);
        assert_eq!(first.others[0].overlap_ms, 8 * HOUR + 1);
        assert_eq!(
            (first.from_ms, first.until_ms),
            (-BEFORE_MS, Some(12 * HOUR))
        );
        assert_eq!(
            of(2),
            first,
            "the meter is in the charge it overlaps longest"
        );
        assert_eq!(of(3), first);
        assert_eq!(of(4).others.len(), 1);
        assert_eq!(of(4).until_ms, None);
        let alone = of(5);
        assert_eq!(
            (alone.lead.place.session.as_u128(), alone.others.len()),
            (5, 0)
        );
        assert_eq!(Cast::of(Uuid::from_u128(9), &on_bench), None);
    }

    #[test]
    fn every_device_is_heard_on_the_time_of_the_run_and_only_while_it_lasts() {
        let on_bench = [
            place(1, DeviceKind::Charger, (1_000_000, 1_010_000)),
            place(2, DeviceKind::Meter, (1_002_000, 1_006_000)),
            place(3, DeviceKind::Charger, (1_011_000, 1_012_000)),
        ];
        let cast = Cast::of(Uuid::from_u128(1), &on_bench).unwrap();
        let voice = |member: Member, times: Vec<i64>, values: Vec<i32>| Voice {
            member,
            pieces: vec![Samples {
                first_seq: 1,
                time_ms: times,
                columns: Columns {
                    voltage_mv: values,
                    ..Columns::default()
                },
            }],
        };
        let run = Run {
            lead: voice(cast.lead, vec![7_000, 17_000], vec![12_000, 12_100]),
            others: vec![voice(
                cast.others[0],
                vec![7_000, 8_000, 11_000, 17_000],
                vec![12_001, MISSING, 12_002, 12_003],
            )],
            from_ms: cast.from_ms,
            until_ms: cast.until_ms,
        };
        let points = |voice| run.points(voice, Channel::Voltage).collect::<Vec<_>>();
        assert_eq!(points(&run.lead), [(0, 12_000), (10_000, 12_100)]);
        assert_eq!(points(&run.others[0]), [(2_000, 12_001), (6_000, 12_002)]);
        assert_eq!(run.points(&run.lead, Channel::Case).count(), 0);
    }
}
