//! Servers that are killed, and one that has no log.

use crate::processes::*;

#[tokio::test]
async fn without_a_log_nothing_is_served_and_it_is_opened_by_a_command() {
    let machine = Machine::new().await;
    let again = machine.command(&["log", "init"]).output().unwrap();
    assert!(!again.status.success() && said(&again).contains("there is a log already"), "{}", said(&again));
    forget_log(&machine).await;
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
#[tokio::test]
async fn servers_that_are_killed_lose_nothing_and_write_nothing_twice() {
    let machine = Machine::new().await;
    let mut servers: Vec<Server> = (0..3).map(|_| machine.serve()).collect();
    let addresses = std::sync::Arc::new(std::sync::Mutex::new(
        servers.iter().map(|server| server.address.clone()).collect::<Vec<_>>(),
    ));
    let stop = std::sync::Arc::new(AtomicBool::new(false));
    let answered = std::sync::Arc::new(AtomicU32::new(0));
    let writers: Vec<_> = (0..6)
        .map(|writer| {
            let (addresses, stop, answered) = (addresses.clone(), stop.clone(), answered.clone());
            let token = machine.town.supplier.token.clone();
            std::thread::spawn(move || {
                let agent = agent();
                for number in 0_usize.. {
                    if stop.load(Ordering::SeqCst) {
                        break;
                    }
                    let address = addresses.lock().unwrap()[(number + writer) % 3].clone();
                    let key = format!("kill-{writer}-{number}");
                    answered.fetch_add(u32::from(append(&agent, &address, &token, &key)), Ordering::SeqCst);
                }
            })
        })
        .collect();
    for round in 1..=12 {
        until("the servers answer again", async || {
            (answered.load(Ordering::SeqCst) >= round * 10).then_some(())
        })
        .await;
        let victim = until("a server sequences", async || sequencing(&machine, &servers).await).await;
        // SIGKILL: nothing of the process is left to tidy up.
        servers[victim].process.kill().unwrap();
        servers[victim].process.wait().unwrap();
        servers[victim] = machine.serve();
        addresses.lock().unwrap()[victim] = servers[victim].address.clone();
        // Appends that roll back: their places in the queue are gaps.
        let mut tx = storage::begin(&machine.town.admin).await.unwrap();
        let insert = "INSERT INTO log_entries SELECT gen_random_uuid(), 'change', NULL, '\\x7b7d', now()";
        sqlx::query(insert).execute(&mut *tx).await.unwrap();
        tx.rollback().await.unwrap();
    }
    stop.store(true, Ordering::SeqCst);
    writers.into_iter().for_each(|writer| writer.join().unwrap());
    let answered = answered.load(Ordering::SeqCst);
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
        let receipt: evidence_log::receipt::Receipt = receipt.text.parse().unwrap();
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
        let proof = application::log::reading::consistency(&mut db, 1, old.size, new.size).await;
        evidence_log::tree::verify_consistency(old.size, new.size, old.root, new.root, &proof.unwrap())
            .unwrap();
    }
}

#[tokio::test]
async fn figures_tell_how_the_log_stands() {
    let machine = Machine::new().await;
    machine.town.ask(&machine.town.tenant, json!({})).await.expect(201);
    let server = machine.serve();
    let size: i64 =
        sqlx::query_scalar("SELECT count(*) FROM log_entries").fetch_one(&machine.town.admin).await.unwrap();
    let size = f64::from(i32::try_from(size).unwrap());
    until("everything is published", async || {
        (server.figure("wardbook_log_published_entries") >= size).then_some(())
    })
    .await;
    for (name, figure) in [
        ("wardbook_log_waiting_entries", 0.0),
        ("wardbook_log_oldest_wait_seconds", 0.0),
        ("wardbook_log_size_entries", size),
        ("wardbook_log_batch_entries_sum", 1.0),
        ("wardbook_log_failed_rounds_total", 0.0),
    ] {
        assert!((server.figure(name) - figure).abs() < 1e-9, "{name}: {}", server.figure(name));
    }
    machine.town.close().await;
}
