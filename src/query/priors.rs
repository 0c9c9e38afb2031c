//! What the model of a group believes before any outcome: shown, checked against what is in force, changed.

use chrono::DateTime;

use super::{Caller, Error, fair, reason};
use crate::advice::knowledge::Knowledge;
use crate::clock::Clock;
use crate::ids;
use crate::learn;
use crate::model::prior::{Features, Prior, PriorVersion};
use crate::record::visit::parse::{RawVisit, parse};
use crate::record::words::{Chemistry, Method, Scope, Segment, TesterState};
use crate::reject::Code;
pub use crate::store::priors::PriorChange;
use crate::store::{self, Store, priors};

/// Changes shown at most.
const CHANGES_MAX: i64 = 1_000;
/// Longest text, bytes.
const TEXT_MAX: usize = 65_536;
/// Longest name of a version, bytes.
const VERSION_MAX: usize = 32;

const MAY_READ: &[Scope] = &[Scope::Bench, Scope::Analyst, Scope::Operator];
const READ_WITH: &str = "ask with a bench, analyst or operator token";

/// The prior in force.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct InForce {
    /// Its name.
    pub version: String,
    /// Its text, with comments.
    pub text: String,
    /// It ships with the program.
    pub shipped: bool,
    /// Changes of the group, the newest first.
    pub changes: Vec<PriorChange>,
}

/// One fact that another prior states otherwise.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Difference {
    /// As it is in force.
    pub from: String,
    /// As the other states it.
    pub to: String,
}

/// The same battery by belief alone.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Example {
    /// Which battery.
    pub battery: String,
    /// Chance and 90 % range by the prior in force, 0 to 1.
    pub before: (f64, f64, f64),
    /// By the other.
    pub after: (f64, f64, f64),
}

/// A prior that can be used, beside the one in force.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Checked {
    /// Its name.
    pub version: String,
    /// What differs; empty for the same numbers.
    pub differences: Vec<Difference>,
    /// What it says of a few batteries.
    pub examples: Vec<Example>,
}

/// A prior that is to be used from now on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NewPrior {
    /// By its text.
    Text(String),
    /// One that ships with the program.
    Shipped(PriorVersion),
}

impl NewPrior {
    fn text(&self) -> &str {
        match self {
            Self::Text(text) => text,
            Self::Shipped(version) => version.text(),
        }
    }
}

/// Shows the prior in force, and every change of the group.
///
/// # Errors
/// `Denied`; database errors.
pub async fn in_force(store: &Store, caller: &Caller) -> Result<InForce, Error> {
    caller.need(MAY_READ, "read the prior", READ_WITH)?;
    let mut tx = store.begin(caller.group).await?;
    let changes = priors::list(&mut tx, caller.group, CHANGES_MAX).await?;
    tx.rollback().await?;
    let newest = changes.first();
    Ok(InForce {
        shipped: newest.is_none_or(|change| change.text.is_none()),
        text: learn::prior_text(newest)?.to_owned(),
        version: newest
            .map_or(learn::DEFAULT.as_str(), |change| &change.version)
            .to_owned(),
        changes,
    })
}

/// Reads a prior and says what it would change; nothing is kept.
///
/// # Errors
/// `Denied`; `FIELD_INVALID` with the line that cannot be used.
pub async fn check(store: &Store, caller: &Caller, new: &NewPrior) -> Result<Checked, Error> {
    fair::of_the_group(caller, "check a prior")?;
    let (prior, before) = read(new, &in_force(store, caller).await?)?;
    compare(&before, &prior)
}

/// Uses a prior from now on; answers that were given stay as they were.
///
/// # Errors
/// As [`check`]; `FIELD_MISSING` without a reason; `FIELD_INVALID` for a name that stands for other numbers.
pub async fn put(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (new, why): (NewPrior, &str),
) -> Result<Checked, Error> {
    fair::of_the_group(caller, "change the prior")?;
    reason(why, "the changes of the prior")?;
    let known = in_force(store, caller).await?;
    let (prior, before) = read(&new, &known)?;
    let checked = compare(&before, &prior)?;
    let now = clock.now();
    let change = PriorChange {
        version: prior.version().to_owned(),
        text: match new {
            NewPrior::Text(text) => Some(text),
            NewPrior::Shipped(_) => None,
        },
        reason: why.to_owned(),
        set_by: caller.name.clone(),
        set_at: now,
    };
    let mut tx = store.begin(caller.group).await?;
    priors::insert(&mut tx, (caller.group, ids::new_id(now)), change).await?;
    tx.commit().await?;
    Ok(checked)
}

/// The prior of a text, and the one in force.
fn read(new: &NewPrior, known: &InForce) -> Result<(Prior, Prior), Error> {
    let text = new.text();
    let invalid = |detail: String| Error::bad(Code::FieldInvalid, "text", detail);
    if text.len() > TEXT_MAX {
        return Err(invalid(format!("{} bytes; at most {TEXT_MAX}", text.len())));
    }
    let prior = Prior::parse(text).map_err(|error| invalid(error.to_string()))?;
    let version = prior.version();
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || "-.".contains(c);
    if version.len() > VERSION_MAX || !version.chars().all(plain) {
        let detail = format!(
            "`version {}`: write at most {VERSION_MAX} of a-z, 0-9, - and .",
            version.escape_debug()
        );
        return Err(invalid(detail));
    }
    // A name is part of every answer: it stands for one set of numbers, for ever.
    let same = |text: &str| Prior::parse(text).is_ok_and(|other| other == prior);
    let shipped = PriorVersion::find(version).map(PriorVersion::text);
    let of_group = known
        .changes
        .iter()
        .filter(|change| change.version == version);
    let of_group = of_group.filter_map(|change| change.text.as_deref());
    if shipped.into_iter().chain(of_group).any(|text| !same(text)) {
        let detail =
            format!("`version {version}` stands for other numbers already: give it a new name");
        return Err(invalid(detail));
    }
    let before = Prior::parse(&known.text);
    let before = before.map_err(|error| store::Error::Misfit(error.to_string()))?;
    Ok((prior, before))
}

fn compare(before: &Prior, after: &Prior) -> Result<Checked, Error> {
    let (old, new) = (before.to_text(), after.to_text());
    let lines = old.lines().zip(new.lines());
    let differences = lines.filter(|(from, to)| from != to && !from.starts_with("version"));
    let differences = differences.map(|(from, to)| Difference {
        from: from.to_owned(),
        to: to.to_owned(),
    });
    let misfit = |error| store::Error::Misfit(format!("the prior cannot be used: {error}"));
    let (old, new) = (
        Knowledge::belief(before).map_err(misfit)?,
        Knowledge::belief(after).map_err(misfit)?,
    );
    let examples = examples()?.into_iter().map(|(battery, features)| {
        let chance = |known: &Knowledge| {
            let found = known.fits.of(features.chemistry).predict(&features, None);
            (found.mean, found.lower, found.upper)
        };
        Example {
            battery,
            before: chance(&old),
            after: chance(&new),
        }
    });
    Ok(Checked {
        version: after.version().to_owned(),
        differences: differences.collect(),
        examples: examples.collect(),
    })
}

/// Batteries that people of the trade have an opinion on; the second and the last are near the archetypes of
/// DOMAIN 7.
fn examples() -> Result<Vec<(String, Features)>, Error> {
    let battery = |chemistry: Chemistry, rest_volts: f64, months: f64, tester: TesterState| {
        let raw = RawVisit {
            nominal_volts: 12,
            chemistry: Some(chemistry),
            segment: Some(Segment::Powersports),
            rest_volts: Some(rest_volts),
            age_months: Some(24.0),
            months_since_full_charge: Some(months),
            tester: Some(tester),
            ..RawVisit::default()
        };
        let visit = parse(raw, DateTime::UNIX_EPOCH)?;
        let tested = tester.as_str().replace('_', " ");
        let name = format!(
            "{chemistry}, {rest_volts:.1} V at rest, {months:.0} months since the last full charge, tester {tested}"
        );
        Ok((name, Features::of_visit(&visit, Method::Unknown, false)))
    };
    let (works, dark) = (TesterState::Ok, TesterState::NoPowerUp);
    [
        (Chemistry::Flooded, 12.4, 2.0, works),
        (Chemistry::Flooded, 11.9, 12.0, works),
        (Chemistry::Agm, 11.5, 6.0, works),
        (Chemistry::Flooded, 10.5, 6.0, works),
        (Chemistry::Gel, 8.0, 12.0, dark),
        (Chemistry::Flooded, 1.0, 12.0, dark),
    ]
    .into_iter()
    .map(|(chemistry, volts, months, tester)| battery(chemistry, volts, months, tester))
    .collect()
}
