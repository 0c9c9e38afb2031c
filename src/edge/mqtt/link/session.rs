//! The loop of one connection. Whatever waits goes out in one write: above all acknowledgements, which come
//! by the hundred with a commit.

use std::collections::{HashSet, VecDeque};
use std::io;
use std::time::Duration;

use bytes::{Bytes, BytesMut};
use rustls::pki_types::ServerName;
use tokio::io::{
    AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _, ReadHalf, WriteHalf,
};
use tokio::net::TcpStream;
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_rustls::TlsConnector;

use super::packet::{Accepted, Heard, Say};
use super::{Address, Broken, Event, Manner, Version};

/// Time for the connection, TLS and the broker's first answer.
const CONNECT: Duration = Duration::from_secs(10);
/// Bytes read at once.
const READ: usize = 16 * 1024;
/// Acknowledgements taken at once.
const BURST: usize = 256;
/// Bytes that wait to be written, above which nothing more is taken.
const OUTPUT: usize = 64 * 1024;
/// Most messages of ours on the way: packet ids end at 65,535.
const WINDOW: usize = 60_000;

/// What is asked of a link beside acknowledging.
#[derive(Debug)]
pub(super) enum Request {
    Publish(String, Bytes, Manner),
    Subscribe(Vec<(String, bool)>),
    Disconnect,
}

/// What a session takes its work from.
#[derive(Debug)]
pub(super) struct Inbox {
    pub(super) acks: mpsc::Receiver<u16>,
    pub(super) requests: mpsc::Receiver<Request>,
}

/// What carries the bytes.
pub(super) trait Carrier: AsyncRead + AsyncWrite + Send + Unpin {}

impl<T: AsyncRead + AsyncWrite + Send + Unpin> Carrier for T {}

/// One accepted connection.
pub(super) struct Session {
    version: Version,
    reads: ReadHalf<Box<dyn Carrier>>,
    writes: WriteHalf<Box<dyn Carrier>>,
    /// Read and not yet understood.
    input: BytesMut,
    /// To be written.
    output: BytesMut,
    /// Something was put into `output` that is not yet known to be out.
    unsent: bool,
    /// Not yet told.
    events: VecDeque<Event>,
    /// Told once everything is out.
    leaving: Vec<Event>,
    /// Acknowledgements taken out of their queue.
    acks: Vec<u16>,
    /// Packets of ours that await an answer.
    open: HashSet<u16>,
    newest: u16,
    /// Messages the broker takes before it acknowledged one.
    window: usize,
    /// Largest packet it takes, bytes.
    largest: usize,
    /// Largest packet it may send, bytes.
    packet_bytes: u32,
    keep_alive: Duration,
    ping_at: Instant,
    /// Nothing was heard since the last ping.
    silent: bool,
}

async fn carrier(address: &Address) -> Result<Box<dyn Carrier>, Broken> {
    let Address { host, port, .. } = address;
    let stream = TcpStream::connect((host.as_str(), *port)).await;
    let stream = stream.map_err(|error| Broken(format!("{host}:{port}: {error}")))?;
    // Small packets go out at once: an acknowledgement that waits for company (RFC 896) waits for the
    // other side's delayed one, 40 ms.
    stream.set_nodelay(true).map_err(Broken::of)?;
    let Some(tls) = &address.tls else {
        return Ok(Box::new(stream));
    };
    let wrong = |why: String| Broken(format!("TLS to the broker: {host}:{port}: {why}"));
    let name = ServerName::try_from(host.clone())
        .map_err(|_| wrong("this is no name a certificate can be for".into()))?;
    let secured = TlsConnector::from(std::sync::Arc::clone(tls)).connect(name, stream);
    match secured.await {
        Ok(stream) => Ok(Box::new(stream)),
        Err(error) => Err(wrong(error.to_string())),
    }
}

impl Session {
    /// Connects, and says whether the broker still had our session.
    pub(super) async fn open(address: &Address) -> Result<(Self, bool), Broken> {
        let opened = async { Self::over(carrier(address).await?, address).await };
        if let Ok(opened) = tokio::time::timeout(CONNECT, opened).await {
            return opened;
        }
        let (Address { host, port, .. }, limit) = (address, CONNECT.as_secs());
        Err(Broken(format!(
            "{host}:{port} did not answer within {limit} s"
        )))
    }

    /// Introduces us over what carries the bytes.
    pub(super) async fn over(
        carrier: Box<dyn Carrier>,
        address: &Address,
    ) -> Result<(Self, bool), Broken> {
        let (reads, writes) = tokio::io::split(carrier);
        let mut session = Self {
            version: address.version,
            reads,
            writes,
            input: BytesMut::with_capacity(READ),
            output: BytesMut::with_capacity(READ),
            unsent: false,
            events: VecDeque::new(),
            leaving: Vec::new(),
            acks: Vec::new(),
            open: HashSet::new(),
            newest: 0,
            window: 0,
            largest: usize::MAX,
            packet_bytes: address.packet_bytes,
            keep_alive: address.keep_alive,
            ping_at: Instant::now() + address.keep_alive,
            silent: false,
        };
        let accepted = session.greet(address).await?;
        session.window = usize::from(accepted.window.min(address.in_flight)).min(WINDOW);
        session.largest = accepted.largest;
        Ok((session, accepted.session_present))
    }

    async fn greet(&mut self, address: &Address) -> Result<Accepted, Broken> {
        self.version.connect(&mut self.output, address)?;
        send(&mut self.writes, &mut self.output)
            .await
            .map_err(Broken::of)?;
        loop {
            match self.version.read(&mut self.input, self.packet_bytes)? {
                Some(Heard::Accepted(accepted)) => return Ok(accepted),
                Some(_) => return Err(Broken("the broker did not begin with its answer".into())),
                None => {
                    let count = self.reads.read_buf(&mut self.input).await;
                    ended(count)?;
                }
            }
        }
    }

    /// Waits for what comes next. Dropped in between, it loses nothing.
    pub(super) async fn next(&mut self, inbox: &mut Inbox) -> Result<Event, Broken> {
        loop {
            if let Some(event) = self.events.pop_front() {
                return Ok(event);
            }
            self.hear()?;
            if !self.events.is_empty() {
                continue;
            }
            if self.input.capacity() - self.input.len() < READ / 8 {
                self.input.reserve(READ);
            }
            let room = self.output.len() < OUTPUT;
            tokio::select! {
                sent = send(&mut self.writes, &mut self.output), if self.unsent => {
                    sent.map_err(Broken::of)?;
                    self.unsent = false;
                    self.events.extend(self.leaving.drain(..));
                }
                count = self.reads.read_buf(&mut self.input) => {
                    ended(count)?;
                    self.silent = false;
                }
                count = inbox.acks.recv_many(&mut self.acks, BURST), if room => {
                    for packet in std::mem::take(&mut self.acks) {
                        self.say(&Say::Ack(packet))?;
                    }
                    self.leaving.push(Event::AckSent(count));
                }
                request = inbox.requests.recv(), if room && self.open.len() < self.window => {
                    let mut next = request;
                    while let Some(request) = next {
                        self.fulfil(request)?;
                        let more = self.output.len() < OUTPUT && self.open.len() < self.window;
                        next = more.then(|| inbox.requests.try_recv().ok()).flatten();
                    }
                }
                () = tokio::time::sleep_until(self.ping_at) => {
                    if self.silent {
                        return Err(Broken("the broker does not answer any more".into()));
                    }
                    self.say(&Say::Ping)?;
                    self.silent = true;
                    self.ping_at = Instant::now() + self.keep_alive;
                }
            }
        }
    }

    /// Understands what was read.
    fn hear(&mut self) -> Result<(), Broken> {
        while let Some(heard) = self.version.read(&mut self.input, self.packet_bytes)? {
            let event = match heard {
                Heard::Arrived(arrived) => Event::Arrived(arrived),
                Heard::Subscribed { packet, granted } => {
                    self.open.remove(&packet);
                    Event::Subscribed { granted }
                }
                Heard::Acknowledged { packet, accepted } => {
                    self.open.remove(&packet);
                    Event::Acknowledged { packet, accepted }
                }
                Heard::Accepted(_) => {
                    return Err(Broken("the broker accepted us twice".into()));
                }
                Heard::Other => continue,
            };
            self.events.push_back(event);
        }
        Ok(())
    }

    fn say(&mut self, say: &Say) -> Result<(), Broken> {
        self.unsent = true;
        self.version.write(&mut self.output, say, self.largest)
    }

    fn fulfil(&mut self, request: Request) -> Result<(), Broken> {
        let say = match request {
            Request::Publish(topic, payload, how) => Say::Publish {
                packet: if how.assured { self.packet() } else { 0 },
                topic,
                payload,
                how,
            },
            Request::Subscribe(filters) => Say::Subscribe {
                packet: self.packet(),
                filters,
            },
            Request::Disconnect => Say::Disconnect,
        };
        self.say(&say)?;
        if let Say::Publish { packet, .. } = say {
            self.leaving.push(Event::Sent(packet));
        }
        Ok(())
    }

    /// A packet id that is not in use: `window` is far below their number.
    fn packet(&mut self) -> u16 {
        loop {
            self.newest = self.newest % u16::MAX + 1;
            if self.open.insert(self.newest) {
                return self.newest;
            }
        }
    }
}

/// Writes what waits, through whatever buffers on its way. Dropped in between, it may be called again.
async fn send(writes: &mut WriteHalf<Box<dyn Carrier>>, output: &mut BytesMut) -> io::Result<()> {
    writes.write_all_buf(output).await?;
    writes.flush().await
}

fn ended(count: io::Result<usize>) -> Result<(), Broken> {
    match count {
        Ok(0) => Err(Broken("the broker closed the connection".into())),
        Ok(_) => Ok(()),
        Err(error) => Err(Broken::of(error)),
    }
}
