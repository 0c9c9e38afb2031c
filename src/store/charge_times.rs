//! How long first charges ran, and how they ended.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Error, bands};
use crate::model::bands::VoltageBand;
use crate::model::durations::PastCharge;
use crate::model::survival::{End, EndedCharge};
use crate::record::words::{Chemistry, EndReason};

/// A charge that nobody ended is taken to run for so long at most.
const RUNNING_MAX: TimeDelta = TimeDelta::hours(48);

/// Which charges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Filter {
    /// Only of this shop.
    pub shop: Option<Uuid>,
    /// Only of this construction; every one but lithium when `None`.
    pub chemistry: Option<Chemistry>,
    /// So many at most, the newest.
    pub most: i64,
}

/// First charges of batteries.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Charges {
    /// Those that tell something of time.
    pub charges: Vec<PastCharge>,
    /// Ended as planned, and their outcome is not known yet.
    pub awaited: u64,
    /// Nobody said how long they ran.
    pub without_hours: u64,
}

struct Row {
    voltage_band: i16,
    hours: Option<f64>,
    started_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
    end_reason: Option<String>,
    label: Option<bool>,
    chance: Option<f64>,
}

/// Reads the first charges of a group, with the chance that was told before each.
///
/// Rows are looked up by their keys: a plan that joins would rest on statistics that a group does not have while its
/// history is imported.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn charges(
    conn: &mut PgConnection,
    group: Uuid,
    filter: Filter,
    now: DateTime<Utc>,
) -> Result<Charges, Error> {
    let rows = sqlx::query_as!(
        Row,
        r#"select c.voltage_band, a.hours, a.started_at as "started_at!", a.ended_at, a.end_reason, c.label,
            v.chance as "chance?"
        from rv.counted_visit c
            join lateral (
                select a.hours, a.started_at, a.ended_at, a.end_reason, a.verdict_id from rv.attempt a
                where a.group_id = c.group_id and a.attempt_id = c.attempt_id limit 1) a on true
            left join lateral (
                select v.chance from rv.verdict v
                where v.group_id = c.group_id and v.verdict_id = a.verdict_id
                    and v.answered_at <= a.started_at limit 1) v on true
        where c.group_id = $1 and c.attempt_id is not null and ($2::uuid is null or c.shop_id = $2)
            and case when $3::text is null then c.chemistry <> 'lifepo4' else c.chemistry = $3 end
        order by c.started_at desc, c.visit_id limit $4"#,
        group,
        filter.shop,
        filter.chemistry.map(Chemistry::as_str),
        filter.most
    )
    .fetch_all(conn)
    .await?;
    let mut found = Charges::default();
    for row in rows {
        found.add(&row, now)?;
    }
    Ok(found)
}

impl Charges {
    fn add(&mut self, row: &Row, now: DateTime<Utc>) -> Result<(), Error> {
        let corrupt = || Error::corrupt("counted_visit", "voltage_band", row.voltage_band);
        let band = bands::at(VoltageBand::ALL, row.voltage_band).ok_or_else(corrupt)?;
        let Some(hours) = row.ran_hours(now) else {
            self.without_hours += 1;
            return Ok(());
        };
        let Some(end) = row.end() else {
            self.awaited += 1;
            return Ok(());
        };
        self.charges.push(PastCharge {
            charge: EndedCharge { hours, end },
            band,
            chance: row.chance,
        });
        Ok(())
    }
}

impl Row {
    /// How long it ran, or has run so far.
    fn ran_hours(&self, now: DateTime<Utc>) -> Option<f64> {
        let between = |end: DateTime<Utc>| (end - self.started_at).as_seconds_f64() / 3_600.0;
        let running = self.label.is_none() && self.end_reason.is_none();
        let so_far = now - self.started_at;
        let so_far = (running && so_far <= RUNNING_MAX).then(|| between(now));
        let hours = self.hours.or(self.ended_at.map(between)).or(so_far);
        hours.filter(|hours| *hours >= 0.0)
    }

    /// What came of it; `None` when it ended as planned and its outcome is awaited.
    fn end(&self) -> Option<End> {
        let reason = self.end_reason.as_deref().and_then(EndReason::find);
        match (self.label, reason) {
            (Some(true), _) => Some(End::Recovered),
            (Some(false), Some(EndReason::OverTemperature)) => Some(End::HeatAbort),
            (Some(false), _) => Some(End::Failed),
            (None, Some(EndReason::Completed)) => None,
            (None, _) => Some(End::Stopped),
        }
    }
}

/// Mean length of charges.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanHours {
    /// Charges.
    pub n: u64,
    /// Mean, h.
    pub mean: f64,
    /// Standard deviation, h; `None` for a single charge.
    pub sd: Option<f64>,
}

/// How long the first charges of a shop took on average that had ended by a moment, the newest `most` of them; `None`
/// without any whose length is known.
///
/// # Errors
/// Database errors.
pub async fn mean_hours(
    conn: &mut PgConnection,
    (group, shop): (Uuid, Uuid),
    (until, most): (DateTime<Utc>, i64),
) -> Result<Option<MeanHours>, Error> {
    let row = sqlx::query!(
        r#"select count(*) as "n!", avg(t.hours) as mean, stddev_samp(t.hours) as sd
        from (select a.hours from rv.counted_visit c
                join lateral (
                    select a.hours, a.ended_at from rv.attempt a
                    where a.group_id = c.group_id and a.attempt_id = c.attempt_id limit 1) a on true
            where c.group_id = $1 and c.shop_id = $2 and a.hours is not null and a.ended_at <= $3
            order by c.started_at desc, c.visit_id limit $4) t"#,
        group,
        shop,
        until,
        most
    )
    .fetch_one(conn)
    .await?;
    Ok(row.mean.map(|mean| MeanHours {
        n: row.n.unsigned_abs(),
        mean,
        sd: row.sd,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(label: Option<bool>, reason: Option<EndReason>) -> Row {
        Row {
            voltage_band: 3,
            hours: Some(7.5),
            started_at: DateTime::from_timestamp(1_790_000_000, 0).unwrap(),
            ended_at: None,
            end_reason: reason.map(|reason| reason.to_string()),
            label,
            chance: None,
        }
    }

    #[test]
    fn what_people_stopped_runs_up_to_then_and_what_is_awaited_is_left_out() {
        assert_eq!(row(Some(true), None).end(), Some(End::Recovered));
        let heat = Some(EndReason::OverTemperature);
        assert_eq!(row(Some(false), heat).end(), Some(End::HeatAbort));
        assert_eq!(row(Some(false), None).end(), Some(End::Failed));
        let person = Some(EndReason::StoppedByPerson);
        assert_eq!(row(None, person).end(), Some(End::Stopped));
        assert_eq!(row(None, Some(EndReason::Completed)).end(), None);
    }

    #[test]
    fn hours_are_those_charged_else_those_between_start_and_end_else_those_so_far() {
        let now = DateTime::from_timestamp(1_790_000_000 + 3 * 3_600, 0).unwrap();
        let mut one = row(None, None);
        assert_eq!(one.ran_hours(now), Some(7.5));
        one.hours = None;
        assert_eq!(one.ran_hours(now), Some(3.0), "it still runs");
        assert_eq!(
            one.ran_hours(now + TimeDelta::days(9)),
            None,
            "nobody ended it"
        );
        one.ended_at = Some(now - TimeDelta::hours(1));
        assert_eq!(one.ran_hours(now), Some(2.0));
        one.started_at = now;
        assert_eq!(one.ran_hours(now), None, "it ended before it began");
    }
}
