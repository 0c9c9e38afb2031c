//! Recovery statistics: intervals, bands, beliefs. Deterministic to the bit.

pub mod adjusted;
pub mod again;
pub mod bands;
pub mod belief;
pub mod beta;
pub mod checkpoint;
pub mod comparison;
mod continued;
pub mod drift;
pub mod durations;
pub mod evaluate;
pub mod fit;
pub mod gamma;
#[cfg(test)]
mod golden;
pub mod interval;
pub mod isotonic;
pub mod ladder;
pub mod logistic;
pub mod normal;
pub mod predict;
pub mod prior;
pub mod quality;
pub mod reliability;
pub mod savings;
pub mod scores;
pub mod similar;
pub mod standing;
pub mod stop_table;
pub mod survival;
pub mod symmetric;
pub mod table;
pub mod value;
mod whole;
