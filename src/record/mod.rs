//! Facts: what a battery, a visit, a reading, a batch of samples, a session and an attempt are.
//!
//! Everything here is plain data. Values were parsed on the way in and are not checked again.

pub mod attempt;
pub mod batch;
pub mod battery;
pub mod limits;
pub mod ranges;
pub mod reading;
pub mod run;
pub mod sample;
pub mod session;
pub mod visit;
pub mod watermark;
pub mod words;
