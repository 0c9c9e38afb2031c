//! The rungs of an answer: outcomes move the chance, readings come first, audits stay rare.

use super::*;

#[test]
fn outcomes_move_the_chance_and_narrow_its_range() {
    let sheet = CostSheet::default();
    let case = visit(11.9, 12);
    let mean = |known: &Knowledge| {
        let verdict = advise(
            &question(case.clone()),
            &BandCounts::default(),
            &sheet,
            (known, NO_AUDIT),
        );
        let chance = verdict.chance.unwrap();
        (chance.mean, chance.upper - chance.lower)
    };
    let (before, poor, good) = (
        mean(&BELIEF),
        mean(&taught(&case, 3, 30)),
        mean(&taught(&case, 30, 3)),
    );
    assert!(poor.0 < 0.3 && before.0 > 0.6 && good.0 > 0.8);
    assert!(poor.1 < before.1 && good.1 < before.1);
}

#[test]
fn a_reading_is_asked_for_when_its_answer_would_turn_the_decision() {
    // Near break-even, nothing known of its history, and a battery dear enough to care.
    let unread = Visit {
        months_since_full_charge: None,
        tester: TesterState::NotTested,
        ..visit(6.0, 12)
    };
    let asked = (10..120).map(|price| {
        let replacement_price = Some(Money::new("price", f64::from(price) * 2.0).unwrap());
        ask(Visit {
            replacement_price,
            ..unread.clone()
        })
    });
    let mut asked = asked.filter(|verdict| verdict.answer == Answer::MeasureFirst);
    let verdict = asked.next().unwrap();
    let text = render_text(&verdict);
    assert!(text.starts_with("MEASURE FIRST: "), "{text}");
    let reading = verdict.reading.unwrap();
    assert!(reading.net > 0.02 * verdict.economics.unwrap().worth);
    let reason = verdict.reasons.first().unwrap();
    assert_eq!(reason.word, ReasonWord::ReadingWorth);
    // Once it is known there is nothing to ask for.
    let known = Visit {
        months_since_full_charge: Some(Months::new("months", 3.0).unwrap()),
        tester: TesterState::Ok,
        cca_ratio: Some(0.8),
        ..unread
    };
    assert_eq!(ask(known).reading, None);
}

#[test]
fn audits_stay_within_their_cap_and_tell_their_propensity() {
    let sheet = CostSheet::default();
    let with = |attempts, audits, draw| {
        let state = AuditState {
            attempts,
            audits,
            draw,
        };
        let question = question(connected());
        let verdict = advise(&question, &BandCounts::default(), &sheet, (&BELIEF, state));
        (verdict.answer, verdict.propensity)
    };
    assert_eq!(with(100, 2, 0.5), (Answer::DoNotAttempt, 0.01));
    assert_eq!(with(100, 2, 0.005), (Answer::AuditAttempt, 0.01));
    assert_eq!(with(100, 0, 0.5), (Answer::AuditAttempt, 1.0));
}
