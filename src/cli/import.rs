//! `import`: history from files.

use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;

use super::local::Local;
use super::{Context, Done, print, remark};
use crate::query::import::files;
use crate::query::import::{Import, Imported};
use crate::reject::Reject;

/// Rows handed over at once; progress is shown in between.
const AT_ONCE: usize = 1_000;
/// Refusals shown one by one for each file; the rest is counted.
const SHOWN: usize = 50;

/// Take in shops, presented batteries and attempts from files.
///
/// JSON lines (.jsonl), CSV with the same columns, plain or .gz; shops as a JSON array. Good lines
/// are kept, bad ones reported by line and reason (exit code 2). The same file again changes nothing.
#[derive(Debug, Args)]
#[command(after_help = "\
Columns:
  batteries  case_id shop_id presented_at segment nominal_v chemistry rest_v age_months
             months_since_full_charge storage tester cca_ratio electrolyte_low cca_rated
             cca_measured replacement_price
  attempts   case_id charger_id method started_at hours outcome verified checkpoints
  shops      shop_id currency and the costs labour_per_h labour_min_per_attempt charger_hour
             kwh_price recovered_worth_fraction comeback_prob hazard_prob hazard_cost ...
Times are seconds since 1970 or RFC 3339; an empty value is not known.

Example:
  restvolt import --batteries batteries.jsonl.gz --attempts attempts.jsonl.gz --shops shops.json")]
pub(super) struct Arguments {
    /// Batteries that came in.
    #[arg(long, value_name = "FILE")]
    batteries: Option<PathBuf>,
    /// Attempts on them; their batteries come in the same call or came before.
    #[arg(long, value_name = "FILE")]
    attempts: Option<PathBuf>,
    /// Shops with their cost sheets.
    #[arg(long, value_name = "FILE")]
    shops: Option<PathBuf>,
    /// Answer each line as the import would, and keep nothing.
    #[arg(long)]
    dry_run: bool,
}

/// What became of a file.
#[derive(Debug, Default, serde::Serialize)]
struct Tally {
    stored: usize,
    same: usize,
    refused: usize,
}

/// A file on its way in.
struct Intake<'a> {
    context: &'a Context,
    file: &'a Path,
    tally: Tally,
}

impl Intake<'_> {
    fn refuse(&mut self, line: u64, reject: &Reject) -> anyhow::Result<()> {
        self.tally.refused += 1;
        let file = self.file.display();
        if self.context.json {
            let told = json!({"file": file.to_string(), "line": line, "refused": reject});
            return print(&told.to_string());
        }
        match self.tally.refused {
            n if n <= SHOWN => remark(&format!("{file} line {line}: {reject}")),
            n if n == SHOWN + 1 => remark("... further refusals are counted, `--json` lists all"),
            _ => {}
        }
        Ok(())
    }

    fn take(&mut self, line: u64, imported: Imported) -> anyhow::Result<()> {
        match imported {
            Imported::Stored => self.tally.stored += 1,
            Imported::Same => self.tally.same += 1,
            Imported::Refused(reject) => self.refuse(line, &reject)?,
        }
        Ok(())
    }

    fn progress(&self) {
        if std::io::stderr().is_terminal() {
            let done = self.tally.stored + self.tally.same + self.tally.refused;
            let _ = std::io::Write::write_fmt(
                &mut std::io::stderr(),
                format_args!("\r{}: {done} lines", self.file.display()),
            );
        }
    }

    fn finish(self, what: &str, dry_run: bool) -> anyhow::Result<usize> {
        let Tally {
            stored,
            same,
            refused,
        } = &self.tally;
        if std::io::stderr().is_terminal() {
            remark("");
        }
        if self.context.json {
            let file = self.file.display().to_string();
            print(&json!({"file": file, "dry_run": dry_run, "tally": self.tally}).to_string())?;
        } else if dry_run {
            print(&format!(
                "{what:10} {stored:6} would be stored, {same} are there already, {refused} would be refused"
            ))?;
        } else {
            print(&format!(
                "{what:10} {stored:6} stored, {same} were there already, {refused} refused"
            ))?;
        }
        Ok(self.tally.refused)
    }
}

/// Takes one file in, chunk by chunk.
async fn take<T, K>(
    (context, what, file): (&Context, &str, &Path),
    mut rows: files::Rows<T>,
    dry_run: bool,
    mut keep: K,
) -> anyhow::Result<usize>
where
    K: AsyncFnMut(&[T]) -> Result<Vec<Imported>, crate::query::Error>,
{
    let mut intake = Intake {
        context,
        file,
        tally: Tally::default(),
    };
    let (mut lines, mut chunk) = (Vec::new(), Vec::new());
    loop {
        let part: Vec<_> = rows.by_ref().take(AT_ONCE).collect();
        if part.is_empty() {
            break;
        }
        for (line, row) in part {
            match row {
                Err(reject) => intake.refuse(line, &reject)?,
                Ok(row) => {
                    lines.push(line);
                    chunk.push(row);
                }
            }
        }
        for (line, imported) in lines.drain(..).zip(keep(&chunk).await?) {
            intake.take(line, imported)?;
        }
        chunk.clear();
        intake.progress();
    }
    let unknown: Vec<&str> = rows.unknown().collect();
    if !unknown.is_empty() {
        let file = file.display();
        remark(&format!(
            "{file}: nobody asks for the columns {}",
            unknown.join(", ")
        ));
    }
    intake.finish(what, dry_run)
}

pub(super) async fn run(context: &Context, arguments: Arguments) -> anyhow::Result<Done> {
    anyhow::ensure!(
        arguments.batteries.is_some() || arguments.attempts.is_some() || arguments.shops.is_some(),
        "say what to import: --shops, --batteries, --attempts"
    );
    let local = Local::open(context).await?;
    let done = Box::pin(files_in(context, &local, &arguments)).await;
    local.close().await;
    done
}

async fn files_in(context: &Context, local: &Local, arguments: &Arguments) -> anyhow::Result<Done> {
    let dry = arguments.dry_run;
    let mut import = Import::new(local.store(), &local.clock, &local.caller, dry)?;
    let mut refused = 0;
    if let Some(file) = &arguments.shops {
        let keep = async |rows: &[_]| import.shops(rows).await;
        refused += take(
            (context, "shops", file),
            files::read_shops(file)?,
            dry,
            keep,
        )
        .await?;
    }
    if let Some(file) = &arguments.batteries {
        let keep = async |rows: &[_]| import.visits(rows).await;
        refused += take(
            (context, "batteries", file),
            files::read_visits(file)?,
            dry,
            keep,
        )
        .await?;
    }
    if let Some(file) = &arguments.attempts {
        let keep = async |rows: &[_]| import.attempts(rows).await;
        let rows = files::read_attempts(file)?;
        refused += take((context, "attempts", file), rows, dry, keep).await?;
    }
    import.finish().await?;
    Ok(if refused == 0 {
        Done::All
    } else {
        Done::SomeRefused
    })
}
