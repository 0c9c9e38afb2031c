//! `replay`: sends a recorded charge to a running service over gRPC, as the devices of one bench.

mod sender;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::{Channel, ClientTlsConfig, Endpoint};

use self::sender::{Sender, Tally, batches, random_boot};
use super::local::Local;
use super::trace::{self, Recording};
use super::{Context, Done, print, remark};
use crate::clock::Clock;
use crate::edge::pb::registry_service_client::RegistryServiceClient;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::wire::{self, Word as _};
use crate::edge::{grpc, pb};
use crate::query::tokens::{self, NewToken};
use crate::record::sample::Samples;
use crate::record::words::{DeviceKind, Scope};

/// Send a recorded charge to a running service, as the charger, meter and sensor of one bench.
///
/// The file's dates are shifted so that the recording ends when the replay ends; each device keeps
/// its own clock. Nothing is dropped before the service says it is kept: when it goes away, the
/// replay goes on where the receipt stands.
#[derive(Debug, clap::Args)]
pub(super) struct Arguments {
    /// Trace files: CSV, plain or .gz, `src,t_ms,v,i,t_case,t_centre,t_ambient,event`.
    #[arg(required = true, value_name = "FILE")]
    files: Vec<PathBuf>,
    /// Service to send to.
    #[arg(long, default_value = "http://127.0.0.1:7400")]
    server: String,
    /// Shop the bench stands in; made when new.
    #[arg(long, default_value = "first shop")]
    shop: String,
    /// Bench; made when new.
    #[arg(long, default_value = "bench 1")]
    bench: String,
    /// Recorded seconds per second; 0 = as fast as the service keeps up.
    #[arg(long, default_value_t = 0.0)]
    speed: f64,
    /// Samples a batch.
    #[arg(long, default_value_t = 60, value_parser = clap::value_parser!(u16).range(1..=3600))]
    batch: u16,
    /// Declare a unit for every device before sending, for example v=mV.
    #[arg(long, value_name = "CHANNEL=UNIT")]
    declare: Option<String>,
    /// Do not report the end of the charge: the sessions close by silence.
    #[arg(long)]
    no_end: bool,
    /// Read the samples back and compare them with the file.
    #[arg(long)]
    verify: bool,
}

#[derive(Clone)]
struct Client {
    channel: Channel,
    operator: MetadataValue<Ascii>,
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    anyhow::ensure!(arguments.speed >= 0.0, "--speed is 0 or more");
    let token = operator_token(context).await?;
    let client = Client {
        channel: connect(&arguments.server).await?,
        operator: bearer(&token)?,
    };
    let bench = client.ensure_bench(&arguments).await?;
    let mut refused = 0;
    for file in &arguments.files {
        let recordings = trace::read(file)?;
        let name = file
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        let name = name.unwrap_or_default();
        let name = name.split('.').next().unwrap_or("trace").to_owned();
        let span = recordings
            .values()
            .map(|recording| recording.samples.last_ms())
            .max();
        let plan = Plan::new(&recordings, arguments.speed, Clock::System.now());
        remark(&format!(
            "{name}: {} devices, {:.1} h",
            recordings.len(),
            TimeDelta::milliseconds(span.unwrap_or(0)).as_seconds_f64() / 3600.0
        ));
        let devices = recordings.iter().map(|(kind, recording)| {
            let work = client.send(&arguments, &bench, (&name, *kind, recording), &plan);
            Box::pin(work)
        });
        for sent in futures_util::future::join_all(devices).await {
            let (device, tally, same) = sent?;
            refused += tally.refused;
            report(context, &device, &tally, same)?;
            anyhow::ensure!(
                same != Some(false),
                "the samples read back differ from the file"
            );
        }
    }
    Ok(if refused == 0 {
        Done::All
    } else {
        Done::SomeRefused
    })
}

/// A token that may register devices: the one given, else one made on this machine for a day.
async fn operator_token(context: &Context) -> anyhow::Result<String> {
    if let Some(token) = context.surroundings.token() {
        return Ok(token.to_owned());
    }
    let local = Local::open(context)
        .await
        .context("no RESTVOLT_TOKEN is set, and the local database cannot be opened to make one")?;
    let new = NewToken {
        scope: Scope::Operator,
        name: "replay".into(),
        shop: None,
        device: None,
        valid_days: 1,
    };
    let made = tokens::create(local.store(), &local.clock, &local.caller, new).await;
    local.close().await;
    Ok(made?.1.reveal().to_owned())
}

async fn connect(server: &str) -> anyhow::Result<Channel> {
    let mut endpoint = Endpoint::from_shared(server.to_owned())
        .with_context(|| format!("--server {server} is no address such as http://127.0.0.1:7400"))?
        .connect_timeout(Duration::from_secs(5))
        .keep_alive_while_idle(true)
        .http2_keep_alive_interval(Duration::from_mins(1));
    if server.starts_with("https://") {
        endpoint = endpoint.tls_config(ClientTlsConfig::new().with_enabled_roots())?;
    }
    endpoint.connect().await.with_context(|| {
        format!("no service answers at {server}: start one with `restvolt serve`, or give --server")
    })
}

fn bearer(token: &str) -> anyhow::Result<MetadataValue<Ascii>> {
    format!("Bearer {token}")
        .parse()
        .context("the token has characters no token has")
}

fn request<T>(message: T, token: &MetadataValue<Ascii>) -> tonic::Request<T> {
    let mut request = tonic::Request::new(message);
    request
        .metadata_mut()
        .insert("authorization", token.clone());
    request
}

/// When each part of the recording is sent, and which dates it bears.
struct Plan {
    /// The file's clock at the start of the recording, ms.
    file_start_ms: i64,
    /// The wall clock that start is shifted to.
    start: DateTime<Utc>,
    began: tokio::time::Instant,
    speed: f64,
}

impl Plan {
    fn new(recordings: &BTreeMap<DeviceKind, Recording>, speed: f64, now: DateTime<Utc>) -> Self {
        let starts = recordings.values().map(|recording| recording.clock_ms);
        let ends = recordings
            .values()
            .map(|r| r.clock_ms + r.samples.last_ms());
        let file_start_ms = starts.min().unwrap_or(0);
        let span = TimeDelta::milliseconds(ends.max().unwrap_or(0) - file_start_ms);
        let takes = if speed > 0.0 {
            span.as_seconds_f64() / speed
        } else {
            0.0
        };
        #[expect(
            clippy::cast_possible_truncation,
            reason = "a span of days in milliseconds"
        )]
        let takes = TimeDelta::milliseconds((takes * 1000.0) as i64);
        Self {
            file_start_ms,
            start: now + takes - span,
            began: tokio::time::Instant::now(),
            speed,
        }
    }

    fn wall(&self, file_ms: i64) -> DateTime<Utc> {
        self.start + TimeDelta::milliseconds(file_ms - self.file_start_ms)
    }

    async fn wait_for(&self, file_ms: i64) {
        if self.speed > 0.0 {
            let at = (file_ms - self.file_start_ms) as f64 / 1000.0 / self.speed;
            tokio::time::sleep_until(self.began + Duration::from_secs_f64(at.max(0.0))).await;
        }
    }
}

struct Bench {
    id: String,
}

impl Client {
    async fn ensure_bench(&self, arguments: &Arguments) -> anyhow::Result<Bench> {
        let mut registry = RegistryServiceClient::new(self.channel.clone());
        let shops = registry
            .list_shops(request(pb::ListShopsRequest {}, &self.operator))
            .await?;
        let known = shops
            .into_inner()
            .shops
            .into_iter()
            .find(|shop| shop.name == arguments.shop);
        let shop_id = if let Some(shop) = known {
            shop.shop_id
        } else {
            let name = arguments.shop.clone();
            let new = pb::CreateShopRequest {
                name,
                currency_code: String::new(),
            };
            let made = registry.create_shop(request(new, &self.operator)).await?;
            made.into_inner().shop.unwrap_or_default().shop_id
        };
        let ask = pb::ListBenchesRequest {
            shop_id: shop_id.clone(),
        };
        let benches = registry
            .list_benches(request(ask, &self.operator))
            .await?
            .into_inner();
        let known = benches
            .benches
            .into_iter()
            .find(|bench| bench.name == arguments.bench);
        if let Some(bench) = known {
            return Ok(Bench { id: bench.bench_id });
        }
        let new = pb::CreateBenchRequest {
            shop_id,
            name: arguments.bench.clone(),
        };
        let made = registry.create_bench(request(new, &self.operator)).await?;
        Ok(Bench {
            id: made.into_inner().bench_id,
        })
    }

    async fn send(
        &self,
        arguments: &Arguments,
        bench: &Bench,
        (name, kind, recording): (&str, DeviceKind, &Recording),
        plan: &Plan,
    ) -> anyhow::Result<(pb::Device, Tally, Option<bool>)> {
        let mut registry = RegistryServiceClient::new(self.channel.clone());
        let new = pb::CreateDeviceRequest {
            bench_id: bench.id.clone(),
            kind: kind.to_wire(),
            name: format!("{name} {kind}"),
        };
        let made = registry
            .create_device(request(new, &self.operator))
            .await?
            .into_inner();
        let device = made.device.unwrap_or_default();
        if let Some(declared) = &arguments.declare {
            let mut change = pb::UpdateDeviceRequest {
                device_id: device.device_id.clone(),
                ..pb::UpdateDeviceRequest::default()
            };
            match declared.split_once('=') {
                Some(("v", unit)) => change.voltage_unit = Some(unit.to_owned()),
                Some(("i", unit)) => change.current_unit = Some(unit.to_owned()),
                _ => anyhow::bail!("--declare takes v=mV or i=mA, not `{declared}`"),
            }
            registry
                .update_device(request(change, &self.operator))
                .await?;
        }
        let mut sender = Sender {
            client: TelemetryServiceClient::new(self.channel.clone()),
            token: bearer(&made.token)?,
            boot: random_boot()?,
            batches: batches(recording, plan, arguments),
            plan,
            recording,
        };
        let tally = Box::pin(sender.run()).await?;
        let same = if arguments.verify {
            Some(self.verify(&device.device_id, &recording.samples).await?)
        } else {
            None
        };
        Ok((device, tally, same))
    }

    /// Reads every session of the device back and compares it with what was sent.
    async fn verify(&self, device: &str, sent: &Samples) -> anyhow::Result<bool> {
        let mut client = TelemetryServiceClient::new(self.channel.clone())
            .max_decoding_message_size(4 * grpc::MESSAGE_MAX);
        let ask = pb::ListSessionsRequest {
            device_id: device.to_owned(),
            page_size: 1000,
            ..pb::ListSessionsRequest::default()
        };
        let listed = client
            .list_sessions(request(ask, &self.operator))
            .await?
            .into_inner();
        let mut parts = Vec::new();
        for session in listed.sessions {
            let ask = pb::ReadSamplesRequest {
                session_id: session.session_id,
            };
            let mut stream = client
                .read_samples(request(ask, &self.operator))
                .await?
                .into_inner();
            while let Some(message) = stream.message().await? {
                let raw = wire::raw_batch(message.samples.unwrap_or_default());
                let raw = raw.map_err(|reject| anyhow::anyhow!(reject.to_string()))?;
                let mut now = raw.start_ms;
                let times = raw.step_ms.iter().map(|step| {
                    now += i64::from(*step);
                    now
                });
                parts.push(Samples {
                    first_seq: raw.first_seq,
                    time_ms: times.collect(),
                    columns: raw.columns,
                });
            }
        }
        parts.sort_by_key(|part| part.first_seq);
        let mut whole = Samples::default();
        for part in &parts {
            if !whole.is_empty() && whole.last_seq() + 1 != part.first_seq {
                return Ok(false);
            }
            whole.append(part);
        }
        whole.normalize();
        Ok(whole == *sent)
    }
}

fn report(
    context: &Context,
    device: &pb::Device,
    tally: &Tally,
    same: Option<bool>,
) -> anyhow::Result<()> {
    if context.json {
        let answer = json!({
            "device_id": device.device_id, "name": device.name, "sent": tally.sent,
            "stored": tally.stored, "duplicate": tally.duplicate, "refused": tally.refused,
            "reasons": tally.reasons, "read_back_equal": same,
        });
        return print(&answer.to_string());
    }
    let read_back = match same {
        Some(true) => ", read back equal",
        Some(false) => ", READ BACK DIFFERENT",
        None => "",
    };
    print(&format!(
        "  {:24} {}  sent {} samples: stored {}, held already {}, refused {}{read_back}",
        device.name, device.device_id, tally.sent, tally.stored, tally.duplicate, tally.refused
    ))?;
    for (reason, text) in &tally.reasons {
        print(&format!("    {reason} {text}"))?;
    }
    Ok(())
}
