//! What a rest voltage most plausibly means: live cells counted from volts, and the plan it allows.
//!
//! A class explains and picks stop rules; it never decides. Time flat and storage do more.

use crate::record::words::vocabulary;

vocabulary! {
    /// State a rested battery is most plausibly in, from its voltage on six cells.
    ///
    /// Source: DOMAIN 1.1; n live cells rest at 1.80 n to 2.15 n volts.
    VoltageClass {
        /// 12.6 V and more.
        Charged = "charged",
        /// 12.0 to 12.6 V.
        PartlyDischarged = "partly_discharged",
        /// 11.5 to 12.0 V.
        SixLiveCells = "six_live_cells",
        /// 10.8 to 11.5 V.
        OverDischarged = "over_discharged",
        /// 9.0 to 10.8 V.
        OneCellLost = "one_cell_lost",
        /// 3 to 9 V.
        SeveralCellsLost = "several_cells_lost",
        /// 1.5 to 3 V.
        OneLiveCell = "one_live_cell",
        /// Below 1.5 V.
        NoLiveCell = "no_live_cell",
    }
}

impl VoltageClass {
    /// Finds the class of a rest voltage, V of six cells; an edge belongs to the upper class.
    #[must_use]
    pub fn of(v12: f64) -> Self {
        match v12 {
            v if v >= 12.6 => Self::Charged,
            v if v >= 12.0 => Self::PartlyDischarged,
            v if v >= 11.5 => Self::SixLiveCells,
            v if v >= 10.8 => Self::OverDischarged,
            v if v >= 9.0 => Self::OneCellLost,
            v if v >= 3.0 => Self::SeveralCellsLost,
            v if v >= 1.5 => Self::OneLiveCell,
            _ => Self::NoLiveCell,
        }
    }

    /// The class for a bench; `cells` is 3 or 6.
    #[must_use]
    pub fn meaning(self, cells: u8) -> &'static str {
        match (self, cells) {
            (Self::Charged, _) => "charged: test it before any charge",
            (Self::PartlyDischarged, _) => "partly discharged, all cells alive",
            (Self::SixLiveCells, 3) => "fully discharged with three live cells",
            (Self::SixLiveCells, _) => "fully discharged with six live cells",
            (Self::OverDischarged, _) => {
                "over-discharged, the acid nearly used up; 60 to 80 % of capacity may come back"
            }
            (Self::OneCellLost, 3) => "two live cells and one lost, or three deeply flat ones",
            (Self::OneCellLost, _) => "five live cells and one lost, or six deeply flat ones",
            (Self::SeveralCellsLost, 3) => "one or two live cells, or all cells passive",
            (Self::SeveralCellsLost, _) => "two to four live cells, or all cells passive",
            (Self::OneLiveCell, _) => "one live cell at most",
            (Self::NoLiveCell, _) => "no live cell: all shorted, reversed or fully sulfated",
        }
    }

    /// What to do with such a battery if it is charged at all.
    #[must_use]
    pub fn plan(self) -> &'static str {
        match self {
            Self::Charged => "test first; maintain it if it passes",
            Self::PartlyDischarged => "plain charge at 0.1 C, 5 to 11 h",
            Self::SixLiveCells => {
                "plain slow charge, 13 h or more; a recovery charge only if that fails"
            }
            Self::OverDischarged => "long recovery charge, 20 h or more",
            Self::OneCellLost | Self::SeveralCellsLost | Self::OneLiveCell | Self::NoLiveCell => {
                "one attended probe of at most 60 min, then decide"
            }
        }
    }

    /// True when only an attended probe may show that more is worth trying.
    #[must_use]
    pub fn is_probe_only(self) -> bool {
        self >= Self::OneCellLost
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: DOMAIN 10, rows 16 to 19, and the rows of DOMAIN 1.1.
    #[test]
    fn a_rest_voltage_is_classed_by_its_live_cells() {
        for (v12, expected) in [
            (12.7, VoltageClass::Charged),
            (12.0, VoltageClass::PartlyDischarged),
            (11.9, VoltageClass::SixLiveCells),
            (11.2, VoltageClass::OverDischarged),
            (10.6, VoltageClass::OneCellLost),
            (7.8, VoltageClass::SeveralCellsLost),
            (2.9, VoltageClass::OneLiveCell),
            (0.9, VoltageClass::NoLiveCell),
        ] {
            assert_eq!(VoltageClass::of(v12), expected, "{v12} V");
        }
    }

    #[test]
    fn only_what_may_have_lost_a_cell_is_for_a_probe() {
        for class in VoltageClass::ALL {
            assert_eq!(
                class.is_probe_only(),
                class.plan().contains("probe"),
                "{class}"
            );
        }
    }
}
