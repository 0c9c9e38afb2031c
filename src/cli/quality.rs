//! `quality`: how good the answers were, whether they drift, and who has seen it.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use clap::{Args, Subcommand};

use super::local::Local;
use super::{Context, Done, print};
use crate::model::drift::{ALARM_HEIGHT, Alarm};
use crate::model::quality::{SCORED_MIN, TRAINED_MIN};
use crate::model::scores::Scores;
use crate::model::standing::Reserve;
use crate::model::table::range_bar;
use crate::query::quality::{self, LIMITS, Scored, Seen, Stream};

/// Columns of the bar of a rate.
const BAR: usize = 40;

/// How good were the answers that were given before attempts?
///
/// Each frozen answer is scored on an outcome it did not know, beside the band table as it stood then and
/// beside the rate known then. A drift is an alarm until a person has looked into it: while one stands, or
/// while past answers were too bold or too timid, answers are marked and the counts shown.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt quality
  restvolt quality --json
  restvolt quality seen group --by \"M. Kelder\" --reason \"new chargers since May\"
  restvolt quality seen \"method cc_cv\" --by \"T. Vell\" --reason \"limit was set too low\"")]
pub(super) struct Arguments {
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Say that a person has looked into a drift. Its sums start anew, and answers stand again.
    Seen {
        /// Which one, as it is listed: group, "method NAME", "charger NAME" or
        /// "firmware VERSION".
        stream: String,
        /// Name of the person.
        #[arg(long, value_name = "NAME")]
        by: String,
        /// What was found or done.
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
        if let Some(Act::Seen { stream, by, reason }) = arguments.act {
            let seen = Seen { stream, by, reason };
            let stream = quality::acknowledge(store, clock, caller, seen).await?;
            return if context.json {
                print(&serde_json::to_string(&stream)?)
            } else {
                print(&format!(
                    "{}: seen; its sums start anew, and answers stand again.",
                    stream.name
                ))
            };
        }
        let found = quality::scored(store, clock, caller).await?;
        if context.json {
            return print(&serde_json::to_string(&found)?);
        }
        print(&text(&found))
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}

fn text(found: &Scored) -> String {
    let quality = &found.quality;
    let mut out = String::new();
    match &quality.answers {
        None => out.push_str(
            "No answer can be scored yet: ask before each attempt, the attempt keeps its answer, and its \
             outcome scores it.\n",
        ),
        Some(answers) if answers.count < SCORED_MIN => {
            let _ = writeln!(
                out,
                "{} answers can be scored so far: too few for scores, {SCORED_MIN} are needed.",
                answers.count
            );
            reliability(&mut out, found);
        }
        Some(answers) => {
            let _ = writeln!(
                out,
                "{:<24}{:>6}{:>18}{:>8}{:>8}{:>8}{:>16}",
                "", "n", "Brier", "log", "skill", "AUC", "slope"
            );
            scores(&mut out, "the answers", answers);
            for (name, of) in [
                ("the band table then", &quality.band_table),
                ("the rate known then", &quality.base_rate),
            ] {
                if let Some(of) = of {
                    scores(&mut out, name, of);
                }
            }
            out.push_str(
                "Brier and log: 0 is best. Skill: gain over the overall rate. Slope: below 1 too bold, above 1 \
                 too timid; judged from 500 answers. Each +- is one standard error.\n",
            );
            if let Some(parts) = &quality.parts {
                let _ = writeln!(
                    out,
                    "The Brier score is made of {:.3} for chances that were off, less {:.3} for telling batteries \
                     apart, and {:.3} for what only chance decides (over the bins below).",
                    parts.reliability, parts.resolution, parts.uncertainty
                );
            }
            reliability(&mut out, found);
        }
    }
    second_nights(&mut out, found);
    ran_on(&mut out, found);
    months(&mut out, found);
    drift(&mut out, &quality.streams);
    held_back(&mut out, &found.reserves);
    audits(&mut out, found);
    let _ = writeln!(
        out,
        "Answers of the last 90 days: {}, {} of them on belief alone.\nModel {}, {} lead-acid outcomes. Known \
         limits:",
        found.thin.0, found.thin.1, found.basis.model_version, found.basis.n
    );
    for limit in LIMITS {
        let _ = writeln!(out, "  - {limit}");
    }
    out
}

fn scores(out: &mut String, name: &str, of: &Scores) {
    let ratio = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |v| format!("{v:.2}"));
    let brier = match of.brier_standard_error {
        Some(error) => format!("{:.3} +- {error:.3}", of.brier),
        None => format!("{:.3}", of.brier),
    };
    let slope = of.calibration.map_or_else(
        || "-".to_owned(),
        |of| format!("{:.2} +- {:.2}", of.slope, of.slope_standard_error),
    );
    let _ = writeln!(
        out,
        "{name:<24}{:>6}{brier:>18}{:>8.3}{:>8}{:>8}{slope:>16}",
        of.count,
        of.log_score,
        ratio(of.skill),
        ratio(of.auc)
    );
}

/// What was said beside what happened, a line a bin: `o` the mean chance, `|--|` the range of the rate.
fn reliability(out: &mut String, found: &Scored) {
    if found.quality.bins.is_empty() {
        return;
    }
    out.push_str(
        "\nSaid   came back (90 % range)   n  smoothed  0 %                                  100 %\n",
    );
    for bin in &found.quality.bins {
        let drawn = (bin.interval.lower, bin.mean_chance, bin.interval.upper);
        let _ = writeln!(
            out,
            "{:>3.0} %  {:>3.0} % ({:>3.0} to {:>3.0} %) {:>10}     {:>3.0} %  {}",
            100.0 * bin.mean_chance,
            100.0 * bin.rate,
            (100.0 * bin.interval.lower).floor(),
            (100.0 * bin.interval.upper).ceil(),
            bin.count,
            100.0 * bin.smoothed,
            range_bar(drawn, '-', BAR)
        );
    }
    if let Some(error) = found.quality.calibration_error {
        let _ = writeln!(
            out,
            "Mean distance of said and came back: {:.1} points.",
            100.0 * error
        );
    }
}

fn second_nights(out: &mut String, found: &Scored) {
    let Some(of) = &found.quality.second_nights else {
        return;
    };
    let _ = if of.count < SCORED_MIN {
        writeln!(
            out,
            "\nSecond nights: {} answers can be scored, too few for scores; {SCORED_MIN} are needed.",
            of.count
        )
    } else {
        let error = of.brier_standard_error.unwrap_or(0.0);
        writeln!(
            out,
            "\nSecond nights: {} answers, Brier score {:.3} +- {error:.3}.",
            of.count, of.brier
        )
    };
}

fn ran_on(out: &mut String, found: &Scored) {
    let Some(of) = &found.quality.ran_on else {
        return;
    };
    let range = of.interval.map_or_else(
        || "too few for a rate".to_owned(),
        |range| {
            format!(
                "90 % Jeffreys interval {:.0} to {:.0} %",
                100.0 * range.lower,
                100.0 * range.upper
            )
        },
    );
    let _ = writeln!(
        out,
        "\nStops checked by running on: {} of {} came back ({range}); {:.0} % were told.",
        of.recovered,
        of.n,
        100.0 * of.told
    );
}

fn months(out: &mut String, found: &Scored) {
    if found.quality.months.len() < 2 {
        return;
    }
    let _ = writeln!(
        out,
        "\n{:<10}{:>6}  Brier: answers, table, rate",
        "month", "n"
    );
    for month in &found.quality.months {
        let _ = writeln!(
            out,
            "{:<10}{:>6}  {:.3}, {:.3}, {:.3}",
            month.month, month.n, month.answers, month.band_table, month.base_rate
        );
    }
}

fn drift(out: &mut String, streams: &[Stream]) {
    if streams.iter().all(|stream| stream.n == 0) {
        let _ = writeln!(
            out,
            "\nDrift: watched once answers know {TRAINED_MIN} outcomes; none does yet."
        );
        return;
    }
    let _ = writeln!(
        out,
        "\nDrift: two sums, of evidence that more or fewer come back than was said; {ALARM_HEIGHT} is an alarm.\n\
         {:<28}{:>8}{:>8}{:>8}",
        "", "n", "more", "fewer"
    );
    let day = |at: DateTime<Utc>| at.format("%Y-%m-%d").to_string();
    for stream in streams {
        let alarm = match stream.alarm {
            None => String::new(),
            Some((Alarm::BetterThanForecast, since)) => {
                format!("  ALARM since {}: more come back", day(since))
            }
            Some((Alarm::WorseThanForecast, since)) => {
                format!("  ALARM since {}: fewer come back", day(since))
            }
        };
        let seen = stream
            .acknowledged
            .as_ref()
            .map_or_else(String::new, |seen| {
                format!("  seen {} by {}: {}", day(seen.at), seen.by, seen.reason)
            });
        let _ = writeln!(
            out,
            "{:<28}{:>8}{:>8.1}{:>8.1}{alarm}{seen}",
            stream.name, stream.n, stream.sums.better, stream.sums.worse
        );
    }
}

fn held_back(out: &mut String, reserves: &[Reserve]) {
    for reserve in reserves {
        let said = match reserve {
            Reserve::BeliefOnly => {
                "too few outcomes: percentages are belief, told in steps of 10 %"
            }
            Reserve::BadCalibration => {
                "past answers were too bold or too timid: answers are marked and counts shown"
            }
            Reserve::Drift => {
                "a drift nobody has looked into: answers are marked and counts shown until `quality seen`"
            }
        };
        let _ = writeln!(out, "HELD BACK: {said}.");
    }
}

fn audits(out: &mut String, found: &Scored) {
    let audits = &found.audits;
    let _ = write!(
        out,
        "\nAudits: {} answers advised against an attempt or made one to learn; {} audits have an outcome, {} \
         recovered.",
        audits.decisions, audits.audits, audits.recovered
    );
    match audits.value.filter(|_| audits.audits > 0) {
        None => out.push_str(" Too few to say what trying the others would have brought.\n"),
        Some(value) => {
            let error = value.gain.standard_error.map_or_else(
                || "one shop-week only".to_owned(),
                |error| format!("standard error {error:.2}"),
            );
            let _ = writeln!(
                out,
                " Trying all would have brought {:.2} a battery ({error}; {} cut weights, {} without any chance of \
                 an audit).",
                value.gain.per_attempt, value.capped, value.blind
            );
        }
    }
}
