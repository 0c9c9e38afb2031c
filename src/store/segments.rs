//! Table `segment`: runs of samples as compressed columns.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use super::codec::{self, BatchEntry, Form};
use super::receipts::BootKey;
use crate::record::sample::{Channel, Digest, Samples};
use crate::record::session::Span;

/// A stored run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Segment {
    /// Its samples.
    pub samples: Samples,
    /// How its columns are written.
    pub form: Form,
    /// Batches it was made of; empty for a batch that stands as it came.
    pub merged: Vec<BatchEntry>,
    /// Digest of the batch or of the joined run.
    pub digest: Digest,
}

impl Segment {
    /// The batches in it.
    #[must_use]
    pub fn batches(&self) -> Vec<BatchEntry> {
        batches(&self.samples, self.digest, &self.merged)
    }
}

impl NewSegment {
    /// The batches in it.
    #[must_use]
    pub fn batches(&self) -> Vec<BatchEntry> {
        batches(&self.samples, self.digest, &self.merged)
    }
}

fn batches(samples: &Samples, digest: Digest, merged: &[BatchEntry]) -> Vec<BatchEntry> {
    if merged.is_empty() {
        let (first_seq, count) = (samples.first_seq, samples.count());
        vec![BatchEntry {
            first_seq,
            count,
            digest,
        }]
    } else {
        merged.to_vec()
    }
}

/// A run to be stored.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewSegment {
    /// Which boot.
    pub key: BootKey,
    /// Samples.
    pub samples: Samples,
    /// How to write the columns.
    pub form: Form,
    /// Digest of the batch they came in, or of the run.
    pub digest: Digest,
    /// Batches it replaces or is a part of; empty when it is a whole batch.
    pub merged: Vec<BatchEntry>,
    /// Arrival.
    pub received_at: DateTime<Utc>,
}

struct Row {
    first_seq: i64,
    digest: Vec<u8>,
    merged_list: Option<Vec<u8>>,
    payload: Vec<u8>,
}

impl TryFrom<Row> for Segment {
    type Error = Error;

    fn try_from(row: Row) -> Result<Self, Error> {
        let corrupt = |column| Error::corrupt("segment", column, row.first_seq);
        let samples = codec::decode(&row.payload).map_err(|_| corrupt("payload"))?;
        let form = codec::form(&row.payload).map_err(|_| corrupt("payload"))?;
        let merged = row
            .merged_list
            .as_deref()
            .map(codec::unpack_list)
            .transpose();
        let merged = merged
            .map_err(|_| corrupt("merged_list"))?
            .unwrap_or_default();
        let digest = Digest::try_from(row.digest.as_slice()).map_err(|_| corrupt("digest"))?;
        if samples.first_seq == row.first_seq {
            Ok(Self {
                samples,
                form,
                merged,
                digest,
            })
        } else {
            Err(corrupt("first_seq"))
        }
    }
}

/// Stores runs; keys must be new.
///
/// # Errors
/// `Refused` on a key that exists; database errors.
pub async fn insert(
    conn: &mut PgConnection,
    group: Uuid,
    segments: &[NewSegment],
) -> Result<(), Error> {
    let mut columns = Insert::default();
    for segment in segments {
        columns.push(segment)?;
    }
    sqlx::query!(
        "insert into rv.segment (group_id, device_id, boot_id, first_seq, sample_count, last_seq,
            first_ms, last_ms, digest, merged_list, v_min_mv, v_max_mv, i_max_ma, case_max_centi_c,
            payload, received_at)
        select $1, s.* from unnest($2::uuid[], $3::bigint[], $4::bigint[], $5::int[], $6::bigint[],
            $7::bigint[], $8::bigint[], $9::bytea[], $10::bytea[], $11::int[], $12::int[],
            $13::int[], $14::int[], $15::bytea[], $16::timestamptz[]) as s",
        group,
        &columns.device,
        &columns.boot,
        &columns.first_seq,
        &columns.count,
        &columns.last_seq,
        &columns.first_ms,
        &columns.last_ms,
        &columns.digest,
        &columns.merged as &[Option<Vec<u8>>],
        &columns.v_min as &[Option<i32>],
        &columns.v_max as &[Option<i32>],
        &columns.i_max as &[Option<i32>],
        &columns.case_max as &[Option<i32>],
        &columns.payload,
        &columns.received_at
    )
    .execute(conn)
    .await?;
    Ok(())
}

#[derive(Default)]
struct Insert {
    device: Vec<Uuid>,
    boot: Vec<i64>,
    first_seq: Vec<i64>,
    count: Vec<i32>,
    last_seq: Vec<i64>,
    first_ms: Vec<i64>,
    last_ms: Vec<i64>,
    digest: Vec<Vec<u8>>,
    merged: Vec<Option<Vec<u8>>>,
    v_min: Vec<Option<i32>>,
    v_max: Vec<Option<i32>>,
    i_max: Vec<Option<i32>>,
    case_max: Vec<Option<i32>>,
    payload: Vec<Vec<u8>>,
    received_at: Vec<DateTime<Utc>>,
}

impl Insert {
    fn push(&mut self, segment: &NewSegment) -> Result<(), Error> {
        let samples = &segment.samples;
        let payload = codec::encode(samples, segment.form)
            .map_err(|_| Error::corrupt("segment", "payload", samples.first_seq))?;
        let voltage = samples.range(Channel::Voltage);
        self.device.push(segment.key.device);
        self.boot.push(segment.key.boot);
        self.first_seq.push(samples.first_seq);
        self.count
            .push(i32::try_from(samples.len()).unwrap_or(i32::MAX));
        self.last_seq.push(samples.last_seq());
        self.first_ms.push(samples.first_ms());
        self.last_ms.push(samples.last_ms());
        self.digest.push(segment.digest.to_vec());
        self.merged
            .push((!segment.merged.is_empty()).then(|| codec::pack_list(&segment.merged)));
        self.v_min.push(voltage.map(|range| range.0));
        self.v_max.push(voltage.map(|range| range.1));
        self.i_max
            .push(samples.range(Channel::Current).map(|range| range.1));
        self.case_max
            .push(samples.range(Channel::Case).map(|range| range.1));
        self.payload.push(payload);
        self.received_at.push(segment.received_at);
        Ok(())
    }
}

/// Runs of one boot that touch `from..=to`, ascending.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn overlapping(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
    (from, to): (i64, i64),
) -> Result<Vec<Segment>, Error> {
    let rows = sqlx::query_as!(
        Row,
        "select first_seq, digest, merged_list, payload from rv.segment
        where group_id = $1 and device_id = $2 and boot_id = $3 and first_seq <= $5 and last_seq >= $4
        order by first_seq",
        group,
        key.device,
        key.boot,
        from,
        to
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Segment::try_from).collect()
}

/// Spans of one boot, ascending, without their values.
///
/// # Errors
/// Database errors.
pub async fn spans(conn: &mut PgConnection, group: Uuid, key: BootKey) -> Result<Vec<Span>, Error> {
    let rows = sqlx::query_as!(
        Span,
        "select first_seq, last_seq, first_ms, last_ms from rv.segment
        where group_id = $1 and device_id = $2 and boot_id = $3 order by first_seq",
        group,
        key.device,
        key.boot
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}

/// Digests of the batches of one boot that stand as they came or were merged, for weak devices.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn has_digest(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
    digest: &Digest,
) -> Result<bool, Error> {
    let rows = sqlx::query!(
        "select first_seq, digest, merged_list from rv.segment
        where group_id = $1 and device_id = $2 and boot_id = $3 and (digest = $4 or merged_list is not null)",
        group,
        key.device,
        key.boot,
        digest.as_slice()
    )
    .fetch_all(conn)
    .await?;
    for row in rows {
        if row.digest == digest {
            return Ok(true);
        }
        let list = codec::unpack_list(&row.merged_list.unwrap_or_default())
            .map_err(|_| Error::corrupt("segment", "merged_list", row.first_seq))?;
        if list.iter().any(|entry| entry.digest == *digest) {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Removes runs by their first numbers; only a merge or a cut that writes their content anew may.
///
/// # Errors
/// Database errors.
pub async fn delete(
    conn: &mut PgConnection,
    group: Uuid,
    key: BootKey,
    first_seqs: &[i64],
) -> Result<u64, Error> {
    let done = sqlx::query!(
        "delete from rv.segment
        where group_id = $1 and device_id = $2 and boot_id = $3 and first_seq = any($4)",
        group,
        key.device,
        key.boot,
        first_seqs
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected())
}
