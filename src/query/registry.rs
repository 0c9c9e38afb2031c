//! Groups, shops, benches and devices.

use uuid::Uuid;

use super::tokens::{self, NewToken, Secret};
use super::{Caller, Error, Page};
use crate::clock::Clock;
use crate::ids;
use crate::record::batch::plain_text;
use crate::record::words::{DeviceKind, Scope};
use crate::reject::Code;
use crate::store::directory::{self, Entry, Kind};
pub use crate::store::registry::{Device, Shop, Status};
use crate::store::{self, Store};
use crate::store::{firmware, registry};

/// Longest name of a firmware, bytes.
const FIRMWARE_MAX: usize = 64;

const OPERATOR: &[Scope] = &[Scope::Operator];
const ENROL: &[Scope] = &[Scope::Operator, Scope::Integrator];
const ASK_OPERATOR: &str = "ask with an operator token";

/// Finds a group by name, or makes it; returns its id and whether it is new.
///
/// # Errors
/// `TEXT_INVALID`; database errors.
pub async fn ensure_group(store: &Store, clock: &Clock, name: &str) -> Result<(Uuid, bool), Error> {
    tokens::name("group", name)?;
    let mut tx = store.begin_directory().await?;
    if let Some(entry) = directory::find(&mut tx, Kind::Group, name.as_bytes()).await? {
        tx.rollback().await?;
        insert_group(store, clock, entry.group, name).await?;
        return Ok((entry.group, false));
    }
    let group = ids::new_id(clock.now());
    let made = directory::insert(
        &mut tx,
        Kind::Group,
        name.as_bytes(),
        Entry { group, id: group },
    )
    .await;
    match made {
        Ok(()) => tx.commit().await?,
        // Somebody else made it a moment ago.
        Err(error) if error.is_constraint("directory_pkey") => {
            drop(tx);
            return Box::pin(ensure_group(store, clock, name)).await;
        }
        Err(error) => return Err(error.into()),
    }
    insert_group(store, clock, group, name).await?;
    Ok((group, true))
}

async fn insert_group(store: &Store, clock: &Clock, group: Uuid, name: &str) -> Result<(), Error> {
    let mut tx = store.begin(group).await?;
    registry::insert_group(&mut tx, group, name, clock.now()).await?;
    tx.commit().await?;
    Ok(())
}

/// Every group by name.
///
/// # Errors
/// Database errors.
pub async fn list_groups(store: &Store) -> Result<Vec<(String, Uuid)>, Error> {
    let mut tx = store.begin_directory().await?;
    let groups = directory::list_groups(&mut tx).await?;
    tx.rollback().await?;
    Ok(groups)
}

/// Makes a shop.
///
/// # Errors
/// `Denied`, `TEXT_INVALID`, `EXISTS_WITH_DIFFERENT_CONTENT` when the name is taken.
pub async fn create_shop(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (name, currency): (String, String),
) -> Result<Shop, Error> {
    caller.need(OPERATOR, "make shops", ASK_OPERATOR)?;
    tokens::name("name", &name)?;
    let currency = if currency.is_empty() {
        "USD".to_owned()
    } else {
        currency
    };
    if currency.len() != 3 || !currency.chars().all(|c| c.is_ascii_uppercase()) {
        let detail = format!(
            "`{}` is no ISO 4217 code such as EUR",
            currency.escape_debug()
        );
        return Err(Error::bad(Code::FieldInvalid, "currency_code", detail));
    }
    let shop = Shop {
        shop_id: ids::new_id(clock.now()),
        name,
        currency,
    };
    let mut tx = store.begin(caller.group).await?;
    registry::insert_shop(&mut tx, caller.group, &shop)
        .await
        .map_err(|error| {
            if error.is_constraint("shop_name") {
                taken("name", &shop.name)
            } else {
                error.into()
            }
        })?;
    tx.commit().await?;
    Ok(shop)
}

/// Every shop the caller may see, by name.
///
/// # Errors
/// Database errors.
pub async fn list_shops(store: &Store, caller: &Caller) -> Result<Vec<Shop>, Error> {
    let mut tx = store.begin(caller.group).await?;
    let mut shops = registry::list_shops(&mut tx, caller.group).await?;
    tx.rollback().await?;
    shops.retain(|shop| caller.sees_shop(Some(shop.shop_id)));
    Ok(shops)
}

/// Makes a bench.
///
/// # Errors
/// `Denied`, `TEXT_INVALID`, `NotFound`, `EXISTS_WITH_DIFFERENT_CONTENT` when the name is taken.
pub async fn create_bench(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (shop, name): (Uuid, String),
) -> Result<Uuid, Error> {
    caller.need(ENROL, "make benches", ASK_OPERATOR)?;
    tokens::name("name", &name)?;
    let shop = caller.shop_for(Some(shop))?;
    let bench = ids::new_id(clock.now());
    let mut tx = store.begin(caller.group).await?;
    registry::insert_bench(&mut tx, caller.group, (bench, shop), &name)
        .await
        .map_err(|error| match error {
            store::Error::Refused { constraint, .. } if constraint == "bench_name" => {
                taken("name", &name)
            }
            store::Error::Refused { .. } => Error::not_found("shop", shop),
            other => other.into(),
        })?;
    tx.commit().await?;
    Ok(bench)
}

/// Every bench of a shop by name: (id, name).
///
/// # Errors
/// `FIELD_MISSING`, `NotFound`; database errors.
pub async fn list_benches(
    store: &Store,
    caller: &Caller,
    shop: Option<Uuid>,
) -> Result<(Uuid, Vec<(Uuid, String)>), Error> {
    let shop = caller.shop_for(shop)?;
    let mut tx = store.begin(caller.group).await?;
    let benches = registry::list_benches(&mut tx, caller.group, shop).await?;
    tx.rollback().await?;
    Ok((shop, benches))
}

/// Registers a device on a bench and returns its token, the only time it is shown.
///
/// # Errors
/// `Denied`, `TEXT_INVALID`, `NotFound`.
pub async fn create_device(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (bench, kind, name): (Uuid, DeviceKind, String),
) -> Result<(Device, Secret), Error> {
    caller.need(
        ENROL,
        "register devices",
        "ask with an integrator or operator token",
    )?;
    tokens::name("name", &name)?;
    let now = clock.now();
    let mut tx = store.begin(caller.group).await?;
    let shop = registry::shop_of_bench(&mut tx, caller.group, bench).await?;
    let shop = shop.filter(|shop| caller.sees_shop(Some(*shop)));
    let shop = shop.ok_or_else(|| Error::not_found("bench", bench))?;
    let device = Device {
        device_id: ids::new_id(now),
        name: name.clone(),
        kind,
        bench_id: Some(bench),
        shop_id: Some(shop),
        voltage_unit: "V".into(),
        current_unit: "A".into(),
        disabled: false,
        status: None,
        firmware: String::new(),
    };
    registry::insert_device(&mut tx, caller.group, &device, now).await?;
    registry::assign(&mut tx, caller.group, (device.device_id, bench), now).await?;
    let new = NewToken {
        scope: Scope::Device,
        name,
        shop: None,
        device: Some(device.device_id),
        valid_days: 365,
    };
    let token = tokens::insert(&mut tx, clock, caller.group, new).await?;
    tx.commit().await?;
    tokens::publish(store, caller.group, &token).await?;
    let mut tx = store.begin_directory().await?;
    let entry = Entry {
        group: caller.group,
        id: device.device_id,
    };
    directory::insert(&mut tx, Kind::Device, device.device_id.as_bytes(), entry).await?;
    tx.commit().await?;
    Ok((device, token.1))
}

/// Changes what the registry declares of a device; absent fields stay.
#[derive(Debug, Clone, Default)]
pub struct DeviceChange {
    /// V or mV.
    pub voltage_unit: Option<String>,
    /// A or mA.
    pub current_unit: Option<String>,
    /// Off or on.
    pub disabled: Option<bool>,
    /// Version of what runs on it from now on.
    pub firmware: Option<String>,
}

/// Changes a device.
///
/// # Errors
/// `Denied`, `NotFound`, `FIELD_INVALID`, `TEXT_INVALID`.
pub async fn update_device(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    device: Uuid,
    change: DeviceChange,
) -> Result<Device, Error> {
    caller.need(
        ENROL,
        "change devices",
        "ask with an integrator or operator token",
    )?;
    unit("voltage_unit", change.voltage_unit.as_deref(), ["V", "mV"])?;
    unit("current_unit", change.current_unit.as_deref(), ["A", "mA"])?;
    let mut tx = store.begin(caller.group).await?;
    visible(&mut tx, caller, device).await?;
    let fields = (
        change.voltage_unit.as_deref(),
        change.current_unit.as_deref(),
        change.disabled,
    );
    registry::update_device(&mut tx, caller.group, device, fields).await?;
    if let Some(firmware) = &change.firmware {
        let named = firmware_text(firmware)?;
        if named.is_empty() {
            let detail = "name a version; what is kept of the past stays";
            return Err(Error::bad(Code::FieldInvalid, "firmware", detail));
        }
        firmware::note(&mut tx, caller.group, (device, named), clock.now()).await?;
    }
    let device = visible(&mut tx, caller, device).await?;
    tx.commit().await?;
    Ok(device)
}

/// Moves a device to another bench from now on.
///
/// # Errors
/// `Denied`, `NotFound`.
pub async fn assign_device(
    store: &Store,
    clock: &Clock,
    caller: &Caller,
    (device, bench): (Uuid, Uuid),
) -> Result<Device, Error> {
    caller.need(
        ENROL,
        "move devices",
        "ask with an integrator or operator token",
    )?;
    let mut tx = store.begin(caller.group).await?;
    visible(&mut tx, caller, device).await?;
    let shop = registry::shop_of_bench(&mut tx, caller.group, bench).await?;
    shop.filter(|shop| caller.sees_shop(Some(*shop)))
        .ok_or_else(|| Error::not_found("bench", bench))?;
    registry::assign(&mut tx, caller.group, (device, bench), clock.now()).await?;
    let device = visible(&mut tx, caller, device).await?;
    tx.commit().await?;
    Ok(device)
}

/// A version as it is kept, without blanks around it.
fn firmware_text(firmware: &str) -> Result<&str, Error> {
    let text = firmware.trim();
    let refused = |detail| Error::bad(Code::TextInvalid, "firmware", detail);
    plain_text(text, FIRMWARE_MAX).map_err(refused)?;
    Ok(text)
}

/// Keeps what a device said of itself over a connection that speaks for it; `false` when the group
/// has no such device.
///
/// # Errors
/// `TEXT_INVALID` for a firmware text that is not plain or longer than 64 bytes; database errors.
pub async fn note_status(
    store: &Store,
    clock: &Clock,
    (group, device): (Uuid, Uuid),
    (online, firmware): (bool, &str),
) -> Result<bool, Error> {
    let firmware = firmware_text(firmware)?;
    let mut tx = store.begin(group).await?;
    let (said, now) = ((online, firmware), clock.now());
    let known = registry::save_status(&mut tx, group, device, said, now).await?;
    if known {
        firmware::note(&mut tx, group, (device, firmware), now).await?;
    }
    tx.commit().await?;
    Ok(known)
}

/// Lists devices by id.
///
/// # Errors
/// `FIELD_INVALID` for a page token that is not ours; database errors.
pub async fn list_devices(
    store: &Store,
    caller: &Caller,
    (size, page_token): (i32, &str),
) -> Result<Page<Device>, Error> {
    let size = super::page_size(size)?;
    let after = super::read_uuid_token(page_token)?;
    let mut tx = store.begin(caller.group).await?;
    let filter = (after, caller.shop);
    let rows = match caller.device {
        Some(own) => registry::find_devices(&mut tx, caller.group, &[own]).await?,
        None => registry::list_devices(&mut tx, caller.group, filter, size + 1).await?,
    };
    tx.rollback().await?;
    Ok(super::cut_page(rows, size, |device| {
        device.device_id.simple().to_string()
    }))
}

async fn visible(tx: &mut store::Tx, caller: &Caller, device: Uuid) -> Result<Device, Error> {
    let found = registry::find_devices(tx, caller.group, &[device])
        .await?
        .into_iter()
        .next();
    found
        .filter(|found| caller.sees_shop(found.shop_id))
        .ok_or_else(|| Error::not_found("device", device))
}

fn unit(field: &str, value: Option<&str>, allowed: [&str; 2]) -> Result<(), Error> {
    match value {
        Some(unit) if !allowed.contains(&unit) => {
            let detail = format!(
                "`{}` is not one of {}",
                unit.escape_debug(),
                allowed.join(", ")
            );
            Err(Error::bad(Code::FieldInvalid, field, detail))
        }
        _ => Ok(()),
    }
}

fn taken(field: &str, name: &str) -> Error {
    let detail = format!("`{name}` is taken already");
    Error::bad(Code::ExistsWithDifferentContent, field, detail)
}
