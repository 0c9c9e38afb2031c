//! Alarms: what raises them, how they live, who is told, in which words. Pure: time is an argument.
//!
//! The way of an alarm: `screen`, `rise` and `contact` judge raw telemetry per device, before validation
//! drops a value, and give `condition`s, `vitals` judges the service itself; `coalesce` holds them without ever filling; `state` is the
//! life of one alarm; `escalation` says who is told when, `flood` how many messages that makes,
//! `text` in which words; `webhook` signs and guards addresses with `address`; `journal` keeps what
//! the database cannot take. The service watches and reports; nothing here commands a charger.

pub mod address;
pub mod coalesce;
pub mod condition;
pub mod contact;
pub mod escalation;
pub mod flood;
pub mod journal;
pub mod kind;
pub mod rise;
pub mod screen;
pub mod state;
pub mod text;
pub mod vitals;
pub mod webhook;
