//! Key sections.

use super::ids::SectionId;
use super::register::Protection;
use time::Date;

record! {
    /// The profile of a restricted key and its blank.
    pub struct Section {
        /// Its id.
        id: SectionId,
        /// Its name.
        name: String,
        /// What protects it.
        protection: Protection,
        /// Where the protection holds.
        territory: Option<String>,
        /// When it was filed.
        filed_on: Option<Date>,
        /// When it has to be renewed next.
        next_renewal_on: Option<Date>,
        /// The last day that the law can give.
        last_expiry_on: Option<Date>,
        /// Counts its changes.
        version: i32,
    }
}
