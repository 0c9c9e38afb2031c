//! The service through its public edges, one module per capability.
#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::too_many_lines,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::format_push_string,
    clippy::disallowed_methods,
    reason = "a step that fails in a test ends the test; scenarios are read from top to bottom"
)]

mod harness;

mod alarms;
mod catalog;
mod cluster;
mod contract;
mod demo;
mod doctor;
mod edge;
mod examples;
mod field;
mod import;
mod intake;
mod learn;
mod measure;
mod migrations;
mod mqtt;
mod outage;
mod process;
mod runs;
mod sessions;
mod signals;
mod simulate;
mod simulation;
mod soak;
mod tidy;
mod watch;
