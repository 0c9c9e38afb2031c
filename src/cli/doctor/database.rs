//! The database, its schema and its disk.

use std::path::Path;

use super::{Context, Finding, Mark, Report};
use crate::alarm::vitals::{Lines, Space};
use crate::app::database::Database;
use crate::app::vitals::{lines, space_of};
use crate::config;
use crate::store::server::Server;
use crate::store::{self, Store};
use crate::telemetry::chain;

pub(super) async fn check(context: &Context, report: &mut Report) -> anyhow::Result<()> {
    match Database::open(context.config(), &context.surroundings, true).await {
        Ok(database) => {
            let told = check_open(context, &database, report).await;
            database.stop().await;
            told?;
        }
        Err(error) => {
            let fix = "as said; then run `restvolt doctor` again";
            report.tell(&Finding::fail("database", format!("{error:#}"), fix))?;
        }
    }
    report.tell(&disk(context))
}

async fn check_open(
    context: &Context,
    database: &Database,
    report: &mut Report,
) -> anyhow::Result<()> {
    let plain = match Server::plain(&database.service_options()).await {
        Ok(plain) => plain,
        Err(error) => {
            let fix = "start the server, and see that database.url or DATABASE_URL names it and a \
                       login it lets in";
            return report.tell(&Finding::fail("database", chain(&error), fix));
        }
    };
    let (major, minor) = (plain.version / 10_000, plain.version % 10_000);
    report.tell(&match plain.check_version() {
        Ok(()) => Finding::ok("database", format!("PostgreSQL {major}.{minor} answers")),
        Err(error) => {
            let fix = "move the data to a newer server with pg_dump";
            Finding::fail("database", chain(&error), fix)
        }
    })?;
    let drift = store::drift(database.owner_options()).await;
    // What the service's role sees is there only with its schema.
    let fits = drift
        .as_ref()
        .map_or(true, |drift| drift.pending.is_empty());
    report.tell(&migrations(drift))?;
    let served = if fits {
        let store = Store::new(database.service_options(), 1);
        let served = store.server().await;
        store.close().await;
        Some(served)
    } else {
        None
    };
    let ours = served.as_ref().and_then(|served| served.as_ref().ok());
    for finding in settings(context, &plain, ours) {
        report.tell(&finding)?;
    }
    match served {
        Some(served) => report.tell(&walls(served)),
        None => Ok(()),
    }
}

fn migrations(drift: Result<store::Drift, store::Error>) -> Finding {
    let drift = match drift {
        Ok(drift) => drift,
        Err(error) => {
            let fix = "let the login of database.url own the table _sqlx_migrations, or be a member \
                       of its owner: `restvolt serve` migrates too";
            return Finding::fail("migrations", chain(&error), fix);
        }
    };
    if let Some(newest) = drift.unknown.iter().max() {
        let found = format!("the database has migration {newest}, which this program lacks");
        return Finding::fail("migrations", found, "run a newer restvolt");
    }
    match drift.pending.as_slice() {
        [] => Finding::ok("migrations", "the schema is this program's"),
        pending => {
            let found = format!("missing: {}", pending.join(", "));
            let fix = "run `restvolt migrate`, or `restvolt serve`, which migrates first";
            Finding::fail("migrations", found, fix)
        }
    }
}

/// Whether what is committed survives a crash. `ours` are the service's own connections, which ask
/// for `synchronous_commit` themselves.
fn settings(context: &Context, plain: &Server, ours: Option<&Server>) -> Vec<Finding> {
    let required = context.config().database.durable;
    let lost = if required { Mark::Fail } else { Mark::Warn };
    let waived = if required {
        ""
    } else {
        " (database.durable is false: for throw-away databases only)"
    };
    let setting = |name: &'static str, value: &str, meaning: &str| {
        if value == "off" {
            let found = format!("off: {meaning}{waived}");
            let fix = format!("alter system set {name} = on; select pg_reload_conf();");
            Finding::new(name, lost, (found, fix))
        } else {
            Finding::ok(name, value)
        }
    };
    let asked = ours.map_or("off", |ours| ours.synchronous_commit.as_str());
    let sync = match (plain.synchronous_commit.as_str(), asked) {
        ("off", "off") => setting(
            "synchronous_commit",
            "off",
            "a crash takes what was acknowledged",
        ),
        ("off", _) => {
            let found = format!(
                "off for this login or database; the service asks for on itself, but a pooler that \
                 drops what it asks for, and every other writer, would lose commits in a crash{waived}"
            );
            let fix = "set it to on where it was turned off: alter system, alter database or alter \
                       role ... reset synchronous_commit, or postgresql.conf";
            Finding::new("synchronous_commit", lost, (found, fix.into()))
        }
        (value, _) if ours.is_some_and(|ours| ours.synchronous_commit == "off") => {
            let found = format!("{value} for a plain connection, off for the service's{waived}");
            let fix = "take synchronous_commit out of the options of database.url";
            Finding::new("synchronous_commit", lost, (found, fix.into()))
        }
        (value, _) => Finding::ok("synchronous_commit", value),
    };
    let torn = "a crash of the machine can tear pages for good";
    let checksums = if plain.data_checksums == "on" {
        Finding::ok("data_checksums", "on")
    } else {
        let fix = "stop the server and run pg_checksums --enable on its folder";
        Finding::warn("data_checksums", "off: a rotten page goes unnoticed", fix)
    };
    vec![
        sync,
        setting("fsync", &plain.fsync, "commits need not reach the disk"),
        setting("full_page_writes", &plain.full_page_writes, torn),
        checksums,
    ]
}

fn walls(served: Result<Server, store::Error>) -> Finding {
    let fix = "grant rv_service to the login of database.url, and let it own nothing in schema rv";
    match served.and_then(|server| server.check_walls()) {
        Ok(()) => Finding::ok("row security", "binds the role of the service"),
        Err(error) => Finding::fail("row security", chain(&error), fix),
    }
}

fn disk(context: &Context) -> Finding {
    let config = context.config();
    if !config.database.url.is_empty() {
        let found = "the disk of a database by URL cannot be seen from here";
        let fix = "watch the free space on the database's own machine: below 15 % act, below 5 % or \
                   2 GiB it stops soon";
        return Finding::warn("disk", found, fix);
    }
    let folder = config::data_dir(config, &context.surroundings).join("database");
    // Before the first start there is no folder yet: its parents are on the same disk.
    let place = folder.ancestors().find(|place| place.exists());
    let place = place.unwrap_or(Path::new("/"));
    let shown = folder.display();
    match space_of(place) {
        Ok(found) => judged(found, lines(config), &shown.to_string()),
        Err(error) => {
            let found = format!("the free space of {shown} cannot be read: {error}");
            Finding::warn("disk", found, "let this login look into that folder")
        }
    }
}

fn judged(space: Space, lines: Lines, folder: &str) -> Finding {
    let gib = space.free as f64 / f64::from(1 << 30);
    let percent = space.free_percent();
    let found = format!("{gib:.1} GiB ({percent} %) free for {folder}");
    let fix = "free space, or move the folder to a larger disk (data_dir)";
    if space.total == 0 {
        let found = format!("the disk of {folder} does not tell its size");
        return Finding::warn("disk", found, "watch its free space by other means");
    }
    if lines.is_full(space) {
        return Finding::fail("disk", found, fix);
    }
    if lines.is_low(space) {
        return Finding::warn("disk", found, fix);
    }
    Finding::ok("disk", found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn free_space_is_judged_by_share_and_by_bytes() {
        let gib = 1u64 << 30;
        for (free, total, mark) in [
            (50 * gib, 100 * gib, Mark::Ok),
            (15 * gib, 100 * gib, Mark::Ok),
            (14 * gib, 100 * gib, Mark::Warn),
            (5 * gib, 100 * gib, Mark::Warn),
            (4 * gib, 100 * gib, Mark::Fail),
            (2 * gib - 1, 4 * gib, Mark::Fail),
            (2 * gib, 4 * gib, Mark::Ok),
            (0, 0, Mark::Warn),
        ] {
            let found = judged(Space { free, total }, Lines::default(), "x");
            assert_eq!(found.mark, mark, "{}", found.found);
            assert_eq!(found.fix.is_empty(), mark == Mark::Ok);
        }
    }

    #[test]
    fn a_schema_that_differs_either_way_fails_with_its_fix() {
        let drift = |pending: &[&str], unknown: &[i64]| {
            Ok(store::Drift {
                pending: pending.iter().map(|name| (*name).to_owned()).collect(),
                unknown: unknown.to_vec(),
            })
        };
        assert_eq!(migrations(drift(&[], &[])).mark, Mark::Ok);
        let older = migrations(drift(&["0002 more"], &[]));
        assert!(older.mark == Mark::Fail && older.fix.contains("restvolt migrate"));
        let newer = migrations(drift(&["0002 more"], &[9_001]));
        assert!(newer.mark == Mark::Fail && newer.fix.contains("newer restvolt"));
    }
}
