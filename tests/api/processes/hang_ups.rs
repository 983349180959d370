//! Callers who hang up in the middle of a call.

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::processes::*;

/// How many calls are aborted.
const ABORTED: u64 = 1000;

/// A request as it goes over the wire.
fn request(method: &str, path: &str, token: &str, key: &str, body: &str) -> String {
    format!(
        "{method} {path} HTTP/1.1\r\nhost: register.example\r\nauthorization: Bearer {token}\r\n\
         idempotency-key: {key}\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
}

/// One call of every kind: an act, a change without a key, a sign-in, a decision, a look, a list, a sheet.
fn calls(machine: &Machine, number: u64) -> Vec<String> {
    let town = &machine.town;
    let (registration, differ) = (&town.registration, &town.differ);
    let ask = json!({"differ_id": differ, "quantity": 1, "reason": "extra"}).to_string();
    let authority = json!({"class": "keyholder", "person_id": town.stranger.id, "first_day": "2026-11-02"});
    let wrong = json!({"email": "nobody@town.example", "password": "not the right one"}).to_string();
    let key = |kind: &str| format!("{kind}-{number}");
    let of = |path: &str| format!("/v1/registrations/{registration}/{path}");
    let supplier =
        |method, path: &str, kind, body: &str| request(method, path, &town.supplier.token, &key(kind), body);
    vec![
        supplier("POST", "/v1/people", "person", r#"{"name": "Left"}"#),
        supplier("POST", "/v1/organisations", "organisation", r#"{"kind": "owner", "name": "Left"}"#),
        supplier("POST", &of("authorities"), "authority", &authority.to_string()),
        supplier("POST", &of("holds"), "hold", r#"{"cause": "dispute"}"#),
        request("POST", &of("copy-requests"), &town.tenant.token, &key("ask"), &ask),
        request("POST", &of("copy-requests?dry_run=true"), &town.tenant.token, &key("dry"), &ask),
        request("POST", "/v1/sessions", "none", &key("sign-in"), &wrong),
        supplier("GET", &of("keys"), "keys", ""),
        supplier("GET", "/v1/registrations", "list", ""),
        supplier("GET", "/log/checkpoint", "checkpoint", ""),
    ]
}

#[tokio::test]
async fn callers_who_hang_up_leave_no_transaction_no_lock_and_no_lost_write() {
    let machine = Machine::new().await;
    let server = machine.serve();
    let address = server.address.trim_start_matches("http://").to_owned();
    // Others, who wait for their answers: what they are told is there stays there.
    let stop = Arc::new(AtomicBool::new(false));
    let waiting: Vec<_> = (0..2)
        .map(|writer| {
            let (stop, address) = (stop.clone(), server.address.clone());
            let token = machine.town.supplier.token.clone();
            std::thread::spawn(move || {
                let agent = agent();
                (0..)
                    .take_while(|_| !stop.load(Ordering::SeqCst))
                    .map(|number| append(&agent, &address, &token, &format!("stays-{writer}-{number}")))
                    .filter(|answered| *answered)
                    .count()
            })
        })
        .collect();
    for number in 0..ABORTED / 10 {
        let aborted = calls(&machine, number).into_iter().zip(0..).map(|(call, kind)| {
            let address = address.clone();
            tokio::spawn(async move {
                let mut stream = TcpStream::connect(&address).await.unwrap();
                stream.write_all(call.as_bytes()).await.unwrap();
                // From at once to after the reply, in steps that differ from call to call.
                tokio::time::sleep(Duration::from_micros((number * 97 + kind * 731) % 12_000)).await;
            })
        });
        for aborted in aborted.collect::<Vec<_>>() {
            aborted.await.unwrap();
        }
    }
    stop.store(true, Ordering::SeqCst);
    let answered: usize = waiting.into_iter().map(|writer| writer.join().unwrap()).sum();
    nothing_is_left(&machine, &server, answered).await;
    // What PostgreSQL warns of goes to whoever is connected as well, and from there into the log lines.
    let lines = server.lines.lock().unwrap().clone();
    let warned: Vec<_> = lines.iter().filter(|line| line.to_string().contains("transaction")).collect();
    assert!(warned.is_empty(), "{} warnings, such as {}", warned.len(), warned[0]);
    assert!(lines.iter().any(|line| line["message"] == "request.done"), "lines are read");
    each_is_settled_by_sending_it_again(&machine, &server).await;
    drop(server);
    machine.town.close().await;
}

/// Neither a transaction nor a lock of a server, and what was answered is there.
async fn nothing_is_left(machine: &Machine, server: &Server, answered: usize) {
    let admin = &machine.town.admin;
    until("what was begun has ended", async || {
        let busy: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM pg_stat_activity WHERE application_name = $1 AND state <> 'idle'",
        )
        .bind(&server.name)
        .fetch_one(admin)
        .await
        .unwrap();
        (busy == 0).then_some(())
    })
    .await;
    let kept: i64 = sqlx::query_scalar("SELECT count(*) FROM people WHERE name = 'Somebody'")
        .fetch_one(admin)
        .await
        .unwrap();
    assert_eq!(usize::try_from(kept).unwrap(), answered, "what was answered is there");
    // A round of the log takes some for a moment; one that was left stays.
    until("no lock is left", async || {
        let locks: i64 = sqlx::query_scalar(
            "SELECT count(*) FROM pg_locks JOIN pg_stat_activity USING (pid) WHERE application_name = $1",
        )
        .bind(&server.name)
        .fetch_one(admin)
        .await
        .unwrap();
        (locks == 0).then_some(())
    })
    .await;
}

/// An act that nobody saw the answer of is done once, whether or not it had been done.
async fn each_is_settled_by_sending_it_again(machine: &Machine, server: &Server) {
    let address = server.address.trim_start_matches("http://");
    for number in 0..ABORTED / 10 {
        let mut stream = TcpStream::connect(address).await.unwrap();
        let call = calls(machine, number).swap_remove(0);
        stream.write_all(call.replacen("\r\n", "\r\nconnection: close\r\n", 1).as_bytes()).await.unwrap();
        let mut reply = String::new();
        stream.read_to_string(&mut reply).await.unwrap();
        assert!(reply.starts_with("HTTP/1.1 201"), "{reply}");
    }
    let left: i64 = sqlx::query_scalar("SELECT count(*) FROM people WHERE name = 'Left'")
        .fetch_one(&machine.town.admin)
        .await
        .unwrap();
    assert_eq!(left, i64::try_from(ABORTED / 10).unwrap());
}
