//! `again`: is a battery worth one more charge?

use clap::Args;
use uuid::Uuid;

use super::local::Local;
use super::{Context, Done, print};
use crate::query::advice;

/// Ask in the morning whether a battery is worth one more charge.
///
/// For a first attempt that has ended and did not bring the battery back. What the first charge showed and
/// the voltage after a rest of 8 h decide, with the second attempts this group has seen; while these are few,
/// the answer is a belief and says so.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  restvolt again 01995f3c-6c3f-7d52-8f0e-0a3b5d1c2e4f")]
pub(super) struct Arguments {
    /// The first attempt.
    #[arg(value_name = "ATTEMPT")]
    attempt: Uuid,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let (store, clock) = (local.store(), &local.clock);
        let found = advice::again(store, clock, &local.caller, arguments.attempt).await?;
        if context.json {
            return print(&serde_json::to_string(&found)?);
        }
        print(&found.text)
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}
