//! Hard limits on raw samples of one device, judged before validation drops a value.
//!
//! Costs a few comparisons a sample and no allocation but for the conditions it gives. A sample
//! older than what was judged before may raise, never clear.

use serde::{Deserialize, Serialize};

use super::condition::{Condition, Edge, Origin};
use super::kind::Kind;
use crate::record::batch::{EventKind, RawBatch, SenderFacts};
use crate::record::limits;
use crate::record::sample::{Channel, MISSING};
use crate::record::words::{Chemistry, Method, Purpose, Stage};

/// Case temperature must stay this far below its limit to end an alarm, 0.01 K. RELIABILITY 4.3.
const CASE_DEADBAND_CC: i64 = 500;
/// For how long, ms. RELIABILITY 4.3.
const CASE_HOLD_MS: i64 = 10 * 60_000;
/// Voltage must stay this far below its limit to end an alarm, mV. RELIABILITY 4.3.
const VOLTAGE_DEADBAND_MV: i64 = 200;
/// For how long, ms. RELIABILITY 4.3.
const VOLTAGE_HOLD_MS: i64 = 60_000;
/// Reversed below this, mV: beyond the offset of a bench meter. Our choice.
const REVERSED_MV: i64 = -200;
/// No bench has this voltage, mV: the value is a thousand times too large. Our choice.
const ABSURD_MV: i64 = 1_000_000;

/// Limits of the battery at a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Two of three samples from here raise, 0.01 degC.
    pub case_high_cc: i64,
    /// One sample from here raises, 0.01 degC.
    pub case_critical_cc: i64,
    /// One sample from here raises, mV.
    pub over_voltage_mv: i64,
    /// The battery is declared as lithium.
    pub lithium: bool,
}

impl Limits {
    /// Limits by construction and nominal voltage; not knowing it, those of 12 V hold.
    ///
    /// Source: `record::limits`: high = stop advised, critical = stop advised now.
    #[must_use]
    pub fn of(chemistry: Chemistry, nominal_v: Option<u8>) -> Self {
        let case = limits::case(chemistry);
        let nominal = i64::from(nominal_v.unwrap_or(12));
        Self {
            case_high_cc: i64::from(case.stop_advised_cc),
            case_critical_cc: i64::from(case.stop_advised_now_cc),
            over_voltage_mv: i64::from(limits::over_voltage_mv(chemistry)) * nominal / 12,
            lithium: chemistry == Chemistry::Lifepo4,
        }
    }
}

/// What the server knows of a batch: its sender, and how device time lies on the server's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// Start of the device that the batch belongs to.
    pub boot: i64,
    /// Wall time of device time 0, ms since 1970.
    pub offset_ms: i64,
    /// When the batch arrived; no sample counts as newer, whatever its device's clock says.
    pub received_ms: i64,
    /// What the registry says of the sender.
    pub sender: SenderFacts,
}

impl Arrival {
    /// What a sample or event of the batch is named by; `None` when its device gives no numbers.
    #[must_use]
    pub fn origin(&self, number: i64, device_ms: i64) -> Option<Origin> {
        (number > 0).then_some(Origin::Sent {
            boot: self.boot,
            number,
            device_ms,
        })
    }
}

/// What a declared program says before current flows: lithium on a lead-acid program, or a
/// chemistry that nobody read.
///
/// Source: DOMAIN 3.1: equalise never, recovery prohibited for lithium.
#[must_use]
pub fn program(
    chemistry: Chemistry,
    purpose: Purpose,
    method: Method,
    at_ms: i64,
) -> Option<Condition> {
    let high_voltage = purpose != Purpose::PlainCharge || method == Method::ElevatedCv;
    let kind = match chemistry {
        Chemistry::Lifepo4 if high_voltage => Kind::LithiumOnLeadProgram,
        Chemistry::Unknown => Kind::ChemistryUnknown,
        _ => return None,
    };
    Some(Condition::new(kind, Edge::On, None, at_ms))
}

/// One limit: on, and since when its values were calm.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
struct Switch {
    on: bool,
    calm_since_ms: Option<i64>,
}

/// One value against one limit.
struct Look {
    slot: usize,
    value: Option<i64>,
    raised: bool,
    calm: bool,
    hold_ms: i64,
}

/// When a value was measured, and by which sample.
#[derive(Clone, Copy)]
struct When {
    at_ms: i64,
    late: bool,
    origin: Option<Origin>,
}

const KINDS: [Kind; 7] = [
    Kind::OverTemperature,
    Kind::SensorFault,
    Kind::OverVoltage,
    Kind::LithiumOnLeadProgram,
    Kind::Reversed,
    Kind::UnitSuspect,
    Kind::DeviceFault,
];
const HEAT: usize = 0;
const FAULT: usize = 1;
const OVER: usize = 2;
const LITHIUM: usize = 3;
const REVERSED: usize = 4;
const UNIT: usize = 5;
const DEVICE: usize = 6;

/// Whether each of the last three measured values crossed a limit, newest in the lowest bit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
struct LastThree(u8);

impl LastThree {
    fn push(&mut self, crossed: bool) -> bool {
        self.0 = (self.0 << 1 | u8::from(crossed)) & 0b111;
        self.0.count_ones() >= 2
    }
}

/// What the last values were.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
struct Recent {
    hot: LastThree,
    negative: LastThree,
}

/// What is remembered of one device. Of fixed size.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Screen {
    newest_ms: Option<i64>,
    switches: [Switch; 7],
    recent: Recent,
    equalise: bool,
}

/// Conditions of one batch on their way out.
struct Report<'a> {
    out: &'a mut Vec<Condition>,
    /// Worst value of each kind in this batch that was not reported yet.
    worst: [Option<Condition>; 7],
}

impl Screen {
    /// Judges a batch as it came off the wire; conditions are added to `out`.
    ///
    /// `on` and `off` come once each time; a kind that stays on gives one `unchanged` a batch with
    /// its worst value. Columns of unequal length are judged as far as they go.
    pub fn judge(
        &mut self,
        batch: &RawBatch,
        limits: &Limits,
        arrival: Arrival,
        out: &mut Vec<Condition>,
    ) {
        let mut report = Report {
            out,
            worst: [None; 7],
        };
        let columns = &batch.columns;
        let lengths = [
            batch.step_ms.len(),
            columns.voltage_mv.len(),
            columns.case_cc.len(),
            columns.centre_cc.len(),
        ];
        let before_ms = self.newest_ms;
        let mut late_recent = Recent::default();
        let mut device_ms = batch.start_ms;
        let wall = |device: i64| {
            device
                .saturating_add(arrival.offset_ms)
                .min(arrival.received_ms)
        };
        for index in 0..lengths.into_iter().max().unwrap_or(0) {
            let step = batch.step_ms.get(index).copied().unwrap_or(0);
            device_ms = device_ms.saturating_add(i64::from(step.max(0)));
            let at_ms = wall(device_ms);
            let late = before_ms.is_some_and(|before| at_ms < before);
            let number = batch.number(index);
            let origin = arrival.origin(number, device_ms);
            let when = When {
                at_ms,
                late,
                origin,
            };
            let mut recent = if late { late_recent } else { self.recent };
            let case = value(&columns.case_cc, index);
            let centre = value(&columns.centre_cc, index);
            if case.is_some() || centre.is_some() {
                let looks = heat(case, centre, limits, &mut recent.hot);
                self.take(looks, when, &mut report);
            }
            if let Some(sent) = value(&columns.voltage_mv, index) {
                let mv = in_millivolts(sent, arrival.sender);
                let looks = voltage(mv, limits, self.equalise, &mut recent.negative);
                self.take(looks, when, &mut report);
            }
            if late {
                late_recent = recent;
            } else {
                self.recent = recent;
                self.newest_ms = Some(at_ms);
            }
        }
        for event in &batch.events {
            let at_ms = wall(event.time_ms);
            let late = before_ms.is_some_and(|before| at_ms < before);
            let when = When {
                at_ms,
                late,
                origin: arrival.origin(event.event_seq, event.time_ms),
            };
            match event.kind {
                Some(EventKind::Stage) => self.stage(event.stage, limits, when, &mut report),
                Some(EventKind::Fault) => self.take([told(true)], when, &mut report),
                Some(EventKind::SessionEnd) => self.take([told(false)], when, &mut report),
                None => {}
            }
        }
        report.close();
    }

    /// A lithium battery enters a stage.
    fn stage(&mut self, stage: Option<Stage>, limits: &Limits, when: When, report: &mut Report) {
        let equalise = stage == Some(Stage::Equalise);
        if !when.late {
            self.equalise = equalise;
        }
        let look = Look {
            slot: LITHIUM,
            value: None,
            raised: limits.lithium && equalise,
            calm: false,
            hold_ms: VOLTAGE_HOLD_MS,
        };
        if look.raised {
            self.take([look], when, report);
        }
    }

    fn take<const N: usize>(&mut self, looks: [Look; N], when: When, report: &mut Report) {
        for look in looks {
            if let Some(switch) = self.switches.get_mut(look.slot) {
                switch.take(&look, when, report);
            }
        }
    }

    /// Takes up after a restart: the alarm of this kind is open, so its condition holds until
    /// samples end it.
    pub fn resume(&mut self, kind: Kind) {
        for (switch, _) in self
            .switches
            .iter_mut()
            .zip(KINDS)
            .filter(|row| row.1 == kind)
        {
            switch.on = true;
        }
    }

    /// The kinds that are on.
    pub fn active(&self) -> impl Iterator<Item = Kind> {
        let switches = self.switches.iter().zip(KINDS);
        switches
            .filter(|(switch, _)| switch.on)
            .map(|(_, kind)| kind)
    }
}

impl Switch {
    #[inline]
    fn take(&mut self, look: &Look, when: When, report: &mut Report) {
        if !self.on {
            if look.raised {
                self.on = true;
                self.calm_since_ms = None;
                report.edge(look, Edge::On, when);
            }
            return;
        }
        if look.raised || !look.calm {
            report.lasts(look, when);
        }
        if when.late {
            return;
        }
        if look.raised || !look.calm {
            self.calm_since_ms = None;
            return;
        }
        let since = *self.calm_since_ms.get_or_insert(when.at_ms);
        if when.at_ms.saturating_sub(since) >= look.hold_ms {
            *self = Self::default();
            report.edge(look, Edge::Off, when);
        }
    }
}

impl Report<'_> {
    fn condition(look: &Look, edge: Edge, when: When) -> Option<Condition> {
        let kind = KINDS.get(look.slot)?;
        Some(Condition::new(*kind, edge, look.value, when.at_ms).shown_by(when.origin))
    }

    fn edge(&mut self, look: &Look, edge: Edge, when: When) {
        let pending = self.worst.get_mut(look.slot).and_then(Option::take);
        self.out.extend(pending.filter(|_| edge == Edge::Off));
        self.out.extend(Self::condition(look, edge, when));
    }

    fn lasts(&mut self, look: &Look, when: When) {
        let Some(seen) = Self::condition(look, Edge::Unchanged, when) else {
            return;
        };
        match self.worst.get_mut(look.slot) {
            Some(Some(worst)) => worst.absorb(&seen),
            Some(empty) => *empty = Some(seen),
            None => {}
        }
    }

    fn close(self) {
        self.out.extend(self.worst.into_iter().flatten());
    }
}

fn value(column: &[i32], index: usize) -> Option<i64> {
    let value = column.get(index).copied().filter(|v| *v != MISSING)?;
    Some(i64::from(value))
}

/// The device's own word: a fault, which lasts until it ends its session.
fn told(fault: bool) -> Look {
    Look {
        slot: DEVICE,
        value: None,
        raised: fault,
        calm: !fault,
        hold_ms: 0,
    }
}

/// The hotter of case and centre against the limits; what cannot be is a fault of the sensor.
fn heat(case: Option<i64>, centre: Option<i64>, limits: &Limits, hot: &mut LastThree) -> [Look; 2] {
    let (low, high) = Channel::Case.gate();
    let possible = i64::from(low)..=i64::from(high);
    let fits = |value: &i64| possible.contains(value);
    let broken = [case, centre].into_iter().flatten().find(|v| !fits(v));
    let hottest = case.filter(fits).max(centre.filter(fits));
    let crossed = hottest.is_some_and(|v| v >= limits.case_high_cc);
    let two_of_three = hottest.is_some() && hot.push(crossed);
    let critical = hottest.is_some_and(|v| v >= limits.case_critical_cc);
    [
        Look {
            slot: HEAT,
            value: hottest,
            raised: critical || (crossed && two_of_three),
            calm: hottest.is_some_and(|v| v <= limits.case_high_cc - CASE_DEADBAND_CC),
            hold_ms: CASE_HOLD_MS,
        },
        Look {
            slot: FAULT,
            value: broken.or(hottest),
            raised: broken.is_some(),
            calm: broken.is_none(),
            hold_ms: CASE_HOLD_MS,
        },
    ]
}

/// A voltage in the declared unit, as mV.
fn in_millivolts(sent: i64, sender: SenderFacts) -> i64 {
    if sender.voltage_in_mv {
        sent / 1000
    } else {
        sent
    }
}

/// A voltage against the limits; what no bench has is judged as a thousandth of it.
fn voltage(declared: i64, limits: &Limits, equalise: bool, negative: &mut LastThree) -> [Look; 4] {
    let absurd = declared.abs() >= ABSURD_MV;
    let mv = if absurd { declared / 1000 } else { declared };
    let over = mv >= limits.over_voltage_mv;
    let below = mv <= limits.over_voltage_mv - VOLTAGE_DEADBAND_MV;
    let reversed = mv <= REVERSED_MV;
    let two_of_three = negative.push(reversed);
    let look = |slot, value, raised, calm| Look {
        slot,
        value: Some(value),
        raised,
        calm,
        hold_ms: VOLTAGE_HOLD_MS,
    };
    [
        look(OVER, mv, over && !limits.lithium, below || limits.lithium),
        look(
            LITHIUM,
            mv,
            limits.lithium && (over || equalise),
            !equalise && (below || !limits.lithium),
        ),
        look(REVERSED, mv, reversed && two_of_three, mv >= 0),
        look(UNIT, declared, absurd, !absurd),
    ]
}

#[cfg(test)]
mod tests;
