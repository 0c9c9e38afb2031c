//! How long charges took until the battery recovered, failed, or the charge was broken off for heat.
//!
//! A charge ends when its charger or a person ends it; whether the battery recovered was found at the retest.
//! Charges that people stopped for other reasons, and those that still run, count as running up to then.

mod text;

pub use text::render_text;

use serde::Serialize;

use super::bands::VoltageBand;
use super::interval::{self, Interval};
use super::survival::{self, End, EndedCharge, KINDS, Observation};
use super::table::{EDGE_CONFIDENCE, RATE_N_MIN, Support};

/// Hours after which it is told what had become of the charges.
pub const HOURS: [f64; 7] = [1.0, 2.0, 4.0, 8.0, 12.0, 24.0, 48.0];
/// Nominal coverage of every interval, a share.
pub const LEVEL: f64 = 0.90;
/// Parts of equal size by the chance that was told before.
const FIFTHS: usize = 5;

/// A first charge of a battery.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PastCharge {
    /// How long it ran and how it ended.
    pub charge: EndedCharge,
    /// Band of the voltage at which the battery came in.
    pub band: VoltageBand,
    /// Chance that was told before it began, 0 to 1; `None` where nobody asked.
    pub chance: Option<f64>,
}

/// A share of all charges with its interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Share {
    /// Share, 0 to 1.
    pub share: f64,
    /// Interval of [`LEVEL`]; none or all of them has the exact one-sided bound of the same tail.
    pub interval: Interval,
}

/// Charges that ran on beyond an hour, and what became of them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Later {
    /// Of them, those that recovered.
    pub recovered: u64,
    /// Charges that ran on and whose end is known.
    pub known: u64,
    /// Interval of their share; `None` below [`RATE_N_MIN`].
    pub interval: Option<Interval>,
}

/// What had become of the charges by an hour.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ByHour {
    /// Hours since the start of the charge.
    pub hours: f64,
    /// Charges that were seen to run longer.
    pub at_risk: u64,
    /// Still running.
    pub running: Share,
    /// Recovered, failed, broken off for heat.
    pub ended: [Share; KINDS],
    /// What became of those that ran on.
    pub later: Later,
}

/// Charges of one kind.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Which: all charges, a band of voltage with its unit, or a fifth by the chance told before.
    pub label: String,
    /// Charges with a known end.
    pub n: u64,
    /// Of these recovered, failed, broken off for heat.
    pub ended: [u64; KINDS],
    /// Charges that count as running up to when they were stopped, or to now.
    pub censored: u64,
    /// How much data there is.
    pub support: Support,
    /// Hours by which half of all had recovered; `None` when half never did, or below [`RATE_N_MIN`].
    pub median_recovered_hours: Option<f64>,
    /// Hours by which half of all had ended in any way; `None` as above.
    pub median_ended_hours: Option<f64>,
    /// By hour, up to the first at which none ran on; empty below [`RATE_N_MIN`].
    pub by_hour: Vec<ByHour>,
}

/// All charges, and the same by band and by chance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChargeTimes {
    /// All of them.
    pub all: Row,
    /// By the voltage at which the battery came in, lowest first; seven rows.
    pub bands: Vec<Row>,
    /// By fifths of the chance that was told before, lowest first; empty below five such charges.
    pub fifths: Vec<Row>,
    /// Nominal coverage of the intervals, a share.
    pub level: f64,
}

/// Tells how long charges took.
///
/// Shares are the Aalen-Johansen cumulative incidence: a battery that failed can no longer recover, and counts so.
/// Intervals are symmetric after two logarithms (Kalbfleisch and Prentice 1980, from memory).
///
/// # Examples
/// ```
/// use restvolt::model::bands::VoltageBand;
/// use restvolt::model::durations::{PastCharge, charge_times};
/// use restvolt::model::survival::{End, EndedCharge};
/// let charges: Vec<PastCharge> = (1..=10)
///     .map(|hour| PastCharge {
///         charge: EndedCharge { hours: f64::from(hour), end: End::Recovered },
///         band: VoltageBand::of(11.9),
///         chance: None,
///     })
///     .collect();
/// let times = charge_times(&charges);
/// assert_eq!(times.all.median_recovered_hours, Some(5.0));
/// // The third row is that of 4 h.
/// assert!((times.all.by_hour[2].ended[0].share - 0.4).abs() < 1e-12);
/// ```
#[must_use]
pub fn charge_times(charges: &[PastCharge]) -> ChargeTimes {
    let all: Vec<EndedCharge> = charges.iter().map(|past| past.charge).collect();
    let band = |band: &VoltageBand| {
        let of_band = charges.iter().filter(|past| past.band == *band);
        let of_band: Vec<EndedCharge> = of_band.map(|past| past.charge).collect();
        row(band.label().to_owned(), &of_band)
    };
    ChargeTimes {
        all: row("all charges".to_owned(), &all),
        bands: VoltageBand::ALL.iter().map(band).collect(),
        fifths: fifths(charges),
        level: LEVEL,
    }
}

fn fifths(charges: &[PastCharge]) -> Vec<Row> {
    let mut told: Vec<(f64, EndedCharge)> = charges
        .iter()
        .filter_map(|past| Some((past.chance?, past.charge)))
        .collect();
    if told.len() < FIFTHS {
        return Vec::new();
    }
    told.sort_by(|a, b| a.0.total_cmp(&b.0));
    let cut = |part: usize| part * told.len() / FIFTHS;
    let fifth = |part: usize| {
        let members = told.get(cut(part)..cut(part + 1))?;
        let (lowest, highest) = (members.first()?.0, members.last()?.0);
        let label = format!("chance {:.0} to {:.0} %", 100.0 * lowest, 100.0 * highest);
        let of_fifth: Vec<EndedCharge> = members.iter().map(|one| one.1).collect();
        Some(row(label, &of_fifth))
    };
    (0..FIFTHS).filter_map(fifth).collect()
}

fn row(label: String, charges: &[EndedCharge]) -> Row {
    let mut ended = [0; KINDS];
    for kind in charges.iter().filter_map(|charge| charge.end.kind()) {
        if let Some(count) = ended.get_mut(kind) {
            *count += 1;
        }
    }
    let n: u64 = ended.iter().sum();
    let counted = Row {
        label,
        n,
        ended,
        censored: charges.len() as u64 - n,
        support: Support::of(n),
        median_recovered_hours: None,
        median_ended_hours: None,
        by_hour: Vec::new(),
    };
    if n < RATE_N_MIN {
        return counted;
    }
    let incidence = survival::incidence(charges);
    let seen: Vec<Observation> = charges.iter().map(EndedCharge::any_end).collect();
    let running = survival::survival(&seen, LEVEL);
    let half = running
        .iter()
        .find(|step| step.survival <= 0.5 + survival::ROUNDING);
    Row {
        median_recovered_hours: incidence.median_hours(End::Recovered),
        median_ended_hours: half.map(|step| step.time),
        by_hour: by_hour(charges, &incidence, &running),
        ..counted
    }
}

fn by_hour(
    charges: &[EndedCharge],
    incidence: &survival::Incidence,
    running: &[survival::SurvivalStep],
) -> Vec<ByHour> {
    let mut rows = Vec::with_capacity(HOURS.len());
    for hours in HOURS {
        let on = |charge: &&EndedCharge| charge.hours > hours;
        let at_risk = charges.iter().filter(on).count() as u64;
        // Seen up to then or to their end: what a bound for none of them rests on.
        let seen = |charge: &&EndedCharge| charge.hours > hours || charge.end.kind().is_some();
        let seen = charges.iter().filter(seen).count() as u64;
        let after = incidence.by(hours);
        let last = running.partition_point(|step| step.time <= hours);
        let last = last.checked_sub(1).and_then(|at| running.get(at));
        let ended = |kind: usize| {
            let found = after
                .and_then(|step| Some((*step.ended.get(kind)?, *step.standard_error.get(kind)?)));
            share(found.unwrap_or((0.0, 0.0)), seen)
        };
        let left = last.map_or((1.0, 0.0), |step| {
            (step.survival, step.standard_error.unwrap_or(0.0))
        });
        rows.push(ByHour {
            hours,
            at_risk,
            running: share(left, seen),
            ended: std::array::from_fn(ended),
            later: later(charges, hours),
        });
        if at_risk == 0 {
            break;
        }
    }
    rows
}

/// A share with its standard error among so many charges that were seen.
fn share((share, error): (f64, f64), seen: u64) -> Share {
    let none = interval::upper_bound_for_none(seen, EDGE_CONFIDENCE).unwrap_or(1.0);
    let [lower, upper] = if share <= 0.0 {
        [0.0, none]
    } else if share >= 1.0 {
        [1.0 - none, 1.0]
    } else {
        survival::limits(share, error, LEVEL)
    };
    let level = LEVEL;
    Share {
        share,
        interval: Interval {
            lower,
            upper,
            level,
        },
    }
}

fn later(charges: &[EndedCharge], hours: f64) -> Later {
    let ran_on = charges.iter().filter(|charge| charge.hours > hours);
    let ends: Vec<usize> = ran_on.filter_map(|charge| charge.end.kind()).collect();
    let recovered = ends
        .iter()
        .filter(|kind| Some(**kind) == End::Recovered.kind());
    let (recovered, known) = (recovered.count() as u64, ends.len() as u64);
    let enough = known >= RATE_N_MIN;
    Later {
        recovered,
        known,
        interval: interval::jeffreys(recovered, known, LEVEL).filter(|_| enough),
    }
}

#[cfg(test)]
mod tests;
