//! Which sessions belong to an attempt.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::{ASK_BENCH, MAY_WRITE, visible_attempt};
use crate::clock::Clock;
use crate::ids;
use crate::query::{Caller, Error, runs};
use crate::record::words::DeviceKind;
use crate::reject::Code;
use crate::store::claims::{self, Claim};
use crate::store::sessions::{self, State};
use crate::store::work::{self, Kind};
use crate::store::{Store, Tx, attempts};

/// Ties session `.1` to attempt `.0`; returns the claim. The same claim again gets the same answer.
///
/// # Errors
/// `Denied`, `NotFound`; `FIELD_INVALID` for a session of another shop;
/// `EXISTS_WITH_DIFFERENT_CONTENT` when another attempt has the session.
pub async fn claim_session(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (attempt_id, session_id): (Uuid, Uuid),
) -> Result<Uuid, Error> {
    caller.need(MAY_WRITE, "claim sessions", ASK_BENCH)?;
    let mut tx = store.begin(caller.group).await?;
    let attempt = visible_attempt(&mut tx, caller, attempt_id).await?;
    check_session(&mut tx, caller, session_id, attempt.shop_id).await?;
    if let Some(live) = claims::live_of_session(&mut tx, caller.group, session_id).await? {
        tx.rollback().await?;
        return if live.attempt_id == attempt_id {
            Ok(live.claim_id)
        } else {
            Err(claimed_already(session_id, Some(live.attempt_id)))
        };
    }
    let now = clock.now();
    let claim = Claim {
        claim_id: ids::new_id(now),
        attempt_id,
        session_id,
        claimed_by: caller.name.clone(),
        claimed_at: now,
        revoked_at: None,
    };
    claims::insert(&mut tx, caller.group, &claim)
        .await
        .map_err(|error| {
            if error.is_constraint("claim_live") {
                claimed_already(session_id, None)
            } else {
                error.into()
            }
        })?;
    watch_again(&mut tx, session_id, now).await?;
    tx.commit().await?;
    Ok(claim.claim_id)
}

/// Ties a session and every other one of its run that nobody claimed to an attempt; returns the
/// claim, and those of the others.
///
/// # Errors
/// As `claim_session`, for the named session. Others of another shop are left out.
pub async fn claim_run(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (attempt_id, session_id): (Uuid, Uuid),
) -> Result<(Uuid, Vec<Uuid>), Error> {
    let own = claim_session(store, clock, caller, (attempt_id, session_id)).await?;
    let (cast, _) = runs::cast(store, caller, session_id).await?;
    let members = std::iter::once(&cast.lead).chain(&cast.others);
    let mut others = Vec::new();
    for member in members.filter(|member| member.place.session != session_id) {
        let pair = (attempt_id, member.place.session);
        match claim_session(store, clock, caller, pair).await {
            Ok(claim) => others.push(claim),
            // Another attempt has it, or it was recorded elsewhere.
            Err(Error::Bad(_) | Error::NotFound { .. }) => {}
            Err(error) => return Err(error),
        }
    }
    Ok((own, others))
}

/// Checks that the caller may see a session and that it was recorded in the attempt's shop.
async fn check_session(
    tx: &mut Tx,
    caller: &Caller,
    session_id: Uuid,
    shop_id: Uuid,
) -> Result<(), Error> {
    let session = sessions::find(tx, caller.group, session_id)
        .await?
        .filter(|found| found.state != State::Absorbed && caller.sees_shop(found.shop_id))
        .ok_or_else(|| Error::not_found("session", session_id))?;
    if session.shop_id == Some(shop_id) {
        return Ok(());
    }
    let place = session
        .shop_id
        .map_or_else(|| "no shop".into(), |shop| format!("shop {shop}"));
    let detail = format!("recorded in {place}, the attempt is of shop {shop_id}");
    Err(Error::bad(Code::FieldInvalid, "session_id", detail))
}

/// What is known of the battery has changed: its charge is to be analyzed anew.
async fn watch_again(tx: &mut Tx, session: Uuid, now: DateTime<Utc>) -> Result<(), Error> {
    let group = tx.group();
    work::schedule(tx, Kind::WatchRun, group, &[session], &[now]).await?;
    Ok(())
}

/// A reading may tell more of the battery: the charges of its attempt are to be analyzed anew.
///
/// The analysis compares what it is made from; a reading that tells nothing new makes no revision. Where
/// a charger's session is claimed the meters of its run need no job of their own: the job of a meter
/// locks its own row and then its charger's, and whoever took both the other way round would be in its way.
pub(super) async fn watch_attempt_again(
    tx: &mut Tx,
    attempt: Uuid,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    let group = tx.group();
    let (mut chargers, mut others) = (Vec::new(), Vec::new());
    for claim in claims::of_attempt(tx, group, attempt).await? {
        if claim.revoked_at.is_some() {
            continue;
        }
        match sessions::find(tx, group, claim.session_id).await? {
            Some(found) if found.kind == DeviceKind::Charger => chargers.push(claim.session_id),
            _ => others.push(claim.session_id),
        }
    }
    let again = if chargers.is_empty() {
        others
    } else {
        chargers
    };
    let at = vec![now; again.len()];
    work::schedule(tx, Kind::WatchRun, group, &again, &at).await?;
    Ok(())
}

fn claimed_already(session_id: Uuid, attempt: Option<Uuid>) -> Error {
    let whose = attempt.map_or_else(|| "another attempt".into(), |id| format!("attempt {id}"));
    let detail =
        format!("session {session_id} is claimed already by {whose}; take that claim back first");
    Error::bad(Code::ExistsWithDifferentContent, "session_id", detail)
}

/// Takes a claim back; the row stays. Doing it again changes nothing.
///
/// # Errors
/// `Denied`, `NotFound`.
pub async fn revoke_claim(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    claim_id: Uuid,
) -> Result<(), Error> {
    caller.need(MAY_WRITE, "take claims back", ASK_BENCH)?;
    let mut tx = store.begin(caller.group).await?;
    let claim = claims::find(&mut tx, caller.group, claim_id).await?;
    let claim = claim.ok_or_else(|| Error::not_found("claim", claim_id))?;
    let attempt = attempts::find(&mut tx, caller.group, claim.attempt_id).await?;
    attempt
        .filter(|attempt| caller.sees_shop(Some(attempt.shop_id)))
        .ok_or_else(|| Error::not_found("claim", claim_id))?;
    let now = clock.now();
    claims::revoke(&mut tx, caller.group, claim_id, now).await?;
    watch_again(&mut tx, claim.session_id, now).await?;
    tx.commit().await?;
    Ok(())
}
