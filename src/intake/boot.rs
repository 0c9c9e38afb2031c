//! One boot of a device inside one transaction: what of a batch is new, what is held, which
//! sessions move. No I/O: `commit.rs` loads what is asked for and writes what comes out.
//!
//! The common case, samples that follow directly, needs nothing but the locked receipt. Everything
//! else is done "with care": the spans and reported ends of the boot are loaded and its sessions are
//! cut anew, so that the order of arrival never matters.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::ids;
use crate::record::batch::{Batch, ClockClaim, EventKind};
use crate::record::sample::{Digest, Samples, digest_of};
use crate::record::session::{Bounds, SessionLimits, Span, cut_points, partition};
use crate::reject::{Code, Reject};
use crate::store::codec::{self, BatchEntry, Form};
use crate::store::receipts::{OpenSession, Receipt};
use crate::store::segments::{NewSegment, Segment};
use crate::store::sessions::{Draft, Known, State};

/// Most separate ranges one boot may hold.
pub(crate) const RANGES_MAX: usize = 4_096;
/// Most samples of a run that the batches of one turn are joined to: a row costs more than its samples.
const JOINED_MAX: usize = 1_440;

/// What is stored of the boot, when care is needed.
#[derive(Debug, Clone, Default)]
pub(crate) struct Stored {
    /// Spans, ascending.
    pub(crate) spans: Vec<Span>,
    /// Numbers after which the device reported an end, ascending.
    pub(crate) ends: Vec<i64>,
}

/// What became of one batch.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Counts {
    /// First number of the batch, given by the server when it had none.
    pub(crate) first_seq: i64,
    pub(crate) stored: i64,
    pub(crate) duplicate: i64,
}

/// One boot while a transaction works on it.
#[derive(Debug)]
pub(crate) struct Boot {
    pub(crate) receipt: Receipt,
    limits: SessionLimits,
    stored: Option<Stored>,
    pub(crate) fresh: Vec<NewSegment>,
    recut: bool,
}

/// Sessions to write after the batches were applied.
#[derive(Debug, Default)]
pub(crate) struct Moves {
    /// New or changed sessions.
    pub(crate) drafts: Vec<Draft>,
    /// (absorbed, into).
    pub(crate) absorbed: Vec<(Uuid, Uuid)>,
    /// When to look at a session to close it.
    pub(crate) looks: Vec<(Uuid, DateTime<Utc>)>,
}

impl Boot {
    pub(crate) fn new(receipt: Receipt, limits: SessionLimits, stored: Option<Stored>) -> Self {
        let recut = stored.is_some();
        Self {
            receipt,
            limits,
            stored,
            fresh: Vec::new(),
            recut,
        }
    }

    /// Whether the batches do more than extend the open session.
    pub(crate) fn needs_care(receipt: &Receipt, batches: &[&Batch], limits: SessionLimits) -> bool {
        let Some(session) = receipt.session else {
            return true;
        };
        let mut span = session.span;
        for batch in batches {
            if batch
                .events
                .iter()
                .any(|event| event.kind == EventKind::SessionEnd)
            {
                return true;
            }
            if batch.samples.is_empty() {
                continue;
            }
            let mut next = Span::of(&batch.samples);
            if batch.weak {
                let shift = span.last_seq + 1 - next.first_seq;
                (next.first_seq, next.last_seq) = (next.first_seq + shift, next.last_seq + shift);
            } else if receipt.held.contains(next.first_seq, next.last_seq) {
                continue;
            }
            if next.first_seq <= span.last_seq
                || span.breaks_before(&next, limits).is_some()
                || cut_points(&batch.samples, &[], limits).len() > 1
            {
                return true;
            }
            (span.last_seq, span.last_ms) = (next.last_seq, next.last_ms);
        }
        false
    }

    /// Takes what is new of a batch, and its samples out of it; `held` are the stored runs that share
    /// numbers with it.
    pub(crate) fn apply(
        &mut self,
        batch: &mut Batch,
        held: &[Segment],
        received_at: DateTime<Utc>,
    ) -> Result<Counts, Reject> {
        self.check_mode(batch)?;
        let mut samples = std::mem::take(&mut batch.samples);
        if batch.weak {
            samples.first_seq = self.receipt.held.last().unwrap_or(0) + 1;
        }
        let digest = if batch.weak {
            samples.content_digest()
        } else {
            samples.digest()
        };
        let entry = BatchEntry {
            first_seq: samples.first_seq,
            count: samples.count(),
            digest,
        };
        let new = if samples.is_empty() {
            Vec::new()
        } else {
            self.receipt
                .held
                .missing_in(samples.first_seq, samples.last_seq())
        };
        let stored: i64 = new.iter().map(|(from, to)| to - from + 1).sum();
        if stored < entry.count {
            self.check_overlap(&samples, digest, held)?;
        }
        let new = parts(samples, &new);
        for part in &new {
            self.check_times(Span::of(part))?;
        }
        self.hold(&new)?;
        self.keep(new, entry, received_at, batch);
        self.note_clock(batch, received_at);
        Ok(Counts {
            first_seq: entry.first_seq,
            stored,
            duplicate: entry.count - stored,
        })
    }

    /// Adds the numbers of new runs to those held, or none of them.
    fn hold(&mut self, new: &[Samples]) -> Result<(), Reject> {
        let held = &mut self.receipt.held;
        // Each run adds one range at most, and only near the limit it matters how many it joins.
        if held.as_slice().len() + new.len() > RANGES_MAX {
            let mut all = held.clone();
            for part in new {
                all.insert(part.first_seq, part.last_seq());
            }
            if all.as_slice().len() > RANGES_MAX {
                let detail = format!("more than {RANGES_MAX} separate ranges in this boot");
                return Err(Reject::new(Code::TooManyGaps, "first_seq", detail));
            }
        }
        for part in new {
            held.insert(part.first_seq, part.last_seq());
        }
        Ok(())
    }

    fn check_mode(&mut self, batch: &Batch) -> Result<(), Reject> {
        if batch.samples.is_empty() {
            return Ok(());
        }
        if self.receipt.held.last().is_none() {
            self.receipt.weak = batch.weak;
        } else if self.receipt.weak != batch.weak {
            let detail = "one boot is sent either with sequence numbers or without";
            return Err(Reject::new(Code::FieldInvalid, "first_seq", detail));
        }
        Ok(())
    }

    fn check_overlap(
        &self,
        samples: &Samples,
        digest: Digest,
        held: &[Segment],
    ) -> Result<(), Reject> {
        let stored = held.iter().map(|segment| {
            let same = segment.digest == digest && segment.samples.first_seq == samples.first_seq;
            let listed = segment
                .merged
                .iter()
                .any(|entry| entry.digest == digest && entry.first_seq == samples.first_seq);
            (same || listed, &segment.samples)
        });
        let fresh = self.fresh.iter().map(|segment| (false, &segment.samples));
        for (known, other) in stored.chain(fresh) {
            let from = other.first_seq.max(samples.first_seq);
            let to = other.last_seq().min(samples.last_seq());
            if known || from > to || other.agrees_with(samples) {
                continue;
            }
            let detail = format!("numbers {from} to {to} are held with other times or values");
            return Err(Reject::new(Code::SeqConflict, "first_seq", detail));
        }
        Ok(())
    }

    /// Device time must rise with the numbers across everything held of the boot.
    fn check_times(&self, next: Span) -> Result<(), Reject> {
        let stored = self
            .stored
            .iter()
            .flat_map(|stored| stored.spans.iter().copied());
        let session = self.receipt.session.iter().map(|session| session.span);
        let fresh = self.fresh.iter().map(|segment| Span::of(&segment.samples));
        for span in stored.chain(session).chain(fresh) {
            let early = span.last_seq < next.first_seq && span.last_ms > next.first_ms;
            let late = span.first_seq > next.last_seq && span.first_ms < next.last_ms;
            if early || late {
                let detail = format!(
                    "numbers {} to {} lie at {} to {} ms, but numbers {} to {} are held at {} to {} ms",
                    next.first_seq,
                    next.last_seq,
                    next.first_ms,
                    next.last_ms,
                    span.first_seq,
                    span.last_seq,
                    span.first_ms,
                    span.last_ms,
                );
                return Err(Reject::new(
                    Code::TimeNotAscending,
                    "start_milliseconds",
                    detail,
                ));
            }
        }
        Ok(())
    }

    fn keep(
        &mut self,
        new: Vec<Samples>,
        entry: BatchEntry,
        received_at: DateTime<Utc>,
        batch: &Batch,
    ) {
        let reported = batch
            .events
            .iter()
            .filter(|event| event.kind == EventKind::SessionEnd);
        let mut ends: Vec<i64> = reported.map(|event| event.after_seq).collect();
        if let Some(stored) = &mut self.stored {
            stored.ends.extend(&ends);
            stored.ends.sort_unstable();
            stored.ends.dedup();
            ends.clone_from(&stored.ends);
        }
        for run in new {
            let cuts = cut_points(&run, &ends, self.limits);
            for samples in parts(run, &cuts) {
                let whole = samples.count() == entry.count;
                self.add(NewSegment {
                    key: self.receipt.key,
                    digest: entry.digest,
                    merged: if whole { Vec::new() } else { vec![entry] },
                    samples,
                    form: Form::Delta,
                    received_at,
                });
            }
        }
        if let (false, Some(session), Some(last)) =
            (self.recut, &mut self.receipt.session, self.fresh.last())
        {
            session.span.last_seq = last.samples.last_seq();
            session.span.last_ms = last.samples.last_ms();
        }
    }

    /// Adds a run, joined to the one before where it goes on from there: then both extend the open
    /// session, and no cut lies between. Without numbers of its own a batch stays alone: it is known
    /// again by its digest.
    fn add(&mut self, next: NewSegment) {
        match self.fresh.last_mut() {
            Some(run)
                if !self.recut
                    && !self.receipt.weak
                    && run.samples.last_seq() + 1 == next.samples.first_seq
                    && run.samples.len() + next.samples.len() <= JOINED_MAX =>
            {
                let batches = next.batches();
                if run.merged.is_empty() {
                    run.merged = run.batches();
                }
                run.merged.extend(batches);
                run.merged.dedup();
                run.samples.append(&next.samples);
                run.received_at = next.received_at;
            }
            _ => self.fresh.push(next),
        }
    }

    /// The new runs, ready to be stored. A joined one is known by the list of its batches, whose
    /// digests are of its content.
    pub(crate) fn take_fresh(&mut self) -> Vec<NewSegment> {
        let mut fresh = std::mem::take(&mut self.fresh);
        for run in &mut fresh {
            if !run.merged.is_empty() {
                run.digest = digest_of(&codec::pack_list(&run.merged));
            }
        }
        fresh
    }

    fn note_clock(&mut self, batch: &Batch, received_at: DateTime<Utc>) {
        let receipt = &mut self.receipt;
        let offset = received_at.timestamp_millis() - batch.sent_ms;
        receipt.offset_ms = receipt.offset_ms.min(offset);
        receipt.oldest_held_seq = receipt.oldest_held_seq.max(batch.oldest_held_seq);
        receipt.last_received_at = receipt.last_received_at.max(received_at);
        let trust = |claim| match claim {
            ClockClaim::Synced => 0,
            ClockClaim::Unsynced => 1,
            ClockClaim::None => 2,
        };
        if trust(batch.clock) > trust(receipt.claim) {
            receipt.claim = batch.clock;
        }
        if let Some(claimed) = batch.claim_offset_ms {
            let first = *receipt.claim_offset_ms.get_or_insert(claimed);
            receipt.claim_drift_ms = receipt.claim_drift_ms.max((claimed - first).abs());
        }
    }

    /// A reported end that falls inside a stored run, which must be cut there.
    pub(crate) fn stored_to_cut(&self) -> Option<i64> {
        let stored = self.stored.as_ref()?;
        let inside = |end: &i64| {
            stored
                .spans
                .iter()
                .any(|span| (span.first_seq..span.last_seq).contains(end))
        };
        stored.ends.iter().copied().find(inside)
    }

    /// The parts a stored run falls into at the reported ends, instead of it.
    pub(crate) fn cut_stored(
        &mut self,
        segment: &Segment,
        received_at: DateTime<Utc>,
    ) -> Vec<NewSegment> {
        let whole = &segment.samples;
        let entries = segment.batches();
        let Some(stored) = &mut self.stored else {
            return Vec::new();
        };
        stored
            .spans
            .retain(|span| span.first_seq != whole.first_seq);
        let parts: Vec<NewSegment> = cut_points(whole, &stored.ends, self.limits)
            .into_iter()
            .map(|(from, to)| {
                let part = whole.slice(from, to);
                NewSegment {
                    key: self.receipt.key,
                    digest: part.digest(),
                    merged: entries.clone(),
                    samples: part,
                    form: Form::Delta,
                    received_at,
                }
            })
            .collect();
        stored
            .spans
            .extend(parts.iter().map(|part| Span::of(&part.samples)));
        stored.spans.sort_unstable_by_key(|span| span.first_seq);
        parts
    }

    /// The extended session, when no care was needed.
    pub(crate) fn extended(&self) -> Option<(Uuid, Span, DateTime<Utc>)> {
        let session = self
            .receipt
            .session
            .filter(|_| !self.recut && !self.fresh.is_empty())?;
        Some((session.id, session.span, self.wall(session.span.last_ms)))
    }

    /// Whether `moves` must be asked with the known sessions of the boot.
    pub(crate) fn recuts(&self) -> bool {
        self.recut
    }

    /// Cuts the boot into sessions anew and tells which rows change.
    pub(crate) fn moves(&mut self, group: Uuid, known: &[Known], now: DateTime<Utc>) -> Moves {
        let stored = self.stored.clone().unwrap_or_default();
        let mut spans = stored.spans;
        spans.extend(self.fresh.iter().map(|segment| Span::of(&segment.samples)));
        spans.sort_unstable_by_key(|span| span.first_seq);
        let sessions = partition(&spans, &stored.ends, self.limits);
        let mut moves = Moves::default();
        self.receipt.session = None;
        for bounds in &sessions {
            let id = self.place((group, now), bounds, known, &mut moves);
            self.receipt.session = bounds.closed_by.is_none().then_some(OpenSession {
                id,
                span: bounds.span,
            });
        }
        moves
    }

    fn place(
        &self,
        (group, now): (Uuid, DateTime<Utc>),
        bounds: &Bounds,
        known: &[Known],
        moves: &mut Moves,
    ) -> Uuid {
        let span = bounds.span;
        let mut inside = known
            .iter()
            .filter(|row| (span.first_seq..=span.last_seq).contains(&row.opened_seq));
        let key = self.receipt.key;
        let found = inside.next();
        let (id, opened_seq) = found.map_or_else(
            || {
                let parts = [
                    key.device.as_bytes().as_slice(),
                    &key.boot.to_le_bytes(),
                    &span.first_seq.to_le_bytes(),
                ];
                (ids::derived(group, "session", &parts), span.first_seq)
            },
            |row| (row.id, row.opened_seq),
        );
        moves.absorbed.extend(inside.map(|row| (row.id, id)));
        let same = found
            .is_some_and(|row| (row.first_seq, row.last_seq) == (span.first_seq, span.last_seq));
        let touched = self
            .fresh
            .iter()
            .any(|segment| (span.first_seq..=span.last_seq).contains(&segment.samples.first_seq));
        let ended = bounds.closed_by.is_some();
        let waits = found.is_some_and(|row| row.state == State::Open) && ended;
        if !same || touched || waits {
            let quiet = self.receipt.last_received_at
                + chrono::TimeDelta::milliseconds(self.limits.silence_ms);
            moves.looks.push((id, if ended { now } else { quiet }));
            moves.drafts.push(Draft {
                id,
                key,
                opened_seq,
                span,
                state: State::Open,
                ended,
                at: (self.wall(span.first_ms), self.wall(span.last_ms)),
                clock_quality: self.receipt.clock().1.as_str(),
                received_at: self.receipt.last_received_at,
            });
        }
        id
    }

    fn wall(&self, device_ms: i64) -> DateTime<Utc> {
        let at = self.receipt.clock().0.saturating_add(device_ms);
        DateTime::from_timestamp_millis(at).unwrap_or(self.receipt.last_received_at)
    }
}

/// The given ranges of some samples, which are all of them as a rule.
fn parts(samples: Samples, ranges: &[(i64, i64)]) -> Vec<Samples> {
    if ranges == [(samples.first_seq, samples.last_seq())] {
        return vec![samples];
    }
    ranges
        .iter()
        .map(|(from, to)| samples.slice(*from, *to))
        .collect()
}
