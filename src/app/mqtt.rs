//! The MQTT doors of a service: its own, and a broker.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::Context as _;
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::bind;
use crate::config::Mqtt;
use crate::edge::grpc::Services;
use crate::edge::mqtt::broker::{self, Settings, State, service_status};
#[cfg(feature = "mqtt-door")]
use crate::edge::mqtt::door::{Bounds, Door};
use crate::edge::mqtt::link::{Address, KEEP_ALIVE, Version};
use crate::edge::mqtt::{Desk, alarms, topic};
#[cfg(feature = "mqtt-door")]
use crate::edge::serve::Limits;

/// How long a broker keeps our session while we are away.
const SESSION: Duration = Duration::from_hours(14 * 24);
/// Messages a broker may have on the way to us.
const IN_FLIGHT: u16 = 1_000;

/// What is bound and ready to run.
pub(super) struct Parts {
    #[cfg(feature = "mqtt-door")]
    door: Option<(Door, SocketAddr)>,
    broker: Option<(Desk, Settings, State)>,
}

impl Parts {
    /// Binds the door and reads the broker's settings; nothing is connected before `run`.
    pub(super) async fn build(
        config: &Mqtt,
        services: &Services,
        tls: Option<TlsAcceptor>,
    ) -> anyhow::Result<Self> {
        let budget_bytes = config.budget_kib as usize * 1024;
        #[cfg(feature = "mqtt-door")]
        let door = match config.door()? {
            None => None,
            Some(address) => {
                let (listener, bound) = bind(address, "mqtt.listen").await?;
                let door = Door {
                    listener,
                    tls,
                    bounds: Bounds {
                        limits: Limits::default(),
                        packet_bytes: config.packet_bytes,
                        budget_bytes,
                    },
                    desk: Desk::new(services),
                };
                Some((door, bound))
            }
        };
        #[cfg(not(feature = "mqtt-door"))]
        if config.door()?.is_some() {
            let _ = (tls, bind);
            tracing::warn!(
                "mqtt.listen is set, but this program was built without its own MQTT door"
            );
        }
        let broker = match config.broker()? {
            None => None,
            Some(at) => Some((
                Desk::new(services),
                Settings {
                    address: address(config, (at.host, at.port))?,
                    tls: at.tls.then(|| {
                        (!config.ca_file.is_empty()).then(|| PathBuf::from(&config.ca_file))
                    }),
                    budget_bytes,
                },
                State::default(),
            )),
        };
        Ok(Self {
            #[cfg(feature = "mqtt-door")]
            door,
            broker,
        })
    }

    /// Address of the door.
    pub(super) fn address(&self) -> Option<SocketAddr> {
        #[cfg(feature = "mqtt-door")]
        return self.door.as_ref().map(|door| door.1);
        #[cfg(not(feature = "mqtt-door"))]
        None
    }

    /// How the subscriber at the broker stands.
    pub(super) fn state(&self) -> Option<State> {
        self.broker.as_ref().map(|broker| broker.2.clone())
    }

    /// Starts both on `tasks`, until `stop`.
    pub(super) fn run(self, tasks: &TaskTracker, stop: &CancellationToken) {
        #[cfg(feature = "mqtt-door")]
        if let Some((door, address)) = self.door {
            tracing::info!(%address, "serving MQTT");
            let (owned, stop) = (tasks.clone(), stop.clone());
            tasks.spawn(async move {
                if let Err(error) = door.run(owned, stop).await {
                    tracing::error!(%error, "the MQTT door did not start");
                }
            });
        }
        if let Some((desk, settings, state)) = self.broker {
            let at = (&settings.address.host, settings.address.port);
            tracing::info!(
                host = at.0,
                port = at.1,
                "taking messages in from an MQTT broker"
            );
            let apart = alarms::run(desk.clone(), settings.clone(), stop.clone());
            tasks.spawn(apart);
            tasks.spawn(broker::run(desk, settings, state, stop.clone()));
        }
    }
}

/// How the service logs in at a broker.
///
/// # Errors
/// The password file cannot be read.
pub(crate) fn address(config: &Mqtt, (host, port): (String, u16)) -> anyhow::Result<Address> {
    Ok(Address {
        host,
        port,
        version: if config.version == 3 {
            Version::V3
        } else {
            Version::V5
        },
        client_id: config.client_id.clone(),
        username: config.username.clone(),
        password: password(config)?,
        packet_bytes: config.packet_bytes,
        in_flight: IN_FLIGHT,
        keep_alive: KEEP_ALIVE,
        session: SESSION,
        tls: None,
        will: Some((topic::SERVICE_STATUS.to_owned(), service_status(false))),
    })
}

fn password(config: &Mqtt) -> anyhow::Result<String> {
    if config.password_file.is_empty() {
        return Ok(String::new());
    }
    let text = std::fs::read_to_string(&config.password_file)
        .with_context(|| format!("cannot read mqtt.password_file {}", config.password_file))?;
    Ok(text.lines().next().unwrap_or_default().trim().to_owned())
}
