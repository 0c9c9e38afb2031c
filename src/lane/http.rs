//! One POST at a time to an address that was judged after resolving: TLS only, no redirects, 5 s.

use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use http::{Method, Request, Uri};
use hyper_util::rt::TokioIo;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::sync::OnceCell;
use tokio_rustls::TlsConnector;

use crate::alarm::address::{Range, allowed};

/// Time for all of it. Source: RELIABILITY 4.4.
const TIMEOUT: Duration = Duration::from_secs(5);

/// Sends.
pub(super) struct Poster {
    listed: Arc<[Range]>,
    /// Authorities that are trusted beside the machine's own.
    roots: Vec<CertificateDer<'static>>,
    tls: OnceCell<TlsConnector>,
}

/// Where an address leads.
#[derive(Debug)]
struct Target {
    host: String,
    port: u16,
    tls: bool,
    /// Path and query.
    path: String,
}

impl Target {
    fn read(url: &str) -> Result<Self, String> {
        let shape = "write it as https://host/path, without user name and password";
        let uri: Uri = url.parse().map_err(|_| shape.to_owned())?;
        let tls = match uri.scheme_str() {
            Some("https") => true,
            Some("http") => false,
            _ => return Err(shape.to_owned()),
        };
        let authority = uri.authority().ok_or(shape)?;
        if authority.as_str().contains('@') {
            return Err(shape.to_owned());
        }
        let host = authority.host().trim_matches(['[', ']']);
        if host.is_empty() {
            return Err(shape.to_owned());
        }
        let path = uri.path_and_query().map_or("/", |path| path.as_str());
        Ok(Self {
            host: host.to_owned(),
            port: authority.port_u16().unwrap_or(if tls { 443 } else { 80 }),
            tls,
            path: path.to_owned(),
        })
    }

    /// Whether a message may go there; in the clear only to addresses an operator listed.
    fn may(&self, ip: IpAddr, listed: &[Range]) -> Result<(), String> {
        if !allowed(ip, listed) {
            return Err(format!(
                "{ip} is a private or special address; list it in alarm.webhook_allow if it is meant"
            ));
        }
        if !self.tls && !listed.iter().any(|range| range.contains(ip)) {
            return Err("only https is spoken off the listed addresses".to_owned());
        }
        Ok(())
    }
}

/// Looks at the address of a webhook before it is kept: its form, and a literal address.
pub(super) fn check(url: &str, listed: &[Range]) -> Result<(), String> {
    let target = Target::read(url)?;
    match target.host.parse::<IpAddr>() {
        Ok(ip) => target.may(ip, listed),
        Err(_) if !target.tls && listed.is_empty() => {
            Err("only https is spoken; write https://".to_owned())
        }
        Err(_) => Ok(()),
    }
}

impl Poster {
    pub(super) fn new(listed: Arc<[Range]>, roots: Vec<CertificateDer<'static>>) -> Self {
        Self {
            listed,
            roots,
            tls: OnceCell::new(),
        }
    }

    /// Posts JSON; anything but a status of 2xx is an error.
    pub(super) async fn post(
        &self,
        url: &str,
        headers: &[(&'static str, String)],
        body: Vec<u8>,
    ) -> Result<(), String> {
        let work = Box::pin(self.exchange(url, headers, body));
        let done = tokio::time::timeout(TIMEOUT, work).await;
        done.unwrap_or_else(|_| Err(format!("no answer within {TIMEOUT:?}")))
    }

    async fn exchange(
        &self,
        url: &str,
        headers: &[(&'static str, String)],
        body: Vec<u8>,
    ) -> Result<(), String> {
        let target = Target::read(url)?;
        let stream = TcpStream::connect(self.resolve(&target).await?)
            .await
            .map_err(|error| format!("{}: {error}", target.host))?;
        let mut request = Request::builder()
            .method(Method::POST)
            .uri(&target.path)
            .header("host", authority(&target))
            .header("content-type", "application/json")
            .header("content-length", body.len())
            .header("connection", "close")
            .header("user-agent", "restvolt");
        for (name, value) in headers {
            request = request.header(*name, value);
        }
        let request = request
            .body(Body::from(body))
            .map_err(|error| error.to_string())?;
        if !target.tls {
            return talk(stream, request).await;
        }
        let tls = self.tls.get_or_try_init(|| connector(self.roots.clone()));
        let name = ServerName::try_from(target.host.clone());
        let name = name.map_err(|_| format!("`{}` is no name for TLS", target.host))?;
        let stream = tls.await?.connect(name, stream).await;
        talk(stream.map_err(|error| error.to_string())?, request).await
    }

    /// The first address that is allowed; it is the one connected to.
    async fn resolve(&self, target: &Target) -> Result<SocketAddr, String> {
        let found = tokio::net::lookup_host((target.host.as_str(), target.port)).await;
        let found = found.map_err(|error| format!("{}: {error}", target.host))?;
        let mut refused = format!("{} has no address", target.host);
        for address in found {
            match target.may(address.ip(), &self.listed) {
                Ok(()) => return Ok(address),
                Err(why) => refused = why,
            }
        }
        Err(refused)
    }
}

fn authority(target: &Target) -> String {
    let host = if target.host.contains(':') {
        format!("[{}]", target.host)
    } else {
        target.host.clone()
    };
    match (target.tls, target.port) {
        (true, 443) | (false, 80) => host,
        (_, port) => format!("{host}:{port}"),
    }
}

/// One request over one connection.
async fn talk<S>(stream: S, request: Request<Body>) -> Result<(), String>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let shaken = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await;
    let (mut sender, connection) = shaken.map_err(|error| error.to_string())?;
    let answer = sender.send_request(request);
    tokio::pin!(answer);
    // The connection may end with the answer: then that is there already.
    let answer = tokio::select! {
        biased;
        answer = &mut answer => answer,
        _ = connection => answer.await,
    };
    let answer = answer.map_err(|error| error.to_string())?;
    let status = answer.status();
    if status.is_success() {
        Ok(())
    } else if status.is_redirection() {
        Err(format!("answered {status}; redirects are not followed"))
    } else {
        Err(format!("answered {status}"))
    }
}

async fn connector(own: Vec<CertificateDer<'static>>) -> Result<TlsConnector, String> {
    let read = || {
        let mut roots = RootCertStore::empty();
        roots.add_parsable_certificates(own);
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        roots
    };
    let roots = tokio::task::spawn_blocking(read)
        .await
        .map_err(|error| error.to_string())?;
    if roots.is_empty() {
        let text = "this machine has no root certificates; name a file with alarm.webhook_ca_file";
        return Err(text.to_owned());
    }
    let config = ClientConfig::builder()
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(TlsConnector::from(Arc::new(config)))
}

#[cfg(test)]
mod tests;
