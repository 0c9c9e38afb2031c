//! Types generated from `proto/`. Only the doors and the clients name them.
#![expect(
    missing_docs,
    clippy::pedantic,
    clippy::allow_attributes,
    clippy::allow_attributes_without_reason,
    clippy::clone_on_ref_ptr,
    reason = "generated code; its documentation is the comments of the protos"
)]

include!(concat!(env!("OUT_DIR"), "/api.rs"));

pub use self::restvolt::v1::*;

/// The compiled contract, for reflection and the contract test.
pub const DESCRIPTOR: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/descriptor.bin"));
