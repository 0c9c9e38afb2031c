//! One route and what waits to go its way: news first, then what is told again after a start.

use std::collections::{HashMap, VecDeque};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use serde::Serialize;
use uuid::Uuid;

use crate::alarm::flood::{Flood, Message};
use crate::alarm::kind::Class;
use crate::alarm::text::Notice;
use crate::store::alarm_routes::Route;
use crate::store::notifications::{Delivery, Notification};

/// Alarms in one message, at most.
const BUNDLE_MAX: usize = 200;

/// One alarm for one recipient.
#[derive(Debug, Clone)]
pub(super) struct Parcel {
    pub(super) group: Uuid,
    pub(super) route: Arc<Route>,
    pub(super) row: Notification,
    pub(super) class: Class,
    pub(super) line: String,
    /// Older news of the same alarm that this one takes the place of.
    pub(super) replaces: Vec<Notification>,
    /// From before the start of the service.
    pub(super) retold: bool,
}

/// What a receiver gets of one alarm.
#[derive(Serialize)]
struct Letter<'a> {
    notification_id: Uuid,
    alarm_id: Uuid,
    device_id: Uuid,
    #[serde(flatten)]
    notice: &'a Notice,
}

impl Parcel {
    pub(super) fn new(
        (group, route): (Uuid, &Arc<Route>),
        (notification_id, alarm_id, device_id): (Uuid, Uuid, Uuid),
        mut notice: Notice,
        at: DateTime<Utc>,
    ) -> Self {
        // Told once a message.
        notice.standing.clear();
        let letter = Letter {
            notification_id,
            alarm_id,
            device_id,
            notice: &notice,
        };
        let channel = if route.url.is_empty() {
            "person"
        } else {
            "webhook"
        };
        let row = Notification {
            notification_id,
            alarm_id,
            revision: notice.revision,
            route_id: route.route_id,
            channel: channel.to_owned(),
            recipient: route.name.clone(),
            state: Delivery::Waiting,
            attempts: 0,
            next_at: None,
            last_error: None,
            notice: serde_json::to_value(&letter).unwrap_or_default(),
            created_at: at,
        };
        Self {
            group,
            route: Arc::clone(route),
            row,
            class: notice.class,
            line: notice.line,
            replaces: Vec::new(),
            retold: false,
        }
    }

    /// One that waited when the service stopped.
    pub(super) fn again(group: Uuid, route: Arc<Route>, row: Notification) -> Self {
        let text = |field: &str| {
            let text = row.notice.get(field).and_then(serde_json::Value::as_str);
            text.unwrap_or_default().to_owned()
        };
        Self {
            group,
            route,
            class: Class::find(&text("class")).unwrap_or(Class::High),
            line: text("line"),
            row,
            replaces: Vec::new(),
            retold: false,
        }
    }
}

impl PartialEq for Parcel {
    /// Of the same alarm.
    fn eq(&self, other: &Self) -> bool {
        self.row.alarm_id == other.row.alarm_id
    }
}

/// Alarms that go together.
pub(super) struct Bundle {
    pub(super) parcels: Vec<Parcel>,
    /// Told again after a start: news go first.
    pub(super) retold: bool,
    pub(super) attempts: u32,
    pub(super) next_ms: i64,
    pub(super) since: DateTime<Utc>,
}

/// One route.
pub(super) struct Line {
    pub(super) route: Arc<Route>,
    pub(super) flood: Flood<Parcel>,
    /// News that wait in the flood, by alarm.
    pub(super) flooded: HashMap<Uuid, Notification>,
    pub(super) waiting: VecDeque<Bundle>,
    pub(super) busy: bool,
}

impl Line {
    pub(super) fn new(route: Arc<Route>) -> Self {
        Self {
            route,
            flood: Flood::default(),
            flooded: HashMap::new(),
            waiting: VecDeque::new(),
            busy: false,
        }
    }

    pub(super) fn send(&mut self, message: Message<Parcel>, now: DateTime<Utc>) {
        match message {
            Message::One(item) => self.push(vec![item.alarm], now),
            Message::Many(items) => {
                self.flooded.clear();
                self.push(items.into_iter().map(|item| item.alarm).collect(), now);
            }
        }
    }

    /// Adds to what was not tried yet, or begins anew.
    pub(super) fn push(&mut self, parcels: Vec<Parcel>, now: DateTime<Utc>) {
        for mut parcel in parcels {
            if !parcel.retold {
                self.overtake(&mut parcel);
            }
            let (since, retold) = (parcel.row.created_at, parcel.retold);
            let room = self.waiting.iter_mut().rev().find(|bundle| {
                bundle.retold == retold && bundle.attempts == 0 && bundle.parcels.len() < BUNDLE_MAX
            });
            match room {
                Some(bundle) => bundle.parcels.push(parcel),
                None => self.waiting.push_back(Bundle {
                    parcels: vec![parcel],
                    retold,
                    attempts: 0,
                    next_ms: now.timestamp_millis(),
                    since,
                }),
            }
        }
    }

    /// News go before what is told again: what waits there of the same alarm is older than they are, and is told
    /// with them.
    fn overtake(&mut self, news: &mut Parcel) {
        let alarm = news.row.alarm_id;
        for bundle in self.waiting.iter_mut().filter(|bundle| bundle.retold) {
            let same = |parcel: &mut Parcel| parcel.row.alarm_id == alarm;
            for older in bundle.parcels.extract_if(.., same) {
                news.replaces.extend(older.replaces);
                news.replaces.push(older.row);
            }
        }
        self.waiting.retain(|bundle| !bundle.parcels.is_empty());
    }

    /// What goes next: news before what is told again.
    pub(super) fn due(&mut self, now_ms: i64) -> Option<Bundle> {
        let due = |retold: bool| {
            let fits = |bundle: &Bundle| bundle.retold == retold && bundle.next_ms <= now_ms;
            self.waiting.iter().position(fits)
        };
        let index = due(false).or_else(|| due(true))?;
        self.waiting.remove(index)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::alarm::escalation::{Hours, Level};

    fn at(ms: i64) -> DateTime<Utc> {
        DateTime::from_timestamp_millis(1_790_000_000_000 + ms).unwrap()
    }

    fn parcel(alarm: u128, revision: u32, retold: bool) -> Parcel {
        let route = Arc::new(Route {
            route_id: Uuid::from_u128(1),
            shop: Uuid::from_u128(2),
            level: Level::Bench,
            name: "page".into(),
            hours: Hours::Always,
            url: "https://hooks.example/".into(),
            salt: [0; 16],
        });
        let row = Notification {
            notification_id: Uuid::from_u128(alarm << 8 | u128::from(revision)),
            alarm_id: Uuid::from_u128(alarm),
            revision,
            route_id: route.route_id,
            channel: "webhook".into(),
            recipient: "page".into(),
            state: Delivery::Waiting,
            attempts: 0,
            next_at: None,
            last_error: None,
            notice: serde_json::Value::Null,
            created_at: at(0),
        };
        let mut parcel = Parcel::again(Uuid::from_u128(3), route, row);
        parcel.retold = retold;
        parcel
    }

    fn line(parcels: Vec<Parcel>) -> Line {
        let mut line = Line::new(Arc::clone(&parcels[0].route));
        line.push(parcels, at(0));
        line
    }

    /// Alarm and revision of what goes next.
    fn next(line: &mut Line) -> Vec<(u128, u32)> {
        let bundle = line.due(at(10).timestamp_millis());
        let parcels = bundle.map(|bundle| bundle.parcels).unwrap_or_default();
        let told = parcels
            .iter()
            .map(|one| (one.row.alarm_id.as_u128(), one.row.revision));
        told.collect()
    }

    #[test]
    fn news_go_before_what_is_told_again_whatever_waits() {
        let many = (1..=3 * BUNDLE_MAX as u128).map(|alarm| parcel(alarm, 2, true));
        let mut line = line(many.collect());
        line.push(vec![parcel(9_001, 1, false)], at(1));
        line.push(vec![parcel(9_002, 1, false)], at(2));
        assert_eq!(next(&mut line), [(9_001, 1), (9_002, 1)]);
        let again: Vec<_> = (0..4).map(|_| next(&mut line).len()).collect();
        assert_eq!(again, [BUNDLE_MAX, BUNDLE_MAX, BUNDLE_MAX, 0]);
    }

    #[test]
    fn news_of_an_alarm_take_the_place_of_what_was_to_be_told_of_it_again() {
        let mut line = line(vec![parcel(1, 2, true), parcel(2, 2, true)]);
        line.push(vec![parcel(1, 3, false)], at(1));
        let first = line.due(at(1).timestamp_millis()).unwrap();
        let [news] = &first.parcels[..] else {
            panic!("one piece of news")
        };
        assert_eq!((news.row.revision, news.replaces.len()), (3, 1));
        assert_eq!(news.replaces[0].revision, 2, "kept with the news as told");
        assert_eq!(next(&mut line), [(2, 2)]);
        assert_eq!(next(&mut line), []);
    }

    #[test]
    fn what_was_tried_is_not_added_to_and_waits_for_its_time() {
        let mut line = line(vec![parcel(1, 1, false)]);
        let mut tried = line.due(at(0).timestamp_millis()).unwrap();
        (tried.attempts, tried.next_ms) = (1, at(1_000).timestamp_millis());
        line.waiting.push_back(tried);
        line.push(vec![parcel(2, 1, false)], at(10));
        assert_eq!(
            line.due(at(10).timestamp_millis()).unwrap().parcels.len(),
            1
        );
        assert!(line.due(at(999).timestamp_millis()).is_none());
        assert!(line.due(at(1_000).timestamp_millis()).is_some());
    }
}
