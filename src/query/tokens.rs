//! Bearer tokens: made once, shown once, kept as a hash, looked up with a short memory.
//!
//! Form: `rvt_<scope letter>_<43 characters>_<6 characters>`; the middle is 32 random bytes, the end
//! a checksum, so that a typing error is refused without asking the database.

use std::collections::HashMap;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::TimeDelta;
use uuid::Uuid;

use super::{Caller, Error};
use crate::clock::Clock;
use crate::ids;
use crate::record::batch::plain_text;
use crate::record::words::Scope;
use crate::reject::Code;
use crate::store::credentials;
pub use crate::store::credentials::Credential;
use crate::store::directory::{self, Kind};
use crate::store::{self, Store};

/// How long a look-up is remembered: a revoked token works no longer than this.
const MEMORY: Duration = Duration::from_secs(5);
/// Tokens remembered at most.
const MEMORY_MAX: usize = 10_000;

/// A token text; printed only by who asks for it by name.
#[derive(Clone)]
pub struct Secret(String);

impl Secret {
    /// The text, to be shown once.
    #[must_use]
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// What a new token is for.
#[derive(Debug, Clone)]
pub struct NewToken {
    /// What it may do.
    pub scope: Scope,
    /// Name people use.
    pub name: String,
    /// Shop to bind it to.
    pub shop: Option<Uuid>,
    /// Device to bind it to.
    pub device: Option<Uuid>,
    /// Days until it ends.
    pub valid_days: i64,
}

fn letter(scope: Scope) -> char {
    match scope {
        Scope::Device => 'd',
        Scope::Integrator => 'i',
        Scope::Bench => 'b',
        Scope::Analyst => 'a',
        Scope::Operator => 'o',
    }
}

fn check(body: &str) -> String {
    URL_SAFE_NO_PAD.encode(crc32fast::hash(body.as_bytes()).to_be_bytes())
}

/// Draws a token text.
fn draw(scope: Scope) -> Result<Secret, getrandom::Error> {
    let mut bytes = [0u8; 32];
    getrandom::fill(&mut bytes)?;
    let body = format!("rvt_{}_{}", letter(scope), URL_SAFE_NO_PAD.encode(bytes));
    Ok(Secret(format!("{body}_{}", check(&body))))
}

/// The hash a token is found by; `None` when the text has no token's form or a wrong checksum.
fn hash(text: &str) -> Option<[u8; 32]> {
    // Random part and checksum may hold the separator themselves: the lengths are fixed.
    let (body, sum) = text.split_at_checked(49)?;
    let sum = sum.strip_prefix('_')?;
    let known = body.starts_with("rvt_") && sum == check(body);
    known.then(|| *blake3::hash(text.as_bytes()).as_bytes())
}

/// Makes a token; only an operator may, or an integrator for a device.
///
/// # Errors
/// `Denied`, `FIELD_INVALID`, `NotFound` for a shop or device that is not there.
pub async fn create(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    new: NewToken,
) -> Result<(Credential, Secret), Error> {
    let device_only = new.scope == Scope::Device;
    let may: &[Scope] = if device_only {
        &[Scope::Operator, Scope::Integrator]
    } else {
        &[Scope::Operator]
    };
    caller.need(may, "make this token", "ask with an operator token")?;
    let mut tx = store.begin(caller.group).await?;
    let made = insert(&mut tx, clock, caller.group, new).await?;
    tx.commit().await?;
    publish(store, caller.group, &made).await?;
    Ok(made)
}

/// Stores a token inside a transaction of its group; `publish` must follow after the commit.
///
/// # Errors
/// `FIELD_INVALID`, `NotFound`.
pub async fn insert(
    tx: &mut store::Tx,
    clock: &Clock,
    group: Uuid,
    new: NewToken,
) -> Result<(Credential, Secret), Error> {
    name("name", &new.name)?;
    if !(1..=3650).contains(&new.valid_days) {
        let detail = format!("{} is outside 1 to 3650 days", new.valid_days);
        return Err(Error::bad(Code::FieldInvalid, "valid_days", detail));
    }
    if (new.scope == Scope::Device) != new.device.is_some() {
        let detail = "a token of scope device, and only that, names its device";
        return Err(Error::bad(Code::FieldInvalid, "device_id", detail));
    }
    if new.scope == Scope::Bench && new.shop.is_none() {
        let detail = "a token of scope bench names its shop";
        return Err(Error::bad(Code::FieldMissing, "shop_id", detail));
    }
    let now = clock.now();
    let secret = draw(new.scope)
        .map_err(|error| store::Error::Misfit(format!("no random numbers: {error}")))?;
    let hash = hash(secret.reveal())
        .ok_or_else(|| store::Error::Misfit("a token was drawn that cannot be read".into()))?;
    let credential = Credential {
        credential_id: ids::new_id(now),
        scope: new.scope,
        name: new.name,
        shop_id: new.shop,
        device_id: new.device,
        created_at: now,
        expires_at: now + TimeDelta::days(new.valid_days),
        revoked_at: None,
    };
    credentials::insert(tx, group, &credential, &hash)
        .await
        .map_err(|error| match error {
            store::Error::Refused { constraint, .. } if constraint.contains("shop_id") => {
                Error::not_found("shop", credential.shop_id.unwrap_or_default())
            }
            store::Error::Refused { constraint, .. } if constraint.contains("device_id") => {
                Error::not_found("device", credential.device_id.unwrap_or_default())
            }
            other => other.into(),
        })?;
    Ok((credential, secret))
}

/// Makes a stored token findable. A token whose group was committed but not published is dead:
/// nobody has its text.
///
/// # Errors
/// Database errors.
pub async fn publish(
    store: &Store,
    group: Uuid,
    (credential, secret): &(Credential, Secret),
) -> Result<(), Error> {
    let Some(hash) = hash(secret.reveal()) else {
        return Ok(());
    };
    let mut tx = store.begin_directory().await?;
    let entry = directory::Entry {
        group,
        id: credential.credential_id,
    };
    directory::insert(&mut tx, Kind::Credential, &hash, entry).await?;
    tx.commit().await?;
    Ok(())
}

/// Every token of the group, newest first.
///
/// # Errors
/// `Denied`; database errors.
pub async fn list(store: &Store, caller: &Caller) -> Result<Vec<Credential>, Error> {
    caller.need(
        &[Scope::Operator],
        "list tokens",
        "ask with an operator token",
    )?;
    let mut tx = store.begin(caller.group).await?;
    let list = credentials::list(&mut tx, caller.group).await?;
    tx.rollback().await?;
    Ok(list)
}

/// Takes a token back; it works at most 5 s longer.
///
/// # Errors
/// `Denied`, `NotFound`; database errors.
pub async fn revoke(store: &Store, clock: &Clock, caller: &Caller, id: Uuid) -> Result<(), Error> {
    caller.need(
        &[Scope::Operator],
        "revoke tokens",
        "ask with an operator token",
    )?;
    let mut tx = store.begin(caller.group).await?;
    let found = credentials::revoke(&mut tx, caller.group, id, clock.now()).await?;
    tx.commit().await?;
    if found {
        Ok(())
    } else {
        Err(Error::not_found("token", id))
    }
}

/// A name from outside: 1 to 64 bytes of plain text.
///
/// # Errors
/// `TEXT_INVALID`.
pub fn name(field: &str, text: &str) -> Result<(), Error> {
    if text.is_empty() {
        return Err(Error::bad(
            Code::FieldMissing,
            field,
            "a name of 1 to 64 bytes is needed",
        ));
    }
    plain_text(text, 64).map_err(|detail| Error::bad(Code::TextInvalid, field, detail))
}

/// Looks tokens up and remembers the answer for a few seconds.
#[derive(Debug, Default)]
pub struct Tokens {
    memory: Mutex<HashMap<[u8; 32], Remembered>>,
}

/// Whom a remembered token speaks for; nobody, for one that is not live.
#[derive(Debug, Clone)]
pub struct Known(pub Option<Caller>);

/// What a look-up said, and when.
#[derive(Debug, Clone)]
struct Remembered {
    at: Instant,
    caller: Option<Caller>,
}

impl Tokens {
    /// Whom a token speaks for; `None` for any text that is no live token.
    ///
    /// # Errors
    /// Database errors.
    pub async fn authenticate(
        &self,
        store: &Store,
        clock: &Clock,
        text: &str,
    ) -> Result<Option<Caller>, store::Error> {
        let Some(hash) = hash(text) else {
            return Ok(None);
        };
        if let Some(known) = self.remembered(&hash) {
            return Ok(known.0);
        }
        let caller = look_up(store, clock, &hash).await?;
        if let Ok(mut memory) = self.memory.lock() {
            if memory.len() >= MEMORY_MAX {
                memory.clear();
            }
            memory.insert(
                hash,
                Remembered {
                    at: Instant::now(),
                    caller: caller.clone(),
                },
            );
        }
        Ok(caller)
    }

    /// What `authenticate` would say without asking the database; `None` when it would have to.
    #[must_use]
    pub fn known(&self, text: &str) -> Option<Known> {
        self.remembered(&hash(text)?)
    }

    fn remembered(&self, hash: &[u8; 32]) -> Option<Known> {
        let memory = self.memory.lock().ok()?;
        let known = memory.get(hash)?;
        (known.at.elapsed() < MEMORY).then(|| Known(known.caller.clone()))
    }
}

async fn look_up(
    store: &Store,
    clock: &Clock,
    hash: &[u8; 32],
) -> Result<Option<Caller>, store::Error> {
    let mut tx = store.begin_directory().await?;
    let entry = directory::find(&mut tx, Kind::Credential, hash).await?;
    tx.rollback().await?;
    let Some(entry) = entry else { return Ok(None) };
    let mut tx = store.begin(entry.group).await?;
    let credential = credentials::find_by_hash(&mut tx, entry.group, hash).await?;
    tx.rollback().await?;
    let now = clock.now();
    let live = |c: &Credential| c.revoked_at.is_none() && c.created_at <= now && now < c.expires_at;
    Ok(credential.filter(live).map(|credential| Caller {
        group: entry.group,
        scope: credential.scope,
        shop: credential.shop_id,
        device: credential.device_id,
        name: credential.name,
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_known_by_its_hash_and_a_typing_error_is_refused_at_once() {
        for scope in Scope::ALL {
            let secret = draw(*scope).unwrap();
            let text = secret.reveal();
            assert_eq!(text.len(), 56, "{text}");
            assert!(hash(text).is_some());
            let wrong = text.replacen(
                &text[20..21],
                if &text[20..21] == "A" { "B" } else { "A" },
                1,
            );
            assert!(hash(&wrong).is_none());
            assert!(!format!("{secret:?}").contains(&text[6..20]));
        }
        for text in [
            "",
            "rvt_",
            &"é".repeat(60),
            &"x".repeat(1 << 20),
            "' or 1=1 --",
        ] {
            assert!(hash(text).is_none());
        }
    }
}
