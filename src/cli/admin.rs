//! `device`, `token`, `migrate`, `config`: what operators do.

use clap::{Args, Subcommand};
use serde_json::json;
use uuid::Uuid;

use super::local::Local;
use super::{Context, Done, print};
use crate::app::database::Database;
use crate::config as settings;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::topic;
use crate::query::registry::{self, DeviceChange, Status};
use crate::query::tokens::{self, NewToken};
use crate::record::words::{DeviceKind, Scope};
use crate::store;

/// Parses a word of a vocabulary on the command line.
macro_rules! word {
    ($word:ty) => {
        |text: &str| <$word>::parse("value", text).map_err(|reject| reject.detail)
    };
}
pub(super) use word;

#[derive(Debug, Subcommand)]
pub(super) enum Device {
    /// Register a device on a bench and print its token, once. Shop and bench are made when new.
    Add {
        /// Name people use.
        name: String,
        /// charger, meter or sensor.
        #[arg(long, value_parser = word!(DeviceKind), default_value = "charger")]
        kind: DeviceKind,
        /// Shop it stands in.
        #[arg(long, value_name = "NAME")]
        shop: String,
        /// Bench it stands on.
        #[arg(long, value_name = "NAME", default_value = "bench 1")]
        bench: String,
    },
    /// List devices: id, kind, units, whether it is connected over MQTT, firmware, name.
    List,
    /// Declare the unit a device really sends, name its firmware, or switch it off or on.
    Set {
        /// Device id.
        device: Uuid,
        /// v=mV, v=V, i=mA or i=A: the unit its values really have.
        #[arg(long, value_name = "CHANNEL=UNIT")]
        unit: Vec<String>,
        /// Version of what runs on it from now on; a device that speaks MQTT names its own.
        #[arg(long, value_name = "VERSION")]
        firmware: Option<String>,
        /// Send its batches to quarantine from now on.
        #[arg(long, conflicts_with = "enable")]
        disable: bool,
        /// Take its batches again.
        #[arg(long)]
        enable: bool,
    },
}

pub(super) async fn device(context: &Context, command: Device) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let done = Box::pin(device_on(context, &local, command)).await;
    local.close().await;
    done
}

async fn device_on(context: &Context, local: &Local, command: Device) -> anyhow::Result<Done> {
    let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
    match command {
        Device::Add {
            name,
            kind,
            shop,
            bench,
        } => {
            let bench = ensure_bench(local, &shop, &bench).await?;
            let new = (bench, kind, name);
            let (device, secret) = registry::create_device(store, clock, caller, new).await?;
            if context.json {
                let answer = json!({"device": device, "token": secret.reveal()});
                print(&answer.to_string())?;
            } else {
                print(&format!(
                    "device {} ({}) stands in {shop}\nid     {id}\ntoken  {}\n\
                     The token is shown this once. Over gRPC it goes with every call as \
                     `authorization: Bearer TOKEN`; over MQTT log in with the id and the token:\n  \
                     mosquitto_pub -h HOST -p {port} -q 1 -u {id} -P TOKEN \\\n    \
                     -t {topic} -m \\\n    \
                     '{{\"boot_id\": 1, \"first_seq\": 1, \"step_milliseconds\": [0], \
                     \"voltage_millivolts\": [12650]}}'",
                    device.name,
                    device.kind,
                    secret.reveal(),
                    id = device.device_id,
                    port = mqtt_port(context),
                    topic = topic::samples(device.device_id, Encoding::Json),
                ))?;
            }
        }
        Device::List => list_devices(context, local).await?,
        Device::Set {
            device,
            unit,
            firmware,
            disable,
            enable,
        } => {
            let mut change = DeviceChange {
                firmware,
                ..DeviceChange::default()
            };
            for unit in unit {
                match unit.split_once('=') {
                    Some(("v", unit)) => change.voltage_unit = Some(unit.to_owned()),
                    Some(("i", unit)) => change.current_unit = Some(unit.to_owned()),
                    _ => anyhow::bail!("--unit takes v=mV, v=V, i=mA or i=A, not `{unit}`"),
                }
            }
            change.disabled = if disable {
                Some(true)
            } else {
                enable.then_some(false)
            };
            let device = registry::update_device(store, clock, caller, device, change).await?;
            print(&serde_json::to_string(&device)?)?;
        }
    }
    Ok(Done::All)
}

/// Port of the service's own MQTT door, as this machine's settings have it.
fn mqtt_port(context: &Context) -> u16 {
    let door = context.config().mqtt.door();
    door.ok().flatten().map_or(1883, |address| address.port())
}

/// Prints every device, one a line.
async fn list_devices(context: &Context, local: &Local) -> anyhow::Result<()> {
    let (store, caller) = (local.store(), &local.caller);
    let mut token = String::new();
    loop {
        let page = registry::list_devices(store, caller, (1000, &token)).await?;
        for device in page.rows {
            let line = if context.json {
                serde_json::to_string(&device)?
            } else {
                format!(
                    "{}  {:8} {:3} {:3} {:8} {:8} {}{}",
                    device.device_id,
                    device.kind,
                    device.voltage_unit,
                    device.current_unit,
                    match device.status {
                        Some(Status { online: true, .. }) => "online",
                        Some(_) => "offline",
                        None => "-",
                    },
                    if device.firmware.is_empty() {
                        "-"
                    } else {
                        &device.firmware
                    },
                    device.name,
                    if device.disabled { "  (off)" } else { "" }
                )
            };
            print(&line)?;
        }
        match page.next {
            Some(next) => token = next,
            None => break,
        }
    }
    Ok(())
}

/// The bench of a name in the shop of a name, both made when new.
pub(super) async fn ensure_bench(local: &Local, shop: &str, bench: &str) -> anyhow::Result<Uuid> {
    let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
    let known = registry::list_shops(store, caller).await?;
    let shop_id = if let Some(known) = known.iter().find(|known| known.name == shop) {
        known.shop_id
    } else {
        let new = (shop.to_owned(), String::new());
        registry::create_shop(store, clock, caller, new)
            .await?
            .shop_id
    };
    let (_, benches) = registry::list_benches(store, caller, Some(shop_id)).await?;
    if let Some(known) = benches.iter().find(|known| known.1 == bench) {
        return Ok(known.0);
    }
    let new = (shop_id, bench.to_owned());
    Ok(registry::create_bench(store, clock, caller, new).await?)
}

#[derive(Debug, Subcommand)]
pub(super) enum Token {
    /// Make a token and print it, once.
    Create {
        /// Name people use.
        name: String,
        /// device, integrator, bench, analyst or operator.
        #[arg(long, value_parser = word!(Scope))]
        scope: Scope,
        /// Shop to bind it to; needed for bench.
        #[arg(long, value_name = "NAME")]
        shop: Option<String>,
        /// Device to bind it to; needed for device.
        #[arg(long, value_name = "ID")]
        device: Option<Uuid>,
        /// Days until it ends.
        #[arg(long, default_value_t = 365)]
        days: i64,
    },
    /// List tokens, without their text.
    List,
    /// Take a token back; it works at most 5 s longer.
    Revoke {
        /// Token id.
        token: Uuid,
    },
}

pub(super) async fn token(context: &Context, command: Token) -> anyhow::Result<Done> {
    let local = Local::open(context).await?;
    let done = Box::pin(token_on(context, &local, command)).await;
    local.close().await;
    done
}

async fn token_on(context: &Context, local: &Local, command: Token) -> anyhow::Result<Done> {
    let (store, clock, caller) = (local.store(), &local.clock, &local.caller);
    match command {
        Token::Create {
            name,
            scope,
            shop,
            device,
            days,
        } => {
            let shop = match shop {
                Some(name) => Some(local.shop(Some(&name)).await?),
                None => None,
            };
            let new = NewToken {
                scope,
                name,
                shop,
                device,
                valid_days: days,
            };
            let (made, secret) = tokens::create(store, clock, caller, new).await?;
            if context.json {
                print(&json!({"token": made, "secret": secret.reveal()}).to_string())?;
            } else {
                print(&format!(
                    "token of scope {} until {}, shown this once:\n{}",
                    made.scope,
                    made.expires_at.date_naive(),
                    secret.reveal()
                ))?;
            }
        }
        Token::List => {
            for token in tokens::list(store, caller).await? {
                let line = if context.json {
                    serde_json::to_string(&token)?
                } else {
                    let state = match token.revoked_at {
                        Some(at) => format!("revoked {}", at.date_naive()),
                        None => format!("until {}", token.expires_at.date_naive()),
                    };
                    format!(
                        "{}  {:10} {state:18} {}",
                        token.credential_id, token.scope, token.name
                    )
                };
                print(&line)?;
            }
        }
        Token::Revoke { token } => {
            tokens::revoke(store, clock, caller, token).await?;
            print("revoked; it works at most 5 s longer")?;
        }
    }
    Ok(Done::All)
}

/// Bring a database to this program's version. `serve` does it by itself.
#[derive(Debug, Args)]
pub(super) struct Migrate {
    /// Only list what is missing; exit code 2 when something is.
    #[arg(long)]
    check: bool,
}

pub(super) async fn migrate(context: &Context, command: Migrate) -> anyhow::Result<Done> {
    let database = Database::open(context.config(), &context.surroundings, true).await?;
    let work = async {
        let pending = store::pending_migrations(database.owner_options()).await?;
        for name in &pending {
            print(&format!(
                "{} {name}",
                if command.check { "missing" } else { "applying" }
            ))?;
        }
        if command.check {
            return Ok(if pending.is_empty() {
                Done::All
            } else {
                Done::SomeRefused
            });
        }
        store::migrate(database.owner_options()).await?;
        print("the database is at this program's version")?;
        Ok(Done::All)
    };
    let done = work.await;
    database.stop().await;
    done
}

#[derive(Debug, Subcommand)]
pub(super) enum Config {
    /// Print the default settings file, a comment for each setting.
    Default,
    /// Print the settings in force, secrets blotted out.
    Print {
        /// Say where each value comes from.
        #[arg(long)]
        origin: bool,
    },
    /// Check the settings and say nothing else.
    Check,
}

pub(super) fn config(context: &Context, command: &Config) -> anyhow::Result<Done> {
    match command {
        Config::Default => print(settings::DEFAULT_FILE)?,
        Config::Check => print("the settings are readable and inside their ranges")?,
        Config::Print { origin: false } if context.json => {
            let mut shown = context.config().clone();
            shown.database.url = settings::redact_url(&shown.database.url);
            print(&serde_json::to_string(&shown)?)?;
        }
        Config::Print { origin: false } => print(&context.config().redacted()?)?,
        Config::Print { origin: true } => {
            for (key, origin) in &context.loaded.origins {
                print(&format!("{key:32} {origin}"))?;
            }
        }
    }
    Ok(Done::All)
}
