//! How webhooks are sent: no redirect is followed, no receiver is waited for, a heartbeat says that we live.

use std::time::Duration;

use restvolt::clock::Clock;
use restvolt::edge::pb;

use super::receiver::Receiver;
use super::{case, route, started, until};
use crate::harness::{Stack, database, fresh_number, noon};

const WHY: &str = "select coalesce((select last_error from rv.notification limit 1), '')";

/// Waits until the last error of the one notification says so.
async fn failed(stack: &Stack, word: &str) {
    until(|| async { stack.sql::<String>(WHY).await.contains(word).then_some(()) }).await;
}

#[tokio::test]
async fn a_redirect_is_not_followed_and_the_alarm_waits() {
    let stack = started(database::fresh()).await;
    let receiver = Receiver::start().await;
    receiver.answer(307);
    route(&stack, pb::AlarmLevel::Bench, "page", &receiver.url()).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    failed(&stack, "redirects are not followed").await;
    assert_eq!(receiver.elsewhere(), 0, "where it pointed to heard nothing");
    let waits: String = stack.sql("select state from rv.notification").await;
    assert_eq!(waits, "waiting");
    stack.finish().await;
}

#[tokio::test]
async fn a_receiver_that_never_answers_is_given_up_after_five_seconds() {
    let stack = started(database::fresh()).await;
    // It accepts connections and says nothing.
    let silent = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let url = format!("http://{}/hook", silent.local_addr().unwrap());
    route(&stack, pb::AlarmLevel::Bench, "page", &url).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    failed(&stack, "no answer within 5s").await;
    drop(silent);
    stack.finish().await;
}

#[tokio::test]
async fn a_heartbeat_goes_out_while_the_service_lives_and_no_longer() {
    let receiver = Receiver::start().await;
    let url = receiver.url();
    let settings = [
        ("alarm.webhook_allow", "127.0.0.1"),
        ("alarm.heartbeat_url", url.as_str()),
    ];
    let stack = Stack::start_on(database::fresh(), Clock::fixed(noon()), &settings).await;
    until(|| async { (receiver.count() == 1).then_some(()) }).await;
    let beat = receiver.bodies().remove(0);
    assert_eq!(beat["type"], "heartbeat");
    assert!(
        beat["timestamp"]
            .as_str()
            .unwrap()
            .starts_with("2026-06-01T12:00:00")
    );
    stack.finish().await;
    tokio::time::sleep(Duration::from_millis(500)).await;
    assert_eq!(receiver.count(), 1, "nothing after the end");
}

#[tokio::test]
async fn over_tls_a_receiver_is_told_whose_certificate_is_trusted_for_its_name_and_no_other() {
    let certificate = || rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    let (known, strange) = (certificate(), certificate());
    let file = std::env::temp_dir().join(format!("restvolt-ca-{:032x}.pem", fresh_number()));
    std::fs::write(&file, known.cert.pem()).unwrap();
    let settings = [
        ("alarm.webhook_allow", "127.0.0.1"),
        ("alarm.webhook_ca_file", file.to_str().unwrap()),
    ];
    let stack = Stack::start_on(database::fresh(), Clock::fixed(noon()), &settings).await;
    let (trusted, other) = (Receiver::with(&known).await, Receiver::with(&strange).await);
    let secret = route(&stack, pb::AlarmLevel::Bench, "page", &trusted.url()).await;
    route(&stack, pb::AlarmLevel::Bench, "strange", &other.url()).await;
    let by_address = trusted.url().replace("localhost", "127.0.0.1");
    route(&stack, pb::AlarmLevel::Bench, "another name", &by_address).await;
    let mut device = stack.device(pb::DeviceKind::Charger).await;
    device.push(case(1, &[7_000])).await;
    let told = trusted.alarms(1, &secret).await;
    assert_eq!(told[0]["kind"], "over_temperature");
    let why = "select string_agg(recipient || ': ' || last_error, E'\n' order by recipient)
        from rv.notification where state <> 'delivered' having count(last_error) = 2";
    let why = until(|| async {
        let mut conn = database::superuser(&stack.url).await;
        let found = sqlx::query_scalar::<_, String>(why)
            .fetch_optional(&mut conn)
            .await;
        found.unwrap()
    })
    .await;
    let lines: Vec<&str> = why.lines().collect();
    assert!(
        lines[0].starts_with("another name: ") && lines[0].contains("not valid for name"),
        "{why}"
    );
    assert!(
        lines[1].starts_with("strange: ") && lines[1].contains("invalid peer certificate"),
        "{why}"
    );
    assert_eq!((trusted.count(), other.count()), (1, 0));
    stack.finish().await;
    std::fs::remove_file(file).unwrap();
}
