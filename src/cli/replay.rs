//! `replay`: sends a recorded charge to a running service, as the devices of one bench.

pub(super) mod client;
pub(super) mod delivery;
pub(super) mod mqtt;
pub(super) mod sender;

use std::path::PathBuf;

use self::delivery::{Delivery, Sent};
use super::trace;
use super::{Context, Done};
use crate::record::batch;
use crate::record::sample::{Channel, Samples};
use crate::record::words::DeviceKind;

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
    /// Bench; made when new.
    #[arg(long, default_value = "bench 1")]
    bench: String,
    /// Declare a unit before sending, for example v=mV: for the devices whose values fit only so, or
    /// for one kind of device with charger:v=mV.
    #[arg(long, value_name = "[KIND:]CHANNEL=UNIT", value_parser = declaration)]
    declare: Option<Declaration>,
    #[command(flatten)]
    delivery: Delivery,
}

const EXAMPLES: &str = "\
Examples:
  restvolt replay --verify charge.csv.gz                             over gRPC, read back
  restvolt replay --verify --mqtt mqtt://127.0.0.1:7402 *.csv.gz     through the service's own door
  restvolt replay --mqtt mqtt://127.0.0.1:1883 --mqtt-user gateway --disorder 7 charge.csv.gz";

/// A unit to declare.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(in crate::cli) struct Declaration {
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
    let delivery = &arguments.delivery;
    let client = delivery.client(context).await?;
    let bench = client.bench(&delivery.shop, &arguments.bench).await?;
    let mut done = Done::All;
    for file in &arguments.files {
        let recordings = trace::read(file)?;
        let name = file
            .file_name()
            .map(|name| name.to_string_lossy().into_owned());
        let name = name.unwrap_or_default();
        let name = name.split('.').next().unwrap_or("trace");
        let sent = Sent {
            name,
            recordings: &recordings,
            declare: arguments.declare.as_ref(),
        };
        if delivery.send(context, (&client, &bench), sent).await? == Done::SomeRefused {
            done = Done::SomeRefused;
        }
    }
    Ok(done)
}
