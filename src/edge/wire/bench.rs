//! Visits, readings, attempts and outcomes between wire and domain.

use uuid::Uuid;

use super::{Word as _, optional_id, time, timestamp};
use crate::edge::pb;
use crate::outcome::DueReading;
use crate::query::Error;
use crate::query::bench::{Claim, ListedAttempt, RawReading, StoredAttempt, StoredOutcome};
use crate::query::sessions::Session;
use crate::record::reading::Reading;
use crate::record::run::{Cast, Member};
use crate::record::visit::parse::RawVisit;
use crate::record::words;

fn text(id: Option<Uuid>) -> String {
    id.map(|id| id.to_string()).unwrap_or_default()
}

/// Facts of a battery off the wire, not yet checked. Flags we do not know are left to the check.
///
/// # Errors
/// `FIELD_INVALID` for a time no calendar has.
pub fn raw_visit(facts: pb::VisitFacts) -> Result<RawVisit, Error> {
    let battery = facts.battery.unwrap_or_default();
    Ok(RawVisit {
        nominal_volts: battery.nominal_volts,
        chemistry: words::Chemistry::from_wire(battery.chemistry),
        segment: words::Segment::from_wire(battery.segment),
        rated_cca: battery.rated_cca_amperes,
        cca_standard: words::CcaStandard::from_wire(battery.cca_standard),
        rated_ah: battery.rated_capacity_ampere_hours,
        label: battery.label,
        rest_volts: facts.rest_volts,
        age_months: facts.age_months,
        months_since_full_charge: facts.months_since_full_charge,
        storage: words::Storage::from_wire(facts.storage),
        tester: words::TesterState::from_wire(facts.tester),
        cca_ratio: facts.cca_ratio,
        electrolyte_low: facts.electrolyte_low,
        flags: facts
            .flags
            .into_iter()
            .filter_map(words::VisualFlag::from_wire)
            .collect(),
        replacement_price: facts.replacement_price,
        presented_at: time("presented_time", facts.presented_time)?,
    })
}

/// A reading off the wire, not yet checked.
///
/// # Errors
/// `FIELD_INVALID` for an id or a time that is none.
pub fn raw_reading(reading: &pb::Reading) -> Result<RawReading, Error> {
    Ok(RawReading {
        kind: words::ReadingKind::from_wire(reading.kind),
        value: reading.value,
        below_instrument_minimum: reading.below_instrument_minimum,
        instrument_id: optional_id("instrument_id", &reading.instrument_id)?,
        temperature_celsius: reading.temperature_celsius,
        rested_minutes: reading.rested_minutes,
        read_at: time("reading_time", reading.reading_time)?,
    })
}

/// A stored reading for the wire.
#[must_use]
pub fn reading(reading: &Reading) -> pb::Reading {
    pb::Reading {
        kind: reading.kind.to_wire(),
        value: reading.measured(),
        below_instrument_minimum: reading.measured().is_none(),
        instrument_id: text(reading.instrument),
        temperature_celsius: reading.temperature.map(crate::units::Celsius::get),
        rested_minutes: reading.rested.map(crate::units::RestMinutes::get),
        reading_time: Some(timestamp(reading.at)),
    }
}

fn due(due: &DueReading) -> String {
    let hours = due.rested_min / 60.0;
    let kind = due.kind.as_str().replace('_', " ");
    let at = due.at.format("%Y-%m-%d %H:%MZ");
    if hours < 1.0 {
        format!("{kind} after {:.0} min of rest, due {at}", due.rested_min)
    } else {
        format!("{kind} after {hours:.0} h of rest, due {at}")
    }
}

/// An outcome for the wire.
#[must_use]
pub fn outcome(outcome: &StoredOutcome) -> pb::Outcome {
    pb::Outcome {
        outcome_class: outcome.class.to_wire(),
        basis: outcome.basis.to_wire(),
        confirmed: outcome.confirmed,
        reasons: outcome
            .reasons
            .iter()
            .map(|reason| reason.sentence.clone())
            .collect(),
        due: outcome.due.iter().map(due).collect(),
        revision: outcome.revision,
        rules_version: outcome.rules_version.clone(),
        revision_time: Some(timestamp(outcome.revised_at)),
    }
}

/// An attempt for the wire, with the newest revision of its outcome.
#[must_use]
pub fn attempt(stored: &StoredAttempt, newest: Option<&StoredOutcome>) -> pb::Attempt {
    let attempt = &stored.attempt;
    pb::Attempt {
        attempt_id: stored.attempt_id.to_string(),
        visit_id: stored.visit_id.to_string(),
        shop_id: stored.shop_id.to_string(),
        bench_id: text(stored.bench_id),
        purpose: attempt.purpose.to_wire(),
        method: attempt.method.to_wire(),
        start_time: Some(timestamp(attempt.started_at)),
        end_time: attempt.ended_at.map(timestamp),
        end_reason: attempt.end_reason.map_or(0, super::Word::to_wire),
        verdict_id: text(stored.verdict_id),
        disposition: stored.disposition.map_or(0, super::Word::to_wire),
        outcome: newest.map(outcome),
    }
}

/// A listed attempt for the wire.
#[must_use]
pub fn listed(listed: &ListedAttempt) -> pb::Attempt {
    attempt(&listed.attempt, listed.outcome.as_ref())
}

/// A claim for the wire.
#[must_use]
pub fn claim(claim: &Claim) -> pb::Claim {
    pb::Claim {
        claim_id: claim.claim_id.to_string(),
        session_id: claim.session_id.to_string(),
        claimed_by: claim.claimed_by.clone(),
        claim_time: Some(timestamp(claim.claimed_at)),
        revoke_time: claim.revoked_at.map(timestamp),
    }
}

/// A run for the wire.
#[must_use]
pub fn run(cast: &Cast, found: &[Session]) -> pb::GetRunResponse {
    let member = |member: &Member| {
        let place = &member.place;
        let session = found.iter().find(|one| one.session_id == place.session);
        pb::RunMember {
            session_id: place.session.to_string(),
            device_id: place.device.to_string(),
            device_kind: place.kind.to_wire(),
            offset_milliseconds: member.offset_ms,
            overlap_milliseconds: member.overlap_ms,
            clock_quality: session
                .map(|session| session.clock_quality.clone())
                .unwrap_or_default(),
        }
    };
    pb::GetRunResponse {
        leader: Some(member(&cast.lead)),
        others: cast.others.iter().map(member).collect(),
        from_milliseconds: cast.from_ms,
        until_milliseconds: cast.until_ms,
    }
}
