//! `fit`: learn from the outcomes, and show what was learned.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use clap::Args;

use super::local::Local;
use super::{Context, Done, print};
use crate::advice::knowledge::Fits;
use crate::learn;

/// Fit the recovery model to the outcomes kept, and show the model card.
///
/// Answers fit by themselves when there are new outcomes; this shows what was learned, or fits as of an
/// earlier moment. Every fit is kept with its cut-off, so that a past answer can be given again.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt fit
  restvolt fit --as-of 2026-06-01T00:00:00Z --json")]
pub(super) struct Arguments {
    /// Leave out what became known after this moment (RFC 3339).
    #[arg(long, value_name = "TIME")]
    as_of: Option<DateTime<Utc>>,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let done = Box::pin(fit(context, &local, &arguments)).await;
    local.close().await;
    done.map(|()| Done::All)
}

async fn fit(context: &Context, local: &Local, arguments: &Arguments) -> anyhow::Result<()> {
    let mut tx = local.store().begin(local.caller.group).await?;
    let found = learn::fit_as_of(&mut tx, arguments.as_of, local.clock.now()).await;
    let (fits, _) = match found {
        Ok(found) => found,
        Err(error) => {
            tx.rollback().await?;
            return Err(error.into());
        }
    };
    tx.commit().await?;
    if context.json {
        let cards = serde_json::json!({
            "lead_acid": fits.lead_acid.card(),
            "lithium": fits.lithium.card(),
        });
        return print(&cards.to_string());
    }
    print(&text(&fits))
}

fn text(fits: &Fits) -> String {
    let mut out = String::new();
    for fit in [&fits.lead_acid, &fits.lithium] {
        let counts = fit.counts();
        let until = if counts.total() == 0 {
            "no outcome yet: belief alone".to_owned()
        } else {
            format!(
                "outcomes up to {}: {} recovered, {} not, {} soft ({:.0} %)",
                fit.cutoff().format("%Y-%m-%d %H:%M:%SZ"),
                counts.recovered,
                counts.not_recovered,
                counts.soft,
                100.0 * counts.soft_share()
            )
        };
        let (steps, rested) = fit.iterations();
        let _ = writeln!(
            out,
            "{} model {}\n  {until}\n  {} shops, {steps} steps{}; {} coefficients, {} held at 0 by the rule \
             that more voltage is no worse, {} falls confirmed by the data{}",
            fit.family().as_str().replace('_', "-"),
            fit.version(),
            fit.shops().len(),
            if rested { "" } else { " (NOT at rest)" },
            fit.coefficients().len(),
            fit.pinned().len(),
            fit.confirmed_falls().len(),
            if fit.rests_on_belief() {
                "\n  too few outcomes: percentages are belief, told in steps of 10 %"
            } else {
                ""
            }
        );
    }
    out
}
