//! Which starting voltages, ages and storage histories actually recovered?

use tonic::{Request, Response, Status};

use super::{Services, handle};
use crate::edge::pb::recovery_service_server::RecoveryService;
use crate::edge::wire::{
    self, Word as _, advice as shape, fair as fair_shape, priors as prior_shape,
    quality as quality_shape, times as times_shape,
};
use crate::edge::{pb, status};
use crate::model::interval::IntervalMethod;
use crate::query::fair;
use crate::query::priors;
use crate::query::quality;
use crate::query::recovery::{self, Split, TableRequest};
use crate::query::times;
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

    async fn query_charge_times(
        &self,
        request: Request<pb::QueryChargeTimesRequest>,
    ) -> Result<Response<pb::QueryChargeTimesResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let shop = wire::optional_id("shop_id", &message.shop_id)?;
            let chemistry = Chemistry::from_wire(message.chemistry);
            let Services { store, clock, .. } = &services;
            let found = times::times(store, clock, &caller, (shop, chemistry)).await?;
            Ok(times_shape::times(&found))
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
            let (json, basis) = quality::card(&services.store, &services.clock, &caller).await?;
            Ok(fair_shape::card(json, &basis))
        })
    }

    async fn get_model_quality(
        &self,
        request: Request<pb::GetModelQualityRequest>,
    ) -> Result<Response<pb::GetModelQualityResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let found = quality::scored(&services.store, &services.clock, &caller).await?;
            Ok(quality_shape::quality(&found))
        })
    }

    async fn acknowledge_drift(
        &self,
        request: Request<pb::AcknowledgeDriftRequest>,
    ) -> Result<Response<pb::AcknowledgeDriftResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let seen = quality::Seen {
                stream: message.stream,
                by: message.acknowledged_by,
                reason: message.reason,
            };
            let Services { store, clock, .. } = &services;
            let stream = quality::acknowledge(store, clock, &caller, seen).await?;
            Ok(pb::AcknowledgeDriftResponse {
                stream: Some(quality_shape::stream(&stream)),
            })
        })
    }

    async fn get_prior(
        &self,
        request: Request<pb::GetPriorRequest>,
    ) -> Result<Response<pb::GetPriorResponse>, Status> {
        handle!(self, request, |services, caller, _message| {
            let found = priors::in_force(&services.store, &caller).await?;
            Ok(prior_shape::in_force(found))
        })
    }

    async fn set_prior(
        &self,
        request: Request<pb::SetPriorRequest>,
    ) -> Result<Response<pb::SetPriorResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = prior_shape::new_prior(&message)?;
            let Services { store, clock, .. } = &services;
            let found = if message.validate_only {
                priors::check(store, &caller, &new).await?
            } else {
                priors::put(store, clock, &caller, (new, &message.reason)).await?
            };
            Ok(prior_shape::checked(found))
        })
    }
}
