//! The plots of a site as CSV (RFC 4180), one door a line:
//!
//! ```text
//! plot, premises, label, kind, hand, standard, escape_route, room_class, alike
//! ```
//!
//! Doors of a plot with the same mark under `alike` share one differ, in pairs or throughout; a door
//! without a mark has one of its own. `premises` is the address of the house, on its first line; without
//! one it is that of the site with the plot's number. All of a file comes in, or nothing of it does.

use std::collections::{BTreeMap, HashMap};

use serde::Deserialize;

use crate::differs::{DifferDraw, answers};
use crate::register::csv::report::{Columns, LockColumns, lines_of};
use crate::register::csv::{ImportReport, LineReport};
use crate::register::locks::LockContent;
use crate::register::{locks, registrations};
use crate::sites::give_builder;
use crate::{Act, ActError, access};
use domain::differs::Level;
use domain::ids::{DifferId, SiteId};
use domain::register::registrations::Registration;
use domain::sites::{Plot, PlotLock, Site};
use domain::text::{Label, Premises};
use storage::sites;

/// The most doors of one file.
pub const MOST_DOORS: usize = 500;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    plot: String,
    premises: String,
    label: String,
    kind: String,
    hand: String,
    standard: String,
    escape_route: String,
    room_class: String,
    alike: String,
}

/// A door as it was read.
struct Door {
    lock: LockContent,
    /// What it shares with other doors of the plot.
    alike: Option<String>,
}

/// The plots of a file, in its order.
#[derive(Default)]
struct Houses {
    order: Vec<String>,
    of: HashMap<String, (Option<Premises>, Vec<Door>)>,
}

impl Houses {
    fn take(&mut self, line: &Line, columns: &mut Columns) {
        let label = columns.read("plot", &line.plot, Label::parse);
        let premises = columns.optional("premises", &line.premises, Premises::parse);
        let lock = columns.lock(&LockColumns {
            label: &line.label,
            kind: &line.kind,
            hand: &line.hand,
            standard: &line.standard,
            escape_route: &line.escape_route,
            room_class: &line.room_class,
        });
        let alike = columns.optional("alike", &line.alike, Label::parse);
        let (Some(label), Some(lock)) = (label, lock) else { return };
        let (address, doors) = self.of.entry(label.to_string()).or_insert_with(|| {
            self.order.push(label.to_string());
            (None, vec![])
        });
        if doors.iter().any(|door| door.lock.label == lock.label) {
            columns.say("label", "is the label of another door of this plot");
        }
        if let Some(premises) = premises {
            if address.as_ref().is_some_and(|address| *address != premises) {
                columns.say("premises", "is another address than on an earlier line of this plot");
            }
            *address = Some(premises);
        }
        doors.push(Door { lock, alike: alike.map(String::from) });
    }
}

/// Adds the plots of a site (supplier): each is registered for the builder with its doors, which answer
/// to the site's key, and gets the differs that it will have, reserved.
pub async fn add_plots(act: &mut Act<'_>, id: SiteId, bytes: &[u8]) -> Result<ImportReport, ActError> {
    act.caller.require_supplier()?;
    let (mut houses, mut lines) = (Houses::default(), Vec::new());
    for (number, line) in (2..).zip(lines_of::<Line>(bytes, MOST_DOORS)?) {
        let (plot, problems) = match line {
            Ok(line) => {
                let mut columns = Columns::default();
                houses.take(&line, &mut columns);
                (line.plot, columns.problems)
            }
            Err(problem) => (String::new(), vec![problem]),
        };
        lines.push(LineReport::of(number, plot, problems));
    }
    let report = ImportReport::of(lines);
    if houses.order.is_empty() && report.imported {
        return Err(ActError::invalid("", "has no door"));
    }
    if !report.imported {
        return Ok(report);
    }
    let site = sites::site(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (registration, _) = act.registration_for_update(site.registration_id).await?;
    access::require_active(&registration)?;
    if access::require_living(act, site.temporary_differ_id).await.is_err() {
        return Err(ActError::Conflict("the site key is dead: begin another site for these plots"));
    }
    let mut drawing = DifferDraw::begin(act, &registration, &[]).await?;
    for label in &houses.order {
        let Some((premises, doors)) = houses.of.remove(label) else { continue };
        add_plot(act, (&site, &registration), &mut drawing, label, (premises, doors)).await?;
    }
    Ok(report)
}

async fn add_plot(
    act: &mut Act<'_>,
    (site, of_site): (&Site, &Registration),
    drawing: &mut DifferDraw,
    label: &str,
    (premises, doors): (Option<Premises>, Vec<Door>),
) -> Result<(), ActError> {
    let address = || Premises::parse(&format!("{}, {label}", of_site.premises));
    let premises = premises.map_or_else(address, Ok);
    let premises = premises.map_err(|error| ActError::invalid("/premises", error.to_string()))?;
    let registration = registrations::add(act, of_site.section_id, site.builder_id, premises).await?;
    let plot = Plot {
        id: act.id(),
        site_id: site.id,
        site_registration_id: of_site.id,
        label: label.to_owned(),
        registration_id: registration.id,
        handed_over_at: None,
    };
    let now = act.now;
    if let Err(error) = sites::add_plot(act.db(), &plot, now).await {
        return Err(match error.violated() {
            Some("plots_label_once") => ActError::Conflict("the site has a plot with one of these numbers"),
            _ => error.into(),
        });
    }
    act.enter_change("plot.added", Some(registration.id), plot.id.0, vec![]).await?;
    give_builder(act, &registration, site.builder_id).await?;
    let mut shared: BTreeMap<String, DifferId> = BTreeMap::new();
    for door in doors {
        let known = door.alike.as_ref().and_then(|mark| shared.get(mark)).copied();
        let differ = match known {
            Some(differ) => differ,
            None => drawing.draw(act, &registration, Level::Lock, true).await?.id,
        };
        if let Some(mark) = door.alike {
            shared.insert(mark, differ);
        }
        let lock = locks::add_to(act, &registration, door.lock).await?;
        answers::change_levers(act, registration.id, lock.id, &[], &[site.temporary_differ_id]).await?;
        let row = PlotLock {
            lock_id: lock.id,
            label: lock.label,
            final_differ_id: differ,
            on_site_key: true,
            fitted_at: None,
            fitted_by: None,
            final_key_works_at: None,
            site_key_dead_at: None,
            tried_by: None,
        };
        let id = act.id();
        sites::add_lock(act.db(), id, &plot, &row, now).await?;
    }
    Ok(())
}
