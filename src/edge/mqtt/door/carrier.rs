//! What speaks MQTT 3.1.1 and 5 on the wire: the only file that names the server library.
//!
//! The library's futures stay on one thread; that thread is this file's, with a runtime of its own.
//! Messages of one connection are taken side by side up to a window, and acknowledged in order.

use std::net::{SocketAddr, TcpStream as StdTcp};
use std::os::unix::net::UnixStream as StdUnix;
use std::rc::Rc;
use std::sync::Arc;
use std::time::{Duration, Instant};

use ntex_bytes::{ByteString, Bytes};
use ntex_io::{Io, Layer};
use ntex_mqtt::v5::codec::{
    ConnectAckReason, Disconnect, DisconnectReasonCode, Encoded, Packet, PublishAckReason,
    SubscribeAckReason,
};
use ntex_mqtt::{Control, MqttServer, MqttServiceConfig, QoS, Reason, v3, v5};
use ntex_rt::Runner as _;
use ntex_service::cfg::SharedCfg;
use ntex_service::{Service, ServiceCtx, chain_factory, fn_factory_with_config, fn_service};
use ntex_util::time::Seconds;
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use super::visit::Visit;
use super::whole::{Waiting, Whole};
use super::window::{WINDOW, WINDOW_BYTES, Window};
use super::{Answer, Bounds, Denied, Granted, Host, Login};
use crate::edge::mqtt::broker::service_status;
use crate::edge::mqtt::{Message, topic};
use crate::edge::serve::Place;

/// Connections handed in and not yet taken up.
const QUEUE: usize = 256;
/// Idle time of a device that asks for no keep-alive.
const IDLE: Seconds = Seconds(900);
/// How often a connection is looked at for a packet that does not end.
const LOOK: Duration = Duration::from_secs(5);
/// Time for the last packets at a stop.
const GOOD_BYE: Duration = Duration::from_millis(500);

/// An accepted stream, in the clear.
pub(super) enum Incoming {
    /// As accepted.
    Tcp(StdTcp),
    /// Behind our own TLS.
    Unix(StdUnix),
}

/// The thread of the library; cheap to clone.
#[derive(Clone)]
pub(super) struct Carrier {
    streams: mpsc::Sender<(Incoming, SocketAddr, Place)>,
    stop: CancellationToken,
    stopped: CancellationToken,
}

impl Carrier {
    /// Starts the thread.
    pub(super) fn start<H: Host>(host: Arc<H>, bounds: Bounds) -> std::io::Result<Self> {
        let (streams, incoming) = mpsc::channel(QUEUE);
        let carrier = Self {
            streams,
            stop: CancellationToken::new(),
            stopped: CancellationToken::new(),
        };
        let (stop, stopped) = (carrier.stop.clone(), carrier.stopped.clone());
        std::thread::Builder::new()
            .name("mqtt-door".into())
            .spawn(move || {
                let _told = stopped.drop_guard();
                let work = Box::pin(carry(host, bounds, incoming, stop));
                if ntex_net::DefaultRuntime.block_on(work).is_err() {
                    tracing::error!("the MQTT door ended in a panic");
                }
            })?;
        Ok(carrier)
    }

    /// Serves a stream until it ends; its place is free after that.
    pub(super) fn serve(&self, stream: Incoming, peer: SocketAddr, place: Place) {
        if self.streams.try_send((stream, peer, place)).is_err() {
            tracing::debug!(%peer, "an MQTT connection found no room");
        }
    }

    /// Ends every connection and the thread.
    pub(super) async fn stop(&self) {
        self.stop.cancel();
        self.stopped.cancelled().await;
    }
}

/// A publish that is not acknowledged: its connection ends.
#[derive(Debug)]
pub(super) struct NotKept;

impl From<()> for NotKept {
    fn from((): ()) -> Self {
        Self
    }
}

impl TryFrom<NotKept> for v5::PublishAck {
    type Error = NotKept;

    fn try_from(error: NotKept) -> Result<Self, NotKept> {
        Err(error)
    }
}

impl<H: Host> Service<v3::Publish> for Window<Visit3<H>> {
    type Response = ();
    type Error = NotKept;

    async fn ready(&self, _: ServiceCtx<'_, Self>) -> Result<(), NotKept> {
        self.room().await;
        Ok(())
    }

    async fn call(&self, message: v3::Publish, _: ServiceCtx<'_, Self>) -> Result<(), NotKept> {
        let _held = self.hold(message.payload_size());
        publish_v3(&self.visit, message).await
    }
}

impl<H: Host> Service<v5::Publish> for Window<Visit5<H>> {
    type Response = v5::PublishAck;
    type Error = NotKept;

    async fn ready(&self, _: ServiceCtx<'_, Self>) -> Result<(), NotKept> {
        self.room().await;
        Ok(())
    }

    async fn call(
        &self,
        message: v5::Publish,
        _: ServiceCtx<'_, Self>,
    ) -> Result<v5::PublishAck, NotKept> {
        let _held = self.hold(message.payload_size());
        publish_v5(&self.visit, message).await
    }
}

type Visit3<H> = v3::Session<Rc<Visit<H>>>;
type Visit5<H> = v5::Session<Rc<Visit<H>>>;

async fn carry<H: Host>(
    host: Arc<H>,
    bounds: Bounds,
    mut incoming: mpsc::Receiver<(Incoming, SocketAddr, Place)>,
    stop: CancellationToken,
) {
    let config: SharedCfg = SharedCfg::new("mqtt-door").add(config(bounds)).into();
    let (host3, host5) = (Arc::clone(&host), host);
    let v3 = v3::MqttServer::new(async move |hand: v3::Handshake| admit_v3(&host3, hand).await)
        .control(async |_: Control<NotKept>| Ok::<_, NotKept>(None))
        .protocol(fn_factory_with_config(async |visit: Visit3<H>| {
            Ok::<_, NotKept>(fn_service(async move |message| {
                Ok::<_, NotKept>(protocol_v3(&visit, message))
            }))
        }))
        .publish(fn_factory_with_config(async |visit: Visit3<H>| {
            Ok::<_, NotKept>(Window::over(visit))
        }));
    let v5 = v5::MqttServer::new(async move |hand: v5::Handshake| admit_v5(&host5, hand).await)
        .control(async |control| Ok::<_, NotKept>(good_bye_v5(&control)))
        .protocol(fn_factory_with_config(async |visit: Visit5<H>| {
            Ok::<_, NotKept>(fn_service(async move |message| {
                Ok::<_, NotKept>(protocol_v5(&visit, message))
            }))
        }))
        .publish(fn_factory_with_config(async |visit: Visit5<H>| {
            Ok::<_, NotKept>(Window::over(visit))
        }));
    let server = chain_factory::<_, Io<Layer<Whole>>, _, _>(MqttServer::new().v3(v3).v5(v5));
    let Ok(server) = server.pipeline(config.clone()).await else {
        tracing::error!("the MQTT door could not be set up");
        return;
    };
    loop {
        let next = tokio::select! {
            next = incoming.recv() => next,
            () = stop.cancelled() => None,
        };
        let Some((stream, peer, place)) = next else {
            break;
        };
        let io = match stream {
            Incoming::Tcp(stream) => ntex_net::from_tcp_stream(stream, config.clone()),
            Incoming::Unix(stream) => ntex_net::from_unix_stream(stream, config.clone()),
        };
        let (server, waiting) = (server.clone(), Waiting::default());
        tokio::task::spawn_local(async move {
            let whole = Whole::new(waiting.clone(), bounds.packet_bytes);
            let ended = match io.map(|io| io.add_filter(whole)) {
                Ok(io) => tokio::select! {
                    ended = server.call(io) => ended.map_err(|error| format!("{error:?}")),
                    () = stopped_in_the_middle(&waiting) => Err("a packet took too long".into()),
                },
                Err(error) => Err(error.to_string()),
            };
            if let Err(error) = ended {
                tracing::debug!(%peer, error, "an MQTT connection ended");
            }
            drop(place);
        });
    }
    // What is left is cut off with the thread: nothing unacknowledged is kept.
    tokio::time::sleep(GOOD_BYE).await;
}

/// Ends when a packet took too long.
async fn stopped_in_the_middle(waiting: &Waiting) {
    while !waiting.too_long(Instant::now()) {
        tokio::time::sleep(LOOK).await;
    }
}

fn config(bounds: Bounds) -> MqttServiceConfig {
    let silence = Seconds(u16::try_from(bounds.limits.silence.as_secs()).unwrap_or(u16::MAX));
    MqttServiceConfig::new()
        .set_max_qos(QoS::AtLeastOnce)
        .set_max_size(bounds.packet_bytes)
        .set_max_receive(WINDOW)
        .set_max_receive_size(WINDOW_BYTES.max(bounds.packet_bytes as usize))
        .protocol_version_timeout(silence)
        .set_connect_timeout(silence)
}

fn login(
    username: Option<&ByteString>,
    password: Option<&Bytes>,
    will: Option<&ByteString>,
) -> Login {
    Login {
        username: username.map(ToString::to_string).unwrap_or_default(),
        password: password.map(|bytes| bytes.to_vec()).unwrap_or_default(),
        will: will.map(ToString::to_string),
    }
}

async fn admit_v3<H: Host>(
    host: &Arc<H>,
    hand: v3::Handshake,
) -> Result<v3::HandshakeAck<Rc<Visit<H>>>, NotKept> {
    let packet = hand.packet();
    let will = packet.last_will.as_ref().map(|will| &will.topic);
    let login = login(packet.username.as_ref(), packet.password.as_ref(), will);
    let idle = packet.keep_alive == 0;
    Ok(match host.admit(login).await {
        Ok(guest) => {
            let visit = Visit::new(host, guest);
            let sink = hand.sink();
            visit.watch(move || sink.force_close());
            let ack = hand.ack(visit, false);
            if idle { ack.idle_timeout(IDLE) } else { ack }
        }
        Err(Denied::Credential) => hand.bad_username_or_pwd(),
        Err(Denied::Will) => hand.not_authorized(),
        Err(Denied::Away) => hand.service_unavailable(),
    })
}

async fn admit_v5<H: Host>(
    host: &Arc<H>,
    hand: v5::Handshake,
) -> Result<v5::HandshakeAck<Rc<Visit<H>>>, NotKept> {
    let packet = hand.packet();
    let will = packet.last_will.as_ref().map(|will| &will.topic);
    let login = login(packet.username.as_ref(), packet.password.as_ref(), will);
    let idle = packet.keep_alive == 0;
    let unnamed = packet.client_id.is_empty();
    Ok(match host.admit(login).await {
        Ok(guest) => {
            let device = guest.device.to_string();
            let visit = Visit::new(host, guest);
            let sink = hand.sink();
            visit.watch(move || {
                sink.close_with_reason(disconnect(DisconnectReasonCode::SessionTakenOver));
            });
            let ack = hand.ack(visit).with(|ack| {
                ack.shared_subscription_available = false;
                ack.wildcard_subscription_available = false;
                ack.subscription_identifiers_available = false;
                // No session is kept: what was acknowledged is stored, what was not comes again.
                ack.session_expiry_interval_secs = Some(0);
                if idle {
                    ack.server_keepalive_sec = Some(IDLE.0);
                }
                if unnamed {
                    ack.assigned_client_id = Some(device.into());
                }
            });
            if idle { ack.keep_alive(IDLE.0) } else { ack }
        }
        Err(Denied::Credential) => hand.failed(ConnectAckReason::BadUserNameOrPassword),
        Err(Denied::Will) => hand.failed(ConnectAckReason::NotAuthorized),
        Err(Denied::Away) => hand.failed(ConnectAckReason::ServerUnavailable),
    })
}

/// MQTT 3.1.1 has no word for a refused message: silence would look like success, so the connection
/// ends.
async fn publish_v3<H: Host>(visit: &Visit3<H>, message: v3::Publish) -> Result<(), NotKept> {
    let payload = message.read_all().await.map_err(|_| NotKept)?;
    let packet = message.packet();
    let message = Message {
        topic: packet.topic.to_string(),
        payload: payload.to_vec().into(),
        retained: packet.retain,
        content_type: None,
    };
    match visit.publish(message).await {
        Answer::Settled => Ok(()),
        Answer::Forbidden | Answer::NoRoom | Answer::NotKept => Err(NotKept),
    }
}

async fn publish_v5<H: Host>(
    visit: &Visit5<H>,
    message: v5::Publish,
) -> Result<v5::PublishAck, NotKept> {
    let payload = message.read_all().await.map_err(|_| NotKept)?;
    let packet = message.packet();
    let handed = Message {
        topic: packet.topic.to_string(),
        payload: payload.to_vec().into(),
        retained: packet.retain,
        content_type: packet
            .properties
            .content_type
            .as_ref()
            .map(ToString::to_string),
    };
    match visit.publish(handed).await {
        Answer::Settled => Ok(message.ack()),
        Answer::Forbidden => Ok(v5::PublishAck::new(PublishAckReason::NotAuthorized)
            .reason("a device publishes under restvolt/v1/{its id}/ only".into())),
        Answer::NoRoom => Ok(v5::PublishAck::new(PublishAckReason::QuotaExceeded)
            .reason("nothing of it is kept: the operator's log says why".into())),
        Answer::NotKept => Err(NotKept),
    }
}

fn protocol_v3<H: Host>(visit: &Visit3<H>, message: v3::ProtocolMessage) -> v3::ProtocolMessageAck {
    match message {
        v3::ProtocolMessage::Subscribe(mut subscribe) => {
            for mut wish in &mut subscribe {
                match visit.host.subscribe(&visit.guest, wish.topic()) {
                    Some(granted) => {
                        let qos = wish.qos().min(QoS::AtLeastOnce);
                        wish.confirm(qos);
                        grant_v3(visit, granted, qos);
                    }
                    None => wish.fail(),
                }
            }
            subscribe.ack()
        }
        v3::ProtocolMessage::Unsubscribe(unsubscribe) => {
            for filter in unsubscribe.iter() {
                visit.hush(filter);
            }
            unsubscribe.ack()
        }
        other => other.ack(),
    }
}

fn grant_v3<H: Host>(visit: &Visit3<H>, granted: Granted, qos: QoS) {
    let sink = visit.sink().clone();
    match granted {
        Granted::Receipts(encoding) => {
            let topic: ByteString = visit.receipt_topic(encoding).into();
            visit.tell(encoding, move |payload| {
                let (sink, message) = (sink.clone(), sink.publish(topic.clone()));
                async move {
                    let sent = if qos == QoS::AtMostOnce {
                        message.send_at_most_once(payload.into())
                    } else {
                        message.send_at_least_once(payload.into()).await.map(drop)
                    };
                    // One that is too large for this client is left out; the next may fit.
                    sent.is_ok() || sink.is_open()
                }
            });
        }
        Granted::ServiceStatus => {
            // A connection that is gone needs no status.
            let _ = sink
                .publish(ByteString::from_static(topic::SERVICE_STATUS))
                .retain()
                .send_at_most_once(service_status(true).into());
        }
    }
}

fn protocol_v5<H: Host>(visit: &Visit5<H>, message: v5::ProtocolMessage) -> v5::ProtocolMessageAck {
    match message {
        v5::ProtocolMessage::Subscribe(mut subscribe) => {
            for mut wish in &mut subscribe {
                match visit.host.subscribe(&visit.guest, wish.topic()) {
                    Some(granted) => {
                        let qos = wish.options().qos.min(QoS::AtLeastOnce);
                        wish.confirm(qos);
                        grant_v5(visit, granted, qos);
                    }
                    None => wish.fail(SubscribeAckReason::NotAuthorized),
                }
            }
            subscribe.ack()
        }
        other => other.ack(),
    }
}

fn grant_v5<H: Host>(visit: &Visit5<H>, granted: Granted, qos: QoS) {
    let sink = visit.sink().clone();
    match granted {
        Granted::Receipts(encoding) => {
            let topic: ByteString = visit.receipt_topic(encoding).into();
            visit.tell(encoding, move |payload| {
                let (sink, message) = (sink.clone(), sink.publish(topic.clone()));
                async move {
                    let sent = if qos == QoS::AtMostOnce {
                        message.send_at_most_once(payload.into())
                    } else {
                        message.send_at_least_once(payload.into()).await.map(drop)
                    };
                    // One that is too large for this client is left out; the next may fit.
                    sent.is_ok() || sink.is_open()
                }
            });
        }
        Granted::ServiceStatus => {
            // A connection that is gone needs no status.
            let _ = sink
                .publish(ByteString::from_static(topic::SERVICE_STATUS))
                .retain(true)
                .send_at_most_once(service_status(true).into());
        }
    }
}

/// Says why a connection ends, where the protocol has a word for it.
fn good_bye_v5(control: &Control<NotKept>) -> Option<Encoded> {
    match control {
        Control::Stop(Reason::Error(_)) => {
            Some(Packet::from(disconnect(DisconnectReasonCode::ServerBusy)).into())
        }
        _ => None,
    }
}

fn disconnect(reason_code: DisconnectReasonCode) -> Disconnect {
    Disconnect {
        reason_code,
        ..Disconnect::default()
    }
}
