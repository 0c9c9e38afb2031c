//! One connection to a broker: the only file of the service that names the MQTT client library.
//!
//! A link lives as long as its connection and is never opened again: what is left in its queues,
//! above all acknowledgements, dies with it and can never reach another connection. The library's
//! loop does nothing but poll; everything else goes through an `Outbox` that never waits.

use std::pin::Pin;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::Transport;

use super::topic;

/// A future of the trait's methods.
type Waits<'a, T> = Pin<Box<dyn Future<Output = T> + Send + 'a>>;

/// Version of the protocol spoken with a broker.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Version {
    /// MQTT 3.1.1.
    V3,
    /// MQTT 5.
    V5,
}

/// Where and as whom to connect.
#[derive(Debug, Clone)]
pub struct Address {
    /// Host, or the path of a unix socket.
    pub host: String,
    /// Port; 0 = `host` is a unix socket.
    pub port: u16,
    /// Version.
    pub version: Version,
    /// Fixed: the broker keeps the session under it.
    pub client_id: String,
    /// Login; empty = none.
    pub username: String,
    /// Its password.
    pub password: String,
    /// Largest packet taken, bytes.
    pub packet_bytes: u32,
    /// Messages the broker may have on the way to us.
    pub in_flight: u16,
    /// How long the broker keeps the session while we are away.
    pub session: Duration,
    /// Topic and payload of the last will, retained.
    pub will: Option<(String, Vec<u8>)>,
}

impl Address {
    /// A session that ends with its connection, as (client id, user name, password); no will.
    #[must_use]
    pub fn passing(
        (host, port): (&str, u16),
        version: Version,
        (client_id, username, password): (&str, &str, &str),
        in_flight: u16,
    ) -> Self {
        Self {
            host: host.to_owned(),
            port,
            version,
            client_id: client_id.to_owned(),
            username: username.to_owned(),
            password: password.to_owned(),
            packet_bytes: 1 << 20,
            in_flight,
            session: Duration::ZERO,
            will: None,
        }
    }
}

/// A message as it arrived.
#[derive(Debug, Clone)]
pub struct Arrived {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Bytes,
    /// It was kept by the broker before we subscribed.
    pub retained: bool,
    /// Content type, MQTT 5 only.
    pub content_type: Option<String>,
    /// Packet id to acknowledge; 0 = none is awaited (QoS 0).
    pub packet: u16,
}

/// What a link tells.
#[derive(Debug)]
pub enum Event {
    /// The broker accepted us.
    Connected {
        /// It still had our session.
        session_present: bool,
    },
    /// It answered a subscription.
    Subscribed {
        /// Every filter was granted.
        granted: bool,
    },
    /// A message.
    Arrived(Arrived),
    /// A packet of ours was acknowledged.
    Acknowledged {
        /// Which.
        packet: u16,
        /// The other side took it; MQTT 3.1.1 has no word for a refusal.
        accepted: bool,
    },
    /// A packet of ours went out under this id.
    Sent(u16),
    /// An acknowledgement of ours went out.
    AckSent,
    /// Anything else of the protocol.
    Other,
}

/// A broken or refused connection, in words.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Broken(String);

/// The queue of the link is full, or the link is gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the connection takes nothing now")]
pub struct Busy;

/// What is sent over a link. Never waits.
pub trait Outbox: Send + Sync {
    /// Acknowledges a message of this link.
    ///
    /// # Errors
    /// `Busy`.
    fn ack(&self, packet: u16) -> Result<(), Busy>;
    /// Publishes; at least once when `assured`, else at most once.
    ///
    /// # Errors
    /// `Busy`.
    fn publish(&self, topic: &str, payload: Vec<u8>, how: Manner) -> Result<(), Busy>;
    /// Subscribes at QoS 1; retained messages are asked for when `retained`.
    ///
    /// # Errors
    /// `Busy`.
    fn subscribe(&self, filters: &[(&str, bool)]) -> Result<(), Busy>;
    /// Says good-bye.
    ///
    /// # Errors
    /// `Busy`.
    fn disconnect(&self) -> Result<(), Busy>;
}

/// How a message is published.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Manner {
    /// QoS 1 instead of QoS 0.
    pub assured: bool,
    /// The broker keeps it for later subscribers.
    pub retained: bool,
}

/// One connection to a broker.
pub trait Link: Send {
    /// Waits for what comes next. Nothing else may be awaited by the task that calls it.
    fn next(&mut self) -> Waits<'_, Result<Event, Broken>>;
    /// Where to send.
    fn outbox(&self) -> std::sync::Arc<dyn Outbox>;
}

/// Small packets go out at once: an acknowledgement that waits for company (RFC 896) waits for the other
/// side's delayed one, 40 ms.
fn network() -> rumqttc::NetworkOptions {
    let mut options = rumqttc::NetworkOptions::new();
    options.set_tcp_nodelay(true);
    options
}

/// Connects at the first call of `next`.
#[must_use]
pub fn open(address: &Address, queue: usize) -> Box<dyn Link> {
    match address.version {
        Version::V3 => Box::new(v3::open(address, queue)),
        Version::V5 => Box::new(v5::open(address, queue)),
    }
}

/// What both versions of the client are given.
macro_rules! options {
    ($options:ident, $address:ident) => {
        // A silent broker is given up after two of them: within 30 s.
        $options.set_keep_alive(Duration::from_secs(14));
        $options.set_manual_acks(true);
        if $address.port == 0 {
            $options.set_transport(Transport::Unix);
        }
        if !$address.username.is_empty() {
            $options.set_credentials(&$address.username, &$address.password);
        }
    };
}

mod v3 {
    use std::sync::Arc;

    use rumqttc::{
        AsyncClient, Event as Seen, EventLoop, LastWill, MqttOptions, Packet, Publish, QoS,
        SubscribeFilter, SubscribeReasonCode,
    };

    use super::{
        Address, Arrived, Broken, Busy, Bytes, Duration, Event, Link, Manner, Outbox, Transport,
        Waits,
    };

    struct Client {
        eventloop: EventLoop,
        outbox: Arc<AsyncClient>,
    }

    pub(super) fn open(address: &Address, queue: usize) -> impl Link + use<> {
        let mut options = MqttOptions::new(&address.client_id, &address.host, address.port);
        options!(options, address);
        options.set_clean_session(address.session.is_zero());
        let bytes = address.packet_bytes as usize;
        options.set_max_packet_size(bytes, bytes);
        options.set_inflight(address.in_flight);
        if let Some((topic, payload)) = &address.will {
            options.set_last_will(LastWill::new(
                topic,
                payload.clone(),
                QoS::AtLeastOnce,
                true,
            ));
        }
        let (client, mut eventloop) = AsyncClient::new(options, queue);
        eventloop.set_network_options(super::network());
        Client {
            eventloop,
            outbox: Arc::new(client),
        }
    }

    impl Link for Client {
        fn next(&mut self) -> Waits<'_, Result<Event, Broken>> {
            Box::pin(async {
                let seen = self.eventloop.poll().await;
                Ok(match seen.map_err(|error| Broken(error.to_string()))? {
                    Seen::Incoming(Packet::ConnAck(ack)) => Event::Connected {
                        session_present: ack.session_present,
                    },
                    Seen::Incoming(Packet::SubAck(ack)) => Event::Subscribed {
                        granted: !ack.return_codes.contains(&SubscribeReasonCode::Failure),
                    },
                    Seen::Incoming(Packet::Publish(message)) => Event::Arrived(Arrived {
                        packet: message.pkid,
                        topic: message.topic,
                        payload: message.payload,
                        retained: message.retain,
                        content_type: None,
                    }),
                    Seen::Incoming(Packet::PubAck(ack)) => Event::Acknowledged {
                        packet: ack.pkid,
                        accepted: true,
                    },
                    Seen::Outgoing(rumqttc::Outgoing::Publish(packet)) => Event::Sent(packet),
                    Seen::Outgoing(rumqttc::Outgoing::PubAck(_)) => Event::AckSent,
                    _ => Event::Other,
                })
            })
        }

        fn outbox(&self) -> Arc<dyn Outbox> {
            Arc::clone(&self.outbox) as Arc<dyn Outbox>
        }
    }

    impl Outbox for AsyncClient {
        fn ack(&self, packet: u16) -> Result<(), Busy> {
            let mut message = Publish::new("", QoS::AtLeastOnce, Bytes::new());
            message.pkid = packet;
            self.try_ack(&message).map_err(|_| Busy)
        }

        fn publish(&self, topic: &str, payload: Vec<u8>, how: Manner) -> Result<(), Busy> {
            let qos = if how.assured {
                QoS::AtLeastOnce
            } else {
                QoS::AtMostOnce
            };
            self.try_publish(topic, qos, how.retained, payload)
                .map_err(|_| Busy)
        }

        fn subscribe(&self, filters: &[(&str, bool)]) -> Result<(), Busy> {
            let filters = filters
                .iter()
                .map(|(filter, _)| SubscribeFilter::new((*filter).to_owned(), QoS::AtLeastOnce));
            self.try_subscribe_many(filters).map_err(|_| Busy)
        }

        fn disconnect(&self) -> Result<(), Busy> {
            self.try_disconnect().map_err(|_| Busy)
        }
    }
}

mod v5 {
    use std::sync::Arc;

    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::mqttbytes::v5::{
        Filter, LastWill, Packet, PubAckReason, Publish, RetainForwardRule, SubscribeReasonCode,
    };
    use rumqttc::v5::{AsyncClient, Event as Seen, EventLoop, MqttOptions};

    use super::{
        Address, Arrived, Broken, Busy, Bytes, Duration, Event, Link, Manner, Outbox, Transport,
        Waits,
    };

    struct Client {
        eventloop: EventLoop,
        outbox: Arc<AsyncClient>,
    }

    pub(super) fn open(address: &Address, queue: usize) -> impl Link + use<> {
        let mut options = MqttOptions::new(&address.client_id, &address.host, address.port);
        options!(options, address);
        options.set_clean_start(address.session.is_zero());
        let lasts = u32::try_from(address.session.as_secs()).unwrap_or(u32::MAX);
        options.set_session_expiry_interval(Some(lasts));
        options.set_max_packet_size(Some(address.packet_bytes));
        options.set_receive_maximum(Some(address.in_flight));
        if let Some((topic, payload)) = &address.will {
            let will = LastWill::new(topic, payload.clone(), QoS::AtLeastOnce, true, None);
            options.set_last_will(will);
        }
        options.set_network_options(super::network());
        let (client, eventloop) = AsyncClient::new(options, queue);
        Client {
            eventloop,
            outbox: Arc::new(client),
        }
    }

    impl Link for Client {
        fn next(&mut self) -> Waits<'_, Result<Event, Broken>> {
            Box::pin(async {
                let seen = self.eventloop.poll().await;
                Ok(match seen.map_err(|error| Broken(error.to_string()))? {
                    Seen::Incoming(Packet::ConnAck(ack)) => Event::Connected {
                        session_present: ack.session_present,
                    },
                    Seen::Incoming(Packet::SubAck(ack)) => Event::Subscribed {
                        granted: ack
                            .return_codes
                            .iter()
                            .all(|code| matches!(code, SubscribeReasonCode::Success(_))),
                    },
                    Seen::Incoming(Packet::Publish(message)) => {
                        let properties = message.properties;
                        Event::Arrived(Arrived {
                            packet: message.pkid,
                            // A topic that is no text is none of ours, and is refused as such.
                            topic: String::from_utf8_lossy(&message.topic).into_owned(),
                            payload: message.payload,
                            retained: message.retain,
                            content_type: properties.and_then(|found| found.content_type),
                        })
                    }
                    Seen::Incoming(Packet::PubAck(ack)) => Event::Acknowledged {
                        packet: ack.pkid,
                        accepted: ack.reason == PubAckReason::Success,
                    },
                    Seen::Outgoing(rumqttc::Outgoing::Publish(packet)) => Event::Sent(packet),
                    Seen::Outgoing(rumqttc::Outgoing::PubAck(_)) => Event::AckSent,
                    _ => Event::Other,
                })
            })
        }

        fn outbox(&self) -> Arc<dyn Outbox> {
            Arc::clone(&self.outbox) as Arc<dyn Outbox>
        }
    }

    impl Outbox for AsyncClient {
        fn ack(&self, packet: u16) -> Result<(), Busy> {
            let mut message = Publish::new("", QoS::AtLeastOnce, Bytes::new(), None);
            message.pkid = packet;
            self.try_ack(&message).map_err(|_| Busy)
        }

        fn publish(&self, topic: &str, payload: Vec<u8>, how: Manner) -> Result<(), Busy> {
            let qos = if how.assured {
                QoS::AtLeastOnce
            } else {
                QoS::AtMostOnce
            };
            self.try_publish(topic, qos, how.retained, payload)
                .map_err(|_| Busy)
        }

        fn subscribe(&self, filters: &[(&str, bool)]) -> Result<(), Busy> {
            let filters = filters.iter().map(|(filter, retained)| Filter {
                retain_forward_rule: if *retained {
                    RetainForwardRule::OnEverySubscribe
                } else {
                    RetainForwardRule::Never
                },
                ..Filter::new(*filter, QoS::AtLeastOnce)
            });
            self.try_subscribe_many(filters).map_err(|_| Busy)
        }

        fn disconnect(&self) -> Result<(), Busy> {
            self.try_disconnect().map_err(|_| Busy)
        }
    }
}

/// Topics of every device: (filter, whether what the broker kept is wanted).
pub const ALL_DEVICES: [(&str, bool); 2] = [(topic::ALL_UP, false), (topic::ALL_STATUS, true)];
