//! Secrets of webhooks: made of a key in a file of the service, and of a salt in the route's row. A copy of
//! the database alone signs nothing.

use std::io::{Read as _, Write as _};
use std::path::PathBuf;
use std::sync::Mutex;

use anyhow::Context as _;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use uuid::Uuid;

use super::lock;
use crate::alarm::webhook::Secret;

/// Bytes of the key.
const KEY_BYTES: usize = 32;
/// What the derived key is for; another text gives other secrets.
const CONTEXT: &str = "restvolt alarm webhook secret v1";

/// The key, read or made when first needed.
#[derive(Debug)]
pub(super) struct Secrets {
    path: PathBuf,
    key: Mutex<Option<[u8; KEY_BYTES]>>,
}

impl Secrets {
    pub(super) fn new(path: PathBuf) -> Self {
        Self {
            path,
            key: Mutex::default(),
        }
    }

    fn key(&self) -> anyhow::Result<[u8; KEY_BYTES]> {
        let mut known = lock(&self.key);
        if let Some(key) = *known {
            return Ok(key);
        }
        let shown = self.path.display();
        let key = match std::fs::File::open(&self.path) {
            Ok(mut file) => {
                let mut key = [0; KEY_BYTES];
                file.read_exact(&mut key)
                    .with_context(|| format!("{shown} is no key of {KEY_BYTES} bytes"))?;
                key
            }
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => self.make()?,
            Err(error) => return Err(error).with_context(|| format!("cannot read {shown}")),
        };
        *known = Some(key);
        Ok(key)
    }

    fn make(&self) -> anyhow::Result<[u8; KEY_BYTES]> {
        let shown = self.path.display();
        let key = random()?;
        if let Some(folder) = self.path.parent() {
            std::fs::create_dir_all(folder).with_context(|| format!("cannot make {shown}"))?;
        }
        let mut options = std::fs::OpenOptions::new();
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let made = options.write(true).create_new(true).open(&self.path);
        let mut file = made.with_context(|| format!("cannot make {shown}"))?;
        file.write_all(&key)?;
        file.sync_all()?;
        Ok(key)
    }

    fn bytes(&self, route: Uuid, salt: &[u8]) -> anyhow::Result<[u8; 32]> {
        let mut material = self.key()?.to_vec();
        material.extend(route.as_bytes());
        material.extend(salt);
        Ok(blake3::derive_key(CONTEXT, &material))
    }

    /// The secret that signs what goes over a route.
    pub(super) fn of(&self, route: Uuid, salt: &[u8]) -> anyhow::Result<Secret> {
        Ok(Secret::from_bytes(self.bytes(route, salt)?.to_vec())?)
    }

    /// The same in its written form, to be shown once.
    pub(super) fn written(&self, route: Uuid, salt: &[u8]) -> anyhow::Result<String> {
        Ok(format!(
            "whsec_{}",
            STANDARD.encode(self.bytes(route, salt)?)
        ))
    }
}

/// Random bytes.
pub(super) fn random<const N: usize>() -> anyhow::Result<[u8; N]> {
    let mut bytes = [0; N];
    getrandom::fill(&mut bytes).map_err(|error| anyhow::anyhow!("no random: {error}"))?;
    Ok(bytes)
}
