//! The only way in for a visit: raw facts -> checked facts, or a rejection that names the field.
//!
//! Nothing that decides the answer is guessed: construction, nominal and rest voltage and what the
//! battery serves are asked for. What a shop may honestly not know stays unknown.

use chrono::{DateTime, TimeDelta, Utc};

use super::Visit;
use crate::record::batch::{FUTURE_MIN, plain_text};
use crate::record::battery::Battery;
use crate::record::words::{CcaStandard, Chemistry, Segment, Storage, TesterState, VisualFlag};
use crate::reject::{Code, Reject};
use crate::units::{AmpHours, CrankingAmps, Money, Months, Volts};

/// Longest label on a case, bytes.
pub const LABEL_MAX: usize = 64;

/// Largest accepted ratio of measured over rated cranking current.
pub const CCA_RATIO_MAX: f64 = 10.0;

/// Facts of a visit as they were sent; `None` = not said.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct RawVisit {
    /// Nominal volts, 6 or 12; 0 = not said.
    pub nominal_volts: i32,
    /// Construction.
    pub chemistry: Option<Chemistry>,
    /// What the battery serves.
    pub segment: Option<Segment>,
    /// Rated cold cranking current, amperes.
    pub rated_cca: Option<f64>,
    /// Standard of that rating; unknown when not said.
    pub cca_standard: Option<CcaStandard>,
    /// Rated capacity at the 20 h rate, ampere-hours.
    pub rated_ah: Option<f64>,
    /// Label on the case, checked here and kept by the caller; empty = none.
    pub label: String,
    /// Rested open-circuit voltage of the whole battery, volts.
    pub rest_volts: Option<f64>,
    /// Age, months.
    pub age_months: Option<f64>,
    /// Months since the last full charge.
    pub months_since_full_charge: Option<f64>,
    /// Where it spent that time; unknown when not said.
    pub storage: Option<Storage>,
    /// What the tester did; not tested when not said.
    pub tester: Option<TesterState>,
    /// Measured over rated cranking current, ratio.
    pub cca_ratio: Option<f64>,
    /// Electrolyte below the plates.
    pub electrolyte_low: Option<bool>,
    /// What a person saw on the case, in any order.
    pub flags: Vec<VisualFlag>,
    /// Price of a replacement in the shop's currency.
    pub replacement_price: Option<f64>,
    /// When it came in; the time of receipt when not said.
    pub presented_at: Option<DateTime<Utc>>,
}

/// Checks the facts of a visit.
///
/// Flags come out sorted and single, so that equal facts have one form. A cranking standard
/// without a rating says nothing and is not kept.
///
/// # Errors
/// `FIELD_MISSING` with the fix in words; `FIELD_INVALID`, `TEXT_INVALID`, `VALUE_NOT_FINITE`,
/// `VALUE_OUT_OF_RANGE`, `TIMESTAMP_IN_FUTURE`. The field has its name in the contract.
pub fn parse(raw: RawVisit, received_at: DateTime<Utc>) -> Result<Visit, Reject> {
    label(&raw.label)?;
    let battery = battery(&raw)?;
    let rest_volts = raw.rest_volts.ok_or_else(|| {
        missing(
            "rest_volts",
            "measure the open-circuit voltage before any charge; 0.3 V is a value",
        )
    })?;
    let mut flags = raw.flags;
    flags.sort_unstable();
    flags.dedup();
    Ok(Visit {
        battery,
        rest_v: Volts::new("rest_volts", rest_volts)?,
        age: raw
            .age_months
            .map(|age| Months::new("age_months", age))
            .transpose()?,
        months_since_full_charge: raw
            .months_since_full_charge
            .map(|months| Months::new("months_since_full_charge", months))
            .transpose()?,
        storage: raw.storage.unwrap_or(Storage::Unknown),
        tester: raw.tester.unwrap_or(TesterState::NotTested),
        cca_ratio: raw.cca_ratio.map(cca_ratio).transpose()?,
        electrolyte_low: raw.electrolyte_low,
        flags,
        replacement_price: raw
            .replacement_price
            .map(|price| Money::new("replacement_price", price))
            .transpose()?,
        presented_at: presented_at(raw.presented_at, received_at)?,
    })
}

fn battery(raw: &RawVisit) -> Result<Battery, Reject> {
    let nominal_v = match raw.nominal_volts {
        0 => {
            return Err(missing(
                "nominal_volts",
                "read 6 or 12 off the case; it is never guessed from a voltage",
            ));
        }
        6 => 6,
        12 => 12,
        other => {
            let detail = format!("{other} V is neither 6 V nor 12 V");
            return Err(Reject::new(Code::FieldInvalid, "nominal_volts", detail));
        }
    };
    let chemistry = raw.chemistry.ok_or_else(|| {
        missing(
            "chemistry",
            "read it off the case, or say `unknown` when nothing is printed there",
        )
    })?;
    let segment = raw.segment.ok_or_else(|| {
        missing(
            "segment",
            "say what the battery serves; mowers and quads are `powersports`",
        )
    })?;
    let rated_cca = raw
        .rated_cca
        .map(|rated| CrankingAmps::new("rated_cca_amperes", rated))
        .transpose()?;
    let standard = raw.cca_standard.unwrap_or(CcaStandard::Unknown);
    Ok(Battery {
        chemistry,
        segment,
        nominal_v,
        rated_cca: rated_cca.map(|rated| (rated, standard)),
        rated_ah: raw
            .rated_ah
            .map(|rated| AmpHours::new("rated_capacity_ampere_hours", rated))
            .transpose()?,
    })
}

fn label(text: &str) -> Result<(), Reject> {
    plain_text(text, LABEL_MAX).map_err(|detail| Reject::new(Code::TextInvalid, "label", detail))
}

fn cca_ratio(ratio: f64) -> Result<f64, Reject> {
    if !ratio.is_finite() {
        let detail = format!("{ratio} is not a number");
        return Err(Reject::new(Code::ValueNotFinite, "cca_ratio", detail));
    }
    if !(0.0..=CCA_RATIO_MAX).contains(&ratio) {
        let detail =
            format!("{ratio} is outside 0 to {CCA_RATIO_MAX}; 0.9 means 90 % of the rating");
        return Err(Reject::new(Code::ValueOutOfRange, "cca_ratio", detail));
    }
    Ok(ratio)
}

fn presented_at(
    said: Option<DateTime<Utc>>,
    received_at: DateTime<Utc>,
) -> Result<DateTime<Utc>, Reject> {
    let Some(at) = said else {
        return Ok(received_at);
    };
    if at - received_at > TimeDelta::minutes(FUTURE_MIN) {
        let detail = format!("{at} is ahead of the server, {received_at}");
        return Err(Reject::new(
            Code::TimestampInFuture,
            "presented_time",
            detail,
        ));
    }
    Ok(at)
}

fn missing(field: &str, fix: &str) -> Reject {
    Reject::new(Code::FieldMissing, field, fix)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn now() -> DateTime<Utc> {
        DateTime::from_timestamp(1_790_000_000, 0).unwrap()
    }

    fn raw() -> RawVisit {
        RawVisit {
            nominal_volts: 12,
            chemistry: Some(Chemistry::Agm),
            segment: Some(Segment::Powersports),
            rest_volts: Some(11.9),
            ..RawVisit::default()
        }
    }

    fn refused(raw: RawVisit) -> (Code, String) {
        let reject = parse(raw, now()).unwrap_err();
        (reject.code, reject.field)
    }

    #[test]
    fn what_is_not_said_stays_unknown_and_is_never_a_number() {
        let visit = parse(raw(), now()).unwrap();
        assert_eq!(
            (visit.age, visit.months_since_full_charge, visit.cca_ratio),
            (None, None, None)
        );
        assert_eq!(
            (visit.storage, visit.tester),
            (Storage::Unknown, TesterState::NotTested)
        );
        assert_eq!((visit.electrolyte_low, visit.presented_at), (None, now()));
    }

    #[test]
    fn what_decides_the_answer_is_asked_for_by_its_name_in_the_contract() {
        let missing = [
            (
                RawVisit {
                    nominal_volts: 0,
                    ..raw()
                },
                "nominal_volts",
            ),
            (
                RawVisit {
                    chemistry: None,
                    ..raw()
                },
                "chemistry",
            ),
            (
                RawVisit {
                    segment: None,
                    ..raw()
                },
                "segment",
            ),
            (
                RawVisit {
                    rest_volts: None,
                    ..raw()
                },
                "rest_volts",
            ),
        ];
        for (raw, field) in missing {
            assert_eq!(refused(raw), (Code::FieldMissing, field.into()));
        }
        let odd = RawVisit {
            nominal_volts: 24,
            ..raw()
        };
        assert_eq!(refused(odd), (Code::FieldInvalid, "nominal_volts".into()));
    }

    #[test]
    fn a_number_outside_its_range_is_refused_under_its_own_name() {
        let wrong = [
            (
                RawVisit {
                    rest_volts: Some(12_600.0),
                    ..raw()
                },
                "rest_volts",
            ),
            (
                RawVisit {
                    age_months: Some(-1.0),
                    ..raw()
                },
                "age_months",
            ),
            (
                RawVisit {
                    cca_ratio: Some(90.0),
                    ..raw()
                },
                "cca_ratio",
            ),
            (
                RawVisit {
                    rated_cca: Some(3_001.0),
                    ..raw()
                },
                "rated_cca_amperes",
            ),
            (
                RawVisit {
                    rated_ah: Some(-0.1),
                    ..raw()
                },
                "rated_capacity_ampere_hours",
            ),
            (
                RawVisit {
                    replacement_price: Some(-1.0),
                    ..raw()
                },
                "replacement_price",
            ),
        ];
        for (raw, field) in wrong {
            assert_eq!(refused(raw), (Code::ValueOutOfRange, field.into()));
        }
        let hole = RawVisit {
            cca_ratio: Some(f64::NAN),
            ..raw()
        };
        assert_eq!(refused(hole), (Code::ValueNotFinite, "cca_ratio".into()));
    }

    #[test]
    fn flags_have_one_form_and_a_rating_without_a_standard_says_so() {
        let visit = parse(
            RawVisit {
                flags: vec![
                    VisualFlag::FoulSmell,
                    VisualFlag::Swollen,
                    VisualFlag::FoulSmell,
                ],
                rated_cca: Some(240.0),
                ..raw()
            },
            now(),
        )
        .unwrap();
        assert_eq!(visit.flags, [VisualFlag::Swollen, VisualFlag::FoulSmell]);
        assert_eq!(
            visit.battery.rated_cca.map(|cca| cca.1),
            Some(CcaStandard::Unknown)
        );
        let alone = RawVisit {
            cca_standard: Some(CcaStandard::En),
            ..raw()
        };
        assert_eq!(parse(alone, now()).unwrap().battery.rated_cca, None);
    }

    #[test]
    fn a_battery_cannot_come_in_tomorrow_but_may_have_come_in_years_ago() {
        let on = |days| RawVisit {
            presented_at: Some(now() + TimeDelta::days(days)),
            ..raw()
        };
        assert_eq!(
            refused(on(1)),
            (Code::TimestampInFuture, "presented_time".into())
        );
        assert!(parse(on(-2_000), now()).is_ok());
    }

    #[test]
    fn a_label_is_short_plain_text() {
        let long = RawVisit {
            label: "k".repeat(65),
            ..raw()
        };
        assert_eq!(refused(long), (Code::TextInvalid, "label".into()));
        assert!(
            parse(
                RawVisit {
                    label: "K-17".into(),
                    ..raw()
                },
                now()
            )
            .is_ok()
        );
    }
}
