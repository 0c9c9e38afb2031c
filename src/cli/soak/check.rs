//! Compares ledger, samples, segments, receipts and quarantine after a soak.

use std::collections::{BTreeMap, HashMap, HashSet};

use anyhow::Context as _;
use sqlx::PgConnection;
use uuid::Uuid;

use super::Door;
use super::ledger::{self, Ledger};
use super::load::batch;
use crate::cli::replay::client::{Client, request};
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::{grpc, pb};
use crate::record::ranges::{Range, Ranges};
use crate::record::sample::Samples;

/// What a comparison found, for one door.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Found {
    /// Batches the ledger says were acknowledged.
    pub(super) acknowledged: u64,
    /// Samples of them.
    pub(super) samples: u64,
    /// Of those, samples that are not stored.
    pub(super) lost: u64,
    /// Samples stored more than once.
    pub(super) twice: u64,
    /// Samples stored with other times or values than were sent.
    pub(super) different: u64,
    /// Samples stored, acknowledged or not.
    pub(super) stored: u64,
    /// Boots whose receipt does not say what is stored.
    pub(super) receipts: u64,
    /// Batches in quarantine, though nothing was wrong with them.
    pub(super) quarantined: u64,
}

impl Found {
    /// Whether nothing is wrong, and something was compared at all.
    pub(super) fn is_good(&self) -> bool {
        let wrong = self.lost + self.twice + self.different + self.receipts + self.quarantined;
        // All that was sent was settled: nothing may be stored that was not acknowledged.
        self.acknowledged > 0 && wrong == 0 && self.stored == self.samples
    }
}

impl Found {
    /// As data.
    pub(super) fn json(&self, door: Door) -> serde_json::Value {
        serde_json::json!({
            "door": door.as_str(), "acknowledged": self.acknowledged, "samples": self.samples,
            "stored": self.stored, "lost": self.lost, "twice": self.twice,
            "different": self.different, "receipts_wrong": self.receipts,
            "quarantined": self.quarantined,
        })
    }
}

/// Boot -> number -> how often it is stored.
pub(super) type Stored = HashMap<i64, BTreeMap<i64, u32>>;

/// Compares everything of some devices.
pub(super) async fn compare(
    client: &Client,
    ledger: &Ledger,
    devices: &[(Door, Uuid)],
    conn: &mut PgConnection,
) -> anyhow::Result<BTreeMap<Door, Found>> {
    let mut found: BTreeMap<Door, Found> = BTreeMap::new();
    let mut stored: HashMap<Uuid, Stored> = HashMap::new();
    for (door, device) in devices {
        let entry = found.entry(*door).or_default();
        let read = Box::pin(read_back(client, *device, entry)).await?;
        entry.receipts += receipts(conn, *device, &read).await?;
        entry.quarantined += quarantined(conn, *device).await?;
        stored.insert(*device, read);
    }
    let mut counted: HashSet<(Uuid, i64, i64)> = HashSet::new();
    for line in ledger.read()? {
        let entry = found.entry(line.door).or_default();
        if !counted.insert((line.device, line.boot, line.first_seq)) {
            // The same batch was acknowledged again.
            continue;
        }
        entry.acknowledged += 1;
        entry.samples += u64::try_from(line.count)?;
        let sent = ledger::samples(&batch(line.device, line.boot, line.first_seq));
        anyhow::ensure!(
            ledger::digest(&sent) == line.digest,
            "the ledger has another batch than was made"
        );
        let boot = stored
            .get(&line.device)
            .and_then(|boots| boots.get(&line.boot));
        for seq in line.first_seq..line.first_seq + line.count {
            if !boot.is_some_and(|numbers| numbers.contains_key(&seq)) {
                entry.lost += 1;
            }
        }
    }
    Ok(found)
}

/// Reads every session of a device back through the service, and compares each sample with what the
/// device makes under its number.
pub(super) async fn read_back(
    client: &Client,
    device: Uuid,
    found: &mut Found,
) -> anyhow::Result<Stored> {
    let mut service = TelemetryServiceClient::new(client.channel.clone())
        .max_decoding_message_size(8 * grpc::MESSAGE_MAX);
    let mut stored = Stored::new();
    let mut page_token = String::new();
    loop {
        let ask = pb::ListSessionsRequest {
            device_id: device.to_string(),
            page_size: 1000,
            page_token,
            ..pb::ListSessionsRequest::default()
        };
        let listed = service
            .list_sessions(request(ask, &client.operator))
            .await?;
        let listed = listed.into_inner();
        for session in listed.sessions {
            let ask = pb::ReadSamplesRequest {
                session_id: session.session_id,
            };
            let stream = service.read_samples(request(ask, &client.operator)).await?;
            let mut stream = stream.into_inner();
            while let Some(message) = stream.message().await? {
                let run = message.samples.unwrap_or_default();
                let boot = run.boot_id;
                let samples = ledger::samples(&run);
                let numbers = stored.entry(boot).or_default();
                count(&samples, numbers, found);
                found.different += differing((device, boot), &samples);
            }
        }
        page_token = listed.next_page_token;
        if page_token.is_empty() {
            return Ok(stored);
        }
    }
}

fn count(samples: &Samples, numbers: &mut BTreeMap<i64, u32>, found: &mut Found) {
    for seq in samples.first_seq..=samples.last_seq() {
        let times = numbers.entry(seq).or_default();
        *times += 1;
        found.stored += 1;
        if *times > 1 {
            found.twice += 1;
        }
    }
}

/// Samples that are not what the device makes under their numbers.
fn differing((device, boot): (Uuid, i64), samples: &Samples) -> u64 {
    let mut different = 0;
    let mut from = samples.first_seq;
    while from <= samples.last_seq() {
        // The batch a number belongs to begins at 1, 61, 121 ...
        let first_seq = (from - 1) / 60 * 60 + 1;
        let to = (first_seq + 59).min(samples.last_seq());
        let made = ledger::samples(&batch(device, boot, first_seq)).slice(from, to);
        if samples.slice(from, to) != made {
            different += u64::try_from(to - from + 1).unwrap_or(0);
        }
        from = to + 1;
    }
    different
}

/// Batches of a device in quarantine.
async fn quarantined(conn: &mut PgConnection, device: Uuid) -> anyhow::Result<u64> {
    let count: i64 = sqlx::query_scalar("select count(*) from rv.quarantine where device_id = $1")
        .bind(device)
        .fetch_one(conn)
        .await?;
    Ok(u64::try_from(count)?)
}

/// Boots whose receipt or segments do not say what was read back.
async fn receipts(conn: &mut PgConnection, device: Uuid, stored: &Stored) -> anyhow::Result<u64> {
    let rows: Vec<(i64, i64, i64, i64)> = sqlx::query_as(
        "select r.boot_id, lower(h), upper(h) - 1,
            (select coalesce(sum(s.sample_count), 0)::bigint from rv.segment s
             where s.group_id = r.group_id and s.device_id = r.device_id and s.boot_id = r.boot_id)
        from rv.receipt r, unnest(r.held) h where r.device_id = $1 order by r.boot_id, lower(h)",
    )
    .bind(device)
    .fetch_all(conn)
    .await
    .context("the receipts cannot be read")?;
    let mut held: HashMap<i64, (Vec<Range>, i64)> = HashMap::new();
    for (boot, from, to, in_segments) in rows {
        let entry = held.entry(boot).or_insert((Vec::new(), in_segments));
        entry.0.push((from, to));
    }
    let boots: HashSet<i64> = held.keys().chain(stored.keys()).copied().collect();
    let wrong = boots.iter().filter(|boot| {
        let read = stored.get(boot).map(ranges).unwrap_or_default();
        let count: i64 = read.iter().map(|(from, to)| to - from + 1).sum();
        held.get(boot) != Some(&(read, count))
    });
    Ok(u64::try_from(wrong.count())?)
}

/// Numbers as ascending ranges.
fn ranges(numbers: &BTreeMap<i64, u32>) -> Vec<Range> {
    Ranges::from_pairs(numbers.keys().map(|seq| (*seq, *seq)))
        .as_slice()
        .to_vec()
}
