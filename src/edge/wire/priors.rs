//! Priors between wire and domain.

use super::fair::interval;
use super::timestamp;
use crate::edge::pb;
use crate::model::predict::LEVEL;
use crate::model::prior::PriorVersion;
use crate::query::Error;
use crate::query::priors::{Checked, Example, InForce, NewPrior, PriorChange};
use crate::reject::Code;

/// A prior off the wire.
///
/// # Errors
/// `FIELD_INVALID` unless it is a text or a name that ships.
pub fn new_prior(message: &pb::SetPriorRequest) -> Result<NewPrior, Error> {
    match (message.text.as_str(), message.shipped_version.as_str()) {
        (text, "") if !text.is_empty() => Ok(NewPrior::Text(text.to_owned())),
        ("", name) if !name.is_empty() => {
            let version = PriorVersion::parse("shipped_version", name);
            Ok(NewPrior::Shipped(version?))
        }
        _ => {
            let detail = "give the text of a prior, or the name of one that ships with the program";
            Err(Error::bad(Code::FieldInvalid, "text", detail))
        }
    }
}

/// The prior in force for the wire.
#[must_use]
pub fn in_force(found: InForce) -> pb::GetPriorResponse {
    let change = |change: PriorChange| pb::PriorChange {
        version: change.version,
        text: change.text.unwrap_or_default(),
        reason: change.reason,
        set_by: change.set_by,
        set_time: Some(timestamp(change.set_at)),
    };
    pb::GetPriorResponse {
        version: found.version,
        text: found.text,
        shipped: found.shipped,
        changes: found.changes.into_iter().map(change).collect(),
    }
}

/// What a prior changes, for the wire.
#[must_use]
pub fn checked(found: Checked) -> pb::SetPriorResponse {
    let range = |(_, lower, upper)| Some(interval((lower, upper), LEVEL));
    let example = |one: Example| pb::PriorExample {
        battery: one.battery,
        before_ratio: one.before.0,
        before_interval: range(one.before),
        after_ratio: one.after.0,
        after_interval: range(one.after),
    };
    pb::SetPriorResponse {
        version: found.version,
        differences: found
            .differences
            .into_iter()
            .map(|one| pb::PriorDifference {
                from: one.from,
                to: one.to,
            })
            .collect(),
        examples: found.examples.into_iter().map(example).collect(),
    }
}
