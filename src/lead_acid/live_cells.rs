//! How many cells of a rested battery still give a voltage.

/// Rested voltage of a live cell, V: from nearly exhausted acid to a full cell. Source: DOMAIN 1.1,
/// from the equilibrium voltage.
const LIVE_V: (f64, f64) = (1.80, 2.15);
/// Highest rested voltage of a full cell in any maker's table (13.2 V for six), V.
const FULL_V: f64 = 2.20;
/// Voltage below which no cell of a battery counts as live, V. Source: DOMAIN 1.1.
const NONE_V: f64 = 1.5;
/// Forgives floating-point dust at the edges, V.
const DUST_V: f64 = 1e-9;

/// Cells that a rested voltage can come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
pub struct LiveCells {
    /// Most cells that may be alive; all below 1.80 V each are counted out.
    pub at_most: u8,
    /// Cells of the battery.
    pub of: u8,
    /// The voltage fits no whole number of live cells: it still moves, or cells are half shorted.
    pub not_settled: bool,
}

impl LiveCells {
    /// Counts the live cells of a rested battery from its voltage, V; `cells` is 3 or 6.
    ///
    /// n live cells rest at 1.80 n to 2.15 n volts; between the ranges the count is a most.
    /// Source: DOMAIN 1.1. The number alone proves no cell dead: time flat and response to
    /// current decide.
    #[must_use]
    pub fn of_rest_v(volts: f64, cells: u8) -> Self {
        let (low, high) = LIVE_V;
        let at_most = (1..=cells)
            .rev()
            .find(|n| volts >= low * f64::from(*n) - DUST_V)
            .unwrap_or_else(|| u8::from(volts >= NONE_V));
        let top = if at_most == cells { FULL_V } else { high };
        let count = f64::from(at_most);
        let not_settled =
            at_most > 0 && (volts < low * count - DUST_V || volts > top * count + DUST_V);
        Self {
            at_most,
            of: cells,
            not_settled,
        }
    }

    /// True when every cell gives a voltage.
    #[must_use]
    pub fn all(self) -> bool {
        self.at_most == self.of
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows 16 to 19 of DOMAIN 10.
    #[test]
    fn rows_16_to_19_live_cells_from_a_rested_voltage() {
        let read = |volts| LiveCells::of_rest_v(volts, 6);
        for (volts, at_most, not_settled) in [
            (10.6, 5, false),
            (11.2, 6, false),
            (2.9, 1, true),
            (0.9, 0, false),
        ] {
            let found = read(volts);
            assert_eq!(
                (found.at_most, found.not_settled),
                (at_most, not_settled),
                "{volts} V"
            );
        }
    }

    /// Source: the ranges printed in DOMAIN 1.1.
    #[test]
    fn the_printed_ranges_are_settled_and_what_lies_between_is_not() {
        for (n, low, high) in [
            (1, 1.8, 2.15),
            (2, 3.6, 4.3),
            (3, 5.4, 6.45),
            (4, 7.2, 8.6),
            (5, 9.0, 10.75),
            (6, 10.8, 12.9),
        ] {
            for volts in [low, high] {
                let expected = LiveCells {
                    at_most: n,
                    of: 6,
                    not_settled: false,
                };
                assert_eq!(LiveCells::of_rest_v(volts, 6), expected, "{volts} V");
            }
            assert!(LiveCells::of_rest_v(low - 0.02, 6).at_most <= n);
        }
        for volts in [1.6, 2.5, 3.5, 5.0, 7.0, 8.8, 10.77, 13.4] {
            assert!(LiveCells::of_rest_v(volts, 6).not_settled, "{volts} V");
        }
    }

    #[test]
    fn a_six_volt_pack_has_three_and_a_reversed_one_none() {
        let pack = LiveCells::of_rest_v(6.3, 3);
        assert!(pack.all() && !pack.not_settled);
        assert_eq!(LiveCells::of_rest_v(4.2, 3).at_most, 2);
        assert_eq!(LiveCells::of_rest_v(-12.0, 6).at_most, 0);
    }
}
