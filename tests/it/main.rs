//! The service through its public edges, one module per capability.

mod harness;

mod catalog;
mod cluster;
mod field;
mod intake;
mod sessions;
