//! Tables `shop_group`, `shop`, `bench`, `device`, `device_assignment`, `instrument`: who exists.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Error;
use crate::record::batch::SenderFacts;
use crate::record::words::DeviceKind;

/// A shop without its cost sheet.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Shop {
    /// Id.
    pub shop_id: Uuid,
    /// Name, unique in the group.
    pub name: String,
    /// ISO 4217.
    pub currency: String,
}

/// A device.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Device {
    /// Id.
    pub device_id: Uuid,
    /// Name people use.
    pub name: String,
    /// Kind.
    pub kind: DeviceKind,
    /// Bench it stands on now.
    pub bench_id: Option<Uuid>,
    /// Shop of that bench.
    pub shop_id: Option<Uuid>,
    /// Declared unit of its voltages: V or mV.
    pub voltage_unit: String,
    /// Declared unit of its currents: A or mA.
    pub current_unit: String,
    /// Switched off.
    pub disabled: bool,
    /// What it said of itself over MQTT; `None` = nothing yet.
    pub status: Option<Status>,
    /// Version of what runs on it, as it or its integrator named it last; empty = none.
    pub firmware: String,
}

/// What a device said of itself.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct Status {
    /// It is there.
    pub online: bool,
    /// When `online` changed last.
    pub changed_at: DateTime<Utc>,
}

impl Device {
    /// What parsing needs to know of the sender.
    #[must_use]
    pub fn sender(&self) -> SenderFacts {
        SenderFacts {
            voltage_in_mv: self.voltage_unit == "mV",
            current_in_ma: self.current_unit == "mA",
            disabled: self.disabled,
        }
    }
}

struct DeviceRow {
    device_id: Uuid,
    name: String,
    kind: String,
    bench_id: Option<Uuid>,
    shop_id: Option<Uuid>,
    voltage_unit: String,
    current_unit: String,
    disabled: bool,
    online: Option<bool>,
    firmware: Option<String>,
    changed_at: Option<DateTime<Utc>>,
}

impl TryFrom<DeviceRow> for Device {
    type Error = Error;

    fn try_from(row: DeviceRow) -> Result<Self, Error> {
        Ok(Self {
            kind: DeviceKind::find(&row.kind)
                .ok_or_else(|| Error::corrupt("device", "kind", row.device_id))?,
            device_id: row.device_id,
            name: row.name,
            bench_id: row.bench_id,
            shop_id: row.shop_id,
            voltage_unit: row.voltage_unit,
            current_unit: row.current_unit,
            disabled: row.disabled,
            status: row
                .online
                .zip(row.changed_at)
                .map(|(online, changed_at)| Status { online, changed_at }),
            firmware: row.firmware.unwrap_or_default(),
        })
    }
}

/// Makes a group.
///
/// # Errors
/// Database errors.
pub async fn insert_group(
    conn: &mut PgConnection,
    group: Uuid,
    name: &str,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.shop_group (group_id, name, created_at) values ($1, $2, $3)
        on conflict do nothing",
        group,
        name,
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Makes a shop.
///
/// # Errors
/// `Refused` by `shop_name` when the group has one of that name; database errors.
pub async fn insert_shop(conn: &mut PgConnection, group: Uuid, shop: &Shop) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.shop (group_id, shop_id, name, currency) values ($1, $2, $3, $4)",
        group,
        shop.shop_id,
        shop.name,
        shop.currency
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Every shop by name, at most 1,000.
///
/// # Errors
/// Database errors.
pub async fn list_shops(conn: &mut PgConnection, group: Uuid) -> Result<Vec<Shop>, Error> {
    let rows = sqlx::query_as!(
        Shop,
        "select shop_id, name, currency from rv.shop where group_id = $1 order by name limit 1000",
        group
    )
    .fetch_all(conn)
    .await?;
    Ok(rows)
}

/// Finds a shop by its name.
///
/// # Errors
/// Database errors.
pub async fn find_shop(
    conn: &mut PgConnection,
    group: Uuid,
    name: &str,
) -> Result<Option<Shop>, Error> {
    let row = sqlx::query_as!(
        Shop,
        "select shop_id, name, currency from rv.shop where group_id = $1 and name = $2",
        group,
        name
    )
    .fetch_optional(conn)
    .await?;
    Ok(row)
}

/// Makes a bench.
///
/// # Errors
/// `Refused` by `bench_name`, or when the shop does not exist; database errors.
pub async fn insert_bench(
    conn: &mut PgConnection,
    group: Uuid,
    (bench, shop): (Uuid, Uuid),
    name: &str,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.bench (group_id, bench_id, shop_id, name) values ($1, $2, $3, $4)",
        group,
        bench,
        shop,
        name
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Every bench of a shop by name, at most 1,000: (id, name).
///
/// # Errors
/// Database errors.
pub async fn list_benches(
    conn: &mut PgConnection,
    group: Uuid,
    shop: Uuid,
) -> Result<Vec<(Uuid, String)>, Error> {
    let rows = sqlx::query!(
        "select bench_id, name from rv.bench where group_id = $1 and shop_id = $2
        order by name limit 1000",
        group,
        shop
    )
    .fetch_all(conn)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| (row.bench_id, row.name))
        .collect())
}

/// Shop a bench stands in.
///
/// # Errors
/// Database errors.
pub async fn shop_of_bench(
    conn: &mut PgConnection,
    group: Uuid,
    bench: Uuid,
) -> Result<Option<Uuid>, Error> {
    let id = sqlx::query_scalar!(
        "select shop_id from rv.bench where group_id = $1 and bench_id = $2",
        group,
        bench
    )
    .fetch_optional(conn)
    .await?;
    Ok(id)
}

/// Registers a device; it stands nowhere yet.
///
/// # Errors
/// Database errors.
pub async fn insert_device(
    conn: &mut PgConnection,
    group: Uuid,
    device: &Device,
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.device (group_id, device_id, name, kind, created_at) values ($1, $2, $3, $4, $5)",
        group,
        device.device_id,
        device.name,
        device.kind.as_str(),
        now
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Puts a device on a bench from `now` on; where it stood before ends now.
///
/// # Errors
/// `Refused` when bench or device do not exist; database errors.
pub async fn assign(
    conn: &mut PgConnection,
    group: Uuid,
    (device, bench): (Uuid, Uuid),
    now: DateTime<Utc>,
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.device_assignment set valid_to = $3
        where group_id = $1 and device_id = $2 and valid_to is null and valid_from < $3",
        group,
        device,
        now
    )
    .execute(&mut *conn)
    .await?;
    sqlx::query!(
        "insert into rv.device_assignment (group_id, device_id, valid_from, bench_id)
        values ($1, $2, $3, $4)
        on conflict (group_id, device_id, valid_from) do update set bench_id = excluded.bench_id",
        group,
        device,
        now,
        bench
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Changes what the registry declares of a device; `None` leaves a field as it is.
///
/// # Errors
/// `Refused` on a unit we do not know; database errors.
pub async fn update_device(
    conn: &mut PgConnection,
    group: Uuid,
    device: Uuid,
    (voltage_unit, current_unit, disabled): (Option<&str>, Option<&str>, Option<bool>),
) -> Result<(), Error> {
    sqlx::query!(
        "update rv.device set voltage_unit = coalesce($3, voltage_unit),
            current_unit = coalesce($4, current_unit), disabled = coalesce($5, disabled)
        where group_id = $1 and device_id = $2",
        group,
        device,
        voltage_unit,
        current_unit,
        disabled
    )
    .execute(conn)
    .await?;
    Ok(())
}

/// Keeps what a device said of itself; `false` when the group has no such device.
///
/// # Errors
/// `Refused` when the firmware text is too long; database errors.
pub async fn save_status(
    conn: &mut PgConnection,
    group: Uuid,
    device: Uuid,
    (online, firmware): (bool, &str),
    now: DateTime<Utc>,
) -> Result<bool, Error> {
    let saved = sqlx::query!(
        "insert into rv.device_status as s
            (group_id, device_id, online, firmware, changed_at, received_at)
        select group_id, device_id, $3, $4, $5, $5 from rv.device
        where group_id = $1 and device_id = $2
        on conflict (group_id, device_id) do update set
            online = excluded.online,
            firmware = case when excluded.firmware = '' then s.firmware else excluded.firmware end,
            changed_at = case when s.online = excluded.online then s.changed_at else $5 end,
            received_at = $5",
        group,
        device,
        online,
        firmware,
        now
    )
    .execute(conn)
    .await?;
    Ok(saved.rows_affected() > 0)
}

/// Finds devices by id.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn find_devices(
    conn: &mut PgConnection,
    group: Uuid,
    ids: &[Uuid],
) -> Result<Vec<Device>, Error> {
    let rows = sqlx::query_as!(
        DeviceRow,
        r#"select d.device_id, d.name, d.kind, a.bench_id as "bench_id?", b.shop_id as "shop_id?",
            d.voltage_unit, d.current_unit, d.disabled, s.online as "online?",
            f.firmware as "firmware?", s.changed_at as "changed_at?"
        from rv.device d
        left join rv.device_assignment a
            on a.group_id = d.group_id and a.device_id = d.device_id and a.valid_to is null
        left join rv.bench b on b.group_id = a.group_id and b.bench_id = a.bench_id
        left join rv.device_status s on s.group_id = d.group_id and s.device_id = d.device_id
        left join lateral (
            select f.firmware from rv.device_firmware f
            where f.group_id = d.group_id and f.device_id = d.device_id order by f.since desc limit 1) f on true
        where d.group_id = $1 and d.device_id = any($2)"#,
        group,
        ids
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Device::try_from).collect()
}

/// Lists devices by id, those after `after`; only one shop's when given.
///
/// # Errors
/// Database errors; `Corrupt`.
pub async fn list_devices(
    conn: &mut PgConnection,
    group: Uuid,
    (after, shop): (Option<Uuid>, Option<Uuid>),
    limit: i64,
) -> Result<Vec<Device>, Error> {
    let rows = sqlx::query_as!(
        DeviceRow,
        r#"select d.device_id, d.name, d.kind, a.bench_id as "bench_id?", b.shop_id as "shop_id?",
            d.voltage_unit, d.current_unit, d.disabled, s.online as "online?",
            f.firmware as "firmware?", s.changed_at as "changed_at?"
        from rv.device d
        left join rv.device_assignment a
            on a.group_id = d.group_id and a.device_id = d.device_id and a.valid_to is null
        left join rv.bench b on b.group_id = a.group_id and b.bench_id = a.bench_id
        left join rv.device_status s on s.group_id = d.group_id and s.device_id = d.device_id
        left join lateral (
            select f.firmware from rv.device_firmware f
            where f.group_id = d.group_id and f.device_id = d.device_id order by f.since desc limit 1) f on true
        where d.group_id = $1 and ($2::uuid is null or d.device_id > $2)
            and ($3::uuid is null or b.shop_id = $3)
        order by d.device_id limit $4"#,
        group,
        after,
        shop,
        limit
    )
    .fetch_all(conn)
    .await?;
    rows.into_iter().map(Device::try_from).collect()
}

/// Registers an instrument.
///
/// # Errors
/// `Refused` when the shop does not exist; database errors.
pub async fn insert_instrument(
    conn: &mut PgConnection,
    group: Uuid,
    (instrument, shop): (Uuid, Uuid),
    (name, offset_v, calibrated_at): (&str, f64, Option<DateTime<Utc>>),
) -> Result<(), Error> {
    sqlx::query!(
        "insert into rv.instrument (group_id, instrument_id, shop_id, name, offset_v, calibrated_at)
        values ($1, $2, $3, $4, $5, $6) on conflict (group_id, instrument_id) do nothing",
        group,
        instrument,
        shop,
        name,
        offset_v,
        calibrated_at
    )
    .execute(conn)
    .await?;
    Ok(())
}
