//! Which starting voltages, ages and storage histories actually recovered?

use tonic::{Request, Response, Status};

use super::{Services, handle};
use crate::edge::pb::recovery_service_server::RecoveryService;
use crate::edge::wire::{self, Word as _, advice as shape, fair as fair_shape};
use crate::edge::{pb, status};
use crate::model::interval::IntervalMethod;
use crate::query::fair;
use crate::query::recovery::{self, Split, TableRequest};
use crate::record::words::Chemistry;

#[tonic::async_trait]
impl RecoveryService for Services {
    async fn query_recovery_table(
        &self,
        request: Request<pb::QueryRecoveryTableRequest>,
    ) -> Result<Response<pb::QueryRecoveryTableResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let request = TableRequest {
                shop_id: wire::optional_id("shop_id", &message.shop_id)?,
                split: Split::from_wire(message.split),
                chemistry: Chemistry::from_wire(message.chemistry),
                method: IntervalMethod::from_wire(message.interval_method),
                level: message.level_ratio,
                adjusted: message.adjust,
            };
            let Services { store, clock, .. } = &services;
            let answer = recovery::table(store, clock, &caller, request).await?;
            Ok(shape::table(&answer))
        })
    }

    async fn compare_shops(
        &self,
        request: Request<pb::CompareShopsRequest>,
    ) -> Result<Response<pb::CompareShopsResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let found = fair::shops(&services.store, &services.clock, &caller).await?;
            Ok(fair_shape::shops(&found))
        })
    }

    async fn compare_methods(
        &self,
        request: Request<pb::CompareMethodsRequest>,
    ) -> Result<Response<pb::CompareMethodsResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let found = fair::methods(&services.store, &services.clock, &caller).await?;
            Ok(fair_shape::methods(&found))
        })
    }

    async fn get_savings(
        &self,
        request: Request<pb::GetSavingsRequest>,
    ) -> Result<Response<pb::GetSavingsResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let found = fair::savings(&services.store, &caller).await?;
            Ok(fair_shape::savings(&found))
        })
    }

    async fn get_model_card(
        &self,
        request: Request<pb::GetModelCardRequest>,
    ) -> Result<Response<pb::GetModelCardResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let (json, basis) = fair::card(&services.store, &services.clock, &caller).await?;
            Ok(fair_shape::card(json, &basis))
        })
    }
}
