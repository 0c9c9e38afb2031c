//! Table `shop_cost`: who stated which entry of a cost sheet, appended and never changed.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Error, ShopCosts, find};
use crate::advice::economics::{CostItem, CostSheet};
use crate::ids;

/// One change of one entry.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct CostChange {
    /// Id.
    pub change_id: Uuid,
    /// Entry.
    pub item: CostItem,
    /// Value before; `None` = it was a default.
    pub former: Option<f64>,
    /// Value from then on; `None` = back to the default.
    pub value: Option<f64>,
    /// ISO 4217 code of the shop then.
    pub currency: String,
    /// Why.
    pub reason: String,
    /// Name of the token.
    pub set_by: String,
    /// When; later than every change of the shop before.
    pub set_at: DateTime<Utc>,
}

/// Entries somebody states.
#[derive(Debug, Clone, Copy)]
pub struct Statement<'a> {
    /// Shop.
    pub shop: Uuid,
    /// Entries in their units; `None` = back to the default. Of one named twice the last counts.
    pub entries: &'a [(CostItem, Option<f64>)],
    /// Why.
    pub reason: &'a str,
    /// Name of the token.
    pub by: &'a str,
    /// Now.
    pub at: DateTime<Utc>,
}

/// What a statement led to.
#[derive(Debug)]
pub enum Stated {
    /// Kept; what was stated before with the same value is no change.
    Kept(Vec<CostChange>),
    /// There is no such shop.
    NoShop,
    /// This entry cannot be that; nothing is kept.
    OutOfRange(crate::advice::economics::OutOfRange),
}

/// States entries of a shop's sheet and keeps each change, in their order of time under the shop's lock.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn state(
    conn: &mut PgConnection,
    group: Uuid,
    statement: Statement<'_>,
) -> Result<Stated, Error> {
    let shop_id = statement.shop;
    sqlx::query!(
        "select from rv.shop where group_id = $1 and shop_id = $2 for update",
        group,
        shop_id
    )
    .execute(&mut *conn)
    .await?;
    let Some(shop) = find(conn, group, &[shop_id]).await?.pop() else {
        return Ok(Stated::NoShop);
    };
    let mut sheet = shop.sheet.clone();
    for (item, value) in statement.entries {
        match value {
            None => sheet.reset(*item),
            Some(value) => {
                if let Err(wrong) = sheet.set(*item, *value) {
                    return Ok(Stated::OutOfRange(wrong));
                }
            }
        }
    }
    let items: Vec<CostItem> = CostItem::ALL
        .iter()
        .copied()
        .filter(|item| sheet.stated(*item) != shop.sheet.stated(*item))
        .collect();
    if items.is_empty() {
        return Ok(Stated::Kept(Vec::new()));
    }
    let newest = sqlx::query_scalar!(
        "select max(set_at) from rv.shop_cost where group_id = $1 and shop_id = $2",
        group,
        shop_id
    )
    .fetch_one(&mut *conn)
    .await?;
    // A clock that was put back does not turn the order round.
    let after = newest.map(|newest| newest + TimeDelta::microseconds(1));
    let set_at = after.map_or(statement.at, |after| after.max(statement.at));
    let changes: Vec<CostChange> = items
        .into_iter()
        .map(|item| CostChange {
            change_id: ids::new_id(set_at),
            item,
            former: shop.sheet.stated(item),
            value: sheet.stated(item),
            currency: shop.currency.clone(),
            reason: statement.reason.to_owned(),
            set_by: statement.by.to_owned(),
            set_at,
        })
        .collect();
    write_sheet(conn, (group, shop_id), &sheet).await?;
    append(conn, (group, shop_id), &changes).await?;
    Ok(Stated::Kept(changes))
}

async fn write_sheet(
    conn: &mut PgConnection,
    (group, shop): (Uuid, Uuid),
    sheet: &CostSheet,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.shop set labour_per_h = $3, labour_min_per_attempt = $4, charger_hour = $5,
            kwh_price = $6, recovered_worth_fraction = $7, comeback_prob = $8, comeback_cost = $9,
            core_value = $10, hazard_prob = $11, hazard_cost = $12, planned_hours = $13,
            planned_kwh = $14
        where group_id = $1 and shop_id = $2",
        group,
        shop,
        sheet.stated(CostItem::LabourPerH),
        sheet.stated(CostItem::LabourMin),
        sheet.stated(CostItem::ChargerHour),
        sheet.stated(CostItem::KwhPrice),
        sheet.stated(CostItem::RecoveredWorthFraction),
        sheet.stated(CostItem::ComeBackProb),
        sheet.stated(CostItem::ComeBackCost),
        sheet.stated(CostItem::CoreValue),
        sheet.stated(CostItem::HazardProb),
        sheet.stated(CostItem::HazardCost),
        sheet.stated(CostItem::PlannedHours),
        sheet.stated(CostItem::PlannedKwh)
    )
    .execute(conn)
    .await?;
    Ok(())
}

async fn append(
    conn: &mut PgConnection,
    (group, shop): (Uuid, Uuid),
    changes: &[CostChange],
) -> Result<(), Error> {
    for change in changes {
        sqlx::query!(
            "insert into rv.shop_cost (group_id, change_id, shop_id, item, former, value, currency,
                reason, set_by, set_at)
            values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
            group,
            change.change_id,
            shop,
            change.item.as_str(),
            change.former,
            change.value,
            change.currency,
            change.reason,
            change.set_by,
            change.set_at
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}

struct Row {
    change_id: Uuid,
    item: String,
    former: Option<f64>,
    value: Option<f64>,
    currency: String,
    reason: String,
    set_by: String,
    set_at: DateTime<Utc>,
}

impl TryFrom<Row> for CostChange {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        Ok(Self {
            item: CostItem::find(&row.item)
                .ok_or_else(|| Error::corrupt("shop_cost", "item", row.change_id))?,
            change_id: row.change_id,
            former: row.former,
            value: row.value,
            currency: row.currency,
            reason: row.reason,
            set_by: row.set_by,
            set_at: row.set_at,
        })
    }
}

/// A shop as its sheet stood at a time, with the change that set each entry, where one is known.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn as_of(
    conn: &mut PgConnection,
    group: Uuid,
    mut shop: ShopCosts,
    at: DateTime<Utc>,
) -> Result<(ShopCosts, BTreeMap<CostItem, CostChange>), Error> {
    // What came later is undone: its first change says what stood there before.
    let later = sqlx::query_as!(
        Row,
        "select distinct on (item) change_id, item, former, value, currency, reason, set_by, set_at
        from rv.shop_cost where group_id = $1 and shop_id = $2 and set_at > $3
        order by item, set_at",
        group,
        shop.shop_id,
        at
    )
    .fetch_all(&mut *conn)
    .await?;
    for row in later {
        let change = CostChange::try_from(row)?;
        match change.former {
            None => shop.sheet.reset(change.item),
            Some(value) => shop
                .sheet
                .set(change.item, value)
                .map_err(|_| Error::corrupt("shop_cost", "former", change.change_id))?,
        }
    }
    let set = sqlx::query_as!(
        Row,
        "select distinct on (item) change_id, item, former, value, currency, reason, set_by, set_at
        from rv.shop_cost where group_id = $1 and shop_id = $2 and set_at <= $3
        order by item, set_at desc",
        group,
        shop.shop_id,
        at
    )
    .fetch_all(conn)
    .await?;
    let set = set.into_iter().map(CostChange::try_from);
    let set = set.collect::<Result<Vec<_>, _>>()?;
    Ok((
        shop,
        set.into_iter()
            .map(|change| (change.item, change))
            .collect(),
    ))
}
