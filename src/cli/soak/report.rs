//! What a soak found, as a dated table or as data.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use serde_json::json;

use super::check::Found;
use super::hostile::Finding;
use super::{Arguments, Door, Fault};
use crate::cli::Context;
use crate::cli::site::Balance;
use crate::clock::Clock;

/// How often a fault came, and how long it took until every door was heard again.
#[derive(Debug, Default)]
pub(super) struct Recoveries {
    pub(super) planned: u32,
    pub(super) recovered: u32,
    pub(super) longest: Duration,
}

/// Everything a soak found.
pub(super) struct Report {
    pub(super) faults: BTreeMap<Fault, Recoveries>,
    pub(super) bad: BTreeMap<Door, Vec<Finding>>,
    pub(super) found: BTreeMap<Door, Found>,
    /// Good batches that were refused.
    pub(super) refused: u64,
    /// Good batches that were made, by the devices' own count.
    pub(super) made: u64,
    /// What the service counted since its last start.
    pub(super) balance: Balance,
}

impl Report {
    pub(super) fn is_good(&self) -> bool {
        let bad = self.bad.values().flatten();
        let faults = self.faults.values();
        self.found.values().all(Found::is_good)
            && self.refused == 0
            && self.unsettled() == 0
            && self.balance.holds()
            && bad.into_iter().all(|finding| finding.wrong.is_none())
            && faults
                .into_iter()
                .all(|fault| fault.recovered == fault.planned)
    }

    /// Batches that were made and never acknowledged.
    fn unsettled(&self) -> i64 {
        let acknowledged: u64 = self.found.values().map(|found| found.acknowledged).sum();
        i64::try_from(self.made).unwrap_or(i64::MAX) - i64::try_from(acknowledged).unwrap_or(0)
    }

    pub(super) fn text(&self, context: &Context, arguments: &Arguments) -> String {
        if context.json {
            return self.json(arguments).to_string();
        }
        let mut text = format!(
            "Soak of restvolt {} on {}, seed {}, {} devices a door\n\n",
            env!("CARGO_PKG_VERSION"),
            Clock::System.now().format("%Y-%m-%d"),
            arguments.seed,
            arguments.devices
        );
        text.push_str(
            "| door | batches acknowledged | samples of them | lost | stored twice | different | \
             receipts wrong | wrongly in quarantine | bad input as it must be |\n|---|---|---|---|---|---|---|---|---|\n",
        );
        for (door, found) in &self.found {
            let findings = self.bad.get(door).map_or(&[][..], Vec::as_slice);
            let right = findings.iter().filter(|finding| finding.wrong.is_none());
            let _ = writeln!(
                text,
                "| {door} | {} | {} | {} | {} | {} | {} | {} | {} of {} |",
                found.acknowledged,
                found.samples,
                found.lost,
                found.twice,
                found.different,
                found.receipts,
                found.quarantined,
                right.count(),
                findings.len()
            );
        }
        text.push_str(
            "\n| fault | recovered within 30 s on every door | longest |\n|---|---|---|\n",
        );
        for (fault, recoveries) in &self.faults {
            let _ = writeln!(
                text,
                "| {fault} | {} of {} | {:.1} s |",
                recoveries.recovered,
                recoveries.planned,
                recoveries.longest.as_secs_f64()
            );
        }
        let _ = write!(
            text,
            "\nGood batches refused: {}; made and never acknowledged: {}.\nSince the last start: {} samples \
             received = {} stored + {} held already + {} quarantined{}.\n",
            self.refused,
            self.unsettled(),
            self.balance.received,
            self.balance.stored,
            self.balance.duplicate,
            self.balance.quarantined,
            if self.balance.holds() { "" } else { ": WRONG" }
        );
        for (door, findings) in &self.bad {
            for finding in findings {
                if let Some(wrong) = &finding.wrong {
                    let (row, name) = (finding.row, finding.name);
                    let _ = writeln!(text, "WRONG {door}, row {row}, {name}: {wrong}");
                }
            }
        }
        text
    }

    fn json(&self, arguments: &Arguments) -> serde_json::Value {
        let doors: BTreeMap<&str, serde_json::Value> = self
            .found
            .iter()
            .map(|(door, found)| {
                let findings = self.bad.get(door).map_or(&[][..], Vec::as_slice);
                let wrong: Vec<String> = findings
                    .iter()
                    .filter_map(|finding| {
                        Some(format!("{}: {}", finding.name, finding.wrong.as_ref()?))
                    })
                    .collect();
                let mut told = found.json(*door);
                if let Some(told) = told.as_object_mut() {
                    told.insert("bad_input".into(), findings.len().into());
                    told.insert("bad_input_wrong".into(), wrong.into());
                }
                (door.as_str(), told)
            })
            .collect();
        let faults: BTreeMap<&str, serde_json::Value> = self
            .faults
            .iter()
            .map(|(fault, recoveries)| {
                let told = json!({
                    "planned": recoveries.planned, "recovered": recoveries.recovered,
                    "longest_seconds": recoveries.longest.as_secs_f64(),
                });
                (fault.name(), told)
            })
            .collect();
        json!({
            "seed": arguments.seed, "doors": doors, "faults": faults, "good_refused": self.refused,
            "unsettled": self.unsettled(), "received": self.balance.received,
            "stored": self.balance.stored, "duplicate": self.balance.duplicate,
            "quarantined": self.balance.quarantined, "good": self.is_good(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_kind_of_failure_makes_the_report_bad() {
        let found = Found {
            acknowledged: 1,
            samples: 60,
            stored: 60,
            ..Found::default()
        };
        assert!(found.is_good());
        for bad in [
            Found {
                acknowledged: 0,
                ..found
            },
            Found { lost: 1, ..found },
            Found { twice: 1, ..found },
            Found {
                different: 1,
                ..found
            },
            Found {
                receipts: 1,
                ..found
            },
            Found {
                quarantined: 1,
                ..found
            },
            Found {
                stored: 61,
                ..found
            },
        ] {
            assert!(!bad.is_good(), "{bad:?}");
        }
    }
}
