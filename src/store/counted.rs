//! Tables `counted_visit` and `tally`: what a visit is counted as, and the sums of it.
//!
//! What a visit says now is compared with what it was counted as, and the difference is moved from
//! cell to cell. Rows are found and written by their primary key alone: a plan that joins would
//! rest on statistics, which a new group does not have while its history is imported.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use super::visits::{self, NewVisit};
use crate::record::words::Method;

/// Value of the split by method of a battery that was not attempted.
const NOT_ATTEMPTED: &str = "not_attempted";

/// A visit, and one of its attempts as it stands now.
#[derive(Debug, Clone, Copy)]
pub struct Seen<'a> {
    /// The visit.
    pub visit: &'a NewVisit,
    /// The attempt; `None` when only the visit is new.
    pub attempt: Option<SeenAttempt>,
}

/// What statistics need of an attempt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SeenAttempt {
    /// Attempt.
    pub attempt_id: Uuid,
    /// Start of the charge: the earliest attempt of a visit is the one that counts.
    pub started_at: DateTime<Utc>,
    /// Charging profile.
    pub method: Method,
    /// Label of the newest revision of its outcome.
    pub label: Option<bool>,
    /// That label is confirmed.
    pub confirmed: bool,
}

/// How one visit is counted.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Counted {
    visit_id: Uuid,
    shop_id: Uuid,
    chemistry: String,
    storage: String,
    segment: String,
    voltage_band: i16,
    months_band: i16,
    age_band: i16,
    presented: bool,
    attempt_id: Option<Uuid>,
    started_at: Option<DateTime<Utc>>,
    method: Option<String>,
    label: Option<bool>,
    confirmed: bool,
}

/// Key of a cell, in the order of the primary key: split, shop, chemistry, value, bands.
type Key = (&'static str, Uuid, String, String, i16, i16);

/// Sums of a cell: presented, attempted, labelled, recovered, confirmed.
type Sums = [i64; 5];

/// Counts visits anew with what is known of them now.
///
/// Counted is a visit that is not anonymous, or that was attempted all the same; of its attempts
/// only the first. Cells are locked in the order of their keys.
///
/// # Errors
/// Database errors.
pub async fn recount(conn: &mut PgConnection, group: Uuid, seen: &[Seen<'_>]) -> Result<(), Error> {
    if seen.is_empty() {
        return Ok(());
    }
    let mut now: HashMap<Uuid, Counted> = lock(conn, group, seen)
        .await?
        .into_iter()
        .map(|row| (row.visit_id, row))
        .collect();
    let before = now.clone();
    for one in seen {
        if let Some(row) = now.get_mut(&one.visit.visit_id) {
            row.see(one);
        }
    }
    let mut changed: Vec<(&Counted, &Counted)> = before
        .values()
        .filter_map(|was| {
            now.get(&was.visit_id)
                .filter(|is| *is != was)
                .map(|is| (was, is))
        })
        .collect();
    changed.sort_unstable_by_key(|(was, _)| was.visit_id);
    let mut moved: BTreeMap<Key, Sums> = BTreeMap::new();
    for (was, is) in &changed {
        was.add_to(&mut moved, -1);
        is.add_to(&mut moved, 1);
    }
    moved.retain(|_, sums| *sums != [0; 5]);
    let rows: Vec<&Counted> = changed.iter().map(|(_, is)| *is).collect();
    if !rows.is_empty() {
        save(conn, group, &rows).await?;
    }
    if !moved.is_empty() {
        add(conn, group, &moved).await?;
    }
    Ok(())
}

impl Counted {
    fn new(visit: &NewVisit) -> Self {
        let bands = visits::bands_of(&visit.visit);
        Self {
            visit_id: visit.visit_id,
            shop_id: visit.shop_id,
            chemistry: visit.visit.battery.chemistry.to_string(),
            storage: visit.visit.storage.to_string(),
            segment: visit.visit.battery.segment.to_string(),
            voltage_band: bands.voltage,
            months_band: bands.months,
            age_band: bands.age,
            presented: false,
            attempt_id: None,
            started_at: None,
            method: None,
            label: None,
            confirmed: false,
        }
    }

    /// Takes in what is known now; an attempt that is not the first changes nothing.
    fn see(&mut self, seen: &Seen<'_>) {
        self.presented |= !seen.visit.anonymous || seen.attempt.is_some();
        let Some(attempt) = seen.attempt else { return };
        let first = self.started_at.zip(self.attempt_id);
        let own = (attempt.started_at, attempt.attempt_id);
        if self.attempt_id == Some(attempt.attempt_id) || first.is_none_or(|first| own < first) {
            self.attempt_id = Some(attempt.attempt_id);
            self.started_at = Some(attempt.started_at);
            self.method = Some(attempt.method.to_string());
            self.label = attempt.label;
            self.confirmed = attempt.confirmed && attempt.label.is_some();
        }
    }

    /// Adds the visit to the cells it belongs to, or takes it out of them.
    fn add_to(&self, moved: &mut BTreeMap<Key, Sums>, sign: i64) {
        if !self.presented {
            return;
        }
        let ones = [
            true,
            self.attempt_id.is_some(),
            self.label.is_some(),
            self.label == Some(true),
            self.confirmed,
        ];
        let splits = [
            ("none", String::new()),
            ("storage", self.storage.clone()),
            (
                "method",
                self.method
                    .clone()
                    .unwrap_or_else(|| NOT_ATTEMPTED.to_owned()),
            ),
            ("age", self.age_band.to_string()),
            ("segment", self.segment.clone()),
        ];
        for (split, value) in splits {
            let chemistry = self.chemistry.clone();
            let key = (
                split,
                self.shop_id,
                chemistry,
                value,
                self.voltage_band,
                self.months_band,
            );
            let sums = moved.entry(key).or_default();
            for (sum, one) in sums.iter_mut().zip(ones) {
                *sum += sign * i64::from(one);
            }
        }
    }
}

/// Makes the rows of visits that have none, and locks them all.
async fn lock(
    conn: &mut PgConnection,
    group: Uuid,
    seen: &[Seen<'_>],
) -> Result<Vec<Counted>, Error> {
    let fresh: BTreeMap<Uuid, Counted> = seen
        .iter()
        .map(|one| (one.visit.visit_id, Counted::new(one.visit)))
        .collect();
    let ids: Vec<Uuid> = fresh.keys().copied().collect();
    insert(conn, group, &fresh.into_values().collect::<Vec<_>>()).await?;
    let rows = sqlx::query_as!(
        Counted,
        "select visit_id, shop_id, chemistry, storage, segment, voltage_band, months_band, age_band,
            presented, attempt_id, started_at, method, label, confirmed
        from rv.counted_visit where group_id = $1 and visit_id = any($2)
        order by visit_id for update",
        group,
        &ids
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}

/// Makes rows that count nothing yet; those that exist stay as they are.
async fn insert(conn: &mut PgConnection, group: Uuid, rows: &[Counted]) -> Result<(), Error> {
    let words = |pick: fn(&Counted) -> &str| -> Vec<String> {
        rows.iter().map(|row| pick(row).to_owned()).collect()
    };
    let bands = |pick: fn(&Counted) -> i16| -> Vec<i16> { rows.iter().map(pick).collect() };
    sqlx::query!(
        "insert into rv.counted_visit (group_id, visit_id, shop_id, chemistry, storage, segment,
            voltage_band, months_band, age_band, presented, confirmed)
        select $1, k.id, k.shop, k.chemistry, k.storage, k.segment, k.vband, k.mband, k.aband,
            false, false
        from unnest($2::uuid[], $3::uuid[], $4::text[], $5::text[], $6::text[], $7::smallint[],
            $8::smallint[], $9::smallint[])
            as k (id, shop, chemistry, storage, segment, vband, mband, aband)
        order by k.id
        on conflict (group_id, visit_id) do nothing",
        group,
        &rows.iter().map(|row| row.visit_id).collect::<Vec<_>>(),
        &rows.iter().map(|row| row.shop_id).collect::<Vec<_>>(),
        &words(|row| &row.chemistry),
        &words(|row| &row.storage),
        &words(|row| &row.segment),
        &bands(|row| row.voltage_band),
        &bands(|row| row.months_band),
        &bands(|row| row.age_band)
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Writes what locked visits are counted as now. An insert that always meets its row: so each is
/// found by its key, whatever the planner believes of the group.
async fn save(conn: &mut PgConnection, group: Uuid, rows: &[&Counted]) -> Result<(), Error> {
    let words = |pick: fn(&Counted) -> &str| -> Vec<String> {
        rows.iter().map(|row| pick(row).to_owned()).collect()
    };
    let bands =
        |pick: fn(&Counted) -> i16| -> Vec<i16> { rows.iter().map(|row| pick(row)).collect() };
    sqlx::query!(
        "insert into rv.counted_visit (group_id, visit_id, shop_id, chemistry, storage, segment,
            voltage_band, months_band, age_band, presented, attempt_id, started_at, method, label,
            confirmed)
        select $1, k.id, k.shop, k.chemistry, k.storage, k.segment, k.vband, k.mband, k.aband,
            k.presented, k.attempt, k.started, k.method, k.label, k.confirmed
        from unnest($2::uuid[], $3::uuid[], $4::text[], $5::text[], $6::text[], $7::smallint[],
            $8::smallint[], $9::smallint[], $10::bool[], $11::uuid[], $12::timestamptz[],
            $13::text[], $14::bool[], $15::bool[])
            as k (id, shop, chemistry, storage, segment, vband, mband, aband, presented, attempt,
                started, method, label, confirmed)
        order by k.id
        on conflict (group_id, visit_id) do update set presented = excluded.presented,
            attempt_id = excluded.attempt_id, started_at = excluded.started_at,
            method = excluded.method, label = excluded.label, confirmed = excluded.confirmed",
        group,
        &rows.iter().map(|row| row.visit_id).collect::<Vec<_>>(),
        &rows.iter().map(|row| row.shop_id).collect::<Vec<_>>(),
        &words(|row| &row.chemistry),
        &words(|row| &row.storage),
        &words(|row| &row.segment),
        &bands(|row| row.voltage_band),
        &bands(|row| row.months_band),
        &bands(|row| row.age_band),
        &rows.iter().map(|row| row.presented).collect::<Vec<_>>(),
        &rows.iter().map(|row| row.attempt_id).collect::<Vec<_>>() as &[Option<Uuid>],
        &rows.iter().map(|row| row.started_at).collect::<Vec<_>>() as &[Option<DateTime<Utc>>],
        &rows
            .iter()
            .map(|row| row.method.clone())
            .collect::<Vec<_>>() as &[Option<String>],
        &rows.iter().map(|row| row.label).collect::<Vec<_>>() as &[Option<bool>],
        &rows.iter().map(|row| row.confirmed).collect::<Vec<_>>()
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Adds to cells, in the order of their keys.
async fn add(
    conn: &mut PgConnection,
    group: Uuid,
    moved: &BTreeMap<Key, Sums>,
) -> Result<(), Error> {
    let column = |place: usize| -> Vec<i64> {
        moved
            .values()
            .map(|sums| sums.get(place).copied().unwrap_or_default())
            .collect()
    };
    sqlx::query!(
        "insert into rv.tally as t (group_id, split, shop_id, chemistry, split_value, voltage_band,
            months_band, presented, attempted, labelled, recovered, confirmed)
        select $1, k.split, k.shop, k.chemistry, k.value, k.vband, k.mband, k.presented,
            k.attempted, k.labelled, k.recovered, k.confirmed
        from unnest($2::text[], $3::uuid[], $4::text[], $5::text[], $6::smallint[], $7::smallint[],
            $8::bigint[], $9::bigint[], $10::bigint[], $11::bigint[], $12::bigint[])
            with ordinality
            as k (split, shop, chemistry, value, vband, mband, presented, attempted, labelled,
                recovered, confirmed, place)
        order by k.place
        on conflict (group_id, split, shop_id, chemistry, split_value, voltage_band, months_band)
        do update set presented = t.presented + excluded.presented,
            attempted = t.attempted + excluded.attempted, labelled = t.labelled + excluded.labelled,
            recovered = t.recovered + excluded.recovered,
            confirmed = t.confirmed + excluded.confirmed",
        group,
        &moved.keys().map(|key| key.0.to_owned()).collect::<Vec<_>>(),
        &moved.keys().map(|key| key.1).collect::<Vec<_>>(),
        &moved.keys().map(|key| key.2.clone()).collect::<Vec<_>>(),
        &moved.keys().map(|key| key.3.clone()).collect::<Vec<_>>(),
        &moved.keys().map(|key| key.4).collect::<Vec<_>>(),
        &moved.keys().map(|key| key.5).collect::<Vec<_>>(),
        &column(0),
        &column(1),
        &column(2),
        &column(3),
        &column(4)
    )
    .execute(conn)
    .await?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::battery::Battery;
    use crate::record::visit::Visit;
    use crate::record::words::{Chemistry, Segment, Storage, TesterState};
    use crate::units::Volts;

    fn at(hours: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_790_000_000 + hours * 3600, 0).unwrap()
    }

    fn visit(anonymous: bool) -> NewVisit {
        let battery = Battery {
            chemistry: Chemistry::Agm,
            segment: Segment::Powersports,
            nominal_v: 12,
            rated_cca: None,
            rated_ah: None,
        };
        NewVisit {
            visit_id: Uuid::from_u128(1),
            shop_id: Uuid::from_u128(2),
            battery_id: None,
            case_ref: None,
            anonymous,
            visit: Visit {
                battery,
                rest_v: Volts::new("rest_v", 11.9).unwrap(),
                age: None,
                months_since_full_charge: None,
                storage: Storage::RemovedIndoors,
                tester: TesterState::NotTested,
                cca_ratio: None,
                electrolyte_low: None,
                flags: Vec::new(),
                replacement_price: None,
                presented_at: at(0),
            },
            content_digest: [0; 16],
        }
    }

    fn attempt(id: u128, hours: i64, label: Option<bool>) -> SeenAttempt {
        SeenAttempt {
            attempt_id: Uuid::from_u128(id),
            started_at: at(hours),
            method: Method::CcCv,
            label,
            confirmed: true,
        }
    }

    fn after(anonymous: bool, attempts: &[SeenAttempt]) -> Counted {
        let visit = visit(anonymous);
        let mut counted = Counted::new(&visit);
        counted.see(&Seen {
            visit: &visit,
            attempt: None,
        });
        for attempt in attempts {
            counted.see(&Seen {
                visit: &visit,
                attempt: Some(*attempt),
            });
        }
        counted
    }

    fn sums(counted: &Counted) -> Vec<Sums> {
        let mut moved = BTreeMap::new();
        counted.add_to(&mut moved, 1);
        moved.into_values().collect()
    }

    #[test]
    fn an_anonymous_visit_counts_once_it_is_attempted() {
        assert_eq!(sums(&after(true, &[])), Vec::<Sums>::new());
        assert_eq!(sums(&after(false, &[])), [[1, 0, 0, 0, 0]; 5]);
        assert_eq!(
            sums(&after(true, &[attempt(7, 1, None)])),
            [[1, 1, 0, 0, 0]; 5]
        );
    }

    #[test]
    fn only_the_first_attempt_counts_in_whatever_order_they_are_told() {
        let (first, second) = (attempt(7, 1, Some(true)), attempt(8, 30, Some(false)));
        assert_eq!(
            after(false, &[first, second]),
            after(false, &[second, first])
        );
        assert_eq!(sums(&after(false, &[second, first])), [[1, 1, 1, 1, 1]; 5]);
    }

    #[test]
    fn a_revised_outcome_takes_the_place_of_the_one_before() {
        let revised = [attempt(7, 1, Some(true)), attempt(7, 1, Some(false))];
        assert_eq!(sums(&after(false, &revised)), [[1, 1, 1, 0, 1]; 5]);
        let unknown = [attempt(7, 1, Some(true)), attempt(7, 1, None)];
        assert_eq!(sums(&after(false, &unknown)), [[1, 1, 0, 0, 0]; 5]);
    }

    #[test]
    fn what_is_put_in_and_taken_out_leaves_nothing() {
        let counted = after(false, &[attempt(7, 1, Some(true))]);
        let mut moved = BTreeMap::new();
        counted.add_to(&mut moved, 1);
        counted.add_to(&mut moved, -1);
        assert!(moved.values().all(|sums| *sums == [0; 5]));
        let method = moved.keys().find(|key| key.0 == "method").unwrap();
        assert_eq!(method.3, "cc_cv");
    }
}
