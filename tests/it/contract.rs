//! The wire contract only grows.

use std::collections::BTreeSet;
use std::path::PathBuf;

use prost::Message as _;
use prost_types::{DescriptorProto, FileDescriptorProto, FileDescriptorSet};
use restvolt::edge::pb;

fn ours() -> Vec<FileDescriptorProto> {
    let set = FileDescriptorSet::decode(pb::DESCRIPTOR).unwrap();
    set.file
        .into_iter()
        .filter(|file| file.package() == "restvolt.v1")
        .collect()
}

fn message(prefix: &str, message: &DescriptorProto, lines: &mut BTreeSet<String>) {
    let name = format!("{prefix}.{}", message.name());
    lines.insert(format!("message {name}"));
    for field in &message.field {
        let optional = if field.proto3_optional() {
            " optional"
        } else {
            ""
        };
        lines.insert(format!(
            "field {name}.{} = {} {:?} {:?}{optional} {}",
            field.name(),
            field.number(),
            field.label(),
            field.r#type(),
            field.type_name()
        ));
    }
    for inner in &message.nested_type {
        self::message(&name, inner, lines);
    }
}

/// The contract as sorted lines; each promises something to somebody's device.
fn lines() -> BTreeSet<String> {
    let mut lines = BTreeSet::new();
    for file in ours() {
        for found in &file.message_type {
            message(file.package(), found, &mut lines);
        }
        for found in &file.enum_type {
            for value in &found.value {
                lines.insert(format!(
                    "enum {} {} = {}",
                    found.name(),
                    value.name(),
                    value.number()
                ));
            }
        }
        for service in &file.service {
            for method in &service.method {
                lines.insert(format!(
                    "rpc {}.{} {}{} -> {}{}",
                    service.name(),
                    method.name(),
                    if method.client_streaming() {
                        "stream "
                    } else {
                        ""
                    },
                    method.input_type(),
                    if method.server_streaming() {
                        "stream "
                    } else {
                        ""
                    },
                    method.output_type()
                ));
            }
        }
    }
    lines
}

#[test]
fn nothing_that_was_promised_is_taken_back_and_every_addition_is_recorded() {
    let file = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/data/contract.txt");
    let now = lines();
    if std::env::var_os("RESTVOLT_WRITE_CONTRACT").is_some() {
        let text: Vec<&str> = now.iter().map(String::as_str).collect();
        std::fs::write(&file, text.join("\n") + "\n").unwrap();
    }
    let recorded = std::fs::read_to_string(&file).unwrap();
    let recorded: BTreeSet<String> = recorded.lines().map(str::to_owned).collect();
    let gone: Vec<&String> = recorded.difference(&now).collect();
    assert!(
        gone.is_empty(),
        "taken back or changed; add beside it and reserve instead: {gone:#?}"
    );
    let new: Vec<&String> = now.difference(&recorded).collect();
    assert!(
        new.is_empty(),
        "record these with RESTVOLT_WRITE_CONTRACT=1 and in proto/CHANGELOG.md: {new:#?}"
    );
    assert!(now.len() > 300);
}

#[test]
fn everything_in_the_contract_has_a_comment_and_measurements_say_their_unit() {
    let units = [
        "volts",
        "millivolts",
        "amperes",
        "milliamperes",
        "celsius",
        "ampere_hours",
        "watt_hours",
        "milliseconds",
        "minutes",
        "months",
        "days",
        "ratio",
        "count",
        "seq",
        "bytes",
        "size",
        "id",
        // Money and bare counters; the currency stands beside them.
        "worth",
        "cost",
        "replacement_price",
        "revision",
        "value",
        "months_since_full_charge",
    ];
    let numbers = [1, 3, 5, 13, 15, 16, 17, 18];
    let mut bare = Vec::new();
    for file in ours() {
        for (index, found) in file.message_type.iter().enumerate() {
            for field in &found.field {
                let named = units.iter().any(|unit| field.name().ends_with(unit));
                if numbers.contains(&(field.r#type() as i32)) && !named {
                    bare.push(format!(
                        "{}.{} has no unit in its name",
                        found.name(),
                        field.name()
                    ));
                }
            }
            commented(
                &file,
                &[4, i32::try_from(index).unwrap()],
                found.name(),
                &mut bare,
            );
            for (at, field) in found.field.iter().enumerate() {
                let path = [
                    4,
                    i32::try_from(index).unwrap(),
                    2,
                    i32::try_from(at).unwrap(),
                ];
                commented(
                    &file,
                    &path,
                    &format!("{}.{}", found.name(), field.name()),
                    &mut bare,
                );
            }
        }
        for found in &file.enum_type {
            assert!(
                found.value[0].name().ends_with("_UNSPECIFIED"),
                "{}",
                found.name()
            );
        }
        for (index, service) in file.service.iter().enumerate() {
            assert!(service.name().ends_with("Service"));
            for (at, method) in service.method.iter().enumerate() {
                assert!(
                    method
                        .input_type()
                        .ends_with(&format!(".{}Request", method.name()))
                );
                assert!(
                    method
                        .output_type()
                        .ends_with(&format!(".{}Response", method.name()))
                );
                let path = [
                    6,
                    i32::try_from(index).unwrap(),
                    2,
                    i32::try_from(at).unwrap(),
                ];
                commented(&file, &path, method.name(), &mut bare);
            }
        }
    }
    assert!(bare.is_empty(), "{bare:#?}");
}

fn commented(file: &FileDescriptorProto, path: &[i32], what: &str, bare: &mut Vec<String>) {
    let info = file.source_code_info.as_ref().unwrap();
    let found = info.location.iter().find(|location| location.path == path);
    if found.is_none_or(|location| location.leading_comments().trim().is_empty()) {
        bare.push(format!("{}: {what} has no comment", file.name()));
    }
}
