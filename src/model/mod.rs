//! Recovery statistics: intervals, bands, beliefs. Deterministic to the bit.

pub mod bands;
pub mod belief;
pub mod beta;
pub mod interval;
pub mod logistic;
pub mod normal;
pub mod prior;
pub mod symmetric;
pub mod table;
