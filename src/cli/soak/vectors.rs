//! Bad input of a soak: what is sent, and what must become of it. Numbers are rows of the fault list.

use crate::edge::encoding::Encoding;
use crate::edge::{pb, wire};

/// What must become of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// Its bytes are in quarantine for this reason, and nothing of it is stored.
    Quarantined(&'static str),
    /// It is stored, but for what was refused for this reason; its bytes are in quarantine.
    InPart(&'static str),
    /// It is stored.
    Stored,
    /// The door does not take it at all: nothing of it is kept.
    NotTaken,
}

/// What is sent.
#[derive(Debug, Clone)]
pub(super) enum Content {
    /// A message of the contract.
    Batch(Box<pb::SampleBatch>),
    /// Bytes under the last level of a topic; only for MQTT.
    Bytes(&'static str, Vec<u8>),
}

/// One piece of bad input.
#[derive(Debug, Clone)]
pub(super) struct Vector {
    pub(super) row: u8,
    pub(super) name: &'static str,
    pub(super) content: Content,
    pub(super) fate: Fate,
    /// Samples under its numbers that an earlier one left, when it is refused itself.
    pub(super) before: usize,
}

/// Vectors whose numbers are held already.
const SAME_KEY: &str = "the same key, other content";
const HALF_AGAIN: &str = "half of its numbers again";
/// A year and a day, seconds.
const YEAR_S: i64 = 366 * 86_400;

/// Every vector, for a boot of its own; numbers count upwards so that none stands in another's way.
/// `good` makes a batch that begins at a number.
pub(super) fn all(now_s: i64, good: impl Fn(i64) -> pb::SampleBatch) -> Vec<Vector> {
    let mut vectors = Vec::new();
    let mut seq = 1;
    let mut next = || {
        seq += 60;
        good(seq)
    };
    bytes(&mut vectors, &mut next);
    numbers(&mut vectors);
    units(&mut vectors, &mut next);
    shapes(&mut vectors, &mut next);
    clocks(&mut vectors, &mut next, now_s);
    texts(&mut vectors, &mut next);
    too_many(&mut vectors, &mut next);
    vectors
}

fn add(list: &mut Vec<Vector>, row: u8, name: &'static str, (content, fate): (Content, Fate)) {
    list.push(Vector {
        row,
        name,
        content,
        fate,
        before: match name {
            SAME_KEY => 60,
            HALF_AGAIN => 30,
            _ => 0,
        },
    });
}

fn changed(mut batch: pb::SampleBatch, change: impl FnOnce(&mut pb::SampleBatch)) -> Content {
    change(&mut batch);
    Content::Batch(Box::new(batch))
}

fn bytes(list: &mut Vec<Vector>, next: &mut impl FnMut() -> pb::SampleBatch) {
    let malformed = Fate::Quarantined("MALFORMED_PAYLOAD");
    let packed = |batch: &pb::SampleBatch| Encoding::Protobuf.encode_batch(batch);
    let mut cut = packed(&next());
    cut.truncate(cut.len() - 7);
    add(
        list,
        56,
        "protobuf cut short",
        (Content::Bytes("pb", cut), malformed),
    );
    let garbled: Vec<u8> = packed(&next()).iter().map(|byte| byte ^ 0xa5).collect();
    add(
        list,
        56,
        "protobuf garbled",
        (Content::Bytes("pb", garbled), malformed),
    );
    let json = Encoding::Json.encode_batch(&next());
    add(
        list,
        56,
        "JSON under pb",
        (Content::Bytes("pb", json.clone()), malformed),
    );
    let mut cut = json;
    cut.truncate(cut.len() / 2);
    add(
        list,
        56,
        "JSON cut short",
        (Content::Bytes("json", cut), malformed),
    );
    let packed = packed(&next());
    add(
        list,
        56,
        "protobuf under json",
        (Content::Bytes("json", packed), malformed),
    );
    let unknown = Fate::Quarantined("UNSUPPORTED_CONTENT_TYPE");
    add(
        list,
        56,
        "an encoding nobody knows",
        (Content::Bytes("cbor", vec![0xa1]), unknown),
    );
}

fn numbers(list: &mut Vec<Vector>) {
    let malformed = Fate::Quarantined("MALFORMED_PAYLOAD");
    for (name, value) in [
        ("NaN", "NaN"),
        ("infinity", "Infinity"),
        ("1e400", "1e400"),
        ("1e131071", "1e131071"),
        ("a fraction", "12.5"),
    ] {
        let text = format!(
            "{{\"boot_id\": 1, \"first_seq\": 1, \"step_milliseconds\": [0], \
             \"voltage_millivolts\": [{value}]}}"
        );
        add(
            list,
            57,
            name,
            (Content::Bytes("json", text.into_bytes()), malformed),
        );
    }
    let deep = "[".repeat(10_000).into_bytes();
    add(
        list,
        57,
        "10,000 brackets deep",
        (Content::Bytes("json", deep), malformed),
    );
    let text = r#"{"boot_id": "9", "voltage_millivolts": [12000], "volts": [12]}"#;
    add(
        list,
        57,
        "a field nobody knows",
        (Content::Bytes("json", text.into()), malformed),
    );
    let text = r#"{"a\u0000b": 1}"#;
    add(
        list,
        61,
        "NUL in the name of a field",
        (Content::Bytes("json", text.into()), malformed),
    );
    let large = vec![b' '; 300_000];
    add(
        list,
        34,
        "a packet over the limit",
        (Content::Bytes("json", large), Fate::NotTaken),
    );
}

fn units(list: &mut Vec<Vector>, next: &mut impl FnMut() -> pb::SampleBatch) {
    let suspect = Fate::Quarantined("UNIT_SUSPECT");
    let thousandfold = |column: &mut Vec<i32>| column.iter_mut().for_each(|value| *value *= 1_000);
    let volts = changed(next(), |batch| thousandfold(&mut batch.voltage_millivolts));
    add(list, 58, "mV sent as V", (volts, suspect));
    let amperes = changed(next(), |batch| {
        batch.current_milliamperes = vec![2_000_000; batch.step_milliseconds.len()];
    });
    add(list, 58, "mA sent as A", (amperes, suspect));
    let out = Fate::InPart("VALUE_OUT_OF_RANGE");
    let volts = changed(next(), |batch| set(&mut batch.voltage_millivolts, 41_000));
    add(list, 59, "41 V once", (volts, out));
    let heat = changed(next(), |batch| {
        set(&mut batch.case_centidegrees_celsius, 50_000);
    });
    add(list, 59, "500 degC once", (heat, out));
    let volts = changed(next(), |batch| set(&mut batch.voltage_millivolts, 39_000));
    add(
        list,
        59,
        "39 V once: inside the gate",
        (volts, Fate::Stored),
    );
}

fn set(column: &mut [i32], value: i32) {
    if let Some(first) = column.first_mut() {
        *first = value;
    }
}

fn shapes(list: &mut Vec<Vector>, next: &mut impl FnMut() -> pb::SampleBatch) {
    let first = next();
    let other = changed(first.clone(), |batch| {
        set(&mut batch.voltage_millivolts, 11_111);
    });
    let kept = (Content::Batch(Box::new(first.clone())), Fate::Stored);
    add(list, 60, "a key for the first time", kept);
    add(
        list,
        60,
        SAME_KEY,
        (other, Fate::Quarantined("SEQ_CONFLICT")),
    );
    let shifted = changed(first, |batch| {
        batch.first_seq += 30;
        batch.start_milliseconds += 1;
    });
    add(
        list,
        60,
        HALF_AGAIN,
        (shifted, Fate::Quarantined("SEQ_CONFLICT")),
    );
    let back = changed(next(), |batch| batch.start_milliseconds = 0);
    let fate = Fate::Quarantined("TIME_NOT_ASCENDING");
    add(list, 60, "device time set back", (back, fate));
    let down = changed(next(), |batch| set(&mut batch.step_milliseconds, -5));
    add(list, 60, "device time falls in a batch", (down, fate));
    let short = changed(next(), |batch| {
        batch.voltage_millivolts.pop();
    });
    let fate = Fate::Quarantined("COLUMN_LENGTH_MISMATCH");
    add(list, 57, "a column too short", (short, fate));
    let empty = changed(next(), |batch| {
        *batch = pb::SampleBatch {
            boot_id: batch.boot_id,
            first_seq: batch.first_seq,
            ..pb::SampleBatch::default()
        };
    });
    add(
        list,
        57,
        "nothing in it",
        (empty, Fate::Quarantined("FIELD_MISSING")),
    );
    let negative = changed(next(), |batch| batch.first_seq = -1);
    add(
        list,
        57,
        "a negative number",
        (negative, Fate::Quarantined("FIELD_INVALID")),
    );
}

/// The last one: it covers the numbers of whatever would come after it.
fn too_many(list: &mut Vec<Vector>, next: &mut impl FnMut() -> pb::SampleBatch) {
    let many = changed(next(), |batch| {
        batch.step_milliseconds = vec![0; 3_601];
        batch.voltage_millivolts = vec![12_000; 3_601];
        batch.current_milliamperes.clear();
        batch.case_centidegrees_celsius.clear();
    });
    add(
        list,
        57,
        "3,601 samples",
        (many, Fate::Quarantined("TOO_MANY_SAMPLES")),
    );
}

fn clocks(list: &mut Vec<Vector>, next: &mut impl FnMut() -> pb::SampleBatch, now_s: i64) {
    let at = |batch: pb::SampleBatch, seconds: i64, clock: pb::ClockState| {
        changed(batch, |batch| {
            batch.clock = clock as i32;
            batch.start_time = Some(prost_types::Timestamp { seconds, nanos: 0 });
        })
    };
    let (synced, unsynced) = (pb::ClockState::Synced, pb::ClockState::Unsynced);
    let future = Fate::Quarantined("TIMESTAMP_IN_FUTURE");
    let year = at(next(), now_s + YEAR_S, synced);
    add(list, 53, "a set clock a year ahead", (year, future));
    let end = at(next(), i64::from(i32::MAX) + 1, synced);
    add(list, 53, "a set clock in 2038", (end, future));
    let old = at(next(), now_s - YEAR_S, synced);
    add(
        list,
        53,
        "a set clock a year behind",
        (old, Fate::Quarantined("TIMESTAMP_TOO_OLD")),
    );
    let boot = at(next(), 0, unsynced);
    add(list, 53, "an unset clock at 1970", (boot, Fate::Stored));
    let ahead = at(next(), now_s + YEAR_S, unsynced);
    add(
        list,
        53,
        "an unset clock a year ahead",
        (ahead, Fate::Stored),
    );
}

fn texts(list: &mut Vec<Vector>, next: &mut impl FnMut() -> pb::SampleBatch) {
    let mut event_seq = 0;
    let mut with = |batch: pb::SampleBatch, detail: &str| {
        event_seq += 1;
        changed(batch, |batch| {
            batch.events.push(pb::Event {
                event_seq,
                after_seq: batch.first_seq,
                time_milliseconds: batch.start_milliseconds,
                kind: pb::EventKind::Fault as i32,
                detail: detail.to_owned(),
                ..pb::Event::default()
            });
        })
    };
    let refused = Fate::InPart("TEXT_INVALID");
    for (name, text) in [
        ("NUL in a text", "over\0heat"),
        ("a text that turns its direction", "over\u{202e}heat"),
        ("a newline in a text", "over\nheat"),
    ] {
        add(list, 61, name, (with(next(), text), refused));
    }
    add(
        list,
        61,
        "a text of 200 bytes",
        (with(next(), &"x".repeat(200)), refused),
    );
    for (name, text) in [
        ("SQL in a text", "'; drop table rv.segment; --"),
        ("markup in a text", "<script>alert(1)</script>"),
        ("a formula in a text", "=cmd()|'/C calc'!A0"),
        ("a path in a text", "../../etc/passwd"),
    ] {
        add(list, 61, name, (with(next(), text), Fate::Stored));
    }
    let foreign = changed(next(), |batch| {
        batch.device_id = uuid::Uuid::nil().to_string();
    });
    add(
        list,
        38,
        "another device's id inside",
        (foreign, Fate::Quarantined("SHOP_MISMATCH")),
    );
}

/// The bytes of a vector as a device sends them, and the last level of their topic.
pub(super) fn message(vector: &Vector, encoding: Encoding) -> (String, Vec<u8>) {
    match &vector.content {
        Content::Bytes(level, bytes) => ((*level).to_owned(), bytes.clone()),
        Content::Batch(batch) => (encoding.level().to_owned(), encoding.encode_batch(batch)),
    }
}

/// What must be stored under a vector's numbers: (first number, how many numbers, how many samples).
pub(super) fn leaves(vector: &Vector) -> Option<(i64, usize, usize)> {
    let Content::Batch(batch) = &vector.content else {
        return None;
    };
    let raw = wire::raw_batch((**batch).clone()).ok()?;
    let numbers = raw.step_ms.len();
    let stored = match vector.fate {
        Fate::Stored | Fate::InPart(_) => numbers,
        Fate::Quarantined(_) | Fate::NotTaken => vector.before,
    };
    Some((raw.first_seq, numbers, stored))
}
