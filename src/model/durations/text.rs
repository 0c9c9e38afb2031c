//! Charge times as plain text.

use std::fmt::Write as _;

use super::{ByHour, ChargeTimes, Row};
use crate::model::interval::Interval;
use crate::model::survival::KINDS;
use crate::model::table::{RATE_N_MIN, push_wrapped};

/// Hours shown of bands and fifths.
const SHOWN: [f64; 3] = [4.0, 8.0, 24.0];
/// Columns of a bar.
const BAR: usize = 40;
/// Marks of the parts of a bar: recovered, failed, broken off for heat.
const MARKS: [char; KINDS] = ['#', 'x', '!'];

/// Draws the times as text of at most 105 columns.
#[must_use]
pub fn render_text(times: &ChargeTimes) -> String {
    let mut out = String::new();
    let all = &times.all;
    let [recovered, failed, heat] = all.ended;
    let counts = format!(
        "First charges with a known end, of batteries these shops chose to attempt: {}; {recovered} recovered, \
         {failed} failed, {heat} broken off for heat. {} more were stopped by people or still run, and count as \
         running up to then. A charge ends when its charger or a person ends it; what came of it was found at \
         the retest.",
        all.n, all.censored
    );
    push_wrapped(&mut out, &counts);
    if all.by_hour.is_empty() {
        let few = format!("Too few for rates: {RATE_N_MIN} charges with a known end are needed.");
        push_wrapped(&mut out, &few);
        return out;
    }
    whole(&mut out, all);
    section(&mut out, "By start voltage (12 V scale)", &times.bands);
    out.push('\n');
    if times.fifths.is_empty() {
        let ask =
            "By the chance told before: ask before each attempt, and its fifths are shown here.";
        push_wrapped(&mut out, ask);
    } else {
        section(&mut out, "By the chance told before", &times.fifths);
    }
    let legend = format!(
        "Ranges are of {:.0} %; under {RATE_N_MIN} known ends there are counts only. That charges of its kind took \
         longer is no reason to leave a hot battery on: the advice to stop stands before these times.",
        100.0 * times.level
    );
    out.push('\n');
    push_wrapped(&mut out, &legend);
    out
}

/// The curve of all charges.
fn whole(out: &mut String, all: &Row) {
    let _ = writeln!(
        out,
        "\n{:>6}  {:<BAR$}  {:<19}{:>8}  recovered later, of those",
        "by", "# recovered  x failed  ! heat  . running", "recovered", "ran on"
    );
    for at in &all.by_hour {
        let recovered = at.ended.first().map(|one| rate(one.share, one.interval));
        let _ = writeln!(
            out,
            "{:>4} h  {}  {:<19}{:>8}  {}",
            at.hours,
            bar(at),
            recovered.unwrap_or_default(),
            at.at_risk,
            later(at)
        );
    }
    let of = |hours: Option<f64>, what: &str| match hours {
        Some(hours) => format!("half of all had {what} after {hours:.1} h"),
        None => format!("less than half of all had {what} by the end of what was watched"),
    };
    let ended = of(all.median_ended_hours, "ended");
    let recovered = of(all.median_recovered_hours, "recovered");
    push_wrapped(
        out,
        &format!("Of {} charges {ended}; {recovered}.", all.n + all.censored),
    );
}

fn later(at: &ByHour) -> String {
    let (recovered, known) = (at.later.recovered, at.later.known);
    let counts = format!("{recovered} of {known}");
    match at.later.interval {
        Some(interval) => {
            let share = recovered as f64 / known as f64;
            format!("{counts}: {}", rate(share, interval))
        }
        None => counts,
    }
}

/// Parts that add up to the whole bar.
fn bar(at: &ByHour) -> String {
    let mut bar = String::with_capacity(BAR);
    let (mut sum, mut drawn) = (0.0, 0);
    for (share, mark) in at.ended.iter().zip(MARKS) {
        sum += share.share;
        let upto = (0..BAR).filter(|column| *column as f64 + 0.5 <= sum * BAR as f64);
        let upto = upto.count();
        bar.extend(std::iter::repeat_n(mark, upto.saturating_sub(drawn)));
        drawn = drawn.max(upto);
    }
    bar.extend(std::iter::repeat_n('.', BAR.saturating_sub(drawn)));
    bar
}

fn section(out: &mut String, title: &str, rows: &[Row]) {
    let _ = write!(out, "\n{title:<31}{:>14}{:>9}", "recovered", "half by");
    for hours in SHOWN {
        let _ = write!(out, "{:>20}", format!("by {hours} h"));
    }
    out.push('\n');
    for row in rows {
        let recovered = row.ended.first().copied().unwrap_or(0);
        let _ = write!(
            out,
            "{:<31}{:>14}{:>9}",
            row.label,
            format!("{recovered} of {}", row.n),
            row.median_recovered_hours
                .map_or("-".to_owned(), |hours| format!("{hours:.1} h"))
        );
        for hours in SHOWN {
            let at = row.by_hour.iter().rev().find(|at| at.hours <= hours);
            let cell = at.and_then(|at| at.ended.first());
            let cell = cell.map_or("-".to_owned(), |one| rate(one.share, one.interval));
            let _ = write!(out, "{cell:>20}");
        }
        out.push('\n');
    }
}

/// A share and its range rounded outward: `54 % (48 to 61 %)`.
fn rate(share: f64, interval: Interval) -> String {
    format!(
        "{:.0} % ({:.0} to {:.0} %)",
        100.0 * share,
        (100.0 * interval.lower).floor(),
        (100.0 * interval.upper).ceil()
    )
}
