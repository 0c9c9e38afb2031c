//! What is asked, and what is frozen of an answer.

use super::*;
use crate::advice::economics::CostSheet;
use crate::record::words::{Chemistry, Segment, VisualFlag};

fn now() -> DateTime<Utc> {
    DateTime::from_timestamp(1_790_000_000, 0).unwrap()
}

const KELDER: Uuid = Uuid::from_u128(1);
const OSTROW: Uuid = Uuid::from_u128(2);

fn caller(shop: Option<Uuid>) -> Caller {
    let scope = if shop.is_some() {
        Scope::Bench
    } else {
        Scope::Analyst
    };
    Caller {
        group: Uuid::from_u128(9),
        scope,
        shop,
        device: None,
        name: "t".into(),
    }
}

fn facts(rest_volts: f64) -> RawVisit {
    RawVisit {
        nominal_volts: 12,
        chemistry: Some(Chemistry::Agm),
        segment: Some(Segment::Powersports),
        rest_volts: Some(rest_volts),
        ..RawVisit::default()
    }
}

fn shop() -> ShopCosts {
    ShopCosts {
        shop_id: KELDER,
        name: "Kelder".into(),
        currency: "EUR".into(),
        southern: false,
        usual_method: Some(Method::LowRateCc),
        sheet: CostSheet::default().in_currency("EUR"),
    }
}

fn known() -> Known {
    Known {
        counts: Counts::default(),
        learned: Arc::new(Learned::belief().unwrap()),
        advised: (0, 0),
        now: now(),
    }
}

fn asked(facts: RawVisit, method: Option<Method>) -> Asked {
    of_facts(&caller(Some(KELDER)), facts, (None, method), now()).unwrap()
}

#[test]
fn a_frozen_answer_holds_what_was_shown() {
    let given = answer(&asked(facts(12.0), None), &shop(), &mut known());
    let chance = given.chance.unwrap();
    assert!(chance.lower <= chance.mean && chance.mean <= chance.upper);
    let (worth, cost) = given.worth_and_cost.unwrap();
    assert!((given.p_star.unwrap() - cost / worth).abs() < 1e-12);
    assert_eq!(given.propensity > 0.5, given.answer == Answer::Attempt);
    assert_eq!((given.answer, given.belief_only), (Answer::Attempt, true));
    assert_eq!(given.body.method, Method::LowRateCc);
    assert!(
        given
            .body
            .reasons
            .iter()
            .any(|reason| reason.code == "method_assumed")
    );
    for text in &given.body.cautions {
        let start: String = text.chars().take(30).collect();
        assert!(given.body.text.contains(&start), "{start}");
    }
}

#[test]
fn a_hazard_stop_names_the_hazard_and_gives_no_number() {
    let swollen = RawVisit {
        flags: vec![VisualFlag::Swollen],
        ..facts(12.0)
    };
    let given = answer(&asked(swollen, None), &shop(), &mut known());
    assert_eq!(
        (given.answer, given.chance, given.p_star),
        (Answer::HazardStop, None, None)
    );
    assert!(given.propensity < f64::EPSILON && given.worth_and_cost.is_none());
    assert_eq!((given.band_n, given.band_y), (0, 0));
    assert_eq!(given.body.reasons.first().unwrap().code, "swollen");
    assert!(given.body.stop_rules.is_empty() && !given.body.cautions.is_empty());
}

#[test]
fn a_method_that_is_named_is_kept_and_the_case_is_kept_when_it_says_more() {
    let given = answer(
        &asked(facts(12.0), Some(Method::CcCv)),
        &shop(),
        &mut known(),
    );
    assert_eq!(given.body.method, Method::CcCv);
    assert_eq!(asked(facts(12.0), None).visit.battery_id, None);
    let rated = asked(
        RawVisit {
            rated_cca: Some(240.0),
            ..facts(12.0)
        },
        None,
    );
    assert!(rated.visit.anonymous && rated.visit.battery_id.is_some());
}

#[test]
fn a_visit_of_another_shop_does_not_exist_for_a_token_of_one_shop() {
    let visit = asked(facts(12.0), None).visit;
    let id = visit.visit_id;
    let ask = |shop, of| of_visit(&caller(shop), Some(&visit), (id, of), None);
    assert!(matches!(
        ask(Some(OSTROW), None),
        Err(Error::NotFound { what: "visit", .. })
    ));
    assert!(matches!(
        ask(Some(KELDER), Some(OSTROW)),
        Err(Error::NotFound { what: "shop", .. })
    ));
    assert_eq!(
        ask(Some(KELDER), None).map(|asked| asked.shop_id).ok(),
        Some(KELDER)
    );
    // A token of the whole group may ask what another shop's costs would say.
    assert_eq!(
        ask(None, Some(OSTROW)).map(|asked| asked.shop_id).ok(),
        Some(OSTROW)
    );
    assert_eq!(
        ask(None, None).map(|asked| asked.shop_id).ok(),
        Some(KELDER)
    );
}

#[test]
fn a_token_of_the_whole_group_says_whose_costs_count_and_a_missing_fact_is_named() {
    let read = |facts, shop| of_facts(&caller(None), facts, (shop, None), now());
    let field = |asked: Result<Asked, Error>| match asked {
        Err(Error::Bad(reject)) => reject.field,
        _ => String::new(),
    };
    assert_eq!(field(read(facts(12.0), None)), "shop_id");
    let unread = RawVisit {
        rest_volts: None,
        ..facts(12.0)
    };
    assert_eq!(field(read(unread, Some(KELDER))), "rest_volts");
    assert!(read(facts(12.0), Some(KELDER)).is_ok());
}
