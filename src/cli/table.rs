//! `table`: which starting voltages, ages and storage histories actually recovered.

use clap::Args;

use super::admin::word;
use super::local::Local;
use super::{Context, Done, print};
use crate::clock::Clock;
use crate::model::interval::IntervalMethod;
use crate::query::recovery::{self, Split, TableRequest};
use crate::record::words::Chemistry;

/// Count recoveries by starting voltage and months since the last full charge.
///
/// Every rate stands beside its y of n and its interval; under 5 there are counts only. Voltages are
/// at rest and on the 12 V scale (6 V batteries doubled). The table speaks of batteries these shops
/// chose to attempt, not of every battery that came in. Below the counts the model says what the same
/// batteries would have done in each band, and which bands then change places.
#[derive(Debug, Args)]
pub(super) struct Arguments {
    /// Divide further: chemistry, storage, method, age, shop or segment.
    #[arg(long, value_name = "WHAT", value_parser = word!(Split))]
    by: Option<Split>,
    /// Only this shop.
    #[arg(long, value_name = "NAME")]
    shop: Option<String>,
    /// Only this construction; all lead-acid ones otherwise.
    #[arg(long, value_parser = word!(Chemistry))]
    chemistry: Option<Chemistry>,
    /// How limits are computed: `jeffreys`, `wilson` or `clopper_pearson`.
    #[arg(long, value_parser = word!(IntervalMethod), default_value = "jeffreys")]
    interval: IntervalMethod,
    /// Coverage of the limits, 0.5 to 0.999.
    #[arg(long, default_value_t = 0.90)]
    level: f64,
    /// Counts alone, without the rates that expect the same batteries in every band.
    #[arg(long)]
    counted: bool,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let shop_id = local.shop_named(arguments.shop.as_deref()).await?;
        let request = TableRequest {
            shop_id,
            split: arguments.by,
            chemistry: arguments.chemistry,
            method: Some(arguments.interval),
            level: arguments.level,
            adjusted: !arguments.counted,
        };
        let clock = Clock::System;
        let answer = recovery::table(local.store(), &clock, &local.caller, request).await?;
        if context.json {
            let adjusted = answer.adjusted.as_ref();
            let answer = serde_json::json!({
                "table": answer.table,
                "adjusted": adjusted.and_then(|found| found.as_ref().ok()),
                "not_adjusted": adjusted.and_then(|found| found.as_ref().err()),
                "cut_off": answer.cut_off,
            });
            return print(&answer.to_string());
        }
        print(&answer.text)?;
        match answer.cut_off {
            Some(at) => print(&format!(
                "Newest outcome: {}.",
                at.format("%Y-%m-%d %H:%MZ")
            )),
            None => print("No outcome yet: record attempts, or `restvolt import` a history."),
        }
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}
