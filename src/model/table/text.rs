//! The recovery table in words: caption, sentences, and plain text for a terminal.
//!
//! Lines are at most [`WIDTH`] characters. A rate never stands without y of n and its interval,
//! and what is too little for a rate is said in the place of the rate.

use super::{EDGE_CONFIDENCE, RATE_N_MIN, RecoveryTable, Row, Side, Support, TableOptions};
use crate::model::bands::{MonthsBand, VoltageBand};
use crate::model::interval::IntervalMethod;

/// Longest line, in characters.
const WIDTH: usize = 100;
/// Longest label; a longer one is cut and ends in `~`.
const LABEL_WIDTH_MAX: usize = 32;
/// Width of the column with rate and interval.
const RATE_WIDTH: usize = 26;
/// Width of the column with the share not attempted.
const SKIPPED_WIDTH: usize = 6;
/// Narrowest plot that is worth drawing.
const PLOT_WIDTH_MIN: usize = 15;
/// Widest plot: two percentage points a character.
const PLOT_WIDTH_MAX: usize = 51;
/// Blank between columns.
pub(super) const GAP: &str = "  ";

impl Columns {
    /// Column behind the last character of a full line.
    fn end(&self) -> usize {
        let plot = if self.plot > 0 {
            self.plot + GAP.len()
        } else {
            0
        };
        self.label + self.count + RATE_WIDTH + plot + SKIPPED_WIDTH + 3 * GAP.len()
    }
}

/// A line of a section: a heading of a group, or a row with its label.
enum Line<'a> {
    Group(&'static str),
    Row(String, &'a Row),
}

/// Column widths of a section.
struct Columns {
    label: usize,
    count: usize,
    plot: usize,
}

/// Renders the table as plain text of at most 100 columns.
///
/// One section by voltage, one by months, the splits, then every cell that has an outcome. Each
/// line has y of n, the rate with its interval, the interval drawn on a scale from 0 to 100 %,
/// and the share of presented batteries that were not attempted.
#[must_use]
pub fn render_text(table: &RecoveryTable) -> String {
    let sections = sections(table);
    let mut out = String::new();
    push_wrapped(&mut out, &table.caption);
    for (title, lines) in &sections {
        let columns = columns(lines);
        push_line(&mut out, "");
        push_heading(&mut out, &columns, title, table.level);
        for line in lines {
            match line {
                Line::Group(name) => push_line(&mut out, name),
                Line::Row(label, row) => push_row(&mut out, &columns, label, row),
            }
        }
    }
    push_line(&mut out, "");
    push_wrapped(&mut out, &thin_cells(table));
    push_wrapped(&mut out, LEGEND);
    out
}

/// What the marks mean.
const LEGEND: &str = "|---o---| interval and rate on the scale; dotted from 5 to 19 outcomes, \
    where the interval comes first. For none or all of n the exact one-sided bound is shown. Not \
    tried: share of the presented batteries that were not attempted, - where that is not known.";

/// Titles and lines of the sections in reading order.
fn sections(table: &RecoveryTable) -> Vec<(String, Vec<Line<'_>>)> {
    let totals = &table.totals;
    let by_voltage = totals
        .by_voltage
        .iter()
        .map(|row| plain(row.voltage_label, row))
        .collect();
    let by_months = totals
        .by_months
        .iter()
        .map(|row| plain(row.months_label, row))
        .collect();
    let mut sections = vec![
        (
            "By start voltage (at rest, on the 12 V scale)".to_owned(),
            with_total(by_voltage, &totals.all),
        ),
        (
            "By months since the last full charge".to_owned(),
            with_total(by_months, &totals.all),
        ),
    ];
    if !totals.by_split.is_empty() {
        let name = table.split_by.as_deref().unwrap_or("group");
        let by_split = totals
            .by_split
            .iter()
            .map(|row| plain(split_label(row), row))
            .collect();
        sections.push((format!("By {name}"), with_total(by_split, &totals.all)));
        let rows = totals.by_voltage_and_split.iter();
        let lines = grouped(rows, |row| split_label(row).to_owned());
        sections.push((format!("By start voltage and {name}"), lines));
    }
    let cells = grouped(table.rows.iter(), |row| match &row.split {
        Some(split) => format!("{}, {split}", row.months_label),
        None => row.months_label.to_owned(),
    });
    if !cells.is_empty() {
        sections.push((
            "By start voltage and months, cells with an outcome".to_owned(),
            cells,
        ));
    }
    sections
}

/// The lines with the sum of all below them.
fn with_total<'a>(mut lines: Vec<Line<'a>>, all: &'a Row) -> Vec<Line<'a>> {
    lines.push(plain("all", all));
    lines
}

/// A line whose label is used as it is.
fn plain<'a>(label: &str, row: &'a Row) -> Line<'a> {
    Line::Row(label.to_owned(), row)
}

/// The split value of a row in words.
fn split_label(row: &Row) -> &str {
    row.split.as_deref().unwrap_or("not given")
}

/// Rows that have an outcome, under a heading for each voltage band.
fn grouped<'a>(
    rows: impl Iterator<Item = &'a Row>,
    label: impl Fn(&Row) -> String,
) -> Vec<Line<'a>> {
    let mut lines = Vec::new();
    let mut open = None;
    for row in rows.filter(|row| row.n > 0) {
        if open != row.voltage {
            lines.push(Line::Group(row.voltage_label));
            open = row.voltage;
        }
        lines.push(Line::Row(format!("  {}", label(row)), row));
    }
    lines
}

/// Fits the columns to the widest label and count; the plot takes what is left.
fn columns(lines: &[Line<'_>]) -> Columns {
    let (mut label, mut count) = (0, "recovered".len());
    for line in lines {
        if let Line::Row(text, row) = line {
            label = label.max(text.chars().count());
            count = count.max(count_words(row).len());
        }
    }
    let fixed = RATE_WIDTH + SKIPPED_WIDTH + 4 * GAP.len() + count;
    let label = label.min(LABEL_WIDTH_MAX).min(WIDTH.saturating_sub(fixed));
    let left = WIDTH.saturating_sub(fixed + label).min(PLOT_WIDTH_MAX);
    Columns {
        label,
        count,
        plot: if left < PLOT_WIDTH_MIN { 0 } else { left },
    }
}

/// Appends the two heading lines of a section.
fn push_heading(out: &mut String, columns: &Columns, title: &str, level: f64) {
    let rate = format!("rate ({} % interval)", percent(level));
    let scale = if columns.plot == 0 {
        String::new()
    } else {
        // The zero of "50" stands over the middle, the last sign of "100 %" over the end.
        let half = columns.plot / 2 - 1;
        format!(
            "{:<half$}{:<rest$}100 %",
            "0 %",
            "50 %",
            rest = columns.plot - half - 5
        )
    };
    let end = columns.end() - 3;
    push_line(out, &format!("{:<end$}not", cut(title, end - 1)));
    push_cells(out, columns, ["", "recovered", &rate, &scale, "tried"]);
}

/// Appends the line of a row.
fn push_row(out: &mut String, columns: &Columns, label: &str, row: &Row) {
    let skipped = row
        .share_not_attempted
        .map_or("-".to_owned(), |s| format!("{} %", percent(s)));
    let cells = [
        &cut(label, columns.label),
        &count_words(row),
        &rate_words(row),
        &plot(row, columns.plot),
    ];
    let [label, count, rate, plot] = cells.map(String::as_str);
    push_cells(out, columns, [label, count, rate, plot, &skipped]);
}

/// Appends one line of five aligned cells.
fn push_cells(out: &mut String, columns: &Columns, cells: [&str; 5]) {
    let [label, count, rate, plot, skipped] = cells;
    let (label_width, count_width, plot_width) = (columns.label, columns.count, columns.plot);
    let mut parts = vec![
        format!("{label:<label_width$}"),
        format!("{count:>count_width$}"),
        format!("{rate:<RATE_WIDTH$}"),
    ];
    if plot_width > 0 {
        parts.push(format!("{plot:<plot_width$}"));
    }
    parts.push(format!("{skipped:>SKIPPED_WIDTH$}"));
    push_line(out, &parts.join(GAP));
}

/// Appends a line without blanks at its end.
pub(super) fn push_line(out: &mut String, line: &str) {
    out.push_str(line.trim_end());
    out.push('\n');
}

/// Appends text broken between words.
pub(in crate::model) fn push_wrapped(out: &mut String, text: &str) {
    let mut line = String::new();
    for word in text.split_whitespace() {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > WIDTH {
            push_line(out, &line);
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(word);
    }
    push_line(out, &line);
}

/// "23 of 30".
fn count_words(row: &Row) -> String {
    format!("{} of {}", row.y, row.n)
}

/// The rate of a row with its interval, or why there is none.
fn rate_words(row: &Row) -> String {
    match (row.support, &row.edge, row.rate.zip(row.interval)) {
        (Support::Nothing, ..) => "no outcome yet".to_owned(),
        (Support::CountsOnly, ..) => "too few for a rate".to_owned(),
        (_, Some(edge), Some(_)) => match edge.side {
            Side::Below => edge_words(Side::Below, edge.bound),
            Side::Above => edge_words(Side::Above, 1.0 - edge.bound),
        },
        (support, _, Some((rate, interval))) => {
            let rate = percent(rate);
            let (lower, upper) = (percent(interval.lower), percent(interval.upper));
            if support == Support::Thin {
                format!("thin: {lower} to {upper} % ({rate} %)")
            } else {
                format!("{rate} % ({lower} to {upper} %)")
            }
        }
        (_, _, None) => "no interval".to_owned(),
    }
}

/// The interval of a row drawn on a scale from 0 to 100 %.
fn plot(row: &Row, width: usize) -> String {
    let ends = match (&row.edge, row.rate.zip(row.interval)) {
        (_, None) => return String::new(),
        (Some(edge), _) if edge.side == Side::Below => (0.0, 0.0, edge.bound),
        (Some(edge), _) => (edge.bound, 1.0, 1.0),
        (None, Some((rate, interval))) => (interval.lower, rate, interval.upper),
    };
    let inside = if row.support == Support::Thin {
        '.'
    } else {
        '-'
    };
    range_bar(ends, inside, width)
}

/// A range of shares and a share drawn on a scale from 0 to 100 %: `|` its ends, `inside` between them, `o` the share.
#[must_use]
pub fn range_bar((lower, share, upper): (f64, f64, f64), inside: char, width: usize) -> String {
    // The column whose middle is nearest: as many columns lie before it as midpoints are passed.
    let scale = width.saturating_sub(1);
    let column = |share: f64| {
        (0..scale)
            .take_while(|column| *column as f64 + 0.5 <= share * scale as f64)
            .count()
    };
    let (lower, share, upper) = (column(lower), column(share), column(upper));
    let mark = |at: usize| match at {
        at if at == share => 'o',
        at if at == lower || at == upper => '|',
        at if lower < at && at < upper => inside,
        _ => ' ',
    };
    (0..width).map(mark).collect()
}

/// What the rates speak of and what they leave out.
pub(super) fn caption(all: &Row, share_confirmed: Option<f64>, options: &TableOptions) -> String {
    let method = match options.method {
        IntervalMethod::Jeffreys => "Jeffreys",
        IntervalMethod::Wilson => "Wilson",
        IntervalMethod::ClopperPearson => "Clopper-Pearson",
    };
    let mut sentences = vec![format!(
        "Recovered at the first attempt, of batteries these shops chose to attempt: {}, {} % \
         {method} intervals.",
        count_words(all),
        percent(options.level),
    )];
    sentences.push(all.share_not_attempted.map_or_else(
        || "How many presented batteries were not attempted is not known.".to_owned(),
        |skipped| {
            format!(
                "{} % of those presented were not attempted.",
                percent(skipped)
            )
        },
    ));
    if all.unlabelled > 0 {
        let unlabelled = all.unlabelled;
        sentences.push(format!(
            "Attempts without a known outcome, left out: {unlabelled}."
        ));
    }
    if let Some(confirmed) = share_confirmed {
        sentences.push(format!("Confirmed outcomes: {} %.", percent(confirmed)));
    }
    sentences.join(" ")
}

/// How many cells say nothing or little.
fn thin_cells(table: &RecoveryTable) -> String {
    let split_count = table.totals.by_split.len().max(1);
    let cell_count = VoltageBand::ALL.len() * MonthsBand::ALL.len() * split_count;
    let with_outcome = table.rows.iter().filter(|row| row.n > 0).count();
    let few = table
        .rows
        .iter()
        .filter(|row| row.support == Support::CountsOnly)
        .count();
    format!(
        "Too little data. Cells without an outcome, not listed: {} of {cell_count}. Cells with \
         fewer than {RATE_N_MIN}, counts only: {few}.",
        cell_count - with_outcome.min(cell_count),
    )
}

/// "below 10 % (95 % bound)" for a bound on the share of none; for all of n its mirror.
///
/// Rounded away from the edge, so that the rounded bound still holds.
pub(super) fn edge_words(side: Side, bound_for_none: f64) -> String {
    let value = 100.0 * bound_for_none;
    let (digits, unit) = match value {
        value if value >= 1.0 => (0, 1.0),
        value if value >= 0.1 => (1, 10.0),
        _ => (2, 100.0),
    };
    let rounded = libm::ceil(value * unit) / unit;
    let shown = if side == Side::Below {
        rounded
    } else {
        100.0 - rounded
    };
    format!(
        "{side} {shown:.digits$} % ({} % bound)",
        percent(EDGE_CONFIDENCE)
    )
}

/// A share in percent without its sign; only none and all are shown as 0 and 100.
pub(super) fn percent(share: f64) -> String {
    match 100.0 * share {
        value if value <= 0.0 => "0".to_owned(),
        value if value >= 100.0 => "100".to_owned(),
        value if value < 0.1 => "<0.1".to_owned(),
        value if value > 99.9 => ">99.9".to_owned(),
        value if !(1.0..=99.0).contains(&value) => format!("{value:.1}"),
        value => format!("{value:.0}"),
    }
}

/// Cuts a text to a width; a cut one ends in `~`.
pub(super) fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(width.saturating_sub(1)).collect();
    short.push('~');
    short
}
