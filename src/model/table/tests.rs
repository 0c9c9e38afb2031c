//! Tests of the recovery table. The shops and their counts are invented.

use super::*;
use crate::model::interval::jeffreys;
use proptest::prelude::*;

/// A cell with `y` of `n`, as many presented as attempted, none confirmed.
fn cell(v12: f64, months: f64, (y, n): (u64, u64)) -> CellCount {
    CellCount {
        voltage: VoltageBand::of(v12),
        months: MonthsBand::of(Some(months)),
        split: None,
        recovered: y,
        labelled: n,
        unlabelled: 0,
        presented: n,
        confirmed: 0,
    }
}

/// Three months at the four shops of the Tarn Valley group.
fn tarn_valley() -> Vec<CellCount> {
    let counts = [
        (12.3, 1.0, "kelder", (41, 44), 45),
        (11.9, 3.0, "kelder", (23, 30), 31),
        (11.9, 3.0, "ostrow", (9, 11), 12),
        (11.0, 6.0, "kelder", (8, 15), 21),
        (10.5, 6.0, "brack", (2, 18), 24),
        (9.0, 12.0, "ostrow", (3, 4), 9),
        (1.0, 12.0, "vell", (0, 30), 96),
    ];
    let cells = counts
        .into_iter()
        .map(|(v12, months, shop, counts, presented)| CellCount {
            split: Some(shop.to_owned()),
            presented,
            confirmed: counts.1 / 2,
            ..cell(v12, months, counts)
        });
    let mut cells: Vec<CellCount> = cells.collect();
    cells[1].unlabelled = 1;
    cells
}

fn by_shop() -> TableOptions {
    TableOptions {
        split_by: Some("shop".to_owned()),
        ..TableOptions::default()
    }
}

/// The line of a rendered table that starts with a label, first occurrence.
fn line<'a>(text: &'a str, label: &str) -> &'a str {
    text.lines()
        .find(|line| line.trim_start().starts_with(label))
        .unwrap()
}

fn voltage_row(table: &RecoveryTable, band: VoltageBand) -> &Row {
    table
        .totals
        .by_voltage
        .iter()
        .find(|row| row.voltage == Some(band))
        .unwrap()
}

#[test]
fn fewer_than_five_outcomes_give_counts_and_no_rate() {
    for (n, support, has_rate) in [
        (0, Support::Nothing, false),
        (1, Support::CountsOnly, false),
        (4, Support::CountsOnly, false),
        (5, Support::Thin, true),
        (19, Support::Thin, true),
        (20, Support::Enough, true),
    ] {
        let table = assemble(&[cell(11.9, 3.0, (n / 2, n))], &TableOptions::default());
        let row = &table.rows[0];
        assert_eq!((row.y, row.n, row.support), (n / 2, n, support));
        assert_eq!(
            (row.rate.is_some(), row.interval.is_some()),
            (has_rate, has_rate),
            "{n}"
        );
        assert_eq!(row.edge, None, "{n}");
    }
}

#[test]
fn a_row_carries_the_interval_that_was_asked_for() {
    // Jeffreys, 90 %, 15 of 148: statsmodels and R qbeta agree on these ends.
    let options = TableOptions::default();
    let interval = assemble(&[cell(9.0, 3.0, (15, 148))], &options).rows[0]
        .interval
        .unwrap();
    assert!(
        (interval.lower - 0.066_250_367_208_857_6).abs() < 1e-9,
        "{interval:?}"
    );
    assert!(
        (interval.upper - 0.147_853_020_909_540).abs() < 1e-9,
        "{interval:?}"
    );
    for method in IntervalMethod::ALL {
        let options = TableOptions {
            level: 0.8,
            method: *method,
            split_by: None,
        };
        let table = assemble(&[cell(9.0, 3.0, (15, 148))], &options);
        assert_eq!(table.rows[0].interval, method.interval(15, 148, 0.8));
        assert_eq!((table.level, table.method), (0.8, *method));
    }
}

#[test]
fn all_bands_are_listed_and_months_are_pooled_by_voltage() {
    let table = assemble(&tarn_valley(), &by_shop());
    let bands: Vec<_> = table
        .totals
        .by_voltage
        .iter()
        .filter_map(|row| row.voltage)
        .collect();
    assert_eq!(bands, VoltageBand::ALL);
    let months: Vec<_> = table
        .totals
        .by_months
        .iter()
        .filter_map(|row| row.months)
        .collect();
    assert_eq!(months, MonthsBand::ALL);
    let row = voltage_row(&table, VoltageBand::From11p5);
    assert_eq!(
        (row.y, row.n, row.unlabelled, row.presented),
        (32, 41, 1, 43)
    );
    assert_eq!(row.interval, jeffreys(32, 41, 0.9));
    assert_eq!(
        voltage_row(&table, VoltageBand::From2).support,
        Support::Nothing
    );
}

#[test]
fn none_and_all_are_given_as_a_bound_and_not_as_a_rate() {
    let cells = [
        cell(1.0, 12.0, (0, 30)),
        cell(12.5, 1.0, (30, 30)),
        cell(9.0, 1.0, (0, 1000)),
    ];
    let table = assemble(&cells, &TableOptions::default());
    let edge = |band| voltage_row(&table, band).edge.clone().unwrap();
    let none = edge(VoltageBand::Below2);
    // 1 - 0.05^(1/30), mpmath.
    assert!((none.bound - 0.095_033_852_855_304_1).abs() < 1e-15);
    assert_eq!(none.sentence, "0 of 30 is below 10 % (95 % bound)");
    let all = edge(VoltageBand::From12p2);
    assert!((all.bound - 0.904_966_147_144_695_9).abs() < 1e-15);
    assert_eq!(all.sentence, "30 of 30 is above 90 % (95 % bound)");
    // 1 - 0.05^(1/1000) is 0.299 %.
    assert_eq!(
        edge(VoltageBand::From8).sentence,
        "0 of 1000 is below 0.3 % (95 % bound)"
    );
    let few = assemble(&[cell(1.0, 12.0, (0, 4))], &TableOptions::default());
    assert_eq!(few.rows[0].edge, None);
}

#[test]
fn the_share_not_attempted_counts_attempts_without_outcome_as_attempted() {
    let table = assemble(&tarn_valley(), &by_shop());
    let share = |band| voltage_row(&table, band).share_not_attempted;
    assert_eq!(share(VoltageBand::Below2), Some(66.0 / 96.0));
    assert_eq!(share(VoltageBand::From11p5), Some(1.0 / 43.0));
    assert_eq!(share(VoltageBand::From2), None);
    let mut unknown = cell(11.0, 3.0, (3, 9));
    unknown.presented = 5;
    let table = assemble(&[unknown], &TableOptions::default());
    assert_eq!(table.rows[0].share_not_attempted, None);
}

#[test]
fn counts_that_contradict_each_other_give_no_rate() {
    let table = assemble(&[cell(11.0, 3.0, (9, 7))], &TableOptions::default());
    let row = &table.rows[0];
    assert_eq!((row.y, row.n, row.rate, row.interval), (9, 7, None, None));
    assert!(line(&render_text(&table), "10.8 to 11.5 V").contains("no interval"));
}

#[test]
fn the_caption_says_whose_batteries_these_are_and_what_is_left_out() {
    let table = assemble(&tarn_valley(), &by_shop());
    assert_eq!(
        table.caption,
        "Recovered at the first attempt, of batteries these shops chose to attempt: 86 of 152, \
         90 % Jeffreys intervals. 36 % of those presented were not attempted. Attempts without a \
         known outcome, left out: 1. Confirmed outcomes: 49 %."
    );
    assert_eq!(table.share_confirmed, Some(75.0 / 152.0));
    let empty = assemble(&[], &TableOptions::default());
    assert!(
        empty
            .caption
            .contains("of batteries these shops chose to attempt: 0 of 0")
    );
    assert_eq!(empty.share_confirmed, None);
}

#[test]
fn splits_have_their_own_sums_and_are_absent_without_a_split() {
    let table = assemble(&tarn_valley(), &by_shop());
    let shops: Vec<_> = table
        .totals
        .by_split
        .iter()
        .filter_map(|row| row.split.clone())
        .collect();
    assert_eq!(shops, ["brack", "kelder", "ostrow", "vell"]);
    let kelder = &table.totals.by_split[1];
    assert_eq!((kelder.y, kelder.n), (72, 89));
    assert_eq!(table.totals.by_voltage_and_split.len(), 7);
    let plain = assemble(&[cell(11.0, 3.0, (3, 9))], &by_shop());
    assert!(plain.totals.by_split.is_empty() && plain.totals.by_voltage_and_split.is_empty());
    assert_eq!(plain.split_by, None);
}

#[test]
fn a_terminal_shows_counts_rate_interval_and_drawing_of_each_voltage() {
    let text = render_text(&assemble(&tarn_valley(), &by_shop()));
    // Jeffreys, 90 %, by mpmath: 0.6617 to 0.8709 for 32 of 41, 0.3294 to 0.7286 for 8 of 15.
    // The scale has 35 columns, so a share stands in column 34 x share, rounded.
    let enough = line(&text, "11.5 to 12.2 V");
    assert!(enough.contains("32 of 41  78 % (66 to 87 %)"), "{enough}");
    assert!(
        enough.contains(" |----o--| ") && enough.ends_with("2 %"),
        "{enough}"
    );
    let thin = line(&text, "10.8 to 11.5 V");
    assert!(thin.contains("8 of 15  thin: 33 to 73 % (53 %)"), "{thin}");
    assert!(thin.contains(" |......o......| "), "{thin}");
    assert!(line(&text, "8 to 10.2 V").contains("3 of 4  too few for a rate"));
    assert!(line(&text, "2 to 8 V").contains("0 of 0  no outcome yet"));
    let none = line(&text, "below 2 V");
    assert!(
        none.contains("0 of 30  below 10 % (95 % bound)") && none.contains(" o--| "),
        "{none}"
    );
    let text = text.replace('\n', " ");
    assert!(text.contains("Cells without an outcome, not listed: 133 of 140."));
    assert!(text.contains("Cells with fewer than 5, counts only: 1."));
}

#[test]
fn the_drawing_puts_ends_and_rate_where_the_scale_has_them() {
    let text = render_text(&assemble(
        &[cell(11.9, 3.0, (50, 100))],
        &TableOptions::default(),
    ));
    let scale = text.lines().find(|line| line.contains("50 %  ")).unwrap();
    let (start, end) = (
        scale.find("  0 %").unwrap() + 2,
        scale.find("100 %").unwrap() + 4,
    );
    let row = line(&text, "11.5 to 12.2 V");
    let points = |column: usize| 100.0 * (column - start) as f64 / (end - start) as f64;
    // Jeffreys, 90 %, 50 of 100, by mpmath: 0.4185 to 0.5815.
    let half_column = 50.0 / (end - start) as f64;
    for (column, expected) in [
        (row.find('|').unwrap(), 41.85),
        (row.rfind(" |").unwrap() + 1, 41.85),
        (row.rfind('|').unwrap(), 58.15),
        (row.find("-o-").unwrap() + 1, 50.0),
    ] {
        assert!(
            (points(column) - expected).abs() <= half_column,
            "{column}\n{scale}\n{row}"
        );
    }
    assert_eq!(
        scale.find("50 %").unwrap() + 1,
        row.find("-o-").unwrap() + 1
    );
}

/// Cells over all bands and a few splits, with counts that fit each other.
fn cells() -> impl Strategy<Value = Vec<CellCount>> {
    let counts = (0..300_u64, 0..300_u64, 0..40_u64, 0..500_u64);
    let cell = (0..7_usize, 0..5_usize, 0..3_usize, counts).prop_map(|(v, m, s, c)| CellCount {
        voltage: VoltageBand::ALL[v],
        months: MonthsBand::ALL[m],
        split: [
            None,
            Some("agm".to_owned()),
            Some("a very long name of a shop".repeat(2)),
        ][s]
            .clone(),
        recovered: c.0,
        labelled: c.0 + c.1,
        unlabelled: c.2,
        presented: c.0 + c.1 + c.2 + c.3,
        confirmed: c.0,
    });
    prop::collection::vec(cell, 0..60)
}

/// y, n, unlabelled, presented and confirmed of some rows.
fn sums<'a>(rows: impl IntoIterator<Item = &'a Row>) -> [u64; 5] {
    rows.into_iter().fold([0; 5], |sum, row| {
        let counts = [row.y, row.n, row.unlabelled, row.presented, row.confirmed];
        std::array::from_fn(|index| sum[index] + counts[index])
    })
}

proptest! {
    #[test]
    fn every_margin_adds_up_to_the_cells(cells in cells()) {
        let table = assemble(&cells, &by_shop());
        let field = |get: fn(&CellCount) -> u64| cells.iter().map(get).sum::<u64>();
        let given = [
            field(|cell| cell.recovered),
            field(|cell| cell.labelled),
            field(|cell| cell.unlabelled),
            field(|cell| cell.presented),
            field(|cell| cell.confirmed),
        ];
        prop_assert_eq!(sums([&table.totals.all]), given);
        prop_assert_eq!(sums(&table.rows), given);
        prop_assert_eq!(sums(&table.totals.by_voltage), given);
        prop_assert_eq!(sums(&table.totals.by_months), given);
        if !table.totals.by_split.is_empty() {
            prop_assert_eq!(sums(&table.totals.by_split), given);
            prop_assert_eq!(sums(&table.totals.by_voltage_and_split), given);
        }
    }

    #[test]
    fn the_order_of_the_cells_does_not_matter(cells in cells()) {
        let mut turned = cells.clone();
        turned.reverse();
        prop_assert_eq!(assemble(&cells, &by_shop()), assemble(&turned, &by_shop()));
    }

    #[test]
    fn no_line_is_wider_than_a_terminal_of_100(cells in cells(), scale in 1..1_000_000_000_u64) {
        let mut cells = cells;
        for cell in &mut cells {
            cell.recovered *= scale;
            cell.labelled *= scale;
        }
        let table = assemble(&cells, &by_shop());
        let text = render_text(&table);
        for line in text.lines() {
            prop_assert!(line.chars().count() <= 100, "{}", line);
            prop_assert!(!line.ends_with(' '));
        }
        for row in table.rows.iter().filter(|row| row.n > 0) {
            let counts = format!("{} of {}", row.y, row.n);
            prop_assert!(text.contains(&counts), "{}", counts);
        }
    }

    #[test]
    fn the_bound_in_words_still_holds_after_rounding(n in 5..5_000_000_u64) {
        let cells = [cell(1.0, 1.0, (0, n)), cell(9.0, 1.0, (n, n))];
        let table = assemble(&cells, &TableOptions::default());
        let number = |row: &Row| {
            let sentence = row.edge.clone().unwrap().sentence;
            sentence.split(' ').nth(5).unwrap().parse::<f64>().unwrap() / 100.0
        };
        let bound = interval::upper_bound_for_none(n, EDGE_CONFIDENCE).unwrap();
        let (below, above) = (number(&table.rows[0]), number(&table.rows[1]));
        prop_assert!(bound <= below && below < bound * 1.1 + 0.01, "{} {}", bound, below);
        prop_assert!((below + above - 1.0).abs() < 1e-12);
    }
}
