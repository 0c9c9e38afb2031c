//! The ledger of a soak: what was acknowledged, one line each, written before it is believed.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs::{File, OpenOptions};
use std::io::{BufRead as _, BufReader, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

use anyhow::Context as _;
use uuid::Uuid;

use super::Door;
use crate::edge::{pb, wire};
use crate::record::sample::Samples;

/// An append-only file, and when each door was last heard.
pub(super) struct Ledger {
    path: PathBuf,
    file: Mutex<File>,
    began: Instant,
    heard: Mutex<BTreeMap<(Door, Uuid), Vec<Heard>>>,
    /// Lines that were to be written.
    noted: AtomicU64,
}

/// An acknowledgement: when it came, and when its batch was first sent at the earliest.
#[derive(Debug, Clone, Copy)]
struct Heard {
    at: Instant,
    made: Instant,
}

/// One acknowledged batch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Line {
    pub(super) door: Door,
    pub(super) device: Uuid,
    pub(super) boot: i64,
    pub(super) first_seq: i64,
    pub(super) count: i64,
    pub(super) digest: String,
}

/// Digest of what a batch says, as the ledger has it.
pub(super) fn digest(samples: &Samples) -> String {
    samples
        .digest()
        .iter()
        .fold(String::new(), |mut text, byte| {
            // Writing to a String cannot fail.
            let _ = write!(text, "{byte:02x}");
            text
        })
}

/// Samples of a batch as it was sent.
pub(super) fn samples(batch: &pb::SampleBatch) -> Samples {
    let Ok(raw) = wire::raw_batch(batch.clone()) else {
        return Samples::default();
    };
    let mut now = raw.start_ms;
    let times = raw.step_ms.iter().map(|step| {
        now += i64::from(*step);
        now
    });
    let mut samples = Samples {
        first_seq: raw.first_seq,
        time_ms: times.collect(),
        columns: raw.columns,
    };
    samples.normalize();
    samples
}

impl Ledger {
    /// A new one; an older one is never written over.
    pub(super) fn create(path: &Path) -> anyhow::Result<Self> {
        let mut options = OpenOptions::new();
        options.create_new(true).append(true);
        let file = options.open(path).with_context(|| {
            format!(
                "cannot make the ledger {}: name a new folder",
                path.display()
            )
        })?;
        Ok(Self::of(path, file))
    }

    /// One that is there, to be read.
    pub(super) fn open(path: &Path) -> anyhow::Result<Self> {
        let file =
            File::open(path).with_context(|| format!("there is no ledger {}", path.display()))?;
        Ok(Self::of(path, file))
    }

    /// Devices that had something acknowledged, with their doors.
    pub(super) fn devices(&self) -> anyhow::Result<Vec<(Door, Uuid)>> {
        let lines = self.read()?;
        let devices: BTreeSet<(Door, Uuid)> =
            lines.iter().map(|line| (line.door, line.device)).collect();
        Ok(devices.into_iter().collect())
    }

    fn of(path: &Path, file: File) -> Self {
        Self {
            path: path.to_path_buf(),
            file: Mutex::new(file),
            began: Instant::now(),
            heard: Mutex::default(),
            noted: AtomicU64::new(0),
        }
    }

    /// Writes an acknowledged batch down.
    pub(super) fn note(
        &self,
        (door, device): (Door, Uuid),
        made: Instant,
        batch: &pb::SampleBatch,
    ) {
        let boot = batch.boot_id;
        let samples = samples(batch);
        let line = format!(
            "{door} {device} {boot} {} {} {} {}\n",
            samples.first_seq,
            samples.count(),
            digest(&samples),
            self.began.elapsed().as_millis()
        );
        self.noted.fetch_add(1, Ordering::Relaxed);
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        if let Err(error) = file.write_all(line.as_bytes()) {
            // Reading it back then finds fewer lines than were noted.
            tracing::error!(%error, "the ledger cannot be written");
        }
        drop(file);
        let mut heard = self.heard.lock().unwrap_or_else(PoisonError::into_inner);
        let at = Instant::now();
        heard
            .entry((door, device))
            .or_default()
            .push(Heard { at, made });
    }

    /// When a device first heard of a batch that was made after a moment.
    pub(super) fn heard_after(&self, device: (Door, Uuid), moment: Instant) -> Option<Instant> {
        let heard = self.heard.lock().unwrap_or_else(PoisonError::into_inner);
        let times = heard.get(&device)?;
        let after = times.partition_point(|heard| heard.at <= moment);
        let mut later = times.iter().skip(after);
        later
            .find(|heard| heard.made > moment)
            .map(|heard| heard.at)
    }

    /// Everything that was acknowledged, as the file has it.
    pub(super) fn read(&self) -> anyhow::Result<Vec<Line>> {
        let file = BufReader::new(File::open(&self.path)?);
        let mut lines = Vec::new();
        for (number, text) in file.lines().enumerate() {
            let text = text?;
            let line = parse(&text).with_context(|| format!("ledger line {}", number + 1))?;
            lines.push(line);
        }
        let noted = self.noted.load(Ordering::Relaxed);
        anyhow::ensure!(
            noted == 0 || noted == lines.len() as u64,
            "the ledger has {} of {noted} lines: could it not be written?",
            lines.len()
        );
        Ok(lines)
    }
}

fn parse(text: &str) -> anyhow::Result<Line> {
    let mut words = text.split(' ');
    let mut word = || words.next().context("a word is missing");
    Ok(Line {
        door: Door::find(word()?).context("no door")?,
        device: word()?.parse()?,
        boot: word()?.parse()?,
        first_seq: word()?.parse()?,
        count: word()?.parse()?,
        digest: word()?.to_owned(),
    })
}
