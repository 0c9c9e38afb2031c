//! Rates beside the counted ones that expect the same batteries in every band.
//!
//! Counted rates of two bands speak of different batteries. Here the model is asked what one mix of
//! batteries would have done in each band, so that what differs is the band. Source: STATISTICS 4.

use serde::Serialize;

use super::text::{GAP, cut, percent, push_line, push_wrapped};
use super::{RATE_N_MIN, RecoveryTable, Row};
use crate::model::adjusted::{
    Adjusted, Case, adjusted_rate, band_rate, compare, order_is_reversed,
};
use crate::model::belief::Tally;
use crate::model::fit::Fit;
use crate::model::standing::{OUTCOMES_MIN, OUTCOMES_OF_A_KIND_MIN, Record, Reserve, reserves};

/// Batteries of the mix at most: what more of them would change is far below the ranges. Our choice.
pub const MIX_MAX: usize = 500;
/// Reversed pairs that are told at most, the best supported first.
const REVERSALS_MAX: usize = 6;

/// What one mix of batteries would have done in a band.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdjustedRow {
    /// The band in words, with unit.
    pub label: &'static str,
    /// Recovered, as counted.
    pub y: u64,
    /// Outcomes known.
    pub n: u64,
    /// Rate expected of the mix, with its range.
    pub expected: Adjusted,
}

/// Two bands whose order by counts is turned round by what kind of batteries were in them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reversal {
    /// Band with the higher counted rate.
    pub counted_better: &'static str,
    /// Band that does better with the same batteries.
    pub expected_better: &'static str,
    /// Probability that the second is truly better for the same batteries.
    pub support: f64,
}

/// Adjusted rates by starting voltage and by months since the last full charge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AdjustedTable {
    /// One for each voltage band.
    pub by_voltage: Vec<AdjustedRow>,
    /// One for each months band.
    pub by_months: Vec<AdjustedRow>,
    /// Pairs of bands that change places, at most six.
    pub reversals: Vec<Reversal>,
    /// Batteries of the mix.
    pub mix: u64,
    /// Outcomes in the fit.
    pub outcomes: u64,
    /// Design and prior of the model.
    pub model_version: String,
}

/// Why there is no adjusted rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum NotAdjusted {
    /// Too few outcomes: the model would tell its prior.
    TooFew,
    /// No past attempt of the kind the table speaks of.
    NoCase,
}

impl std::fmt::Display for NotAdjusted {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::TooFew => write!(
                f,
                "No adjusted rates: they need {OUTCOMES_MIN} outcomes, {OUTCOMES_OF_A_KIND_MIN} of either kind."
            ),
            Self::NoCase => {
                f.write_str("No adjusted rates: no past lead-acid attempt is of this kind.")
            }
        }
    }
}

/// An even choice of at most [`MIX_MAX`] cases, the same for the same cases.
#[must_use]
pub fn mix(cases: impl ExactSizeIterator<Item = Case>) -> Vec<Case> {
    let step = cases.len().div_ceil(MIX_MAX).max(1);
    cases.step_by(step).collect()
}

/// Asks the fit what the mix would have done in each band of the table.
///
/// # Errors
/// Why it cannot be told.
pub fn adjust(
    table: &RecoveryTable,
    fit: &Fit,
    mix: &[Case],
) -> Result<AdjustedTable, NotAdjusted> {
    let counts = fit.counts();
    let record = Record {
        recovered: counts.recovered,
        failed: counts.not_recovered,
        ..Record::default()
    };
    if reserves(&record).contains(&Reserve::BeliefOnly) {
        return Err(NotAdjusted::TooFew);
    }
    let row = |row: &Row, label, expected: Option<Adjusted>| {
        expected.map(|expected| AdjustedRow {
            label,
            y: row.y,
            n: row.n,
            expected,
        })
    };
    let by_voltage: Option<Vec<AdjustedRow>> = table
        .totals
        .by_voltage
        .iter()
        .filter_map(|counted| Some((counted, counted.voltage?)))
        .map(|(counted, band)| {
            row(
                counted,
                counted.voltage_label,
                band_rate(fit, mix, band, None),
            )
        })
        .collect();
    let by_months: Option<Vec<AdjustedRow>> = table
        .totals
        .by_months
        .iter()
        .filter_map(|counted| Some((counted, counted.months?)))
        .map(|(counted, band)| {
            let idle = |mut case: Case| {
                case.features.months = band.centre();
                case
            };
            row(counted, counted.months_label, adjusted_rate(fit, mix, idle))
        })
        .collect();
    let (Some(by_voltage), Some(by_months)) = (by_voltage, by_months) else {
        return Err(NotAdjusted::NoCase);
    };
    let mut reversals = reversed(fit, &by_voltage);
    reversals.extend(reversed(fit, &by_months));
    reversals.sort_by(|one, other| other.support.total_cmp(&one.support));
    reversals.truncate(REVERSALS_MAX);
    Ok(AdjustedTable {
        by_voltage,
        by_months,
        reversals,
        mix: mix.len() as u64,
        outcomes: counts.total(),
        model_version: fit.version(),
    })
}

/// Pairs with enough outcomes for a rate whose order is turned round.
fn reversed(fit: &Fit, rows: &[AdjustedRow]) -> Vec<Reversal> {
    let told: Vec<&AdjustedRow> = rows.iter().filter(|row| row.n >= RATE_N_MIN).collect();
    let tally = |row: &AdjustedRow| Tally {
        recovered: row.y,
        not_recovered: row.n - row.y.min(row.n),
    };
    let mut found = Vec::new();
    for (at, one) in told.iter().enumerate() {
        for other in told.iter().skip(at + 1) {
            let difference = compare(fit, &one.expected, &other.expected);
            if !order_is_reversed((tally(one), tally(other)), difference) {
                continue;
            }
            let (better, counted) = if difference.difference > 0.0 {
                (one, other)
            } else {
                (other, one)
            };
            found.push(Reversal {
                counted_better: counted.label,
                expected_better: better.label,
                support: difference.support,
            });
        }
    }
    found
}

/// Widest label.
const LABEL_WIDTH: usize = 30;

/// Renders adjusted rates as plain text of at most 100 columns.
#[must_use]
pub fn render_adjusted(table: &AdjustedTable) -> String {
    let mut out = String::new();
    push_wrapped(
        &mut out,
        &format!(
            "Adjusted: what the same {} batteries, a mix of those attempted, would have done in each \
             band. Counted rates of two bands speak of different batteries; these do not. Model {}, \
             {} outcomes.",
            table.mix, table.model_version, table.outcomes
        ),
    );
    for (title, rows) in [
        ("By start voltage", &table.by_voltage),
        ("By months since the last full charge", &table.by_months),
    ] {
        push_line(&mut out, "");
        let level = rows.first().map_or(0.0, |row| row.expected.level);
        let heading = format!("adjusted ({} % range)", percent(level));
        push_line(
            &mut out,
            &format!(
                "{title:<width$}{GAP}{:>11}{GAP}{heading}",
                "recovered",
                width = title.len().max(LABEL_WIDTH)
            ),
        );
        for row in rows {
            let width = title.len().max(LABEL_WIDTH);
            let expected = &row.expected;
            let counted = format!("{} of {}", row.y, row.n);
            let rates = format!(
                "{} % ({} to {} %)",
                percent(expected.rate),
                percent(expected.lower),
                percent(expected.upper)
            );
            let label = cut(row.label, width);
            let basis = match row.n {
                0 => "  belief: no outcome here",
                n if n < RATE_N_MIN => "  mostly belief",
                _ => "",
            };
            push_line(
                &mut out,
                &format!("{label:<width$}{GAP}{counted:>11}{GAP}{rates}{basis}"),
            );
        }
    }
    push_line(&mut out, "");
    if table.reversals.is_empty() {
        push_wrapped(
            &mut out,
            "No two bands change places against their counted rates.",
        );
    }
    for pair in &table.reversals {
        push_wrapped(
            &mut out,
            &format!(
                "Mind the mix: by the counts {} did better than {}; with the same batteries {} does \
                 ({} % sure).",
                pair.counted_better,
                pair.expected_better,
                pair.expected_better,
                percent(pair.support)
            ),
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;
    use crate::model::bands::{MonthsBand, VoltageBand};
    use crate::model::fit::{Label, Observation, fit};
    use crate::model::golden;
    use crate::model::predict::reference;
    use crate::model::prior::{Features, PriorVersion};
    use crate::model::table::{CellCount, TableOptions, assemble};

    /// Invented: batteries at 11.3 V came in fresh, those at 12.0 V mostly after a year of standing.
    fn invented() -> (Vec<Observation>, Vec<CellCount>) {
        let usual = reference(&golden::fitted());
        let (mut seen, mut cells) = (Vec::new(), Vec::new());
        for (v12, months, y, n) in [
            (11.3, 1.0, 330_u64, 400_u64),
            (11.3, 12.0, 40, 100),
            (12.0, 1.0, 91, 100),
            (12.0, 12.0, 240, 400),
        ] {
            seen.extend((0..n).map(|at| Observation {
                features: Features {
                    v12,
                    months: Some(months),
                    ..usual
                },
                shop: Uuid::from_u128(1),
                label: if at < y {
                    Label::Recovered
                } else {
                    Label::NotRecovered
                },
            }));
            cells.push(CellCount {
                voltage: VoltageBand::of(v12),
                months: MonthsBand::of(Some(months)),
                split: None,
                recovered: y,
                labelled: n,
                unlabelled: 0,
                presented: n,
                confirmed: 0,
            });
        }
        (seen, cells)
    }

    fn fitted(seen: &[Observation]) -> Fit {
        fit(seen, golden::request(PriorVersion::Trade1)).unwrap()
    }

    #[test]
    fn bands_that_change_places_with_the_same_batteries_are_named() {
        let (seen, cells) = invented();
        let table = assemble(&cells, &TableOptions::default());
        let cases = mix(seen.iter().map(Case::from));
        assert_eq!(cases.len(), 500);
        let adjusted = adjust(&table, &fitted(&seen), &cases).unwrap();
        let row = |label: &str| {
            let found = adjusted.by_voltage.iter().find(|row| row.label == label);
            found.unwrap()
        };
        let (low, high) = (VoltageBand::of(11.3).label(), VoltageBand::of(12.0).label());
        // Counted 370 of 500 against 331 of 500.
        assert_eq!((row(low).y, row(high).y), (370, 331));
        assert!(
            row(low).expected.rate < row(high).expected.rate,
            "{adjusted:?}"
        );
        for expected in adjusted.by_voltage.iter().chain(&adjusted.by_months) {
            let found = &expected.expected;
            assert!(found.lower < found.rate && found.rate < found.upper);
        }
        let pair = Reversal {
            counted_better: low,
            expected_better: high,
            support: adjusted.reversals[0].support,
        };
        assert_eq!(adjusted.reversals, [pair]);
        let text = render_adjusted(&adjusted);
        assert!(
            text.contains("Mind the mix") && text.contains("370 of 500"),
            "{text}"
        );
        assert!(
            text.lines().all(|line| line.chars().count() <= 100),
            "{text}"
        );
    }

    #[test]
    fn too_few_outcomes_give_no_adjusted_rate_and_say_why() {
        let (seen, cells) = invented();
        let table = assemble(&cells, &TableOptions::default());
        let cases = mix(seen.iter().map(Case::from));
        let few = fitted(&seen[..9]);
        assert_eq!(adjust(&table, &few, &cases), Err(NotAdjusted::TooFew));
        let none = adjust(&table, &fitted(&seen), &[]);
        assert_eq!(none, Err(NotAdjusted::NoCase));
        assert!(NotAdjusted::TooFew.to_string().contains("10 outcomes"));
    }
}
