//! What a run of samples shows: charge and energy first. Finds, never fails.
//!
//! Input is plain, ascending and gated values; nothing here reads a clock, a file or a setting.

pub mod charge;
pub mod minutes;
