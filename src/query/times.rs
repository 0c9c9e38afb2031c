//! How long charges took, and how they ended.

use std::fmt::Write as _;

use uuid::Uuid;

use super::fair::aside;
use super::{Caller, Error};
use crate::clock::Clock;
use crate::model::durations::{self, ChargeTimes};
use crate::record::words::{Chemistry, Scope};
use crate::store::Store;
use crate::store::charge_times::{self, Filter};

/// Charges read at most: the newest.
const CHARGES_MAX: i64 = 200_000;

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];

/// How long charges took.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Times {
    /// The times.
    pub times: ChargeTimes,
    /// Charges that ended as planned and whose outcome is not known yet: left out.
    pub awaited: u64,
    /// Charges of which nobody said how long they ran: left out.
    pub without_hours: u64,
    /// The newest so many alone were read; `None` when there are no more.
    pub newest_only: Option<u64>,
    /// All of it as plain text.
    #[serde(skip)]
    pub text: String,
}

/// Tells how long first charges took until the battery recovered, failed or was too hot.
///
/// # Errors
/// `Denied`, `NotFound` for a shop the token does not see; database errors.
pub async fn times(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (shop, chemistry): (Option<Uuid>, Option<Chemistry>),
) -> Result<Times, Error> {
    let fix = "ask with a bench, analyst or operator token";
    caller.need(MAY_READ, "read how long charges took", fix)?;
    let mut tx = store.begin(caller.group).await?;
    let filter = Filter {
        shop: super::recovery::shop_seen(&mut tx, caller, shop).await?,
        chemistry,
        most: CHARGES_MAX,
    };
    tx.read_much().await?;
    let found = charge_times::charges(&mut tx, caller.group, filter, clock.now()).await?;
    tx.rollback().await?;
    let (awaited, without_hours) = (found.awaited, found.without_hours);
    let read = found.charges.len() as u64 + awaited + without_hours;
    let limit = CHARGES_MAX.unsigned_abs();
    let (times, mut text) = aside(move || {
        let times = durations::charge_times(&found.charges);
        let text = durations::render_text(&times);
        (times, text)
    })
    .await?;
    if awaited + without_hours > 0 {
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "Left out: {awaited} whose outcome is awaited, {without_hours} of which nobody said how long they ran."
        );
    }
    Ok(Times {
        times,
        awaited,
        without_hours,
        newest_only: (read >= limit).then_some(limit),
        text,
    })
}
