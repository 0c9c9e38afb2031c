//! Sends bad input over a door and looks at what became of it.

use std::time::Duration;

use anyhow::Context as _;
use sqlx::PgConnection;
use uuid::Uuid;

use super::Door;
use super::check::{self, Found};
use super::load::{LoadDevice, batch};
use super::vectors::{self, Content, Fate, Vector};
use crate::cli::replay::client::{Client, bearer, request};
use crate::clock::Clock;
use crate::edge::encoding::Encoding;
use crate::edge::mqtt::link::{self, Address, Event, Link, Manner, Outbox};
use crate::edge::mqtt::topic;
use crate::edge::pb;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;

/// Longest wait for an acknowledgement.
const LIMIT: Duration = Duration::from_secs(10);
/// Boots: of the bad input, of the good batches after each, of the storm.
const VECTORS: i64 = 7;
const FOLLOWERS: i64 = 9;
const STORM_BOOT: i64 = 11;
/// Copies of one batch in a storm of duplicates.
const STORM: usize = 100;

/// What became of one piece of bad input.
#[derive(Debug)]
pub(super) struct Finding {
    pub(super) row: u8,
    pub(super) name: &'static str,
    /// What is wrong; `None` = as it must be.
    pub(super) wrong: Option<String>,
}

/// A connection that publishes and waits.
struct Probe {
    link: Link,
    outbox: Outbox,
}

impl Probe {
    async fn open(address: &Address) -> anyhow::Result<Self> {
        let mut link = link::open(address, 256);
        let event = tokio::time::timeout(LIMIT, link.next()).await??;
        anyhow::ensure!(matches!(event, Event::Connected { .. }), "{event:?}");
        Ok(Self {
            outbox: link.outbox(),
            link,
        })
    }

    /// Publishes `copies` of a message; `Ok(false)` when the connection ended instead.
    async fn publish(
        &mut self,
        topic: &str,
        payload: &[u8],
        copies: usize,
    ) -> anyhow::Result<bool> {
        let how = Manner {
            assured: true,
            retained: false,
        };
        for _ in 0..copies {
            self.outbox.publish(topic, payload.to_vec(), how)?;
        }
        let acked = async {
            let mut acked = 0;
            while acked < copies {
                match self.link.next().await {
                    Ok(Event::Acknowledged { accepted: true, .. }) => acked += 1,
                    Ok(Event::Acknowledged { .. }) | Err(_) => return false,
                    Ok(_) => {}
                }
            }
            true
        };
        tokio::time::timeout(LIMIT, acked)
            .await
            .context("neither an acknowledgement nor an end of the connection came")
    }
}

/// Sends every vector over the door of a device, each followed by a good batch; returns what is
/// not as it must be, and what is.
pub(super) async fn run(
    device: &LoadDevice,
    conn: &mut PgConnection,
) -> anyhow::Result<(Vec<Finding>, Vec<Vector>)> {
    let good = |first_seq: i64| batch(device.id, VECTORS, 1_000_000 + first_seq);
    let vectors = vectors::all(Clock::System.now().timestamp(), good);
    let mut findings = Vec::new();
    let fits = |vector: &Vector| device.door != Door::Grpc || fits_grpc(vector);
    let vectors: Vec<Vector> = vectors.into_iter().filter(fits).collect();
    for (follower, vector) in (1..).zip(&vectors) {
        let answered = send(device, vector).await;
        let after = batch(device.id, FOLLOWERS, 1 + 60 * (follower - 1));
        let next = send_batch(device, &after, 1).await;
        let wrong = match (answered, next) {
            (Err(error), _) => Some(format!("{error:#}")),
            (_, Err(error)) => Some(format!("the good batch after it was not taken: {error:#}")),
            (Ok(()), Ok(())) => look(device, vector, conn).await?,
        };
        findings.push(Finding {
            row: vector.row,
            name: vector.name,
            wrong,
        });
    }
    let storm = send_batch(device, &batch(device.id, STORM_BOOT, 1), STORM).await;
    findings.push(Finding {
        row: 41,
        name: "one batch a hundred times",
        wrong: storm.err().map(|error| format!("{error:#}")),
    });
    Ok((findings, vectors))
}

/// What the types of gRPC can say at all.
fn fits_grpc(vector: &Vector) -> bool {
    matches!(vector.content, Content::Batch(_)) && vector.row != 38
}

async fn send(device: &LoadDevice, vector: &Vector) -> anyhow::Result<()> {
    if device.door == Door::Grpc {
        let Content::Batch(batch) = &vector.content else {
            return Ok(());
        };
        return push(device, batch, 1).await;
    }
    let (level, payload) = vectors::message(vector, device.encoding);
    let target = format!("{}/{}/up/samples/{level}", topic::ROOT, device.id);
    let mut probe = Probe::open(&device.address()).await?;
    let taken = probe.publish(&target, &payload, 1).await?;
    anyhow::ensure!(
        taken == (vector.fate != Fate::NotTaken),
        "{}",
        if taken {
            "it was acknowledged"
        } else {
            "the connection ended"
        }
    );
    Ok(())
}

async fn send_batch(
    device: &LoadDevice,
    batch: &pb::SampleBatch,
    copies: usize,
) -> anyhow::Result<()> {
    if device.door == Door::Grpc {
        return push(device, batch, copies).await;
    }
    let mut probe = Probe::open(&device.address()).await?;
    let target = topic::samples(device.id, device.encoding);
    let payload = device.encoding.encode_batch(batch);
    anyhow::ensure!(
        probe.publish(&target, &payload, copies).await?,
        "the connection ended"
    );
    Ok(())
}

async fn push(device: &LoadDevice, batch: &pb::SampleBatch, copies: usize) -> anyhow::Result<()> {
    let endpoint = tonic::transport::Endpoint::from_shared(device.server.clone())?;
    let mut client = TelemetryServiceClient::new(endpoint.connect().await?);
    let batches = vec![batch.clone(); copies];
    let push = pb::PushRequest { batches };
    let token = bearer(&device.token)?;
    let answer = tokio::time::timeout(LIMIT, client.push(request(push, &token))).await??;
    let receipts = answer.into_inner().receipts;
    anyhow::ensure!(
        receipts.len() == copies,
        "{} receipts for {copies} batches",
        receipts.len()
    );
    Ok(())
}

/// Looks at what is kept of a vector; a broker passes it on a moment later.
async fn look(
    device: &LoadDevice,
    vector: &Vector,
    conn: &mut PgConnection,
) -> anyhow::Result<Option<String>> {
    let mut wrong = None;
    for _ in 0..100 {
        wrong = look_once(device, vector, conn).await?;
        if wrong.is_none() {
            return Ok(None);
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    Ok(wrong)
}

async fn look_once(
    device: &LoadDevice,
    vector: &Vector,
    conn: &mut PgConnection,
) -> anyhow::Result<Option<String>> {
    let encoding = if device.door == Door::Grpc {
        Encoding::Protobuf
    } else {
        device.encoding
    };
    let (_, payload) = vectors::message(vector, encoding);
    let digest = blake3::hash(&payload)
        .as_bytes()
        .iter()
        .take(16)
        .copied()
        .collect::<Vec<u8>>();
    let found: Vec<String> = sqlx::query_scalar(
        "select reason from rv.quarantine where device_id = $1 and raw_digest = $2",
    )
    .bind(device.id)
    .bind(digest)
    .fetch_all(&mut *conn)
    .await?;
    let wanted = match vector.fate {
        Fate::Quarantined(reason) | Fate::InPart(reason) => vec![reason],
        Fate::Stored | Fate::NotTaken => Vec::new(),
    };
    if found != wanted {
        return Ok(Some(format!("quarantine has {found:?}, not {wanted:?}")));
    }
    let Some((first_seq, numbers, wanted)) = vectors::leaves(vector) else {
        return Ok(None);
    };
    let wanted = i64::try_from(wanted)?;
    let stored = stored(conn, device.id, (first_seq, i64::try_from(numbers)?)).await?;
    Ok((stored != wanted).then(|| format!("{stored} samples are stored, not {wanted}")))
}

/// Looks again, after all that happened: bad input has the fate it had, and every good batch that was
/// sent beside it is stored once, as it was sent.
pub(super) async fn look_again(
    device: &LoadDevice,
    sent: &[Vector],
    client: &Client,
    conn: &mut PgConnection,
) -> anyhow::Result<Vec<Finding>> {
    let mut findings = Vec::new();
    for vector in sent {
        if let Some(wrong) = look_once(device, vector, conn).await? {
            findings.push(Finding {
                row: vector.row,
                name: vector.name,
                wrong: Some(format!("in the end {wrong}")),
            });
        }
    }
    let mut found = Found::default();
    let stored = Box::pin(check::read_back(client, device.id, &mut found)).await?;
    let count = i64::try_from(sent.len())?;
    for (boot, wanted) in [(FOLLOWERS, 60 * count), (STORM_BOOT, 60)] {
        let numbers = stored.get(&boot);
        let all = (1..=wanted).all(|seq| numbers.and_then(|of| of.get(&seq)) == Some(&1));
        let exact = numbers.map_or(0, std::collections::BTreeMap::len) == usize::try_from(wanted)?;
        if !(all && exact) {
            findings.push(Finding {
                row: 0,
                name: "good batches beside bad input",
                wrong: Some(format!(
                    "boot {boot}: not each of {wanted} samples is stored once"
                )),
            });
        }
    }
    Ok(findings)
}

/// Samples stored of some numbers of the vectors' boot.
async fn stored(
    conn: &mut PgConnection,
    device: Uuid,
    (first_seq, count): (i64, i64),
) -> anyhow::Result<i64> {
    let found: Option<i64> = sqlx::query_scalar(
        "select sum(least(last_seq, $4) - greatest(first_seq, $3) + 1)::bigint from rv.segment
        where device_id = $1 and boot_id = $2 and first_seq <= $4 and last_seq >= $3",
    )
    .bind(device)
    .bind(VECTORS)
    .bind(first_seq)
    .bind(first_seq + count - 1)
    .fetch_one(conn)
    .await?;
    Ok(found.unwrap_or(0))
}
