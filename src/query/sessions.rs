//! Sessions and their exact samples, and what is kept of a boot.

use uuid::Uuid;

use super::{Caller, Error, Page};
use crate::clock::Clock;
use crate::record::ranges::Range;
use crate::record::sample::Samples;
use crate::record::watermark::Watermark;
use crate::record::words::Scope;
use crate::store::Store;
use crate::store::receipts::{self, BootKey};
pub use crate::store::sessions::Session;
use crate::store::sessions::{self, Filter, State};
use crate::store::{segments, summaries};

/// A session with what its last close computed.
#[derive(Debug, Clone, PartialEq)]
pub struct Listed {
    /// The session.
    pub session: Session,
    /// Charge in, Ah.
    pub charge_ah: Option<f64>,
    /// Energy in, Wh.
    pub energy_wh: Option<f64>,
}

/// Samples a call may read at once: bounds memory, longer sessions come in parts.
const PART_SEQ: i64 = 65_536;

/// Lists sessions the caller may see, newest first.
///
/// # Errors
/// `FIELD_INVALID`; database errors.
pub async fn list(
    store: &Store,
    caller: &Caller,
    (device, bench): (Option<Uuid>, Option<Uuid>),
    (size, page_token): (i32, &str),
) -> Result<Page<Listed>, Error> {
    let size = super::page_size(size)?;
    let filter = Filter {
        device: if caller.scope == Scope::Device {
            caller.device
        } else {
            device
        },
        bench,
        shop: caller.shop,
        before: super::read_time_token(page_token)?,
        limit: size + 1,
    };
    let mut tx = store.begin(caller.group).await?;
    let rows = sessions::list(&mut tx, caller.group, filter).await?;
    let closed: Vec<Uuid> = rows.iter().map(|row| row.session_id).collect();
    let charges = summaries::charges(&mut tx, caller.group, &closed).await?;
    tx.rollback().await?;
    let page = super::cut_page(rows, size, |row| {
        super::time_token(row.opened_at, row.session_id)
    });
    let with_charge = |session: Session| {
        let found = charges.iter().find(|charge| charge.0 == session.session_id);
        Listed {
            charge_ah: found.and_then(|charge| charge.1),
            energy_wh: found.and_then(|charge| charge.2),
            session,
        }
    };
    Ok(Page {
        rows: page.rows.into_iter().map(with_charge).collect(),
        next: page.next,
    })
}

/// Finds a session the caller may see.
///
/// # Errors
/// `NotFound`; database errors.
pub async fn get(store: &Store, caller: &Caller, id: Uuid) -> Result<Session, Error> {
    let mut tx = store.begin(caller.group).await?;
    let found = sessions::find(&mut tx, caller.group, id).await?;
    tx.rollback().await?;
    let seen = |session: &Session| {
        session.state != State::Absorbed
            && caller.sees_shop(session.shop_id)
            && caller.device.is_none_or(|own| own == session.key.device)
    };
    found
        .filter(seen)
        .ok_or_else(|| Error::not_found("session", id))
}

/// Parts a session is read in: ranges of sequence numbers.
#[must_use]
pub fn parts(session: &Session) -> Vec<Range> {
    let mut parts = Vec::new();
    let mut from = session.span.first_seq;
    while from <= session.span.last_seq {
        let to = (from + PART_SEQ - 1).min(session.span.last_seq);
        parts.push((from, to));
        from = to + 1;
    }
    parts
}

/// Reads the samples of one part: runs of consecutive numbers, ascending.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn read_part(
    store: &Store,
    caller: &Caller,
    session: &Session,
    (from, to): Range,
) -> Result<Vec<Samples>, Error> {
    let mut tx = store.begin(caller.group).await?;
    let found = segments::overlapping(&mut tx, caller.group, session.key, (from, to)).await?;
    tx.rollback().await?;
    let mut runs: Vec<Samples> = Vec::new();
    for segment in found {
        let part = segment.samples.slice(from, to);
        match runs.last_mut() {
            Some(run) if run.last_seq() + 1 == part.first_seq => run.append(&part),
            _ => runs.push(part),
        }
    }
    Ok(runs)
}

/// What is kept of a boot, for the device's own token or one of its group.
///
/// # Errors
/// `NotFound` for another device; database errors.
pub async fn watermark(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (device, boot): (Uuid, i64),
) -> Result<Watermark, Error> {
    if caller.device.is_some_and(|own| own != device) {
        return Err(Error::not_found("device", device));
    }
    let mut tx = store.begin(caller.group).await?;
    let found = receipts::find(&mut tx, caller.group, BootKey { device, boot }).await?;
    tx.rollback().await?;
    let (held, oldest) = found
        .map(|found| (found.held, found.oldest_held_seq))
        .unwrap_or_default();
    Ok(Watermark::of((device, boot), &held, oldest, clock.now()))
}

/// What is kept of the last boots of a device, the oldest of them first, at most 4.
///
/// # Errors
/// Database errors.
pub async fn latest_watermarks(
    store: &Store,
    clock: &Clock,
    (group, device): (Uuid, Uuid),
) -> Result<Vec<Watermark>, Error> {
    let mut tx = store.begin(group).await?;
    let mut found = receipts::latest(&mut tx, group, device, 4).await?;
    tx.rollback().await?;
    found.reverse();
    let now = clock.now();
    let watermark = |found: &receipts::Receipt| {
        Watermark::of(
            (device, found.key.boot),
            &found.held,
            found.oldest_held_seq,
            now,
        )
    };
    Ok(found.iter().map(watermark).collect())
}
