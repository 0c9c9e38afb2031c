//! Presented batteries, attempted or not: leaving out those that were refused would flatter every
//! recovery rate.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{CHUNK, Import, Imported, known_before, other_shop, reference, visit_id};
use crate::ids;
use crate::query::bench::content_digest;
use crate::query::{Caller, Error};
use crate::record::sample::Digest;
use crate::record::visit::Visit;
use crate::record::visit::parse::{RawVisit, parse};
use crate::reject::{Code, Reject};
use crate::store::counted::{self, Seen};
use crate::store::visits::{self, NewBattery, NewVisit};
use crate::store::{Tx, costs};

/// A presented battery of a file.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ImportedVisit {
    /// The file's id of the case; gives the visit its id.
    pub case_ref: String,
    /// Name of the shop.
    pub shop: String,
    /// What was known before deciding.
    pub facts: RawVisit,
}

/// A row that can be written.
struct Ready {
    battery: NewBattery,
    visit: NewVisit,
}

impl Import<'_> {
    /// Keeps presented batteries; their shops must exist.
    ///
    /// # Errors
    /// Database errors, and then the rows of earlier chunks are kept.
    pub async fn visits(&mut self, rows: &[ImportedVisit]) -> Result<Vec<Imported>, Error> {
        let mut answers = Vec::with_capacity(rows.len());
        for chunk in rows.chunks(CHUNK) {
            let now = self.clock.now();
            let mut tx = self.begin().await?;
            let shops = shops_of(&mut tx, chunk).await?;
            let mut ready = Vec::with_capacity(chunk.len());
            for row in chunk {
                ready.push(prepare(self.caller, row, &shops, now)?);
            }
            let good: Vec<&Ready> = ready.iter().filter_map(|row| row.as_ref().ok()).collect();
            let (mut fresh, kept) = write(&mut tx, &good).await?;
            // A case that stands twice in the chunk is counted as it first came.
            let mut left = fresh.clone();
            let first = good.iter().filter(|row| left.remove(&row.visit.visit_id));
            let seen: Vec<Seen<'_>> = first
                .map(|row| Seen {
                    visit: &row.visit,
                    attempt: None,
                })
                .collect();
            if !self.trial {
                counted::recount(&mut tx, self.caller.group, &seen).await?;
            }
            self.end(tx).await?;
            answers.extend(ready.into_iter().map(|row| match row {
                Err(reject) => Imported::Refused(reject),
                Ok(row) if fresh.remove(&row.visit.visit_id) => Imported::Stored,
                Ok(Ready { visit, .. }) => {
                    known_before(kept.get(&visit.visit_id).copied(), visit.content_digest)
                }
            }));
        }
        Ok(answers)
    }
}

/// Ids of the shops a chunk names.
async fn shops_of(tx: &mut Tx, chunk: &[ImportedVisit]) -> Result<HashMap<String, Uuid>, Error> {
    let mut names: Vec<String> = chunk.iter().map(|row| row.shop.clone()).collect();
    names.sort_unstable();
    names.dedup();
    let group = tx.group();
    let shops = costs::find_named(tx, group, &names).await?;
    Ok(shops
        .into_iter()
        .map(|shop| (shop.name, shop.shop_id))
        .collect())
}

fn prepare(
    caller: &Caller,
    row: &ImportedVisit,
    shops: &HashMap<String, Uuid>,
    now: DateTime<Utc>,
) -> Result<Result<Ready, Reject>, Error> {
    let visit = match check_visit(row, now) {
        Ok(visit) => visit,
        Err(reject) => return Ok(Err(reject)),
    };
    let Some(shop_id) = shops.get(&row.shop).copied() else {
        let name = row.shop.escape_debug();
        let detail = format!("there is no shop `{name}` in this group; import the shops first");
        return Ok(Err(Reject::new(Code::FieldInvalid, "shop_id", detail)));
    };
    if !caller.sees_shop(Some(shop_id)) {
        return Ok(Err(other_shop(&row.shop)));
    }
    let case = row.case_ref.as_bytes();
    let battery = NewBattery {
        battery_id: ids::derived(caller.group, "case battery", &[case]),
        label: Some(row.facts.label.clone()).filter(|label| !label.is_empty()),
        battery: visit.battery.clone(),
    };
    let visit = NewVisit {
        visit_id: visit_id(caller.group, &row.case_ref),
        shop_id,
        battery_id: Some(battery.battery_id),
        case_ref: Some(row.case_ref.clone()),
        anonymous: false,
        visit,
        content_digest: content_digest(&(shop_id, &row.facts))?,
    };
    Ok(Ok(Ready { battery, visit }))
}

/// Checks a presented battery without writing it.
///
/// # Errors
/// `FIELD_MISSING`, `TEXT_INVALID` for case and shop; rejections of the facts, under their names
/// in the contract.
pub fn check_visit(row: &ImportedVisit, now: DateTime<Utc>) -> Result<Visit, Reject> {
    reference("case_id", &row.case_ref)?;
    reference("shop_id", &row.shop)?;
    parse(row.facts.clone(), now)
}

/// Writes a chunk; returns the ids that are new, and the digests of the others.
async fn write(
    tx: &mut Tx,
    rows: &[&Ready],
) -> Result<(HashSet<Uuid>, HashMap<Uuid, Digest>), Error> {
    let group = tx.group();
    let batteries: Vec<NewBattery> = rows.iter().map(|row| row.battery.clone()).collect();
    let new: Vec<NewVisit> = rows.iter().map(|row| row.visit.clone()).collect();
    visits::insert_batteries(tx, group, &batteries).await?;
    let fresh: HashSet<Uuid> = visits::insert_all(tx, group, &new)
        .await?
        .into_iter()
        .collect();
    if fresh.len() == new.len() {
        return Ok((fresh, HashMap::new()));
    }
    let ids: Vec<Uuid> = new.iter().map(|visit| visit.visit_id).collect();
    let kept = visits::find_all(tx, group, &ids).await?;
    let kept = kept
        .into_iter()
        .map(|visit| (visit.visit_id, visit.content_digest))
        .collect();
    Ok((fresh, kept))
}
