//! How long answers take over a long history: a million outcomes taken in by `import`, then asked about.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

use super::Bench;
use super::table::quantile;
use crate::cli::remark;
use crate::cli::replay::client::request;
use crate::edge::pb;
use crate::edge::pb::recovery_service_client::RecoveryServiceClient;
use crate::simulation::Random;

/// Outcomes at scale 1.
const OUTCOMES: usize = 1_000_000;
/// Times each question is asked.
const TIMES: usize = 200;
/// Longest an answer may take, ms. Source: ARCHITECTURE 10.
const GOAL_MS: f64 = 100.0;
/// Rows written at once.
const CHUNK: usize = 10_000;

const SHOPS: [&str; 4] = ["Kelder", "Ostrow", "Brack", "Vell"];
const CHEMISTRIES: [&str; 4] = ["flooded", "agm", "enhanced_flooded", "gel"];
const STORAGES: [&str; 3] = ["removed_indoors", "installed_connected", "unknown"];

/// Batteries that were all attempted, with outcomes that follow the starting voltage; two files of JSON lines.
fn history(folder: &Path, count: usize) -> anyhow::Result<[(&'static str, String); 3]> {
    let names = ["shops.json", "batteries.jsonl", "attempts.jsonl"].map(|name| folder.join(name));
    let [shops, batteries, attempts] = &names;
    let sheets = SHOPS.map(|shop| serde_json::json!({"shop_id": shop, "currency": "EUR"}));
    std::fs::write(shops, serde_json::to_string(&sheets)?)?;
    let (mut presented, mut tried) = (
        std::fs::File::create(batteries)?,
        std::fs::File::create(attempts)?,
    );
    let now = crate::clock::Clock::System.now().timestamp();
    let mut random = Random::of(1, "history");
    let of = |random: &mut Random, words: &[&'static str]| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "below the number of words"
        )]
        let index = (random.unit() * words.len() as f64) as usize;
        words.get(index).copied().unwrap_or_default()
    };
    let mut number = 0;
    while number < count {
        let (mut cases, mut outcomes) = (String::new(), String::new());
        for case in number..count.min(number + CHUNK) {
            let volts = random.between(6.0, 12.9);
            let (months, age) = (random.waiting_s(7.0).min(48.0), random.between(6.0, 90.0));
            let (shop, chemistry) = (of(&mut random, &SHOPS), of(&mut random, &CHEMISTRIES));
            let storage = of(&mut random, &STORAGES);
            let at = now - 86_400 * 700 + i64::try_from(case)? * 50;
            let outcome = if random.unit() < (volts - 6.0) / 7.5 {
                "recovered"
            } else {
                "not_recovered"
            };
            // Writing to a String cannot fail.
            let _ = writeln!(
                cases,
                r#"{{"case_id":"h{case}","shop_id":"{shop}","presented_at":{at},"segment":"powersports","nominal_v":12,"chemistry":"{chemistry}","rest_v":{volts:.2},"age_months":{age:.1},"months_since_full_charge":{months:.1},"storage":"{storage}","tester":"ok"}}"#
            );
            let _ = writeln!(
                outcomes,
                r#"{{"case_id":"h{case}","method":"cc_cv","started_at":{},"hours":9.5,"outcome":"{outcome}","verified":true,"checkpoints":[]}}"#,
                at + 30
            );
        }
        presented.write_all(cases.as_bytes())?;
        tried.write_all(outcomes.as_bytes())?;
        number += CHUNK;
    }
    let flags = ["--shops", "--batteries", "--attempts"];
    let paths = names.map(|path| path.display().to_string());
    let [one, two, three] = paths;
    let [shops, batteries, attempts] = flags;
    Ok([(shops, one), (batteries, two), (attempts, three)])
}

impl Bench<'_> {
    /// The recovery table over many outcomes.
    pub(super) async fn answers(&mut self, folder: &Path) -> anyhow::Result<()> {
        let count = self.times(OUTCOMES);
        remark(&format!(
            "answers over {count} outcomes: they are taken in first"
        ));
        let mut command = self.site.command();
        command.arg("import");
        for (flag, path) in history(folder, count)? {
            command.arg(flag).arg(path);
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
