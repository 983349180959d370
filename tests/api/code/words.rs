//! What is said in Rust and in SQL is said the same: the words of an enumeration and the CHECK of its
//! column, and the notions that queries name as functions.

use std::collections::BTreeMap;

use sqlx::Row;
use time::macros::date;

use crate::harness::databases;
use domain::calendar::Period;
use domain::cards::CardState;
use domain::copies::decision::{Outcome, RecordedStep};
use domain::copies::{DocumentKind, Purpose, RequestState};
use domain::counters::blanks::{Explanation, MovementKind};
use domain::differs::{DifferState, Level};
use domain::entry::EntryKind;
use domain::keys::audits::{AuditAnswer, Silence};
use domain::keys::losses::{LossDecision, LossKind};
use domain::keys::{ChargeState, KeyState};
use domain::people::{InvitationKind, OrganisationKind, Post, Scope};
use domain::register::registrations::{Hand, LockKind};
use domain::register::sections::Protection;
use domain::rekeys::RekeyState;
use domain::rights::authorities::AuthorityClass;
use domain::rights::holds::HoldKind;
use domain::rights::notices::NoticeKind;

macro_rules! words_of {
    ($enumeration:ident) => {
        $enumeration::ALL.iter().map(|word| word.as_str()).collect::<Vec<_>>()
    };
}

/// The words that each checked column may have.
fn columns() -> BTreeMap<&'static str, Vec<&'static str>> {
    let mut outcomes = words_of!(Outcome);
    // A step at which nothing was decided.
    outcomes.push("recorded");
    BTreeMap::from([
        ("log_entries.kind", words_of!(EntryKind)),
        ("actors.kind", vec!["person", "program", "system"]),
        ("memberships.post", words_of!(Post)),
        ("invitations.kind", words_of!(InvitationKind)),
        ("client_programs.scopes", words_of!(Scope)),
        ("sections.protection", words_of!(Protection)),
        ("locks.kind", words_of!(LockKind)),
        ("locks.hand", words_of!(Hand)),
        ("differs.level", words_of!(Level)),
        ("differs.state", words_of!(DifferState)),
        ("authorities.class", words_of!(AuthorityClass)),
        ("cards.state", words_of!(CardState)),
        ("holds.kind", words_of!(HoldKind)),
        ("copy_requests.purpose", words_of!(Purpose)),
        ("copy_requests.state", words_of!(RequestState)),
        ("decisions.outcome", outcomes),
        ("decisions.step", words_of!(RecordedStep)),
        ("keys.state", words_of!(KeyState)),
        ("losses.kind", words_of!(LossKind)),
        ("losses.charge", words_of!(ChargeState)),
        ("losses.decision", words_of!(LossDecision)),
        ("hand_overs.document_seen", words_of!(DocumentKind)),
        ("plot_hand_overs.document_seen", words_of!(DocumentKind)),
        ("organisations.kind", words_of!(OrganisationKind)),
        ("blank_movements.kind", words_of!(MovementKind)),
        ("blank_differences.explanation", words_of!(Explanation)),
        ("rekeys.state", words_of!(RekeyState)),
        ("notices.kind", words_of!(NoticeKind)),
        ("audits.level", words_of!(Level)),
        ("audits.silence", words_of!(Silence)),
        ("audit_lines.answer", words_of!(AuditAnswer)),
    ])
}

#[tokio::test]
async fn each_column_takes_the_words_of_its_enumeration_and_no_others() {
    let pool = databases::connect(&databases::migrated().await).await;
    let rows = sqlx::query(
        "SELECT conrelid::regclass::text AS relation, pg_get_constraintdef(oid) AS definition
         FROM pg_constraint WHERE contype = 'c' AND connamespace = 'public'::regnamespace",
    )
    .fetch_all(&pool)
    .await
    .unwrap();
    let mut found = BTreeMap::new();
    for row in rows {
        let (table, definition): (String, String) = (row.get("relation"), row.get("definition"));
        let list = definition.strip_prefix("CHECK ((").map(|rest| rest.trim_end_matches([']', ')']));
        let split = list.and_then(|list| {
            // One word, or a list of them.
            list.split_once(" = ANY (ARRAY[").or_else(|| list.split_once(" <@ ARRAY["))
        });
        let Some((column, words)) = split else { continue };
        if column.contains('(') {
            continue;
        }
        let words =
            words.split("::text").filter_map(|word| Some(word.split_once('\'')?.1.trim_end_matches('\'')));
        let mut words: Vec<String> = words.map(str::to_owned).collect();
        words.sort_unstable();
        found.insert(format!("{table}.{column}"), words);
    }
    let mut expected = BTreeMap::new();
    for (column, words) in columns() {
        let mut words: Vec<String> = words.into_iter().map(str::to_owned).collect();
        words.sort_unstable();
        expected.insert(column.to_owned(), words);
    }
    assert_eq!(found, expected);
    databases::drop(pool).await;
}

#[tokio::test]
async fn each_table_says_what_it_holds() {
    let pool = databases::connect(&databases::migrated().await).await;
    let silent: Vec<String> = sqlx::query_scalar(
        "SELECT relname::text FROM pg_class
         WHERE relnamespace = 'public'::regnamespace AND relkind = 'r' AND relname <> '_sqlx_migrations'
           AND obj_description(oid, 'pg_class') IS NULL",
    )
    .fetch_all(&pool)
    .await
    .unwrap();
    assert!(silent.is_empty(), "COMMENT ON TABLE is missing: {silent:?}");
    databases::drop(pool).await;
}

#[tokio::test]
async fn notions_are_the_same_in_queries_and_in_the_domain() {
    let pool = databases::connect(&databases::migrated().await).await;
    for state in KeyState::ALL {
        let said: (bool, bool, bool) =
            sqlx::query_as("SELECT key_exists($1), key_is_missing($1), key_opens($1)")
                .bind(state.as_str())
                .fetch_one(&pool)
                .await
                .unwrap();
        assert_eq!(said, (state.exists(), state.is_missing(), state.opens()), "{state}");
    }
    for state in RequestState::ALL {
        let query = sqlx::query_scalar("SELECT request_is_open($1)").bind(state.as_str());
        let open: bool = query.fetch_one(&pool).await.unwrap();
        assert_eq!(open, state.is_open(), "{state}");
    }
    let first_day = date!(2026 - 11 - 02);
    for last_day in [None, Some(first_day), first_day.next_day()] {
        for day in
            [first_day.previous_day(), Some(first_day), first_day.next_day(), Some(date!(2026 - 12 - 24))]
        {
            let day = day.unwrap();
            let query = "SELECT in_force($1, $2, NULL, $3), in_force($1, $2, now(), $3)";
            let said: (bool, bool) = sqlx::query_as(query)
                .bind(first_day)
                .bind(last_day)
                .bind(day)
                .fetch_one(&pool)
                .await
                .unwrap();
            assert_eq!(said, (Period { first_day, last_day }.covers(day), false), "{last_day:?} {day}");
        }
    }
    databases::drop(pool).await;
}
