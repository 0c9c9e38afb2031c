//! The tree keeps its shape: who may name whom, sizes, words, places. Prints file, rule and way out.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// What each module of `src` may name, itself always included.
const MAY_NAME: [(&str, &[&str]); 21] = [
    ("units", &["reject"]),
    ("reject", &["record"]),
    ("record", &["units", "reject"]),
    ("analysis", CORE),
    ("outcome", CORE),
    ("model", CORE),
    ("advice", CORE),
    ("clock", &[]),
    ("ids", &[]),
    ("telemetry", &[]),
    ("config", &["telemetry"]),
    ("cluster", &[]),
    (
        "store",
        &[
            "units", "reject", "record", "analysis", "outcome", "model", "advice", "ids",
        ],
    ),
    ("metrics", &["intake"]),
    (
        "intake",
        &[
            "record",
            "reject",
            "store",
            "clock",
            "ids",
            "metrics",
            "telemetry",
        ],
    ),
    (
        "pipeline",
        &[
            "record",
            "analysis",
            "store",
            "clock",
            "metrics",
            "telemetry",
        ],
    ),
    (
        "query",
        &[
            "units", "reject", "record", "analysis", "outcome", "model", "advice", "store",
            "clock", "ids",
        ],
    ),
    (
        "edge",
        &[
            "units",
            "reject",
            "record",
            "outcome",
            "model",
            "intake",
            "query",
            "store",
            "clock",
            "metrics",
            "telemetry",
        ],
    ),
    (
        "app",
        &[
            "cluster",
            "config",
            "clock",
            "edge",
            "intake",
            "metrics",
            "pipeline",
            "query",
            "record",
            "store",
            "telemetry",
        ],
    ),
    ("cli", ALL),
    ("main", &["cli", "cluster"]),
];

const CORE: &[&str] = &[
    "units", "reject", "record", "analysis", "outcome", "model", "advice",
];
const ALL: &[&str] = &[
    "units",
    "reject",
    "record",
    "analysis",
    "outcome",
    "model",
    "advice",
    "clock",
    "ids",
    "config",
    "telemetry",
    "cluster",
    "store",
    "metrics",
    "intake",
    "pipeline",
    "query",
    "edge",
    "app",
];

/// Files that may name the store although their module may not, with the reason.
const STORE_AT_THE_EDGE: [(&str, &str); 2] = [
    ("src/edge/grpc/mod.rs", "hands the pool to query functions"),
    (
        "src/edge/status.rs",
        "sorts failed database steps into status codes",
    ),
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn files(folder: &str, ending: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|found| found == ending) {
                let name = path.strip_prefix(root()).unwrap().display().to_string();
                found.push((name, fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found.sort();
    found
}

/// Module of a source file: `src/store/codec.rs` -> `store`.
fn module(file: &str) -> Option<&str> {
    let rest = file.strip_prefix("src/")?;
    let first = rest.split('/').next()?;
    let name = first.strip_suffix(".rs").unwrap_or(first);
    (name != "lib").then_some(name)
}

/// Modules a line names through `crate::X` or `crate::{X, ..}`.
fn named(text: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    for part in text.split("crate::").skip(1) {
        let head = part.trim_start_matches('{');
        let group = if head.len() < part.len() {
            head.split("};").next().unwrap_or(head)
        } else {
            head
        };
        let words = if head.len() < part.len() {
            group.split(',').collect()
        } else {
            vec![head]
        };
        for word in words {
            let name: String = word
                .trim()
                .chars()
                .take_while(|c| c.is_ascii_lowercase() || *c == '_')
                .collect();
            if !name.is_empty() {
                found.insert(name);
            }
        }
    }
    found
}

fn breaches(file: &str, text: &str) -> Vec<String> {
    let Some(module) = module(file) else {
        return Vec::new();
    };
    let Some((_, may)) = MAY_NAME.iter().find(|row| row.0 == module) else {
        return vec![format!(
            "{file}: module {module} has no row in MAY_NAME; add it and its layer"
        )];
    };
    let known: Vec<&str> = MAY_NAME.iter().map(|row| row.0).collect();
    let excused = |name: &str| name == "store" && STORE_AT_THE_EDGE.iter().any(|row| row.0 == file);
    named(text)
        .into_iter()
        .filter(|name| known.contains(&name.as_str()) && name != module)
        .filter(|name| !may.contains(&name.as_str()) || (module == "edge" && name == "store" && !excused(name)))
        .map(|name| {
            format!("{file}: {module} may not name crate::{name}; move it to a layer that may (DEVELOPERS.md, map)")
        })
        .collect()
}

fn fail_with(found: &[String]) {
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn modules_name_only_the_layers_below_them() {
    let found: Vec<String> = files("src", "rs")
        .iter()
        .flat_map(|(file, text)| breaches(file, text))
        .collect();
    fail_with(&found);
}

#[test]
fn a_planted_breach_is_found() {
    for (file, text) in [
        ("src/query/rates.rs", "use crate::edge::wire;"),
        ("src/record/x.rs", "use crate::{units::Volts, store};"),
        ("src/edge/http.rs", "use crate::store::Store;"),
        ("src/brandnew/mod.rs", ""),
    ] {
        assert_eq!(breaches(file, text).len(), 1, "{file}");
    }
    assert!(breaches("src/edge/status.rs", "use crate::{intake, query, store};").is_empty());
    assert!(breaches("src/cli/ask.rs", "use crate::query::advice;").is_empty());
}

#[test]
fn the_core_does_no_io_and_uses_portable_mathematics() {
    let banned = [
        "std::fs",
        "std::env",
        "std::net",
        "SystemTime",
        "Instant::now",
        "tokio",
        "tracing",
        "async fn",
        "Utc::now",
        ".exp()",
        ".ln()",
        ".log10()",
        ".powf(",
        ".powi(",
        ".tanh()",
        ".exp_m1()",
        ".ln_1p()",
    ];
    let mut found = Vec::new();
    for (file, text) in files("src", "rs") {
        let core = module(&file).is_some_and(|module| CORE.contains(&module));
        if !core || file.ends_with("tests.rs") || file.contains("/tests/") {
            continue;
        }
        let without_tests = text.split("#[cfg(test)]").next().unwrap_or_default();
        for (number, line) in (1..).zip(without_tests.lines()) {
            let line = line.split("//").next().unwrap_or_default();
            for word in banned.iter().filter(|word| line.contains(**word)) {
                found.push(format!("{file}:{number}: the core may not use {word}"));
            }
        }
    }
    fail_with(&found);
}

#[test]
fn generated_types_stop_at_the_edge_and_the_clients() {
    let may = ["src/edge/", "src/cli/replay", "src/cli/quarantine.rs"];
    let named = |text: &str| text.contains("edge::pb") || text.contains("pb::");
    let found: Vec<String> = files("src", "rs")
        .iter()
        .filter(|(file, text)| named(text) && !may.iter().any(|place| file.starts_with(place)))
        .map(|(file, _)| format!("{file}: names a generated type; convert it in edge/wire"))
        .collect();
    fail_with(&found);
}

#[test]
fn files_are_short_begin_with_what_they_are_for_and_lie_shallow() {
    let mut found = Vec::new();
    for (file, text) in files("src", "rs")
        .into_iter()
        .chain(files("tests/it", "rs"))
    {
        let lines = text.lines().count();
        if lines > 500 {
            found.push(format!(
                "{file}: {lines} lines; split it by noun before 500"
            ));
        }
        if !text.starts_with("//!") {
            found.push(format!("{file}: begins without `//!`"));
        }
        if file.matches('/').count() > 4 {
            found.push(format!("{file}: lies deeper than three folders under src"));
        }
    }
    fail_with(&found);
}

#[test]
fn nothing_is_left_undone_and_no_machine_is_named() {
    let marks = [
        "TO".to_owned() + "DO",
        "FIX".to_owned() + "ME",
        "todo".to_owned() + "!(",
        "unimplemented".to_owned() + "!(",
        "#[ig".to_owned() + "nore",
        "/wo".to_owned() + "rk/",
        "/ro".to_owned() + "ot/",
    ];
    let mut texts = Vec::new();
    for (folder, ending) in [
        ("src", "rs"),
        ("tests/it", "rs"),
        ("proto", "proto"),
        ("migrations", "sql"),
        ("deploy", "toml"),
    ] {
        texts.extend(files(folder, ending));
    }
    for name in ["README.md", "DEVELOPERS.md", "Cargo.toml"] {
        texts.push((
            name.to_owned(),
            fs::read_to_string(root().join(name)).unwrap(),
        ));
    }
    let mut found = Vec::new();
    for (file, text) in texts {
        for (number, line) in (1..).zip(text.lines()) {
            for mark in marks.iter().filter(|mark| line.contains(mark.as_str())) {
                found.push(format!("{file}:{number}: {mark}"));
            }
        }
    }
    fail_with(&found);
}

#[test]
fn the_top_level_holds_what_it_should_and_nothing_else() {
    let allowed = [
        "Cargo.lock",
        "Cargo.toml",
        "DEVELOPERS.md",
        "README.md",
        "deploy",
        "migrations",
        "proto",
        "src",
        "target",
        "tests",
    ];
    let found: Vec<String> = fs::read_dir(root())
        .unwrap()
        .flatten()
        .map(|entry| entry.file_name().to_string_lossy().into_owned())
        .filter(|name| !name.starts_with('.') && !allowed.contains(&name.as_str()))
        .map(|name| format!("{name}: not a place of the top level"))
        .collect();
    fail_with(&found);
    for name in allowed.iter().filter(|name| **name != "target") {
        assert!(Path::new(&root()).join(name).exists(), "{name} is missing");
    }
}
