//! `wardbook demo`: an invented scenario, served on this machine.

mod site;

use std::error::Error;
use std::net::SocketAddr;
use std::path::PathBuf;

use clap::Args;
use secrecy::{ExposeSecret as _, SecretString};
use sqlx::postgres::PgConnectOptions;
use time::Duration;

use crate::cli::cluster::Cluster;
use crate::cli::keys::{Keys, new_signing_key};
use crate::cli::options::LimitOptions;
use crate::cli::{Done, migrate, options, serve};
use application::caller::Caller;
use application::counters::blanks;
use application::counters::blanks::NewMovement;
use application::differs::answers;
use application::log::archive::Archive;
use application::log::sequencer::{LogWork, Sequencer};
use application::log::signing;
use application::outside::Outside;
use application::people::memberships;
use application::register::locks::LockContent;
use application::register::sections::SectionContent;
use application::register::{locks, registrations, sections};
use application::rights::giving::{self, Grant};
use application::secrets::Context;
use application::{Act, App, Idempotency, cards, counters, differs, keys, people, secrets};
use crypto::passwords::Lane;
use domain::calendar::{Period, add_years};
use domain::counters::blanks::MovementKind;
use domain::differs::Level;
use domain::differs::bitting::Bitting;
use domain::ids::{
    BlankMovementId, CardId, ClientProgramId, CounterId, DifferId, OrganisationId, PersonId, RegistrationId,
    SectionId,
};
use domain::keys::Key;
use domain::people::{OrganisationKind, Post, Scope};
use domain::register::registrations::{Hand, LockKind};
use domain::register::sections::Protection;
use domain::rights::authorities::AuthorityClass;
use domain::text::{DifferNumber, Email, Label, Name, PackNumber, Premises, Reference, Slug};
use storage::people::accounts as stored;
use storage::people::invitations;

/// Options of `demo`.
#[derive(Args)]
pub struct Options {
    /// An empty database, as a role that may make tables; without one a private cluster is used.
    #[arg(long, env = "WARDBOOK_ADMIN_URL", hide_env_values = true)]
    admin_url: Option<String>,
    /// Where the database comes from, for the first line that is printed.
    #[arg(long, env = "WARDBOOK_DATABASE_KIND", default_value = "the given URL")]
    database_kind: String,
    /// Where to listen.
    #[arg(long, default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    #[command(flatten)]
    limits: LimitOptions,
}

/// Runs the demo until a signal comes.
pub fn run(options: &Options) -> Done {
    // The cluster is started on the main thread: it ends with the thread that started it.
    let (cluster, url) = if let Some(url) = options.admin_url.clone() {
        (None, url)
    } else {
        let cluster = Cluster::start(None, true)?;
        let url = cluster.url();
        (Some(cluster), url)
    };
    let kind = if cluster.is_some() { "a private cluster" } else { options.database_kind.as_str() };
    println!("database: {kind}");
    serve::log_to_stdout(serve::Lines::Text);
    super::asynchronously(serve_demo(options, url))
}

/// To the database.
const CONNECTIONS: u32 = 8;

async fn serve_demo(options: &Options, url: String) -> Done {
    let outside = Outside::system();
    let login = with_login(url, &outside).await?;
    let address = format!("http://{}", options.listen);
    let app = options::app(options::connect(login, CONNECTIONS).await?, &Keys::of_the_moment(&address)?)?;
    let listener = serve::listen(options.listen).await?;
    let most = options.limits.most(CONNECTIONS)?;
    let limited = App { limits: options.limits.writes(), ..app.clone() };
    let folder = Folder::new(&app.outside)?;
    let keys = signing::keys("localhost/demo", &[new_signing_key()?])?;
    let sequencer = Sequencer::new(app.clone(), keys, Archive::new(folder.0.join("checkpoints")));
    sequencer.init().await?;
    load(&app).await?.print(&address, &sequencer);
    let router = web::router(limited.clone(), options.limits.limits());
    serve::serve(limited, &[], (sequencer, LogWork::Sequence), listener, (router, most)).await
}

/// Migrates as whoever may, and gives the address as a login that may no more than the service.
async fn with_login(admin_url: String, outside: &Outside) -> Result<PgConnectOptions, Box<dyn Error>> {
    let admin: PgConnectOptions = admin_url.parse()?;
    let login = format!("{}_login", admin.get_database().unwrap_or("demo"));
    let password = outside.secret();
    let service = admin.username(&login).password(&password);
    let migrate = migrate::Options {
        admin_url,
        login: Some(login),
        login_password: Some(SecretString::from(password)),
    };
    migrate::run(migrate).await?;
    Ok(service)
}

/// A folder of the demo's own; it goes when the demo ends.
struct Folder(PathBuf);

impl Folder {
    fn new(outside: &Outside) -> Result<Self, Box<dyn Error>> {
        Ok(Self(super::temporary_folder(outside, "demo")?))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // What cannot be removed stays, with nothing secret in it.
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// The code of a second factor for now.
pub fn code_now(secret: Vec<u8>) -> Result<String, Box<dyn Error>> {
    let totp = totp_rs::TOTP::new(totp_rs::Algorithm::SHA1, 6, 1, 30, secret, None, "demo".to_owned())
        .map_err(|error| error.to_string())?;
    let now = application::outside::Outside::system().clock.now().unix_timestamp();
    Ok(totp.generate(u64::try_from(now)?))
}

struct SignIn {
    who: &'static str,
    email: &'static str,
    password: String,
    secret: Option<String>,
}

struct Scene {
    sign_ins: Vec<SignIn>,
    registration: RegistrationId,
    differ: DifferId,
    counter: CounterId,
    card: String,
    pin: &'static str,
    auditor: (ClientProgramId, String),
    site: site::Site,
}

impl Scene {
    fn print(&self, address: &str, sequencer: &Sequencer) {
        println!("\nAPI        {address}/v1");
        println!("reader     {address}/docs");
        println!("\nsign-ins (POST /v1/sessions); codes come from `wardbook code SECRET`:");
        for sign_in in &self.sign_ins {
            let code =
                sign_in.secret.as_ref().map(|secret| format!("  code secret {secret}")).unwrap_or_default();
            println!("  {:<22} {:<28} {}{code}", sign_in.who, sign_in.email, sign_in.password);
        }
        println!("\nregistration {}", self.registration);
        println!("differ       {}", self.differ);
        println!("counter      {}", self.counter);
        println!("card         {} with PIN {} (the tenant's)", self.card, self.pin);
        println!("site         {}: {}", self.site.id, self.site.figures);
        println!("auditor      {} {}", self.auditor.0, self.auditor.1);
        for key in sequencer.verifiers() {
            println!("log key      {key}");
        }
        println!("\nREADME.md follows one copy request from here to the hand-over. Ctrl-C ends it.\n");
    }
}

/// Somebody of the scenario.
struct Somebody {
    id: PersonId,
    sign_in: SignIn,
}

/// With how many factors somebody signs in: staff and whoever approves with two.
#[derive(Clone, Copy, PartialEq)]
enum Factors {
    One,
    Two,
}

struct Loader<'a> {
    app: &'a App,
    supplier: Caller,
}

impl Loader<'_> {
    async fn organisation(
        &self,
        kind: OrganisationKind,
        name: &str,
    ) -> Result<OrganisationId, Box<dyn Error>> {
        let added = Act::done(self.app, &self.supplier, async |act| {
            let added = people::add_organisation(act, kind, Name::parse(name)?).await?;
            Ok::<_, Box<dyn Error>>(added)
        })
        .await?;
        Ok(added.id)
    }

    /// An auditor's client program, and its secret.
    async fn auditor(&self, name: &str) -> Result<(ClientProgramId, String), Box<dyn Error>> {
        let auditor = self.organisation(OrganisationKind::Auditor, name).await?;
        let (program, secret) = Act::done(self.app, &self.supplier, async |act| {
            let (program, secret) =
                people::add_program(act, auditor, Name::parse("Mirror")?, vec![Scope::Log]).await?;
            Ok::<_, Box<dyn Error>>((program, secret))
        })
        .await?;
        Ok((program.id, secret.expose_secret().to_owned()))
    }

    async fn person(
        &self,
        who: &'static str,
        name: &str,
        email: &'static str,
        seat: Option<OrganisationId>,
        factors: Factors,
    ) -> Result<Somebody, Box<dyn Error>> {
        let person = Act::done(self.app, &self.supplier, async |act| {
            let today = act.today();
            let person = people::add_person(act, Name::parse(name)?, Some(Email::parse(email)?)).await?;
            if let Some(organisation) = seat {
                memberships::add(act, organisation, person.id, Post::Head, (today, None)).await?;
            }
            Ok::<_, Box<dyn Error>>(person)
        })
        .await?;
        self.account(who, person.id, email, factors).await
    }

    /// A password of the moment and, where it is asked for, a second factor.
    async fn account(
        &self,
        who: &'static str,
        id: PersonId,
        email: &'static str,
        factors: Factors,
    ) -> Result<Somebody, Box<dyn Error>> {
        let app = self.app;
        let password = app.outside.secret().chars().take(16).collect::<String>();
        let hash = app.hash(Lane::Password, SecretString::from(password.clone())).await?;
        let now = app.outside.clock.now();
        let mut tx = storage::begin(&app.pool).await?;
        invitations::void(&mut tx, id, now).await?;
        stored::add(&mut tx, id, email, &hash, now).await?;
        let secret = if factors == Factors::Two {
            let secret: [u8; 20] = app.outside.bytes();
            let sealed = secrets::seal(app, &mut tx, Context::SecondFactor(id), &secret).await?;
            stored::set_second_factor(&mut tx, id, Some((&sealed, 0)), &[], now).await?;
            Some(totp_rs::Secret::Raw(secret.to_vec()).to_encoded().to_string())
        } else {
            None
        };
        tx.commit().await?;
        Ok(Somebody { id, sign_in: SignIn { who, email, password, secret } })
    }
}

/// The heights of the house's levers; invented, as everything here.
const HEIGHTS: [u8; 6] = [5, 2, 6, 3, 7, 4];

/// Loads the scenario.
async fn load(app: &App) -> Result<Scene, Box<dyn Error>> {
    let (loader, supplier) = begin(app).await?;
    let dealer = loader.organisation(OrganisationKind::Dealer, "Pellworth Keys").await?;
    let agent = loader.organisation(OrganisationKind::Agent, "Underhay Lettings").await?;
    let owner = loader.organisation(OrganisationKind::Owner, "Ostrey household").await?;
    let (one, two) = (Factors::One, Factors::Two);
    let staff =
        loader.person("counter", "Bram Pellworth", "bram@pellworth.example", Some(dealer), two).await?;
    let manager = "sunniva@underhay.example";
    let manager = loader.person("property manager", "Sunniva Underhay", manager, Some(agent), two).await?;
    let landlord = loader.person("owner", "Tobiah Ostrey", "tobiah@ostrey.example", None, two).await?;
    let tenant = loader.person("tenant (keyholder)", "Calla Brunt", "calla@brunt.example", None, one).await?;

    let (section, counter, parcel, registration, differ, card) =
        Act::done(loader.app, &loader.supplier, async |act| {
            let (section, counter, parcel) = trade(act, dealer).await?;
            let (registration, differ, pack_keys) = house(act, section, owner).await?;
            differs::record_bitting(act, differ, &Bitting::new(HEIGHTS.to_vec())?).await?;
            let rights = [
                grant(act, AuthorityClass::Owner, Some(landlord.id), None),
                grant(act, AuthorityClass::Agent, None, Some(agent)),
                Grant { occupier: true, ..grant(act, AuthorityClass::Keyholder, Some(tenant.id), None) },
            ];
            for right in rights {
                giving::grant(act, registration, right).await?;
            }
            if let Some(key) = pack_keys.first() {
                keys::issue(act, key.id, tenant.id, None, None).await?;
            }
            let card = cards::issue(act, registration, tenant.id, None).await?;
            Ok::<_, Box<dyn Error>>((section, counter, parcel, registration, differ, card))
        })
        .await?;
    let at_counter = caller_of(app, staff.id).await?;
    Act::done(app, &at_counter, async |act| {
        blanks::confirm(act, parcel, None).await?;
        Ok::<_, Box<dyn Error>>(())
    })
    .await?;
    let pin = "4071";
    set_pin(app, tenant.id, card.id, pin).await?;

    let auditor = loader.auditor("Fennick & Vale").await?;
    let builder = loader.organisation(OrganisationKind::Builder, "Holmbury Homes").await?;
    let site_manager =
        loader.person("builder", "Rafe Holmbury", "rafe@holmbury.example", Some(builder), two).await?;
    let site = site::load(&loader, section, (builder, site_manager.id)).await?;
    let sign_ins = [supplier, staff, manager, landlord, tenant, site_manager];
    Ok(Scene {
        sign_ins: sign_ins.into_iter().map(|somebody| somebody.sign_in).collect(),
        registration,
        differ,
        counter,
        card: card.number.grouped(),
        pin,
        auditor,
        site,
    })
}

/// The supplier, and whoever keeps the register for it.
async fn begin(app: &App) -> Result<(Loader<'_>, Somebody), Box<dyn Error>> {
    let (email, name) = ("hester@marrowby.example", Name::parse("Hester Quillon")?);
    let supplier = Name::parse("Marrowby Lock Works")?;
    let hester = people::begin_register(app, &supplier, &name, &Email::parse(email)?).await?;
    let loader = Loader { app, supplier: caller_of(app, hester).await? };
    let supplier = loader.account("supplier", hester, email, Factors::Two).await?;
    Ok((loader, supplier))
}

/// Somebody with the seats of today.
async fn caller_of(app: &App, person: PersonId) -> Result<Caller, Box<dyn Error>> {
    let today = app.outside.clock.now().date();
    let seats = storage::people::memberships::seats(&mut *app.pool.acquire().await?, person, today).await?;
    Ok(Caller::new(person.into(), Some(person), seats))
}

/// A key section, and a counter that is appointed for it and has blanks.
async fn trade(
    act: &mut Act<'_>,
    dealer: OrganisationId,
) -> Result<(SectionId, CounterId, BlankMovementId), Box<dyn Error>> {
    let today = act.today();
    let filed = today - Duration::days(1200);
    let section = SectionContent {
        name: Name::parse("MB40")?,
        protection: Protection::RegisteredDesign,
        territory: Some(Name::parse("United Kingdom")?),
        filed_on: Some(filed),
        next_renewal_on: Some(add_years(filed, 5)),
        last_expiry_on: Some(add_years(filed, 25)),
    };
    let section = sections::add(act, section).await?.section.id;
    let counter = counters::add(act, dealer, Name::parse("Pellworth Keys, Sluice Lane")?).await?.id;
    counters::appoint(act, counter, section, (today, None)).await?;
    let parcel = NewMovement { section, quantity: 50, request: None, remark: None };
    let parcel = blanks::record(act, counter, MovementKind::Consignment, parcel).await?.id;
    Ok((section, counter, parcel))
}

/// A house whose front and back door share one key, with the two keys of its lever pack.
async fn house(
    act: &mut Act<'_>,
    section: SectionId,
    owner: OrganisationId,
) -> Result<(RegistrationId, DifferId, Vec<Key>), Box<dyn Error>> {
    let premises = Premises::parse("3 Alder Rise, Tolverne")?;
    let registration = registrations::add(act, section, owner, premises).await?.id;
    let number = DifferNumber::parse("MB40-2071")?;
    let differ = differs::add(act, registration, number, Level::Lock).await?.id;
    for (label, hand) in [("Front door", Hand::Left), ("Back door", Hand::Right)] {
        let lock = LockContent {
            label: Label::parse(label)?,
            kind: LockKind::MorticeDeadlock,
            hand: Some(hand),
            standard: Some(Reference::parse("BS 3621")?),
            escape_route: false,
            room_class: Some(Slug::parse("entrance")?),
        };
        let lock = locks::add(act, registration, lock).await?.id;
        answers::begin(act, lock, differ).await?;
    }
    let (_, made) = keys::add_pack(act, registration, differ, PackNumber::parse("LP-5512")?, 2).await?;
    Ok((registration, differ, made))
}

/// An authority over every differ from today on; all but keyholders approve and pass on.
fn grant(
    act: &Act<'_>,
    class: AuthorityClass,
    person: Option<PersonId>,
    organisation: Option<OrganisationId>,
) -> Grant {
    let leads = class != AuthorityClass::Keyholder;
    Grant {
        class,
        person,
        organisation,
        post: None,
        standing: None,
        differs: vec![],
        may_order: true,
        may_approve: leads,
        may_pass_on: leads,
        occupier: false,
        most_per_request: None,
        most_keys: None,
        period: Period { first_day: act.today(), last_day: None },
    }
}

async fn set_pin(app: &App, person: PersonId, card: CardId, pin: &str) -> Done {
    let caller = Caller::new(person.into(), Some(person), vec![]);
    let key = Idempotency { key: "first PIN".to_owned(), request_hash: [0; 32] };
    cards::set_pin(app, &caller, &key, card, (SecretString::from(pin.to_owned()), None)).await?;
    Ok(())
}
