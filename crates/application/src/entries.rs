//! The entries of an act that goes on, and which of them says a row.

use std::collections::HashMap;

use uuid::Uuid;

use domain::entry::OpenEntry;
use domain::ids::{EntryId, RegistrationId};
use domain::standing::SaidRow;

/// The entries of an act, in their order.
#[derive(Default)]
pub(crate) struct OpenEntries {
    all: Vec<OpenEntry>,
    by_subject: HashMap<(Option<RegistrationId>, Uuid), usize>,
    /// The first of a registration that had room when it was last looked at.
    with_room: HashMap<Option<RegistrationId>, usize>,
}

impl OpenEntries {
    pub(crate) fn is_empty(&self) -> bool {
        self.all.is_empty()
    }

    pub(crate) fn push(&mut self, entry: OpenEntry) {
        let at = self.all.len();
        self.by_subject.entry((entry.registration(), entry.subject())).or_insert(at);
        self.with_room.entry(entry.registration()).or_insert(at);
        self.all.push(entry);
    }

    /// The newest.
    pub(crate) fn last_mut(&mut self) -> Option<&mut OpenEntry> {
        self.all.last_mut()
    }

    /// One of them.
    pub(crate) fn find(&self, id: EntryId) -> Option<&OpenEntry> {
        self.all.iter().find(|entry| entry.id() == id)
    }

    /// All of them, sealed by somebody.
    pub(crate) fn into_all(self) -> Vec<OpenEntry> {
        self.all
    }

    /// The entry that says a row: that of the row itself, else the first of the same registration with room.
    pub(crate) fn for_row(&mut self, row: &SaidRow) -> Option<&mut OpenEntry> {
        let own = self.by_subject.get(&(row.registration, row.id)).copied();
        if let Some(own) = own.filter(|own| self.has_room(*own)) {
            return self.all.get_mut(own);
        }
        let from = *self.with_room.get(&row.registration)?;
        let fits = |at: &usize| {
            self.has_room(*at)
                && self.all.get(*at).is_some_and(|entry| entry.registration() == row.registration)
        };
        let at = (from..self.all.len()).find(fits)?;
        self.with_room.insert(row.registration, at);
        self.all.get_mut(at)
    }

    fn has_room(&self, at: usize) -> bool {
        self.all.get(at).is_some_and(OpenEntry::has_room)
    }
}
