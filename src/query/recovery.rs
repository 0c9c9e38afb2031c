//! Which starting voltages, ages and storage histories actually recovered.
//!
//! Counts come from the tally, so a table costs the same at any number of visits. Only the first
//! attempt of a visit counts; batteries that were never attempted stand beside it as presented.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{Caller, Error};
use crate::clock::Clock;
use crate::learn::Learned;
use crate::model::adjusted::Case;
use crate::model::fit::Family;
use crate::model::interval::IntervalMethod;
use crate::model::table::adjusted::{self, AdjustedTable, NotAdjusted};
use crate::model::table::{self, RecoveryTable, TableOptions};
use crate::record::words::{Chemistry, Scope};
use crate::reject::Code;
use crate::store::bands::{self, Filter};
use crate::store::{Store, Tx, costs};

pub use crate::store::bands::Split;

/// Smallest and largest coverage that may be asked for, ratio.
const LEVELS: (f64, f64) = (0.5, 0.999);

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];

/// Which table.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TableRequest {
    /// Only this shop; every shop the token sees when `None`.
    pub shop_id: Option<Uuid>,
    /// Divided further by this.
    pub split: Option<Split>,
    /// Only this construction; all lead-acid ones when `None`.
    pub chemistry: Option<Chemistry>,
    /// How limits are computed; Jeffreys when `None`.
    pub method: Option<IntervalMethod>,
    /// Coverage of the limits, ratio; 0.90 when 0.
    pub level: f64,
    /// With rates that expect the same batteries in every band.
    pub adjusted: bool,
}

/// A table with what it knew.
#[derive(Debug, Clone, PartialEq)]
pub struct RecoveryAnswer {
    /// Rows, sums and caption.
    pub table: RecoveryTable,
    /// The same batteries in every band, or why that is not told; `None` when it was not asked for.
    pub adjusted: Option<Result<AdjustedTable, NotAdjusted>>,
    /// All of it as plain text.
    pub text: String,
    /// Newest outcome of the group; counts are not newer.
    pub cut_off: Option<DateTime<Utc>>,
}

/// Counts recoveries by starting voltage and months since the last full charge.
///
/// # Errors
/// `Denied`, `NotFound` for a shop the token does not see; `VALUE_OUT_OF_RANGE` for the level.
pub async fn table(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    request: TableRequest,
) -> Result<RecoveryAnswer, Error> {
    let fix = "ask with a bench, analyst or operator token";
    caller.need(MAY_READ, "read recovery tables", fix)?;
    let options = options(&request)?;
    let group = caller.group;
    let mut tx = store.begin(group).await?;
    let shop = shop_seen(&mut tx, caller, request.shop_id).await?;
    let filter = Filter {
        split: request.split,
        shop,
        chemistry: request.chemistry,
    };
    let cells = bands::cells(&mut tx, group, filter).await?;
    let cut_off = bands::cut_off(&mut tx, group).await?;
    tx.rollback().await?;
    let table = table::assemble(&cells, &options);
    let adjusted = if request.adjusted {
        let learned = super::fair::learned(store, clock, caller).await?;
        Some(adjusted(table.clone(), learned, filter).await?)
    } else {
        None
    };
    let mut text = table::render_text(&table);
    if let Some(adjusted) = &adjusted {
        text.push('\n');
        let told = match adjusted {
            Ok(rates) => adjusted::render_adjusted(rates),
            Err(why) => why.to_string(),
        };
        text.push_str(&told);
    }
    Ok(RecoveryAnswer {
        table,
        adjusted,
        text,
        cut_off,
    })
}

/// The shop that is asked about, `None` for every shop; a token of one shop asks about that.
///
/// # Errors
/// `NotFound` for a shop the token does not see; database errors.
pub(super) async fn shop_seen(
    tx: &mut Tx,
    caller: &Caller,
    asked: Option<Uuid>,
) -> Result<Option<Uuid>, Error> {
    let shop = caller.shop_among(asked)?;
    if let Some(shop) = shop
        && costs::find(tx, caller.group, &[shop]).await?.is_empty()
    {
        return Err(Error::not_found("shop", shop));
    }
    Ok(shop)
}

/// Asks the model about past attempts of the kind the table speaks of.
async fn adjusted(
    table: RecoveryTable,
    learned: Arc<Learned>,
    filter: Filter,
) -> Result<Result<AdjustedTable, NotAdjusted>, Error> {
    super::fair::aside(move || {
        let knowledge = &learned.knowledge;
        let cases: Vec<Case> = knowledge
            .cases()
            .iter()
            .filter(|seen| Family::of(seen.features.chemistry) == Family::LeadAcid)
            .filter(|seen| filter.shop.is_none_or(|shop| seen.shop == shop))
            .filter(|seen| {
                filter
                    .chemistry
                    .is_none_or(|asked| seen.features.chemistry == asked)
            })
            .map(Case::from)
            .collect();
        let mix = adjusted::mix(cases.into_iter());
        adjusted::adjust(&table, &knowledge.fits.lead_acid, &mix)
    })
    .await
}

fn options(request: &TableRequest) -> Result<TableOptions, Error> {
    let usual = TableOptions::default();
    let (min, max) = LEVELS;
    let level = match request.level {
        0.0 => usual.level,
        level if (min..=max).contains(&level) => level,
        level => {
            let detail = format!("{level} is outside {min} to {max}; 0.9 means 90 %");
            return Err(Error::bad(Code::ValueOutOfRange, "level_ratio", detail));
        }
    };
    Ok(TableOptions {
        level,
        method: request.method.unwrap_or(usual.method),
        split_by: request.split.map(|split| split.to_string()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_level_that_is_not_said_is_the_usual_one_and_nonsense_is_refused() {
        let of = |level| {
            options(&TableRequest {
                level,
                ..TableRequest::default()
            })
        };
        assert!((of(0.0).unwrap().level - 0.90).abs() < f64::EPSILON);
        assert!((of(0.999).unwrap().level - 0.999).abs() < f64::EPSILON);
        for level in [0.499, 1.0, 90.0, -0.9, f64::NAN] {
            assert!(matches!(of(level), Err(Error::Bad(reject)) if reject.field == "level_ratio"));
        }
    }

    #[test]
    fn the_split_names_the_column() {
        let split = Some(Split::Storage);
        let made = options(&TableRequest {
            split,
            ..TableRequest::default()
        })
        .unwrap();
        assert_eq!(made.split_by.as_deref(), Some("storage"));
        assert_eq!(made.method, IntervalMethod::Jeffreys);
    }
}
