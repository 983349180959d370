//! Building sites and their plots: how far a plot has come from the site's key to the buyer's own.
//!
//! ```text
//! on the site key -> every lock fitted -> both keys tried in every lock -> handed over
//! ```
//!
//! The site key ends at the hand-over, and that is shown in each lock (common practice; Washington
//! State University, Design and Construction Standard 08 70 00, 2016, asks for the demonstration).

use time::OffsetDateTime;

use crate::copies::DocumentKind;
use crate::ids::{
    DifferId, LockId, OrganisationId, PersonId, PlotHandOverId, PlotId, RegistrationId, SiteId,
};

words! {
    /// How far a plot has come; its slowest lock decides.
    pub enum PlotStep {
        /// Some of its locks are on the site key.
        OnSiteKey = "on_site_key",
        /// Every lock was fitted; both keys are still to be tried in some.
        Fitted = "fitted",
        /// Both keys were tried in every lock: it can be handed over.
        Ready = "ready",
        /// It is the buyer's.
        HandedOver = "handed_over",
    }
}

/// How far the locks of a plot have come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LockCounts {
    /// Its locks.
    pub locks: u32,
    /// The number of them that are on the site key.
    pub on_site_key: u32,
    /// Of them, fitted with their final packs.
    pub fitted: u32,
    /// Of them, tried with both keys.
    pub tried: u32,
}

/// How far a plot has come.
#[must_use]
pub fn step(counts: LockCounts, handed_over: bool) -> PlotStep {
    if handed_over {
        PlotStep::HandedOver
    } else if counts.on_site_key > 0 || counts.fitted < counts.locks {
        PlotStep::OnSiteKey
    } else if counts.tried < counts.locks {
        PlotStep::Fitted
    } else {
        PlotStep::Ready
    }
}

/// What stands in the way of a hand-over, lock by lock; nothing, when the plot is ready.
#[must_use]
pub fn in_the_way(locks: &[PlotLock]) -> Vec<String> {
    let mut found = Vec::new();
    for lock in locks {
        let label = &lock.label;
        if lock.on_site_key {
            found.push(format!("{label} is still on the site key"));
        } else if lock.fitted_at.is_none() {
            found.push(format!("{label} has not been fitted with its final pack"));
        } else if lock.final_key_works_at.is_none() || lock.site_key_dead_at.is_none() {
            found.push(format!("both keys are still to be tried in {label}"));
        }
    }
    if locks.is_empty() {
        found.push("the plot has no lock".to_owned());
    }
    found
}

record! {
    /// A building site.
    pub struct Site {
        /// Its id.
        id: SiteId,
        /// The registration of the site, to which the temporary differ belongs.
        registration_id: RegistrationId,
        /// The builder.
        builder_id: OrganisationId,
        /// Its name.
        name: String,
        /// The differ of the site's key.
        temporary_differ_id: DifferId,
        /// When it was begun.
        #[serde(with = "time::serde::rfc3339")]
        created_at: OffsetDateTime,
    }

    /// One house of a site.
    pub struct Plot {
        /// Its id.
        id: PlotId,
        /// The building site.
        site_id: SiteId,
        /// The registration of the site.
        site_registration_id: RegistrationId,
        /// Its number on the plan.
        label: String,
        /// Its own registration, which becomes the buyer's.
        registration_id: RegistrationId,
        /// When it was handed over.
        #[serde(with = "time::serde::rfc3339::option")]
        handed_over_at: Option<OffsetDateTime>,
    }

    /// A lock of a plot, from the site key to the buyer's own.
    pub struct PlotLock {
        /// The lock.
        lock_id: LockId,
        /// Its line in the schedule.
        label: String,
        /// The differ that it gets.
        final_differ_id: DifferId,
        /// It answers to the site's key now.
        on_site_key: bool,
        /// When its final pack was fitted.
        #[serde(with = "time::serde::rfc3339::option")]
        fitted_at: Option<OffsetDateTime>,
        /// Who fitted the pack.
        fitted_by: Option<PersonId>,
        /// When the final key was tried in it, and worked.
        #[serde(with = "time::serde::rfc3339::option")]
        final_key_works_at: Option<OffsetDateTime>,
        /// When the site key was tried in it, and was dead.
        #[serde(with = "time::serde::rfc3339::option")]
        site_key_dead_at: Option<OffsetDateTime>,
        /// Who tried them.
        tried_by: Option<PersonId>,
    }

    /// The hand-over of a plot to its buyer.
    pub struct PlotHandOver {
        /// Its id.
        id: PlotHandOverId,
        /// The plot.
        plot_id: PlotId,
        /// The builder until then.
        builder_id: OrganisationId,
        /// The buyer from then on.
        buyer_id: OrganisationId,
        /// Who collected the keys and signed.
        collected_by: PersonId,
        /// Which kind of document was seen.
        document_seen: DocumentKind,
        /// How many keys were handed over.
        keys_handed: u32,
        /// When the plot was handed over.
        #[serde(with = "time::serde::rfc3339")]
        made_at: OffsetDateTime,
    }
}

#[cfg(test)]
mod tests {
    use time::macros::datetime;
    use uuid::Uuid;

    use super::*;
    use crate::ids::{DifferId, LockId, PersonId};

    #[test]
    fn a_plot_is_ready_when_its_slowest_lock_is() {
        let of = |on_site_key, fitted, tried| LockCounts { locks: 2, on_site_key, fitted, tried };
        assert_eq!(step(of(1, 1, 1), false), PlotStep::OnSiteKey);
        assert_eq!(step(of(0, 1, 1), false), PlotStep::OnSiteKey);
        assert_eq!(step(of(0, 2, 1), false), PlotStep::Fitted);
        assert_eq!(step(of(0, 2, 2), false), PlotStep::Ready);
        assert_eq!(step(of(0, 2, 2), true), PlotStep::HandedOver);
    }

    #[test]
    fn every_lock_that_is_not_ready_is_named() {
        let at = Some(datetime!(2026-11-02 09:00 UTC));
        let lock = |label: &str, on_site_key, fitted_at, tried_at| PlotLock {
            lock_id: LockId(Uuid::nil()),
            label: label.to_owned(),
            final_differ_id: DifferId(Uuid::nil()),
            on_site_key,
            fitted_at,
            fitted_by: None,
            final_key_works_at: tried_at,
            site_key_dead_at: tried_at,
            tried_by: Some(PersonId(Uuid::nil())),
        };
        let locks = [
            lock("Front door", true, None, None),
            lock("Back door", false, at, None),
            lock("Garage", false, None, None),
            lock("Side door", false, at, at),
        ];
        assert_eq!(
            in_the_way(&locks),
            [
                "Front door is still on the site key",
                "both keys are still to be tried in Back door",
                "Garage has not been fitted with its final pack"
            ]
        );
        assert_eq!(in_the_way(&locks[3..]), Vec::<String>::new());
        assert_eq!(in_the_way(&[]), ["the plot has no lock"]);
    }
}
