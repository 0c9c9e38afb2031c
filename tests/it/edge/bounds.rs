//! How much and for how long: silence, connections, sizes, floods.

use std::io::Write as _;
use std::time::{Duration, Instant};

use restvolt::edge::pb;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tonic::{Code, Status};
use tower::{Service as _, ServiceExt as _};

use super::{behind_tls, call, certificate, knock, methods, trusting};
use crate::harness::Stack;
use crate::harness::device::run;

/// How every HTTP/2 connection begins, RFC 9113 section 3.4.
const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n";
const PUSH: &str = "/restvolt.v1.TelemetryService/Push";

/// Reads until the other side closes; how long that took.
async fn closed(stream: &mut (impl tokio::io::AsyncRead + Unpin), began: Instant) -> Duration {
    let mut rest = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(40), stream.read_to_end(&mut rest)).await;
    // A reset is as good as an end.
    assert!(read.is_ok(), "a silent connection stays open");
    began.elapsed()
}

/// Silence of four kinds, three connections each, ends at the limit of ten seconds.
#[tokio::test]
async fn a_connection_that_says_nothing_is_closed_and_others_are_served_meanwhile() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut silent = tokio::task::JoinSet::new();
    for opening in [
        "",
        "PRI * HTTP/2",
        "GET / HTTP/1.1\r\nHost: restvolt.example\r\nX-A: ",
    ] {
        for address in [stack.grpc_addr, stack.grpc_addr, stack.admin_addr] {
            silent.spawn(async move {
                let began = Instant::now();
                let mut stream = TcpStream::connect(address).await.unwrap();
                stream.write_all(opening.as_bytes()).await.unwrap();
                (opening, closed(&mut stream, began).await)
            });
        }
    }
    for text in [
        "GET / HTTP/1.1\r\nHost: restvolt.example\r\n",
        "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    ] {
        let address = stack.grpc_addr;
        silent.spawn(async move {
            let began = Instant::now();
            let stream = TcpStream::connect(address).await.unwrap();
            let (mut from, mut to) = stream.into_split();
            let dribble = async move {
                for byte in text.bytes() {
                    if to.write_all(&[byte]).await.is_err() {
                        break;
                    }
                    tokio::time::sleep(Duration::from_secs(1)).await;
                }
            };
            tokio::select! {
                took = closed(&mut from, began) => (text, took),
                () = dribble => panic!("a connection may dribble to its end"),
            }
        });
    }
    device.push(run(1, 5)).await;
    while let Some(ended) = silent.join_next().await {
        let (opening, took) = ended.unwrap();
        assert!(
            (Duration::from_secs(8)..Duration::from_secs(13)).contains(&took),
            "{opening:?} was closed after {took:?}"
        );
    }
    // A channel that was opened properly may be idle longer than that.
    assert_eq!(device.push(run(6, 9)).await.stored_count, 4);
    stack.finish().await;
}

#[tokio::test]
async fn a_connection_that_stops_after_its_preface_is_closed_by_the_unanswered_ping() {
    let stack = Stack::start().await;
    let began = Instant::now();
    let mut stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
    stream.write_all(PREFACE).await.unwrap();
    // The ping goes out after 20 s and is waited for 10 s.
    let took = closed(&mut stream, began).await;
    assert!(took < Duration::from_secs(33), "{took:?}");
    stack.finish().await;
}

#[tokio::test]
async fn one_address_gets_fifty_connections() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let mut open = Vec::new();
    for _ in 0..49 {
        let mut stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
        stream.write_all(PREFACE).await.unwrap();
        open.push(stream);
    }
    // The fiftieth is let in: it is answered with the server's settings.
    let mut last = open.pop().unwrap();
    let mut answer = [0; 9];
    let read = tokio::time::timeout(Duration::from_secs(5), last.read_exact(&mut answer)).await;
    read.unwrap().unwrap();
    open.push(last);
    let began = Instant::now();
    let mut surplus = TcpStream::connect(stack.grpc_addr).await.unwrap();
    let took = closed(&mut surplus, began).await;
    assert!(
        took < Duration::from_secs(2),
        "the 51st was closed after {took:?}"
    );
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);
    drop(open);
    let again = async {
        loop {
            let mut stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
            // A place that is still taken resets the connection.
            if stream.write_all(PREFACE).await.is_ok()
                && stream.read_exact(&mut [0; 9]).await.is_ok()
            {
                return;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    };
    let freed = tokio::time::timeout(Duration::from_secs(5), again).await;
    assert!(freed.is_ok(), "closed connections keep their places");
    stack.finish().await;
}

/// An encoded message with one text field of the given size that no message declares.
fn of_size(bytes: usize) -> Vec<u8> {
    let mut message = Vec::new();
    prost::encoding::encode_varint(15_000 << 3 | 2, &mut message);
    let head = message.len() + 3;
    prost::encoding::encode_varint((bytes - head) as u64, &mut message);
    message.resize(bytes, b'x');
    message
}

/// Limit, one more and ten times as much; ten thousand questions may be larger than telemetry.
#[tokio::test]
async fn a_message_over_the_limit_is_refused_and_the_service_goes_on() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let bearer = format!("Bearer {}", stack.operator);
    let mut from = 1;
    for (path, _) in methods() {
        let limit = if path.contains(".AdviceService/") {
            8 << 20
        } else {
            1 << 20
        };
        let mut codes = Vec::new();
        for size in [limit, limit + 1, 10 << 20] {
            let answer = call(&stack, &path, Some(&bearer), of_size(size)).await;
            codes.push(answer.map_or_else(|status| status.code(), |_| Code::Ok));
        }
        assert_ne!(codes[0], Code::OutOfRange, "{path} at its limit");
        assert_eq!(codes[1..], [Code::OutOfRange; 2], "{path} over its limit");
        assert_eq!(device.push(run(from, from + 4)).await.stored_count, 5);
        from += 5;
    }
    stack.finish().await;
}

#[tokio::test]
async fn bytes_that_are_no_message_are_refused_by_every_method() {
    let stack = Stack::start().await;
    let bearer = format!("Bearer {}", stack.operator);
    for (path, _) in methods() {
        for garbage in [vec![0xff; 20], vec![0x0a, 0xff], b"GET / HTTP/1.1".to_vec()] {
            let refused = call(&stack, &path, Some(&bearer), garbage.clone()).await;
            let code = refused.map_or_else(|status| status.code(), |_| Code::Ok);
            assert!(
                matches!(
                    code,
                    Code::Internal | Code::InvalidArgument | Code::PermissionDenied
                ),
                "{path} answers {garbage:?} with {code:?}"
            );
        }
    }
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);
    stack.finish().await;
}

/// A gRPC frame that says it is compressed, with bytes of the caller's choice in it.
async fn compressed(stack: &Stack, token: &str, bytes: &[u8]) -> Code {
    let mut frame = vec![1];
    frame.extend(u32::try_from(bytes.len()).unwrap().to_be_bytes());
    frame.extend(bytes);
    let request = http::Request::post(format!("http://{}{PUSH}", stack.grpc_addr))
        .header("content-type", "application/grpc")
        .header("te", "trailers")
        .header("grpc-encoding", "gzip")
        .header("authorization", format!("Bearer {token}"))
        .body(tonic::body::Body::new(axum::body::Body::from(frame)))
        .unwrap();
    let mut channel = stack.channel.clone();
    let response = channel.ready().await.unwrap().call(request).await.unwrap();
    // An answer that succeeds has its status after the message.
    let status = Status::from_header_map(response.headers());
    status.map_or(Code::Ok, |status| status.code())
}

/// About 900 MiB of zeros in less than 1 MiB: one flushed block, repeated.
fn bomb() -> Vec<u8> {
    let mut encoder = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(&vec![0; 1 << 20]).unwrap();
    encoder.flush().unwrap();
    let block = encoder.get_ref().clone();
    let mut bomb = vec![0x1f, 0x8b, 8, 0, 0, 0, 0, 0, 0, 255];
    while bomb.len() + block.len() < 1_000_000 {
        bomb.extend(&block);
    }
    assert!(bomb.len() / block.len() > 100, "{} a block", block.len());
    // An empty last block and the sums, which nobody reaches.
    bomb.extend([3, 0]);
    bomb.extend([0; 8]);
    bomb
}

fn resident_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmHWM"))
        .unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}

#[tokio::test]
async fn a_message_that_unpacks_beyond_the_limit_is_refused_before_it_is_unpacked() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    let bomb = bomb();
    let before = resident_kib();
    for _ in 0..4 {
        let code = compressed(&stack, &device.token, &bomb).await;
        assert!(
            matches!(code, Code::ResourceExhausted | Code::OutOfRange),
            "{code:?}"
        );
    }
    let grown = resident_kib().saturating_sub(before);
    assert!(grown < 200 * 1024, "the peak of memory rose by {grown} KiB");
    let code = compressed(&stack, &device.token, b"no gzip at all").await;
    assert!(
        matches!(code, Code::Internal | Code::InvalidArgument),
        "{code:?}"
    );
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);
    stack.finish().await;
}

/// One HTTP/2 frame, RFC 9113 section 4.1.
fn frame(kind: u8, flags: u8, stream: u32, payload: &[u8]) -> Vec<u8> {
    let length = u32::try_from(payload.len()).unwrap().to_be_bytes();
    let mut frame = length[1..].to_vec();
    frame.extend([kind, flags]);
    frame.extend(stream.to_be_bytes());
    frame.extend(payload);
    frame
}

/// Sends frames until the server ends the connection; how many it took.
async fn flood(stack: &Stack, most: u32, next: impl Fn(u32) -> Vec<u8>) -> u32 {
    let mut stream = TcpStream::connect(stack.grpc_addr).await.unwrap();
    stream.write_all(PREFACE).await.unwrap();
    stream.write_all(&frame(4, 0, 0, &[])).await.unwrap();
    let (mut from, mut to) = stream.into_split();
    let mut sent = 0;
    let write = async {
        while sent < most && to.write_all(&next(sent)).await.is_ok() {
            sent += 1;
        }
        // What ends a flood is the server alone.
        std::future::pending::<()>().await;
    };
    tokio::select! {
        took = closed(&mut from, Instant::now()) => assert!(took < Duration::from_secs(20)),
        () = write => {}
    }
    sent
}

/// Rapid reset (CVE-2023-44487) and endless headers (CERT/CC VU#421644) end their connection only.
#[tokio::test]
async fn floods_of_frames_end_their_own_connection_and_no_other() {
    let stack = Stack::start().await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    // :method POST, :scheme http, :path /, from the static table of RFC 7541 appendix A.
    let headers = [0x83, 0x86, 0x84];
    let reset = flood(&stack, 100_000, |n| {
        let stream = 2 * n + 1;
        let mut both = frame(1, 4, stream, &headers);
        both.extend(frame(3, 0, stream, &8u32.to_be_bytes()));
        both
    });
    assert!(reset.await < 100_000, "resets are taken without end");
    // A literal header without end: name `a`, values of 4 KiB.
    let mut field = vec![0x00, 1, b'a', 0x7f, 0x81, 0x1f];
    field.resize(6 + 4096, b'x');
    let endless = flood(&stack, 20_000, |n| match n {
        0 => frame(1, 0, 1, &headers),
        _ => frame(9, 0, 1, &field),
    });
    assert!(endless.await < 20_000, "headers are taken without end");
    assert_eq!(device.push(run(1, 5)).await.stored_count, 5);
    let health = knock(&stack, "/grpc.health.v1.Health/Check", None).await;
    assert_eq!(health, Code::Ok);
    stack.finish().await;
}

/// Ends the handshake and says something more in the same write; then silence.
fn shake_hands(
    config: rustls::ClientConfig,
    address: std::net::SocketAddr,
    more: &[u8],
) -> std::net::TcpStream {
    let name = "localhost".try_into().unwrap();
    let mut tls = rustls::ClientConnection::new(std::sync::Arc::new(config), name).unwrap();
    let mut stream = std::net::TcpStream::connect(address).unwrap();
    stream
        .set_read_timeout(Some(Duration::from_secs(5)))
        .unwrap();
    while tls.is_handshaking() {
        while tls.wants_write() && tls.is_handshaking() {
            tls.write_tls(&mut stream).unwrap();
        }
        tls.read_tls(&mut stream).unwrap();
        tls.process_new_packets().unwrap();
    }
    tls.writer().write_all(more).unwrap();
    let mut last = Vec::new();
    while tls.wants_write() {
        tls.write_tls(&mut last).unwrap();
    }
    stream.write_all(&last).unwrap();
    stream.set_nonblocking(true).unwrap();
    stream
}

/// Silence is measured inside TLS: a bare handshake says nothing, and what arrived together with
/// its end was said.
#[tokio::test]
async fn behind_tls_the_handshake_counts_as_silence_and_its_companions_as_speech() {
    let (folder, signed) = certificate();
    let stack = behind_tls(&folder).await;
    let opening = [PREFACE, &frame(4, 0, 0, &[])].concat();
    let mut streams = Vec::new();
    for more in [Vec::new(), opening] {
        let (config, address) = (trusting(&signed, b"h2"), stack.grpc_addr);
        let shaken = tokio::task::spawn_blocking(move || shake_hands(config, address, &more));
        streams.push(TcpStream::from_std(shaken.await.unwrap()).unwrap());
    }
    let (mut spoke, mut silent) = (streams.pop().unwrap(), streams.pop().unwrap());
    let began = Instant::now();
    let took = closed(&mut silent, began).await;
    assert!(took < Duration::from_secs(13), "{took:?}");
    let mut rest = Vec::new();
    let more = tokio::time::timeout(Duration::from_secs(5), spoke.read_to_end(&mut rest)).await;
    assert!(more.is_err(), "closed although it had spoken");
    std::fs::remove_dir_all(&folder).unwrap();
    stack.finish().await;
}
