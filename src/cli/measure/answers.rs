//! How long answers take over a long history: a million outcomes taken in by `import`, then asked about.

use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::Bench;
use super::table::quantile;
use crate::cli::remark;
use crate::cli::replay::client::request;
use crate::clock::Clock;
use crate::edge::pb;
use crate::edge::pb::recovery_service_client::RecoveryServiceClient;
use crate::simulation::Random;

/// Outcomes at scale 1.
const OUTCOMES: usize = 1_000_000;
/// Times each question is asked.
const TIMES: usize = 200;
/// Longest an answer may take, ms. Source: ARCHITECTURE 10.
const GOAL_MS: f64 = 100.0;

const SHOPS: [&str; 4] = ["Kelder", "Ostrow", "Brack", "Vell"];
const CHEMISTRIES: [&str; 4] = ["flooded", "agm", "enhanced_flooded", "gel"];
const STORAGES: [&str; 3] = ["removed_indoors", "installed_connected", "unknown"];

/// Batteries that were all attempted, with outcomes that follow the starting voltage: shops, batteries, attempts.
fn history([shops, batteries, attempts]: &[PathBuf; 3], count: usize) -> anyhow::Result<()> {
    let sheets = SHOPS.map(|shop| serde_json::json!({"shop_id": shop, "currency": "EUR"}));
    std::fs::write(shops, serde_json::to_string(&sheets)?)?;
    let mut presented = BufWriter::new(File::create(batteries)?);
    let mut tried = BufWriter::new(File::create(attempts)?);
    let now = Clock::System.now().timestamp();
    let mut random = Random::of(1, "history");
    for case in 0..count {
        let volts = random.between(6.0, 12.9);
        let (months, age) = (random.waiting_s(7.0).min(48.0), random.between(6.0, 90.0));
        let (shop, chemistry) = (random.among(&SHOPS), random.among(&CHEMISTRIES));
        let storage = random.among(&STORAGES);
        let at = now - 86_400 * 700 + i64::try_from(case)? * 50;
        let outcome = if random.unit() < (volts - 6.0) / 7.5 {
            "recovered"
        } else {
            "not_recovered"
        };
        writeln!(
            presented,
            r#"{{"case_id":"h{case}","shop_id":"{shop}","presented_at":{at},"segment":"powersports","nominal_v":12,"chemistry":"{chemistry}","rest_v":{volts:.2},"age_months":{age:.1},"months_since_full_charge":{months:.1},"storage":"{storage}","tester":"ok"}}"#
        )?;
        writeln!(
            tried,
            r#"{{"case_id":"h{case}","method":"cc_cv","started_at":{},"hours":9.5,"outcome":"{outcome}","verified":true,"checkpoints":[]}}"#,
            at + 30
        )?;
    }
    presented.flush()?;
    tried.flush()?;
    Ok(())
}

impl Bench<'_> {
    /// The recovery table over many outcomes.
    pub(super) async fn answers(&mut self, folder: &Path) -> anyhow::Result<()> {
        let count = self.times(OUTCOMES);
        remark(&format!(
            "answers over {count} outcomes: they are taken in first"
        ));
        let files = ["shops.json", "batteries.jsonl", "attempts.jsonl"];
        let files = files.map(|name| folder.join(name));
        history(&files, count)?;
        let mut command = self.site.command();
        command.arg("import");
        for (flag, file) in ["--shops", "--batteries", "--attempts"].iter().zip(&files) {
            command.arg(flag).arg(file);
        }
        let began = Instant::now();
        let taken = tokio::task::spawn_blocking(move || command.output()).await??;
        anyhow::ensure!(
            taken.status.success(),
            "the import failed: {}",
            String::from_utf8_lossy(&taken.stderr)
        );
        let rate = count as f64 / began.elapsed().as_secs_f64();
        let each = "each a battery with its attempt".to_owned();
        self.line("outcomes taken in by import", rate, "outcomes/s", each);
        for (what, split) in [
            ("recovery table", pb::Split::Unspecified),
            ("recovery table, split by storage", pb::Split::Storage),
        ] {
            let mut times = self.asked(count, split).await?;
            times.sort_unstable();
            let (usual, late) = (quantile(&times, 0.5), quantile(&times, 0.99));
            let more = format!(
                "{:.3} of the goal of {GOAL_MS} ms over {count} outcomes; p99 {late:.2} ms",
                usual / GOAL_MS
            );
            self.line(what, usual, "ms", more);
        }
        Ok(())
    }

    async fn asked(&self, count: usize, split: pb::Split) -> anyhow::Result<Vec<Duration>> {
        let mut client = RecoveryServiceClient::new(self.client.channel.clone());
        let mut times = Vec::with_capacity(TIMES);
        for _ in 0..TIMES {
            let question = pb::QueryRecoveryTableRequest {
                split: split as i32,
                ..Default::default()
            };
            let began = Instant::now();
            let answer = client.query_recovery_table(request(question, &self.client.operator));
            let answer = answer.await?.into_inner();
            times.push(began.elapsed());
            let margin = answer
                .rows
                .iter()
                .filter(|row| row.months_band == "all months");
            let total: i64 = margin.map(|row| row.count).sum();
            anyhow::ensure!(
                usize::try_from(total)? == count,
                "the table counts {total} of {count} outcomes"
            );
        }
        Ok(times)
    }
}
