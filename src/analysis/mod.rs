//! What a run of samples shows: stages, charge, heat, findings, stop advice. Finds, never fails.
//!
//! Input is plain, ascending and gated values; nothing here reads a clock, a file or a setting.
//! `Analyzer` takes instants one by one and reports at any moment; `run::analyze` is a loop of
//! the same pushes, so live watching and closing give the same bits.

pub mod analyzer;
pub mod charge;
pub mod checkpoint;
pub mod context;
pub mod findings;
pub mod instruments;
pub mod minutes;
mod progress;
pub mod quality;
pub mod report;
pub mod rules;
pub mod run;
pub mod slope;
pub mod stages;
mod steps;
pub mod stop;
mod summary;
pub mod thermal;
mod window;

#[cfg(test)]
mod tests;
