//! What the watch knows: reports of runs, findings, retests that are due, and runs as they go.

pub mod tail;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::sessions::Session;
use super::{Caller, Error, Page, runs};
use crate::record::run::Cast;
use crate::record::words::Scope;
use crate::store::findings::{self, Filter};
use crate::store::{Store, retests, run_summaries, watches};

pub use crate::analysis::findings::FindingKind;
pub use crate::analysis::stop::StopLevel;
pub use crate::store::findings::{Standing, StoredFinding};
pub use crate::store::retests::DueRetest;
pub use crate::store::run_summaries::StoredSummary;
pub use crate::store::watches::State;

/// What every report says of this service.
pub use crate::alarm::text::STANDING_SHORT;

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const FIX: &str = "ask with a bench, analyst or operator token";

/// What is known of one run.
#[derive(Debug, Clone, PartialEq)]
pub struct RunReport {
    /// Session that leads it.
    pub lead: Session,
    /// What the watch knows so far; `None` before its first look.
    pub state: Option<State>,
    /// What remained at the close; `None` while it runs. The newest revision.
    pub summary: Option<StoredSummary>,
    /// What was found, by first sight.
    pub findings: Vec<StoredFinding>,
}

impl RunReport {
    /// Whether the newest word is the summary of the whole run.
    #[must_use]
    pub fn is_final(&self) -> bool {
        let live = self.state.as_ref().map_or(0, |state| state.revision);
        let closed = self.summary.as_ref().map(|summary| summary.revision);
        !self.lead.is_open() && closed.is_some_and(|closed| closed >= live)
    }
}

/// The report of the run that a session belongs to.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub async fn get_report(store: &Store, caller: &Caller, session: Uuid) -> Result<RunReport, Error> {
    caller.need(MAY_READ, "read reports", FIX)?;
    let (cast, found) = runs::cast(store, caller, session).await?;
    report_of(store, caller, (&cast, &found)).await
}

/// The report of a run whose sessions are known.
async fn report_of(
    store: &Store,
    caller: &Caller,
    (cast, found): (&Cast, &[Session]),
) -> Result<RunReport, Error> {
    let id = cast.lead.place.session;
    let lead = found.iter().find(|session| session.session_id == id);
    let lead = lead.ok_or_else(|| Error::not_found("session", id))?.clone();
    let mut tx = store.begin(caller.group).await?;
    let report = RunReport {
        state: watches::find(&mut tx, caller.group, id).await?,
        summary: run_summaries::newest(&mut tx, caller.group, id).await?,
        findings: findings::of_run(&mut tx, caller.group, id).await?,
        lead,
    };
    tx.rollback().await?;
    Ok(report)
}

/// The session of the run that was summed up last.
///
/// # Errors
/// `Denied`; database errors.
pub async fn latest(store: &Store, caller: &Caller) -> Result<Option<Uuid>, Error> {
    caller.need(MAY_READ, "read reports", FIX)?;
    let mut tx = store.begin(caller.group).await?;
    let found = run_summaries::latest(&mut tx, caller.group, caller.shop).await?;
    tx.rollback().await?;
    Ok(found)
}

/// Which findings are asked for.
#[derive(Debug, Clone, Default)]
pub struct ListFindings {
    /// Only this shop.
    pub shop_id: Option<Uuid>,
    /// Only the run this session leads.
    pub session_id: Option<Uuid>,
    /// Only those that hold.
    pub present: bool,
    /// Rows a page.
    pub page_size: i32,
    /// From the answer before.
    pub page_token: String,
}

/// Lists findings the caller may see, newest first.
///
/// # Errors
/// `Denied`, `FIELD_INVALID`; database errors.
pub async fn list_findings(
    store: &Store,
    caller: &Caller,
    asked: ListFindings,
) -> Result<Page<StoredFinding>, Error> {
    caller.need(MAY_READ, "read findings", FIX)?;
    let size = super::page_size(asked.page_size)?;
    let filter = Filter {
        shop: caller.shop_among(asked.shop_id)?,
        session: asked.session_id,
        present: asked.present,
        before: read_token(&asked.page_token)?,
        limit: size + 1,
    };
    let mut tx = store.begin(caller.group).await?;
    let rows = findings::list(&mut tx, caller.group, filter).await?;
    tx.rollback().await?;
    Ok(super::cut_page(rows, size, |row| {
        let at = super::time_token(row.since_at, row.session_id);
        format!("{}.{at}", row.kind)
    }))
}

type Place = Option<(DateTime<Utc>, Uuid, String)>;

fn read_token(token: &str) -> Result<Place, Error> {
    let (kind, rest) = token.split_once('.').unwrap_or(("", token));
    let place = super::read_time_token(rest)?;
    Ok(place.map(|(at, session)| (at, session, kind.to_owned())))
}

/// Voltages that are due to be read after charges, oldest first, at most 1,000.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub async fn due_retests(
    store: &Store,
    caller: &Caller,
    (shop, until): (Option<Uuid>, DateTime<Utc>),
) -> Result<Vec<DueRetest>, Error> {
    caller.need(MAY_READ, "read what is due", FIX)?;
    let shop = caller.shop_among(shop)?;
    let mut tx = store.begin(caller.group).await?;
    let found = retests::due(&mut tx, caller.group, (shop, until)).await?;
    tx.rollback().await?;
    Ok(found)
}
