//! The loop of a connection against a broker that does as the test says.

use bytes::BytesMut;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{
    ConnAck, ConnAckProperties, ConnectReturnCode, Packet, PubAck, Publish,
};
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};

use super::*;

const ASSURED: Manner = Manner {
    assured: true,
    retained: false,
};

/// Keep-alive of these links.
const PAUSE: Duration = Duration::from_millis(400);

/// Longest wait for anything.
const LIMIT: Duration = Duration::from_secs(10);

/// What comes in time: a test that waits for ever says nothing.
async fn in_time<T>(wait: impl Future<Output = T>) -> T {
    tokio::time::timeout(LIMIT, wait).await.unwrap()
}

/// The other side, one connection.
struct Broker<S> {
    stream: S,
    input: BytesMut,
}

impl<S: AsyncRead + AsyncWrite + Unpin> Broker<S> {
    fn on(stream: S) -> Self {
        let input = BytesMut::new();
        Self { stream, input }
    }

    async fn say(&mut self, packets: &[Packet]) {
        let mut out = BytesMut::new();
        for packet in packets {
            packet.write(&mut out, None).unwrap();
        }
        self.stream.write_all(&out).await.unwrap();
    }

    async fn hear(&mut self) -> Packet {
        loop {
            if let Ok(packet) = Packet::read(&mut self.input, None) {
                return packet;
            }
            let read = in_time(self.stream.read_buf(&mut self.input)).await;
            assert!(read.unwrap() > 0);
        }
    }
}

fn accepted(window: Option<u16>, largest: Option<u32>) -> Packet {
    let none = ConnAckProperties {
        session_expiry_interval: None,
        receive_max: window,
        max_qos: None,
        retain_available: None,
        max_packet_size: largest,
        assigned_client_identifier: None,
        topic_alias_max: None,
        reason_string: None,
        user_properties: Vec::new(),
        wildcard_subscription_available: None,
        subscription_identifiers_available: None,
        shared_subscription_available: None,
        server_keep_alive: None,
        response_information: None,
        server_reference: None,
        authentication_method: None,
        authentication_data: None,
    };
    Packet::ConnAck(ConnAck {
        session_present: true,
        code: ConnectReturnCode::Success,
        properties: Some(none),
    })
}

fn message(packet: u16) -> Packet {
    Packet::Publish(Publish {
        qos: QoS::AtLeastOnce,
        pkid: packet,
        ..Publish::new("t", QoS::AtLeastOnce, vec![7; 600], None)
    })
}

/// A link whose first packet was answered so.
async fn answered(first: Packet) -> (Link, Result<Event, Broken>, Broker<TcpStream>) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let at = ("127.0.0.1", listener.local_addr().unwrap().port());
    let mut address = Address::passing(at, Version::V5, ("a name", "login", "word"), 1_000);
    address.keep_alive = PAUSE;
    let mut link = open(&address, 1_000);
    let broker = async {
        let (stream, _) = listener.accept().await.unwrap();
        let mut broker = Broker::on(stream);
        let Packet::Connect(connect, None, Some(login)) = broker.hear().await else {
            panic!("no CONNECT with a login")
        };
        assert_eq!(
            (connect.client_id.as_str(), login.password.as_str()),
            ("a name", "word")
        );
        assert_eq!(connect.properties.unwrap().receive_maximum, Some(1_000));
        broker.say(&[first]).await;
        broker
    };
    let (event, broker) = tokio::join!(link.next(), broker);
    (link, event, broker)
}

async fn connected(first: Packet) -> (Link, Broker<TcpStream>) {
    let (link, event, broker) = answered(first).await;
    let Ok(Event::Connected {
        session_present: true,
    }) = event
    else {
        panic!("{event:?}")
    };
    (link, broker)
}

#[tokio::test]
async fn acknowledgements_that_wait_go_out_together() {
    let (mut link, mut broker) = connected(accepted(None, None)).await;
    let sent: Vec<Packet> = (1..=200).map(message).collect();
    broker.say(&sent).await;
    for packet in 1..=200 {
        let Ok(Event::Arrived(arrived)) = in_time(link.next()).await else {
            panic!("no message")
        };
        assert_eq!((arrived.packet, arrived.payload.len()), (packet, 600));
    }
    for packet in 1..=200 {
        link.outbox().ack(packet).unwrap();
    }
    assert!(matches!(
        in_time(link.next()).await,
        Ok(Event::AckSent(200))
    ));
    for packet in 1..=200 {
        assert_eq!(
            broker.hear().await,
            Packet::PubAck(PubAck::new(packet, None))
        );
    }
}

#[tokio::test]
async fn a_full_window_holds_messages_back_but_no_acknowledgement() {
    let (mut link, mut broker) = connected(accepted(Some(2), None)).await;
    let outbox = link.outbox();
    for number in 0u8..3 {
        outbox.publish("t", vec![number], ASSURED).unwrap();
    }
    broker.say(&[message(9)]).await;
    let (mut sent, mut acknowledged) = (0, 0);
    while (sent, acknowledged) != (2, 1) {
        match in_time(link.next()).await.unwrap() {
            Event::Sent(_) => sent += 1,
            Event::Arrived(arrived) => outbox.ack(arrived.packet).unwrap(),
            Event::AckSent(count) => acknowledged += count,
            other => panic!("{other:?}"),
        }
    }
    let mut published = Vec::new();
    for _ in 0..3 {
        match broker.hear().await {
            Packet::Publish(message) => published.push(message.pkid),
            packet => assert_eq!(packet, Packet::PubAck(PubAck::new(9, None))),
        }
    }
    assert_eq!(published, [1, 2]);
    broker.say(&[Packet::PubAck(PubAck::new(1, None))]).await;
    let first = in_time(link.next()).await.unwrap();
    assert!(matches!(
        first,
        Event::Acknowledged {
            packet: 1,
            accepted: true
        }
    ));
    assert!(matches!(in_time(link.next()).await, Ok(Event::Sent(3))));
}

#[tokio::test]
async fn what_is_told_as_sent_left_every_buffer_on_the_way() {
    // As TLS does, it holds what is written until it is flushed.
    let (near, far) = tokio::io::duplex(64 * 1024);
    let held = Box::new(tokio::io::BufWriter::new(near));
    let address = Address::passing(("far", 1), Version::V5, ("a name", "", ""), 10);
    let mut far = Broker::on(far);
    let broker = async {
        assert!(matches!(far.hear().await, Packet::Connect(..)));
        far.say(&[accepted(None, None)]).await;
    };
    let (opened, ()) = tokio::join!(Session::over(held, &address), broker);
    let (mut session, _) = opened.unwrap();
    let (acks, acks_in) = mpsc::channel(10);
    let (_requests, requests_in) = mpsc::channel(10);
    let mut inbox = Inbox {
        acks: acks_in,
        requests: requests_in,
    };
    acks.try_send(7).unwrap();
    assert!(matches!(
        in_time(session.next(&mut inbox)).await,
        Ok(Event::AckSent(1))
    ));
    assert_eq!(far.hear().await, Packet::PubAck(PubAck::new(7, None)));
}

#[tokio::test]
async fn a_wait_given_up_in_between_loses_nothing() {
    let (mut link, mut broker) = connected(accepted(None, None)).await;
    let mut out = BytesMut::new();
    for packet in 1..=3 {
        message(packet).write(&mut out, None).unwrap();
    }
    let mut arrived = Vec::new();
    for piece in out.chunks(100) {
        broker.stream.write_all(piece).await.unwrap();
        let wait = Duration::from_millis(5);
        while let Ok(event) = tokio::time::timeout(wait, link.next()).await {
            let Ok(Event::Arrived(message)) = event else {
                panic!("{event:?}")
            };
            arrived.push((message.packet, message.payload.len()));
        }
    }
    assert_eq!(arrived, [(1, 600), (2, 600), (3, 600)]);
}

#[tokio::test]
async fn a_silent_broker_is_asked_once_and_then_given_up() {
    let (mut link, mut broker) = connected(accepted(None, None)).await;
    let began = tokio::time::Instant::now();
    let why = in_time(link.next()).await.unwrap_err();
    assert!(why.to_string().contains("does not answer"), "{why}");
    assert!(began.elapsed() >= 2 * PAUSE);
    assert!(matches!(broker.hear().await, Packet::PingReq(_)));
    let again = in_time(link.next()).await.unwrap_err();
    assert_eq!(again.to_string(), "the connection is gone");
}

#[tokio::test]
async fn what_the_broker_cannot_take_or_does_not_want_is_said() {
    let (mut link, _broker) = connected(accepted(None, Some(100))).await;
    link.outbox().publish("t", vec![7; 600], ASSURED).unwrap();
    let why = in_time(link.next()).await.unwrap_err().to_string();
    assert!(why.contains("maximum packet size of: '100'"), "{why}");

    let refused = Packet::ConnAck(ConnAck {
        session_present: false,
        code: ConnectReturnCode::BadUserNamePassword,
        properties: None,
    });
    let (_, event, _) = answered(refused).await;
    let why = event.unwrap_err().to_string();
    assert!(why.contains("BadUserNamePassword"), "{why}");

    let (mut link, broker) = connected(accepted(None, None)).await;
    drop(broker);
    let why = in_time(link.next()).await.unwrap_err().to_string();
    assert!(why.contains("closed") || why.contains("reset"), "{why}");
}
