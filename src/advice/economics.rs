//! Money: worth of a recovery to this shop, cost of trying, and the chance that breaks even.
//!
//! All amounts are in the shop's own currency; nothing is converted. A cost the shop did not
//! state is a documented default, and every answer says which ones it used.

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::record::words::vocabulary;
use crate::units::Money;

/// Price of a replacement when the visit has none. Source: worked example, DOMAIN 8.2.
pub const PRICE_DEFAULT: f64 = 95.0;
/// Part of a come-back's cost that does not depend on the price. Source: ARCHITECTURE 7, Money.
const COME_BACK_BASE: f64 = 15.0;
/// Part of the price that a come-back costs. Source: ARCHITECTURE 7, Money.
const COME_BACK_SHARE: f64 = 0.5;

vocabulary! {
    /// Entries of a shop's cost sheet, by the names of its file.
    CostItem {
        /// Technician, money per hour.
        LabourPerH = "labour_per_h",
        /// Minutes a person spends on one attempt: connect, check, retest.
        LabourMin = "labour_min_per_attempt",
        /// A charger's place for one hour, money.
        ChargerHour = "charger_hour",
        /// Energy, money per kWh at the wall.
        KwhPrice = "kwh_price",
        /// Hours an attempt is planned to take.
        PlannedHours = "planned_hours",
        /// Energy an attempt is planned to take at the wall, kWh.
        PlannedKwh = "planned_kwh",
        /// Worth of a recovered battery as a fraction of a new one: its rest of life.
        RecoveredWorthFraction = "recovered_worth_fraction",
        /// What the core would bring if it were scrapped now, money.
        CoreValue = "core_value",
        /// Probability that a recovered battery comes back.
        ComeBackProb = "comeback_prob",
        /// What a come-back costs, money; 15 + half the price when it is not stated.
        ComeBackCost = "comeback_cost",
        /// Probability of an incident in one attempt.
        HazardProb = "hazard_prob",
        /// What an incident costs, money.
        HazardCost = "hazard_cost",
    }
}

impl CostItem {
    /// What is assumed when the shop did not state it; `None` where it follows from the price.
    ///
    /// Source: worked example of DOMAIN 8.2; planned hours and energy, no core value and the
    /// come-back probability: README of the invented fleets and their cost sheets (our choice).
    #[must_use]
    pub fn default_value(self) -> Option<f64> {
        match self {
            Self::LabourPerH => Some(45.0),
            Self::LabourMin => Some(20.0),
            Self::ChargerHour => Some(0.25),
            Self::KwhPrice => Some(0.13),
            Self::PlannedHours => Some(13.0),
            Self::PlannedKwh => Some(0.9),
            Self::RecoveredWorthFraction => Some(0.5),
            Self::CoreValue => Some(0.0),
            Self::ComeBackProb => Some(0.06),
            Self::ComeBackCost => None,
            Self::HazardProb => Some(0.002),
            Self::HazardCost => Some(1000.0),
        }
    }

    /// Largest value that is accepted; the smallest is 0. Our choice: it finds typing slips.
    #[must_use]
    pub fn max(self) -> f64 {
        match self {
            Self::RecoveredWorthFraction | Self::ComeBackProb | Self::HazardProb => 1.0,
            Self::PlannedHours => 96.0,
            Self::LabourMin => 1_440.0,
            Self::PlannedKwh => 1_000.0,
            _ => Money::MAX,
        }
    }

    /// Unit of its value; amounts are in the shop's currency.
    #[must_use]
    pub fn unit(self, currency: &str) -> String {
        match self {
            Self::LabourPerH | Self::ChargerHour => format!("{currency}/h"),
            Self::LabourMin => "min".into(),
            Self::KwhPrice => format!("{currency}/kWh"),
            Self::PlannedHours => "h".into(),
            Self::PlannedKwh => "kWh".into(),
            Self::RecoveredWorthFraction => "of the price of a new one".into(),
            Self::ComeBackProb => "of recovered ones".into(),
            Self::HazardProb => "of attempts".into(),
            Self::CoreValue | Self::ComeBackCost | Self::HazardCost => currency.to_owned(),
        }
    }

    /// What it is, for whoever fills the sheet in.
    #[must_use]
    pub fn meaning(self) -> &'static str {
        match self {
            Self::LabourPerH => "a technician, all in",
            Self::LabourMin => "work a person has with one attempt: connect, check, retest",
            Self::ChargerHour => "a charger's place",
            Self::KwhPrice => "energy at the wall",
            Self::PlannedHours => "how long an attempt is planned to take",
            Self::PlannedKwh => "energy an attempt is planned to take at the wall",
            Self::RecoveredWorthFraction => "worth of a recovered battery: its rest of life",
            Self::CoreValue => "what the core would bring if it were scrapped now",
            Self::ComeBackProb => "share of recovered batteries that come back",
            Self::ComeBackCost => "one that comes back; 15 + half the price when not stated",
            Self::HazardProb => "share of attempts with an incident",
            Self::HazardCost => "one incident",
        }
    }
}

/// A cost that cannot be one.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{item}: {value} is outside 0 to {max}")]
pub struct OutOfRange {
    /// Which entry.
    pub item: CostItem,
    /// What was given.
    pub value: f64,
    /// Largest value that is accepted.
    pub max: f64,
}

/// What an attempt costs in one shop. An empty sheet answers with the defaults.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct CostSheet {
    stated: BTreeMap<CostItem, f64>,
    currency: Option<String>,
}

impl CostSheet {
    /// States one entry.
    ///
    /// # Errors
    /// `OutOfRange` when the value is no number, below 0 or above the item's `max`.
    pub fn set(&mut self, item: CostItem, value: f64) -> Result<(), OutOfRange> {
        if !(0.0..=item.max()).contains(&value) {
            return Err(OutOfRange {
                item,
                value,
                max: item.max(),
            });
        }
        self.stated.insert(item, value);
        Ok(())
    }

    /// Puts one entry back to its default.
    pub fn reset(&mut self, item: CostItem) {
        self.stated.remove(&item);
    }

    /// One entry as the shop stated it; `None` when an answer takes the default.
    #[must_use]
    pub fn stated(&self, item: CostItem) -> Option<f64> {
        self.stated.get(&item).copied()
    }

    /// Names the currency the amounts are in, as the shop writes it.
    #[must_use]
    pub fn in_currency(mut self, currency: &str) -> Self {
        self.currency = Some(currency.to_owned());
        self
    }

    /// The entries the shop did not state and an answer takes from the defaults.
    #[must_use]
    pub fn defaulted(&self) -> Vec<CostItem> {
        CostItem::ALL
            .iter()
            .copied()
            .filter(|item| self.stated(*item).is_none())
            .collect()
    }

    /// One entry as stated or by default; for the come-back's cost the one of `price`.
    #[must_use]
    pub fn value(&self, item: CostItem, price: f64) -> f64 {
        let value = self.stated(item).or_else(|| item.default_value());
        value.unwrap_or(COME_BACK_BASE + COME_BACK_SHARE * price)
    }

    /// Worth of a recovery: fraction x price - core - come-back probability x its cost.
    ///
    /// Source: ARCHITECTURE 7, Money.
    #[must_use]
    pub fn worth(&self, price: f64) -> f64 {
        let of = |item| self.value(item, price);
        of(CostItem::RecoveredWorthFraction) * price
            - of(CostItem::CoreValue)
            - of(CostItem::ComeBackProb) * of(CostItem::ComeBackCost)
    }

    /// Cost of one attempt, come what may.
    ///
    /// Source: STATISTICS 5, with the planned hours.
    #[must_use]
    pub fn cost(&self) -> f64 {
        let of = |item| self.value(item, 0.0);
        of(CostItem::LabourPerH) * of(CostItem::LabourMin) / 60.0
            + of(CostItem::PlannedHours) * of(CostItem::ChargerHour)
            + of(CostItem::PlannedKwh) * of(CostItem::KwhPrice)
            + of(CostItem::HazardProb) * of(CostItem::HazardCost)
    }

    /// Price of a replacement from which an attempt at this chance pays; `None` when none does.
    #[must_use]
    pub fn price_that_pays(&self, chance: f64) -> Option<f64> {
        // The worth is a straight line in the price: two points of it give the root.
        let (at_zero, slope) = (self.worth(0.0), self.worth(1.0) - self.worth(0.0));
        let price = (self.cost() / chance - at_zero) / slope;
        (slope > 0.0 && price.is_finite()).then_some(price.max(0.0))
    }

    /// Weighs an attempt on a battery of this price and chance.
    #[must_use]
    pub fn weigh(&self, price: Option<Money>, chance: f64) -> Economics {
        let amount = price.map_or(PRICE_DEFAULT, Money::get);
        let (worth, cost) = (self.worth(amount), self.cost());
        Economics {
            currency: self.currency.clone(),
            price: amount,
            price_is_default: price.is_none(),
            worth,
            cost,
            break_even: (worth > 0.0).then_some(cost / worth),
            expected_gain: chance * worth - cost,
            price_that_pays: self.price_that_pays(chance),
            defaulted: self.defaulted(),
        }
    }
}

/// The money side of one answer, in the shop's own currency.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Economics {
    /// Currency as the shop writes it; `None` when it did not say.
    pub currency: Option<String>,
    /// Price of a replacement.
    pub price: f64,
    /// True when the visit had no price.
    pub price_is_default: bool,
    /// Worth of a recovery.
    pub worth: f64,
    /// Cost of trying.
    pub cost: f64,
    /// Chance from which trying pays: cost / worth. Above 1: never. `None`: worth nothing.
    pub break_even: Option<f64>,
    /// Expected gain of trying: chance x worth - cost. Below 0: a loss.
    pub expected_gain: f64,
    /// Price of a replacement from which trying pays at this chance.
    pub price_that_pays: Option<f64>,
    /// Entries that are defaults, not this shop's own.
    pub defaulted: Vec<CostItem>,
}

impl Economics {
    /// True when trying pays on average.
    #[must_use]
    pub fn pays(&self) -> bool {
        self.expected_gain > 0.0
    }
}

/// Energy at the wall to put charge into a battery, kWh: Ah x V / efficiency / 1000.
///
/// For a shop that plans by capacity. Source: DOMAIN 8.2, which uses an efficiency of 0.80.
#[must_use]
pub fn wall_kwh(amp_hours: f64, volts: f64, efficiency: f64) -> f64 {
    amp_hours * volts / efficiency / 1000.0
}
