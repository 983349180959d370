//! A register in and out as CSV.

use serde_json::json;

use crate::harness::{Actor, Reply, Town};

const HEADER: &str = "record,registration,section,owner,premises,label,kind,hand,standard,escape_route,room_class,\
differ,level,person,email,class,post,standing,may_order,may_approve,may_pass_on,occupier,differs,most_per_request,most_keys,first_day,last_day,pack,copy_number,state\r\n";

async fn import(who: &Actor, key: &str, text: &str) -> Reply {
    let headers = [("content-type", "text/csv"), ("idempotency-key", key)];
    who.call("POST", "/v1/imports", &headers, text.as_bytes().to_vec()).await
}

/// A line: the named columns filled, the others empty.
fn line(columns: &[(&str, &str)]) -> String {
    let names: Vec<&str> = HEADER.trim_end().split(',').collect();
    let value =
        |name: &str| columns.iter().find(|(column, _)| *column == name).map_or("", |(_, value)| *value);
    for (column, _) in columns {
        assert!(names.contains(column), "{column}");
    }
    let cells: Vec<String> = names
        .iter()
        .map(|name| {
            let value = value(name);
            if value.contains(',') { format!("\"{value}\"") } else { value.to_owned() }
        })
        .collect();
    cells.join(",") + "\r\n"
}

const HOUSE: (&str, &str) = ("registration", "6045-1198-0273-43");

fn house() -> String {
    HEADER.to_owned() + &doors_of_the_house() + &holders_of_the_house() + &keys_of_the_house()
}

fn doors_of_the_house() -> String {
    let at = HOUSE;
    [
        line(&[
            ("record", "registration"),
            at,
            ("section", "MB40"),
            ("owner", "Brunt household"),
            ("premises", "9 Mill Lane, Tolverne"),
        ]),
        line(&[
            ("record", "lock"),
            at,
            ("label", "Back door"),
            ("kind", "mortice_sashlock"),
            ("hand", "right"),
            ("standard", "BS 3621"),
            ("escape_route", "yes"),
            ("room_class", "entrance"),
        ]),
        line(&[
            ("record", "lock"),
            at,
            ("label", "Front door"),
            ("kind", "mortice_deadlock"),
            ("escape_route", "no"),
        ]),
        line(&[("record", "answer"), at, ("label", "Back door"), ("differ", "MB40-31"), ("level", "lock")]),
        line(&[("record", "answer"), at, ("label", "Front door"), ("differ", "MB40-31"), ("level", "lock")]),
    ]
    .concat()
}

fn holders_of_the_house() -> String {
    let at = HOUSE;
    [
        line(&[
            ("record", "holder"),
            at,
            ("person", "Calla Brunt"),
            ("email", "calla@brunt.example"),
            ("class", "owner"),
            ("may_order", "yes"),
            ("may_pass_on", "yes"),
            ("may_approve", "yes"),
            ("occupier", "yes"),
            ("first_day", "2026-01-01"),
        ]),
        line(&[
            ("record", "holder"),
            at,
            ("person", "Wim Brunt"),
            ("email", "wim@brunt.example"),
            ("class", "keyholder"),
            ("standing", "family"),
            ("may_order", "no"),
            ("may_pass_on", "no"),
            ("differs", "MB40-31"),
            ("most_keys", "1"),
            ("may_approve", "no"),
            ("occupier", "no"),
            ("first_day", "2026-01-01"),
            ("last_day", "2027-01-01"),
        ]),
    ]
    .concat()
}

fn keys_of_the_house() -> String {
    let at = HOUSE;
    [
        line(&[
            ("record", "key"),
            at,
            ("differ", "MB40-31"),
            ("pack", "LP-77"),
            ("copy_number", "1"),
            ("state", "with_person"),
            ("person", "Calla Brunt"),
            ("email", "calla@brunt.example"),
        ]),
        line(&[
            ("record", "key"),
            at,
            ("differ", "MB40-31"),
            ("pack", "LP-77"),
            ("copy_number", "2"),
            ("state", "in_store"),
        ]),
        line(&[
            ("record", "key"),
            at,
            ("differ", "MB40-31"),
            ("copy_number", "3"),
            ("state", "lost"),
            ("person", "Wim Brunt"),
            ("email", "wim@brunt.example"),
        ]),
    ]
    .concat()
}

#[tokio::test]
async fn what_comes_in_goes_out_as_the_same_file() {
    let town = Town::open().await;
    let file = house();
    let report = import(&town.supplier, "i1", &file).await.expect(201);
    assert_eq!(report["imported"], true);
    assert!(report["lines"].as_array().unwrap().iter().all(|line| line["outcome"] == "in"));
    let found = town.supplier.get("/v1/registrations?number=6045%201198%200273%2043").await.expect(200);
    let id = found["items"][0]["id"].as_str().unwrap();
    let out = town.supplier.get(format!("/v1/registrations/{id}/register.csv")).await;
    assert_eq!(out.headers["content-type"], "text/csv; charset=utf-8; header=present");
    assert_eq!(out.text, file);
    // The same request again: one effect.
    import(&town.supplier, "i1", &file).await.expect(201);
    assert_eq!(town.count("SELECT count(*) FROM registrations").await, 2);
    town.close().await;
}

fn file_with_wrong_lines() -> String {
    let at = ("registration", "new-1");
    let lines = [
        line(&[
            ("record", "registration"),
            at,
            ("section", "MB40"),
            ("owner", "X"),
            ("premises", "1 Mill Lane"),
        ]),
        line(&[("record", "lock"), at, ("label", "Front door"), ("kind", "door"), ("escape_route", "maybe")]),
        line(&[
            ("record", "lock"),
            at,
            ("label", "Back door"),
            ("kind", "mortice_deadlock"),
            ("escape_route", "no"),
        ]),
        line(&[("record", "answer"), at, ("label", "Cellar"), ("differ", "mb 1"), ("level", "lock")]),
        line(&[("record", "answer"), at, ("label", "Back door"), ("differ", "A-1"), ("level", "lock")]),
        line(&[("record", "holder"), at, ("person", ""), ("class", "king"), ("first_day", "2026-02-30")]),
        line(&[("record", "key"), ("registration", "nowhere"), ("copy_number", "0"), ("state", "lost")]),
        line(&[("record", "spoon"), at]),
        "too,few\r\n".to_owned(),
    ];
    HEADER.to_owned() + &lines.concat()
}

#[tokio::test]
async fn one_wrong_line_keeps_everything_out_and_the_report_says_why() {
    let town = Town::open().await;
    let before = town.count("SELECT count(*) FROM log_entries").await;
    let report = import(&town.supplier, "i1", &file_with_wrong_lines()).await.expect(200);
    assert_eq!(report["imported"], false);
    let told: Vec<(u64, String, Vec<String>)> = report["lines"]
        .as_array()
        .unwrap()
        .iter()
        .map(|line| {
            let columns = line["problems"].as_array().unwrap().iter();
            (
                line["line"].as_u64().unwrap(),
                line["outcome"].as_str().unwrap().to_owned(),
                columns.map(|problem| problem["column"].as_str().unwrap().to_owned()).collect(),
            )
        })
        .collect();
    let wrong = |line, columns: &[&str]| {
        (line, "wrong".to_owned(), columns.iter().map(|c| (*c).to_owned()).collect())
    };
    assert_eq!(
        told,
        [
            (2, "held_back".to_owned(), vec![]),
            wrong(3, &["kind", "escape_route"]),
            (4, "held_back".to_owned(), vec![]),
            wrong(5, &["differ", "label"]),
            // A-1 is given out in this section, on another registration.
            wrong(6, &[""]),
            wrong(7, &["class", "first_day", "person"]),
            wrong(8, &["registration"]),
            wrong(9, &["record"]),
            wrong(10, &[""]),
        ]
    );
    assert_eq!(town.count("SELECT count(*) FROM log_entries").await, before);
    assert_eq!(town.count("SELECT count(*) FROM registrations").await, 1);
    // The mended file may use the same key: nothing had happened.
    import(&town.supplier, "i1", &house()).await.expect(201);
    town.close().await;
}

#[tokio::test]
async fn what_is_not_such_a_file_is_refused() {
    let town = Town::open().await;
    import(&town.supplier, "a", "a,b\r\n1,2\r\n").await.expect(422);
    import(&town.owner, "b", &house()).await.expect(403);
    let headers = [("content-type", "application/json"), ("idempotency-key", "c")];
    town.supplier.call("POST", "/v1/imports", &headers, house().into_bytes()).await.expect(415);
    let headers = [("content-type", "text/csv"), ("idempotency-key", "d")];
    town.supplier.call("POST", "/v1/imports", &headers, vec![b'x'; 5_000_000]).await.expect(413);
    let mut bytes = house().into_bytes();
    bytes.extend(b"lock,\xff\xfe\r\n");
    let report = town.supplier.call("POST", "/v1/imports", &headers, bytes).await.expect(200);
    assert_eq!(report["imported"], false);
    town.close().await;
}

/// A cell that a spreadsheet would take for a formula comes out harmless, and in as it was.
#[tokio::test]
async fn a_file_is_safe_to_open_in_a_spreadsheet() {
    let town = Town::open().await;
    let lock = format!("/v1/locks/{}", town.locks[0]);
    let version = town.supplier.get(&lock).await.expect(200)["version"].as_i64().unwrap();
    let label = "=HYPERLINK(\"https://elsewhere.example\";\"Front door\")";
    let body =
        json!({"label": label, "kind": "mortice_deadlock", "escape_route": false, "room_class": "entrance"});
    town.supplier.change("PUT", &lock, version, body).await.expect(200);
    let file = town.owner.get(format!("/v1/registrations/{}/register.csv", town.registration)).await.text;
    assert!(file.contains("\"'=HYPERLINK("), "{file}");
    for begins in ['=', '+', '-', '@'] {
        assert!(
            ![format!(",{begins}"), format!(",\"{begins}")].iter().any(|cell| file.contains(cell)),
            "{file}"
        );
    }
    town.close().await;
}
