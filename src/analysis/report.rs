//! What one charge showed: the whole answer of the analysis.

use super::charge::Charge;
use super::checkpoint::Checkpoint;
use super::findings::Finding;
use super::instruments::Instruments;
use super::quality::Quality;
use super::stages::StageSpan;
use super::stop::StopAdvice;
use super::thermal::Thermal;
use crate::record::words::{DeviceKind, vocabulary};

vocabulary! {
    /// Where a figure comes from.
    Origin {
        /// From the label, as the shop told.
        Stated = "stated",
        /// From voltages that leave no doubt.
        Inferred = "inferred",
        /// Not known: rules that need it were left out.
        Unknown = "unknown",
    }
}

/// How much the battery took.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Acceptance {
    /// Net charge over C20, 1.
    pub accepted_c: Option<f64>,
    /// Net charge of the first hour over C20, 1.
    pub accepted_first_hour_c: Option<f64>,
    /// Mean current of the last five minutes at the voltage limit, A.
    pub current_at_limit_a: Option<f64>,
    /// Time at the voltage limit in the first hour, min.
    pub limit_in_first_hour_min: f64,
    /// From the start of charge to the first held voltage, min.
    pub time_to_limit_min: Option<f64>,
}

/// Resistance from interruptions of the current.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize)]
pub struct Resistance {
    /// Median DC resistance one second after the first reading at the new current, with leads and
    /// contacts, Ohm.
    pub dc_1s_ohm: Option<f64>,
    /// The same at that first reading, which lies anywhere within a second of the step, Ohm.
    pub dc_first_ohm: Option<f64>,
    /// Steps it rests on.
    pub step_count: usize,
    /// Steps refused because readings were more than a second apart.
    pub refused_step_count: u32,
}

/// Voltage after charge ended, without current.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct RestedVoltage {
    /// Open-circuit voltage, V.
    pub open_circuit_v: f64,
    /// How long it rested, min. Below 8 h it still carries surface charge.
    pub rested_min: f64,
    /// Which device measured it.
    pub source: DeviceKind,
}

/// Cells that hold a voltage, from a rested voltage of 1.80 to 2.16 V each.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct LiveCells {
    /// How many.
    pub count: u8,
    /// Of how many.
    pub of: u8,
    /// The voltage it rests on, V.
    pub from_v: f64,
    /// Whether that voltage was read after the charge.
    pub after_charge: bool,
}

/// What a rule was left out for.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct LeftOut {
    /// What is not known.
    pub missing: &'static str,
    /// Which rules it leaves out.
    pub rules: &'static str,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct Report {
    /// Version of the thresholds, with what was changed in them.
    pub rules_version: String,
    /// Whether an attempt claimed the run.
    pub claimed: bool,
    /// Nominal voltage the rules went by, V.
    pub nominal_v: Option<u8>,
    /// Where that comes from.
    pub nominal_origin: Origin,
    /// Rules that could not be used, and why.
    pub left_out: Vec<LeftOut>,
    /// First instant of charge, ms of the run.
    pub charge_start_ms: Option<i64>,
    /// Last instant heard of the leading device, ms of the run.
    pub last_heard_ms: Option<i64>,
    /// State of the record.
    pub quality: Quality,
    /// Stages, one after another.
    pub stages: Vec<StageSpan>,
    /// Charge and energy with their bounds.
    pub charge: Charge,
    /// What it took.
    pub acceptance: Acceptance,
    /// Resistance.
    pub resistance: Resistance,
    /// Temperatures.
    pub thermal: Thermal,
    /// Voltage after the charge.
    pub rested: Option<RestedVoltage>,
    /// Voltage before the charge, V: told, or idle in the record.
    pub start_rest_v: Option<f64>,
    /// Live cells by the latest rested voltage.
    pub live_cells: Option<LiveCells>,
    /// Charger against meter.
    pub instruments: Instruments,
    /// Features at fixed times.
    pub checkpoints: Vec<Checkpoint>,
    /// What was found, by first sight.
    pub findings: Vec<Finding>,
    /// Stop advice.
    pub stop: StopAdvice,
    /// What one session cannot tell.
    pub stand_test: Option<&'static str>,
}
