//! Samples as bytes: cheap varints while a session is open, pco once it is merged.
//!
//! Layout: form (1 byte), first number, count, presence mask of the channels, then the time column
//! and each present channel as length-prefixed blobs. Decoding gives back exactly what was encoded,
//! and never panics on foreign bytes.

use pco::ChunkConfig;

use crate::record::sample::{Channel, Columns, Digest, MISSING, Samples};

/// How the columns are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// Differences as varints: a few microseconds per batch.
    Delta,
    /// pco: a tenth of the bytes, for long runs.
    Packed,
}

/// Stored bytes that cannot be read; names the part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("stored samples are not readable: {0}")]
pub struct Unreadable(&'static str);

/// One batch that a merged segment replaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BatchEntry {
    /// First sequence number.
    pub first_seq: i64,
    /// Samples.
    pub count: i64,
    /// Digest of its content.
    pub digest: Digest,
}

const DELTA: u8 = 1;
const PACKED: u8 = 2;
const LEVEL: usize = 8;

/// Encodes samples.
///
/// # Errors
/// Only when the compressor refuses its input, which no column here can cause.
pub fn encode(samples: &Samples, form: Form) -> Result<Vec<u8>, Unreadable> {
    let mut out = Vec::with_capacity(samples.len() * 6 + 32);
    out.push(if form == Form::Delta { DELTA } else { PACKED });
    put_varint(&mut out, samples.first_seq);
    put_varint(&mut out, samples.count());
    let mask = Channel::ALL
        .iter()
        .enumerate()
        .fold(0u8, |mask, (bit, channel)| {
            if samples.columns.get(*channel).is_empty() {
                mask
            } else {
                mask | 1 << bit
            }
        });
    out.push(mask);
    put_column(&mut out, &samples.time_ms, form)?;
    for channel in Channel::ALL {
        let column = samples.columns.get(channel);
        if !column.is_empty() {
            put_channel(&mut out, column, form)?;
        }
    }
    Ok(out)
}

/// Decodes samples.
///
/// # Errors
/// `Unreadable` when the bytes were not written by `encode`.
pub fn decode(bytes: &[u8]) -> Result<Samples, Unreadable> {
    let form = form(bytes)?;
    let mut input = bytes;
    take_byte(&mut input)?;
    let first_seq = take_varint(&mut input)?;
    let count = usize::try_from(take_varint(&mut input)?).map_err(|_| Unreadable("count"))?;
    let mask = take_byte(&mut input)?;
    let time_ms = take_column(&mut input, form, count)?;
    let mut columns = Columns::default();
    for (bit, channel) in Channel::ALL.iter().enumerate() {
        if mask & 1 << bit != 0 {
            *columns.get_mut(*channel) = take_channel(&mut input, form, count)?;
        }
    }
    if input.is_empty() {
        Ok(Samples {
            first_seq,
            time_ms,
            columns,
        })
    } else {
        Err(Unreadable("trailing bytes"))
    }
}

/// How stored bytes are written, without reading them.
///
/// # Errors
/// `Unreadable` when the bytes were not written by `encode`.
pub fn form(bytes: &[u8]) -> Result<Form, Unreadable> {
    match bytes.first() {
        Some(&DELTA) => Ok(Form::Delta),
        Some(&PACKED) => Ok(Form::Packed),
        _ => Err(Unreadable("form")),
    }
}

/// Packs the list of batches a merge replaced.
#[must_use]
pub fn pack_list(entries: &[BatchEntry]) -> Vec<u8> {
    let mut out = Vec::with_capacity(entries.len() * 19 + 8);
    let mut next = 0;
    for entry in entries {
        put_varint(&mut out, entry.first_seq - next);
        put_varint(&mut out, entry.count);
        out.extend_from_slice(&entry.digest);
        next = entry.first_seq + entry.count;
    }
    out
}

/// Reads the list back.
///
/// # Errors
/// `Unreadable` when the bytes were not written by `pack_list`.
pub fn unpack_list(bytes: &[u8]) -> Result<Vec<BatchEntry>, Unreadable> {
    let mut input = bytes;
    let mut entries = Vec::new();
    let mut next = 0i64;
    while !input.is_empty() {
        let first_seq = next.wrapping_add(take_varint(&mut input)?);
        let count = take_varint(&mut input)?;
        let (digest, rest) = input
            .split_first_chunk::<16>()
            .ok_or(Unreadable("digest"))?;
        input = rest;
        entries.push(BatchEntry {
            first_seq,
            count,
            digest: *digest,
        });
        next = first_seq.wrapping_add(count);
    }
    Ok(entries)
}

/// Holes are written as a bitmap and left out of the values: a sentinel would spoil compression.
fn put_channel(out: &mut Vec<u8>, column: &[i32], form: Form) -> Result<(), Unreadable> {
    let holes = column.iter().filter(|value| **value == MISSING).count();
    put_varint(out, i64::try_from(holes).unwrap_or(0));
    let values: Vec<i64> = column
        .iter()
        .filter(|value| **value != MISSING)
        .map(|value| i64::from(*value))
        .collect();
    if holes > 0 {
        for eight in column.chunks(8) {
            out.push(eight.iter().enumerate().fold(0, |byte, (bit, value)| {
                if *value == MISSING {
                    byte
                } else {
                    byte | 1 << bit
                }
            }));
        }
    }
    put_column(out, &values, form)
}

fn take_channel(input: &mut &[u8], form: Form, count: usize) -> Result<Vec<i32>, Unreadable> {
    let holes = usize::try_from(take_varint(input)?).map_err(|_| Unreadable("holes"))?;
    let narrow = |value: i64| i32::try_from(value).map_err(|_| Unreadable("value"));
    if holes == 0 {
        return take_column(input, form, count)?
            .into_iter()
            .map(narrow)
            .collect();
    }
    let bitmap = take_bytes(input, count.div_ceil(8))?;
    let present = count.checked_sub(holes).ok_or(Unreadable("holes"))?;
    let mut values = take_column(input, form, present)?.into_iter();
    let bits = bitmap
        .iter()
        .flat_map(|byte| (0..8).map(move |bit| byte & 1 << bit != 0));
    bits.take(count)
        .map(|set| {
            if set {
                narrow(values.next().ok_or(Unreadable("bitmap"))?)
            } else {
                Ok(MISSING)
            }
        })
        .collect()
}

fn put_column(out: &mut Vec<u8>, values: &[i64], form: Form) -> Result<(), Unreadable> {
    match form {
        Form::Delta => {
            let mut last = 0i64;
            for value in values {
                put_varint(out, value.wrapping_sub(last));
                last = *value;
            }
        }
        Form::Packed => {
            let config = ChunkConfig::default().with_compression_level(LEVEL);
            let blob = pco::standalone::simple_compress(values, &config)
                .map_err(|_| Unreadable("compressor"))?;
            put_varint(out, i64::try_from(blob.len()).unwrap_or(0));
            out.extend_from_slice(&blob);
        }
    }
    Ok(())
}

fn take_column(input: &mut &[u8], form: Form, count: usize) -> Result<Vec<i64>, Unreadable> {
    match form {
        Form::Delta => {
            if count > input.len() {
                return Err(Unreadable("count"));
            }
            let mut last = 0i64;
            (0..count)
                .map(|_| {
                    last = last.wrapping_add(take_varint(input)?);
                    Ok(last)
                })
                .collect()
        }
        Form::Packed => {
            let length = usize::try_from(take_varint(input)?).map_err(|_| Unreadable("length"))?;
            let blob = take_bytes(input, length)?;
            let values: Vec<i64> = pco::standalone::simple_decompress(blob)
                .map_err(|_| Unreadable("compressed column"))?;
            if values.len() == count {
                Ok(values)
            } else {
                Err(Unreadable("column length"))
            }
        }
    }
}

/// Zigzag varint: small numbers of either sign in few bytes.
fn put_varint(out: &mut Vec<u8>, value: i64) {
    let mut rest = ((value << 1) ^ (value >> 63)).cast_unsigned();
    while rest >= 0x80 {
        out.push((rest & 0x7f) as u8 | 0x80);
        rest >>= 7;
    }
    out.push((rest & 0x7f) as u8);
}

fn take_varint(input: &mut &[u8]) -> Result<i64, Unreadable> {
    let mut value = 0u64;
    for shift in (0..64).step_by(7) {
        let byte = take_byte(input)?;
        value |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Ok((value >> 1).cast_signed() ^ -(value & 1).cast_signed());
        }
    }
    Err(Unreadable("varint"))
}

fn take_byte(input: &mut &[u8]) -> Result<u8, Unreadable> {
    let (byte, rest) = input.split_first().ok_or(Unreadable("end"))?;
    *input = rest;
    Ok(*byte)
}

fn take_bytes<'a>(input: &mut &'a [u8], count: usize) -> Result<&'a [u8], Unreadable> {
    let (taken, rest) = input.split_at_checked(count).ok_or(Unreadable("end"))?;
    *input = rest;
    Ok(taken)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn samples() -> impl Strategy<Value = Samples> {
        let value = prop_oneof![3 => any::<i32>(), 1 => Just(MISSING)];
        (
            1i64..1 << 50,
            0i64..1 << 50,
            prop::collection::vec((0i32..i32::MAX, value), 1..200),
            0u8..32,
        )
            .prop_map(|(first_seq, start, rows, mask)| {
                let mut now = start;
                let mut run = Samples {
                    first_seq,
                    ..Samples::default()
                };
                for (step, _) in &rows {
                    now += i64::from(*step);
                    run.time_ms.push(now);
                }
                for (bit, channel) in Channel::ALL.iter().enumerate() {
                    if mask & 1 << bit != 0 {
                        *run.columns.get_mut(*channel) = rows.iter().map(|row| row.1).collect();
                    }
                }
                run
            })
    }

    proptest! {
        #[test]
        fn what_goes_in_comes_out_in_either_form(run in samples()) {
            for form in [Form::Delta, Form::Packed] {
                prop_assert_eq!(&decode(&encode(&run, form).unwrap()).unwrap(), &run);
            }
        }

        #[test]
        fn foreign_bytes_are_refused_and_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = unpack_list(&bytes);
            if let Ok(run) = decode(&bytes) {
                prop_assert_eq!(run.time_ms.len(), run.len());
            }
        }

        #[test]
        fn a_cut_or_flipped_payload_is_never_taken_for_other_samples(run in samples(), at in 0usize..4000) {
            let whole = encode(&run, Form::Delta).unwrap();
            let cut = whole.get(..at % whole.len()).unwrap();
            prop_assert!(decode(cut).is_err());
        }

        #[test]
        fn batch_lists_round_trip(rows in prop::collection::vec((1i64..1 << 40, 1i64..5000, any::<[u8; 16]>()), 0..40)) {
            let entries: Vec<BatchEntry> = rows.into_iter()
                .map(|(first_seq, count, digest)| BatchEntry { first_seq, count, digest }).collect();
            prop_assert_eq!(unpack_list(&pack_list(&entries)).unwrap(), entries);
        }
    }
}
