//! Tables `alarm_route` and `alarm_hours`: who is told of the alarms of a shop; where devices stand.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::alarm::escalation::{Hours, Level};
use crate::record::batch::SenderFacts;

/// One way to somebody.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// Route.
    pub route_id: Uuid,
    /// Shop whose alarms are meant.
    pub shop: Uuid,
    /// Level at which it is told.
    pub level: Level,
    /// Name of the person, or of the channel of the bench.
    pub name: String,
    /// When it may be used.
    pub hours: Hours,
    /// Where a webhook goes; empty for a person without a channel.
    pub url: String,
    /// Makes the secret, with the service's key.
    pub salt: [u8; 16],
}

/// Night of a shop, minutes after local midnight, and local time less UTC, minutes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Night {
    /// Begins.
    pub from_min: u16,
    /// Ends; the same as its begin = no night.
    pub to_min: u16,
    /// Local time less UTC.
    pub utc_offset_min: i32,
}

/// Names of where a device stands, and how it sends.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Standing {
    /// Shop.
    pub shop: Option<Uuid>,
    /// Its name.
    pub shop_name: String,
    /// Bench's name.
    pub bench_name: String,
    /// Device's name.
    pub device_name: String,
    /// What the registry declares of it.
    pub sender: SenderFacts,
}

/// Routes of a group in use, lowest level first.
///
/// # Errors
/// `Corrupt`; database errors.
pub async fn list(conn: &mut PgConnection, group: Uuid) -> Result<Vec<Route>, Error> {
    let rows = sqlx::query!(
        "select route_id, shop_id, level, name, hours, url, secret_salt from rv.alarm_route
        where group_id = $1 and removed_at is null order by shop_id, level, name limit 10000",
        group
    )
    .fetch_all(conn)
    .await?;
    let mut routes = rows
        .into_iter()
        .map(|row| {
            let corrupt = |column| Error::corrupt("alarm_route", column, row.route_id);
            Ok(Route {
                route_id: row.route_id,
                shop: row.shop_id,
                level: Level::find(&row.level).ok_or_else(|| corrupt("level"))?,
                name: row.name,
                hours: Hours::find(&row.hours).ok_or_else(|| corrupt("hours"))?,
                url: row.url,
                salt: row
                    .secret_salt
                    .try_into()
                    .map_err(|_| corrupt("secret_salt"))?,
            })
        })
        .collect::<Result<Vec<Route>, Error>>()?;
    routes.sort_by_key(|route| (route.shop, route.level));
    Ok(routes)
}

/// Sets a route; one of the same shop, level and name takes the new values. Gives its id.
///
/// # Errors
/// `Refused` when the shop does not exist; database errors.
pub async fn put(
    conn: &mut PgConnection,
    group: Uuid,
    route: &Route,
    now: DateTime<Utc>,
) -> Result<Uuid, Error> {
    let channel = if route.url.is_empty() {
        "person"
    } else {
        "webhook"
    };
    let id = sqlx::query_scalar!(
        "insert into rv.alarm_route (group_id, route_id, shop_id, level, name, hours, channel, url,
            secret_salt, changed_at)
        values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
        on conflict (group_id, shop_id, level, name) do update set
            hours = excluded.hours, channel = excluded.channel, url = excluded.url,
            secret_salt = excluded.secret_salt, changed_at = excluded.changed_at, removed_at = null
        returning route_id",
        group,
        route.route_id,
        route.shop,
        route.level.as_str(),
        route.name,
        route.hours.as_str(),
        channel,
        route.url,
        &route.salt[..],
        now
    )
    .fetch_one(conn)
    .await?;
    Ok(id)
}

/// Takes a route out; `false` when it is not in use.
///
/// # Errors
/// Database errors.
pub async fn remove(
    conn: &mut PgConnection,
    group: Uuid,
    route: Uuid,
    now: DateTime<Utc>,
) -> Result<bool, Error> {
    let done = sqlx::query!(
        "update rv.alarm_route set removed_at = $3, changed_at = $3
        where group_id = $1 and route_id = $2 and removed_at is null",
        group,
        route,
        now
    )
    .execute(conn)
    .await?;
    Ok(done.rows_affected() > 0)
}

/// Nights of the shops of a group.
///
/// # Errors
/// Database errors.
pub async fn nights(conn: &mut PgConnection, group: Uuid) -> Result<Vec<(Uuid, Night)>, Error> {
    let rows = sqlx::query!(
        "select shop_id, night_from_min, night_to_min, utc_offset_min from rv.alarm_hours
        where group_id = $1 order by shop_id limit 10000",
        group
    )
    .fetch_all(conn)
    .await?;
    let night = |from: i16, to: i16, offset: i16| Night {
        from_min: u16::try_from(from).unwrap_or(0),
        to_min: u16::try_from(to).unwrap_or(0),
        utc_offset_min: i32::from(offset),
    };
    let rows = rows.into_iter().map(|row| {
        let night = night(row.night_from_min, row.night_to_min, row.utc_offset_min);
        (row.shop_id, night)
    });
    Ok(rows.collect())
}

/// Sets the night of a shop.
///
/// # Errors
/// `Refused` outside its ranges, or when the shop does not exist; database errors.
pub async fn set_night(
    conn: &mut PgConnection,
    group: Uuid,
    shop: Uuid,
    night: Night,
) -> Result<(), Error> {
    let small = |value: i32| i16::try_from(value).unwrap_or(i16::MAX);
    sqlx::query!(
        "insert into rv.alarm_hours (group_id, shop_id, night_from_min, night_to_min, utc_offset_min)
        values ($1, $2, $3, $4, $5) on conflict (group_id, shop_id) do update set
            night_from_min = excluded.night_from_min, night_to_min = excluded.night_to_min,
            utc_offset_min = excluded.utc_offset_min",
        group,
        shop,
        small(i32::from(night.from_min)),
        small(i32::from(night.to_min)),
        small(night.utc_offset_min)
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Where devices stand now, and how they send; a shop stands for itself.
///
/// # Errors
/// Database errors.
pub async fn standings(
    conn: &mut PgConnection,
    group: Uuid,
    devices: &[Uuid],
) -> Result<Vec<(Uuid, Standing)>, Error> {
    let rows = sqlx::query!(
        r#"select d.device_id as "device_id!", d.name as "name!", d.voltage_unit as "voltage_unit!",
            d.current_unit as "current_unit!", d.disabled as "disabled!",
            b.name as "bench_name?", s.shop_id as "shop_id?", s.name as "shop_name?"
        from rv.device d
        left join rv.device_assignment a on a.group_id = d.group_id and a.device_id = d.device_id
            and a.valid_to is null
        left join rv.bench b on b.group_id = a.group_id and b.bench_id = a.bench_id
        left join rv.shop s on s.group_id = b.group_id and s.shop_id = b.shop_id
        where d.group_id = $1 and d.device_id = any($2)
        union all
        select shop_id, '', '', '', false, null, shop_id, name from rv.shop
        where group_id = $1 and shop_id = any($2)"#,
        group,
        devices
    )
    .fetch_all(conn)
    .await?;
    let rows = rows.into_iter().map(|row| {
        let standing = Standing {
            shop: row.shop_id,
            shop_name: row.shop_name.unwrap_or_default(),
            bench_name: row.bench_name.unwrap_or_default(),
            device_name: row.name,
            sender: SenderFacts {
                voltage_in_mv: row.voltage_unit == "mV",
                current_in_ma: row.current_unit == "mA",
                disabled: row.disabled,
            },
        };
        (row.device_id, standing)
    });
    Ok(rows.collect())
}
