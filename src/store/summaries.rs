//! Tables `session_summary` and `session_hour`: what a close computed.

use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::analysis::minutes::{Figures, Hour};
use crate::record::sample::Digest;

/// Facts of one revision of a session.
#[derive(Debug, Clone, PartialEq)]
pub struct Summary {
    /// Version of the analysis rules.
    pub rules_version: String,
    /// Digest of the samples.
    pub input_digest: Digest,
    /// First voltage, V.
    pub start_v: Option<f64>,
    /// Lowest and highest voltage, V.
    pub v_range: Option<(f64, f64)>,
    /// Highest current, A.
    pub i_max_a: Option<f64>,
    /// Net charge in, Ah: value, lower and upper bound.
    pub charge_ah: Option<(f64, f64, f64)>,
    /// Charge out, Ah.
    pub discharge_ah: Option<f64>,
    /// Net energy in, Wh.
    pub energy_wh: Option<f64>,
    /// Lowest and highest case temperature, degC.
    pub case_range_c: Option<(f64, f64)>,
    /// Seconds covered by samples.
    pub observed_s: f64,
    /// Seconds inside gaps.
    pub unknown_s: f64,
}

/// Stores the summary of a revision.
///
/// # Errors
/// Database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    (session, revision): (Uuid, i32),
    summary: &Summary,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.session_summary (group_id, session_id, revision, rules_version, input_digest,
            start_v, v_min, v_max, i_max_a, charge_ah, charge_ah_low, charge_ah_high, discharge_ah,
            energy_wh, case_min_c, case_max_c, observed_s, unknown_s)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)",
        group,
        session,
        revision,
        summary.rules_version,
        summary.input_digest.as_slice(),
        summary.start_v,
        summary.v_range.map(|range| range.0),
        summary.v_range.map(|range| range.1),
        summary.i_max_a,
        summary.charge_ah.map(|charge| charge.0),
        summary.charge_ah.map(|charge| charge.1),
        summary.charge_ah.map(|charge| charge.2),
        summary.discharge_ah,
        summary.energy_wh,
        summary.case_range_c.map(|range| range.0),
        summary.case_range_c.map(|range| range.1),
        summary.observed_s,
        summary.unknown_s
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Charge (Ah) and energy (Wh) of the newest revisions of some sessions.
///
/// # Errors
/// Database errors.
pub async fn charges(
    conn: &mut PgConnection,
    group: Uuid,
    sessions: &[Uuid],
) -> Result<Vec<(Uuid, Option<f64>, Option<f64>)>, Error> {
    let rows = sqlx::query!(
        "select distinct on (session_id) session_id, charge_ah, energy_wh from rv.session_summary
        where group_id = $1 and session_id = any($2) order by session_id, revision desc",
        group,
        sessions
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| (row.session_id, row.charge_ah, row.energy_wh))
        .collect())
}

/// Replaces the minute figures of a session.
///
/// # Errors
/// Database errors.
pub async fn replace_hours(
    conn: &mut PgConnection,
    group: Uuid,
    session: Uuid,
    hours: &[Hour],
) -> Result<(), Error> {
    sqlx::query!(
        "delete from rv.session_hour where group_id = $1 and session_id = $2",
        group,
        session
    )
    .execute(&mut *conn)
    .await?;
    for hour in hours {
        let [voltage, current, case] = &hour.channels;
        let part = |channel: &Option<Figures>| -> [Option<Vec<Option<i32>>>; 3] {
            match channel {
                Some([low, mean, high]) => [low, mean, high].map(|column| Some(column.clone())),
                None => [None, None, None],
            }
        };
        let ([v0, v1, v2], [i0, i1, i2], [t0, t1, t2]) = (part(voltage), part(current), part(case));
        sqlx::query!(
            "insert into rv.session_hour (group_id, session_id, hour, n, v_min_mv, v_mean_mv, v_max_mv,
                i_min_ma, i_mean_ma, i_max_ma, case_min_centi_c, case_mean_centi_c, case_max_centi_c)
            values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
            group,
            session,
            hour.hour,
            &hour.n,
            v0.as_deref() as Option<&[Option<i32>]>,
            v1.as_deref() as Option<&[Option<i32>]>,
            v2.as_deref() as Option<&[Option<i32>]>,
            i0.as_deref() as Option<&[Option<i32>]>,
            i1.as_deref() as Option<&[Option<i32>]>,
            i2.as_deref() as Option<&[Option<i32>]>,
            t0.as_deref() as Option<&[Option<i32>]>,
            t1.as_deref() as Option<&[Option<i32>]>,
            t2.as_deref() as Option<&[Option<i32>]>
        )
        .execute(&mut *conn)
        .await?;
    }
    Ok(())
}
