//! Table `finding`: what analysis saw in runs. Rows end or are withdrawn, never erased.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::analysis::findings::FindingKind;
use crate::record::words::vocabulary;

vocabulary! {
    /// Where a stored finding stands.
    Standing {
        /// It holds.
        Present = "present",
        /// It held, and no longer does.
        Ended = "ended",
        /// A later revision of the run does not show it.
        Withdrawn = "withdrawn",
    }
}

/// A stored finding.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct StoredFinding {
    /// Session that leads the run.
    pub session_id: Uuid,
    /// What.
    pub kind: FindingKind,
    /// When it was first seen, ms of run time.
    pub since_ms: i64,
    /// The same, estimated time.
    pub since_at: DateTime<Utc>,
    /// When it ended, estimated time.
    pub until_at: Option<DateTime<Utc>>,
    /// Where it stands.
    pub state: Standing,
    /// The numbers.
    pub evidence: String,
    /// What to do.
    pub action: String,
    /// The rule was measured on charges it had not seen.
    pub measured: bool,
    /// Revision of the run that said so last.
    pub revision: i32,
    /// Version of the analysis rules.
    pub rules_version: String,
    /// When the row changed last.
    pub updated_at: DateTime<Utc>,
}

struct Row {
    session_id: Uuid,
    kind: String,
    since_ms: i64,
    since_at: DateTime<Utc>,
    until_at: Option<DateTime<Utc>>,
    state: String,
    evidence: String,
    action: String,
    measured: bool,
    revision: i32,
    rules_version: String,
    updated_at: DateTime<Utc>,
}

impl TryFrom<Row> for StoredFinding {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("finding", column, row.session_id);
        Ok(Self {
            kind: FindingKind::find(&row.kind).ok_or_else(|| corrupt("kind"))?,
            state: Standing::find(&row.state).ok_or_else(|| corrupt("state"))?,
            session_id: row.session_id,
            since_ms: row.since_ms,
            since_at: row.since_at,
            until_at: row.until_at,
            evidence: row.evidence,
            action: row.action,
            measured: row.measured,
            revision: row.revision,
            rules_version: row.rules_version,
            updated_at: row.updated_at,
        })
    }
}

/// Writes findings as they stand.
///
/// # Errors
/// Database errors.
pub async fn save(
    conn: &mut PgConnection,
    group: Uuid,
    findings: &[StoredFinding],
) -> Result<(), Error> {
    let words = |pick: fn(&StoredFinding) -> &str| -> Vec<String> {
        findings.iter().map(|one| pick(one).to_owned()).collect()
    };
    sqlx::query!(
        "insert into rv.finding (group_id, session_id, kind, since_ms, since_at, until_at, state,
            evidence, action, measured, revision, rules_version, updated_at)
        select $1, k.* from unnest($2::uuid[], $3::text[], $4::bigint[], $5::timestamptz[],
            $6::timestamptz[], $7::text[], $8::text[], $9::text[], $10::bool[], $11::int[],
            $12::text[], $13::timestamptz[]) as k
        on conflict (group_id, session_id, kind) do update set since_ms = excluded.since_ms,
            since_at = excluded.since_at, until_at = excluded.until_at, state = excluded.state,
            evidence = excluded.evidence, action = excluded.action,
            measured = excluded.measured, revision = excluded.revision,
            rules_version = excluded.rules_version, updated_at = excluded.updated_at",
        group,
        &findings
            .iter()
            .map(|one| one.session_id)
            .collect::<Vec<_>>(),
        &words(|one| one.kind.as_str()),
        &findings.iter().map(|one| one.since_ms).collect::<Vec<_>>(),
        &findings.iter().map(|one| one.since_at).collect::<Vec<_>>(),
        &findings.iter().map(|one| one.until_at).collect::<Vec<_>>() as &[Option<DateTime<Utc>>],
        &words(|one| one.state.as_str()),
        &words(|one| &one.evidence),
        &words(|one| &one.action),
        &findings.iter().map(|one| one.measured).collect::<Vec<_>>(),
        &findings.iter().map(|one| one.revision).collect::<Vec<_>>(),
        &words(|one| &one.rules_version),
        &findings
            .iter()
            .map(|one| one.updated_at)
            .collect::<Vec<_>>()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Findings of one run, by first sight.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn of_run(
    conn: &mut PgConnection,
    group: Uuid,
    session: Uuid,
) -> Result<Vec<StoredFinding>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select session_id, kind, since_ms, since_at, until_at, state, evidence, action, measured,
            revision, rules_version, updated_at
        from rv.finding where group_id = $1 and session_id = $2 order by since_ms, kind",
        group,
        session
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredFinding::try_from).collect()
}

/// Filter of a listing; newest first.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Only this shop.
    pub shop: Option<Uuid>,
    /// Only this run.
    pub session: Option<Uuid>,
    /// Only those that hold.
    pub present: bool,
    /// Only rows after this one in the listing: time, session, kind.
    pub before: Option<(DateTime<Utc>, Uuid, String)>,
    /// Rows at most.
    pub limit: i64,
}

/// Lists findings, newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn list(
    conn: &mut PgConnection,
    group: Uuid,
    filter: Filter,
) -> Result<Vec<StoredFinding>, Error> {
    let (at, session, kind) = match filter.before {
        Some((at, session, kind)) => (Some(at), Some(session), Some(kind)),
        None => (None, None, None),
    };
    let rows = sqlx::query_as!(
        Row,
        "select f.session_id, f.kind, f.since_ms, f.since_at, f.until_at, f.state, f.evidence,
            f.action, f.measured, f.revision, f.rules_version, f.updated_at
        from rv.finding f
        join rv.session s on s.group_id = f.group_id and s.session_id = f.session_id
        where f.group_id = $1 and ($2::uuid is null or s.shop_id = $2)
            and ($3::uuid is null or f.session_id = $3) and (not $4 or f.state = 'present')
            and ($5::timestamptz is null
                or (f.since_at, f.session_id, f.kind) < ($5, $6::uuid, $7::text))
        order by f.since_at desc, f.session_id desc, f.kind desc limit $8",
        group,
        filter.shop,
        filter.session,
        filter.present,
        at,
        session,
        kind,
        filter.limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredFinding::try_from).collect()
}
