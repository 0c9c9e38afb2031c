//! Shops with their cost sheets. A file writes over what it states and leaves the rest.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{CHUNK, Import, Imported, other_shop, reference};
use crate::advice::economics::{CostItem, CostSheet};
use crate::ids;
use crate::query::sheet::out_of_range;
use crate::query::{Caller, Error};
use crate::record::words::Method;
use crate::reject::{Code, Reject};
use crate::store::Tx;
use crate::store::costs::sheet::{Stated, Statement};
use crate::store::costs::{self, ShopCosts, ShopFacts};

/// A shop of a file; `None` and absent entries are not said.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ImportedShop {
    /// Name, unique in the group; a shop of that name is updated.
    pub name: String,
    /// ISO 4217; a new shop that does not say has USD.
    pub currency: Option<String>,
    /// Southern hemisphere.
    pub southern: Option<bool>,
    /// Charging profile assumed when a question names none.
    pub usual_method: Option<Method>,
    /// Entries of the cost sheet, in their units.
    pub costs: Vec<(CostItem, f64)>,
}

impl Import<'_> {
    /// Makes shops, or writes what is stated over what is known.
    ///
    /// # Errors
    /// Database errors.
    pub async fn shops(&mut self, shops: &[ImportedShop]) -> Result<Vec<Imported>, Error> {
        let mut answers = Vec::with_capacity(shops.len());
        for chunk in shops.chunks(CHUNK) {
            let mut tx = self.begin().await?;
            answers.extend(write(&mut tx, (self.caller, self.clock.now()), chunk).await?);
            self.end(tx).await?;
        }
        Ok(answers)
    }
}

async fn write(
    tx: &mut Tx,
    (caller, now): (&Caller, DateTime<Utc>),
    chunk: &[ImportedShop],
) -> Result<Vec<Imported>, Error> {
    let group = caller.group;
    let names: Vec<String> = chunk.iter().map(|shop| shop.name.clone()).collect();
    let found = costs::find_named(tx, group, &names).await?;
    let mut known: HashMap<String, ShopCosts> = found
        .into_iter()
        .map(|shop| (shop.name.clone(), shop))
        .collect();
    let mut answers = Vec::with_capacity(chunk.len());
    for shop in chunk {
        let before = known.get(&shop.name);
        if let Err(reject) = check_shop(shop).and_then(|()| in_sight(caller, shop, before)) {
            answers.push(Imported::Refused(reject));
            continue;
        }
        if before.is_some_and(|before| says_nothing_new(before, shop)) {
            answers.push(Imported::Same);
            continue;
        }
        let saved = costs::save(tx, group, &facts(caller, shop)).await?;
        state(tx, (caller, now), (saved, shop)).await?;
        // A later line of the same shop is compared with this one.
        let saved = costs::find_named(tx, group, std::slice::from_ref(&shop.name)).await?;
        known.extend(saved.into_iter().map(|shop| (shop.name.clone(), shop)));
        answers.push(Imported::Stored);
    }
    Ok(answers)
}

fn facts(caller: &Caller, shop: &ImportedShop) -> ShopFacts {
    ShopFacts {
        shop_id: ids::derived(caller.group, "shop", &[shop.name.as_bytes()]),
        name: shop.name.clone(),
        currency: shop.currency.clone(),
        southern: shop.southern,
        usual_method: shop.usual_method,
    }
}

/// States the costs of a shop that was just saved and checked.
async fn state(
    tx: &mut Tx,
    (caller, at): (&Caller, DateTime<Utc>),
    (shop_id, shop): (Uuid, &ImportedShop),
) -> Result<(), Error> {
    let entries: Vec<(CostItem, Option<f64>)> = shop
        .costs
        .iter()
        .map(|(item, value)| (*item, Some(*value)))
        .collect();
    let statement = Statement {
        shop: shop_id,
        entries: &entries,
        reason: "stated in an imported file",
        by: &caller.name,
        at,
    };
    match costs::sheet::state(tx, caller.group, statement).await? {
        Stated::OutOfRange(wrong) => Err(out_of_range(&wrong).into()),
        Stated::Kept(_) | Stated::NoShop => Ok(()),
    }
}

/// A token of one shop may write that shop only.
fn in_sight(
    caller: &Caller,
    shop: &ImportedShop,
    before: Option<&ShopCosts>,
) -> Result<(), Reject> {
    if caller.sees_shop(before.map(|before| before.shop_id)) {
        return Ok(());
    }
    Err(other_shop(&shop.name))
}

/// Checks a shop.
///
/// # Errors
/// `FIELD_MISSING`, `TEXT_INVALID` for the name, `FIELD_INVALID` for the currency,
/// `VALUE_NOT_FINITE`, `VALUE_OUT_OF_RANGE` for an entry of the sheet.
pub fn check_shop(shop: &ImportedShop) -> Result<(), Reject> {
    reference("shop_id", &shop.name)?;
    if let Some(currency) = &shop.currency
        && (currency.len() != 3 || !currency.chars().all(|c| c.is_ascii_uppercase()))
    {
        let detail = format!(
            "`{}` is no ISO 4217 code such as EUR",
            currency.escape_debug()
        );
        return Err(Reject::new(Code::FieldInvalid, "currency", detail));
    }
    let mut sheet = CostSheet::default();
    for (item, value) in &shop.costs {
        sheet
            .set(*item, *value)
            .map_err(|wrong| out_of_range(&wrong))?;
    }
    Ok(())
}

fn says_nothing_new(before: &ShopCosts, shop: &ImportedShop) -> bool {
    let defaulted = before.sheet.defaulted();
    let kept = |item: &CostItem, value: f64| {
        !defaulted.contains(item) && before.sheet.value(*item, 0.0).total_cmp(&value).is_eq()
    };
    shop.currency
        .as_ref()
        .is_none_or(|currency| *currency == before.currency)
        && shop
            .southern
            .is_none_or(|southern| southern == before.southern)
        && shop
            .usual_method
            .is_none_or(|method| Some(method) == before.usual_method)
        && shop.costs.iter().all(|(item, value)| kept(item, *value))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kelder(costs: &[(CostItem, f64)]) -> ImportedShop {
        ImportedShop {
            name: "Kelder".into(),
            costs: costs.to_vec(),
            ..ImportedShop::default()
        }
    }

    fn known(costs: &[(CostItem, f64)]) -> ShopCosts {
        let mut sheet = CostSheet::default();
        for (item, value) in costs {
            sheet.set(*item, *value).unwrap();
        }
        ShopCosts {
            shop_id: uuid::Uuid::from_u128(7),
            name: "Kelder".into(),
            currency: "EUR".into(),
            southern: false,
            usual_method: None,
            sheet,
        }
    }

    #[test]
    fn a_cost_outside_its_range_is_refused_under_its_own_name() {
        let refused = |item, value| {
            let reject = check_shop(&kelder(&[(item, value)])).unwrap_err();
            (reject.code, reject.field)
        };
        let share = refused(CostItem::ComeBackProb, 6.0);
        assert_eq!(share, (Code::ValueOutOfRange, "comeback_prob".into()));
        let hole = refused(CostItem::KwhPrice, f64::NAN);
        assert_eq!(hole, (Code::ValueNotFinite, "kwh_price".into()));
        assert!(check_shop(&kelder(&[(CostItem::ComeBackProb, 0.06)])).is_ok());
        let euro = ImportedShop {
            currency: Some("euro".into()),
            ..kelder(&[])
        };
        assert_eq!(check_shop(&euro).unwrap_err().field, "currency");
    }

    #[test]
    fn a_default_that_is_stated_for_the_first_time_is_new() {
        let labour = CostItem::LabourPerH;
        let usual = labour.default_value().unwrap();
        assert!(!says_nothing_new(&known(&[]), &kelder(&[(labour, usual)])));
        assert!(says_nothing_new(
            &known(&[(labour, usual)]),
            &kelder(&[(labour, usual)])
        ));
        assert!(says_nothing_new(&known(&[(labour, usual)]), &kelder(&[])));
        let other = ImportedShop {
            currency: Some("USD".into()),
            ..kelder(&[])
        };
        assert!(!says_nothing_new(&known(&[]), &other));
    }
}
