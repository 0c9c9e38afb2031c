//! Ways to keep samples, measured in turn, and what more devices cost.

use std::time::Duration;

use anyhow::Context as _;
use tokio::time::Instant;
use uuid::Uuid;

use super::load::{self, BATCH, Discard, Loaded, Message};
use super::plain::Plain;
use super::{Bench, CONNECTIONS, machine, median, parts, samples, together};
use crate::cli::remark;
use crate::cli::site::{PASSWORD, Site};
use crate::edge::mqtt::link::{Address, Version};

/// Devices of the throughput rounds.
const DEVICES: usize = 16;

/// Samples a second of each way, round by round.
#[derive(Default)]
struct Rates {
    grpc: Vec<f64>,
    door: Vec<f64>,
    broker: Vec<f64>,
    /// A subscriber that throws away, on the client library's loop.
    plain: Vec<f64>,
    /// One on the service's own link.
    discard: Vec<f64>,
    copy_per_batch: Vec<f64>,
    one_copy: Vec<f64>,
}

impl Bench<'_> {
    /// Ways to keep samples, in turn.
    pub(super) async fn throughput(&mut self, second: &mut Site) -> anyhow::Result<()> {
        let batches = self.times(4_800);
        remark(&format!(
            "samples a second: {} rounds of {DEVICES} devices with {batches} batches of {BATCH}",
            self.rounds
        ));
        let mut rates = Rates::default();
        for round in 1..=self.rounds {
            remark(&format!("  round {round} of {}", self.rounds));
            Box::pin(self.round(batches, second, &mut rates)).await?;
        }
        machine::clear_rows(&mut self.superuser().await?).await?;
        self.compare(&rates);
        Ok(())
    }

    /// Every way once.
    async fn round(
        &mut self,
        batches: usize,
        second: &Site,
        rates: &mut Rates,
    ) -> anyhow::Result<()> {
        let mut conn = self.superuser().await?;
        let loaded = self.loaded(DEVICES, batches).await?;
        machine::settle(&mut conn).await?;
        let (took, _) = self.over_grpc(&loaded, None).await?;
        rates.grpc.push(samples(&loaded) / took.as_secs_f64());
        machine::settle(&mut conn).await?;
        rates
            .copy_per_batch
            .push(self.copy(batches / 4, false).await?);
        machine::settle(&mut conn).await?;
        rates.one_copy.push(self.copy(batches * 4, true).await?);
        machine::settle(&mut conn).await?;
        rates.door.push(self.over_door(batches / 2).await?);
        if let (Some(own), Some(other)) = (self.site.broker, second.broker) {
            machine::settle(&mut conn).await?;
            rates.broker.push(self.over_broker(own, batches / 2).await?);
            rates
                .plain
                .push(self.thrown_away(other, batches / 2, true).await?);
            rates
                .discard
                .push(self.thrown_away(other, batches / 2, false).await?);
        }
        Ok(())
    }

    fn compare(&mut self, rates: &Rates) {
        let of = |rates: &[f64], base: &[f64]| median(rates) / median(base);
        let against = |way: &[f64]| {
            format!(
                "{:.1} x COPY per batch, {:.2} x one big COPY",
                of(way, &rates.copy_per_batch),
                of(way, &rates.one_copy)
            )
        };
        for (what, way, more) in [
            (
                "gRPC, receipt after commit",
                &rates.grpc,
                against(&rates.grpc),
            ),
            ("own MQTT door, QoS 1", &rates.door, against(&rates.door)),
            (
                "a row a sample, COPY per batch",
                &rates.copy_per_batch,
                String::new(),
            ),
            (
                "a row a sample, one big COPY",
                &rates.one_copy,
                String::new(),
            ),
        ] {
            self.line(what, median(way), "samples/s", more);
        }
        if rates.broker.is_empty() {
            return;
        }
        let per_batch = |way: &[f64]| median(way) / BATCH as f64;
        let kept = format!(
            "{:.0} % of the plain subscriber that throws away, {:.0} % of the other; {}",
            100.0 * of(&rates.broker, &rates.plain),
            100.0 * of(&rates.broker, &rates.discard),
            against(&rates.broker)
        );
        self.line(
            "through a broker, QoS 1",
            per_batch(&rates.broker),
            "messages/s",
            kept,
        );
        for (what, way, loop_of) in [
            (
                "subscriber that throws away, plain",
                &rates.plain,
                "client library's own loop",
            ),
            (
                "subscriber that throws away, on our link",
                &rates.discard,
                "the service's loop",
            ),
        ] {
            let more = format!("the same broker, no service; {loop_of}");
            self.line(what, per_batch(way), "messages/s", more);
        }
    }

    /// Rows by COPY on as many connections as the service is sent to; samples a second.
    async fn copy(&self, batches: usize, big: bool) -> anyhow::Result<f64> {
        let mut ready = Vec::new();
        for number in 0..CONNECTIONS {
            let device = Uuid::from_u128(number as u128);
            let mut rows = machine::rows(&self.charge, device, batches.max(1));
            if big {
                rows = vec![rows.concat()];
            }
            ready.push((self.superuser().await?, rows));
        }
        machine::clear_rows(&mut self.superuser().await?).await?;
        let count = (CONNECTIONS * batches.max(1)) as f64 * BATCH as f64;
        let began = Instant::now();
        let work = ready
            .into_iter()
            .map(|(mut conn, rows)| async move { machine::copy(&mut conn, &rows).await });
        together(work).await?;
        Ok(count / began.elapsed().as_secs_f64())
    }

    /// Every device over its own connection to the service's own door; samples a second.
    async fn over_door(&mut self, batches: usize) -> anyhow::Result<f64> {
        let devices = self.new_devices(DEVICES).await?;
        let ids: Vec<Uuid> = devices.iter().map(|device| device.0).collect();
        let loaded = load::load(&ids, &self.charge, batches.max(1))?;
        let port = self.site.door.port();
        let parts = loaded.iter().map(|device| {
            let token = devices.iter().find(|known| known.0 == device.device);
            let token = token.map(|known| known.1.clone()).unwrap_or_default();
            let name = device.device.to_string();
            let messages = load::messages(std::slice::from_ref(device));
            (address(port, (&name, &name, &token)), messages)
        });
        let parts = parts.collect();
        let began = Instant::now();
        let settled = publish(parts).await?;
        Ok(samples(&loaded) / (settled - began).as_secs_f64())
    }

    /// Through a broker until the service has stored everything; samples a second.
    async fn over_broker(&mut self, port: u16, batches: usize) -> anyhow::Result<f64> {
        let loaded = self.loaded(DEVICES, batches.max(1)).await?;
        let batches: usize = loaded.iter().map(|device| device.batches.len()).sum();
        let goal = self.site.balance()?.stored + batches as u64 * BATCH as u64;
        let messages = gateways(port, &loaded);
        let began = Instant::now();
        let sent = publish(messages);
        let kept = async {
            while self.site.balance()?.stored < goal {
                anyhow::ensure!(
                    began.elapsed() < Duration::from_mins(5),
                    "the service did not store within 5 minutes what went through the broker"
                );
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            anyhow::Ok(began.elapsed())
        };
        let (_, took) = tokio::try_join!(sent, kept)?;
        Ok(samples(&loaded) / took.as_secs_f64())
    }

    /// The same through a broker to a subscriber that throws away, a plain one or one on the service's own
    /// link; samples a second.
    async fn thrown_away(&mut self, port: u16, batches: usize, plain: bool) -> anyhow::Result<f64> {
        let ids: Vec<Uuid> = (0..DEVICES).map(|_| Uuid::now_v7()).collect();
        let loaded = load::load(&ids, &self.charge, batches.max(1))?;
        let reader = address(port, ("discard", "restvolt", PASSWORD));
        let subscriber = if plain {
            Subscriber::Plain(Box::new(Plain::subscribe(&reader).await?))
        } else {
            Subscriber::Ours(Discard::subscribe(reader).await?)
        };
        let count = loaded.iter().map(|device| device.batches.len()).sum();
        let messages = gateways(port, &loaded);
        let began = Instant::now();
        let taken = async {
            match subscriber {
                Subscriber::Plain(plain) => plain.take(count).await?,
                Subscriber::Ours(ours) => ours.take(count).await?,
            }
            anyhow::Ok(began.elapsed())
        };
        let (_, took) = tokio::try_join!(publish(messages), taken)?;
        Ok(samples(&loaded) / took.as_secs_f64())
    }

    /// What more devices cost.
    pub(super) async fn devices(&mut self) -> anyhow::Result<()> {
        remark("cost at 1, 4 and 16 times the devices, the same number of samples");
        let total = self.times(51_200);
        let mut base = None;
        for devices in [4usize, 16, 64] {
            let mut costs = Vec::new();
            for _ in 0..self.rounds.min(3) {
                let loaded = self.loaded(devices, (total / devices).max(1)).await?;
                machine::settle(&mut self.superuser().await?).await?;
                let before = self.processor()?;
                self.over_grpc(&loaded, None).await?;
                costs.push((self.processor()? - before) * 1e6 / samples(&loaded));
            }
            let cost = median(&costs);
            let base = *base.get_or_insert(cost);
            let more = format!("{:.2} x", cost / base);
            let what = format!("processor, service + Postgres, {devices} devices");
            self.line(what, cost, "us/sample", more);
        }
        Ok(())
    }

    fn processor(&self) -> anyhow::Result<f64> {
        let service = self.site.service_process().context("no service runs")?;
        let database = u32::try_from(self.site.postmaster()?.as_raw())?;
        // The database is a child of the service and waited for at its end only.
        let of_database = machine::processor_s(database)?;
        Ok(machine::own_s(service)? + of_database)
    }
}

/// Who throws away.
enum Subscriber {
    Plain(Box<Plain>),
    Ours(Discard),
}

fn address(port: u16, login: (&str, &str, &str)) -> Address {
    Address::passing(("127.0.0.1", port), Version::V5, login, 64)
}

/// The devices as a few gateways would publish for them.
fn gateways(port: u16, loaded: &[Loaded]) -> Vec<(Address, Vec<Message>)> {
    let parts = parts(loaded, CONNECTIONS).enumerate();
    parts
        .map(|(number, part)| {
            let name = format!("gateway {number}");
            (
                address(port, (&name, "gateway", PASSWORD)),
                load::messages(part),
            )
        })
        .collect()
}

/// Publishes side by side; when the last message was acknowledged.
async fn publish(parts: Vec<(Address, Vec<Message>)>) -> anyhow::Result<Instant> {
    let work = parts
        .into_iter()
        .map(|(address, messages)| async move { load::publish(&address, &messages).await });
    let settled = together(work).await?;
    Ok(settled.into_iter().max().unwrap_or_else(Instant::now))
}
