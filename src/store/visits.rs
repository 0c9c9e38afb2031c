//! Tables `battery` and `visit`: what came to a shop, before anybody decided.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::model::bands::{MonthsBand, VoltageBand};
use crate::record::battery::Battery;
use crate::record::sample::Digest;
use crate::record::visit::Visit;
use crate::record::words::{CcaStandard, Chemistry, Segment, Storage, TesterState, VisualFlag};
use crate::units::{
    AmpHours, CrankingAmps, Money, Months, Volts, twelve_volt_equivalent,
};

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
    rated_cca: Option<f64>,
    cca_standard: Option<String>,
    rated_ah: Option<f64>,
}

impl TryFrom<Row> for NewVisit {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("visit", column, row.visit_id);
        let months = |column, value: Option<f64>| {
            value.map(|months| Months::new(column, months)).transpose().map_err(|_| corrupt(column))
        };
        let price = row.replacement_price.map(|price| Money::new("replacement_price", price));
        let flags = row.flags.iter().map(|flag| VisualFlag::find(flag));
        let visit = Visit {
            battery: battery_of(&row)?,
            rest_v: Volts::new("rest_v", row.rest_v).map_err(|_| corrupt("rest_v"))?,
            age: months("age_months", row.age_months)?,
            months_since_full_charge: months(
                "months_since_full_charge",
                row.months_since_full_charge,
            )?,
            storage: Storage::find(&row.storage).ok_or_else(|| corrupt("storage"))?,
            tester: TesterState::find(&row.tester).ok_or_else(|| corrupt("tester"))?,
            cca_ratio: row.cca_ratio,
            electrolyte_low: row.electrolyte_low,
            flags: flags.collect::<Option<Vec<_>>>().ok_or_else(|| corrupt("flags"))?,
            replacement_price: price.transpose().map_err(|_| corrupt("replacement_price"))?,
            presented_at: row.presented_at,
        };
        let digest = row.content_digest.as_slice().try_into();
        Ok(Self {
            content_digest: digest.map_err(|_| corrupt("content_digest"))?,
            visit_id: row.visit_id,
            shop_id: row.shop_id,
            battery_id: row.battery_id,
            case_ref: row.case_ref,
            anonymous: row.anonymous,
            visit,
        })
    }
}

fn battery_of(row: &Row) -> Result<Battery, Error> {
    let corrupt = |column| Error::corrupt("visit", column, row.visit_id);
    let rated_cca = row.rated_cca.map(|rated| CrankingAmps::new("rated_cca", rated)).transpose();
    let rated_ah = row.rated_ah.map(|rated| AmpHours::new("rated_ah", rated)).transpose();
    let standard = match &row.cca_standard {
        None => CcaStandard::Unknown,
        Some(text) => CcaStandard::find(text).ok_or_else(|| corrupt("cca_standard"))?,
    };
    Ok(Battery {
        chemistry: Chemistry::find(&row.chemistry).ok_or_else(|| corrupt("chemistry"))?,
        segment: Segment::find(&row.segment).ok_or_else(|| corrupt("segment"))?,
        nominal_v: u8::try_from(row.nominal_v).map_err(|_| corrupt("nominal_v"))?,
        rated_cca: rated_cca.map_err(|_| corrupt("rated_cca"))?.map(|rated| (rated, standard)),
        rated_ah: rated_ah.map_err(|_| corrupt("rated_ah"))?,
    })
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
    sqlx::query!(
        "insert into rv.battery (group_id, battery_id, label, chemistry, segment, nominal_v, rated_cca,
            cca_standard, rated_ah)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9) on conflict do nothing",
        group,
        battery_id,
        label,
        battery.chemistry.as_str(),
        battery.segment.as_str(),
        i16::from(battery.nominal_v),
        battery.rated_cca.map(|rated| rated.0.get()),
        battery.rated_cca.map(|rated| rated.1.as_str()),
        battery.rated_ah.map(AmpHours::get)
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
    let visit = &new.visit;
    let v12 = twelve_volt_equivalent(visit.rest_v, visit.battery.nominal_v);
    let months = visit.months_since_full_charge.map(Months::get);
    let flags: Vec<String> = visit.flags.iter().map(ToString::to_string).collect();
    let done = sqlx::query!(
        "insert into rv.visit (group_id, visit_id, shop_id, battery_id, case_ref, presented_at, chemistry,
            segment, nominal_v, rest_v, v12, voltage_band, months_band, age_months,
            months_since_full_charge, storage, tester, cca_ratio, electrolyte_low, flags,
            replacement_price, anonymous, content_digest)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19,
            $20, $21, $22, $23)
        on conflict do nothing",
        group,
        new.visit_id,
        new.shop_id,
        new.battery_id,
        new.case_ref,
        visit.presented_at,
        visit.battery.chemistry.as_str(),
        visit.battery.segment.as_str(),
        i16::from(visit.battery.nominal_v),
        visit.rest_v.get(),
        v12,
        index_of(VoltageBand::ALL, VoltageBand::of(v12)),
        index_of(MonthsBand::ALL, MonthsBand::of(months)),
        visit.age.map(Months::get),
        months,
        visit.storage.as_str(),
        visit.tester.as_str(),
        visit.cca_ratio,
        visit.electrolyte_low,
        &flags,
        visit.replacement_price.map(Money::get),
        new.anonymous,
        &new.content_digest
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
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
    let row = sqlx::query_as!(
        Row,
        r#"select v.visit_id, v.shop_id, v.battery_id, v.case_ref, v.anonymous, v.presented_at,
            v.chemistry, v.segment, v.nominal_v, v.rest_v, v.age_months, v.months_since_full_charge,
            v.storage, v.tester, v.cca_ratio, v.electrolyte_low, v.flags, v.replacement_price,
            v.content_digest, b.rated_cca as "rated_cca?", b.cca_standard as "cca_standard?",
            b.rated_ah as "rated_ah?"
        from rv.visit v
        left join rv.battery b on b.group_id = v.group_id and b.battery_id = v.battery_id
        where v.group_id = $1 and v.visit_id = $2"#,
        group,
        id
    )
    .fetch_optional(conn)
    .await?;
    row.map(NewVisit::try_from).transpose()
}

/// Position of a band in its list: the number the tables are grouped by.
fn index_of<T: PartialEq>(all: &[T], band: T) -> i16 {
    let position = all.iter().position(|one| *one == band).unwrap_or_default();
    i16::try_from(position).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_are_numbered_as_the_schema_says() {
        assert_eq!(index_of(VoltageBand::ALL, VoltageBand::of(0.3)), 0);
        assert_eq!(index_of(VoltageBand::ALL, VoltageBand::of(12.6)), 6);
        assert_eq!(index_of(MonthsBand::ALL, MonthsBand::of(Some(0.0))), 0);
        assert_eq!(index_of(MonthsBand::ALL, MonthsBand::of(None)), 4);
    }
}
