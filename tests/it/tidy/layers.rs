//! Who may name whom: the one-way table of the modules of `src`.

use std::collections::BTreeSet;

use super::{check, code, is_word, module, sources, word};

/// What each module of `src` may name besides itself. A name that is missing here is a breach.
const MAY_NAME: [(&str, &[&str]); 27] = [
    ("units", &["reject"]),
    // The reasons are a closed vocabulary, made by the macro of `record::words`.
    ("reject", &["record"]),
    ("record", &["units", "reject"]),
    // What is known of the battery itself: everything that judges or invents a charge reads it.
    ("lead_acid", &["record", "units"]),
    ("analysis", &["lead_acid", "record", "units"]),
    ("outcome", &["analysis", "lead_acid", "record", "units"]),
    ("model", &["record", "units", "reject"]),
    ("advice", &["lead_acid", "model", "record", "units"]),
    ("alarm", &["record", "units", "reject"]),
    ("simulation", &["lead_acid", "record"]),
    ("clock", &[]),
    ("ids", &[]),
    ("telemetry", &[]),
    ("config", &["telemetry"]),
    ("cluster", &[]),
    (
        "store",
        &[
            "units",
            "reject",
            "record",
            "lead_acid",
            "analysis",
            "outcome",
            "model",
            "advice",
            "alarm",
            "ids",
        ],
    ),
    // The names of receipt statuses and sizes only.
    ("metrics", &["intake"]),
    (
        "intake",
        &[
            "units",
            "reject",
            "record",
            "store",
            "clock",
            "ids",
            "metrics",
            "telemetry",
        ],
    ),
    ("learn", &["model", "advice", "store", "ids"]),
    (
        "pipeline",
        &[
            "units",
            "record",
            "analysis",
            "outcome",
            "store",
            "clock",
            "metrics",
            "telemetry",
        ],
    ),
    // It hands conditions to whoever raises alarms, in the words of `alarm`.
    (
        "watch",
        &[
            "units",
            "record",
            "analysis",
            "alarm",
            "store",
            "clock",
            "metrics",
            "telemetry",
        ],
    ),
    (
        "query",
        &[
            "units", "reject", "record", "analysis", "outcome", "model", "advice", "alarm",
            "store", "learn", "clock", "ids",
        ],
    ),
    // From a raw batch to a notification; callers and their refusals are those of every question.
    (
        "lane",
        &[
            "alarm",
            "record",
            "reject",
            "store",
            "query",
            "clock",
            "ids",
            "metrics",
            "telemetry",
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
            "advice",
            "alarm",
            "intake",
            "lane",
            "query",
            "clock",
            "metrics",
            "telemetry",
        ],
    ),
    (
        "app",
        &[
            "units",
            "reject",
            "record",
            "analysis",
            "outcome",
            "model",
            "advice",
            "clock",
            "ids",
            "telemetry",
            "config",
            "cluster",
            "store",
            "metrics",
            "intake",
            "lane",
            "alarm",
            "pipeline",
            "watch",
            "query",
            "edge",
        ],
    ),
    (
        "cli",
        &[
            "units",
            "reject",
            "record",
            "lead_acid",
            "analysis",
            "outcome",
            "model",
            "advice",
            "alarm",
            "simulation",
            "clock",
            "ids",
            "telemetry",
            "config",
            "cluster",
            "store",
            "metrics",
            "intake",
            "pipeline",
            "learn",
            "query",
            "edge",
            "app",
        ],
    ),
    ("main", &["cli", "cluster"]),
];

/// Files that may name a module which their own module may not: file, module, reason.
const EXCUSED: [(&str, &str, &str); 2] = [
    (
        "src/edge/grpc/mod.rs",
        "store",
        "hands the pool to query functions",
    ),
    (
        "src/edge/status.rs",
        "store",
        "sorts failed database steps into status codes",
    ),
];

/// How many modules a file lies below the root: `src/store/codec.rs` -> 2.
fn depth(file: &str) -> usize {
    let path = file.strip_suffix(".rs").unwrap_or(file);
    let path = path.strip_suffix("/mod").unwrap_or(path);
    path.matches('/').count()
}

/// First names of the path or brace group that begins at `start`: (place, name).
fn heads(text: &str, start: usize) -> Vec<(usize, String)> {
    let rest = &text[start..];
    if !rest.starts_with('{') {
        return vec![(start, word(rest).to_owned())];
    }
    let mut found = Vec::new();
    let mut open = 0;
    let mut expected = false;
    for (at, c) in rest.char_indices() {
        match c {
            '{' => {
                open += 1;
                expected = open == 1;
            }
            '}' => open -= 1,
            ',' => expected = open == 1,
            _ if expected && is_word(c) => {
                found.push((start + at, word(&rest[at..]).to_owned()));
                expected = false;
            }
            _ => {}
        }
        if open == 0 {
            break;
        }
    }
    found
}

/// Modules at the root of the package that a source names, by whatever path: (line, name).
fn named(file: &str, text: &str) -> BTreeSet<(usize, String)> {
    let text = code(text);
    let climb = "super::".repeat(depth(file));
    let mut found = BTreeSet::new();
    for path in ["crate::", "restvolt::", climb.as_str()] {
        for (at, _) in text.match_indices(path) {
            if text[..at].ends_with(is_word) || text[..at].ends_with("::") {
                continue;
            }
            for (place, name) in heads(&text, at + path.len()) {
                found.insert((text[..place].matches('\n').count() + 1, name));
            }
        }
    }
    found
}

/// Names that break the table of layers.
fn breaches(file: &str, text: &str) -> Vec<String> {
    let Some(module) = module(file) else {
        return Vec::new();
    };
    let Some((_, may)) = MAY_NAME.iter().find(|row| row.0 == module) else {
        return vec![format!(
            "{file}:1: module {module} has no row in MAY_NAME; add it with the layers it may name"
        )];
    };
    let excused = |name: &str| EXCUSED.iter().any(|row| row.0 == file && row.1 == name);
    named(file, text)
        .into_iter()
        .filter(|(_, name)| MAY_NAME.iter().any(|row| row.0 == name) && name != module)
        .filter(|(_, name)| !may.contains(&name.as_str()) && !excused(name))
        .map(|(line, name)| {
            format!(
                "{file}:{line}: {module} may not name crate::{name}; \
                 move it to a layer that may (DEVELOPERS.md, map)"
            )
        })
        .collect()
}

#[test]
fn modules_name_only_what_their_layer_may() {
    check(&sources("src"), breaches);
}

#[test]
fn no_row_and_no_excuse_outlives_its_file() {
    let files = sources("src");
    for (module, _) in MAY_NAME {
        let lives = files
            .iter()
            .any(|(file, _)| super::module(file) == Some(module));
        assert!(lives, "MAY_NAME: {module} is gone; drop its row");
    }
    for (file, module, reason) in EXCUSED {
        let found = files.iter().find(|row| row.0 == file);
        let used =
            found.is_some_and(|(_, text)| named(file, text).iter().any(|row| row.1 == module));
        assert!(
            used,
            "EXCUSED: {file} no longer names {module} ({reason}); drop its row"
        );
    }
}

#[test]
fn planted_breaches_of_the_layers_are_found_with_their_line() {
    for (file, text, line) in [
        ("src/query/rates.rs", "//! x\n\nuse crate::edge::wire;", 3),
        (
            "src/record/x.rs",
            "use crate::{\n    units::{Volts, store},\n    store,\n};",
            3,
        ),
        ("src/analysis/x.rs", "pub use crate::advice::Verdict;", 1),
        ("src/edge/http.rs", "use crate::store::Store;", 1),
        ("src/store/x.rs", "fn f() -> restvolt::query::Error {}", 1),
        ("src/units.rs", "use super::store;", 1),
        (
            "src/query/bench/x.rs",
            "use super::super::super::{edge, ids};",
            1,
        ),
        ("src/brandnew/mod.rs", "", 1),
    ] {
        let found = breaches(file, text);
        assert_eq!(found.len(), 1, "{file}: {found:?}");
        assert!(
            found[0].starts_with(&format!("{file}:{line}: ")),
            "{found:?}"
        );
        assert!(found[0].contains("; "), "no way out: {found:?}");
    }
    for (file, text) in [
        ("src/edge/status.rs", "use crate::{intake, query, store};"),
        (
            "src/query/bench/attempts.rs",
            "use super::outcome::revise;\nuse super::edge;",
        ),
        (
            "src/store/x.rs",
            "/// Answers [`crate::query`].\nuse crate::record::edge;",
        ),
        ("src/lib.rs", "pub use crate::edge;"),
    ] {
        assert_eq!(breaches(file, text), [""; 0], "{file}");
    }
}
