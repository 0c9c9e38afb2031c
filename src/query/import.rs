//! History from files: shops with their cost sheets, presented batteries, attempts.
//!
//! Ids are derived from the group and the case, so that the same file again changes nothing. Each
//! row is answered for itself: stored, the same as before, or refused with the reason. Rows are
//! written in chunks of one transaction each; a chunk that was committed stays.

pub mod attempts;
pub mod files;
pub mod shops;
pub mod visits;

pub use attempts::{ImportedAttempt, ImportedCheckpoint};
pub use shops::ImportedShop;
pub use visits::ImportedVisit;

use uuid::Uuid;

use super::{Caller, Error};
use crate::clock::Clock;
use crate::ids;
use crate::record::batch::plain_text;
use crate::record::sample::Digest;
use crate::record::words::Scope;
use crate::reject::{Code, Reject};
use crate::store::{Store, Tx};

/// Rows written at once.
const CHUNK: usize = 1_000;
/// Longest reference of a file: case, charger, shop; bytes.
const REFERENCE_MAX: usize = 64;

/// What became of one row.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Imported {
    /// It is new and kept, or it changed what is known.
    Stored,
    /// It was kept before with the same content.
    Same,
    /// It was not kept.
    Refused(Reject),
}

/// An import on its way: rows go in chunk by chunk, each chunk one transaction that stays.
///
/// A trial is one transaction over everything, taken back by `finish`: each row is answered as the
/// real import would answer it. It leaves the tally alone, whose cells others wait for.
#[derive(Debug)]
pub struct Import<'a> {
    store: &'a Store,
    clock: &'a Clock,
    caller: &'a Caller,
    trial: bool,
    held: Option<Tx>,
}

impl<'a> Import<'a> {
    /// Begins an import, or a trial of one.
    ///
    /// # Errors
    /// `Denied`.
    pub fn new(
        store: &'a Store,
        clock: &'a Clock,
        caller: &'a Caller,
        trial: bool,
    ) -> Result<Self, Error> {
        let fix = "ask with an operator token";
        caller.need(&[Scope::Operator], "import history", fix)?;
        Ok(Self {
            store,
            clock,
            caller,
            trial,
            held: None,
        })
    }

    async fn begin(&mut self) -> Result<Tx, Error> {
        match self.held.take() {
            Some(tx) => Ok(tx),
            None => Ok(self.store.begin(self.caller.group).await?),
        }
    }

    /// Ends a chunk: it stays, or is held until a trial is taken back.
    async fn end(&mut self, tx: Tx) -> Result<(), Error> {
        if self.trial {
            self.held = Some(tx);
        } else {
            tx.commit().await?;
        }
        Ok(())
    }

    /// Ends the import; a trial leaves nothing behind.
    ///
    /// # Errors
    /// Database errors.
    pub async fn finish(self) -> Result<(), Error> {
        if let Some(tx) = self.held {
            tx.rollback().await?;
        }
        Ok(())
    }
}

/// Id that a case always gets in its group.
fn visit_id(group: Uuid, case_ref: &str) -> Uuid {
    ids::derived(group, "case", &[case_ref.as_bytes()])
}

/// Checks a reference: 1 to 64 bytes of plain text.
fn reference(field: &str, text: &str) -> Result<(), Reject> {
    if text.is_empty() {
        return Err(Reject::new(
            Code::FieldMissing,
            field,
            "a reference of 1 to 64 bytes is needed",
        ));
    }
    plain_text(text, REFERENCE_MAX).map_err(|detail| Reject::new(Code::TextInvalid, field, detail))
}

/// What is said to a row that was kept before.
fn known_before(kept: Option<Digest>, sent: Digest) -> Imported {
    if kept == Some(sent) {
        return Imported::Same;
    }
    let detail = "this case was kept before with other content; the first content stays";
    Imported::Refused(Reject::new(
        Code::ExistsWithDifferentContent,
        "case_id",
        detail,
    ))
}

/// A row of another shop than the token's.
fn other_shop(name: &str) -> Reject {
    let detail = format!(
        "this token speaks for another shop than `{}`",
        name.escape_debug()
    );
    Reject::new(Code::ShopMismatch, "shop_id", detail)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_case_has_one_id_in_its_group() {
        let group = Uuid::from_u128(1);
        assert_eq!(visit_id(group, "c0000001"), visit_id(group, "c0000001"));
        assert_ne!(visit_id(group, "c0000001"), visit_id(group, "c0000002"));
        assert_ne!(
            visit_id(group, "c0000001"),
            visit_id(Uuid::from_u128(2), "c0000001")
        );
    }

    #[test]
    fn the_same_content_again_is_told_from_other_content() {
        assert_eq!(known_before(Some([1; 16]), [1; 16]), Imported::Same);
        for kept in [Some([2; 16]), None] {
            let Imported::Refused(reject) = known_before(kept, [1; 16]) else {
                panic!("{kept:?}")
            };
            assert_eq!(reject.code, Code::ExistsWithDifferentContent);
        }
    }

    #[test]
    fn a_reference_is_short_plain_text() {
        assert!(reference("case_id", "c0000001").is_ok());
        let code = |text: &str| reference("case_id", text).unwrap_err().code;
        assert_eq!(code(""), Code::FieldMissing);
        assert_eq!(code("a\nb"), Code::TextInvalid);
        assert_eq!(code(&"k".repeat(65)), Code::TextInvalid);
    }
}
