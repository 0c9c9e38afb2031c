//! Closes a session that ended or fell silent: merge its segments, write its summary.
//!
//! Everything happens in one transaction under the lock of the boot's receipt, so intake of the
//! same boot waits and never sees half a merge. What was merged is read back and compared bit for
//! bit before the commit.

use chrono::{DateTime, TimeDelta, Utc};

use crate::analysis::charge::{ChargeIntegrator, ChargeRules, Point};
use crate::analysis::minutes::Minutes;
use crate::clock::Clock;
use crate::metrics;
use crate::record::sample::{Channel, Digest, Samples, digest_of};
use crate::record::session::{CloseReason, SessionLimits};
use crate::store::codec::Form;
use crate::store::receipts::{self, Receipt};
use crate::store::segments::{self, NewSegment, Segment};
use crate::store::sessions::{self, Close, Session, State};
use crate::store::summaries::{self, Summary};
use crate::store::work::{self, Job, Kind};
use crate::store::{Error, Store, Tx};

/// Version of what a summary computes.
const RULES_VERSION: &str = "summary-1";
/// Samples in one merged segment at most: bounds what one read decodes.
const MERGED_MAX: usize = 65_536;

/// Looks at a session and closes it when it is due, else comes back later.
pub(super) async fn run(store: &Store, clock: &Clock, job: Job) -> Result<(), Error> {
    let mut tx = store.begin(job.group).await?;
    let Some(found) = sessions::find(&mut tx, job.group, job.session).await? else {
        work::finish(&mut tx, job, None, None).await?;
        return tx.commit().await;
    };
    let now = clock.now();
    let fresh = Receipt::fresh(found.key, now);
    let receipt = receipts::lock(&mut tx, job.group, &[fresh])
        .await?
        .into_iter()
        .next();
    let found = sessions::find(&mut tx, job.group, job.session).await?;
    let (Some(mut receipt), Some(session)) = (receipt, found) else {
        return Err(Error::corrupt("session", "session_id", job.session));
    };
    let again = match due(&mut tx, job, &session, now).await? {
        Err(again) => again,
        Ok(reason) => {
            if session.dirty {
                close(&mut tx, job, &session, (&receipt, reason), now).await?;
                metrics::count_closed(reason.as_str());
            }
            if receipt
                .session
                .is_some_and(|open| open.id == session.session_id)
            {
                receipt.session = None;
                receipts::update(&mut tx, job.group, std::slice::from_ref(&receipt)).await?;
            }
            None
        }
    };
    work::finish(&mut tx, job, again, None).await?;
    tx.commit().await
}

/// Why the session is due, or when to look again; `Err(None)` = never.
async fn due(
    tx: &mut Tx,
    job: Job,
    session: &Session,
    now: DateTime<Utc>,
) -> Result<Result<CloseReason, Option<DateTime<Utc>>>, Error> {
    if session.state == State::Absorbed {
        return Ok(Err(None));
    }
    if session.ended {
        let later = sessions::of_boot(tx, job.group, session.key).await?;
        let followed = later
            .iter()
            .any(|other| other.first_seq > session.span.last_seq);
        let ends = crate::store::events::ends(tx, job.group, session.key).await?;
        let reported = ends.iter().any(|end| *end >= session.span.last_seq);
        let reason = match (reported, followed) {
            (false, true) => CloseReason::NextSession,
            _ => CloseReason::SessionEnd,
        };
        return Ok(Ok(reason));
    }
    let limits = SessionLimits::of(session.kind);
    if session.span.last_ms - session.span.first_ms >= limits.length_ms {
        return Ok(Ok(CloseReason::LengthLimit));
    }
    let quiet_at = session.last_received_at + TimeDelta::milliseconds(limits.silence_ms);
    Ok(if now >= quiet_at {
        Ok(CloseReason::Silence)
    } else {
        Err(Some(quiet_at))
    })
}

async fn close(
    tx: &mut Tx,
    job: Job,
    session: &Session,
    (receipt, reason): (&Receipt, CloseReason),
    now: DateTime<Utc>,
) -> Result<(), Error> {
    let (from, to) = (session.span.first_seq, session.span.last_seq);
    let found = segments::overlapping(tx, job.group, session.key, (from, to)).await?;
    let merged = merge(session, &found);
    let loose = found.iter().any(|segment| segment.form == Form::Delta);
    if loose || merged.len() < found.len() {
        rewrite(tx, job, session, (&found, &merged)).await?;
    }
    let runs: Vec<&Samples> = merged.iter().map(|segment| &segment.samples).collect();
    let sample_count: i64 = runs.iter().map(|run| run.count()).sum();
    let expected = (to - from + 1) as f64;
    let completeness = (!receipt.weak).then(|| sample_count as f64 / expected);
    let close = Close {
        reason,
        sample_count,
        completeness,
    };
    let revision = sessions::close(tx, job.group, session.session_id, close, now).await?;
    let key = (session.session_id, revision);
    summaries::insert(tx, job.group, key, &summarize(&runs)).await?;
    let mut minutes = Minutes::default();
    for run in &runs {
        minutes.add(run);
    }
    let hours = minutes.finish();
    summaries::replace_hours(tx, job.group, session.session_id, &hours).await?;
    // The watch sums the charge up; for a meter it finds the charge it rode along with.
    let watched = [session.session_id];
    work::schedule(tx, Kind::WatchRun, job.group, &watched, &[now]).await
}

/// Joins runs that follow directly, up to `MERGED_MAX` samples, each with the list of its batches.
fn merge(session: &Session, found: &[Segment]) -> Vec<NewSegment> {
    let mut merged: Vec<NewSegment> = Vec::new();
    for segment in found {
        let entries = segment.batches();
        match merged.last_mut() {
            Some(run)
                if run.samples.last_seq() + 1 == segment.samples.first_seq
                    && run.samples.len() + segment.samples.len() <= MERGED_MAX =>
            {
                run.samples.append(&segment.samples);
                run.merged.extend(entries);
            }
            _ => merged.push(NewSegment {
                key: session.key,
                samples: segment.samples.clone(),
                form: Form::Packed,
                digest: segment.digest,
                merged: entries,
                received_at: session.last_received_at,
            }),
        }
    }
    for run in &mut merged {
        run.merged.dedup();
        run.digest = run.samples.digest();
    }
    merged
}

/// Replaces the found segments by the merged ones and reads them back.
async fn rewrite(
    tx: &mut Tx,
    job: Job,
    session: &Session,
    (found, merged): (&[Segment], &[NewSegment]),
) -> Result<(), Error> {
    let first_seqs: Vec<i64> = found
        .iter()
        .map(|segment| segment.samples.first_seq)
        .collect();
    segments::delete(tx, job.group, session.key, &first_seqs).await?;
    segments::insert(tx, job.group, merged).await?;
    let bounds = (session.span.first_seq, session.span.last_seq);
    let read = segments::overlapping(tx, job.group, session.key, bounds).await?;
    let same = read.len() == merged.len()
        && read.iter().zip(merged).all(|(read, row)| {
            read.samples == row.samples && read.merged == row.merged && read.digest == row.digest
        });
    if same {
        Ok(())
    } else {
        Err(Error::corrupt("segment", "payload", session.session_id))
    }
}

fn summarize(runs: &[&Samples]) -> Summary {
    let mut integrator = ChargeIntegrator::new(ChargeRules::default());
    let unit = |value: Option<i32>, scale: f64| value.map(|value| f64::from(value) / scale);
    for run in runs {
        let values = run
            .channel(Channel::Voltage)
            .zip(run.channel(Channel::Current));
        for (time_ms, (voltage, current)) in run.time_ms.iter().zip(values) {
            integrator.push(Point {
                time_ms: *time_ms,
                voltage_v: unit(voltage, 1000.0),
                current_a: unit(current, 1000.0),
            });
        }
    }
    let charge = integrator.finish();
    let ranges = runs.iter().filter_map(|run| run.range(Channel::Case));
    let case = ranges.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)));
    let measured = charge.i_max.is_some();
    Summary {
        rules_version: RULES_VERSION.to_owned(),
        input_digest: digest_runs(runs),
        start_v: charge.start_v,
        v_range: charge.v_min.zip(charge.v_max),
        i_max_a: charge.i_max,
        charge_ah: measured.then_some((charge.ah_net(), charge.ah_net_low, charge.ah_net_high)),
        discharge_ah: measured.then_some(charge.ah_out),
        energy_wh: measured.then_some(charge.wh_net()),
        case_range_c: case.map(|(low, high)| (f64::from(low) / 100.0, f64::from(high) / 100.0)),
        observed_s: charge.observed_ms as f64 / 1000.0,
        unknown_s: charge.unknown_ms as f64 / 1000.0,
    }
}

/// One digest over all samples, the same however they are cut into segments.
fn digest_runs(runs: &[&Samples]) -> Digest {
    let mut whole: Vec<u8> = Vec::new();
    let mut joined = Samples::default();
    for run in runs {
        if joined.is_empty() || joined.last_seq() + 1 == run.first_seq {
            joined.append(run);
        } else {
            whole.extend_from_slice(&joined.digest());
            joined = (*run).clone();
        }
    }
    whole.extend_from_slice(&joined.digest());
    digest_of(&whole)
}
