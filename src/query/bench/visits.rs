//! Batteries presented to a shop.

use uuid::Uuid;

use super::{ASK_BENCH, MAY_WRITE, content_digest, other_content, row_id};
use crate::clock::Clock;
use crate::query::{Caller, Error};
use crate::record::visit::parse::{RawVisit, parse};
use crate::store::Store;
use crate::store::counted::{self, Seen};
use crate::store::visits::{self, NewVisit};

/// A battery came in.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordVisit {
    /// Drawn by the caller: makes a repeated call harmless.
    pub request_id: Uuid,
    /// Shop; may be left out with a token of one shop.
    pub shop_id: Option<Uuid>,
    /// What is known.
    pub facts: RawVisit,
}

/// The recorded visit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RecordedVisit {
    /// Visit.
    pub visit_id: Uuid,
    /// Battery; every visit has its own.
    pub battery_id: Uuid,
}

/// Records a visit and its battery.
///
/// # Errors
/// `Denied`, `NotFound` for the shop; rejections of the facts; `EXISTS_WITH_DIFFERENT_CONTENT`.
pub async fn record_visit(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: RecordVisit,
) -> Result<RecordedVisit, Error> {
    caller.need(MAY_WRITE, "record visits", ASK_BENCH)?;
    let shop_id = caller.shop_for(request.shop_id)?;
    let label = Some(request.facts.label.clone()).filter(|label| !label.is_empty());
    let digest = content_digest(&(shop_id, &request.facts))?;
    let visit = parse(request.facts, clock.now())?;
    let recorded = RecordedVisit {
        visit_id: row_id(caller, "visit", request.request_id),
        battery_id: row_id(caller, "battery", request.request_id),
    };
    let mut tx = store.begin(caller.group).await?;
    let battery = (recorded.battery_id, label.as_deref());
    visits::insert_battery(&mut tx, caller.group, battery, &visit.battery).await?;
    let new = NewVisit {
        visit_id: recorded.visit_id,
        shop_id,
        battery_id: Some(recorded.battery_id),
        case_ref: None,
        anonymous: false,
        visit,
        content_digest: digest,
    };
    let is_new = visits::insert(&mut tx, caller.group, &new)
        .await
        .map_err(|error| {
            if error.is_constraint("visit_group_id_shop_id_fkey") {
                Error::not_found("shop", shop_id)
            } else {
                error.into()
            }
        })?;
    if is_new {
        let seen = Seen {
            visit: &new,
            attempt: None,
        };
        counted::recount(&mut tx, caller.group, &[seen]).await?;
        tx.commit().await?;
        return Ok(recorded);
    }
    let before = super::visible_visit(&mut tx, caller, recorded.visit_id).await?;
    tx.rollback().await?;
    if before.content_digest == digest {
        Ok(recorded)
    } else {
        Err(other_content("visit"))
    }
}
