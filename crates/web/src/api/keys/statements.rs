//! Statements for an insurer or a solicitor, as JSON and PDF.

use axum::response::IntoResponse;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::api::ListQuery;
use crate::extract::{Call, Id, Idempotent, Listing};
use crate::reply::{HandlerResult, List, kept_nowhere, ok, printing};
use crate::scopes::Read;
use application::keys::statements;
use application::{ActError, App, Reply};
use domain::calendar::Day;
use domain::ids::{EntryId, RegistrationId, StatementId};
use domain::keys::statements::{Statement, StatementContent};
use print::{Report, Table, report_pdf};
use storage::keys::statements::StatementSummary;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(make_statement, list_statements))
        .routes(operations!(read_statement))
        .routes(operations!(statement_pdf))
}

body! {
    /// A statement to make.
    pub struct NewStatement {
        /// The day that it is about; today, when absent.
        on: Option<Day>,
    }
}

/// A statement, and what proves that it was made.
#[derive(Serialize, ToSchema)]
struct StatementView {
    /// The statement.
    #[schema(value_type = StatementContent)]
    content: Value,
    /// The statement as text: the bytes that were hashed.
    text: String,
    /// base64url(SHA-256(text)).
    hash: String,
    /// The entry of the log that commits to the hash; its receipt is at `/v1/log-entries/{entry_id}/receipt`.
    entry_id: EntryId,
    /// What shows the hash in the entry; none before the entry can be read.
    disclosure: Option<String>,
}

fn view(statement: Statement, disclosure: Option<String>) -> Result<StatementView, ActError> {
    let content =
        serde_json::from_str(&statement.content).map_err(|error| ActError::Internal(error.to_string()))?;
    Ok(StatementView {
        content,
        text: statement.content,
        hash: statement.hash,
        entry_id: statement.entry_id,
        disclosure,
    })
}

/// Make a statement of a day for an insurer or a solicitor (owner, agent, supplier): locks and their
/// standards, keys in existence, who may order, the last rekey, open losses. It names no differ. Its hash
/// goes into the log.
#[utoipa::path(post, path = "/v1/registrations/{registration_id}/statements", tag = "statements",
    responses((status = 201, body = StatementView)))]
async fn make_statement(
    call: Call,
    Id(id): Id<RegistrationId>,
    Idempotent { key, body }: Idempotent<NewStatement>,
) -> HandlerResult {
    call.act(&key, async |act| {
        let (made, disclosure) = statements::make(act, id, body.on.map(|day| day.0)).await?;
        let location = format!("/v1/statements/{}", made.id);
        Reply::created(&view(made, disclosure)?, location)
    })
    .await
}

/// Statements that were made (owner, agent, supplier).
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/statements", tag = "statements",
    responses((status = 200, body = List<StatementSummary>)))]
async fn list_statements(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    list: Listing<ListQuery>,
) -> HandlerResult {
    let found = statements::all(&mut call.read().await?, id, list.portion).await?;
    Ok(list.reply(found, |item| item.id.0))
}

/// A statement (owner, agent, supplier).
#[utoipa::path(get, path = "/v1/statements/{statement_id}", tag = "statements",
    responses((status = 200, body = StatementView)))]
async fn read_statement(call: Call<Read>, Id(id): Id<StatementId>) -> HandlerResult {
    let (statement, disclosure) = statements::statement(&mut call.read().await?, id).await?;
    ok(&view(statement, disclosure)?)
}

/// A statement as PDF (owner, agent, supplier).
#[utoipa::path(get, path = "/v1/statements/{statement_id}/statement.pdf", tag = "statements",
    responses((status = 200, body = Vec<u8>, content_type = "application/pdf")))]
async fn statement_pdf(call: Call<Read>, Id(id): Id<StatementId>) -> HandlerResult {
    let (statement, disclosure) = statements::statement(&mut call.read().await?, id).await?;
    let view = view(statement, disclosure)?;
    let bytes = printing(move || report_pdf(&report(&view))).await?;
    Ok((kept_nowhere("application/pdf"), bytes).into_response())
}

/// The text of a field, whatever it is: a statement is printed as it was kept.
fn text(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::Bool(yes) => if *yes { "yes" } else { "no" }.to_owned(),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}

fn rows(content: &Value, list: &str, fields: &[&str]) -> Vec<Vec<String>> {
    let items = content.get(list).and_then(Value::as_array).cloned().unwrap_or_default();
    // Words of the register are printed as words; labels, names and references as they were written.
    let cell = |item: &Value, field: &str| {
        let written = text(item.get(field).unwrap_or(&Value::Null));
        if ["kind", "class", "decision"].contains(&field) { written.replace('_', " ") } else { written }
    };
    let row = |item: &Value| fields.iter().map(|field| cell(item, field)).collect();
    items.iter().map(row).collect()
}

fn tables(content: &Value) -> Vec<Table> {
    let keys = content.get("keys").cloned().unwrap_or_default();
    let counts = ["in_existence", "with_people", "in_store", "missing"];
    let counts = counts.map(|field| text(keys.get(field).unwrap_or(&Value::Null))).to_vec();
    vec![
        Table {
            heading: "Locks".to_owned(),
            columns: vec![
                ("Door", 4.0),
                ("Kind", 3.0),
                ("Standard", 2.0),
                ("Escape route", 1.6),
                ("Keyed on", 1.8),
                ("Alike with", 1.4),
                ("Keys", 1.0),
                ("Missing", 1.2),
            ],
            rows: rows(
                content,
                "locks",
                &["label", "kind", "standard", "escape_route", "keyed_on", "alike_with", "keys", "missing"],
            ),
            empty: "No lock was registered.",
        },
        Table {
            heading: "Keys".to_owned(),
            columns: vec![("In existence", 1.0), ("With people", 1.0), ("In store", 1.0), ("Missing", 1.0)],
            rows: vec![counts],
            empty: "",
        },
        Table {
            heading: "Who may order keys".to_owned(),
            columns: vec![("Name", 4.0), ("As", 2.0), ("Every key", 1.5), ("May approve", 1.5)],
            rows: rows(content, "may_order", &["name", "class", "every_key", "may_approve"]),
            empty: "Nobody.",
        },
        Table {
            heading: "Open losses".to_owned(),
            columns: vec![("Kind", 1.5), ("Reported on", 2.0), ("Police reference", 3.0), ("Decided", 2.0)],
            rows: rows(content, "open_losses", &["kind", "reported_on", "crime_reference", "decision"]),
            empty: "None.",
        },
    ]
}

fn report(view: &StatementView) -> Report {
    let content = &view.content;
    // Numbers are grouped by hyphens, and names may have underscores: as they are.
    let plain = |field: &str| content.get(field).and_then(Value::as_str).unwrap_or_default().to_owned();
    let rekey = plain("last_rekey_on");
    let remarks = content.get("remarks").and_then(Value::as_array).cloned().unwrap_or_default();
    let mut notes: Vec<String> = remarks.iter().map(text).collect();
    notes.push(format!(
        "On record: entry {} of the evidence log commits to this statement, whose SHA-256 (base64url) is\n{}\nThe \
         receipt of the entry and the disclosure below prove that it was made as it stands, without trusting \
         whoever keeps the register.",
        view.entry_id, view.hash
    ));
    // One word of some two hundred characters: broken by hand, since nothing in it is a place to break.
    let lines = |shown: &String| -> Vec<String> {
        shown.as_bytes().chunks(96).map(|part| String::from_utf8_lossy(part).into_owned()).collect()
    };
    let shown = |shown| format!("Disclosure, without the line breaks:\n{}", lines(shown).join("\n"));
    notes.extend(view.disclosure.iter().map(shown));
    Report {
        title: "Statement on restricted keys",
        foot: format!("Statement {} of {}", plain("statement_id"), plain("on")),
        about: vec![
            ("Premises", plain("premises")),
            ("Owner", plain("owner")),
            ("Registration", plain("registration")),
            ("Key section", plain("section")),
            ("As it stood on", plain("on")),
            ("Made at", plain("made_at")),
            ("Last rekey", if rekey.is_empty() { "none on record".to_owned() } else { rekey }),
        ],
        tables: tables(content),
        notes,
    }
}
