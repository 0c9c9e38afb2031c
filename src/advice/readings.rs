//! Readings that a bench may take before it decides, and what each is worth.
//!
//! A reading is worth money when its answer could turn the decision. What it would say is forecast
//! from what batteries of the same voltage and storage said before.

use crate::model::bands::{MonthsBand, VoltageBand};
use crate::model::fit::Fit;
use crate::model::prior::Features;
use crate::model::value::{Answer, AnswerTable, Stakes};
use crate::record::words::{Storage, TesterState, vocabulary};
use uuid::Uuid;

vocabulary! {
    /// What may be found out before an attempt.
    Reading {
        /// Months since the last full charge.
        Months = "months_since_full_charge",
        /// What a tester makes of it.
        Tester = "tester",
    }
}

/// Minutes of labour a reading takes; our choice.
fn minutes(reading: Reading) -> f64 {
    match reading {
        Reading::Months => 1.0,
        Reading::Tester => 3.0,
    }
}

/// Measured over rated cranking current between which a tester's answers are told apart; our choice.
const RATIO_BOUNDS: [f64; 4] = [0.5, 0.65, 0.8, 0.95];
/// The ratio that stands for each class; our choice.
const RATIO_CENTRES: [f64; 5] = [0.4, 0.575, 0.725, 0.875, 1.0];
/// Place of "it did not power up" among a tester's answers, after the classes of ratio.
const DARK: usize = RATIO_CENTRES.len();

/// A reading that may be taken, with its worth.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct WorthReading {
    /// Which.
    pub reading: Reading,
    /// Expected gain by deciding with it less what taking it costs, money.
    pub net: f64,
    /// What taking it costs, money.
    pub price: f64,
}

impl Reading {
    /// What to do, in words.
    #[must_use]
    pub fn wish(self) -> &'static str {
        match self {
            Self::Months => "ask how many months ago it was last fully charged",
            Self::Tester => {
                "test it: the measured over the rated cranking current, or that the tester stays dark"
            }
        }
    }
}

/// What readings said of the batteries that were presented before.
#[derive(Debug, Clone, PartialEq)]
pub struct Readings {
    months: AnswerTable,
    tester: AnswerTable,
}

impl Default for Readings {
    fn default() -> Self {
        let cells = VoltageBand::ALL.len() * Storage::ALL.len();
        Self {
            months: AnswerTable::new(cells, known_months().count()),
            tester: AnswerTable::new(cells, DARK + 1),
        }
    }
}

/// Bands of known months.
fn known_months() -> impl Iterator<Item = MonthsBand> {
    let bands = MonthsBand::ALL.iter().copied();
    bands.filter(|band| band.centre().is_some())
}

fn cell(voltage: VoltageBand, storage: Storage) -> usize {
    let at = |found: Option<usize>| found.unwrap_or(0);
    let row = at(VoltageBand::ALL.iter().position(|band| *band == voltage));
    let column = at(Storage::ALL.iter().position(|word| *word == storage));
    row * Storage::ALL.len() + column
}

impl Readings {
    /// Counts a battery that was presented.
    pub fn add(&mut self, features: &Features) {
        let (voltage, months) = features.bands();
        let cell = cell(voltage, features.storage);
        if let Some(answer) = known_months().position(|band| band == months) {
            self.months.add(cell, answer);
        }
        match (features.tester, features.cca_ratio) {
            (TesterState::NoPowerUp, _) => self.tester.add(cell, DARK),
            (TesterState::Ok, Some(ratio)) => {
                let class = RATIO_BOUNDS.iter().filter(|bound| ratio >= **bound).count();
                self.tester.add(cell, class);
            }
            _ => {}
        }
    }

    /// The reading that is worth most before this battery is decided on; `None` when all are known.
    ///
    /// `labour_per_h` prices the minutes it takes. Source: STATISTICS 5 (EVSI, with one common shift).
    #[must_use]
    pub fn best(
        &self,
        (fit, shop): (&Fit, Option<Uuid>),
        features: &Features,
        (stakes, chance): (Stakes, f64),
        labour_per_h: f64,
    ) -> Option<WorthReading> {
        let found = Reading::ALL.iter().filter_map(|reading| {
            let after = self.answers(*reading, features)?;
            let answers: Vec<Answer> = after
                .into_iter()
                .map(|(probability, features)| Answer {
                    probability,
                    chance: fit.predict(&features, shop).mean,
                })
                .collect();
            let price = labour_per_h * minutes(*reading) / 60.0;
            let value = stakes.reading(chance, &answers, price)?;
            Some(WorthReading {
                reading: *reading,
                net: value.net,
                price,
            })
        });
        found.max_by(|one, other| one.net.total_cmp(&other.net))
    }

    /// What a reading would make of a battery, with its probability; `None` when it is known.
    fn answers(&self, reading: Reading, features: &Features) -> Option<Vec<(f64, Features)>> {
        let (voltage, _) = features.bands();
        let cell = cell(voltage, features.storage);
        match reading {
            Reading::Months if features.months.is_none() => {
                let with = known_months().map(|band| Features {
                    months: band.centre(),
                    ..*features
                });
                Some(self.months.forecast(cell).into_iter().zip(with).collect())
            }
            Reading::Tester if features.tester == TesterState::NotTested => {
                let tested = RATIO_CENTRES.iter().map(|ratio| Features {
                    tester: TesterState::Ok,
                    cca_ratio: Some(*ratio),
                    ..*features
                });
                let dark = Features {
                    tester: TesterState::NoPowerUp,
                    cca_ratio: None,
                    ..*features
                };
                let with = tested.chain([dark]);
                Some(self.tester.forecast(cell).into_iter().zip(with).collect())
            }
            _ => None,
        }
    }
}
