//! `measure`: what this machine does, as ratios to plainer ways in the same run.

mod answers;
mod load;
mod machine;
mod plain;
mod table;
mod ways;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::Context as _;
use futures_util::stream::{StreamExt as _, TryStreamExt as _};
use serde_json::json;
use sqlx::postgres::PgConnection;
use tonic::metadata::{Ascii, MetadataValue};
use uuid::Uuid;

use self::load::{BATCH, Loaded};
use self::table::{Line, median, quantile};
use super::replay::client::{Client, bearer, connect};
use super::site::Site;
use super::{Context, Done, print, remark};
use crate::edge::pb;
use crate::record::sample::Samples;
use crate::record::words::{DeviceKind, Scope};

/// Connections that send, to the service as to Postgres.
const CONNECTIONS: usize = 4;
/// Streams on each connection to the service.
const STREAMS: usize = 4;
/// Batches a second of the latency and memory rounds.
const STEADY: u32 = 2_000;
/// Calls of the registry at the same time.
const CALLS: usize = 8;

/// Measure what this machine does: samples kept per second, bytes, delay of a receipt, memory.
///
/// A service with a private database, and a Mosquitto broker where one is installed, run in a folder of
/// their own, with every promise kept: each receipt and acknowledgement comes after a durable commit.
/// Beside it, on the same Postgres and the same machine, run plainer ways: a row a sample by COPY, committed
/// per batch; one big COPY; a subscriber that throws away what the broker hands it. The rounds take turns;
/// medians and their ratios are printed. The load runs on the same cores.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  restvolt measure                      all of it, about ten minutes
  restvolt measure --scale 0.1          a tenth of the load, to see that it works
  restvolt measure --parts ways         only samples a second, beside the plainer ways
  restvolt measure --parts answers      the recovery table over a million outcomes, some minutes")]
pub(super) struct Arguments {
    /// Rounds of each way; their median counts.
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=99))]
    rounds: u8,
    /// Share of the usual load, above 0 and up to 10.
    #[arg(long, default_value_t = 1.0, value_parser = scale)]
    scale: f64,
    /// What to measure.
    #[arg(long, value_enum, value_delimiter = ',', value_name = "PART",
        default_values_t = [Part::Sizes, Part::Ways, Part::Devices, Part::Delay, Part::Memory])]
    parts: Vec<Part>,
    /// Folder for data and logs; it must be new. Without it they are removed at the end.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

/// A part of the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
enum Part {
    /// Bytes on disk.
    Sizes,
    /// Samples a second, beside plainer ways.
    Ways,
    /// What more devices cost.
    Devices,
    /// From when a batch is due to its receipt.
    Delay,
    /// Memory with many open sessions.
    Memory,
    /// Recovery table over a million outcomes; only when it is named, for they are taken in first.
    Answers,
}

fn scale(text: &str) -> Result<f64, String> {
    let scale: f64 = text.parse().map_err(|_| "it is a number")?;
    if scale > 0.0 && scale <= 10.0 {
        Ok(scale)
    } else {
        Err("it is above 0 and up to 10".into())
    }
}

/// A running service to measure, with what is sent to it.
struct Bench<'a> {
    context: &'a Context,
    site: &'a mut Site,
    client: Client,
    /// May send for every device.
    sender: MetadataValue<Ascii>,
    charge: Samples,
    scale: f64,
    rounds: u8,
    lines: Vec<Line>,
    /// Devices made so far.
    made: usize,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    let folder = arguments.folder.clone().unwrap_or_else(|| {
        std::env::temp_dir().join(format!("restvolt-measure-{}", std::process::id()))
    });
    anyhow::ensure!(
        !folder.exists(),
        "{} exists already: name a new folder",
        folder.display()
    );
    if cfg!(debug_assertions) {
        remark(
            "This program was built without optimization: figures say little (cargo run --release).",
        );
    }
    let broker = Site::has_broker();
    if !broker {
        remark("no Mosquitto here: the broker is left out (apt-get install mosquitto)");
    }
    let mut site = Site::new(&folder.join("service"), broker)?;
    let mut second = Site::new(&folder.join("broker"), broker)?;
    let measured = Box::pin(measure(
        context,
        &arguments,
        (&mut site, &mut second),
        &folder,
    ))
    .await;
    let stopped = (site.stop().await, second.stop().await);
    if measured.is_err() {
        remark(&format!("data and logs are in {}", folder.display()));
    } else if arguments.folder.is_none() {
        std::fs::remove_dir_all(&folder)?;
    }
    let lines = measured?;
    stopped.0?;
    stopped.1?;
    if context.json {
        for line in &lines {
            let line = json!({"what": line.what, "value": line.value, "unit": line.unit, "remark": line.remark});
            print(&line.to_string())?;
        }
    } else {
        print(&table::text(arguments.rounds, arguments.scale, &lines))?;
    }
    Ok(Done::All)
}

async fn measure(
    context: &Context,
    arguments: &Arguments,
    (site, second): (&mut Site, &mut Site),
    folder: &Path,
) -> anyhow::Result<Vec<Line>> {
    let token = site.token("measure", Scope::Operator)?;
    let sender = bearer(&site.token("charger gateway", Scope::Integrator)?)?;
    site.start_broker()?;
    second.start_broker()?;
    site.start_service()?;
    site.wait_ready().await?;
    let client = Client::of(&site.server(), &token).await?;
    let mut bench = Bench {
        context,
        site,
        client,
        sender,
        charge: load::charge(1),
        scale: arguments.scale,
        rounds: arguments.rounds,
        lines: Vec::new(),
        made: 0,
    };
    // In this order, whatever was asked: sizes need an empty database, memory a fresh service.
    let wanted = |part| arguments.parts.contains(&part);
    if wanted(Part::Sizes) {
        Box::pin(bench.sizes()).await?;
    }
    if wanted(Part::Ways) {
        Box::pin(bench.throughput(second)).await?;
    }
    if wanted(Part::Devices) {
        Box::pin(bench.devices()).await?;
    }
    if wanted(Part::Delay) {
        Box::pin(bench.delay()).await?;
    }
    if wanted(Part::Memory) {
        Box::pin(bench.memory()).await?;
    }
    if wanted(Part::Answers) {
        Box::pin(bench.answers(folder)).await?;
    }
    Ok(bench.lines)
}

/// The devices in equal parts, at most so many.
fn parts(loaded: &[Loaded], count: usize) -> std::slice::Chunks<'_, Loaded> {
    loaded.chunks(loaded.len().div_ceil(count).max(1))
}

/// Time between two batches of one stream, so that all of them together are steady.
fn pace() -> Duration {
    Duration::from_secs_f64((CONNECTIONS * STREAMS) as f64 / f64::from(STEADY))
}

fn samples(loaded: &[Loaded]) -> f64 {
    let batches = loaded.iter().map(|device| device.batches.len());
    (batches.sum::<usize>() as f64) * BATCH as f64
}

/// Work side by side, each in a task of its own.
async fn together<F, T>(work: impl IntoIterator<Item = F>) -> anyhow::Result<Vec<T>>
where
    F: Future<Output = anyhow::Result<T>> + Send + 'static,
    T: Send + 'static,
{
    let mut tasks = tokio::task::JoinSet::new();
    for each in work {
        tasks.spawn(each);
    }
    let mut done = Vec::new();
    while let Some(ended) = tasks.join_next().await {
        done.push(ended??);
    }
    Ok(done)
}

impl Bench<'_> {
    fn line(&mut self, what: impl Into<String>, value: f64, unit: &'static str, more: String) {
        let what = what.into();
        remark(&format!("  {what}: {value:.3} {unit} {more}"));
        self.lines.push(Line {
            what,
            value,
            unit,
            remark: more,
        });
    }

    fn times(&self, count: usize) -> usize {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a count of batches"
        )]
        let scaled = (count as f64 * self.scale).ceil() as usize;
        scaled.max(1)
    }

    async fn superuser(&self) -> anyhow::Result<PgConnection> {
        self.site.superuser(self.context).await
    }

    /// New devices with their tokens.
    async fn new_devices(&mut self, count: usize) -> anyhow::Result<Vec<(Uuid, String)>> {
        let bench = self.client.bench("Kelder", "bench 1").await?;
        let from = self.made;
        self.made += count;
        let (client, bench) = (&self.client, &bench);
        let calls = (from..from + count).map(|number| async move {
            let made = client
                .device(bench, DeviceKind::Charger, format!("charger {number}"))
                .await?;
            let id = made.device.unwrap_or_default().device_id.parse()?;
            anyhow::Ok((id, made.token))
        });
        futures_util::stream::iter(calls)
            .buffer_unordered(CALLS)
            .try_collect()
            .await
    }

    async fn loaded(&mut self, devices: usize, batches: usize) -> anyhow::Result<Vec<Loaded>> {
        let devices = self.new_devices(devices).await?;
        let devices: Vec<Uuid> = devices.into_iter().map(|device| device.0).collect();
        load::load(&devices, &self.charge, batches)
    }

    /// Sends over gRPC on several connections; time it took, and the time of each receipt.
    async fn over_grpc(
        &self,
        loaded: &[Loaded],
        pace: Option<Duration>,
    ) -> anyhow::Result<(Duration, Vec<Duration>)> {
        let mut ready = Vec::new();
        for part in parts(loaded, CONNECTIONS) {
            let channel = connect(&self.site.server()).await?;
            for device in parts(part, STREAMS) {
                let batches = load::in_turn(device);
                ready.push((channel.clone(), self.sender.clone(), batches));
            }
        }
        let began = Instant::now();
        let work = ready
            .into_iter()
            .map(|(channel, token, batches)| load::stream(channel, token, batches, pace));
        let times = together(work).await?.concat();
        Ok((began.elapsed(), times))
    }

    /// Bytes on disk of whole charges after their close; the first measurement, on an empty database.
    async fn sizes(&mut self) -> anyhow::Result<()> {
        let count = self.times(16);
        remark(&format!("bytes on disk: {count} charges of 12 h at 1 Hz"));
        let mut loaded = self.loaded(count, 720).await?;
        for device in &mut loaded {
            if let Some(last) = device.batches.last_mut() {
                last.events.push(pb::Event {
                    event_seq: 1,
                    after_seq: 720 * BATCH,
                    time_milliseconds: 720 * BATCH * 1_000,
                    kind: pb::EventKind::SessionEnd as i32,
                    ..pb::Event::default()
                });
            }
        }
        self.over_grpc(&loaded, None).await?;
        let mut conn = self.superuser().await?;
        let began = Instant::now();
        loop {
            let open: i64 =
                sqlx::query_scalar("select count(*) from rv.work where kind = 'close_session'")
                    .fetch_one(&mut conn)
                    .await?;
            if open == 0 {
                break;
            }
            anyhow::ensure!(
                began.elapsed() < Duration::from_mins(3),
                "{open} sessions did not close"
            );
            tokio::time::sleep(Duration::from_millis(200)).await;
        }
        machine::clear_rows(&mut conn).await?;
        let rows = machine::rows(&self.charge, Uuid::nil(), 720);
        machine::copy(&mut conn, &[rows.concat()]).await?;
        let found = machine::sizes(&mut conn).await?;
        let all = found.samples as f64;
        let what = format!("{all:.0} samples of V, A, T");
        for (name, bytes, samples, more) in [
            (
                "segments, heap + index + TOAST",
                found.segments,
                all,
                what.as_str(),
            ),
            (
                "minute figures",
                found.minutes,
                all,
                "apart from the segments",
            ),
            (
                "a row a sample",
                found.rows,
                self.charge.count() as f64,
                "the plain way, for comparison",
            ),
        ] {
            self.line(
                name,
                bytes as f64 / samples,
                "bytes/sample",
                more.to_owned(),
            );
        }
        Ok(())
    }

    /// From when a batch is due to its receipt, at a steady rate.
    async fn delay(&mut self) -> anyhow::Result<()> {
        let seconds = self.times(20);
        remark(&format!(
            "delay of receipts: {STEADY} batches a second for {seconds} s"
        ));
        let devices = 100;
        let loaded = self
            .loaded(devices, seconds * STEADY as usize / devices)
            .await?;
        machine::settle(&mut self.superuser().await?).await?;
        let (_, mut times) = self.over_grpc(&loaded, Some(pace())).await?;
        times.sort_unstable();
        let all = format!("{} batches", times.len());
        for (what, share, more) in [
            ("batch due to receipt, median", 0.5, all),
            ("batch due to receipt, p99", 0.99, String::new()),
            ("batch due to receipt, longest", 1.0, String::new()),
        ] {
            self.line(what, quantile(&times, share), "ms", more);
        }
        Ok(())
    }

    /// Memory of a fresh service with many open sessions.
    async fn memory(&mut self) -> anyhow::Result<()> {
        let count = self.times(10_000);
        remark(&format!("memory with {count} open sessions"));
        self.site.kill_service()?;
        self.site.wait_ready().await?;
        self.client.channel = connect(&self.site.server()).await?;
        let loaded = self.loaded(count, 7).await?;
        let (first, rest): (Vec<Loaded>, Vec<Loaded>) = loaded
            .into_iter()
            .map(|mut device| {
                let rest = Loaded {
                    device: device.device,
                    batches: device.batches.split_off(1),
                };
                (device, rest)
            })
            .unzip();
        let process = self.site.service_process().context("no service runs")?;
        self.over_grpc(&first, None).await?;
        let (opened, _) = machine::memory_mib(process)?;
        let load = self.over_grpc(&rest, Some(pace()));
        let mut seen = vec![opened];
        let watch = async {
            loop {
                tokio::time::sleep(Duration::from_secs(1)).await;
                match machine::memory_mib(process) {
                    Ok((now, _)) => seen.push(now),
                    Err(error) => return error,
                }
            }
        };
        tokio::select! {
            done = load => { done?; }
            error = watch => return Err(error),
        }
        let (now, most) = machine::memory_mib(process)?;
        let more = format!(
            "{opened:.0} MiB when all were open, {now:.0} MiB after {} s at {STEADY} batches/s",
            seen.len()
        );
        self.line(
            format!("memory of the service, most, {count} open sessions"),
            most,
            "MiB",
            more,
        );
        Ok(())
    }
}
