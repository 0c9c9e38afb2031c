//! The doors: decode, ask, encode. Nothing is decided here.

pub mod by_name;
pub mod encoding;
pub mod grpc;
pub mod http;
pub mod mqtt;
pub mod pb;
pub mod serve;
pub mod status;
pub mod wire;
