//! How good the answers were, for the wire.

use super::fair::{basis, count, interval};
use super::timestamp;
use crate::edge::pb;
use crate::model::quality::{Month, Stream};
use crate::model::reliability::Bin;
use crate::model::scores::Scores;
use crate::query::quality::{Audits, LIMITS, Scored};

/// Level of the bars of the bins.
const LEVEL: f64 = 0.9;

/// Scores, drift and audits for the wire.
#[must_use]
pub fn quality(found: &Scored) -> pb::GetModelQualityResponse {
    let quality = &found.quality;
    pb::GetModelQualityResponse {
        answers: quality.answers.as_ref().map(scores),
        band_table: quality.band_table.as_ref().map(scores),
        base_rate: quality.base_rate.as_ref().map(scores),
        calibration_error_ratio: quality.calibration_error,
        bins: quality.bins.iter().map(bin).collect(),
        months: quality.months.iter().map(month).collect(),
        streams: quality.streams.iter().map(stream).collect(),
        reserves: found.reserves.iter().map(ToString::to_string).collect(),
        audits: Some(audits(&found.audits)),
        answer_count: count(found.thin.0),
        belief_only_count: count(found.thin.1),
        known_limits: LIMITS.iter().map(|text| (*text).to_owned()).collect(),
        basis: Some(basis(&found.basis)),
        miscalibration_score: quality.parts.map(|parts| parts.reliability),
        resolution_score: quality.parts.map(|parts| parts.resolution),
        uncertainty_score: quality.parts.map(|parts| parts.uncertainty),
        second_nights: quality.second_nights.as_ref().map(scores),
        ran_on: quality.ran_on.map(|of| pb::RanOn {
            count: count(of.n),
            recovered_count: count(of.recovered),
            told_ratio: of.told,
            interval: of
                .interval
                .map(|of| interval((of.lower, of.upper), of.level)),
        }),
    }
}

fn scores(of: &Scores) -> pb::ForecastScores {
    pb::ForecastScores {
        count: count(of.count),
        brier_score: of.brier,
        log_score: of.log_score,
        skill_ratio: of.skill,
        discrimination_ratio: of.auc,
        calibration_slope_ratio: of.calibration.map(|of| of.slope),
        calibration_level_score: of.calibration.map(|of| of.in_the_large),
        spiegelhalter_score: of.spiegelhalter_z,
        brier_standard_error_score: of.brier_standard_error,
        calibration_slope_standard_error_ratio: of.calibration.map(|of| of.slope_standard_error),
    }
}

fn bin(of: &Bin) -> pb::ReliabilityBin {
    pb::ReliabilityBin {
        count: count(of.count),
        recovered_count: count(of.recovered),
        mean_chance_ratio: of.mean_chance,
        rate_ratio: of.rate,
        interval: Some(interval((of.interval.lower, of.interval.upper), LEVEL)),
        smoothed_rate_ratio: of.smoothed,
    }
}

fn month(of: &Month) -> pb::QualityMonth {
    pb::QualityMonth {
        month: of.month.clone(),
        count: count(of.n),
        answers_brier_score: of.answers,
        band_table_brier_score: of.band_table,
        base_rate_brier_score: of.base_rate,
    }
}

/// One watched stream for the wire.
#[must_use]
pub fn stream(of: &Stream) -> pb::DriftStream {
    let seen = of.acknowledged.as_ref();
    pb::DriftStream {
        name: of.name.clone(),
        count: count(of.n),
        better_score: of.sums.better,
        worse_score: of.sums.worse,
        alarm: of
            .alarm
            .map(|(alarm, _)| alarm.to_string())
            .unwrap_or_default(),
        alarm_time: of.alarm.map(|(_, since)| timestamp(since)),
        acknowledged_by: seen.map(|seen| seen.by.clone()).unwrap_or_default(),
        acknowledged_reason: seen.map(|seen| seen.reason.clone()).unwrap_or_default(),
        acknowledged_time: seen.map(|seen| timestamp(seen.at)),
    }
}

fn audits(of: &Audits) -> pb::AuditValue {
    let value = of.value;
    pb::AuditValue {
        decision_count: count(of.decisions),
        audit_count: count(of.audits),
        recovered_count: count(of.recovered),
        gained_worth: value.map(|value| value.gain.total),
        mean_gained_worth: value.map(|value| value.gain.per_attempt),
        mean_standard_error_worth: value.and_then(|value| value.gain.standard_error),
        capped_count: value.map_or(0, |value| count(value.capped)),
        blind_count: value.map_or(0, |value| count(value.blind)),
    }
}
