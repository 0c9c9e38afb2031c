//! Verdicts and recovery tables between wire and domain.

use super::{Word as _, optional_id, timestamp};
use crate::advice::knowledge::Similar;
use crate::edge::pb;
use crate::model::table::Row;
use crate::model::table::adjusted::AdjustedRow;
use crate::query::Error;
use crate::query::advice::{Again, AskRequest, StoredVerdict};
use crate::query::recovery::RecoveryAnswer;
use crate::record::words::Method;

/// A question off the wire.
///
/// # Errors
/// `FIELD_INVALID` for an id or a time that is none.
pub fn ask(request: pb::AskRequest) -> Result<AskRequest, Error> {
    Ok(AskRequest {
        shop_id: optional_id("shop_id", &request.shop_id)?,
        visit_id: optional_id("visit_id", &request.visit_id)?,
        facts: request.facts.map(super::bench::raw_visit).transpose()?,
        method: Method::from_wire(request.method),
    })
}

/// A verdict for the wire.
#[must_use]
pub fn verdict(given: StoredVerdict) -> pb::Verdict {
    let reasons = given.body.reasons.into_iter();
    pb::Verdict {
        verdict_id: given.verdict_id.to_string(),
        visit_id: given.visit_id.to_string(),
        answer: given.answer.to_wire(),
        chance_ratio: given.chance.map(|chance| chance.mean),
        chance_interval: given.chance.map(|chance| pb::Interval {
            lower_ratio: chance.lower,
            upper_ratio: chance.upper,
            level_ratio: crate::model::belief::LEVEL,
        }),
        equivalent_count: given.chance.map(|chance| chance.n_eq),
        band_count: given.band_n,
        band_recovered_count: given.band_y,
        break_even_ratio: given.p_star,
        worth: given.worth_and_cost.map(|money| money.0),
        cost: given.worth_and_cost.map(|money| money.1),
        currency_code: given.currency,
        reasons: reasons
            .map(|reason| pb::Reason {
                code: reason.code,
                text: reason.text,
            })
            .collect(),
        stop_rules: given.body.stop_rules,
        cautions: given.body.cautions,
        model_version: given.model_version,
        cut_off_time: given.cut_off.map(timestamp),
        belief_only: given.belief_only,
        answer_time: Some(timestamp(given.answered_at)),
        text: given.body.text,
        pays_confidence_ratio: given.body.pays_confidence,
        extrapolates: given.body.extrapolates,
        reading: given.body.reading.map(|reading| pb::WorthReading {
            code: reading.reading,
            text: reading.wish,
            net_worth: reading.net,
            price: reading.price,
        }),
        similar_cases: given.body.similar.iter().map(similar).collect(),
        would_flip: given.body.would_flip.unwrap_or_default(),
        propensity_ratio: given.propensity,
        unreliable_reason: given.body.unreliable.unwrap_or_default(),
    }
}

fn similar(case: &Similar) -> pb::SimilarCase {
    pb::SimilarCase {
        twelve_volt_equivalent_volts: case.v12,
        months_since_full_charge: case.months_since_full_charge,
        age_months: case.age_months,
        chemistry: case.chemistry.to_wire(),
        recovered: case.recovered,
        distance_ratio: case.distance,
    }
}

fn count(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

fn row(row: &Row) -> pb::RecoveryRow {
    pb::RecoveryRow {
        voltage_band: row.voltage_label.to_owned(),
        months_band: row.months_label.to_owned(),
        split_value: row.split.clone().unwrap_or_default(),
        count: count(row.n),
        recovered_count: count(row.y),
        unlabelled_count: count(row.unlabelled),
        presented_count: count(row.presented),
        confirmed_count: count(row.confirmed),
        rate_ratio: row.rate,
        interval: row.interval.map(|interval| pb::Interval {
            lower_ratio: interval.lower,
            upper_ratio: interval.upper,
            level_ratio: interval.level,
        }),
        support: row.support.to_string(),
        ..pb::RecoveryRow::default()
    }
}

/// A recovery table for the wire: the margin by voltage first, then every cell.
#[must_use]
pub fn table(answer: &RecoveryAnswer) -> pb::QueryRecoveryTableResponse {
    let totals = &answer.table.totals;
    let adjusted = answer.adjusted.as_ref().and_then(|told| told.as_ref().ok());
    let margin = |counted: &[Row], expected: Option<&Vec<AdjustedRow>>| -> Vec<pb::RecoveryRow> {
        let expected = expected.into_iter().flatten().map(Some);
        let expected = expected.chain(std::iter::repeat(None));
        let both = counted.iter().zip(expected);
        both.map(|(counted, expected)| {
            let rate = expected.map(|expected| &expected.expected);
            pb::RecoveryRow {
                adjusted_ratio: rate.map(|rate| rate.rate),
                adjusted_interval: rate.map(|rate| pb::Interval {
                    lower_ratio: rate.lower,
                    upper_ratio: rate.upper,
                    level_ratio: rate.level,
                }),
                ..row(counted)
            }
        })
        .collect()
    };
    let mut rows = margin(&totals.by_voltage, adjusted.map(|found| &found.by_voltage));
    rows.extend(answer.table.rows.iter().map(row));
    let why = answer
        .adjusted
        .as_ref()
        .and_then(|told| told.as_ref().err());
    pb::QueryRecoveryTableResponse {
        rows,
        caption: answer.table.caption.clone(),
        cut_off_time: answer.cut_off.map(timestamp),
        text: answer.text.clone(),
        months_rows: margin(&totals.by_months, adjusted.map(|found| &found.by_months)),
        reversed_bands: adjusted
            .into_iter()
            .flat_map(|found| &found.reversals)
            .map(|pair| pb::ReversedBands {
                counted_better_band: pair.counted_better.to_owned(),
                expected_better_band: pair.expected_better.to_owned(),
                support_ratio: pair.support,
            })
            .collect(),
        model_version: adjusted.map_or_else(String::new, |found| found.model_version.clone()),
        mix_count: adjusted.map_or(0, |found| count(found.mix)),
        not_adjusted_reason: why.map_or_else(String::new, ToString::to_string),
    }
}

/// The answer to a second attempt for the wire.
#[must_use]
pub fn again(found: Again) -> pb::AdviseAgainResponse {
    let Again { answer, .. } = found;
    let chance = answer.chance;
    let economics = answer.economics.as_ref();
    let interval = |lower_ratio, upper_ratio, level_ratio| pb::Interval {
        lower_ratio,
        upper_ratio,
        level_ratio,
    };
    pb::AdviseAgainResponse {
        answer: answer.answer.to_wire(),
        chance_ratio: chance.map(|chance| chance.mean),
        interval: chance.map(|chance| interval(chance.lower, chance.upper, chance.level)),
        similar_count: chance.map_or(0.0, |chance| chance.n_eq),
        second_count: chance.map_or(0, |chance| count(chance.n)),
        second_recovered_count: chance.map_or(0, |chance| count(chance.recovered)),
        counted_interval: answer
            .counted
            .map(|counted| interval(counted.lower, counted.upper, counted.level)),
        belief_only: chance.is_some_and(|chance| chance.belief_only),
        worth: economics.map(|of| of.worth),
        cost: economics.map(|of| of.cost),
        break_even_ratio: economics.and_then(|of| of.break_even),
        currency_code: found.currency,
        reasons: answer.reasons,
        would_flip: answer.would_flip.unwrap_or_default(),
        cautions: answer.cautions,
        model_version: answer.model_version,
        cut_off_time: found.cut_off.map(timestamp),
        visit_id: found.visit_id.to_string(),
        text: found.text,
        again_verdict_id: found.again_verdict_id.to_string(),
        answer_time: Some(timestamp(found.answered_at)),
        attempt_id: found.attempt_id.to_string(),
    }
}
