//! `ask`: is this battery worth an attempt?

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;
use uuid::Uuid;

use super::admin::word;
use super::local::Local;
use super::{Context, Done, print, remark};
use crate::query::Error;
use crate::query::advice::{self, AskRequest, StoredVerdict};
use crate::query::import::files;
use crate::query::registry;
use crate::record::visit::parse::RawVisit;
use crate::record::words::{
    CcaStandard, Chemistry, Method, Segment, Storage, TesterState, VisualFlag,
};

/// Questions of one call; more go in several.
const AT_ONCE: usize = 5_000;

/// Is this battery worth an attempt?
///
/// The verdict is stored before any attempt. This is decision support, not a safety system: the
/// makers' instructions, local codes and a look at the battery come first.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  restvolt ask --rest-volts 11.9 --chemistry agm --months 12 --storage removed_indoors
  restvolt ask --nominal-volts 6 --rest-volts 5.6 --chemistry flooded --flag swollen
  restvolt ask --batch batteries.jsonl.gz --json > answers.jsonl")]
pub(super) struct Arguments {
    /// Rested open-circuit voltage of the whole battery, V.
    #[arg(
        long,
        value_name = "V",
        required_unless_present = "batch",
        allow_negative_numbers = true
    )]
    rest_volts: Option<f64>,
    /// Nominal voltage, 6 or 12 V.
    #[arg(long, value_name = "V", default_value_t = 12)]
    nominal_volts: i32,
    /// flooded, `enhanced_flooded`, agm, gel, lifepo4 or unknown.
    #[arg(long, value_parser = word!(Chemistry), default_value = "unknown")]
    chemistry: Chemistry,
    /// powersports (mowers, scooters, quads too), car or marine.
    #[arg(long, value_parser = word!(Segment), default_value = "powersports")]
    segment: Segment,
    /// Months since the last full charge; leave out when not known.
    #[arg(long, value_name = "MONTHS")]
    months: Option<f64>,
    /// Age in months; leave out when not known.
    #[arg(long, value_name = "MONTHS")]
    age: Option<f64>,
    /// `installed_connected`, `installed_disconnected`, `removed_indoors`, `removed_unheated` or unknown.
    #[arg(long, value_parser = word!(Storage), default_value = "unknown")]
    storage: Storage,
    /// ok, `no_power_up` or `not_tested`.
    #[arg(long, value_parser = word!(TesterState), default_value = "not_tested")]
    tester: TesterState,
    /// Measured over rated cranking current, for example 0.62.
    #[arg(long, value_name = "RATIO")]
    cca_ratio: Option<f64>,
    /// Rated cold cranking current, A.
    #[arg(long, value_name = "A")]
    rated_cca: Option<f64>,
    /// Standard of that rating: sae, en, jis, iec, din or unknown.
    #[arg(long, value_parser = word!(CcaStandard), default_value = "unknown")]
    cca_standard: CcaStandard,
    /// Rated capacity, Ah at the 20 h rate.
    #[arg(long, value_name = "AH")]
    rated_ah: Option<f64>,
    /// Plates uncovered: true or false; leave out where nobody could look.
    #[arg(long)]
    electrolyte_low: Option<bool>,
    /// What is seen on the case: swollen, leaking, cracked, frozen, `reversed_polarity`,
    /// `vent_cap_missing`, `terminal_melted`, `foul_smell`. May be repeated.
    #[arg(long, value_parser = word!(VisualFlag))]
    flag: Vec<VisualFlag>,
    /// Price of a replacement in the shop's currency.
    #[arg(long, value_name = "MONEY")]
    price: Option<f64>,
    /// Charging profile in mind: `cc_cv`, `low_rate_cc`, `elevated_cv` or `multi_stage`.
    #[arg(long, value_parser = word!(Method))]
    method: Option<Method>,
    /// Shop whose costs count; may be left out when there is one.
    #[arg(long, value_name = "NAME")]
    shop: Option<String>,
    /// Ask about every battery of a file (JSON lines or CSV, plain or .gz); columns as `import`.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["rest_volts", "flag"])]
    batch: Option<PathBuf>,
}

impl Arguments {
    fn facts(&self) -> RawVisit {
        RawVisit {
            nominal_volts: self.nominal_volts,
            chemistry: Some(self.chemistry),
            segment: Some(self.segment),
            rated_cca: self.rated_cca,
            cca_standard: Some(self.cca_standard),
            rated_ah: self.rated_ah,
            label: String::new(),
            rest_volts: self.rest_volts,
            age_months: self.age,
            months_since_full_charge: self.months,
            storage: Some(self.storage),
            tester: Some(self.tester),
            cca_ratio: self.cca_ratio,
            electrolyte_low: self.electrolyte_low,
            flags: self.flag.clone(),
            replacement_price: self.price,
            presented_at: None,
        }
    }
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let done = match &arguments.batch {
        None => Box::pin(one(context, &local, &arguments))
            .await
            .map(|()| Done::All),
        Some(file) => Box::pin(many(context, &local, &arguments, file.clone())).await,
    };
    local.close().await;
    done
}

async fn one(context: &Context, local: &Local, arguments: &Arguments) -> anyhow::Result<()> {
    let shop = local.shop_or_first(arguments.shop.as_deref()).await?;
    let question = AskRequest {
        shop_id: Some(shop),
        visit_id: None,
        facts: Some(arguments.facts()),
        method: arguments.method,
    };
    let given = advice::ask(local.store(), &local.clock, &local.caller, question).await?;
    if context.json {
        let mut line = answer(None, &given);
        if let Some(fields) = line.as_object_mut() {
            fields.insert("reasons".into(), json!(given.body.reasons));
            fields.insert("stop_rules".into(), json!(given.body.stop_rules));
            fields.insert("cautions".into(), json!(given.body.cautions));
            fields.insert("would_flip".into(), json!(given.body.would_flip));
            fields.insert("reading".into(), json!(given.body.reading));
            fields.insert("similar".into(), json!(given.body.similar));
            fields.insert("extrapolates".into(), json!(given.body.extrapolates));
            fields.insert("pays_confidence".into(), json!(given.body.pays_confidence));
        }
        return print(&line.to_string());
    }
    print(&given.body.text)
}

/// One line of `--batch`.
fn answer(case_id: Option<&str>, given: &StoredVerdict) -> serde_json::Value {
    let mut line = json!({
        "answer": given.answer,
        "p": given.chance.map(|chance| chance.mean),
        "lo90": given.chance.map(|chance| chance.lower),
        "hi90": given.chance.map(|chance| chance.upper),
        "n_eq": given.chance.map(|chance| chance.n_eq),
        "band_n": given.band_n,
        "band_recovered": given.band_y,
        "p_star": given.p_star,
        "worth": given.worth_and_cost.map(|money| money.0),
        "cost": given.worth_and_cost.map(|money| money.1),
        "currency": given.currency,
        "unreliable": given.body.unreliable,
        "model_version": given.model_version,
        "cut_off": given.cut_off,
        "belief_only": given.belief_only,
        "verdict_id": given.verdict_id,
    });
    if let (Some(case), Some(fields)) = (case_id, line.as_object_mut()) {
        fields.insert("case_id".into(), json!(case));
    }
    line
}

/// A question with its line and case.
type Line = (u64, String, AskRequest);

/// Questions of a file of batteries, and what was refused of it.
pub(super) async fn questions(
    local: &Local,
    file: &Path,
    method: Option<Method>,
) -> anyhow::Result<(Vec<Line>, Vec<String>)> {
    let shops = registry::list_shops(local.store(), &local.caller).await?;
    let shops: HashMap<String, Uuid> = shops
        .into_iter()
        .map(|shop| (shop.name, shop.shop_id))
        .collect();
    let (mut questions, mut refused) = (Vec::new(), Vec::new());
    for (line, row) in files::read_visits(file)? {
        let row = match row {
            Ok(row) => row,
            Err(reject) => {
                refused.push(format!("line {line}: {reject}"));
                continue;
            }
        };
        let Some(shop) = shops.get(&row.shop).copied() else {
            refused.push(format!(
                "line {line}: shop_id: there is no shop `{}`; import its cost sheet first",
                row.shop
            ));
            continue;
        };
        let question = AskRequest {
            shop_id: Some(shop),
            visit_id: None,
            facts: Some(row.facts),
            method,
        };
        questions.push((line, row.case_ref, question));
    }
    Ok((questions, refused))
}

async fn many(
    context: &Context,
    local: &Local,
    arguments: &Arguments,
    file: PathBuf,
) -> anyhow::Result<Done> {
    let (mut questions, texts) = questions(local, &file, arguments.method).await?;
    for text in &texts {
        remark(text);
    }
    let mut refused = texts.len();
    let mut refuse = |line: u64, text: String| {
        refused += 1;
        remark(&format!("line {line}: {text}"));
    };
    while !questions.is_empty() {
        let chunk: Vec<_> = questions.drain(..questions.len().min(AT_ONCE)).collect();
        let asked = chunk
            .iter()
            .map(|(_, _, question)| question.clone())
            .collect();
        let given = advice::ask_many(local.store(), &local.clock, &local.caller, asked).await?;
        let mut out = String::new();
        for ((line, case, _), given) in chunk.iter().zip(given) {
            match given {
                Ok(given) if context.json => {
                    out.push_str(&answer(Some(case), &given).to_string());
                    out.push('\n');
                }
                Ok(given) => out.push_str(&short(case, &given)),
                Err(Error::Store(error)) => return Err(error.into()),
                Err(error) => refuse(*line, error.to_string()),
            }
        }
        print(&out)?;
    }
    if refused > 0 {
        remark(&format!("{refused} lines were refused"));
    }
    Ok(if refused == 0 {
        Done::All
    } else {
        Done::SomeRefused
    })
}

/// One line for people.
fn short(case: &str, given: &StoredVerdict) -> String {
    let answer = given.answer.as_str().replace('_', " ");
    let chance = given.chance.map_or_else(String::new, |chance| {
        format!(
            "chance {:.0} % ({:.0} to {:.0} %), {} of {} in its band came back",
            chance.mean * 100.0,
            chance.lower * 100.0,
            chance.upper * 100.0,
            given.band_y,
            given.band_n
        )
    });
    format!("{case:12} {answer:15} {chance}\n")
}
