//! How long charges took, for the wire.

use super::fair::{count, interval};
use crate::edge::pb;
use crate::model::durations::{ByHour, Row, Share};
use crate::model::interval::Interval;
use crate::query::times::Times;

/// Times for the wire.
#[must_use]
pub fn times(found: &Times) -> pb::QueryChargeTimesResponse {
    let times = &found.times;
    pb::QueryChargeTimesResponse {
        all: Some(row(&times.all)),
        bands: times.bands.iter().map(row).collect(),
        chance_fifths: times.fifths.iter().map(row).collect(),
        awaited_count: count(found.awaited),
        without_hours_count: count(found.without_hours),
        newest_only_count: count(found.newest_only.unwrap_or(0)),
        text: found.text.clone(),
    }
}

fn row(of: &Row) -> pb::ChargeTimesRow {
    let [recovered, failed, heat] = of.ended;
    pb::ChargeTimesRow {
        label: of.label.clone(),
        count: count(of.n),
        recovered_count: count(recovered),
        failed_count: count(failed),
        heat_abort_count: count(heat),
        censored_count: count(of.censored),
        support: of.support.to_string(),
        median_recovered_hours: of.median_recovered_hours,
        median_ended_hours: of.median_ended_hours,
        by_hour: of.by_hour.iter().map(by_hour).collect(),
    }
}

fn by_hour(of: &ByHour) -> pb::ChargesByHour {
    let [recovered, failed, heat] = of.ended;
    pb::ChargesByHour {
        elapsed_hours: of.hours,
        running_count: count(of.at_risk),
        running: Some(share(of.running)),
        recovered: Some(share(recovered)),
        failed: Some(share(failed)),
        heat_abort: Some(share(heat)),
        later_known_count: count(of.later.known),
        later_recovered_count: count(of.later.recovered),
        later_recovered_interval: of.later.interval.map(range),
    }
}

fn share(of: Share) -> pb::ShareOfCharges {
    pb::ShareOfCharges {
        share_ratio: of.share,
        interval: Some(range(of.interval)),
    }
}

fn range(of: Interval) -> pb::Interval {
    interval((of.lower, of.upper), of.level)
}
