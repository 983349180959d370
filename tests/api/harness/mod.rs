//! Ready actors, a ready registration, and requests through the real router.
//!
//! [`Town`] is one register with everything on it; [`Town::close`] checks what must hold after every
//! test: entries and the rows that they are of match one to one, each entry is queued for the log, the
//! blank accounts balance, cuts add up, and each was permitted. That a key has one origin, and that
//! blanks are never negative, the database holds by itself (`constraints.rs`).

mod accounts;
mod actor;
mod closing;
pub mod databases;
pub mod lines;

pub use crate::harness::actor::{Actor, Reply};

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, OnceLock};

use axum::Router;
use serde_json::{Value, json};
use sqlx::PgPool;
use sqlx::postgres::PgPoolOptions;
use time::{Duration, OffsetDateTime};
use tokio::sync::OnceCell;
use uuid::Uuid;

use crate::harness::actor::NEXT_KEY;
use application::App;
use application::log::archive::Archive;
use application::log::sequencer::Sequencer;
use application::log::{Backpressure, LogView, signing};
use application::outside::{Clock, Outside, SystemRandom};
use application::rates::WriteLimits;
use application::undisturbed::Undisturbed;
use crypto::passwords::Passwords;
use crypto::tokens::TokenKeys;
use crypto::tokens::card::CardKeys;
use crypto::tokens::keys::KeySet;
use crypto::vault::Vault;
use domain::people::Scope;
use web::limits::Limits;

/// A clock that stands until it is moved.
pub struct TestClock(AtomicI64);

impl Clock for TestClock {
    fn now(&self) -> OffsetDateTime {
        // Every reading is a microsecond later than the one before: no two acts at one instant.
        let micros = self.0.fetch_add(1, Ordering::SeqCst);
        OffsetDateTime::from_unix_timestamp_nanos(i128::from(micros) * 1000).unwrap()
    }
}

/// A register with a supplier, a dealer, an agent, an owner and a tenant, and premises with two
/// locks that are keyed alike.
pub struct Town {
    pub app: App,
    pub admin: PgPool,
    pub sequencer: Arc<Sequencer>,
    pub scratch: Scratch,
    pub clock: Arc<TestClock>,
    pub router: Router,
    pub anon: Actor,
    register: Register,
}

/// Who and what is on the register of a town.
#[derive(Clone, Default)]
pub struct Register {
    pub supplier: Actor,
    pub counter_staff: Actor,
    pub other_counter_staff: Actor,
    pub manager: Actor,
    pub owner: Actor,
    pub signatory: Actor,
    pub tenant: Actor,
    pub stranger: Actor,
    pub section: String,
    pub counter: String,
    pub other_counter: String,
    pub dealer: String,
    pub agent: String,
    pub owners: String,
    pub registration: String,
    pub differ: String,
    pub locks: Vec<String>,
    pub keys: Vec<String>,
    pub authority: std::collections::BTreeMap<&'static str, String>,
    pub card: (String, String),
    pub appointment: String,
}

impl std::ops::Deref for Town {
    type Target = Register;

    fn deref(&self) -> &Register {
        &self.register
    }
}

/// A town that was built once; each test has a copy of its database.
struct Template {
    database: String,
    register: Register,
    scratch: Scratch,
    clock: i64,
}

impl Template {
    async fn build() -> Self {
        let database = databases::migrated().await;
        let admin = databases::connect(&database).await;
        let mut town = Town::on(admin, i64::try_from(START.unix_timestamp_nanos() / 1000).unwrap());
        town.sequencer.init().await.unwrap();
        town.build().await;
        town.app.pool.close().await;
        town.admin.close().await;
        let Town { register, scratch, clock, .. } = town;
        Self { database, register, scratch, clock: clock.0.load(Ordering::SeqCst) }
    }
}

pub const START: OffsetDateTime = time::macros::datetime!(2026-11-02 09:00 UTC);
pub const PIN: &str = "4071";
pub const PASSWORD: &str = "twelve letters and more";
pub const ISSUER: &str = "https://register.example";
/// 32 bytes of no meaning.
pub const MASTER_KEY: &str = "AQIDBAUGBwgJCgsMDQ4PEBESExQVFhcYGRobHB0eHyA";
/// A signature as a pad draws it, each time another one.
pub fn signature() -> Value {
    let shaky = NEXT_KEY.fetch_add(1, Ordering::SeqCst) % 10_000;
    json!([[[1200, shaky, 0], [1900, 3100, 40], [2600, 4300, 85]], [[3000, 3900, 210], [5200, 4100, 300]]])
}

pub const ORIGIN: &str = "town.example/register";

/// The address of somebody of the town.
fn address_of(name: &str) -> String {
    format!("{}@town.example", name.to_lowercase().replace(' ', "."))
}

fn passwords() -> Passwords {
    static PASSWORDS: OnceLock<Passwords> = OnceLock::new();
    PASSWORDS.get_or_init(|| Passwords::new(2).unwrap()).clone()
}

/// A signing key from its seed.
pub fn pem_of(seed: [u8; 32]) -> String {
    use ed25519_dalek::pkcs8::EncodePrivateKey;
    ed25519_dalek::SigningKey::from_bytes(&seed).to_pkcs8_pem(Default::default()).unwrap().to_string()
}

/// The key that signs tokens and the log.
pub fn key_pem() -> String {
    pem_of([9; 32])
}

/// The key that signs cards and status lists.
pub fn card_key_pem() -> String {
    pem_of([8; 32])
}

impl Town {
    /// Opens a register, with connections as the service role.
    pub async fn open() -> Self {
        static TEMPLATE: OnceCell<Template> = OnceCell::const_new();
        let template = TEMPLATE.get_or_init(Template::build).await;
        let admin = databases::connect(&databases::copy_of(&template.database).await).await;
        let mut town = Self::on(admin, template.clock);
        std::fs::copy(template.scratch.0.join("checkpoints"), town.scratch.0.join("checkpoints")).unwrap();
        town.register = template.register.clone();
        let Register {
            supplier,
            counter_staff,
            other_counter_staff,
            manager,
            owner,
            signatory,
            tenant,
            stranger,
            ..
        } = &mut town.register;
        for actor in
            [supplier, counter_staff, other_counter_staff, manager, owner, signatory, tenant, stranger]
        {
            actor.router = town.router.clone();
        }
        town
    }

    /// A register on a migrated database, with nobody on it.
    fn on(admin: PgPool, clock: i64) -> Self {
        let clock = Arc::new(TestClock(AtomicI64::new(clock)));
        let pool = PgPoolOptions::new()
            .max_connections(24)
            .after_connect(|connection, _| {
                Box::pin(async move {
                    sqlx::query("SET ROLE wardbook_service").execute(connection).await?;
                    Ok(())
                })
            })
            .connect_lazy_with((*admin.connect_options()).clone());
        let app = App {
            pool,
            outside: Outside { clock: clock.clone(), random: Arc::new(SystemRandom) },
            passwords: passwords(),
            tokens: Arc::new(TokenKeys::from_pem(ISSUER, &[key_pem()]).unwrap()),
            cards: Arc::new(CardKeys::new(ISSUER, KeySet::from_pem(&[card_key_pem()]).unwrap())),
            status_lists: Arc::default(),
            spaces: Arc::default(),
            vault: Arc::new(Vault::new(&[MASTER_KEY.to_owned()]).unwrap()),
            log: LogView::new(Backpressure::default()),
            limits: WriteLimits::default(),
            work: Undisturbed::default(),
        };
        let scratch = Scratch::new();
        let log_keys = signing::keys(ORIGIN, &[key_pem()]).unwrap();
        let archive = Archive::new(scratch.0.join("checkpoints"));
        let sequencer = Arc::new(Sequencer::new(app.clone(), log_keys, archive));
        let router = web::router(app.clone(), Limits::default());
        let anon = Actor { id: Uuid::nil().to_string(), token: String::new(), router: router.clone() };
        Self { app, admin, sequencer, scratch, clock, router, anon, register: Register::default() }
    }

    pub fn clock_now(&self) -> OffsetDateTime {
        self.clock.now()
    }

    pub fn clock_text(&self) -> String {
        self.clock.now().format(&time::format_description::well_known::Rfc3339).unwrap()
    }

    pub fn pass(&self, time: Duration) {
        let micros = i64::try_from(time.whole_microseconds()).unwrap();
        self.clock.0.fetch_add(micros, Ordering::SeqCst);
    }

    /// A session without the sign-in, which takes two hashes: tests/api/people/sessions.rs tests that.
    pub async fn signed_in(&self, person: &str) -> Actor {
        let now = self.clock.now();
        let session = self.app.outside.id(now);
        sqlx::query(
            "INSERT INTO sessions (id, person_id, second_factor, started_at, expires_at)
             VALUES ($1, $2::uuid, true, $3, $4)",
        )
        .bind(session)
        .bind(person.parse::<Uuid>().unwrap())
        .bind(now)
        .bind(now + Duration::days(4000))
        .execute(&self.admin)
        .await
        .unwrap();
        let token = self.app.tokens.sign(person.to_owned(), session.to_string(), now, 400_000_000).unwrap();
        Actor { id: person.to_owned(), token, router: self.router.clone() }
    }

    /// A client program of a token's own, for as long as a test may take.
    pub fn program(&self, id: &str, scopes: &[Scope]) -> Actor {
        let scopes = scopes.iter().map(|scope| scope.as_str()).collect::<Vec<_>>().join(" ");
        let token = self.app.tokens.sign_for_program(id.to_owned(), scopes, START, 400_000_000).unwrap();
        Actor { token, ..self.anon.clone() }
    }

    /// Enters a person and signs in.
    pub async fn person(&self, name: &str) -> Actor {
        let email = address_of(name);
        let added = self.supplier.post("/v1/people", json!({"name": name, "email": email})).await;
        assert_eq!(added.status, 201, "{}", added.text);
        self.signed_in(&added.id()).await
    }

    async fn organisation(&self, kind: &str, name: &str) -> String {
        self.supplier.post("/v1/organisations", json!({"kind": kind, "name": name})).await.id()
    }

    pub async fn member(&self, name: &str, organisation: &str) -> Actor {
        let person = self.person(name).await;
        let joined = json!({"person_id": person.id, "post": "head", "first_day": "2026-01-01"});
        let path = format!("/v1/organisations/{organisation}/members");
        self.head_of(organisation).post(path, joined).await.expect(201);
        person
    }

    /// Whoever names the members of an organisation: its head, and the supplier while it has none.
    pub fn head_of(&self, organisation: &str) -> &Actor {
        let heads = [(&self.dealer, &self.counter_staff), (&self.agent, &self.manager)];
        let head = heads.into_iter().find(|(id, head)| *id == organisation && !head.token.is_empty());
        head.map_or(&self.supplier, |(_, head)| head)
    }

    pub async fn grant(&self, registration: &str, class: &str, person: &str, more: Value) -> String {
        let mut body = json!({"class": class, "person_id": person, "first_day": "2026-01-01"});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let given = self.supplier.post(format!("/v1/registrations/{registration}/authorities"), body).await;
        assert_eq!(given.status, 201, "{}", given.text);
        given.id()
    }

    /// Somebody gives an authority on the town's registration to somebody else, who accepts where it is an offer.
    pub async fn give(&self, giver: &Actor, taker: &Actor, more: Value) -> Reply {
        let mut body = json!({"class": "keyholder", "person_id": taker.id, "first_day": "2026-11-01"});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let given = giver.post(format!("/v1/registrations/{}/authorities", self.registration), body).await;
        if given.status != 202 {
            return given;
        }
        taker.post(format!("/v1/authority-offers/{}/acceptance", given.id()), json!({})).await
    }

    async fn build(&mut self) {
        let name = |text| domain::text::Name::parse(text).unwrap();
        let email = domain::text::Email::parse("supplier@town.example").unwrap();
        application::people::begin_register(&self.app, &name("Marrowby"), &name("Supplier"), &email)
            .await
            .unwrap();
        let supplier: Uuid =
            sqlx::query_scalar("SELECT id FROM people").fetch_one(&self.admin).await.unwrap();
        self.register.supplier = self.signed_in(&supplier.to_string()).await;
        self.register.dealer = self.organisation("dealer", "Pellworth").await;
        let other_dealer = self.organisation("dealer", "Quenby").await;
        self.register.agent = self.organisation("agent", "Underhay").await;
        self.register.owners = self.organisation("owner", "Ostrey").await;
        self.register.counter_staff = self.member("Counter Staff", &self.dealer.clone()).await;
        self.register.other_counter_staff = self.member("Other Counter", &other_dealer).await;
        self.register.manager = self.member("Manager", &self.agent.clone()).await;
        self.register.owner = self.person("Owner").await;
        self.register.signatory = self.person("Signatory").await;
        self.register.tenant = self.person("Tenant").await;
        self.register.stranger = self.person("Stranger").await;
        let section = json!({"name": "MB40", "protection": "agreement"});
        self.register.section = self.supplier.post("/v1/sections", section).await.id();
        for (dealer, own) in [(self.dealer.clone(), true), (other_dealer, false)] {
            let counter = json!({"dealer_id": dealer, "name": "Sluice Lane"});
            let counter = self.supplier.post("/v1/counters", counter).await.id();
            let appointment = json!({"section_id": self.section, "first_day": "2026-01-01"});
            let appointment =
                self.supplier.post(format!("/v1/counters/{counter}/appointments"), appointment).await.id();
            let blanks = json!({"section_id": self.section, "quantity": 40});
            let sent = self.supplier.post(format!("/v1/counters/{counter}/consignments"), blanks).await.id();
            let staff = if own { &self.counter_staff } else { &self.other_counter_staff };
            staff.post(format!("/v1/blank-movements/{sent}/confirmation"), json!({})).await.expect(200);
            if own {
                (self.register.counter, self.register.appointment) = (counter, appointment);
            } else {
                self.register.other_counter = counter;
            }
        }
        let premises = self.premises("3 Alder Rise", "A-1").await;
        let register = &mut self.register;
        (register.registration, register.differ, register.locks, register.keys) = premises;
        let registration = self.registration.clone();
        let approving = json!({"may_approve": true, "may_pass_on": true});
        let agent = json!({"class": "agent", "organisation_id": self.agent, "may_approve": true,
            "may_pass_on": true, "first_day": "2026-01-01"});
        let owner = self.grant(&registration, "owner", &self.owner.id, approving.clone()).await;
        let agent =
            self.supplier.post(format!("/v1/registrations/{registration}/authorities"), agent).await.id();
        let signatory = self.grant(&registration, "signatory", &self.signatory.id, approving).await;
        let tenant = self.grant(&registration, "keyholder", &self.tenant.id, json!({})).await;
        self.register.authority.extend([
            ("owner", owner),
            ("agent", agent),
            ("signatory", signatory),
            ("tenant", tenant),
        ]);
        self.register.card = self.card_for(&self.tenant).await;
    }

    /// Premises with two locks on one differ and a lever pack with two keys.
    pub async fn premises(&self, premises: &str, number: &str) -> (String, String, Vec<String>, Vec<String>) {
        let registration = json!({"section_id": self.section, "owner_id": self.owners, "premises": premises});
        let registration = self.supplier.post("/v1/registrations", registration).await.id();
        let differ = json!({"number": number, "level": "lock"});
        let differ =
            self.supplier.post(format!("/v1/registrations/{registration}/differs"), differ).await.id();
        let mut locks = vec![];
        for label in ["Front door", "Back door"] {
            let lock = json!({"label": label, "kind": "mortice_deadlock", "escape_route": false,
                "room_class": "entrance"});
            let lock = self.supplier.post(format!("/v1/registrations/{registration}/locks"), lock).await.id();
            let answers = json!({"differ_id": differ});
            self.supplier.post(format!("/v1/locks/{lock}/answers"), answers).await.expect(201);
            locks.push(lock);
        }
        let pack = json!({"differ_id": differ, "number": "LP-1"});
        let pack = self
            .supplier
            .post(format!("/v1/registrations/{registration}/lever-packs"), pack)
            .await
            .expect(201);
        let keys = pack["keys"].as_array().unwrap();
        let keys = keys.iter().map(|key| key["id"].as_str().unwrap().to_owned()).collect();
        (registration, differ, locks, keys)
    }

    /// A card with a PIN: its id and number.
    pub async fn card_for(&self, person: &Actor) -> (String, String) {
        let path = format!("/v1/registrations/{}/cards", self.registration);
        let card = self.supplier.post(path, json!({"person_id": person.id})).await.expect(201);
        let id = card["id"].as_str().unwrap().to_owned();
        person.post(format!("/v1/cards/{id}/pin"), json!({"pin": PIN})).await.expect(200);
        (id, card["number"].as_str().unwrap().to_owned())
    }

    /// Geometry and prices, so that differs can be drawn and the plan of a rekey has a cost.
    pub async fn prepare_rekeys(&self) {
        self.set_geometry(json!({"positions": 5, "heights": 6, "separation": {"positions": 2, "steps": 2}}))
            .await;
        let prices = json!({"currency": "GBP", "pack": 3000, "levers": 2000, "key": 800, "fitting": 500});
        let path = format!("/v1/sections/{}/prices", self.section);
        self.supplier.change("PUT", path, 0, json!({ "prices": prices })).await.expect(200);
    }

    pub async fn set_geometry(&self, geometry: Value) -> Value {
        let path = format!("/v1/sections/{}", self.section);
        let version = self.supplier.get(&path).await.expect(200)["version"].as_i64().unwrap();
        let body = json!({ "geometry": geometry });
        self.supplier.change("PUT", format!("{path}/geometry"), version, body).await.expect(200)
    }

    pub async fn set_rules(&self, rules: Value) {
        let path = format!("/v1/registrations/{}/rules", self.registration);
        let version = self.owner.get(&path).await.expect(200)["version"].as_i64().unwrap();
        self.owner.change("PUT", path, version, json!({ "rules": rules })).await.expect(200);
    }

    pub fn ask_body(&self) -> Value {
        json!({"differ_id": self.differ, "counter_id": self.counter})
    }

    pub async fn ask(&self, who: &Actor, more: Value) -> Reply {
        let mut body = self.ask_body();
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        who.post(format!("/v1/registrations/{}/copy-requests", self.registration), body).await
    }

    /// A request by the tenant that the owner approved.
    pub async fn authorised(&self, more: Value) -> String {
        let asked = self.ask(&self.tenant, more).await;
        let id = asked.request_id();
        let approved = self.owner.post(format!("/v1/copy-requests/{id}/approvals"), json!({})).await;
        assert_eq!(approved.outcome(), "permitted", "{}", approved.text);
        id
    }

    pub async fn cut(&self, id: &str, quantity: u32) -> Reply {
        self.counter_staff.post(format!("/v1/copy-requests/{id}/cuts"), json!({"quantity": quantity})).await
    }

    pub async fn hand_over(&self, id: &str, quantity: u32, more: Value) -> Reply {
        let mut body = json!({"quantity": quantity, "card_number": self.card.1, "pin": PIN,
            "document_seen": "passport", "signature": signature()});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        self.counter_staff.post(format!("/v1/copy-requests/{id}/hand-overs"), body).await
    }

    /// A key that the tenant holds, by the whole way.
    pub async fn tenants_key(&self, more: Value) -> String {
        let id = self.authorised(more).await;
        assert_eq!(self.cut(&id, 1).await.outcome(), "permitted");
        let handed = self.hand_over(&id, 1, json!({})).await;
        assert_eq!(handed.outcome(), "permitted", "{}", handed.text);
        handed.body["keys"][0]["id"].as_str().unwrap().to_owned()
    }

    /// The owner decides after a loss that the locks stay as they are: the hold on the differ is lifted.
    pub async fn keep_locks(&self, report: &Value) {
        let path = format!("/v1/losses/{}/decision", report["loss"]["id"].as_str().unwrap());
        let decision = json!({"decision": "keep", "reason": "Nobody knows which door it opens."});
        self.owner.post(path, decision).await.expect(200);
    }

    pub async fn count(&self, sql: &'static str) -> i64 {
        sqlx::query_scalar(sql).fetch_one(&self.admin).await.unwrap()
    }
}

/// A folder of a test's own, in the folder of the build.
pub struct Scratch(pub std::path::PathBuf);

impl Scratch {
    pub fn new() -> Self {
        let outside = Outside::system();
        let name = outside.id(outside.clock.now()).to_string();
        let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
        std::fs::create_dir_all(&folder).unwrap();
        Self(folder)
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}
