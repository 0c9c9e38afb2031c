//! Table `directory`: which group a credential, a device or a name belongs to. Exempt from the
//! group rule; only transactions made by `Store::begin_directory` may come here.

use uuid::Uuid;

use super::{Error, Tx};

/// What a key of the directory is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Name of a group.
    Group,
    /// BLAKE3 of a token.
    Credential,
    /// Device id.
    Device,
}

impl Kind {
    fn as_str(self) -> &'static str {
        match self {
            Self::Group => "group",
            Self::Credential => "credential",
            Self::Device => "device",
        }
    }
}

/// A group, and the id inside it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// Group.
    pub group: Uuid,
    /// Group, credential or device.
    pub id: Uuid,
}

/// Finds the group of a key.
///
/// # Errors
/// Database errors.
pub async fn find(tx: &mut Tx, kind: Kind, key: &[u8]) -> Result<Option<Entry>, Error> {
    let row = sqlx::query!(
        "select group_id, ref_id from rv.directory where kind = $1 and key = $2",
        kind.as_str(),
        key
    )
    .fetch_optional(&mut **tx)
    .await?;
    Ok(row.map(|row| Entry {
        group: row.group_id,
        id: row.ref_id,
    }))
}

/// Adds a key; an equal entry that is there already is fine.
///
/// # Errors
/// `Refused` with constraint `directory_pkey` when the key belongs to something else.
pub async fn insert(tx: &mut Tx, kind: Kind, key: &[u8], entry: Entry) -> Result<(), Error> {
    if find(tx, kind, key).await? == Some(entry) {
        return Ok(());
    }
    sqlx::query!(
        "insert into rv.directory (kind, key, group_id, ref_id) values ($1, $2, $3, $4)",
        kind.as_str(),
        key,
        entry.group,
        entry.id
    )
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Every group by name, at most 1,000.
///
/// # Errors
/// `Corrupt` when a name is not text; database errors.
pub async fn list_groups(tx: &mut Tx) -> Result<Vec<(String, Uuid)>, Error> {
    let rows = sqlx::query!(
        "select key, group_id from rv.directory where kind = 'group' order by key limit 1000"
    )
    .fetch_all(&mut **tx)
    .await?;
    rows.into_iter()
        .map(|row| {
            let name = String::from_utf8(row.key)
                .map_err(|_| Error::corrupt("directory", "key", row.group_id))?;
            Ok((name, row.group_id))
        })
        .collect()
}

/// Ids of every group behind one of them in the order of ids, at most 1,000.
///
/// # Errors
/// Database errors.
pub async fn list_group_ids(tx: &mut Tx, after: Uuid) -> Result<Vec<Uuid>, Error> {
    let rows = sqlx::query_scalar!(
        "select group_id from rv.directory where kind = 'group' and group_id > $1
        order by group_id limit 1000",
        after
    );
    Ok(rows.fetch_all(&mut **tx).await?)
}
