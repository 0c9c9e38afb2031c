//! Refused items: list, show, settle. Replay goes through intake like any other batch.

use uuid::Uuid;

use super::{Caller, Error, Page};
use crate::clock::Clock;
use crate::record::words::Scope;
use crate::reject::Code;
use crate::store::Store;
use crate::store::quarantine;
pub use crate::store::quarantine::{Filter, Item};

const MAY_READ: &[Scope] = &[Scope::Operator, Scope::Integrator, Scope::Device];

/// Lists items, newest first; a device token sees its own.
///
/// # Errors
/// `Denied`, `FIELD_INVALID`; database errors.
pub async fn list(
    store: &Store,
    caller: &Caller,
    mut filter: Filter,
    (size, page_token): (i32, &str),
) -> Result<Page<Item>, Error> {
    caller.need(
        MAY_READ,
        "read quarantine",
        "ask with an integrator or operator token",
    )?;
    let size = super::page_size(size)?;
    filter.limit = size + 1;
    filter.before = super::read_time_token(page_token)?;
    if caller.device.is_some() {
        filter.device = caller.device;
    }
    let mut tx = store.begin(caller.group).await?;
    let rows = quarantine::list(&mut tx, caller.group, &filter).await?;
    tx.rollback().await?;
    Ok(super::cut_page(rows, size, |row| {
        super::time_token(row.received_at, row.quarantine_id)
    }))
}

/// Finds one item with its bytes.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub async fn get(store: &Store, caller: &Caller, id: Uuid) -> Result<(Item, Vec<u8>), Error> {
    caller.need(
        MAY_READ,
        "read quarantine",
        "ask with an integrator or operator token",
    )?;
    let mut tx = store.begin(caller.group).await?;
    let found = quarantine::find(&mut tx, caller.group, id).await?;
    tx.rollback().await?;
    let seen = |item: &Item| caller.device.is_none() || caller.device == item.device_id;
    found
        .filter(|found| seen(&found.0))
        .ok_or_else(|| Error::not_found("quarantined item", id))
}

/// Everything of one device, or of all.
#[must_use]
pub fn of_device(device: Option<Uuid>) -> Filter {
    Filter {
        device,
        ..Filter::default()
    }
}

/// What an operator did with an item.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Settlement {
    /// Its bytes went through intake.
    Replayed,
    /// It is worth nothing.
    Discarded,
}

/// Marks an item as dealt with. A settled item stays settled; the bytes stay.
///
/// # Errors
/// `Denied`, `NotFound`, `FIELD_INVALID` when it was discarded before; database errors.
pub async fn settle(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    id: Uuid,
    (settlement, result): (Settlement, &str),
) -> Result<(), Error> {
    caller.need(
        &[Scope::Operator],
        "settle quarantine",
        "ask with an operator token",
    )?;
    let (item, _) = get(store, caller, id).await?;
    let state = match settlement {
        Settlement::Replayed => "replayed",
        Settlement::Discarded => "discarded",
    };
    if item.state == "replayed" && settlement == Settlement::Discarded {
        let detail = "it was replayed already; there is nothing to discard";
        return Err(Error::bad(Code::FieldInvalid, "quarantine_id", detail));
    }
    let mut tx = store.begin(caller.group).await?;
    quarantine::settle(
        &mut tx,
        caller.group,
        id,
        (state, &caller.name, result),
        clock.now(),
    )
    .await?;
    tx.commit().await?;
    Ok(())
}
