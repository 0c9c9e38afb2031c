//! The wire contract only grows, and each word of it says what it is.

use std::collections::BTreeSet;
use std::path::PathBuf;

use prost::Message as _;
use prost_types::field_descriptor_proto::Type;
use prost_types::{
    DescriptorProto, EnumDescriptorProto, FileDescriptorProto, FileDescriptorSet,
    ServiceDescriptorProto,
};
use restvolt::edge::pb;

/// Last words of a numeric field: its unit, or what it counts.
const UNITS: [&str; 31] = [
    "volts",
    "millivolts",
    "amperes",
    "milliamperes",
    "ampere_hours",
    "watt_hours",
    "celsius",
    "kelvin",
    "centidegrees_celsius",
    "milliseconds",
    "seconds",
    "minutes",
    "hours",
    "days",
    "months",
    "bytes",
    "cubic_metres",
    "per_hour",
    // Of one, never percent.
    "ratio",
    // Bare counts, numbers in an order, names.
    "count",
    "seq",
    "rank",
    "size",
    "revision",
    "id",
    // Of no unit by its definition.
    "score",
    // Money; the currency stands beside it.
    "price",
    "worth",
    "cost",
    // The unit follows from the kind beside it.
    "value",
    // The unit stands first.
    "months_since_full_charge",
];

/// Enums with values that have no comment, and how many: to be written, never to be more.
const UNCOMMENTED: [(&str, usize); 17] = [
    ("Answer", 4),
    ("Split", 6),
    ("IntervalMethod", 3),
    ("Chemistry", 4),
    ("Segment", 3),
    ("Storage", 5),
    ("TesterState", 3),
    ("VisualFlag", 8),
    ("Purpose", 3),
    ("Method", 5),
    ("EndReason", 7),
    ("OutcomeClass", 4),
    ("Basis", 3),
    ("Disposition", 4),
    ("Stage", 7),
    ("CcaStandard", 6),
    ("DeviceKind", 3),
];

fn ours() -> Vec<FileDescriptorProto> {
    let mut set = FileDescriptorSet::decode(pb::DESCRIPTOR).unwrap();
    set.file
        .retain(|file| file.package().starts_with("restvolt."));
    set.file
}

/// The contract as sorted lines; each promises something to somebody's device.
fn promises(files: &[FileDescriptorProto]) -> BTreeSet<String> {
    let mut lines = BTreeSet::new();
    for file in files {
        let package = file.package();
        for found in &file.message_type {
            message(package, found, &mut lines);
        }
        for found in &file.enum_type {
            enumeration(package, found, &mut lines);
        }
        for found in &file.service {
            service(package, found, &mut lines);
        }
    }
    lines
}

fn message(within: &str, message: &DescriptorProto, lines: &mut BTreeSet<String>) {
    let name = format!("{within}.{}", message.name());
    lines.insert(format!("message {name}"));
    for field in &message.field {
        let choice = field
            .oneof_index
            .filter(|_| !field.proto3_optional())
            .and_then(|index| message.oneof_decl.get(usize::try_from(index).ok()?))
            .map(|choice| format!(" oneof {}", choice.name()));
        lines.insert(format!(
            "field {name}.{} = {} {} {}{}{}",
            field.name(),
            field.number(),
            if field.proto3_optional() {
                "optional"
            } else {
                field.label().as_str_name()
            },
            field.r#type().as_str_name(),
            field
                .type_name
                .as_ref()
                .map(|of| format!(" {of}"))
                .unwrap_or_default(),
            choice.unwrap_or_default()
        ));
    }
    for range in &message.reserved_range {
        for number in range.start()..range.end() {
            lines.insert(format!("reserved {name} {number}"));
        }
    }
    for word in &message.reserved_name {
        lines.insert(format!("reserved {name} {word}"));
    }
    for inner in &message.nested_type {
        self::message(&name, inner, lines);
    }
    for inner in &message.enum_type {
        enumeration(&name, inner, lines);
    }
}

fn enumeration(within: &str, found: &EnumDescriptorProto, lines: &mut BTreeSet<String>) {
    let name = format!("{within}.{}", found.name());
    lines.insert(format!("enum {name}"));
    for value in &found.value {
        lines.insert(format!(
            "value {name} {} = {}",
            value.name(),
            value.number()
        ));
    }
    for range in &found.reserved_range {
        lines.insert(format!(
            "reserved {name} {} to {}",
            range.start(),
            range.end()
        ));
    }
    for word in &found.reserved_name {
        lines.insert(format!("reserved {name} {word}"));
    }
}

fn service(within: &str, found: &ServiceDescriptorProto, lines: &mut BTreeSet<String>) {
    let name = format!("{within}.{}", found.name());
    lines.insert(format!("service {name}"));
    let stream = |streams: bool| if streams { "stream " } else { "" };
    for method in &found.method {
        lines.insert(format!(
            "rpc {name}.{} {}{} -> {}{}",
            method.name(),
            stream(method.client_streaming()),
            method.input_type(),
            stream(method.server_streaming()),
            method.output_type()
        ));
    }
}

/// What the rules of names and comments say against a file.
fn faults(file: &FileDescriptorProto) -> Vec<String> {
    let mut found = Vec::new();
    for (at, message) in (0..).zip(&file.message_type) {
        message_faults(file, &[4, at], message, &mut found);
    }
    for (at, enumeration) in (0..).zip(&file.enum_type) {
        enum_faults(file, &[5, at], enumeration, &mut found);
    }
    for (at, service) in (0..).zip(&file.service) {
        commented(file, &[6, at], service.name(), &mut found);
        if !service.name().ends_with("Service") {
            found.push(format!("{}: a service ends in Service", service.name()));
        }
        for (number, method) in (0..).zip(&service.method) {
            let name = method.name();
            commented(file, &[6, at, 2, number], name, &mut found);
            let asks = method.input_type().ends_with(&format!(".{name}Request"));
            let answers = method.output_type().ends_with(&format!(".{name}Response"));
            if !(asks && answers) {
                found.push(format!(
                    "{name}: takes {name}Request, gives {name}Response, shares neither"
                ));
            }
        }
    }
    found
}

fn message_faults(
    file: &FileDescriptorProto,
    path: &[i32],
    message: &DescriptorProto,
    found: &mut Vec<String>,
) {
    commented(file, path, message.name(), found);
    for (at, field) in (0..).zip(&message.field) {
        let name = format!("{}.{}", message.name(), field.name());
        commented(file, &[path, &[2, at]].concat(), &name, found);
        let unsigned = [Type::Uint32, Type::Uint64, Type::Fixed32, Type::Fixed64];
        let word = [
            Type::Bool,
            Type::String,
            Type::Bytes,
            Type::Enum,
            Type::Message,
        ];
        if unsigned.contains(&field.r#type()) {
            found.push(format!("{name}: unsigned; take the signed type"));
        }
        let named = UNITS.iter().any(|unit| {
            let before = field.name().strip_suffix(unit);
            before.is_some_and(|before| before.is_empty() || before.ends_with('_'))
        });
        if !word.contains(&field.r#type()) && !named {
            found.push(format!("{name}: no unit in its name"));
        }
    }
    for (at, inner) in (0..).zip(&message.nested_type) {
        message_faults(file, &[path, &[3, at]].concat(), inner, found);
    }
    for (at, inner) in (0..).zip(&message.enum_type) {
        enum_faults(file, &[path, &[4, at]].concat(), inner, found);
    }
}

fn enum_faults(
    file: &FileDescriptorProto,
    path: &[i32],
    enumeration: &EnumDescriptorProto,
    found: &mut Vec<String>,
) {
    commented(file, path, enumeration.name(), found);
    let mut bare = Vec::new();
    for (at, value) in (0..).zip(&enumeration.value) {
        if value.number() == 0 && !value.name().ends_with("_UNSPECIFIED") {
            found.push(format!("{}: zero ends in _UNSPECIFIED", value.name()));
        }
        // That nothing was said needs no comment.
        if value.number() != 0 {
            commented(file, &[path, &[2, at]].concat(), value.name(), &mut bare);
        }
    }
    let owed = UNCOMMENTED
        .iter()
        .find(|row| row.0 == enumeration.name())
        .map_or(0, |row| row.1);
    if bare.len() < owed {
        found.push(format!(
            "UNCOMMENTED: {} owes {} comments, not {owed}; lower its row",
            enumeration.name(),
            bare.len()
        ));
    } else if bare.len() > owed {
        found.extend(bare);
    }
}

fn commented(file: &FileDescriptorProto, path: &[i32], what: &str, found: &mut Vec<String>) {
    let info = file.source_code_info.as_ref().unwrap();
    let place = info.location.iter().find(|place| place.path == path);
    if place.is_none_or(|place| place.leading_comments().trim().is_empty()) {
        found.push(format!("{}: {what} has no comment above it", file.name()));
    }
}

#[test]
fn nothing_that_was_promised_is_taken_back_and_every_addition_is_recorded() {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/contract.txt");
    let recorded = std::fs::read_to_string(&file).unwrap_or_default();
    let recorded: BTreeSet<String> = recorded.lines().map(str::to_owned).collect();
    let now = promises(&ours());
    let gone: Vec<&String> = recorded.difference(&now).collect();
    assert!(
        gone.is_empty(),
        "taken back or changed; additions only: reserve and add instead: {gone:#?}"
    );
    // Only after the check: writing never takes a promise back.
    if std::env::var_os("RESTVOLT_WRITE_CONTRACT").is_some() {
        let text: Vec<&str> = now.iter().map(String::as_str).collect();
        std::fs::write(&file, text.join("\n") + "\n").unwrap();
        return;
    }
    let new: Vec<&String> = now.difference(&recorded).collect();
    assert!(
        new.is_empty(),
        "new; record them: RESTVOLT_WRITE_CONTRACT=1 cargo test --test it contract, \
         and a line in proto/CHANGELOG.md: {new:#?}"
    );
}

#[test]
fn every_name_says_its_unit_and_everything_has_a_comment() {
    let files = ours();
    assert!(files.len() > 5);
    let found: Vec<String> = files.iter().flat_map(faults).collect();
    assert!(found.is_empty(), "{found:#?}");
    let asked: Vec<&str> = files
        .iter()
        .flat_map(|file| &file.service)
        .flat_map(|service| &service.method)
        .map(prost_types::MethodDescriptorProto::input_type)
        .collect();
    let distinct: BTreeSet<&&str> = asked.iter().collect();
    assert_eq!(asked.len(), distinct.len(), "two calls share a request");
}

type Change = fn(&mut FileDescriptorProto);

/// Telemetry with one change.
fn changed(change: Change) -> FileDescriptorProto {
    let files = ours();
    let found = files
        .into_iter()
        .find(|file| file.name().ends_with("telemetry.proto"));
    let mut file = found.unwrap();
    change(&mut file);
    file
}

#[test]
fn a_planted_break_of_a_promise_is_found() {
    let before = promises(&[changed(|_| {})]);
    let breaks: [(&str, Change); 7] = [
        ("renamed", |file| {
            file.message_type[0].field[0].name = Some("other_seq".into());
        }),
        ("renumbered", |file| {
            file.message_type[0].field[0].number = Some(99);
        }),
        ("retyped", |file| {
            file.message_type[0].field[0].set_type(Type::Bytes);
        }),
        ("repeated", |file| {
            let repeated = prost_types::field_descriptor_proto::Label::Repeated;
            let field = &mut file.message_type[0].field[0];
            field.proto3_optional = None;
            field.set_label(repeated);
        }),
        ("message gone", |file| {
            file.message_type.remove(0);
        }),
        ("value gone", |file| {
            file.enum_type[0].value.pop();
        }),
        ("streaming", |file| {
            let method = &mut file.service[0].method[0];
            method.server_streaming = Some(!method.server_streaming());
        }),
    ];
    for (what, change) in breaks {
        let after = promises(&[changed(change)]);
        assert!(before.difference(&after).next().is_some(), "{what}");
    }
}

#[test]
fn a_planted_fault_of_names_or_comments_is_found() {
    assert_eq!(faults(&changed(|_| {})), [""; 0]);
    let planted: [(&str, Change); 7] = [
        ("no unit", |file| {
            let batch = file
                .message_type
                .iter_mut()
                .find(|found| found.name() == "SampleBatch");
            batch.unwrap().field[1].name = Some("paid".into());
        }),
        ("unsigned", |file| {
            let batch = file
                .message_type
                .iter_mut()
                .find(|found| found.name() == "SampleBatch");
            batch.unwrap().field[1].set_type(Type::Uint32);
        }),
        ("has no comment", |file| {
            for place in &mut file.source_code_info.as_mut().unwrap().location {
                if place.path == [4, 0, 2, 0] {
                    place.leading_comments = None;
                }
            }
        }),
        ("has no comment", |file| {
            for place in &mut file.source_code_info.as_mut().unwrap().location {
                if place.path == [5, 0, 2, 1] {
                    place.leading_comments = None;
                }
            }
        }),
        ("_UNSPECIFIED", |file| {
            file.enum_type[0].value[0].name = Some("NOTHING".into());
        }),
        ("ends in Service", |file| {
            file.service[0].name = Some("Telemetry".into());
        }),
        ("shares neither", |file| {
            file.service[0].method[0].output_type = Some(".restvolt.v1.Receipt".into());
        }),
    ];
    for (what, change) in planted {
        let found = faults(&changed(change));
        assert!(
            found.len() == 1 && found[0].contains(what),
            "{what}: {found:?}"
        );
    }
}
