//! History from files: shops with their cost sheets, presented batteries, attempts.
//!
//! Ids are derived from the group and the case, so that the same file again changes nothing. Each
//! row is answered for itself: stored, the same as before, or refused with the reason. Rows are
//! written in chunks of one transaction each; a chunk that was committed stays.

pub mod attempts;
pub mod files;
pub mod shops;
pub mod visits;

pub use attempts::{ImportedAttempt, ImportedCheckpoint, check_attempt, import_attempts};
pub use shops::{ImportedShop, check_shop, import_shops};
pub use visits::{ImportedVisit, check_visit, import_visits};

use uuid::Uuid;

use super::{Caller, Error};
use crate::ids;
use crate::record::batch::plain_text;
use crate::record::sample::Digest;
use crate::record::words::Scope;
use crate::reject::{Code, Reject};

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

fn may_import(caller: &Caller) -> Result<(), Error> {
    caller.need(
        &[Scope::Operator],
        "import history",
        "ask with an operator token",
    )
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
