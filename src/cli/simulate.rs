//! `simulate`: charges of batteries that do not exist, sent as real devices would.

mod instruments;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use serde_json::json;

use super::admin::word;
use super::replay::delivery::{Delivery, Sent};
use super::trace::{self, Recording};
use super::{Context, Done, print, remark};
use crate::record::words::DeviceKind;
use crate::simulation::{Case, Setup};

const EXAMPLES: &str = "\
Each battery has a bench of its own (\"bench 1\", ...) with a charger (1 Hz), a meter (every 10 s, a clock
of its own) and a temperature sensor. It rests for five minutes, is charged, and rests for an hour.
All of it is invented: nothing that is learned from it says anything about real batteries.

Examples:
  restvolt simulate                                     six batteries, one of each case, over gRPC
  restvolt simulate --chargers 20 --mqtt mqtt://127.0.0.1:7402 --speed 600 --disorder 7
  restvolt simulate --case shorted_cell,runaway --speed 600 --offline 2-3 --reboot 5
  restvolt simulate --case sulfated --write traces      only files, for `restvolt replay`";

/// Simulate chargers, meters and sensors on lead-acid batteries, and send what they would send.
///
/// Healthy, deeply discharged, sulfated and shorted batteries, thermal runaway and a loose clamp, from
/// acid, active material, gassing and heat; the same seed gives the same charges. Faults of devices are
/// made on request: disorder and duplicates, a restart, no clock, an hour out of reach.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// Batteries on chargers at once.
    #[arg(long, default_value_t = 6, value_parser = clap::value_parser!(u16).range(1..=500))]
    chargers: u16,
    /// What is the matter with them, in turn; all cases without it.
    #[arg(long, value_name = "CASE,...", value_delimiter = ',', value_parser = word!(Case))]
    case: Vec<Case>,
    /// The same seed draws the same batteries.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Length of each charge, h.
    #[arg(long, default_value_t = 12.0, value_parser = length)]
    hours: f64,
    /// Write trace files into this folder and send nothing.
    #[arg(long, value_name = "FOLDER")]
    write: Option<PathBuf>,
    #[command(flatten)]
    delivery: Delivery,
}

fn length(text: &str) -> Result<f64, String> {
    let hours: f64 = text.parse().map_err(|_| "it is a number of hours")?;
    if (0.1..=96.0).contains(&hours) {
        Ok(hours)
    } else {
        Err("it is 0.1 to 96 h".into())
    }
}

/// A battery and what its devices recorded.
pub(super) struct Simulated {
    pub(super) number: u16,
    pub(super) case: Case,
    pub(super) nominal_volts: u8,
    pub(super) rated_ah: f64,
    /// Voltage at rest before the charge, V, to a millivolt.
    pub(super) start_volts: f64,
    /// Charged share of the weakest cell in the end.
    pub(super) weakest: f64,
    pub(super) recordings: BTreeMap<DeviceKind, Recording>,
}

impl Simulated {
    fn name(&self) -> String {
        format!("{} {}", self.case, self.number)
    }

    pub(super) fn bench(&self) -> String {
        format!("bench {}", self.number)
    }
}

/// How long, h.
#[derive(Debug, Clone, Copy)]
pub(super) struct Hours {
    pub(super) charge: f64,
    pub(super) rest: f64,
}

/// Simulates one battery.
pub(super) fn simulate(number: u16, case: Case, seed: u64, hours: Hours) -> Simulated {
    let mut setup = Setup::draw(case, seed.wrapping_mul(1_000) + u64::from(number));
    Simulated {
        number,
        case,
        nominal_volts: setup.nominal_volts,
        rated_ah: setup.rated_ah,
        start_volts: (setup.start_v * 1000.0).round() / 1000.0,
        recordings: instruments::record(&mut setup, seed ^ u64::from(number), hours),
        weakest: setup.charge.battery().weakest(),
    }
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let cases = if arguments.case.is_empty() {
        Case::ALL.to_vec()
    } else {
        arguments.case.clone()
    };
    let client = match arguments.write {
        Some(_) => None,
        // Before the work: an address where nobody answers is told at once.
        None => Some(arguments.delivery.client(context).await?),
    };
    let mut batteries = Vec::new();
    for (number, case) in (1..=arguments.chargers).zip(cases.into_iter().cycle()) {
        let hours = Hours {
            charge: arguments.hours,
            rest: 1.0,
        };
        let seed = arguments.seed;
        let work = tokio::task::spawn_blocking(move || simulate(number, case, seed, hours));
        let made = work.await?;
        told(context, &made)?;
        batteries.push(made);
        if arguments.chargers > 10 && number % 10 == 0 {
            remark(&format!("{number} of {} simulated", arguments.chargers));
        }
    }
    let Some(client) = client else {
        let folder = arguments.write.unwrap_or_default();
        return write(&folder, &batteries);
    };
    let mut work = Vec::new();
    for made in &batteries {
        let delivery = &arguments.delivery;
        let bench = client.bench(&delivery.shop, &made.bench()).await?;
        let client = &client;
        work.push(Box::pin(async move {
            let sent = Sent {
                name: &made.name(),
                recordings: &made.recordings,
                declare: None,
            };
            delivery.send(context, (client, &bench), sent).await
        }));
    }
    let mut done = Done::All;
    for sent in futures_util::future::join_all(work).await {
        if sent? == Done::SomeRefused {
            done = Done::SomeRefused;
        }
    }
    Ok(done)
}

/// Says which battery it is.
fn told(context: &Context, made: &Simulated) -> anyhow::Result<()> {
    if context.json {
        let facts = json!({
            "bench": made.bench(), "case": made.case.as_str(), "nominal_volts": made.nominal_volts,
            "rated_ah": made.rated_ah, "start_volts": made.start_volts, "chemistry": "agm",
        });
        return print(&json!({ "simulated": facts }).to_string());
    }
    print(&format!(
        "{:9} {:15} {} V {:?} Ah AGM, {:?} V before the charge",
        made.bench(),
        made.case.as_str(),
        made.nominal_volts,
        made.rated_ah,
        made.start_volts
    ))
}

fn write(folder: &Path, batteries: &[Simulated]) -> anyhow::Result<Done> {
    std::fs::create_dir_all(folder)
        .with_context(|| format!("cannot make the folder {}", folder.display()))?;
    for made in batteries {
        let path = folder.join(format!("{}.csv.gz", made.name().replace(' ', "-")));
        trace::write(&path, &made.recordings)?;
        print(&path.display().to_string())?;
    }
    Ok(Done::All)
}
