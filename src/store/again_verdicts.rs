//! Table `again_verdict`: answers about second nights, frozen as they were given, beside what came of them.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::model::scores::Forecast;
use crate::record::words::Answer;

/// An answer about a second night.
#[derive(Debug, Clone, PartialEq)]
pub struct AgainVerdict {
    /// Id.
    pub again_verdict_id: Uuid,
    /// First attempt.
    pub attempt_id: Uuid,
    /// Visit of both attempts.
    pub visit_id: Uuid,
    /// Shop whose costs counted.
    pub shop_id: Uuid,
    /// When it was given.
    pub answered_at: DateTime<Utc>,
    /// The answer.
    pub answer: Answer,
    /// Chance, 0 to 1; `None` where it was not told.
    pub chance: Option<f64>,
    /// Worth and cost, money; `None` where they were not weighed.
    pub worth_and_cost: Option<(f64, f64)>,
    /// ISO 4217.
    pub currency: String,
    /// Model of second attempts.
    pub model_version: String,
    /// Newest outcome the answer knew.
    pub cut_off: Option<DateTime<Utc>>,
    /// The whole answer as JSON.
    pub body: String,
}

/// Keeps answers.
///
/// # Errors
/// Database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    verdicts: &[AgainVerdict],
) -> Result<(), Error> {
    let ids = |of: fn(&AgainVerdict) -> Uuid| verdicts.iter().map(of).collect::<Vec<_>>();
    let words = |of: fn(&AgainVerdict) -> &str| {
        let words = verdicts.iter().map(|one| of(one).to_owned());
        words.collect::<Vec<_>>()
    };
    let numbers =
        |of: fn(&AgainVerdict) -> Option<f64>| verdicts.iter().map(of).collect::<Vec<_>>();
    sqlx::query!(
        "insert into rv.again_verdict (group_id, again_verdict_id, attempt_id, visit_id, shop_id, answered_at,
            answer, chance, worth, cost, currency, model_version, cut_off, body)
        select $1, k.id, k.attempt, k.visit, k.shop, k.answered, k.answer, k.chance, k.worth, k.cost, k.currency,
            k.model, k.cut_off, k.body::jsonb
        from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::uuid[], $6::timestamptz[], $7::text[], $8::float8[],
            $9::float8[], $10::float8[], $11::text[], $12::text[], $13::timestamptz[], $14::text[])
            as k (id, attempt, visit, shop, answered, answer, chance, worth, cost, currency, model, cut_off, body)",
        group,
        &ids(|one| one.again_verdict_id),
        &ids(|one| one.attempt_id),
        &ids(|one| one.visit_id),
        &ids(|one| one.shop_id),
        &verdicts.iter().map(|one| one.answered_at).collect::<Vec<_>>(),
        &words(|one| one.answer.as_str()),
        &numbers(|one| one.chance) as &[Option<f64>],
        &numbers(|one| one.worth_and_cost.map(|money| money.0)) as &[Option<f64>],
        &numbers(|one| one.worth_and_cost.map(|money| money.1)) as &[Option<f64>],
        &words(|one| &one.currency),
        &words(|one| &one.model_version),
        &verdicts.iter().map(|one| one.cut_off).collect::<Vec<_>>() as &[Option<DateTime<Utc>>],
        &words(|one| &one.body)
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Shop and body of an answer; `None` when there is none of this id.
///
/// # Errors
/// Database errors.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<(Uuid, String)>, Error> {
    let row = sqlx::query!(
        r#"select shop_id, body::text as "body!" from rv.again_verdict
        where group_id = $1 and again_verdict_id = $2"#,
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    Ok(row.map(|row| (row.shop_id, row.body)))
}

/// Second attempts with a known outcome, each with the chance that was told last before it began and before its
/// outcome was known; at most `most`, the newest.
///
/// Rows are looked up by their keys, as in `store::quality`.
///
/// # Errors
/// Database errors.
pub async fn settled(
    conn: &mut PgConnection,
    group: Uuid,
    most: i64,
) -> Result<Vec<Forecast>, Error> {
    let forecasts = sqlx::query_as!(
        Forecast,
        r#"select distinct on (s.attempt_id) v.chance as "chance!", o.label as "recovered!"
        from rv.again_verdict v
            join lateral (
                select a.attempt_id from rv.attempt a
                where a.group_id = v.group_id and a.visit_id = v.visit_id and a.attempt_id <> v.attempt_id
                    and a.started_at >= v.answered_at
                order by a.started_at, a.attempt_id limit 1) s on true
            join lateral (
                select o.label from rv.outcome o
                where o.group_id = v.group_id and o.attempt_id = s.attempt_id
                order by o.revision desc limit 1) o on true
        where v.group_id = $1 and v.chance is not null and o.label is not null
        order by s.attempt_id desc, v.answered_at desc limit $2"#,
        group,
        most
    )
    .fetch_all(conn)
    .await?;
    Ok(forecasts)
}
