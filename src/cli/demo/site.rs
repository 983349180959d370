//! The building site of the scenario: ten plots, from one site key to a key of their own each.

use std::error::Error;

use crate::cli::demo::{Loader, caller_of};
use application::caller::Caller;
use application::differs::geometry;
use application::rekeys::prices;
use application::sites::{HandOverToBuyer, NewSite, Trial};
use application::{Act, Read, people, sites};
use domain::copies::DocumentKind;
use domain::copies::signature::Signature;
use domain::differs::geometry::{Claim, Geometry, Separation};
use domain::ids::{OrganisationId, PersonId, PlotId, SectionId, SiteId};
use domain::people::OrganisationKind;
use domain::rekeys::{Per, Prices, ServicePart};
use domain::text::{Name, PackNumber, Premises};

/// One door a line; invented, as everything here.
const PLOTS: &str = include_str!("site.csv");

/// Who buys, plot by plot.
const BUYERS: [&str; 10] = [
    "Ansel Thirkettle",
    "Bettany Crouchley",
    "Corwin Dapplegate",
    "Delphine Hexworth",
    "Eamon Wraysbury",
    "Fenella Quillfeather",
    "Gareth Ottershaw",
    "Hanne Brindlecombe",
    "Ivo Marlpitt",
    "Jorun Saltmarsh",
];

/// What the demo prints of it.
pub struct Site {
    /// Its id.
    pub id: SiteId,
    /// Its figures.
    pub figures: String,
}

/// A section of six levers and seven heights, as a supplier might have it.
fn levers() -> Geometry {
    Geometry {
        most_alike: Some(3),
        most_alike_in_a_row: Some(2),
        largest_step: Some(4),
        separation: Separation { positions: 2, steps: 3 },
        claims: vec![Claim::Bs3621],
        ..Geometry::plain(6, 7)
    }
}

fn price_list() -> Result<Prices, Box<dyn Error>> {
    let springs = ServicePart { name: Name::parse("lever spring")?, per: Per::Lock, quantity: 2, price: 25 };
    Ok(Prices {
        currency: "GBP".to_owned(),
        pack: 3150,
        keys_with_pack: 2,
        levers: Some(2200),
        key: 900,
        fitting: 500,
        parts: vec![springs],
    })
}

/// Begins the site, adds its plots from the file, and takes each to its buyer.
pub async fn load(
    loader: &Loader<'_>,
    section: SectionId,
    (builder, manager): (OrganisationId, PersonId),
) -> Result<Site, Box<dyn Error>> {
    let site = Act::done(loader.app, &loader.supplier, async |act| {
        geometry::set(act, section, 1, levers()).await?;
        prices::set_prices(act, section, 0, &price_list()?).await?;
        let new = NewSite {
            section,
            builder,
            name: Name::parse("Larkrise")?,
            premises: Premises::parse("Larkrise, Tannery Lane, Tolverne")?,
        };
        let site = sites::begin(act, new).await?;
        let report = sites::add_plots(act, site.id, PLOTS.as_bytes()).await?;
        if !report.imported {
            return Err("the plots of the scenario did not come in".into());
        }
        Ok::<_, Box<dyn Error>>(site)
    })
    .await?;
    let builders = caller_of(loader.app, manager).await?;
    let order = sites::order_list(&mut Read::begin(loader.app, &builders).await?, site.id).await?;
    let progress = sites::progress(&mut Read::begin(loader.app, &builders).await?, site.id).await?;
    for (plot, buyer) in progress.each.iter().zip(BUYERS) {
        hand_over(loader, &builders, plot.plot_id, buyer).await?;
    }
    let progress = sites::progress(&mut Read::begin(loader.app, &builders).await?, site.id).await?;
    let figures = format!(
        "{} plots, {} locks, {} packs, {} differs, {} keys with the packs; {} plots handed over",
        order.plots, order.locks, order.packs, order.differs, order.keys_with_packs, progress.handed_over
    );
    Ok(Site { id: site.id, figures })
}

/// Fits and tries every lock of a plot, and hands it over.
async fn hand_over(
    loader: &Loader<'_>,
    builders: &Caller,
    id: PlotId,
    buyer: &str,
) -> Result<(), Box<dyn Error>> {
    let (app, fitter) = (loader.app, builders.require_person()?);
    let (plot, locks) = sites::plot(&mut Read::begin(app, builders).await?, id).await?;
    for (door, lock) in (1..).zip(&locks) {
        Act::done(app, builders, async |act| {
            let number = plot.label.to_uppercase().replace(' ', "-");
            let pack = PackNumber::parse(&format!("{number}-{door}"))?;
            sites::fit(act, id, lock.lock_id, pack, fitter).await?;
            let trial = Trial { lock: lock.lock_id, by: fitter, final_key_works: true, site_key_dead: true };
            sites::record_trial(act, id, trial).await?;
            Ok::<_, Box<dyn Error>>(())
        })
        .await?;
    }
    let owner = loader.organisation(OrganisationKind::Owner, &format!("{buyer}, {}", plot.label)).await?;
    let person = Act::done(loader.app, &loader.supplier, async |act| {
        let person = people::add_person(act, Name::parse(buyer)?, None).await?;
        Ok::<_, Box<dyn Error>>(person)
    })
    .await?;
    Act::done(app, builders, async |act| {
        let new = HandOverToBuyer {
            buyer: owner,
            collected_by: person.id,
            document: DocumentKind::Passport,
            signature: signature(app.outside.bytes())?,
        };
        sites::hand_over(act, id, new).await?;
        Ok::<_, Box<dyn Error>>(())
    })
    .await?;
    Ok(())
}

/// A signature that nobody drew: a stroke by chance, each time another.
fn signature(drawn: [u8; 16]) -> Result<Signature, Box<dyn Error>> {
    let point = |(at, byte): (u32, u8)| [1000 + 300 * at, 2000 + 20 * u32::from(byte), 15 * at];
    Ok(Signature::try_from(vec![(0..).zip(drawn).map(point).collect::<Vec<_>>()])?)
}
