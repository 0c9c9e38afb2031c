//! Packets of MQTT 3.1.1.

use bytes::BytesMut;
use rumqttc::mqttbytes::v4::{
    Connect, ConnectReturnCode, Disconnect, LastWill, Packet, PingReq, PubAck, Publish, Subscribe,
    SubscribeFilter, SubscribeReasonCode,
};
use rumqttc::mqttbytes::{Error, QoS};

use super::packet::{Accepted, Heard, Say};
use super::{Address, Arrived, Broken};

/// Writes the first packet of a connection.
pub(super) fn connect(out: &mut BytesMut, address: &Address) -> Result<(), Broken> {
    let mut packet = Connect::new(&address.client_id);
    packet.keep_alive = address.keep_alive.as_secs().try_into().unwrap_or(u16::MAX);
    packet.clean_session = address.session.is_zero();
    if !address.username.is_empty() {
        packet.set_login(&address.username, &address.password);
    }
    if let Some((topic, payload)) = &address.will {
        let will = LastWill::new(topic, payload.clone(), QoS::AtLeastOnce, true);
        packet.last_will = Some(will);
    }
    packet.write(out).map_err(Broken::of)?;
    Ok(())
}

/// Writes a packet.
pub(super) fn write(out: &mut BytesMut, say: &Say, largest: usize) -> Result<(), Broken> {
    let packet = match say {
        Say::Ack(packet) => Packet::PubAck(PubAck::new(*packet)),
        Say::Publish {
            packet,
            topic,
            payload,
            how,
        } => {
            let qos = if how.assured {
                QoS::AtLeastOnce
            } else {
                QoS::AtMostOnce
            };
            let mut message = Publish::from_bytes(topic, qos, payload.clone());
            message.retain = how.retained;
            message.pkid = *packet;
            Packet::Publish(message)
        }
        Say::Subscribe { packet, filters } => {
            let filters = filters
                .iter()
                .map(|(filter, _)| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
            let mut message = Subscribe::new_many(filters);
            message.pkid = *packet;
            Packet::Subscribe(message)
        }
        Say::Ping => return PingReq.write(out).map_err(Broken::of).map(|_| ()),
        Say::Disconnect => return Disconnect.write(out).map_err(Broken::of).map(|_| ()),
    };
    packet.write(out, largest).map_err(Broken::of)?;
    Ok(())
}

/// Takes a whole packet off what came in; `None` when there is none yet.
pub(super) fn read(input: &mut BytesMut, largest: u32) -> Result<Option<Heard>, Broken> {
    let packet = match Packet::read(input, largest as usize) {
        Ok(packet) => packet,
        Err(Error::InsufficientBytes(more)) => {
            input.reserve(more);
            return Ok(None);
        }
        Err(error) => return Err(Broken::of(error)),
    };
    Ok(Some(match packet {
        Packet::ConnAck(ack) if ack.code == ConnectReturnCode::Success => {
            Heard::Accepted(Accepted {
                session_present: ack.session_present,
                window: u16::MAX,
                largest: usize::MAX,
            })
        }
        Packet::ConnAck(ack) => return Err(Broken::refused(&ack.code)),
        Packet::SubAck(ack) => Heard::Subscribed {
            packet: ack.pkid,
            granted: !ack.return_codes.contains(&SubscribeReasonCode::Failure),
        },
        Packet::Publish(message) => Heard::Arrived(Arrived {
            packet: message.pkid,
            topic: message.topic,
            payload: message.payload,
            retained: message.retain,
            content_type: None,
        }),
        Packet::PubAck(ack) => Heard::Acknowledged {
            packet: ack.pkid,
            accepted: true,
        },
        Packet::Disconnect => return Err(Broken("the broker said good-bye".into())),
        _ => Heard::Other,
    }))
}
