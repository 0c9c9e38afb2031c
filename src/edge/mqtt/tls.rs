//! TLS to a broker: whom the service trusts.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::Context as _;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use rustls::{ClientConfig, RootCertStore};

/// What a connection is secured by: the authority of a file, or the system's. Read anew at each connection, so
/// that a renewed file counts.
///
/// # Errors
/// The file cannot be read or holds no certificate; the system has none.
pub async fn client(ca: Option<PathBuf>) -> anyhow::Result<Arc<ClientConfig>> {
    let roots = tokio::task::spawn_blocking(move || roots(ca.as_deref())).await??;
    let config = ClientConfig::builder()
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(Arc::new(config))
}

fn roots(ca: Option<&std::path::Path>) -> anyhow::Result<RootCertStore> {
    let mut store = RootCertStore::empty();
    if let Some(file) = ca {
        let shown = file.display();
        let found = CertificateDer::pem_file_iter(file)
            .with_context(|| format!("cannot read mqtt.ca_file {shown}"))?;
        for certificate in found {
            let certificate = certificate.with_context(|| format!("{shown} is no PEM file"))?;
            store.add(certificate)?;
        }
        anyhow::ensure!(!store.is_empty(), "{shown} has no certificate");
        return Ok(store);
    }
    let found = rustls_native_certs::load_native_certs();
    store.add_parsable_certificates(found.certs);
    anyhow::ensure!(
        !store.is_empty(),
        "this machine has no root certificates: name the broker's in mqtt.ca_file"
    );
    Ok(store)
}
