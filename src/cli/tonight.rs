//! `tonight`: which of these batteries get the chargers.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;

use super::local::Local;
use super::{Context, Done, print, remark};
use crate::query::advice::{self, Queue, QueuePlace};

/// Rank the batteries of a file for tonight's chargers, by expected gain per charger-hour.
///
/// Each battery is asked about as by `ask`, and its verdict is kept. Hazard stops and batteries that do not
/// pay are listed last, without a charger.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  restvolt tonight --batch batteries.jsonl --chargers 6")]
pub(super) struct Arguments {
    /// Batteries (JSON lines or CSV, plain or .gz); columns as `import`.
    #[arg(long, value_name = "FILE")]
    batch: PathBuf,
    /// Chargers that are free.
    #[arg(long, value_name = "N")]
    chargers: usize,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let (questions, refused) = super::ask::questions(&local, &arguments.batch, None).await?;
        for text in &refused {
            remark(text);
        }
        let (cases, asked): (Vec<String>, Vec<_>) = questions
            .into_iter()
            .map(|(_, case, question)| (case, question))
            .unzip();
        let store = local.store();
        let queue = advice::queue(
            store,
            &local.clock,
            &local.caller,
            (asked, arguments.chargers),
        )
        .await?;
        if context.json {
            let places: Vec<serde_json::Value> = queue
                .places
                .iter()
                .map(|place| {
                    serde_json::json!({
                        "case_id": cases.get(place.question), "charger": place.charger,
                        "answer": place.answer, "p": place.chance,
                        "gain_per_charger_hour": place.gain_per_hour, "hours": place.hours,
                        "refused": place.refused,
                    })
                })
                .collect();
            print(&serde_json::json!({"places": places}).to_string())?;
        } else {
            print(&text(&queue, &cases))?;
        }
        anyhow::Ok(if refused.is_empty() {
            Done::All
        } else {
            Done::SomeRefused
        })
    };
    let done = Box::pin(work).await;
    local.close().await;
    done
}

fn text(queue: &Queue, cases: &[String]) -> String {
    let mut out = format!(
        "{:<16}{:<9}{:<16}{:>8}{:>14}{:>10}\n",
        "battery", "charger", "answer", "chance", "gain/h", "hours"
    );
    for place in &queue.places {
        let QueuePlace {
            question,
            charger,
            answer,
            chance,
            gain_per_hour,
            hours,
            refused,
        } = place;
        let case = cases.get(*question).map_or("?", String::as_str);
        let charger = charger.map_or_else(|| "-".to_owned(), |number| number.to_string());
        let answer = match (answer, refused) {
            (Some(answer), _) => answer.as_str().replace('_', " "),
            (None, refused) => format!("refused: {}", refused.as_deref().unwrap_or("-")),
        };
        let number = |value: &Option<f64>, digits: usize, unit: &str| {
            value.map_or_else(|| "-".to_owned(), |value| format!("{value:.digits$}{unit}"))
        };
        let _ = writeln!(
            out,
            "{case:<16}{charger:<9}{answer:<16}{:>8}{:>14}{:>10}",
            number(&chance.map(|p| 100.0 * p), 0, " %"),
            number(gain_per_hour, 2, ""),
            number(hours, 1, " h"),
        );
    }
    let _ = writeln!(
        out,
        "Gain is money of each shop's own sheet per planned charger-hour. Decision support, not a safety \
         system: look at each battery first, follow its maker's instructions and local codes."
    );
    out
}
