//! Callers who are slow on purpose, and the end of a process that has some.

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};

use crate::processes::*;

/// The beginning of a head that never ends.
const HALF_A_HEAD: &[u8] = b"GET /health/live HTTP/1.1\r\nhost: register.example\r\nx-slow: ";

/// A connection to a server from an address of this machine.
async fn connect(server: &Server, from: &str) -> TcpStream {
    let socket = TcpSocket::new_v4().unwrap();
    socket.bind(format!("{from}:0").parse().unwrap()).unwrap();
    socket.connect(server.address.trim_start_matches("http://").parse().unwrap()).await.unwrap()
}

/// The status of a call from an address; nothing, where it was not answered.
async fn status(server: &Server, from: &str) -> Option<String> {
    let mut stream = connect(server, from).await;
    let head = "GET /health/ready HTTP/1.1\r\nhost: register.example\r\nconnection: close\r\n\r\n";
    stream.write_all(head.as_bytes()).await.ok()?;
    let mut reply = String::new();
    stream.read_to_string(&mut reply).await.ok()?;
    reply.split(' ').nth(1).map(str::to_owned)
}

/// What ends by itself; the deadline only ends a test that would never end.
async fn ends<T>(future: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(120), future).await.expect("it ends by itself")
}

/// Sends a head byte by byte for as long as somebody takes it.
fn drip(mut stream: TcpStream) -> tokio::task::JoinHandle<()> {
    tokio::spawn(async move {
        let _ = stream.write_all(HALF_A_HEAD).await;
        loop {
            tokio::time::sleep(Duration::from_millis(250)).await;
            if stream.write_all(b"x").await.is_err() {
                break;
            }
        }
    })
}

/// 260 heads byte by byte, at 256 descriptors: from one address, then from many.
#[tokio::test]
async fn half_sent_heads_leave_room_for_others_and_end_by_themselves() {
    let machine = Machine::new().await;
    let server = machine.serve_with_descriptors(256);
    let mut slow = Vec::new();
    for _ in 0..260 {
        slow.push(drip(connect(&server, "127.0.0.1").await));
    }
    // One address has only so many: everybody else is answered as if nothing were.
    assert_eq!(status(&server, "127.0.0.2").await.as_deref(), Some("204"));
    for number in 0..180 {
        slow.push(drip(connect(&server, &format!("127.0.1.{}", 1 + number % 90)).await));
    }
    // Many addresses take every place, for as long as a head may take.
    until("somebody is answered", async || {
        status(&server, "127.0.0.2").await.filter(|status| status == "204")
    })
    .await;
    for head in slow {
        ends(head).await.unwrap();
    }
    assert_eq!(status(&server, "127.0.0.1").await.as_deref(), Some("204"));
    machine.town.close().await;
}

#[tokio::test]
async fn a_connection_on_which_nothing_is_said_ends() {
    let machine = Machine::new().await;
    let server = machine.serve();
    let mut stream = connect(&server, "127.0.0.1").await;
    stream.write_all(b"GET /health/live HTTP/1.1\r\nhost: register.example\r\n\r\n").await.unwrap();
    let mut all = Vec::new();
    // Reads to the end: the reply, and that nothing more comes.
    ends(stream.read_to_end(&mut all)).await.unwrap();
    assert!(all.starts_with(b"HTTP/1.1 204"), "{}", String::from_utf8_lossy(&all));
    machine.town.close().await;
}

/// The same for every listener of the program.
#[tokio::test]
async fn figures_have_the_same_limits() {
    let machine = Machine::new().await;
    let server = machine.serve();
    let mut stream = TcpStream::connect(server.figures.trim_start_matches("http://")).await.unwrap();
    stream.write_all(HALF_A_HEAD).await.unwrap();
    let mut all = Vec::new();
    let _ = ends(stream.read_to_end(&mut all)).await;
    machine.town.close().await;
}

/// A head that is half sent, and a body of which every second brings a byte.
#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_is_told_to_end_does_whoever_is_connected() {
    let machine = Machine::new().await;
    let mut server = machine.serve();
    let head = drip(connect(&server, "127.0.0.1").await);
    let mut body = connect(&server, "127.0.0.1").await;
    let begun = "POST /v1/sessions HTTP/1.1\r\nhost: register.example\r\ncontent-type: application/json\r\n\
                 content-length: 1000\r\n\r\n{";
    body.write_all(begun.as_bytes()).await.unwrap();
    let body = drip(body);
    // Both are there before it is told.
    assert_eq!(status(&server, "127.0.0.1").await.as_deref(), Some("204"));
    server.terminate();
    let asked = Instant::now();
    let ended = tokio::task::block_in_place(|| server.process.wait()).unwrap();
    assert!(ended.success(), "{ended}");
    // What was promised to whoever stops it; a service manager kills after 90 seconds.
    assert!(asked.elapsed() < Duration::from_secs(25), "{:?}", asked.elapsed());
    head.await.unwrap();
    body.await.unwrap();
    machine.town.close().await;
}
