//! Table `shop`, its cost sheet: what an attempt costs there and what a recovery is worth.

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

/// What a file says of a shop; `None` and absent entries leave what is known.
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
    /// Entries of the cost sheet.
    pub costs: Vec<(CostItem, f64)>,
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

/// Makes a shop, or writes what is said over what is known of the one of that name.
///
/// # Errors
/// `Refused` for a currency that is none; database errors.
pub async fn save(conn: &mut PgConnection, group: Uuid, shop: &ShopFacts) -> Result<(), Error> {
    let cost = |item: CostItem| {
        shop.costs
            .iter()
            .rev()
            .find(|(named, _)| *named == item)
            .map(|(_, value)| *value)
    };
    sqlx::query!(
        "insert into rv.shop as s (group_id, shop_id, name, currency, southern, usual_method,
            labour_per_h, labour_min_per_attempt, charger_hour, kwh_price, recovered_worth_fraction,
            comeback_prob, comeback_cost, core_value, hazard_prob, hazard_cost, planned_hours,
            planned_kwh)
        values ($1, $2, $3, coalesce($4, 'USD'), coalesce($5, false), $6, $7, $8, $9, $10, $11, $12,
            $13, $14, $15, $16, $17, $18)
        on conflict (group_id, name) do update set currency = coalesce($4, s.currency),
            southern = coalesce($5, s.southern), usual_method = coalesce($6, s.usual_method),
            labour_per_h = coalesce($7, s.labour_per_h),
            labour_min_per_attempt = coalesce($8, s.labour_min_per_attempt),
            charger_hour = coalesce($9, s.charger_hour), kwh_price = coalesce($10, s.kwh_price),
            recovered_worth_fraction = coalesce($11, s.recovered_worth_fraction),
            comeback_prob = coalesce($12, s.comeback_prob),
            comeback_cost = coalesce($13, s.comeback_cost), core_value = coalesce($14,
            s.core_value),
            hazard_prob = coalesce($15, s.hazard_prob), hazard_cost = coalesce($16, s.hazard_cost),
            planned_hours = coalesce($17, s.planned_hours),
            planned_kwh = coalesce($18, s.planned_kwh)",
        group,
        shop.shop_id,
        shop.name,
        shop.currency,
        shop.southern,
        shop.usual_method.map(Method::as_str),
        cost(CostItem::LabourPerH),
        cost(CostItem::LabourMin),
        cost(CostItem::ChargerHour),
        cost(CostItem::KwhPrice),
        cost(CostItem::RecoveredWorthFraction),
        cost(CostItem::ComeBackProb),
        cost(CostItem::ComeBackCost),
        cost(CostItem::CoreValue),
        cost(CostItem::HazardProb),
        cost(CostItem::HazardCost),
        cost(CostItem::PlannedHours),
        cost(CostItem::PlannedKwh)
    )
    .execute(conn)
    .await?;
    Ok(())
}
