//! A start: what is open is read back, the journal is gone through again, active alarms are told again,
//! after what is new.

use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::acts::Asked;
use super::engine::Engine;
use super::keeper::Keeper;
use crate::alarm::condition::Source;
use crate::alarm::journal::{Record, Step};
use crate::store::alarms::{self, Life};
use crate::store::notifications::{self, Notification};
use crate::store::{self, Store, directory};
use crate::telemetry;

/// How far back closed alarms are read, so that a batch sent again raises none of them anew.
const CLOSED_HOURS: i64 = 24;
/// How often routes are looked up before what waits is left for the next start.
const LOOK_UPS_MAX: u32 = 20;
/// How long the database is left alone after a failure.
const REST: Duration = Duration::from_millis(500);

/// Takes up what was left, then leads and keeps until `stop`.
pub(super) async fn run(
    (mut engine, acts): (Engine, mpsc::Receiver<Asked>),
    keeper: Keeper,
    stop: CancellationToken,
) {
    let began = Instant::now();
    let found = match keeper.journal.read() {
        Ok(found) => found,
        Err(error) => {
            tracing::error!(%error, "the alarm journal cannot be read");
            crate::alarm::journal::Recovered::default()
        }
    };
    if found.skipped_bytes > 0 {
        let bytes = found.skipped_bytes;
        tracing::error!(
            bytes,
            "a part of the alarm journal is damaged: look at the disk"
        );
    }
    let since = since(&found.records, engine.clock.now());
    let restored = loop {
        match read(&engine.store, since).await {
            Ok(restored) => break restored,
            Err(error) => {
                let error = telemetry::chain(&error);
                tracing::warn!(error, "open alarms cannot be read yet");
            }
        }
        tokio::select! {
            () = tokio::time::sleep(REST) => {}
            () = stop.cancelled() => return,
        }
    };
    let groups: Vec<Uuid> = restored.iter().map(|group| group.0).collect();
    let mut mail: Vec<(Uuid, Notification)> = Vec::new();
    for (group, lives, notes) in restored {
        for life in lives {
            engine.restore(life);
        }
        mail.extend(notes.into_iter().map(|note| (group, note)));
    }
    let mut sources: Vec<Source> = engine.open_keys().iter().map(|key| key.0).collect();
    sources.extend(found.records.iter().map(|record| record.source));
    sources.extend(groups.iter().map(|group| Source {
        group: *group,
        device: Uuid::nil(),
    }));
    sources.sort_unstable();
    sources.dedup();
    // What waits goes to routes: a slow answer must not look like a route that was taken out.
    for _ in 0..LOOK_UPS_MAX {
        engine.warm(&sources).await;
        if groups.iter().all(|group| engine.knows_routes(*group)) {
            break;
        }
        tokio::select! {
            () = tokio::time::sleep(REST) => {}
            () = stop.cancelled() => return,
        }
    }
    for (group, row) in mail {
        engine.send_again(group, row);
    }
    replay(&mut engine, &found.records);
    for key in engine.open_keys() {
        engine.reraise(key);
    }
    engine.post.go_live();
    let (open, took) = (engine.open_keys().len(), began.elapsed());
    tracing::info!(open, ?took, "alarms are led again");
    let leading = Box::pin(engine.run(acts, stop.clone()));
    let keeping = Box::pin(keeper.run(stop));
    tokio::join!(leading, keeping);
}

/// From when closed alarms matter: a day back, and before everything in the journal.
fn since(records: &[Record], now: DateTime<Utc>) -> DateTime<Utc> {
    let oldest = records.iter().filter_map(|record| match &record.step {
        Step::Condition(condition) => DateTime::from_timestamp_millis(condition.at_ms),
        _ => None,
    });
    let oldest = oldest.min().unwrap_or(now).min(now);
    oldest - TimeDelta::hours(CLOSED_HOURS)
}

/// Goes through the journal again. What the database holds already changes nothing.
fn replay(engine: &mut Engine, records: &[Record]) {
    for record in records {
        let source = record.source;
        match &record.step {
            Step::Condition(condition) => {
                let raised = Step::Condition(*condition);
                tracing::debug!(?raised, "from the alarm journal");
                engine.take(source, condition, None);
            }
            // Refused where the database holds it already.
            Step::Acknowledge(kind, seen) => {
                drop(engine.act_on_key((source, *kind), |kind, alarm| {
                    let change = alarm.acknowledge(&seen.by, seen.at_ms)?;
                    Ok((change, Step::Acknowledge(kind, seen.clone())))
                }));
            }
            Step::Shelve(kind, shelf) => drop(engine.act_on_key((source, *kind), |kind, alarm| {
                let change = alarm.shelve(shelf.clone())?;
                Ok((change, Step::Shelve(kind, shelf.clone())))
            })),
        }
    }
}

type Restored = Vec<(Uuid, Vec<Life>, Vec<Notification>)>;

async fn read(store: &Store, since: DateTime<Utc>) -> Result<Restored, store::Error> {
    let mut restored = Vec::new();
    let mut after = Uuid::nil();
    loop {
        let mut tx = store.begin_directory().await?;
        let groups = directory::list_group_ids(&mut tx, after).await?;
        tx.rollback().await?;
        let Some(last) = groups.last() else {
            return Ok(restored);
        };
        after = *last;
        for group in groups {
            let mut tx = store.begin(group).await?;
            let lives = alarms::restore(&mut tx, group, since).await?;
            let notes = notifications::waiting(&mut tx, group).await?;
            tx.rollback().await?;
            if !lives.is_empty() || !notes.is_empty() {
                restored.push((group, lives, notes));
            }
        }
    }
}
