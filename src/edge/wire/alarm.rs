//! Alarms and routes for the wire.

use chrono::DateTime;
use prost_types::Timestamp;

use super::Word as _;
use crate::edge::pb;
use crate::lane::{Route, View};

fn time(ms: i64) -> Timestamp {
    super::timestamp(DateTime::from_timestamp_millis(ms).unwrap_or_default())
}

/// An alarm as it stands.
#[must_use]
pub fn alarm(view: &View) -> pb::Alarm {
    let life = &view.life;
    let alarm = &life.alarm;
    let count = |value: u32| i32::try_from(value).unwrap_or(i32::MAX);
    let seen = alarm.acknowledged.as_ref();
    let value = alarm.worst.map(|worst| alarm.kind.unit().show(worst));
    let device = life.source.device;
    pb::Alarm {
        alarm_id: life.alarm_id.to_string(),
        device_id: if device.is_nil() {
            String::new()
        } else {
            device.to_string()
        },
        shop_id: life.shop.map(|id| id.to_string()).unwrap_or_default(),
        kind: alarm.kind.to_wire(),
        alarm_class: alarm.kind.class().to_wire(),
        state: alarm.state.to_wire(),
        revision: count(alarm.revision),
        occurrence_count: count(alarm.occurrence),
        value: value.unwrap_or_default(),
        value_time: Some(time(alarm.worst_at_ms)),
        raised_time: Some(time(alarm.raised_at_ms)),
        returned_time: alarm.returned_at_ms.map(time),
        acknowledged_time: seen.map(|seen| time(seen.at_ms)),
        acknowledged_by: seen.map(|seen| seen.by.clone()).unwrap_or_default(),
        shelved_until_time: alarm.shelf.as_ref().map(|shelf| time(shelf.until_ms)),
        line: life.line.clone(),
        what_to_do: alarm.kind.what_to_do().to_owned(),
        told: view.told.clone(),
    }
}

/// A route.
#[must_use]
pub fn route(route: &Route) -> pb::AlarmRoute {
    pb::AlarmRoute {
        route_id: route.route_id.to_string(),
        shop_id: route.shop.to_string(),
        level: route.level.to_wire(),
        name: route.name.clone(),
        hours: route.hours.to_wire(),
        url: route.url.clone(),
    }
}

/// Where a reader goes on: which run of the service, and which change of it was read last.
#[must_use]
pub fn resume_token((run, seq): (u64, u64)) -> String {
    format!("{run:x}-{seq:x}")
}
