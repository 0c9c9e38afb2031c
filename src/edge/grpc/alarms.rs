//! Alarms: lists, acts of people, a stream of changes, routes.

use std::pin::Pin;
use std::time::Duration;

use futures_util::Stream;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::mpsc;
use tokio_stream::wrappers::ReceiverStream;
use tonic::metadata::MetadataMap;
use tonic::{Request, Response, Status};
use uuid::Uuid;

use super::{Services, handle};
use crate::alarm::escalation::Hours;
use crate::alarm::text::STANDING;
use crate::edge::pb::alarm_service_server::AlarmService;
use crate::edge::wire::{self, Word as _, alarm as shape};
use crate::edge::{pb, status};
use crate::lane::{Event, NewRoute, Subscription};
use crate::query::Caller;

/// How often a stream says that it lives. Source: RELIABILITY 4.4.
const HEARTBEAT: Duration = Duration::from_secs(10);
/// Messages on their way to one reader; the board holds the rest, and the reader is ended past that.
const WINDOW: usize = 64;

type Answers<T> = Pin<Box<dyn Stream<Item = Result<T, Status>> + Send>>;

#[tonic::async_trait]
impl AlarmService for Services {
    async fn list_alarms(
        &self,
        request: Request<pb::ListAlarmsRequest>,
    ) -> Result<Response<pb::ListAlarmsResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let shop = wire::optional_id("shop_id", &message.shop_id)?;
            let page = (message.page_size, message.page_token.as_str());
            let (alarms, next) = if message.all {
                let page = services.lane.all_alarms(&caller, shop, page).await?;
                (page.rows.iter().map(shape::alarm).collect(), page.next)
            } else {
                let page = services.lane.open_alarms(&caller, shop, page)?;
                let rows = page.rows.iter().map(|view| shape::alarm(view));
                (rows.collect(), page.next)
            };
            Ok(pb::ListAlarmsResponse {
                alarms,
                next_page_token: next.unwrap_or_default(),
                standing: STANDING.to_owned(),
            })
        })
    }

    async fn acknowledge_alarm(
        &self,
        request: Request<pb::AcknowledgeAlarmRequest>,
    ) -> Result<Response<pb::AcknowledgeAlarmResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let alarm = wire::id("alarm_id", &message.alarm_id)?;
            let by = message.acknowledged_by.as_str();
            let view = services.lane.acknowledge(&caller, alarm, by).await?;
            Ok(pb::AcknowledgeAlarmResponse {
                alarm: Some(shape::alarm(&view)),
            })
        })
    }

    async fn shelve_alarm(
        &self,
        request: Request<pb::ShelveAlarmRequest>,
    ) -> Result<Response<pb::ShelveAlarmResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let alarm = wire::id("alarm_id", &message.alarm_id)?;
            let why = (
                message.shelved_by.as_str(),
                message.reason.as_str(),
                message.minutes,
            );
            let view = services.lane.shelve(&caller, alarm, why).await?;
            Ok(pb::ShelveAlarmResponse {
                alarm: Some(shape::alarm(&view)),
            })
        })
    }

    type StreamAlarmsStream = Answers<pb::StreamAlarmsResponse>;

    async fn stream_alarms(
        &self,
        request: Request<pb::StreamAlarmsRequest>,
    ) -> Result<Response<Self::StreamAlarmsStream>, Status> {
        let caller = self.caller(&request).await?;
        let (metadata, _, message) = request.into_parts();
        let asked = wire::optional_id("shop_id", &message.shop_id).map_err(status::of_query)?;
        let (shop, read) = self
            .lane
            .subscribe(&caller, asked, &message.resume_token)
            .map_err(status::of_query)?;
        let (answers, receiver) = mpsc::channel(WINDOW);
        let work = relay(self.clone(), (caller, metadata, shop), read, answers);
        self.tasks.spawn(work);
        Ok(Response::new(Box::pin(ReceiverStream::new(receiver))))
    }

    async fn set_alarm_route(
        &self,
        request: Request<pb::SetAlarmRouteRequest>,
    ) -> Result<Response<pb::SetAlarmRouteResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let new = NewRoute {
                shop: wire::id("shop_id", &message.shop_id)?,
                level: wire::need("level", message.level)?,
                name: message.name,
                hours: Hours::from_wire(message.hours).unwrap_or(Hours::Always),
                url: message.url,
            };
            let (route, secret) = services.lane.set_route(&caller, new).await?;
            Ok(pb::SetAlarmRouteResponse {
                route: Some(shape::route(&route)),
                secret,
            })
        })
    }

    async fn remove_alarm_route(
        &self,
        request: Request<pb::RemoveAlarmRouteRequest>,
    ) -> Result<Response<pb::RemoveAlarmRouteResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let route = wire::id("route_id", &message.route_id)?;
            services.lane.remove_route(&caller, route).await?;
            Ok(pb::RemoveAlarmRouteResponse {})
        })
    }

    async fn set_alarm_hours(
        &self,
        request: Request<pb::SetAlarmHoursRequest>,
    ) -> Result<Response<pb::SetAlarmHoursResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let shop = wire::id("shop_id", &message.shop_id)?;
            let night = (
                message.night_from_minutes,
                message.night_to_minutes,
                message.utc_offset_minutes,
            );
            services.lane.set_hours(&caller, shop, night).await?;
            Ok(pb::SetAlarmHoursResponse {})
        })
    }

    async fn list_alarm_routes(
        &self,
        request: Request<pb::ListAlarmRoutesRequest>,
    ) -> Result<Response<pb::ListAlarmRoutesResponse>, Status> {
        handle!(self, request, |services, caller, message| {
            let shop = wire::optional_id("shop_id", &message.shop_id)?;
            let (routes, findings) = services.lane.list_routes(&caller, shop).await?;
            Ok(pb::ListAlarmRoutesResponse {
                routes: routes.iter().map(shape::route).collect(),
                findings: findings.into_iter().map(str::to_owned).collect(),
            })
        })
    }
}

/// Tells a reader every change of its group and shop, and that the stream lives; ends it when it does
/// not keep up, and within one heartbeat of the end of its token.
async fn relay(
    services: Services,
    (caller, metadata, shop): (Caller, MetadataMap, Option<Uuid>),
    read: Subscription,
    answers: mpsc::Sender<Result<pb::StreamAlarmsResponse, Status>>,
) {
    let Subscription {
        replay,
        mut changes,
        mut seq,
        run,
    } = read;
    let sees = |event: &Event| {
        let life = &event.view.life;
        life.source.group == caller.group && (shop.is_none() || life.shop == shop)
    };
    let message = |alarm: Option<pb::Alarm>, seq: u64, replay: bool| pb::StreamAlarmsResponse {
        alarm,
        resume_token: shape::resume_token((run, seq)),
        replay,
        sent_time: Some(wire::timestamp(services.clock.now())),
    };
    let first = seq;
    for event in replay.iter().filter(|event| sees(event)) {
        // A break in the middle begins the replay again: nothing of it is passed over.
        let told = message(Some(shape::alarm(&event.view)), 0, true);
        if answers.send(Ok(told)).await.is_err() {
            return;
        }
    }
    // A first heartbeat says that the replay is whole.
    if answers.send(Ok(message(None, first, false))).await.is_err() {
        return;
    }
    let mut beats = tokio::time::interval(HEARTBEAT);
    beats.reset();
    loop {
        let answer = tokio::select! {
            change = changes.recv() => match change {
                Ok(event) => {
                    seq = event.seq;
                    if !sees(&event) {
                        continue;
                    }
                    Ok(message(Some(shape::alarm(&event.view)), seq, false))
                }
                Err(RecvError::Lagged(missed)) => Err(status::fell_behind(missed)),
                Err(RecvError::Closed) => return,
            },
            _ = beats.tick() => match services.speaker(&metadata).await {
                Err(ended) if ended.code() == tonic::Code::Unauthenticated => Err(ended),
                // While the database is away the reader is told all the same.
                _ => Ok(message(None, seq, false)),
            },
            () = answers.closed() => return,
        };
        let last = answer.is_err();
        if answers.send(answer).await.is_err() || last {
            return;
        }
    }
}
