//! `due`: which batteries are to be read again after their charge.

use std::fmt::Write as _;

use chrono::TimeDelta;

use super::local::Local;
use super::{Context, Done, print};
use crate::query::watch;

/// List the batteries whose voltage is due after a charge: 30 minutes, 24 hours and 72 hours after it.
///
/// A reading that was taken is no longer due; one that would come too late is left out.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Only this shop.
    #[arg(long, value_name = "NAME")]
    shop: Option<String>,
    /// Show what falls due within so many hours, too.
    #[arg(long, value_name = "HOURS", default_value_t = 0, value_parser = clap::value_parser!(u32).range(0..=336))]
    ahead: u32,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let shop = local.shop_named(arguments.shop.as_deref()).await?;
        let until = local.clock.now() + TimeDelta::hours(i64::from(arguments.ahead));
        let due = watch::due_retests(local.store(), &local.caller, (shop, until)).await?;
        let mut out = String::new();
        for one in &due {
            if context.json {
                out.push_str(&serde_json::to_string(one)?);
                out.push('\n');
                continue;
            }
            let rest = match one.rested_min {
                minutes if minutes < 60.0 => format!("{minutes:.0} min"),
                minutes => format!("{:.0} h", minutes / 60.0),
            };
            let label = one.label.as_ref();
            let label = label.map_or_else(String::new, |label| format!("battery {label}, "));
            let bench = one.bench.as_ref();
            let bench = bench.map_or_else(String::new, |bench| format!("{bench}, "));
            let due_at = one.due_at.format("%Y-%m-%d %H:%MZ");
            let attempt = one.attempt_id;
            let _ = writeln!(
                out,
                "voltage after {rest:6} of rest, due {due_at}, {label}{bench}attempt {attempt}"
            );
        }
        if due.is_empty() && !context.json {
            out.push_str("Nothing is due.\n");
        }
        print(&out)
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}
