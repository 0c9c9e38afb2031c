//! Packets of MQTT 5.

use bytes::{Bytes, BytesMut};
use rumqttc::v5::mqttbytes::v5::{
    Connect, ConnectProperties, ConnectReturnCode, Disconnect, DisconnectReasonCode, Filter,
    LastWill, Login, Packet, PingReq, PubAck, PubAckReason, Publish, RetainForwardRule, Subscribe,
    SubscribeReasonCode,
};
use rumqttc::v5::mqttbytes::{Error, QoS};

use super::packet::{Accepted, Heard, Say};
use super::{Address, Arrived, Broken};

/// Writes the first packet of a connection.
pub(super) fn connect(out: &mut BytesMut, address: &Address) -> Result<(), Broken> {
    let mut properties = ConnectProperties::new();
    let lasts = u32::try_from(address.session.as_secs()).unwrap_or(u32::MAX);
    properties.session_expiry_interval = Some(lasts);
    properties.receive_maximum = Some(address.in_flight);
    properties.max_packet_size = Some(address.packet_bytes);
    let packet = Connect {
        keep_alive: address.keep_alive.as_secs().try_into().unwrap_or(u16::MAX),
        client_id: address.client_id.clone(),
        clean_start: address.session.is_zero(),
        properties: Some(properties),
    };
    let will = address.will.as_ref();
    let will = will.map(|(topic, payload)| {
        LastWill::new(topic, payload.clone(), QoS::AtLeastOnce, true, None)
    });
    let login =
        (!address.username.is_empty()).then(|| Login::new(&address.username, &address.password));
    packet.write(&will, &login, out).map_err(Broken::of)?;
    Ok(())
}

/// Writes a packet.
pub(super) fn write(out: &mut BytesMut, say: &Say, largest: usize) -> Result<(), Broken> {
    let packet = match say {
        Say::Ack(packet) => Packet::PubAck(PubAck::new(*packet, None)),
        Say::Publish {
            packet,
            topic,
            payload,
            how,
        } => Packet::Publish(Publish {
            dup: false,
            qos: if how.assured {
                QoS::AtLeastOnce
            } else {
                QoS::AtMostOnce
            },
            retain: how.retained,
            topic: Bytes::copy_from_slice(topic.as_bytes()),
            pkid: *packet,
            payload: payload.clone(),
            properties: None,
        }),
        Say::Subscribe { packet, filters } => {
            let filters = filters.iter().map(|(filter, retained)| Filter {
                retain_forward_rule: if *retained {
                    RetainForwardRule::OnEverySubscribe
                } else {
                    RetainForwardRule::Never
                },
                ..Filter::new(filter, QoS::AtLeastOnce)
            });
            let mut message = Subscribe::new_many(filters, None);
            message.pkid = *packet;
            Packet::Subscribe(message)
        }
        Say::Ping => Packet::PingReq(PingReq),
        Say::Disconnect => {
            Packet::Disconnect(Disconnect::new(DisconnectReasonCode::NormalDisconnection))
        }
    };
    let largest = u32::try_from(largest).unwrap_or(u32::MAX);
    packet.write(out, Some(largest)).map_err(Broken::of)?;
    Ok(())
}

/// Takes a whole packet off what came in; `None` when there is none yet.
pub(super) fn read(input: &mut BytesMut, largest: u32) -> Result<Option<Heard>, Broken> {
    let packet = match Packet::read(input, Some(largest)) {
        Ok(packet) => packet,
        Err(Error::InsufficientBytes(more)) => {
            input.reserve(more);
            return Ok(None);
        }
        Err(error) => return Err(Broken::of(error)),
    };
    Ok(Some(match packet {
        Packet::ConnAck(ack) if ack.code == ConnectReturnCode::Success => {
            let limits = ack.properties.as_ref();
            let window = limits.and_then(|limits| limits.receive_max);
            let largest = limits.and_then(|limits| limits.max_packet_size);
            Heard::Accepted(Accepted {
                session_present: ack.session_present,
                window: window.unwrap_or(u16::MAX),
                largest: largest.map_or(usize::MAX, |largest| largest as usize),
            })
        }
        Packet::ConnAck(ack) => return Err(Broken::refused(&ack.code)),
        Packet::SubAck(ack) => Heard::Subscribed {
            packet: ack.pkid,
            granted: ack
                .return_codes
                .iter()
                .all(|code| matches!(code, SubscribeReasonCode::Success(_))),
        },
        Packet::Publish(message) => {
            let properties = message.properties;
            Heard::Arrived(Arrived {
                packet: message.pkid,
                // A topic that is no text is none of ours, and is refused as such.
                topic: String::from_utf8_lossy(&message.topic).into_owned(),
                payload: message.payload,
                retained: message.retain,
                content_type: properties.and_then(|found| found.content_type),
            })
        }
        Packet::PubAck(ack) => Heard::Acknowledged {
            packet: ack.pkid,
            accepted: ack.reason == PubAckReason::Success,
        },
        Packet::Disconnect(why) => {
            let why = format!("the broker said good-bye: {:?}", why.reason_code);
            return Err(Broken(why));
        }
        _ => Heard::Other,
    }))
}
