//! Runs: which sessions of a bench belong to one charge, and their samples on one time.

use chrono::TimeDelta;
use uuid::Uuid;

use super::sessions::{self, Session};
use super::{Caller, Error};
use crate::record::run::{AROUND_H, BEFORE_MS, Cast, Member, Place, Run, Voice};
use crate::store::sessions as table;
use crate::store::{Store, Tx};

/// The run a session belongs to, with the sessions themselves.
///
/// # Errors
/// `NotFound`; database errors.
pub async fn cast(
    store: &Store,
    caller: &Caller,
    session: Uuid,
) -> Result<(Cast, Vec<Session>), Error> {
    let own = sessions::get(store, caller, session).await?;
    let mut tx = store.begin(caller.group).await?;
    let found = cast_of(&mut tx, caller, own).await?;
    tx.rollback().await?;
    Ok(found)
}

/// The same inside a transaction.
///
/// # Errors
/// Database errors.
pub(super) async fn cast_of(
    tx: &mut Tx,
    caller: &Caller,
    own: Session,
) -> Result<(Cast, Vec<Session>), Error> {
    let id = own.session_id;
    let around = TimeDelta::hours(AROUND_H);
    let window = (own.start_at - around, own.end_at + around);
    let mut on_bench = match own.bench_id {
        Some(bench) => table::on_bench(tx, caller.group, bench, window).await?,
        None => Vec::new(),
    };
    on_bench.retain(|session| {
        caller.sees_shop(session.shop_id)
            && caller.device.is_none_or(|own| own == session.key.device)
    });
    if !on_bench.iter().any(|session| session.session_id == id) {
        on_bench.push(own);
    }
    let places: Vec<Place> = on_bench.iter().map(Session::place).collect();
    let cast = Cast::of(id, &places).ok_or_else(|| Error::not_found("session", id))?;
    on_bench.retain(|session| {
        let of = |member: &Member| member.place.session == session.session_id;
        of(&cast.lead) || cast.others.iter().any(of)
    });
    Ok((cast, on_bench))
}

/// The run a session belongs to, with every sample: what analysis sees.
///
/// # Errors
/// `NotFound`; database errors; `Corrupt`.
pub async fn load(store: &Store, caller: &Caller, session: Uuid) -> Result<Run, Error> {
    let (cast, found) = cast(store, caller, session).await?;
    let mut others = Vec::with_capacity(cast.others.len());
    for other in &cast.others {
        others.push(voice(store, caller, (*other, &found)).await?);
    }
    Ok(Run {
        lead: voice(store, caller, (cast.lead, &found)).await?,
        others,
        from_ms: cast.from_ms.max(-BEFORE_MS),
        until_ms: cast.until_ms,
    })
}

async fn voice(
    store: &Store,
    caller: &Caller,
    (member, found): (Member, &[Session]),
) -> Result<Voice, Error> {
    let id = member.place.session;
    let session = found.iter().find(|session| session.session_id == id);
    let session = session.ok_or_else(|| Error::not_found("session", id))?;
    let mut pieces = Vec::new();
    for part in sessions::parts(session) {
        pieces.extend(sessions::read_part(store, caller, session, part).await?);
    }
    Ok(Voice { member, pieces })
}
