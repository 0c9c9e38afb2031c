//! Table `model_fit`, and the outcomes a fit is made from.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Error, stops};
use crate::model::checkpoint::Seen;
use crate::model::fit::{Counts, Family, Fit, Label, Observation};
use crate::model::prior::Features;
use crate::record::battery::Battery;
use crate::record::visit::Visit;
use crate::record::words::{Chemistry, Method, OutcomeClass, Segment, Storage, TesterState};
use crate::units::{Months, Volts};

/// Stores a fit.
///
/// # Errors
/// Database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    (fit_id, fitted_at): (Uuid, DateTime<Utc>),
    fit: &Fit,
) -> Result<(), Error> {
    let Counts {
        recovered,
        not_recovered,
        soft,
    } = fit.counts();
    let [recovered, not_recovered, soft] =
        [recovered, not_recovered, soft].map(|count| i64::try_from(count).unwrap_or(i64::MAX));
    sqlx::query!(
        "insert into rv.model_fit (group_id, fit_id, family, cutoff, fitted_at, model_version, recovered,
            not_recovered, soft, form)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        group,
        fit_id,
        fit.family().as_str(),
        fit.cutoff(),
        fitted_at,
        fit.version(),
        recovered,
        not_recovered,
        soft,
        fit.to_bytes()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// The newest fit of a family: by its cut-off, then by when it was made.
///
/// # Errors
/// Database errors; `Corrupt` when the stored form is damaged.
pub async fn newest(
    conn: &mut PgConnection,
    group: Uuid,
    family: Family,
) -> Result<Option<Fit>, Error> {
    let row = sqlx::query!(
        "select fit_id, form from rv.model_fit where group_id = $1 and family = $2
        order by cutoff desc, fitted_at desc limit 1",
        group,
        family.as_str()
    )
    .fetch_optional(conn)
    .await?;
    row.map(|row| {
        Fit::from_bytes(&row.form).map_err(|_| Error::corrupt("model_fit", "form", row.fit_id))
    })
    .transpose()
}

/// A battery as a fit sees it.
struct Row {
    visit_id: Uuid,
    shop_id: Uuid,
    chemistry: String,
    segment: String,
    nominal_v: i16,
    rest_v: f64,
    age_months: Option<f64>,
    months_since_full_charge: Option<f64>,
    storage: String,
    tester: String,
    cca_ratio: Option<f64>,
    electrolyte_low: Option<bool>,
    presented_at: DateTime<Utc>,
    southern: bool,
    method: Option<String>,
    label: Option<bool>,
    attempt_id: Option<Uuid>,
}

impl Row {
    fn features(&self) -> Result<Features, Error> {
        let corrupt = |column| Error::corrupt("visit", column, self.visit_id);
        let months = |column, value: Option<f64>| {
            let months = value.map(|months| Months::new(column, months));
            months.transpose().map_err(|_| corrupt(column))
        };
        let visit = Visit {
            battery: Battery {
                chemistry: Chemistry::find(&self.chemistry).ok_or_else(|| corrupt("chemistry"))?,
                segment: Segment::find(&self.segment).ok_or_else(|| corrupt("segment"))?,
                nominal_v: u8::try_from(self.nominal_v).map_err(|_| corrupt("nominal_v"))?,
                rated_cca: None,
                rated_ah: None,
            },
            rest_v: Volts::new("rest_v", self.rest_v).map_err(|_| corrupt("rest_v"))?,
            age: months("age_months", self.age_months)?,
            months_since_full_charge: months(
                "months_since_full_charge",
                self.months_since_full_charge,
            )?,
            storage: Storage::find(&self.storage).ok_or_else(|| corrupt("storage"))?,
            tester: TesterState::find(&self.tester).ok_or_else(|| corrupt("tester"))?,
            cca_ratio: self.cca_ratio,
            electrolyte_low: self.electrolyte_low,
            flags: Vec::new(),
            replacement_price: None,
            presented_at: self.presented_at,
        };
        let method = self
            .method
            .as_deref()
            .map_or(Some(Method::Unknown), Method::find);
        let method =
            method.ok_or_else(|| Error::corrupt("counted_visit", "method", self.visit_id))?;
        Ok(Features::of_visit(&visit, method, self.southern))
    }
}

/// First attempts with a label, by the newest revision of their outcome up to `cutoff`; in the order
/// of their ids, so that a fit of the same cut-off gives the same bits.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn observations(
    conn: &mut PgConnection,
    group: Uuid,
    cutoff: DateTime<Utc>,
) -> Result<Vec<Observation>, Error> {
    let found = labelled(conn, group, (cutoff, None)).await?;
    Ok(found.into_iter().map(|(_, seen)| seen).collect())
}

/// The same with the attempt of each; of some attempts alone, when they are named.
///
/// An attempt that was stopped on advice and did not come back has the chance it was stopped with as its label, retested
/// or not: what would have come of it nobody knows. Where nothing was seen of it, it has none. Source: STATISTICS 1.
async fn labelled(
    conn: &mut PgConnection,
    group: Uuid,
    (cutoff, attempts): (DateTime<Utc>, Option<&[Uuid]>),
) -> Result<Vec<(Uuid, Observation)>, Error> {
    let stopped = stops::stopped_until(conn, group, cutoff).await?;
    let ids: Vec<Uuid> = stopped.keys().copied().collect();
    let rows = sqlx::query_as!(
        Row,
        r#"select v.visit_id, v.shop_id, v.chemistry, v.segment, v.nominal_v, v.rest_v, v.age_months,
            v.months_since_full_charge, v.storage, v.tester, v.cca_ratio, v.electrolyte_low,
            v.presented_at, s.southern, c.method, o.label, c.attempt_id
        from rv.counted_visit c
            join rv.visit v on v.group_id = c.group_id and v.visit_id = c.visit_id
            join rv.shop s on s.group_id = c.group_id and s.shop_id = c.shop_id
            join lateral (
                select o.label from rv.outcome o
                where o.group_id = c.group_id and o.attempt_id = c.attempt_id and o.revised_at <= $2
                order by o.revision desc limit 1) o on true
        where c.group_id = $1 and (o.label is not null or c.attempt_id = any ($4))
            and ($3::uuid[] is null or c.attempt_id = any ($3))
        order by c.attempt_id"#,
        group,
        cutoff,
        attempts,
        &ids
    )
    .fetch_all(conn)
    .await?;
    let mut found = Vec::with_capacity(rows.len());
    for row in &rows {
        let attempt = row
            .attempt_id
            .ok_or_else(|| Error::corrupt("counted_visit", "attempt_id", row.visit_id))?;
        if let Some(label) = label(row.label, stopped.get(&attempt)) {
            let seen = Observation {
                features: row.features()?,
                shop: row.shop_id,
                label,
            };
            found.push((attempt, seen));
        }
    }
    Ok(found)
}

/// The label of an attempt; `stopped` with its chance, where known, when it was stopped on advice.
fn label(settled: Option<bool>, stopped: Option<&Option<f64>>) -> Option<Label> {
    match (settled, stopped) {
        (Some(true), _) => Some(Label::Recovered),
        (Some(false), None) => Some(Label::NotRecovered),
        (_, Some(chance)) => chance.map(Label::Soft),
        (None, None) => None,
    }
}

/// A settled second attempt with the first it followed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettledSecond {
    /// The first attempt as the model of first attempts sees it.
    pub first: Observation,
    /// Chance that was told before the first began, ratio; `None` where nobody asked.
    pub told: Option<f64>,
    /// The first brought it back in part.
    pub partly: bool,
    /// Voltage at rest between the two, V of six cells.
    pub v12: f64,
    /// The second brought it back.
    pub recovered: bool,
}

struct Columns {
    first: Uuid,
    told: Option<f64>,
    value: f64,
    nominal_v: i16,
    class: String,
    label: bool,
}

/// Second attempts with a label whose first failed and was followed by a voltage at rest, up to `cutoff`; in
/// the order of their ids.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn settled_seconds(
    conn: &mut PgConnection,
    group: Uuid,
    cutoff: DateTime<Utc>,
    rest_min: f64,
) -> Result<Vec<SettledSecond>, Error> {
    let rows = sqlx::query_as!(
        Columns,
        r#"select c.attempt_id as "first!", w.chance as "told?", r.value as "value!", v.nominal_v,
            first.class as "class!", second.label as "label!"
        from rv.counted_visit c
            join rv.visit v on v.group_id = c.group_id and v.visit_id = c.visit_id
            join rv.attempt f on f.group_id = c.group_id and f.attempt_id = c.attempt_id
            left join rv.verdict w on w.group_id = f.group_id and w.verdict_id = f.verdict_id
            join lateral (
                select a.attempt_id, a.started_at from rv.attempt a
                where a.group_id = c.group_id and a.visit_id = c.visit_id
                    and a.attempt_id <> c.attempt_id
                order by a.started_at, a.attempt_id limit 1) a on true
            join lateral (
                select o.label from rv.outcome o
                where o.group_id = c.group_id and o.attempt_id = a.attempt_id and o.revised_at <= $2
                order by o.revision desc limit 1) second on true
            join lateral (
                select o.class, o.label from rv.outcome o
                where o.group_id = c.group_id and o.attempt_id = c.attempt_id and o.revised_at <= $2
                order by o.revision desc limit 1) first on true
            join lateral (
                select r.value from rv.reading r
                where r.group_id = c.group_id and r.visit_id = c.visit_id
                    and r.attempt_id = c.attempt_id and r.kind = 'open_circuit_voltage'
                    and r.value is not null and r.rested_min >= $3 and r.read_at <= a.started_at
                    and r.received_at <= $2
                order by r.read_at desc, r.reading_id limit 1) r on true
        where c.group_id = $1 and second.label is not null and first.label = false
        order by a.attempt_id"#,
        group,
        cutoff,
        rest_min
    )
    .fetch_all(&mut *conn)
    .await?;
    let named: Vec<Uuid> = rows.iter().map(|row| row.first).collect();
    let firsts = labelled(conn, group, (cutoff, Some(&named))).await?;
    let firsts: BTreeMap<Uuid, Observation> = firsts.into_iter().collect();
    let second = |row: Columns| {
        let Columns {
            first,
            told,
            value,
            nominal_v,
            class,
            label,
        } = row;
        let cells = f64::from(nominal_v) / 12.0;
        Some(SettledSecond {
            first: *firsts.get(&first)?,
            told,
            partly: class == OutcomeClass::PartiallyRecovered.as_str(),
            v12: value / cells,
            recovered: label,
        })
    };
    Ok(rows.into_iter().filter_map(second).collect())
}

/// An attempt's checkpoints: hours and what was seen then.
pub type Checkpoints = Vec<(f64, Seen)>;

/// Checkpoints of settled first attempts up to a cut-off, with their attempt; in the order of their ids.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn settled_charges(
    conn: &mut PgConnection,
    group: Uuid,
    cutoff: DateTime<Utc>,
) -> Result<Vec<(Observation, Checkpoints)>, Error> {
    let rows = sqlx::query!(
        "select attempt_id, at_h, accept_c, dv, temp_rise_c from rv.checkpoint
        where group_id = $1 order by attempt_id, at_h",
        group
    )
    .fetch_all(&mut *conn)
    .await?;
    let mut seen: BTreeMap<Uuid, Checkpoints> = BTreeMap::new();
    for row in rows {
        let features = Seen {
            accepted: row.accept_c,
            voltage_rise: row.dv,
            case_rise: row.temp_rise_c,
        };
        seen.entry(row.attempt_id)
            .or_default()
            .push((row.at_h, features));
    }
    let named: Vec<Uuid> = seen.keys().copied().collect();
    let attempts = labelled(conn, group, (cutoff, Some(&named))).await?;
    Ok(attempts
        .into_iter()
        .filter_map(|(attempt, observation)| Some((observation, seen.remove(&attempt)?)))
        .collect())
}

/// Checkpoints of one attempt, in the order of their hours.
///
/// # Errors
/// Database errors.
pub async fn checkpoints(
    conn: &mut PgConnection,
    group: Uuid,
    attempt: Uuid,
) -> Result<Checkpoints, Error> {
    let rows = sqlx::query!(
        "select at_h, accept_c, dv, temp_rise_c from rv.checkpoint
        where group_id = $1 and attempt_id = $2 order by at_h",
        group,
        attempt
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let features = Seen {
                accepted: row.accept_c,
                voltage_rise: row.dv,
                case_rise: row.temp_rise_c,
            };
            (row.at_h, features)
        })
        .collect())
}

/// Batteries that were presented, as a forecast of readings counts them: the newest first.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn presented(
    conn: &mut PgConnection,
    group: Uuid,
    most: i64,
) -> Result<Vec<Features>, Error> {
    let rows = sqlx::query_as!(
        Row,
        r#"select v.visit_id, v.shop_id, v.chemistry, v.segment, v.nominal_v, v.rest_v, v.age_months,
            v.months_since_full_charge, v.storage, v.tester, v.cca_ratio, v.electrolyte_low,
            v.presented_at, false as "southern!", null as method, null::boolean as label,
            null::uuid as attempt_id
        from rv.visit v where v.group_id = $1 and not v.anonymous
        order by v.visit_id desc limit $2"#,
        group,
        most
    )
    .fetch_all(conn)
    .await?;
    rows.iter().map(Row::features).collect()
}

/// Verdicts given since a moment that said attempt, and those of them that were audits.
///
/// # Errors
/// Database errors.
pub async fn audits_since(
    conn: &mut PgConnection,
    group: Uuid,
    since: DateTime<Utc>,
) -> Result<(i64, i64), Error> {
    let row = sqlx::query!(
        r#"select count(*) as "attempts!", count(*) filter (where answer = 'audit_attempt') as "audits!"
        from rv.verdict where group_id = $1 and answered_at >= $2
            and answer in ('attempt', 'audit_attempt')"#,
        group,
        since
    )
    .fetch_one(conn)
    .await?;
    Ok((row.attempts, row.audits))
}
