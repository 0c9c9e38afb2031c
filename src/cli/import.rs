//! placeholder while the lead waits for the layer below

use super::{Context, Done};

#[derive(Debug, clap::Args)]
pub(super) struct Arguments {}

pub(super) async fn run(_context: &Context, _arguments: Arguments) -> anyhow::Result<Done> {
    Ok(Done::All)
}
