//! TLS to a broker: a unix socket of our own on one side, TLS on the other.
//!
//! The MQTT client's own TLS pins a certificate library with known holes; it connects to this socket
//! instead, in the clear, inside this process's private folder.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::Context as _;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use tokio::net::{TcpStream, UnixListener, UnixStream};
use tokio::task::JoinSet;
use tokio_rustls::TlsConnector;

/// Time for the connection and the handshake.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// A bridge for one connection; gone when dropped.
#[derive(Debug)]
pub struct Bridge {
    folder: PathBuf,
    /// Aborted when dropped.
    _tasks: JoinSet<()>,
    trouble: Arc<Mutex<Option<String>>>,
}

impl Bridge {
    /// Opens the socket; the broker is called when somebody connects to it.
    ///
    /// # Errors
    /// The CA file cannot be read, the name is none, no socket can be made.
    pub async fn start((host, port): (&str, u16), ca: Option<&Path>) -> anyhow::Result<Self> {
        let ca = ca.map(Path::to_path_buf);
        let roots = tokio::task::spawn_blocking(move || roots(ca.as_deref())).await??;
        let config = ClientConfig::builder()
            .with_root_certificates(roots)
            .with_no_client_auth();
        let connector = TlsConnector::from(Arc::new(config));
        let name = ServerName::try_from(host.to_owned())
            .with_context(|| format!("`{host}` is no name a certificate can be for"))?;
        let mut random = [0u8; 8];
        getrandom::fill(&mut random).map_err(|error| anyhow::anyhow!("no random: {error}"))?;
        let folder =
            std::env::temp_dir().join(format!("restvolt-tls-{:016x}", u64::from_le_bytes(random)));
        let mut builder = std::fs::DirBuilder::new();
        std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
        builder.create(&folder)?;
        let listener = UnixListener::bind(folder.join("s"))?;
        let trouble: Arc<Mutex<Option<String>>> = Arc::default();
        let told = Arc::clone(&trouble);
        let target = (host.to_owned(), port);
        let mut tasks = JoinSet::new();
        tasks.spawn(async move {
            let carried = carry(listener, target, connector, name).await;
            if let Err(error) = carried {
                *told.lock().unwrap_or_else(PoisonError::into_inner) = Some(format!("{error:#}"));
            }
        });
        Ok(Self {
            folder,
            _tasks: tasks,
            trouble,
        })
    }

    /// Path of the socket.
    #[must_use]
    pub fn socket(&self) -> String {
        self.folder.join("s").to_string_lossy().into_owned()
    }

    /// Why the connection could not be made.
    #[must_use]
    pub fn trouble(&self) -> Option<String> {
        self.trouble
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

impl Drop for Bridge {
    fn drop(&mut self) {
        // What is left is an empty folder of ours in the temp folder.
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

async fn carry(
    listener: UnixListener,
    target: (String, u16),
    connector: TlsConnector,
    name: ServerName<'static>,
) -> anyhow::Result<()> {
    let (mut near, _): (UnixStream, _) = listener.accept().await?;
    let far = async {
        let stream = TcpStream::connect(&target).await?;
        stream.set_nodelay(true)?;
        connector.connect(name, stream).await
    };
    let mut far = tokio::time::timeout(HANDSHAKE, far)
        .await
        .with_context(|| format!("{}:{} did not answer", target.0, target.1))?
        .with_context(|| format!("{}:{}", target.0, target.1))?;
    // How it ends is seen by the client.
    let _ = tokio::io::copy_bidirectional(&mut near, &mut far).await;
    Ok(())
}

fn roots(ca: Option<&Path>) -> anyhow::Result<RootCertStore> {
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
