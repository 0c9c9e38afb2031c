//! What the model uses of a visit, and the value of each column for it.
//!
//! Pure arithmetic on a visit that was parsed before; the hazard stops come first elsewhere.

use chrono::{DateTime, Utc};

use super::Term;
use crate::model::bands::{MonthsBand, V12_MAX, VoltageBand};
use crate::record::visit::Visit;
use crate::record::words::{Chemistry, Method, Segment, Storage, TesterState};
use crate::units::twelve_volt_equivalent;

/// Where five charged cells rest, V. Source: DOMAIN 1.1, 9.0 to 10.75 V.
const ONE_CELL_SHORT_V: f64 = 10.5;
/// Half width of the tent about it, V. Source: STATISTICS 2.
const ONE_CELL_SHORT_HALF_WIDTH_V: f64 = 0.45;
/// Below this a store in frost may have frozen the acid, V. Source: STATISTICS 2.
const FROST_V: f64 = 11.8;
/// A measured over rated current above this is a wrong rating or setting. Source: DOMAIN 7.
pub const IMPLAUSIBLE_CCA_RATIO: f64 = 1.3;
/// Natural logarithm of 5.
const LN_5: f64 = 1.609_437_912_434_100_3;
/// 2024-01-01T00:00:00Z in seconds, a Monday: start of the 52-week cycle.
const WEEK_ZERO_S: i64 = 1_704_067_200;
const WEEK_S: i64 = 7 * 86_400;

/// What is known of a battery before deciding, in the model's units.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Features {
    /// Rest voltage scaled to six cells, V.
    pub v12: f64,
    /// Months since the last full charge.
    pub months: Option<f64>,
    /// Age in months.
    pub age_months: Option<f64>,
    /// Construction; enhanced flooded and unknown count as flooded.
    pub chemistry: Chemistry,
    /// What the tester did.
    pub tester: TesterState,
    /// Measured over rated cranking current, implausible ones at 1.0.
    pub cca_ratio: Option<f64>,
    /// Where it stood.
    pub storage: Storage,
    /// Electrolyte seen below the plates.
    pub electrolyte_low: bool,
    /// Three cells.
    pub six_volt: bool,
    /// Charging method that is meant.
    pub method: Method,
    /// What it serves.
    pub segment: Segment,
    /// Presented in the cold half of the cycle.
    pub winter: bool,
}

/// Parts of a row that several columns share.
#[derive(Debug, Clone, Copy)]
pub(super) struct Measured {
    /// Rest voltage inside the range of the curve, V of six cells.
    pub(super) volts: f64,
    /// (reference - volts) / reference where positive.
    depth: f64,
    /// ln(1 + months) - ln 5, where known.
    idle: Option<f64>,
    /// Age in years, where known.
    years: Option<f64>,
}

impl Features {
    /// The battery that lead-acid coefficients are stated against.
    ///
    /// Source: STATISTICS 2, intercept; storage, method and segment are our choice.
    pub const REFERENCE: Self = Self {
        v12: 12.4,
        months: Some(4.0),
        age_months: Some(36.0),
        chemistry: Chemistry::Flooded,
        tester: TesterState::NotTested,
        cca_ratio: None,
        storage: Storage::RemovedIndoors,
        electrolyte_low: false,
        six_volt: false,
        method: Method::CcCv,
        segment: Segment::Car,
        winter: false,
    };

    /// Takes the features out of a visit, for the method that is meant.
    ///
    /// `southern` shifts the winter by half a year.
    #[must_use]
    pub fn of_visit(visit: &Visit, method: Method, southern: bool) -> Self {
        let nominal_v = visit.battery.nominal_v;
        Self {
            v12: twelve_volt_equivalent(visit.rest_v, nominal_v),
            months: visit
                .months_since_full_charge
                .map(crate::units::Months::get),
            age_months: visit.age.map(crate::units::Months::get),
            chemistry: visit.battery.chemistry,
            tester: visit.tester,
            cca_ratio: visit.cca_ratio.and_then(graded_cca_ratio),
            storage: visit.storage,
            electrolyte_low: visit.electrolyte_low == Some(true),
            six_volt: nominal_v == 6,
            method,
            segment: visit.battery.segment,
            winter: winter(visit.presented_at, southern),
        }
    }

    /// Bands of rest voltage and idle months this battery is counted in.
    #[must_use]
    pub fn bands(&self) -> (VoltageBand, MonthsBand) {
        (VoltageBand::of(self.v12), MonthsBand::of(self.months))
    }

    /// The same battery at the centre of its bands; unknown months stay unknown.
    #[must_use]
    pub fn at_band_centre(&self) -> Self {
        let (volts, months) = self.bands();
        Self {
            v12: volts.centre(),
            months: months.centre(),
            ..*self
        }
    }

    /// Rest voltage inside the range of the curve, V of six cells.
    pub(super) fn clamped_v12(&self) -> f64 {
        self.v12.clamp(0.0, V12_MAX)
    }

    /// True when an unheated winter store may have frozen this battery.
    #[must_use]
    pub fn frost_risk(&self) -> bool {
        self.storage == Storage::RemovedUnheated && self.winter && self.clamped_v12() < FROST_V
    }

    /// What several columns need, worked out once for a row.
    pub(super) fn measured(&self, reference_v: f64) -> Measured {
        let volts = self.clamped_v12();
        let idle = self.months.map(|months| libm::log(1.0 + months.max(0.0)));
        Measured {
            volts,
            depth: (reference_v - volts).max(0.0) / reference_v,
            idle: idle.map(|idle| idle - LN_5),
            years: self.age_months.map(|months| months / 12.0),
        }
    }

    /// Value of one column.
    #[inline]
    pub(super) fn value(&self, term: Term, measured: &Measured) -> f64 {
        let Measured {
            volts,
            depth,
            idle,
            years,
        } = *measured;
        let elevated = self.method == Method::ElevatedCv;
        let (agm, gel) = (
            self.chemistry == Chemistry::Agm,
            self.chemistry == Chemistry::Gel,
        );
        match term {
            Term::Intercept => 1.0,
            Term::OneCellShort => {
                let distance = libm::fabs(volts - ONE_CELL_SHORT_V);
                (1.0 - distance / ONE_CELL_SHORT_HALF_WIDTH_V).max(0.0)
            }
            Term::Months => idle.unwrap_or(0.0),
            Term::MonthsDepth => idle.unwrap_or(0.0) * depth,
            Term::MonthsUnknown => flag(idle.is_none()),
            Term::MonthsUnknownDepth => flag(idle.is_none()) * depth,
            Term::Age => years.map_or(0.0, |years| years - 3.0),
            Term::AgePastFour => years.map_or(0.0, |years| (years - 4.0).max(0.0)),
            Term::AgeUnknown => flag(years.is_none()),
            Term::Cca => self.cca_ratio.map_or(0.0, |ratio| (ratio - 0.75) / 0.15),
            Term::TestedOk => flag(self.tester == TesterState::Ok),
            Term::NoPowerUp => flag(self.tester == TesterState::NoPowerUp),
            Term::Agm => flag(agm),
            Term::Gel => flag(gel),
            Term::AgmDepth => flag(agm) * depth,
            Term::GelDepth => flag(gel) * depth,
            Term::FrostRisk => flag(self.frost_risk()),
            Term::ElectrolyteLow => flag(self.electrolyte_low),
            Term::SixVolt => flag(self.six_volt),
            Term::ElevatedDepth => flag(elevated) * depth,
            Term::ElevatedGel => flag(elevated && gel),
        }
    }
}

/// 1 for true, 0 for false.
fn flag(set: bool) -> f64 {
    f64::from(u8::from(set))
}

/// A ratio to grade by: an implausible one counts as 1.0, a senseless one is left out.
fn graded_cca_ratio(ratio: f64) -> Option<f64> {
    if !ratio.is_finite() || ratio < 0.0 {
        return None;
    }
    Some(if ratio > IMPLAUSIBLE_CCA_RATIO {
        1.0
    } else {
        ratio
    })
}

/// Tells whether an instant lies in winter: week of a 52-week cycle below 12 or above 46.
///
/// Weeks are counted from 2024-01-01; the southern hemisphere is shifted by 26 weeks.
#[must_use]
pub fn winter(at: DateTime<Utc>, southern: bool) -> bool {
    let shift = if southern { 26 } else { 0 };
    let week = ((at.timestamp() - WEEK_ZERO_S).div_euclid(WEEK_S) + shift).rem_euclid(52);
    !(12..=46).contains(&week)
}
