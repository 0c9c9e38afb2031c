//! Migrations are append-only, run twice without harm, and refuse a database of a newer program.

use std::collections::BTreeMap;
use std::path::PathBuf;

use restvolt::store;
use sqlx::Connection as _;
use sqlx::postgres::PgConnectOptions;

use crate::harness::database;

fn digests() -> BTreeMap<String, String> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("migrations");
    let mut found = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|ending| ending == "sql") {
            let digest = blake3::hash(&std::fs::read(&path).unwrap())
                .to_hex()
                .to_string();
            found.insert(entry.file_name().to_string_lossy().into_owned(), digest);
        }
    }
    found
}

#[test]
fn a_merged_migration_never_changes_and_a_new_one_is_recorded() {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/migrations.txt");
    let now = digests();
    if std::env::var_os("RESTVOLT_WRITE_MIGRATIONS").is_some() {
        let lines: Vec<String> = now
            .iter()
            .map(|(name, digest)| format!("{digest}  {name}"))
            .collect();
        std::fs::write(&file, lines.join("\n") + "\n").unwrap();
    }
    let recorded = std::fs::read_to_string(&file).unwrap();
    let recorded: BTreeMap<String, String> = recorded
        .lines()
        .map(|line| {
            let (digest, name) = line.split_once("  ").unwrap();
            (name.to_owned(), digest.to_owned())
        })
        .collect();
    for (name, digest) in &recorded {
        assert_eq!(
            now.get(name),
            Some(digest),
            "{name} changed or vanished: add a new file instead"
        );
    }
    assert_eq!(
        now.len(),
        recorded.len(),
        "record the new file with RESTVOLT_WRITE_MIGRATIONS=1"
    );
}

#[tokio::test]
async fn an_empty_database_is_brought_up_and_again_is_no_change() {
    let owner: PgConnectOptions = database::empty().parse().unwrap();
    let pending = store::pending_migrations(&owner).await.unwrap();
    assert_eq!(pending.len(), store::MIGRATOR.iter().count());
    store::migrate(&owner).await.unwrap();
    assert!(store::pending_migrations(&owner).await.unwrap().is_empty());
    store::migrate(&owner).await.unwrap();
}

#[tokio::test]
async fn a_database_of_a_newer_program_is_refused_with_the_way_out() {
    let owner: PgConnectOptions = database::empty().parse().unwrap();
    store::migrate(&owner).await.unwrap();
    let mut conn = sqlx::PgConnection::connect_with(&owner).await.unwrap();
    sqlx::raw_sql(
        "insert into _sqlx_migrations (version, description, success, checksum, execution_time)
        values (9999, 'from the future', true, '', 0)",
    )
    .execute(&mut conn)
    .await
    .unwrap();
    let refused = store::migrate(&owner).await.unwrap_err().to_string();
    assert!(
        refused.contains("9999") && refused.contains("newer restvolt"),
        "{refused}"
    );
}
