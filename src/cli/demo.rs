//! `demo`: all of it in two minutes, with invented data, on this machine, leaving nothing running.

mod night;
mod season;

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use serde_json::Value;

use self::night::{Guest, Morning};
use super::replay::client::Client;
use super::site::Site;
use super::{Context, Done, print, remark};
use crate::clock::Clock;
use crate::config;
use crate::record::words::{OutcomeClass, Scope};

/// File that makes a folder the demo's own, and its first line.
const SETTINGS: &str = "restvolt.toml";
const MARK: &str = "# Made by `restvolt demo`, which empties this folder when it runs again.";
/// Service group of the demo.
const GROUP: &str = "Tarn Valley";

/// Questions whose answers are shown: attempt, do not, a hazard, measure first.
const QUESTIONS: [&[&str]; 4] = [
    &[
        "--shop",
        "Kelder",
        "--rest-volts",
        "12.2",
        "--chemistry",
        "agm",
        "--months",
        "3",
        "--storage",
        "removed_indoors",
        "--tester",
        "ok",
        "--price",
        "95",
    ],
    &[
        "--shop",
        "Vell",
        "--rest-volts",
        "3.1",
        "--chemistry",
        "flooded",
        "--months",
        "20",
        "--storage",
        "installed_connected",
        "--tester",
        "no_power_up",
        "--price",
        "55",
    ],
    &[
        "--shop",
        "Ostrow",
        "--segment",
        "marine",
        "--rest-volts",
        "12.4",
        "--chemistry",
        "flooded",
        "--flag",
        "swollen",
        "--price",
        "140",
    ],
    &[
        "--shop",
        "Kelder",
        "--rest-volts",
        "9.5",
        "--chemistry",
        "agm",
        "--price",
        "160",
    ],
];

/// See all of it in two minutes: four invented shops, a season of history, a night of charging.
///
/// Starts a service with a private database and an MQTT door of its own, takes in a season of the
/// invented Tarn Valley group, lets batteries come in, be asked about, be charged by simulated chargers
/// over MQTT and gRPC, and be tested in the morning. Then it shows what recovered, four verdicts, the shops side by side, and how
/// to ask more. Everything runs on this machine and is ended with it; the data stays for your questions.
///
/// All of it is invented: nothing it says is about real batteries.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  restvolt demo
  restvolt demo --folder /tmp/tarn-valley --seed 7")]
pub(super) struct Arguments {
    /// Folder for its data; emptied when the demo runs again. Without it, beside the service's own.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// Batteries that are charged in the night.
    #[arg(long, default_value_t = 12, value_parser = clap::value_parser!(u16).range(1..=48))]
    benches: u16,
    /// The same seed draws the same season and the same batteries.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// The steps, with the time since the beginning.
struct Steps {
    began: Instant,
    number: u8,
}

impl Steps {
    fn next(&mut self, what: &str) {
        self.number += 1;
        let seconds = self.began.elapsed().as_secs();
        remark(&format!("[{}/6, {seconds:2} s] {what}", self.number));
    }
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let folder = match arguments.folder.clone() {
        Some(folder) => folder,
        None => beside(&config::data_dir(context.config(), &context.surroundings)),
    };
    let settings = folder.join(SETTINGS);
    let _lock = fresh(&folder)?;
    let mut site = Site::new(&folder, false)?.configured(&settings);
    let mut steps = Steps {
        began: Instant::now(),
        number: 0,
    };
    remark("Everything in this demo is invented. It watches and reports; it does not protect.");
    let shown = Box::pin(show(&arguments, &folder, &mut site, &mut steps)).await;
    steps.next("ending the service and its database");
    let stopped = site.stop().await;
    shown?;
    stopped?;
    let again = format!(
        "{} --config {}",
        site.program().display(),
        settings.display()
    );
    print(&format!(
        "\nNothing is left running; the data is in {}. Ask more:\n\
         \x20 {again} table --by storage\n\
         \x20 {again} table --shop Kelder\n\
         \x20 {again} ask --shop Brack --rest-volts 11.6 --chemistry agm --months 6 --price 80\n\
         \x20 {again} device list\n\
         \x20 {again} serve          the service again, for `restvolt simulate`\n\
         Another command finds more: {} --help. Took {} s.",
        folder.display(),
        site.program().display(),
        steps.began.elapsed().as_secs()
    ))?;
    Ok(Done::All)
}

/// The folder's neighbour.
fn beside(data: &Path) -> PathBuf {
    let name = data.file_name().unwrap_or_default().to_string_lossy();
    data.with_file_name(format!("{name}-demo"))
}

/// Empties the folder of an earlier demo, or makes it; the lock keeps a second demo out.
fn fresh(folder: &Path) -> anyhow::Result<File> {
    let settings = folder.join(SETTINGS);
    let taken = folder
        .read_dir()
        .is_ok_and(|mut files| files.next().is_some());
    let own = fs::read_to_string(&settings).is_ok_and(|text| text.starts_with(MARK));
    anyhow::ensure!(
        !taken || own,
        "{} holds something that is not the demo's: name another folder with --folder",
        folder.display()
    );
    fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    let absolute = folder.canonicalize()?;
    let data = absolute.join("data");
    let lock = File::options().create(true).append(true).open(&settings)?;
    lock.try_lock()
        .with_context(|| format!("another demo runs in {}", folder.display()))?;
    if data.exists() {
        fs::remove_dir_all(&data).with_context(|| {
            format!(
                "cannot empty {}: is a service running on it?",
                data.display()
            )
        })?;
    }
    let text = toml::to_string(&serde_json::json!({
        "data_dir": data.display().to_string(), "group": { "name": GROUP },
    }))?;
    fs::write(&settings, format!("{MARK}\n{text}"))?;
    Ok(lock)
}

async fn show(
    arguments: &Arguments,
    folder: &Path,
    site: &mut Site,
    steps: &mut Steps,
) -> anyhow::Result<()> {
    steps.next("starting the service with a private database and an MQTT door");
    let token = site.token("demo", Scope::Operator)?;
    site.start_service()?;
    site.wait_ready().await?;
    let (server, mqtt) = (site.server(), format!("mqtt://{}", site.door));
    remark(&format!("  gRPC on {server}, MQTT on {mqtt}"));

    steps.next("taking in a season of four shops");
    history(arguments, folder, site)?;

    steps.next(
        "simulating a night: each battery rests, is charged for 12 h, and rests until morning",
    );
    let (benches, seed) = (arguments.benches, arguments.seed);
    let drawn =
        (1..=benches).map(|number| tokio::task::spawn_blocking(move || Guest::new(number, seed)));
    let mut guests = Vec::new();
    for guest in drawn.collect::<Vec<_>>() {
        guests.push(guest.await??);
    }

    steps.next("the night: visits, verdicts, charges over MQTT and gRPC, retests in the morning");
    let client = Client::of(&server, &token).await?;
    let done = AtomicUsize::new(0);
    let told = |morning: &Morning| {
        remark(&format!(
            "  {:2} of {benches}: {:15} {:7} samples kept over {}, refused {}",
            done.fetch_add(1, Ordering::Relaxed) + 1,
            morning.bench,
            morning.samples,
            morning.door,
            morning.refused
        ));
    };
    let mornings = Box::pin(night::night(&client, (&server, &mqtt), &guests, &told)).await?;
    print(&table(&mornings))?;

    steps.next("what recovered, four verdicts, the shops side by side");
    ask(site, &["table"], table_head)?;
    for question in QUESTIONS {
        let words: Vec<&str> = ["ask"].iter().chain(question).copied().collect();
        ask(site, &words, verdict_head)?;
    }
    ask(site, &["compare"], str::to_owned)?;
    summed_up(site).await?;
    ask(site, &["report", "--latest"], str::to_owned)
}

/// Waits until the watch has summed up a charge of the night: it does so a moment after the claim.
async fn summed_up(site: &Site) -> anyhow::Result<()> {
    for _ in 0..40 {
        let report = site.command().args(["report", "--latest"]).output()?;
        if report.status.success() {
            return Ok(());
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    anyhow::bail!("no charge of the night was summed up within 20 s")
}

/// Writes the season as files and imports them, as anybody would.
fn history(arguments: &Arguments, folder: &Path, site: &Site) -> anyhow::Result<()> {
    let season = season::season(arguments.seed, Clock::System.now());
    let files = [
        (
            "--shops",
            "shops.json",
            serde_json::to_string_pretty(&season.shops)?,
        ),
        ("--batteries", "batteries.jsonl", lines(&season.batteries)),
        ("--attempts", "attempts.jsonl", lines(&season.attempts)),
    ];
    let mut words = vec!["import".to_owned()];
    for (flag, name, text) in files {
        let path = folder.join(name);
        fs::write(&path, text).with_context(|| format!("cannot write {}", path.display()))?;
        words.extend([flag.to_owned(), path.display().to_string()]);
    }
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    ask(site, &words, str::to_owned)
}

fn lines(rows: &[Value]) -> String {
    rows.iter()
        .fold(String::new(), |text, row| text + &row.to_string() + "\n")
}

/// Shows a command and what this program answers to it.
fn ask(site: &Site, words: &[&str], shown: impl Fn(&str) -> String) -> anyhow::Result<()> {
    let output = site.command().args(words).output()?;
    let error = String::from_utf8_lossy(&output.stderr).into_owned();
    anyhow::ensure!(
        output.status.success(),
        "restvolt {}: {error}",
        words.join(" ")
    );
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    print(&format!(
        "\n$ restvolt {}\n{}",
        words.join(" "),
        shown(&text)
    ))
}

/// The recovery table without its finer half.
fn table_head(text: &str) -> String {
    match text.split_once("\nBy start voltage and months") {
        Some((head, _)) => format!("{head}\n(By voltage and months together: ask it again.)"),
        None => text.to_owned(),
    }
}

/// A verdict without the rules for whoever watches the charge; the cautions are never left out.
fn verdict_head(text: &str) -> String {
    let (rules, cautions) = (text.find("Stop rules"), text.find("Cautions"));
    let parts = rules.zip(cautions);
    let parts = parts.and_then(|(rules, cautions)| text.get(..rules).zip(text.get(cautions..)));
    match parts {
        Some((head, cautions)) => {
            format!("{head}(Stop rules for the charge: ask it again.)\n{cautions}")
        }
        None => text.to_owned(),
    }
}

/// What came of each battery, a line each.
fn table(mornings: &[Morning]) -> String {
    let mut text = format!(
        "\n{:15} {:10}  {:15} {:>7}  {:30} {:>7}  {:27} {}\n",
        "bench",
        "battery",
        "simulated as",
        "before",
        "verdict before the charge",
        "put in",
        "morning",
        "outcome"
    );
    for morning in mornings {
        let answer = morning.answer.map_or("no answer", |answer| answer.as_str());
        let verdict = match morning.chance {
            Some([chance, low, high]) => {
                format!(
                    "{}, {chance:.0} % ({low:.0}-{high:.0} %)",
                    answer.replace('_', " ")
                )
            }
            None => answer.replace('_', " "),
        };
        let charge = match morning.charge_ah {
            Some(charge) => format!("{charge:.1} Ah"),
            None => "unknown".to_owned(),
        };
        let outcome = morning.outcome.unwrap_or(OutcomeClass::Undetermined);
        let standing = match (outcome, morning.confirmed) {
            (OutcomeClass::Undetermined, _) => "",
            (_, true) => ", confirmed",
            (_, false) => ", provisional",
        };
        let line = format!(
            "{:15} {:10}  {:15} {:5.2} V  {verdict:30} {charge:>7}  {:27} {}{standing}\n",
            morning.bench,
            morning.battery,
            morning.case,
            morning.start_volts,
            format!(
                "{:.2} V after 8 h, CCA {:.0} %",
                morning.rested_volts,
                morning.cranking * 100.0
            ),
            outcome.as_str().replace('_', " "),
        );
        text += &line;
    }
    text + "Chances with their 90 % ranges; this night everything is charged, whatever the verdict. \
            Provisional: a reading\nafter 72 h of rest would confirm it.\n"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_of_others_is_left_alone_and_an_earlier_demo_is_emptied() {
        let folder = std::env::temp_dir().join(format!("restvolt-demo-{}", std::process::id()));
        let lock = fresh(&folder).unwrap();
        let again = fresh(&folder).unwrap_err();
        assert!(
            format!("{again:#}").contains("another demo runs"),
            "{again:#}"
        );
        fs::create_dir(folder.join("data")).unwrap();
        drop(lock);
        let lock = fresh(&folder).unwrap();
        assert!(!folder.join("data").exists());
        drop(lock);
        fs::write(folder.join(SETTINGS), "data_dir = \"mine\"").unwrap();
        let refused = fresh(&folder).unwrap_err();
        assert!(refused.to_string().contains("--folder"), "{refused}");
        fs::remove_dir_all(&folder).unwrap();
        assert_eq!(
            beside(Path::new("/a/restvolt")),
            Path::new("/a/restvolt-demo")
        );
    }
}
