//! Table `watch_state`, and what tells the watch that a run has news.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::analysis::stop::StopLevel;
use crate::record::words::Stage;

/// What must differ before a run is looked at again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Print {
    /// Session that leads the run.
    pub session_id: Uuid,
    /// Samples may still come.
    pub open: bool,
    /// It has samples that the last close did not see.
    pub dirty: bool,
    /// Arrivals of it and of the sessions around those asked about on its bench, added up once a bench, us: the
    /// newest alone would hide a slower commit of another device.
    pub heard_us: i64,
    /// How many these are.
    pub session_count: i64,
    /// Its live claim.
    pub claim_id: Option<Uuid>,
    /// Newest reading of the battery that the claim names.
    pub read_at: Option<DateTime<Utc>>,
}

/// Looks which of some leading sessions have news: one statement for all of a group.
///
/// # Errors
/// Database errors.
pub async fn prints(
    conn: &mut PgConnection,
    group: Uuid,
    sessions: &[Uuid],
) -> Result<Vec<Print>, Error> {
    let rows = sqlx::query_as!(
        Print,
        r#"with l as (
            select l.* from unnest($2::uuid[]) as k (id)
            join rv.session l on l.group_id = $1 and l.session_id = k.id),
        b as (
            select l.bench_id, min(l.start_at) as first_at, max(l.end_at) as last_at from l
            where l.bench_id is not null group by l.bench_id),
        m as (
            select b.bench_id, sum((extract(epoch from s.last_received_at) * 1000000)::bigint) as heard,
                count(*) as count
            from b join rv.session s on s.group_id = $1 and s.bench_id = b.bench_id
                and s.state <> 'absorbed'
                and s.start_at between b.first_at - interval '96 hours' and b.last_at
                and s.end_at >= b.first_at - interval '15 minutes'
            group by b.bench_id)
        select l.session_id, l.state = 'open' as "open!", l.dirty,
            ((extract(epoch from l.last_received_at) * 1000000)::bigint
                + coalesce(m.heard, 0))::bigint as "heard_us!", coalesce(m.count, 0) as "session_count!",
            c.claim_id as "claim_id?", t.read_at
        from l
        left join m on m.bench_id = l.bench_id
        left join rv.claim c
            on c.group_id = $1 and c.session_id = l.session_id and c.revoked_at is null
        left join lateral (
            select max(r.received_at) as read_at from rv.attempt a
            join rv.reading r on r.group_id = $1 and r.visit_id = a.visit_id
            where a.group_id = $1 and a.attempt_id = c.attempt_id) t on true"#,
        group,
        sessions
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}

/// What the watch knows of a run so far.
#[derive(Debug, Clone, PartialEq)]
pub struct State {
    /// Session that leads the run.
    pub session_id: Uuid,
    /// Counts from 1.
    pub revision: i32,
    /// Version of the analysis rules.
    pub rules_version: String,
    /// Attempt that has claimed it.
    pub attempt_id: Option<Uuid>,
    /// Stage of the charge.
    pub stage: Option<Stage>,
    /// Stop advice.
    pub stop_level: StopLevel,
    /// Last instant analyzed, ms of run time.
    pub heard_ms: i64,
    /// Kinds of alarm that hold.
    pub told: Vec<String>,
    /// The report as JSON.
    pub body: String,
    /// When it was written.
    pub updated_at: DateTime<Utc>,
}

struct Row {
    session_id: Uuid,
    revision: i32,
    rules_version: String,
    attempt_id: Option<Uuid>,
    stage: Option<String>,
    stop_level: String,
    heard_ms: i64,
    told: Vec<String>,
    body: String,
    updated_at: DateTime<Utc>,
}

impl TryFrom<Row> for State {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("watch_state", column, row.session_id);
        let stage = row
            .stage
            .as_deref()
            .map(|text| Stage::find(text).ok_or_else(|| corrupt("stage")));
        Ok(Self {
            stage: stage.transpose()?,
            stop_level: StopLevel::find(&row.stop_level).ok_or_else(|| corrupt("stop_level"))?,
            session_id: row.session_id,
            revision: row.revision,
            rules_version: row.rules_version,
            attempt_id: row.attempt_id,
            heard_ms: row.heard_ms,
            told: row.told,
            body: row.body,
            updated_at: row.updated_at,
        })
    }
}

/// Finds what is known of a run.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    session: Uuid,
) -> Result<Option<State>, Error> {
    let row = sqlx::query_as!(
        Row,
        r#"select session_id, revision, rules_version, attempt_id, stage, stop_level, heard_ms,
            told, body::text as "body!", updated_at
        from rv.watch_state where group_id = $1 and session_id = $2"#,
        group,
        session
    )
    .fetch_optional(conn)
    .await?;
    row.map(State::try_from).transpose()
}

/// Kinds of alarm that hold in other runs of the same device, of those that no other run absorbed.
///
/// # Errors
/// Database errors.
pub async fn told_elsewhere(
    conn: &mut PgConnection,
    group: Uuid,
    (device, session): (Uuid, Uuid),
) -> Result<Vec<String>, Error> {
    let told = sqlx::query_scalar!(
        r#"select distinct unnest(w.told) as "kind!" from rv.watch_state w
        join rv.session s on s.group_id = $1 and s.session_id = w.session_id
        where w.group_id = $1 and s.device_id = $2 and s.session_id <> $3 and s.state <> 'absorbed'
            and cardinality(w.told) > 0"#,
        group,
        device,
        session
    )
    .fetch_all(conn)
    .await?;
    Ok(told)
}

/// Writes what is known of a run.
///
/// # Errors
/// Database errors.
pub async fn save(conn: &mut PgConnection, group: Uuid, state: &State) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.watch_state (group_id, session_id, revision, rules_version, claimed,
            attempt_id, stage, stop_level, heard_ms, told, body, updated_at)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11::text::jsonb, $12)
        on conflict (group_id, session_id) do update set revision = excluded.revision,
            rules_version = excluded.rules_version, claimed = excluded.claimed,
            attempt_id = excluded.attempt_id, stage = excluded.stage,
            stop_level = excluded.stop_level, heard_ms = excluded.heard_ms, told = excluded.told,
            body = excluded.body, updated_at = excluded.updated_at",
        group,
        state.session_id,
        state.revision,
        state.rules_version,
        state.attempt_id.is_some(),
        state.attempt_id,
        state.stage.map(Stage::as_str),
        state.stop_level.as_str(),
        state.heard_ms,
        &state.told,
        state.body,
        state.updated_at
    )
    .execute(conn)
    .await?;
    Ok(())
}
