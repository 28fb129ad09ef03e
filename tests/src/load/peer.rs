//! Peers that speak HTTP/2 by hand, as badly as is asked of them: they need no answer, and answer nothing.

use std::io;

use tokio::{
    io::{AsyncReadExt as _, AsyncWriteExt as _},
    net::TcpStream,
    time::{Duration, timeout},
};

/// What opens a connection (RFC 9113, 3.4).
pub const PREFACE: &[u8] = b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n";

const DATA: u8 = 0;
const HEADERS: u8 = 1;
const SETTINGS: u8 = 4;
const WINDOW_UPDATE: u8 = 8;
const END_HEADERS: u8 = 4;
/// First stream of a client.
const STREAM: u32 = 1;

/// A connection whose every byte is written by hand.
#[derive(Debug)]
pub struct Peer {
    socket: TcpStream,
}

impl Peer {
    /// Connects, and says nothing.
    pub async fn connect(address: &str) -> io::Result<Self> {
        let socket = TcpStream::connect(address).await?;
        socket.set_nodelay(true)?;
        Ok(Self { socket })
    }

    /// Begins to speak, and begins a call of `StreamSamples`.
    pub async fn call(address: &str) -> io::Result<Self> {
        let mut peer = Self::connect(address).await?;
        let mut bytes = PREFACE.to_vec();
        bytes.extend(frame(SETTINGS, 0, 0, &[]));
        // Room for all that the server wants to say.
        bytes.extend(frame(WINDOW_UPDATE, 0, 0, &(1_u32 << 24).to_be_bytes()));
        bytes.extend(headers(address));
        peer.write(&bytes).await?;
        Ok(peer)
    }

    /// Writes bytes as they are.
    pub async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.socket.write_all(bytes).await
    }

    /// Writes as much as is taken until nothing is for so long, or until all is written. Returns the number of bytes.
    pub async fn push(&mut self, bytes: &[u8], patience: Duration) -> usize {
        let mut written = 0;
        while written < bytes.len() {
            match timeout(patience, self.socket.write(&bytes[written..])).await {
                Ok(Ok(n)) if n > 0 => written += n,
                _ => break,
            }
        }
        written
    }

    /// Begins to speak, and returns what the server grants: its settings by number (RFC 9113, 6.5.2), and by how much it
    /// makes the window of the connection larger.
    pub async fn granted(address: &str) -> io::Result<(Vec<(u16, u32)>, u32)> {
        let mut peer = Self::connect(address).await?;
        peer.write(PREFACE).await?;
        peer.write(&frame(SETTINGS, 0, 0, &[])).await?;
        let (mut settings, mut larger) = (Vec::new(), 0);
        // The window comes last.
        while larger == 0 {
            let mut head = [0; 9];
            peer.socket.read_exact(&mut head).await?;
            let length = u32::from_be_bytes([0, head[0], head[1], head[2]]);
            let mut payload = vec![0; length as usize];
            peer.socket.read_exact(&mut payload).await?;
            match head[3] {
                SETTINGS => settings.extend(payload.chunks_exact(6).map(|s| {
                    (
                        u16::from_be_bytes([s[0], s[1]]),
                        u32::from_be_bytes([s[2], s[3], s[4], s[5]]),
                    )
                })),
                WINDOW_UPDATE => {
                    larger = u32::from_be_bytes([payload[0], payload[1], payload[2], payload[3]]);
                }
                _ => {}
            }
        }
        Ok((settings, larger))
    }

    /// Returns once the server has closed the connection; what it says until then is not answered. `None` when it does not
    /// close it in time.
    pub async fn closed(&mut self, patience: Duration) -> Option<()> {
        let mut buffer = [0; 4_096];
        timeout(patience, async {
            while matches!(self.socket.read(&mut buffer).await, Ok(n) if n > 0) {}
        })
        .await
        .ok()
    }
}

/// Returns a message of a call as a DATA frame.
pub fn message(bytes: &[u8]) -> Vec<u8> {
    let mut body = vec![0];
    body.extend((bytes.len() as u32).to_be_bytes());
    body.extend(bytes);
    frame(DATA, 0, STREAM, &body)
}

/// The head of the call, every field written out (RFC 7541, 6.2.2; names by their place in the static table).
fn headers(authority: &str) -> Vec<u8> {
    // `:method: POST`, `:scheme: http` by their places.
    let mut block = vec![0x83, 0x86];
    let mut field = |name: &[u8], value: &str| {
        block.extend(name);
        block.push(value.len() as u8);
        block.extend(value.as_bytes());
    };
    field(&[0x04], "/coldbrake.v1.TelemetryService/StreamSamples");
    field(&[0x01], authority);
    field(&[0x0f, 0x10], "application/grpc");
    field(&[0x00, 2, b't', b'e'], "trailers");
    frame(HEADERS, END_HEADERS, STREAM, &block)
}

fn frame(kind: u8, flags: u8, stream: u32, payload: &[u8]) -> Vec<u8> {
    let mut frame = (payload.len() as u32).to_be_bytes()[1..].to_vec();
    frame.extend([kind, flags]);
    frame.extend(stream.to_be_bytes());
    frame.extend(payload);
    frame
}
