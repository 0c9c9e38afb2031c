//! Objections to the place: fresh air for the hydrogen, who and what watches.

use super::{Case, DUST, Objection, ObjectionKind, Severity, charge_name};
use crate::lead_acid::gas;
use crate::record::words::{Method, Purpose};

/// Adds what speaks against the place.
pub(super) fn look(case: &Case, found: &mut Vec<Objection>) {
    found.extend(air(case));
    found.extend(sensor(case));
    found.extend(unattended(case));
}

/// Gassing current of one position that air is planned for, A.
///
/// The standard's boost figure where the voltage stays at absorption, else all of the current.
pub(super) fn gas_a(case: &Case) -> Option<f64> {
    let current = case.amps;
    let boost = case.c20_ah.map(|ah| gas::boost_gas_a(case.chemistry, ah));
    if case.is_elevated() {
        current
    } else if case.plan.method == Method::Unknown {
        current.into_iter().chain(boost).reduce(f64::max)
    } else {
        boost.or(current)
    }
}

/// Fresh air that all positions need, m3/h.
pub(super) fn needed_m3_h(case: &Case) -> Option<f64> {
    let positions = f64::from(case.context.place.positions.max(1));
    gas_a(case).map(|amps| positions * gas::air_m3_h(case.cells, amps))
}

/// What happens without air, in words; empty where the room's volume is not known.
pub(super) fn sealed(case: &Case) -> String {
    let place = &case.context.place;
    let positions = f64::from(place.positions.max(1));
    // The charger's whole current at 25 degC: the worst the room can get.
    let hours = case.amps.zip(case.volume_m3).and_then(|(amps, volume_m3)| {
        let one = gas::hydrogen_l_h(amps, case.cells, gas::hydrogen_l_per_ah(25.0));
        gas::hours_to_share(volume_m3, positions * one, gas::TARGET_SHARE)
            .map(|hours| (volume_m3, hours))
    });
    match hours {
        Some((volume_m3, hours)) => format!(
            " Sealed, {volume_m3} m3 could reach 1 % hydrogen in {hours:.1} h, sooner under the \
             ceiling."
        ),
        None => String::new(),
    }
}

fn air(case: &Case) -> Option<Objection> {
    let place = &case.context.place;
    let needed = needed_m3_h(case)?;
    let has = case.air_m3_h.filter(|has| *has < needed - DUST)?;
    let positions = place.positions.max(1);
    Some(Objection {
        kind: ObjectionKind::VentilationTooLow,
        severity: Severity::ChangeFirst,
        field: "air_m3_h",
        sentence: format!(
            "{positions} {} like this need {needed:.2} m3/h of fresh air, the room has {has:.2} \
             m3/h.{}",
            if positions == 1 {
                "position"
            } else {
                "positions"
            },
            sealed(case)
        ),
        fix: "Ventilate more, charge fewer at a time, or lower the current; local codes may ask \
              for more."
            .to_owned(),
        basis: "IEC 62485-2: Q = 0.05 n I",
    })
}

fn sensor(case: &Case) -> Option<Objection> {
    let place = &case.context.place;
    let severity = if place.attended == Some(false) {
        Severity::DoNotStart
    } else {
        Severity::ChangeFirst
    };
    (place.temperature_sensor == Some(false)).then(|| Objection {
        kind: ObjectionKind::NoTemperatureSensor,
        severity,
        field: "temperature_sensor",
        sentence: if severity == Severity::DoNotStart {
            "No temperature sensor sits on the battery and nobody stays with it: heat would not \
             be seen."
        } else {
            "No temperature sensor sits on the battery: heat would be seen late."
        }
        .to_owned(),
        fix: "Fix a sensor at mid-length of the long side, shielded from the air; the charger's \
              own independent temperature cut-off stays in use."
            .to_owned(),
        basis: "placing: a summary of SAE J537; one sensor a battery is our choice",
    })
}

fn unattended(case: &Case) -> Option<Objection> {
    let alone = case.context.place.attended == Some(false);
    (alone && case.plan.purpose != Purpose::PlainCharge).then(|| Objection {
        kind: ObjectionKind::Unattended,
        severity: Severity::ChangeFirst,
        field: "attended",
        sentence: format!(
            "A {} is planned with nobody there.",
            charge_name(case.plan.purpose)
        ),
        fix: "Begin it when somebody stays with it.".to_owned(),
        basis: "the caution that goes with every answer; our choice",
    })
}
