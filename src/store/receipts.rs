//! Table `receipt`: what is kept of one boot. Locking its row serializes intake of that boot.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::batch::ClockClaim;
use crate::record::ranges::Ranges;
use crate::record::session::{ClockQuality, Span};

/// One boot of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BootKey {
    /// Device.
    pub device: Uuid,
    /// Boot.
    pub boot: i64,
}

/// Session that new samples extend, as cached in the receipt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenSession {
    /// Session id.
    pub id: Uuid,
    /// What it covers.
    pub span: Span,
}

/// What is kept of one boot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt {
    /// Which boot.
    pub key: BootKey,
    /// Sequence numbers held.
    pub held: Ranges,
    /// The device keeps no sequence.
    pub weak: bool,
    /// Oldest number the device still holds.
    pub oldest_held_seq: i64,
    /// Smallest (arrival - device time), ms since 1970.
    pub offset_ms: i64,
    /// Trust in the clock, worst of the boot.
    pub claim: ClockClaim,
    /// First claimed (wall - device time), ms since 1970.
    pub claim_offset_ms: Option<i64>,
    /// Largest move of that claim, ms.
    pub claim_drift_ms: i64,
    /// Session that new samples extend.
    pub session: Option<OpenSession>,
    /// First arrival.
    pub first_received_at: DateTime<Utc>,
    /// Last arrival.
    pub last_received_at: DateTime<Utc>,
}

impl Receipt {
    /// The receipt of a boot seen for the first time at `received_at`.
    #[must_use]
    pub fn fresh(key: BootKey, received_at: DateTime<Utc>) -> Self {
        Self {
            key,
            held: Ranges::default(),
            weak: false,
            oldest_held_seq: 0,
            offset_ms: i64::MAX,
            claim: ClockClaim::Synced,
            claim_offset_ms: None,
            claim_drift_ms: 0,
            session: None,
            first_received_at: received_at,
            last_received_at: received_at,
        }
    }

    /// The best estimate of (wall - device time), ms since 1970, and what it is worth.
    ///
    /// Source: our own choice; a claim within 2 s of the arrivals is taken, one within a day is
    /// corrected by them.
    #[must_use]
    pub fn clock(&self) -> (i64, ClockQuality) {
        let Some(claimed) = self.claim_offset_ms else {
            return (self.offset_ms, ClockQuality::None);
        };
        let away_ms = (claimed - self.offset_ms).abs();
        if self.claim_drift_ms > 2_000 {
            (self.offset_ms, ClockQuality::Jumped)
        } else if self.claim == ClockClaim::Synced || away_ms <= 2_000 {
            (claimed, ClockQuality::Synced)
        } else if away_ms <= 86_400_000 {
            (self.offset_ms, ClockQuality::Corrected)
        } else {
            (self.offset_ms, ClockQuality::Unsynced)
        }
    }
}

struct Row {
    device_id: Uuid,
    boot_id: i64,
    held: String,
    weak: bool,
    oldest_held_seq: i64,
    offset_ms: i64,
    claim: String,
    claim_offset_ms: Option<i64>,
    claim_drift_ms: i64,
    session_id: Option<Uuid>,
    session_from: i64,
    session_to: i64,
    session_first_ms: i64,
    session_last_ms: i64,
    first_received_at: DateTime<Utc>,
    last_received_at: DateTime<Utc>,
}

impl TryFrom<Row> for Receipt {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let claim = ClockClaim::find(&row.claim)
            .ok_or_else(|| Error::corrupt("receipt", "claim", row.device_id))?;
        Ok(Self {
            key: BootKey {
                device: row.device_id,
                boot: row.boot_id,
            },
            held: read_ranges(&row.held)
                .ok_or_else(|| Error::corrupt("receipt", "held", row.device_id))?,
            weak: row.weak,
            oldest_held_seq: row.oldest_held_seq,
            offset_ms: row.offset_ms,
            claim,
            claim_offset_ms: row.claim_offset_ms,
            claim_drift_ms: row.claim_drift_ms,
            session: row.session_id.map(|id| OpenSession {
                id,
                span: Span {
                    first_seq: row.session_from,
                    last_seq: row.session_to,
                    first_ms: row.session_first_ms,
                    last_ms: row.session_last_ms,
                },
            }),
            first_received_at: row.first_received_at,
            last_received_at: row.last_received_at,
        })
    }
}

/// Locks the rows of some boots in key order, making those that are new, and returns them.
///
/// `fresh` are receipts of boots that may be new, ascending by key; stored ones win.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn lock(
    conn: &mut PgConnection,
    group: Uuid,
    fresh: &[Receipt],
) -> Result<Vec<Receipt>, Error> {
    let devices: Vec<Uuid> = fresh.iter().map(|r| r.key.device).collect();
    let boots: Vec<i64> = fresh.iter().map(|r| r.key.boot).collect();
    let weak: Vec<bool> = fresh.iter().map(|r| r.weak).collect();
    let offsets: Vec<i64> = fresh.iter().map(|r| r.offset_ms).collect();
    let claims: Vec<String> = fresh.iter().map(|r| r.claim.to_string()).collect();
    let received: Vec<DateTime<Utc>> = fresh.iter().map(|r| r.first_received_at).collect();
    sqlx::query!(
        "insert into rv.receipt (group_id, device_id, boot_id, weak, offset_ms, claim, first_received_at, last_received_at)
        select $1, k.device, k.boot, k.weak, k.offset_ms, k.claim, k.received, k.received
        from unnest($2::uuid[], $3::bigint[], $4::bool[], $5::bigint[], $6::text[], $7::timestamptz[])
            as k (device, boot, weak, offset_ms, claim, received)
        order by k.device, k.boot
        on conflict do nothing",
        group,
        &devices,
        &boots,
        &weak,
        &offsets,
        &claims,
        &received
    )
    .execute(&mut *conn)
    .await?;
    let rows = sqlx::query_as!(
        Row,
        r#"select r.device_id, r.boot_id, held::text as "held!", weak, oldest_held_seq, offset_ms, claim,
            claim_offset_ms, claim_drift_ms, session_id, session_from, session_to,
            session_first_ms, session_last_ms, first_received_at, last_received_at
        from rv.receipt r
        join unnest($2::uuid[], $3::bigint[]) as k (device, boot) on k.device = r.device_id and k.boot = r.boot_id
        where r.group_id = $1
        order by r.device_id, r.boot_id
        for update of r"#,
        group,
        &devices,
        &boots
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Receipt::try_from).collect()
}

/// Reads one boot without a lock.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
) -> Result<Option<Receipt>, Error> {
    let row = sqlx::query_as!(
        Row,
        r#"select device_id, boot_id, held::text as "held!", weak, oldest_held_seq, offset_ms, claim,
            claim_offset_ms, claim_drift_ms, session_id, session_from, session_to,
            session_first_ms, session_last_ms, first_received_at, last_received_at
        from rv.receipt where group_id = $1 and device_id = $2 and boot_id = $3"#,
        group,
        key.device,
        key.boot
    )
    .fetch_optional(conn)
    .await?;
    row.map(Receipt::try_from).transpose()
}

/// Reads the boots of a device that were heard of last, newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn latest(
    conn: &mut PgConnection,
    group: Uuid,
    device: Uuid,
    limit: i64,
) -> Result<Vec<Receipt>, Error> {
    let rows = sqlx::query_as!(
        Row,
        r#"select device_id, boot_id, held::text as "held!", weak, oldest_held_seq, offset_ms, claim,
            claim_offset_ms, claim_drift_ms, session_id, session_from, session_to,
            session_first_ms, session_last_ms, first_received_at, last_received_at
        from rv.receipt where group_id = $1 and device_id = $2
        order by last_received_at desc, boot_id limit $3"#,
        group,
        device,
        limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Receipt::try_from).collect()
}

/// Writes locked rows back, in one statement.
///
/// # Errors
/// Database errors.
pub async fn update(
    conn: &mut PgConnection,
    group: Uuid,
    receipts: &[Receipt],
) -> Result<(), Error> {
    let span = |receipt: &Receipt| receipt.session.map(|session| session.span);
    let column = |pick: fn(&Span) -> i64| -> Vec<i64> {
        receipts
            .iter()
            .map(|receipt| span(receipt).as_ref().map_or(0, pick))
            .collect()
    };
    let numbers = |pick: fn(&Receipt) -> i64| -> Vec<i64> { receipts.iter().map(pick).collect() };
    sqlx::query!(
        "update rv.receipt r set held = k.held::int8multirange, weak = k.weak,
            oldest_held_seq = k.oldest, offset_ms = k.offset_ms, claim = k.claim,
            claim_offset_ms = k.claim_offset, claim_drift_ms = k.drift, session_id = k.session,
            session_from = k.sfrom, session_to = k.sto, session_first_ms = k.sfirst,
            session_last_ms = k.slast, last_received_at = k.received
        from unnest($2::uuid[], $3::bigint[], $4::text[], $5::bool[], $6::bigint[], $7::bigint[],
            $8::text[], $9::bigint[], $10::bigint[], $11::uuid[], $12::bigint[], $13::bigint[],
            $14::bigint[], $15::bigint[], $16::timestamptz[])
            as k (device, boot, held, weak, oldest, offset_ms, claim, claim_offset, drift, session,
                sfrom, sto, sfirst, slast, received)
        where r.group_id = $1 and r.device_id = k.device and r.boot_id = k.boot",
        group,
        &receipts.iter().map(|r| r.key.device).collect::<Vec<_>>(),
        &numbers(|r| r.key.boot),
        &receipts
            .iter()
            .map(|r| write_ranges(&r.held))
            .collect::<Vec<_>>(),
        &receipts.iter().map(|r| r.weak).collect::<Vec<_>>(),
        &numbers(|r| r.oldest_held_seq),
        &numbers(|r| r.offset_ms),
        &receipts
            .iter()
            .map(|r| r.claim.to_string())
            .collect::<Vec<_>>(),
        &receipts
            .iter()
            .map(|r| r.claim_offset_ms)
            .collect::<Vec<_>>() as &[Option<i64>],
        &numbers(|r| r.claim_drift_ms),
        &receipts
            .iter()
            .map(|r| r.session.map(|s| s.id))
            .collect::<Vec<_>>() as &[Option<Uuid>],
        &column(|s| s.first_seq),
        &column(|s| s.last_seq),
        &column(|s| s.first_ms),
        &column(|s| s.last_ms),
        &receipts
            .iter()
            .map(|r| r.last_received_at)
            .collect::<Vec<_>>()
    )
    .execute(conn)
    .await?;
    Ok(())
}

fn write_ranges(ranges: &Ranges) -> String {
    let mut text = String::from("{");
    for (from, to) in ranges.as_slice() {
        if text.len() > 1 {
            text.push(',');
        }
        // Writing to a String cannot fail.
        let _ = write!(text, "[{from},{to}]");
    }
    text.push('}');
    text
}

/// Reads the canonical text form, `{[1,10),[12,20)}`.
fn read_ranges(text: &str) -> Option<Ranges> {
    let inner = text.strip_prefix('{')?.strip_suffix('}')?;
    let mut numbers = inner
        .split(&['[', ',', ')'][..])
        .filter(|part| !part.is_empty());
    let mut pairs = Vec::new();
    while let Some(from) = numbers.next() {
        pairs.push((from.parse().ok()?, numbers.next()?.parse::<i64>().ok()? - 1));
    }
    Some(Ranges::from_pairs(pairs))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_read_from_the_canonical_text() {
        let ranges = read_ranges("{[1,11),[12,21)}").unwrap();
        assert_eq!(ranges.as_slice(), [(1, 10), (12, 20)]);
        assert_eq!(write_ranges(&ranges), "{[1,10],[12,20]}");
        assert_eq!(read_ranges("{}"), Some(Ranges::default()));
        assert_eq!(read_ranges("{[1,x)}"), None);
    }
}
