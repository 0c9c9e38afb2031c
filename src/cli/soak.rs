//! `soak`: runs the real service under load, breaks things, and compares what was acknowledged with
//! what is kept.

mod check;
mod hostile;
mod ledger;
mod load;
mod report;
mod vectors;

use anyhow::Context as _;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use uuid::Uuid;

use self::ledger::Ledger;
use self::load::{Counts, LoadDevice};
use self::report::{Recoveries, Report};
use super::replay::client::Client;
use super::site::Site;
use super::{Context, Done, print, remark};
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::Version;
use crate::record::words::{DeviceKind, Scope};

/// Recovery after a fault must not take longer.
const RECOVERY: Duration = Duration::from_secs(30);
/// Time without a word from a door after which the soak ends as failed.
const GIVE_UP: Duration = Duration::from_mins(3);
/// How long the database stays away in fault `away`.
const AWAY: Duration = Duration::from_mins(1);
/// Shortest and longest time between faults, ms.
const PAUSE_MS: (u64, u64) = (300, 2_500);

/// A way in for telemetry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Door {
    Grpc,
    Mqtt,
    Broker,
}

impl Door {
    const ALL: [Self; 3] = [Self::Grpc, Self::Mqtt, Self::Broker];

    fn as_str(self) -> &'static str {
        match self {
            Self::Grpc => "grpc",
            Self::Mqtt => "mqtt",
            Self::Broker => "broker",
        }
    }

    fn find(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|door| door.as_str() == text)
    }
}

impl std::fmt::Display for Door {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

/// What is broken on purpose.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Fault {
    /// kill -9 of the service.
    Service,
    /// kill -9 of the database's postmaster.
    Postgres,
    /// kill -9 of the broker.
    Broker,
    /// The database lets nobody in for a minute.
    Away,
    /// The broker loses its sessions and what it kept.
    Session,
}

impl Fault {
    const ALL: [Self; 5] = [
        Self::Service,
        Self::Postgres,
        Self::Broker,
        Self::Away,
        Self::Session,
    ];

    fn as_str(self) -> &'static str {
        match self {
            Self::Service => "kill -9 of the service",
            Self::Postgres => "kill -9 of Postgres",
            Self::Broker => "kill -9 of the broker",
            Self::Away => "Postgres away for 60 s",
            Self::Session => "session lost at the broker",
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Service => "service",
            Self::Postgres => "postgres",
            Self::Broker => "broker",
            Self::Away => "away",
            Self::Session => "session",
        }
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

/// Run the real service under load, break things, and compare what was acknowledged with what is
/// kept.
///
/// A service with a private database, and a Mosquitto broker where one is installed, run in a folder
/// of their own. Devices send without pause over every door, shuffled, a fifth of it twice. Bad input
/// is sent first; then the faults come, in an order drawn from the seed. Each acknowledgement is
/// written to a ledger. At the end ledger, samples, segments, receipts and quarantine are compared:
/// nothing acknowledged may be lost, nothing stored twice.
///
/// Exit code 1 when anything is lost, stored twice, different, or recovers too late.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Arguments {
    /// What is drawn: the order of faults, pauses, disorder, boots.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Shortest time under load, minutes; it lasts until every fault came.
    #[arg(long, default_value_t = 0.5)]
    minutes: f64,
    /// How often each fault comes: service, postgres, broker, away (for 60 s), session.
    #[arg(long, value_name = "FAULT:COUNT,...", default_value = "service:5,postgres:1,broker:1",
          value_delimiter = ',', value_parser = fault)]
    faults: Vec<(Fault, u32)>,
    /// Devices per door.
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(1..=50))]
    devices: u8,
    /// Folder for data, logs and ledger; kept. Without it they are removed at the end.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
    /// Only compare the ledger of a kept folder with its data again.
    #[arg(long, value_name = "FOLDER", conflicts_with_all = ["folder", "faults", "minutes"])]
    again: Option<PathBuf>,
}

const EXAMPLES: &str = "\
Examples:
  restvolt soak                                       the small one, about a minute
  restvolt soak --faults service:20,postgres:3,broker:3,away:1,session:1 --minutes 10
  restvolt soak --seed 7 --faults service:0           load and bad input alone";

fn fault(text: &str) -> Result<(Fault, u32), String> {
    let (name, count) = text.split_once(':').unwrap_or((text, "1"));
    let known = Fault::ALL.into_iter().find(|fault| fault.name() == name);
    let fault = known.ok_or_else(|| {
        let names: Vec<&str> = Fault::ALL.iter().map(|fault| fault.name()).collect();
        format!("`{name}` is none of {}", names.join(", "))
    })?;
    let count = count
        .parse()
        .ok()
        .filter(|count| *count <= 10_000)
        .ok_or_else(|| format!("`{count}` is no number up to 10000"))?;
    Ok((fault, count))
}

/// Numbers that repeat with their seed.
#[derive(Debug, Clone)]
pub(super) struct Draw {
    seed: u64,
    count: u64,
}

impl Draw {
    fn new(seed: u64, stream: u64) -> Self {
        let seed = seed ^ stream.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        Self { seed, count: 0 }
    }

    /// The next number.
    pub(super) fn next(&mut self) -> u64 {
        self.count += 1;
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.seed.to_le_bytes());
        hasher.update(&self.count.to_le_bytes());
        let mut bytes = [0; 8];
        hasher.finalize_xof().fill(&mut bytes);
        u64::from_le_bytes(bytes)
    }

    /// A number of a boot.
    pub(super) fn boot(&mut self) -> i64 {
        i64::from_le_bytes(self.next().to_le_bytes()) | 1 << 32
    }
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    anyhow::ensure!(
        (0.0..=100_000.0).contains(&arguments.minutes),
        "--minutes is 0 to 100000"
    );
    if let Some(folder) = &arguments.again {
        return Box::pin(again(context, folder)).await;
    }
    let kept = arguments.folder.is_some();
    let folder = arguments.folder.clone().unwrap_or_else(|| {
        std::env::temp_dir().join(format!("restvolt-soak-{}", std::process::id()))
    });
    let broker = Site::has_broker();
    if !broker {
        remark("no Mosquitto here: the broker is left out (apt-get install mosquitto)");
    }
    let mut site = Site::new(&folder, broker)?;
    // An older ledger is refused before anything is done in its folder.
    let ledger = Arc::new(Ledger::create(&folder.join("ledger"))?);
    let done = Box::pin(soak(context, &arguments, &mut site, ledger)).await;
    let stopped = site.stop().await;
    if let Ok(report) = &done {
        print(&report.text(context, &arguments))?;
    }
    let good = done.as_ref().is_ok_and(Report::is_good) && stopped.is_ok();
    if good && !kept {
        std::fs::remove_dir_all(&folder)?;
    } else {
        remark(&format!(
            "data, logs and ledger are in {}",
            folder.display()
        ));
    }
    done?;
    stopped?;
    anyhow::ensure!(good, "the soak found what must not be: see the lines above");
    Ok(Done::All)
}

/// Compares a kept ledger with the data beside it.
async fn again(context: &Context, folder: &std::path::Path) -> anyhow::Result<Done> {
    let ledger = Ledger::open(&folder.join("ledger"))?;
    let mut site = Site::new(folder, false)?;
    let work = async {
        let token = site.token("soak", Scope::Operator)?;
        site.start_service()?;
        site.wait_ready().await?;
        let client = Client::of(&site.server(), &token).await?;
        let mut conn = site.superuser(context).await?;
        check::compare(&client, &ledger, &ledger.devices()?, &mut conn).await
    };
    let found = Box::pin(work).await;
    site.stop().await?;
    let found = found?;
    for (door, found) in &found {
        print(&if context.json {
            found.json(*door).to_string()
        } else {
            format!(
                "{door}: {} batches acknowledged, lost {}, stored twice {}, different {}, receipts wrong {}",
                found.acknowledged, found.lost, found.twice, found.different, found.receipts
            )
        })?;
    }
    let good = !found.is_empty() && found.values().all(check::Found::is_good);
    anyhow::ensure!(good, "ledger and data do not agree");
    Ok(Done::All)
}

async fn soak(
    context: &Context,
    arguments: &Arguments,
    site: &mut Site,
    ledger: Arc<Ledger>,
) -> anyhow::Result<Report> {
    let token = site.token("soak", Scope::Operator)?;
    site.start_broker()?;
    site.start_service()?;
    site.wait_ready().await?;
    let client = Client::of(&site.server(), &token).await?;
    let devices = devices(&client, site, arguments).await?;
    let (bad_ones, devices): (Vec<LoadDevice>, Vec<LoadDevice>) = devices;
    let (mut bad, mut sent) = (BTreeMap::new(), Vec::new());
    for device in &bad_ones {
        remark(&format!("bad input over {}", device.door));
        let mut conn = site.superuser(context).await?;
        let (findings, vectors) = Box::pin(hostile::run(device, &mut conn)).await?;
        bad.insert(device.door, findings);
        sent.push(vectors);
    }
    let counts = Arc::new(Counts::default());
    let (tasks, stop) = (TaskTracker::new(), CancellationToken::new());
    let running: Vec<_> = devices
        .iter()
        .map(|device| {
            let (ledger, counts) = (Arc::clone(&ledger), Arc::clone(&counts));
            tasks.spawn(load::run(device.clone(), ledger, counts, stop.clone()))
        })
        .collect();
    let loads: Vec<(Door, Uuid)> = devices
        .iter()
        .map(|device| (device.door, device.id))
        .collect();
    let began = Instant::now();
    let broken = Box::pin(break_things(context, arguments, site, (&ledger, &loads))).await;
    let least = Duration::from_secs_f64(arguments.minutes * 60.0);
    if broken.is_ok() {
        tokio::time::sleep(least.saturating_sub(began.elapsed())).await;
    }
    stop.cancel();
    let faults = broken?;
    for device in running {
        let settled = tokio::time::timeout(2 * GIVE_UP, device);
        settled.await.context("a device never came to an end")???;
    }
    site.wait_ready().await?;
    remark("comparing ledger, samples, segments, receipts and quarantine");
    let client = Client::of(&site.server(), &token).await?;
    let mut conn = site.superuser(context).await?;
    let found = Box::pin(check::compare(&client, &ledger, &loads, &mut conn)).await?;
    for (device, vectors) in bad_ones.iter().zip(&sent) {
        let again = hostile::look_again(device, vectors, &client, &mut conn);
        let findings = Box::pin(again).await?;
        bad.entry(device.door).or_default().extend(findings);
    }
    let balance = site.balance().unwrap_or_default();
    let load = |count: &std::sync::atomic::AtomicU64| count.load(Ordering::Relaxed);
    Ok(Report {
        faults,
        bad,
        found,
        refused: load(&counts.refused),
        made: load(&counts.made),
        balance,
    })
}

/// Registers the devices: one per door for bad input, and those of the load.
async fn devices(
    client: &Client,
    site: &Site,
    arguments: &Arguments,
) -> anyhow::Result<(Vec<LoadDevice>, Vec<LoadDevice>)> {
    let bench = client.bench("Kelder", "bench 1").await?;
    let (mut bad, mut load) = (Vec::new(), Vec::new());
    let doors = Door::ALL.into_iter();
    for door in doors.filter(|door| *door != Door::Broker || site.broker.is_some()) {
        for number in 0..=arguments.devices {
            let made = client
                .device(&bench, DeviceKind::Charger, format!("{door} {number}"))
                .await?;
            let device = LoadDevice {
                door,
                id: made.device.unwrap_or_default().device_id.parse()?,
                token: made.token,
                server: site.server(),
                port: match (door, site.broker) {
                    (Door::Broker, Some(port)) => port,
                    _ => site.door.port(),
                },
                version: if number % 2 == 0 {
                    Version::V5
                } else {
                    Version::V3
                },
                encoding: if number % 3 == 2 {
                    Encoding::Json
                } else {
                    Encoding::Protobuf
                },
                draw: Draw::new(arguments.seed, 1_000 * door as u64 + u64::from(number)),
            };
            if number == 0 {
                bad.push(device);
            } else {
                load.push(device);
            }
        }
    }
    Ok((bad, load))
}

/// Brings the faults about, in a drawn order, and waits after each until every door is heard again.
async fn break_things(
    context: &Context,
    arguments: &Arguments,
    site: &mut Site,
    load: (&Ledger, &[(Door, Uuid)]),
) -> anyhow::Result<BTreeMap<Fault, Recoveries>> {
    let mut draw = Draw::new(arguments.seed, u64::MAX);
    let mut plan = Vec::new();
    let mut recoveries: BTreeMap<Fault, Recoveries> = BTreeMap::new();
    for (fault, count) in &arguments.faults {
        let needs_broker = matches!(fault, Fault::Broker | Fault::Session);
        if needs_broker && site.broker.is_none() {
            continue;
        }
        plan.extend((0..*count).map(|_| *fault));
        recoveries.entry(*fault).or_default().planned += count;
    }
    for place in (1..plan.len()).rev() {
        let other = usize::try_from(draw.next() % (place as u64 + 1))?;
        plan.swap(place, other);
    }
    heard_everywhere(load, Instant::now()).await?;
    let total = plan.len();
    for (number, fault) in plan.into_iter().enumerate() {
        let (low, high) = PAUSE_MS;
        let pause = Duration::from_millis(low + draw.next() % (high - low));
        tokio::time::sleep(pause).await;
        let returned = bring_about(context, site, fault).await?;
        let last = heard_everywhere(load, returned).await?;
        let took = last.saturating_duration_since(returned);
        remark(&format!(
            "fault {} of {total}: {fault}, every device heard again after {:.1} s",
            number + 1,
            took.as_secs_f64()
        ));
        let entry = recoveries.entry(fault).or_default();
        entry.recovered += u32::from(took <= RECOVERY);
        entry.longest = entry.longest.max(took);
    }
    Ok(recoveries)
}

/// Breaks something; returns the moment from which it can come back.
async fn bring_about(context: &Context, site: &mut Site, fault: Fault) -> anyhow::Result<Instant> {
    match fault {
        Fault::Service => site.kill_service()?,
        Fault::Postgres => site.kill_database()?,
        Fault::Broker => site.kill_broker(false)?,
        Fault::Session => site.kill_broker(true)?,
        Fault::Away => {
            site.shut_database(context, true).await?;
            tokio::time::sleep(AWAY).await;
            site.shut_database(context, false).await?;
        }
    }
    Ok(Instant::now())
}

/// Waits until every device was told of a batch that it made after a moment; returns when the last
/// one was.
async fn heard_everywhere(
    (ledger, devices): (&Ledger, &[(Door, Uuid)]),
    moment: Instant,
) -> anyhow::Result<Instant> {
    let mut last = moment;
    for device in devices {
        let heard = loop {
            if let Some(heard) = ledger.heard_after(*device, moment) {
                break heard;
            }
            anyhow::ensure!(
                moment.elapsed() < GIVE_UP,
                "device {} was told of nothing over {} within {GIVE_UP:?}",
                device.1,
                device.0
            );
            tokio::time::sleep(Duration::from_millis(20)).await;
        };
        last = last.max(heard);
    }
    Ok(last)
}
