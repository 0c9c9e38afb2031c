//! The sessions of a run as they stand in the store, and how far each was taken.

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use crate::record::ranges::Ranges;
use crate::record::run::{AROUND_H, BEFORE_MS, Cast, Member, Place, Run, Voice};
use crate::record::sample::Samples;
use crate::store::receipts::{self, BootKey};
use crate::store::segments;
use crate::store::sessions::{self, Session};
use crate::store::{Error, Tx};

/// How long one device is waited for while others go on, ms of the run and ms of arrival.
pub(super) const WAIT_MS: i64 = 120_000;

/// The run that a session leads or rides along with, and its sessions.
pub(super) struct Found {
    pub(super) cast: Cast,
    pub(super) sessions: Vec<Session>,
}

/// Finds the run of a session among the sessions of its bench.
pub(super) async fn find(tx: &mut Tx, own: Session) -> Result<Found, Error> {
    let group = tx.group();
    let around = TimeDelta::hours(AROUND_H);
    let window = (own.start_at - around, own.end_at + around);
    let mut on_bench = match own.bench_id {
        Some(bench) => sessions::on_bench(tx, group, bench, window).await?,
        None => Vec::new(),
    };
    let id = own.session_id;
    if !on_bench.iter().any(|session| session.session_id == id) {
        on_bench.push(own);
    }
    let places: Vec<Place> = on_bench.iter().map(Session::place).collect();
    let cast = Cast::of(id, &places).ok_or_else(|| Error::corrupt("session", "session_id", id))?;
    let members: Vec<Uuid> = std::iter::once(&cast.lead)
        .chain(&cast.others)
        .map(|member| member.place.session)
        .collect();
    on_bench.retain(|session| members.contains(&session.session_id));
    Ok(Found {
        cast,
        sessions: on_bench,
    })
}

impl Found {
    /// Members of the run, the leader first.
    pub(super) fn members(&self) -> impl Iterator<Item = &Member> {
        std::iter::once(&self.cast.lead).chain(&self.cast.others)
    }

    /// The session of a member.
    pub(super) fn session(&self, member: &Member) -> Option<&Session> {
        let id = member.place.session;
        self.sessions
            .iter()
            .find(|session| session.session_id == id)
    }

    /// The run with every sample.
    pub(super) async fn load(&self, tx: &mut Tx) -> Result<Run, Error> {
        let lead = self.voice(tx, &self.cast.lead).await?;
        let mut others = Vec::with_capacity(self.cast.others.len());
        for member in &self.cast.others {
            others.push(self.voice(tx, member).await?);
        }
        Ok(Run {
            lead,
            others,
            from_ms: self.cast.from_ms.max(-BEFORE_MS),
            until_ms: self.cast.until_ms,
        })
    }

    async fn voice(&self, tx: &mut Tx, member: &Member) -> Result<Voice, Error> {
        let session = self.session(member);
        let id = member.place.session;
        let session = session.ok_or_else(|| Error::corrupt("session", "session_id", id))?;
        let bounds = (session.span.first_seq, session.span.last_seq);
        Ok(Voice {
            member: *member,
            pieces: read(tx, session.key, bounds).await?,
        })
    }
}

/// Samples of one boot between two numbers, runs of consecutive numbers, ascending.
pub(super) async fn read(
    tx: &mut Tx,
    key: BootKey,
    (from, to): (i64, i64),
) -> Result<Vec<Samples>, Error> {
    let group = tx.group();
    let mut runs: Vec<Samples> = Vec::new();
    for segment in segments::overlapping(tx, group, key, (from, to)).await? {
        let part = segment.samples.slice(from, to);
        match runs.last_mut() {
            Some(run) if run.last_seq() + 1 == part.first_seq => run.append(&part),
            _ => runs.push(part),
        }
    }
    runs.retain(|run| !run.is_empty());
    Ok(runs)
}

/// How far one device of a run was taken.
#[derive(Debug, Clone, Copy)]
pub(super) struct Taken {
    /// Session.
    pub(super) session: Uuid,
    /// Which boot.
    pub(super) key: BootKey,
    /// Offset to the time of the run, ms; kept while it moves little.
    pub(super) offset_ms: i64,
    /// First number of the session when it was first taken.
    pub(super) first_seq: i64,
    /// Next number to take.
    pub(super) next_seq: i64,
    /// Numbers taken.
    pub(super) count: i64,
}

impl Taken {
    pub(super) fn nothing(member: &Member, session: &Session) -> Self {
        Self {
            session: session.session_id,
            key: session.key,
            offset_ms: member.offset_ms,
            first_seq: session.span.first_seq,
            next_seq: session.span.first_seq,
            count: 0,
        }
    }

    /// Whether numbers came that lie before those that were taken.
    pub(super) fn late(&self, held: &Ranges, first_seq: i64) -> bool {
        self.count > 0
            && (first_seq != self.first_seq
                || held.count_in(self.first_seq, self.next_seq - 1) != self.count)
    }

    /// Takes the samples up to a moment of the run.
    pub(super) fn take(&mut self, pieces: &[Samples], horizon_ms: i64) {
        for piece in pieces {
            let upto = horizon_ms.saturating_sub(self.offset_ms);
            let taken = piece.time_ms.partition_point(|time| *time <= upto);
            let taken = i64::try_from(taken).unwrap_or(i64::MAX);
            if taken > 0 {
                self.count += taken;
                self.next_seq = piece.first_seq + taken;
            }
        }
    }
}

/// Numbers held of the boot of a session.
pub(super) async fn held(tx: &mut Tx, key: BootKey) -> Result<Ranges, Error> {
    let group = tx.group();
    let found = receipts::find(tx, group, key).await?;
    Ok(found.map(|found| found.held).unwrap_or_default())
}

/// One device as the horizon sees it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Waited {
    /// Time of its newest sample, ms of the run.
    pub(super) newest_ms: i64,
    /// More may come.
    pub(super) open: bool,
    /// Arrival of its newest sample.
    pub(super) received_at: DateTime<Utc>,
}

/// Up to which moment of the run everything may be taken: no further than the device that is
/// behind, which is waited for at most two minutes, by its own time and by arrival.
pub(super) fn horizon(voices: &[Waited], now: DateTime<Utc>) -> i64 {
    let newest = voices.iter().map(|voice| voice.newest_ms).max();
    let newest = newest.unwrap_or(i64::MIN);
    let wait = TimeDelta::milliseconds(WAIT_MS);
    let behind = voices
        .iter()
        .filter(|voice| voice.open && now - voice.received_at <= wait)
        .map(|voice| voice.newest_ms)
        .min();
    behind.unwrap_or(newest).max(newest.saturating_sub(WAIT_MS))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waited(newest_ms: i64, open: bool, silent_s: i64) -> Waited {
        Waited {
            newest_ms,
            open,
            received_at: DateTime::from_timestamp(1_790_000_000 - silent_s, 0).unwrap(),
        }
    }

    #[test]
    fn the_slowest_is_waited_for_two_minutes_and_no_longer() {
        let now = DateTime::from_timestamp(1_790_000_000, 0).unwrap();
        let at = |voices: &[Waited]| horizon(voices, now);
        assert_eq!(at(&[waited(600_000, true, 0)]), 600_000);
        let meter = |newest, open, silent| [waited(600_000, true, 0), waited(newest, open, silent)];
        assert_eq!(at(&meter(540_000, true, 60)), 540_000);
        assert_eq!(at(&meter(100_000, true, 60)), 480_000);
        assert_eq!(at(&meter(540_000, true, 121)), 600_000, "silent by arrival");
        assert_eq!(at(&meter(540_000, false, 0)), 600_000, "closed");
        assert_eq!(
            at(&meter(700_000, true, 0)),
            600_000,
            "the leader is behind"
        );
    }

    #[test]
    fn a_hole_that_is_filled_later_and_a_moved_start_are_late() {
        let mut taken = Taken {
            session: Uuid::nil(),
            key: BootKey {
                device: Uuid::nil(),
                boot: 1,
            },
            offset_ms: -1_000,
            first_seq: 1,
            next_seq: 1,
            count: 0,
        };
        let piece = |first: i64, times: Vec<i64>| Samples {
            first_seq: first,
            time_ms: times,
            ..Samples::default()
        };
        let pieces = [piece(1, vec![1_000, 2_000]), piece(5, vec![5_000, 6_000])];
        taken.take(&pieces, 4_500);
        assert_eq!((taken.count, taken.next_seq), (3, 6));
        let held = Ranges::from_pairs([(1, 2), (5, 6)]);
        assert!(!taken.late(&held, 1));
        assert!(taken.late(&Ranges::from_pairs([(1, 3), (5, 6)]), 1));
        assert!(taken.late(&held, 0));
    }
}
