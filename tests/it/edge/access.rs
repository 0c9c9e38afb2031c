//! Who may in: tokens that are missing, wrong, ended, revoked; scopes.

use std::collections::BTreeSet;
use std::time::{Duration, Instant};

use chrono::TimeDelta;
use restvolt::edge::pb;
use tonic::Code;
use tonic_reflection::pb::v1::ServerReflectionRequest;
use tonic_reflection::pb::v1::server_reflection_client::ServerReflectionClient;
use tonic_reflection::pb::v1::server_reflection_request::MessageRequest;
use tonic_reflection::pb::v1::server_reflection_response::MessageResponse;

use super::{contract, knock, methods};
use crate::harness::device::run;
use crate::harness::{Device, Stack, with};

const CALLER: &str = "/restvolt.v1.RegistryService/GetCaller";

/// A new token no look-up remembers: its id and its text.
async fn token(stack: &Stack, scope: pb::Scope, valid_days: i32) -> (String, String) {
    let new = pb::CreateTokenRequest {
        scope: scope as i32,
        name: "short".into(),
        valid_days,
        ..Default::default()
    };
    let made = stack
        .registry()
        .create_token(with(&stack.operator, new))
        .await
        .unwrap()
        .into_inner();
    (
        made.token.unwrap().token_id,
        format!("Bearer {}", made.secret),
    )
}

async fn revoke(stack: &Stack, token_id: String) {
    stack
        .registry()
        .revoke_token(with(&stack.operator, pb::RevokeTokenRequest { token_id }))
        .await
        .unwrap();
}

#[tokio::test]
async fn every_method_refuses_without_a_live_token() {
    let stack = Stack::start().await;
    let (id, revoked) = token(&stack, pb::Scope::Operator, 30).await;
    revoke(&stack, id).await;
    let (_, ended) = token(&stack, pb::Scope::Operator, 1).await;
    stack.clock.advance(TimeDelta::days(1));
    let forged = format!("Bearer {}", &stack.operator[..stack.operator.len() - 1]);
    // The form and the checksum are right: CRC-32 of the 49 characters before it.
    let body = format!("rvt_o_{}", "A".repeat(43));
    let sum = crc32fast::hash(body.as_bytes()).to_be_bytes();
    let sum = base64::Engine::encode(&base64::engine::general_purpose::URL_SAFE_NO_PAD, sum);
    let unknown = format!("Bearer {body}_{sum}");
    let injected = format!("Bearer {}' or 1=1 --", stack.operator);
    let long = format!("Bearer {}", "x".repeat(8_000));
    let tokens = [
        None,
        Some("Bearer "),
        Some("Basic x"),
        Some(forged.as_str()),
        Some(unknown.as_str()),
        Some(injected.as_str()),
        Some(long.as_str()),
        Some(revoked.as_str()),
        Some(ended.as_str()),
    ];
    for (path, _) in methods() {
        for token in tokens {
            let code = knock(&stack, &path, token).await;
            assert_eq!(code, Code::Unauthenticated, "{path} {token:?}");
        }
    }
    let good = format!("Bearer {}", stack.operator);
    assert_eq!(knock(&stack, CALLER, Some(&good)).await, Code::Ok);
    stack.finish().await;
}

#[tokio::test]
async fn a_token_in_use_ends_within_the_memory_of_its_look_up() {
    let stack = Stack::start().await;
    let (id, taken) = token(&stack, pb::Scope::Analyst, 30).await;
    let (_, short) = token(&stack, pb::Scope::Analyst, 1).await;
    for token in [&taken, &short] {
        assert_eq!(knock(&stack, CALLER, Some(token)).await, Code::Ok);
    }
    revoke(&stack, id).await;
    stack.clock.advance(TimeDelta::days(1));
    // The memory lasts 5 s.
    tokio::time::sleep(Duration::from_millis(5_200)).await;
    for token in [&taken, &short] {
        assert_eq!(
            knock(&stack, CALLER, Some(token)).await,
            Code::Unauthenticated
        );
    }
    stack.finish().await;
}

/// A stream may stay open for days: its token counts for every batch, not for the first alone.
#[tokio::test]
async fn a_revoked_token_ends_the_stream_it_opened() {
    let stack = Stack::start().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let ask = pb::ListTokensRequest {};
    let listed = stack
        .registry()
        .list_tokens(with(&stack.operator, ask))
        .await
        .unwrap()
        .into_inner();
    let own = listed
        .tokens
        .into_iter()
        .find(|token| token.device_id == device.id)
        .unwrap();
    let (batches, receiver) = tokio::sync::mpsc::channel(4);
    let batch = |from: i64| pb::StreamRequest {
        batch: Some(pb::SampleBatch {
            boot_id: device.boot,
            ..run(from, from + 9)
        }),
    };
    batches.send(batch(1)).await.unwrap();
    let mut client = device.client.clone();
    let stream = tokio_stream::wrappers::ReceiverStream::new(receiver);
    let mut receipts = client
        .stream(with(&device.token, stream))
        .await
        .unwrap()
        .into_inner();
    let first = receipts.message().await.unwrap().unwrap().receipt.unwrap();
    assert_eq!(first.stored_count, 10);
    revoke(&stack, own.token_id).await;
    tokio::time::sleep(Duration::from_millis(5_200)).await;
    batches.send(batch(11)).await.unwrap();
    let refused = tokio::time::timeout(Duration::from_secs(10), receipts.message()).await;
    let refused = refused.unwrap().unwrap_err();
    assert_eq!(refused.code(), Code::Unauthenticated, "{refused}");
    let stored: i64 = stack.sql("select count(*) from rv.segment").await;
    assert_eq!(stored, 1, "nothing of the second batch is kept");
    stack.finish().await;
}

/// What the server says it serves is the contract, health and reflection; only the last two are
/// open to everybody.
#[tokio::test]
async fn health_and_reflection_alone_need_no_token() {
    let stack = Stack::start().await;
    let ask = ServerReflectionRequest {
        host: String::new(),
        message_request: Some(MessageRequest::ListServices(String::new())),
    };
    let mut client = ServerReflectionClient::new(stack.channel.clone());
    let mut answers = client
        .server_reflection_info(tokio_stream::iter([ask]))
        .await
        .unwrap()
        .into_inner();
    let answer = answers.message().await.unwrap().unwrap().message_response;
    let Some(MessageResponse::ListServicesResponse(listed)) = answer else {
        panic!("{answer:?}");
    };
    let served: BTreeSet<String> = listed.service.into_iter().map(|found| found.name).collect();
    let own: BTreeSet<String> = contract()
        .file
        .iter()
        .flat_map(|file| {
            let services = file.service.iter();
            services.map(|service| format!("{}.{}", file.package(), service.name()))
        })
        .collect();
    let open: Vec<&str> = served.difference(&own).map(String::as_str).collect();
    assert_eq!(
        open,
        [
            "grpc.health.v1.Health",
            "grpc.reflection.v1.ServerReflection"
        ]
    );
    assert!(own.is_subset(&served), "{served:?}");
    let health = knock(&stack, "/grpc.health.v1.Health/Check", None).await;
    assert_eq!(health, Code::Ok);
    let unknown = knock(&stack, "/restvolt.v1.NoSuch/Method", None).await;
    assert_eq!(unknown, Code::Unimplemented);
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

/// The calls an empty message does not bring to their check of scope.
#[tokio::test]
async fn making_tokens_sending_and_listing_are_parted_by_scope() {
    let stack = Stack::start().await;
    let device = stack.device(pb::DeviceKind::Charger).await;
    let tokens = [
        (pb::Scope::Device, device.token.clone()),
        (
            pb::Scope::Integrator,
            stack.token(pb::Scope::Integrator, "").await,
        ),
        (
            pb::Scope::Bench,
            stack.token(pb::Scope::Bench, &stack.shop_id).await,
        ),
        (
            pb::Scope::Analyst,
            stack.token(pb::Scope::Analyst, "").await,
        ),
        (pb::Scope::Operator, stack.operator.clone()),
    ];
    let began = Instant::now();
    for (n, (scope, token)) in (0i64..).zip(tokens) {
        use pb::Scope::{Analyst, Device as Own, Integrator, Operator};
        let mut sender = Device {
            token: token.clone(),
            ..device.clone()
        };
        let batch = pb::SampleBatch {
            device_id: device.id.clone(),
            ..run(10 * n + 1, 10 * n + 10)
        };
        let sent = sender.try_push(batch).await;
        let code = sent.as_ref().map_or_else(tonic::Status::code, |_| Code::Ok);
        let may = matches!(scope, Own | Integrator);
        let expected = if may {
            Code::Ok
        } else {
            Code::PermissionDenied
        };
        assert_eq!(code, expected, "{scope:?} sends");
        for (made, allowed) in [
            (Own, matches!(scope, Integrator | Operator)),
            (Analyst, scope == Operator),
            (Operator, scope == Operator),
        ] {
            let new = pb::CreateTokenRequest {
                scope: made as i32,
                name: "second".into(),
                device_id: if made == Own {
                    device.id.clone()
                } else {
                    String::new()
                },
                ..Default::default()
            };
            let made_it = stack.registry().create_token(with(&token, new)).await;
            let code = made_it.map_or_else(|status| status.code(), |_| Code::Ok);
            let expected = if allowed {
                Code::Ok
            } else {
                Code::PermissionDenied
            };
            assert_eq!(code, expected, "{scope:?} makes a token of {made:?}");
        }
    }
    assert!(began.elapsed() < Duration::from_secs(20));
    stack.finish().await;
}
