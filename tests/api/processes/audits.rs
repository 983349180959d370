//! The auditor and the verifier of receipts.

use crate::processes::*;

async fn a_receipt_verifies_offline(machine: &Machine, entry: &str) {
    let town = &machine.town;
    let receipt = town.tenant.get(format!("/v1/log-entries/{entry}/receipt")).await;
    std::fs::write(machine.file("receipt"), &receipt.text).unwrap();
    let shown = town.tenant.get(format!("/v1/log-entries/{entry}/disclosures")).await.expect(200);
    let disclosure = shown["items"].as_array().unwrap().iter().find(|item| item["name"] == "asker").unwrap()
        ["disclosure"]
        .as_str()
        .unwrap()
        .to_owned();
    let verify = |disclosure: &str| {
        machine
            .command(&["log", "verify", "receipt", "--policy", "policy", "--disclosure", disclosure])
            .output()
            .unwrap()
    };
    let good = verify(&disclosure);
    assert!(good.status.success(), "{}", said(&good));
    assert!(said(&good).contains(&format!("asker: \"{}\"", town.tenant.id)), "{}", said(&good));
    let wrong = verify(&format!("{disclosure}x"));
    assert!(!wrong.status.success() && said(&wrong).contains("does not commit"), "{}", said(&wrong));
    std::fs::write(machine.file("receipt"), receipt.text.replace("\nindex ", "\nindex 1")).unwrap();
    assert!(!verify(&disclosure).status.success());
}

#[tokio::test]
async fn an_audit_finds_the_log_in_order_and_a_receipt_verifies_offline() {
    let machine = Machine::new().await;
    let town = &machine.town;
    let entry = town.ask(&town.tenant, json!({})).await.body["entry_id"].as_str().unwrap().to_owned();
    let server = machine.serve();
    published(&machine).await;
    let first = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(first.status.code(), Some(0), "{}", said(&first));
    town.ask(&town.tenant, json!({})).await;
    published(&machine).await;
    for more in [&[][..], &["--all"]] {
        let again = machine.audit(&server, "mirror", more).await;
        assert_eq!(again.status.code(), Some(0), "{}", said(&again));
    }

    a_receipt_verifies_offline(&machine, &entry).await;

    // A service that allows few calls is waited for.
    let slow = machine.serve_with(&["--calls-per-second", "1"]);
    for mirror in ["slow-1", "slow-2"] {
        let patient = machine.audit(&slow, mirror, &[]).await;
        assert_eq!(patient.status.code(), Some(0), "{}", said(&patient));
    }
    drop(slow);

    // A missing quorum accuses nobody; a damaged mirror is not the log's fault.
    let witness = "witness w witness.example/w1+20324abe+BCmsuuFBvMrwsi4alNNNC8c2HlJtC/4SyJeUvJMilm3X";
    let policy = std::fs::read_to_string(machine.file("policy")).unwrap();
    std::fs::write(machine.file("policy"), policy.replace("quorum none", &format!("{witness}\nquorum w")))
        .unwrap();
    let unwitnessed = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(unwitnessed.status.code(), Some(3), "{}", said(&unwitnessed));
    std::fs::write(machine.file("policy"), policy).unwrap();
    let folder = machine.file("mirror/tile/entries");
    let kept =
        std::fs::read_dir(folder.join("000.p")).unwrap().map(|entry| entry.unwrap().path()).max().unwrap();
    let mut bytes = std::fs::read(&kept).unwrap();
    bytes[40] ^= 1;
    std::fs::write(&kept, bytes).unwrap();
    let damaged = machine.audit(&server, "mirror", &["--all"]).await;
    assert_eq!(damaged.status.code(), Some(1), "{}", said(&damaged));
    assert!(said(&damaged).contains("the mirror is damaged"), "{}", said(&damaged));
    std::fs::remove_file(&kept).unwrap();
    assert_eq!(machine.audit(&server, "mirror", &["--all"]).await.status.code(), Some(0));

    drop(server);
    let gone = Server::at(Command::new("true").spawn().unwrap(), "http://127.0.0.1:1");
    assert_eq!(machine.audit(&gone, "mirror", &[]).await.status.code(), Some(2));
}

#[tokio::test]
async fn a_flipped_byte_is_found_by_the_auditor_and_named() {
    let machine = Machine::new().await;
    // More than one full tile, so that there is a tile of level 1.
    for _ in 0..300 {
        machine.town.supplier.post("/v1/people", json!({"name": "Somebody"})).await.expect(201);
    }
    while machine.town.sequencer.round().await.unwrap() > 0 {}
    let server = machine.serve();
    let first = machine.audit(&server, "mirror", &[]).await;
    assert_eq!(first.status.code(), Some(0), "{}", said(&first));
    // To somebody who has a mirror, and to somebody who looks for the first time.
    for (flip, mend, known, new) in [
        (
            "UPDATE log_entries SET body = set_byte(body, 30, get_byte(body, 30) # 1)
             WHERE id = (SELECT entry_id FROM log_leaves WHERE index = 17)",
            None,
            "entry 17: it is not what the mirror has",
            "entry 17: its hash is not the one in tile/0/000",
        ),
        (
            "UPDATE log_tiles SET hashes = set_byte(hashes, 100, get_byte(hashes, 100) # 1)
             WHERE level = 0 AND index = 0",
            None,
            "tile/0/000: hash 3 is not that of entry 3",
            "tile/0/000: hash 3 is not that of entry 3",
        ),
        (
            "UPDATE log_tiles SET hashes = set_byte(hashes, 5, get_byte(hashes, 5) # 1) WHERE level = 1",
            None,
            "tile/1/000.p/1: it is not what is made of the tiles below",
            "tile/1/000.p/1: it is not what is made of the tiles below",
        ),
        (
            "UPDATE log_published SET note = overlay(note placing
                 CASE substring(note FROM length(note) - 20 FOR 1) WHEN 'A' THEN 'B' ELSE 'A' END
                 FROM length(note) - 20 FOR 1)",
            Some("UPDATE log_published SET note = (SELECT note FROM logs)"),
            // The service does not serve it.
            "/log/checkpoint: status 404",
            "/log/checkpoint: status 404",
        ),
    ] {
        machine.town.tamper(sqlx::query(flip)).await;
        for (mirror, named) in [("mirror", known), ("new-mirror", new)] {
            let found = machine.audit(&server, mirror, &["--all"]).await;
            assert_eq!(found.status.code(), Some(4), "{named}: {}", said(&found));
            assert!(said(&found).contains(named), "{named}: {}", said(&found));
        }
        let _ = std::fs::remove_dir_all(machine.file("new-mirror"));
        // Flipped back.
        machine.town.tamper(sqlx::query(mend.unwrap_or(flip))).await;
        let good = machine.audit(&server, "mirror", &["--all"]).await;
        assert_eq!(good.status.code(), Some(0), "{}", said(&good));
    }
    machine.town.close().await;
}

#[test]
fn a_file_that_is_no_receipt_is_refused_in_a_sentence() {
    let scratch = crate::harness::Scratch::new();
    let mut file = std::fs::File::create(scratch.0.join("receipt")).unwrap();
    file.write_all(b"nonsense").unwrap();
    let key = "log log.example/register+dd0cadee+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4\nquorum none\n";
    std::fs::write(scratch.0.join("policy"), key).unwrap();
    let output = Command::new(PROGRAM)
        .args(["log", "verify", "receipt", "--policy", "policy"])
        .current_dir(&scratch.0)
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(said(&output), "wardbook: receipt: it has no empty line\n");
}

/// What was taken out of the log answers 500, and the auditor says "not reachable".
#[tokio::test]
async fn what_was_taken_out_of_the_log_is_named_as_missing() {
    let machine = Machine::new().await;
    machine.town.ask(&machine.town.tenant, json!({})).await.expect(201);
    let server = machine.serve();
    published(&machine).await;
    assert_eq!(machine.audit(&server, "whole", &[]).await.status.code(), Some(0));
    let do_it = async |sql: &str| {
        let sql =
            format!("SET session_replication_role = replica; {sql}; SET session_replication_role = origin");
        sqlx::raw_sql(sqlx::AssertSqlSafe(sql)).execute(&machine.town.admin).await.unwrap();
    };
    let cut = "CREATE TABLE kept AS SELECT * FROM log_tiles WHERE level = 0;
               UPDATE log_tiles SET hashes = substring(hashes FROM 33) WHERE level = 0";
    let mended =
        "UPDATE log_tiles SET hashes = kept.hashes FROM kept WHERE log_tiles.level = 0; DROP TABLE kept";
    for (taken, name, put_back) in [
        (cut, "tile/0/000", Some(mended)),
        ("DELETE FROM log_leaves WHERE index = 3", "tile/entries/000", None),
    ] {
        do_it(taken).await;
        for (mirror, all) in [("new-mirror", &[][..]), ("whole", &["--all"])] {
            let found = machine.audit(&server, mirror, all).await;
            assert_eq!(found.status.code(), Some(4), "{}", said(&found));
            let said = said(&found);
            assert!(said.contains("INCONSISTENT") && said.contains(name), "{said}");
        }
        if let Some(put_back) = put_back {
            do_it(put_back).await;
        }
    }
    drop(server);
}
