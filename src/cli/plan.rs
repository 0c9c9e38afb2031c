//! `plan`: objections to a charge before it starts.

use clap::Args;

use super::admin::word;
use super::{Context, Done, print};
use crate::advice::plan::{Place, Plan, PlanContext, review_plan};
use crate::clock::Clock;
use crate::record::visit::parse::{RawVisit, parse};
use crate::record::words::{Chemistry, Method, Purpose, Segment, VisualFlag};
use crate::units::{Amps, Celsius, RestMinutes, Volts};

/// Look at a charge plan before the start: current, voltage, 6/12 V, lithium, frost, air, sensor.
///
/// Prints objections, worst first, each with what removes it. No objection found permits nothing: the
/// makers' instructions and local codes come first. Exit code 2 when there are objections.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  restvolt plan --rest-volts 11.4 --chemistry agm --rated-ah 14 --current 2 --limit-volts 14.4 \\
    --battery-celsius 4 --coldest-celsius -8 --air 20 --sensor true --attended true")]
pub(super) struct Arguments {
    /// Rested open-circuit voltage of the whole battery, V.
    #[arg(long, value_name = "V", allow_negative_numbers = true)]
    rest_volts: f64,
    /// Minutes it had rested; leave out when not known.
    #[arg(long, value_name = "MIN")]
    rested: Option<f64>,
    /// Nominal voltage, 6 or 12 V.
    #[arg(long, value_name = "V", default_value_t = 12)]
    nominal_volts: i32,
    /// flooded, `enhanced_flooded`, agm, gel, lifepo4 or unknown.
    #[arg(long, value_parser = word!(Chemistry), default_value = "unknown")]
    chemistry: Chemistry,
    /// powersports (mowers, scooters, quads too), car or marine.
    #[arg(long, value_parser = word!(Segment), default_value = "powersports")]
    segment: Segment,
    /// Rated capacity, Ah at the 20 h rate.
    #[arg(long, value_name = "AH")]
    rated_ah: Option<f64>,
    /// Plates uncovered: true or false; leave out where nobody could look.
    #[arg(long)]
    electrolyte_low: Option<bool>,
    /// What is seen on the case, as for `ask`. May be repeated.
    #[arg(long, value_parser = word!(VisualFlag))]
    flag: Vec<VisualFlag>,
    /// `plain_charge`, `recovery_charge` or equalise.
    #[arg(long, value_parser = word!(Purpose), default_value = "recovery_charge")]
    purpose: Purpose,
    /// `cc_cv`, `low_rate_cc`, `elevated_cv`, `multi_stage` or unknown.
    #[arg(long, value_parser = word!(Method), default_value = "unknown")]
    method: Method,
    /// Highest charging current, A.
    #[arg(long, value_name = "A")]
    current: Option<f64>,
    /// Highest voltage of the pack, V.
    #[arg(long, value_name = "V")]
    limit_volts: Option<f64>,
    /// Longest time, h.
    #[arg(long, value_name = "H")]
    hours: Option<f64>,
    /// Nominal voltage the charger is set to, 6 or 12 V.
    #[arg(long, value_name = "V")]
    program_volts: Option<u8>,
    /// Construction the charger is set to.
    #[arg(long, value_parser = word!(Chemistry))]
    program_chemistry: Option<Chemistry>,
    /// Temperature of the battery now, degC.
    #[arg(long, value_name = "DEGC", allow_negative_numbers = true)]
    battery_celsius: Option<f64>,
    /// Coldest it has been since it was last charged, degC.
    #[arg(long, value_name = "DEGC", allow_negative_numbers = true)]
    coldest_celsius: Option<f64>,
    /// Positions that charge at a time, this one included.
    #[arg(long, value_name = "N", default_value_t = 1)]
    positions: u16,
    /// Fresh air, m3/h.
    #[arg(long, value_name = "M3/H")]
    air: Option<f64>,
    /// Free volume of the room, m3.
    #[arg(long, value_name = "M3")]
    room: Option<f64>,
    /// A temperature sensor sits on this battery: true or false.
    #[arg(long)]
    sensor: Option<bool>,
    /// Somebody stays with it: true or false.
    #[arg(long)]
    attended: Option<bool>,
}

pub(super) fn run(context: &Context, arguments: &Arguments) -> anyhow::Result<Done> {
    let facts = RawVisit {
        nominal_volts: arguments.nominal_volts,
        chemistry: Some(arguments.chemistry),
        segment: Some(arguments.segment),
        rated_ah: arguments.rated_ah,
        rest_volts: Some(arguments.rest_volts),
        electrolyte_low: arguments.electrolyte_low,
        flags: arguments.flag.clone(),
        ..RawVisit::default()
    };
    let celsius = |name, value: Option<f64>| value.map(|value| Celsius::new(name, value));
    let current = arguments.current.map(|amps| Amps::new("current", amps));
    let limit = arguments
        .limit_volts
        .map(|volts| Volts::new("limit-volts", volts));
    let rested = arguments.rested.map(|min| RestMinutes::new("rested", min));
    let plan = Plan {
        purpose: arguments.purpose,
        method: arguments.method,
        current: current.transpose()?,
        limit: limit.transpose()?,
        hours: arguments.hours,
        program_nominal_v: arguments.program_volts,
        program_chemistry: arguments.program_chemistry,
    };
    let known = PlanContext {
        visit: parse(facts, Clock::System.now())?,
        rested: rested.transpose()?,
        instrument_error_v: 0.0,
        battery_temperature: celsius("battery-celsius", arguments.battery_celsius).transpose()?,
        coldest: celsius("coldest-celsius", arguments.coldest_celsius).transpose()?,
        place: Place {
            positions: arguments.positions,
            air_m3_h: arguments.air,
            volume_m3: arguments.room,
            temperature_sensor: arguments.sensor,
            attended: arguments.attended,
        },
    };
    let found = review_plan(&plan, &known);
    if context.json {
        print(&serde_json::to_string(&found)?)?;
    } else {
        print(&found.text())?;
    }
    Ok(if found.objections.is_empty() {
        Done::All
    } else {
        Done::SomeRefused
    })
}
