//! Two groups in one database: an id of the other group is an id that does not exist.

use std::collections::HashMap;

use prost_types::DescriptorProto;
use prost_types::field_descriptor_proto::Type;
use restvolt::app;
use restvolt::edge::pb;
use restvolt::edge::wire::timestamp;
use tonic::{Code, Status};

use super::{call, contract, methods};
use crate::alarms::{case, one_open, until};
use crate::harness::bench::{Bench, id};
use crate::harness::device::{end, run};
use crate::harness::{Stack, database, fresh_number, noon, with};

/// Words that stand in records of the first group alone.
const MARK: &str = "KEL-0017";

/// Field name -> value, for every id a request may name.
type Ids = HashMap<&'static str, String>;

/// Fills messages after their description.
struct Filler {
    types: HashMap<String, DescriptorProto>,
}

impl Filler {
    fn new() -> Self {
        let mut types = HashMap::new();
        for file in contract().file {
            for message in &file.message_type {
                let name = format!(".{}.{}", file.package(), message.name());
                types.insert(name, message.clone());
            }
        }
        Self { types }
    }

    /// Ids that a request names itself, not in a part of it.
    fn named(&self, kind: &str) -> Vec<String> {
        let fields = self.types[kind].field.iter();
        let names = fields.map(|field| field.name().to_owned());
        names
            .filter(|name| name.ends_with("_id") && name != "request_id" && name != "boot_id")
            .collect()
    }

    /// A message with every field set, but of the ids only those `which` accepts.
    fn fill(&self, kind: &str, ids: &Ids, which: &dyn Fn(&str) -> bool) -> Vec<u8> {
        let mut out = Vec::new();
        if kind == ".google.protobuf.Timestamp" {
            return prost::Message::encode_to_vec(&timestamp(noon()));
        }
        for field in &self.types[kind].field {
            let name = field.name();
            if name.starts_with("page_") || (name.ends_with("_id") && !which(name)) {
                continue;
            }
            let tag = |wire: i32| u64::try_from(field.number() << 3 | wire).unwrap();
            let (wire, value) = match field.r#type() {
                Type::Double => (1, 12.5f64.to_le_bytes().to_vec()),
                Type::Fixed64 | Type::Sfixed64 => (1, 1u64.to_le_bytes().to_vec()),
                Type::Float | Type::Fixed32 | Type::Sfixed32 => (5, 1u32.to_le_bytes().to_vec()),
                Type::String if name == "request_id" => (2, id().into_bytes()),
                Type::String if name.ends_with("_id") => {
                    let known = ids.get(name);
                    let known = known.unwrap_or_else(|| panic!("no example of {name}"));
                    (2, known.clone().into_bytes())
                }
                Type::String | Type::Bytes => {
                    (2, format!("x{:x}", fresh_number() >> 90).into_bytes())
                }
                Type::Message => (2, self.fill(field.type_name(), ids, which)),
                Type::Group => panic!("groups are not used"),
                Type::Sint32 | Type::Sint64 => (0, vec![2]),
                _ => (0, vec![1]),
            };
            prost::encoding::encode_varint(tag(wire), &mut out);
            if wire == 2 {
                prost::encoding::encode_varint(value.len() as u64, &mut out);
            }
            out.extend(value);
        }
        out
    }
}

/// One of everything, in the group of the stack.
async fn one_of_each(stack: &Stack) -> Ids {
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(run(1, 60)).await;
    let session = stack.sessions(&device).await.remove(0);
    let mut bench = Bench::new(stack).await;
    let facts = pb::VisitFacts {
        battery: Some(pb::BatteryFacts {
            chemistry: pb::Chemistry::Agm as i32,
            segment: pb::Segment::Powersports as i32,
            nominal_volts: 12,
            label: MARK.into(),
            ..Default::default()
        }),
        rest_volts: Some(11.9),
        presented_time: Some(timestamp(noon())),
        ..Default::default()
    };
    let visit = pb::RecordVisitRequest {
        request_id: id(),
        facts: Some(facts),
        ..Default::default()
    };
    let visit = bench.service.record_visit(with(&bench.token, visit)).await;
    let visit = visit.unwrap().into_inner();
    let verdict = bench.ask(&visit.visit_id).await;
    let start = pb::StartAttemptRequest {
        request_id: id(),
        visit_id: visit.visit_id.clone(),
        bench_id: stack.bench_id.clone(),
        purpose: pb::Purpose::PlainCharge as i32,
        method: pb::Method::CcCv as i32,
        ..Default::default()
    };
    let started = bench.service.start_attempt(with(&bench.token, start)).await;
    let attempt = started.unwrap().into_inner().attempt_id;
    let claim = pb::ClaimSessionRequest {
        attempt_id: attempt.clone(),
        session_id: session.session_id.clone(),
        whole_run: false,
    };
    let claim = bench.service.claim_session(with(&bench.token, claim)).await;
    let route = pb::SetAlarmRouteRequest {
        shop_id: stack.shop_id.clone(),
        level: pb::AlarmLevel::Manager as i32,
        name: "T. Kelder".into(),
        ..Default::default()
    };
    let route = stack
        .alarms()
        .set_alarm_route(with(&stack.operator, route))
        .await;
    let route = route.unwrap().into_inner().route.unwrap().route_id;
    // The charge ends with it: the stream of the stranger must not meet a silence.
    let mut hot = case(61, &[7_000]);
    hot.events.push(end(1, 61));
    device.push(hot).await;
    let alarm = one_open(stack).await.alarm_id;
    let kept = "select count(*) from rv.alarm";
    until(|| async { (stack.sql::<i64>(kept).await == 1).then_some(()) }).await;
    let listed = stack
        .registry()
        .list_tokens(with(&stack.operator, pb::ListTokensRequest {}))
        .await;
    let tokens = listed.unwrap().into_inner().tokens;
    let own = tokens.iter().find(|token| token.device_id == device.id);
    let ended = pb::EndAttemptRequest {
        attempt_id: attempt.clone(),
        end_reason: pb::EndReason::Completed as i32,
        ..Default::default()
    };
    let ended = bench.service.end_attempt(with(&bench.token, ended)).await;
    ended.unwrap();
    let again = pb::AdviseAgainRequest {
        attempt_id: attempt.clone(),
    };
    let again = bench.advice.advise_again(with(&bench.token, again)).await;
    HashMap::from([
        ("shop_id", stack.shop_id.clone()),
        ("bench_id", stack.bench_id.clone()),
        ("device_id", device.id.clone()),
        ("token_id", own.unwrap().token_id.clone()),
        ("session_id", session.session_id),
        ("instrument_id", bench.meter.clone()),
        ("visit_id", visit.visit_id),
        ("verdict_id", verdict.verdict_id),
        (
            "again_verdict_id",
            again.unwrap().into_inner().again_verdict_id,
        ),
        ("attempt_id", attempt),
        ("alarm_id", alarm),
        ("route_id", route),
        ("claim_id", claim.unwrap().into_inner().claim_id),
    ])
}

/// Tokens of a second group in the same database: operator, integrator, analyst.
async fn strangers(stack: &Stack) -> Vec<String> {
    let made = app::ensure_group(&stack.stores.questions, &stack.clock, "Ostrow's own").await;
    let operator = made.unwrap().1.unwrap().reveal().to_owned();
    let mut tokens = vec![operator.clone()];
    for scope in [pb::Scope::Integrator, pb::Scope::Analyst] {
        let new = pb::CreateTokenRequest {
            scope: scope as i32,
            name: "stranger".into(),
            ..Default::default()
        };
        let made = stack.registry().create_token(with(&operator, new)).await;
        tokens.push(made.unwrap().into_inner().secret);
    }
    tokens
}

/// Every table with the rows of the first group, as text.
async fn kept(stack: &Stack) -> Vec<String> {
    let mut conn = crate::harness::database::superuser(&stack.url).await;
    let tables: Vec<String> = sqlx::query_scalar(
        "select table_name::text from information_schema.columns
        where table_schema = 'rv' and column_name = 'group_id'
            and table_name not in ('work') order by 1",
    )
    .fetch_all(&mut conn)
    .await
    .unwrap();
    let mut found = Vec::new();
    for table in tables {
        let text = format!(
            "select '{table} ' || t::text from rv.\"{table}\" t where group_id = $1 order by 1"
        );
        let rows: Vec<String> = sqlx::query_scalar(sqlx::AssertSqlSafe(text))
            .bind(stack.group)
            .fetch_all(&mut conn)
            .await
            .unwrap();
        found.extend(rows);
    }
    found
}

fn code(answer: &Result<Vec<u8>, Status>) -> Code {
    answer.as_ref().map_or_else(Status::code, |_| Code::Ok)
}

/// For every method, every token of a stranger, and ids one by one and all together: the answer is
/// the one given for ids nobody has, and tells nothing that was not asked with.
#[tokio::test]
async fn an_id_of_another_group_is_answered_as_one_that_does_not_exist() {
    // Nothing may be written by the service itself meanwhile: the watch stands still.
    let settings = [("watch.runs_max", "0")];
    let clock = restvolt::clock::Clock::fixed(noon());
    let stack = Stack::start_on(database::fresh(), clock, &settings).await;
    let ids = one_of_each(&stack).await;
    stack.do_jobs().await;
    let nobody: Ids = ids.keys().map(|name| (*name, id())).collect();
    let filler = Filler::new();
    let before = kept(&stack).await;
    assert!(before.len() > 10, "{before:?}");
    let mut not_found = 0;
    for token in strangers(&stack).await {
        let bearer = format!("Bearer {token}");
        for (path, kind) in methods() {
            let mut choices: Vec<Option<String>> = vec![None];
            choices.extend(filler.named(&kind).into_iter().map(Some));
            for choice in choices {
                let which = |name: &str| {
                    choice.as_ref().is_none_or(|one| one == name) || name == "request_id"
                };
                let theirs = filler.fill(&kind, &ids, &which);
                let none = filler.fill(&kind, &nobody, &which);
                let answer = call(&stack, &path, Some(&bearer), theirs.clone()).await;
                let without = call(&stack, &path, Some(&bearer), none).await;
                assert_eq!(
                    code(&answer),
                    code(&without),
                    "{path} {choice:?}: {answer:?} but for nobody's ids {without:?}"
                );
                not_found += u32::from(code(&answer) == Code::NotFound);
                let told = match answer {
                    Ok(bytes) => bytes,
                    Err(status) => status.message().as_bytes().to_vec(),
                };
                let holds = |bytes: &[u8], text: &str| {
                    bytes
                        .windows(text.len())
                        .any(|part| part == text.as_bytes())
                };
                assert!(!holds(&told, MARK), "{path} {choice:?}");
                for (name, value) in &ids {
                    assert!(
                        !holds(&told, value) || holds(&theirs, value),
                        "{path} {choice:?} tells {name}"
                    );
                }
            }
        }
    }
    assert!(
        not_found > 20,
        "only {not_found} calls got as far as a look-up"
    );
    stack.do_jobs().await;
    assert_eq!(kept(&stack).await, before, "a stranger changed something");
    // The same questions from the group itself are answered: the ids are right.
    for (path, name) in [
        ("TelemetryService/ReadSamples", "session_id"),
        ("BenchService/GetAttempt", "attempt_id"),
        ("AdviceService/GetVerdict", "verdict_id"),
        ("AdviceService/GetAgainVerdict", "again_verdict_id"),
        ("RegistryService/ListBenches", "shop_id"),
    ] {
        let path = format!("/restvolt.v1.{path}");
        let (_, kind) = methods().into_iter().find(|(at, _)| *at == path).unwrap();
        let ask = filler.fill(&kind, &ids, &|field| field == name);
        let bearer = format!("Bearer {}", stack.operator);
        let answer = call(&stack, &path, Some(&bearer), ask).await;
        assert!(answer.is_ok_and(|bytes| bytes.len() > 30), "{path}");
    }
    stack.finish().await;
}
