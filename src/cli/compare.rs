//! `compare` and `savings`: which shop or method does better, and what wasted nights cost.

use std::fmt::Write as _;

use clap::{Args, ValueEnum};

use super::local::Local;
use super::{Context, Done, print};
use crate::model::comparison::observed_expected::Limits;
use crate::model::comparison::rank::NoRanking;
use crate::model::comparison::standard::OddsRatio;
use crate::query::fair::{self, Basis, Methods, Savings, Shops};

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum What {
    /// Shops of the group.
    Shops,
    /// Charging methods.
    Methods,
}

/// Which shop or method does better, with the case mix taken out?
///
/// Crude rates mislead where shops take in different batteries: the adjusted rate is for the case mix of
/// the whole group. Outcomes are of batteries these shops chose to attempt. Methods were chosen by
/// people: only a coin settles it, and the answer names how many batteries that would take.
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// What to compare.
    #[arg(value_enum, default_value_t = What::Shops)]
    what: What,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
        match arguments.what {
            What::Shops => {
                let found = fair::shops(store, clock, caller).await?;
                if context.json {
                    return print(&serde_json::to_string(&found)?);
                }
                print(&shops(&found))
            }
            What::Methods => {
                let found = fair::methods(store, clock, caller).await?;
                if context.json {
                    return print(&serde_json::to_string(&found)?);
                }
                print(&methods(&found))
            }
        }
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

/// A range of shares, in percent, rounded outward.
fn range((lower, upper): (f64, f64)) -> String {
    format!(
        "{:.0} to {:.0} %",
        (100.0 * lower).floor(),
        (100.0 * upper).ceil()
    )
}

/// An odds ratio with its range: `1.30 (0.91 to 1.86)`.
fn times(odds: &OddsRatio) -> String {
    let Limits { lower, upper } = odds.limits;
    format!("{:.2} ({lower:.2} to {upper:.2})", odds.ratio)
}

fn foot(out: &mut String, basis: &Basis) {
    let until = basis.cut_off.map_or_else(
        || "no outcome yet".to_owned(),
        |at| format!("newest outcome {}", at.format("%Y-%m-%d %H:%MZ")),
    );
    let _ = writeln!(
        out,
        "Model {}, {} lead-acid outcomes, {until}. Ranges are 90 %. Of batteries these shops chose to attempt.",
        basis.model_version, basis.n
    );
}

fn shops(found: &Shops) -> String {
    let mut out = format!(
        "{:<16}{:>12}  {:<16}{:<20}{:<22}{:<20}{}\n",
        "shop",
        "came back",
        "crude rate",
        "recovered/expected",
        "rate for one mix",
        "odds, same bands",
        "rank"
    );
    let mut rows: Vec<_> = found.names.iter().zip(&found.comparison.shops).collect();
    rows.sort_by_key(|(name, _)| *name);
    for (name, shop) in rows {
        let crude = match &shop.crude {
            Some(_) if shop.n < 5 => "too few".to_owned(),
            Some(rate) => range((rate.lower, rate.upper)),
            None => "-".to_owned(),
        };
        let ratio = shop.observed_expected.map_or_else(
            || "-".to_owned(),
            |of| {
                format!(
                    "{:.2} ({:.2}-{:.2})",
                    of.ratio, of.exact.lower, of.exact.upper
                )
            },
        );
        let adjusted = shop.adjusted.as_ref().map_or_else(
            || "-".to_owned(),
            |of| format!("{} ({})", percent(of.rate), range((of.lower, of.upper))),
        );
        let odds = shop.same_bands.as_ref().map_or("-".to_owned(), times);
        let rank = shop.rank.map_or_else(
            || "none".to_owned(),
            |rank| format!("{} to {}", rank.interval[0], rank.interval[1]),
        );
        let look = if shop.worth_a_look {
            "  worth a look"
        } else {
            ""
        };
        let counts = format!("{} of {}", shop.recovered, shop.n);
        let _ = writeln!(
            out,
            "{name:<16}{counts:>12}  {crude:<16}{ratio:<20}{adjusted:<22}{odds:<20}{rank}{look}"
        );
    }
    if found.comparison.shops.is_empty() {
        out.push_str(
            "No shop has an outcome yet: record attempts, or `restvolt import` a history.\n",
        );
    }
    out.push_str(
        "Odds, same bands: recovered against not, over that of all other shops, by counts within the same bands of \
         voltage and idle time; no model.\n",
    );
    if let Some(reason) = found.comparison.no_ranking {
        let _ = writeln!(out, "No ranks: {}.", why(reason));
    }
    foot(&mut out, &found.basis);
    out
}

fn why(reason: NoRanking) -> &'static str {
    match reason {
        NoRanking::TooFewShops => "fewer than two shops have 30 outcomes",
        NoRanking::TooManyShops => "too many shops to rank",
        NoRanking::IntervalsOverlap => {
            "the ranges lie within one another, nobody can be told apart"
        }
        NoRanking::BadCovariance => "the fit does not cover these shops",
    }
}

fn methods(found: &Methods) -> String {
    let mut out = String::new();
    for pair in &found.pairs {
        let (first, second) = (pair.first, pair.second);
        let _ = writeln!(
            out,
            "{first} against {second}: crude {} of {} against {} of {}",
            pair.crude_first.0, pair.crude_first.1, pair.crude_second.0, pair.crude_second.1
        );
        if let Some(odds) = &pair.same_bands {
            let _ = writeln!(
                out,
                "  by counts within the same bands of voltage and idle time: odds of {first} x {} against {second}",
                times(odds)
            );
        }
        let Some(contrast) = &pair.contrast else {
            out.push_str(
                "  People all but always chose one of the two for such batteries: no comparison.\n",
            );
            continue;
        };
        let of = &contrast.difference;
        let coin = contrast.coin_n.map_or_else(
            || "no coin would show a difference this small".to_owned(),
            |n| format!("a fair coin over {n} batteries would settle a difference of this size"),
        );
        let _ = writeln!(
            out,
            "  same {} batteries: {first} {:+.1} points ({:+.1} to {:+.1}); {} left out, where only one was \
             plausible.\n  Methods were chosen by people: {coin}.",
            contrast.cases,
            100.0 * of.difference,
            100.0 * of.lower,
            100.0 * of.upper,
            contrast.left_out
        );
    }
    if found.pairs.is_empty() {
        out.push_str("Fewer than two methods have outcomes: nothing to compare.\n");
    }
    foot(&mut out, &found.basis);
    out
}

/// What did wasted nights cost, and what would the answers have saved?
///
/// Rests on the answers frozen before each attempt, never on what was learned from it; attempts without
/// one, such as imported ones, are counted and left out.
#[derive(Debug, Args)]
pub(super) struct SavingsArguments {}

pub(super) async fn savings(context: &Context, _: SavingsArguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let found = fair::savings(local.store(), &local.caller).await;
    local.close().await;
    let found = found?;
    if context.json {
        print(&serde_json::to_string(&found)?)?;
    } else {
        print(&savings_text(&found))?;
    }
    Ok(Done::All)
}

fn savings_text(found: &[Savings]) -> String {
    let mut out = String::new();
    for one in found {
        let currency = one.currency.as_deref().unwrap_or("in mixed currencies");
        let _ = writeln!(
            out,
            "{}: {} attempts with an outcome, {} of them with hours and an answer given before",
            one.shop, one.attempts, one.answered
        );
        if one.answered == 0 {
            out.push_str("  Nothing can be said: ask before each attempt, and the attempt keeps its answer.\n");
            continue;
        }
        let waste = &one.waste;
        let _ = writeln!(
            out,
            "  {:.0} charger hours, {:.0} of them on {} that did not come back; {:.0} h ({} attempts) below \
             break-even before they began",
            waste.hours, waste.wasted_hours, waste.failed, waste.avoidable_hours, waste.avoidable
        );
        if let Some(saved) = &one.saved {
            let error = saved.standard_error.map_or_else(
                || "no standard error: one shop-week only".to_owned(),
                |error| format!("standard error {error:.2}, {} shop-weeks", saved.clusters),
            );
            let _ = writeln!(
                out,
                "  leaving those would have saved {:.2} {currency}, {:.2} an attempt ({error})",
                saved.total, saved.per_attempt
            );
        }
        if let Some(scores) = &one.scores {
            let _ = writeln!(
                out,
                "  answers against outcomes, n {}: Brier {:.3}, log score {:.3}",
                scores.count, scores.brier, scores.log_score
            );
        }
    }
    if found.is_empty() {
        out.push_str("No attempt has an outcome yet.\n");
    }
    out
}
