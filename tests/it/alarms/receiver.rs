//! A receiver of webhooks that checks signatures.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicU16, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Instant;

use axum::Router;
use axum::body::Bytes;
use axum::http::{HeaderMap, StatusCode};
use axum::serve::Listener;
use restvolt::alarm::webhook::{HEADER_ID, HEADER_SIGNATURE, HEADER_TIMESTAMP, Secret, Signed};
use rustls::pki_types::PrivateKeyDer;
use serde_json::Value;
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

use super::until;

/// One message that was taken.
#[derive(Clone)]
struct Taken {
    at: Instant,
    headers: HeaderMap,
    body: Bytes,
}

/// Connections over TLS; one that cannot be shaken hands with is let go.
struct Behind(TcpListener, TlsAcceptor);

impl Listener for Behind {
    type Io = TlsStream<TcpStream>;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        loop {
            if let Ok((stream, from)) = self.0.accept().await
                && let Ok(stream) = self.1.accept(stream).await
            {
                return (stream, from);
            }
        }
    }

    fn local_addr(&self) -> std::io::Result<Self::Addr> {
        self.0.local_addr()
    }
}

/// The receiver.
pub(crate) struct Receiver {
    address: SocketAddr,
    scheme: &'static str,
    taken: Arc<Mutex<Vec<Taken>>>,
    answer: Arc<AtomicU16>,
    refusals: Arc<AtomicUsize>,
    elsewhere: Arc<AtomicUsize>,
}

impl Receiver {
    pub(crate) async fn start() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        Self::on(listener, "http")
    }

    /// Behind TLS with a certificate.
    pub(crate) async fn with(signed: &rcgen::CertifiedKey<rcgen::KeyPair>) -> Self {
        // Fails only when another test installed it before, which is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let key = PrivateKeyDer::try_from(signed.signing_key.serialize_der()).unwrap();
        let config = rustls::ServerConfig::builder()
            .with_no_client_auth()
            .with_single_cert(vec![signed.cert.der().clone()], key);
        let acceptor = TlsAcceptor::from(Arc::new(config.unwrap()));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        Self::on(Behind(listener, acceptor), "https")
    }

    fn on<L>(listener: L, scheme: &'static str) -> Self
    where
        L: Listener<Addr = SocketAddr>,
    {
        let receiver = Self {
            address: listener.local_addr().unwrap(),
            scheme,
            taken: Arc::default(),
            answer: Arc::new(AtomicU16::new(200)),
            refusals: Arc::default(),
            elsewhere: Arc::default(),
        };
        let taken = Arc::clone(&receiver.taken);
        let (answer, refusals) = (Arc::clone(&receiver.answer), Arc::clone(&receiver.refusals));
        let take = move |headers: HeaderMap, body: Bytes| {
            let status = StatusCode::from_u16(answer.load(Ordering::SeqCst)).unwrap();
            if status.is_success() {
                let at = Instant::now();
                taken.lock().unwrap().push(Taken { at, headers, body });
            } else {
                refusals.fetch_add(1, Ordering::SeqCst);
            }
            async move { (status, [("location", "/elsewhere")]) }
        };
        let elsewhere = Arc::clone(&receiver.elsewhere);
        let other = move || {
            elsewhere.fetch_add(1, Ordering::SeqCst);
            async {}
        };
        let router = Router::new()
            .route("/hook", axum::routing::post(take))
            .route("/elsewhere", axum::routing::any(other));
        let router = router.layer(axum::extract::DefaultBodyLimit::max(16 << 20));
        tokio::task::spawn(async move { axum::serve(listener, router).await });
        receiver
    }

    pub(crate) fn url(&self) -> String {
        match self.scheme {
            // The name in its certificate.
            "https" => format!("https://localhost:{}/hook", self.address.port()),
            _ => format!("http://{}/hook", self.address),
        }
    }

    /// Answers with this status from now on.
    pub(crate) fn answer(&self, status: u16) {
        self.answer.store(status, Ordering::SeqCst);
    }

    /// Messages taken.
    pub(crate) fn count(&self) -> usize {
        self.taken.lock().unwrap().len()
    }

    /// Messages answered with an error.
    pub(crate) fn refusals(&self) -> usize {
        self.refusals.load(Ordering::SeqCst)
    }

    /// Messages that went where an answer pointed to.
    pub(crate) fn elsewhere(&self) -> usize {
        self.elsewhere.load(Ordering::SeqCst)
    }

    /// Bodies of the messages, unchecked.
    pub(crate) fn bodies(&self) -> Vec<Value> {
        let taken = self.taken.lock().unwrap();
        let body = |one: &Taken| serde_json::from_slice(&one.body).unwrap();
        taken.iter().map(body).collect()
    }

    /// Alarms of every message in order with the time of arrival; each signature is checked.
    pub(crate) fn told(&self, secret: &str) -> Vec<(Instant, Value)> {
        let secret = Secret::parse(secret).unwrap();
        let taken = self.taken.lock().unwrap().clone();
        let mut told = Vec::new();
        for message in taken {
            let header = |name: &str| message.headers[name].to_str().unwrap();
            let timestamp_s = header(HEADER_TIMESTAMP).parse().unwrap();
            let signed = Signed {
                id: header(HEADER_ID),
                timestamp_s,
                payload: &message.body,
                signatures: header(HEADER_SIGNATURE),
            };
            assert!(secret.verify(&signed, timestamp_s), "signature");
            let body: Value = serde_json::from_slice(&message.body).unwrap();
            assert_eq!(body["type"], "alarms");
            let standing = body["data"]["standing"].as_str().unwrap();
            assert!(standing.contains("does not protect"));
            let alarms = body["data"]["alarms"].as_array().unwrap();
            assert_eq!(body["data"]["count"], alarms.len());
            told.extend(alarms.iter().map(|alarm| (message.at, alarm.clone())));
        }
        told
    }

    /// So many alarms, once they were told; no more.
    pub(crate) async fn alarms(&self, count: usize, secret: &str) -> Vec<Value> {
        until(|| async { (self.told(secret).len() >= count).then_some(()) }).await;
        let told = self.told(secret);
        assert_eq!(told.len(), count, "{told:?}");
        told.into_iter().map(|(_, alarm)| alarm).collect()
    }
}
