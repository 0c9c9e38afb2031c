//! Cost sheets on the wire.

use super::{Word as _, need, optional_id, pb, time, timestamp};
use crate::query::Error;
use crate::query::sheet::{CostChange, CostItem, NewCosts, Sheet, SheetEntry, SheetQuestion};
use crate::reject::Code;
use crate::units::Money;

/// Most entries of one statement: each one a few times over.
const ENTRIES_MAX: usize = 64;

/// Whose sheet, off the wire.
///
/// # Errors
/// `FIELD_INVALID` for the shop and the time, `VALUE_NOT_FINITE`, `VALUE_OUT_OF_RANGE` for the price.
pub fn question(asked: &pb::GetCostSheetRequest) -> Result<SheetQuestion, Error> {
    let price = asked.replacement_price;
    let price = price.map(|price| Money::new("replacement_price", price));
    Ok(SheetQuestion {
        shop_id: optional_id("shop_id", &asked.shop_id)?,
        at: time("as_of_time", asked.as_of_time)?,
        price: price.transpose()?,
    })
}

/// A sheet for the wire.
#[must_use]
pub fn sheet(found: &Sheet) -> pb::GetCostSheetResponse {
    let entry = |entry: &SheetEntry| pb::CostEntry {
        item: entry.item.to_wire(),
        meaning: entry.meaning.to_owned(),
        in_force_value: entry.value,
        unit: entry.unit.clone(),
        by_default: entry.by_default,
        change: entry.change.as_ref().map(change),
    };
    pb::GetCostSheetResponse {
        shop_id: found.shop_id.to_string(),
        shop_name: found.shop.clone(),
        currency_code: found.currency.clone(),
        as_of_time: Some(timestamp(found.at)),
        entries: found.entries.iter().map(entry).collect(),
        replacement_price: found.price,
        price_is_default: found.price_is_default,
        worth: found.worth,
        cost: found.cost,
        break_even_ratio: found.break_even,
        taken: found.taken.as_ref().map(|taken| pb::HoursTaken {
            count: super::fair::count(taken.n),
            mean_hours: taken.mean,
            lower_hours: taken.range.0,
            upper_hours: taken.range.1,
            cost: taken.cost,
            break_even_ratio: taken.break_even,
        }),
    }
}

/// A change of an entry for the wire.
#[must_use]
pub fn change(of: &CostChange) -> pb::CostChange {
    pb::CostChange {
        item: of.item.to_wire(),
        former_value: of.former,
        new_value: of.value,
        reason: of.reason.clone(),
        set_by: of.set_by.clone(),
        set_time: Some(timestamp(of.set_at)),
        currency_code: of.currency.clone(),
    }
}

/// What somebody states, off the wire.
///
/// # Errors
/// `FIELD_INVALID` for the shop and for too many entries, `FIELD_MISSING` for an entry without its name.
pub fn new_costs(message: pb::UpdateCostSheetRequest) -> Result<NewCosts, Error> {
    if message.entries.len() > ENTRIES_MAX {
        let detail = format!("at most {ENTRIES_MAX} entries at once");
        return Err(Error::bad(Code::FieldInvalid, "entries", detail));
    }
    let entry = |new: &pb::NewCost| Ok((need::<CostItem>("item", new.item)?, new.new_value));
    Ok(NewCosts {
        shop_id: optional_id("shop_id", &message.shop_id)?,
        entries: message
            .entries
            .iter()
            .map(entry)
            .collect::<Result<_, Error>>()?,
        reason: message.reason,
    })
}
