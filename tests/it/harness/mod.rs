//! A real service on a real database, on port 0, with a clock that stands still unless moved.

pub(crate) mod bench;
pub(crate) mod broker;
pub(crate) mod database;
pub(crate) mod device;
pub(crate) mod mqtt;
pub(crate) mod process;
pub(crate) mod program;

use std::sync::OnceLock;
use std::time::Duration;

use chrono::{DateTime, Utc};
use metrics_exporter_prometheus::PrometheusHandle;
use restvolt::app::{self, App, Stores, database::Database};
use restvolt::clock::Clock;
use restvolt::config::{self, Surroundings};
use restvolt::edge::pb;
use restvolt::edge::pb::alarm_service_client::AlarmServiceClient;
use restvolt::edge::pb::registry_service_client::RegistryServiceClient;
use restvolt::edge::pb::telemetry_service_client::TelemetryServiceClient;
use restvolt::pipeline;
use tokio_util::sync::CancellationToken;
use tonic::Request;
use tonic::transport::{Certificate, Channel, ClientTlsConfig};
use uuid::Uuid;

pub(crate) use device::Device;

/// The moment at which every test begins.
pub(crate) fn noon() -> DateTime<Utc> {
    "2026-06-01T12:00:00Z".parse().unwrap()
}

/// A running service.
pub(crate) struct Stack {
    pub(crate) clock: Clock,
    pub(crate) stores: Stores,
    pub(crate) url: String,
    pub(crate) group: Uuid,
    pub(crate) operator: String,
    pub(crate) shop_id: String,
    pub(crate) bench_id: String,
    pub(crate) channel: Channel,
    pub(crate) grpc_addr: std::net::SocketAddr,
    pub(crate) admin_addr: std::net::SocketAddr,
    pub(crate) mqtt_addr: Option<std::net::SocketAddr>,
    shutdown: CancellationToken,
    served: tokio::task::JoinHandle<()>,
}

fn metrics() -> PrometheusHandle {
    static HANDLE: OnceLock<PrometheusHandle> = OnceLock::new();
    HANDLE.get_or_init(|| app::start_metrics().unwrap()).clone()
}

/// A request with a token.
pub(crate) fn with<T>(token: &str, message: T) -> Request<T> {
    let mut request = Request::new(message);
    request.set_timeout(Duration::from_secs(30));
    request
        .metadata_mut()
        .insert("authorization", format!("Bearer {token}").parse().unwrap());
    request
}

impl Stack {
    /// Starts a service on a fresh database, with one shop and one bench.
    pub(crate) async fn start() -> Self {
        Self::start_on(database::fresh(), Clock::fixed(noon()), &[]).await
    }

    /// Starts a service on a given database; settings as (key, value).
    pub(crate) async fn start_on(url: String, clock: Clock, settings: &[(&str, &str)]) -> Self {
        let folder = std::env::temp_dir().join(format!("restvolt-it-{}", std::process::id()));
        let folder = folder.join(format!("{:032x}", fresh_number()));
        let mut flags = vec![
            ("data_dir", folder.display().to_string()),
            ("database.url", url.clone()),
            ("database.durable", "false".to_owned()),
            ("listen.grpc", "127.0.0.1:0".to_owned()),
            ("listen.admin", "127.0.0.1:0".to_owned()),
            ("mqtt.listen", String::new()),
        ];
        flags.extend(
            settings
                .iter()
                .map(|(key, value)| (*key, (*value).to_owned())),
        );
        let config = config::load(None, &Surroundings::default(), &flags)
            .unwrap()
            .config;
        let database = Database::open(&config, &Surroundings::default(), false)
            .await
            .unwrap();
        let stores = Stores::open(&config, &database).await.unwrap();
        let name = format!("group {}", Uuid::from_u128(fresh_number()).simple());
        let (group, secret) = app::ensure_group(&stores.questions, &clock, &name)
            .await
            .unwrap();
        let operator = secret.unwrap().reveal().to_owned();
        let app = App::build(&config, &stores, clock.clone(), metrics())
            .await
            .unwrap();
        let (grpc_addr, admin_addr, mqtt_addr) = (app.grpc_addr, app.admin_addr, app.mqtt_addr);
        let shutdown = CancellationToken::new();
        let served = tokio::task::spawn(app.run(shutdown.clone()));
        let channel = connect(&config, grpc_addr).await;
        let mut stack = Self {
            clock,
            stores,
            url,
            group,
            operator,
            shop_id: String::new(),
            bench_id: String::new(),
            channel,
            grpc_addr,
            admin_addr,
            mqtt_addr,
            shutdown,
            served,
        };
        let new = pb::CreateShopRequest {
            name: "Kelder".into(),
            currency_code: "EUR".into(),
        };
        let shop = stack
            .registry()
            .create_shop(with(&stack.operator, new))
            .await
            .unwrap();
        stack.shop_id = shop.into_inner().shop.unwrap().shop_id;
        let new = pb::CreateBenchRequest {
            shop_id: stack.shop_id.clone(),
            name: "bench 1".into(),
        };
        let bench = stack
            .registry()
            .create_bench(with(&stack.operator, new))
            .await
            .unwrap();
        stack.bench_id = bench.into_inner().bench_id;
        stack
    }

    pub(crate) fn registry(&self) -> RegistryServiceClient<Channel> {
        RegistryServiceClient::new(self.channel.clone())
    }

    pub(crate) fn alarms(&self) -> AlarmServiceClient<Channel> {
        AlarmServiceClient::new(self.channel.clone())
    }

    pub(crate) fn telemetry(&self) -> TelemetryServiceClient<Channel> {
        TelemetryServiceClient::new(self.channel.clone()).max_decoding_message_size(8 << 20)
    }

    /// Registers a device and gives it its first boot.
    pub(crate) async fn device(&self, kind: pb::DeviceKind) -> Device {
        let new = pb::CreateDeviceRequest {
            bench_id: self.bench_id.clone(),
            kind: kind as i32,
            name: "charger of the left bench".into(),
        };
        let made = self
            .registry()
            .create_device(with(&self.operator, new))
            .await
            .unwrap();
        let made = made.into_inner();
        Device {
            id: made.device.unwrap().device_id,
            token: made.token,
            boot: i64::try_from(fresh_number() >> 66).unwrap(),
            client: self.telemetry(),
        }
    }

    /// A token of the given scope.
    pub(crate) async fn token(&self, scope: pb::Scope, shop_id: &str) -> String {
        let new = pb::CreateTokenRequest {
            scope: scope as i32,
            name: "bench phone".into(),
            shop_id: shop_id.to_owned(),
            ..pb::CreateTokenRequest::default()
        };
        let made = self
            .registry()
            .create_token(with(&self.operator, new))
            .await
            .unwrap();
        made.into_inner().secret
    }

    /// Sessions of a device, oldest first.
    pub(crate) async fn sessions(&self, device: &Device) -> Vec<pb::Session> {
        let ask = pb::ListSessionsRequest {
            device_id: device.id.clone(),
            page_size: 1000,
            ..pb::ListSessionsRequest::default()
        };
        let listed = self
            .telemetry()
            .list_sessions(with(&self.operator, ask))
            .await
            .unwrap();
        let mut sessions = listed.into_inner().sessions;
        sessions.sort_by_key(|session| (session.boot_id, session.first_seq));
        sessions
    }

    /// The exact samples of a session: (sequence number, ms since boot, mV).
    pub(crate) async fn samples(&self, session: &pb::Session) -> Vec<(i64, i64, i32)> {
        let ask = pb::ReadSamplesRequest {
            session_id: session.session_id.clone(),
        };
        let stream = self
            .telemetry()
            .read_samples(with(&self.operator, ask))
            .await
            .unwrap();
        let mut stream = stream.into_inner();
        let mut found = Vec::new();
        while let Some(message) = stream.message().await.unwrap() {
            let batch = message.samples.unwrap();
            let mut now = batch.start_milliseconds;
            let values = batch
                .step_milliseconds
                .iter()
                .zip(&batch.voltage_millivolts);
            for (seq, (step, voltage)) in (batch.first_seq..).zip(values) {
                now += i64::from(*step);
                found.push((seq, now, *voltage));
            }
        }
        found
    }

    /// Does every job that is due now.
    pub(crate) async fn do_jobs(&self) {
        for _ in 0..1_000 {
            if pipeline::turn(&self.stores.intake, &self.clock)
                .await
                .unwrap()
                > 0
            {
                continue;
            }
            // The service's own worker may still have one in hand.
            let next: Option<DateTime<Utc>> = self
                .sql("select min(run_at) from rv.work where kind = 'close_session'")
                .await;
            if next.is_none_or(|next| next > self.clock.now()) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        panic!("the job queue never empties");
    }

    /// One value of the database, past every wall: for tests only.
    pub(crate) async fn sql<T>(&self, query: &'static str) -> T
    where
        T: for<'r> sqlx::Decode<'r, sqlx::Postgres> + sqlx::Type<sqlx::Postgres> + Send + Unpin,
    {
        let mut conn = database::superuser(&self.url).await;
        sqlx::query_scalar(query)
            .fetch_one(&mut conn)
            .await
            .unwrap()
    }

    /// Stops the service in order; fails when a due job is left.
    pub(crate) async fn finish(self) {
        self.do_jobs().await;
        let failed: i64 = self
            .sql("select count(*) from rv.work where last_error is not null")
            .await;
        assert_eq!(failed, 0, "a job failed");
        self.shut().await;
    }

    /// Stops the service in order, whatever waits.
    pub(crate) async fn shut(self) {
        self.shutdown.cancel();
        tokio::time::timeout(Duration::from_secs(25), self.served)
            .await
            .unwrap()
            .unwrap();
    }
}

/// A channel to the service, over TLS with its own certificate as the root where it has one.
async fn connect(config: &config::Config, address: std::net::SocketAddr) -> Channel {
    // Fails only when another test installed it before, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    if config.tls.cert_file.is_empty() {
        let endpoint = Channel::from_shared(format!("http://{address}")).unwrap();
        return endpoint.connect().await.unwrap();
    }
    let root = Certificate::from_pem(std::fs::read(&config.tls.cert_file).unwrap());
    let tls = ClientTlsConfig::new()
        .ca_certificate(root)
        .domain_name("localhost");
    let endpoint = Channel::from_shared(format!("https://{address}")).unwrap();
    endpoint.tls_config(tls).unwrap().connect().await.unwrap()
}

/// A number no other test of this run has.
pub(crate) fn fresh_number() -> u128 {
    use std::hash::{BuildHasher as _, RandomState};
    let high = u128::from(RandomState::new().hash_one(std::process::id()));
    let low = u128::from(RandomState::new().hash_one(1u8));
    high << 64 | low
}
