//! The recovery table: which start voltages and idle times came back, of those attempted.
//!
//! Pure sums over counted cells, so its cost does not depend on the number of batteries. Counts
//! always stand beside a rate; below [`RATE_N_MIN`] outcomes there is no rate at all. The rates
//! speak of batteries the shops chose to attempt, and the caption says so.

pub mod adjusted;
mod text;

pub(super) use text::push_wrapped;
pub use text::{range_bar, render_text};

use super::bands::{MonthsBand, VoltageBand};
use super::interval::{self, Interval, IntervalMethod};
use crate::record::words::vocabulary;
use serde::Serialize;
use std::collections::BTreeMap;

/// Fewest outcomes for a rate. Our choice: with fewer, one battery moves the rate by 25 points.
pub const RATE_N_MIN: u64 = 5;

/// Fewest outcomes that are not called thin. Our choice: here one battery moves 5 points.
pub const ENOUGH_N_MIN: u64 = 20;

/// Confidence of the one-sided bound that stands in for a rate of none or all.
pub const EDGE_CONFIDENCE: f64 = 0.95;

vocabulary! {
    /// How much data stands behind a row.
    Support {
        /// No outcome.
        Nothing = "none",
        /// Fewer than 5 outcomes: counts, no rate.
        CountsOnly = "counts_only",
        /// 5 to 19 outcomes: the interval matters more than the rate.
        Thin = "thin",
        /// 20 outcomes or more.
        Enough = "enough",
    }
}

vocabulary! {
    /// On which side of its bound a share lies.
    Side { Below = "below", Above = "above" }
}

impl Support {
    /// Names the support that `n` outcomes give.
    #[must_use]
    pub fn of(n: u64) -> Self {
        match n {
            0 => Self::Nothing,
            n if n < RATE_N_MIN => Self::CountsOnly,
            n if n < ENOUGH_N_MIN => Self::Thin,
            _ => Self::Enough,
        }
    }
}

/// Counts of one cell, summed by the caller. Cells with equal bands and split are added up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CellCount {
    /// Band of the start voltage.
    pub voltage: VoltageBand,
    /// Band of the months since the last full charge.
    pub months: MonthsBand,
    /// Value of the chosen split (a chemistry, a shop, ..); `None` when the table is not split.
    pub split: Option<String>,
    /// First attempts that recovered; at most `labelled`, else the row shows counts only.
    pub recovered: u64,
    /// First attempts whose outcome is known to be recovered or not.
    pub labelled: u64,
    /// First attempts without such an outcome: stopped by a person, undetermined. Left out of n.
    pub unlabelled: u64,
    /// Batteries presented, attempted or not.
    pub presented: u64,
    /// Labelled outcomes that were confirmed by the hold.
    pub confirmed: u64,
}

/// How the table is made.
#[derive(Debug, Clone, PartialEq)]
pub struct TableOptions {
    /// Nominal coverage of the intervals, a share between 0 and 1.
    pub level: f64,
    /// Kind of interval.
    pub method: IntervalMethod,
    /// What the split values are, for headings: "chemistry", "shop".
    pub split_by: Option<String>,
}

impl Default for TableOptions {
    fn default() -> Self {
        Self {
            level: 0.90,
            method: IntervalMethod::Jeffreys,
            split_by: None,
        }
    }
}

/// What is said instead of "0 %" or "100 %".
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EdgeBound {
    /// Whether the share lies below or above `bound`.
    pub side: Side,
    /// The exact one-sided bound, a share from 0 to 1.
    pub bound: f64,
    /// Confidence of the bound, a share.
    pub confidence: f64,
    /// The same in words: "0 of 30 is below 10 % (95 % bound)".
    pub sentence: String,
}

/// One line of the table: a cell, or a sum over one or more of its three keys.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Band of the start voltage; `None` sums over all.
    pub voltage: Option<VoltageBand>,
    /// Band of the months since the last full charge; `None` sums over all.
    pub months: Option<MonthsBand>,
    /// Value of the split; `None` sums over all, or the table is not split.
    pub split: Option<String>,
    /// The voltage band in words, with unit.
    pub voltage_label: &'static str,
    /// The months band in words, with unit.
    pub months_label: &'static str,
    /// Recovered.
    pub y: u64,
    /// Outcomes known.
    pub n: u64,
    /// Attempts without a known outcome, not part of n.
    pub unlabelled: u64,
    /// Batteries presented.
    pub presented: u64,
    /// Outcomes confirmed, part of n.
    pub confirmed: u64,
    /// How much data there is.
    pub support: Support,
    /// y / n as a share; `None` below [`RATE_N_MIN`] outcomes.
    pub rate: Option<f64>,
    /// Interval of the rate; present exactly when `rate` is.
    pub interval: Option<Interval>,
    /// What to say for none or all of n; `None` for other rows and below [`RATE_N_MIN`].
    pub edge: Option<EdgeBound>,
    /// Share of the presented batteries that were not attempted; `None` when none is known to
    /// have been presented, or fewer than were attempted.
    pub share_not_attempted: Option<f64>,
}

/// Sums over the keys of the table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Totals {
    /// Everything.
    pub all: Row,
    /// One row for each of the seven voltage bands, months pooled: what people read first.
    pub by_voltage: Vec<Row>,
    /// One row for each of the five months bands, voltages pooled.
    pub by_months: Vec<Row>,
    /// One row for each value of the split; empty when the table is not split.
    pub by_split: Vec<Row>,
    /// Months pooled, for each voltage band and split that has a cell; empty when not split.
    pub by_voltage_and_split: Vec<Row>,
}

/// The recovery table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RecoveryTable {
    /// The given cells in the order voltage, months, split.
    pub rows: Vec<Row>,
    /// Sums.
    pub totals: Totals,
    /// What the rates speak of and what is left out. Always to be shown with them.
    pub caption: String,
    /// Share of the outcomes that are confirmed; `None` without outcomes.
    pub share_confirmed: Option<f64>,
    /// Nominal coverage of the intervals, a share.
    pub level: f64,
    /// Kind of the intervals.
    pub method: IntervalMethod,
    /// What the split values are; `None` when the table is not split.
    pub split_by: Option<String>,
}

/// Which cells a row sums; `None` stands for all.
type Key<'a> = (Option<VoltageBand>, Option<MonthsBand>, Option<&'a str>);

/// Counts of a row while they are summed.
#[derive(Debug, Clone, Copy, Default)]
struct Counts {
    recovered: u64,
    labelled: u64,
    unlabelled: u64,
    presented: u64,
    confirmed: u64,
}

impl Counts {
    /// Adds a cell; a sum past the largest number stays there.
    fn add(&mut self, cell: &CellCount) {
        self.recovered = self.recovered.saturating_add(cell.recovered);
        self.labelled = self.labelled.saturating_add(cell.labelled);
        self.unlabelled = self.unlabelled.saturating_add(cell.unlabelled);
        self.presented = self.presented.saturating_add(cell.presented);
        self.confirmed = self.confirmed.saturating_add(cell.confirmed);
    }

    /// Share of the presented batteries that were not attempted.
    fn share_not_attempted(&self) -> Option<f64> {
        let attempted = self.labelled.saturating_add(self.unlabelled);
        share(self.presented.checked_sub(attempted)?, self.presented)
    }
}

/// Assembles the table from counted cells.
///
/// The order of the cells does not matter. A level outside 0..1 gives counts without rates.
///
/// # Examples
/// ```
/// use restvolt::model::bands::{MonthsBand, VoltageBand};
/// use restvolt::model::table::{CellCount, TableOptions, assemble, render_text};
/// let cell = CellCount {
///     voltage: VoltageBand::of(11.9),
///     months: MonthsBand::of(Some(3.0)),
///     split: None,
///     recovered: 23,
///     labelled: 30,
///     unlabelled: 1,
///     presented: 40,
///     confirmed: 12,
/// };
/// let table = assemble(&[cell], &TableOptions::default());
/// assert!(table.caption.contains("of batteries these shops chose to attempt"));
/// assert!(render_text(&table).contains("23 of 30"));
/// ```
#[must_use]
pub fn assemble(cells: &[CellCount], options: &TableOptions) -> RecoveryTable {
    let rows = |groups: BTreeMap<Key, Counts>| -> Vec<Row> {
        groups
            .into_iter()
            .map(|(key, counts)| row(key, &counts, options))
            .collect()
    };
    let is_split = cells.iter().any(|cell| cell.split.is_some());
    let split_cells = if is_split { cells } else { &[] };
    let mut by_voltage = sum(cells, |cell| (Some(cell.voltage), None, None));
    for band in VoltageBand::ALL {
        by_voltage.entry((Some(*band), None, None)).or_default();
    }
    let mut by_months = sum(cells, |cell| (None, Some(cell.months), None));
    for band in MonthsBand::ALL {
        by_months.entry((None, Some(*band), None)).or_default();
    }
    let mut all = Counts::default();
    for cell in cells {
        all.add(cell);
    }
    let share_confirmed = share(all.confirmed, all.labelled);
    let all_row = row((None, None, None), &all, options);
    RecoveryTable {
        rows: rows(sum(cells, |cell| {
            (Some(cell.voltage), Some(cell.months), cell.split.as_deref())
        })),
        caption: text::caption(&all_row, share_confirmed, options),
        totals: Totals {
            all: all_row,
            by_voltage: rows(by_voltage),
            by_months: rows(by_months),
            by_split: rows(sum(split_cells, |cell| (None, None, cell.split.as_deref()))),
            by_voltage_and_split: rows(sum(split_cells, |cell| {
                (Some(cell.voltage), None, cell.split.as_deref())
            })),
        },
        share_confirmed,
        level: options.level,
        method: options.method,
        split_by: options.split_by.clone().filter(|_| is_split),
    }
}

/// Sums cells by a key.
fn sum<'a>(
    cells: &'a [CellCount],
    key: impl Fn(&'a CellCount) -> Key<'a>,
) -> BTreeMap<Key<'a>, Counts> {
    let mut groups: BTreeMap<Key, Counts> = BTreeMap::new();
    for cell in cells {
        groups.entry(key(cell)).or_default().add(cell);
    }
    groups
}

/// Makes the row of a key from its counts.
fn row((voltage, months, split): Key, counts: &Counts, options: &TableOptions) -> Row {
    let (y, n) = (counts.recovered, counts.labelled);
    let interval = if n < RATE_N_MIN {
        None
    } else {
        options.method.interval(y, n, options.level)
    };
    Row {
        voltage,
        months,
        split: split.map(str::to_owned),
        voltage_label: voltage.map_or("all voltages", VoltageBand::label),
        months_label: months.map_or("all months", MonthsBand::label),
        y,
        n,
        unlabelled: counts.unlabelled,
        presented: counts.presented,
        confirmed: counts.confirmed,
        support: Support::of(n),
        rate: interval.and(share(y, n)),
        interval,
        edge: edge_bound(y, n),
        share_not_attempted: counts.share_not_attempted(),
    }
}

/// Bound for none or all of at least [`RATE_N_MIN`] outcomes.
fn edge_bound(y: u64, n: u64) -> Option<EdgeBound> {
    let side = match y {
        _ if n < RATE_N_MIN => return None,
        0 => Side::Below,
        y if y == n => Side::Above,
        _ => return None,
    };
    let above_none = interval::upper_bound_for_none(n, EDGE_CONFIDENCE)?;
    Some(EdgeBound {
        side,
        bound: if side == Side::Below {
            above_none
        } else {
            1.0 - above_none
        },
        confidence: EDGE_CONFIDENCE,
        sentence: format!("{y} of {n} is {}", text::edge_words(side, above_none)),
    })
}

/// Part of a whole; `None` when the whole is nothing.
fn share(part: u64, whole: u64) -> Option<f64> {
    (whole > 0).then(|| part as f64 / whole as f64)
}

#[cfg(test)]
mod tests;
