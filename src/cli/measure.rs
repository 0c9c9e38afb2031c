//! `measure`: what this machine does, as ratios to plainer ways in the same run.

mod load;
mod machine;

use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use futures_util::stream::{StreamExt as _, TryStreamExt as _};
use serde_json::json;
use sqlx::postgres::PgConnection;
use tonic::metadata::{Ascii, MetadataValue};
use uuid::Uuid;

use self::load::{BATCH, Discard, Loaded};
use super::replay::client::{Client, bearer, connect, request};
use super::site::{PASSWORD, Site};
use super::{Context, Done, print, remark};
use crate::edge::mqtt::link::{Address, Version};
use crate::edge::pb;
use crate::edge::pb::registry_service_client::RegistryServiceClient;
use crate::edge::wire::Word as _;
use crate::record::sample::Samples;
use crate::record::words::{DeviceKind, Scope};

/// Connections that send, to the service as to Postgres.
const CONNECTIONS: usize = 4;
/// Devices of the throughput rounds.
const DEVICES: usize = 16;
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
  restvolt measure --scale 0.1          a tenth of the load, to see that it works")]
pub(super) struct Arguments {
    /// Rounds of each way; their median counts.
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u8).range(1..=99))]
    rounds: u8,
    /// Share of the usual load, above 0 and up to 10.
    #[arg(long, default_value_t = 1.0, value_parser = scale)]
    scale: f64,
    /// Folder for data and logs; it must be new. Without it they are removed at the end.
    #[arg(long, value_name = "FOLDER")]
    folder: Option<PathBuf>,
}

fn scale(text: &str) -> Result<f64, String> {
    let scale: f64 = text.parse().map_err(|_| "it is a number")?;
    if scale > 0.0 && scale <= 10.0 {
        Ok(scale)
    } else {
        Err("it is above 0 and up to 10".into())
    }
}

/// One line of the table.
struct Line {
    what: String,
    value: f64,
    unit: &'static str,
    remark: String,
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
    let measured = Box::pin(measure(context, &arguments, &mut site, &mut second)).await;
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
        print(&table(&arguments, &lines))?;
    }
    Ok(Done::All)
}

async fn measure(
    context: &Context,
    arguments: &Arguments,
    site: &mut Site,
    second: &mut Site,
) -> anyhow::Result<Vec<Line>> {
    let token = site.token("measure", Scope::Operator)?;
    let sender = bearer(&site.token("charger gateway", Scope::Integrator)?)?;
    site.start_broker()?;
    second.start_broker()?;
    site.start_service()?;
    site.wait_ready().await?;
    let client = Client {
        channel: connect(&format!("http://{}", site.grpc)).await?,
        operator: bearer(&token)?,
        gateway: String::new(),
    };
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
    Box::pin(bench.sizes()).await?;
    Box::pin(bench.throughput(second)).await?;
    Box::pin(bench.devices()).await?;
    Box::pin(bench.delay()).await?;
    Box::pin(bench.memory()).await?;
    Ok(bench.lines)
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    let at = |index: usize| sorted.get(index).copied().unwrap_or(f64::NAN);
    if sorted.len() % 2 == 1 {
        at(middle)
    } else {
        f64::midpoint(at(middle.wrapping_sub(1)), at(middle))
    }
}

/// The value below which so large a share lies.
fn quantile(sorted: &[Duration], share: f64) -> f64 {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "an index"
    )]
    let index = ((sorted.len() as f64 * share).ceil() as usize).max(1) - 1;
    sorted
        .get(index)
        .map_or(f64::NAN, |time| time.as_secs_f64() * 1_000.0)
}

/// Equal parts of the devices, one a connection.
fn parts(loaded: &[Loaded]) -> Vec<Vec<Loaded>> {
    let size = loaded.len().div_ceil(CONNECTIONS).max(1);
    loaded.chunks(size).map(<[Loaded]>::to_vec).collect()
}

fn samples(loaded: &[Loaded]) -> f64 {
    let batches = loaded.iter().map(|device| device.batches.len());
    (batches.sum::<usize>() as f64) * BATCH as f64
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
            let new = pb::CreateDeviceRequest {
                bench_id: bench.id.clone(),
                kind: DeviceKind::Charger.to_wire(),
                name: format!("charger {number}"),
            };
            let mut registry = RegistryServiceClient::new(client.channel.clone());
            let made = registry
                .create_device(request(new, &client.operator))
                .await?;
            let made = made.into_inner();
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
        for part in parts(loaded) {
            let channel = connect(&format!("http://{}", self.site.grpc)).await?;
            ready.push((channel, self.sender.clone(), load::in_turn(&part)));
        }
        let began = Instant::now();
        let tasks: Vec<_> = ready
            .into_iter()
            .map(|(channel, token, batches)| {
                tokio::spawn(load::stream(channel, token, batches, pace))
            })
            .collect();
        let mut times = Vec::new();
        for task in tasks {
            times.extend(task.await??);
        }
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
            let open: i64 = sqlx::query_scalar("select count(*) from rv.work")
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
        let (one_s, packed) = (43_200.0, machine::sizes(&mut conn, true).await?);
        let all = packed.samples as f64;
        let each = |bytes: i64, count: f64| bytes as f64 / count;
        let what = format!("{all:.0} samples of V, A, T");
        self.line(
            "segments, heap + index + TOAST",
            each(packed.segments, all),
            "bytes/sample",
            what,
        );
        let more = "apart from the segments".to_owned();
        self.line(
            "minute figures",
            each(packed.minutes, all),
            "bytes/sample",
            more,
        );
        let more = "the plain way, for comparison".to_owned();
        self.line(
            "a row a sample",
            each(packed.rows, one_s),
            "bytes/sample",
            more,
        );
        Ok(())
    }

    /// Ways to keep samples, in turn.
    async fn throughput(&mut self, second: &mut Site) -> anyhow::Result<()> {
        let batches = self.times(1_200);
        remark(&format!(
            "samples a second: {} rounds of {DEVICES} devices with {batches} batches of {BATCH}",
            self.rounds
        ));
        let mut conn = self.superuser().await?;
        let mut rates: [Vec<f64>; 6] = Default::default();
        let [grpc, door, broker, discard, small, big] = &mut rates;
        for round in 1..=self.rounds {
            remark(&format!("  round {round} of {}", self.rounds));
            let loaded = self.loaded(DEVICES, batches).await?;
            machine::settle(&mut conn).await?;
            let (took, _) = self.over_grpc(&loaded, None).await?;
            grpc.push(samples(&loaded) / took.as_secs_f64());
            machine::settle(&mut conn).await?;
            small.push(self.copy(batches / 4, false).await?);
            machine::settle(&mut conn).await?;
            big.push(self.copy(batches * 4, true).await?);
            machine::settle(&mut conn).await?;
            door.push(self.over_door(batches / 2).await?);
            if let (Some(own), Some(other)) = (self.site.broker, second.broker) {
                machine::settle(&mut conn).await?;
                broker.push(self.over_broker(own, batches / 2).await?);
                discard.push(self.thrown_away(other, batches / 2).await?);
            }
        }
        machine::clear_rows(&mut conn).await?;
        let of = |rates: &[f64], base: &[f64]| median(rates) / median(base);
        let [grpc, door, broker, discard, small, big] = &rates;
        let against = |rates: &[f64]| {
            format!(
                "{:.1} x COPY per batch, {:.2} x one big COPY",
                of(rates, small),
                of(rates, big)
            )
        };
        let per_batch = |rates: &[f64]| median(rates) / BATCH as f64;
        let lines = [
            (
                "gRPC, receipt after commit",
                median(grpc),
                "samples/s",
                against(grpc),
            ),
            (
                "own MQTT door, QoS 1",
                median(door),
                "samples/s",
                against(door),
            ),
            (
                "a row a sample, COPY per batch",
                median(small),
                "samples/s",
                String::new(),
            ),
            (
                "a row a sample, one big COPY",
                median(big),
                "samples/s",
                String::new(),
            ),
        ];
        for (what, value, unit, more) in lines {
            self.line(what, value, unit, more);
        }
        if !broker.is_empty() {
            let kept = format!(
                "{:.0} % of a subscriber that throws away; {}",
                100.0 * of(broker, discard),
                against(broker)
            );
            self.line(
                "through a broker, QoS 1",
                per_batch(broker),
                "messages/s",
                kept,
            );
            let more = "the same broker, no service".to_owned();
            self.line(
                "subscriber that throws away",
                per_batch(discard),
                "messages/s",
                more,
            );
        }
        Ok(())
    }

    /// Rows by COPY on as many connections as the service is sent to; samples a second.
    async fn copy(&self, batches: usize, big: bool) -> anyhow::Result<f64> {
        let mut ready = Vec::new();
        for number in 0..CONNECTIONS {
            let device = Uuid::from_u128(number as u128);
            let mut rows = machine::rows(&self.charge, device, batches.max(1));
            if big {
                rows = vec![rows.concat()];
            }
            ready.push((self.superuser().await?, rows));
        }
        machine::clear_rows(&mut self.superuser().await?).await?;
        let count = (CONNECTIONS * batches.max(1)) as f64 * BATCH as f64;
        let began = Instant::now();
        let tasks: Vec<_> = ready
            .into_iter()
            .map(|(mut conn, rows)| {
                tokio::spawn(async move { machine::copy(&mut conn, &rows).await })
            })
            .collect();
        for task in tasks {
            task.await??;
        }
        Ok(count / began.elapsed().as_secs_f64())
    }

    /// Every device over its own connection to the service's own door; samples a second.
    async fn over_door(&mut self, batches: usize) -> anyhow::Result<f64> {
        let devices = self.new_devices(DEVICES).await?;
        let ids: Vec<Uuid> = devices.iter().map(|device| device.0).collect();
        let loaded = load::load(&ids, &self.charge, batches.max(1))?;
        let port = self.site.door.port();
        let parts = loaded.iter().map(|device| {
            let token = devices.iter().find(|known| known.0 == device.device);
            let token = token.map(|known| known.1.clone()).unwrap_or_default();
            let name = device.device.to_string();
            (address(port, (&name, &name, &token)), vec![device.clone()])
        });
        let began = Instant::now();
        publish(parts.collect()).await?;
        Ok(samples(&loaded) / began.elapsed().as_secs_f64())
    }

    /// Through a broker until the service has stored everything; samples a second.
    async fn over_broker(&mut self, port: u16, batches: usize) -> anyhow::Result<f64> {
        let loaded = self.loaded(DEVICES, batches.max(1)).await?;
        let goal = self.stored()? + samples(&loaded);
        let began = Instant::now();
        let sent = publish(gateways(port, &loaded));
        let kept = async {
            while self.stored()? < goal {
                anyhow::ensure!(
                    began.elapsed() < Duration::from_mins(5),
                    "the service did not store within 5 minutes what went through the broker"
                );
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            anyhow::Ok(began.elapsed())
        };
        let ((), took) = tokio::try_join!(sent, kept)?;
        Ok(samples(&loaded) / took.as_secs_f64())
    }

    /// The same through a broker to a subscriber that throws away; samples a second.
    async fn thrown_away(&mut self, port: u16, batches: usize) -> anyhow::Result<f64> {
        let ids: Vec<Uuid> = (0..DEVICES).map(|_| Uuid::now_v7()).collect();
        let loaded = load::load(&ids, &self.charge, batches.max(1))?;
        let discard = Discard::subscribe(address(port, ("discard", "restvolt", PASSWORD))).await?;
        let count = loaded.iter().map(|device| device.batches.len()).sum();
        let began = Instant::now();
        let taken = async {
            discard.take(count).await?;
            anyhow::Ok(began.elapsed())
        };
        let ((), took) = tokio::try_join!(publish(gateways(port, &loaded)), taken)?;
        Ok(samples(&loaded) / took.as_secs_f64())
    }

    /// Samples the service stored since its start.
    fn stored(&self) -> anyhow::Result<f64> {
        let page = self.site.page("/metrics").context("no metrics page")?;
        let name = "restvolt_ingest_samples_total{result=\"stored\"}";
        let values = page.lines().filter_map(|line| line.strip_prefix(name));
        values
            .map(|value| Ok(value.trim().parse::<f64>()?))
            .sum::<anyhow::Result<f64>>()
    }

    /// What more devices cost.
    async fn devices(&mut self) -> anyhow::Result<()> {
        remark("cost at 1, 4 and 16 times the devices, the same number of samples");
        let total = self.times(12_800);
        let mut base = None;
        for devices in [4usize, 16, 64] {
            let mut costs = Vec::new();
            for _ in 0..self.rounds.min(3) {
                let loaded = self.loaded(devices, (total / devices).max(1)).await?;
                let before = self.processor()?;
                self.over_grpc(&loaded, None).await?;
                costs.push((self.processor()? - before) * 1e6 / samples(&loaded));
            }
            let cost = median(&costs);
            let base = *base.get_or_insert(cost);
            let more = format!("{:.2} x", cost / base);
            let what = format!("processor, service + Postgres, {devices} devices");
            self.line(what, cost, "us/sample", more);
        }
        Ok(())
    }

    fn processor(&self) -> anyhow::Result<f64> {
        let service = self.site.service_process().context("no service runs")?;
        let database = u32::try_from(self.site.postmaster()?.as_raw())?;
        // The database is a child of the service and waited for at its end only.
        let of_database = machine::processor_s(database)?;
        Ok(machine::own_s(service)? + of_database)
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
        let pace = Duration::from_secs(1) * u32::try_from(CONNECTIONS)? / STEADY;
        let (_, mut times) = self.over_grpc(&loaded, Some(pace)).await?;
        times.sort_unstable();
        let more = format!("{} batches", times.len());
        self.line(
            "batch due to receipt, median",
            quantile(&times, 0.5),
            "ms",
            more,
        );
        self.line(
            "batch due to receipt, p99",
            quantile(&times, 0.99),
            "ms",
            String::new(),
        );
        self.line(
            "batch due to receipt, longest",
            quantile(&times, 1.0),
            "ms",
            String::new(),
        );
        Ok(())
    }

    /// Memory of a fresh service with many open sessions.
    async fn memory(&mut self) -> anyhow::Result<()> {
        let count = self.times(10_000);
        remark(&format!("memory with {count} open sessions"));
        self.site.kill_service()?;
        self.site.wait_ready().await?;
        self.client.channel = connect(&format!("http://{}", self.site.grpc)).await?;
        let loaded = self.loaded(count, 7).await?;
        let (first, rest): (Vec<Loaded>, Vec<Loaded>) = loaded
            .into_iter()
            .map(|mut device| {
                let rest = device.batches.split_off(1);
                let id = device.device;
                (
                    device,
                    Loaded {
                        device: id,
                        batches: rest,
                    },
                )
            })
            .unzip();
        let process = self.site.service_process().context("no service runs")?;
        self.over_grpc(&first, None).await?;
        let (opened, _) = machine::memory_mib(process)?;
        let pace = Duration::from_secs(1) * u32::try_from(CONNECTIONS)? / STEADY;
        let load = self.over_grpc(&rest, Some(pace));
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

fn address(port: u16, (client_id, username, password): (&str, &str, &str)) -> Address {
    Address {
        host: "127.0.0.1".into(),
        port,
        version: Version::V5,
        client_id: client_id.to_owned(),
        username: username.to_owned(),
        password: password.to_owned(),
        packet_bytes: 1 << 20,
        in_flight: 64,
        session: Duration::ZERO,
        will: None,
    }
}

/// The devices as a few gateways would publish for them.
fn gateways(port: u16, loaded: &[Loaded]) -> Vec<(Address, Vec<Loaded>)> {
    let parts = parts(loaded).into_iter().enumerate();
    parts
        .map(|(number, part)| {
            let name = format!("gateway {number}");
            (address(port, (&name, "gateway", PASSWORD)), part)
        })
        .collect()
}

async fn publish(parts: Vec<(Address, Vec<Loaded>)>) -> anyhow::Result<()> {
    let tasks: Vec<_> = parts
        .into_iter()
        .map(|(address, part)| tokio::spawn(async move { load::publish(&address, &part).await }))
        .collect();
    for task in tasks {
        task.await??;
    }
    Ok(())
}

fn table(arguments: &Arguments, lines: &[Line]) -> String {
    let now = crate::clock::Clock::System.now().format("%Y-%m-%d");
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let mut text = format!(
        "restvolt {} on {cores} cores shared with the load, {now}; medians of {} rounds, scale {}\n\n",
        env!("CARGO_PKG_VERSION"),
        arguments.rounds,
        arguments.scale,
    );
    for line in lines {
        let digits = if line.value >= 1_000.0 { 0 } else { 2 };
        let row = format!(
            "{:47} {:>12.digits$} {:13} {}",
            line.what, line.value, line.unit, line.remark
        );
        text += row.trim_end();
        text += "\n";
    }
    text
}
