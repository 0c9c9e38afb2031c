//! Fair comparison of shops, methods and chargers: what each did against what its cases promised.

pub mod chance_sum;
pub mod experiment;
pub mod fair;
pub mod funnel;
pub mod multiplicity;
pub mod observed_expected;
pub mod rank;
pub mod shrinkage;
pub mod standard;

#[cfg(test)]
mod tests;
