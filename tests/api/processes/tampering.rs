//! What whoever owns the database, the archive and the keys can do to the log and the register, and who notices:
//! docs/tampering.md is made of what happens here.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use evidence_log::checkpoint::Checkpoint;
use evidence_log::hash::Hash;
use evidence_log::note::{KeyKind, Note};
use evidence_log::tile::Frontier;
use uuid::Uuid;

use crate::harness::databases;
use crate::processes::*;

/// How something is done.
enum By {
    /// In the database, past its triggers.
    Sql(&'static str),
    /// In the archive: its records, to be written again.
    Archive(fn(Vec<String>) -> String),
    /// With the signing keys: an entry is another one, and everything above it and the head with it.
    Keys,
}
use By::{Archive, Keys, Sql};

/// What is done. The log has 300 entries and some, so that there is a full tile; one more waits for its index.
const TAMPERINGS: [(&str, By); 33] = [
    ("an entry of a full tile changed", Sql("UPDATE log_entries SET body = set_byte(body, 30, get_byte(body, 30) # 1)
        WHERE id = (SELECT entry_id FROM log_leaves WHERE index = 17)")),
    ("an entry of the newest tile changed", Sql("UPDATE log_entries SET body = set_byte(body, 30, get_byte(body, 30) # 1)
        WHERE id = (SELECT entry_id FROM log_leaves WHERE index = 280)")),
    ("two entries exchanged", Sql("UPDATE log_entries a SET body = b.body FROM log_entries b, log_leaves la, log_leaves lb
        WHERE la.entry_id = a.id AND lb.entry_id = b.id AND la.index IN (17, 18) AND lb.index = 35 - la.index")),
    ("an entry taken out of a full tile", Sql("DELETE FROM log_leaves WHERE index = 17")),
    ("an entry taken out of the newest tile", Sql("DELETE FROM log_leaves WHERE index = 280")),
    ("an entry put behind the head", Sql("WITH e AS (INSERT INTO log_entries VALUES
        ('00000000-0000-7000-8000-000000000001', 'change', NULL, '{}', now()) RETURNING id)
        INSERT INTO log_leaves SELECT 1, size, e.id FROM logs, e")),
    ("an entry and its hash changed", Sql("WITH e AS (UPDATE log_entries
        SET body = set_byte(body, 30, get_byte(body, 30) # 1)
        WHERE id = (SELECT entry_id FROM log_leaves WHERE index = 17) RETURNING body)
        UPDATE log_tiles SET hashes = overlay(hashes placing sha256('\\x00'::bytea || e.body) FROM 17 * 32 + 1) FROM e
        WHERE level = 0 AND index = 0")),
    ("an entry changed, and everything above it signed again", Keys),
    ("a hash of a full tile changed", Sql("UPDATE log_tiles SET hashes = set_byte(hashes, 100, get_byte(hashes, 100) # 1)
        WHERE level = 0 AND index = 0")),
    ("a hash of the newest tile changed", Sql("UPDATE log_tiles
        SET hashes = set_byte(hashes, 100, get_byte(hashes, 100) # 1) WHERE level = 0 AND index = 1")),
    ("a hash of level 1 changed", Sql("UPDATE log_tiles SET hashes = set_byte(hashes, 5, get_byte(hashes, 5) # 1)
        WHERE level = 1")),
    ("a full tile taken out", Sql("DELETE FROM log_tiles WHERE level = 0 AND index = 0")),
    ("the tile of level 1 taken out", Sql("DELETE FROM log_tiles WHERE level = 1")),
    ("the newest tile cut short", Sql("UPDATE log_tiles SET hashes = substring(hashes FROM 1 FOR 320)
        WHERE level = 0 AND index = 1")),
    ("the signature of the published head changed", Sql("UPDATE log_published SET note = overlay(note placing
        CASE substring(note FROM length(note) - 20 FOR 1) WHEN 'A' THEN 'B' ELSE 'A' END FROM length(note) - 20 FOR 1)")),
    ("the published head taken out", Sql("DELETE FROM log_published")),
    ("more published than is signed", Sql("UPDATE log_published SET size = size + 5")),
    ("the signature of the head changed", Sql("UPDATE logs SET note = overlay(note placing
        CASE substring(note FROM length(note) - 20 FOR 1) WHEN 'A' THEN 'B' ELSE 'A' END FROM length(note) - 20 FOR 1)")),
    ("the root of the head changed", Sql("UPDATE logs SET root = set_byte(root, 5, get_byte(root, 5) # 1)")),
    ("the log set back by an hour, with its head", Sql("WITH gone AS (DELETE FROM log_leaves WHERE index >= 1 RETURNING 1),
        t AS (DELETE FROM log_tiles WHERE (level, index) <> (0, 0) RETURNING 1),
        s AS (UPDATE log_tiles SET hashes = substring(hashes FROM 1 FOR 32) WHERE (level, index) = (0, 0) RETURNING 1),
        p AS (UPDATE log_published SET size = 0 RETURNING 1)
        UPDATE logs SET size = 1, root = sha256('\\x00'::bytea || body)
        FROM log_leaves JOIN log_entries ON id = entry_id WHERE index = 0")),
    ("a record of the archive changed", Archive(|mut records| {
        records[1] = records[1].replace("town.example", "down.example");
        records.concat()
    })),
    ("the newest record of the archive changed", Archive(|mut records| {
        let newest = records.pop().unwrap();
        let size: u64 = newest.lines().nth(1).unwrap().parse().unwrap();
        records.push(newest.replacen(&format!("\n{size}\n"), &format!("\n{}\n", size - 1), 1));
        records.concat()
    })),
    ("records cut off the archive", Archive(|records| records[..records.len() - 2].concat())),
    ("half a record at the end of the archive", Archive(|records| records.concat() + "town.example/register\n99")),
    ("a waiting entry taken out of the queue", Sql("DELETE FROM log_pending")),
    ("a waiting entry changed", Sql("UPDATE log_entries SET body = convert_to(replace(convert_from(body, 'UTF8'),
        'needs_approval', 'refused'), 'UTF8') WHERE id = (SELECT entry_id FROM log_pending)")),
    ("a decision changed", Sql("UPDATE decisions SET outcome = 'refused' WHERE step = 'approve'")),
    ("a decision taken out", Sql("DELETE FROM decisions WHERE step = 'hand_over'")),
    ("a key's state changed", Sql("UPDATE keys SET state = 'destroyed' WHERE state = 'with_person'")),
    ("a key added", Sql("INSERT INTO keys SELECT gen_random_uuid(), registration_id, differ_id, 99, cut_id, lever_pack_id,
        state, holder_id, due_back_on, overdue_since, version, changed_at FROM keys LIMIT 1")),
    ("a right made wider", Sql("UPDATE authorities SET may_approve = true WHERE class = 'keyholder'")),
    ("what shows a field taken out", Sql("DELETE FROM disclosures WHERE name = 'collector'")),
    ("what shows a field taken out, and called an erasure", Sql("WITH gone AS (DELETE FROM disclosures
        WHERE name = 'collector' RETURNING entry_id, disclosure)
        INSERT INTO erased_disclosures SELECT entry_id, translate(rtrim(encode(sha256(convert_to(disclosure, 'UTF8')),
        'base64'), '='), '+/', '-_') FROM gone")),
];

/// Somebody with the keys makes another log of the same size: entry 17 is another one.
async fn sign_again(pool: &PgPool) {
    let mut bodies: Vec<(Uuid, Vec<u8>)> =
        sqlx::query_as("SELECT id, body FROM log_leaves JOIN log_entries ON id = entry_id ORDER BY index")
            .fetch_all(pool)
            .await
            .unwrap();
    bodies[17].1[30] ^= 1;
    let mut frontier = Frontier::default();
    let tiles = frontier.extend(bodies.iter().map(|(_, body)| Hash::leaf(body)));
    let keys = [application::log::signing::signer(ORIGIN, KeyKind::Text, &key_pem()).unwrap()];
    let head = Checkpoint { origin: ORIGIN.to_owned(), size: frontier.size(), root: frontier.root() };
    let note = Note::sign(head.to_string(), &keys, 0).to_string();
    let mut tx = storage::begin(pool).await.unwrap();
    for sql in ["SET LOCAL session_replication_role = replica", "DELETE FROM log_tiles"] {
        sqlx::query(sql).execute(&mut *tx).await.unwrap();
    }
    storage::log::write_tiles(&mut tx, 1, &tiles).await.unwrap();
    sqlx::query("UPDATE log_entries SET body = $1 WHERE id = $2")
        .bind(&bodies[17].1)
        .bind(bodies[17].0)
        .execute(&mut *tx)
        .await
        .unwrap();
    for sql in
        ["UPDATE logs SET root = $1, note = $2", "UPDATE log_published SET note = $2 WHERE $1 IS NOT NULL"]
    {
        sqlx::query(sql).bind(&head.root.0[..]).bind(&note).execute(&mut *tx).await.unwrap();
    }
    tx.commit().await.unwrap();
}

/// A log of more than a tile, a mirror of it, and an entry that waits.
async fn prepared() -> (Machine, String) {
    let machine = Machine::new().await;
    let town = &machine.town;
    town.tenants_key(json!({})).await;
    for _ in 0..280 {
        town.supplier.post("/v1/people", json!({"name": "Somebody"})).await.expect(201);
    }
    while town.sequencer.round().await.unwrap() > 0 {}
    let server = machine.serve();
    assert_eq!(machine.audit(&server, "mirror", &[]).await.status.code(), Some(0));
    drop(server);
    town.ask(&town.tenant, json!({})).await.expect(201);
    let name = town.admin.connect_options().get_database().unwrap().to_owned();
    town.app.pool.close().await;
    town.admin.close().await;
    (machine, name)
}

/// Without ids, and without sizes, which depend on how many entries there happen to be.
fn words(text: &str) -> String {
    let first = text.lines().next().unwrap_or_default().trim_start_matches("wardbook: ");
    let mut kept: Vec<String> = vec![];
    for word in first.split(' ') {
        let bare = word.trim_end_matches([',', ':', ')']);
        let after = |words: &[&str]| kept.last().is_some_and(|before| words.contains(&before.as_str()));
        let number = bare.parse::<u64>().ok();
        let is_size = number.is_some() && after(&["size", "database", "and"]);
        let is_end = number.is_some_and(|number| number > 300) && after(&["index"]);
        let word = match word.split_once(".p/") {
            Some((tile, rest)) => {
                format!("{tile}.p/n{}", rest.trim_start_matches(|c: char| c.is_ascii_digit()))
            }
            None if bare.parse::<Uuid>().is_ok() => "…".to_owned(),
            None if is_size || is_end => word.replace(bare, "n"),
            None => word.to_owned(),
        };
        kept.push(word);
    }
    kept.join(" ").replace(", registration …", "").replace(" registration …", "").replace(" entry …", "")
}

/// What one command says, as a cell.
fn cell(output: &Output) -> String {
    let status = output.status.code().unwrap();
    if status == 0 { "0".to_owned() } else { format!("{status}: {}", words(&said(output))) }
}

/// Where the register differs, without its ids.
fn differences(output: &Output) -> String {
    let text = said(output);
    let lines = text
        .lines()
        .filter(|line| ["changed:", "gone:", "unknown:"].iter().any(|kind| line.starts_with(kind)));
    let found: BTreeSet<String> = lines.map(words).collect();
    let status = output.status.code().unwrap();
    if found.is_empty() {
        status.to_string()
    } else {
        format!("{status}: {}", found.into_iter().collect::<Vec<_>>().join("; "))
    }
}

/// Whether the service signs the entry that waits; else why not.
async fn signs_on(server: &mut Server, pool: &PgPool, what: &str) -> String {
    let before: i64 =
        sqlx::query_scalar("SELECT coalesce(max(size), 0) FROM logs").fetch_one(pool).await.unwrap();
    let process = std::cell::RefCell::new(&mut server.process);
    let lines = &server.lines;
    until(&format!("it signs, or says why not: {what}"), async || {
        if process.borrow_mut().try_wait().unwrap().is_some() {
            return Some("no: the service does not start".to_owned());
        }
        let refused = lines.lock().unwrap().iter().find_map(|line| {
            (line["message"] == "log.not_signed").then(|| line["error"].as_str().unwrap().to_owned())
        });
        if let Some(refused) = refused {
            return Some(format!(
                "no: {}",
                words(
                    refused
                        .split(". Was a backup")
                        .next()
                        .unwrap_or_default()
                        .split(" at line")
                        .next()
                        .unwrap_or_default()
                )
            ));
        }
        let (waits, size): (i64, i64) =
            sqlx::query_as("SELECT (SELECT count(*) FROM log_pending), (SELECT size FROM logs)")
                .fetch_one(pool)
                .await
                .unwrap();
        let served: Option<i64> =
            sqlx::query_scalar("SELECT size FROM log_published").fetch_optional(pool).await.unwrap();
        (waits == 0 && size >= before && served.is_some_and(|served| served >= size))
            .then(|| "yes".to_owned())
    })
    .await
}

/// Nobody compares register and log; what was taken out is "not reachable"; one changed entry is called a fork.
#[tokio::test]
async fn thirty_three_tamperings_are_noticed_and_named_as_the_table_says() {
    let (mut machine, database) = prepared().await;
    let archive = std::fs::read_to_string(machine.file("checkpoints")).unwrap();
    let mut table = String::new();
    for (number, (what, by)) in TAMPERINGS.iter().enumerate() {
        let pool = databases::connect(&databases::copy_of(&database).await).await;
        machine.database = address(&pool.connect_options());
        std::fs::write(machine.file("checkpoints"), &archive).unwrap();
        match by {
            Sql(sql) => {
                let mut tx = storage::begin(&pool).await.unwrap();
                sqlx::query("SET LOCAL session_replication_role = replica").execute(&mut *tx).await.unwrap();
                let done = sqlx::query(*sql).execute(&mut *tx).await.unwrap();
                assert!(done.rows_affected() > 0, "{what}");
                tx.commit().await.unwrap();
            }
            Archive(change) => {
                let records = archive.split_inclusive("\n.\n").map(ToOwned::to_owned).collect();
                std::fs::write(machine.file("checkpoints"), change(records)).unwrap();
            }
            Keys => sign_again(&pool).await,
        }
        let compared = machine.command(&["log", "check"]).output().unwrap();
        let records = machine.command(&["log", "archive"]).output().unwrap();
        let mut server = machine.serve();
        let signs = signs_on(&mut server, &pool, what).await;
        for mirror in ["known", "whole"] {
            let copied =
                Command::new("cp").arg("-r").args([machine.file("mirror"), machine.file(mirror)]).status();
            assert!(copied.unwrap().success());
        }
        let new = machine.audit(&server, "known", &[]).await;
        let all = machine.audit(&server, "whole", &["--all"]).await;
        let first = machine.audit(&server, "nobody", &[]).await;
        drop(server);
        for mirror in ["known", "whole", "nobody"] {
            let _ = std::fs::remove_dir_all(machine.file(mirror));
        }
        let records =
            if records.status.success() { "0".to_owned() } else { format!("1: {}", words(&said(&records))) };
        let cells = [differences(&compared), records, signs, cell(&new), cell(&all), cell(&first)];
        writeln!(table, "| {} | {what} | {} |", number + 1, cells.join(" | ")).unwrap();
        databases::drop(pool).await;
    }
    databases::drop(databases::connect(&database).await).await;
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/tampering.md");
    let page = std::fs::read_to_string(file).unwrap();
    let begin = page.find("| 1 |").unwrap_or(page.len());
    let made = format!("{}{table}", &page[..begin]);
    if made != page {
        let other = concat!(env!("CARGO_MANIFEST_DIR"), "/target/tampering.md");
        std::fs::write(other, &made).unwrap();
        panic!("docs/tampering.md is not what happens; what happens is in target/tampering.md:\n{table}");
    }
}
