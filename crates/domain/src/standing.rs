//! How the register stands, as the entries of the log say.
//!
//! An entry of the second form carries every row that its act wrote, as it was afterwards: what concerns nobody in
//! plain, everything else (people, names, what somebody typed) as a commitment. The last entry that says a row says how
//! it stands. Checking the register, entering again what a restored backup lost, and whoever audits use this one
//! reading.
//!
//! ```text
//! "rows":[{"of":"keys","id":"<id>","registration_id":"<id>","differ_id":"<id>","copy_number":3,"state":"in_store"}]
//! disclosure = [salt, "keys/<id>/holder_id", "<id>"]
//! ```

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde_json::{Map, Value, json};
use uuid::Uuid;

use crate::disclosures::{commitment, read};
use crate::ids::{EntryId, RegistrationId};

/// A table whose rows the entries say.
#[derive(Debug, PartialEq, Eq)]
pub struct SaidTable {
    /// Its name.
    pub name: &'static str,
    /// Columns that concern nobody.
    pub plain: &'static [&'static str],
    /// Columns that an entry commits to.
    pub committed: &'static [&'static str],
    /// Columns that change without an entry, or are no part of what is said.
    pub unsaid: &'static [&'static str],
    /// What is committed to is written with a row and stays as it is.
    pub keeps_what_it_commits_to: bool,
}

macro_rules! tables {
    (@ keeps) => { true };
    (@ changes) => { false };
    ($($name:literal $keeps:ident: [$($plain:literal)*] [$($committed:literal)*] [$($unsaid:literal)*])*) => {
        /// Every table that has versions.
        pub const TABLES: &[SaidTable] = &[$(SaidTable {
            name: $name,
            plain: &[$($plain),*],
            committed: &[$($committed),*],
            unsaid: &[$($unsaid),*],
            keeps_what_it_commits_to: tables!(@ $keeps),
        }),*];
    };
}

tables! {
    "answers" keeps: ["id" "registration_id" "lock_id" "differ_id" "differ_registration_id" "since" "until"] [] ["changed_at"]
    "appointments" keeps: ["id" "counter_id" "section_id" "first_day" "last_day" "revoked_at"] [] ["changed_at"]
    "audits" keeps: ["id" "registration_id" "level" "silence" "opened_at" "due_on" "closed_at"]
        ["person_id" "opened_by"] ["changed_at"]
    "authorities" keeps: ["id" "registration_id" "class" "organisation_id" "post" "standing" "every_differ" "may_order"
        "may_approve" "may_pass_on" "occupier" "most_per_request" "most_keys" "first_day" "last_day" "given_under"
        "given_at" "revoked_at" "left_on"] ["person_id" "given_by" "confirmed_by"] ["changed_at"]
    "authority_differs" keeps: ["id" "registration_id" "authority_id" "differ_id"] [] ["changed_at"]
    // What is tried at a counter changes no card.
    "cards" keeps: ["id" "registration_id" "state" "expires_on" "status_list" "status_index" "replaces_id"]
        ["person_id" "number"] ["pin_hash" "pin_failures" "pin_blocked_until" "changed_at"]
    "copy_requests" keeps: ["id" "registration_id" "differ_id" "counter_id" "quantity" "purpose" "replaces_key_id"
        "needed_from" "due_back_on" "extends_request_id" "state" "asked_at" "authorised_at" "lapses_at" "cut_count"
        "handed_count" "version"] ["asked_by" "recipient_id" "emergency_reason"] ["changed_at"]
    "counters" changes: ["id" "dealer_id" "time_zone"] ["name"] ["changed_at"]
    "differs" keeps: ["id" "registration_id" "section_id" "level" "state" "allotted_at"] ["number"] ["changed_at"]
    "holds" changes: ["id" "registration_id" "kind" "differ_id" "loss_id" "ordered_on" "ends_on" "placed_at" "lifted_at"]
        ["barred_person_id" "court" "order_reference" "placed_by" "lifted_by"] ["changed_at"]
    "keys" changes: ["id" "registration_id" "differ_id" "copy_number" "cut_id" "lever_pack_id" "state" "due_back_on"
        "overdue_since" "version"] ["holder_id"] ["changed_at"]
    "locks" changes: ["id" "registration_id" "kind" "hand" "standard" "escape_route" "room_class" "version"]
        ["label"] ["changed_at"]
    "losses" changes: ["id" "registration_id" "key_id" "kind" "happened_on" "reported_at" "found_at" "charge" "charge_amount"
        "charge_currency" "waived_by_post" "decision" "decided_at"]
        ["crime_reference" "place" "reported_by" "decision_reason" "decided_by"] ["changed_at"]
    "mandates" keeps: ["id" "registration_id" "first_day" "last_day" "revoked_at"]
        ["recipient_id" "collector_id"] ["changed_at"]
    "memberships" keeps: ["id" "organisation_id" "post" "first_day" "last_day" "ended_at"] ["person_id"] ["changed_at"]
    "plot_locks" changes: ["id" "registration_id" "plot_id" "lock_id" "sequence" "final_differ_id" "fitted_at"
        "lever_pack_id" "final_key_works_at" "site_key_dead_at"] ["fitted_by" "tried_by"] ["changed_at"]
    "plots" keeps: ["id" "registration_id" "site_id" "site_registration_id" "sequence" "handed_over_at"]
        ["label"] ["changed_at"]
    "registrations" changes: ["id" "section_id" "owner_id" "rules_version" "version" "next_audit_on" "created_at"
        "owner_since" "ended_at"] ["number" "premises"] ["changed_at"]
    "rekey_locks" changes: ["id" "registration_id" "rekey_id" "lock_id" "keys_for" "fitted_at" "lever_pack_id"
        "old_keys_collected"] ["fitted_by"] ["changed_at"]
    "rekeys" keeps: ["id" "registration_id" "loss_id" "state" "begun_at" "ended_at"] ["reason" "plan" "begun_by"] ["changed_at"]
    "sections" changes: ["id" "protection" "filed_on" "next_renewal_on" "last_expiry_on" "version"]
        ["name" "territory" "geometry"] ["changed_at"]
    "sites" keeps: ["id" "registration_id" "builder_id" "temporary_differ_id" "created_at"] ["name"] ["changed_at"]
}

impl SaidTable {
    /// The table of a name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        TABLES.iter().find(|table| table.name == name)
    }

    /// A row with the columns that are said or committed to, and when it was changed: what somebody adds to a table one
    /// day, or tries at a counter, is shown to nobody by that.
    #[must_use]
    pub fn shown(&self, row: &Value) -> Value {
        let columns = self.plain.iter().chain(self.committed).chain(&["changed_at"]);
        let shown = columns.filter_map(|column| Some(((*column).to_owned(), row.get(*column)?.clone())));
        Value::Object(shown.collect())
    }

    /// Its rows belong to registrations.
    #[must_use]
    pub fn is_of_registration(&self) -> bool {
        self.name == "registrations" || self.plain.contains(&"registration_id")
    }
}

/// A row as an entry says it.
#[derive(Debug, Clone, PartialEq)]
pub struct SaidRow {
    /// Its table.
    pub table: &'static SaidTable,
    /// Its id.
    pub id: Uuid,
    /// The registration that it belongs to.
    pub registration: Option<RegistrationId>,
    /// What is said in plain.
    pub plain: Map<String, Value>,
    /// What is committed to, by column.
    pub committed: Vec<(&'static str, Value)>,
    /// It is not in the register any more.
    pub gone: bool,
}

impl SaidRow {
    /// A row of a table as it is said; nothing where its table is not said.
    #[must_use]
    pub fn new(table: &str, content: &Value) -> Option<Self> {
        let table = SaidTable::named(table)?;
        let id_in = |column: &str| content.get(column)?.as_str()?.parse().ok();
        let id = id_in("id")?;
        let registration = if table.name == "registrations" { Some(id) } else { id_in("registration_id") };
        let value = |column: &&'static str| {
            let value = content.get(*column).filter(|value| !value.is_null())?;
            Some((*column, value.clone()))
        };
        let plain = table.plain.iter().filter_map(value).map(|(column, value)| (column.to_owned(), value));
        Some(Self {
            table,
            id,
            registration: registration.map(RegistrationId),
            plain: plain.collect(),
            committed: table.committed.iter().filter_map(value).collect(),
            gone: content.get("gone") == Some(&Value::Bool(true)),
        })
    }

    /// A row that the register has not got any more, though the log says it.
    #[must_use]
    pub fn missing(difference: &Difference) -> Option<Self> {
        let registration = difference.registration_id;
        let content = json!({"id": difference.id, "registration_id": registration});
        Some(Self { gone: true, ..Self::new(&difference.of, &content)? })
    }

    /// The columns that may be written again from what an entry says in plain; nothing where that would say something
    /// else than happened.
    #[must_use]
    pub fn again(&self) -> Option<Vec<&'static str>> {
        let mut columns: Vec<&str> =
            self.table.plain.iter().copied().filter(|column| *column != "id").collect();
        if self.table.name == "keys" {
            // Who has it is not said in plain.
            match self.plain.get("state").and_then(Value::as_str)? {
                "with_person" => return None,
                "in_store" | "returned" => columns.push("holder_id"),
                _ => {}
            }
        }
        (!self.gone).then_some(columns)
    }

    /// As it stands in an entry.
    #[must_use]
    pub fn said(&self) -> Value {
        let mut said = Map::from_iter([("of".to_owned(), Value::from(self.table.name))]);
        said.extend(self.plain.clone());
        if self.gone {
            said.insert("gone".to_owned(), Value::Bool(true));
        }
        Value::Object(said)
    }

    /// The name under which an entry commits to a column.
    #[must_use]
    pub fn name_of(&self, column: &str) -> String {
        format!("{}/{}/{column}", self.table.name, self.id)
    }
}

/// Whether a disclosure shows a column of a row, and not what an act was about.
#[must_use]
pub fn is_of_row(name: &str) -> bool {
    name.contains('/')
}

/// A row as the last entry says it.
#[derive(Debug, Clone, PartialEq)]
struct Known {
    entry: EntryId,
    /// Absent: the entry says that it is not in the register any more.
    plain: Option<Map<String, Value>>,
    /// What its disclosures show, as far as they were not erased.
    shown: BTreeMap<String, Value>,
    /// Everything that its entry commits to is shown.
    complete: bool,
}

/// How rows stand, as the entries say.
#[derive(Debug, Clone, Default)]
pub struct Standing {
    rows: BTreeMap<(&'static str, Uuid), Known>,
}

words! {
    /// What does not agree with the log.
    pub enum DifferenceKind {
        /// The register has something else than the log says.
        Changed = "changed",
        /// The log says it, and the register has not got it.
        Gone = "gone",
        /// The register has it, and the log does not say it.
        Unknown = "unknown",
    }
}

/// Something that does not agree with the log.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Difference {
    /// What kind of difference.
    pub kind: DifferenceKind,
    /// The table, or the part of the log.
    pub of: String,
    /// The id of the row or entry.
    pub id: Uuid,
    /// The registration that it belongs to.
    pub registration_id: Option<RegistrationId>,
    /// The entry that says it.
    pub entry_id: Option<EntryId>,
    /// The columns.
    pub columns: Vec<String>,
}

impl fmt::Display for Difference {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{}: {} {}", self.kind, self.of, self.id)?;
        if !self.columns.is_empty() {
            write!(out, " ({})", self.columns.join(", "))?;
        }
        if let Some(registration) = self.registration_id {
            write!(out, ", registration {registration}")?;
        }
        match self.entry_id {
            Some(entry) if entry.0 != self.id => write!(out, ", entry {entry}"),
            _ => Ok(()),
        }
    }
}

impl Standing {
    /// Takes in the rows that an entry says, in the order of the log, with what shows its commitments.
    pub fn take_in(
        &mut self,
        entry: EntryId,
        rows: Vec<SaidRow>,
        commitments: &BTreeSet<String>,
        disclosures: &[String],
    ) {
        let shown = disclosures.iter().filter(|text| commitments.contains(&commitment(text)));
        let shown: BTreeMap<String, Value> = shown.filter_map(|text| read(text)).collect();
        // Where all of it is shown, a column without a commitment had no value.
        let complete = shown.len() == commitments.len();
        for row in rows {
            let prefix = row.name_of("");
            let of_row = shown.range(prefix.clone()..).take_while(|(name, _)| name.starts_with(&prefix));
            let column = |name: &String| name.trim_start_matches(&prefix).to_owned();
            let shown = of_row.map(|(name, value)| (column(name), value.clone())).collect();
            let plain = (!row.gone).then_some(row.plain);
            self.rows.insert((row.table.name, row.id), Known { entry, plain, shown, complete });
        }
    }

    /// Where rows of the register differ from what is said.
    #[must_use]
    pub fn differences(&self, actual: &[SaidRow]) -> Vec<Difference> {
        let mut seen = BTreeSet::new();
        let mut found = Vec::new();
        for row in actual {
            seen.insert((row.table.name, row.id));
            let known = self.rows.get(&(row.table.name, row.id));
            let (kind, columns) = match known {
                Some(Known { plain: Some(plain), shown, complete, .. }) => {
                    (DifferenceKind::Changed, changed(row, plain, shown, *complete))
                }
                Some(Known { plain: None, .. }) | None => (DifferenceKind::Unknown, vec![]),
            };
            if kind == DifferenceKind::Unknown || !columns.is_empty() {
                let entry_id = known.map(|known| known.entry);
                found.push(Difference {
                    entry_id,
                    columns,
                    ..different(kind, row.table.name, row.id, row.registration)
                });
            }
        }
        for ((table, id), known) in &self.rows {
            if let Some(plain) = &known.plain
                && !seen.contains(&(*table, *id))
            {
                let said = SaidRow::new(table, &Value::Object(plain.clone()));
                let registration = said.and_then(|said| said.registration);
                let gone = different(DifferenceKind::Gone, table, *id, registration);
                found.push(Difference { entry_id: Some(known.entry), ..gone });
            }
        }
        found
    }
}

fn different(
    kind: DifferenceKind,
    of: &str,
    id: Uuid,
    registration_id: Option<RegistrationId>,
) -> Difference {
    Difference { kind, of: of.to_owned(), id, registration_id, entry_id: None, columns: vec![] }
}

/// Columns of a row that are not as they are said. What was erased cannot be compared, and is not.
fn changed(
    row: &SaidRow,
    plain: &Map<String, Value>,
    shown: &BTreeMap<String, Value>,
    complete: bool,
) -> Vec<String> {
    let in_plain = row.table.plain.iter().filter(|column| row.plain.get(**column) != plain.get(**column));
    let now = |column: &str| row.committed.iter().find(|(name, _)| *name == column).map(|(_, value)| value);
    let in_shown = row.table.committed.iter().filter(|column| {
        let shown = shown.get(**column);
        (shown.is_some() || complete) && shown != now(column)
    });
    in_plain.chain(in_shown).map(|column| (*column).to_owned()).collect()
}
