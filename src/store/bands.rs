//! Table `tally`: visits counted by band. `store::counted` writes it, in the transaction that
//! changes what a visit says; reading it costs the same at any number of visits.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::model::bands::{AgeBand, MonthsBand, VoltageBand};
use crate::model::belief::{BandCounts, Tally};
use crate::model::table::CellCount;
use crate::record::words::{Chemistry, vocabulary};

vocabulary! {
    /// By what counts may be divided further.
    Split {
        /// Construction, as on the case.
        Chemistry = "chemistry",
        /// Where the battery spent its idle time.
        Storage = "storage",
        /// Method of the first attempt; `not_attempted` for the others.
        Method = "method",
        /// Band of the age.
        Age = "age",
        /// Shop, by its name.
        Shop = "shop",
        /// What the battery serves.
        Segment = "segment",
    }
}

/// Which counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Filter {
    /// Divided further by this.
    pub split: Option<Split>,
    /// Only this shop.
    pub shop: Option<Uuid>,
    /// Only this construction; every one but lithium when `None`.
    pub chemistry: Option<Chemistry>,
}

/// Labelled lead-acid outcomes of a group, by band.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Counts {
    bands: Vec<((VoltageBand, MonthsBand), Tally)>,
    overall: Tally,
}

impl Counts {
    /// Counts of one band, with those of all bands beside them.
    #[must_use]
    pub fn of(&self, voltage: VoltageBand, months: MonthsBand) -> BandCounts {
        let found = self.bands.iter().find(|(key, _)| *key == (voltage, months));
        BandCounts {
            band: found.map(|(_, tally)| *tally).unwrap_or_default(),
            overall: self.overall,
        }
    }
}

/// Cells of the recovery table.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn cells(
    conn: &mut PgConnection,
    group: Uuid,
    filter: Filter,
) -> Result<Vec<CellCount>, Error> {
    // Shop and chemistry are keys of every count; the other splits have counts of their own.
    let counted_by = match filter.split {
        None | Some(Split::Chemistry | Split::Shop) => "none",
        Some(own) => own.as_str(),
    };
    let rows = sqlx::query!(
        r#"select t.voltage_band, t.months_band,
            case $3::text when 'chemistry' then t.chemistry when 'shop' then s.name
                else t.split_value end as "split_value!",
            sum(t.presented)::bigint as "presented!", sum(t.attempted)::bigint as "attempted!",
            sum(t.labelled)::bigint as "labelled!", sum(t.recovered)::bigint as "recovered!",
            sum(t.confirmed)::bigint as "confirmed!"
        from rv.tally t join rv.shop s on s.group_id = t.group_id and s.shop_id = t.shop_id
        where t.group_id = $1 and t.split = $2 and ($4::uuid is null or t.shop_id = $4)
            and case when $5::text is null then t.chemistry <> 'lifepo4' else t.chemistry = $5 end
        group by 1, 2, 3 having sum(t.presented) > 0 order by 1, 2, 3"#,
        group,
        counted_by,
        filter.split.map_or("", Split::as_str),
        filter.shop,
        filter.chemistry.map(Chemistry::as_str)
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter()
        .map(|row| {
            let (voltage, months) = band(row.voltage_band, row.months_band)?;
            let value = match filter.split {
                None => None,
                Some(Split::Age) => Some(age(&row.split_value)?.as_str().to_owned()),
                Some(_) => Some(row.split_value),
            };
            Ok(CellCount {
                voltage,
                months,
                split: value,
                recovered: count("recovered", row.recovered)?,
                labelled: count("labelled", row.labelled)?,
                unlabelled: count("attempted", row.attempted - row.labelled)?,
                presented: count("presented", row.presented)?,
                confirmed: count("confirmed", row.confirmed)?,
            })
        })
        .collect()
}

/// Labelled lead-acid outcomes of the whole group; lithium is never counted.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn counts(conn: &mut PgConnection, group: Uuid) -> Result<Counts, Error> {
    let rows = sqlx::query!(
        r#"select voltage_band, months_band, sum(labelled)::bigint as "labelled!",
            sum(recovered)::bigint as "recovered!"
        from rv.tally where group_id = $1 and split = 'none' and chemistry <> 'lifepo4'
        group by 1, 2 order by 1, 2"#,
        group
    )
    .fetch_all(conn)
    .await?;
    let mut counts = Counts::default();
    for row in rows {
        let tally = Tally {
            recovered: count("recovered", row.recovered)?,
            not_recovered: count("labelled", row.labelled - row.recovered)?,
        };
        counts.overall.recovered += tally.recovered;
        counts.overall.not_recovered += tally.not_recovered;
        counts
            .bands
            .push((band(row.voltage_band, row.months_band)?, tally));
    }
    Ok(counts)
}

/// When the newest outcome of the group was written: what counts know is not newer.
///
/// # Errors
/// Database errors.
pub async fn cut_off(conn: &mut PgConnection, group: Uuid) -> Result<Option<DateTime<Utc>>, Error> {
    let at = sqlx::query_scalar!(
        "select max(revised_at) from rv.outcome where group_id = $1",
        group
    )
    .fetch_one(conn)
    .await?;
    Ok(at)
}

/// Position of a band in its list: the number visits are counted by.
#[must_use]
pub fn index_of<T: PartialEq + Copy>(all: &[T], band: T) -> i16 {
    let position = all.iter().position(|one| *one == band).unwrap_or_default();
    i16::try_from(position).unwrap_or_default()
}

fn band(voltage: i16, months: i16) -> Result<(VoltageBand, MonthsBand), Error> {
    let voltage = at(VoltageBand::ALL, voltage)
        .ok_or_else(|| Error::corrupt("tally", "voltage_band", voltage))?;
    let months = at(MonthsBand::ALL, months)
        .ok_or_else(|| Error::corrupt("tally", "months_band", months))?;
    Ok((voltage, months))
}

fn age(index: &str) -> Result<AgeBand, Error> {
    let band = index.parse().ok().and_then(|index| at(AgeBand::ALL, index));
    band.ok_or_else(|| Error::corrupt("tally", "split_value", index))
}

/// The band at a position of its list; `None` past the last.
pub(super) fn at<T: Copy>(all: &[T], index: i16) -> Option<T> {
    all.get(usize::try_from(index).ok()?).copied()
}

/// A count below 0 would mean that a visit was taken out of a cell it never was in.
fn count(column: &'static str, number: i64) -> Result<u64, Error> {
    u64::try_from(number).map_err(|_| Error::corrupt("tally", column, number))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bands_are_numbered_as_the_schema_says_and_read_back() {
        assert_eq!(index_of(VoltageBand::ALL, VoltageBand::of(0.3)), 0);
        assert_eq!(index_of(MonthsBand::ALL, MonthsBand::of(None)), 4);
        assert_eq!(index_of(AgeBand::ALL, AgeBand::of(None)), 4);
        let last = (VoltageBand::of(12.6), MonthsBand::of(Some(0.0)));
        assert_eq!(band(6, 0).unwrap(), last);
        assert_eq!(age("4").unwrap(), AgeBand::of(None));
        assert!(band(7, 0).is_err() && band(0, -1).is_err() && age("five").is_err());
    }

    #[test]
    fn a_band_without_outcomes_still_knows_the_others() {
        let seen = Tally {
            recovered: 3,
            not_recovered: 1,
        };
        let key = (VoltageBand::of(11.9), MonthsBand::of(Some(2.0)));
        let counts = Counts {
            bands: vec![(key, seen)],
            overall: seen,
        };
        assert_eq!(counts.of(key.0, key.1).band, seen);
        let empty = counts.of(VoltageBand::of(1.0), MonthsBand::of(None));
        assert_eq!((empty.band, empty.overall), (Tally::default(), seen));
    }
}
