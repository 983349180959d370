//! Counters and their appointments.

pub mod blanks;
pub mod opening_hours;
pub mod signals;

use time::{Date, OffsetDateTime};

use crate::ids::{AppointmentId, CounterId, OrganisationId, SectionId};

record! {
    /// One shop of a dealer.
    pub struct Counter {
        /// Its id.
        id: CounterId,
        /// The dealer.
        dealer_id: OrganisationId,
        /// Its name.
        name: String,
        /// The time zone of its place (IANA), once its opening hours were stated.
        time_zone: Option<String>,
    }

    /// The appointment of a counter for a section.
    pub struct Appointment {
        /// Its id.
        id: AppointmentId,
        /// The counter.
        counter_id: CounterId,
        /// The key section.
        section_id: SectionId,
        /// The first day.
        first_day: Date,
        /// The last day.
        last_day: Option<Date>,
        /// When it was revoked.
        #[serde(with = "time::serde::rfc3339::option")]
        revoked_at: Option<OffsetDateTime>,
    }
}
