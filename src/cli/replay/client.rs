//! What a replay asks of the service over gRPC: registering devices, reading samples back.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use anyhow::Context as _;
use tonic::Code;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::{Channel as Connection, ClientTlsConfig, Endpoint};

use super::Declaration;
use super::delivery::Delivery;
use crate::config;
use crate::edge::mqtt::link::Address;
use crate::edge::pb::registry_service_client::RegistryServiceClient;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::wire::{self, Word as _};
use crate::edge::{grpc, pb};
use crate::record::sample::{Channel, Samples};
use crate::record::words::DeviceKind;

/// How long a service may be away for a moment.
const PATIENCE: Duration = Duration::from_secs(20);
/// Between two attempts.
const AGAIN: Duration = Duration::from_secs(1);

#[derive(Clone)]
pub(in crate::cli) struct Client {
    pub(in crate::cli) channel: Connection,
    pub(in crate::cli) operator: MetadataValue<Ascii>,
    /// Password of the login that may write for every device.
    pub(in crate::cli) gateway: String,
}

pub(in crate::cli) async fn connect(server: &str) -> anyhow::Result<Connection> {
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

pub(in crate::cli) fn bearer(token: &str) -> anyhow::Result<MetadataValue<Ascii>> {
    format!("Bearer {token}")
        .parse()
        .context("the token has characters no token has")
}

pub(in crate::cli) fn request<T>(message: T, token: &MetadataValue<Ascii>) -> tonic::Request<T> {
    let mut request = tonic::Request::new(message);
    request
        .metadata_mut()
        .insert("authorization", token.clone());
    request
}

/// Whether the same may be asked again after such an answer.
pub(super) fn again(status: &tonic::Status) -> bool {
    matches!(
        status.code(),
        Code::Unavailable | Code::ResourceExhausted | Code::Unknown | Code::Cancelled
    )
}

/// Asks again while the service says to come again, `PATIENCE` long; for what may be asked twice.
///
/// # Errors
/// What the service answered last.
pub(in crate::cli) async fn patiently<T, F>(ask: impl Fn() -> F) -> Result<T, tonic::Status>
where
    F: Future<Output = Result<tonic::Response<T>, tonic::Status>>,
{
    let begun = Instant::now();
    loop {
        match ask().await {
            Ok(answer) => return Ok(answer.into_inner()),
            Err(status) if again(&status) && begun.elapsed() < PATIENCE => {
                tokio::time::sleep(AGAIN).await;
            }
            Err(status) => return Err(status),
        }
    }
}

/// A bench of the service.
pub(in crate::cli) struct Bench {
    pub(in crate::cli) id: String,
}

impl Client {
    /// Of a service on this machine.
    pub(in crate::cli) async fn of(server: &str, token: &str) -> anyhow::Result<Self> {
        Ok(Self {
            channel: connect(server).await?,
            operator: bearer(token)?,
            gateway: String::new(),
        })
    }

    /// Registers a device.
    pub(in crate::cli) async fn device(
        &self,
        bench: &Bench,
        kind: DeviceKind,
        name: String,
    ) -> anyhow::Result<pb::CreateDeviceResponse> {
        let mut registry = RegistryServiceClient::new(self.channel.clone());
        let new = pb::CreateDeviceRequest {
            bench_id: bench.id.clone(),
            kind: kind.to_wire(),
            name,
        };
        let made = registry.create_device(request(new, &self.operator)).await?;
        Ok(made.into_inner())
    }

    /// The bench of a name in the shop of a name, both made when new.
    pub(in crate::cli) async fn bench(&self, shop: &str, bench: &str) -> anyhow::Result<Bench> {
        let mut registry = RegistryServiceClient::new(self.channel.clone());
        let shops = registry
            .list_shops(request(pb::ListShopsRequest {}, &self.operator))
            .await?;
        let known = shops
            .into_inner()
            .shops
            .into_iter()
            .find(|known| known.name == shop);
        let shop_id = if let Some(shop) = known {
            shop.shop_id
        } else {
            let name = shop.to_owned();
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
            .find(|known| known.name == bench);
        if let Some(bench) = known {
            return Ok(Bench { id: bench.bench_id });
        }
        let new = pb::CreateBenchRequest {
            shop_id,
            name: bench.to_owned(),
        };
        let made = registry.create_bench(request(new, &self.operator)).await?;
        Ok(Bench {
            id: made.into_inner().bench_id,
        })
    }

    pub(super) async fn declare(&self, device: &str, declared: &Declaration) -> anyhow::Result<()> {
        let mut change = pb::UpdateDeviceRequest {
            device_id: device.to_owned(),
            ..pb::UpdateDeviceRequest::default()
        };
        match declared.channel {
            Channel::Current => change.current_unit = Some(declared.unit.clone()),
            _ => change.voltage_unit = Some(declared.unit.clone()),
        }
        let mut registry = RegistryServiceClient::new(self.channel.clone());
        registry
            .update_device(request(change, &self.operator))
            .await?;
        Ok(())
    }

    /// How a device, or the gateway for it, logs in.
    pub(super) fn mqtt_address(
        &self,
        delivery: &Delivery,
        (device, token): (&str, &str),
    ) -> anyhow::Result<Address> {
        let url = delivery.mqtt.as_deref().unwrap_or_default();
        let at = config::broker_address(url)
            .with_context(|| format!("--mqtt {url} is no address such as mqtt://127.0.0.1:7402"))?;
        anyhow::ensure!(
            !at.tls,
            "--mqtt speaks in the clear only: use mqtt:// on this machine"
        );
        let (username, password) = match &delivery.mqtt_user {
            None => (device, token),
            Some(name) => (name.as_str(), self.gateway.as_str()),
        };
        let login = (device, username, password);
        let at = (at.host.as_str(), at.port);
        Ok(Address::passing(at, delivery.mqtt_version, login, 16))
    }

    /// Reads every session of the device back and compares it with what each boot sent.
    pub(in crate::cli) async fn verify(
        &self,
        device: &str,
        sent: &[(i64, Samples)],
    ) -> anyhow::Result<bool> {
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
        let mut parts: BTreeMap<i64, Vec<Samples>> = BTreeMap::new();
        for session in listed.sessions {
            let ask = pb::ReadSamplesRequest {
                session_id: session.session_id,
            };
            let mut stream = client
                .read_samples(request(ask, &self.operator))
                .await?
                .into_inner();
            while let Some(message) = stream.message().await? {
                let batch = message.samples.unwrap_or_default();
                let boot = batch.boot_id;
                let raw = wire::raw_batch(batch);
                let raw = raw.map_err(|reject| anyhow::anyhow!(reject.to_string()))?;
                let mut now = raw.start_ms;
                let times = raw.step_ms.iter().map(|step| {
                    now += i64::from(*step);
                    now
                });
                parts.entry(boot).or_default().push(Samples {
                    first_seq: raw.first_seq,
                    time_ms: times.collect(),
                    columns: raw.columns,
                });
            }
        }
        let known = parts.len()
            == sent
                .iter()
                .filter(|(_, samples)| !samples.is_empty())
                .count();
        Ok(known
            && sent.iter().all(|(boot, samples)| {
                let mut found = parts.remove(boot).unwrap_or_default();
                found.sort_by_key(|part| part.first_seq);
                joined(&found).is_some_and(|whole| whole == *samples)
            }))
    }
}

/// One run of the parts; `None` when something is missing between them.
fn joined(parts: &[Samples]) -> Option<Samples> {
    let mut whole = Samples::default();
    for part in parts {
        if !whole.is_empty() && whole.last_seq() + 1 != part.first_seq {
            return None;
        }
        whole.append(part);
    }
    whole.normalize();
    Some(whole)
}
