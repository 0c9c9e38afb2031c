//! Recovery statistics: intervals, bands, beliefs. Deterministic to the bit.

pub mod adjusted;
pub mod bands;
pub mod belief;
pub mod beta;
pub mod evaluate;
pub mod fit;
#[cfg(test)]
mod golden;
pub mod interval;
pub mod logistic;
pub mod normal;
pub mod predict;
pub mod prior;
pub mod symmetric;
pub mod table;
