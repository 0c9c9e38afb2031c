//! Table `session`: ranges of sequence numbers that belong together.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use super::receipts::BootKey;
use crate::record::run::Place;
use crate::record::session::{CloseReason, Span};
use crate::record::words::{DeviceKind, vocabulary};

vocabulary! {
    /// Where a session stands.
    State { Open = "open", Closed = "closed", Absorbed = "absorbed" }
}

/// What intake knows of a session and writes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Draft {
    /// Id.
    pub id: Uuid,
    /// Which boot.
    pub key: BootKey,
    /// Number it opened with.
    pub opened_seq: i64,
    /// What it covers.
    pub span: Span,
    /// Where it stands.
    pub state: State,
    /// The device reported the end.
    pub ended: bool,
    /// Estimated times of the first and last sample.
    pub at: (DateTime<Utc>, DateTime<Utc>),
    /// What they are worth.
    pub clock_quality: &'static str,
    /// Arrival of its newest sample.
    pub received_at: DateTime<Utc>,
}

/// A session of a boot, as intake needs it to move bounds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    /// Id.
    pub id: Uuid,
    /// Number it opened with.
    pub opened_seq: i64,
    /// First number.
    pub first_seq: i64,
    /// Last number.
    pub last_seq: i64,
    /// Where it stands.
    pub state: State,
}

/// A stored session.
#[derive(Debug, Clone, PartialEq)]
pub struct Session {
    /// Id.
    pub session_id: Uuid,
    /// Which boot.
    pub key: BootKey,
    /// What it covers.
    pub span: Span,
    /// Where it stands.
    pub state: State,
    /// The device reported the end.
    pub ended: bool,
    /// Has samples that the last close did not see.
    pub dirty: bool,
    /// Why it closed.
    pub close_reason: Option<CloseReason>,
    /// Number of closes.
    pub revision: i32,
    /// Bench it opened on.
    pub bench_id: Option<Uuid>,
    /// Shop it opened in.
    pub shop_id: Option<Uuid>,
    /// Kind of the device.
    pub kind: DeviceKind,
    /// Estimated time of the first sample.
    pub start_at: DateTime<Utc>,
    /// Estimated time of the last sample.
    pub end_at: DateTime<Utc>,
    /// What these are worth.
    pub clock_quality: String,
    /// Samples kept.
    pub sample_count: i64,
    /// Kept over expected samples.
    pub completeness: Option<f64>,
    /// Arrival of its first sample.
    pub opened_at: DateTime<Utc>,
    /// Arrival of its newest sample.
    pub last_received_at: DateTime<Utc>,
}

impl Session {
    /// Whether samples may still come.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.state == State::Open
    }

    /// When it was, on the estimated clock of the service.
    #[must_use]
    pub fn place(&self) -> Place {
        Place {
            session: self.session_id,
            device: self.key.device,
            kind: self.kind,
            start_ms: self.start_at.timestamp_millis(),
            end_ms: self.end_at.timestamp_millis(),
            first_ms: self.span.first_ms,
        }
    }
}

struct Row {
    session_id: Uuid,
    device_id: Uuid,
    boot_id: i64,
    first_seq: i64,
    last_seq: i64,
    first_ms: i64,
    last_ms: i64,
    state: String,
    ended: bool,
    dirty: bool,
    close_reason: Option<String>,
    revision: i32,
    bench_id: Option<Uuid>,
    shop_id: Option<Uuid>,
    kind: String,
    start_at: DateTime<Utc>,
    end_at: DateTime<Utc>,
    clock_quality: String,
    sample_count: i64,
    completeness: Option<f64>,
    opened_at: DateTime<Utc>,
    last_received_at: DateTime<Utc>,
}

impl TryFrom<Row> for Session {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("session", column, row.session_id);
        Ok(Self {
            session_id: row.session_id,
            key: BootKey {
                device: row.device_id,
                boot: row.boot_id,
            },
            span: Span {
                first_seq: row.first_seq,
                last_seq: row.last_seq,
                first_ms: row.first_ms,
                last_ms: row.last_ms,
            },
            state: State::find(&row.state).ok_or_else(|| corrupt("state"))?,
            ended: row.ended,
            dirty: row.dirty,
            close_reason: row.close_reason.as_deref().and_then(CloseReason::find),
            revision: row.revision,
            bench_id: row.bench_id,
            shop_id: row.shop_id,
            kind: DeviceKind::find(&row.kind).ok_or_else(|| corrupt("kind"))?,
            start_at: row.start_at,
            end_at: row.end_at,
            clock_quality: row.clock_quality,
            sample_count: row.sample_count,
            completeness: row.completeness,
            opened_at: row.opened_at,
            last_received_at: row.last_received_at,
        })
    }
}

/// Writes sessions: new ones get the bench their device stands on, known ones their new bounds.
///
/// # Errors
/// Database errors.
pub async fn save(conn: &mut PgConnection, group: Uuid, drafts: &[Draft]) -> Result<(), Error> {
    let numbers = |pick: fn(&Draft) -> i64| -> Vec<i64> { drafts.iter().map(pick).collect() };
    sqlx::query!(
        "insert into rv.session (group_id, session_id, device_id, boot_id, opened_seq, first_seq, last_seq,
            first_ms, last_ms, state, ended, start_at, end_at, clock_quality, opened_at,
            last_received_at, bench_id, shop_id)
        select $1, s.id, s.device, s.boot, s.opened, s.first_seq, s.last_seq, s.first_ms, s.last_ms,
            s.state, s.ended, s.start_at, s.end_at, s.quality, s.received, s.received, a.bench_id, b.shop_id
        from unnest($2::uuid[], $3::uuid[], $4::bigint[], $5::bigint[], $6::bigint[], $7::bigint[],
            $8::bigint[], $9::bigint[], $10::text[], $11::bool[], $12::timestamptz[],
            $13::timestamptz[], $14::text[], $15::timestamptz[])
            as s (id, device, boot, opened, first_seq, last_seq, first_ms, last_ms, state, ended,
                start_at, end_at, quality, received)
        left join rv.device_assignment a
            on a.group_id = $1 and a.device_id = s.device and a.valid_to is null
        left join rv.bench b on b.group_id = $1 and b.bench_id = a.bench_id
        order by s.id
        on conflict (group_id, session_id) do update set
            first_seq = excluded.first_seq, last_seq = excluded.last_seq, first_ms = excluded.first_ms,
            last_ms = excluded.last_ms, state = excluded.state, ended = excluded.ended, dirty = true,
            start_at = excluded.start_at, end_at = excluded.end_at,
            clock_quality = excluded.clock_quality, last_received_at = excluded.last_received_at",
        group,
        &drafts.iter().map(|s| s.id).collect::<Vec<_>>(),
        &drafts.iter().map(|s| s.key.device).collect::<Vec<_>>(),
        &numbers(|s| s.key.boot),
        &numbers(|s| s.opened_seq),
        &numbers(|s| s.span.first_seq),
        &numbers(|s| s.span.last_seq),
        &numbers(|s| s.span.first_ms),
        &numbers(|s| s.span.last_ms),
        &drafts.iter().map(|s| s.state.to_string()).collect::<Vec<_>>(),
        &drafts.iter().map(|s| s.ended).collect::<Vec<_>>(),
        &drafts.iter().map(|s| s.at.0).collect::<Vec<_>>(),
        &drafts.iter().map(|s| s.at.1).collect::<Vec<_>>(),
        &drafts.iter().map(|s| s.clock_quality.to_string()).collect::<Vec<_>>(),
        &drafts.iter().map(|s| s.received_at).collect::<Vec<_>>()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Sessions of one boot that were not absorbed, ascending.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn of_boot(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
) -> Result<Vec<Known>, Error> {
    let rows = sqlx::query!(
        "select session_id, opened_seq, first_seq, last_seq, state from rv.session
        where group_id = $1 and device_id = $2 and boot_id = $3 and state <> 'absorbed'
        order by first_seq",
        group,
        key.device,
        key.boot
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter()
        .map(|row| {
            Ok(Known {
                id: row.session_id,
                opened_seq: row.opened_seq,
                first_seq: row.first_seq,
                last_seq: row.last_seq,
                state: State::find(&row.state)
                    .ok_or_else(|| Error::corrupt("session", "state", row.session_id))?,
            })
        })
        .collect()
}

/// Moves the end of open sessions: the common case of samples that follow directly.
///
/// # Errors
/// Database errors.
pub async fn extend(
    conn: &mut PgConnection,
    group: Uuid,
    ends: &[(Uuid, Span, DateTime<Utc>)],
    received_at: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.session s set last_seq = k.last_seq, last_ms = k.last_ms, end_at = k.end_at,
            dirty = true, last_received_at = $6
        from unnest($2::uuid[], $3::bigint[], $4::bigint[], $5::timestamptz[])
            as k (id, last_seq, last_ms, end_at)
        where s.group_id = $1 and s.session_id = k.id",
        group,
        &ends.iter().map(|end| end.0).collect::<Vec<_>>(),
        &ends.iter().map(|end| end.1.last_seq).collect::<Vec<_>>(),
        &ends.iter().map(|end| end.1.last_ms).collect::<Vec<_>>(),
        &ends.iter().map(|end| end.2).collect::<Vec<_>>(),
        received_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Marks sessions `.0` whose samples now belong to `.1`; their live claims move there, unless that
/// session has one of its own.
///
/// # Errors
/// Database errors.
pub async fn absorb(
    conn: &mut PgConnection,
    group: Uuid,
    pairs: &[(Uuid, Uuid)],
) -> Result<(), Error> {
    for (absorbed, into) in pairs {
        sqlx::query!(
            "update rv.session set state = 'absorbed', dirty = false
            where group_id = $1 and session_id = $2",
            group,
            absorbed
        )
        .execute(&mut *conn)
        .await?;
        sqlx::query!(
            "update rv.claim c set session_id = $3
            where c.group_id = $1 and c.session_id = $2 and c.revoked_at is null and not exists (
                select from rv.claim o where o.group_id = $1 and o.session_id = $3
                    and o.revoked_at is null)",
            group,
            absorbed,
            into
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

/// What a close found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Close {
    /// Why.
    pub reason: CloseReason,
    /// Samples kept.
    pub sample_count: i64,
    /// Kept over expected samples; `None` for weak devices.
    pub completeness: Option<f64>,
}

/// Closes a session: one more revision, clean.
///
/// # Errors
/// Database errors.
pub async fn close(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    close: Close,
    now: DateTime<Utc>,
) -> Result<i32, Error> {
    let revision = sqlx::query_scalar!(
        "update rv.session set state = 'closed', dirty = false, close_reason = $3, sample_count = $4,
            completeness = $5, closed_at = $6, revision = revision + 1
        where group_id = $1 and session_id = $2 returning revision",
        group,
        id,
        close.reason.as_str(),
        close.sample_count,
        close.completeness,
        now
    )
    .fetch_one(conn)
    .await?;
    Ok(revision)
}

/// Finds one session.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<Session>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select s.session_id, s.device_id, s.boot_id, s.first_seq, s.last_seq, s.first_ms, s.last_ms,
            s.state, s.ended, s.dirty, s.close_reason, s.revision, s.bench_id, s.shop_id, d.kind,
            s.start_at, s.end_at, s.clock_quality, s.sample_count, s.completeness, s.opened_at,
            s.last_received_at
        from rv.session s join rv.device d on d.group_id = s.group_id and d.device_id = s.device_id
        where s.group_id = $1 and s.session_id = $2",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(Session::try_from).transpose()
}

/// Filter of a listing; newest first.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// Only this device.
    pub device: Option<Uuid>,
    /// Only this bench.
    pub bench: Option<Uuid>,
    /// Only this shop.
    pub shop: Option<Uuid>,
    /// Only sessions before this one in the listing.
    pub before: Option<(DateTime<Utc>, Uuid)>,
    /// Rows at most.
    pub limit: i64,
}

/// Lists sessions, newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    filter: Filter,
) -> Result<Vec<Session>, Error> {
    let (before_at, before_id) = filter.before.unzip();
    let rows = sqlx::query_as!(
        Row,
        "select s.session_id, s.device_id, s.boot_id, s.first_seq, s.last_seq, s.first_ms, s.last_ms,
            s.state, s.ended, s.dirty, s.close_reason, s.revision, s.bench_id, s.shop_id, d.kind,
            s.start_at, s.end_at, s.clock_quality, s.sample_count, s.completeness, s.opened_at,
            s.last_received_at
        from rv.session s join rv.device d on d.group_id = s.group_id and d.device_id = s.device_id
        where s.group_id = $1 and s.state <> 'absorbed'
            and ($2::uuid is null or s.device_id = $2) and ($3::uuid is null or s.bench_id = $3)
            and ($4::uuid is null or s.shop_id = $4)
            and ($5::timestamptz is null or (s.opened_at, s.session_id) < ($5, $6::uuid))
        order by s.opened_at desc, s.session_id desc limit $7",
        group,
        filter.device,
        filter.bench,
        filter.shop,
        before_at,
        before_id,
        filter.limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Session::try_from).collect()
}

/// Sessions of a bench that overlap a window, by start, at most 1,000.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn on_bench(
    conn: &mut PgConnection,
    group: Uuid,
    bench: Uuid,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<Session>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select s.session_id, s.device_id, s.boot_id, s.first_seq, s.last_seq, s.first_ms, s.last_ms,
            s.state, s.ended, s.dirty, s.close_reason, s.revision, s.bench_id, s.shop_id, d.kind,
            s.start_at, s.end_at, s.clock_quality, s.sample_count, s.completeness, s.opened_at,
            s.last_received_at
        from rv.session s join rv.device d on d.group_id = s.group_id and d.device_id = s.device_id
        where s.group_id = $1 and s.bench_id = $2 and s.start_at <= $4 and s.end_at >= $3
            and s.state <> 'absorbed'
        order by s.start_at, s.session_id limit 1000",
        group,
        bench,
        from,
        to
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Session::try_from).collect()
}

/// Sessions of a bench that overlap a time and that nobody claimed: the likely matches.
///
/// # Errors
/// Database errors.
pub async fn unclaimed_on_bench(
    conn: &mut PgConnection,
    group: Uuid,
    bench: Uuid,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<Uuid>, Error> {
    let rows = sqlx::query_scalar!(
        "select s.session_id from rv.session s
        where s.group_id = $1 and s.bench_id = $2 and s.start_at <= $4 and s.end_at >= $3
            and s.state <> 'absorbed' and not exists (
                select from rv.claim c where c.group_id = s.group_id and c.session_id = s.session_id
                    and c.revoked_at is null)
        order by s.start_at limit 100",
        group,
        bench,
        from,
        to
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}
