//! What remains of a charge: the same analysis over the whole run, as a row that is never changed.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::facts::{self, Facts};
use super::follow::{hand_on, withdraw};
use super::voices::{self, Found};
use super::write::{self, Book};
use super::{Looked, Told};
use crate::analysis::context::Context;
use crate::analysis::rules::Rules;
use crate::analysis::run::{self, Closing};
use crate::record::run::{Run, Voice};
use crate::record::sample::{Digest, digest_of};
use crate::record::words::DeviceKind;
use crate::store::checkpoints::{self, Checkpoint};
use crate::store::run_summaries::{self, NewSummary};
use crate::store::sessions::{self, Session, State};
use crate::store::work::{self, Job};
use crate::store::{Error, Store, Tx, claims};

/// A charge analyzed, and the digest of all it was made from.
struct Analyzed {
    digest: Digest,
    closing: Closing,
}

/// Sums a run up whose leading session is closed, in one transaction under its job.
///
/// The job is locked before anything is read: what comes later schedules it again. Whoever does waits
/// for the lock, so the long part, the analysis, is done before it: it is used when what it was made
/// from still stands under the lock, and done again when not.
pub(super) async fn close(
    store: &Store,
    (job, now): (Job, DateTime<Utc>),
    told: &Told,
) -> Result<Looked, Error> {
    let ahead = ahead(store, job).await?;
    let mut tx = store.begin(job.group).await?;
    if !work::hold(&mut tx, job).await? {
        tx.rollback().await?;
        return Ok(Looked::Lost);
    }
    let lead = sessions::find(&mut tx, job.group, job.session).await?;
    let Some(lead) = lead.as_ref().filter(|lead| lead.state != State::Absorbed) else {
        withdraw(&mut tx, (job, lead.as_ref()), told, now).await?;
        work::finish(&mut tx, job, None, None).await?;
        tx.commit().await?;
        return Ok(Looked::Over);
    };
    if lead.is_open() || lead.dirty {
        tx.rollback().await?;
        return Ok(Looked::Goes);
    }
    let kind = lead.kind;
    let found = voices::find(&mut tx, lead.clone()).await?;
    if kind == DeviceKind::Charger {
        sum_up(&mut tx, (&found, lead, told), ahead, now).await?;
        work::finish(&mut tx, job, None, None).await?;
    } else {
        hand_on(&mut tx, job, &found, now).await?;
    }
    tx.commit().await?;
    Ok(Looked::Over)
}

/// The analysis as things stand without a lock; `None` when there is none to be made.
async fn ahead(store: &Store, job: Job) -> Result<Option<Analyzed>, Error> {
    let mut tx = store.begin(job.group).await?;
    let lead = sessions::find(&mut tx, job.group, job.session).await?;
    let closed = |lead: &Session| {
        lead.kind == DeviceKind::Charger
            && lead.state != State::Absorbed
            && !lead.is_open()
            && !lead.dirty
    };
    let Some(lead) = lead.filter(closed) else {
        tx.rollback().await?;
        return Ok(None);
    };
    let found = voices::find(&mut tx, lead.clone()).await?;
    let Facts { context, rules, .. } = facts::of(&mut tx, job.session, lead.shop_id).await?;
    let whole = found.load(&mut tx).await?;
    let digest = digest(&whole, &context, &rules);
    let before = run_summaries::newest(&mut tx, job.group, job.session).await?;
    tx.rollback().await?;
    if before.is_some_and(|before| before.input_digest == digest) {
        return Ok(None);
    }
    let closing = run::close(&whole, &rules, &context);
    Ok(Some(Analyzed { digest, closing }))
}

async fn sum_up(
    tx: &mut Tx,
    (found, lead, told): (&Found, &Session, &Told),
    ahead: Option<Analyzed>,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    let group = tx.group();
    let session = lead.session_id;
    let Facts {
        attempt,
        context,
        rules,
    } = facts::of(tx, session, lead.shop_id).await?;
    let whole = found.load(tx).await?;
    let digest = digest(&whole, &context, &rules);
    let before = run_summaries::newest(tx, group, session).await?;
    if before
        .as_ref()
        .is_some_and(|before| before.input_digest == digest)
    {
        return Ok(());
    }
    let closing = match ahead.filter(|ahead| ahead.digest == digest) {
        Some(ahead) => ahead.closing,
        None => run::close(&whole, &rules, &context),
    };
    let mut book = Book::open(tx, session).await?;
    if let Some(before) = &before {
        book.revision = book.revision.max(before.revision) + 1;
    }
    book.revision = book.revision.max(1);
    let body = serde_json::to_string(&closing);
    let summary = NewSummary {
        session_id: session,
        revision: book.revision,
        input_digest: digest,
        attempt_id: attempt,
        closing: &closing,
        body: &body.map_err(|error| Error::Misfit(error.to_string()))?,
        made_at: now,
    };
    run_summaries::insert(tx, group, &summary).await?;
    let about = write::Run {
        session,
        device: lead.key.device,
        start_at: lead.start_at,
        attempt,
    };
    book.write(tx, (&about, told), (&closing.report, true), now)
        .await?;
    let claimed_before = before.and_then(|before| before.attempt_id);
    if let Some(old) = claimed_before.filter(|old| Some(*old) != attempt) {
        checkpoints::replace_of_trace(tx, group, old, &[]).await?;
    }
    match attempt {
        Some(attempt) => keep_checkpoints(tx, (attempt, lead), &closing).await,
        None => Ok(()),
    }
}

/// Keeps the features at fixed hours with the attempt; the first charge of an attempt counts.
async fn keep_checkpoints(
    tx: &mut Tx,
    (attempt, lead): (Uuid, &Session),
    closing: &Closing,
) -> Result<(), Error> {
    let group = tx.group();
    for claim in claims::of_attempt(tx, group, attempt).await? {
        if claim.revoked_at.is_some() || claim.session_id == lead.session_id {
            continue;
        }
        let other = sessions::find(tx, group, claim.session_id).await?;
        let earlier = |other: &Session| {
            other.kind == DeviceKind::Charger
                && other.state != State::Absorbed
                && other.start_at < lead.start_at
        };
        if other.as_ref().is_some_and(earlier) {
            return Ok(());
        }
    }
    let features = closing.report.checkpoints.iter().map(|one| Checkpoint {
        attempt_id: attempt,
        at_h: one.hours,
        accept_c: one.accept_c,
        dv: one.dv_v,
        temp_rise_c: one.temp_rise_k,
    });
    let features: Vec<Checkpoint> = features.collect();
    checkpoints::replace_of_trace(tx, group, attempt, &features).await
}

/// Digest of everything a summary is made from.
fn digest(whole: &Run, context: &Context, rules: &Rules) -> Digest {
    let mut bytes = Vec::new();
    let mut add = |voice: &Voice| {
        bytes.extend_from_slice(voice.member.place.session.as_bytes());
        bytes.extend_from_slice(&voice.member.offset_ms.to_le_bytes());
        for piece in &voice.pieces {
            bytes.extend_from_slice(&piece.digest());
        }
    };
    add(&whole.lead);
    whole.others.iter().for_each(add);
    let about = format!(
        "{} {:?} {:?} {context:?}",
        rules.version(),
        whole.from_ms,
        whole.until_ms
    );
    bytes.extend_from_slice(about.as_bytes());
    digest_of(&bytes)
}
