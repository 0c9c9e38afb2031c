//! `costs`: the cost sheet of a shop, and stating entries of it.

use std::fmt::Write as _;
use std::str::FromStr;

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};

use super::local::Local;
use super::{Context, Done, print};
use crate::query::sheet::{self, CostItem, NewCosts, Sheet, SheetEntry, SheetQuestion};
use crate::units::Money;

/// Show what an attempt costs a shop and what a recovery is worth to it, or state it.
///
/// Each entry with its unit, whether the shop stated it or a default is taken, who stated it and why. Every answer
/// about money rests on this sheet; an answer that was given stays as it was. With --at the sheet is shown as it
/// stood then.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt costs --shop Kelder
  restvolt costs --shop Kelder --price 180
  restvolt costs --shop Kelder --at 2026-06-30T18:00:00Z
  restvolt costs --shop Kelder set labour_per_h=38 labour_min_per_attempt=12 --reason \"new rate\"
  restvolt costs --shop Kelder reset charger_hour --reason \"never measured\"")]
pub(super) struct Arguments {
    /// Shop; may be left out when there is one only.
    #[arg(long, value_name = "NAME")]
    shop: Option<String>,
    /// As it stood then: 2026-06-30T18:00:00Z.
    #[arg(long, value_name = "TIME")]
    at: Option<DateTime<Utc>>,
    /// Price of a replacement in the shop's currency.
    #[arg(long, value_name = "AMOUNT", value_parser = price)]
    price: Option<Money>,
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// State entries. Answers from then on weigh with them.
    Set {
        /// Entries with their values: `labour_per_h=38`.
        #[arg(required = true, value_name = "ENTRY=VALUE")]
        entries: Vec<Entry>,
        /// Why; whoever reads the sheet sees it.
        #[arg(long)]
        reason: String,
    },
    /// Put entries back to their defaults.
    Reset {
        /// Entries.
        #[arg(required = true, value_name = "ENTRY", value_parser = item)]
        entries: Vec<CostItem>,
        /// Why.
        #[arg(long)]
        reason: String,
    },
}

/// `labour_per_h=38`.
#[derive(Debug, Clone, Copy)]
struct Entry(CostItem, f64);

impl FromStr for Entry {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let (name, value) = text
            .split_once('=')
            .ok_or("write ENTRY=VALUE, such as labour_per_h=38")?;
        let value = value
            .parse()
            .map_err(|_| format!("`{value}` is no number"))?;
        Ok(Self(item(name)?, value))
    }
}

fn item(name: &str) -> Result<CostItem, String> {
    CostItem::find(name).ok_or_else(|| {
        let names: Vec<&str> = CostItem::ALL.iter().map(|item| item.as_str()).collect();
        format!("no entry `{name}`; the sheet has {}", names.join(", "))
    })
}

fn price(text: &str) -> Result<Money, String> {
    let amount = text.parse().map_err(|_| format!("`{text}` is no number"))?;
    Money::new("price", amount).map_err(|error| error.to_string())
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let shop = local.shop(arguments.shop.as_deref()).await?;
        let stated = match arguments.act {
            None => None,
            Some(Act::Set { entries, reason }) => {
                let entries = entries
                    .iter()
                    .map(|Entry(item, value)| (*item, Some(*value)));
                Some((entries.collect(), reason))
            }
            Some(Act::Reset { entries, reason }) => {
                let entries = entries.iter().map(|item| (*item, None));
                Some((entries.collect(), reason))
            }
        };
        if let Some((entries, reason)) = stated {
            anyhow::ensure!(
                arguments.at.is_none(),
                "a sheet of the past cannot be changed: leave --at out"
            );
            let new = NewCosts {
                shop_id: Some(shop),
                entries,
                reason,
            };
            let changes = sheet::set(local.store(), &local.clock, &local.caller, new).await?;
            super::remark(&format!("{} of the sheet's entries changed", changes.len()));
        }
        let question = SheetQuestion {
            shop_id: Some(shop),
            at: arguments.at,
            price: arguments.price,
        };
        let found = sheet::read(local.store(), &local.clock, &local.caller, question).await?;
        if context.json {
            print(&serde_json::to_string(&found)?)
        } else {
            print(&text(&found))
        }
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}

fn text(sheet: &Sheet) -> String {
    let at = sheet.at.format("%Y-%m-%d %H:%MZ");
    let mut out = format!("Cost sheet of {} on {at}\n", sheet.shop);
    for entry in &sheet.entries {
        line(&mut out, entry);
    }
    let currency = &sheet.currency;
    let by_default = sheet
        .price_is_default
        .then_some(" (a default: say --price)");
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "For a replacement of {:.2} {currency}{}: a recovery is worth {:.2} {currency}, an attempt costs \
         {:.2} {currency};",
        sheet.price,
        by_default.unwrap_or_default(),
        sheet.worth,
        sheet.cost
    );
    let pays = match sheet.break_even {
        Some(chance) if chance <= 1.0 => {
            format!(
                "an attempt pays from a chance of {:.0} % on.",
                100.0 * chance
            )
        }
        Some(_) => "an attempt never pays: it costs more than a recovery is worth.".into(),
        None => "a recovery is worth nothing here: no attempt pays.".into(),
    };
    let _ = writeln!(out, "{pays}");
    if let Some(taken) = &sheet.taken {
        let pays = taken.break_even.filter(|chance| *chance <= 1.0);
        let pays = pays.map(|chance| format!(" and pay from {:.0} % on", 100.0 * chance));
        let _ = writeln!(
            out,
            "Charges here took {:.1} h on average (90 % range {:.1} to {:.1} h, n = {}): planned so, an attempt would \
             cost {:.2} {currency}{}. Answers weigh with the sheet: `restvolt costs set planned_hours=...` states it.",
            taken.mean,
            taken.range.0,
            taken.range.1,
            taken.n,
            taken.cost,
            pays.unwrap_or_default()
        );
    }
    let defaults = sheet.entries.iter().filter(|entry| entry.by_default);
    match defaults.count() {
        0 => {}
        count => {
            let _ = writeln!(
                out,
                "{count} of {} entries are defaults nobody stated: `restvolt costs set` states them.",
                sheet.entries.len()
            );
        }
    }
    out
}

fn line(out: &mut String, entry: &SheetEntry) {
    let by_default = if entry.by_default { "default; " } else { "" };
    let SheetEntry {
        item,
        value,
        unit,
        meaning,
        ..
    } = entry;
    let _ = writeln!(
        out,
        "{:<26}{value} {unit}  ({by_default}{meaning})",
        item.as_str()
    );
    if let Some(change) = &entry.change {
        let former = match (change.former, change.value) {
            (_, None) => "put back to the default".to_owned(),
            (None, Some(_)) => "stated instead of the default".to_owned(),
            (Some(former), Some(_)) => format!("before: {former}"),
        };
        let _ = writeln!(
            out,
            "{:26}{former}, by {} on {}: {}",
            "",
            change.set_by,
            change.set_at.format("%Y-%m-%d"),
            change.reason
        );
    }
}
