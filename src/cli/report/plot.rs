//! A charge drawn in characters: voltage, current and temperature over its hours.

use std::fmt::Write as _;

use crate::record::run::Run;
use crate::record::sample::Channel;

/// Columns of a drawing, each a span of time.
const WIDTH: usize = 72;
const COLUMNS: i64 = 72;
/// Rows of a drawing.
const HEIGHT: usize = 8;
/// Columns of the scale at its left.
const SCALE: usize = 8;

/// One quantity of a drawing.
struct Panel {
    name: &'static str,
    unit: &'static str,
    channel: Channel,
    /// Wire units in one unit.
    per_unit: f64,
    /// Least height, so that a last digit does not look like a mountain.
    least: f64,
    digits: usize,
}

const PANELS: [Panel; 3] = [
    Panel {
        name: "Voltage",
        unit: "V",
        channel: Channel::Voltage,
        per_unit: 1_000.0,
        least: 0.5,
        digits: 2,
    },
    Panel {
        name: "Current",
        unit: "A",
        channel: Channel::Current,
        per_unit: 1_000.0,
        least: 0.5,
        digits: 2,
    },
    Panel {
        name: "Case",
        unit: "degC",
        channel: Channel::Case,
        per_unit: 100.0,
        least: 4.0,
        digits: 1,
    },
];

/// Draws what a run measured; nothing where it has no span of time.
///
/// Each column shows the lowest and the highest value of its time: `*` where both are in one row, `|` between
/// them, blank where nothing was measured.
pub(super) fn render(run: &Run) -> String {
    let voices = || std::iter::once(&run.lead).chain(&run.others);
    let times = || run.lead.pieces.iter().flat_map(|piece| &piece.time_ms);
    let offset = run.lead.member.offset_ms;
    let ends = times().min().zip(times().max());
    let Some((from, to)) = ends.map(|(from, to)| (from + offset, to + offset)) else {
        return String::new();
    };
    let mut out = String::new();
    for panel in &PANELS {
        // The charger's own first; a sensor's where the charger measures none.
        let found = voices().find_map(|voice| {
            let points: Vec<(i64, f64)> = run
                .points(voice, panel.channel)
                .map(|(ms, value)| (ms, f64::from(value) / panel.per_unit))
                .filter(|(ms, _)| (from..=to).contains(ms))
                .collect();
            (!points.is_empty()).then_some(points)
        });
        if let (Some(points), true) = (found, to > from) {
            draw(&mut out, panel, &points, (from, to));
        }
    }
    if !out.is_empty() {
        let hours = (to - from) as f64 / 3_600_000.0;
        let middle = format!("{:.1} h", hours / 2.0);
        let end = format!("{hours:.1} h");
        let half = WIDTH / 2;
        let _ = writeln!(
            out,
            "{:SCALE$} {:<half$}{middle:<rest$}{end}",
            "",
            "0 h",
            rest = WIDTH - half - end.len()
        );
    }
    out
}

fn draw(out: &mut String, panel: &Panel, points: &[(i64, f64)], (from, to): (i64, i64)) {
    let mut columns = [None::<(f64, f64)>; WIDTH];
    let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
    for (ms, value) in points {
        let place = usize::try_from((ms - from) * COLUMNS / (to - from + 1)).unwrap_or(0);
        if let Some(column) = columns.get_mut(place) {
            let (least, most) = column.unwrap_or((*value, *value));
            *column = Some((least.min(*value), most.max(*value)));
        }
        (low, high) = (low.min(*value), high.max(*value));
    }
    let missing = (panel.least - (high - low)).max(0.0);
    (low, high) = (low - missing / 2.0, high + missing / 2.0);
    let top = HEIGHT - 1;
    // The row whose middle is nearest: as many rows lie below as midpoints are passed.
    let row = |value: f64| {
        (0..top)
            .take_while(|row| *row as f64 + 0.5 <= (value - low) / (high - low) * top as f64)
            .count()
    };
    let _ = writeln!(out, "{} ({})", panel.name, panel.unit);
    for at in (0..HEIGHT).rev() {
        let shown = match at {
            at if at == top => Some(high),
            0 => Some(low),
            at if at == HEIGHT / 2 => Some(low + (high - low) * at as f64 / top as f64),
            _ => None,
        };
        let scale = shown.map_or_else(String::new, |value| format!("{value:.*}", panel.digits));
        let line: String = columns
            .iter()
            .map(
                |column| match column.map(|(least, most)| (row(least), row(most))) {
                    Some((least, most)) if least == at && most == at => '*',
                    Some((least, most)) if (least..=most).contains(&at) => '|',
                    _ => ' ',
                },
            )
            .collect();
        let line = format!("{scale:>SCALE$} {line}");
        let _ = writeln!(out, "{}", line.trim_end());
    }
}

#[cfg(test)]
mod tests {
    use uuid::Uuid;

    use super::*;
    use crate::record::run::{Member, Place, Voice};
    use crate::record::sample::{Columns, MISSING, Samples};
    use crate::record::words::DeviceKind;

    fn run(voltages: Vec<i32>) -> Run {
        let samples = Samples {
            first_seq: 1,
            time_ms: (0..).step_by(60_000).take(voltages.len()).collect(),
            columns: Columns {
                voltage_mv: voltages,
                ..Columns::default()
            },
        };
        let place = Place {
            session: Uuid::nil(),
            device: Uuid::nil(),
            kind: DeviceKind::Charger,
            start_ms: 0,
            end_ms: samples.last_ms(),
            first_ms: 0,
        };
        Run {
            lead: Voice {
                member: Member {
                    place,
                    offset_ms: 0,
                    overlap_ms: 0,
                },
                pieces: vec![samples],
            },
            others: Vec::new(),
            from_ms: i64::MIN,
            until_ms: None,
        }
    }

    #[test]
    fn a_rise_is_drawn_from_the_lower_left_to_the_upper_right_with_its_scale() {
        let text = render(&run((0..=720).map(|n| 11_000 + 5 * n).collect()));
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines[0], "Voltage (V)");
        assert!(
            lines[1].starts_with("   14.60") && lines[8].starts_with("   11.00"),
            "{text}"
        );
        let first = |line: &str| line.get(SCALE..).unwrap().find(['*', '|']);
        assert!(
            first(lines[8]).unwrap() < first(lines[1]).unwrap(),
            "{text}"
        );
        assert!(
            lines[9].contains("0 h") && lines[9].ends_with("12.0 h"),
            "{text}"
        );
        assert_eq!(lines.len(), 10, "no current, no temperature");
        assert!(
            lines
                .iter()
                .all(|line| line.chars().count() <= SCALE + 1 + WIDTH)
        );
    }

    #[test]
    fn holes_stay_blank_and_a_flat_line_stays_flat() {
        let mut voltages = vec![12_000; 720];
        voltages[200..500].fill(MISSING);
        let text = render(&run(voltages));
        let drawn: Vec<&str> = text.lines().filter(|line| line.contains('*')).collect();
        assert_eq!(drawn.len(), 1, "{text}");
        assert!(
            drawn[0].contains("*  ") && drawn[0].ends_with('*'),
            "{text}"
        );
        assert_eq!(render(&run(vec![12_000])), "", "one moment has no width");
    }
}
