//! `alarms` and `route`: what a running service says of alarms, and who is told of them.

use clap::{Args, Subcommand};
use serde_json::json;
use tonic::metadata::{Ascii, MetadataValue};
use tonic::transport::Channel;

use super::admin::word;
use super::call::{own_token, refused};
use super::replay::client::{connect, request};
use super::{Context, Done, print, remark};
use crate::alarm::escalation::{Hours, Level};
use crate::alarm::kind::Class;
use crate::alarm::state::State;
use crate::alarm::text::STANDING;
use crate::edge::pb;
use crate::edge::pb::alarm_service_client::AlarmServiceClient;
use crate::edge::wire::Word as _;

/// Where the service is. The token comes from `RESTVOLT_TOKEN`.
#[derive(Debug, Args)]
struct Server {
    /// Service to call.
    #[arg(long, global = true, default_value = "http://127.0.0.1:7400")]
    server: String,
}

/// List open alarms, or act on one of them.
///
/// restvolt watches and reports. It does not protect: an alarm may come late or not at all.
#[derive(Debug, Args)]
pub(super) struct Alarms {
    #[command(flatten)]
    server: Server,
    /// Closed alarms too, newest first.
    #[arg(long)]
    all: bool,
    #[command(subcommand)]
    act: Option<Act>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Say that a person has seen an alarm. It stays until the device's own samples end it.
    Ack {
        /// Alarm.
        alarm: String,
        /// Name of the person.
        #[arg(long, value_name = "NAME")]
        by: String,
    },
    /// Put an alarm aside: nobody is told for some minutes. Never a critical one.
    Shelve {
        /// Alarm.
        alarm: String,
        /// For how long, minutes, 1 to 480.
        #[arg(long, value_name = "N")]
        minutes: i32,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: String,
        /// Name of the person.
        #[arg(long, value_name = "NAME")]
        by: String,
    },
}

/// Say who is told of the alarms of a shop.
#[derive(Debug, Args)]
pub(super) struct Route {
    #[command(flatten)]
    server: Server,
    #[command(subcommand)]
    act: RouteAct,
}

#[derive(Debug, Subcommand)]
enum RouteAct {
    /// Set a route; one of the same level and name takes the new values. Shows its secret once.
    Set {
        /// Shop.
        #[arg(long, value_name = "ID")]
        shop: String,
        /// bench, shop, manager or group: told at once, after 2, 5 and 15 min for critical alarms.
        #[arg(long, value_parser = word!(Level))]
        level: Level,
        /// Name of the person, or of the channel of the bench.
        #[arg(long)]
        name: String,
        /// https address that signed messages are posted to; leave out for a person who is only named.
        #[arg(long, default_value = "")]
        url: String,
        /// always, day or night.
        #[arg(long, value_parser = word!(Hours), default_value = "always")]
        hours: Hours,
    },
    /// List routes, and what is missing.
    List {
        /// Only this shop.
        #[arg(long, value_name = "ID", default_value = "")]
        shop: String,
    },
    /// Take a route out.
    Remove {
        /// Route.
        route: String,
    },
    /// Set the night of a shop.
    Hours {
        /// Shop.
        #[arg(long, value_name = "ID")]
        shop: String,
        /// Night begins, minutes after local midnight.
        #[arg(long, value_name = "MINUTES")]
        night_from: i32,
        /// Night ends, minutes after local midnight.
        #[arg(long, value_name = "MINUTES")]
        night_to: i32,
        /// Local time less UTC, minutes.
        #[arg(
            long,
            value_name = "MINUTES",
            allow_negative_numbers = true,
            default_value_t = 0
        )]
        utc_offset: i32,
    },
}

/// A service that is called.
struct Caller {
    client: AlarmServiceClient<Channel>,
    token: MetadataValue<Ascii>,
}

impl Caller {
    async fn of(context: &Context, server: &Server) -> anyhow::Result<Self> {
        Ok(Self {
            client: AlarmServiceClient::new(connect(&server.server).await?)
                .max_decoding_message_size(4 << 20),
            token: own_token(context)?,
        })
    }
}

fn show(context: &Context, alarm: &pb::Alarm) -> anyhow::Result<()> {
    let state = State::from_wire(alarm.state).map_or("", State::as_str);
    if context.json {
        let class = Class::from_wire(alarm.alarm_class).map_or("", Class::as_str);
        let raised = alarm.raised_time.as_ref().map(|time| time.seconds);
        return print(
            &json!({"alarm_id": alarm.alarm_id, "device_id": alarm.device_id, "shop_id": alarm.shop_id,
                "class": class, "state": state, "revision": alarm.revision, "raised_s": raised,
                "acknowledged_by": alarm.acknowledged_by, "line": alarm.line,
                "what_to_do": alarm.what_to_do, "told": alarm.told})
            .to_string(),
        );
    }
    print(&format!(
        "{}  {state}\n    {}\n    {}",
        alarm.alarm_id, alarm.line, alarm.what_to_do
    ))
}

pub(super) async fn alarms(context: &Context, arguments: Alarms) -> anyhow::Result<Done> {
    let mut caller = Caller::of(context, &arguments.server).await?;
    let alarm = match arguments.act {
        None => return list(context, &mut caller, arguments.all).await,
        Some(Act::Ack { alarm, by }) => {
            let seen = pb::AcknowledgeAlarmRequest {
                alarm_id: alarm,
                acknowledged_by: by,
            };
            let done = caller
                .client
                .acknowledge_alarm(request(seen, &caller.token));
            done.await
                .map_err(|status| refused(&status))?
                .into_inner()
                .alarm
        }
        Some(Act::Shelve {
            alarm,
            minutes,
            reason,
            by,
        }) => {
            let aside = pb::ShelveAlarmRequest {
                alarm_id: alarm,
                shelved_by: by,
                reason,
                minutes,
            };
            let done = caller.client.shelve_alarm(request(aside, &caller.token));
            done.await
                .map_err(|status| refused(&status))?
                .into_inner()
                .alarm
        }
    };
    show(context, &alarm.unwrap_or_default())?;
    Ok(Done::All)
}

async fn list(context: &Context, caller: &mut Caller, all: bool) -> anyhow::Result<Done> {
    let mut page_token = String::new();
    let mut count = 0_usize;
    loop {
        let ask = pb::ListAlarmsRequest {
            all,
            page_size: 1_000,
            page_token,
            ..Default::default()
        };
        let listed = caller.client.list_alarms(request(ask, &caller.token)).await;
        let listed = listed.map_err(|status| refused(&status))?.into_inner();
        count += listed.alarms.len();
        for alarm in &listed.alarms {
            show(context, alarm)?;
        }
        page_token = listed.next_page_token;
        if page_token.is_empty() {
            break;
        }
    }
    if count == 0 && !context.json {
        print(if all { "no alarms" } else { "no open alarms" })?;
    }
    remark(STANDING);
    Ok(Done::All)
}

fn show_route(context: &Context, route: &pb::AlarmRoute) -> anyhow::Result<()> {
    let level = Level::from_wire(route.level).map_or("", Level::as_str);
    let hours = Hours::from_wire(route.hours).map_or("", Hours::as_str);
    if context.json {
        return print(
            &json!({"route_id": route.route_id, "shop_id": route.shop_id, "level": level,
                "name": route.name, "hours": hours, "url": route.url})
            .to_string(),
        );
    }
    let way = if route.url.is_empty() {
        "named only"
    } else {
        &route.url
    };
    print(&format!(
        "{}  {level:8} {hours:7} {}  {way}",
        route.route_id, route.name
    ))
}

pub(super) async fn route(context: &Context, arguments: Route) -> anyhow::Result<Done> {
    let mut caller = Caller::of(context, &arguments.server).await?;
    match arguments.act {
        RouteAct::Set {
            shop,
            level,
            name,
            url,
            hours,
        } => {
            let new = pb::SetAlarmRouteRequest {
                shop_id: shop,
                level: level.to_wire(),
                name,
                hours: hours.to_wire(),
                url,
            };
            let set = caller.client.set_alarm_route(request(new, &caller.token));
            let set = set.await.map_err(|status| refused(&status))?.into_inner();
            show_route(context, &set.route.unwrap_or_default())?;
            if !set.secret.is_empty() {
                remark("Secret that signs what is sent (Standard Webhooks), shown this once:");
                print(&set.secret)?;
            }
        }
        RouteAct::List { shop } => {
            let ask = pb::ListAlarmRoutesRequest { shop_id: shop };
            let listed = caller.client.list_alarm_routes(request(ask, &caller.token));
            let listed = listed
                .await
                .map_err(|status| refused(&status))?
                .into_inner();
            for route in &listed.routes {
                show_route(context, route)?;
            }
            for finding in &listed.findings {
                remark(finding);
            }
        }
        RouteAct::Remove { route } => {
            let gone = pb::RemoveAlarmRouteRequest { route_id: route };
            let done = caller
                .client
                .remove_alarm_route(request(gone, &caller.token));
            done.await.map_err(|status| refused(&status))?;
        }
        RouteAct::Hours {
            shop,
            night_from,
            night_to,
            utc_offset,
        } => {
            let night = pb::SetAlarmHoursRequest {
                shop_id: shop,
                night_from_minutes: night_from,
                night_to_minutes: night_to,
                utc_offset_minutes: utc_offset,
            };
            let done = caller.client.set_alarm_hours(request(night, &caller.token));
            done.await.map_err(|status| refused(&status))?;
        }
    }
    Ok(Done::All)
}
