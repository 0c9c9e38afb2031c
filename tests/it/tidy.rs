//! The tree keeps its shape: layers, words, sizes, places. Prints file, rule and way out.

mod layers;

use std::fs;
use std::path::{Path, PathBuf};

/// Modules without I/O, clock, async and log, the same to the bit on every machine.
const CORE: [&str; 10] = [
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
];

/// Where generated types may appear, with the reason.
const GENERATED: [(&str, &str); 11] = [
    ("src/edge/mod.rs", "declares them"),
    ("src/edge/pb.rs", "includes them"),
    ("src/edge/wire", "turns them into facts and back"),
    ("src/edge/grpc/", "serves them"),
    ("src/cli/alarms.rs", "is a client"),
    ("src/cli/demo/night.rs", "is a client"),
    ("src/cli/measure", "is a client"),
    ("src/cli/replay", "is a client"),
    ("src/edge/encoding.rs", "writes them as protobuf and JSON"),
    ("src/edge/mqtt/", "reads batches and tells receipts"),
    ("src/cli/soak", "is a client"),
];

const TOP_LEVEL: [&str; 9] = [
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "README.md",
    "deploy",
    "migrations",
    "proto",
    "src",
    "tests",
];

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Text files under a folder of the project, or one file: (path from the root, text), sorted.
fn texts(place: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut waiting = vec![root().join(place)];
    while let Some(path) = waiting.pop() {
        if path.is_dir() {
            waiting.extend(
                fs::read_dir(&path)
                    .unwrap()
                    .map(|entry| entry.unwrap().path()),
            );
        } else if let Ok(text) = String::from_utf8(fs::read(&path).unwrap()) {
            let name = path.strip_prefix(root()).unwrap().display().to_string();
            found.push((name, text));
        }
    }
    found.sort();
    found
}

fn sources(folder: &str) -> Vec<(String, String)> {
    let mut found = texts(folder);
    found.retain(|(file, _)| {
        Path::new(file)
            .extension()
            .is_some_and(|ending| ending == "rs")
    });
    assert!(
        found.len() > 5,
        "the walk through {folder} found too little"
    );
    found
}

/// Module of a source file: `src/store/codec.rs` -> `store`.
fn module(file: &str) -> Option<&str> {
    let first = file.strip_prefix("src/")?.split('/').next()?;
    let name = first.strip_suffix(".rs").unwrap_or(first);
    (name != "lib").then_some(name)
}

fn is_word(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '_'
}

fn word(text: &str) -> &str {
    text.split(|c| !is_word(c)).next().unwrap_or_default()
}

/// Text with its comment lines emptied; line numbers stay.
fn code(text: &str) -> String {
    let lines = text.lines().map(|line| match line.trim_start() {
        comment if comment.starts_with("//") => "",
        _ => line,
    });
    lines.collect::<Vec<&str>>().join("\n")
}

/// Lines of a core module that break its purity; its tests may read files.
fn impurities(file: &str, text: &str) -> Vec<String> {
    let tests = file.ends_with("/tests.rs") || file.contains("/tests/");
    if tests || !module(file).is_some_and(|module| CORE.contains(&module)) {
        return Vec::new();
    }
    let words = [
        "std::fs",
        "std::env",
        "std::net",
        "std::io",
        "std::process",
        "std::thread",
        "SystemTime",
        "Instant",
        "Utc::now",
        "Local::now",
        "tokio",
        "tracing",
        "sqlx",
        "async",
        "await",
        "println",
        "eprintln",
        "HashMap",
        "HashSet",
    ];
    // Rounded as each platform likes; `sqrt`, `mul_add` and rounding are exact.
    let functions = [
        "exp", "exp2", "exp_m1", "ln", "ln_1p", "log", "log2", "log10", "powf", "powi", "cbrt",
        "hypot", "sin", "cos", "tan", "sin_cos", "asin", "acos", "atan", "atan2", "sinh", "cosh",
        "tanh", "asinh", "acosh", "atanh", "gamma", "ln_gamma",
    ];
    let whole = |line: &str, wanted: &str| {
        line.match_indices(wanted).any(|(at, _)| {
            !line[..at].ends_with(is_word) && !line[at + wanted.len()..].starts_with(is_word)
        })
    };
    let mut found = Vec::new();
    let mut test_ends: Option<String> = None;
    let text = code(text);
    let mut lines = (1..).zip(text.lines()).peekable();
    while let Some((number, line)) = lines.next() {
        if let Some(end) = &test_ends {
            if line == end {
                test_ends = None;
            }
            continue;
        }
        if line.trim() == "#[cfg(test)]" && lines.peek().is_some_and(|next| next.1.ends_with('{')) {
            test_ends = Some(line.replace("#[cfg(test)]", "}"));
            continue;
        }
        for banned in words.iter().filter(|banned| whole(line, banned)) {
            found.push(format!(
                "{file}:{number}: the core may not use {banned}; take the value as an argument"
            ));
        }
        for name in functions {
            let called = line.contains(&format!(".{name}("));
            if called
                || whole(line, &format!("f64::{name}"))
                || whole(line, &format!("f32::{name}"))
            {
                found.push(format!(
                    "{file}:{number}: {name} differs between platforms; use libm::{name}"
                ));
            }
        }
    }
    found
}

/// Lines that name generated types where only facts may go.
fn generated(file: &str, text: &str) -> Vec<String> {
    if GENERATED.iter().any(|row| file.starts_with(row.0)) {
        return Vec::new();
    }
    let text = code(text);
    let lines = (1..).zip(text.lines());
    lines
        .filter(|(_, line)| {
            let mut words = line.split(|c| !is_word(c) && c != '/');
            words.any(|word| word == "pb")
        })
        .map(|(number, _)| {
            format!("{file}:{number}: names a generated type; move the conversion to edge/wire")
        })
        .collect()
}

/// Size, first line and place of a source file.
fn shape(file: &str, text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let lines = text.lines().count();
    if lines > 500 {
        found.push(format!(
            "{file}: {lines} lines; split it by noun before 500"
        ));
    }
    if !text.starts_with("//! ") {
        found.push(format!("{file}:1: say with `//!` what the file holds"));
    }
    if file.starts_with("src/") && file.matches('/').count() > 4 {
        found.push(format!(
            "{file}: deeper than three folders under src; lift it"
        ));
    }
    found
}

/// Unfinished work, skipped tests, paths of one machine. The marks are put together here so that
/// this file passes its own check.
fn leftovers(file: &str, text: &str) -> Vec<String> {
    let marks = [
        ("TO", "DO", "do it, or leave the thing out"),
        ("FIX", "ME", "mend it"),
        ("to", "do!(", "do it, or leave the thing out"),
        ("unimple", "mented!(", "do it, or leave the thing out"),
        ("#[ig", "nore", "a test that does not run is no test"),
        (", ig", "nore)", "a test that does not run is no test"),
        ("/wo", "rk/", "name no folder of one machine"),
        ("/ro", "ot/", "name no folder of one machine"),
    ];
    let mut found = Vec::new();
    for (number, line) in (1..).zip(text.lines()) {
        for (head, tail, way_out) in marks {
            let mark = format!("{head}{tail}");
            if line.contains(&mark) {
                found.push(format!("{file}:{number}: {mark}; {way_out}"));
            }
        }
    }
    found
}

/// Entries of the top level that have no place there; what is built and dot files are let be.
fn strangers(names: &[String]) -> Vec<String> {
    names
        .iter()
        .filter(|name| !name.starts_with('.') && *name != "target")
        .filter(|name| !TOP_LEVEL.contains(&name.as_str()))
        .map(|name| format!("{name}: not a place of the top level; find its folder"))
        .collect()
}

fn check(files: &[(String, String)], by: fn(&str, &str) -> Vec<String>) {
    let found: Vec<String> = files
        .iter()
        .flat_map(|(file, text)| by(file, text))
        .collect();
    assert!(found.is_empty(), "\n{}", found.join("\n"));
}

#[test]
fn the_core_is_pure_and_the_same_on_every_platform() {
    check(&sources("src"), impurities);
}

#[test]
fn generated_types_stop_at_the_wire_and_the_clients() {
    check(&sources("src"), generated);
}

#[test]
fn no_place_of_generated_types_outlives_them() {
    let files = sources("src");
    for (place, reason) in GENERATED {
        let used = files.iter().any(|(file, text)| {
            file.starts_with(place) && (file.ends_with("/pb.rs") || !generated("", text).is_empty())
        });
        assert!(used, "GENERATED: {place} ({reason}) has none; drop its row");
    }
}

#[test]
fn sources_are_short_say_what_they_hold_and_lie_shallow() {
    check(&sources("src"), shape);
    check(&sources("tests/it"), shape);
}

#[test]
fn nothing_is_left_undone_and_no_machine_is_named() {
    let places = [
        "src",
        "tests",
        "proto",
        "migrations",
        "deploy",
        ".ci",
        ".cargo",
        "README.md",
        "DEVELOPERS.md",
        "Cargo.toml",
    ];
    for place in places {
        let files = texts(place);
        assert!(!files.is_empty(), "{place} is missing");
        check(&files, leftovers);
    }
}

#[test]
fn the_top_level_holds_what_it_should_and_nothing_else() {
    let names: Vec<String> = fs::read_dir(root())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    let found = strangers(&names);
    assert!(found.is_empty(), "\n{}", found.join("\n"));
    for name in TOP_LEVEL {
        assert!(root().join(name).exists(), "{name} is missing");
    }
}

#[test]
fn planted_impurities_are_found_and_tests_may_read_files() {
    for line in [
        "let text = std::fs::read(path);",
        "let now = Utc::now();",
        "    async fn wait() {}",
        "let y = x.exp();",
        "let y = xs.map(f64::ln);",
        "let y = x.powi(2);",
        "let seen: HashMap<u8, u8> = HashMap::new();",
    ] {
        let text = format!("#[cfg(test)]\nmod tests;\n#[cfg(test)]\nmod more {{\n}}\n{line}\n");
        let found = impurities("src/model/x.rs", &text);
        assert_eq!(found.len(), 1, "{line}: {found:?}");
        assert!(found[0].starts_with("src/model/x.rs:6: "), "{found:?}");
        let inside = format!("#[cfg(test)]\nmod tests {{\n    {line}\n}}\n");
        assert_eq!(impurities("src/model/x.rs", &inside), [""; 0]);
        assert_eq!(impurities("src/store/x.rs", &text), [""; 0]);
    }
    let fine = "let y = libm::exp(x) + x.sqrt() + x.export() + f64::expm; // x.exp()";
    let fine = fine.split(" //").next().unwrap();
    assert_eq!(impurities("src/model/x.rs", fine), [""; 0]);
}

#[test]
fn planted_faults_of_words_sizes_and_places_are_found() {
    assert_eq!(
        generated("src/query/x.rs", "use crate::edge::{pb, wire};").len(),
        1
    );
    assert_eq!(
        generated("src/cli/ask.rs", "\nfn f(x: pb::Visit) {}").len(),
        1
    );
    assert_eq!(generated("src/query/x.rs", "let pbs = lead_pb;"), [""; 0]);
    assert_eq!(shape("src/a.rs", &"//! x\n".repeat(501)).len(), 1);
    assert_eq!(shape("src/a.rs", &"//! x\n".repeat(500)), [""; 0]);
    assert_eq!(shape("src/a.rs", "\n//! x\n").len(), 1);
    assert_eq!(shape("src/a/b/c/d/e.rs", "//! x\n").len(), 1);
    assert_eq!(shape("src/a/b/c/d.rs", "//! x\n"), [""; 0]);
    for (head, tail) in [
        ("// TO", "DO later"),
        ("#[ig", "nore = \"slow\"]"),
        ("\"/wo", "rk/x\""),
    ] {
        assert_eq!(
            leftovers("src/a.rs", &format!("\n{head}{tail}")).len(),
            1,
            "{head}"
        );
    }
    let names = ["src", "target", ".git", "notes.md"].map(str::to_owned);
    assert_eq!(strangers(&names).len(), 1);
}
