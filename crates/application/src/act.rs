//! The transaction of an act: claim, do, keep the reply, commit.

use serde_json::Value;
use sqlx::{PgConnection, Postgres, Transaction};
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::access::{Access, access_of};
use crate::caller::Caller;
use crate::entries::OpenEntries;
use crate::outside::Outside;
use crate::rates::Place;
use crate::{ActError, App, Reply};
use domain::copies::decision::{Decision, RecordedStep};
use domain::entry::{Draft, EntryKind, OpenEntry};
use domain::ids::{CopyRequestId, DecisionId, EntryId, PersonId, RegistrationId};
use domain::register::registrations::Registration;
use domain::standing::SaidRow;
use storage::idempotency;
use storage::idempotency::IdempotencyClaim;
use storage::log::evidence;
use storage::register::registrations;

/// What a request is known by when it is sent again.
#[derive(Debug, Clone)]
pub struct Idempotency {
    /// The key that the caller chose.
    pub key: String,
    /// SHA-256 of method, path and body.
    pub request_hash: [u8; 32],
}

/// An act under way.
pub struct Act<'a> {
    tx: Transaction<'static, Postgres>,
    app: &'a App,
    /// Who acts.
    pub caller: &'a Caller,
    /// When; read again once the registration is taken for update.
    pub now: OffsetDateTime,
    key: Option<&'a Idempotency>,
    entries: OpenEntries,
    _place: Option<Place>,
}

impl<'a> Act<'a> {
    /// Does an act once for a key: its reply is kept with the key, and all of it is committed. When it fails,
    /// nothing has happened.
    ///
    /// # Errors
    /// [`ActError::Replayed`] when the same request was answered before.
    pub async fn once<F>(app: &App, caller: &Caller, key: &Idempotency, act: F) -> Result<Reply, ActError>
    where
        F: for<'b> AsyncFnOnce(&mut Act<'b>) -> Result<Reply, ActError>,
    {
        let mut begun = Act::begin(app, caller, key).await?;
        let reply = act(&mut begun).await?;
        begun.finish(reply).await
    }

    /// Does an act for which there is no key, since doing it twice does no more than doing it once, and
    /// commits it. When it fails, nothing has happened.
    ///
    /// # Errors
    /// When it did not happen.
    pub async fn done<T, E, F>(app: &App, caller: &Caller, act: F) -> Result<T, E>
    where
        E: From<ActError>,
        F: for<'b> AsyncFnOnce(&mut Act<'b>) -> Result<T, E>,
    {
        let mut begun = Act::open(app, caller).await?;
        app.log.require_room(begun.now)?;
        let done = act(&mut begun).await?;
        begun.commit().await?;
        Ok(done)
    }

    /// Opens the transaction and claims the key.
    ///
    /// # Errors
    /// [`ActError::Replayed`] when the same request was answered before.
    pub(crate) async fn begin(
        app: &'a App,
        caller: &'a Caller,
        key: &'a Idempotency,
    ) -> Result<Self, ActError> {
        let mut act = Self::open(app, caller).await?;
        let now = act.now;
        match idempotency::claim(&mut act.tx, caller.actor(), &key.key, &key.request_hash, now).await? {
            IdempotencyClaim::Ours => {
                app.log.require_room(now)?;
                act.key = Some(key);
                Ok(act)
            }
            IdempotencyClaim::Used { request_hash, reply } => Err(earlier(&request_hash, reply, key)),
        }
    }

    /// Leaves with the reply, where the same request was answered before: for what must not be done
    /// twice before the transaction begins, such as looking at a PIN.
    ///
    /// # Errors
    /// [`ActError::Replayed`] with the reply.
    pub(crate) async fn replay(app: &App, caller: &Caller, key: &Idempotency) -> Result<(), ActError> {
        let used = idempotency::used(&mut *app.pool.acquire().await?, caller.actor(), &key.key).await?;
        used.map_or(Ok(()), |(hash, reply)| Err(earlier(&hash, reply, key)))
    }

    async fn open(app: &'a App, caller: &'a Caller) -> Result<Self, ActError> {
        // Nobody waits in line with a connection in hand.
        let place = app.limits.place(caller).await?;
        let tx = storage::begin(&app.pool).await?;
        Ok(Self {
            tx,
            app,
            caller,
            now: app.outside.clock.now(),
            key: None,
            entries: OpenEntries::default(),
            _place: place,
        })
    }

    /// Keeps the reply and commits.
    ///
    /// # Errors
    /// When the database says no: then nothing has happened.
    pub(crate) async fn finish(mut self, reply: Reply) -> Result<Reply, ActError> {
        if let Some(key) = self.key {
            let kept = serde_json::to_value(&reply).map_err(|error| ActError::Internal(error.to_string()))?;
            idempotency::keep_reply(&mut self.tx, self.caller.actor(), &key.key, &kept).await?;
        }
        self.commit().await?;
        // Died here: the effect, its entry and its reply stand; the same request gets the reply.
        Ok(reply)
    }

    /// Commits an act whose reply is not kept.
    ///
    /// # Errors
    /// When the database says no: then nothing has happened.
    async fn commit(mut self) -> Result<(), ActError> {
        self.say_what_was_written().await?;
        let wrote_entries = !self.entries.is_empty();
        if wrote_entries {
            let entries = std::mem::take(&mut self.entries)
                .into_all()
                .into_iter()
                .map(sealed)
                .collect::<Result<_, _>>()?;
            evidence::write_entries(&mut self.tx, entries).await?;
        }
        self.tx.commit().await?;
        if wrote_entries {
            self.app.log.wake();
        }
        Ok(())
    }

    async fn say_what_was_written(&mut self) -> Result<(), ActError> {
        for (table, content) in evidence::rows_written(&mut self.tx).await? {
            if let Some(row) = SaidRow::new(&table, &content) {
                self.say(&row).await?;
            }
        }
        Ok(())
    }

    /// Says a row in one of the entries of the act: that of the row itself, else one of the same registration.
    pub(crate) async fn say(&mut self, row: &SaidRow) -> Result<(), ActError> {
        let outside = &self.app.outside;
        if let Some(entry) = self.entries.for_row(row) {
            entry.say(row, || outside.bytes());
            return Ok(());
        }
        let subject = row.registration.map_or(row.id, |registration| registration.0);
        self.enter_change("rows.written", row.registration, subject, vec![]).await?;
        if let Some(entry) = self.entries.last_mut() {
            entry.say(row, || outside.bytes());
        }
        Ok(())
    }

    /// What shows a field of an entry of this act.
    #[must_use]
    pub fn shows(&self, entry: EntryId, name: &str) -> Option<String> {
        self.entries.find(entry)?.shows(name).map(ToOwned::to_owned)
    }

    /// A registration that the caller may see, taken for update, with what the caller may do on it.
    ///
    /// # Errors
    /// [`ActError::NotFound`] when there is none, or it is not the caller's.
    pub async fn registration_for_update(
        &mut self,
        id: RegistrationId,
    ) -> Result<(Registration, Access), ActError> {
        let caller = self.caller;
        self.app.limits.count(caller, id)?;
        let today = self.today();
        // Only who is a party waits for whoever has it now: for others it is not there, at once.
        let registration = if caller.is_supplier() {
            registrations::registration_for_update(&mut self.tx, id).await?
        } else {
            let (person, organisations) = (caller.person(), caller.organisations());
            registrations::of_party_for_update(&mut self.tx, id, person, &organisations, today).await?
        };
        let registration = registration.ok_or(ActError::NotFound)?;
        // Others may have taken their time with it: what is true now counts, not what was true then.
        self.read_clock();
        let today = self.today();
        let access = access_of(&mut self.tx, self.caller, &registration, today).await?;
        Ok((registration, access))
    }

    /// A registration taken for update, whoever the caller is: what is true once it is taken counts.
    ///
    /// # Errors
    /// When the database says no.
    pub(crate) async fn take_registration(
        &mut self,
        id: RegistrationId,
    ) -> Result<Option<Registration>, ActError> {
        let registration = registrations::registration_for_update(&mut self.tx, id).await?;
        self.read_clock();
        Ok(registration)
    }

    /// A registration of which something is offered to the caller, or by the caller, taken for update: whether they
    /// are a party does not count.
    ///
    /// # Errors
    /// [`ActError::NotFound`] when there is none.
    pub(crate) async fn registration_offered(
        &mut self,
        id: RegistrationId,
    ) -> Result<Registration, ActError> {
        self.app.limits.count(self.caller, id)?;
        self.take_registration(id).await?.ok_or(ActError::NotFound)
    }

    /// A registration that the caller may see, as it stands: before something else is taken.
    ///
    /// # Errors
    /// [`ActError::NotFound`] when there is none, or it is not the caller's.
    pub async fn registration(&mut self, id: RegistrationId) -> Result<(Registration, Access), ActError> {
        let registration = registrations::registration(&mut self.tx, id).await?.ok_or(ActError::NotFound)?;
        let today = self.today();
        let access = access_of(&mut self.tx, self.caller, &registration, today).await?;
        Ok((registration, access))
    }

    /// The connection of the transaction.
    pub fn db(&mut self) -> &mut PgConnection {
        &mut self.tx
    }

    /// Reads the clock again, once the registration is taken for update.
    pub fn read_clock(&mut self) {
        self.now = self.app.outside.clock.now();
    }

    /// The day of the act.
    #[must_use]
    pub fn today(&self) -> Date {
        self.now.date()
    }

    /// A new id.
    #[must_use]
    pub fn id<T: From<Uuid>>(&self) -> T {
        T::from(self.app.outside.id(self.now))
    }

    /// Clock and randomness.
    #[must_use]
    pub fn outside(&self) -> &'a Outside {
        &self.app.outside
    }

    /// What every act works with.
    #[must_use]
    pub fn app(&self) -> &'a App {
        self.app
    }

    /// Writes a change of rights or of the register: one row, one entry.
    pub async fn enter_change(
        &mut self,
        kind: &'static str,
        registration: Option<RegistrationId>,
        subject: Uuid,
        personal: Vec<(&'static str, Value)>,
    ) -> Result<(), ActError> {
        self.enter_change_as(kind, registration, subject, personal).await.map(|_| ())
    }

    /// Writes a change, and gives the id of its entry to what has to name it.
    pub async fn enter_change_as(
        &mut self,
        kind: &'static str,
        registration: Option<RegistrationId>,
        subject: Uuid,
        personal: Vec<(&'static str, Value)>,
    ) -> Result<EntryId, ActError> {
        let draft = Draft { registration, ..self.change_draft(kind, subject, personal) };
        self.write_change(draft).await
    }

    /// Writes that a person was erased, and under which rule. The entry names no person, not even by a
    /// commitment: its subject is an id of its own. It says how many disclosures went.
    pub async fn enter_erasure(&mut self, under: String, erased: u64) -> Result<(), ActError> {
        let subject = self.id();
        let draft = Draft {
            under: Some(under),
            count: Some(erased),
            ..self.change_draft("person.erased", subject, vec![])
        };
        self.write_change(draft).await.map(|_| ())
    }

    fn change_draft(
        &self,
        what: &'static str,
        subject: Uuid,
        mut personal: Vec<(&'static str, Value)>,
    ) -> Draft {
        personal.push(("by", Value::String(self.caller.actor().to_string())));
        Draft { personal, ..Draft::change(self.id(), what, self.now, subject) }
    }

    async fn write_change(&mut self, draft: Draft) -> Result<EntryId, ActError> {
        let (kind, registration, subject) = (draft.what, draft.registration, draft.subject);
        let by = self.caller.actor();
        let entry = self.open_entry(draft);
        let change =
            evidence::NewChange { id: self.id(), kind, registration, subject, by, at: self.now, entry };
        evidence::write_change(&mut self.tx, &change).await?;
        Ok(entry)
    }

    /// Writes that a person was entered or invited. The entry names no person: its subject is an id of
    /// its own, and the person is committed to.
    pub async fn enter_person(&mut self, kind: &'static str, person: PersonId) -> Result<(), ActError> {
        let subject = self.id();
        self.enter_change(kind, None, subject, vec![("person", serde_json::json!(person))]).await
    }

    /// Writes a decision: one row, one entry.
    pub async fn enter_decision(&mut self, taken: StepTaken<'_>) -> Result<DecisionEntry, ActError> {
        let by = self.caller.actor();
        let mut personal = taken.personal;
        personal.push(("by", Value::String(by.to_string())));
        let reasons = taken.decision.map(|decision| decision.reasons.as_slice()).unwrap_or_default();
        let mut codes: Vec<_> = reasons.iter().map(|reason| reason.code).collect();
        codes.dedup();
        let outcome = taken.decision.map_or("recorded", |decision| decision.outcome.as_str());
        let draft = Draft {
            id: self.id(),
            kind: EntryKind::Decision,
            what: taken.step.entry(),
            at: self.now,
            registration: Some(taken.registration),
            subject: taken.request.0,
            outcome: Some(outcome),
            reasons: codes,
            rules_version: Some(taken.rules_version.unsigned_abs()),
            under: None,
            count: None,
            personal,
        };
        let entry = self.open_entry(draft);
        let id: DecisionId = self.id();
        let reasons = serde_json::to_value(reasons).map_err(|error| ActError::Internal(error.to_string()))?;
        let decision = evidence::NewDecision {
            id,
            registration: taken.registration,
            request: taken.request,
            step: taken.step.as_str(),
            outcome,
            reasons: &reasons,
            rules_version: taken.rules_version,
            by,
            at: self.now,
            entry,
        };
        evidence::write_decision(&mut self.tx, &decision).await?;
        Ok(DecisionEntry { decision: id, entry, at: self.now })
    }

    fn open_entry(&mut self, draft: Draft) -> EntryId {
        let id = draft.id;
        let outside = &self.app.outside;
        self.entries.push(draft.open(|| outside.bytes()));
        id
    }
}

fn sealed(entry: OpenEntry) -> Result<evidence::NewEntry, ActError> {
    let (id, kind, registration, at) = (entry.id(), entry.kind(), entry.registration(), entry.at());
    let sealed = entry.seal().map_err(|error| ActError::Internal(error.to_string()))?;
    Ok(evidence::NewEntry { id, kind, registration, at, sealed })
}

/// How a request leaves whose key was used before.
fn earlier(request_hash: &[u8], reply: Value, key: &Idempotency) -> ActError {
    if request_hash != key.request_hash {
        return ActError::IdempotencyKeyReused;
    }
    match serde_json::from_value(reply) {
        Ok(reply) => ActError::Replayed(Box::new(reply)),
        Err(error) => ActError::Internal(error.to_string()),
    }
}

/// Where a decision was recorded.
#[derive(Debug, Clone, Copy)]
pub struct DecisionEntry {
    /// Its row.
    pub decision: DecisionId,
    /// Its entry in the log.
    pub entry: EntryId,
    /// When it was taken.
    pub at: OffsetDateTime,
}

/// A decision that was taken, for the record.
pub struct StepTaken<'a> {
    /// At which step.
    pub step: RecordedStep,
    /// The registration.
    pub registration: RegistrationId,
    /// On which request.
    pub request: CopyRequestId,
    /// Under which version of the rules.
    pub rules_version: i32,
    /// What was decided; absent where something is only recorded.
    pub decision: Option<&'a Decision>,
    /// What the entry commits to.
    pub personal: Vec<(&'static str, Value)>,
}
