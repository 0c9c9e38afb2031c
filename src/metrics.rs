//! Every metric: name, unit, labels. Labels are closed lists; never a device, session or battery.

use std::time::Duration;

use metrics::{counter, describe_counter, describe_gauge, describe_histogram, gauge, histogram};

use crate::intake::Receipt;

/// Samples that arrived with a readable batch.
const RECEIVED: &str = "restvolt_ingest_samples_received_total";
/// Samples by what became of them; their sum equals the received ones.
const SAMPLES: &str = "restvolt_ingest_samples_total";
/// Batches by what became of them.
const BATCHES: &str = "restvolt_ingest_batches_total";
/// Refused items by reason.
const REJECTED: &str = "restvolt_ingest_rejected_total";
/// Calls refused before anything was read of them.
const REFUSED: &str = "restvolt_refused_calls_total";
/// Duration of a commit.
const COMMIT: &str = "restvolt_ingest_commit_duration_seconds";
/// Batches in a commit.
const TURN: &str = "restvolt_ingest_commit_batches";
/// Share of the byte budget in use.
const LOAD: &str = "restvolt_ingest_budget_ratio";
/// Connections of the database pools.
const POOL: &str = "restvolt_db_connections";
/// Sessions closed by reason.
const CLOSED: &str = "restvolt_sessions_closed_total";
/// Jobs that failed and will be tried again.
const JOB_FAILED: &str = "restvolt_jobs_failed_total";
/// Jobs that are due.
const JOBS_DUE: &str = "restvolt_jobs_due";
/// Runs this process watches.
const WATCHED: &str = "restvolt_watched_runs";
/// Answers given.
const VERDICTS: &str = "restvolt_verdicts_total";
/// Whether the service is subscribed at its broker.
const MQTT_CONNECTED: &str = "restvolt_mqtt_connected";
/// Connections to the broker dropped by us.
const MQTT_PARKED: &str = "restvolt_mqtt_parked_total";
/// Alarms raised, by class.
const ALARMS: &str = "restvolt_alarms_raised_total";
/// From hearing a condition to showing its alarm.
const ALARM_DELAY: &str = "restvolt_alarm_delay_seconds";
/// Conditions that wait for the alarm lane.
const ALARM_QUEUE: &str = "restvolt_alarm_queue";
/// Conditions let go because every place was taken.
const ALARM_DISPLACED: &str = "restvolt_alarm_displaced_total";
/// Steps written to the alarm journal.
const ALARM_JOURNALED: &str = "restvolt_alarm_journal_records_total";
/// Attempts to notify, by what became of them.
const NOTIFICATIONS: &str = "restvolt_alarm_notifications_total";
/// Build facts.
const BUILD: &str = "restvolt_build_info";

/// Names units and meanings once, at start.
pub fn describe() {
    use metrics::Unit::{Count, Seconds};
    describe_counter!(RECEIVED, Count, "Samples that arrived in readable batches");
    describe_counter!(
        SAMPLES,
        Count,
        "Samples by result: stored, duplicate, quarantined"
    );
    describe_counter!(BATCHES, Count, "Batches by door and result");
    describe_counter!(REJECTED, Count, "Refused items by stable reason");
    describe_counter!(
        REFUSED,
        Count,
        "Calls refused for their credential or a bound, by reason"
    );
    describe_histogram!(COMMIT, Seconds, "Duration of one intake transaction");
    describe_histogram!(TURN, Count, "Batches in one intake transaction");
    describe_gauge!(LOAD, "Share of the intake byte budget in use, 0 to 1");
    describe_gauge!(POOL, Count, "Database connections by pool and state");
    describe_counter!(CLOSED, Count, "Sessions closed, by reason");
    describe_counter!(
        JOB_FAILED,
        Count,
        "Jobs that failed and will be tried again"
    );
    describe_gauge!(JOBS_DUE, Count, "Jobs that are due and not taken");
    describe_gauge!(WATCHED, Count, "Open charges this process watches");
    describe_counter!(VERDICTS, Count, "Verdicts by answer");
    describe_gauge!(MQTT_CONNECTED, "1 while subscribed at the MQTT broker");
    describe_counter!(
        MQTT_PARKED,
        Count,
        "Connections to the MQTT broker dropped until there is room, by reason"
    );
    describe_counter!(ALARMS, Count, "Alarms raised, by class");
    describe_histogram!(
        ALARM_DELAY,
        Seconds,
        "From hearing a condition to showing and sending its alarm"
    );
    describe_gauge!(
        ALARM_QUEUE,
        Count,
        "Conditions that wait for the alarm lane"
    );
    describe_counter!(
        ALARM_DISPLACED,
        Count,
        "Conditions let go because every place of the alarm queue was taken"
    );
    describe_counter!(
        ALARM_JOURNALED,
        Count,
        "Alarm steps written to the journal while the database was away"
    );
    describe_counter!(
        NOTIFICATIONS,
        Count,
        "Notifications by result of an attempt: delivered, waiting, failed, heartbeat_failed"
    );
    describe_gauge!(BUILD, "1, with the version as a label");
    gauge!(BUILD, "version" => env!("CARGO_PKG_VERSION")).set(1.0);
}

fn as_count(value: i64) -> u64 {
    u64::try_from(value).unwrap_or(0)
}

/// Counts a committed batch. Samples with a refused value are kept, so they count as stored.
pub fn count_receipt(channel: &'static str, receipt: &Receipt) {
    let lost = if receipt.refused_whole {
        receipt.received
    } else {
        0
    };
    counter!(RECEIVED).increment(as_count(receipt.received));
    counter!(SAMPLES, "result" => "stored").increment(as_count(receipt.stored));
    counter!(SAMPLES, "result" => "duplicate").increment(as_count(receipt.duplicate));
    counter!(SAMPLES, "result" => "quarantined").increment(as_count(lost));
    let result = if receipt.refused_whole {
        "quarantined"
    } else if receipt.stored == 0 && receipt.received > 0 {
        "duplicate"
    } else {
        "stored"
    };
    counter!(BATCHES, "channel" => channel, "result" => result).increment(1);
    for reject in &receipt.rejections {
        counter!(REJECTED, "reason" => reject.code.as_str()).increment(1);
    }
}

/// Counts a call refused for its credential or a bound.
pub fn count_refused(reason: &'static str) {
    counter!(REFUSED, "reason" => reason).increment(1);
}

/// Observes one intake transaction.
pub fn observe_commit(took: Duration, batches: usize) {
    histogram!(COMMIT).record(took.as_secs_f64());
    histogram!(TURN).record(batches as f64);
}

/// Sets the share of the byte budget in use.
pub fn set_load(ratio: f64) {
    gauge!(LOAD).set(ratio);
}

/// Sets the connections of a pool.
pub fn set_connections(pool: &'static str, (used, idle): (usize, usize)) {
    gauge!(POOL, "pool" => pool, "state" => "used").set(used as f64);
    gauge!(POOL, "pool" => pool, "state" => "idle").set(idle as f64);
}

/// Says whether the service is subscribed at its broker.
pub fn set_mqtt_connected(connected: bool) {
    gauge!(MQTT_CONNECTED).set(if connected { 1.0 } else { 0.0 });
}

/// Counts a connection to the broker dropped by us.
pub fn count_mqtt_parked(reason: &'static str) {
    counter!(MQTT_PARKED, "reason" => reason).increment(1);
}

/// Counts a closed session.
pub fn count_closed(reason: &'static str) {
    counter!(CLOSED, "reason" => reason).increment(1);
}

/// Counts a failed job.
pub fn count_job_failed() {
    counter!(JOB_FAILED).increment(1);
}

/// Sets the number of due jobs.
pub fn set_jobs_due(count: i64) {
    gauge!(JOBS_DUE).set(count as f64);
}

/// Sets the number of runs this process watches.
pub fn set_watched(count: usize) {
    gauge!(WATCHED).set(count as f64);
}

/// Counts an answer.
pub fn count_verdict(answer: &'static str) {
    counter!(VERDICTS, "answer" => answer).increment(1);
}

/// Counts a raised alarm.
pub fn count_alarm(class: &'static str) {
    counter!(ALARMS, "class" => class).increment(1);
}

/// Observes the way of a condition through the alarm lane.
pub fn observe_alarm(took: Duration) {
    histogram!(ALARM_DELAY).record(took.as_secs_f64());
}

/// Sets the number of conditions that wait.
pub fn set_alarm_queue(count: usize) {
    gauge!(ALARM_QUEUE).set(count as f64);
}

/// Counts a condition that was let go.
pub fn count_alarm_displaced() {
    counter!(ALARM_DISPLACED).increment(1);
}

/// Counts steps written to the journal.
pub fn count_alarm_journaled(count: usize) {
    counter!(ALARM_JOURNALED).increment(count as u64);
}

/// Counts an attempt to notify.
pub fn count_notification(result: &'static str, count: usize) {
    counter!(NOTIFICATIONS, "result" => result).increment(count as u64);
}
