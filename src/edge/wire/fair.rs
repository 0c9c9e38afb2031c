//! Comparisons, savings, tonight's queue and plan checks between wire and domain.

use super::{Word as _, timestamp};
use crate::advice::plan::{Objection, Place, Plan, PlanCheck, PlanContext};
use crate::advice::running::RunningAdvice;
use crate::edge::pb;
use crate::model::comparison::fair::{MethodComparison, ShopStanding};
use crate::model::comparison::standard::OddsRatio;
use crate::model::predict::LEVEL;
use crate::query::Error;
use crate::query::advice::{Queue, QueuePlace, RunningAnswer};
use crate::query::fair::{Basis, Methods, Savings, Shops};
use crate::record::visit::Visit;
use crate::record::words::{Chemistry, Method, Purpose};
use crate::reject::{Code, Reject};
use crate::units::{Amps, Celsius, RestMinutes, Volts};

pub(super) fn count(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

fn small(value: usize) -> i32 {
    i32::try_from(value).unwrap_or(i32::MAX)
}

pub(super) fn interval((lower, upper): (f64, f64), level: f64) -> pb::Interval {
    pb::Interval {
        lower_ratio: lower,
        upper_ratio: upper,
        level_ratio: level,
    }
}

pub(super) fn basis(of: &Basis) -> pb::ModelBasis {
    pb::ModelBasis {
        model_version: of.model_version.clone(),
        cut_off_time: of.cut_off.map(timestamp),
        outcome_count: count(of.n),
    }
}

/// Shops for the wire.
#[must_use]
pub fn shops(found: &Shops) -> pb::CompareShopsResponse {
    let shops = found.names.iter().zip(&found.comparison.shops);
    let reason = found.comparison.no_ranking.map(|reason| {
        serde_json::to_value(reason)
            .ok()
            .and_then(|value| value.as_str().map(str::to_owned))
    });
    pb::CompareShopsResponse {
        shops: shops.map(|(name, shop)| standing(name, shop)).collect(),
        no_ranking_reason: reason.flatten().unwrap_or_default(),
        basis: Some(basis(&found.basis)),
    }
}

fn standing(name: &str, shop: &ShopStanding) -> pb::ShopStanding {
    let observed = shop.observed_expected;
    let adjusted = shop.adjusted.as_ref();
    let rank = shop.rank.map_or([0, 0], |rank| rank.interval);
    pb::ShopStanding {
        shop_id: shop.shop.to_string(),
        name: name.to_owned(),
        count: count(shop.n),
        recovered_count: count(shop.recovered),
        crude_interval: shop
            .crude
            .as_ref()
            .map(|of| interval((of.lower, of.upper), of.level)),
        observed_expected_ratio: observed.map(|of| of.ratio),
        observed_expected_interval: observed
            .map(|of| interval((of.exact.lower, of.exact.upper), of.level)),
        adjusted_rate_ratio: adjusted.map(|of| of.rate),
        adjusted_interval: adjusted.map(|of| interval((of.lower, of.upper), of.level)),
        funnel_interval: shop.funnel.map(|of| {
            let [lower, upper] = of.limits_95;
            interval((lower, upper), 0.95)
        }),
        worth_a_look: shop.worth_a_look,
        best_rank: count(rank[0]),
        worst_rank: count(rank[1]),
        same_bands: shop.same_bands.as_ref().map(odds),
    }
}

/// Methods for the wire.
#[must_use]
pub fn methods(found: &Methods) -> pb::CompareMethodsResponse {
    pb::CompareMethodsResponse {
        pairs: found.pairs.iter().map(pair).collect(),
        basis: Some(basis(&found.basis)),
    }
}

fn pair(of: &MethodComparison) -> pb::MethodPair {
    let contrast = of.contrast;
    pb::MethodPair {
        first_method: of.first.to_wire(),
        second_method: of.second.to_wire(),
        first_count: count(of.crude_first.1),
        first_recovered_count: count(of.crude_first.0),
        second_count: count(of.crude_second.1),
        second_recovered_count: count(of.crude_second.0),
        difference_ratio: contrast.map(|of| of.difference.difference),
        difference_interval: contrast
            .map(|of| interval((of.difference.lower, of.difference.upper), LEVEL)),
        compared_count: contrast.map_or(0, |of| count(of.cases)),
        left_out_count: contrast.map_or(0, |of| count(of.left_out)),
        coin_count: contrast.and_then(|of| of.coin_n).map_or(0, count),
        same_bands: of.same_bands.as_ref().map(odds),
    }
}

fn odds(of: &OddsRatio) -> pb::OddsRatio {
    pb::OddsRatio {
        odds_ratio: of.ratio,
        lower_odds_ratio: of.limits.lower,
        upper_odds_ratio: of.limits.upper,
    }
}

/// Savings for the wire.
#[must_use]
pub fn savings(found: &[Savings]) -> pb::GetSavingsResponse {
    let shop = |one: &Savings| pb::ShopSavings {
        name: one.shop.clone(),
        currency_code: one.currency.clone().unwrap_or_default(),
        attempt_count: count(one.attempts),
        answered_count: count(one.answered),
        charger_hours: one.waste.hours,
        wasted_hours: one.waste.wasted_hours,
        avoidable_hours: one.waste.avoidable_hours,
        saved_worth: one.saved.map(|saved| saved.total),
        attempt_saved_standard_error_worth: one.saved.and_then(|saved| saved.standard_error),
        brier_score: one.scores.map(|scores| scores.brier),
    };
    pb::GetSavingsResponse {
        shops: found.iter().map(shop).collect(),
    }
}

/// A model card for the wire.
#[must_use]
pub fn card(json: String, of: &Basis) -> pb::GetModelCardResponse {
    pb::GetModelCardResponse {
        json,
        basis: Some(basis(of)),
    }
}

/// Tonight's queue for the wire.
#[must_use]
pub fn queue(found: &Queue) -> pb::RankForChargersResponse {
    let place = |of: &QueuePlace| pb::ChargerPlace {
        question_seq: small(of.question),
        charger_seq: of.charger.map_or(0, small),
        answer: of.answer.map_or(0, super::Word::to_wire),
        chance_ratio: of.chance,
        hourly_gain_worth: of.gain_per_hour,
        planned_hours: of.hours,
        rejection_detail: of.refused.clone().unwrap_or_default(),
        again: of.again,
    };
    pb::RankForChargersResponse {
        places: found.places.iter().map(place).collect(),
    }
}

/// What is said of a running attempt, for the wire.
#[must_use]
pub fn running(found: RunningAnswer) -> pb::AdviseRunningResponse {
    let at = |one: &RunningAdvice| pb::RunningAdvice {
        checkpoint_hours: one.checkpoint.hours(),
        chance_before_ratio: one.chance_before,
        chance_ratio: one.chance,
        stop_below_ratio: one.stop_below,
        stop_advised: one.stop,
        run_on: one.run_on,
        charge_count: count(one.charges),
        belief_only: one.belief_only,
    };
    pb::AdviseRunningResponse {
        checkpoints: found.at.iter().map(at).collect(),
        model_version: found.model_version,
        cut_off_time: found.cut_off.map(timestamp),
        worth: found.worth,
        charger_hour_price: found.charger_hour,
        currency_code: found.currency,
    }
}

/// A plan off the wire, beside a visit that was parsed before.
///
/// # Errors
/// `VALUE_OUT_OF_RANGE` for a number no plan can have.
pub fn plan(message: &pb::CheckPlanRequest, visit: Visit) -> Result<(Plan, PlanContext), Error> {
    let volts = |name, value: Option<f64>| value.map(|value| Volts::new(name, value)).transpose();
    let celsius = |name, value: Option<f64>| value.map(|v| Celsius::new(name, v)).transpose();
    let amps = message.current_amperes;
    let current = amps
        .map(|amps| Amps::new("current_amperes", amps))
        .transpose();
    let rested = message.rested_minutes;
    let rested = rested
        .map(|min| RestMinutes::new("rested_minutes", min))
        .transpose();
    let nominal = message.program_nominal_volts.map(|volts| {
        u8::try_from(volts).map_err(|_| {
            let detail = format!("{volts} is neither 6 nor 12");
            Reject::new(Code::ValueOutOfRange, "program_nominal_volts", detail)
        })
    });
    let plan = Plan {
        purpose: Purpose::from_wire(message.purpose).unwrap_or(Purpose::RecoveryCharge),
        method: Method::from_wire(message.method).unwrap_or(Method::Unknown),
        current: current.map_err(Error::from)?,
        limit: volts("limit_volts", message.limit_volts)?,
        hours: message.planned_hours,
        program_nominal_v: nominal.transpose()?,
        program_chemistry: Chemistry::from_wire(message.program_chemistry),
    };
    let context = PlanContext {
        visit,
        rested: rested?,
        instrument_error_v: message.instrument_error_volts,
        battery_temperature: celsius("battery_celsius", message.battery_celsius)?,
        coldest: celsius("coldest_celsius", message.coldest_celsius)?,
        place: Place {
            positions: u16::try_from(message.position_count.max(1)).unwrap_or(u16::MAX),
            air_m3_h: message.air_cubic_metres_per_hour,
            volume_m3: message.room_cubic_metres,
            temperature_sensor: message.temperature_sensor,
            attended: message.attended,
        },
    };
    Ok((plan, context))
}

/// Objections for the wire.
#[must_use]
pub fn plan_check(found: &PlanCheck) -> pb::CheckPlanResponse {
    let objection = |one: &Objection| pb::PlanObjection {
        code: one.kind.as_str().to_owned(),
        severity: one.severity.as_str().to_owned(),
        field: one.field.to_owned(),
        text: one.sentence.clone(),
        fix: one.fix.clone(),
        basis: one.basis.to_owned(),
    };
    pb::CheckPlanResponse {
        objections: found.objections.iter().map(objection).collect(),
        cautions: found
            .cautions
            .iter()
            .map(|text| (*text).to_owned())
            .collect(),
        text: found.text(),
    }
}
