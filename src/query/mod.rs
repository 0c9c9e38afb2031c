//! What callers may ask and record, behind one error type. Every function runs inside one group.
//!
//! Nothing here knows the wire: callers are principals, answers are domain types.

pub mod advice;
pub mod bench;
pub mod evaluate;
pub mod fair;
pub mod import;
pub mod priors;
pub mod quality;
pub mod quarantine;
pub mod recovery;
pub mod registry;
pub mod rules;
pub mod runs;
pub mod senders;
pub mod sessions;
pub mod sheet;
pub mod times;
pub mod tokens;
pub mod watch;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::record::batch::plain_text;
use crate::record::words::Scope;
use crate::reject::{Code, Reject};
use crate::store;

/// Whom a request speaks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Caller {
    /// Group; the wall.
    pub group: Uuid,
    /// What the token may do.
    pub scope: Scope,
    /// Shop it is bound to; `None` = every shop of the group.
    pub shop: Option<Uuid>,
    /// Device it is bound to.
    pub device: Option<Uuid>,
    /// Name of the token, written beside what it did.
    pub name: String,
}

/// Why a question or a record was refused.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// No row of that id that this caller may see.
    #[error("{what} {id} does not exist here")]
    NotFound {
        /// Kind of row.
        what: &'static str,
        /// Id as asked.
        id: String,
    },
    /// The token may not do this.
    #[error("a token of scope {scope} may not {what}; {fix}")]
    Denied {
        /// Scope of the caller.
        scope: Scope,
        /// What was tried.
        what: &'static str,
        /// Which token can.
        fix: &'static str,
    },
    /// The caller must change something.
    #[error(transparent)]
    Bad(#[from] Reject),
    /// The database.
    #[error(transparent)]
    Store(#[from] store::Error),
}

impl Error {
    /// A missing row.
    pub fn not_found(what: &'static str, id: impl std::fmt::Display + Copy) -> Self {
        Self::NotFound {
            what,
            id: id.to_string(),
        }
    }

    /// A field of the question that must change.
    pub fn bad(code: Code, field: &str, detail: impl Into<String>) -> Self {
        Self::Bad(Reject::new(code, field, detail))
    }
}

impl Caller {
    /// Demands one of some scopes.
    ///
    /// # Errors
    /// `Denied`.
    pub fn need(
        &self,
        scopes: &[Scope],
        what: &'static str,
        fix: &'static str,
    ) -> Result<(), Error> {
        if scopes.contains(&self.scope) {
            Ok(())
        } else {
            Err(Error::Denied {
                scope: self.scope,
                what,
                fix,
            })
        }
    }

    /// The shop a request is about: the token's own, or the one asked for.
    ///
    /// # Errors
    /// `FIELD_MISSING` when neither says one; `NotFound` when the token is bound to another.
    pub fn shop_for(&self, asked: Option<Uuid>) -> Result<Uuid, Error> {
        match (self.shop, asked) {
            (Some(own), None) => Ok(own),
            (Some(own), Some(asked)) if own == asked => Ok(own),
            (Some(_), Some(asked)) => Err(Error::not_found("shop", asked)),
            (None, Some(asked)) => Ok(asked),
            (None, None) => Err(Error::bad(
                Code::FieldMissing,
                "shop_id",
                "this token speaks for every shop of the group; say which one is meant",
            )),
        }
    }

    /// The shop whose rows are asked about; `None` = every one the token sees.
    ///
    /// # Errors
    /// `NotFound` when the token is bound to another.
    pub fn shop_among(&self, asked: Option<Uuid>) -> Result<Option<Uuid>, Error> {
        match (self.shop, asked) {
            (None, None) => Ok(None),
            _ => self.shop_for(asked).map(Some),
        }
    }

    /// Whether rows of this shop may be seen.
    #[must_use]
    pub fn sees_shop(&self, shop: Option<Uuid>) -> bool {
        self.shop.is_none() || self.shop == shop
    }
}

/// Longest reason of a change, bytes.
const REASON_MAX: usize = 200;

/// Checks why somebody changes what others rely on; `reader` names where it is read.
///
/// # Errors
/// `FIELD_MISSING`, `TEXT_INVALID`.
pub fn reason(text: &str, reader: &str) -> Result<(), Error> {
    if text.is_empty() {
        let detail = format!("say why: whoever reads {reader} sees it");
        return Err(Error::bad(Code::FieldMissing, "reason", detail));
    }
    plain_text(text, REASON_MAX).map_err(|detail| Error::bad(Code::TextInvalid, "reason", detail))
}

/// Checks the name of a person who stands behind something, of at most so many bytes.
///
/// # Errors
/// `FIELD_MISSING`, `TEXT_INVALID`.
pub fn named(text: &str, (field, most): (&'static str, usize)) -> Result<(), Error> {
    if text.trim().is_empty() {
        let detail = "give the name of the person: who it was is kept";
        return Err(Error::bad(Code::FieldMissing, field, detail));
    }
    plain_text(text, most).map_err(|detail| Error::bad(Code::TextInvalid, field, detail))
}

/// A page of a listing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Page<T> {
    /// Rows.
    pub rows: Vec<T>,
    /// Where the next page starts; `None` at the end.
    pub next: Option<String>,
}

/// Rows a page: 50 when 0, at most 1,000.
///
/// # Errors
/// `FIELD_INVALID` when negative.
pub fn page_size(asked: i32) -> Result<i64, Error> {
    match asked {
        0 => Ok(50),
        1.. => Ok(i64::from(asked.min(1000))),
        _ => Err(Error::bad(
            Code::FieldInvalid,
            "page_size",
            format!("{asked} is negative"),
        )),
    }
}

/// Cuts a listing that was read one row too long.
pub fn cut_page<T>(mut rows: Vec<T>, size: i64, token: impl Fn(&T) -> String) -> Page<T> {
    let size = usize::try_from(size).unwrap_or(usize::MAX);
    let more = rows.len() > size;
    rows.truncate(size);
    let next = if more { rows.last().map(token) } else { None };
    Page { rows, next }
}

/// Reads a page token that names a row by id.
///
/// # Errors
/// `FIELD_INVALID` for a text that is no page token of ours.
pub fn read_uuid_token(token: &str) -> Result<Option<Uuid>, Error> {
    if token.is_empty() {
        return Ok(None);
    }
    Uuid::try_parse(token).map(Some).map_err(|_| bad_token())
}

/// Writes a page token that names a row by time and id.
#[must_use]
pub fn time_token(at: DateTime<Utc>, id: Uuid) -> String {
    format!("{:x}-{}", at.timestamp_micros(), id.simple())
}

/// Reads a page token that names a row by time and id.
///
/// # Errors
/// `FIELD_INVALID` for a text that is no page token of ours.
pub fn read_time_token(token: &str) -> Result<Option<(DateTime<Utc>, Uuid)>, Error> {
    if token.is_empty() {
        return Ok(None);
    }
    let read = || {
        let (at, id) = token.rsplit_once('-')?;
        let at = DateTime::from_timestamp_micros(i64::from_str_radix(at, 16).ok()?)?;
        Some((at, Uuid::try_parse(id).ok()?))
    };
    read().map(Some).ok_or_else(bad_token)
}

fn bad_token() -> Error {
    Error::bad(
        Code::FieldInvalid,
        "page_token",
        "this is no page token of an answer before",
    )
}
