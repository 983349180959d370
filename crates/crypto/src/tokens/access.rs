//! Access tokens (RFC 9068).

use serde::{Deserialize, Serialize};
use serde_json::Value;
use time::OffsetDateTime;

use crate::tokens::keys::{KeyError, KeySet};

/// For whom an access token is.
pub const AUDIENCE: &str = "wardbook";
/// The media type of an access token (RFC 9068 s. 2.1).
const TYPE: &str = "at+jwt";

/// What an access token says.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Claims {
    /// Who issued it.
    pub iss: String,
    /// The service that it is for.
    pub aud: String,
    /// The person or client program.
    pub sub: String,
    /// The session of a person; a client program has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sid: Option<String>,
    /// What a client program may do (RFC 8693 s. 4.2); a person has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scope: Option<String>,
    /// When it was issued, in seconds since 1970.
    pub iat: i64,
    /// When it expires.
    pub exp: i64,
}

/// The keys that sign access tokens.
pub struct TokenKeys {
    issuer: String,
    keys: KeySet,
}

impl TokenKeys {
    /// Reads keys from PEM texts; the first signs.
    ///
    /// # Errors
    /// When there is none, or one cannot be read.
    pub fn from_pem(issuer: &str, texts: &[String]) -> Result<Self, KeyError> {
        Ok(Self { issuer: issuer.to_owned(), keys: KeySet::from_pem(texts)? })
    }

    /// Who issues them.
    #[must_use]
    pub fn issuer(&self) -> &str {
        &self.issuer
    }

    /// Signs the access token of a client program.
    ///
    /// # Errors
    /// When signing fails.
    pub fn sign_for_program(
        &self,
        program: String,
        scope: String,
        now: OffsetDateTime,
        seconds: i64,
    ) -> Result<String, KeyError> {
        let claims = Claims { scope: Some(scope), ..self.claims(program, now, seconds) };
        self.keys.sign(TYPE, &claims)
    }

    /// Signs the access token of a person in a session.
    ///
    /// # Errors
    /// When signing fails.
    pub fn sign(
        &self,
        subject: String,
        session: String,
        now: OffsetDateTime,
        seconds: i64,
    ) -> Result<String, KeyError> {
        let claims = Claims { sid: Some(session), ..self.claims(subject, now, seconds) };
        self.keys.sign(TYPE, &claims)
    }

    fn claims(&self, subject: String, now: OffsetDateTime, seconds: i64) -> Claims {
        Claims {
            iss: self.issuer.clone(),
            aud: AUDIENCE.to_owned(),
            sub: subject,
            sid: None,
            scope: None,
            iat: now.unix_timestamp(),
            exp: now.unix_timestamp() + seconds,
        }
    }

    /// What a token says, if it is one of ours and has not expired: algorithm, type, key id, issuer
    /// and audience are pinned (RFC 8725).
    #[must_use]
    pub fn verify(&self, token: &str, now: OffsetDateTime) -> Option<Claims> {
        let claims: Claims = self.keys.verify(TYPE, token).ok()?;
        let ours = claims.iss == self.issuer && claims.aud == AUDIENCE;
        (ours && claims.exp > now.unix_timestamp()).then_some(claims)
    }

    /// The public keys.
    #[must_use]
    pub fn jwks(&self) -> Value {
        self.keys.jwks()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tokens::keys::tests::pem;
    use base64::Engine;
    use base64::engine::general_purpose::URL_SAFE_NO_PAD;
    use ed25519_dalek::{Signer, SigningKey};
    use serde_json::json;
    use time::macros::datetime;

    #[test]
    fn a_rotated_key_still_verifies_and_a_foreign_one_does_not() {
        let now = datetime!(2026-11-02 09:00 UTC);
        let old = TokenKeys::from_pem("https://a.example", &[pem(1)]).unwrap();
        let rotated = TokenKeys::from_pem("https://a.example", &[pem(2), pem(1)]).unwrap();
        let other_issuer = TokenKeys::from_pem("https://b.example", &[pem(1)]).unwrap();
        let token = old.sign("someone".into(), "session".into(), now, 600).unwrap();
        assert_eq!(rotated.verify(&token, now).unwrap().sub, "someone");
        assert!(rotated.verify(&token, now + time::Duration::seconds(600)).is_none());
        assert!(other_issuer.verify(&token, now).is_none());
        let new = rotated.sign("someone".into(), "session".into(), now, 600).unwrap();
        assert!(old.verify(&new, now).is_none());
        assert!(old.verify("", now).is_none());
        let (head, signature) = token.rsplit_once('.').unwrap();
        assert!(old.verify(&format!("{head}.{}", signature.to_lowercase()), now).is_none());
    }

    #[test]
    fn another_algorithm_or_type_is_refused() {
        let now = datetime!(2026-11-02 09:00 UTC);
        let keys = TokenKeys::from_pem("https://a.example", &[pem(1)]).unwrap();
        let token = keys.sign("someone".into(), "session".into(), now, 600).unwrap();
        let mut parts = token.split('.');
        let (header, body) = (parts.next().unwrap(), parts.next().unwrap());
        let header: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(header).unwrap()).unwrap();
        for (name, value) in [("alg", "none"), ("alg", "HS256"), ("typ", "JWT"), ("kid", "other")] {
            let mut changed = header.clone();
            changed[name] = json!(value);
            let head = format!("{}.{body}", URL_SAFE_NO_PAD.encode(changed.to_string()));
            let signature = SigningKey::from_bytes(&[1; 32]).sign(head.as_bytes()).to_bytes();
            let forged = format!("{head}.{}", URL_SAFE_NO_PAD.encode(signature));
            assert!(keys.verify(&forged, now).is_none(), "{name} {value}");
        }
    }
}
