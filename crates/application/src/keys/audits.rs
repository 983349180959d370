//! Key audits: opened by somebody or when the rules say so, answered by the holders, closed; and counts of
//! the keys in store.

use serde_json::json;
use time::Duration;

use crate::access::Access;
use crate::register::rules;
use crate::rights::notices;
use crate::{Act, ActError, Read, access};
use domain::count::number_of;
use domain::differs::Level;
use domain::ids::{AuditId, AuditLineId, DifferId, PersonId, RegistrationId};
use domain::keys::audits::{Audit, AuditAnswer, AuditEvery, AuditLine, StockCount};
use domain::register::registrations::Registration;
use domain::register::rules::Rules;
use domain::rights::notices::NoticeKind;
use domain::text::Remark;
use storage::keys::audits;
use storage::{Portion, people};

/// Which keys an audit asks for; all of them, when nothing is named.
#[derive(Default)]
pub struct Scope {
    /// Those of one person.
    pub person: Option<PersonId>,
    /// Those of one level.
    pub level: Option<Level>,
}

/// Opens an audit (owner, agent, supplier): every holder is asked.
pub async fn open(
    act: &mut Act<'_>,
    registration_id: RegistrationId,
    scope: Scope,
) -> Result<Audit, ActError> {
    let (registration, access) = act.registration_for_update(registration_id).await?;
    access.require(access.governs())?;
    access::require_active(&registration)?;
    if scope.person.is_some() && scope.level.is_some() {
        return Err(ActError::invalid("/level", "does not go with one person"));
    }
    if let Some(person) = scope.person
        && people::present(act.db(), person).await?.is_none()
    {
        return Err(ActError::invalid("/person_id", "is not known"));
    }
    open_audit(act, &registration, scope).await
}

async fn open_audit(act: &mut Act<'_>, registration: &Registration, scope: Scope) -> Result<Audit, ActError> {
    let rules = rules::in_force(act.db(), registration).await?;
    let mut audit = Audit {
        id: act.id(),
        registration_id: registration.id,
        person_id: scope.person,
        level: scope.level,
        silence: rules.audit.silence,
        opened_at: act.now,
        due_on: rules.audit.due_on(act.today()),
        closed_at: None,
        keys: 0,
        open: 0,
        missing: 0,
    };
    let by = act.caller.actor();
    audits::open(act.db(), &audit, by).await?;
    let asked = audits::keys_for(act.db(), &audit).await?;
    let mut told: Option<PersonId> = None;
    for (key, holder) in &asked {
        let line: AuditLineId = act.id();
        audits::add_line(act.db(), line, audit.id, *key, *holder).await?;
        // They come in the order of their holders.
        if told != Some(*holder) {
            notices::tell(act, *holder, NoticeKind::AuditOpened, Some(registration.id), audit.id.0).await?;
            told = Some(*holder);
        }
    }
    audit.keys = number_of(asked.len());
    audit.open = audit.keys;
    let whom = vec![("person", json!(audit.person_id))];
    act.enter_change("audit.opened", Some(registration.id), audit.id.0, whom).await?;
    plan_next(act, registration, &rules).await?;
    Ok(audit)
}

/// Writes when the next audit is due by these rules.
pub(crate) async fn plan_next(
    act: &mut Act<'_>,
    registration: &Registration,
    rules: &Rules,
) -> Result<(), ActError> {
    let last = audits::last(act.db(), registration.id).await?.unwrap_or(registration.created_at);
    // A term that began before anybody asked for audits is no reason for one.
    let by_term = rules.audit.every == AuditEvery::Term;
    let since = if by_term { last.date().max(act.today() - Duration::DAY) } else { last.date() };
    let (next, now) = (rules.audit.next_after(since), act.now);
    Ok(audits::set_next(act.db(), registration.id, next, now).await?)
}

/// Opens the audit of a registration that is due. `false` when it is no more.
pub(crate) async fn open_due(act: &mut Act<'_>, registration_id: RegistrationId) -> Result<bool, ActError> {
    let Some(registration) = act.take_registration(registration_id).await? else { return Ok(false) };
    let (next, today) = (audits::next(act.db(), registration_id).await?, act.today());
    if registration.ended_at.is_some() || next.is_none_or(|next| next > today) {
        return Ok(false);
    }
    open_audit(act, &registration, Scope::default()).await?;
    Ok(true)
}

/// Closes an audit whose time is over and where silence is an answer. `false` when it was closed before.
pub(crate) async fn close_due(
    act: &mut Act<'_>,
    id: AuditId,
    registration: RegistrationId,
) -> Result<bool, ActError> {
    act.take_registration(registration).await?;
    match audits::audit(act.db(), id).await? {
        Some(audit) if audit.closed_at.is_none() => close_audit(act, &audit).await.map(|_| true),
        _ => Ok(false),
    }
}

async fn close_audit(act: &mut Act<'_>, audit: &Audit) -> Result<Audit, ActError> {
    let (by, now) = (act.caller.actor(), act.now);
    audits::close(act.db(), audit.id, by, now).await?;
    act.enter_change("audit.closed", Some(audit.registration_id), audit.id.0, vec![]).await?;
    audits::audit(act.db(), audit.id).await?.ok_or(ActError::NotFound)
}

async fn audit_for_update(act: &mut Act<'_>, id: AuditId) -> Result<(Access, Audit), ActError> {
    let found = audits::audit(act.db(), id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = act.registration_for_update(found.registration_id).await?;
    let audit = audits::audit(act.db(), id).await?.ok_or(ActError::NotFound)?;
    Ok((access, audit))
}

fn require_open(audit: &Audit) -> Result<(), ActError> {
    match audit.closed_at {
        None => Ok(()),
        Some(_) => {
            Err(ActError::WrongState { state: "closed", detail: "this audit was closed before".to_owned() })
        }
    }
}

/// Closes an audit (owner, agent, supplier). Where silence is chased, what nobody answered stays open on it.
pub async fn close(act: &mut Act<'_>, id: AuditId) -> Result<Audit, ActError> {
    let (access, audit) = audit_for_update(act, id).await?;
    access.require_sight(access.sees_all())?;
    access.require(access.governs())?;
    require_open(&audit)?;
    close_audit(act, &audit).await
}

/// A holder says whether they have a key; whoever governs the registration may say so for them.
pub async fn answer(act: &mut Act<'_>, id: AuditLineId, has_it: bool) -> Result<AuditLine, ActError> {
    let today = act.today();
    let found = audits::line(act.db(), id, today).await?.ok_or(ActError::NotFound)?;
    let audit = if act.caller.person() == Some(found.holder_id) {
        // Whoever has a key answers for it, also when their right to it has ended.
        let audit = audits::audit(act.db(), found.audit_id).await?.ok_or(ActError::NotFound)?;
        act.take_registration(audit.registration_id).await?;
        audits::audit(act.db(), found.audit_id).await?.ok_or(ActError::NotFound)?
    } else {
        let (access, audit) = audit_for_update(act, found.audit_id).await?;
        access.require_sight(access.sees_all())?;
        access.require(access.governs())?;
        audit
    };
    require_open(&audit)?;
    let line = audits::line(act.db(), id, today).await?.ok_or(ActError::NotFound)?;
    if line.answer != AuditAnswer::Open {
        return Err(ActError::WrongState {
            state: line.answer.as_str(),
            detail: "this key was answered for before".to_owned(),
        });
    }
    let said = if has_it { AuditAnswer::HasIt } else { AuditAnswer::Missing };
    let (by, now) = (act.caller.actor(), act.now);
    audits::answer(act.db(), id, said, by, now).await?;
    let what = if has_it { "audit.confirmed" } else { "audit.missing" };
    act.enter_change(
        what,
        Some(audit.registration_id),
        line.key_id.0,
        vec![("holder", json!(line.holder_id))],
    )
    .await?;
    audits::line(act.db(), id, today).await?.ok_or(ActError::NotFound)
}

/// The audits of a registration.
pub async fn all(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<Audit>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    Ok(audits::of_registration(&mut read.db, registration, access.portion(portion)).await?)
}

/// The lines of an audit: all, or those with one answer.
pub async fn lines(
    read: &mut Read<'_>,
    id: AuditId,
    answer: Option<AuditAnswer>,
    portion: Portion,
) -> Result<Vec<AuditLine>, ActError> {
    let audit = audits::audit(&mut read.db, id).await?.ok_or(ActError::NotFound)?;
    let (_, access) = read.registration_of(audit.registration_id, audit.id).await?;
    access.require_sight(access.sees_all())?;
    Ok(audits::lines(&mut read.db, id, answer, read.today, portion).await?)
}

/// What the caller is still to answer.
pub async fn own(read: &mut Read<'_>, portion: Portion) -> Result<Vec<AuditLine>, ActError> {
    let person = read.caller.require_person()?;
    Ok(audits::open_lines_of(&mut read.db, person, read.today, portion).await?)
}

/// Records a count of the keys of a differ in store, beside what the register has (owner, agent, supplier).
pub async fn count(
    act: &mut Act<'_>,
    registration: RegistrationId,
    differ: DifferId,
    counted: u32,
    remark: Option<Remark>,
) -> Result<StockCount, ActError> {
    let (_, access) = act.registration_for_update(registration).await?;
    access.require(access.governs())?;
    access::require_own_differ(act, registration, differ).await?;
    let count = StockCount {
        id: act.id(),
        registration_id: registration,
        differ_id: differ,
        book: audits::in_store(act.db(), registration, differ).await?,
        counted,
        remark: remark.map(String::from),
        made_by: act.caller.actor(),
        made_at: act.now,
    };
    audits::add_count(act.db(), &count).await?;
    let what = if count.book == count.counted { "stock.counted" } else { "stock.differs" };
    act.enter_change(what, Some(registration), count.id.0, vec![]).await?;
    Ok(count)
}

/// The counts of the keys in store of a registration.
pub async fn counts(
    read: &mut Read<'_>,
    registration: RegistrationId,
    portion: Portion,
) -> Result<Vec<StockCount>, ActError> {
    let (_, access) = read.registration(registration).await?;
    access.require(access.sees_all())?;
    Ok(audits::counts(&mut read.db, registration, access.portion(portion)).await?)
}
