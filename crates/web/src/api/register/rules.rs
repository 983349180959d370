//! Rules: the supplier's defaults, and those of a registration.

use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;

use crate::extract::{Body, Call, Id, IfMatch, Query};
use crate::reply::{HandlerResult, versioned};
use crate::scopes::Read;
use application::register::{registrations, rules};
use application::{App, Reply};
use domain::ids::RegistrationId;
use domain::register::rules::Rules;

/// Routes.
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .routes(operations!(read_default_rules, set_default_rules))
        .routes(operations!(read_rules, set_rules))
}

body! {
    /// Rules to set.
    pub struct RulesBody {
        /// All of them; what is left out is what the program came with.
        rules: Rules,
    }
}

/// A version of rules.
#[derive(Serialize, ToSchema)]
struct RulesView {
    /// Counts the versions.
    version: i32,
    /// The rules.
    #[schema(value_type = Rules)]
    rules: Value,
}

/// Which version.
#[derive(serde::Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
struct RulesQuery {
    /// A version; the one in force, when absent.
    #[param(minimum = 1)]
    version: Option<i32>,
}

/// The supplier's default rules (supplier).
#[utoipa::path(get, path = "/v1/default-rules", tag = "rules", responses((status = 200, body = RulesView)))]
async fn read_default_rules(call: Call<Read>) -> HandlerResult {
    let (version, rules) = rules::defaults(&mut call.read().await?).await?;
    versioned(&RulesView { version, rules }, version)
}

/// Set the default rules for registrations to come (supplier).
#[utoipa::path(put, path = "/v1/default-rules", tag = "rules", responses((status = 200, body = RulesView)))]
async fn set_default_rules(
    call: Call,
    IfMatch(version): IfMatch,
    Body(body): Body<RulesBody>,
) -> HandlerResult {
    call.change(async |act| {
        let version = rules::set_defaults(act, version, &body.rules).await?;
        let rules = rules::value(&body.rules)?;
        Ok(Reply::ok(&RulesView { version, rules })?.version(version))
    })
    .await
}

/// The rules of a registration, in force or of a version.
#[utoipa::path(get, path = "/v1/registrations/{registration_id}/rules", tag = "rules",
    responses((status = 200, body = RulesView)))]
async fn read_rules(
    call: Call<Read>,
    Id(id): Id<RegistrationId>,
    Query(query): Query<RulesQuery>,
) -> HandlerResult {
    let (version, rules) = rules::of_registration(&mut call.read().await?, id, query.version).await?;
    versioned(&RulesView { version, rules }, version)
}

/// Set the rules of a registration (owner, or supplier): a new version, from now on.
#[utoipa::path(put, path = "/v1/registrations/{registration_id}/rules", tag = "rules",
    responses((status = 200, body = RulesView)))]
async fn set_rules(
    call: Call,
    Id(id): Id<RegistrationId>,
    IfMatch(version): IfMatch,
    Body(body): Body<RulesBody>,
) -> HandlerResult {
    call.change(async |act| {
        let version = registrations::set_rules(act, id, version, &body.rules).await?;
        let rules = rules::value(&body.rules)?;
        Ok(Reply::ok(&RulesView { version, rules })?.version(version))
    })
    .await
}
