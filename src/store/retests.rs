//! View `report.due_retest`: voltages still to be read after charges.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;

/// One voltage that is due.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct DueRetest {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Visit.
    pub visit_id: Uuid,
    /// Shop.
    pub shop_id: Uuid,
    /// Bench.
    pub bench: Option<String>,
    /// Code on the battery's case.
    pub label: Option<String>,
    /// Rest that the reading needs, minutes.
    pub rested_min: f64,
    /// When that rest is reached.
    pub due_at: DateTime<Utc>,
    /// From then on it no longer tells what it should.
    pub late_at: DateTime<Utc>,
}

/// What is due at `until` and not yet too late, oldest first, at most 1,000.
///
/// # Errors
/// Database errors.
pub async fn due(
    conn: &mut PgConnection,
    group: Uuid,
    (shop, until): (Option<Uuid>, DateTime<Utc>),
) -> Result<Vec<DueRetest>, Error> {
    let rows = sqlx::query_as!(
        DueRetest,
        r#"select d.attempt_id as "attempt_id!", d.visit_id as "visit_id!",
            d.shop_id as "shop_id!", b.name as "bench?", y.label as "label?",
            d.rested_minutes::float8 as "rested_min!", d.due_at as "due_at!",
            d.late_at as "late_at!"
        from report.due_retest d
        left join rv.bench b on b.group_id = d.group_id and b.bench_id = d.bench_id
        left join rv.battery y on y.group_id = d.group_id and y.battery_id = d.battery_id
        where d.group_id = $1 and ($2::uuid is null or d.shop_id = $2)
            and d.due_at <= $3 and d.late_at > $3
        order by d.due_at, d.attempt_id limit 1000"#,
        group,
        shop,
        until
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}
