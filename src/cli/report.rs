//! `report` and `analyse`: what a charge showed, of the record or of files.

mod plot;
mod text;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use serde_json::{Value, json};
use uuid::Uuid;

use super::admin::word;
use super::local::Local;
use super::trace::{self, Recording};
use super::{Context, Done, print, remark};
use crate::advice::running::RunningAdvice;
use crate::analysis::context::Context as Known;
use crate::analysis::rules::Rules;
use crate::analysis::run::{self, Closing};
use crate::query::advice::{self, RunningAnswer, RunningRequest};
use crate::query::runs;
use crate::query::watch::{self, RunReport, STANDING_SHORT};
use crate::record::run::{Cast, Member, Place, Run, Voice};
use crate::record::words::{Chemistry, DeviceKind};

/// Print what a charge showed, as it is stored: findings, stop advice, figures with their bounds.
///
/// While the charge runs this is what is known so far.
#[derive(Debug, clap::Args)]
pub(super) struct Stored {
    /// Any session of the run.
    #[arg(
        value_name = "SESSION",
        required_unless_present = "latest",
        conflicts_with = "latest"
    )]
    session: Option<Uuid>,
    /// The charge that was summed up last.
    #[arg(long)]
    latest: bool,
    /// Without the drawing of voltage, current and temperature.
    #[arg(long)]
    no_plot: bool,
}

/// Analyze recorded charges without any service; says what one session can tell and what not.
///
/// Without the facts of the battery only rules without chemistry and size apply. Millivolts sent as
/// volts are set right here, and the report says so; the service never does that.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Files {
    /// Trace files: CSV, plain or .gz, `src,t_ms,v,i,t_case,t_centre,t_ambient,event`.
    #[arg(required = true, value_name = "FILE")]
    traces: Vec<PathBuf>,
    /// Construction, as on the case.
    #[arg(long, value_parser = word!(Chemistry), default_value = "unknown")]
    chemistry: Chemistry,
    /// Nominal voltage, V: 6 or 12.
    #[arg(long, value_name = "V", value_parser = nominal)]
    nominal_volts: Option<u8>,
    /// Rated capacity at the 20 h rate, Ah.
    #[arg(long, value_name = "AH", value_parser = positive)]
    rated_ah: Option<f64>,
    /// Rated cold cranking current, A.
    #[arg(long, value_name = "A", value_parser = positive)]
    rated_cca: Option<f64>,
    /// Age, months.
    #[arg(long, value_name = "MONTHS", value_parser = positive)]
    age: Option<f64>,
    /// Rested voltage before the charge, V, as a person read it.
    #[arg(long, value_name = "V", value_parser = positive)]
    rest_volts: Option<f64>,
    /// Air around the battery where no sensor tells it, degC.
    #[arg(long, value_name = "DEGC", allow_negative_numbers = true)]
    ambient: Option<f64>,
    /// Without the drawing of voltage, current and temperature.
    #[arg(long)]
    no_plot: bool,
}

const EXAMPLES: &str = "\
Examples:
  restvolt analyse charge.csv.gz
  restvolt analyse --chemistry agm --nominal-volts 12 --rated-ah 18 charge.csv";

fn nominal(text: &str) -> Result<u8, String> {
    match text {
        "6" => Ok(6),
        "12" => Ok(12),
        _ => Err("it takes 6 or 12".into()),
    }
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value > 0.0 && value.is_finite() => Ok(value),
        _ => Err("it takes a number above 0".into()),
    }
}

impl Files {
    fn known(&self) -> Known {
        Known {
            claimed: self.chemistry != Chemistry::Unknown
                || self.nominal_volts.is_some()
                || self.rated_ah.is_some(),
            nominal_v: self.nominal_volts,
            chemistry: self.chemistry,
            c20_ah: self.rated_ah,
            rated_cca_a: self.rated_cca,
            age_months: self.age,
            ambient_c: self.ambient,
            start_rest_v: self.rest_volts,
            correct_units: true,
            ..Known::default()
        }
    }
}

/// The devices of a file as a run; their clocks are taken at their word.
fn as_run(recordings: BTreeMap<DeviceKind, Recording>) -> anyhow::Result<Run> {
    let places: Vec<Place> = recordings
        .iter()
        .zip(1u128..)
        .map(|((kind, recording), number)| Place {
            session: Uuid::from_u128(number),
            device: Uuid::from_u128(number),
            kind: *kind,
            start_ms: recording.clock_ms,
            end_ms: recording.clock_ms + recording.samples.last_ms(),
            first_ms: 0,
        })
        .collect();
    let first = places.first().context("it has no samples")?;
    let cast = Cast::of(first.session, &places).context("it has no samples")?;
    let mut voices: Vec<Voice> = Vec::new();
    for (kind, recording) in recordings {
        let member = std::iter::once(&cast.lead)
            .chain(&cast.others)
            .find(|member: &&Member| member.place.kind == kind);
        match member {
            Some(member) => voices.push(Voice {
                member: *member,
                pieces: vec![recording.samples],
            }),
            None => remark(&format!("the {kind} does not overlap the charge; left out")),
        }
    }
    let lead = cast.lead.place.kind;
    let place = voices
        .iter()
        .position(|voice| voice.member.place.kind == lead);
    let lead = voices.remove(place.context("it has no samples")?);
    Ok(Run {
        lead,
        others: voices,
        from_ms: i64::MIN,
        until_ms: None,
    })
}

fn analyzed(file: &Path, known: &Known) -> anyhow::Result<(Closing, Run)> {
    let whole = as_run(trace::read(file)?)?;
    Ok((run::close(&whole, &Rules::default(), known), whole))
}

pub(super) fn analyse(context: &Context, arguments: &Files) -> anyhow::Result<Done> {
    let known = arguments.known();
    let mut done = Done::All;
    for file in &arguments.traces {
        let (closing, whole) = match analyzed(file, &known) {
            Ok(found) => found,
            Err(error) if arguments.traces.len() > 1 => {
                remark(&format!("{error:#}"));
                done = Done::SomeRefused;
                continue;
            }
            Err(error) => return Err(error),
        };
        let mut account = serde_json::to_value(&closing)?;
        if context.json {
            let file = json!(file.display().to_string());
            add(
                &mut account,
                [("file", file), ("standing", json!(STANDING_SHORT))],
            );
            print(&account.to_string())?;
        } else {
            let heading = format!("{}, analyzed offline", file.display());
            let drawing = if arguments.no_plot {
                String::new()
            } else {
                plot::render(&whole)
            };
            let beside = (&[][..], drawing.as_str());
            print(&text::render(
                &heading,
                &account,
                arguments.chemistry,
                beside,
            ))?;
        }
    }
    Ok(done)
}

pub(super) async fn stored(context: &Context, arguments: Stored) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let work = async {
        let session = match arguments.session {
            Some(session) => session,
            None => watch::latest(local.store(), &local.caller)
                .await?
                .context("no charge was summed up yet")?,
        };
        let report = watch::get_report(local.store(), &local.caller, session).await?;
        let drawing = if context.json || arguments.no_plot {
            String::new()
        } else {
            plot::render(&runs::load(local.store(), &local.caller, session).await?)
        };
        let running = running(&local, &report).await?;
        show(context, &report, (running, &drawing))
    };
    let done = Box::pin(work).await;
    local.close().await;
    done.map(|()| Done::All)
}

/// Adds fields to an account.
fn add<const N: usize>(account: &mut Value, fields: [(&str, Value); N]) {
    if let Some(object) = account.as_object_mut() {
        object.extend(fields.map(|(name, value)| (name.to_owned(), value)));
    }
}

/// What is said by worth of the attempt that has claimed a run.
async fn running(local: &Local, found: &RunReport) -> anyhow::Result<Option<RunningAnswer>> {
    let summed = found
        .summary
        .as_ref()
        .and_then(|summary| summary.attempt_id);
    let going = found.state.as_ref().and_then(|state| state.attempt_id);
    let Some(attempt_id) = going.or(summed) else {
        return Ok(None);
    };
    let request = RunningRequest {
        attempt_id,
        now: None,
    };
    let answer = advice::running(local.store(), &local.clock, &local.caller, request).await?;
    Ok(Some(answer))
}

/// By worth, at each checkpoint that was passed.
fn by_worth(answer: &RunningAnswer) -> Vec<String> {
    let at = |one: &RunningAdvice| {
        let percent = |share: f64| 100.0 * share;
        format!(
            "at {} h: chance so far {:.0} %, {:.0} % before the charge; below {:.0} % going on costs more \
             than it is worth: {}. {}",
            one.checkpoint.hours(),
            percent(one.chance),
            percent(one.chance_before),
            percent(one.stop_below),
            if one.run_on {
                "stopping would pay, but one in twenty runs on, so that stops are checked, and this is one; limits \
                 and findings come first"
            } else if one.stop {
                "stopping pays"
            } else {
                "going on pays"
            },
            if one.belief_only {
                format!("Belief: {} settled charges of this group", one.charges)
            } else {
                format!("By {} settled charges of this group", one.charges)
            }
        )
    };
    answer.at.iter().map(at).collect()
}

fn show(
    context: &Context,
    found: &RunReport,
    (running, drawing): (Option<RunningAnswer>, &str),
) -> anyhow::Result<()> {
    let session = found.lead.session_id;
    let (body, revision, at) = match (&found.summary, &found.state) {
        (Some(summary), _) if found.is_final() => {
            (&summary.body, summary.revision, summary.made_at)
        }
        (_, Some(state)) => (&state.body, state.revision, state.updated_at),
        (Some(summary), None) => (&summary.body, summary.revision, summary.made_at),
        (None, None) => anyhow::bail!(
            "the watch has not looked at session {session} yet: it does while the service runs"
        ),
    };
    let mut account: Value = serde_json::from_str(body).context("a stored report is no JSON")?;
    if account.get("report").is_none() {
        account = json!({"report": account});
    }
    if context.json {
        let said = [
            ("session_id", json!(session)),
            ("revision", json!(revision)),
            ("final", json!(found.is_final())),
            ("stored_findings", json!(found.findings)),
            ("by_worth", json!(running)),
            ("standing", json!(STANDING_SHORT)),
        ];
        add(&mut account, said);
        return print(&account.to_string());
    }
    let so_far = if found.is_final() {
        ""
    } else {
        ", so far: the charge is not over"
    };
    let heading = format!(
        "Charge that began {}, session {session}, revision {revision} of {}{so_far}",
        found.lead.start_at.format("%Y-%m-%d %H:%MZ"),
        at.format("%Y-%m-%d %H:%MZ"),
    );
    let worth = running.as_ref().map(by_worth).unwrap_or_default();
    let beside = (worth.as_slice(), drawing);
    print(&text::render(
        &heading,
        &account,
        Chemistry::Unknown,
        beside,
    ))
}
