//! `prior`: what the model believes before any outcome, shown, checked and changed.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::Context as _;
use clap::{Args, Subcommand};

use super::local::Local;
use super::{Context, Done, print};
use crate::learn::DEFAULT;
use crate::model::prior::PriorVersion;
use crate::query::priors::{self, Checked, InForce, NewPrior};

/// Show what the model believes before any outcome was counted, check another belief, or use it.
///
/// A prior is a text of one fact a line: the mean and the standard deviation of each coefficient on the log-odds
/// scale, the knots of the voltage curve. An expert changes numbers in a copy, gives it a version of its own,
/// and looks at what it says of a few batteries before using it. With many outcomes it weighs little.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt prior show > ours-1.prior          then change numbers and the line `version`
  restvolt prior check ours-1.prior
  restvolt prior use ours-1.prior --reason \"glass mat comes back more often here\"
  restvolt prior reset --reason \"enough outcomes by now\"
  restvolt prior list")]
pub(super) struct Arguments {
    #[command(subcommand)]
    act: Act,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Print the prior in force, with its comments.
    Show {
        /// One that ships with the program instead.
        #[arg(long, value_name = "NAME", value_parser = shipped)]
        shipped: Option<PriorVersion>,
    },
    /// Say what a prior would change; nothing is kept.
    Check {
        /// File of the prior.
        file: PathBuf,
    },
    /// Use a prior from now on. Answers that were given stay as they were.
    Use {
        /// File of the prior.
        file: PathBuf,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
    /// Use one that ships with the program from now on.
    Reset {
        /// Which.
        #[arg(long, value_name = "NAME", value_parser = shipped, default_value_t = DEFAULT)]
        shipped: PriorVersion,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
    /// List every change, the newest first.
    List,
}

fn shipped(name: &str) -> Result<PriorVersion, String> {
    PriorVersion::parse("shipped", name).map_err(|reject| reject.detail)
}

/// Largest file that is read, bytes.
const FILE_MAX: u64 = 1 << 20;

fn read(file: &PathBuf) -> anyhow::Result<NewPrior> {
    let shown = file.display();
    let size = std::fs::metadata(file)
        .with_context(|| format!("cannot read {shown}"))?
        .len();
    anyhow::ensure!(
        size <= FILE_MAX,
        "{shown} is too large for a prior: {size} bytes"
    );
    let text = std::fs::read_to_string(file).with_context(|| format!("cannot read {shown}"))?;
    Ok(NewPrior::Text(text))
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    if let Act::Show {
        shipped: Some(version),
    } = arguments.act
    {
        print(version.text().trim_end())?;
        return Ok(Done::All);
    }
    let local = Local::open(context).await?;
    let work = async {
        let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
        let (checked, used) = match arguments.act {
            Act::Show { .. } => {
                let found = priors::in_force(store, caller).await?;
                return if context.json {
                    print(&serde_json::to_string(&found)?)
                } else {
                    print(found.text.trim_end())
                };
            }
            Act::List => {
                let found = priors::in_force(store, caller).await?;
                return if context.json {
                    print(&serde_json::to_string(&found.changes)?)
                } else {
                    print(&list(&found))
                };
            }
            Act::Check { file } => (priors::check(store, caller, &read(&file)?).await?, false),
            Act::Use { file, reason } => {
                let new = (read(&file)?, reason.as_str());
                (priors::put(store, clock, caller, new).await?, true)
            }
            Act::Reset { shipped, reason } => {
                let new = (NewPrior::Shipped(shipped), reason.as_str());
                (priors::put(store, clock, caller, new).await?, true)
            }
        };
        if context.json {
            return print(&serde_json::to_string(&checked)?);
        }
        print(&text(&checked, used))
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}

fn list(found: &InForce) -> String {
    let mut out = format!("In force: {}\n", found.version);
    for change in &found.changes {
        let _ = writeln!(
            out,
            "{}  {}{}  by {}: {}",
            change.set_at.format("%Y-%m-%d %H:%MZ"),
            change.version,
            if change.text.is_some() {
                ""
            } else {
                " (ships with the program)"
            },
            change.set_by,
            change.reason
        );
    }
    if found.changes.is_empty() {
        out.push_str("Never changed: it ships with the program.\n");
    }
    out
}

fn text(found: &Checked, used: bool) -> String {
    let mut out = if found.differences.is_empty() {
        format!("{}: the numbers of the prior in force.\n", found.version)
    } else {
        let what = match found.differences.len() {
            1 => "one fact differs".to_owned(),
            count => format!("{count} facts differ"),
        };
        format!("{}: {what} from the prior in force\n", found.version)
    };
    for one in &found.differences {
        let _ = writeln!(out, "  {}  ->  {}", one.from, one.to);
    }
    out.push_str("\nChance by belief alone, without any outcome (90 % range):\n");
    let chance = |(mean, lower, upper): (f64, f64, f64)| {
        format!(
            "{:.0} % ({:.0} to {:.0} %)",
            100.0 * mean,
            (100.0 * lower).floor(),
            (100.0 * upper).ceil()
        )
    };
    for one in &found.examples {
        let _ = writeln!(
            out,
            "  {:<20} -> {:<20} {}",
            chance(one.before),
            chance(one.after),
            one.battery
        );
    }
    out.push_str(if used {
        "\nIn force from now on: answers are worked out with it; those that were given stay as they were.\n"
    } else {
        "\nNothing was changed. `restvolt prior use FILE --reason TEXT` uses it.\n"
    });
    out
}
