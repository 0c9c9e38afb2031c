//! Where a charge stands: when it began, from which voltage, how far it came.

use super::context::Context;
use super::rules::Rules;
use super::window::{MINUTE_MS, Minute};

/// Above this a pack can only be one of 12 V; above the second it is none this service judges. V.
const SURELY_12_V: (f64, f64) = (9.0, 18.0);

/// Longest time before the charge that an idle voltage is taken from, minutes.
const IDLE_KEPT_MIN: i64 = 240;

/// Cells and capacity as far as known, and the voltage scale that follows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Scale {
    /// Cells in series.
    pub(crate) cells: Option<f64>,
    /// Whether the cells were told by the voltage, not by the label.
    pub(crate) inferred: bool,
    /// Factor from the pack's volts to those of six cells.
    factor: Option<f64>,
    /// Rated Ah.
    pub(crate) c20: Option<f64>,
    /// Current from which charge flows, A.
    pub(crate) on_a: f64,
}

impl Scale {
    pub(crate) fn new(rules: &Rules, context: &Context) -> Self {
        let c20 = context.c20();
        let on_a = c20.map_or(rules.on_unknown_a, |ah| {
            (rules.on_share_c * ah).max(rules.on_floor_a)
        });
        Self {
            cells: context.cells(),
            factor: context.cells().map(|cells| 6.0 / cells),
            inferred: false,
            c20,
            on_a,
        }
    }

    /// Learns the cells from a voltage that leaves no doubt, when no label told them.
    pub(crate) fn learn(&mut self, volts: f64) {
        let (over, below) = SURELY_12_V;
        if self.cells.is_none() && (over..below).contains(&volts) {
            self.cells = Some(6.0);
            self.factor = Some(1.0);
            self.inferred = true;
        }
    }

    /// Volts of six cells.
    pub(crate) fn v12(&self, volts: f64) -> Option<f64> {
        Some(volts * self.factor?)
    }

    /// Current as a share of C20.
    pub(crate) fn share(&self, amperes: f64) -> Option<f64> {
        Some(amperes / self.c20?)
    }
}

/// What the rules ask about the charge so far. Voltages are those of six cells.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Progress {
    /// First instant of the leading device, ms.
    pub(crate) first_ms: Option<i64>,
    /// Last instant of the leading device, ms.
    pub(crate) last_ms: i64,
    /// First instant of charge, ms.
    pub(crate) start_ms: Option<i64>,
    /// Since when a weak current flows, ms.
    weak_ms: Option<i64>,
    /// Last idle voltage before the charge, V at 12 V.
    pub(crate) idle_v: Option<(i64, f64)>,
    /// Mean voltage of the first minute of charge, V at 12 V.
    pub(crate) first_v: Option<f64>,
    /// Voltage two minutes after the start, V at 12 V.
    pub(crate) v_at_2_min: Option<f64>,
    /// Largest one-minute current, A.
    pub(crate) i_max: f64,
    /// Highest one-minute voltage, V at 12 V.
    pub(crate) v_max: f64,
    /// Net Ah since the first instant.
    pub(crate) ah: f64,
    /// Minutes of charge at the limit within the first hour, and all of them.
    pub(crate) limit_minutes: (f64, f64),
    /// Last minute with current flowing.
    pub(crate) last_on: Option<i64>,
    /// Temperature for compensation, degC.
    pub(crate) celsius: Option<f64>,
}

impl Progress {
    /// Takes an instant of the leading device.
    /// A weak current counts from its second reading on: one may be the instrument's last digit.
    pub(crate) fn instant(&mut self, time_ms: i64, (strong, weak): (bool, bool)) {
        self.first_ms.get_or_insert(time_ms);
        self.last_ms = time_ms;
        if strong || weak && self.weak_ms.is_some() {
            let from_ms = self.weak_ms.unwrap_or(time_ms);
            self.start_ms.get_or_insert(from_ms);
        }
        self.weak_ms = weak.then(|| self.weak_ms.unwrap_or(time_ms));
    }

    /// Takes a closed minute.
    pub(crate) fn minute(&mut self, rules: &Rules, scale: &Scale, minute: &Minute, ah: f64) {
        self.ah = ah;
        self.celsius = minute.case_c.or(minute.ambient_c).or(self.celsius);
        let idle = minute.i.is_none_or(|i| i.abs() < scale.on_a);
        let v = minute.v.or(minute.meter_v).and_then(|v| scale.v12(v));
        let Some(elapsed) = self.elapsed_min(minute.at) else {
            if let Some(v) = v.filter(|_| idle) {
                self.idle_v = Some((minute.at, v));
            }
            return;
        };
        let (Some(v), Some(i)) = (minute.v.and_then(|v| scale.v12(v)), minute.i) else {
            return;
        };
        self.first_v.get_or_insert(v);
        if elapsed >= 2.0 {
            self.v_at_2_min.get_or_insert(v);
        }
        self.i_max = self.i_max.max(i);
        self.v_max = self.v_max.max(v);
        if i >= scale.on_a {
            self.last_on = Some(minute.at);
        }
        if elapsed < 60.0 {
            self.limit_minutes.1 += 1.0;
            if v >= rules.at_limit_v {
                self.limit_minutes.0 += 1.0;
            }
        }
    }

    /// Whole minutes from the start of charge to a minute; `None` before it.
    pub(crate) fn elapsed_min(&self, at: i64) -> Option<f64> {
        let start = self.start_ms?.div_euclid(MINUTE_MS);
        (at >= start).then(|| (at - start) as f64)
    }

    /// Rested voltage before the charge, V at 12 V: as a person read it, else as idle before.
    ///
    /// A reading above 13 V is no rested lead-acid battery and is left out.
    pub(crate) fn start_v(&self, scale: &Scale, context: &Context, rules: &Rules) -> Option<f64> {
        let told = context.start_rest_v.and_then(|v| scale.v12(v));
        let start = self
            .start_ms
            .map_or(i64::MAX, |ms| ms.div_euclid(MINUTE_MS));
        let idle = self
            .idle_v
            .filter(|(at, _)| start.saturating_sub(*at) <= IDLE_KEPT_MIN);
        told.or(idle.map(|(_, v)| v))
            .filter(|v| *v <= rules.plateau_min_v)
    }

    /// Whether the battery surely was discharged at the start.
    pub(crate) fn was_discharged(&self, rules: &Rules, context: &Context, scale: &Scale) -> bool {
        if let Some(v) = self.start_v(scale, context, rules) {
            return v <= rules.sulfate_start_max_v;
        }
        let low = self.first_v.is_some_and(|v| v <= rules.sulfate_first_max_v);
        low || context
            .cca_share()
            .is_some_and(|share| share < rules.weak_cca_share)
    }
}
