//! Invitations: what waits to be sent to an address, and what was sent.

use sqlx::PgConnection;
use time::OffsetDateTime;
use uuid::Uuid;

use crate::{Result, wrote};
use domain::ids::PersonId;
use domain::people::InvitationKind;

/// An invitation.
pub struct Invitation {
    /// Its id.
    pub id: Uuid,
    /// Who is invited.
    pub person_id: PersonId,
    /// To what.
    pub kind: InvitationKind,
    /// Where it goes.
    pub email: String,
}

macro_rules! select_invitations {
    ($rest:tt $(, $argument:expr)*) => {
        sqlx::query_as!(
            Invitation,
            "SELECT id, person_id, kind, email FROM invitations " + $rest
            $(, $argument)*
        )
    };
}

/// Adds an invitation, which waits to be sent.
pub async fn add(db: &mut PgConnection, invitation: &Invitation, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "INSERT INTO invitations (id, person_id, kind, email, asked_at) VALUES ($1, $2, $3, $4, $5)",
        invitation.id,
        invitation.person_id.0,
        invitation.kind.as_str(),
        invitation.email,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Voids every invitation of a person that was not used.
pub async fn void(db: &mut PgConnection, person: PersonId, now: OffsetDateTime) -> Result<()> {
    sqlx::query!(
        "UPDATE invitations SET used_at = $2 WHERE person_id = $1 AND used_at IS NULL",
        person.0,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Whether a person has one that was asked for since an instant, and not used.
pub async fn was_asked_since(db: &mut PgConnection, person: PersonId, since: OffsetDateTime) -> Result<bool> {
    Ok(sqlx::query_scalar!(
        r#"SELECT EXISTS (SELECT FROM invitations
                          WHERE person_id = $1 AND used_at IS NULL AND asked_at > $2) AS "asked!""#,
        person.0,
        since
    )
    .fetch_one(db)
    .await?)
}

/// What waits to be sent, taken for update: nobody else sends it meanwhile.
pub async fn to_send(db: &mut PgConnection, limit: i64) -> Result<Vec<Invitation>> {
    Ok(select_invitations!(
        "WHERE token_hash IS NULL AND used_at IS NULL ORDER BY id LIMIT $1 FOR UPDATE SKIP LOCKED",
        limit
    )
    .fetch_all(db)
    .await?)
}

/// Writes that an invitation was sent, with which token and for how long.
pub async fn sent(
    db: &mut PgConnection,
    id: Uuid,
    token_hash: &[u8],
    expires_at: OffsetDateTime,
) -> Result<()> {
    let done = sqlx::query!(
        "UPDATE invitations SET token_hash = $2, expires_at = $3 WHERE id = $1 AND token_hash IS NULL",
        id,
        token_hash,
        expires_at
    )
    .execute(db)
    .await?;
    wrote("invitations", 1, &done)
}

/// The invitation with a token that is still good.
pub async fn good(
    db: &mut PgConnection,
    token_hash: &[u8],
    now: OffsetDateTime,
) -> Result<Option<Invitation>> {
    Ok(select_invitations!("WHERE token_hash = $1 AND used_at IS NULL AND expires_at > $2", token_hash, now)
        .fetch_optional(db)
        .await?)
}

/// Uses an invitation, and voids the person's others; a second use finds nothing.
pub async fn spend(db: &mut PgConnection, invitation: &Invitation, now: OffsetDateTime) -> Result<bool> {
    let done = sqlx::query!(
        "UPDATE invitations SET used_at = $2 WHERE id = $1 AND used_at IS NULL",
        invitation.id,
        now
    )
    .execute(&mut *db)
    .await?;
    void(db, invitation.person_id, now).await?;
    Ok(done.rows_affected() == 1)
}

/// Sweeps away invitations that ended before an instant; so many at a time.
pub async fn sweep(db: &mut PgConnection, before: OffsetDateTime, most: i64) -> Result<u64> {
    let done = sqlx::query!(
        "DELETE FROM invitations WHERE id = ANY (ARRAY(
             SELECT id FROM invitations WHERE expires_at < $1 OR used_at < $1 LIMIT $2))",
        before,
        most
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected())
}
