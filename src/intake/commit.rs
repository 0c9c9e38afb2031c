//! The transaction: lock the receipts, take what is new, move the sessions, keep what was refused.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::boot::{Boot, Counts, Stored};
use super::{Error as Refusal, Job, Limits, Receipt};
use crate::clock::Clock;
use crate::record::batch::{self, Batch, Event};
use crate::record::ranges::Ranges;
use crate::record::session::SessionLimits;
use crate::record::watermark::Watermark;
use crate::record::words::DeviceKind;
use crate::reject::{Code, Reject};
use crate::store::quarantine::NewItem;
use crate::store::receipts::{self, BootKey};
use crate::store::registry::Device;
use crate::store::segments::Segment;
use crate::store::work::Kind;
use crate::store::{self, Error, Store, Tx};

/// A batch on its way through the transaction.
struct Item<'a> {
    job: &'a Job,
    key: BootKey,
    parsed: Result<Batch, Reject>,
    counts: Counts,
}

impl Item<'_> {
    fn first_refusal(&self) -> Option<&Reject> {
        match &self.parsed {
            Err(reject) => Some(reject),
            Ok(batch) => batch.refused.first(),
        }
    }
}

/// Commits one turn and returns one receipt per job, in order.
pub(super) async fn commit(
    store: &Store,
    clock: &Clock,
    group: Uuid,
    turn: &[Job],
    limits: Limits,
) -> Result<Vec<Result<Receipt, Refusal>>, Error> {
    let mut tx = store.begin(group).await?;
    let mut devices: Vec<Uuid> = turn.iter().map(|job| job.submission.device).collect();
    devices.sort_unstable();
    devices.dedup();
    let devices = store::registry::find_devices(&mut tx, group, &devices).await?;
    let devices: HashMap<Uuid, Device> = devices
        .into_iter()
        .map(|device| (device.device_id, device))
        .collect();
    let mut items: Vec<Item<'_>> = turn.iter().map(|job| parse(job, &devices)).collect();
    let mut boots = lock_boots(&mut tx, group, &items, &devices).await?;
    let untouched = held_beside(&mut tx, group, &items, &boots).await?;
    for item in &mut items {
        apply(&mut tx, group, item, &mut boots).await?;
    }
    store_events(&mut tx, group, &mut items).await?;
    write(&mut tx, (group, &devices), &mut boots, clock.now()).await?;
    let full = quarantine(&mut tx, group, &items, limits).await?;
    tx.commit().await?;
    let now = clock.now();
    let answer = |item: Item<'_>| {
        // A partly kept batch is answered: what was kept must be told.
        if full && item.parsed.is_err() {
            return Err(Refusal::QuarantineFull);
        }
        Ok(receipt(item, (&boots, &untouched), now))
    };
    Ok(items.into_iter().map(answer).collect())
}

fn parse<'a>(job: &'a Job, devices: &HashMap<Uuid, Device>) -> Item<'a> {
    let key = BootKey {
        device: job.submission.device,
        boot: job.submission.boot,
    };
    let parsed = match (&job.submission.body, devices.get(&key.device)) {
        (Err(reject), _) => Err(reject.clone()),
        (Ok(_), None) => {
            let detail = format!("{} is not registered in this group", key.device);
            Err(Reject::new(Code::UnknownDevice, "device_id", detail))
        }
        (Ok(raw), Some(device)) => batch::parse(raw, device.sender(), job.received_at),
    };
    Item {
        job,
        key,
        parsed,
        counts: Counts::default(),
    }
}

/// Locks the receipts of every boot with a readable batch, in key order, and loads what care needs.
async fn lock_boots(
    tx: &mut Tx,
    group: Uuid,
    items: &[Item<'_>],
    devices: &HashMap<Uuid, Device>,
) -> Result<BTreeMap<BootKey, Boot>, Error> {
    let mut batches: BTreeMap<BootKey, (DateTime<Utc>, Vec<&Batch>)> = BTreeMap::new();
    for item in items {
        if let Ok(batch) = &item.parsed {
            let entry = batches.entry(item.key);
            entry
                .or_insert((item.job.received_at, Vec::new()))
                .1
                .push(batch);
        }
    }
    if batches.is_empty() {
        return Ok(BTreeMap::new());
    }
    let fresh: Vec<receipts::Receipt> = batches
        .iter()
        .map(|(key, (at, _))| receipts::Receipt::fresh(*key, *at))
        .collect();
    let mut boots = BTreeMap::new();
    for receipt in receipts::lock(tx, group, &fresh).await? {
        let key = receipt.key;
        let kind = devices
            .get(&key.device)
            .map_or(DeviceKind::Charger, |device| device.kind);
        let session_limits = SessionLimits::of(kind);
        let batches = batches
            .get(&key)
            .map_or(&[][..], |entry| entry.1.as_slice());
        let stored = if Boot::needs_care(&receipt, batches, session_limits) {
            let spans = store::segments::spans(tx, group, key).await?;
            Some(Stored {
                spans,
                ends: store::events::ends(tx, group, key).await?,
            })
        } else {
            None
        };
        boots.insert(key, Boot::new(receipt, session_limits, stored));
    }
    Ok(boots)
}

/// What is held of boots of which nothing readable came: their receipts must tell it all the same.
async fn held_beside(
    tx: &mut Tx,
    group: Uuid,
    items: &[Item<'_>],
    boots: &BTreeMap<BootKey, Boot>,
) -> Result<HashMap<BootKey, receipts::Receipt>, Error> {
    let mut found = HashMap::new();
    for item in items {
        if boots.contains_key(&item.key) || found.contains_key(&item.key) {
            continue;
        }
        if let Some(receipt) = receipts::find(tx, group, item.key).await? {
            found.insert(item.key, receipt);
        }
    }
    Ok(found)
}

async fn apply(
    tx: &mut Tx,
    group: Uuid,
    item: &mut Item<'_>,
    boots: &mut BTreeMap<BootKey, Boot>,
) -> Result<(), Error> {
    let (Ok(batch), Some(boot)) = (&mut item.parsed, boots.get_mut(&item.key)) else {
        return Ok(());
    };
    if batch.weak && is_repeated(tx, group, item.key, batch, boot).await? {
        item.counts = Counts {
            duplicate: batch.samples.count(),
            ..Counts::default()
        };
        return Ok(());
    }
    let samples = &batch.samples;
    let (from, to) = (samples.first_seq, samples.last_seq());
    let touches = !samples.is_empty() && !batch.weak && boot.receipt.held.count_in(from, to) > 0;
    let held: Vec<Segment> = if touches {
        store::segments::overlapping(tx, group, item.key, (from, to)).await?
    } else {
        Vec::new()
    };
    match boot.apply(batch, &held, item.job.received_at) {
        Ok(counts) => item.counts = counts,
        Err(reject) => item.parsed = Err(reject),
    }
    Ok(())
}

/// A batch without numbers is known by its content alone.
async fn is_repeated(
    tx: &mut Tx,
    group: Uuid,
    key: BootKey,
    batch: &Batch,
    boot: &Boot,
) -> Result<bool, Error> {
    if batch.samples.is_empty() {
        return Ok(false);
    }
    let digest = batch.samples.content_digest();
    let fresh = boot.fresh.iter().any(|segment| segment.digest == digest);
    Ok(fresh || store::segments::has_digest(tx, group, key, &digest).await?)
}

/// Stores events; one that is held with other content is refused alone.
async fn store_events(tx: &mut Tx, group: Uuid, items: &mut [Item<'_>]) -> Result<(), Error> {
    for item in items {
        let Ok(batch) = &mut item.parsed else {
            continue;
        };
        if batch.events.is_empty() {
            continue;
        }
        let at = item.job.received_at;
        let conflicts = store::events::insert(tx, group, item.key, &batch.events, at).await?;
        for Event { event_seq, .. } in conflicts {
            let detail = format!("event {event_seq} is held with other content");
            batch.refused_count += 1;
            batch
                .refused
                .push(Reject::new(Code::SeqConflict, "events.event_seq", detail));
        }
    }
    Ok(())
}

/// Writes segments, sessions and receipts of every boot.
async fn write(
    tx: &mut Tx,
    (group, devices): (Uuid, &HashMap<Uuid, Device>),
    boots: &mut BTreeMap<BootKey, Boot>,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    let mut segments = Vec::new();
    let (mut extended, mut drafts, mut looks) = (Vec::new(), Vec::new(), Vec::new());
    for (key, boot) in boots.iter_mut() {
        while let Some(end) = boot.stored_to_cut() {
            for segment in store::segments::overlapping(tx, group, *key, (end, end)).await? {
                store::segments::delete(tx, group, *key, &[segment.samples.first_seq]).await?;
                let parts = boot.cut_stored(&segment, now);
                store::segments::insert(tx, group, &parts).await?;
            }
        }
        if boot.recuts() {
            let known = store::sessions::of_boot(tx, group, *key).await?;
            let moves = boot.moves(group, &known, now);
            store::sessions::absorb(tx, group, &moves.absorbed).await?;
            drafts.extend(moves.drafts);
            looks.extend(moves.looks);
        } else {
            extended.extend(boot.extended());
        }
        segments.append(&mut boot.take_fresh());
    }
    if !segments.is_empty() {
        store::segments::insert(tx, group, &segments).await?;
    }
    if !drafts.is_empty() {
        store::sessions::save(tx, group, &drafts).await?;
    }
    if !looks.is_empty() {
        let (sessions, at): (Vec<Uuid>, Vec<DateTime<Utc>>) = looks.into_iter().unzip();
        store::work::schedule(tx, Kind::CloseSession, group, &sessions, &at).await?;
    }
    let watched: Vec<Uuid> = drafts
        .iter()
        .filter(|draft| {
            let device = devices.get(&draft.key.device);
            device.is_some_and(|device| device.kind == DeviceKind::Charger)
        })
        .map(|draft| draft.id)
        .collect();
    if !watched.is_empty() {
        let at = vec![now; watched.len()];
        store::work::schedule(tx, Kind::WatchRun, group, &watched, &at).await?;
    }
    if !extended.is_empty() {
        store::sessions::extend(tx, group, &extended, now).await?;
    }
    let rows: Vec<receipts::Receipt> = boots.values().map(|boot| boot.receipt.clone()).collect();
    if !rows.is_empty() {
        receipts::update(tx, group, &rows).await?;
    }
    Ok(())
}

/// Keeps refused bytes with their first reason. True when the group's quarantine is full: then
/// wholly refused batches are not kept and must not be acknowledged.
async fn quarantine(
    tx: &mut Tx,
    group: Uuid,
    items: &[Item<'_>],
    limits: Limits,
) -> Result<bool, Error> {
    if items.iter().all(|item| item.first_refusal().is_none()) {
        return Ok(false);
    }
    let most = limits.quarantine_rows;
    if store::quarantine::count_open(tx, group, most).await? >= most {
        tracing::error!(%group, rows = most, "quarantine is full: replay or discard items");
        return Ok(true);
    }
    for item in items {
        let Some(reject) = item.first_refusal() else {
            continue;
        };
        let submission = &item.job.submission;
        // Replayed bytes stand in quarantine already.
        if submission.channel == super::REPLAY {
            continue;
        }
        let new = NewItem {
            device: Some(item.key.device),
            channel: submission.channel,
            content_type: submission.content_type,
            reject,
            raw: &submission.bytes(),
        };
        store::quarantine::insert(tx, group, &new, item.job.received_at).await?;
    }
    Ok(false)
}

fn receipt(
    item: Item<'_>,
    (boots, untouched): (
        &BTreeMap<BootKey, Boot>,
        &HashMap<BootKey, receipts::Receipt>,
    ),
    now: DateTime<Utc>,
) -> Receipt {
    let sent = match &item.job.submission.body {
        Ok(raw) => i64::try_from(raw.step_ms.len()).unwrap_or(i64::MAX),
        Err(_) => 0,
    };
    let held = boots.get(&item.key).map(|boot| &boot.receipt);
    let held = held.or_else(|| untouched.get(&item.key));
    let key = (item.key.device, item.key.boot);
    let watermark = match held {
        Some(held) => Watermark::of(key, &held.held, held.oldest_held_seq, now),
        None => Watermark::of(key, &Ranges::default(), 0, now),
    };
    let (first_seq, quarantined, refused_whole, rejections) = match item.parsed {
        Ok(batch) => (
            item.counts.first_seq,
            batch.refused_count,
            false,
            batch.refused,
        ),
        Err(reject) => (0, sent, true, vec![reject]),
    };
    Receipt {
        first_seq,
        received: sent,
        stored: item.counts.stored,
        duplicate: item.counts.duplicate,
        quarantined,
        refused_whole,
        rejections,
        watermark,
    }
}
