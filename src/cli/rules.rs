//! `rules`: the thresholds of the analysis of charges, and changing them.

use std::fmt::Write as _;

use clap::{Args, Subcommand};

use super::local::Local;
use super::{Context, Done, print};
use crate::analysis::rules::RULES_VERSION;
use crate::query::rules::{self, NewRule, RuleInForce, RuleScope};

/// List the thresholds by which charges are analyzed, or change one for a shop or a battery label.
///
/// Each with its unit, where its default comes from, and what a change does. `measured` defaults were measured
/// on charges; the others are published or our choice. Published limits can be made stricter only.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt rules
  restvolt rules --shop Kelder stop_60_c
  restvolt rules --shop Kelder set case_stop_vrla_c 42 --reason \"warm cellar\"
  restvolt rules --shop Kelder reset case_stop_vrla_c --reason \"fan fitted\"")]
pub(super) struct Arguments {
    /// As in this shop; the whole group otherwise.
    #[arg(long, value_name = "NAME")]
    shop: Option<String>,
    /// As for batteries of this label.
    #[arg(long, value_name = "LABEL")]
    label: Option<String>,
    /// Only thresholds whose name begins so.
    #[arg(value_name = "KEY")]
    key: Option<String>,
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Change a threshold. Running charges take it with their next samples.
    Set {
        /// Name of the threshold.
        key: String,
        /// New value in its unit.
        #[arg(allow_negative_numbers = true)]
        value: f64,
        /// Why; whoever reads a report sees it.
        #[arg(long)]
        reason: String,
    },
    /// Put a threshold back to its default.
    Reset {
        /// Name of the threshold.
        key: String,
        /// Why.
        #[arg(long)]
        reason: String,
    },
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let shop_id = local.shop_named(arguments.shop.as_deref()).await?;
        let scope = RuleScope {
            shop_id,
            battery_label: arguments.label.clone(),
        };
        let (key, value, reason) = match arguments.act {
            None => return list(context, &local, &scope, arguments.key.as_deref()).await,
            Some(Act::Set { key, value, reason }) => (key, Some(value), reason),
            Some(Act::Reset { key, reason }) => (key, None, reason),
        };
        let new = NewRule {
            scope: scope.clone(),
            key: key.clone(),
            value,
            reason,
        };
        rules::set(local.store(), &local.clock, &local.caller, new).await?;
        list(context, &local, &scope, Some(&key)).await
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}

async fn list(
    context: &Context,
    local: &Local,
    scope: &RuleScope,
    head: Option<&str>,
) -> anyhow::Result<()> {
    let mut found = rules::list(local.store(), &local.caller, scope).await?;
    found.retain(|rule| head.is_none_or(|head| rule.row.key.starts_with(head)));
    if let (Some(head), true) = (head, found.is_empty()) {
        anyhow::bail!("no rule begins with `{head}`: `restvolt rules` lists them all");
    }
    if context.json {
        for rule in &found {
            print(&serde_json::to_string(rule)?)?;
        }
        return Ok(());
    }
    print(&text(&found))
}

fn text(found: &[RuleInForce]) -> String {
    let mut out = format!("Rules {RULES_VERSION}\n");
    for rule in found {
        let row = &rule.row;
        let basis = match (rule.measured, row.is_limit()) {
            (true, _) => "measured",
            (false, true) => "published limit, stricter only",
            (false, false) => "not measured",
        };
        // Writing to a String cannot fail.
        let _ = writeln!(
            out,
            "{:<28}{} {}  ({} to {}; {basis}; {})\n{:28}{}",
            row.key, rule.in_force, row.unit, row.min, row.max, row.source, "", row.effect
        );
        if let Some(change) = &rule.change {
            let _ = writeln!(
                out,
                "{:28}changed from {} {} by {} on {}: {}",
                "",
                row.value,
                row.unit,
                change.set_by,
                change.set_at.format("%Y-%m-%d"),
                change.reason
            );
        }
    }
    out
}
