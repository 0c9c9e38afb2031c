//! `tonight`: which of these batteries get the chargers.

use std::fmt::Write as _;
use std::path::PathBuf;

use clap::Args;
use uuid::Uuid;

use super::local::Local;
use super::{Context, Done, print, remark};
use crate::query::advice::{self, Queue, QueuePlace, QueueRequest};

/// Rank batteries for tonight's chargers, by expected gain per charger-hour.
///
/// Each battery of the file is asked about as by `ask`, and its verdict is kept; each attempt is asked about as
/// by `again`: one more night after a first that did not bring it back. Hazard stops and batteries that do not
/// pay are listed last, without a charger.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt tonight --batch batteries.jsonl --chargers 6
  restvolt tonight --batch batteries.jsonl --again ATTEMPT --again ATTEMPT --chargers 6")]
pub(super) struct Arguments {
    /// Batteries (JSON lines or CSV, plain or .gz); columns as `import`.
    #[arg(long, value_name = "FILE", required_unless_present = "again")]
    batch: Option<PathBuf>,
    /// A first attempt whose battery may get one more night; again for each.
    #[arg(long, value_name = "ATTEMPT")]
    again: Vec<Uuid>,
    /// Chargers that are free.
    #[arg(long, value_name = "N")]
    chargers: usize,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let (questions, refused) = match &arguments.batch {
            Some(file) => super::ask::questions(&local, file, None).await?,
            None => (Vec::new(), Vec::new()),
        };
        for text in &refused {
            remark(text);
        }
        let (mut cases, questions): (Vec<String>, Vec<_>) = questions
            .into_iter()
            .map(|(_, case, question)| (case, question))
            .unzip();
        cases.extend(arguments.again.iter().map(Uuid::to_string));
        let asked = QueueRequest {
            questions,
            again: arguments.again,
            chargers: arguments.chargers,
        };
        let queue = advice::queue(local.store(), &local.clock, &local.caller, asked).await?;
        if context.json {
            let places: Vec<serde_json::Value> = queue
                .places
                .iter()
                .map(|place| {
                    serde_json::json!({
                        "case_id": cases.get(place.question), "charger": place.charger,
                        "answer": place.answer, "p": place.chance,
                        "gain_per_charger_hour": place.gain_per_hour, "hours": place.hours,
                        "refused": place.refused, "again": place.again,
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
        "{:<38}{:<9}{:<24}{:>8}{:>14}{:>10}\n",
        "battery", "charger", "answer", "chance", "gain/h", "hours"
    );
    for place in &queue.places {
        let QueuePlace {
            question,
            again,
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
            (Some(answer), _) if *again => format!("{}, again", answer.as_str().replace('_', " ")),
            (Some(answer), _) => answer.as_str().replace('_', " "),
            (None, refused) => format!("refused: {}", refused.as_deref().unwrap_or("-")),
        };
        let number = |value: &Option<f64>, digits: usize, unit: &str| {
            value.map_or_else(|| "-".to_owned(), |value| format!("{value:.digits$}{unit}"))
        };
        let _ = writeln!(
            out,
            "{case:<38}{charger:<9}{answer:<24}{:>8}{:>14}{:>10}",
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
