//! Journals written, torn, damaged, compacted.

use proptest::prelude::*;

use super::*;
use crate::alarm::state::{Alarm, Open};

fn source(device: u128) -> Source {
    Source {
        group: Uuid::from_u128(9),
        device: Uuid::from_u128(device),
    }
}

fn origin() -> impl Strategy<Value = Option<Origin>> {
    prop_oneof![
        Just(None),
        any::<[i64; 3]>().prop_map(|[boot, number, device_ms]| Some(Origin::Sent {
            boot,
            number,
            device_ms
        })),
        (any::<u128>(), any::<i64>()).prop_map(|(run, since_ms)| Some(Origin::Found {
            run: Uuid::from_u128(run),
            since_ms
        })),
    ]
}

fn step() -> impl Strategy<Value = Step> {
    let kind = prop::sample::select(Kind::ALL);
    let edge = prop::sample::select(Edge::ALL);
    prop_oneof![
        4 => (kind.clone(), edge, any::<Option<i64>>(), any::<[i64; 3]>(), origin()).prop_map(
            |(kind, edge, value, [at_ms, first_ms, last_ms], origin)| {
                Step::Condition(Condition { kind, edge, value, at_ms, first_ms, last_ms, origin })
            }
        ),
        1 => (kind.clone(), "[a-zé ]{1,40}", any::<i64>())
            .prop_map(|(kind, by, at_ms)| Step::Acknowledge(kind, Acknowledgement { by, at_ms })),
        1 => (kind, "[a-z]{1,20}", "\\PC{1,30}", any::<i64>(), any::<i64>()).prop_map(
            |(kind, by, reason, at_ms, until_ms)| {
                Step::Shelve(kind, Shelf { by, reason, at_ms, until_ms })
            }
        ),
    ]
}

fn records() -> impl Strategy<Value = Vec<Record>> {
    let record = (0_u128..3, step()).prop_map(|(device, step)| Record {
        source: source(device),
        step,
    });
    prop::collection::vec(record, 1..20)
}

fn file(records: &[Record]) -> Vec<u8> {
    let mut bytes = Vec::new();
    for record in records {
        record.encode(&mut bytes);
    }
    bytes
}

fn condition(kind: Kind, edge: Edge, value: i64, at_ms: i64) -> Record {
    Record {
        source: source(1),
        step: Step::Condition(Condition::new(kind, edge, Some(value), at_ms)),
    }
}

proptest! {
    #[test]
    fn what_was_written_is_read_back(records in records()) {
        let bytes = file(&records);
        let found = recover(&bytes);
        prop_assert_eq!(&found.records, &records);
        prop_assert_eq!(found.valid_bytes, bytes.len());
        prop_assert_eq!((found.skipped_bytes, found.torn_bytes), (0, 0));
        for (a, b) in records.iter().zip(&found.records) {
            prop_assert_eq!(a.id(), b.id());
        }
    }

    // Every place at which the power may go.
    #[test]
    fn a_torn_tail_costs_only_the_record_it_belongs_to(records in records(), cut in any::<prop::sample::Index>()) {
        let bytes = file(&records);
        let cut = cut.index(bytes.len());
        let whole = records.iter().scan(0, |end, record| {
            *end += file(std::slice::from_ref(record)).len();
            Some(*end)
        });
        let whole = whole.take_while(|end| *end <= cut).count();
        let found = recover(&bytes[..cut]);
        prop_assert_eq!(&found.records[..], &records[..whole]);
        prop_assert_eq!(found.valid_bytes + found.torn_bytes, cut);
        prop_assert_eq!(found.skipped_bytes, 0);
    }

    #[test]
    fn a_damaged_byte_costs_one_record(records in records(), place in any::<prop::sample::Index>(), flip in 1_u8..) {
        let mut bytes = file(&records);
        let place = place.index(bytes.len());
        bytes[place] ^= flip;
        let found = recover(&bytes);
        prop_assert_eq!(found.records.len(), records.len() - 1);
        prop_assert!(found.records.iter().all(|record| records.contains(record)));
    }

    #[test]
    fn nothing_that_lies_on_a_disk_makes_it_fail(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let found = recover(&bytes);
        prop_assert_eq!(found.records, vec![]);
        prop_assert_eq!(found.torn_bytes, bytes.len());
    }

    // Replayed through the life cycle, a compacted journal gives the same alarms.
    #[test]
    fn a_compacted_journal_leads_to_the_same_alarms(
        steps in prop::collection::vec((0..3, any::<bool>(), 0_i64..9_000), 1..30),
    ) {
        let kinds = [Kind::OverTemperature, Kind::TemperatureRise];
        let records: Vec<Record> = (1_i64..)
            .zip(&steps)
            .map(|(at_ms, (what, latching, value))| {
                let kind = kinds[usize::from(*latching)];
                match what {
                    0 => condition(kind, Edge::On, *value, at_ms),
                    1 => condition(kind, Edge::Off, 0, at_ms),
                    _ => {
                        let by = "J. Brack".to_owned();
                        let seen = Acknowledgement { by, at_ms };
                        Record { source: source(1), step: Step::Acknowledge(kind, seen) }
                    }
                }
            })
            .collect();
        let compacted = compact(&records, &BTreeSet::new());
        prop_assert!(compacted.len() <= records.len());
        let (each, less) = (replay(&records), replay(&compacted));
        for kind in kinds {
            let state = |open: &Open| open.find(source(1), kind).map(|alarm| alarm.state);
            prop_assert_eq!(state(&each), state(&less));
        }
    }
}

fn replay(records: &[Record]) -> Open {
    let mut open = Open::default();
    for record in records {
        match &record.step {
            Step::Condition(condition) => {
                open.apply(record.source, condition);
            }
            Step::Acknowledge(kind, seen) => {
                let act = |alarm: &mut Alarm| alarm.acknowledge(&seen.by, seen.at_ms);
                let _ = open.act(record.source, *kind, act);
            }
            Step::Shelve(kind, shelf) => {
                let _ = open.act(record.source, *kind, |alarm| alarm.shelve(shelf.clone()));
            }
        }
    }
    open
}

#[test]
fn a_record_replayed_twice_has_one_id_and_another_content_another() {
    let one = condition(Kind::OverVoltage, Edge::On, 16_300, 5);
    assert_eq!(one.id(), one.clone().id());
    assert_ne!(
        one.id(),
        condition(Kind::OverVoltage, Edge::On, 16_301, 5).id()
    );
}

#[test]
fn compaction_drops_what_the_database_has_and_keeps_the_worst() {
    let records: Vec<Record> = (0..1_000)
        .map(|at| condition(Kind::OverTemperature, Edge::Unchanged, 5_100 + at % 700, at))
        .collect();
    let kept = compact(&records, &BTreeSet::new());
    let Step::Condition(only) = &kept[0].step else {
        panic!("{kept:?}");
    };
    assert_eq!(
        (kept.len(), only.value, only.last_ms),
        (1, Some(5_799), 999)
    );
    let settled = records.iter().map(Record::id).collect();
    assert_eq!(compact(&records, &settled), []);
}

// Source: RELIABILITY 4.2: a ring of 16 MiB.
#[test]
fn the_file_never_grows_past_its_ring() {
    let policy = Policy::default();
    let full = 16 * 1024 * 1024;
    assert_eq!(policy.room(0, 100), Room::Append);
    assert_eq!(policy.room(full * 3 / 4, 1), Room::Compact);
    assert_eq!(policy.room(full - 100, 100), Room::Compact);
    assert_eq!(policy.room(full - 100, 101), Room::CompactFirst);
    // Compacted, the fullest queue fits: 10,000 places of three conditions.
    let mut bytes = Vec::new();
    let longest = Kind::ALL
        .iter()
        .max_by_key(|kind| kind.as_str().len())
        .unwrap();
    condition(*longest, Edge::Unchanged, i64::MIN, i64::MAX).encode(&mut bytes);
    let most = u64::try_from(bytes.len()).unwrap() * 30_000;
    assert_eq!(policy.room(0, most), Room::Append, "{most} bytes");
}

#[test]
fn a_record_from_before_conditions_had_an_origin_is_read() {
    let record = condition(Kind::OverTemperature, Edge::On, 5_100, 7);
    let mut payload = record.payload();
    payload.truncate(payload.len() - 9);
    let mut bytes = MARK.to_vec();
    bytes.extend(u32::try_from(payload.len()).unwrap().to_le_bytes());
    bytes.extend(check(&payload));
    bytes.extend(payload);
    assert_eq!(recover(&bytes).records, [record]);
}
