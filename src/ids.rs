//! Ids: time-ordered where a row is new, derived where the same content must get the same id.

use chrono::{DateTime, Utc};
use uuid::{NoContext, Timestamp, Uuid};

/// A new time-ordered id (UUID version 7).
#[must_use]
pub fn new_id(now: DateTime<Utc>) -> Uuid {
    let seconds = u64::try_from(now.timestamp()).unwrap_or(0);
    Uuid::new_v7(Timestamp::from_unix(
        NoContext,
        seconds,
        now.timestamp_subsec_nanos(),
    ))
}

/// The id that `kind` and `parts` always get inside a group (UUID version 5).
#[must_use]
pub fn derived(group: Uuid, kind: &str, parts: &[&[u8]]) -> Uuid {
    let mut name = Vec::with_capacity(64);
    name.extend_from_slice(kind.as_bytes());
    for part in parts {
        name.extend_from_slice(&(part.len() as u64).to_le_bytes());
        name.extend_from_slice(part);
    }
    Uuid::new_v5(&group, &name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_are_kept_apart() {
        let group = Uuid::from_u128(7);
        assert_ne!(
            derived(group, "a", &[b"xy", b"z"]),
            derived(group, "a", &[b"x", b"yz"])
        );
        assert_eq!(derived(group, "a", &[b"x"]), derived(group, "a", &[b"x"]));
    }
}
