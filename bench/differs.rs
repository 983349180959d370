//! Allotment in a section of a million differs, with 10, 90 and 99 % of them taken.
//!
//! ```sh
//! cargo bench --bench differs
//! cargo bench --bench differs -- --allotments 1000
//! cargo bench --bench differs -- --positions 6     # 4,096 differs instead of 1,048,576: to see that it runs
//! ```
//!
//! Each allotment is a whole act, from the opening of its transaction to its commit, with fsync on: the
//! draw, the look at what is taken, the sealed bitting and the entry for the log. What is taken
//! beforehand is written past the acts, with fingerprints as the service makes them.

#![expect(clippy::unwrap_used, reason = "a benchmark stops where something is not as it says")]

use std::sync::Arc;
use std::time::{Duration, Instant};

use ed25519_dalek::pkcs8::EncodePrivateKey;
use sqlx::PgPool;

use application::caller::Caller;
use application::differs::Allotment;
use application::log::{Backpressure, LogView};
use application::outside::Outside;
use application::rates::WriteLimits;
use application::register::sections::SectionContent;
use application::register::{registrations, sections};
use application::undisturbed::Undisturbed;
use application::{Act, ActError, App, differs, people, secrets};
use crypto::passwords::Passwords;
use crypto::tokens::TokenKeys;
use crypto::tokens::card::CardKeys;
use crypto::tokens::keys::KeySet;
use crypto::vault::Vault;
use domain::differs::Level;
use domain::differs::geometry::Geometry;
use domain::differs::space::Space;
use domain::ids::{DifferId, OrganisationId, PersonId, RegistrationId, SectionId};
use domain::people::{OrganisationKind, Post};
use domain::register::sections::Protection;
use domain::text::{Email, Name, Premises};
use storage::people::memberships::Seat;

mod cluster;

const BATCH: u64 = 10_000;

fn app(pool: PgPool) -> App {
    let pem = ed25519_dalek::SigningKey::from_bytes(&[9; 32])
        .to_pkcs8_pem(ed25519_dalek::pkcs8::spki::der::pem::LineEnding::LF);
    let pem = [pem.unwrap().to_string()];
    App {
        pool,
        outside: Outside::system(),
        passwords: Passwords::new(1).unwrap(),
        tokens: Arc::new(TokenKeys::from_pem("bench.example", &pem).unwrap()),
        cards: Arc::new(CardKeys::new("bench.example", KeySet::from_pem(&pem).unwrap())),
        status_lists: Arc::default(),
        spaces: Arc::default(),
        vault: Arc::new(Vault::new(&[Outside::system().secret()]).unwrap()),
        log: LogView::new(Backpressure { most: u64::MAX, longest: std::time::Duration::MAX }),
        limits: WriteLimits::default(),
        work: Undisturbed::default(),
    }
}

/// A section with the geometry, and a registration in it.
async fn register(app: &App, caller: &Caller, geometry: &Geometry) -> (SectionId, RegistrationId) {
    let (section, registration) = Act::done(app, caller, async |act| {
        let content = SectionContent {
            name: Name::parse("BN40").unwrap(),
            protection: Protection::Agreement,
            territory: None,
            filed_on: None,
            next_renewal_on: None,
            last_expiry_on: None,
        };
        let section = sections::add(act, content).await.unwrap().section.id;
        differs::geometry::set(act, section, 1, geometry.clone()).await.unwrap();
        let owner = caller.organisation_of(&[OrganisationKind::Supplier]).unwrap();
        let premises = Premises::parse("1 Bench Row").unwrap();
        let registration = registrations::add(act, section, owner, premises).await.unwrap().id;
        Ok::<_, ActError>((section, registration))
    })
    .await
    .unwrap();
    (section, registration)
}

/// Takes differs beforehand: every one is another, spread over the space.
async fn take(app: &App, section: SectionId, of: RegistrationId, space: &Space, from: u64, to: u64) {
    let mut at = from;
    while at < to {
        let beyond = to.min(at + BATCH);
        let mut tx = storage::begin(&app.pool).await.unwrap();
        sqlx::query("SET LOCAL session_replication_role = replica").execute(&mut *tx).await.unwrap();
        let (mut ids, mut numbers, mut keys, mut sealed, mut fingerprints) =
            (vec![], vec![], vec![], vec![], vec![]);
        for number in at..beyond {
            // An odd factor: each number of a space of 2^20 once.
            let rank = u128::from(number) * 0x5_8F2D % space.count();
            let id = DifferId(app.outside.id(app.outside.clock.now()));
            let heights = space.unrank(rank).unwrap();
            let bitting = secrets::seal_bitting(app, &mut tx, id, section, &heights).await.unwrap();
            ids.push(id.0);
            numbers.push(format!("F{number}"));
            keys.push(bitting.sealed.key);
            sealed.push(bitting.sealed.bytes);
            fingerprints.push(bitting.fingerprint);
        }
        sqlx::query(
            "INSERT INTO differs (id, registration_id, section_id, number, level, state, allotted_at, changed_at)
             SELECT id, $1, $2, number, 'lock', 'given_out', now(), now() FROM unnest($3::uuid[], $4::text[]) AS t (id, number)",
        )
        .bind(of)
        .bind(section)
        .bind(&ids)
        .bind(numbers)
        .execute(&mut *tx)
        .await
        .unwrap();
        // What was drawn while it was measured is taken already.
        let more = sqlx::query(
            "INSERT INTO bittings (differ_id, section_id, data_key_id, sealed, fingerprint)
             SELECT id, $1, key, sealed, fingerprint
             FROM unnest($2::uuid[], $3::uuid[], $4::bytea[], $5::bytea[]) AS t (id, key, sealed, fingerprint) ON CONFLICT DO NOTHING",
        )
        .bind(section)
        .bind(ids)
        .bind(keys)
        .bind(sealed)
        .bind(fingerprints)
        .execute(&mut *tx)
        .await
        .unwrap()
        .rows_affected();
        sqlx::query("UPDATE differ_spaces SET taken = taken + $2 WHERE section_id = $1")
            .bind(section)
            .bind(i64::try_from(more).unwrap())
            .execute(&mut *tx)
            .await
            .unwrap();
        tx.commit().await.unwrap();
        at = beyond;
    }
    sqlx::query("VACUUM ANALYZE").execute(&app.pool).await.unwrap();
}

async fn measure(url: String, allotments: u64, positions: u8) {
    let app = app(PgPool::connect(&url).await.unwrap());
    let name = |text| Name::parse(text).unwrap();
    let email = Email::parse("supplier@bench.example").unwrap();
    people::begin_register(&app, &name("Bench"), &name("Supplier"), &email).await.unwrap();
    let person: PersonId = sqlx::query_scalar("SELECT id FROM people").fetch_one(&app.pool).await.unwrap();
    let supplier: OrganisationId =
        sqlx::query_scalar("SELECT id FROM organisations").fetch_one(&app.pool).await.unwrap();
    let seat = Seat { organisation_id: supplier, kind: OrganisationKind::Supplier, post: Post::Head };
    let caller = Caller::new(person.into(), Some(person), vec![seat]);
    let geometry = Geometry::plain(positions, 4);
    let space = Space::of(&geometry).unwrap();
    let count = u64::try_from(space.count()).unwrap();
    let (section, elsewhere) = register(&app, &caller, &geometry).await;
    let (mut taken, mut first) = (0, None);
    for share in [10, 90, 99] {
        let goal = count * share / 100;
        take(&app, section, elsewhere, &space, taken, goal).await;
        taken = goal;
        let mut waits = vec![];
        for _ in 0..allotments {
            // A house of its own each time: what is apart on one site is another matter.
            let house = Act::done(&app, &caller, async |act| {
                let house = Premises::parse("2 Bench Row").unwrap();
                let house = registrations::add(act, section, supplier, house).await.unwrap().id;
                Ok::<_, ActError>(house)
            })
            .await
            .unwrap();
            let asked = Instant::now();
            Act::done(&app, &caller, async |act| {
                let allotment =
                    Allotment { level: Level::Lock, count: 1, reserve: false, apart_from: vec![] };
                differs::allot(act, house, allotment).await.unwrap();
                Ok::<_, ActError>(())
            })
            .await
            .unwrap();
            waits.push(asked.elapsed());
        }
        report(share, taken, &mut waits, &mut first);
    }
}

fn report(share: u64, taken: u64, waits: &mut [Duration], first: &mut Option<f64>) {
    let (middle, slow) = (cluster::percentile(waits, 50), cluster::percentile(waits, 99));
    let ratio = middle / *first.get_or_insert(middle);
    println!(
        "{share:>3} % taken ({taken:>7}): p50 {middle:.2} ms, p99 {slow:.2} ms, {ratio:.2} of the first"
    );
}

fn main() {
    let allotments = cluster::argument("--allotments", 500);
    let positions = u8::try_from(cluster::argument("--positions", 10)).unwrap();
    cluster::with_cluster(|url| measure(url, allotments, positions));
}
