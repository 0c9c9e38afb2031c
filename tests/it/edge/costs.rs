//! The cost sheet of a shop: stated, weighed with, put back, and shown as it stood.

use std::collections::BTreeMap;

use restvolt::edge::pb;
use tonic::Code;

use crate::harness::bench::{Bench, id};
use crate::harness::{Stack, with};

fn state(shop: &str, entries: &[(pb::CostItem, Option<f64>)]) -> pb::UpdateCostSheetRequest {
    let entry = |(item, value): &(pb::CostItem, Option<f64>)| pb::NewCost {
        item: *item as i32,
        new_value: *value,
    };
    pb::UpdateCostSheetRequest {
        shop_id: shop.to_owned(),
        entries: entries.iter().map(entry).collect(),
        reason: "counted over a month".into(),
    }
}

/// (value, stated by the shop) of every entry.
fn values(sheet: &pb::GetCostSheetResponse) -> BTreeMap<i32, (f64, bool)> {
    let entries = sheet.entries.iter();
    entries
        .map(|entry| (entry.item, (entry.in_force_value, !entry.by_default)))
        .collect()
}

#[tokio::test]
async fn a_sheet_is_stated_weighed_with_put_back_and_shown_as_it_stood() {
    use pb::CostItem::{ComebackProb, LabourMinPerAttempt, LabourPerH};
    let stack = Stack::start().await;
    let mut bench = Bench::new(&stack).await;
    let operator = stack.token(pb::Scope::Operator, "").await;
    let mut registry = stack.registry();
    let shop = stack.shop_id.clone();
    let ask = |at, price| pb::GetCostSheetRequest {
        shop_id: shop.clone(),
        as_of_time: at,
        replacement_price: price,
    };

    let visit = pb::RecordVisitRequest {
        request_id: id(),
        facts: Some(pb::VisitFacts {
            battery: Some(pb::BatteryFacts {
                chemistry: pb::Chemistry::Agm as i32,
                nominal_volts: 12,
                segment: pb::Segment::Powersports as i32,
                ..Default::default()
            }),
            rest_volts: Some(11.9),
            replacement_price: Some(95.0),
            ..Default::default()
        }),
        ..Default::default()
    };
    let visit = bench.service.record_visit(with(&bench.token, visit));
    let visit = visit.await.unwrap().into_inner().visit_id;
    let first = bench.ask(&visit).await;

    // DOMAIN 8.2 with 13 h, 0.9 kWh and a come-back in 6 %: 45/h for 20 min, 0.25/h, 0.13/kWh, 0.2 % of 1000.
    let cost = 15.0 + 13.0 * 0.25 + 0.9 * 0.13 + 2.0;
    let worth = 0.5 * 95.0 - 0.06 * (15.0 + 0.5 * 95.0);
    let untouched = registry
        .get_cost_sheet(with(&bench.token, ask(None, None)))
        .await
        .unwrap()
        .into_inner();
    assert!((untouched.cost - cost).abs() < 1e-9);
    assert!((untouched.worth - worth).abs() < 1e-9);
    assert!((untouched.break_even_ratio.unwrap() - cost / worth).abs() < 1e-9);
    assert!(untouched.price_is_default && (untouched.replacement_price - 95.0).abs() < 1e-9);
    assert_eq!(untouched.entries.len(), 12);
    let nobody = |entry: &pb::CostEntry| entry.by_default && entry.change.is_none();
    assert!(untouched.entries.iter().all(nobody));

    // A fifth of the labour: the same battery pays from a lower chance on, and the answer given stays.
    let cheap = [(LabourPerH, Some(36.0)), (LabourMinPerAttempt, Some(5.0))];
    let changes = registry
        .update_cost_sheet(with(&operator, state(&shop, &cheap)))
        .await
        .unwrap()
        .into_inner()
        .changes;
    assert_eq!(changes.len(), 2);
    assert!(changes.iter().all(|change| change.former_value.is_none()));
    let second = bench.ask(&visit).await;
    assert!((first.cost.unwrap() - cost).abs() < 1e-9);
    assert!((second.cost.unwrap() - (cost - 12.0)).abs() < 1e-9);
    assert_ne!(first.verdict_id, second.verdict_id);

    let again = state(&shop, &[(LabourPerH, Some(36.0))]);
    let same = registry.update_cost_sheet(with(&operator, again)).await;
    assert_eq!(same.unwrap().into_inner().changes, [], "stated before");
    let after_first = changes[0].set_time;
    let other = [(LabourPerH, Some(50.0)), (LabourMinPerAttempt, None)];
    let changes = registry
        .update_cost_sheet(with(&operator, state(&shop, &other)))
        .await
        .unwrap()
        .into_inner()
        .changes;
    assert_eq!(changes[0].former_value, Some(36.0));
    assert_eq!(
        (changes[1].former_value, changes[1].new_value),
        (Some(5.0), None)
    );

    let now = registry.get_cost_sheet(with(&bench.token, ask(None, Some(180.0))));
    let now = now.await.unwrap().into_inner();
    assert_eq!(values(&now)[&(LabourPerH as i32)], (50.0, true));
    assert_eq!(values(&now)[&(LabourMinPerAttempt as i32)], (20.0, false));
    let told = now.entries[0].change.as_ref().unwrap();
    assert_eq!(told.reason, "counted over a month");
    assert!(!now.price_is_default && now.worth > untouched.worth);

    let then = registry.get_cost_sheet(with(&bench.token, ask(after_first, None)));
    let then = then.await.unwrap().into_inner();
    assert_eq!(values(&then)[&(LabourPerH as i32)], (36.0, true));
    assert_eq!(values(&then)[&(LabourMinPerAttempt as i32)], (5.0, true));
    let mut before = after_first.unwrap();
    before.seconds -= 1;
    let before = registry.get_cost_sheet(with(&bench.token, ask(Some(before), None)));
    let before = before.await.unwrap().into_inner();
    assert_eq!(values(&before), values(&untouched));

    for (request, word) in [
        (state(&shop, &[]), "at least one"),
        (
            state(&shop, &[(ComebackProb, Some(6.0))]),
            "comeback_prob: 6 is outside 0 to 1",
        ),
        (
            state(&shop, &[(LabourPerH, Some(f64::NAN))]),
            "labour_per_h",
        ),
        (
            state(&shop, &[(pb::CostItem::Unspecified, None)]),
            "kwh_price",
        ),
        (
            pb::UpdateCostSheetRequest {
                reason: String::new(),
                ..state(&shop, &cheap)
            },
            "say why",
        ),
    ] {
        let refused = registry.update_cost_sheet(with(&operator, request)).await;
        let refused = refused.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument);
        assert!(refused.message().contains(word), "{refused}");
    }
    let denied = registry.update_cost_sheet(with(&bench.token, state(&shop, &cheap)));
    assert_eq!(denied.await.unwrap_err().code(), Code::PermissionDenied);
    let kept: i64 = stack.sql("select count(*) from rv.shop_cost").await;
    assert_eq!(kept, 4, "what was refused left nothing");
    stack.finish().await;
}

#[tokio::test]
async fn statements_side_by_side_keep_their_order_though_the_clock_stands_still() {
    let stack = Stack::start().await;
    let operator = stack.token(pb::Scope::Operator, "").await;
    let shop = stack.shop_id.clone();
    let statements = (1..=20).map(|turn| {
        let mut registry = stack.registry();
        let (operator, shop) = (operator.clone(), shop.clone());
        async move {
            let entry = [(pb::CostItem::CoreValue, Some(f64::from(turn)))];
            let stated = registry.update_cost_sheet(with(&operator, state(&shop, &entry)));
            stated.await.unwrap().into_inner().changes.remove(0)
        }
    });
    let changes = futures_util::future::join_all(statements).await;
    // Each one's value before is the value of the one before it in time: no two at one time.
    let order: BTreeMap<(i64, i32), (Option<f64>, Option<f64>)> = changes
        .iter()
        .map(|change| {
            let at = change.set_time.unwrap();
            (
                (at.seconds, at.nanos),
                (change.former_value, change.new_value),
            )
        })
        .collect();
    assert_eq!(order.len(), 20);
    let mut before = None;
    for (former, value) in order.values() {
        assert_eq!(*former, before);
        before = *value;
    }
    stack.finish().await;
}
