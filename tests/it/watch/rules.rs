//! Thresholds of the analysis, changed for a shop or a battery label while charges run.

use restvolt::edge::pb;
use restvolt::edge::pb::watch_service_client::WatchServiceClient;
use restvolt::simulation::Case;
use restvolt::watch::nobody;
use tonic::Code;
use tonic::transport::Channel;

use super::{Scene, charged};
use crate::harness::with;

fn client(scene: &Scene) -> WatchServiceClient<Channel> {
    WatchServiceClient::new(scene.stack.channel.clone())
}

fn change(key: &str, value: Option<f64>) -> pb::SetRuleRequest {
    pb::SetRuleRequest {
        rule_key: key.to_owned(),
        new_value: value,
        reason: "the cellar is warm".into(),
        ..Default::default()
    }
}

#[tokio::test]
async fn a_stricter_limit_counts_for_the_running_charge_and_a_looser_one_is_refused() {
    let charge = charged(Case::Healthy, 3, 1);
    let mut scene = Scene::new().await;
    let mut watch = scene.watch(nobody());
    let mut rules = client(&scene);
    let operator = scene.stack.token(pb::Scope::Operator, "").await;
    let half = charge.charger.len() / 2;
    for part in 0..half {
        scene.send(&charge, part).await;
        if part == 0 {
            scene.claim(&charge).await;
        }
        watch.look().await.unwrap();
    }
    let usual: String = scene
        .stack
        .sql("select rules_version from rv.watch_state")
        .await;
    assert_eq!(usual, "signals-1");
    // Of another label and another shop first: they change nothing here.
    let elsewhere = pb::SetRuleRequest {
        battery_label: "of somebody else".into(),
        ..change("case_stop_vrla_c", Some(36.0))
    };
    rules.set_rule(with(&operator, elsewhere)).await.unwrap();
    for (request, word) in [
        (change("case_stop_vrla_c", Some(45.0)), "stricter only"),
        (change("case_stop_vrla_c", Some(12.0)), "outside 35 to 51"),
        (change("case_stop", Some(40.0)), "case_stop_"),
        (
            pb::SetRuleRequest {
                reason: String::new(),
                ..change("heat_rise_k", Some(5.0))
            },
            "say why",
        ),
    ] {
        let refused = rules.set_rule(with(&operator, request)).await.unwrap_err();
        assert_eq!(refused.code(), Code::InvalidArgument);
        assert!(refused.message().contains(word), "{refused}");
    }
    let bench = scene
        .stack
        .token(pb::Scope::Bench, &scene.stack.shop_id)
        .await;
    let denied = rules
        .set_rule(with(&bench, change("heat_rise_k", Some(5.0))))
        .await;
    assert_eq!(denied.unwrap_err().code(), Code::PermissionDenied);
    let here = pb::SetRuleRequest {
        shop_id: scene.stack.shop_id.clone(),
        ..change("case_warn_vrla_c", Some(30.0))
    };
    rules.set_rule(with(&operator, here)).await.unwrap();
    scene.send(&charge, half).await;
    watch.look().await.unwrap();
    let (version, revision): (String, i32) = {
        let version = scene
            .stack
            .sql("select rules_version from rv.watch_state")
            .await;
        (
            version,
            scene.stack.sql("select revision from rv.watch_state").await,
        )
    };
    assert_eq!(version, "signals-1, changed: case_warn_vrla_c=30");
    assert_eq!(
        revision, 2,
        "what was analyzed by other limits is analyzed anew"
    );

    let ask = pb::ListRulesRequest {
        shop_id: scene.stack.shop_id.clone(),
        ..Default::default()
    };
    let listed = rules
        .list_rules(with(&bench, ask))
        .await
        .unwrap()
        .into_inner()
        .rules;
    let of = |key: &str| listed.iter().find(|rule| rule.rule_key == key).unwrap();
    let warned = of("case_warn_vrla_c");
    assert!(
        (warned.in_force_value - 30.0).abs() < 1e-9 && (warned.default_value - 40.0).abs() < 1e-9
    );
    assert!(warned.published_limit && !warned.measured && warned.unit == "degC");
    assert_eq!(warned.change.as_ref().unwrap().reason, "the cellar is warm");
    assert!(of("case_stop_vrla_c").change.is_none(), "only for a label");
    assert!(of("stop_60_c").measured && !of("several_min").measured);
    // Back to the default, for the charge that still runs.
    let back = pb::SetRuleRequest {
        shop_id: scene.stack.shop_id.clone(),
        ..change("case_warn_vrla_c", None)
    };
    rules.set_rule(with(&operator, back)).await.unwrap();
    for part in half + 1..charge.charger.len() {
        scene.send(&charge, part).await;
    }
    scene.end(&charge).await;
    watch.look().await.unwrap();
    let (_, body) = scene.summary().await;
    assert_eq!(body["report"]["rules_version"], "signals-1");
    scene.stack.finish().await;
}
