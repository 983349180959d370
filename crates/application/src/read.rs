//! What a read works with.

use sqlx::Postgres;
use sqlx::pool::PoolConnection;
use time::{Date, OffsetDateTime};
use uuid::Uuid;

use crate::access::{Access, access_of};
use crate::caller::Caller;
use crate::{ActError, App};
use domain::ids::RegistrationId;
use domain::register::registrations::Registration;
use storage::register::registrations;

/// A read under way: who reads, when, and the connection that it has until it ends.
pub struct Read<'a> {
    /// What every act works with.
    pub app: &'a App,
    /// Who reads.
    pub caller: &'a Caller,
    /// When it began.
    pub now: OffsetDateTime,
    /// The day on which it began.
    pub today: Date,
    /// The connection that it reads on.
    pub db: PoolConnection<Postgres>,
}

impl<'a> Read<'a> {
    /// Begins a read.
    ///
    /// # Errors
    /// When there is no connection.
    pub async fn begin(app: &'a App, caller: &'a Caller) -> Result<Self, ActError> {
        let db = app.pool.acquire().await?;
        let now = app.outside.clock.now();
        Ok(Self { app, caller, now, today: now.date(), db })
    }

    /// A registration that the caller may see, with what the caller may do on it.
    ///
    /// # Errors
    /// [`ActError::NotFound`] when there is none, or it is not the caller's.
    pub async fn registration(&mut self, id: RegistrationId) -> Result<(Registration, Access), ActError> {
        let registration = registrations::registration(&mut self.db, id).await?.ok_or(ActError::NotFound)?;
        let access = access_of(&mut self.db, self.caller, &registration, self.today).await?;
        Ok((registration, access))
    }

    /// A registration that the caller may see, for something that happened on it in the caller's time.
    ///
    /// # Errors
    /// [`ActError::NotFound`] when it is not the caller's, or happened before it was.
    pub async fn registration_of(
        &mut self,
        id: RegistrationId,
        happened: impl Into<Uuid>,
    ) -> Result<(Registration, Access), ActError> {
        let (registration, access) = self.registration(id).await?;
        access.require_own_time(happened)?;
        Ok((registration, access))
    }
}
