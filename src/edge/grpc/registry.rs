//! Shops, benches, devices, tokens.

use tonic::{Request, Response, Status};
use uuid::Uuid;

use super::{Services, handle};
use crate::edge::pb::registry_service_server::RegistryService;
use crate::edge::wire::{self, Word as _, sheet as sheet_shape};
use crate::edge::{pb, status};
use crate::query::registry::{self, Device, DeviceChange, Shop};
use crate::query::sheet;
use crate::query::tokens::{self, Credential, NewToken};

fn text(id: Option<Uuid>) -> String {
    id.map(|id| id.to_string()).unwrap_or_default()
}

fn shop(shop: Shop) -> pb::Shop {
    pb::Shop {
        shop_id: shop.shop_id.to_string(),
        name: shop.name,
        currency_code: shop.currency,
    }
}

fn device(device: Device) -> pb::Device {
    pb::Device {
        device_id: device.device_id.to_string(),
        name: device.name,
        kind: device.kind.to_wire(),
        bench_id: text(device.bench_id),
        voltage_unit: device.voltage_unit,
        current_unit: device.current_unit,
        disabled: device.disabled,
        online: device.status.as_ref().map(|status| status.online),
        status_time: device
            .status
            .as_ref()
            .map(|status| wire::timestamp(status.changed_at)),
        firmware: device.firmware,
    }
}

fn token(credential: Credential) -> pb::Token {
    pb::Token {
        token_id: credential.credential_id.to_string(),
        scope: credential.scope.to_wire(),
        name: credential.name,
        shop_id: text(credential.shop_id),
        device_id: text(credential.device_id),
        create_time: Some(wire::timestamp(credential.created_at)),
        expire_time: Some(wire::timestamp(credential.expires_at)),
        revoke_time: credential.revoked_at.map(wire::timestamp),
    }
}

#[tonic::async_trait]
impl RegistryService for Services {
    async fn get_caller(
        &self,
        request: Request<pb::GetCallerRequest>,
    ) -> Result<Response<pb::GetCallerResponse>, Status> {
        let caller = self.caller(&request).await?;
        Ok(Response::new(pb::GetCallerResponse {
            group_id: caller.group.to_string(),
            shop_id: text(caller.shop),
            device_id: text(caller.device),
            scope: caller.scope.to_wire(),
        }))
    }

    async fn create_shop(
        &self,
        request: Request<pb::CreateShopRequest>,
    ) -> Result<Response<pb::CreateShopResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = (message.name, message.currency_code);
            let made =
                registry::create_shop(&services.store, &services.clock, &caller, new).await?;
            Ok(pb::CreateShopResponse {
                shop: Some(shop(made)),
            })
        })
    }

    async fn list_shops(
        &self,
        request: Request<pb::ListShopsRequest>,
    ) -> Result<Response<pb::ListShopsResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let shops = registry::list_shops(&services.store, &caller).await?;
            Ok(pb::ListShopsResponse {
                shops: shops.into_iter().map(shop).collect(),
            })
        })
    }

    async fn get_cost_sheet(
        &self,
        request: Request<pb::GetCostSheetRequest>,
    ) -> Result<Response<pb::GetCostSheetResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let question = sheet_shape::question(&message)?;
            let Services { store, clock, .. } = &services;
            let found = sheet::read(store, clock, &caller, question).await?;
            Ok(sheet_shape::sheet(&found))
        })
    }

    async fn update_cost_sheet(
        &self,
        request: Request<pb::UpdateCostSheetRequest>,
    ) -> Result<Response<pb::UpdateCostSheetResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = sheet_shape::new_costs(message)?;
            let Services { store, clock, .. } = &services;
            let changes = sheet::set(store, clock, &caller, new).await?;
            Ok(pb::UpdateCostSheetResponse {
                changes: changes.iter().map(sheet_shape::change).collect(),
            })
        })
    }

    async fn create_bench(
        &self,
        request: Request<pb::CreateBenchRequest>,
    ) -> Result<Response<pb::CreateBenchResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = (wire::id("shop_id", &message.shop_id)?, message.name);
            let made =
                registry::create_bench(&services.store, &services.clock, &caller, new).await?;
            Ok(pb::CreateBenchResponse {
                bench_id: made.to_string(),
            })
        })
    }

    async fn list_benches(
        &self,
        request: Request<pb::ListBenchesRequest>,
    ) -> Result<Response<pb::ListBenchesResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let shop = wire::optional_id("shop_id", &message.shop_id)?;
            let (shop, benches) = registry::list_benches(&services.store, &caller, shop).await?;
            let bench = |(id, name): (Uuid, String)| pb::Bench {
                bench_id: id.to_string(),
                shop_id: shop.to_string(),
                name,
            };
            Ok(pb::ListBenchesResponse {
                benches: benches.into_iter().map(bench).collect(),
            })
        })
    }

    async fn create_device(
        &self,
        request: Request<pb::CreateDeviceRequest>,
    ) -> Result<Response<pb::CreateDeviceResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let bench = wire::id("bench_id", &message.bench_id)?;
            let new = (bench, wire::need("kind", message.kind)?, message.name);
            let (made, secret) =
                registry::create_device(&services.store, &services.clock, &caller, new).await?;
            let token = secret.reveal().to_owned();
            Ok(pb::CreateDeviceResponse {
                device: Some(device(made)),
                token,
            })
        })
    }

    async fn list_devices(
        &self,
        request: Request<pb::ListDevicesRequest>,
    ) -> Result<Response<pb::ListDevicesResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let page = (message.page_size, message.page_token.as_str());
            let page = registry::list_devices(&services.store, &caller, page).await?;
            Ok(pb::ListDevicesResponse {
                devices: page.rows.into_iter().map(device).collect(),
                next_page_token: page.next.unwrap_or_default(),
            })
        })
    }

    async fn update_device(
        &self,
        request: Request<pb::UpdateDeviceRequest>,
    ) -> Result<Response<pb::UpdateDeviceResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let id = wire::id("device_id", &message.device_id)?;
            let change = DeviceChange {
                voltage_unit: message.voltage_unit,
                current_unit: message.current_unit,
                disabled: message.disabled,
                firmware: message.firmware,
            };
            let changed =
                registry::update_device(&services.store, &services.clock, &caller, id, change)
                    .await?;
            Ok(pb::UpdateDeviceResponse {
                device: Some(device(changed)),
            })
        })
    }

    async fn assign_device(
        &self,
        request: Request<pb::AssignDeviceRequest>,
    ) -> Result<Response<pb::AssignDeviceResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let device_id = wire::id("device_id", &message.device_id)?;
            let pair = (device_id, wire::id("bench_id", &message.bench_id)?);
            let moved =
                registry::assign_device(&services.store, &services.clock, &caller, pair).await?;
            Ok(pb::AssignDeviceResponse {
                device: Some(device(moved)),
            })
        })
    }

    async fn create_token(
        &self,
        request: Request<pb::CreateTokenRequest>,
    ) -> Result<Response<pb::CreateTokenResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = NewToken {
                scope: wire::need("scope", message.scope)?,
                name: message.name,
                shop: wire::optional_id("shop_id", &message.shop_id)?,
                device: wire::optional_id("device_id", &message.device_id)?,
                valid_days: if message.valid_days == 0 {
                    365
                } else {
                    message.valid_days.into()
                },
            };
            let (made, secret) =
                tokens::create(&services.store, &services.clock, &caller, new).await?;
            let secret = secret.reveal().to_owned();
            Ok(pb::CreateTokenResponse {
                token: Some(token(made)),
                secret,
            })
        })
    }

    async fn list_tokens(
        &self,
        request: Request<pb::ListTokensRequest>,
    ) -> Result<Response<pb::ListTokensResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let list = tokens::list(&services.store, &caller).await?;
            Ok(pb::ListTokensResponse {
                tokens: list.into_iter().map(token).collect(),
            })
        })
    }

    async fn revoke_token(
        &self,
        request: Request<pb::RevokeTokenRequest>,
    ) -> Result<Response<pb::RevokeTokenResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let id = wire::id("token_id", &message.token_id)?;
            tokens::revoke(&services.store, &services.clock, &caller, id).await?;
            Ok(pb::RevokeTokenResponse {})
        })
    }
}
