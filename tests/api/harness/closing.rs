//! What must hold after every test.

use std::time::Duration;

use secrecy::ExposeSecret;
use uuid::Uuid;

use crate::harness::{Town, databases};
use application::log::check;
use application::secrets;
use application::secrets::Context;
use domain::differs::geometry::Geometry;
use domain::ids::DifferId;
use evidence_log::hash::Hash;
use evidence_log::policy::Policy;
use evidence_log::tile::Frontier;

/// What is never there, and the rows of which it would be found.
const NEVER: &[(&str, &str)] = &[
    (
        "an entry of a decision without its decision, or the other way round",
        "SELECT count(*) FROM (SELECT id FROM log_entries WHERE kind = 'decision') e
      FULL JOIN decisions d ON d.entry_id = e.id WHERE e.id IS NULL OR d.id IS NULL",
    ),
    (
        "an entry of a change without its change, or the other way round",
        "SELECT count(*) FROM (SELECT id FROM log_entries WHERE kind = 'change') e
      FULL JOIN changes c ON c.entry_id = e.id WHERE e.id IS NULL OR c.id IS NULL",
    ),
    (
        "an entry that is neither queued nor in the log, or both",
        "SELECT count(*) FROM log_entries e WHERE
      (EXISTS (SELECT 1 FROM log_pending p WHERE p.entry_id = e.id))
      = EXISTS (SELECT 1 FROM log_leaves l WHERE l.entry_id = e.id)",
    ),
    (
        "a commitment without its disclosure, or the other way round",
        "SELECT count(*) FROM log_entries e WHERE
      jsonb_array_length(convert_from(body, 'UTF8')::jsonb -> 'commitments')
      <> (SELECT count(*) FROM disclosures d WHERE d.entry_id = e.id)",
    ),
    (
        "more keys cut than authorised, or cuts that do not add up",
        "SELECT count(*) FROM copy_requests r WHERE cut_count <>
      coalesce((SELECT sum(quantity - coalesce(beyond, 0)) FROM cuts
                LEFT JOIN offline_cuts ON cut_id = cuts.id WHERE request_id = r.id), 0)",
    ),
    (
        "keys that are not those of their cut",
        "SELECT count(*) FROM cuts c WHERE quantity <>
      (SELECT count(*) FROM keys WHERE cut_id = c.id)",
    ),
    (
        "blanks that do not balance with the cuts",
        "SELECT count(*) FROM blank_accounts b WHERE b.cut <>
      coalesce((SELECT sum(c.quantity) FROM cuts c JOIN copy_requests q ON q.id = c.request_id
                JOIN registrations r ON r.id = q.registration_id
                WHERE c.counter_id = b.counter_id AND r.section_id = b.section_id), 0)
      OR b.received <> coalesce((SELECT sum(confirmed_quantity) FROM blank_movements n
                WHERE n.counter_id = b.counter_id AND n.section_id = b.section_id
                  AND n.kind = 'consignment'), 0)
         + coalesce((SELECT sum(quantity) FROM blank_differences d
                WHERE d.counter_id = b.counter_id AND d.section_id = b.section_id
                  AND (cut_id IS NOT NULL OR explanation IN ('found', 'booked_twice'))), 0)",
    ),
    (
        "blanks spoiled, sent back, missing or on the way that are not those of what moved them",
        "SELECT count(*) FROM blank_accounts b, LATERAL (
             SELECT coalesce(sum(quantity) FILTER (WHERE kind = 'spoil'), 0) AS spoiled,
                    coalesce(sum(quantity) FILTER (WHERE kind = 'return'), 0) AS returned,
                    coalesce(sum(quantity) FILTER (WHERE kind = 'consignment'
                        AND confirmed_at IS NULL), 0) AS on_the_way
             FROM blank_movements m
             WHERE m.counter_id = b.counter_id AND m.section_id = b.section_id) moved, LATERAL (
             SELECT coalesce(-sum(quantity) FILTER (WHERE explanation = 'spoiled'), 0) AS spoiled,
                    coalesce(-sum(quantity) FILTER (WHERE explanation = 'returned'), 0) AS returned,
                    coalesce(-sum(quantity) FILTER (WHERE explanation = 'missing'), 0) AS missing
             FROM blank_differences d
             WHERE d.counter_id = b.counter_id AND d.section_id = b.section_id) explained
      WHERE (b.spoiled, b.returned, b.missing, b.on_the_way) <>
            (moved.spoiled + explained.spoiled, moved.returned + explained.returned,
             explained.missing, moved.on_the_way)",
    ),
    (
        "combinations taken that are not those on record",
        "SELECT count(*) FROM differ_spaces s WHERE taken <>
      (SELECT count(*) FROM bittings b WHERE b.section_id = s.section_id)",
    ),
    (
        "a differ that is dead and answered, or reserved or released with keys that somebody ordered",
        "SELECT count(*) FROM differs d WHERE
      (state IN ('dead', 'released')
       AND EXISTS (SELECT 1 FROM answers a WHERE a.differ_id = d.id AND until IS NULL))
      OR (state IN ('reserved', 'released')
          AND EXISTS (SELECT 1 FROM keys k WHERE k.differ_id = d.id AND cut_id IS NOT NULL))",
    ),
    (
        "a cut without a permitted decision",
        "SELECT count(*) FROM cuts c JOIN decisions d ON d.id = c.decision_id
      LEFT JOIN offline_cuts o ON o.cut_id = c.id
      WHERE d.request_id <> c.request_id
         OR d.step <> CASE WHEN o.cut_id IS NULL THEN 'cut' ELSE 'cut_offline' END
         OR (d.outcome = 'permitted') = coalesce(o.flagged, false)",
    ),
];

impl Town {
    /// What must hold whatever happened.
    pub async fn close(self) {
        let checked = check::whole(&self.app, Duration::ZERO).await.unwrap();
        let found = checked.differences;
        assert!(found.is_empty(), "the register is not as its log says: {found:#?}");
        self.close_touched().await;
    }

    /// The same, where the test itself wrote into the database past the acts: the log cannot know of it.
    pub async fn close_touched(self) {
        for (what, sql) in NEVER {
            let wrong: i64 = sqlx::query_scalar(*sql).fetch_one(&self.admin).await.unwrap();
            assert_eq!(wrong, 0, "{what}");
        }
        self.check_differs().await;
        while self.sequencer.round().await.unwrap() > 0 {}
        self.check_log().await;
        self.app.pool.close().await;
        databases::drop(self.admin).await;
    }

    /// Leaves the database for others to copy, with nobody connected to it.
    pub async fn put_down(self) -> (application::App, String) {
        let name = self.admin.connect_options().get_database().unwrap().to_owned();
        self.app.pool.close().await;
        self.admin.close().await;
        (self.app, name)
    }

    /// No combination is given out twice in a section, and two on one site are far enough apart (I13).
    async fn check_differs(&self) {
        let all: Vec<(Uuid, Uuid, Uuid, Option<serde_json::Value>)> = sqlx::query_as(
            "SELECT d.id, d.section_id, coalesce(p.site_registration_id, d.registration_id), s.geometry
             FROM bittings b JOIN differs d ON d.id = b.differ_id JOIN sections s ON s.id = d.section_id
             LEFT JOIN plots p ON p.registration_id = d.registration_id",
        )
        .fetch_all(&self.admin)
        .await
        .unwrap();
        let mut db = self.admin.acquire().await.unwrap();
        let mut seen: Vec<(Uuid, Uuid, Vec<u8>)> = vec![];
        for (differ, section, site, geometry) in all {
            let differ = DifferId(differ);
            let sealed = storage::secrets::bitting(&mut db, differ).await.unwrap().unwrap();
            let plain = secrets::open(&self.app, &mut db, Context::Bitting(differ), &sealed).await;
            let heights = plain.unwrap().expose_secret().to_vec();
            let separation =
                geometry.map(|geometry| serde_json::from_value::<Geometry>(geometry).unwrap().separation);
            for (_, other_site, other) in seen.iter().filter(|(other, _, _)| *other == section) {
                assert_ne!(heights, *other, "a combination twice in a section");
                if *other_site == site {
                    assert!(separation.unwrap_or_default().holds(&heights, other), "too near on one site");
                }
            }
            seen.push((section, site, heights));
        }
    }

    /// The log has every entry once, without a gap, and its head is what is made of the entries.
    pub async fn check_log(&self) {
        let bodies: Vec<(i64, Vec<u8>)> = sqlx::query_as(
            "SELECT l.index, e.body FROM log_entries e LEFT JOIN log_leaves l ON l.entry_id = e.id
             ORDER BY l.index",
        )
        .fetch_all(&self.admin)
        .await
        .unwrap();
        assert!((0..).zip(&bodies).all(|(expected, (index, _))| expected == *index), "indexes are dense");
        let mut tree = Frontier::default();
        tree.extend(bodies.iter().map(|(_, body)| Hash::leaf(body)));
        let served = self.anon.get("/log/checkpoint").await;
        let seen = self.policy().verify(&served.text).unwrap();
        assert_eq!((seen.checkpoint.size, seen.checkpoint.root), (tree.size(), tree.root()));
    }

    /// Changes rows as somebody who owns the database could: past every trigger.
    pub async fn tamper(
        &self,
        query: sqlx::query::Query<'static, sqlx::Postgres, sqlx::postgres::PgArguments>,
    ) {
        let mut tx = storage::begin(&self.admin).await.unwrap();
        sqlx::query("SET LOCAL session_replication_role = replica").execute(&mut *tx).await.unwrap();
        assert!(query.execute(&mut *tx).await.unwrap().rows_affected() > 0);
        tx.commit().await.unwrap();
    }

    /// What a verifier asks of the log's checkpoints.
    pub fn policy(&self) -> Policy {
        Policy::of(self.sequencer.verifiers().next().unwrap().clone())
    }
}
