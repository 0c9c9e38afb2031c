//! The doors: who may in, how much, for how long; what an error says.

use std::time::{Duration, Instant};

use chrono::TimeDelta;
use prost::Message as _;
use restvolt::edge::pb;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tonic::codec::{Codec, DecodeBuf, Decoder, EncodeBuf, Encoder};
use tonic::{Code, Request, Status};
use tonic_types::StatusExt as _;

use crate::harness::device::run;
use crate::harness::{Stack, database, fresh_number, with};

/// Empty messages in, any message out: enough to knock at every door.
#[derive(Default)]
struct Knock;

impl Codec for Knock {
    type Encode = ();
    type Decode = ();
    type Encoder = Self;
    type Decoder = Self;
    fn encoder(&mut self) -> Self {
        Self
    }
    fn decoder(&mut self) -> Self {
        Self
    }
}

impl Encoder for Knock {
    type Item = ();
    type Error = Status;
    fn encode(&mut self, (): (), _: &mut EncodeBuf<'_>) -> Result<(), Status> {
        Ok(())
    }
}

impl Decoder for Knock {
    type Item = ();
    type Error = Status;
    fn decode(&mut self, bytes: &mut DecodeBuf<'_>) -> Result<Option<()>, Status> {
        use prost::bytes::Buf as _;
        bytes.advance(bytes.remaining());
        Ok(Some(()))
    }
}

/// Every method of the contract, as a path.
fn methods() -> Vec<String> {
    let set = prost_types::FileDescriptorSet::decode(pb::DESCRIPTOR).unwrap();
    let mut paths = Vec::new();
    for file in &set.file {
        for service in &file.service {
            for method in &service.method {
                paths.push(format!(
                    "/{}.{}/{}",
                    file.package(),
                    service.name(),
                    method.name()
                ));
            }
        }
    }
    paths
}

async fn knock(stack: &Stack, path: &str, token: Option<&str>) -> Code {
    let mut client = tonic::client::Grpc::new(stack.channel.clone());
    client.ready().await.unwrap();
    let mut request = Request::new(tokio_stream::iter([()]));
    request.set_timeout(Duration::from_secs(20));
    if let Some(token) = token {
        request
            .metadata_mut()
            .insert("authorization", token.parse().unwrap());
    }
    let path = path.parse().unwrap();
    match client.streaming(request, path, Knock).await {
        Err(status) => status.code(),
        Ok(mut answers) => match answers.get_mut().message().await {
            Err(status) => status.code(),
            Ok(_) => Code::Ok,
        },
    }
}

#[tokio::test]
async fn every_method_refuses_without_a_live_token() {
    let stack = Stack::start().await;
    let paths = methods();
    assert!(paths.len() > 30, "{paths:?}");
    let forged = format!("Bearer {}", &stack.operator[..stack.operator.len() - 1]);
    let unknown = "Bearer rvt_o_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA_AAAAAA";
    for path in &paths {
        for token in [
            None,
            Some("Bearer "),
            Some("Basic x"),
            Some(forged.as_str()),
            Some(unknown),
        ] {
            assert_eq!(
                knock(&stack, path, token).await,
                Code::Unauthenticated,
                "{path} {token:?}"
            );
        }
    }
    let good = format!("Bearer {}", stack.operator);
    let denied = knock(
        &stack,
        "/restvolt.v1.RegistryService/GetCaller",
        Some(&good),
    )
    .await;
    assert_eq!(denied, Code::Ok);
    stack.clock.advance(TimeDelta::days(3650));
    // Past the memory of the look-up the end of the token counts.
    tokio::time::sleep(Duration::from_millis(5_200)).await;
    let ended = knock(
        &stack,
        "/restvolt.v1.RegistryService/GetCaller",
        Some(&good),
    )
    .await;
    assert_eq!(ended, Code::Unauthenticated);
    assert_eq!(
        knock(&stack, "/grpc.health.v1.Health/Check", None).await,
        Code::Ok
    );
    assert_eq!(
        knock(&stack, "/restvolt.v1.NoSuch/Method", None).await,
        Code::Unimplemented
    );
    stack.finish().await;
}

#[tokio::test]
async fn scopes_part_what_each_may_do() {
    let stack = Stack::start().await;
    let device = stack.device(pb::DeviceKind::Charger).await.token;
    let integrator = stack.token(pb::Scope::Integrator, "").await;
    let bench = stack.token(pb::Scope::Bench, &stack.shop_id).await;
    let analyst = stack.token(pb::Scope::Analyst, "").await;
    let operator = stack.operator.clone();
    let denied = |path: &'static str, allowed: [bool; 5]| {
        let tokens = [&device, &integrator, &bench, &analyst, &operator];
        let pairs: Vec<_> = tokens
            .into_iter()
            .map(|token| format!("Bearer {token}"))
            .zip(allowed)
            .collect();
        let stack = &stack;
        async move {
            for (token, may) in pairs {
                let code = knock(stack, path, Some(&token)).await;
                assert_eq!(
                    code != Code::PermissionDenied,
                    may,
                    "{path} answered {code:?}"
                );
            }
        }
    };
    let [yes, no] = [true, false];
    denied(
        "/restvolt.v1.RegistryService/CreateShop",
        [no, no, no, no, yes],
    )
    .await;
    denied(
        "/restvolt.v1.RegistryService/ListTokens",
        [no, no, no, no, yes],
    )
    .await;
    denied(
        "/restvolt.v1.TelemetryService/ListQuarantine",
        [yes, yes, no, no, yes],
    )
    .await;
    denied(
        "/restvolt.v1.TelemetryService/Stream",
        [yes, yes, no, no, no],
    )
    .await;
    denied(
        "/restvolt.v1.RecoveryService/QueryRecoveryTable",
        [no, no, yes, yes, yes],
    )
    .await;
    denied(
        "/restvolt.v1.BenchService/ListAttempts",
        [no, no, yes, yes, yes],
    )
    .await;
    stack.finish().await;
}

#[tokio::test]
async fn a_connection_that_says_nothing_is_closed_and_others_are_served_meanwhile() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let began = Instant::now();
    let mut silent = Vec::new();
    for opening in [
        "",
        "PRI * HTTP/2",
        "GET / HTTP/1.1\r\nHost: restvolt.example\r\nX-A: ",
    ] {
        let mut stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
        stream.write_all(opening.as_bytes()).await.unwrap();
        silent.push(stream);
    }
    device.push(run(1, 5)).await;
    for mut stream in silent {
        let mut rest = Vec::new();
        let read = tokio::time::timeout(Duration::from_secs(15), stream.read_to_end(&mut rest));
        read.await.expect("a silent connection stays open").ok();
    }
    let took = began.elapsed();
    assert!(
        took < Duration::from_secs(15) && took > Duration::from_secs(5),
        "{took:?}"
    );
    // A channel that was opened properly may be idle longer than that.
    assert_eq!(device.push(run(6, 9)).await.stored_count, 4);
    stack.finish().await;
}

#[tokio::test]
async fn one_address_gets_fifty_connections() {
    let stack = Stack::start().await;
    let mut open = Vec::new();
    for _ in 0..49 {
        let mut stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
        stream
            .write_all(b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n")
            .await
            .unwrap();
        open.push(stream);
    }
    tokio::time::sleep(Duration::from_millis(300)).await;
    let mut surplus = TcpStream::connect(stack.grpc_addr).await.unwrap();
    let mut rest = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(5), surplus.read_to_end(&mut rest)).await;
    assert!(
        read.is_ok() && rest.is_empty(),
        "the 51st connection is closed at once"
    );
    drop(open);
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);
    stack.finish().await;
}

#[tokio::test]
async fn a_message_over_the_limit_is_refused_and_the_service_goes_on() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let large = pb::SampleBatch {
        events: vec![pb::Event {
            detail: "x".repeat(1_200_000),
            ..Default::default()
        }],
        ..run(1, 5)
    };
    let refused = device.try_push(large).await.unwrap_err();
    assert_eq!(refused.code(), Code::OutOfRange, "{refused}");
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);
    stack.finish().await;
}

#[tokio::test]
async fn errors_carry_a_stable_reason_the_field_and_the_fix() {
    let stack = Stack::start().await;
    let new = pb::CreateShopRequest {
        name: "Kelder".into(),
        currency_code: "EUR".into(),
    };
    let taken = stack
        .registry()
        .create_shop(with(&stack.operator, new))
        .await
        .unwrap_err();
    assert_eq!(taken.code(), Code::AlreadyExists);
    let details = taken.get_error_details();
    let info = details.error_info().unwrap();
    assert_eq!(
        (info.reason.as_str(), info.domain.as_str()),
        ("EXISTS_WITH_DIFFERENT_CONTENT", "restvolt")
    );
    assert_eq!(
        details.bad_request().unwrap().field_violations[0].field,
        "name"
    );
    let bench = stack.token(pb::Scope::Bench, &stack.shop_id).await;
    let new = pb::CreateShopRequest {
        name: "Vell".into(),
        currency_code: String::new(),
    };
    let denied = stack
        .registry()
        .create_shop(with(&bench, new))
        .await
        .unwrap_err();
    assert!(denied.message().contains("operator"), "{denied}");
    assert_eq!(
        denied.get_error_details().error_info().unwrap().reason,
        "PERMISSION_DENIED"
    );
    stack.finish().await;
}

async fn page(stack: &Stack, path: &str) -> (String, String) {
    let mut stream = TcpStream::connect(stack.admin_addr).await.unwrap();
    let ask = format!("GET {path} HTTP/1.1\r\nHost: restvolt.example\r\nConnection: close\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap();
    (head.lines().next().unwrap().to_owned(), body.to_owned())
}

#[tokio::test]
async fn health_names_its_parts_and_metrics_have_bounded_labels() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 5)).await;
    assert!(page(&stack, "/livez").await.0.contains("200"));
    let (status, body) = page(&stack, "/readyz").await;
    assert!(status.contains("200"), "{status} {body}");
    for part in ["database: ok", "intake: ok", "service: ok"] {
        assert!(body.contains(part), "{body}");
    }
    let (_, body) = page(&stack, "/metrics").await;
    for name in [
        "restvolt_ingest_samples_received_total",
        "restvolt_ingest_samples_total{result=\"stored\"}",
        "restvolt_ingest_commit_duration_seconds",
        "restvolt_db_connections",
        "restvolt_build_info",
    ] {
        assert!(body.contains(name), "{name} is not in {body}");
    }
    assert!(!body.contains(&device.id) && !body.contains(&stack.group.to_string()));
    assert!(page(&stack, "/nothing").await.0.contains("404"));
    stack.finish().await;
}

/// gRPC and HTTP/1.1 share one TLS port; clear text is turned away.
#[tokio::test]
async fn tls_serves_both_versions_of_http_and_no_clear_text() {
    let signed = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let folder = std::env::temp_dir().join(format!("restvolt-tls-{:032x}", fresh_number()));
    std::fs::create_dir(&folder).unwrap();
    let (cert, key) = (folder.join("cert.pem"), folder.join("key.pem"));
    std::fs::write(&cert, signed.cert.pem()).unwrap();
    std::fs::write(&key, signed.signing_key.serialize_pem()).unwrap();
    let settings = [
        ("tls.cert_file", cert.to_str().unwrap()),
        ("tls.key_file", key.to_str().unwrap()),
    ];
    let clock = restvolt::clock::Clock::fixed(crate::harness::noon());
    let stack = Stack::start_on(database::fresh(), clock, &settings).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);

    let mut roots = rustls::RootCertStore::empty();
    roots.add(signed.cert.der().clone()).unwrap();
    let mut config = rustls::ClientConfig::builder()
        .with_root_certificates(roots)
        .with_no_client_auth();
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    let connector = tokio_rustls::TlsConnector::from(std::sync::Arc::new(config));
    let stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
    let mut stream = connector
        .connect("localhost".try_into().unwrap(), stream)
        .await
        .unwrap();
    let ask = b"GET /nothing HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n";
    stream.write_all(ask).await.unwrap();
    let mut answer = Vec::new();
    // The server may close without a farewell of its own.
    let _ = stream.read_to_end(&mut answer).await;
    assert!(
        answer.starts_with(b"HTTP/1.1 404"),
        "{}",
        String::from_utf8_lossy(&answer)
    );

    let mut clear = TcpStream::connect(stack.grpc_addr).await.unwrap();
    clear.write_all(ask).await.unwrap();
    let mut answer = Vec::new();
    let _ = tokio::time::timeout(Duration::from_secs(15), clear.read_to_end(&mut answer))
        .await
        .unwrap();
    assert!(
        !answer.starts_with(b"HTTP/1.1 2"),
        "clear text is not served"
    );
    std::fs::remove_dir_all(&folder).unwrap();
    stack.finish().await;
}
