//! Thresholds of the analysis: what they are, where they come from, and who changed which.

use std::collections::BTreeMap;

use uuid::Uuid;

use super::{Caller, Error, reason};
pub use crate::analysis::rules::RULES_VERSION;
use crate::analysis::rules::{RuleError, RuleRow, Rules};
use crate::clock::Clock;
use crate::ids;
use crate::record::batch::plain_text;
use crate::record::words::Scope;
use crate::reject::Code;
use crate::store::rule_overrides;
pub use crate::store::rule_overrides::RuleOverride;
use crate::store::{Store, costs};

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const MAY_CHANGE: &[Scope] = &[Scope::Operator];
/// Longest label, bytes.
const LABEL_MAX: usize = 64;

/// Where a threshold holds: wider scopes are `None`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RuleScope {
    /// Only this shop.
    pub shop_id: Option<Uuid>,
    /// Only batteries of this label.
    pub battery_label: Option<String>,
}

/// A threshold as it holds in a scope.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RuleInForce {
    /// What it is.
    #[serde(flatten)]
    pub row: RuleRow,
    /// Measured on charges, not only chosen.
    pub measured: bool,
    /// Its value here.
    pub in_force: f64,
    /// The change that set it; `None` for the default.
    pub change: Option<RuleOverride>,
}

/// A change somebody asks for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NewRule {
    /// Where.
    pub scope: RuleScope,
    /// Name of the threshold.
    pub key: String,
    /// New value in its unit; `None` = back to the default.
    pub value: Option<f64>,
    /// Why; 1 to 200 bytes.
    pub reason: String,
}

/// Lists every threshold as it holds in a scope.
///
/// # Errors
/// `Denied`, `NotFound` for the shop; database errors.
pub async fn list(
    store: &Store,
    caller: &Caller,
    scope: &RuleScope,
) -> Result<Vec<RuleInForce>, Error> {
    let fix = "ask with a bench, analyst or operator token";
    caller.need(MAY_READ, "read the rules", fix)?;
    let shop = caller.shop_among(scope.shop_id)?;
    let mut tx = store.begin(caller.group).await?;
    let changes = rule_overrides::in_force(
        &mut tx,
        caller.group,
        (shop, scope.battery_label.as_deref()),
    )
    .await?;
    tx.rollback().await?;
    let rows = Rules::rows().into_iter().map(|row| {
        let last = changes
            .iter()
            .rev()
            .find(|change| change.rule_key == row.key);
        let change = last.filter(|change| change.value.is_some()).cloned();
        RuleInForce {
            measured: row.measured(),
            in_force: change
                .as_ref()
                .and_then(|change| change.value)
                .unwrap_or(row.value),
            row,
            change,
        }
    });
    Ok(rows.collect())
}

/// Changes a threshold; running charges take it with their next samples, closed ones stay as they are.
///
/// # Errors
/// `Denied`, `NotFound` for the shop; `FIELD_INVALID` for an unknown name, `VALUE_OUT_OF_RANGE` for a value
/// outside its range or a published limit made looser; `TEXT_INVALID`, `FIELD_MISSING` for the reason.
pub async fn set(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    new: NewRule,
) -> Result<RuleOverride, Error> {
    let fix = "ask with an operator token";
    caller.need(MAY_CHANGE, "change rules", fix)?;
    check(&new)?;
    let shop = caller.shop_among(new.scope.shop_id)?;
    let mut tx = store.begin(caller.group).await?;
    if let Some(shop) = shop
        && costs::find(&mut tx, caller.group, &[shop])
            .await?
            .is_empty()
    {
        return Err(Error::not_found("shop", shop));
    }
    let now = clock.now();
    let change = RuleOverride {
        override_id: ids::new_id(now),
        shop_id: shop,
        battery_label: new.scope.battery_label,
        rule_key: new.key,
        value: new.value,
        reason: new.reason,
        set_by: caller.name.clone(),
        set_at: now,
    };
    rule_overrides::insert(&mut tx, caller.group, &change).await?;
    tx.commit().await?;
    Ok(change)
}

fn check(new: &NewRule) -> Result<(), Error> {
    let value = new.value.or_else(|| Rules::default().get(&new.key));
    let changed = BTreeMap::from([(new.key.clone(), value.unwrap_or(f64::NAN))]);
    Rules::default()
        .with(&changed)
        .map_err(|error| match &error {
            RuleError::UnknownKey { .. } => {
                Error::bad(Code::FieldInvalid, "rule_key", error.to_string())
            }
            RuleError::OutOfRange { .. } | RuleError::LooserThanPublished { .. } => {
                Error::bad(Code::ValueOutOfRange, "value", error.to_string())
            }
        })?;
    reason(&new.reason, "a report")?;
    if let Some(label) = &new.scope.battery_label {
        plain_text(label, LABEL_MAX)
            .map_err(|detail| Error::bad(Code::TextInvalid, "battery_label", detail))?;
    }
    Ok(())
}
