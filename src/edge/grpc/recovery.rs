//! Which starting voltages, ages and storage histories actually recovered?

use tonic::{Request, Response, Status};

use super::{Services, handle};
use crate::edge::pb::recovery_service_server::RecoveryService;
use crate::edge::wire::{self, Word as _, advice as shape};
use crate::edge::{pb, status};
use crate::model::interval::IntervalMethod;
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
            };
            let answer = recovery::table(&services.store, &caller, request).await?;
            Ok(shape::table(&answer))
        })
    }
}
