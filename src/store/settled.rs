//! Attempts that are settled, with what was answered before them: for savings and scores.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// An attempt with a label, and the verdict it began on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Shop.
    pub shop_id: Uuid,
    /// Start of the charge.
    pub started_at: DateTime<Utc>,
    /// Charger hours used; `None` where nobody said.
    pub hours: Option<f64>,
    /// Chance, worth and cost as they were answered before; `None` without a verdict that had them.
    pub before: Option<(f64, f64, f64)>,
    /// It was the first of its visit: the answer was about it.
    pub first: bool,
    /// What came of it.
    pub recovered: bool,
}

/// Attempts with a label, in the order of their start; at most `most`, the newest.
///
/// # Errors
/// Database errors.
pub async fn settled(
    conn: &mut PgConnection,
    group: Uuid,
    (shop, most): (Option<Uuid>, i64),
) -> Result<Vec<Settled>, Error> {
    let rows = sqlx::query!(
        r#"select a.shop_id, a.started_at, a.hours, v.chance as "chance?", v.worth as "worth?",
            v.cost as "cost?", o.label as "label!",
            exists (select from rv.counted_visit c
                where c.group_id = a.group_id and c.visit_id = a.visit_id
                    and c.attempt_id = a.attempt_id) as "first!"
        from rv.attempt a
            join rv.outcome o on o.group_id = a.group_id and o.attempt_id = a.attempt_id
                and o.revision = a.outcome_revision
            left join rv.verdict v on v.group_id = a.group_id and v.verdict_id = a.verdict_id
        where a.group_id = $1 and ($2::uuid is null or a.shop_id = $2) and o.label is not null
        order by a.started_at desc, a.attempt_id desc limit $3"#,
        group,
        shop,
        most
    )
    .fetch_all(conn)
    .await?;
    let mut found: Vec<Settled> = rows
        .into_iter()
        .map(|row| Settled {
            shop_id: row.shop_id,
            started_at: row.started_at,
            hours: row.hours,
            before: match (row.chance, row.worth, row.cost) {
                (Some(chance), Some(worth), Some(cost)) => Some((chance, worth, cost)),
                _ => None,
            },
            first: row.first,
            recovered: row.label,
        })
        .collect();
    found.reverse();
    Ok(found)
}
