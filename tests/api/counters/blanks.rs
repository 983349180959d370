//! Blanks: every one accounted for (I4), in any order of what happens to them.

use proptest::prelude::*;
use proptest::strategy::ValueTree;
use proptest::test_runner::{Config, TestRunner};
use serde_json::{Value, json};

use crate::harness::{Actor, Town};

fn at(town: &Town, what: &str) -> String {
    format!("/v1/counters/{}/{what}", town.counter)
}

fn of(town: &Town, quantity: u32) -> Value {
    json!({"section_id": town.section, "quantity": quantity})
}

async fn account(town: &Town) -> Value {
    town.counter_staff.get(at(town, "blanks")).await.expect(200)["items"][0].clone()
}

async fn confirm(who: &Actor, movement: &str, counted: Option<u32>) -> crate::harness::Reply {
    who.post(format!("/v1/blank-movements/{movement}/confirmation"), json!({"counted": counted})).await
}

async fn differences(town: &Town) -> Vec<Value> {
    let found = town.supplier.get(at(town, "blank-differences?open=true")).await.expect(200);
    found["items"].as_array().unwrap().clone()
}

#[tokio::test]
async fn a_parcel_counts_when_the_counter_has_counted_it_and_none_is_sent_beyond_the_limit() {
    let town = Town::open().await;
    let limit = json!({"section_id": town.section, "most_blanks": 50});
    town.supplier.post(at(&town, "blank-limit"), limit).await.expect(200);
    let parcel = town.supplier.post(at(&town, "consignments"), of(&town, 10)).await.id();
    let over = town.supplier.post(at(&town, "consignments"), of(&town, 1)).await;
    assert_eq!((over.status.as_u16(), over.body["state"].as_str()), (409, Some("over_limit")));
    assert_eq!(
        (&account(&town).await["on_the_way"], &account(&town).await["on_hand"]),
        (&json!(10), &json!(40))
    );
    confirm(&town.supplier, &parcel, None).await.expect(403);
    confirm(&town.other_counter_staff, &parcel, None).await.expect(404);
    confirm(&town.counter_staff, &parcel, Some(8)).await.expect(200);
    confirm(&town.counter_staff, &parcel, Some(8)).await.expect(409);
    let open = differences(&town).await;
    assert_eq!((open.len(), &open[0]["quantity"]), (1, &json!(-2)));
    assert_eq!(account(&town).await["received"], 48);
    // The book has only what came: to explain it moves nothing.
    let path = format!("/v1/blank-differences/{}/explanation", open[0]["id"].as_str().unwrap());
    let moves = town.supplier.post(&path, json!({"explanation": "missing"})).await;
    assert_eq!(moves.body["state"], "wrong_explanation");
    town.supplier.post(&path, json!({"explanation": "other"})).await.expect(422);
    let explained = json!({"explanation": "other", "remark": "torn parcel"});
    town.supplier.post(&path, explained).await.expect(200);
    assert_eq!(account(&town).await["on_hand"], 48);
    town.close().await;
}

#[tokio::test]
async fn a_spoiled_blank_needs_a_witness_who_did_not_record_it() {
    let town = Town::open().await;
    let spoiled = town.counter_staff.post(at(&town, "spoiled-blanks"), of(&town, 2)).await;
    assert_eq!((&account(&town).await["spoiled"], &account(&town).await["on_hand"]), (&json!(2), &json!(38)));
    confirm(&town.counter_staff, &spoiled.id(), None).await.expect(403);
    let witness = town.member("Second At Counter", &town.dealer).await;
    confirm(&witness, &spoiled.id(), Some(1)).await.expect(422);
    let seen = confirm(&witness, &spoiled.id(), None).await.expect(200);
    assert_eq!(seen["confirmed_by"], witness.id);
    let short = town.counter_staff.post(at(&town, "spoiled-blanks"), of(&town, 39)).await;
    assert_eq!(short.body["state"], "blanks_short");
    town.close().await;
}

#[tokio::test]
async fn a_count_finds_a_difference_once_and_its_explanation_moves_the_book() {
    let town = Town::open().await;
    let count = |counted: u32| json!({"section_id": town.section, "counted": counted});
    town.counter_staff.post(at(&town, "blank-counts"), count(40)).await.expect(201);
    assert!(differences(&town).await.is_empty());
    town.counter_staff.post(at(&town, "blank-counts"), count(37)).await.expect(201);
    town.counter_staff.post(at(&town, "blank-counts"), count(37)).await.expect(201);
    let open = differences(&town).await;
    assert_eq!((open.len(), &open[0]["quantity"]), (1, &json!(-3)));
    let back = town.counter_staff.post(at(&town, "blank-returns"), of(&town, 5)).await;
    confirm(&town.supplier, &back.id(), Some(5)).await.expect(200);
    let path = format!("/v1/blank-differences/{}/explanation", open[0]["id"].as_str().unwrap());
    town.supplier.post(&path, json!({"explanation": "found"})).await.expect(409);
    town.supplier.post(&path, json!({"explanation": "missing"})).await.expect(200);
    town.supplier.post(&path, json!({"explanation": "missing"})).await.expect(409);
    let account = account(&town).await;
    let parts = ["received", "missing", "returned", "on_hand"].map(|part| account[part].as_i64().unwrap());
    assert_eq!(parts, [40, 3, 5, 32]);
    town.close().await;
}

/// What may happen to blanks.
#[derive(Debug, Clone, Copy)]
enum Move {
    Send(u32),
    Acknowledge(i32),
    Cut,
    CutOffline(u32),
    Spoil(u32),
    Witness,
    Return(u32),
    Count(i32),
    Explain(usize),
}

fn moves() -> impl Strategy<Value = Vec<Move>> {
    let one = prop_oneof![
        (1..30_u32).prop_map(Move::Send),
        (-3..4_i32).prop_map(Move::Acknowledge),
        Just(Move::Cut),
        (1..4_u32).prop_map(Move::CutOffline),
        (1..8_u32).prop_map(Move::Spoil),
        Just(Move::Witness),
        (1..20_u32).prop_map(Move::Return),
        (-4..5_i32).prop_map(Move::Count),
        (0..7_usize).prop_map(Move::Explain),
    ];
    prop::collection::vec(one, 25)
}

/// Does one of them; what is refused changes nothing.
async fn carry_out(town: &Town, step: Move, request: &str, parcels: &mut Vec<(String, u32)>) {
    let staff = &town.counter_staff;
    match step {
        Move::Send(quantity) => {
            let sent = town.supplier.post(at(town, "consignments"), of(town, quantity)).await;
            if sent.status == 201 {
                parcels.push((sent.id(), quantity));
            }
        }
        Move::Acknowledge(difference) => {
            let Some((parcel, quantity)) = parcels.pop() else { return };
            let counted = u32::try_from(i32::try_from(quantity).unwrap() + difference).unwrap_or(0);
            confirm(staff, &parcel, Some(counted)).await.expect(200);
        }
        Move::Cut => {
            town.cut(request, 1).await;
        }
        Move::CutOffline(quantity) => {
            let id = town.app.outside.id(town.clock_now());
            let cut = json!({"id": id, "copy_request_id": request, "quantity": quantity, "cut_at": town.clock_text()});
            staff.post(at(town, "offline-cuts"), cut).await.expect(201);
        }
        Move::Spoil(quantity) => {
            staff.post(at(town, "spoiled-blanks"), of(town, quantity)).await;
        }
        Move::Witness => {
            let found = town.supplier.get(at(town, "blank-movements")).await.expect(200);
            for movement in found["items"].as_array().unwrap() {
                if movement["kind"] == "spoil" && movement["confirmed_at"].is_null() {
                    confirm(&town.supplier, movement["id"].as_str().unwrap(), None).await.expect(200);
                }
            }
        }
        Move::Return(quantity) => {
            staff.post(at(town, "blank-returns"), of(town, quantity)).await;
        }
        Move::Count(difference) => {
            let on_hand = account(town).await["on_hand"].as_i64().unwrap();
            let counted = (on_hand + i64::from(difference)).max(0);
            let count = json!({"section_id": town.section, "counted": counted});
            staff.post(at(town, "blank-counts"), count).await.expect(201);
        }
        Move::Explain(which) => {
            let Some(difference) = differences(town).await.pop() else { return };
            let words = ["miscounted", "spoiled", "returned", "missing", "found", "booked_twice", "other"];
            let explained = json!({"explanation": words[which], "remark": "looked into"});
            let id = difference["id"].as_str().unwrap();
            town.supplier.post(format!("/v1/blank-differences/{id}/explanation"), explained).await;
        }
    }
}

/// I4 after each of 16 sequences of 25 moves, in any order: each step by [`account`], the whole against
/// what was recorded by [`Town::close`].
#[tokio::test]
async fn received_is_cut_spoiled_returned_missing_and_on_hand_in_any_order() {
    let town = Town::open().await;
    let rules = json!({"limits": [], "approvals": [], "unaccounted_blocks": false});
    town.set_rules(rules).await;
    let mut runner = TestRunner::new(Config::default());
    let mut parcels = vec![];
    for _ in 0..16 {
        let asked = town.ask(&town.tenant, json!({"quantity": 6})).await;
        let request = asked.request_id();
        let sequence = moves().new_tree(&mut runner).unwrap().current();
        for step in sequence {
            carry_out(&town, step, &request, &mut parcels).await;
            let account = account(&town).await;
            let part = |name: &str| account[name].as_i64().unwrap();
            let sum = part("cut") + part("spoiled") + part("returned") + part("missing") + part("on_hand");
            assert_eq!(part("received"), sum, "{step:?}: {account}");
            assert!(part("on_hand") >= 0 && part("on_the_way") >= 0, "{step:?}: {account}");
        }
    }
    town.close().await;
}

#[tokio::test]
async fn two_who_take_the_last_blank_do_not_both_get_it() {
    let town = Town::open().await;
    town.counter_staff.post(at(&town, "blank-returns"), of(&town, 39)).await.expect(201);
    let tries: Vec<_> = (0..8)
        .map(|_| {
            let (staff, path, body) = (town.counter_staff.clone(), at(&town, "spoiled-blanks"), of(&town, 1));
            tokio::spawn(async move { staff.post(path, body).await.status.as_u16() })
        })
        .collect();
    let mut done = 0;
    for tried in tries {
        done += u32::from(tried.await.unwrap() == 201);
    }
    assert_eq!((done, &account(&town).await["on_hand"]), (1, &json!(0)));
    town.close().await;
}
