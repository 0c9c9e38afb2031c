//! A subscriber that throws away, as anybody would write it: on the client library's own loop.

use std::time::Duration;

use anyhow::Context as _;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Filter, Packet};
use rumqttc::v5::{AsyncClient, Event, EventLoop, MqttOptions};

use super::load::{GIVE_UP, SUBSCRIBER_WINDOW};
use crate::edge::mqtt::link::{ALL_DEVICES, Address};

/// Ready when it is returned.
pub(super) struct Plain {
    client: AsyncClient,
    events: EventLoop,
}

impl Plain {
    pub(super) async fn subscribe(address: &Address) -> anyhow::Result<Self> {
        let mut options = MqttOptions::new(&address.client_id, &address.host, address.port);
        options.set_credentials(&address.username, &address.password);
        options.set_keep_alive(address.keep_alive);
        options.set_manual_acks(true);
        options.set_max_packet_size(Some(address.packet_bytes));
        options.set_receive_maximum(Some(SUBSCRIBER_WINDOW));
        let mut network = rumqttc::NetworkOptions::new();
        network.set_tcp_nodelay(true);
        options.set_network_options(network);
        let (client, mut events) = AsyncClient::new(options, 4 * usize::from(SUBSCRIBER_WINDOW));
        let filters = ALL_DEVICES.map(|(filter, _)| Filter::new(filter, QoS::AtLeastOnce));
        client.try_subscribe_many(filters)?;
        while !matches!(wait(&mut events).await?, Event::Incoming(Packet::SubAck(_))) {}
        Ok(Self { client, events })
    }

    /// Acknowledges so many messages.
    pub(super) async fn take(mut self, count: usize) -> anyhow::Result<()> {
        let mut taken = 0;
        while taken < count {
            if let Event::Incoming(Packet::Publish(message)) = wait(&mut self.events).await? {
                self.client.try_ack(&message)?;
                taken += 1;
            }
        }
        Ok(())
    }
}

async fn wait(events: &mut EventLoop) -> anyhow::Result<Event> {
    let limit: Duration = GIVE_UP;
    let event = tokio::time::timeout(limit, events.poll()).await;
    Ok(event.context("no message came for a minute")??)
}
