//! `quarantine`: look at refused data, replay or discard it.

use std::fmt::Write as _;

use anyhow::Context as _;
use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};
use serde_json::json;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use uuid::Uuid;

use super::local::Local;
use super::{Context, Done, print};
use crate::edge::encoding::Encoding;
use crate::edge::wire;
use crate::intake::{self, Intake, Raw, Submission};
use crate::query::quarantine::{self as items, Filter, Item, Settlement};

#[derive(Debug, Subcommand)]
pub(super) enum Quarantine {
    /// List refused items, newest first.
    List(Which),
    /// Show one item with its bytes in hexadecimal.
    Show {
        /// Item id.
        item: Uuid,
    },
    /// Send items through intake again, after the cause was mended. Harmless to repeat.
    Replay(Which),
    /// Mark items as worth nothing. Their bytes stay.
    Discard(Which),
}

/// Which items.
#[derive(Debug, Args)]
pub(super) struct Which {
    /// One item.
    item: Option<Uuid>,
    /// Only this device.
    #[arg(long, value_name = "ID")]
    device: Option<Uuid>,
    /// Only this reason, for example `UNIT_SUSPECT`.
    #[arg(long)]
    reason: Option<String>,
    /// Only items that arrived at or after this time (RFC 3339).
    #[arg(long, value_name = "TIME")]
    since: Option<DateTime<Utc>>,
    /// open, replayed or discarded; replay and discard take open items only.
    #[arg(long)]
    state: Option<String>,
    /// Say what would be done, and do nothing.
    #[arg(long)]
    dry_run: bool,
}

pub(super) async fn quarantine(context: &Context, command: Quarantine) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let done = match command {
        Quarantine::List(which) => list(context, &local, which).await,
        Quarantine::Show { item } => show(context, &local, item).await,
        Quarantine::Replay(which) => {
            Box::pin(settle(context, &local, which, Settlement::Replayed)).await
        }
        Quarantine::Discard(which) => {
            Box::pin(settle(context, &local, which, Settlement::Discarded)).await
        }
    };
    local.close().await;
    done
}

fn line(context: &Context, item: &Item) -> anyhow::Result<String> {
    if context.json {
        return Ok(serde_json::to_string(item)?);
    }
    Ok(format!(
        "{}  {}  {:8} {}x {} in {}: {}\n    fix: {}",
        item.quarantine_id,
        item.received_at.format("%Y-%m-%d %H:%M:%SZ"),
        item.state,
        item.times,
        item.reason,
        item.field,
        item.detail,
        item.fix
    ))
}

async fn list(context: &Context, local: &Local, which: Which) -> anyhow::Result<Done> {
    for item in find(local, &which, which.state.clone()).await? {
        print(&line(context, &item)?)?;
    }
    Ok(Done::All)
}

async fn show(context: &Context, local: &Local, id: Uuid) -> anyhow::Result<Done> {
    let (item, raw) = items::get(local.store(), &local.caller, id).await?;
    let hex = raw.iter().fold(String::new(), |mut hex, byte| {
        // Writing to a String cannot fail.
        let _ = write!(hex, "{byte:02x}");
        hex
    });
    if context.json {
        print(&json!({"item": item, "raw_hex": hex}).to_string())?;
    } else {
        let kind = &item.content_type;
        print(&format!(
            "{}\n{} bytes of {kind}:\n{hex}",
            line(context, &item)?,
            raw.len()
        ))?;
    }
    Ok(Done::All)
}

/// The items meant, at most 10,000.
async fn find(local: &Local, which: &Which, state: Option<String>) -> anyhow::Result<Vec<Item>> {
    if let Some(id) = which.item {
        return Ok(vec![items::get(local.store(), &local.caller, id).await?.0]);
    }
    let (mut found, mut token) = (Vec::new(), String::new());
    while found.len() < 10_000 {
        let filter = Filter {
            device: which.device,
            reason: which.reason.clone(),
            state: state.clone(),
            since: which.since,
            ..Filter::default()
        };
        let page = items::list(local.store(), &local.caller, filter, (1000, &token)).await?;
        found.extend(page.rows);
        match page.next {
            Some(next) => token = next,
            None => break,
        }
    }
    Ok(found)
}

async fn settle(
    context: &Context,
    local: &Local,
    which: Which,
    settlement: Settlement,
) -> anyhow::Result<Done> {
    let (tasks, stop) = (TaskTracker::new(), CancellationToken::new());
    let limits = intake::Limits::default();
    let intake = Intake::start(&local.stores.intake, &local.clock, limits, (&tasks, &stop));
    let mut found = find(local, &which, Some("open".into())).await?;
    // Oldest first: the order in which they would have come.
    found.reverse();
    let mut refused = 0;
    for item in &found {
        let result = if which.dry_run {
            "would be done".to_owned()
        } else if settlement == Settlement::Discarded {
            "discarded by the operator".to_owned()
        } else {
            match replay(local, &intake, item).await? {
                Ok(result) => result,
                Err(still) => {
                    refused += 1;
                    print(&format!("{}  refused again: {still}", item.quarantine_id))?;
                    continue;
                }
            }
        };
        if !which.dry_run {
            let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
            items::settle(
                store,
                clock,
                caller,
                item.quarantine_id,
                (settlement, &result),
            )
            .await?;
        }
        if context.json {
            print(&json!({"quarantine_id": item.quarantine_id, "result": result}).to_string())?;
        } else {
            print(&format!("{}  {result}", item.quarantine_id))?;
        }
    }
    stop.cancel();
    tasks.close();
    tasks.wait().await;
    Ok(if refused == 0 {
        Done::All
    } else {
        Done::SomeRefused
    })
}

/// Sends one item through intake; `Err` with the reason when it is refused again.
async fn replay(
    local: &Local,
    intake: &Intake,
    item: &Item,
) -> anyhow::Result<Result<String, String>> {
    let (_, raw) = items::get(local.store(), &local.caller, item.quarantine_id).await?;
    let Some(device) = item.device_id else {
        return Ok(Err("it belongs to no device".into()));
    };
    let encoding = Encoding::of_content_type(&item.content_type);
    let batch = match encoding.unwrap_or(Encoding::Protobuf).decode_batch(&raw) {
        Ok(batch) => batch,
        Err(reject) => return Ok(Err(reject.to_string())),
    };
    let submission = Submission {
        group: local.caller.group,
        device,
        boot: batch.boot_id,
        channel: intake::REPLAY,
        content_type: "",
        raw: Raw::Bytes(raw.into()),
        body: wire::raw_batch(batch),
    };
    let receipt = intake.accept(submission).await.context("replay stopped")?;
    if let Some(reject) = receipt.rejections.first().filter(|_| receipt.refused_whole) {
        return Ok(Err(reject.to_string()));
    }
    let (stored, held) = (receipt.stored, receipt.duplicate);
    Ok(Ok(format!(
        "stored {stored} samples, {held} were held already"
    )))
}
