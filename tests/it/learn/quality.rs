//! Answers scored against what came of them, held back while they drift, and the value of audits.

use serde_json::Value;
use sqlx::PgConnection;

use super::{Ask, fleet};
use crate::harness::database;
use crate::harness::program::Program;

/// Answers that an attempt began on.
const ANSWERED: i32 = 80;

/// First attempts in the order of their ids; outcomes become known a minute apart.
const ORDERED: &str = "create temp table ordered as
    select c.attempt_id, c.visit_id, c.shop_id, row_number() over (order by c.attempt_id) as n,
        '2026-01-01T00:00:00Z'::timestamptz + row_number() over (order by c.attempt_id) * interval '1 minute' as at
    from rv.counted_visit c join rv.outcome o using (group_id, attempt_id) join rv.shop_group g using (group_id)
    where o.label is not null and g.name = 'tarn-valley';
    update rv.outcome o set revised_at = r.at from ordered r where r.attempt_id = o.attempt_id;
    update rv.outcome o set label = false, class = 'not_recovered' from ordered r
        where r.attempt_id = o.attempt_id and r.n > 1220";

/// An answer a second before each outcome from the 1,221st on: nine of ten would come back. None did. Ten
/// earlier batteries were left, and two tried to learn, of which one came back.
const ANSWERS: &str = "create temp table given as
    select r.*, gen_random_uuid() as verdict_id, case when r.n > 1220 then 'attempt' when r.n <= 2 then
        'audit_attempt' else 'do_not_attempt' end as answer from ordered r where r.n > 1220 or r.n <= 12;
    update rv.outcome o set label = r.n = 1, class = case when r.n = 1 then 'recovered' else 'not_recovered' end
        from ordered r where r.attempt_id = o.attempt_id and r.n <= 2;
    insert into rv.verdict (group_id, verdict_id, visit_id, shop_id, answered_at, answer, chance, band_n, band_y,
        worth, cost, currency, model_version, belief_only, propensity, body)
    select v.group_id, g.verdict_id, g.visit_id, g.shop_id, g.at - interval '1 second', g.answer,
        case when g.n > 1220 then 0.9 else 0.2 end, 12, 9, 60, 10, 'EUR', 'test', false,
        case when g.n > 1220 then 1 else 0.1 end, '{}'
    from given g join rv.visit v using (visit_id);
    update rv.visit v set anonymous = false from given g where g.visit_id = v.visit_id;
    update rv.attempt a set verdict_id = g.verdict_id from given g
        where g.attempt_id = a.attempt_id and g.answer <> 'do_not_attempt'";

/// Thirty of the answered attempts were charged by one charger, whose firmware changed after the sixteenth. A meter
/// looked on at ten more; one claim was taken back.
const CHARGED: &str = "create temp table heard as
    select r.*, v.group_id, gen_random_uuid() as session_id,
        case when n between 1251 and 1260 then 'meter' else 'charger' end as kind
    from ordered r join rv.visit v using (visit_id) where n between 1221 and 1261;
    insert into rv.device (group_id, device_id, name, kind, created_at)
        select distinct on (kind) group_id, gen_random_uuid(), kind, kind, at from heard;
    insert into rv.device_firmware (group_id, device_id, since, firmware)
        select group_id, device_id, '2025-06-01T00:00:00Z', case kind when 'meter' then '7' else '1.3' end from rv.device;
    insert into rv.device_firmware (group_id, device_id, since, firmware)
        select d.group_id, d.device_id, r.at, '1.4' from rv.device d, ordered r where d.kind = 'charger' and r.n = 1236;
    insert into rv.session (group_id, session_id, device_id, boot_id, opened_seq, first_seq, last_seq, first_ms, last_ms,
        state, start_at, end_at, clock_quality, opened_at, last_received_at)
        select h.group_id, h.session_id, d.device_id, h.n, 1, 1, 1, 0, 0, 'closed', h.at - interval '1 hour',
            h.at - interval '30 seconds', 'synced', h.at, h.at
        from heard h join rv.device d using (kind);
    insert into rv.claim (group_id, claim_id, attempt_id, session_id, claimed_by, claimed_at, revoked_at)
        select group_id, gen_random_uuid(), attempt_id, session_id, 'test', at, case when n = 1261 then at end from heard";

async fn answers(conn: &mut PgConnection) {
    for statements in [ORDERED, ANSWERS, CHARGED] {
        sqlx::raw_sql(statements).execute(&mut *conn).await.unwrap();
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[tokio::test]
async fn answers_are_scored_marked_while_they_drift_and_stand_again_once_a_person_has_seen_it() {
    let program = Program::new();
    program.import("tarn-valley", &fleet(1_300, false));
    program.import("another", &fleet(60, false));
    let group = "tarn-valley";
    let before = program.json(group, &["quality"]);
    assert_eq!(
        before["quality"]["answers"],
        Value::Null,
        "nothing was asked before"
    );
    let text = program.run(group, &["quality"]);
    assert!(text.contains("No answer can be scored yet"), "{text}");
    let usual = program.chance(group);
    assert_eq!(usual["unreliable"], Value::Null, "{usual}");

    let mut conn = database::superuser(&program.url).await;
    answers(&mut conn).await;
    let found = program.json(group, &["quality"]);
    let quality = &found["quality"];
    assert_eq!(
        quality["answers"]["count"],
        ANSWERED + 2,
        "two audits beside them"
    );
    // Eighty at .9 and one at .2 that failed, one at .2 that came back.
    let brier = (80.0 * 0.81 + 0.04 + 0.64) / 82.0;
    assert!((number(&quality["answers"]["brier"]) - brier).abs() < 1e-9);
    assert!(
        number(&quality["band_table"]["brier"]) < brier,
        "9.5 of 13 was less bold"
    );
    let stream = &quality["streams"][0];
    assert_eq!(
        (stream["name"].as_str(), &stream["n"]),
        (Some("group"), &ANSWERED.into())
    );
    assert_eq!(stream["alarm"][0], "worse_than_forecast");
    assert_eq!(found["reserves"], serde_json::json!(["drift"]));
    let streams = quality["streams"].as_array().unwrap();
    let firmware: Vec<(&str, u64)> = streams
        .iter()
        .filter_map(|one| Some((one["name"].as_str()?, one["n"].as_u64()?)))
        .filter(|(name, _)| name.starts_with("firmware"))
        .collect();
    assert_eq!(firmware, [("firmware 1.3", 16), ("firmware 1.4", 14)]);
    // Each audit counts ten batteries: 10 x (60 - 10) and 10 x -10 over twelve answers.
    let audits = &found["audits"];
    assert_eq!(
        (&audits["decisions"], &audits["audits"]),
        (&12.into(), &2.into())
    );
    assert!(
        (number(&audits["value"]["gain"]["total"]) - 400.0).abs() < 1e-9,
        "{audits}"
    );
    let text = program.run(group, &["quality"]);
    assert!(
        text.contains("ALARM since 2026-01-01: fewer come back"),
        "{text}"
    );
    assert!(text.contains("HELD BACK: a drift"), "{text}");

    let marked = program.chance(group);
    let why = marked["unreliable"].as_str().unwrap();
    assert!(
        why.contains("drifted away") && why.contains("rely on that count"),
        "{why}"
    );
    let ask = [
        "ask",
        "--rest-volts",
        "11.9",
        "--chemistry",
        "flooded",
        "--shop",
        "Kelder",
    ];
    let told = program.run(group, &ask);
    assert!(told.contains("MARKED UNRELIABLE"), "{told}");
    assert_eq!(
        program.chance("another")["unreliable"],
        Value::Null,
        "groups are apart"
    );

    let seen = |stream: &'static str, by: &'static str| {
        let reason = ["--reason", "chargers of May were set too low"];
        program.output(
            group,
            &[&["quality", "seen", stream, "--by", by], &reason[..]].concat(),
        )
    };
    let said = |output: std::process::Output| String::from_utf8(output.stderr).unwrap();
    let nobody = said(seen("group", " "));
    assert!(nobody.contains("name of the person"), "{nobody}");
    let wrong = said(seen("charger 9", "M. Kelder"));
    assert!(
        wrong.contains("`charger 9` does not drift; group"),
        "{wrong}"
    );
    assert!(seen("group", "M. Kelder").status.success());
    let again = program.json(group, &["quality"]);
    let stream = &again["quality"]["streams"][0];
    assert_eq!(
        (&stream["alarm"], &stream["acknowledged"]["by"]),
        (&Value::Null, &"M. Kelder".into())
    );
    assert_eq!(again["reserves"], serde_json::json!([]));
    assert_eq!(
        program.chance(group)["unreliable"],
        Value::Null,
        "answers stand again"
    );
    let twice = said(seen("group", "M. Kelder"));
    assert!(twice.contains("does not drift"), "{twice}");
}
