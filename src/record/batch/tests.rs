//! Batches in, checked samples or reasons out.

use super::*;

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_790_000_000, 0).unwrap()
}

fn raw(voltages: &[i32]) -> RawBatch {
    RawBatch {
        first_seq: 1,
        start_ms: 5_000,
        step_ms: voltages
            .iter()
            .enumerate()
            .map(|(n, _)| if n == 0 { 0 } else { 1000 })
            .collect(),
        columns: Columns {
            voltage_mv: voltages.to_vec(),
            ..Columns::default()
        },
        events: vec![],
        clock: ClockClaim::None,
        start_time: None,
        sent_ms: 0,
        oldest_held_seq: 0,
    }
}

fn code(raw: &RawBatch) -> Code {
    parse(raw, SenderFacts::default(), now()).unwrap_err().code
}

#[test]
fn good_samples_get_their_device_times() {
    let batch = parse(&raw(&[12_000, 12_100]), SenderFacts::default(), now()).unwrap();
    assert_eq!(batch.samples.time_ms, [5_000, 6_000]);
    assert_eq!(batch.sent_ms, 6_000);
    assert!(batch.refused.is_empty() && !batch.weak);
}

#[test]
fn millivolts_sent_as_volts_are_refused_with_the_fix_and_never_scaled() {
    let reject = parse(&raw(&[12_000_000; 4]), SenderFacts::default(), now()).unwrap_err();
    assert_eq!(reject.code, Code::UnitSuspect);
    assert!(reject.detail.contains("12000.0 V"), "{reject}");
    assert!(reject.code.fix().contains("--unit v=mV"));
}

#[test]
fn a_declared_unit_is_applied_once() {
    let sender = SenderFacts {
        voltage_in_mv: true,
        ..SenderFacts::default()
    };
    let batch = parse(&raw(&[12_345_600, MISSING, -1_500]), sender, now()).unwrap();
    assert_eq!(batch.samples.columns.voltage_mv, [12_346, MISSING, -2]);
}

#[test]
fn one_impossible_value_leaves_a_hole_and_the_rest_is_kept() {
    let batch = parse(
        &raw(&[12_000, 99_000, 12_100]),
        SenderFacts::default(),
        now(),
    )
    .unwrap();
    assert_eq!(batch.samples.columns.voltage_mv, [12_000, MISSING, 12_100]);
    assert_eq!(batch.refused_count, 1);
    assert_eq!(batch.refused[0].code, Code::ValueOutOfRange);
    assert!(batch.refused[0].detail.contains("sample 2"));
}

#[test]
fn shape_errors_have_their_own_codes() {
    assert_eq!(code(&raw(&[])), Code::FieldMissing);
    assert_eq!(
        code(&raw(&vec![12_000; SAMPLES_MAX + 1])),
        Code::TooManySamples
    );
    let mut short = raw(&[1, 2]);
    short.columns.current_ma = vec![3];
    assert_eq!(code(&short), Code::ColumnLengthMismatch);
    let mut back = raw(&[1, 2]);
    back.step_ms = vec![0, -1];
    assert_eq!(code(&back), Code::TimeNotAscending);
    let mut negative = raw(&[1]);
    negative.first_seq = -4;
    assert_eq!(code(&negative), Code::FieldInvalid);
    assert!(
        parse(
            &raw(&vec![12_000; SAMPLES_MAX]),
            SenderFacts::default(),
            now()
        )
        .is_ok()
    );
}

#[test]
fn a_switched_off_device_is_refused() {
    let sender = SenderFacts {
        disabled: true,
        ..SenderFacts::default()
    };
    assert_eq!(
        parse(&raw(&[1]), sender, now()).unwrap_err().code,
        Code::DeviceDisabled
    );
}

#[test]
fn a_set_clock_must_lie_in_its_window_and_an_unset_one_need_not() {
    let with_clock = |seconds: i64, clock| {
        let mut batch = raw(&[12_000]);
        batch.clock = clock;
        batch.start_time = Some(now() + TimeDelta::seconds(seconds));
        parse(&batch, SenderFacts::default(), now())
    };
    assert!(with_clock(5 * 60, ClockClaim::Synced).is_ok());
    assert_eq!(
        with_clock(301, ClockClaim::Synced).unwrap_err().code,
        Code::TimestampInFuture
    );
    let old = -90 * 86_400 - 1;
    assert_eq!(
        with_clock(old, ClockClaim::Synced).unwrap_err().code,
        Code::TimestampTooOld
    );
    let batch = with_clock(old, ClockClaim::Unsynced).unwrap();
    assert_eq!(
        batch.claim_offset_ms,
        Some((now().timestamp() + old) * 1000 - 5_000)
    );
}

#[test]
fn a_bad_event_is_refused_alone() {
    let mut batch = raw(&[12_000]);
    let event = RawEvent {
        event_seq: 1,
        kind: Some(EventKind::Fault),
        detail: "fan".into(),
        ..RawEvent::default()
    };
    batch.events = vec![
        event.clone(),
        RawEvent {
            event_seq: 2,
            detail: "a\0b".into(),
            ..event.clone()
        },
        RawEvent {
            event_seq: 3,
            detail: "\u{202e}gnp".into(),
            ..event.clone()
        },
        RawEvent {
            event_seq: 4,
            kind: None,
            ..event.clone()
        },
        RawEvent {
            event_seq: 5,
            kind: Some(EventKind::Stage),
            ..event
        },
    ];
    let batch = parse(&batch, SenderFacts::default(), now()).unwrap();
    assert_eq!(batch.events.len(), 1);
    let codes: Vec<Code> = batch.refused.iter().map(|reject| reject.code).collect();
    let expected = [
        Code::TextInvalid,
        Code::TextInvalid,
        Code::FieldInvalid,
        Code::FieldMissing,
    ];
    assert_eq!(codes, expected);
}
