//! The doors: decode, ask, encode. Nothing is decided here.

pub mod grpc;
pub mod http;
pub mod pb;
pub mod serve;
pub mod status;
pub mod wire;
