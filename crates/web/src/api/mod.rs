//! The URL map: a file or a folder for each subject.

mod cards;
mod copies;
mod counters;
mod differs;
mod keys;
mod log_entries;
mod people;
mod register;
mod rekeys;
mod rights;
mod sites;

pub mod health;

use utoipa_axum::router::OpenApiRouter;

use crate::api::cards::checks;
use crate::api::copies::{offline, uncollected};
use crate::api::counters::{blanks, signals};
use crate::api::differs::{answers, bitting, keying};
use crate::api::keys::{audits, losses, statements};
use crate::api::people::{me, organisations, sessions};
use crate::api::register::{csv, locks, registrations, rules, sections};
use crate::api::rights::{authorities, holds, mandates};
use application::App;

/// Every resource.
#[must_use]
pub fn routes() -> OpenApiRouter<App> {
    OpenApiRouter::new()
        .merge(sessions::routes()) //       /v1/sessions, /v1/oauth, /v1/invitations, /.well-known
        .merge(me::routes()) //             /v1/me
        .merge(organisations::routes()) //  /v1/organisations, /v1/memberships, /v1/client-programs
        .merge(people::routes()) //         /v1/people
        .merge(sections::routes()) //       /v1/sections
        .merge(counters::routes()) //       /v1/counters, /v1/appointments
        .merge(blanks::routes()) //         /v1/counters/{id}/blanks, consignments and the like
        .merge(registrations::routes()) //  /v1/registrations, /v1/history
        .merge(locks::routes()) //          /v1/registrations/{id}/locks, /v1/locks
        .merge(rules::routes()) //          /v1/default-rules, /v1/registrations/{id}/rules
        .merge(authorities::routes()) //    /v1/registrations/{id}/authorities, /v1/authorities, /v1/authority-offers
        .merge(mandates::routes()) //    /v1/registrations/{id}/mandates, /v1/mandates
        .merge(cards::routes()) //          /v1/registrations/{id}/cards, /v1/cards
        .merge(checks::routes()) //         /v1/counters/{id}/card-checks
        .merge(holds::routes()) //          /v1/registrations/{id}/holds, /v1/holds
        .merge(keys::routes()) //           /v1/registrations/{id}/keys, /v1/keys, lever packs
        .merge(losses::routes()) //         /v1/keys/{id}/loss, /v1/losses
        .merge(rekeys::routes()) //         /v1/registrations/{id}/rekeys, /v1/rekeys, price lists
        .merge(audits::routes()) //         …/audits, /v1/audit-lines, …/stock-counts
        .merge(statements::routes()) //     …/statements, /v1/statements
        .merge(keying::routes()) //         …/keyings, …/openings, …/keying-schedule.csv and .pdf
        .merge(sites::routes()) //          /v1/sites, /v1/plots
        .merge(copies::routes()) //         /v1/registrations/{id}/copy-requests, /v1/copy-requests
        .merge(differs::routes()) //        /v1/sections/{id}/geometry, /v1/differ-counts, …/differs, …/differ-allotments, /v1/differs
        .merge(answers::routes()) //        /v1/locks/{id}/answers
        .merge(bitting::routes()) //        /v1/differs/{id}/bitting, /v1/copy-requests/{id}/cutting-sheet
        .merge(offline::routes()) //        /v1/counters/{id}/offline-…, /v1/flagged-cuts
        .merge(uncollected::routes()) //    /v1/counters/{id}/uncollected-keys, /v1/destructions
        .merge(signals::routes()) //        /v1/signals
        .merge(log_entries::routes()) //    /v1/log-entries
        .merge(csv::routes()) //            /v1/imports, /v1/registrations/{id}/register.csv
}

/// The query of a list.
macro_rules! list_query {
    ($( $(#[$meta:meta])* pub struct $name:ident { $( $(#[$field_meta:meta])* $field:ident: $type:ty, )* } )+) => { $(
        $(#[$meta])*
        #[derive(serde::Deserialize, utoipa::IntoParams)]
        #[serde(deny_unknown_fields)]
        #[into_params(parameter_in = Query)]
        pub struct $name {
            /// The last id of the portion before.
            after: Option<uuid::Uuid>,
            /// The most items.
            #[param(minimum = 1, maximum = 200)]
            limit: Option<u16>,
            $( $(#[$field_meta])* $field: Option<$type>, )*
        }

        impl $crate::extract::ListFilters for $name {
            fn portion(&self) -> Result<storage::Portion, $crate::problem::Problem> {
                $crate::extract::portion(self.after, self.limit)
            }
        }
    )+ };
}
use list_query;

list_query! {
    /// A list without filters.
    pub struct ListQuery {}
}
