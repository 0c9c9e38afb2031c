//! What stands in the way of a start is named with the way out, and nothing is changed.

use std::fs;
use std::io::Write as _;
use std::os::unix::fs::{DirBuilderExt as _, PermissionsExt as _};
use std::process::Command;

use restvolt::cluster::{Cluster, Error};

use super::{Folder, config, is_root};

#[test]
fn missing_programs_are_named_with_the_ways_out() {
    let folder = Folder::new();
    let mut config = folder.config();
    config.bin_dir = Some(folder.0.clone());
    let text = Cluster::start(&config).unwrap_err().to_string();
    let looked = format!("{} (no postgres)", folder.0.display());
    for part in [
        looked.as_str(),
        "`apt-get install -y postgresql`",
        "DATABASE_URL",
        "database.bin_dir",
    ] {
        assert!(text.contains(part), "{part:?} is missing in: {text}");
    }
}

#[test]
fn programs_that_are_too_old_are_named_with_their_version() {
    let folder = Folder::new();
    // Written by a shell: a file this process had open for writing could not be run.
    let script = "printf '#!/bin/sh\\necho \"postgres (PostgreSQL) 13.4\"\\n' > postgres && \
                  cp postgres initdb && chmod +x postgres initdb";
    let made = Command::new("sh")
        .args(["-c", script])
        .current_dir(&folder.0)
        .status()
        .unwrap();
    assert!(made.success());
    let mut config = folder.config();
    config.bin_dir = Some(folder.0.clone());
    let error = Cluster::start(&config).unwrap_err();
    assert!(matches!(error, Error::BinariesTooOld { .. }), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("(version 13)") && text.contains("15 or newer"),
        "{text}"
    );
}

#[test]
fn a_database_of_another_major_version_is_left_alone() {
    let folder = Folder::new();
    drop(Cluster::start(&folder.config()).unwrap());
    fs::write(folder.data().join("PG_VERSION"), "99\n").unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    assert!(matches!(error, Error::WrongMajor { .. }), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("postgresql-99") && text.contains("pg_upgrade"),
        "{text}"
    );
    assert_eq!(fs::read(folder.data().join("PG_VERSION")).unwrap(), b"99\n");
}

#[test]
fn a_folder_with_other_files_is_left_alone() {
    let folder = Folder::new();
    fs::create_dir(folder.data()).unwrap();
    fs::File::create(folder.data().join("letter"))
        .unwrap()
        .write_all(b"dear")
        .unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    assert!(matches!(error, Error::NotACluster { .. }), "{error:?}");
    assert_eq!(fs::read(folder.data().join("letter")).unwrap(), b"dear");
}

#[test]
fn a_closed_parent_folder_is_named() {
    let folder = Folder::new();
    let closed = folder.0.join("closed");
    let mode = if is_root() { 0o700 } else { 0o000 };
    fs::DirBuilder::new().mode(mode).create(&closed).unwrap();
    let error = Cluster::start(&config(&closed.join("database"))).unwrap_err();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
    let text = error.to_string();
    assert!(text.contains(&closed.display().to_string()), "{text}");
    if is_root() {
        assert!(matches!(error, Error::Unreachable { .. }), "{error:?}");
        assert!(
            text.contains(&format!("chmod o+x {}", closed.display())),
            "{text}"
        );
    }
}

#[test]
fn a_server_that_cannot_start_shows_its_log() {
    let folder = Folder::new();
    drop(Cluster::start(&folder.config()).unwrap());
    let file = folder.data().join("postgresql.conf");
    fs::OpenOptions::new()
        .append(true)
        .open(file)
        .unwrap()
        .write_all(b"no_such = 1\n")
        .unwrap();
    let error = Cluster::start(&folder.config()).unwrap_err();
    assert!(matches!(error, Error::EndedEarly { .. }), "{error:?}");
    let text = error.to_string();
    assert!(
        text.contains("no_such") && text.contains("database.log"),
        "{text}"
    );
}
