//! Frozen answers beside what came of them, audits beside what was left, and who saw a drift.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::model::quality::{Acknowledged, Frozen};
use crate::record::words::{Answer, Method};

/// First attempts with a label: when that became known and whether recovered, and the answers they began on.
pub type Answered = (Vec<(DateTime<Utc>, bool)>, Vec<Frozen>);

/// Settled first attempts of a group; at most `most` of each, the newest. Without any answer before an attempt
/// both are empty.
///
/// Each row is looked up by its key: of tables that were just filled the planner knows nothing, and joined them row
/// by row otherwise.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn answered(conn: &mut PgConnection, group: Uuid, most: i64) -> Result<Answered, Error> {
    let rows = sqlx::query!(
        r#"select a.attempt_id, a.method, a.charger_ref, o.label as "label!", o.revised_at as "revised_at!",
            v.answered_at as "answered_at!", v.chance as "chance!", v.band_n as "band_n!", v.band_y as "band_y!",
            w.firmware as "firmware?"
        from rv.attempt a
            join lateral (
                select c.visit_id from rv.counted_visit c
                where c.group_id = a.group_id and c.visit_id = a.visit_id and c.attempt_id = a.attempt_id
                limit 1) c on true
            join lateral (
                select o.label, o.revised_at from rv.outcome o
                where o.group_id = a.group_id and o.attempt_id = a.attempt_id
                order by o.revision desc limit 1) o on true
            join lateral (
                select v.answered_at, v.chance, v.band_n, v.band_y from rv.verdict v
                where v.group_id = a.group_id and v.verdict_id = a.verdict_id limit 1) v on true
            left join lateral (
                select f.firmware from rv.claim k
                    join rv.session s on s.group_id = k.group_id and s.session_id = k.session_id
                    join rv.device d on d.group_id = s.group_id and d.device_id = s.device_id and d.kind = 'charger'
                    join rv.device_firmware f
                        on f.group_id = s.group_id and f.device_id = s.device_id and f.since <= s.end_at
                where k.group_id = a.group_id and k.attempt_id = a.attempt_id and k.revoked_at is null
                order by f.since desc limit 1) w on true
        where a.group_id = $1 and a.verdict_id is not null and o.label is not null
            and v.chance is not null and v.answered_at <= o.revised_at
        order by o.revised_at desc, a.attempt_id limit $2"#,
        group,
        most
    )
    .fetch_all(&mut *conn)
    .await?;
    if rows.is_empty() {
        return Ok(Answered::default());
    }
    let frozen = rows.into_iter().map(|row| {
        let method = Method::find(&row.method);
        Ok(Frozen {
            answered_at: row.answered_at,
            known_at: row.revised_at,
            chance: row.chance,
            band: (row.band_n.unsigned_abs(), row.band_y.unsigned_abs()),
            method: method.ok_or_else(|| Error::corrupt("attempt", "method", row.attempt_id))?,
            charger: row.charger_ref.unwrap_or_default(),
            firmware: row.firmware.unwrap_or_default(),
            recovered: row.label,
        })
    });
    let frozen: Vec<Frozen> = frozen.collect::<Result<_, Error>>()?;
    let outcomes = sqlx::query!(
        r#"select o.label as "label!", o.revised_at as "revised_at!"
        from rv.counted_visit c
            join lateral (
                select o.label, o.revised_at from rv.outcome o
                where o.group_id = c.group_id and o.attempt_id = c.attempt_id
                order by o.revision desc limit 1) o on true
        where c.group_id = $1 and c.attempt_id is not null and o.label is not null
        order by o.revised_at desc limit $2"#,
        group,
        most
    );
    let outcomes = outcomes.fetch_all(conn).await?;
    let outcomes = outcomes.into_iter().map(|row| (row.revised_at, row.label));
    Ok((outcomes.collect(), frozen))
}

/// An answer that advised against an attempt, or made one to learn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    /// Shop.
    pub shop_id: Uuid,
    /// When.
    pub answered_at: DateTime<Utc>,
    /// Chance the policy gave to an attempt, 0 to 1.
    pub propensity: f64,
    /// Of an audit whose outcome is known: whether it recovered, its worth and its cost.
    pub audit: Option<(bool, f64, f64)>,
}

/// The newest answer of each battery that was no attempt by its own worth; at most `most`, the newest.
///
/// # Errors
/// Database errors.
pub async fn left(
    conn: &mut PgConnection,
    group: Uuid,
    (shop, most): (Option<Uuid>, i64),
) -> Result<Vec<Left>, Error> {
    let rows = sqlx::query!(
        r#"select v.shop_id, v.answered_at, v.propensity, v.answer, v.worth, v.cost, o.label as "label?"
        from (select distinct on (v.visit_id) v.* from rv.verdict v
                join rv.visit i on i.group_id = v.group_id and i.visit_id = v.visit_id
            where v.group_id = $1 and not i.anonymous and ($2::uuid is null or v.shop_id = $2)
            order by v.visit_id, v.answered_at desc, v.verdict_id desc) v
            left join lateral (
                select o.label from rv.attempt a
                    join lateral (
                        select o.label from rv.outcome o
                        where o.group_id = a.group_id and o.attempt_id = a.attempt_id
                        order by o.revision desc limit 1) o on true
                where a.group_id = v.group_id and a.visit_id = v.visit_id and a.verdict_id = v.verdict_id
                order by a.started_at limit 1) o on v.answer = 'audit_attempt'
        where v.answer in ('do_not_attempt', 'audit_attempt')
        order by v.answered_at desc, v.verdict_id limit $3"#,
        group,
        shop,
        most
    )
    .fetch_all(conn)
    .await?;
    let left = rows.into_iter().map(|row| {
        // What a person tried against the advice was no draw of the coin.
        let drawn = row.answer == Answer::AuditAttempt.as_str();
        let known = row.label.filter(|_| drawn).zip(row.worth).zip(row.cost);
        Left {
            shop_id: row.shop_id,
            answered_at: row.answered_at,
            propensity: row.propensity,
            audit: known.map(|((label, worth), cost)| (label, worth, cost)),
        }
    });
    Ok(left.collect())
}

/// Answers since a moment that had a chance, and those of them that rested on belief alone.
///
/// # Errors
/// Database errors.
pub async fn thin_since(
    conn: &mut PgConnection,
    group: Uuid,
    since: DateTime<Utc>,
) -> Result<(i64, i64), Error> {
    let row = sqlx::query!(
        r#"select count(*) as "all!", count(*) filter (where belief_only) as "thin!"
        from rv.verdict where group_id = $1 and answered_at >= $2 and chance is not null"#,
        group,
        since
    )
    .fetch_one(conn)
    .await?;
    Ok((row.all, row.thin))
}

/// Who saw which drift, oldest first.
///
/// # Errors
/// Database errors.
pub async fn acknowledged(
    conn: &mut PgConnection,
    group: Uuid,
) -> Result<Vec<Acknowledged>, Error> {
    let rows = sqlx::query!(
        "select stream, acknowledged_at, acknowledged_by, reason from rv.drift_acknowledgement
        where group_id = $1 order by acknowledged_at desc, acknowledgement_id limit 10000",
        group
    )
    .fetch_all(conn)
    .await?;
    let seen = rows.into_iter().rev().map(|row| Acknowledged {
        stream: row.stream,
        at: row.acknowledged_at,
        by: row.acknowledged_by,
        reason: row.reason,
    });
    Ok(seen.collect())
}

/// Keeps that a person has seen a drift; `by_token` is the name of the token it was said with.
///
/// # Errors
/// `Refused` outside the ranges; database errors.
pub async fn acknowledge(
    conn: &mut PgConnection,
    (group, id): (Uuid, Uuid),
    seen: &Acknowledged,
    by_token: &str,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.drift_acknowledgement (group_id, acknowledgement_id, stream, acknowledged_by, reason,
            set_by, acknowledged_at)
        values ($1, $2, $3, $4, $5, $6, $7)",
        group,
        id,
        seen.stream,
        seen.by,
        seen.reason,
        by_token,
        seen.at
    )
    .execute(conn)
    .await?;
    Ok(())
}
