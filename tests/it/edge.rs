//! The doors: what an error says, health and metrics, TLS.

mod access;
mod again;
mod answers;
mod bounds;
mod costs;
mod stops;
mod tenancy;

use std::time::Duration;

use restvolt::edge::by_name::AsBytes;
use restvolt::edge::pb;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tonic::{Code, Request, Status};
use tonic_types::StatusExt as _;

use crate::harness::device::run;
use crate::harness::{Stack, database, fresh_number, with};

/// The contract as it was compiled.
fn contract() -> prost_types::FileDescriptorSet {
    prost::Message::decode(pb::DESCRIPTOR).unwrap()
}

/// Every method of the contract: its path and the type of its request.
fn methods() -> Vec<(String, String)> {
    let mut found = Vec::new();
    for file in &contract().file {
        for service in &file.service {
            for method in &service.method {
                let path = format!("/{}.{}/{}", file.package(), service.name(), method.name());
                found.push((path, method.input_type().to_owned()));
            }
        }
    }
    assert!(found.len() > 30, "{found:?}");
    found
}

/// Calls a method by its path with one encoded message; returns the first answer.
async fn call(
    stack: &Stack,
    path: &str,
    authorization: Option<&str>,
    message: Vec<u8>,
) -> Result<Vec<u8>, Status> {
    let mut client = tonic::client::Grpc::new(stack.channel.clone());
    client.ready().await.unwrap();
    let mut request = Request::new(tokio_stream::iter([message]));
    request.set_timeout(Duration::from_secs(20));
    if let Some(text) = authorization {
        let metadata = request.metadata_mut();
        metadata.insert("authorization", text.parse().unwrap());
    }
    let answers = client
        .streaming(request, path.parse().unwrap(), AsBytes)
        .await?;
    let first = answers.into_inner().message().await?;
    Ok(first.unwrap_or_default())
}

/// The code with which a method answers an empty message.
async fn knock(stack: &Stack, path: &str, authorization: Option<&str>) -> Code {
    match call(stack, path, authorization, Vec::new()).await {
        Ok(_) => Code::Ok,
        Err(status) => status.code(),
    }
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
    let series: Vec<&str> = body
        .lines()
        .filter(|line| !line.is_empty() && !line.starts_with('#'))
        .collect();
    assert!(series.len() > 10, "{body}");
    for line in series {
        assert!(line.starts_with("restvolt_"), "{line}");
        for value in line.split('"').skip(1).step_by(2) {
            // Words, numbers, versions; anything of thirty-two hexadecimal digits is an id.
            let digits = value.chars().filter(char::is_ascii_hexdigit).count();
            assert!(value.len() <= 40 && digits < 32, "{line}");
        }
    }
    assert!(page(&stack, "/nothing").await.0.contains("404"));
    stack.finish().await;
}

/// Lets nobody into the database of the stack, or everybody again.
async fn let_in(stack: &Stack, allowed: bool) {
    let name = stack.url.split('?').next().unwrap();
    let name = name.rsplit('/').next().unwrap();
    let mut conn = database::superuser_of("postgres").await;
    let text = format!(
        "alter database {name} with allow_connections {allowed};
        select pg_terminate_backend(pid) from pg_stat_activity
        where datname = '{name}' and not {allowed}"
    );
    for statement in text.split(';') {
        sqlx::raw_sql(sqlx::AssertSqlSafe(statement.to_owned()))
            .execute(&mut conn)
            .await
            .unwrap();
    }
}

#[tokio::test]
async fn health_says_that_the_database_is_away_and_that_it_is_back() {
    let stack = Stack::start().await;
    let bearer = format!("Bearer {}", stack.operator);
    let path = "/restvolt.v1.RegistryService/ListShops";
    let_in(&stack, false).await;
    let asked = tokio::time::timeout(Duration::from_secs(8), page(&stack, "/readyz")).await;
    let (status, body) = asked.unwrap();
    assert!(status.contains("503"), "{status} {body}");
    assert!(body.contains("database: FAILED") && body.contains("service: ok"));
    assert!(page(&stack, "/livez").await.0.contains("200"));
    // A question is told the same as a sender: come again.
    let away = call(&stack, path, Some(&bearer), Vec::new()).await;
    let away = away.unwrap_err();
    assert_eq!(away.code(), Code::Unavailable, "{away}");
    let details = away.get_error_details();
    let retry = details.retry_info().unwrap().retry_delay.unwrap();
    assert!((Duration::from_secs(1)..Duration::from_mins(1)).contains(&retry));
    assert_eq!(details.error_info().unwrap().domain, "restvolt");
    let_in(&stack, true).await;
    let back = async {
        while !page(&stack, "/readyz").await.0.contains("200") {
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    };
    let back = tokio::time::timeout(Duration::from_secs(15), back).await;
    assert!(
        back.is_ok(),
        "the database is back and health does not say so"
    );
    let answer = call(&stack, path, Some(&bearer), Vec::new()).await;
    assert!(answer.is_ok(), "{answer:?}");
    stack.finish().await;
}

/// A stream whose answers end early is over for the server as well, however much was on its way.
#[tokio::test]
async fn a_stream_that_failed_leaves_nothing_running() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 5)).await;
    let_in(&stack, false).await;
    let (batches, receiver) = tokio::sync::mpsc::channel(400);
    for n in 1..400 {
        let batch = pb::SampleBatch {
            boot_id: device.boot,
            ..run(5 * n + 1, 5 * n + 5)
        };
        let request = pb::StreamRequest { batch: Some(batch) };
        batches.send(request).await.unwrap();
    }
    let stream = tokio_stream::wrappers::ReceiverStream::new(receiver);
    let mut client = device.client.clone();
    let opened = client.stream(with(&device.token, stream)).await;
    let failed = opened.unwrap().into_inner().message().await.unwrap_err();
    assert_eq!(failed.code(), Code::Unavailable, "{failed}");
    let_in(&stack, true).await;
    assert_eq!(device.push(run(6, 10)).await.stored_count, 5);
    let began = std::time::Instant::now();
    stack.finish().await;
    let took = began.elapsed();
    // A request that hangs is cut off after 14 s.
    assert!(took < Duration::from_secs(8), "the stop took {took:?}");
    drop(batches);
}

/// A certificate for `localhost` in a folder of its own: the folder, and the settings that name it.
fn certificate() -> (std::path::PathBuf, rcgen::CertifiedKey<rcgen::KeyPair>) {
    let signed = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let folder = std::env::temp_dir().join(format!("restvolt-tls-{:032x}", fresh_number()));
    std::fs::create_dir(&folder).unwrap();
    std::fs::write(folder.join("cert.pem"), signed.cert.pem()).unwrap();
    std::fs::write(folder.join("key.pem"), signed.signing_key.serialize_pem()).unwrap();
    (folder, signed)
}

/// A service behind TLS, with the certificate of that folder.
async fn behind_tls(folder: &std::path::Path) -> Stack {
    let (cert, key) = (folder.join("cert.pem"), folder.join("key.pem"));
    let settings = [
        ("tls.cert_file", cert.to_str().unwrap()),
        ("tls.key_file", key.to_str().unwrap()),
    ];
    let clock = restvolt::clock::Clock::fixed(crate::harness::noon());
    Stack::start_on(database::fresh(), clock, &settings).await
}

/// What a client trusts that knows this certificate alone.
fn trusting(signed: &rcgen::CertifiedKey<rcgen::KeyPair>, version: &[u8]) -> rustls::ClientConfig {
    let mut roots = rustls::RootCertStore::empty();
    roots.add(signed.cert.der().clone()).unwrap();
    let mut config = rustls::ClientConfig::builder()
        .with_root_certificates(roots)
        .with_no_client_auth();
    config.alpn_protocols = vec![version.to_vec()];
    config
}

/// gRPC and HTTP/1.1 share one TLS port; clear text is turned away.
#[tokio::test]
async fn tls_serves_both_versions_of_http_and_no_clear_text() {
    let (folder, signed) = certificate();
    let stack = behind_tls(&folder).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);

    let config = trusting(&signed, b"http/1.1");
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
