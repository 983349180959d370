//! The evidence log over the real router and database: receipts, tiles, refusals.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use time::Duration;

use crate::harness::{ORIGIN, Scratch, Town, key_pem};
use application::log::archive::Archive;
use application::log::sequencer::Sequencer;
use application::log::signing;
use domain::disclosures;
use evidence_log::hash::Hash;
use evidence_log::receipt::Receipt;
use evidence_log::tile;
use evidence_log::tree::verify_consistency;

/// Asks for a copy; the entry of the decision.
pub async fn asked(town: &Town) -> String {
    let reply = town.ask(&town.tenant, json!({})).await;
    reply.body["entry_id"].as_str().unwrap_or_else(|| panic!("{}", reply.text)).to_owned()
}

#[tokio::test]
async fn a_decision_has_a_receipt_for_its_parties_and_for_nobody_else() {
    let town = Town::open().await;
    let entry = asked(&town).await;
    let path = format!("/v1/log-entries/{entry}/receipt");
    let waiting = town.tenant.get(format!("{path}?wait=0")).await;
    assert_eq!(waiting.status, 202);
    assert_eq!(waiting.headers["retry-after"], "1");

    // Whoever waits gets it once it is published.
    let sequencer = town.sequencer.clone();
    let (reply, round) = tokio::join!(town.tenant.get(format!("{path}?wait=20")), async move {
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
        sequencer.round().await
    });
    assert!(round.unwrap() > 0);
    assert_eq!(reply.status, 200);
    town.tenant.get(format!("{path}?wait=0")).await.expect(200);
    let receipt: Receipt = reply.text.parse().unwrap();
    let seen = receipt.verify(&town.policy()).unwrap();
    assert_eq!(seen.checkpoint.origin, ORIGIN);
    let body: Value = serde_json::from_slice(&receipt.entry).unwrap();
    assert_eq!(body["what"], "copy.ask");
    assert_eq!(body["outcome"], "needs_approval");
    assert_eq!(body["entry"], entry.as_str());

    // One field is shown by handing over its disclosure, and no other.
    let shown = town.tenant.get(format!("/v1/log-entries/{entry}/disclosures")).await.expect(200);
    let text = std::str::from_utf8(&receipt.entry).unwrap();
    let by = shown["items"].as_array().unwrap().iter().find(|item| item["name"] == "by").unwrap();
    let disclosure = by["disclosure"].as_str().unwrap();
    assert_eq!(
        disclosures::disclosed(text, disclosure),
        Some(("by".to_owned(), Value::String(town.tenant.id.clone())))
    );
    assert_eq!(disclosures::disclosed(text, &disclosure.replace('W', "X")), None);
    assert!(!text.contains(&town.tenant.id));

    for (who, expected) in [(&town.counter_staff, 200), (&town.owner, 200), (&town.stranger, 404)] {
        assert_eq!(who.get(&path).await.status, expected);
    }
    assert_eq!(town.other_counter_staff.get(&path).await.status, 404);
    town.close().await;
}

#[tokio::test]
async fn every_two_checkpoints_are_consistent_and_every_entry_has_its_receipt() {
    let town = Town::open().await;
    let mut checkpoints = vec![];
    for _ in 0..6 {
        asked(&town).await;
        town.pass(Duration::days(1));
        town.sequencer.round().await.unwrap();
        let served = town.anon.get("/log/checkpoint").await;
        assert_eq!(served.headers["content-type"], "text/plain; charset=utf-8");
        checkpoints.push(town.policy().verify(&served.text).unwrap().checkpoint);
    }
    let mut db = town.app.pool.acquire().await.unwrap();
    for (at, new) in checkpoints.iter().enumerate() {
        for old in &checkpoints[..=at] {
            let proof = application::log::reading::consistency(&mut db, 1, old.size, new.size).await;
            verify_consistency(old.size, new.size, old.root, new.root, &proof.unwrap()).unwrap();
        }
    }
    drop(db);
    let entries: Vec<uuid::Uuid> =
        sqlx::query_scalar("SELECT entry_id FROM log_leaves").fetch_all(&town.admin).await.unwrap();
    for entry in &entries {
        let receipt = town.supplier.get(format!("/v1/log-entries/{entry}/receipt")).await;
        receipt.text.parse::<Receipt>().unwrap().verify(&town.policy()).unwrap();
    }
    assert_eq!(entries.len() as u64, checkpoints.last().unwrap().size);
    // The archive has them all, in the order in which they were signed.
    let archive = std::fs::read_to_string(town.scratch.0.join("checkpoints")).unwrap();
    let records: Vec<&str> = archive.split_terminator(".\n").collect();
    assert_eq!(records.len(), 1 + checkpoints.len());
    for (record, checkpoint) in records[1..].iter().zip(&checkpoints) {
        assert_eq!(town.policy().verify(record).unwrap().checkpoint, *checkpoint);
    }
    town.close().await;
}

#[tokio::test]
async fn tiles_are_for_everybody_and_entries_for_auditors() {
    let town = Town::open().await;
    asked(&town).await;
    town.sequencer.round().await.unwrap();
    let size = town.policy().verify(&town.anon.get("/log/checkpoint").await.text).unwrap().checkpoint.size;
    asked(&town).await;
    let served = town.anon.get(format!("/log/tile/0/000.p/{size}")).await;
    assert_eq!(served.status, 200);
    assert_eq!(served.headers["content-type"], "application/octet-stream");
    assert_eq!(served.headers["cache-control"], "public, max-age=31536000, immutable");
    for missing in [
        "0/000",
        &format!("0/000.p/{}", size + 1),
        "1/000.p/1",
        "0/001.p/1",
        "0/0",
        "x/000",
        "64/000",
        "0/../1",
    ] {
        assert_eq!(town.anon.get(format!("/log/tile/{missing}")).await.status, 404, "{missing}");
    }

    let organisation = json!({"kind": "auditor", "name": "Fennick"});
    let auditor = town.supplier.post("/v1/organisations", organisation).await.id();
    let auditor = town.member("Auditor", &auditor).await;
    let bundle = format!("/log/tile/entries/000.p/{size}");
    for (who, expected) in [
        (&town.anon, 401),
        (&town.tenant, 403),
        (&town.counter_staff, 403),
        (&town.owner, 403),
        (&town.supplier, 200),
        (&auditor, 200),
    ] {
        assert_eq!(who.get(&bundle).await.status, expected);
    }
    // Nothing else is an auditor's.
    auditor.post("/v1/people", json!({"name": "Somebody"})).await.expect(403);
    for hidden in
        [format!("/v1/registrations/{}", town.registration), format!("/v1/people/{}", town.tenant.id)]
    {
        assert_eq!(auditor.get(hidden).await.status, 404);
    }
    let bytes = auditor.bytes(&bundle).await;
    let leaves: Vec<u8> =
        tile::unbundle(&bytes).unwrap().into_iter().flat_map(|entry| Hash::leaf(entry).0).collect();
    assert_eq!(leaves, auditor.bytes(&format!("/log/tile/0/000.p/{size}")).await);
    town.close().await;
}

#[tokio::test]
async fn a_round_without_work_locks_and_writes_nothing() {
    let town = Town::open().await;
    asked(&town).await;
    while town.sequencer.round().await.unwrap() > 0 {}
    // Where the row is and who last locked it: a row lock leaves its mark.
    let marks = || {
        let query = "SELECT ctid::text || xmin || xmax FROM logs
                     UNION ALL SELECT ctid::text || xmin || xmax FROM log_published";
        sqlx::query_scalar::<_, String>(query).fetch_all(&town.admin)
    };
    let before = marks().await.unwrap();
    assert_eq!(town.sequencer.round().await.unwrap(), 0);
    assert_eq!(before, marks().await.unwrap());
    asked(&town).await;
    assert!(town.sequencer.round().await.unwrap() > 0);
    assert_ne!(before, marks().await.unwrap());
    town.close().await;
}

#[tokio::test]
async fn an_act_that_wrote_an_entry_wakes_the_sequencer_of_its_process() {
    let town = Town::open().await;
    let log = town.app.log.clone();
    let is_woken = || async { tokio::time::timeout(std::time::Duration::ZERO, log.woken()).await.is_ok() };
    is_woken().await;
    town.owner.get(format!("/v1/registrations/{}", town.registration)).await.expect(200);
    assert!(!is_woken().await);
    let entry = asked(&town).await;
    assert!(is_woken().await);
    // So does somebody who waits for a receipt that is not there yet.
    town.tenant.get(format!("/v1/log-entries/{entry}/receipt?wait=0")).await.expect(202);
    assert!(is_woken().await);
    assert!(!is_woken().await);
    town.close().await;
}

#[tokio::test]
async fn a_log_is_opened_once() {
    let town = Town::open().await;
    let again = town.sequencer.init().await.unwrap_err().to_string();
    assert!(again.contains("there is a log already"), "{again}");
    // With an archive of its own, the database says so.
    let keys = signing::keys("another.example", &[key_pem()]).unwrap();
    let scratch = Scratch::new();
    let archive = scratch.0.join("checkpoints");
    let other = Sequencer::new(town.app.clone(), keys, Archive::new(archive.clone()));
    assert!(other.init().await.unwrap_err().to_string().contains(ORIGIN));
    assert!(!archive.exists());
    town.close().await;
}

/// What the sequencer says, once nothing was signed.
async fn refused(town: &Town) -> String {
    let before = town.anon.get("/log/checkpoint").await.text;
    let said = town.sequencer.round().await.unwrap_err().to_string();
    assert_eq!(town.anon.get("/log/checkpoint").await.text, before);
    said
}

#[tokio::test]
async fn nothing_is_signed_while_archive_and_database_disagree() {
    let town = Town::open().await;
    asked(&town).await;
    town.sequencer.round().await.unwrap();
    let archive = town.scratch.0.join("checkpoints");
    let good = std::fs::read(&archive).unwrap();

    std::fs::remove_file(&archive).unwrap();
    asked(&town).await;
    assert!(refused(&town).await.contains("the archive is missing"));

    std::fs::write(&archive, "nonsense\n.\n").unwrap();
    assert!(refused(&town).await.contains("not a signed checkpoint"));

    // A record that a crash tore off is left out and overwritten.
    std::fs::write(&archive, [&good[..], b"town.example/register\n99"].concat()).unwrap();
    assert!(town.sequencer.round().await.unwrap() > 0);
    let archived = std::fs::read(&archive).unwrap();
    assert!(archived.starts_with(&good) && !String::from_utf8(archived).unwrap().contains("\n99"));

    // The database is set back to what it was: its head is behind what the archive has.
    let (size, root, note): (i64, Vec<u8>, String) =
        sqlx::query_as("SELECT size, root, note FROM logs").fetch_one(&town.admin).await.unwrap();
    asked(&town).await;
    assert!(town.sequencer.round().await.unwrap() > 0);
    let later: (i64, Vec<u8>, String) =
        sqlx::query_as("SELECT size, root, note FROM logs").fetch_one(&town.admin).await.unwrap();
    set_head(&town, size, &root, &note).await;
    asked(&town).await;
    let said = refused(&town).await;
    assert!(said.contains("the database is behind") && said.contains("log recover"), "{said}");
    set_head(&town, later.0, &later.1, &later.2).await;
    assert!(town.sequencer.round().await.unwrap() > 0);
    town.close().await;
}

async fn set_head(town: &Town, size: i64, root: &[u8], note: &str) {
    let set = sqlx::query("UPDATE logs SET size = $1, root = $2, note = $3");
    town.tamper(set.bind(size).bind(root.to_vec()).bind(note.to_owned())).await;
}

#[tokio::test]
async fn a_flipped_byte_in_head_or_tiles_stops_the_signing_and_is_named() {
    let town = Town::open().await;
    asked(&town).await;
    town.sequencer.round().await.unwrap();
    asked(&town).await;
    for (flip, said) in [
        ("UPDATE logs SET root = set_byte(root, 3, get_byte(root, 3) # 1)", "what is signed is not"),
        (
            "UPDATE logs SET note = replace(note, 'town.example/register', 'town.example/registry')",
            "no known key",
        ),
        (
            "UPDATE log_tiles SET hashes = set_byte(hashes, 3, get_byte(hashes, 3) # 1)",
            "is not that of its tiles",
        ),
    ] {
        let (root, note): (Vec<u8>, String) =
            sqlx::query_as("SELECT root, note FROM logs").fetch_one(&town.admin).await.unwrap();
        let (hashes, size): (Vec<u8>, i64) =
            sqlx::query_as("SELECT hashes, (SELECT size FROM logs) FROM log_tiles WHERE level = 0")
                .fetch_one(&town.admin)
                .await
                .unwrap();
        town.tamper(sqlx::query(flip)).await;
        let found = refused(&town).await;
        assert!(found.contains(said), "{flip}: {found}");
        set_head(&town, size, &root, &note).await;
        let mend = sqlx::query("UPDATE log_tiles SET hashes = $1 WHERE level = 0");
        town.tamper(mend.bind(hashes)).await;
    }
    assert!(town.sequencer.round().await.unwrap() > 0);
    town.close().await;
}

#[tokio::test]
async fn new_work_is_refused_while_the_log_does_not_keep_up() {
    let town = Town::open().await;
    town.sequencer.round().await.unwrap();
    let archive = town.scratch.0.join("checkpoints");
    let good = std::fs::read(&archive).unwrap();
    let key = "the-same-request";
    let path = format!("/v1/registrations/{}/copy-requests", town.registration);
    town.tenant.post_keyed(&path, key, town.ask_body()).await.expect(201);
    std::fs::remove_file(&archive).unwrap();
    town.pass(Duration::seconds(61));
    assert!(town.sequencer.round().await.is_err());
    let refused = town.ask(&town.tenant, json!({})).await;
    assert_eq!(refused.status, 503);
    assert_eq!(refused.headers["retry-after"], "5");
    // What was answered before is answered again, and what changes nothing goes on.
    town.tenant.post_keyed(&path, key, town.ask_body()).await.expect(201);
    town.tenant.post(format!("{path}/dry-run"), town.ask_body()).await.expect(200);
    std::fs::write(&archive, good).unwrap();
    town.sequencer.round().await.unwrap();
    town.ask(&town.tenant, json!({})).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn what_the_log_has_is_never_taken_back() {
    let town = Town::open().await;
    asked(&town).await;
    town.sequencer.round().await.unwrap();
    asked(&town).await;
    for (sql, constraint) in [
        ("UPDATE logs SET size = size - 1", "logs_only_grow"),
        ("UPDATE log_published SET size = size - 1", "log_published_only_grows"),
        ("UPDATE log_leaves SET index = index + 1000", "log_leaves_only_grows"),
        ("DELETE FROM log_leaves", "log_leaves_only_grows"),
        ("UPDATE log_tiles SET hashes = substring(hashes FROM 33)", "log_tiles_only_grow"),
        ("UPDATE log_tiles SET hashes = set_byte(hashes, 0, get_byte(hashes, 0) # 1)", "log_tiles_only_grow"),
        ("DELETE FROM log_pending", "log_pending_none_lost"),
    ] {
        let error = sqlx::query(sql).execute(&town.admin).await.unwrap_err();
        let found = error.as_database_error().and_then(|error| error.constraint()).map(str::to_owned);
        assert_eq!(found.as_deref(), Some(constraint), "{sql}: {error}");
    }
    // The service may not do most of it in the first place.
    for sql in [
        "UPDATE log_leaves SET index = 7",
        "DELETE FROM log_leaves",
        "DELETE FROM log_tiles",
        "DELETE FROM logs",
        "UPDATE logs SET closed = true",
        "INSERT INTO log_recovered SELECT id FROM log_entries",
    ] {
        let error = sqlx::query(sql).execute(&town.app.pool).await.unwrap_err();
        assert!(error.to_string().contains("permission denied"), "{sql}: {error}");
    }
    town.close().await;
}

#[tokio::test]
async fn several_sequencers_give_every_entry_one_index() {
    let town = std::sync::Arc::new(Town::open().await);
    let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let sequencers: Vec<_> = (0..3)
        .map(|_| {
            let (town, stop) = (town.clone(), stop.clone());
            tokio::spawn(async move {
                while !stop.load(std::sync::atomic::Ordering::SeqCst) {
                    town.sequencer.round().await.unwrap();
                }
            })
        })
        .collect();
    let writers: Vec<_> = (0..8)
        .map(|writer| {
            let town = town.clone();
            tokio::spawn(async move {
                for number in 0..12_u32 {
                    // Every third transaction is rolled back: its position in the queue is a gap.
                    let entry = uuid::Uuid::from_bytes(town.app.outside.bytes());
                    let mut tx = storage::begin(&town.admin).await.unwrap();
                    sqlx::query("INSERT INTO log_entries VALUES ($1, 'change', NULL, $2, now())")
                        .bind(entry)
                        .bind(format!("{{\"entry\":\"{entry}\",\"commitments\":[]}}").into_bytes())
                        .execute(&mut *tx)
                        .await
                        .unwrap();
                    sqlx::query(
                        "INSERT INTO changes (id, kind, subject_id, by_actor, at, entry_id)
                         SELECT gen_random_uuid(), 'test', $1, (SELECT id FROM actors LIMIT 1), now(), $1",
                    )
                    .bind(entry)
                    .execute(&mut *tx)
                    .await
                    .unwrap();
                    if (number + writer) % 3 == 0 {
                        tx.rollback().await.unwrap();
                    } else {
                        tx.commit().await.unwrap();
                    }
                }
            })
        })
        .collect();
    for writer in writers {
        writer.await.unwrap();
    }
    stop.store(true, std::sync::atomic::Ordering::SeqCst);
    for sequencer in sequencers {
        sequencer.await.unwrap();
    }
    let town = std::sync::Arc::into_inner(town).unwrap();
    town.close_touched().await;
}

#[tokio::test]
async fn a_key_is_rotated_while_both_sign() {
    let town = Town::open().await;
    asked(&town).await;
    town.sequencer.round().await.unwrap();
    let archive = || Archive::new(town.scratch.0.join("checkpoints"));
    let with =
        |pems: &[String]| Sequencer::new(town.app.clone(), signing::keys(ORIGIN, pems).unwrap(), archive());
    let new_pem = super::harness::pem_of([7; 32]);
    // A key alone that nobody knows yet is refused.
    assert!(with(std::slice::from_ref(&new_pem)).round().await.is_err());
    asked(&town).await;
    let both = with(&[new_pem.clone(), key_pem()]);
    both.round().await.unwrap();
    let note = town.anon.get("/log/checkpoint").await.text;
    for key in both.verifiers() {
        evidence_log::policy::Policy::of(key.clone()).verify(&note).unwrap();
    }
    asked(&town).await;
    assert!(with(&[new_pem]).round().await.unwrap() > 0);
    assert!(town.policy().verify(&town.anon.get("/log/checkpoint").await.text).is_err());
}

#[test]
fn the_entry_of_a_receipt_is_the_extra_data_of_the_standard() {
    let receipt = Receipt { entry: b"x".to_vec(), index: 0, proof: vec![], checkpoint: String::new() };
    assert!(receipt.to_string().contains(&format!("\nextra {}\n", STANDARD.encode("x"))));
}

#[tokio::test]
async fn a_process_with_another_key_or_name_never_signs() {
    let town = Town::open().await;
    let other = |origin: &str, seed| {
        let keys = signing::keys(origin, &[super::harness::pem_of(seed)]).unwrap();
        let archive = Archive::new(town.scratch.0.join("checkpoints"));
        std::sync::Arc::new(Sequencer::new(town.app.clone(), keys, archive))
    };
    let wrong = [other(ORIGIN, [7; 32]), other("mistyped.example", [9; 32])];
    for sequencer in &wrong {
        assert!(sequencer.require_log().await.is_err());
    }
    // Beside one that may: whoever gets the lock between two steps of another looks for itself.
    let running: Vec<_> = wrong
        .iter()
        .chain([&town.sequencer, &town.sequencer])
        .map(|sequencer| {
            let sequencer = sequencer.clone();
            tokio::spawn(async move {
                for _ in 0..150 {
                    let _ = sequencer.round().await;
                }
            })
        })
        .collect();
    for number in 0..60 {
        town.supplier.post("/v1/people", json!({"name": format!("Somebody {number}")})).await.expect(201);
    }
    for task in running {
        task.await.unwrap();
    }
    town.close().await;
}
