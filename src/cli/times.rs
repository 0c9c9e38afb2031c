//! `times`: how long charges took, and how they ended.

use clap::Args;

use super::admin::word;
use super::local::Local;
use super::{Context, Done, print};
use crate::query::times;
use crate::record::words::Chemistry;

/// How long do charges take until a battery recovers, fails or is too hot?
///
/// First charges alone. A battery that failed can no longer recover and counts so; what people stopped for other
/// reasons, or what still runs, counts as running up to then. For each hour it is also told how many of those that
/// ran on recovered later: what one more hour still brings.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt times
  restvolt times --shop Kelder --chemistry agm
  restvolt times --json")]
pub(super) struct Arguments {
    /// Only this shop.
    #[arg(long, value_name = "NAME")]
    shop: Option<String>,
    /// Only this construction; all lead-acid ones otherwise.
    #[arg(long, value_parser = word!(Chemistry))]
    chemistry: Option<Chemistry>,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let shop = local.shop_named(arguments.shop.as_deref()).await?;
        let which = (shop, arguments.chemistry);
        let found = times::times(local.store(), &local.clock, &local.caller, which).await?;
        if context.json {
            return print(&serde_json::to_string(&found)?);
        }
        print(found.text.trim_end())
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}
