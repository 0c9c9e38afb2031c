//! One night of the demo: batteries come in, are asked about, charged, and tested in the morning.

use anyhow::Context as _;
use chrono::{DateTime, TimeDelta, Utc};
use futures_util::stream::{StreamExt as _, TryStreamExt as _};
use uuid::Uuid;

use super::season::{SHOPS, Shop};
use crate::cli::replay::client::{Client, patiently, request};
use crate::cli::replay::delivery::{Delivery, Sent};
use crate::cli::simulate::{Hours, Simulated, simulate};
use crate::clock::Clock;
use crate::edge::pb;
use crate::edge::pb::advice_service_client::AdviceServiceClient;
use crate::edge::pb::bench_service_client::BenchServiceClient;
use crate::edge::pb::registry_service_client::RegistryServiceClient;
use crate::edge::pb::telemetry_service_client::TelemetryServiceClient;
use crate::edge::wire::{Word as _, timestamp};
use crate::record::words::{
    Answer, Chemistry, DeviceKind, EndReason, Method, OutcomeClass, Purpose, ReadingKind, Storage,
    TesterState,
};
use crate::simulation::Case;

/// Charged so long, then rested until the voltage counts: 8 h and a little.
const NIGHT: Hours = Hours {
    charge: 12.0,
    rest: 8.2,
};
/// Benches that send at the same time.
const AT_ONCE: usize = 4;

/// A battery of the night.
pub(super) struct Guest {
    shop: &'static Shop,
    made: Simulated,
}

/// What is known of it in the morning.
pub(super) struct Morning {
    pub(super) bench: String,
    pub(super) battery: String,
    pub(super) case: String,
    pub(super) start_volts: f64,
    pub(super) answer: Option<Answer>,
    /// Chance and its 90 % range, per cent.
    pub(super) chance: Option<[f64; 3]>,
    pub(super) door: &'static str,
    pub(super) samples: i64,
    pub(super) refused: i64,
    pub(super) charge_ah: Option<f64>,
    pub(super) rested_volts: f64,
    pub(super) cranking: f64,
    pub(super) outcome: Option<OutcomeClass>,
    pub(super) confirmed: bool,
}

impl Guest {
    /// Draws and charges one; takes a moment.
    pub(super) fn new(number: u16, seed: u64) -> anyhow::Result<Self> {
        let index = usize::from(number - 1);
        let case = Case::ALL.get(index % Case::ALL.len()).copied();
        let shop = SHOPS.get(index % SHOPS.len());
        Ok(Self {
            shop: shop.context("a shop is missing")?,
            made: simulate(number, case.context("a case is missing")?, seed, NIGHT),
        })
    }

    /// What was written down when it came in.
    fn visit(&self, presented: DateTime<Utc>) -> pb::VisitFacts {
        let nominal = self.made.nominal_volts;
        let deep = self.made.start_volts < 0.9 * f64::from(nominal);
        let battery = pb::BatteryFacts {
            chemistry: Chemistry::Agm.to_wire(),
            segment: self.shop.segment.to_wire(),
            nominal_volts: nominal.into(),
            rated_cca_amperes: Some(self.rated_cca()),
            cca_standard: pb::CcaStandard::En as i32,
            rated_capacity_ampere_hours: Some(self.made.rated_ah),
            label: format!("{}-{}", self.shop.name, self.made.number),
        };
        pb::VisitFacts {
            battery: Some(battery),
            rest_volts: Some((self.made.start_volts * 100.0).round() / 100.0),
            months_since_full_charge: Some(if deep { 9.0 } else { 3.0 }),
            storage: Storage::RemovedIndoors.to_wire(),
            tester: TesterState::Ok.to_wire(),
            replacement_price: Some((40.0 + 2.0 * self.made.rated_ah).round()),
            presented_time: Some(timestamp(presented)),
            ..Default::default()
        }
    }

    /// About so many amperes are printed on such a battery (common practice, no source).
    fn rated_cca(&self) -> f64 {
        (12.0 * self.made.rated_ah).round()
    }

    /// The cranking current a tester would show, A: in this demo, in proportion to what the weakest
    /// cell holds.
    fn cranking(&self) -> f64 {
        (self.rated_cca() * (0.1 + 0.95 * self.made.weakest)).round()
    }

    fn rested_volts(&self) -> f64 {
        let meter = self.made.recordings.get(&DeviceKind::Meter);
        let last = meter.and_then(|meter| meter.samples.columns.voltage_mv.last());
        f64::from(last.copied().unwrap_or_default()) / 1_000.0
    }
}

/// So many hours before.
fn before(now: DateTime<Utc>, hours: f64) -> DateTime<Utc> {
    #[expect(clippy::cast_possible_truncation, reason = "a night in seconds")]
    let seconds = (3_600.0 * hours) as i64;
    now - TimeDelta::seconds(seconds)
}

fn id() -> String {
    Uuid::now_v7().to_string()
}

/// The whole night of one battery.
struct Evening<'a> {
    client: &'a Client,
    shop_id: String,
    guest: &'a Guest,
}

impl Evening<'_> {
    fn with<T>(&self, message: T) -> tonic::Request<T> {
        request(message, &self.client.operator)
    }

    /// It comes in and is asked about: visit and verdict.
    async fn ask(&self, at: DateTime<Utc>) -> anyhow::Result<(String, pb::Verdict)> {
        let bench = BenchServiceClient::new(self.client.channel.clone());
        let visit = pb::RecordVisitRequest {
            request_id: id(),
            shop_id: self.shop_id.clone(),
            facts: Some(self.guest.visit(at)),
        };
        let visit_id = patiently(|| {
            let (mut bench, visit) = (bench.clone(), self.with(visit.clone()));
            async move { bench.record_visit(visit).await }
        })
        .await?
        .visit_id;
        let advice = AdviceServiceClient::new(self.client.channel.clone());
        let ask = pb::AskRequest {
            visit_id: visit_id.clone(),
            ..Default::default()
        };
        let verdict = patiently(|| {
            let (mut advice, ask) = (advice.clone(), self.with(ask.clone()));
            async move { advice.ask(ask).await }
        })
        .await?
        .verdict;
        Ok((visit_id, verdict.unwrap_or_default()))
    }

    async fn start(
        &self,
        visit_id: String,
        bench_id: &str,
        at: DateTime<Utc>,
    ) -> anyhow::Result<String> {
        let bench = BenchServiceClient::new(self.client.channel.clone());
        let start = pb::StartAttemptRequest {
            request_id: id(),
            visit_id,
            bench_id: bench_id.to_owned(),
            purpose: Purpose::PlainCharge.to_wire(),
            method: Method::CcCv.to_wire(),
            start_time: Some(timestamp(at)),
            ..Default::default()
        };
        let started = patiently(|| {
            let (mut bench, start) = (bench.clone(), self.with(start.clone()));
            async move { bench.start_attempt(start).await }
        })
        .await?;
        Ok(started.attempt_id)
    }

    /// Claims the whole run of the charger's session for the attempt.
    async fn claim(&self, attempt_id: &str, bench_id: &str) -> anyhow::Result<pb::Session> {
        let telemetry = TelemetryServiceClient::new(self.client.channel.clone());
        let ask = pb::ListSessionsRequest {
            bench_id: bench_id.to_owned(),
            ..Default::default()
        };
        // Closing a session is a job of its own: it follows the end of the charge within a moment.
        for _ in 0..200 {
            let listed = patiently(|| {
                let (mut telemetry, ask) = (telemetry.clone(), self.with(ask.clone()));
                async move { telemetry.list_sessions(ask).await }
            })
            .await?;
            let sessions = listed.sessions;
            let closed = sessions.into_iter().find(|session| {
                // One that late samples opened again has the sums of before, and will be closed anew.
                session.device_kind == DeviceKind::Charger.to_wire()
                    && session.state == pb::SessionState::Closed as i32
                    && session.charge_ampere_hours.is_some()
            });
            let Some(session) = closed else {
                tokio::time::sleep(std::time::Duration::from_millis(100)).await;
                continue;
            };
            anyhow::ensure!(session.sample_count > 0, "the charger's session is empty");
            let bench = BenchServiceClient::new(self.client.channel.clone());
            let claim = pb::ClaimSessionRequest {
                attempt_id: attempt_id.to_owned(),
                session_id: session.session_id.clone(),
                whole_run: true,
            };
            patiently(|| {
                let (mut bench, claim) = (bench.clone(), self.with(claim.clone()));
                async move { bench.claim_session(claim).await }
            })
            .await?;
            return Ok(session);
        }
        anyhow::bail!("the charger's session did not close within 20 s")
    }

    /// Ends the attempt and writes down what the morning shows.
    async fn retest(&self, attempt_id: &str, now: DateTime<Utc>) -> anyhow::Result<pb::Outcome> {
        let bench = BenchServiceClient::new(self.client.channel.clone());
        let ended = pb::EndAttemptRequest {
            attempt_id: attempt_id.to_owned(),
            end_reason: EndReason::Completed.to_wire(),
            end_time: Some(timestamp(before(now, NIGHT.rest))),
        };
        patiently(|| {
            let (mut bench, ended) = (bench.clone(), self.with(ended.clone()));
            async move { bench.end_attempt(ended).await }
        })
        .await?;
        let mut outcome = None;
        for (kind, value) in [
            (ReadingKind::OpenCircuitVoltage, self.guest.rested_volts()),
            (ReadingKind::MeasuredCca, self.guest.cranking()),
        ] {
            let reading = pb::Reading {
                kind: kind.to_wire(),
                value: Some(value),
                temperature_celsius: Some(20.0),
                rested_minutes: Some(NIGHT.rest * 60.0),
                reading_time: Some(timestamp(now)),
                ..Default::default()
            };
            let add = pb::AddReadingRequest {
                request_id: id(),
                attempt_id: attempt_id.to_owned(),
                reading: Some(reading),
                ..Default::default()
            };
            outcome = patiently(|| {
                let (mut bench, add) = (bench.clone(), self.with(add.clone()));
                async move { bench.add_reading(add).await }
            })
            .await?
            .outcome;
        }
        outcome.context("the retest gave no outcome")
    }
}

/// Lets the batteries come in, charges them side by side and tests them; in order of the benches.
pub(super) async fn night(
    client: &Client,
    (server, mqtt): (&str, &str),
    guests: &[Guest],
    told: &(dyn Fn(&Morning) + Sync),
) -> anyhow::Result<Vec<Morning>> {
    let mut registry = RegistryServiceClient::new(client.channel.clone());
    let shops = registry
        .list_shops(request(pb::ListShopsRequest {}, &client.operator))
        .await?
        .into_inner()
        .shops;
    let work = guests.iter().map(|guest| {
        let known = shops.iter().find(|shop| shop.name == guest.shop.name);
        let shop_id = known.map(|shop| shop.shop_id.clone());
        async move {
            let night = Evening {
                client,
                shop_id: shop_id.context("the season was not imported")?,
                guest,
            };
            // Every third bench has a charger that speaks gRPC, the others speak MQTT.
            let over_mqtt = guest.made.number % 3 != 0;
            let morning = Box::pin(one(&night, (server, mqtt), over_mqtt)).await?;
            told(&morning);
            anyhow::Ok(morning)
        }
    });
    futures_util::stream::iter(work)
        .buffered(AT_ONCE)
        .try_collect()
        .await
}

async fn one(
    night: &Evening<'_>,
    (server, mqtt): (&str, &str),
    over_mqtt: bool,
) -> anyhow::Result<Morning> {
    let guest = night.guest;
    let name = guest.made.bench();
    let bench = night.client.bench(guest.shop.name, &name).await?;
    let begun = before(Clock::System.now(), NIGHT.charge + NIGHT.rest + 0.1);
    let (visit_id, verdict) = night.ask(begun).await?;
    let attempt_id = night.start(visit_id, &bench.id, begun).await?;
    let delivery = Delivery::plain(
        server.to_owned(),
        guest.shop.name,
        over_mqtt.then(|| mqtt.to_owned()),
    );
    let sent = Sent {
        name: &name,
        recordings: &guest.made.recordings,
        declare: None,
    };
    let carried = delivery.carry(night.client, &bench, sent).await?;
    let session = night.claim(&attempt_id, &bench.id).await?;
    let now = Clock::System.now();
    let outcome = night.retest(&attempt_id, now).await?;
    let chance = verdict.chance_ratio.zip(verdict.chance_interval.as_ref());
    Ok(Morning {
        bench: format!("{} {name}", guest.shop.name),
        battery: format!("{} V {} Ah", guest.made.nominal_volts, guest.made.rated_ah),
        case: guest.made.case.as_str().replace('_', " "),
        start_volts: guest.made.start_volts,
        answer: Answer::from_wire(verdict.answer),
        chance: chance.map(|(chance, range)| {
            [chance, range.lower_ratio, range.upper_ratio].map(|ratio| ratio * 100.0)
        }),
        door: if over_mqtt { "MQTT" } else { "gRPC" },
        samples: carried.iter().map(|device| device.tally.kept).sum(),
        refused: carried.iter().map(|device| device.tally.refused).sum(),
        charge_ah: session.charge_ampere_hours,
        rested_volts: guest.rested_volts(),
        cranking: guest.cranking() / guest.rated_cca(),
        outcome: OutcomeClass::from_wire(outcome.outcome_class),
        confirmed: outcome.confirmed,
    })
}
