//! A backup that was restored under a running archive.

use crate::harness::{Actor, databases};
use crate::processes::*;

/// A dump of the database, as a backup is made.
fn dump(machine: &Machine) {
    let done = Command::new("pg_dump")
        .args(["--format=custom", "--file"])
        .arg(machine.file("backup"))
        .arg(&machine.database)
        .output()
        .unwrap();
    assert!(done.status.success(), "{}", said(&done));
}

/// The backup, restored into a database of its own.
async fn restored(machine: &Machine) -> (String, PgPool) {
    let options = machine.town.admin.connect_options();
    let name = format!("{}_restored", options.get_database().unwrap());
    let sql = format!("CREATE DATABASE {name}");
    sqlx::query(sqlx::AssertSqlSafe(sql)).execute(&machine.town.admin).await.unwrap();
    let options = (*options).clone().database(&name);
    let url = address(&options);
    let done =
        Command::new("pg_restore").args(["--dbname", &url]).arg(machine.file("backup")).output().unwrap();
    assert!(done.status.success(), "{}", said(&done));
    (url, PgPool::connect_with(options).await.unwrap())
}

#[tokio::test]
async fn an_old_backup_is_noticed_and_mended_from_a_mirror() {
    let mut machine = Machine::new().await;
    dump(&machine);
    for _ in 0..3 {
        machine.town.ask(&machine.town.tenant, json!({})).await.expect(201);
    }
    let server = machine.serve();
    published(&machine).await;
    assert_eq!(machine.audit(&server, "mirror", &[]).await.status.code(), Some(0));
    drop(server);

    // The backup comes back under the running archive.
    let (url, pool) = restored(&machine).await;
    machine.database = url;
    let server = machine.serve();
    server.fails_rounds(2).await;
    let (size, published): (i64, i64) =
        sqlx::query_as("SELECT (SELECT size FROM logs), (SELECT size FROM log_published)")
            .fetch_one(&pool)
            .await
            .unwrap();
    assert_eq!(size, published);
    let found = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(found.status.code(), Some(4), "{}", said(&found));
    assert!(said(&found).contains(&format!("and now has {size}")), "{}", said(&found));
    // Nothing new comes in meanwhile.
    assert!(!append(&agent(), &server.address, &machine.town.supplier.token, "meanwhile"));
    drop(server);

    let recovered = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(recovered.status.success(), "{}", said(&recovered));
    assert!(said(&recovered).contains("3 entries came back"), "{}", said(&recovered));
    assert!(said(&recovered).contains("copy.ask of registration"), "{}", said(&recovered));
    let server = machine.serve();
    assert!(append(&agent(), &server.address, &machine.town.supplier.token, "afterwards"));
    until("the new entry is in the log", async || {
        let waiting: i64 =
            sqlx::query_scalar("SELECT count(*) FROM log_pending").fetch_one(&pool).await.unwrap();
        (waiting == 0).then_some(())
    })
    .await;
    until("and is published", async || {
        (machine.audit(&server, "mirror", &["--all"]).await.status.code() == Some(0)).then_some(())
    })
    .await;
    let entries: (i64, i64) = sqlx::query_as(
        "SELECT (SELECT size FROM logs), (SELECT count(*) FROM log_leaves l JOIN log_entries e ON e.id = l.entry_id)",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    // Three came back, one hold was placed, the recovery itself, and the one after it.
    assert_eq!(entries, (size + 6, size + 6));
    drop(server);
    let again = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(said(&again).contains("nothing to recover"), "{}", said(&again));
    databases::drop(pool).await;
}

#[tokio::test]
async fn without_a_mirror_another_log_says_which_one_it_continues() {
    let mut machine = Machine::new().await;
    dump(&machine);
    let entry = machine.town.ask(&machine.town.tenant, json!({})).await.body["entry_id"].clone();
    while machine.town.sequencer.round().await.unwrap() > 0 {}
    write_key(&machine.file("new.pem"), &crate::harness::pem_of([5; 32]));
    let healthy = machine
        .command(&["log", "recover", "--continue-elsewhere"])
        .env("WARDBOOK_LOG_ORIGIN", "town.example/second")
        .env("WARDBOOK_LOG_KEYS", "new.pem")
        .output()
        .unwrap();
    assert!(!healthy.status.success() && said(&healthy).contains("in order"), "{}", said(&healthy));
    let (url, pool) = restored(&machine).await;
    machine.database = url;
    std::fs::create_dir(machine.file("mirror")).unwrap();
    let without = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(!without.status.success() && said(&without).contains("no checkpoint"), "{}", said(&without));
    let elsewhere = |arguments: &[&str]| {
        let mut command = machine.command(arguments);
        command.env("WARDBOOK_LOG_ORIGIN", "town.example/second").env("WARDBOOK_LOG_KEYS", "new.pem");
        command.output().unwrap()
    };
    let done = elsewhere(&["log", "recover", "--continue-elsewhere"]);
    assert!(done.status.success(), "{}", said(&done));
    let again = elsewhere(&["log", "recover", "--continue-elsewhere"]);
    assert!(!again.status.success(), "{}", said(&again));
    let body: Vec<u8> = sqlx::query_scalar(
        "SELECT e.body FROM log_leaves l JOIN log_entries e ON e.id = l.entry_id WHERE log = 2 AND index = 0",
    )
    .fetch_one(&pool)
    .await
    .unwrap();
    let first: Value = serde_json::from_slice(&body).unwrap();
    assert_eq!(first["what"], "log.continued");
    assert_eq!(first["continues"]["origin"], ORIGIN);
    let (size,): (i64,) =
        sqlx::query_as("SELECT size FROM logs").fetch_one(&machine.town.admin).await.unwrap();
    assert_eq!(first["continues"]["size"], size, "the size that the archive has, beyond the backup's");
    assert!(entry.is_string());
    let keys = application::log::signing::keys("town.example/second", &[crate::harness::pem_of([5; 32])]);
    let archive = application::log::archive::Archive::new(machine.file("checkpoints"));
    let app = application::App { pool: pool.clone(), ..machine.town.app.clone() };
    let second = application::log::sequencer::Sequencer::new(app, keys.unwrap(), archive);
    while second.round().await.unwrap() > 0 {}
    // Auditors read the second log under its own address, and the first one still is where it was.
    let policy = elsewhere(&["log", "policy"]);
    std::fs::write(machine.file("second-policy"), &policy.stdout).unwrap();
    let server = machine.serve_with(&["--log-origin", "town.example/second", "--log-key", "new.pem"]);
    for (policy, log, mirror) in [("second-policy", "2", "second-mirror"), ("policy", "1", "first-mirror")] {
        let audited = machine
            .command(&["log", "audit", &server.address, "--policy", policy, "--log", log, "--mirror", mirror])
            .output()
            .unwrap();
        assert_eq!(audited.status.code(), Some(0), "{}", said(&audited));
    }
    drop(server);
    // The old keys go no further.
    assert!(machine.town.sequencer.round().await.unwrap_err().to_string().contains("another log's"));
    databases::drop(pool).await;
}

/// A restored backup stays open for business for a minute, and permits a person whose right was revoked after it.
#[tokio::test]
async fn a_restored_backup_decides_nothing_from_the_first_instant() {
    let mut machine = Machine::new().await;
    dump(&machine);
    let town = &machine.town;
    let revocation = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.supplier.post(revocation, json!({})).await.expect(200);
    while town.sequencer.round().await.unwrap() > 0 {}
    let (url, pool) = restored(&machine).await;
    machine.database = url;
    let server = machine.serve();
    let town = &machine.town;
    let ask = town.ask_body().to_string();
    let of = |path: &str| format!("{}/v1/registrations/{}/{path}", server.address, town.registration);
    let check = json!({"card_number": town.card.1}).to_string();
    let calls = [
        (of("copy-requests"), &town.tenant, &ask),
        (of("copy-requests/dry-run"), &town.tenant, &ask),
        (format!("{}/v1/counters/{}/card-checks", server.address, town.counter), &town.counter_staff, &check),
    ];
    // Not even the first call is answered.
    for (path, who, body) in calls {
        let answered = agent()
            .post(&path)
            .header("authorization", format!("Bearer {}", who.token))
            .header("idempotency-key", "restored")
            .header("content-type", "application/json")
            .send(body.as_str());
        assert!(matches!(answered, Err(ureq::Error::StatusCode(503))), "{path}: {answered:?}");
    }
    for path in ["/health/ready".to_owned(), format!("/v1/counters/{}/offline-authorisations", town.counter)]
    {
        let answered = agent()
            .get(format!("{}{path}", server.address))
            .header("authorization", format!("Bearer {}", town.counter_staff.token))
            .call();
        assert!(matches!(answered, Err(ureq::Error::StatusCode(503))), "{path}: {answered:?}");
    }
    let decided: i64 = sqlx::query_scalar("SELECT count(*) FROM decisions").fetch_one(&pool).await.unwrap();
    assert_eq!(decided, 0);
    drop(server);
    databases::drop(pool).await;
}

/// What happens after the backup: keys are cut and handed over, one is stolen, a right and a seat end.
async fn busy_hour(town: &Town, request: &str, key: &str, seat: &str) {
    assert_eq!(town.cut(request, 1).await.outcome(), "permitted");
    assert_eq!(town.hand_over(request, 1, json!({})).await.outcome(), "permitted");
    town.tenant.post(format!("/v1/keys/{key}/loss"), json!({"kind": "stolen"})).await.expect(201);
    let revocation = format!("/v1/authorities/{}/revocation", town.authority["tenant"]);
    town.supplier.post(revocation, json!({})).await.expect(200);
    let end = json!({"last_day": "2026-11-02"});
    town.manager.post(format!("/v1/memberships/{seat}/end"), end).await.expect(200);
    while town.sequencer.round().await.unwrap() > 0 {}
}

/// What entries say is there again: the end of a right, of a seat and of a card, a key that was cut, one that is gone.
async fn is_entered_again(pool: &PgPool) {
    for (sql, expected) in [
        ("SELECT class FROM authorities WHERE revoked_at IS NOT NULL", &["keyholder"][..]),
        ("SELECT state FROM cards", &["revoked"]),
        ("SELECT state FROM keys WHERE lever_pack_id IS NULL ORDER BY copy_number", &["stolen", "in_store"]),
        ("SELECT post FROM memberships WHERE ended_at IS NOT NULL", &["staff"]),
        ("SELECT state FROM copy_requests ORDER BY id", &["completed", "completed"]),
        ("SELECT count(*)::text FROM decisions", &["8"]),
    ] {
        let found: Vec<String> = sqlx::query_scalar(sql).fetch_all(pool).await.unwrap();
        assert_eq!(found, expected, "{sql}");
    }
}

/// After the recovery the revocation is in the log and not in the tables, and the same person is permitted for good.
#[tokio::test]
async fn what_a_backup_lost_is_entered_again_or_listed_and_nothing_is_copied_until_somebody_has_looked() {
    let mut machine = Machine::new().await;
    let town = &machine.town;
    let request = town.authorised(json!({})).await;
    let key = town.tenants_key(json!({})).await;
    let staff = town.person("Staff").await;
    let joined = json!({"person_id": staff.id, "post": "staff", "first_day": "2026-01-01"});
    let seat = town.manager.post(format!("/v1/organisations/{}/members", town.agent), joined).await.id();
    while town.sequencer.round().await.unwrap() > 0 {}
    dump(&machine);
    busy_hour(&machine.town, &request, &key, &seat).await;
    let server = machine.serve();
    published(&machine).await;
    assert_eq!(machine.audit(&server, "mirror", &[]).await.status.code(), Some(0));
    drop(server);

    let (url, pool) = restored(&machine).await;
    machine.database = url;
    let recovered = machine.command(&["log", "recover", "--mirror", "mirror"]).output().unwrap();
    assert!(recovered.status.success(), "{}", said(&recovered));
    is_entered_again(&pool).await;
    // What they do not say is listed: who has the key, and the loss.
    let told = said(&recovered);
    assert!(told.contains("with whom it is stands in no entry") && told.contains("key.stolen"), "{told}");
    let checked = machine.command(&["log", "check"]).output().unwrap();
    assert_eq!(checked.status.code(), Some(4), "{}", said(&checked));
    assert!(
        said(&checked).contains("changed: keys") && said(&checked).contains("gone: losses"),
        "{}",
        said(&checked)
    );

    is_on_hold_until_somebody_looked(&machine.town, &pool).await;
    // From now on the register agrees with its log again.
    let checked = machine.command(&["log", "check"]).output().unwrap();
    assert_eq!(checked.status.code(), Some(0), "{}", said(&checked));
    databases::drop(pool).await;
}

/// Nothing is copied there until the register has looked.
async fn is_on_hold_until_somebody_looked(town: &Town, pool: &PgPool) {
    // The command read the clock of this machine.
    let now: time::OffsetDateTime = sqlx::query_scalar("SELECT now()").fetch_one(pool).await.unwrap();
    town.pass(now + time::Duration::DAY - town.clock_now());
    let app = application::App { pool: pool.clone(), ..town.app.clone() };
    let router = web::router(app, web::limits::Limits::default());
    let at = |who: &Actor| Actor { router: router.clone(), ..who.clone() };
    let (tenant, owner, supplier) = (at(&town.tenant), at(&town.owner), at(&town.supplier));
    let requests = format!("/v1/registrations/{}/copy-requests", town.registration);
    tenant.post(&requests, town.ask_body()).await.expect(404);
    let body = json!({"recipient_id": town.owner.id, "differ_id": town.differ, "counter_id": town.counter});
    let asked = owner.post(&requests, body.clone()).await;
    assert_eq!(asked.codes(), ["registration_on_hold"], "{}", asked.text);
    let holds = owner.get(format!("/v1/registrations/{}/holds", town.registration)).await.expect(200);
    let holds = holds["items"].as_array().unwrap().iter().filter(|hold| hold["kind"] == "recovery");
    let ids: Vec<&str> = holds.map(|hold| hold["id"].as_str().unwrap()).collect();
    assert_eq!(ids.len(), 2, "the registration, and the person whose seat ended");
    for hold in ids {
        let path = format!("/v1/holds/{hold}/lift");
        owner.post(&path, json!({})).await.expect(403);
        supplier.post(&path, json!({})).await.expect(200);
    }
    assert_ne!(owner.post(&requests, body).await.codes(), ["registration_on_hold"]);
}
