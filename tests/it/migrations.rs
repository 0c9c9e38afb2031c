//! Migrations are append-only, run twice without harm, and refuse a database of a newer program.

use std::collections::BTreeMap;
use std::path::PathBuf;

use restvolt::store;
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{ConnectOptions as _, Connection as _};

use crate::harness::database;

/// Digest of each migration by the name of its file.
type Digests = BTreeMap<String, String>;

fn digests() -> Digests {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("migrations");
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|ending| ending == "sql") {
            let name = path.file_name().unwrap().to_string_lossy().into_owned();
            let digest = blake3::hash(&std::fs::read(&path).unwrap());
            found.insert(name, digest.to_hex().to_string());
        }
    }
    found
}

/// Recorded migrations that are no longer what they were.
fn changed(recorded: &Digests, now: &Digests) -> Vec<String> {
    recorded
        .iter()
        .filter_map(|(name, digest)| match now.get(name) {
            None => Some(format!("{name} vanished; put it back")),
            Some(found) if found != digest => {
                Some(format!("{name} changed; restore it and add a new file"))
            }
            Some(_) => None,
        })
        .collect()
}

fn unrecorded(recorded: &Digests, now: &Digests) -> Vec<String> {
    let new = now.keys().filter(|name| !recorded.contains_key(*name));
    new.cloned().collect()
}

#[test]
fn a_merged_migration_never_changes_and_a_new_one_is_recorded() {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/migrations.txt");
    let recorded: Digests = std::fs::read_to_string(&file)
        .unwrap_or_default()
        .lines()
        .map(|line| line.split_once("  ").unwrap())
        .map(|(digest, name)| (name.to_owned(), digest.to_owned()))
        .collect();
    let now = digests();
    let found = changed(&recorded, &now);
    assert!(found.is_empty(), "\n{}", found.join("\n"));
    // Only after the check: writing never covers up a change.
    if std::env::var_os("RESTVOLT_WRITE_MIGRATIONS").is_some() {
        let lines = now
            .iter()
            .map(|(name, digest)| format!("{digest}  {name}\n"));
        std::fs::write(&file, lines.collect::<String>()).unwrap();
        return;
    }
    let new = unrecorded(&recorded, &now);
    assert!(
        new.is_empty(),
        "new; record with RESTVOLT_WRITE_MIGRATIONS=1 cargo test --test it migrations: {new:?}"
    );
}

#[test]
fn a_planted_change_of_a_migration_is_found() {
    let recorded = digests();
    let mut now = recorded.clone();
    assert_eq!(changed(&recorded, &now), [""; 0]);
    now.insert("0001_roles.sql".into(), "other".into());
    now.remove("0002_registry.sql");
    now.insert("9999_new.sql".into(), "new".into());
    assert_eq!(
        changed(&recorded, &now),
        [
            "0001_roles.sql changed; restore it and add a new file",
            "0002_registry.sql vanished; put it back"
        ]
    );
    assert_eq!(unrecorded(&recorded, &now), ["9999_new.sql"]);
}

/// What was applied, when, and how many tables came of it.
async fn applied(owner: &PgConnectOptions) -> (String, i64) {
    let mut conn: PgConnection = owner.connect().await.unwrap();
    let ledger = sqlx::query_scalar(
        "select string_agg(version || ' ' || installed_on, ', ' order by version)
        from public._sqlx_migrations where success",
    );
    let ledger = ledger.fetch_one(&mut conn).await.unwrap();
    let tables = sqlx::query_scalar("select count(*) from pg_tables where schemaname = 'rv'");
    let tables = tables.fetch_one(&mut conn).await.unwrap();
    conn.close().await.unwrap();
    (ledger, tables)
}

#[tokio::test]
async fn an_empty_database_is_brought_up_and_again_is_no_change() {
    let owner: PgConnectOptions = database::empty().parse().unwrap();
    let files: Vec<String> = digests().into_keys().collect();
    let pending = store::pending_migrations(&owner).await.unwrap();
    assert_eq!(pending.len(), files.len());
    for (pending, file) in pending.iter().zip(&files) {
        assert_eq!(pending.replace(' ', "_") + ".sql", *file);
    }
    store::migrate(&owner).await.unwrap();
    assert_eq!(
        store::pending_migrations(&owner).await.unwrap(),
        [""; 0],
        "still pending"
    );
    let first = applied(&owner).await;
    assert!(first.1 > 10, "{first:?}");
    store::migrate(&owner).await.unwrap();
    assert_eq!(applied(&owner).await, first);
}

#[tokio::test]
async fn a_database_of_a_newer_program_is_refused_with_the_way_out() {
    let owner: PgConnectOptions = database::empty().parse().unwrap();
    store::migrate(&owner).await.unwrap();
    let mut conn: PgConnection = owner.connect().await.unwrap();
    sqlx::raw_sql(
        "insert into public._sqlx_migrations
            (version, description, success, checksum, execution_time)
        values (9999, 'from the future', true, '', 0)",
    )
    .execute(&mut conn)
    .await
    .unwrap();
    conn.close().await.unwrap();
    let refused = store::migrate(&owner).await.unwrap_err().to_string();
    assert!(
        refused.contains("9999") && refused.contains("newer restvolt"),
        "{refused}"
    );
}
