//! A register in.

use std::collections::HashMap;

use crate::differs::answers;
use crate::register::csv::report::{Columns, ImportReport, LineReport, LockColumns, lines_of};
use crate::register::csv::{Line, MOST_LINES, UNKNOWN_PACK};
use crate::register::{locks, registrations};
use crate::rights::giving::{self, Grant};
use crate::{Act, ActError, FieldProblem, differs, people};
use domain::calendar::{Day, Period};
use domain::count::Quantity;
use domain::differs::DifferState;
use domain::ids::{DifferId, LeverPackId, LockId, OrganisationId, PersonId, RegistrationId};
use domain::keys::{Key, KeyState, LeverPack};
use domain::numbers::TypedNumber;
use domain::people::{Organisation, OrganisationKind};
use domain::rights::authorities::AuthorityClass;
use domain::text::{DifferNumber, Email, Label, Name, PackNumber, Premises, Slug};
use storage::register;

/// What the lines before have brought in.
#[derive(Default)]
struct ImportNames {
    registrations: HashMap<String, RegistrationId>,
    locks: HashMap<(RegistrationId, String), LockId>,
    differs: HashMap<(RegistrationId, String), DifferId>,
    packs: HashMap<(RegistrationId, String), (LeverPackId, DifferId)>,
    people: HashMap<String, PersonId>,
}

/// Reads a file. Nothing is written unless every line is right; the caller commits if it is.
///
/// # Errors
/// [`ActError::Invalid`] when it is not CSV with the right header.
pub async fn import(act: &mut Act<'_>, bytes: &[u8]) -> Result<ImportReport, ActError> {
    act.caller.require_supplier()?;
    let mut known = ImportNames::default();
    let mut lines = Vec::new();
    for (number, line) in (2..).zip(lines_of::<Line>(bytes, MOST_LINES)?) {
        let (kind, problems) = match line {
            Ok(line) => {
                let mut columns = Columns::default();
                storage::savepoint(act.db()).await?;
                bring_in(act, &mut known, &line, &mut columns).await?;
                if columns.problems.is_empty() {
                    storage::release_savepoint(act.db()).await?;
                } else {
                    storage::roll_back_to_savepoint(act.db()).await?;
                }
                (line.record, columns.problems)
            }
            Err(problem) => (String::new(), vec![problem]),
        };
        lines.push(LineReport::of(number, kind, problems));
    }
    Ok(ImportReport::of(lines))
}

/// Brings one line in. What is wrong with it is said in `columns`; an error ends the import.
async fn bring_in(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<(), ActError> {
    let done = match line.record.as_str() {
        "registration" => bring_registration(act, known, line, columns).await,
        "lock" => bring_lock(act, known, line, columns).await,
        "answer" => bring_answer(act, known, line, columns).await,
        "holder" => bring_holder(act, known, line, columns).await,
        "key" => bring_key(act, known, line, columns).await,
        _ => {
            columns.say("record", "must be registration, lock, answer, holder or key");
            Ok(())
        }
    };
    match done {
        Err(ActError::Invalid(problems)) => {
            for FieldProblem { pointer, problem } in problems {
                columns.say(pointer.trim_start_matches('/'), problem);
            }
            Ok(())
        }
        Err(ActError::Conflict(detail)) => {
            columns.say("", detail);
            Ok(())
        }
        Err(ActError::WrongState { detail, .. }) => {
            columns.say("registration", detail);
            Ok(())
        }
        Err(ActError::Storage(error)) if error.violated().is_some() => {
            columns.say("", "collides with what is there");
            Ok(())
        }
        other => other,
    }
}

async fn bring_registration(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<(), ActError> {
    let section = match Name::parse(&line.section) {
        Ok(name) => register::sections::named(act.db(), name.as_str()).await?,
        Err(_) => None,
    };
    if section.is_none() {
        columns.say("section", "is not the name of a section");
    }
    let owner = columns.read("owner", &line.owner, Name::parse);
    let premises = columns.read("premises", &line.premises, Premises::parse);
    if line.registration.is_empty() || known.registrations.contains_key(&line.registration) {
        columns.say("registration", "must be a number or reference of its own");
        return Ok(());
    }
    let number = TypedNumber::parse(&line.registration).ok();
    let (Some(section), Some(owner), Some(premises)) = (section, owner, premises) else { return Ok(()) };
    let owner = owner_named(act, owner).await?;
    match registrations::add_numbered(act, section.id, owner, premises, number).await {
        Ok(added) => {
            known.registrations.insert(line.registration.clone(), added.id);
            Ok(())
        }
        Err(ActError::Storage(error)) if error.violated() == Some("registrations_number_once") => {
            columns.say("registration", "this number is registered already");
            Ok(())
        }
        Err(error) => Err(error),
    }
}

async fn owner_named(act: &mut Act<'_>, name: Name) -> Result<OrganisationId, ActError> {
    let found: Option<Organisation> =
        storage::people::organisation_named(act.db(), OrganisationKind::Owner, name.as_str()).await?;
    match found {
        Some(owner) => Ok(owner.id),
        None => Ok(people::add_organisation(act, OrganisationKind::Owner, name).await?.id),
    }
}

/// The registration that a line names: one of this file, or one that is there.
async fn registration_named(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<Option<RegistrationId>, ActError> {
    if let Some(id) = known.registrations.get(&line.registration) {
        return Ok(Some(*id));
    }
    if let Ok(number) = TypedNumber::parse(&line.registration)
        && let Some(found) = register::registrations::by_number(act.db(), &number).await?
    {
        known.registrations.insert(line.registration.clone(), found.id);
        return Ok(Some(found.id));
    }
    columns.say("registration", "is not a registration of this file or of the register");
    Ok(None)
}

async fn bring_lock(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<(), ActError> {
    let registration = registration_named(act, known, line, columns).await?;
    let content = columns.lock(&LockColumns {
        label: &line.label,
        kind: &line.kind,
        hand: &line.hand,
        standard: &line.standard,
        escape_route: &line.escape_route,
        room_class: &line.room_class,
    });
    let (Some(registration), Some(content)) = (registration, content) else { return Ok(()) };
    let name = content.label.to_string();
    let lock = locks::add(act, registration, content).await?;
    known.locks.insert((registration, name), lock.id);
    Ok(())
}

async fn bring_answer(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<(), ActError> {
    let Some(registration) = registration_named(act, known, line, columns).await? else { return Ok(()) };
    let lock = match (known.locks.get(&(registration, line.label.clone())), Label::parse(&line.label)) {
        (Some(lock), _) => Some(*lock),
        (None, Ok(label)) => register::locks::labelled(act.db(), registration, label.as_str()).await?,
        (None, Err(_)) => None,
    };
    let number = columns.read("differ", &line.differ, DifferNumber::parse);
    let level = columns.word("level", &line.level);
    let Some(lock) = lock else {
        columns.say("label", "is not a lock of this registration");
        return Ok(());
    };
    let (Some(number), Some(level)) = (number, level) else { return Ok(()) };
    let differ = match differ_numbered(act, known, registration, number.as_str()).await? {
        Some(differ) => differ,
        None => differs::add(act, registration, number.clone(), level).await?.id,
    };
    known.differs.insert((registration, number.to_string()), differ);
    answers::begin(act, lock, differ).await?;
    Ok(())
}

async fn differ_numbered(
    act: &mut Act<'_>,
    known: &ImportNames,
    registration: RegistrationId,
    number: &str,
) -> Result<Option<DifferId>, ActError> {
    match known.differs.get(&(registration, number.to_owned())) {
        Some(differ) => Ok(Some(*differ)),
        None => Ok(storage::differs::numbered(act.db(), registration, number).await?),
    }
}

/// People are known by their address; without one, by their name within this file.
async fn person_named(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<Option<PersonId>, ActError> {
    let email = columns.optional("email", &line.email, Email::parse);
    let name = columns.read("person", &line.person, Name::parse);
    let readable = email.is_some() || line.email.trim().is_empty();
    let (Some(name), true) = (name, readable) else { return Ok(None) };
    let handle = email.as_ref().map_or_else(|| name.to_string(), ToString::to_string);
    if let Some(person) = known.people.get(&handle) {
        return Ok(Some(*person));
    }
    let found = match &email {
        Some(email) => {
            let organisations = act.caller.organisations();
            storage::people::person_by_email(act.db(), email.as_str(), &organisations).await?
        }
        None => None,
    };
    let person = match found {
        Some(person) => person.id,
        None => people::add_person(act, name, email).await?.id,
    };
    known.people.insert(handle, person);
    Ok(Some(person))
}

async fn bring_holder(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<(), ActError> {
    let registration = registration_named(act, known, line, columns).await?;
    let day = |text: &str| Day::try_from(text.to_owned());
    let class: Option<AuthorityClass> = columns.word("class", &line.class);
    let post = columns.optional("post", &line.post, Slug::parse);
    let standing = columns.optional("standing", &line.standing, Slug::parse);
    let may_order = columns.yes_or_no("may_order", &line.may_order);
    let may_approve = columns.yes_or_no("may_approve", &line.may_approve);
    let may_pass_on = columns.yes_or_no("may_pass_on", &line.may_pass_on);
    let occupier = columns.yes_or_no("occupier", &line.occupier);
    let most_per_request = columns.optional("most_per_request", &line.most_per_request, counted);
    let most_keys = columns.optional("most_keys", &line.most_keys, counted);
    let first_day = columns.read("first_day", &line.first_day, day);
    let last_day = columns.optional("last_day", &line.last_day, day);
    let person = person_named(act, known, line, columns).await?;
    let differs = match registration {
        Some(registration) => differs_named(act, known, registration, line, columns).await?,
        None => vec![],
    };
    let (Some(registration), Some(class), Some(person)) = (registration, class, person) else {
        return Ok(());
    };
    let (Some(first_day), true) = (first_day, columns.problems.is_empty()) else { return Ok(()) };
    let grant = Grant {
        class,
        person: Some(person),
        organisation: None,
        post,
        standing,
        differs,
        may_order: may_order.unwrap_or_default(),
        may_approve: may_approve.unwrap_or_default(),
        may_pass_on: may_pass_on.unwrap_or_default(),
        occupier: occupier.unwrap_or_default(),
        most_per_request: most_per_request.map(Quantity::get),
        most_keys: most_keys.map(Quantity::get),
        period: Period { first_day: first_day.0, last_day: last_day.map(|day| day.0) },
    };
    giving::grant(act, registration, grant).await?;
    Ok(())
}

fn counted(text: &str) -> Result<Quantity, String> {
    let number: u64 = text.parse().map_err(|_| "must be a number from 1 to 1000".to_owned())?;
    Quantity::try_from(number).map_err(|error| error.to_string())
}

async fn differs_named(
    act: &mut Act<'_>,
    known: &ImportNames,
    registration: RegistrationId,
    line: &Line,
    columns: &mut Columns,
) -> Result<Vec<DifferId>, ActError> {
    let mut found = Vec::new();
    for number in line.differs.split_whitespace() {
        let differ = match DifferNumber::parse(number) {
            Ok(number) => differ_numbered(act, known, registration, number.as_str()).await?,
            Err(_) => None,
        };
        match differ {
            Some(differ) => found.push(differ),
            None => columns.say("differs", format!("{number:?} is not a differ of this registration")),
        }
    }
    Ok(found)
}

async fn bring_key(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    line: &Line,
    columns: &mut Columns,
) -> Result<(), ActError> {
    let Some(registration) = registration_named(act, known, line, columns).await? else { return Ok(()) };
    let differ = match DifferNumber::parse(&line.differ) {
        Ok(number) => differ_numbered(act, known, registration, number.as_str()).await?,
        Err(_) => None,
    };
    if differ.is_none() {
        columns.say("differ", "is not a differ of this registration");
    }
    let pack = columns.optional("pack", &line.pack, PackNumber::parse);
    let copy_number = columns.read("copy_number", &line.copy_number, counted);
    let state: Option<KeyState> = columns.word("state", &line.state);
    let needs_holder = state == Some(KeyState::WithPerson);
    let holder = if needs_holder || !line.person.is_empty() {
        person_named(act, known, line, columns).await?
    } else {
        None
    };
    if matches!(state, Some(KeyState::InStore | KeyState::Returned)) && holder.is_some() {
        columns.say("person", "nobody has a key that is in store or was returned");
    }
    let (Some(differ), Some(copy_number), Some(state)) = (differ, copy_number, state) else { return Ok(()) };
    if !columns.problems.is_empty() {
        return Ok(());
    }
    let stands = storage::differs::differ(act.db(), differ).await?.map(|differ| differ.state);
    if state.exists() && stands != Some(DifferState::GivenOut) {
        columns.say("differ", "is reserved, dead or released: it has no live key to bring in");
        return Ok(());
    }
    let pack = pack.map_or_else(|| format!("{UNKNOWN_PACK}-{}", line.differ), String::from);
    let Some(pack) = pack_numbered(act, known, registration, differ, pack).await? else {
        columns.say("pack", "is recorded for another differ");
        return Ok(());
    };
    let key = Key {
        id: act.id(),
        registration_id: registration,
        differ_id: differ,
        copy_number: copy_number.get(),
        state,
        holder_id: holder,
        due_back_on: None,
        overdue_since: None,
        version: 1,
    };
    let now = act.now;
    if let Err(error) = storage::keys::add(act.db(), &key, storage::keys::Origin::Pack(pack), now).await {
        if error.violated() == Some("keys_copy_number_once") {
            columns.say("copy_number", "this copy number is recorded already");
            return Ok(());
        }
        return Err(error.into());
    }
    let who = vec![("holder", serde_json::json!(holder))];
    act.enter_change("key.brought_in", Some(registration), key.id.0, who).await
}

/// The pack with a number, made where there is none; `None` when it is another differ's.
async fn pack_numbered(
    act: &mut Act<'_>,
    known: &mut ImportNames,
    registration: RegistrationId,
    differ: DifferId,
    number: String,
) -> Result<Option<LeverPackId>, ActError> {
    let handle = (registration, number.clone());
    let found = match known.packs.get(&handle) {
        Some(found) => Some(*found),
        None => storage::keys::pack_numbered(act.db(), registration, &number).await?,
    };
    let (pack, of) = if let Some(found) = found {
        found
    } else {
        let recorded_at = act.now;
        let pack =
            LeverPack { id: act.id(), registration_id: registration, differ_id: differ, number, recorded_at };
        storage::keys::add_pack(act.db(), &pack).await?;
        act.enter_change("lever_pack.recorded", Some(registration), pack.id.0, vec![]).await?;
        (pack.id, differ)
    };
    known.packs.insert(handle, (pack, of));
    Ok((of == differ).then_some(pack))
}
