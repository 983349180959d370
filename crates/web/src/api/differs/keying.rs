//! Keyed alike and under masters, who can open what, and the schedule of it as CSV and PDF.

use axum::response::IntoResponse;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::extract::{Call, Id, Idempotent};
use crate::reply::{HandlerResult, file, ok, printing};
use crate::scopes::Read;
use application::differs::keying;
use application::differs::keying::{Group, Openings, ScheduleLine};
use application::register::csv;
use application::{App, Reply};
use domain::differs::{Differ, Level};
use domain::ids::{LockId, RegistrationId};
use print::{Report, Table, report_pdf};

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(key_locks))
        .routes(operations!(read_openings))
        .routes(operations!(schedule_csv))
        .routes(operations!(schedule_pdf))
}

/// Locks that share one differ.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KeyGroup {
    /// The locks: a pair, a group, all of them.
    #[schema(min_items = 1, max_items = 500)]
    lock_ids: Vec<LockId>,
    /// What the differ opens.
    level: Level,
}

body! {
    /// Groups of locks; one that lies over others is a master's.
    pub struct NewKeying {
        /// The groups: each gets a differ of its own.
        #[schema(min_items = 1, max_items = 100)]
        groups: Vec<KeyGroup>,
    }
}

/// A differ and its locks.
#[derive(Serialize, ToSchema)]
struct KeyedView {
    /// The differ that was drawn.
    differ: Differ,
    /// The locks that answer to it.
    lock_ids: Vec<LockId>,
}

/// What was keyed.
#[derive(Serialize, ToSchema)]
struct KeyingView {
    /// Each group.
    groups: Vec<KeyedView>,
}

/// Key locks alike (supplier): draws a differ for each group, to which its locks answer from now on, besides
/// those to which they answer already.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/keyings", tag = "differs",
    responses((status = 201, body = KeyingView)))]
async fn key_locks(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewKeying>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let group = |group: KeyGroup| Group { locks: group.lock_ids, level: group.level };
        let keyed = keying::key(act, id, body.groups.into_iter().map(group).collect()).await?;
        let groups = keyed.into_iter().map(|keyed| KeyedView { differ: keyed.differ, lock_ids: keyed.locks });
        Reply::new(201, &KeyingView { groups: groups.collect() })
    })
    .await
}

/// Who can open what, lock by lock and person by person (owner, agent, signatory, supplier). Of a site, with
/// the plots that are not handed over.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/openings", tag = "differs",
    responses((status = 200, body = Openings)))]
async fn read_openings(call: Call<Read>, Id(id): Id<RegistrationId>) -> HandlerResult {
    let found = keying::openings(&mut call.read().await?, id).await?;
    ok(&found)
}

/// The keying schedule as CSV (owner, agent, supplier). It shows no address.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/keying-schedule.csv", tag = "differs",
    responses((status = 200, body = String, content_type = "text/csv")))]
async fn schedule_csv(call: Call<Read>, Id(id): Id<RegistrationId>) -> HandlerResult {
    let (_, lines) = keying::schedule(&mut call.read().await?, id).await?;
    let bytes = csv::written(&lines)?;
    Ok((
        file("text/csv; charset=utf-8; header=present", "attachment; filename=\"keying-schedule.csv\""),
        bytes,
    )
        .into_response())
}

/// The keying schedule as PDF (owner, agent, supplier). It shows no address.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/keying-schedule.pdf", tag = "differs",
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf")))]
async fn schedule_pdf(call: Call<Read>, Id(id): Id<RegistrationId>) -> HandlerResult {
    let (number, lines) = keying::schedule(&mut call.read().await?, id).await?;
    let today = call.app.outside.clock.now().date();
    let report = Report {
        title: "Keying schedule",
        about: vec![("Registration", number.grouped()), ("Day", today.to_string())],
        foot: format!("Keying schedule of registration {}, {today}", number.grouped()),
        tables: vec![schedule_table(lines)],
        notes: vec![
            "This schedule is confidential, and shows no address on purpose: a differ's number beside one \
             helps a burglar. Neither key nor tag shows the differ or an address."
                .to_owned(),
        ],
    };
    let bytes = printing(move || report_pdf(&report)).await?;
    Ok((file("application/pdf", "attachment; filename=\"keying-schedule.pdf\""), bytes).into_response())
}

fn schedule_table(lines: Vec<ScheduleLine>) -> Table {
    let row = |line: ScheduleLine| {
        let door = if line.plot.is_empty() { line.label } else { format!("{}, {}", line.plot, line.label) };
        vec![
            door,
            line.kind.replace('_', " "),
            line.hand.to_owned(),
            line.standard,
            line.differ,
            line.level.to_owned(),
            line.locks_alike.to_string(),
            line.keys.to_string(),
            line.final_differ,
        ]
    };
    Table {
        heading: "Locks".to_owned(),
        columns: vec![
            ("Door", 5.0),
            ("Kind", 3.2),
            ("Hand", 1.2),
            ("Standard", 1.8),
            ("Differ", 2.5),
            ("Opens", 2.0),
            ("Alike", 1.0),
            ("Keys", 1.0),
            ("Final differ", 2.5),
        ],
        rows: lines.into_iter().map(row).collect(),
        empty: "No lock is registered.",
    }
}
