//! `evaluate`: how well the model does on an invented fleet whose truth is known.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use super::{Context, Done, print, remark};
use crate::clock::Clock;
use crate::model::evaluate::{Score, Scores};
use crate::query::evaluate::{self, Evaluated, Fleet};

/// Score the model on an invented fleet: train on the first attempts, ask about what came after.
///
/// Needs no database and keeps nothing. The truth file scores the answers and never reaches a fit. Only
/// invented fleets have one: read the figures as what the method can do, not as what it will do here.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  restvolt evaluate --batteries batteries.jsonl.gz --attempts attempts.jsonl.gz \\
    --shops shops.json --truth truth.jsonl.gz --train 300")]
pub(super) struct Arguments {
    /// Presented batteries (JSON lines or CSV, plain or .gz); columns as `import`.
    #[arg(long, value_name = "FILE")]
    batteries: PathBuf,
    /// Attempts; columns as `import`.
    #[arg(long, value_name = "FILE")]
    attempts: PathBuf,
    /// Cost sheets, a JSON array.
    #[arg(long, value_name = "FILE")]
    shops: PathBuf,
    /// True chances: `case_id`, `p_observed`, `recovers`.
    #[arg(long, value_name = "FILE")]
    truth: PathBuf,
    /// Attempts to train on, the earliest.
    #[arg(long, value_name = "N")]
    train: usize,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let now = Clock::System.now();
    let work = tokio::task::spawn_blocking(move || {
        let fleet = Fleet {
            batteries: &arguments.batteries,
            attempts: &arguments.attempts,
            shops: &arguments.shops,
            truth: &arguments.truth,
        };
        evaluate::run(fleet, arguments.train, now)
    });
    let found = work.await??;
    for one in &found.left_out {
        remark(&format!("{} line {}: {}", one.file, one.line, one.reason));
    }
    if context.json {
        print(&serde_json::to_string(&found)?)?;
    } else {
        print(&text(&found))?;
    }
    Ok(if found.left_out.is_empty() {
        Done::All
    } else {
        Done::SomeRefused
    })
}

fn text(found: &Evaluated) -> String {
    let Scores {
        model_version,
        trained,
        presented,
        oracle,
        model,
        clear,
        worst_drop,
        confirmed_falls,
        band_table,
        plain_logistic,
        fixed_cut,
        always,
    } = &found.scores;
    let mut out = format!(
        "Model {model_version}, trained on {trained} labelled outcomes of the first {} attempts; asked \
         about the {presented} batteries presented next.\nKnowing every true chance would earn {oracle:.2} \
         a battery (money of the cost sheets).\n\n",
        found.attempts
    );
    out.push_str(
        "                      regret  attempted  wasted  coverage of the  ECE     Brier\n\
         way of deciding       of it   of all     of them 90 % range\n",
    );
    for (name, score) in [
        ("the model", model),
        ("band table", band_table),
        ("plain logistic", plain_logistic),
        ("from 10.5 V", fixed_cut),
        ("always", always),
    ] {
        row(&mut out, name, score);
    }
    let right = clear.right_share.map_or_else(
        || "none to judge".to_owned(),
        |share| format!("{:.1} % of them right", 100.0 * share),
    );
    let _ = writeln!(
        out,
        "\nClear answers (the 90 % range excludes break-even): {:.1} % of all, {right}.\nDeepest fall of \
         the voltage curve: {worst_drop:.4} in chance; falls confirmed by the data: {confirmed_falls}.",
        100.0 * clear.share
    );
    out
}

fn row(out: &mut String, name: &str, score: &Score) {
    let percent = |share: f64| format!("{:.2} %", 100.0 * share);
    let (coverage, ece, brier) = score.chances.map_or_else(
        || ("-".to_owned(), "-".to_owned(), "-".to_owned()),
        |chances| {
            let three = |value: f64| format!("{value:.3}");
            (
                three(chances.coverage),
                three(chances.ece),
                three(chances.brier),
            )
        },
    );
    let _ = writeln!(
        out,
        "{name:<20}{:>9}{:>11}{:>9}  {coverage:<15}  {ece:<6}  {brier}",
        percent(score.regret_share),
        percent(score.attempted_share),
        percent(score.wasted_share),
    );
}
