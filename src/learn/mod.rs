//! Learns from outcomes: fits when there are new ones, keeps fits as rows, remembers the newest.
//!
//! A fit is a row with a cut-off, so that any past answer can be given again bit for bit. What is
//! remembered in memory is a copy of rows; the newest outcome in the database says whether it is old.

use std::collections::HashMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::advice::knowledge::{Fits, Knowledge, Standing};
use crate::advice::readings::Readings;
use crate::advice::running::{PastCharge, Running};
use crate::ids;
use crate::model::checkpoint::{CHECKPOINTS, Checkpoint, Seen};
use crate::model::fit::{DESIGN_VERSION, Family, LithiumVersion, Observation};
use crate::model::prior::{Malformed, Prior, PriorVersion};
use crate::model::quality::Quality;
use crate::model::standing::Reserve;
use crate::store::priors::{self, Marks, PriorChange};
use crate::store::{Error, Tx, again_verdicts, bands, fits, quality, stops};

/// Outcomes from which a fit is not made anew at each question.
const MANY: usize = 5_000;
/// How long the fit of so many is good enough.
const GOOD_FOR: Duration = Duration::from_mins(1);
/// Batteries from which readings are forecast at most: the newest.
const PRESENTED_MAX: i64 = 100_000;
/// Planned hours of a charge, for the stop table. Source: STATISTICS 6 (invented fleets).
const PLAN_H: f64 = 12.0;
/// Settled attempts whose answers are scored at most: the newest.
const ANSWERED_MAX: i64 = 1_000_000;
/// How near a checkpoint a reading must lie, h.
const NEAR_H: f64 = 0.01;
/// Groups remembered at most.
const GROUPS_MAX: usize = 64;

/// The prior of a group that never changed its own.
pub const DEFAULT: PriorVersion = PriorVersion::Trade1;

static PRIOR: LazyLock<Result<Prior, Malformed>> = LazyLock::new(|| Prior::shipped(DEFAULT));

/// What was learned from the outcomes of a group up to a cut-off.
#[derive(Debug)]
pub struct Learned {
    /// The models, the cases, the readings.
    pub knowledge: Knowledge,
    /// Newest outcome that is in it; `None` without any.
    pub cutoff: Option<DateTime<Utc>>,
    /// How good the answers were that were given before attempts.
    pub quality: Quality,
    /// What it rests on besides outcomes.
    marks: Marks,
    made: Instant,
    /// Its rows were seen in the database: whoever made them may have taken them back.
    kept: AtomicBool,
    running: tokio::sync::OnceCell<Running>,
}

impl Learned {
    /// What settled charges of the group taught about running ones; made when first asked for.
    ///
    /// # Errors
    /// Database errors; `Misfit` when it cannot be learned.
    pub async fn running(self: &Arc<Self>, tx: &mut Tx) -> Result<&Running, Error> {
        self.running
            .get_or_try_init(|| async {
                let group = tx.group();
                tx.read_much().await?;
                let settled = match self.cutoff {
                    Some(cutoff) => fits::settled_charges(tx, group, cutoff).await?,
                    None => Vec::new(),
                };
                let known = Arc::clone(self);
                tx.beside(move || {
                    let past: Vec<PastCharge> = settled.iter().map(past_charge).collect();
                    let fits = &known.knowledge.fits;
                    Running::learn(|features| fits.of(features.chemistry), &past, PLAN_H)
                })
                .await
            })
            .await
    }

    /// Belief alone.
    ///
    /// # Errors
    /// `Misfit` when the prior compiled in is malformed.
    pub fn belief() -> Result<Self, Error> {
        let misfit = |error| Error::Misfit(format!("the model cannot be fitted: {error}"));
        Ok(Self {
            knowledge: Knowledge::belief(prior()?).map_err(misfit)?,
            cutoff: None,
            quality: Quality::default(),
            marks: Marks::default(),
            made: Instant::now(),
            kept: AtomicBool::new(true),
            running: tokio::sync::OnceCell::new(),
        })
    }
}

/// A settled charge at the fixed checkpoints; readings between them are left out.
fn past_charge((seen, checkpoints): &(Observation, fits::Checkpoints)) -> PastCharge {
    let at = |checkpoint: &Checkpoint| {
        let near = |(hours, _): &&(f64, Seen)| (hours - checkpoint.hours()).abs() < NEAR_H;
        checkpoints.iter().find(near).map(|(_, seen)| *seen)
    };
    let mut found = [None; CHECKPOINTS];
    for (place, checkpoint) in found.iter_mut().zip(Checkpoint::ALL) {
        *place = at(checkpoint);
    }
    PastCharge {
        features: seen.features,
        shop: seen.shop,
        label: seen.label,
        seen: found,
    }
}

/// Copies of what was learned, by group. Ids of groups are unique, so one memory serves a process.
static MEMORY: LazyLock<Mutex<HashMap<Uuid, Arc<Learned>>>> = LazyLock::new(Mutex::default);

fn remembered(group: Uuid) -> Option<Arc<Learned>> {
    let memory = MEMORY.lock().unwrap_or_else(PoisonError::into_inner);
    memory.get(&group).map(Arc::clone)
}

fn remember(group: Uuid, learned: &Arc<Learned>) {
    let mut memory = MEMORY.lock().unwrap_or_else(PoisonError::into_inner);
    if memory.len() >= GROUPS_MAX && !memory.contains_key(&group) {
        memory.clear();
    }
    memory.insert(group, Arc::clone(learned));
}

/// The prior that ships as default.
///
/// # Errors
/// `Misfit` when the text compiled in is malformed.
pub fn prior() -> Result<&'static Prior, Error> {
    PRIOR
        .as_ref()
        .map_err(|error| Error::Misfit(error.to_string()))
}

/// The prior the group of a transaction believes in: its own, or the default.
///
/// # Errors
/// Database errors; `Misfit` when a kept text can no longer be read.
async fn in_force(tx: &mut Tx) -> Result<Prior, Error> {
    let group = tx.group();
    let change = priors::list(tx, group, 1).await?.pop();
    let parsed = Prior::parse(prior_text(change.as_ref())?);
    parsed.map_err(|error| Error::Misfit(format!("the group's prior: {error}")))
}

/// The text of the prior that a group's newest change put in force; of the default without one.
///
/// # Errors
/// `Misfit` when the prior it names does not ship any more.
pub fn prior_text(newest: Option<&PriorChange>) -> Result<&str, Error> {
    let Some(change) = newest else {
        return Ok(DEFAULT.text());
    };
    let shipped = || PriorVersion::find(&change.version).map(PriorVersion::text);
    let text = change.text.as_deref().or_else(shipped);
    text.ok_or_else(|| Error::Misfit(format!("no prior `{}` ships", change.version)))
}

/// What the group of a transaction has learned; fits first where outcomes are new.
///
/// With more than 5,000 outcomes a fit up to a minute old is taken: its cut-off is in every answer.
///
/// # Errors
/// Database errors; `Corrupt`; `Misfit` when no fit can be made.
pub async fn learned(tx: &mut Tx, now: DateTime<Utc>) -> Result<Arc<Learned>, Error> {
    let group = tx.group();
    let newest = bands::cut_off(tx, group).await?;
    let marks = priors::marks(tx, group).await?;
    let before = remembered(group);
    if let Some(known) = &before {
        let many = known.knowledge.len() > MANY && known.made.elapsed() < GOOD_FOR;
        if known.marks == marks && (known.cutoff == newest || many) {
            keep(tx, known, now).await?;
            return Ok(Arc::clone(known));
        }
    }
    tx.read_much().await?;
    let observations = match newest {
        Some(cutoff) => fits::observations(tx, group, cutoff).await?,
        None => Vec::new(),
    };
    let prior = in_force(tx).await?;
    let start = before.map(|known| known.knowledge.fits.clone());
    // Coefficients of another prior may stand for other knots.
    let start = start.filter(|fits| fits.lead_acid.basis().prior_version() == prior.version());
    let (kept, (fits, observations)) = match stored(tx, newest, prior.version()).await? {
        Some(fits) => (true, (fits, observations)),
        None => (
            newest.is_none(),
            fit(tx, (prior, observations), (newest, start), now).await?,
        ),
    };
    let mut readings = Readings::default();
    for battery in fits::presented(tx, group, PRESENTED_MAX).await? {
        readings.add(&battery);
    }
    let quality = judge(tx).await?;
    let standing = standing(&fits, &quality);
    let learned = Arc::new(Learned {
        knowledge: Knowledge::new(fits, observations, readings).with_standing(standing),
        cutoff: newest,
        quality,
        marks,
        made: Instant::now(),
        kept: AtomicBool::new(kept),
        running: tokio::sync::OnceCell::new(),
    });
    remember(group, &learned);
    Ok(learned)
}

/// Scores the answers of the group against what came of them.
async fn judge(tx: &mut Tx) -> Result<Quality, Error> {
    let group = tx.group();
    let (outcomes, frozen) = quality::answered(tx, group, ANSWERED_MAX).await?;
    let seconds = again_verdicts::settled(tx, group, ANSWERED_MAX).await?;
    let seen = if frozen.is_empty() {
        Vec::new()
    } else {
        quality::acknowledged(tx, group).await?
    };
    let ran_on = stops::ran_on(tx, group, ANSWERED_MAX).await?;
    tx.beside(move || {
        let quality = Quality::of(&frozen, &outcomes, &seen);
        quality.with_second_nights(&seconds).with_ran_on(&ran_on)
    })
    .await
}

/// Why answers are held back. That too few outcomes are known each fit says itself.
fn standing(fits: &Fits, quality: &Quality) -> Standing {
    let counts = fits.lead_acid.counts();
    let mut reserves = quality.reserves((counts.recovered, counts.not_recovered));
    reserves.retain(|reserve| *reserve != Reserve::BeliefOnly);
    Standing {
        reserves,
        drifted: quality.drifted_methods(),
    }
}

/// Sees to it that the rows of what is remembered are there: answers are given from rows.
async fn keep(tx: &mut Tx, known: &Learned, now: DateTime<Utc>) -> Result<(), Error> {
    if known.kept.load(Ordering::Relaxed) {
        return Ok(());
    }
    let version = known.knowledge.fits.lead_acid.basis().prior_version();
    if stored(tx, known.cutoff, version).await?.is_some() {
        known.kept.store(true, Ordering::Relaxed);
        return Ok(());
    }
    insert(tx, &known.knowledge.fits, now).await
}

async fn insert(tx: &mut Tx, fits: &Fits, now: DateTime<Utc>) -> Result<(), Error> {
    let group = tx.group();
    for fit in [&fits.lead_acid, &fits.lithium] {
        fits::insert(tx, group, (ids::new_id(now), now), fit).await?;
    }
    Ok(())
}

/// The stored fits of a cut-off, by the prior of a name.
async fn stored(
    tx: &mut Tx,
    newest: Option<DateTime<Utc>>,
    prior: &str,
) -> Result<Option<Fits>, Error> {
    let (group, Some(cutoff)) = (tx.group(), newest) else {
        return Ok(None);
    };
    let mut found = Vec::with_capacity(2);
    let lithium = LithiumVersion::CURRENT.as_str();
    for (family, prior) in [(Family::LeadAcid, prior), (Family::Lithium, lithium)] {
        let fit = fits::newest(tx, group, family).await?;
        // A fit with another prior, or of an older program, is made anew.
        let fits = |fit: &crate::model::fit::Fit| {
            fit.cutoff() == cutoff
                && fit.design_version() == DESIGN_VERSION
                && fit.basis().prior_version() == prior
        };
        found.extend(fit.filter(fits));
    }
    let mut found = found.into_iter();
    Ok(found
        .next()
        .zip(found.next())
        .map(|(lead_acid, lithium)| Fits { lead_acid, lithium }))
}

/// Fits and stores; without outcomes the fit is the prior, and no row is written.
async fn fit(
    tx: &mut Tx,
    (prior, observations): (Prior, Vec<Observation>),
    (newest, start): (Option<DateTime<Utc>>, Option<Fits>),
    now: DateTime<Utc>,
) -> Result<(Fits, Vec<Observation>), Error> {
    let cutoff = newest.unwrap_or(DateTime::UNIX_EPOCH);
    let work = tx.beside(move || {
        let fits = Fits::new(&prior, &observations, (cutoff, start.as_ref()));
        fits.map(|fits| (fits, observations))
    });
    let (fits, observations) = work
        .await?
        .map_err(|error| Error::Misfit(format!("the model cannot be fitted: {error}")))?;
    if newest.is_some() {
        insert(tx, &fits, now).await?;
    }
    Ok((fits, observations))
}

/// Fits cold to the outcomes known at a moment, and stores the fits; what is remembered stays.
///
/// The same moment gives the same bits again.
///
/// # Errors
/// As [`learned`].
pub async fn fit_as_of(
    tx: &mut Tx,
    as_of: Option<DateTime<Utc>>,
    now: DateTime<Utc>,
) -> Result<Fits, Error> {
    let group = tx.group();
    let newest = bands::cut_off(tx, group).await?;
    let cutoff = match (newest, as_of) {
        (Some(newest), Some(as_of)) => Some(newest.min(as_of)),
        (newest, _) => newest,
    };
    tx.read_much().await?;
    let observations = match cutoff {
        Some(cutoff) => fits::observations(tx, group, cutoff).await?,
        None => Vec::new(),
    };
    let prior = in_force(tx).await?;
    let (fits, _) = fit(tx, (prior, observations), (cutoff, None), now).await?;
    Ok(fits)
}
