//! Keyed alike, masters, who can open what, and the schedule.

use serde_json::{Value, json};

use crate::harness::Town;
use crate::sites;

#[tokio::test]
async fn doors_are_keyed_in_pairs_throughout_and_under_a_master() {
    let town = Town::open().await;
    town.set_geometry(json!({"positions": 5, "heights": 6})).await;
    let registration = format!("/v1/registrations/{}", town.registration);
    let mut doors = vec![];
    for label in ["East 1", "East 2", "West 1", "West 2"] {
        let lock = json!({"label": label, "kind": "mortice_deadlock", "escape_route": false});
        doors.push(town.supplier.post(format!("{registration}/locks"), lock).await.id());
    }
    let groups = json!({"groups": [
        {"lock_ids": [doors[0], doors[1]], "level": "lock"},
        {"lock_ids": [doors[2], doors[3]], "level": "lock"},
        {"lock_ids": doors, "level": "suite"},
    ]});
    let twice = json!({"groups": [{"lock_ids": [doors[0], doors[0]], "level": "lock"}]});
    town.supplier.post(format!("{registration}/keyings"), twice).await.expect(422);
    let keyed = town.supplier.post(format!("{registration}/keyings"), groups).await.expect(201);
    let differ = |at: usize| keyed["groups"][at]["differ"]["id"].as_str().unwrap().to_owned();
    for (at, holder) in [(0, &town.owner), (2, &town.signatory)] {
        let pack = json!({"differ_id": differ(at), "number": format!("G-{at}")});
        let pack = town.supplier.post(format!("{registration}/lever-packs"), pack).await.expect(201);
        for key in pack["keys"].as_array().unwrap() {
            let path = format!("/v1/keys/{}/issue", key["id"].as_str().unwrap());
            town.supplier.post(path, json!({"person_id": holder.id})).await.expect(200);
        }
    }
    let openings = town.owner.get(format!("{registration}/openings")).await.expect(200);
    let lock = |label: &str| {
        openings["locks"].as_array().unwrap().iter().find(|lock| lock["label"] == label).unwrap().clone()
    };
    let names = |lock: &Value| {
        lock["people"]
            .as_array()
            .unwrap()
            .iter()
            .map(|own| own["name"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(names(&lock("East 1")), ["Owner", "Signatory"]);
    assert_eq!(names(&lock("West 2")), ["Signatory"]);
    assert_eq!(lock("East 1")["differ_ids"].as_array().unwrap().len(), 2);
    let opens = |name: &str| {
        let people = openings["people"].as_array().unwrap();
        people.iter().find(|own| own["name"] == name).unwrap()["lock_ids"].as_array().unwrap().len()
    };
    assert_eq!((opens("Owner"), opens("Signatory")), (2, 4));

    let csv = town.owner.get(format!("{registration}/keying-schedule.csv")).await;
    let east: Vec<&str> = csv.text.lines().filter(|line| line.contains("East 1")).collect();
    assert_eq!(east.len(), 2, "{}", csv.text);
    assert!(east.iter().any(|line| line.ends_with(",suite,4,2,")), "{}", csv.text);
    assert!(!csv.text.contains("Alder Rise"), "a schedule shows no address");
    let pdf = town.owner.bytes(format!("{registration}/keying-schedule.pdf").as_str()).await;
    assert!(pdf.starts_with(b"%PDF-"));
    town.close().await;
}

/// Of a site: each door answers to the site's key and shows the differ that it will get.
#[tokio::test]
async fn the_schedule_of_a_site_has_every_plot() {
    let town = Town::open().await;
    let site = sites::site(&town).await;
    sites::add_plots(&town, &site, sites::TEN_PLOTS).await.expect(201);
    let path = format!("/v1/registrations/{}/keying-schedule.csv", site.registration);
    let lines = |text: &str| {
        text.lines()
            .skip(1)
            .map(|line| line.split(',').map(str::to_owned).collect::<Vec<_>>())
            .collect::<Vec<_>>()
    };
    let schedule = lines(&site.builder.get(&path).await.text);
    assert_eq!(schedule.len(), 20);
    assert_eq!(schedule[0][..2], ["Plot 1", "Front door"]);
    assert_eq!(schedule[19][..2], ["Plot 10", "Back door"]);
    assert_eq!(schedule[0][6], schedule[19][6], "the site's differ");
    assert_eq!((&schedule[0][8], &schedule[0][10]), (&"20".to_owned(), &schedule[1][10]));
    assert_ne!(schedule[0][10], schedule[2][10]);
    // What is the buyer's is the builder's to see no more.
    sites::first_plot(&town, &site).await;
    assert_eq!(lines(&site.builder.get(&path).await.text).len(), 18);
    let sheet = site.builder.bytes(&format!("/v1/sites/{}/progress.pdf", site.id)).await;
    assert!(sheet.starts_with(b"%PDF-"));
    town.close().await;
}
