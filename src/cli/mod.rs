//! The command line: parses, opens what a command needs, prints answers.
//!
//! Answers go to standard output, everything else to standard error. Exit codes: 0 done, 1 failed,
//! 2 done but some items were refused or a check failed, 64 wrong usage or settings.

mod admin;
mod again;
mod alarms;
mod ask;
mod call;
mod compare;
mod costs;
mod demo;
mod doctor;
mod due;
mod evaluate;
mod fit;
mod import;
mod local;
mod man;
mod measure;
mod plan;
mod prior;
mod quality;
mod quarantine;
mod replay;
mod report;
mod rules;
mod serve;
mod simulate;
mod site;
mod soak;
mod table;
mod times;
mod tonight;
pub mod trace;

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::LazyLock;

use clap::{CommandFactory as _, Parser, Subcommand};

use crate::config::{self, Config, Loaded, Surroundings};
use crate::store;
use crate::telemetry;

/// Done, but some items were refused.
const SOME_REFUSED: u8 = 2;
/// Wrong usage or settings.
const USAGE: u8 = 64;

/// Which batteries are worth a charger overnight? Takes in charging telemetry, keeps every sample,
/// and answers from what came back.
///
/// restvolt watches and reports. It does not protect: the charger's own cut-outs, the fuse, the
/// ventilation and the person's own checks must be enough with this service switched off.
#[derive(Debug, Parser)]
#[command(version = version(), max_term_width = 100, after_help = EXAMPLES)]
struct Arguments {
    /// Settings file (TOML); see `restvolt config default`.
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Folder of the private database.
    #[arg(long, global = true, value_name = "FOLDER")]
    data_dir: Option<String>,
    /// Service group to speak for.
    #[arg(long, global = true, value_name = "NAME")]
    group: Option<String>,
    /// Answer as JSON, one object a line.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

/// Version of the program, the commit it was built from, and the schema it keeps.
fn version() -> &'static str {
    static VERSION: LazyLock<String> = LazyLock::new(|| {
        format!(
            "{} ({}), schema {}",
            env!("CARGO_PKG_VERSION"),
            env!("RESTVOLT_COMMIT"),
            store::schema_version()
        )
    });
    &VERSION
}

const EXAMPLES: &str = "\
Examples:
  restvolt demo                                      all of it in two minutes, with invented data
  restvolt serve                                     run the service with a private database
  restvolt ask --rest-volts 11.9 --chemistry agm     is this battery worth an attempt?
  restvolt import --batteries b.jsonl --attempts a.jsonl --shops shops.json
  restvolt table                                     which starting voltages came back?

Exit codes: 0 done, 1 failed, 2 done but some items were refused or\na check failed, 64 wrong usage or settings.";

#[derive(Debug, Subcommand)]
enum Command {
    /// See all of it in two minutes: four invented shops, a season of history, a night of charging.
    Demo(demo::Arguments),
    /// Run the service until it is told to stop.
    Serve(serve::Arguments),
    /// Is this battery worth an attempt? One, or a file of many.
    Ask(Box<ask::Arguments>),
    /// Which starting voltages, ages and storage histories actually recovered?
    Table(table::Arguments),
    /// How long do charges take until a battery recovers, fails or is too hot?
    Times(times::Arguments),
    /// What did recorded charges show? Analyzes trace files, without any service.
    Analyse(report::Files),
    /// What did a charge show? Prints the stored report of a run.
    Report(report::Stored),
    /// Which batteries are to be read again after their charge?
    Due(due::Arguments),
    /// Which shop or method does better, with the case mix taken out?
    Compare(compare::Arguments),
    /// What did wasted nights cost, and what would the answers have saved?
    Savings(compare::SavingsArguments),
    /// How good were the answers, and do they drift?
    Quality(quality::Arguments),
    /// What does the model believe before any outcome? Check and use another belief.
    Prior(prior::Arguments),
    /// By which thresholds are charges analyzed? Change one for a shop or a battery label.
    Rules(rules::Arguments),
    /// What does an attempt cost a shop, and what is a recovery worth to it? State it.
    Costs(costs::Arguments),
    /// Is a battery worth one more charge, after a first that did not bring it back?
    Again(again::Arguments),
    /// Which of these batteries get tonight's chargers?
    Tonight(tonight::Arguments),
    /// Objections to a charge plan before the start.
    Plan(Box<plan::Arguments>),
    /// Learn from the outcomes kept, and show the model card.
    Fit(fit::Arguments),
    /// Score the model on an invented fleet whose truth is known.
    Evaluate(evaluate::Arguments),
    /// Take in shops, batteries and attempts from files.
    Import(import::Arguments),
    /// Send a recorded charge to a running service, as the devices of one bench.
    Replay(replay::Arguments),
    /// Simulate chargers, meters and sensors on lead-acid batteries, and send what they would send.
    Simulate(simulate::Arguments),
    /// Break the real service under load and compare what was acknowledged with what is kept.
    Soak(soak::Arguments),
    /// Measure what this machine does: samples kept a second, bytes, delay of a receipt, memory.
    Measure(measure::Arguments),
    /// List open alarms; say that a person has seen one, or put one aside.
    Alarms(alarms::Alarms),
    /// Say who is told of the alarms of a shop.
    Route(alarms::Route),
    /// Call any method of a running service, with JSON.
    Call(call::Arguments),
    /// Register and change devices.
    #[command(subcommand)]
    Device(admin::Device),
    /// Make, list and revoke tokens.
    #[command(subcommand)]
    Token(admin::Token),
    /// Look at refused data, replay or discard it.
    #[command(subcommand)]
    Quarantine(quarantine::Quarantine),
    /// Bring a database to this program's version.
    Migrate(admin::Migrate),
    /// Check the database, the disk and the broker, and say what to mend.
    Doctor(doctor::Arguments),
    /// Show and check settings.
    #[command(subcommand)]
    Config(admin::Config),
    /// Write the manual: a page a command, or one of them to standard output.
    Man(man::Arguments),
    /// Print a completion script for a shell.
    Completions {
        /// Which shell.
        shell: clap_complete::Shell,
    },
}

/// What every command is given.
struct Context {
    loaded: Loaded,
    surroundings: Surroundings,
    json: bool,
}

impl Context {
    fn config(&self) -> &Config {
        &self.loaded.config
    }
}

/// How a command ended when nothing failed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Done {
    /// Everything.
    All,
    /// Some items were refused, or a check failed.
    SomeRefused,
}

/// Runs the command line of this process.
#[must_use]
pub fn main() -> ExitCode {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
            let usage = error.use_stderr();
            // Nothing is left to tell when even the terminal is gone.
            let _ = error.print();
            return if usage {
                ExitCode::from(USAGE)
            } else {
                ExitCode::SUCCESS
            };
        }
    };
    let surroundings = Surroundings::read();
    let mut flags = Vec::new();
    if let Some(folder) = &arguments.data_dir {
        flags.push(("data_dir", folder.clone()));
    }
    if let Some(group) = &arguments.group {
        flags.push(("group.name", group.clone()));
    }
    match &arguments.command {
        Command::Serve(serve) => flags.extend(serve.flags()),
        Command::Doctor(doctor) => flags.extend(doctor.flags()),
        _ => {}
    }
    let loaded = match config::load(arguments.config.as_deref(), &surroundings, &flags) {
        Ok(loaded) => loaded,
        Err(error) => return fail(&error.to_string(), USAGE),
    };
    let context = Context {
        loaded,
        surroundings,
        json: arguments.json,
    };
    let filter = match arguments.command {
        Command::Serve(_) => context.config().log.filter.clone(),
        _ => "warn".to_owned(),
    };
    if let Err(error) = telemetry::start(&filter, context.config().log.format) {
        return fail(&format!("setting log.filter: {error}"), USAGE);
    }
    // Fails only when it was installed before, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let runtime = match tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
    {
        Ok(runtime) => runtime,
        Err(error) => return fail(&format!("cannot start: {error}"), 1),
    };
    let done = runtime.block_on(Box::pin(run(arguments.command, &context)));
    runtime.shutdown_timeout(std::time::Duration::from_secs(1));
    match done {
        Ok(Done::All) => ExitCode::SUCCESS,
        Ok(Done::SomeRefused) => ExitCode::from(SOME_REFUSED),
        Err(error) => fail(&format!("{error:#}"), 1),
    }
}

async fn run(command: Command, context: &Context) -> anyhow::Result<Done> {
    match command {
        Command::Demo(arguments) => demo::run(context, arguments).await,
        Command::Serve(_) => serve::run(context).await,
        Command::Ask(arguments) => ask::run(context, *arguments).await,
        Command::Table(arguments) => table::run(context, arguments).await,
        Command::Times(arguments) => times::run(context, arguments).await,
        Command::Analyse(arguments) => report::analyse(context, &arguments),
        Command::Report(arguments) => report::stored(context, arguments).await,
        Command::Due(arguments) => due::run(context, arguments).await,
        Command::Compare(arguments) => compare::run(context, arguments).await,
        Command::Savings(arguments) => compare::savings(context, arguments).await,
        Command::Prior(arguments) => prior::run(context, arguments).await,
        Command::Quality(arguments) => quality::run(context, arguments).await,
        Command::Costs(arguments) => costs::run(context, arguments).await,
        Command::Rules(arguments) => rules::run(context, arguments).await,
        Command::Again(arguments) => again::run(context, arguments).await,
        Command::Tonight(arguments) => tonight::run(context, arguments).await,
        Command::Plan(arguments) => plan::run(context, &arguments),
        Command::Fit(arguments) => fit::run(context, arguments).await,
        Command::Evaluate(arguments) => evaluate::run(context, arguments).await,
        Command::Import(arguments) => import::run(context, arguments).await,
        Command::Replay(arguments) => replay::run(context, arguments).await,
        Command::Simulate(arguments) => simulate::run(context, arguments).await,
        Command::Soak(arguments) => soak::run(context, arguments).await,
        Command::Measure(arguments) => measure::run(context, arguments).await,
        Command::Alarms(arguments) => alarms::alarms(context, arguments).await,
        Command::Route(arguments) => alarms::route(context, arguments).await,
        Command::Call(arguments) => call::run(context, arguments).await,
        Command::Device(command) => admin::device(context, command).await,
        Command::Token(command) => admin::token(context, command).await,
        Command::Quarantine(command) => quarantine::quarantine(context, command).await,
        Command::Migrate(command) => admin::migrate(context, command).await,
        Command::Doctor(arguments) => doctor::run(context, arguments).await,
        Command::Config(command) => admin::config(context, &command),
        Command::Man(arguments) => man::run(&arguments),
        Command::Completions { shell } => {
            clap_complete::generate(
                shell,
                &mut Arguments::command(),
                "restvolt",
                &mut std::io::stdout(),
            );
            Ok(Done::All)
        }
    }
}

fn fail(text: &str, code: u8) -> ExitCode {
    // Nothing is left to tell when even the terminal is gone.
    let _ = writeln!(std::io::stderr(), "restvolt: {text}");
    ExitCode::from(code)
}

/// Writes an answer; a reader that went away (`| head`) is no failure.
fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| {
        if text.ends_with('\n') {
            out.flush()
        } else {
            writeln!(out)
        }
    }) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(error.into()),
        _ => Ok(()),
    }
}

/// Writes progress and remarks.
fn remark(text: &str) {
    let _ = writeln!(std::io::stderr(), "{text}");
}
