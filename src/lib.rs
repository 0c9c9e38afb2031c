//! restvolt: what came back, what is worth an attempt, what must be stopped.
//!
//! Data flows one way: device -> `edge` (decode) -> `record` (parse or reject) -> `intake`
//! (one transaction) -> `store` -> `work` queue -> `analysis` -> `outcome` -> `model` ->
//! `query` / `advice` -> `edge`. The modules above the line are pure: no I/O, no clock, no
//! async, no log; they compile under `--no-default-features` and give the same bits on every run.
//! DEVELOPERS.md has the map, the invariants and the dated decisions.

pub mod advice;
pub mod alarm;
pub mod analysis;
pub mod lead_acid;
pub mod model;
pub mod outcome;
pub mod record;
pub mod reject;
pub mod simulation;
pub mod units;

#[cfg(feature = "service")]
pub mod app;
#[cfg(feature = "service")]
pub mod cli;
#[cfg(feature = "service")]
pub mod clock;
#[cfg(feature = "service")]
pub mod cluster;
#[cfg(feature = "service")]
pub mod config;
#[cfg(feature = "service")]
pub mod edge;
#[cfg(feature = "service")]
pub mod ids;
#[cfg(feature = "service")]
pub mod intake;
#[cfg(feature = "service")]
pub mod lane;
#[cfg(feature = "service")]
pub mod learn;
#[cfg(feature = "service")]
pub mod metrics;
#[cfg(feature = "service")]
pub mod pipeline;
#[cfg(feature = "service")]
pub mod query;
#[cfg(feature = "service")]
pub mod store;
#[cfg(feature = "service")]
pub mod telemetry;
#[cfg(feature = "service")]
pub mod watch;
