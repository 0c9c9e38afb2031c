//! Table `run_summary`: what remains of a charge, one row per revision.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::analysis::run::{Closing, STOP_AT_MIN};
use crate::record::sample::Digest;

/// A revision to write.
#[derive(Debug, Clone, PartialEq)]
pub struct NewSummary<'a> {
    /// Session that leads the run.
    pub session_id: Uuid,
    /// Counts from 1.
    pub revision: i32,
    /// Digest of everything it was made from.
    pub input_digest: Digest,
    /// Attempt that has claimed it.
    pub attempt_id: Option<Uuid>,
    /// The analysis.
    pub closing: &'a Closing,
    /// The whole as JSON.
    pub body: &'a str,
    /// When.
    pub made_at: DateTime<Utc>,
}

/// A stored revision; the figures stand in `body`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredSummary {
    /// Session that leads the run.
    pub session_id: Uuid,
    /// Counts from 1.
    pub revision: i32,
    /// Version of the analysis rules.
    pub rules_version: String,
    /// Digest of everything it was made from.
    pub input_digest: Vec<u8>,
    /// Attempt that had claimed it.
    pub attempt_id: Option<Uuid>,
    /// The whole as JSON.
    pub body: String,
    /// When.
    pub made_at: DateTime<Utc>,
}

/// Writes a revision.
///
/// # Errors
/// `Refused` when it exists; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    new: &NewSummary<'_>,
) -> Result<(), Error> {
    let report = &new.closing.report;
    let charge = &report.charge;
    let measured = charge.i_max.is_some();
    let charged = |value: f64| measured.then_some(value);
    let state = new.closing.charge_state.as_ref();
    let tables = state.map(|state| {
        let names: Vec<&str> = state.tables.iter().map(|one| one.table.as_str()).collect();
        names.join(",")
    });
    let mut levels: [Option<&str>; 3] = [None; 3];
    for (level, at_min) in levels.iter_mut().zip(STOP_AT_MIN) {
        let stops = new.closing.stops.iter();
        *level = stops
            .filter(|stop| stop.at_min == at_min)
            .map(|stop| stop.advice.level.as_str())
            .next();
    }
    let [stop_60, stop_120, stop_240] = levels;
    sqlx::query!(
        "insert into rv.run_summary (group_id, session_id, revision, rules_version, input_digest,
            claimed, attempt_id, grade, charge_ah, charge_ah_low, charge_ah_high, energy_wh,
            accepted_c, dc_1s_ohm, case_max_c, case_rise_k, rested_v, rested_min, soc_low_pct,
            soc_high_pct, soc_tables, live_cells, of_cells, stop_level, stop_60_level,
            stop_120_level, stop_240_level, body, made_at)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18,
            $19, $20, $21, $22, $23, $24, $25, $26, $27, $28::text::jsonb, $29)",
        group,
        new.session_id,
        new.revision,
        report.rules_version,
        new.input_digest.as_slice(),
        report.claimed,
        new.attempt_id,
        report.quality.grade.as_str(),
        charged(charge.ah_net()),
        charged(charge.ah_net_low),
        charged(charge.ah_net_high),
        charged(charge.wh_net()),
        report.acceptance.accepted_c,
        report.resistance.dc_1s_ohm,
        report.thermal.max_case_c,
        report.thermal.max_rise_k,
        report.rested.map(|rested| rested.open_circuit_v),
        report.rested.map(|rested| rested.rested_min),
        state.map(|state| state.low_pct),
        state.map(|state| state.high_pct),
        tables,
        report.live_cells.map(|cells| i16::from(cells.count)),
        report.live_cells.map(|cells| i16::from(cells.of)),
        report.stop.level.as_str(),
        stop_60,
        stop_120,
        stop_240,
        new.body,
        new.made_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The newest revision of a run.
///
/// # Errors
/// Database errors.
pub async fn newest(
    conn: &mut PgConnection,
    group: Uuid,
    session: Uuid,
) -> Result<Option<StoredSummary>, Error> {
    let row = sqlx::query_as!(
        StoredSummary,
        r#"select session_id, revision, rules_version, input_digest, attempt_id,
            body::text as "body!", made_at
        from rv.run_summary where group_id = $1 and session_id = $2
        order by revision desc limit 1"#,
        group,
        session
    )
    .fetch_optional(conn)
    .await?;
    Ok(row)
}

/// The run that was summed up last, of a shop or of the whole group.
///
/// # Errors
/// Database errors.
pub async fn latest(
    conn: &mut PgConnection,
    group: Uuid,
    shop: Option<Uuid>,
) -> Result<Option<Uuid>, Error> {
    let id = sqlx::query_scalar!(
        "select r.session_id from rv.run_summary r
        join rv.session s on s.group_id = r.group_id and s.session_id = r.session_id
        where r.group_id = $1 and ($2::uuid is null or s.shop_id = $2)
        order by r.made_at desc, r.session_id limit 1",
        group,
        shop
    )
    .fetch_optional(conn)
    .await?;
    Ok(id)
}
