//! What a measurement is compared with, and what it costs: rows by COPY, bytes on disk, processor, memory.

use std::fs;

use anyhow::Context as _;
use sqlx::postgres::PgConnection;
use sqlx::{Connection as _, Executor as _};

use crate::record::sample::Samples;

/// Rows of one COPY that is committed.
const ROWS: usize = 60;
/// The plain way: a row a sample, in a schema that goes with the measured database.
const TABLE: &str = "
    create schema if not exists measured;
    create table if not exists measured.sample (
        device_id uuid not null,
        boot_id bigint not null,
        seq bigint not null,
        time_ms bigint not null,
        voltage_mv integer,
        current_ma integer,
        case_cc integer,
        primary key (device_id, boot_id, seq)
    );
    truncate measured.sample;";
/// Clock ticks per second in /proc: the same on every Linux (man 5 proc, `USER_HZ`).
const TICKS: f64 = 100.0;
const COPY: &str = "copy measured.sample from stdin";

/// Rows as COPY reads them, a chunk a batch; written out beforehand.
pub(super) fn rows(charge: &Samples, device: uuid::Uuid, batches: usize) -> Vec<String> {
    let columns = &charge.columns;
    let mut cells = columns
        .voltage_mv
        .iter()
        .zip(&columns.current_ma)
        .zip(&columns.case_cc)
        .cycle();
    let mut seq = 0;
    (0..batches)
        .map(|_| {
            let lines = cells
                .by_ref()
                .take(ROWS)
                .map(|((volts, amperes), celsius)| {
                    seq += 1;
                    format!(
                        "{device}\t1\t{seq}\t{}\t{volts}\t{amperes}\t{celsius}\n",
                        1_000 * seq
                    )
                });
            lines.collect()
        })
        .collect()
}

/// Empties the plain table.
pub(super) async fn clear_rows(conn: &mut PgConnection) -> anyhow::Result<()> {
    conn.execute(TABLE).await?;
    Ok(())
}

/// One COPY, committed, for each chunk.
pub(super) async fn copy(conn: &mut PgConnection, chunks: &[String]) -> anyhow::Result<()> {
    for chunk in chunks {
        let mut copy = conn.copy_in_raw(COPY).await?;
        copy.send(chunk.as_bytes()).await?;
        copy.finish().await?;
    }
    Ok(())
}

/// What it costs to keep what was sent: bytes with index and TOAST, for segments and minute figures.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sizes {
    pub(super) samples: i64,
    pub(super) segments: i64,
    pub(super) minutes: i64,
    pub(super) rows: i64,
}

/// Reads sizes, after space that is free inside the files was given back.
pub(super) async fn sizes(conn: &mut PgConnection) -> anyhow::Result<Sizes> {
    for table in ["rv.segment", "rv.session_hour", "measured.sample"] {
        conn.execute(sqlx::AssertSqlSafe(format!(
            "vacuum (full, analyze) {table}"
        )))
        .await?;
    }
    let (samples, segments, minutes, rows) = sqlx::query_as::<_, (i64, i64, i64, i64)>(
        "select (select coalesce(sum(sample_count), 0) from rv.segment)::bigint,
            pg_total_relation_size('rv.segment'), pg_total_relation_size('rv.session_hour'),
            pg_total_relation_size('measured.sample')",
    )
    .fetch_one(&mut *conn)
    .await?;
    Ok(Sizes {
        samples,
        segments,
        minutes,
        rows,
    })
}

/// Processor time of a process and of those it started, s; those that ended already count as well.
pub(super) fn processor_s(process: u32) -> anyhow::Result<f64> {
    let own = stat(process)?;
    let children = fs::read_dir("/proc")?.flatten().filter_map(|entry| {
        let child = entry.file_name().to_string_lossy().parse().ok()?;
        let found = stat(child).ok()?;
        (found.parent == process).then_some(found.running_s)
    });
    Ok(own.running_s + own.waited_for_s + children.sum::<f64>())
}

/// Processor time of a process alone, s.
pub(super) fn own_s(process: u32) -> anyhow::Result<f64> {
    Ok(stat(process)?.running_s)
}

struct Stat {
    parent: u32,
    running_s: f64,
    waited_for_s: f64,
}

fn stat(process: u32) -> anyhow::Result<Stat> {
    let text = fs::read_to_string(format!("/proc/{process}/stat"))?;
    // The name in brackets may hold anything; fields are counted from behind it.
    let fields: Vec<&str> = match text.rsplit_once(") ") {
        Some((_, rest)) => rest.split(' ').collect(),
        None => Vec::new(),
    };
    let number = |index: usize| {
        let field = fields.get(index).context("/proc: a field is missing")?;
        Ok::<f64, anyhow::Error>(field.parse()?)
    };
    let parent = fields.get(1).context("/proc: no parent")?.parse()?;
    Ok(Stat {
        parent,
        running_s: (number(11)? + number(12)?) / TICKS,
        waited_for_s: (number(13)? + number(14)?) / TICKS,
    })
}

/// Memory of a process now, and the most it ever had, MiB.
pub(super) fn memory_mib(process: u32) -> anyhow::Result<(f64, f64)> {
    let text = fs::read_to_string(format!("/proc/{process}/status"))?;
    let field = |name: &str| {
        let line = text.lines().find_map(|line| line.strip_prefix(name));
        let kib = line.and_then(|line| line.trim().trim_end_matches(" kB").parse::<f64>().ok());
        kib.map(|kib| kib / 1024.0)
            .with_context(|| format!("/proc/{process}/status names no {name}"))
    };
    Ok((field("VmRSS:")?, field("VmHWM:")?))
}

/// Writes out what the database holds back, so that the next measurement does not pay for the last.
pub(super) async fn settle(conn: &mut PgConnection) -> anyhow::Result<()> {
    conn.execute("checkpoint").await?;
    conn.ping().await?;
    Ok(())
}
