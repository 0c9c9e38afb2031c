//! A run as it goes: what came since the last look, from a place that a text names.
//!
//! Reads the store only, so that any process can serve it. Samples are thinned to one a second and
//! device; what comes late is not sent again, the revision of the run tells.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{FIX, MAY_READ, RunReport, StoredFinding, report_of};
use crate::query::{Caller, Error, runs, sessions};
use crate::record::sample::{Channel, MISSING, Samples};
use crate::record::words::{DeviceKind, Scope};
use crate::reject::Code;
use crate::store::{Store, claims};

/// Sequence numbers of one device that a look reads at most: bounds memory.
const PART: i64 = 3_600;
/// Least time between two samples of a device, ms.
const THIN_MS: i64 = 1_000;

/// One instant for a person's screen.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// Time of the run, ms.
    pub time_ms: i64,
    /// V.
    pub voltage_v: Option<f64>,
    /// A into the battery.
    pub current_a: Option<f64>,
    /// degC.
    pub case_c: Option<f64>,
    /// degC.
    pub ambient_c: Option<f64>,
}

/// New samples of one device.
#[derive(Debug, Clone, PartialEq)]
pub struct Points {
    /// Session.
    pub session: Uuid,
    /// What the device is.
    pub kind: DeviceKind,
    /// Ascending.
    pub points: Vec<Point>,
}

/// What came since the last look.
#[derive(Debug, Clone, PartialEq)]
pub struct News {
    /// Samples by device.
    pub samples: Vec<Points>,
    /// The report, when its state changed.
    pub report: Option<RunReport>,
    /// Findings that are new or changed.
    pub findings: Vec<StoredFinding>,
    /// There is more to read at once.
    pub more: bool,
    /// The whole run is summed up: nothing will come.
    pub over: bool,
}

impl News {
    /// Whether there is nothing to tell.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty() && self.report.is_none() && self.findings.is_empty()
    }
}

/// How far one device was read.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Read {
    next_seq: i64,
    sent_ms: Option<i64>,
}

/// A place in a run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tail {
    read: BTreeMap<Uuid, Read>,
    /// Newest state or finding that was told, us since 1970.
    told_us: i64,
    told_final: bool,
}

impl Tail {
    /// Goes on at the place a text names; an empty one is the first sample.
    ///
    /// # Errors
    /// `FIELD_INVALID` for a text that is no such place.
    pub fn resume(token: &str) -> Result<Self, Error> {
        if token.is_empty() {
            return Ok(Self::default());
        }
        let mut parts = token.split(',');
        let told = parts
            .next()
            .and_then(|text| i64::from_str_radix(text, 16).ok());
        let mut tail = Self {
            told_us: told.ok_or_else(bad_token)?,
            ..Self::default()
        };
        for part in parts {
            let (id, seq) = part.split_once('-').ok_or_else(bad_token)?;
            let id = Uuid::try_parse(id).map_err(|_| bad_token())?;
            let next_seq = i64::from_str_radix(seq, 16).map_err(|_| bad_token())?;
            let sent_ms = None;
            tail.read.insert(id, Read { next_seq, sent_ms });
            if tail.read.len() > 1_000 {
                return Err(bad_token());
            }
        }
        Ok(tail)
    }

    /// The text that names this place.
    #[must_use]
    pub fn token(&self) -> String {
        let mut text = format!("{:x}", self.told_us);
        for (id, read) in &self.read {
            let _ = write!(text, ",{}-{:x}", id.simple(), read.next_seq);
        }
        text
    }

    /// Reads what came since the last look.
    ///
    /// # Errors
    /// As `get_report`.
    pub async fn news(
        &mut self,
        store: &Store,
        caller: &Caller,
        session: Uuid,
    ) -> Result<News, Error> {
        caller.need(MAY_READ, "read reports", FIX)?;
        let (cast, found) = runs::cast(store, caller, session).await?;
        let report = report_of(store, caller, (&cast, &found)).await?;
        let mut news = News {
            samples: Vec::new(),
            report: None,
            findings: Vec::new(),
            more: false,
            over: false,
        };
        for member in std::iter::once(&cast.lead).chain(&cast.others) {
            let id = member.place.session;
            let Some(of) = found.iter().find(|one| one.session_id == id) else {
                continue;
            };
            let span = of.span;
            let read = self.read.entry(id).or_default();
            read.next_seq = read.next_seq.max(span.first_seq);
            let to = span.last_seq.min(read.next_seq.saturating_add(PART - 1));
            if to < read.next_seq {
                continue;
            }
            let part = (read.next_seq, to);
            let pieces = sessions::read_part(store, caller, of, part).await?;
            let inside =
                |at: &i64| *at >= cast.from_ms && cast.until_ms.is_none_or(|end| *at < end);
            let points = thinned(&pieces, (member.offset_ms, &inside), &mut read.sent_ms);
            read.next_seq = to + 1;
            news.more |= to < span.last_seq;
            if !points.is_empty() {
                news.samples.push(Points {
                    session: id,
                    kind: member.place.kind,
                    points,
                });
            }
        }
        self.told(report, &mut news);
        Ok(news)
    }

    /// Takes what changed of state and findings.
    fn told(&mut self, report: RunReport, news: &mut News) {
        let since = self.told_us;
        let micros = |at: DateTime<Utc>| at.timestamp_micros();
        let state_us = report.state.as_ref().map(|state| micros(state.updated_at));
        let changed = report.findings.iter();
        news.findings = changed
            .filter(|finding| micros(finding.updated_at) > since)
            .cloned()
            .collect();
        let newest = news.findings.iter().map(|one| micros(one.updated_at)).max();
        let newest = newest.max(state_us).unwrap_or(since);
        let closes = report.is_final() && !news.more;
        if state_us.is_some_and(|at| at > since) || (closes && !self.told_final) {
            news.report = Some(report);
        }
        news.over = closes;
        self.told_final |= closes;
        self.told_us = self.told_us.max(newest);
    }
}

/// At most one sample a second, on the time of the run.
fn thinned(
    pieces: &[Samples],
    (offset_ms, inside): (i64, &dyn Fn(&i64) -> bool),
    sent_ms: &mut Option<i64>,
) -> Vec<Point> {
    let mut points = Vec::new();
    for piece in pieces {
        let column = |channel: Channel, index: usize, scale: f64| {
            let value = piece.columns.get(channel).get(index).copied();
            value
                .filter(|value| *value != MISSING)
                .map(|value| f64::from(value) / scale)
        };
        for (index, time) in piece.time_ms.iter().enumerate() {
            let at = time + offset_ms;
            if !inside(&at) || sent_ms.is_some_and(|sent| at - sent < THIN_MS) {
                continue;
            }
            *sent_ms = Some(at);
            points.push(Point {
                time_ms: at,
                voltage_v: column(Channel::Voltage, index, 1000.0),
                current_a: column(Channel::Current, index, 1000.0),
                case_c: column(Channel::Case, index, 100.0),
                ambient_c: column(Channel::Ambient, index, 100.0),
            });
        }
    }
    points
}

fn bad_token() -> Error {
    Error::bad(
        Code::FieldInvalid,
        "resume_token",
        "this is no token of an update before",
    )
}

/// The charger's session that an attempt has claimed last; `None` before the claim.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub async fn session_of(
    store: &Store,
    caller: &Caller,
    attempt: Uuid,
) -> Result<Option<Uuid>, Error> {
    const READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
    caller.need(READ, "watch attempts", super::FIX)?;
    let mut tx = store.begin(caller.group).await?;
    let found = crate::store::attempts::find(&mut tx, caller.group, attempt).await?;
    if !found.is_some_and(|found| caller.sees_shop(Some(found.shop_id))) {
        return Err(Error::not_found("attempt", attempt));
    }
    let mut lead = None;
    for claim in claims::of_attempt(&mut tx, caller.group, attempt).await? {
        if claim.revoked_at.is_some() {
            continue;
        }
        let id = claim.session_id;
        let session = crate::store::sessions::find(&mut tx, caller.group, id).await?;
        let session = session.filter(|one| one.kind == DeviceKind::Charger);
        lead = session.map(|one| one.session_id).or(lead);
    }
    tx.rollback().await?;
    Ok(lead)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::sample::Columns;

    #[test]
    fn a_place_is_named_by_a_text_and_found_again() {
        let mut tail = Tail::resume("").unwrap();
        tail.told_us = 1_790_000_000_000_000;
        let read = Read {
            next_seq: 61,
            sent_ms: None,
        };
        tail.read.insert(Uuid::from_u128(7), read);
        assert_eq!(Tail::resume(&tail.token()).unwrap(), tail);
        for bad in ["x", "1,2", "1,zz-5", "1,00000000000000000000000000000007-"] {
            assert!(Tail::resume(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn ten_samples_a_second_become_one() {
        let piece = Samples {
            first_seq: 1,
            time_ms: (0..100).map(|n| 100 * n).collect(),
            columns: Columns {
                voltage_mv: (0..100).collect(),
                ..Columns::default()
            },
        };
        let mut sent = None;
        let points = thinned(std::slice::from_ref(&piece), (50, &|_| true), &mut sent);
        let times: Vec<i64> = points.iter().map(|point| point.time_ms).collect();
        assert_eq!(times, (0..10).map(|n| 1_000 * n + 50).collect::<Vec<_>>());
        assert_eq!(points[1].voltage_v, Some(0.01));
        assert_eq!(sent, Some(9_050));
        assert_eq!(thinned(&[piece], (50, &|_| true), &mut sent), []);
    }
}
