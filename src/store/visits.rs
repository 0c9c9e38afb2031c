//! Tables `battery` and `visit`: what came to a shop, before anybody decided.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use super::bands::index_of;
use crate::model::bands::{AgeBand, MonthsBand, VoltageBand};
use crate::record::battery::Battery;
use crate::record::sample::Digest;
use crate::record::visit::Visit;
use crate::record::words::{CcaStandard, Chemistry, Segment, Storage, TesterState, VisualFlag};
use crate::units::{AmpHours, CrankingAmps, Money, Months, Volts, twelve_volt_equivalent};

/// A visit with its keys, to write or as it was written.
#[derive(Debug, Clone, PartialEq)]
pub struct NewVisit {
    /// Id.
    pub visit_id: Uuid,
    /// Shop.
    pub shop_id: Uuid,
    /// Battery, when it was recorded.
    pub battery_id: Option<Uuid>,
    /// Case id of an imported file.
    pub case_ref: Option<String>,
    /// Made by a question without a battery; not counted as presented.
    pub anonymous: bool,
    /// The facts; the ratings are kept with the battery.
    pub visit: Visit,
    /// Digest of what was sent.
    pub content_digest: Digest,
}

/// A stored visit has the same fields.
pub type StoredVisit = NewVisit;

struct Row {
    visit_id: Uuid,
    shop_id: Uuid,
    battery_id: Option<Uuid>,
    case_ref: Option<String>,
    anonymous: bool,
    presented_at: DateTime<Utc>,
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
    flags: Vec<String>,
    replacement_price: Option<f64>,
    content_digest: Vec<u8>,
}

struct Ratings {
    battery_id: Uuid,
    rated_cca: Option<f64>,
    cca_standard: Option<String>,
    rated_ah: Option<f64>,
}

fn read(ratings: Option<&Ratings>, row: Row) -> Result<NewVisit, Error> {
    let corrupt = |column| Error::corrupt("visit", column, row.visit_id);
    let months = |column, value: Option<f64>| {
        let months = value.map(|months| Months::new(column, months));
        months.transpose().map_err(|_| corrupt(column))
    };
    let price = row
        .replacement_price
        .map(|price| Money::new("replacement_price", price));
    let flags: Option<Vec<_>> = row
        .flags
        .iter()
        .map(|flag| VisualFlag::find(flag))
        .collect();
    let visit = Visit {
        battery: battery_of(&row, ratings)?,
        rest_v: Volts::new("rest_v", row.rest_v).map_err(|_| corrupt("rest_v"))?,
        age: months("age_months", row.age_months)?,
        months_since_full_charge: months("months_since_full_charge", row.months_since_full_charge)?,
        storage: Storage::find(&row.storage).ok_or_else(|| corrupt("storage"))?,
        tester: TesterState::find(&row.tester).ok_or_else(|| corrupt("tester"))?,
        cca_ratio: row.cca_ratio,
        electrolyte_low: row.electrolyte_low,
        flags: flags.ok_or_else(|| corrupt("flags"))?,
        replacement_price: price
            .transpose()
            .map_err(|_| corrupt("replacement_price"))?,
        presented_at: row.presented_at,
    };
    let digest = row.content_digest.as_slice().try_into();
    Ok(NewVisit {
        content_digest: digest.map_err(|_| corrupt("content_digest"))?,
        visit_id: row.visit_id,
        shop_id: row.shop_id,
        battery_id: row.battery_id,
        case_ref: row.case_ref,
        anonymous: row.anonymous,
        visit,
    })
}

fn battery_of(row: &Row, ratings: Option<&Ratings>) -> Result<Battery, Error> {
    let visit = |column| Error::corrupt("visit", column, row.visit_id);
    let mut battery = Battery {
        chemistry: Chemistry::find(&row.chemistry).ok_or_else(|| visit("chemistry"))?,
        segment: Segment::find(&row.segment).ok_or_else(|| visit("segment"))?,
        nominal_v: u8::try_from(row.nominal_v).map_err(|_| visit("nominal_v"))?,
        rated_cca: None,
        rated_ah: None,
    };
    if let Some(ratings) = ratings {
        let corrupt = |column| Error::corrupt("battery", column, ratings.battery_id);
        let standard = match &ratings.cca_standard {
            None => CcaStandard::Unknown,
            Some(text) => CcaStandard::find(text).ok_or_else(|| corrupt("cca_standard"))?,
        };
        let cca = ratings
            .rated_cca
            .map(|rated| CrankingAmps::new("rated_cca", rated));
        let cca = cca.transpose().map_err(|_| corrupt("rated_cca"))?;
        let ah = ratings
            .rated_ah
            .map(|rated| AmpHours::new("rated_ah", rated));
        battery.rated_cca = cca.map(|rated| (rated, standard));
        battery.rated_ah = ah.transpose().map_err(|_| corrupt("rated_ah"))?;
    }
    Ok(battery)
}

/// Writes what the case says; a battery that exists stays as it is.
///
/// # Errors
/// Database errors.
pub async fn insert_battery(
    conn: &mut PgConnection,
    group: Uuid,
    (battery_id, label): (Uuid, Option<&str>),
    battery: &Battery,
) -> Result<(), Error> {
    let label = label.map(str::to_owned);
    insert_batteries(
        conn,
        group,
        &[NewBattery {
            battery_id,
            label,
            battery: battery.clone(),
        }],
    )
    .await
}

/// What a case says, with its keys.
#[derive(Debug, Clone, PartialEq)]
pub struct NewBattery {
    /// Id.
    pub battery_id: Uuid,
    /// Code on the case.
    pub label: Option<String>,
    /// The facts.
    pub battery: Battery,
}

/// Writes what cases say; a battery that exists stays as it is.
///
/// # Errors
/// Database errors.
pub async fn insert_batteries(
    conn: &mut PgConnection,
    group: Uuid,
    new: &[NewBattery],
) -> Result<(), Error> {
    let words = |pick: fn(&Battery) -> &str| -> Vec<String> {
        new.iter()
            .map(|one| pick(&one.battery).to_owned())
            .collect()
    };
    let rated = |one: &NewBattery| one.battery.rated_cca;
    sqlx::query!(
        "insert into rv.battery (group_id, battery_id, label, chemistry, segment, nominal_v,
            rated_cca, cca_standard, rated_ah)
        select $1, k.id, k.label, k.chemistry, k.segment, k.nominal, k.cca, k.standard, k.ah
        from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::smallint[], $7::float8[],
            $8::text[], $9::float8[])
            as k (id, label, chemistry, segment, nominal, cca, standard, ah)
        order by k.id
        on conflict do nothing",
        group,
        &new.iter().map(|one| one.battery_id).collect::<Vec<_>>(),
        &new.iter().map(|one| one.label.clone()).collect::<Vec<_>>() as &[Option<String>],
        &words(|battery| battery.chemistry.as_str()),
        &words(|battery| battery.segment.as_str()),
        &new.iter()
            .map(|one| i16::from(one.battery.nominal_v))
            .collect::<Vec<_>>(),
        &new.iter()
            .map(|one| rated(one).map(|cca| cca.0.get()))
            .collect::<Vec<_>>() as &[Option<f64>],
        &new.iter()
            .map(|one| rated(one).map(|cca| cca.1.to_string()))
            .collect::<Vec<_>>() as &[Option<String>],
        &new.iter()
            .map(|one| one.battery.rated_ah.map(AmpHours::get))
            .collect::<Vec<_>>() as &[Option<f64>]
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Writes a visit; `false` when one of that id exists, which stays as it is.
///
/// # Errors
/// `Refused` by `visit_group_id_shop_id_fkey` when the shop does not exist; database errors.
pub async fn insert(conn: &mut PgConnection, group: Uuid, new: &NewVisit) -> Result<bool, Error> {
    Ok(!insert_all(conn, group, std::slice::from_ref(new))
        .await?
        .is_empty())
}

/// Writes visits in one statement; returns the ids of those that are new.
///
/// A visit that exists, or stands twice in the list, stays as it first came.
///
/// # Errors
/// `Refused` by `visit_group_id_shop_id_fkey` when a shop does not exist; database errors.
pub async fn insert_all(
    conn: &mut PgConnection,
    group: Uuid,
    new: &[NewVisit],
) -> Result<Vec<Uuid>, Error> {
    let words = |pick: fn(&Visit) -> &str| -> Vec<String> {
        new.iter().map(|one| pick(&one.visit).to_owned()).collect()
    };
    let numbers = |pick: fn(&Visit) -> Option<f64>| -> Vec<Option<f64>> {
        new.iter().map(|one| pick(&one.visit)).collect()
    };
    let indices =
        |pick: fn(&Visit) -> i16| -> Vec<i16> { new.iter().map(|one| pick(&one.visit)).collect() };
    let ids = sqlx::query_scalar!(
        "insert into rv.visit (group_id, visit_id, shop_id, battery_id, case_ref, presented_at,
            chemistry, segment, nominal_v, rest_v, v12, voltage_band, months_band, age_band,
            age_months, months_since_full_charge, storage, tester, cca_ratio, electrolyte_low,
            flags, replacement_price, anonymous, content_digest)
        select $1, k.id, k.shop, k.battery, k.case_ref, k.presented, k.chemistry, k.segment,
            k.nominal, k.rest_v, k.v12, k.vband, k.mband, k.aband, k.age, k.months, k.storage,
            k.tester, k.cca, k.low, string_to_array(k.flags, ','), k.price, k.anonymous, k.digest
        from unnest($2::uuid[], $3::uuid[], $4::uuid[], $5::text[], $6::timestamptz[], $7::text[],
            $8::text[], $9::smallint[], $10::float8[], $11::float8[], $12::smallint[],
            $13::smallint[], $14::smallint[], $15::float8[], $16::float8[], $17::text[],
            $18::text[], $19::float8[], $20::bool[], $21::text[], $22::float8[], $23::bool[],
            $24::bytea[])
            with ordinality
            as k (id, shop, battery, case_ref, presented, chemistry, segment, nominal, rest_v, v12,
                vband, mband, aband, age, months, storage, tester, cca, low, flags, price,
                anonymous, digest, place)
        order by k.place
        on conflict do nothing
        returning visit_id",
        group,
        &new.iter().map(|one| one.visit_id).collect::<Vec<_>>(),
        &new.iter().map(|one| one.shop_id).collect::<Vec<_>>(),
        &new.iter().map(|one| one.battery_id).collect::<Vec<_>>() as &[Option<Uuid>],
        &new.iter()
            .map(|one| one.case_ref.clone())
            .collect::<Vec<_>>() as &[Option<String>],
        &new.iter()
            .map(|one| one.visit.presented_at)
            .collect::<Vec<_>>(),
        &words(|visit| visit.battery.chemistry.as_str()),
        &words(|visit| visit.battery.segment.as_str()),
        &indices(|visit| i16::from(visit.battery.nominal_v)),
        &new.iter()
            .map(|one| one.visit.rest_v.get())
            .collect::<Vec<_>>(),
        &new.iter().map(|one| v12_of(&one.visit)).collect::<Vec<_>>(),
        &indices(|visit| bands_of(visit).voltage),
        &indices(|visit| bands_of(visit).months),
        &indices(|visit| bands_of(visit).age),
        &numbers(|visit| visit.age.map(Months::get)) as &[Option<f64>],
        &numbers(months_of) as &[Option<f64>],
        &words(|visit| visit.storage.as_str()),
        &words(|visit| visit.tester.as_str()),
        &numbers(|visit| visit.cca_ratio) as &[Option<f64>],
        &new.iter()
            .map(|one| one.visit.electrolyte_low)
            .collect::<Vec<_>>() as &[Option<bool>],
        &new.iter()
            .map(|one| flags_of(&one.visit))
            .collect::<Vec<_>>(),
        &numbers(|visit| visit.replacement_price.map(Money::get)) as &[Option<f64>],
        &new.iter().map(|one| one.anonymous).collect::<Vec<_>>(),
        &new.iter()
            .map(|one| one.content_digest.to_vec())
            .collect::<Vec<_>>()
    )
    .fetch_all(conn)
    .await?;
    Ok(ids)
}

/// Indices of the bands a visit is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Bands {
    pub(super) voltage: i16,
    pub(super) months: i16,
    pub(super) age: i16,
}

/// Finds the bands of a visit.
pub(super) fn bands_of(visit: &Visit) -> Bands {
    Bands {
        voltage: index_of(VoltageBand::ALL, VoltageBand::of(v12_of(visit))),
        months: index_of(MonthsBand::ALL, MonthsBand::of(months_of(visit))),
        age: index_of(AgeBand::ALL, AgeBand::of(visit.age.map(Months::get))),
    }
}

fn v12_of(visit: &Visit) -> f64 {
    twelve_volt_equivalent(visit.rest_v, visit.battery.nominal_v)
}

fn months_of(visit: &Visit) -> Option<f64> {
    visit.months_since_full_charge.map(Months::get)
}

/// Flags as one text; an array of arrays would have to be a rectangle.
fn flags_of(visit: &Visit) -> String {
    visit
        .flags
        .iter()
        .map(|flag| flag.as_str())
        .collect::<Vec<_>>()
        .join(",")
}

/// Finds a visit with its battery.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find(
    conn: &mut PgConnection,
    group: Uuid,
    id: Uuid,
) -> Result<Option<StoredVisit>, Error> {
    Ok(find_all(conn, group, &[id]).await?.pop())
}

/// Finds visits with their batteries, by id.
///
/// Two statements rather than a join: the plan of a new group's join would rest on no statistics.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find_all(
    conn: &mut PgConnection,
    group: Uuid,
    ids: &[Uuid],
) -> Result<Vec<StoredVisit>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select visit_id, shop_id, battery_id, case_ref, anonymous, presented_at, chemistry,
            segment, nominal_v, rest_v, age_months, months_since_full_charge, storage, tester,
            cca_ratio, electrolyte_low, flags, replacement_price, content_digest
        from rv.visit where group_id = $1 and visit_id = any($2) order by visit_id",
        group,
        ids
    )
    .fetch_all(&mut *conn)
    .await?;
    let batteries: Vec<Uuid> = rows.iter().filter_map(|row| row.battery_id).collect();
    let ratings = sqlx::query_as!(
        Ratings,
        "select battery_id, rated_cca, cca_standard, rated_ah from rv.battery
        where group_id = $1 and battery_id = any($2) order by battery_id",
        group,
        &batteries
    )
    .fetch_all(conn)
    .await?;
    let of = |row: &Row| {
        let at = ratings.binary_search_by_key(&row.battery_id?, |one| one.battery_id);
        at.ok().and_then(|at| ratings.get(at))
    };
    rows.into_iter().map(|row| read(of(&row), row)).collect()
}
