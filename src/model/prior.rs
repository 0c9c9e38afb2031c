//! The prior of the recovery model as data: what is believed before any outcome was counted.
//!
//! Read once from a versioned text compiled into the program (`prior/*.prior`, form in
//! `prior/parse.rs`) and never changed. `Prior::row` turns the features of a battery into the
//! columns of the full model, so that a fit on outcomes and this prior share one design.

mod features;
mod parse;
#[cfg(test)]
mod tests;

pub use features::{Features, IMPLAUSIBLE_CCA_RATIO, winter};
pub use parse::Malformed;

use super::bands::MonthsBand;
use crate::record::words::{Chemistry, Method, Storage, vocabulary};

vocabulary! {
    /// Priors that ship with the program. `trade-1` is the default.
    PriorVersion { Trade1 = "trade-1", Prototype0 = "prototype-0" }
}

impl PriorVersion {
    /// The text the prior is read from.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Trade1 => include_str!("prior/trade-1.prior"),
            Self::Prototype0 => include_str!("prior/prototype-0.prior"),
        }
    }
}

vocabulary! {
    /// Single coefficients of the model, in the order of their columns.
    Term {
        /// A flooded 12 V battery at the reference voltage, 36 months old, 4 months idle, untested.
        Intercept = "intercept",
        /// Tent of half width 0.45 V about 10.5 V, where five good cells rest.
        OneCellShort = "one_cell_short",
        /// ln(1 + months since the last full charge) - ln 5.
        Months = "months",
        /// The same times depth, (reference - volts) / reference where positive.
        MonthsDepth = "months_x_depth",
        /// 1 when the months are not known.
        MonthsUnknown = "months_unknown",
        /// Depth when the months are not known.
        MonthsUnknownDepth = "months_unknown_x_depth",
        /// Age in years less 3.
        Age = "age",
        /// Years past the fourth.
        AgePastFour = "age_past_four",
        /// 1 when the age is not known.
        AgeUnknown = "age_unknown",
        /// (measured over rated cranking current - 0.75) / 0.15, where a tester gave one.
        Cca = "cca",
        /// 1 when the tester worked.
        TestedOk = "tested_ok",
        /// 1 when the tester did not power up.
        NoPowerUp = "no_power_up",
        /// 1 for absorbent glass mat.
        Agm = "agm",
        /// 1 for gel.
        Gel = "gel",
        /// Depth for absorbent glass mat.
        AgmDepth = "agm_x_depth",
        /// Depth for gel.
        GelDepth = "gel_x_depth",
        /// 1 for an unheated store in winter below 11.8 V.
        FrostRisk = "frost_risk",
        /// 1 when the electrolyte is below the plates.
        ElectrolyteLow = "electrolyte_low",
        /// 1 for a pack of three cells.
        SixVolt = "six_volt",
        /// Depth under the elevated-voltage method.
        ElevatedDepth = "elevated_x_depth",
        /// 1 for the elevated-voltage method on gel.
        ElevatedGel = "elevated_x_gel",
    }
}

/// Standard deviations of the random intercepts, log-odds, before data.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct GroupScales {
    /// Between shops.
    pub shop: f64,
    /// Between charging methods.
    pub method: f64,
    /// Between storage histories.
    pub storage: f64,
    /// Between segments.
    pub segment: f64,
    /// Between cells of voltage band x months band x chemistry.
    pub cell: f64,
    /// Degrees of freedom these standard deviations weigh against data.
    pub weight: f64,
}

/// Levels of one battery in the random intercepts; `None` where the level is not known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Levels {
    /// Position in `Method::ALL`, without `unknown`.
    pub method: Option<usize>,
    /// Position in `Storage::ALL`, without `unknown`.
    pub storage: Option<usize>,
    /// Position in `Segment::ALL`.
    pub segment: usize,
    /// (voltage band x 5 + months band) x 3 + chemistry (flooded, AGM, gel): 0 to 104.
    pub cell: usize,
}

/// One battery as a row of the design.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// (column, value) of what is not zero, columns ascending: `Term::ALL`, then the rises.
    pub entries: Vec<(usize, f64)>,
    /// Which random intercepts apply.
    pub levels: Levels,
}

/// Belief about one battery on the log-odds scale: a normal distribution.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct LogOdds {
    /// Mean log-odds of recovery.
    pub mean: f64,
    /// Standard deviation, with group effects and lack of fit.
    pub sd: f64,
}

/// Gaussian prior of every coefficient, scales of the groups, knots of the voltage curve.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Prior {
    version: String,
    /// Mean and standard deviation, one per `Term`, in that order.
    fixed: Vec<(f64, f64)>,
    /// Where the voltage curve may bend, V of six cells, ascending.
    knots: Vec<f64>,
    reference_v: f64,
    slope_mean: f64,
    slope_sd: f64,
    step_sd: f64,
    groups: GroupScales,
    lack_of_fit_cell_factor: f64,
    lack_of_fit_floor_sd: f64,
}

impl Prior {
    /// Reads a prior that ships with the program.
    ///
    /// # Errors
    /// `Malformed` with the line, if the compiled text is damaged; a test reads every one.
    pub fn shipped(version: PriorVersion) -> Result<Self, Malformed> {
        parse::parse(version.text())
    }

    /// Reads a prior from text of the same form as the shipped ones.
    ///
    /// # Errors
    /// `Malformed` that names the line, or the fact that is missing.
    pub fn parse(text: &str) -> Result<Self, Malformed> {
        parse::parse(text)
    }

    /// The prior as text; [`Prior::parse`] gives back the same prior, bit for bit.
    #[must_use]
    pub fn to_text(&self) -> String {
        parse::render(self)
    }

    /// Name of this version, part of every answer.
    #[must_use]
    pub fn version(&self) -> &str {
        &self.version
    }

    /// Scales of the random intercepts.
    #[must_use]
    pub fn groups(&self) -> GroupScales {
        self.groups
    }

    /// Number of columns that are no random intercept: the terms and the rises between knots.
    #[must_use]
    pub fn columns(&self) -> usize {
        Term::ALL.len() + self.knots.len().saturating_sub(1)
    }

    /// Prior mean of the coefficient of `column`; 0 past the last.
    #[must_use]
    pub fn mean(&self, column: usize) -> f64 {
        match self.fixed.get(column) {
            Some((mean, _)) => *mean,
            None => self.rise_width(column) * self.slope_mean,
        }
    }

    /// Prior covariance of two coefficients; rises share a common slope, nothing else is shared.
    #[must_use]
    pub fn covariance(&self, left: usize, right: usize) -> f64 {
        match (self.fixed.get(left), self.fixed.get(right)) {
            (Some((_, sd)), Some(_)) if left == right => sd * sd,
            (None, None) => {
                let width = self.rise_width(left);
                let common = self.slope_sd * self.slope_sd * width * self.rise_width(right);
                let own = if left == right {
                    self.step_sd * self.step_sd * width
                } else {
                    0.0
                };
                common + own
            }
            _ => 0.0,
        }
    }

    /// Ends in volts of the segment that `column` stands for; `None` when it stands for none.
    #[must_use]
    pub fn rise(&self, column: usize) -> Option<(f64, f64)> {
        let segment = column.checked_sub(Term::ALL.len())?;
        Some((*self.knots.get(segment)?, *self.knots.get(segment + 1)?))
    }

    /// Width in volts of the segment that `column` stands for; 0 when it stands for none.
    fn rise_width(&self, column: usize) -> f64 {
        self.rise(column).map_or(0.0, |(low, high)| high - low)
    }

    /// Voltage of the reference battery, V of six cells.
    #[must_use]
    pub fn reference_v(&self) -> f64 {
        self.reference_v
    }

    /// Extra variance of a single case: the world is not exactly the model.
    ///
    /// Source: STATISTICS 2, lack of fit; without it 90 % ranges cover 64 to 83 % on large data.
    #[must_use]
    pub fn lack_of_fit_variance(&self, cell_sd: f64) -> f64 {
        let floor = self.lack_of_fit_floor_sd * self.lack_of_fit_floor_sd;
        (self.lack_of_fit_cell_factor * cell_sd * cell_sd).max(floor)
    }

    /// Lays the features of a battery out as a row of the model.
    ///
    /// Columns and formulas: STATISTICS 2; checked on a fitted example in `prior/tests.rs`.
    #[must_use]
    pub fn row(&self, of: &Features) -> Row {
        let mut entries = Vec::with_capacity(self.columns());
        let levels = self.lay_out(of, &mut entries);
        Row { entries, levels }
    }

    /// Adds the entries of [`Prior::row`] to a list that a caller uses again; gives the levels.
    pub(super) fn lay_out(&self, of: &Features, entries: &mut Vec<(usize, f64)>) -> Levels {
        let measured = of.measured(self.reference_v);
        let mut put = |column: usize, value: f64| {
            if value != 0.0 {
                entries.push((column, value));
            }
        };
        for (column, term) in Term::ALL.iter().enumerate() {
            put(column, of.value(*term, &measured));
        }
        for (segment, ends) in self.knots.windows(2).enumerate() {
            if let [low, high] = ends {
                // The ends without a division: rows are laid out by the hundred thousand.
                let hinge = |v: f64| {
                    if v >= *high {
                        1.0
                    } else if v <= *low {
                        0.0
                    } else {
                        (v - low) / (high - low)
                    }
                };
                let value = hinge(measured.volts) - hinge(self.reference_v);
                put(Term::ALL.len() + segment, value);
            }
        }
        levels(of)
    }

    /// Says what the prior alone believes about a battery in a shop that is not known yet.
    ///
    /// The standard deviation holds the coefficients, one draw of each group and lack of fit.
    #[must_use]
    pub fn log_odds(&self, of: &Features) -> LogOdds {
        let row = self.row(of);
        let mut mean = 0.0;
        let mut variance = 0.0;
        for (left, x) in &row.entries {
            mean += x * self.mean(*left);
            for (right, z) in &row.entries {
                variance += x * z * self.covariance(*left, *right);
            }
        }
        let GroupScales {
            shop,
            method,
            storage,
            segment,
            cell,
            ..
        } = self.groups;
        for sd in [shop, method, storage, segment, cell] {
            variance += sd * sd;
        }
        variance += self.lack_of_fit_variance(cell);
        LogOdds {
            mean,
            sd: libm::sqrt(variance),
        }
    }
}

/// Finds the random intercepts of a battery.
fn levels(of: &Features) -> Levels {
    let (volts, months) = of.bands();
    let chemistry = match of.chemistry {
        Chemistry::Agm => 1,
        Chemistry::Gel => 2,
        _ => 0,
    };
    Levels {
        method: (of.method != Method::Unknown).then_some(of.method as usize),
        storage: (of.storage != Storage::Unknown).then_some(of.storage as usize),
        segment: of.segment as usize,
        cell: (volts as usize * MonthsBand::ALL.len() + months as usize) * 3 + chemistry,
    }
}
