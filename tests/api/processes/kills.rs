//! Servers that are killed, and one that has no log.

use super::*;

#[sqlx::test]
async fn without_a_log_nothing_is_served_and_it_is_opened_by_a_command(pool: PgPool) {
    let machine = Machine::new(pool).await;
    let again = machine.command(&["log", "init"]).output().unwrap();
    assert!(!again.status.success() && said(&again).contains("there is a log already"), "{}", said(&again));
    sqlx::raw_sql(
        "SET session_replication_role = replica; DELETE FROM log_leaves; DELETE FROM log_tiles;
         DELETE FROM log_published; DELETE FROM logs; SET session_replication_role = origin",
    )
    .execute(&machine.town.admin)
    .await
    .unwrap();
    let refused = machine.command(&["serve", "--listen", "127.0.0.1:0"]).output().unwrap();
    assert!(!refused.status.success() && said(&refused).contains("wardbook log init"), "{}", said(&refused));
    std::fs::remove_file(machine.file("checkpoints")).unwrap();
    let opened = machine.command(&["log", "init"]).output().unwrap();
    assert!(opened.status.success(), "{}", said(&opened));
    let policy = machine.command(&["log", "policy"]).output().unwrap();
    assert_eq!(said(&policy), std::fs::read_to_string(machine.file("policy")).unwrap());
    // A key may stand in the environment itself, and is not told by the help.
    let mut command = machine.command(&["log", "policy"]);
    let policy = command.env("WARDBOOK_LOG_KEYS", key_pem()).output().unwrap();
    assert_eq!(said(&policy), std::fs::read_to_string(machine.file("policy")).unwrap());
    let mut command = machine.command(&["serve", "--help"]);
    let help = command.env("WARDBOOK_LOG_KEYS", key_pem()).output().unwrap();
    assert!(
        said(&help).contains("WARDBOOK_LOG_KEYS") && !said(&help).contains("BEGIN PRIVATE"),
        "{}",
        said(&help)
    );
    machine.serve();
}

/// Again and again the process that sequences at this moment is killed, and another is started.
#[sqlx::test]
async fn servers_that_are_killed_lose_nothing_and_write_nothing_twice(pool: PgPool) {
    let machine = Machine::new(pool).await;
    let mut servers: Vec<Server> = (0..3).map(|_| machine.serve()).collect();
    let addresses = std::sync::Arc::new(std::sync::Mutex::new(
        servers.iter().map(|server| server.address.clone()).collect::<Vec<_>>(),
    ));
    let stop = std::sync::Arc::new(AtomicBool::new(false));
    let writers: Vec<_> = (0..6)
        .map(|writer| {
            let (addresses, stop) = (addresses.clone(), stop.clone());
            let token = machine.town.supplier.token.clone();
            std::thread::spawn(move || {
                let agent = agent();
                let mut answered = 0_u32;
                for number in 0_usize.. {
                    if stop.load(Ordering::SeqCst) {
                        break;
                    }
                    let address = addresses.lock().unwrap()[(number + writer) % 3].clone();
                    let key = format!("kill-{writer}-{number}");
                    answered += u32::from(append(&agent, &address, &token, &key));
                }
                answered
            })
        })
        .collect();
    let mut caught = 0;
    for round in 0..12 {
        tokio::time::sleep(Duration::from_millis(250)).await;
        let found = sequencing(&machine, &servers).await;
        caught += u32::from(found.is_some());
        let victim = found.unwrap_or(round % 3);
        // SIGKILL: nothing of the process is left to tidy up.
        servers[victim].process.kill().unwrap();
        servers[victim].process.wait().unwrap();
        servers[victim] = machine.serve();
        addresses.lock().unwrap()[victim] = servers[victim].address.clone();
        // Appends that roll back: their places in the queue are gaps.
        let mut tx = machine.town.admin.begin().await.unwrap();
        let insert = "INSERT INTO log_entries SELECT gen_random_uuid(), 'change', '\\x7b7d', now()";
        sqlx::query(insert).execute(&mut *tx).await.unwrap();
        tx.rollback().await.unwrap();
    }
    stop.store(true, Ordering::SeqCst);
    let answered: u32 = writers.into_iter().map(|writer| writer.join().unwrap()).sum();
    assert!(answered > 100, "only {answered} were answered");
    assert!(caught > 0, "no process was killed while it held the lock");
    published(&machine).await;

    // What was answered is there, and each row has its entry and its index.
    let people: i64 = sqlx::query_scalar("SELECT count(*) FROM people WHERE name = 'Somebody'")
        .fetch_one(&machine.town.admin)
        .await
        .unwrap();
    assert!(people >= i64::from(answered), "{answered} answered, {people} there");
    let audited = machine.audit(&servers[0], "mirror", &["--all"]).await;
    assert_eq!(audited.status.code(), Some(0), "{}", said(&audited));
    let entries: Vec<uuid::Uuid> =
        sqlx::query_scalar("SELECT entry_id FROM log_leaves").fetch_all(&machine.town.admin).await.unwrap();
    for entry in entries {
        let receipt = machine.town.supplier.get(format!("/v1/log-entries/{entry}/receipt")).await;
        let receipt: wardbook::domain::log::receipt::Receipt = receipt.text.parse().unwrap();
        receipt.verify(&machine.town.policy()).unwrap();
    }
    every_two_are_consistent(&machine).await;
    drop(servers);
    machine.town.close().await;
}

/// Which server's connection holds the sequencer's lock at this moment.
async fn sequencing(machine: &Machine, servers: &[Server]) -> Option<usize> {
    for _ in 0..200 {
        let name: Option<String> = sqlx::query_scalar(
            "SELECT a.application_name FROM pg_locks l JOIN pg_stat_activity a ON a.pid = l.pid
             WHERE l.locktype = 'advisory' AND l.granted AND a.datname = current_database()
             AND a.application_name LIKE 'server-%' LIMIT 1",
        )
        .fetch_optional(&machine.town.admin)
        .await
        .unwrap();
        if let Some(found) = name.and_then(|name| servers.iter().position(|server| server.name == name)) {
            return Some(found);
        }
    }
    None
}

/// Every checkpoint that was ever archived leads to the newest one.
async fn every_two_are_consistent(machine: &Machine) {
    let archive = std::fs::read_to_string(machine.file("checkpoints")).unwrap();
    let seen: Vec<_> = archive
        .split_terminator(".\n")
        .map(|note| machine.town.policy().verify(note).unwrap().checkpoint)
        .filter(|checkpoint| checkpoint.size > 0)
        .collect();
    assert!(seen.len() > 3);
    let mut db = machine.town.app.pool.acquire().await.unwrap();
    for pair in seen.windows(2) {
        let (old, new) = (&pair[0], &pair[1]);
        assert!(old.size < new.size);
        let proof = wardbook::application::log::reading::consistency(&mut db, 1, old.size, new.size).await;
        wardbook::domain::log::tree::verify_consistency(
            old.size,
            new.size,
            old.root,
            new.root,
            &proof.unwrap(),
        )
        .unwrap();
    }
}

#[sqlx::test]
async fn figures_tell_how_the_log_stands(pool: PgPool) {
    let machine = Machine::new(pool).await;
    machine.town.ask(&machine.town.tenant, json!({})).await.expect(201);
    let port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let address = format!("127.0.0.1:{port}");
    let _server = machine.serve_with(&["--metrics", &address]);
    let size: i64 =
        sqlx::query_scalar("SELECT count(*) FROM log_entries").fetch_one(&machine.town.admin).await.unwrap();
    let text = until("everything is published", async || {
        let mut answer = agent().get(format!("http://{address}/metrics")).call().ok()?;
        assert!(
            answer.headers()["content-type"].to_str().unwrap().starts_with("application/openmetrics-text")
        );
        let text = answer.body_mut().read_to_string().unwrap();
        text.contains(&format!("wardbook_log_published_entries {size}\n")).then_some(text)
    })
    .await;
    for line in [
        "wardbook_log_waiting_entries 0",
        "wardbook_log_oldest_wait_seconds 0.0",
        &format!("wardbook_log_size_entries {size}"),
        "wardbook_log_batch_entries_sum 1.0",
        "wardbook_log_failed_rounds_total 0",
    ] {
        assert!(text.lines().any(|found| found == line), "{line}: {text}");
    }
    machine.town.close().await;
}
