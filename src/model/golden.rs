//! The fitted example: an invented fleet fitted by a separate program of the same model.

use std::sync::OnceLock;

use uuid::Uuid;

use super::fit::{Basis, Fit, Label, Observation, Request, fit};
use super::prior::{Features, Prior, PriorVersion};
use crate::record::words::{Chemistry, Method, Segment, Storage, TesterState};
use chrono::DateTime;

/// Cells of a CSV file after its heading.
pub(super) fn csv(text: &'static str) -> Vec<Vec<&'static str>> {
    let lines = text.lines().skip(1).filter(|line| !line.is_empty());
    lines.map(|line| line.split(',').collect()).collect()
}

pub(super) fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

fn known(text: &str) -> Option<f64> {
    (!text.is_empty()).then(|| number(text))
}

pub(super) fn features(cells: &[&str]) -> Features {
    Features {
        v12: number(cells[0]),
        chemistry: Chemistry::find(cells[1]).unwrap(),
        storage: Storage::find(cells[2]).unwrap(),
        segment: Segment::find(cells[3]).unwrap(),
        method: Method::find(cells[4]).unwrap(),
        tester: TesterState::find(cells[5]).unwrap(),
        cca_ratio: known(cells[6]),
        age_months: known(cells[7]),
        months: known(cells[8]),
        electrolyte_low: cells[9] == "1",
        six_volt: cells[10] == "1",
        winter: cells[11] == "1",
    }
}

pub(super) fn shop(cells: &[&str]) -> Uuid {
    Uuid::from_u128(cells[12].parse().unwrap())
}

/// The 300 attempts of the example.
pub(super) fn observations() -> Vec<Observation> {
    csv(include_str!("../../tests/data/golden_train.csv"))
        .iter()
        .map(|cells| Observation {
            features: features(cells),
            shop: shop(cells),
            label: if cells[13] == "1" {
                Label::Recovered
            } else {
                Label::NotRecovered
            },
        })
        .collect()
}

pub(super) fn request(version: PriorVersion) -> Request<'static> {
    Request {
        basis: Basis::LeadAcid(Prior::shipped(version).unwrap()),
        cutoff: DateTime::from_timestamp(1_700_000_000, 0).unwrap(),
        start: None,
    }
}

/// The example as this program fits it, once for all tests.
pub(super) fn fitted() -> Fit {
    static FITTED: OnceLock<Fit> = OnceLock::new();
    FITTED.get_or_init(refitted).clone()
}

/// The example fitted anew.
pub(super) fn refitted() -> Fit {
    fit(&observations(), request(PriorVersion::Prototype0)).unwrap()
}
