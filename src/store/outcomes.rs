//! Tables `outcome`, `reported_outcome` and `come_back`: how attempts came out, never overwritten.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::outcome::DueReading;
use crate::outcome::evidence::ReportedOutcome;
use crate::outcome::reasons::{Reason, ReasonCode};
use crate::record::attempt::ComeBack;
use crate::record::sample::Digest;
use crate::record::words::{Basis, OutcomeClass, ReadingKind};

/// One revision of an outcome.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredOutcome {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Counts from 1.
    pub revision: i32,
    /// The class.
    pub class: OutcomeClass,
    /// Where it comes from.
    pub basis: Basis,
    /// By the 72 h hold or a verified report.
    pub confirmed: bool,
    /// What statistics count: recovered, not, or not known.
    pub label: Option<bool>,
    /// Why, with numbers.
    pub reasons: Vec<Reason>,
    /// Retests still to be made, soonest first.
    pub due: Vec<DueReading>,
    /// Version of the rules.
    pub rules_version: String,
    /// Digest of what it was made from.
    pub input_digest: Digest,
    /// When this revision was made.
    pub revised_at: DateTime<Utc>,
}

/// A person's or a file's word, with whose it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Report {
    /// Their word.
    pub word: ReportedOutcome,
    /// When; the newest counts.
    pub reported_at: DateTime<Utc>,
    /// Name of the token.
    pub reported_by: String,
}

/// The JSON of `outcome.body`.
#[derive(serde::Serialize, serde::Deserialize)]
struct Body {
    reasons: Vec<BodyReason>,
    due: Vec<BodyDue>,
}

#[derive(serde::Serialize, serde::Deserialize)]
struct BodyReason {
    code: ReasonCode,
    sentence: String,
}

#[derive(serde::Serialize, serde::Deserialize)]
struct BodyDue {
    kind: ReadingKind,
    rested_min: f64,
    at: DateTime<Utc>,
}

struct Row {
    attempt_id: Uuid,
    revision: i32,
    class: String,
    basis: String,
    confirmed: bool,
    label: Option<bool>,
    body: String,
    rules_version: String,
    input_digest: Vec<u8>,
    revised_at: DateTime<Utc>,
}

impl TryFrom<Row> for StoredOutcome {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let key = || format!("{} revision {}", row.attempt_id, row.revision);
        let corrupt = |column| Error::corrupt("outcome", column, key().as_str());
        let body: Body = serde_json::from_str(&row.body).map_err(|_| corrupt("body"))?;
        let reason = |one: BodyReason| Reason {
            code: one.code,
            sentence: one.sentence,
        };
        let due = |one: BodyDue| DueReading {
            kind: one.kind,
            rested_min: one.rested_min,
            at: one.at,
        };
        let digest = row.input_digest.as_slice().try_into();
        Ok(Self {
            attempt_id: row.attempt_id,
            revision: row.revision,
            class: OutcomeClass::find(&row.class).ok_or_else(|| corrupt("class"))?,
            basis: Basis::find(&row.basis).ok_or_else(|| corrupt("basis"))?,
            confirmed: row.confirmed,
            label: row.label,
            reasons: body.reasons.into_iter().map(reason).collect(),
            due: body.due.into_iter().map(due).collect(),
            input_digest: digest.map_err(|_| corrupt("input_digest"))?,
            rules_version: row.rules_version,
            revised_at: row.revised_at,
        })
    }
}

fn body_of(outcome: &StoredOutcome) -> Result<String, Error> {
    let reason = |one: &Reason| BodyReason {
        code: one.code,
        sentence: one.sentence.clone(),
    };
    let due = |one: &DueReading| BodyDue {
        kind: one.kind,
        rested_min: one.rested_min,
        at: one.at,
    };
    let body = Body {
        reasons: outcome.reasons.iter().map(reason).collect(),
        due: outcome.due.iter().map(due).collect(),
    };
    serde_json::to_string(&body).map_err(|error| Error::Misfit(error.to_string()))
}

/// Writes a revision and lets the attempt name it as its newest.
///
/// # Errors
/// `Refused` by `outcome_pkey` when that revision exists; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    outcome: &StoredOutcome,
) -> Result<(), Error> {
    insert_all(&mut *conn, group, std::slice::from_ref(outcome)).await?;
    sqlx::query!(
        "update rv.attempt set outcome_revision = $3 where group_id = $1 and attempt_id = $2",
        group,
        outcome.attempt_id,
        outcome.revision
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Writes revisions of several attempts, which name them as newest already.
///
/// # Errors
/// `Refused` by `outcome_pkey` when a revision exists; database errors.
pub async fn insert_all(
    conn: &mut PgConnection,
    group: Uuid,
    outcomes: &[StoredOutcome],
) -> Result<(), Error> {
    let words = |pick: fn(&StoredOutcome) -> &str| -> Vec<String> {
        outcomes.iter().map(|one| pick(one).to_owned()).collect()
    };
    let bodies = outcomes
        .iter()
        .map(body_of)
        .collect::<Result<Vec<String>, Error>>()?;
    sqlx::query!(
        "insert into rv.outcome (group_id, attempt_id, revision, class, basis, confirmed, label,
            body, rules_version, input_digest, revised_at)
        select $1, k.attempt, k.revision, k.class, k.basis, k.confirmed, k.label, k.body::jsonb,
            k.rules, k.digest, k.revised
        from unnest($2::uuid[], $3::int[], $4::text[], $5::text[], $6::bool[], $7::bool[],
            $8::text[],
            $9::text[], $10::bytea[], $11::timestamptz[])
            as k (attempt, revision, class, basis, confirmed, label, body, rules, digest, revised)",
        group,
        &outcomes
            .iter()
            .map(|one| one.attempt_id)
            .collect::<Vec<_>>(),
        &outcomes.iter().map(|one| one.revision).collect::<Vec<_>>(),
        &words(|one| one.class.as_str()),
        &words(|one| one.basis.as_str()),
        &outcomes.iter().map(|one| one.confirmed).collect::<Vec<_>>(),
        &outcomes.iter().map(|one| one.label).collect::<Vec<_>>() as &[Option<bool>],
        &bodies,
        &words(|one| &one.rules_version),
        &outcomes
            .iter()
            .map(|one| one.input_digest.to_vec())
            .collect::<Vec<_>>(),
        &outcomes
            .iter()
            .map(|one| one.revised_at)
            .collect::<Vec<_>>()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The newest revision of each of some attempts, by attempt.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn newest_of(
    conn: &mut PgConnection,
    group: Uuid,
    attempts: &[Uuid],
) -> Result<Vec<StoredOutcome>, Error> {
    let rows = sqlx::query_as!(
        Row,
        r#"select distinct on (attempt_id) attempt_id, revision, class, basis, confirmed, label,
            body::text as "body!", rules_version, input_digest, revised_at
        from rv.outcome where group_id = $1 and attempt_id = any($2)
        order by attempt_id, revision desc"#,
        group,
        attempts
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredOutcome::try_from).collect()
}

/// Every revision of an attempt, newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn revisions(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
) -> Result<Vec<StoredOutcome>, Error> {
    let rows = sqlx::query_as!(
        Row,
        r#"select attempt_id, revision, class, basis, confirmed, label, body::text as "body!",
            rules_version, input_digest, revised_at
        from rv.outcome where group_id = $1 and attempt_id = $2 order by revision desc"#,
        group,
        attempt
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(StoredOutcome::try_from).collect()
}

/// Writes a report.
///
/// # Errors
/// `Refused` when the attempt does not exist; database errors.
pub async fn insert_report(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
    report: &Report,
) -> Result<(), Error> {
    insert_reports(conn, group, &[(attempt, report.clone())]).await
}

/// Writes reports on several attempts; one of the same attempt and time stays as it is.
///
/// # Errors
/// `Refused` when an attempt does not exist; database errors.
pub async fn insert_reports(
    conn: &mut PgConnection,
    group: Uuid,
    reports: &[(Uuid, Report)],
) -> Result<(), Error> {
    let words = |pick: fn(&Report) -> &str| -> Vec<String> {
        reports
            .iter()
            .map(|(_, report)| pick(report).to_owned())
            .collect()
    };
    sqlx::query!(
        "insert into rv.reported_outcome (group_id, attempt_id, reported_at, class, basis, verified,
            reported_by)
        select $1, k.attempt, k.reported, k.class, k.basis, k.verified, k.reported_by
        from unnest($2::uuid[], $3::timestamptz[], $4::text[], $5::text[], $6::bool[], $7::text[])
            as k (attempt, reported, class, basis, verified, reported_by)
        on conflict do nothing",
        group,
        &reports.iter().map(|(attempt, _)| *attempt).collect::<Vec<_>>(),
        &reports.iter().map(|(_, report)| report.reported_at).collect::<Vec<_>>(),
        &words(|report| report.word.class.as_str()),
        &words(|report| report.word.basis.as_str()),
        &reports.iter().map(|(_, report)| report.word.verified).collect::<Vec<_>>(),
        &words(|report| &report.reported_by)
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The newest report on an attempt.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn newest_report(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
) -> Result<Option<Report>, Error> {
    let row = sqlx::query!(
        "select class, basis, verified, reported_at, reported_by from rv.reported_outcome
        where group_id = $1 and attempt_id = $2 order by reported_at desc limit 1",
        group,
        attempt
    )
    .fetch_optional(conn)
    .await?;
    row.map(|row| {
        let corrupt = |column| Error::corrupt("reported_outcome", column, attempt);
        let word = ReportedOutcome {
            class: OutcomeClass::find(&row.class).ok_or_else(|| corrupt("class"))?,
            basis: Basis::find(&row.basis).ok_or_else(|| corrupt("basis"))?,
            verified: row.verified,
        };
        Ok(Report {
            word,
            reported_at: row.reported_at,
            reported_by: row.reported_by,
        })
    })
    .transpose()
}

/// Writes a come-back; `false` when one of that id exists, which stays as it is.
///
/// # Errors
/// `Refused` when the attempt does not exist; database errors.
pub async fn insert_come_back(
    conn: &mut PgConnection,
    group: Uuid,
    (come_back_id, attempt): (Uuid, Uuid),
    come_back: &ComeBack,
) -> Result<bool, Error> {
    let done =
        sqlx::query!(
        "insert into rv.come_back (group_id, come_back_id, attempt_id, came_at, battery_at_fault)
        values ($1, $2, $3, $4, $5) on conflict do nothing",
        group,
        come_back_id, attempt, come_back.at,
        come_back.battery_at_fault
    )
        .execute(conn)
        .await?;
    Ok(done.rows_affected() == 1)
}

/// Finds a come-back with its attempt.
///
/// # Errors
/// Database errors.
pub async fn find_come_back(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<(Uuid, ComeBack)>, Error> {
    let row = sqlx::query!(
        "select attempt_id, came_at, battery_at_fault from rv.come_back
        where group_id = $1 and come_back_id = $2",
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    let come_back = |at, battery_at_fault| ComeBack {
        at,
        battery_at_fault,
    };
    Ok(row.map(|row| (row.attempt_id, come_back(row.came_at, row.battery_at_fault))))
}

/// Come-backs of an attempt, oldest first.
///
/// # Errors
/// Database errors.
pub async fn come_backs_of(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
) -> Result<Vec<ComeBack>, Error> {
    let rows = sqlx::query_as!(
        ComeBack,
        "select came_at as at, battery_at_fault from rv.come_back
        where group_id = $1 and attempt_id = $2 order by came_at, come_back_id",
        group,
        attempt
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}
