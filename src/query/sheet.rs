//! The cost sheet of a shop: what holds, what is a default, who stated what and why, now or at a time past.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{Caller, Error, reason};
pub use crate::advice::economics::CostItem;
use crate::advice::economics::{CostSheet, OutOfRange};
use crate::clock::Clock;
use crate::model::predict::Z_90;
use crate::model::table::ENOUGH_N_MIN;
use crate::record::words::Scope;
use crate::reject::{Code, Reject};
use crate::store::charge_times::{self, MeanHours};
pub use crate::store::costs::sheet::CostChange;
use crate::store::costs::sheet::{Stated, Statement};
use crate::store::{Store, costs};
use crate::units::Money;

/// Charges of a shop whose length is looked at, at most: the newest.
const CHARGES_MAX: i64 = 10_000;

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const MAY_CHANGE: &[Scope] = &[Scope::Operator];

/// Whose sheet, as it stood when, and what it comes to at which price.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SheetQuestion {
    /// Shop; may be left out with a token of one.
    pub shop_id: Option<Uuid>,
    /// As it stood then; `None` = now.
    pub at: Option<DateTime<Utc>>,
    /// Price of a replacement in the shop's currency.
    pub price: Option<Money>,
}

/// One entry of a sheet.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct SheetEntry {
    /// Entry.
    pub item: CostItem,
    /// What it is.
    pub meaning: &'static str,
    /// Value that answers use, in `unit`.
    pub value: f64,
    /// Unit.
    pub unit: String,
    /// The shop did not state it.
    pub by_default: bool,
    /// Change that set it; `None` when nobody ever touched it.
    pub change: Option<CostChange>,
}

/// A sheet as it holds at a time, and what it comes to.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Sheet {
    /// Shop.
    pub shop_id: Uuid,
    /// Its name.
    pub shop: String,
    /// ISO 4217.
    pub currency: String,
    /// When it held.
    pub at: DateTime<Utc>,
    /// Every entry.
    pub entries: Vec<SheetEntry>,
    /// Price of a replacement the sums are for.
    pub price: f64,
    /// Nobody said a price.
    pub price_is_default: bool,
    /// Worth of a recovery.
    pub worth: f64,
    /// Cost of one attempt.
    pub cost: f64,
    /// Chance from which an attempt pays; above 1: never. `None`: a recovery is worth nothing.
    pub break_even: Option<f64>,
    /// What the shop's charges really took, beside the planned hours; `None` below 20 of them: a normal range would
    /// be too narrow.
    pub taken: Option<HoursTaken>,
}

/// How long the charges of a shop took, and what an attempt would cost by that.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct HoursTaken {
    /// First charges that had ended, the newest 10,000 at most.
    pub n: u64,
    /// Mean, h.
    pub mean: f64,
    /// 90 % range of that mean, h.
    pub range: (f64, f64),
    /// Cost of one attempt if it were planned to take so long.
    pub cost: f64,
    /// Chance from which an attempt would pay then, as `break_even`.
    pub break_even: Option<f64>,
}

impl HoursTaken {
    fn of(taken: MeanHours, sheet: &CostSheet, price: Option<Money>) -> Option<Self> {
        let sd = taken.sd.filter(|_| taken.n >= ENOUGH_N_MIN)?;
        let half = Z_90 * sd / libm::sqrt(taken.n as f64);
        let mut by_these = sheet.clone();
        by_these.set(CostItem::PlannedHours, taken.mean).ok()?;
        let money = by_these.weigh(price, 1.0);
        Some(Self {
            n: taken.n,
            mean: taken.mean,
            range: ((taken.mean - half).max(0.0), taken.mean + half),
            cost: money.cost,
            break_even: money.break_even,
        })
    }
}

/// What somebody states.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NewCosts {
    /// Shop; may be left out with a token of one.
    pub shop_id: Option<Uuid>,
    /// Entries in their units; `None` = back to the default.
    pub entries: Vec<(CostItem, Option<f64>)>,
    /// Why; 1 to 200 bytes.
    pub reason: String,
}

/// Reads a sheet.
///
/// # Errors
/// `Denied`, `FIELD_MISSING`, `NotFound` for the shop; database errors.
pub async fn read(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    question: SheetQuestion,
) -> Result<Sheet, Error> {
    let fix = "ask with a bench, analyst or operator token";
    caller.need(MAY_READ, "read cost sheets", fix)?;
    let shop_id = caller.shop_for(question.shop_id)?;
    let at = question.at.unwrap_or_else(|| clock.now());
    let mut tx = store.begin(caller.group).await?;
    let Some(shop) = costs::find(&mut tx, caller.group, &[shop_id]).await?.pop() else {
        return Err(Error::not_found("shop", shop_id));
    };
    // A change of this moment may bear a time a little later than the clock's.
    let until = question.at.unwrap_or(DateTime::<Utc>::MAX_UTC);
    let (shop, mut changes) = costs::sheet::as_of(&mut tx, caller.group, shop, until).await?;
    let shop_key = (caller.group, shop_id);
    let taken = charge_times::mean_hours(&mut tx, shop_key, (until, CHARGES_MAX)).await?;
    tx.rollback().await?;
    let taken = taken.and_then(|taken| HoursTaken::of(taken, &shop.sheet, question.price));
    // The chance moves no part of what is shown.
    let money = shop.sheet.weigh(question.price, 1.0);
    let entries = CostItem::ALL.iter().map(|item| SheetEntry {
        item: *item,
        meaning: item.meaning(),
        value: shop.sheet.value(*item, money.price),
        unit: item.unit(&shop.currency),
        by_default: shop.sheet.stated(*item).is_none(),
        change: changes.remove(item),
    });
    Ok(Sheet {
        shop_id,
        entries: entries.collect(),
        shop: shop.name,
        currency: shop.currency,
        at,
        price: money.price,
        price_is_default: money.price_is_default,
        worth: money.worth,
        cost: money.cost,
        break_even: money.break_even,
        taken,
    })
}

/// States entries of a sheet; answers from then on weigh with them, answers given stay as they are.
///
/// # Errors
/// `Denied`, `NotFound` for the shop; `FIELD_MISSING` for entries and reason, `VALUE_NOT_FINITE`,
/// `VALUE_OUT_OF_RANGE` under the entry's name, `TEXT_INVALID`; database errors.
pub async fn set(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    new: NewCosts,
) -> Result<Vec<CostChange>, Error> {
    let fix = "ask with an operator token";
    caller.need(MAY_CHANGE, "change cost sheets", fix)?;
    let shop = caller.shop_for(new.shop_id)?;
    if new.entries.is_empty() {
        let detail = "name at least one entry of the sheet";
        return Err(Error::bad(Code::FieldMissing, "entries", detail));
    }
    reason(&new.reason, "the sheet")?;
    let mut tx = store.begin(caller.group).await?;
    let statement = Statement {
        shop,
        entries: &new.entries,
        reason: &new.reason,
        by: &caller.name,
        at: clock.now(),
    };
    match costs::sheet::state(&mut tx, caller.group, statement).await? {
        Stated::Kept(changes) => {
            tx.commit().await?;
            Ok(changes)
        }
        Stated::NoShop => Err(Error::not_found("shop", shop)),
        Stated::OutOfRange(wrong) => Err(out_of_range(&wrong).into()),
    }
}

/// What is said to a cost that cannot be one.
pub(super) fn out_of_range(wrong: &OutOfRange) -> Reject {
    let code = if wrong.value.is_finite() {
        Code::ValueOutOfRange
    } else {
        Code::ValueNotFinite
    };
    Reject::new(code, wrong.item.as_str(), wrong.to_string())
}
