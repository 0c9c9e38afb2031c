//! Table `rule_override`: changed thresholds of the analysis, appended and never changed.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// One change of one threshold.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RuleOverride {
    /// Id.
    pub override_id: Uuid,
    /// Only for this shop; `None` = every shop.
    pub shop_id: Option<Uuid>,
    /// Only for batteries of this label; `None` = every battery.
    pub battery_label: Option<String>,
    /// Name of the threshold.
    pub rule_key: String,
    /// Value in its unit; `None` = back to the default.
    pub value: Option<f64>,
    /// Why.
    pub reason: String,
    /// Name of the token.
    pub set_by: String,
    /// When.
    pub set_at: DateTime<Utc>,
}

/// Appends a change.
///
/// # Errors
/// `Refused` for a shop that does not exist; database errors.
pub async fn insert(conn: &mut PgConnection, group: Uuid, new: &RuleOverride) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.rule_override (group_id, override_id, shop_id, battery_label, rule_key, value,
            reason, set_by, set_at)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        group,
        new.override_id,
        new.shop_id,
        new.battery_label,
        new.rule_key,
        new.value,
        new.reason,
        new.set_by,
        new.set_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The newest change of each scope and threshold that speaks of a shop and a battery label; the wider scope
/// first, so that the narrower one is the last word. A scope that is not asked for is left out.
///
/// # Errors
/// Database errors.
pub async fn in_force(
    conn: &mut PgConnection,
    group: Uuid,
    (shop, label): (Option<Uuid>, Option<&str>),
) -> Result<Vec<RuleOverride>, Error> {
    let mut rows = sqlx::query_as!(
        RuleOverride,
        "select distinct on (shop_id, battery_label, rule_key) override_id, shop_id, battery_label,
            rule_key, value, reason, set_by, set_at
        from rv.rule_override
        where group_id = $1 and (shop_id is null or shop_id = $2)
            and (battery_label is null or battery_label = $3)
        order by shop_id, battery_label, rule_key, set_at desc, override_id desc",
        group,
        shop,
        label
    )
    .fetch_all(conn)
    .await?;
    rows.sort_by_key(|row| (row.battery_label.is_some(), row.shop_id.is_some()));
    Ok(rows)
}

/// Label of the battery of a visit.
///
/// # Errors
/// Database errors.
pub async fn label_of(
    conn: &mut PgConnection,
    group: Uuid,
    battery: Uuid,
) -> Result<Option<String>, Error> {
    let label = sqlx::query_scalar!(
        "select label from rv.battery where group_id = $1 and battery_id = $2",
        group,
        battery
    )
    .fetch_optional(conn)
    .await?;
    Ok(label.flatten())
}
