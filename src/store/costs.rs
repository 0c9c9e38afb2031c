//! Table `shop`, its cost sheet: what an attempt costs there and what a recovery is worth.
//!
//! `shop_cost` keeps how it came to be: `sheet` states entries, and takes a sheet back to how it stood.

pub mod sheet;

use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::advice::economics::{CostItem, CostSheet};
use crate::record::words::Method;

/// What answers need to know of a shop.
#[derive(Debug, Clone, PartialEq)]
pub struct ShopCosts {
    /// Shop.
    pub shop_id: Uuid,
    /// Name, unique in the group.
    pub name: String,
    /// ISO 4217.
    pub currency: String,
    /// Southern hemisphere.
    pub southern: bool,
    /// Charging profile assumed when a question names none.
    pub usual_method: Option<Method>,
    /// What the shop stated, in its currency; defaults for the rest.
    pub sheet: CostSheet,
}

/// What a file says of a shop beside its costs; `None` leaves what is known.
#[derive(Debug, Clone, PartialEq)]
pub struct ShopFacts {
    /// Id it gets when no shop of that name exists.
    pub shop_id: Uuid,
    /// Name, unique in the group.
    pub name: String,
    /// ISO 4217.
    pub currency: Option<String>,
    /// Southern hemisphere.
    pub southern: Option<bool>,
    /// Charging profile assumed when a question names none.
    pub usual_method: Option<Method>,
}

struct Row {
    shop_id: Uuid,
    name: String,
    currency: String,
    southern: bool,
    usual_method: Option<String>,
    labour_per_h: Option<f64>,
    labour_min_per_attempt: Option<f64>,
    charger_hour: Option<f64>,
    kwh_price: Option<f64>,
    recovered_worth_fraction: Option<f64>,
    comeback_prob: Option<f64>,
    comeback_cost: Option<f64>,
    core_value: Option<f64>,
    hazard_prob: Option<f64>,
    hazard_cost: Option<f64>,
    planned_hours: Option<f64>,
    planned_kwh: Option<f64>,
}

impl Row {
    fn stated(&self, item: CostItem) -> Option<f64> {
        match item {
            CostItem::LabourPerH => self.labour_per_h,
            CostItem::LabourMin => self.labour_min_per_attempt,
            CostItem::ChargerHour => self.charger_hour,
            CostItem::KwhPrice => self.kwh_price,
            CostItem::PlannedHours => self.planned_hours,
            CostItem::PlannedKwh => self.planned_kwh,
            CostItem::RecoveredWorthFraction => self.recovered_worth_fraction,
            CostItem::CoreValue => self.core_value,
            CostItem::ComeBackProb => self.comeback_prob,
            CostItem::ComeBackCost => self.comeback_cost,
            CostItem::HazardProb => self.hazard_prob,
            CostItem::HazardCost => self.hazard_cost,
        }
    }
}

impl TryFrom<Row> for ShopCosts {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let mut sheet = CostSheet::default();
        for item in CostItem::ALL {
            if let Some(value) = row.stated(*item) {
                sheet
                    .set(*item, value)
                    .map_err(|_| Error::corrupt("shop", item.as_str(), row.shop_id))?;
            }
        }
        let usual_method = row.usual_method.as_deref().map(|text| {
            Method::find(text).ok_or_else(|| Error::corrupt("shop", "usual_method", row.shop_id))
        });
        Ok(Self {
            shop_id: row.shop_id,
            sheet: sheet.in_currency(&row.currency),
            usual_method: usual_method.transpose()?,
            name: row.name,
            currency: row.currency,
            southern: row.southern,
        })
    }
}

/// Finds shops by id, with what an attempt costs there.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    ids: &[Uuid],
) -> Result<Vec<ShopCosts>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select shop_id, name, currency, southern, usual_method, labour_per_h,
            labour_min_per_attempt, charger_hour, kwh_price, recovered_worth_fraction,
            comeback_prob, comeback_cost,
            core_value, hazard_prob, hazard_cost, planned_hours, planned_kwh
        from rv.shop where group_id = $1 and shop_id = any($2) order by shop_id",
        group,
        ids
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(ShopCosts::try_from).collect()
}

/// Finds shops by name.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find_named(
    conn: &mut PgConnection,
    group: Uuid,
    names: &[String],
) -> Result<Vec<ShopCosts>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select shop_id, name, currency, southern, usual_method, labour_per_h,
            labour_min_per_attempt, charger_hour, kwh_price, recovered_worth_fraction,
            comeback_prob, comeback_cost,
            core_value, hazard_prob, hazard_cost, planned_hours, planned_kwh
        from rv.shop where group_id = $1 and name = any($2) order by name",
        group,
        names
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(ShopCosts::try_from).collect()
}

/// Makes a shop, or writes what is said over what is known of the one of that name; returns its id. Its costs are
/// stated by `sheet::state`.
///
/// # Errors
/// `Refused` for a currency that is none; database errors.
pub async fn save(conn: &mut PgConnection, group: Uuid, shop: &ShopFacts) -> Result<Uuid, Error> {
    let shop_id = sqlx::query_scalar!(
        "insert into rv.shop as s (group_id, shop_id, name, currency, southern, usual_method)
        values ($1, $2, $3, coalesce($4, 'USD'), coalesce($5, false), $6)
        on conflict (group_id, name) do update set currency = coalesce($4, s.currency),
            southern = coalesce($5, s.southern), usual_method = coalesce($6, s.usual_method)
        returning shop_id",
        group,
        shop.shop_id,
        shop.name,
        shop.currency,
        shop.southern,
        shop.usual_method.map(Method::as_str)
    )
    .fetch_one(conn)
    .await?;
    Ok(shop_id)
}
