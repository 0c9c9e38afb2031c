//! What callers may ask of the lane and do to alarms, inside the wall of their group and shop.

use std::sync::Arc;

use chrono::DateTime;
use tokio::sync::oneshot;
use uuid::Uuid;

use super::board::{Subscription, View, place};
use super::places::by_shop;
use super::{Lane, http, secret};
use crate::alarm::escalation::{Hours, Level};
use crate::alarm::state::{Acknowledgement, Refused, Shelf};
use crate::ids;
use crate::query::{self, Caller, Error, Page};
use crate::record::batch::plain_text;
use crate::record::words::Scope;
use crate::reject::Code;
use crate::store::alarm_routes::{self, Night, Route};
use crate::store::alarms;

const READERS: &[Scope] = &[
    Scope::Operator,
    Scope::Analyst,
    Scope::Bench,
    Scope::Integrator,
];
const ACTORS: &[Scope] = &[Scope::Operator, Scope::Bench];
const OPERATOR: &[Scope] = &[Scope::Operator];
const ASK_OPERATOR: &str = "ask with an operator token";
const ASK_BENCH: &str = "ask with a bench or operator token";
/// Longest name of a route, bytes.
const NAME_MAX: usize = 64;
/// Longest address of a webhook, bytes.
const URL_MAX: usize = 1_024;
const MINUTE_MS: i64 = 60_000;

/// A step for the engine.
#[derive(Debug)]
pub enum Act {
    /// A person has seen an alarm.
    Acknowledge {
        /// Alarm.
        alarm: Uuid,
        /// Who and when.
        seen: Acknowledgement,
    },
    /// A person puts it aside.
    Shelve {
        /// Alarm.
        alarm: Uuid,
        /// Who, why, until when.
        shelf: Shelf,
    },
    /// Routes of a group were changed.
    Forget(Uuid),
}

/// An act, and where its answer goes.
pub(super) struct Asked {
    pub(super) act: Act,
    pub(super) reply: oneshot::Sender<Result<Option<View>, Refused>>,
}

/// A route as it is asked for.
#[derive(Debug, Clone)]
pub struct NewRoute {
    /// Shop.
    pub shop: Uuid,
    /// Level.
    pub level: Level,
    /// Name of the person or channel.
    pub name: String,
    /// When it may be used.
    pub hours: Hours,
    /// Where a webhook goes; empty for a person.
    pub url: String,
}

fn refused(refused: &Refused) -> Error {
    let field = match refused {
        Refused::ShelveSpan => "minutes",
        Refused::Text { field: "name", .. } => "name",
        Refused::Text { .. } => "reason",
        _ => "alarm_id",
    };
    Error::bad(Code::FieldInvalid, field, refused.to_string())
}

impl Lane {
    async fn act(&self, act: Act) -> Result<Option<View>, Error> {
        let (reply, answer) = oneshot::channel();
        let stopping = || Error::bad(Code::FieldInvalid, "alarm_id", "the service stops");
        self.acts
            .send(Asked { act, reply })
            .await
            .map_err(|_| stopping())?;
        answer
            .await
            .map_err(|_| stopping())?
            .map_err(|error| refused(&error))
    }

    /// An open alarm that the caller may act on.
    fn seen_by(&self, caller: &Caller, alarm: Uuid) -> Result<Arc<View>, Error> {
        let found = self.shared.board.find(alarm);
        let own = found.filter(|view| {
            view.life.source.group == caller.group && caller.sees_shop(view.life.shop)
        });
        own.ok_or_else(|| Error::not_found("open alarm", alarm))
    }

    /// A named person has seen an alarm.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `FIELD_INVALID`.
    pub async fn acknowledge(&self, caller: &Caller, alarm: Uuid, by: &str) -> Result<View, Error> {
        caller.need(ACTORS, "acknowledge alarms", ASK_BENCH)?;
        let before = self.seen_by(caller, alarm)?;
        let seen = Acknowledgement {
            by: by.to_owned(),
            at_ms: self.clock.now().timestamp_millis(),
        };
        let done = self.act(Act::Acknowledge { alarm, seen }).await?;
        Ok(done.unwrap_or_else(|| View::clone(&before)))
    }

    /// A named person puts an alarm aside for some minutes.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `FIELD_INVALID` for a critical alarm, a wrong span or an empty text.
    pub async fn shelve(
        &self,
        caller: &Caller,
        alarm: Uuid,
        (by, reason, minutes): (&str, &str, i32),
    ) -> Result<View, Error> {
        caller.need(ACTORS, "shelve alarms", ASK_BENCH)?;
        let before = self.seen_by(caller, alarm)?;
        let at_ms = self.clock.now().timestamp_millis();
        let aside = Shelf {
            by: by.to_owned(),
            reason: reason.to_owned(),
            at_ms,
            until_ms: at_ms.saturating_add(i64::from(minutes).saturating_mul(MINUTE_MS)),
        };
        let done = self
            .act(Act::Shelve {
                alarm,
                shelf: aside,
            })
            .await?;
        Ok(done.unwrap_or_else(|| View::clone(&before)))
    }

    /// The shop whose alarms a caller may read: `None` = every one of the group.
    fn shop_of(caller: &Caller, asked: Option<Uuid>) -> Result<Option<Uuid>, Error> {
        caller.need(READERS, "read alarms", ASK_BENCH)?;
        caller.shop_among(asked)
    }

    /// Open alarms, most urgent first. Answers while the database is away.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `FIELD_INVALID`.
    pub fn open_alarms(
        &self,
        caller: &Caller,
        shop: Option<Uuid>,
        (size, token): (i32, &str),
    ) -> Result<Page<Arc<View>>, Error> {
        let shop = Self::shop_of(caller, shop)?;
        let size = query::page_size(size)?;
        let after = query::read_uuid_token(token)?;
        let mut open = self.shared.board.open(caller.group, None);
        open.retain(|view| shop.is_none() || view.life.shop == shop);
        if let Some(after) = after {
            let behind = match open.iter().position(|view| view.life.alarm_id == after) {
                Some(index) => index + 1,
                // It closed meanwhile: from the beginning, rather than miss one.
                None => 0,
            };
            open.drain(..behind);
        }
        open.truncate(usize::try_from(size).unwrap_or(0).saturating_add(1));
        debug_assert!(open.is_sorted_by_key(|view| place(view)));
        Ok(query::cut_page(open, size, |view| {
            view.life.alarm_id.to_string()
        }))
    }

    /// Every alarm, newest first, from the database.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `FIELD_INVALID`; database errors.
    pub async fn all_alarms(
        &self,
        caller: &Caller,
        shop: Option<Uuid>,
        (size, token): (i32, &str),
    ) -> Result<Page<View>, Error> {
        let shop = Self::shop_of(caller, shop)?;
        let size = query::page_size(size)?;
        let after = query::read_time_token(token)?;
        let mut tx = self.store.begin(caller.group).await?;
        let found = alarms::list(&mut tx, caller.group, shop, after, size + 1).await?;
        tx.rollback().await?;
        let views = found.into_iter().map(|life| View {
            life,
            told: Vec::new(),
        });
        Ok(query::cut_page(views.collect(), size, |view| {
            let raised = DateTime::from_timestamp_millis(view.life.alarm.raised_at_ms);
            query::time_token(raised.unwrap_or_default(), view.life.alarm_id)
        }))
    }

    /// Reads alarms as they come; events of other groups and shops are the caller's to leave out by
    /// `sees`.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `FIELD_INVALID` for a token that is none of ours.
    pub fn subscribe(
        &self,
        caller: &Caller,
        shop: Option<Uuid>,
        token: &str,
    ) -> Result<(Option<Uuid>, Subscription), Error> {
        let shop = Self::shop_of(caller, shop)?;
        let read = || {
            let (run, seq) = token.split_once('-')?;
            let run = u64::from_str_radix(run, 16).ok()?;
            Some((run, u64::from_str_radix(seq, 16).ok()?))
        };
        let known = read();
        if known.is_none() && !token.is_empty() {
            let detail = "this is no resume token of a message before";
            return Err(Error::bad(Code::FieldInvalid, "resume_token", detail));
        }
        Ok((shop, self.shared.board.subscribe(known)))
    }

    /// Sets a route; gives it with its secret, the only time that is shown.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `TEXT_INVALID`, `FIELD_INVALID`; database errors.
    pub async fn set_route(
        &self,
        caller: &Caller,
        new: NewRoute,
    ) -> Result<(Route, String), Error> {
        caller.need(OPERATOR, "set alarm routes", ASK_OPERATOR)?;
        let shop = caller.shop_for(Some(new.shop))?;
        if new.name.trim().is_empty() {
            return Err(Error::bad(Code::TextInvalid, "name", "empty"));
        }
        plain_text(&new.name, NAME_MAX)
            .map_err(|detail| Error::bad(Code::TextInvalid, "name", detail))?;
        if !new.url.is_empty() {
            plain_text(&new.url, URL_MAX)
                .and_then(|()| http::check(&new.url, &self.listed))
                .map_err(|detail| Error::bad(Code::FieldInvalid, "url", detail))?;
        }
        let failed = |error: anyhow::Error| {
            tracing::error!(error = format!("{error:#}"), "no secret can be made");
            let detail = "the service cannot keep its key; the operator's log says why";
            Error::bad(Code::FieldInvalid, "url", detail)
        };
        let mut route = Route {
            route_id: ids::new_id(self.clock.now()),
            shop,
            level: new.level,
            name: new.name,
            hours: new.hours,
            url: new.url,
            salt: secret::random().map_err(failed)?,
        };
        let mut tx = self.store.begin(caller.group).await?;
        let put = alarm_routes::put(&mut tx, caller.group, &route, self.clock.now()).await;
        route.route_id = put.map_err(|error| match error {
            crate::store::Error::Refused { .. } => Error::not_found("shop", shop),
            other => other.into(),
        })?;
        let written = if route.url.is_empty() {
            String::new()
        } else {
            self.secrets
                .written(route.route_id, &route.salt)
                .map_err(failed)?
        };
        tx.commit().await?;
        self.act(Act::Forget(caller.group)).await?;
        Ok((route, written))
    }

    /// Takes a route out.
    ///
    /// # Errors
    /// `Denied`, `NotFound`; database errors.
    pub async fn remove_route(&self, caller: &Caller, route: Uuid) -> Result<(), Error> {
        caller.need(OPERATOR, "remove alarm routes", ASK_OPERATOR)?;
        let mut tx = self.store.begin(caller.group).await?;
        let known = alarm_routes::list(&mut tx, caller.group).await?;
        let own = known
            .iter()
            .any(|known| known.route_id == route && caller.sees_shop(Some(known.shop)));
        if !own {
            tx.rollback().await?;
            return Err(Error::not_found("alarm route", route));
        }
        alarm_routes::remove(&mut tx, caller.group, route, self.clock.now()).await?;
        tx.commit().await?;
        self.act(Act::Forget(caller.group)).await?;
        Ok(())
    }

    /// Sets the night of a shop.
    ///
    /// # Errors
    /// `Denied`, `NotFound`, `FIELD_INVALID`; database errors.
    pub async fn set_hours(
        &self,
        caller: &Caller,
        shop: Uuid,
        (from, to, offset): (i32, i32, i32),
    ) -> Result<(), Error> {
        caller.need(OPERATOR, "set alarm hours", ASK_OPERATOR)?;
        let shop = caller.shop_for(Some(shop))?;
        let minute = |field: &str, value: i32| {
            let fits = u16::try_from(value).ok().filter(|minute| *minute < 1_440);
            fits.ok_or_else(|| {
                let detail = format!("{value} is outside 0 to 1439");
                Error::bad(Code::FieldInvalid, field, detail)
            })
        };
        let night = Night {
            from_min: minute("night_from_minutes", from)?,
            to_min: minute("night_to_minutes", to)?,
            utc_offset_min: offset,
        };
        if !(-840..=840).contains(&offset) {
            let detail = format!("{offset} is outside -840 to 840");
            return Err(Error::bad(Code::FieldInvalid, "utc_offset_minutes", detail));
        }
        let mut tx = self.store.begin(caller.group).await?;
        let set = alarm_routes::set_night(&mut tx, caller.group, shop, night).await;
        set.map_err(|error| match error {
            crate::store::Error::Refused { .. } => Error::not_found("shop", shop),
            other => other.into(),
        })?;
        tx.commit().await?;
        self.act(Act::Forget(caller.group)).await?;
        Ok(())
    }

    /// Routes by shop, and what is missing.
    ///
    /// # Errors
    /// `Denied`, `NotFound`; database errors.
    pub async fn list_routes(
        &self,
        caller: &Caller,
        shop: Option<Uuid>,
    ) -> Result<(Vec<Route>, Vec<&'static str>), Error> {
        let shop = Self::shop_of(caller, shop)?;
        let mut tx = self.store.begin(caller.group).await?;
        let mut routes = alarm_routes::list(&mut tx, caller.group).await?;
        let nights = alarm_routes::nights(&mut tx, caller.group).await?;
        tx.rollback().await?;
        routes.retain(|route| shop.is_none() || Some(route.shop) == shop);
        let shops = by_shop(routes.clone(), &nights);
        let mut findings: Vec<&str> = shops
            .values()
            .flat_map(|shop| shop.routes.findings())
            .collect();
        if shops.is_empty() {
            findings.push("no routes: nobody is told of an alarm; set some");
        }
        findings.sort_unstable();
        findings.dedup();
        Ok((routes, findings))
    }
}
