//! `replay`: sends a recorded charge to a running service, as the devices of one bench.

pub(super) mod client;
pub(super) mod mqtt;
pub(super) mod sender;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::json;

use self::client::{Bench, Client, bearer, connect, request};
use self::mqtt::MqttSender;
use self::sender::{Sender, Tally, batches, order, random_boot};
use super::local::Local;
use super::trace::{self, Recording};
use super::{Context, Done, print, remark};
use crate::clock::Clock;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::Version;
use crate::edge::pb;
use crate::edge::pb::registry_service_client::RegistryServiceClient;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::wire::{self, Word as _};
use crate::query::tokens::{self, NewToken};
use crate::record::batch;
use crate::record::sample::{Channel, Samples};
use crate::record::words::{DeviceKind, Scope};

/// Send a recorded charge to a running service, as the charger, meter and sensor of one bench.
///
/// The file's dates are shifted so that the recording ends when the replay ends; each device keeps
/// its own clock. Nothing is dropped before the service says it is kept: when it goes away, the
/// replay goes on where the receipt stands.
///
/// Samples go over gRPC, or with --mqtt through the service's own MQTT door or a broker it is
/// subscribed at. Devices are registered, and samples read back, over gRPC in any case.
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLES)]
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
    /// Declare a unit before sending, for example v=mV: for the devices whose values fit only so, or
    /// for one kind of device with charger:v=mV.
    #[arg(long, value_name = "[KIND:]CHANNEL=UNIT", value_parser = declaration)]
    declare: Option<Declaration>,
    /// Send over MQTT: mqtt://HOST:PORT of the service's own door, or of a broker.
    #[arg(long, value_name = "URL")]
    mqtt: Option<String>,
    /// Login at a broker that may write for every device; its password in
    /// `RESTVOLT_MQTT_PASSWORD`.
    /// Without it each device logs in by itself, as the service's own door wants it.
    #[arg(long, value_name = "NAME", requires = "mqtt")]
    mqtt_user: Option<String>,
    /// Version of MQTT: 5, or 3 for 3.1.1.
    #[arg(long, value_name = "VERSION", default_value = "5", value_parser = version)]
    mqtt_version: Version,
    /// Send batches in their JSON form over MQTT.
    #[arg(long, requires = "mqtt")]
    mqtt_json: bool,
    /// Shuffle batches and send a fifth of them twice, repeatably for a seed.
    #[arg(long, value_name = "SEED")]
    disorder: Option<u64>,
    /// Do not report the end of the charge: the sessions close by silence.
    #[arg(long)]
    no_end: bool,
    /// Read the samples back and compare them with the file.
    #[arg(long)]
    verify: bool,
}

const EXAMPLES: &str = "\
Examples:
  restvolt replay --verify charge.csv.gz                             over gRPC, read back
  restvolt replay --verify --mqtt mqtt://127.0.0.1:7402 *.csv.gz     through the service's own door
  restvolt replay --mqtt mqtt://127.0.0.1:1883 --mqtt-user gateway --disorder 7 charge.csv.gz";

/// A unit to declare.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Declaration {
    /// For this kind only; `None` = where the values fit only so.
    kind: Option<DeviceKind>,
    channel: Channel,
    unit: String,
}

fn declaration(text: &str) -> Result<Declaration, String> {
    let (kind, rest) = match text.split_once(':') {
        None => (None, text),
        Some((kind, rest)) => {
            let known = DeviceKind::find(kind);
            let known = known.ok_or("a kind is charger, meter or sensor")?;
            (Some(known), rest)
        }
    };
    let (channel, unit) = match rest.split_once('=') {
        Some(("v", unit @ ("V" | "mV"))) => (Channel::Voltage, unit),
        Some(("i", unit @ ("A" | "mA"))) => (Channel::Current, unit),
        _ => return Err("it takes v=mV, v=V, i=mA or i=A".into()),
    };
    Ok(Declaration {
        kind,
        channel,
        unit: unit.to_owned(),
    })
}

fn version(text: &str) -> Result<Version, String> {
    match text {
        "3" | "3.1.1" => Ok(Version::V3),
        "5" => Ok(Version::V5),
        _ => Err("it is 3 or 5".into()),
    }
}

impl Declaration {
    /// Whether it is meant for this device.
    fn applies(&self, kind: DeviceKind, samples: &Samples) -> bool {
        let column = samples.columns.get(self.channel);
        match self.kind {
            Some(only) => only == kind && !column.is_empty(),
            None => {
                self.unit.starts_with('m') && batch::suspect_unit(column, self.channel).is_some()
            }
        }
    }
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    anyhow::ensure!(arguments.speed >= 0.0, "--speed is 0 or more");
    let token = operator_token(context).await?;
    let client = Client {
        channel: connect(&arguments.server).await?,
        operator: bearer(&token)?,
        gateway: context
            .surroundings
            .mqtt_password()
            .unwrap_or_default()
            .to_owned(),
    };
    let bench = client.bench(&arguments.shop, &arguments.bench).await?;
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

/// When each part of the recording is sent, and which dates it bears.
pub(super) struct Plan {
    /// The file's clock at the start of the recording, ms.
    file_start_ms: i64,
    /// The wall clock that start is shifted to.
    start: DateTime<Utc>,
    began: tokio::time::Instant,
    speed: f64,
}

impl Plan {
    /// Everything at once.
    pub(super) fn at_once(now: DateTime<Utc>) -> Self {
        Self::new(&BTreeMap::new(), 0.0, now)
    }

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

    /// When a moment of the file is sent.
    fn due(&self, file_ms: i64) -> tokio::time::Instant {
        if self.speed > 0.0 {
            let at = (file_ms - self.file_start_ms) as f64 / 1000.0 / self.speed;
            self.began + Duration::from_secs_f64(at.max(0.0))
        } else {
            self.began
        }
    }
}

impl Client {
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
        let mut expected = recording.samples.clone();
        if let Some(declared) = &arguments.declare
            && declared.applies(kind, &recording.samples)
        {
            self.declare(&device.device_id, declared).await?;
            remark(&format!("  {kind}: declared {}", declared.unit));
            if declared.unit.starts_with('m') {
                batch::scale_down(expected.columns.get_mut(declared.channel));
            }
        }
        let batches = batches(recording, plan, arguments);
        let order = order(batches.len(), arguments.disorder);
        let boot = random_boot()?;
        let mut tally = if arguments.mqtt.is_none() {
            let mut sender = Sender {
                client: TelemetryServiceClient::new(self.channel.clone()),
                token: bearer(&made.token)?,
                order,
                boot,
                batches,
                plan,
                clock_ms: recording.clock_ms,
                kept: &|_| (),
            };
            Box::pin(sender.run()).await?
        } else {
            let sender = MqttSender {
                address: self.mqtt_address(arguments, (&device.device_id, &made.token))?,
                device: wire::id("device_id", &device.device_id)?,
                boot,
                encoding: if arguments.mqtt_json {
                    Encoding::Json
                } else {
                    Encoding::Protobuf
                },
                batches,
                order,
                plan,
                clock_ms: recording.clock_ms,
                kept: &|_| (),
            };
            Box::pin(sender.run()).await?
        };
        tally.sent = recording.samples.count();
        let same = if arguments.verify {
            Some(self.verify(&device.device_id, &expected).await?)
        } else {
            None
        };
        Ok((device, tally, same))
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
            "kept": tally.kept, "stored": tally.stored, "duplicate": tally.duplicate, "refused": tally.refused,
            "reasons": tally.reasons, "read_back_equal": same,
        });
        return print(&answer.to_string());
    }
    let read_back = match same {
        Some(true) => ", read back equal",
        Some(false) => ", READ BACK DIFFERENT",
        None => "",
    };
    let kept = match (tally.stored, tally.duplicate) {
        (Some(stored), Some(duplicate)) => {
            format!("stored {stored}, held already {duplicate}")
        }
        _ => format!("kept {}", tally.kept),
    };
    print(&format!(
        "  {:24} {}  sent {} samples: {kept}, refused {}{read_back}",
        device.name, device.device_id, tally.sent, tally.refused
    ))?;
    for (reason, text) in &tally.reasons {
        print(&format!("    {reason} {text}"))?;
    }
    Ok(())
}
