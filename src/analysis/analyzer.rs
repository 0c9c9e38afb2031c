//! The analysis of one charge, instant by instant.
//!
//! Live watching and closing are the same code: instants are pushed in order of time, and
//! [`analyze`](super::run::analyze) is nothing but a loop of pushes. Memory is bounded whatever the
//! length of the charge; what is reported depends on the instants alone.

use super::charge::{ChargeIntegrator, ChargeRules, Point};
use super::checkpoint::Checkpoints;
use super::context::{Context, Event};
use super::findings::{Bulk, FindingKind, Findings, View};
use super::instruments::Pair;
use super::progress::{Progress, Scale};
use super::quality::Voices;
use super::rules::Rules;
use super::stages::Stages;
use super::steps::{Sample, Steps};
use super::stop::Milestones;
use super::thermal::Heat;
use super::window::{Minute, OpenMinute, Window};
use crate::record::words::DeviceKind;

/// Factor of the least current from which a single reading starts a charge. Our choice.
const STRONG: f64 = 4.0;

/// Millivolts of a volt.
const MILLI: f64 = 1000.0;

/// Follows one charge.
#[derive(Debug, Clone)]
pub struct Analyzer {
    pub(super) rules: Rules,
    pub(super) context: Context,
    pub(super) scale: Scale,
    pub(super) voices: Voices,
    pub(super) integrator: ChargeIntegrator,
    pub(super) progress: Progress,
    open: OpenMinute,
    pub(super) window: Window,
    pub(super) stages: Stages,
    pub(super) steps: Steps,
    pub(super) pair: Pair,
    pub(super) heat: Heat,
    bulk: Bulk,
    pub(super) checkpoints: Checkpoints,
    pub(super) findings: Findings,
    pub(super) milestones: Milestones,
    pub(super) marks: Marks,
}

/// Single figures of the report that pass by once.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Marks {
    pub(super) accepted_first_hour_c: Option<f64>,
    pub(super) current_at_limit_a: Option<f64>,
    pub(super) time_to_limit_min: Option<f64>,
    /// Last voltage at rest after charge: V, minute, device.
    pub(super) rested: Option<(f64, i64, DeviceKind)>,
}

impl Analyzer {
    /// Starts with nothing heard.
    #[must_use]
    pub fn new(rules: &Rules, context: Context) -> Self {
        Self {
            scale: Scale::new(rules, &context),
            rules: *rules,
            context,
            voices: Voices::default(),
            integrator: ChargeIntegrator::new(ChargeRules::default()),
            progress: Progress::default(),
            open: OpenMinute::default(),
            window: Window::new(),
            stages: Stages::new(),
            steps: Steps::new(),
            pair: Pair::new(),
            heat: Heat::default(),
            bulk: Bulk::default(),
            checkpoints: Checkpoints::default(),
            findings: Findings::default(),
            milestones: Milestones::default(),
            marks: Marks::default(),
        }
    }

    /// Takes the next instant of any device of the run, in order of time.
    ///
    /// Repetitions and instants older than the device's last one are counted and left out. Numbers
    /// that are not finite count as not measured.
    pub fn push(&mut self, event: &Event) {
        let mut event = finite(event);
        self.unit(&mut event);
        if !self.voices.of(event.source).push(&self.rules, &event) {
            return;
        }
        if self.voices.get(event.source).slipped() {
            self.slipped(&event);
        }
        if let Some(minute) = self.open.add(&event, self.context.lead) {
            self.minute(minute);
        }
        self.heat.reading(event.case_c, event.centre_c);
        if event.source == self.context.lead {
            self.lead(&event);
        }
        if let Some(v12) = event.voltage_v.and_then(|v| self.scale.v12(v))
            && event.source != DeviceKind::Sensor
        {
            let meter = event.source == DeviceKind::Meter;
            self.pair.push(&self.rules, meter, event.time_ms, v12);
        }
    }

    /// Takes an instant of the device whose current is counted.
    fn lead(&mut self, event: &Event) {
        self.integrator.push(Point {
            time_ms: event.time_ms,
            voltage_v: event.voltage_v,
            current_a: event.current_a,
        });
        if let Some(v) = event.voltage_v {
            self.scale.learn(v);
        }
        let driven = event
            .voltage_v
            .and_then(|v| self.scale.v12(v))
            .is_some_and(|v| v >= self.rules.at_limit_v);
        let flows = event.current_a.filter(|i| *i >= self.scale.on_a);
        let strong = flows.is_some_and(|i| i >= STRONG * self.scale.on_a);
        self.progress
            .instant(event.time_ms, (driven || strong, flows.is_some()));
        if let (Some(v), Some(i)) = (event.voltage_v, event.current_a) {
            let here = Sample {
                time_ms: event.time_ms,
                v,
                i,
            };
            let quantum_a = self.voices.get(event.source).quantum_a.unwrap_or(0.0);
            self.steps.push(&self.rules, &self.scale, here, quantum_a);
        }
    }

    /// Sets volts right where the reader asked for it, and leaves out those of a wrong unit.
    fn unit(&mut self, event: &mut Event) {
        let Some(volts) = event.voltage_v else { return };
        let known = match event.source {
            DeviceKind::Charger => self.context.millivolts.charger,
            DeviceKind::Meter => self.context.millivolts.meter,
            DeviceKind::Sensor => false,
        };
        if known {
            event.voltage_v = Some(volts / MILLI);
        } else if volts.abs() > self.rules.wrong_unit_v {
            self.voices.of(event.source).wrong_unit();
            event.voltage_v = None;
        }
    }

    fn slipped(&mut self, event: &Event) {
        if self.findings.find(FindingKind::WrongUnit).is_none() {
            let count = self.voices.get(event.source).wrong_unit_count;
            let evidence = format!(
                "{}: {count} readings above {:.0} V: millivolts sent as volts",
                event.source, self.rules.wrong_unit_v
            );
            self.findings
                .add(FindingKind::WrongUnit, event.time_ms, evidence);
        }
    }

    /// Looks at a minute that is complete.
    fn minute(&mut self, minute: Minute) {
        let rules = self.rules;
        let rules = &rules;
        self.window.push(minute);
        let ah = self.integrator.ah_net_so_far();
        self.progress.minute(rules, &self.scale, &minute, ah);
        let elapsed = self.progress.elapsed_min(minute.at);
        self.pair.minute(rules, &self.scale, &minute, elapsed);
        let so_far = (self.progress.i_max, self.progress.celsius);
        self.stages.minute(rules, &self.scale, &self.window, so_far);
        let held = self.stages.at_plateau();
        self.heat.minute(rules, &self.context, &self.window, held);
        self.bulk
            .minute(rules, &self.scale, &minute, (elapsed, ah, held));
        self.mark(&minute, elapsed);
        let (Some(v), Some(i)) = (minute.v, minute.i) else {
            return;
        };
        let view = View {
            rules,
            context: &self.context,
            scale: &self.scale,
            progress: &self.progress,
            window: &self.window,
            stages: &self.stages,
            steps: &self.steps,
            heat: &self.heat,
            bulk: &self.bulk,
            contact_spread: elapsed
                .filter(|min| (59.0..65.0).contains(min))
                .and_then(|_| self.pair.contact_spread()),
            at: minute.at,
            elapsed,
            quantum_a: self.voices.get(self.context.lead).quantum_a.unwrap_or(0.0),
            v: self.scale.v12(v).unwrap_or(0.0),
            i,
        };
        self.findings.minute(&view);
        self.milestones.minute(&view);
        self.checkpoints.minute(&view);
    }

    /// Notes figures that pass by once.
    fn mark(&mut self, minute: &Minute, elapsed: Option<f64>) {
        let marks = &mut self.marks;
        if elapsed.is_some_and(|min| min <= 59.0) {
            marks.accepted_first_hour_c = self.scale.share(self.progress.ah);
        }
        if self.stages.at_plateau() {
            let held = elapsed.map(|min| (min - self.stages.held_min(minute.at)).max(0.0));
            marks.time_to_limit_min = marks.time_to_limit_min.or(held);
            marks.current_at_limit_a = minute.i.or(marks.current_at_limit_a);
        }
        if self.stages.resting_since().is_some() {
            let meter = minute.meter_v.map(|v| (v, minute.at, DeviceKind::Meter));
            let lead = minute.v.map(|v| (v, minute.at, self.context.lead));
            marks.rested = meter.or(lead).or(marks.rested);
        } else if minute.i.is_some() {
            marks.rested = None;
        }
    }

    /// Bytes of this state, heap included. Bounded whatever the length of the charge.
    #[must_use]
    pub fn size_bytes(&self) -> usize {
        size_of::<Self>()
            + self.integrator.heap_bytes()
            + self.window.heap_bytes()
            + self.stages.heap_bytes()
            + self.steps.heap_bytes()
            + self.pair.heap_bytes()
            + self.findings.heap_bytes()
    }

    /// The analysis as if the minute that is still open were complete.
    pub(super) fn completed(&self) -> Self {
        let mut whole = self.clone();
        if let Some(minute) = self.open.close() {
            whole.minute(minute);
        }
        whole
    }
}

/// The instant with numbers that are no numbers left out.
fn finite(event: &Event) -> Event {
    let keep = |value: Option<f64>| value.filter(|value| value.is_finite());
    Event {
        voltage_v: keep(event.voltage_v),
        current_a: keep(event.current_a),
        case_c: keep(event.case_c),
        centre_c: keep(event.centre_c),
        ambient_c: keep(event.ambient_c),
        ..*event
    }
}
