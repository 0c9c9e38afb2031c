//! Table `attempt`: charges meant to bring a battery back.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::attempt::Attempt;
use crate::record::sample::Digest;
use crate::record::words::{Disposition, EndReason, Method, Purpose};

/// An attempt with its keys.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredAttempt {
    /// Id.
    pub attempt_id: Uuid,
    /// Visit.
    pub visit_id: Uuid,
    /// Shop.
    pub shop_id: Uuid,
    /// Bench.
    pub bench_id: Option<Uuid>,
    /// What the outcome needs: purpose, method, start, end and why.
    pub attempt: Attempt,
    /// Planned voltage limit, volts.
    pub planned_v: Option<f64>,
    /// Planned current limit, amperes.
    pub planned_a: Option<f64>,
    /// Verdict it began on.
    pub verdict_id: Option<Uuid>,
    /// Charger id of an imported file.
    pub charger_ref: Option<String>,
    /// Name of the token that started it.
    pub started_by: String,
    /// Hours charged.
    pub hours: Option<f64>,
    /// What became of the battery.
    pub disposition: Option<Disposition>,
    /// Newest revision of its outcome; 0 = none yet.
    pub outcome_revision: i32,
    /// Digest of what it was started with.
    pub content_digest: Digest,
}

struct Row {
    attempt_id: Uuid,
    visit_id: Uuid,
    shop_id: Uuid,
    bench_id: Option<Uuid>,
    purpose: String,
    method: String,
    planned_v: Option<f64>,
    planned_a: Option<f64>,
    verdict_id: Option<Uuid>,
    charger_ref: Option<String>,
    started_by: String,
    started_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
    end_reason: Option<String>,
    hours: Option<f64>,
    disposition: Option<String>,
    outcome_revision: i32,
    content_digest: Vec<u8>,
}

impl TryFrom<Row> for StoredAttempt {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("attempt", column, row.attempt_id);
        let end_reason = row
            .end_reason
            .as_deref()
            .map(|text| EndReason::find(text).ok_or_else(|| corrupt("end_reason")));
        let disposition = row
            .disposition
            .as_deref()
            .map(|text| Disposition::find(text).ok_or_else(|| corrupt("disposition")));
        let digest = row.content_digest.as_slice().try_into();
        Ok(Self {
            attempt_id: row.attempt_id,
            visit_id: row.visit_id,
            shop_id: row.shop_id,
            bench_id: row.bench_id,
            attempt: Attempt {
                purpose: Purpose::find(&row.purpose).ok_or_else(|| corrupt("purpose"))?,
                method: Method::find(&row.method).ok_or_else(|| corrupt("method"))?,
                started_at: row.started_at,
                ended_at: row.ended_at,
                end_reason: end_reason.transpose()?,
            },
            planned_v: row.planned_v,
            planned_a: row.planned_a,
            verdict_id: row.verdict_id,
            disposition: disposition.transpose()?,
            content_digest: digest.map_err(|_| corrupt("content_digest"))?,
            charger_ref: row.charger_ref,
            started_by: row.started_by,
            hours: row.hours,
            outcome_revision: row.outcome_revision,
        })
    }
}

/// Writes an attempt, started or complete; `false` when one of that id exists, which stays as
/// it is.
///
/// # Errors
/// `Refused` when visit, shop, bench or verdict do not exist; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    new: &StoredAttempt,
) -> Result<bool, Error> {
    Ok(!insert_all(conn, group, std::slice::from_ref(new))
        .await?
        .is_empty())
}

/// Writes attempts in one statement; returns the ids of those that are new.
///
/// An attempt that exists, or stands twice in the list, stays as it first came.
///
/// # Errors
/// `Refused` when a visit, shop, bench or verdict does not exist; database errors.
pub async fn insert_all(
    conn: &mut PgConnection,
    group: Uuid,
    new: &[StoredAttempt],
) -> Result<Vec<Uuid>, Error> {
    let ids = |pick: fn(&StoredAttempt) -> Uuid| -> Vec<Uuid> { new.iter().map(pick).collect() };
    let keys = |pick: fn(&StoredAttempt) -> Option<Uuid>| -> Vec<Option<Uuid>> {
        new.iter().map(pick).collect()
    };
    let numbers = |pick: fn(&StoredAttempt) -> Option<f64>| -> Vec<Option<f64>> {
        new.iter().map(pick).collect()
    };
    let words = |pick: fn(&StoredAttempt) -> Option<&str>| -> Vec<Option<String>> {
        new.iter().map(|one| pick(one).map(str::to_owned)).collect()
    };
    let ids = sqlx::query_scalar!(
        "insert into rv.attempt (group_id, attempt_id, visit_id, shop_id, bench_id, purpose, method,
            planned_v, planned_a, verdict_id, charger_ref, started_by, started_at, ended_at,
            end_reason, hours, disposition, outcome_revision, content_digest)
        select $1, k.id, k.visit, k.shop, k.bench, k.purpose, k.method, k.planned_v, k.planned_a,
            k.verdict, k.charger, k.started_by, k.started_at, k.ended_at, k.end_reason, k.hours,
            k.disposition, k.revision, k.digest
        from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::uuid[], $6::text[], $7::text[],
            $8::float8[], $9::float8[], $10::uuid[], $11::text[], $12::text[], $13::timestamptz[],
            $14::timestamptz[], $15::text[], $16::float8[], $17::text[], $18::int[], $19::bytea[])
            with ordinality
            as k (id, visit, shop, bench, purpose, method, planned_v, planned_a, verdict, charger,
                started_by, started_at, ended_at, end_reason, hours, disposition, revision, digest,
                place)
        order by k.place
        on conflict do nothing
        returning attempt_id",
        group,
        &ids(|one| one.attempt_id),
        &ids(|one| one.visit_id),
        &ids(|one| one.shop_id),
        &keys(|one| one.bench_id) as &[Option<Uuid>],
        &words(|one| Some(one.attempt.purpose.as_str())) as &[Option<String>],
        &words(|one| Some(one.attempt.method.as_str())) as &[Option<String>],
        &numbers(|one| one.planned_v) as &[Option<f64>],
        &numbers(|one| one.planned_a) as &[Option<f64>],
        &keys(|one| one.verdict_id) as &[Option<Uuid>],
        &words(|one| one.charger_ref.as_deref()) as &[Option<String>],
        &words(|one| Some(&one.started_by)) as &[Option<String>],
        &new.iter().map(|one| one.attempt.started_at).collect::<Vec<_>>(),
        &new.iter().map(|one| one.attempt.ended_at).collect::<Vec<_>>() as &[Option<DateTime<Utc>>],
        &words(|one| one.attempt.end_reason.map(EndReason::as_str)) as &[Option<String>],
        &numbers(|one| one.hours) as &[Option<f64>],
        &words(|one| one.disposition.map(Disposition::as_str)) as &[Option<String>],
        &new.iter().map(|one| one.outcome_revision).collect::<Vec<_>>(),
        &new.iter().map(|one| one.content_digest.to_vec()).collect::<Vec<_>>()
    )
    .fetch_all(conn)
    .await?;
    Ok(ids)
}

/// Digests of what attempts were started with, by id.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn digests(
    conn: &mut PgConnection,
    group: Uuid,
    ids: &[Uuid],
) -> Result<Vec<(Uuid, Digest)>, Error> {
    let rows = sqlx::query!(
        "select attempt_id, content_digest from rv.attempt
        where group_id = $1 and attempt_id = any($2)",
        group,
        ids
    )
    .fetch_all(conn)
    .await?;
    let read = |id: Uuid, bytes: &[u8]| {
        let digest = bytes.try_into();
        digest
            .map(|digest| (id, digest))
            .map_err(|_| Error::corrupt("attempt", "content_digest", id))
    };
    rows.iter()
        .map(|row| read(row.attempt_id, &row.content_digest))
        .collect()
}

/// Finds an attempt.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredAttempt>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select attempt_id, visit_id, shop_id, bench_id, purpose, method, planned_v, planned_a,
            verdict_id, charger_ref, started_by, started_at, ended_at, end_reason, hours,
            disposition, outcome_revision, content_digest
        from rv.attempt where group_id = $1 and attempt_id = $2",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(StoredAttempt::try_from).transpose()
}

/// Finds an attempt and keeps others from changing it until the transaction ends.
///
/// Rows may still refer to it meanwhile: with a stronger lock two writers who each added a reading
/// first would wait for each other.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn lock(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredAttempt>, Error> {
    let row = sqlx::query_as!(
        Row,
        "select attempt_id, visit_id, shop_id, bench_id, purpose, method, planned_v, planned_a,
            verdict_id, charger_ref, started_by, started_at, ended_at, end_reason, hours,
            disposition, outcome_revision, content_digest
        from rv.attempt where group_id = $1 and attempt_id = $2 for no key update",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(StoredAttempt::try_from).transpose()
}

/// Attempts of a visit that have an outcome and, when a time is given, began then or later; by id.
///
/// # Errors
/// Database errors.
pub async fn judged_since(
    conn: &mut PgConnection,
    group: Uuid,
    visit: Uuid,
    since: Option<DateTime<Utc>>,
) -> Result<Vec<Uuid>, Error> {
    let ids = sqlx::query_scalar!(
        "select attempt_id from rv.attempt
        where group_id = $1 and visit_id = $2 and outcome_revision > 0
            and ($3::timestamptz is null or started_at >= $3)
        order by attempt_id",
        group,
        visit,
        since
    )
    .fetch_all(conn)
    .await?;
    Ok(ids)
}

/// Start of the next charge of the same visit; `None` when there is none.
///
/// # Errors
/// Database errors.
pub async fn next_start(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: &StoredAttempt,
) -> Result<Option<DateTime<Utc>>, Error> {
    let at = sqlx::query_scalar!(
        "select min(started_at) from rv.attempt
        where group_id = $1 and visit_id = $2 and (started_at, attempt_id) > ($3, $4)",
        group,
        attempt.visit_id,
        attempt.attempt.started_at,
        attempt.attempt_id
    )
    .fetch_one(conn)
    .await?;
    Ok(at)
}

/// The newest attempt of a visit that began at a time or before.
///
/// # Errors
/// Database errors.
pub async fn begun_before(
    conn: &mut PgConnection,
    group: Uuid,
    visit: Uuid,
    at: DateTime<Utc>,
) -> Result<Option<(Uuid, DateTime<Utc>)>, Error> {
    let row = sqlx::query!(
        "select attempt_id, started_at from rv.attempt
        where group_id = $1 and visit_id = $2 and started_at < $3
        order by started_at desc, attempt_id desc limit 1",
        group,
        visit,
        at
    )
    .fetch_optional(conn)
    .await?;
    Ok(row.map(|row| (row.attempt_id, row.started_at)))
}

/// Writes the end of an attempt.
///
/// # Errors
/// `Refused` when the end lies before the start; database errors.
pub async fn end(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    (reason, ended_at, hours): (EndReason, DateTime<Utc>, f64),
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.attempt set end_reason = $3, ended_at = $4, hours = $5
        where group_id = $1 and attempt_id = $2",
        group,
        id,
        reason.as_str(),
        ended_at,
        hours
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Writes what became of the battery.
///
/// # Errors
/// Database errors.
pub async fn set_disposition(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
    disposition: Disposition,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.attempt set disposition = $3 where group_id = $1 and attempt_id = $2",
        group,
        id,
        disposition.as_str()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Filter of a listing; newest first.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// Only this shop.
    pub shop: Option<Uuid>,
    /// Only attempts after this one in the listing.
    pub before: Option<(DateTime<Utc>, Uuid)>,
    /// Rows at most.
    pub limit: i64,
}

/// Lists attempts by start, newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    filter: Filter,
) -> Result<Vec<StoredAttempt>, Error> {
    let (before_at, before_id) = filter.before.unzip();
    let rows = sqlx::query_as!(
        Row,
        "select attempt_id, visit_id, shop_id, bench_id, purpose, method, planned_v, planned_a,
            verdict_id, charger_ref, started_by, started_at, ended_at, end_reason, hours,
            disposition, outcome_revision, content_digest
        from rv.attempt
        where group_id = $1 and ($2::uuid is null or shop_id = $2)
            and ($3::timestamptz is null or started_at < $3
                or (started_at = $3 and attempt_id > $4::uuid))
        order by started_at desc, attempt_id limit $5",
        group,
        filter.shop,
        before_at,
        before_id,
        filter.limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredAttempt::try_from).collect()
}

/// Visit and shop a verdict was given for.
///
/// # Errors
/// Database errors.
pub async fn visit_of_verdict(
    conn: &mut PgConnection,
    group: Uuid,
    verdict: Uuid,
) -> Result<Option<Uuid>, Error> {
    let visit = sqlx::query_scalar!(
        "select visit_id from rv.verdict where group_id = $1 and verdict_id = $2",
        group,
        verdict
    )
    .fetch_optional(conn)
    .await?;
    Ok(visit)
}
