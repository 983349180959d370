//! Access tokens: JWS compact, `EdDSA` alone (RFC 7519, RFC 8037, RFC 9068), and the keys behind them.
//!
//! The first key signs; every key verifies and is published, so that a key is rotated by putting a
//! new one in front, and taken away once the last token that it signed has expired.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::pkcs8::DecodePrivateKey;
use ed25519_dalek::{Signature, Signer, SigningKey, Verifier, VerifyingKey};
use jsonwebtoken::crypto::{CryptoProvider, JwtSigner, JwtVerifier, KeyUtils};
use jsonwebtoken::errors::{Error, ErrorKind, new_error};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use thiserror::Error as ThisError;
use time::OffsetDateTime;

/// For whom an access token is.
pub const AUDIENCE: &str = "wardbook";
/// The media type of an access token (RFC 9068 s. 2.1).
const TYPE: &str = "at+jwt";

/// What an access token says.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Claims {
    /// Who issued it.
    pub iss: String,
    /// For whom.
    pub aud: String,
    /// The person or client program.
    pub sub: String,
    /// The session of a person; a client program has none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sid: Option<String>,
    /// When it was issued, in seconds since 1970.
    pub iat: i64,
    /// When it expires.
    pub exp: i64,
}

/// Keys that cannot be used.
#[derive(Debug, ThisError)]
pub enum KeyError {
    /// No key was given.
    #[error("at least one signing key is needed")]
    None,
    /// Not a private Ed25519 key in PKCS#8 PEM (RFC 8410).
    #[error("key {0} is not an Ed25519 private key in PKCS#8 PEM")]
    Unreadable(usize),
    /// Signing failed.
    #[error("signing: {0}")]
    Signing(#[from] Error),
}

struct Key {
    kid: String,
    x: String,
    signing: EncodingKey,
    verifying: DecodingKey,
}

/// The keys that sign access tokens.
pub struct TokenKeys {
    issuer: String,
    keys: Vec<Key>,
}

impl TokenKeys {
    /// Reads keys from PEM texts; the first signs.
    ///
    /// # Errors
    /// When there is none, or one cannot be read.
    pub fn from_pem(issuer: &str, texts: &[String]) -> Result<Self, KeyError> {
        install_provider();
        let mut keys = Vec::new();
        for (at, text) in texts.iter().enumerate() {
            let key = SigningKey::from_pkcs8_pem(text).map_err(|_| KeyError::Unreadable(at + 1))?;
            keys.push(Key::new(&key));
        }
        if keys.is_empty() { Err(KeyError::None) } else { Ok(Self { issuer: issuer.to_owned(), keys }) }
    }

    /// Signs an access token.
    ///
    /// # Errors
    /// When signing fails.
    pub fn sign(
        &self,
        subject: String,
        session: Option<String>,
        now: OffsetDateTime,
        seconds: i64,
    ) -> Result<String, KeyError> {
        let key = self.keys.first().ok_or(KeyError::None)?;
        let mut header = Header::new(Algorithm::EdDSA);
        header.typ = Some(TYPE.to_owned());
        header.kid = Some(key.kid.clone());
        let claims = Claims {
            iss: self.issuer.clone(),
            aud: AUDIENCE.to_owned(),
            sub: subject,
            sid: session,
            iat: now.unix_timestamp(),
            exp: now.unix_timestamp() + seconds,
        };
        Ok(jsonwebtoken::encode(&header, &claims, &key.signing)?)
    }

    /// What a token says, if it is one of ours and has not expired: algorithm, type, key id, issuer
    /// and audience are pinned (RFC 8725).
    #[must_use]
    pub fn verify(&self, token: &str, now: OffsetDateTime) -> Option<Claims> {
        let header = jsonwebtoken::decode_header(token).ok()?;
        if header.alg != Algorithm::EdDSA || header.typ.as_deref() != Some(TYPE) {
            return None;
        }
        let key = self.keys.iter().find(|key| Some(&key.kid) == header.kid.as_ref())?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.set_audience(&[AUDIENCE]);
        validation.set_issuer(&[&self.issuer]);
        validation.set_required_spec_claims(&["exp", "iss", "aud", "sub"]);
        // The clock is handed in: expiry is checked below.
        validation.validate_exp = false;
        let claims = jsonwebtoken::decode::<Claims>(token, &key.verifying, &validation).ok()?.claims;
        (claims.exp > now.unix_timestamp()).then_some(claims)
    }

    /// The public keys (RFC 7517, RFC 8037).
    #[must_use]
    pub fn jwks(&self) -> Value {
        let keys: Vec<Value> = self
            .keys
            .iter()
            .map(|key| {
                json!({"kty": "OKP", "crv": "Ed25519", "x": key.x, "kid": key.kid, "use": "sig", "alg": "EdDSA"})
            })
            .collect();
        json!({ "keys": keys })
    }
}

impl Key {
    fn new(key: &SigningKey) -> Self {
        let x = URL_SAFE_NO_PAD.encode(key.verifying_key().to_bytes());
        Self {
            kid: thumbprint(&x),
            signing: EncodingKey::from_ed_der(key.as_bytes()),
            verifying: DecodingKey::from_ed_der(key.verifying_key().as_bytes()),
            x,
        }
    }
}

/// SHA-256 over the required members in order (RFC 7638, RFC 8037 s. 2).
fn thumbprint(x: &str) -> String {
    let members = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#);
    URL_SAFE_NO_PAD.encode(Sha256::digest(members.as_bytes()))
}

/// The crypto behind the token library: Ed25519 and nothing else. Keys are raw, 32 bytes each.
fn install_provider() {
    static PROVIDER: CryptoProvider = CryptoProvider {
        signer_factory: |algorithm, key| {
            require_ed25519(*algorithm)?;
            let bytes = key.as_bytes().try_into().map_err(|_| new_error(ErrorKind::InvalidEddsaKey))?;
            Ok(Box::new(Ed25519Signer(SigningKey::from_bytes(bytes))))
        },
        verifier_factory: |algorithm, key| {
            require_ed25519(*algorithm)?;
            let bytes =
                key.try_get_as_bytes()?.try_into().map_err(|_| new_error(ErrorKind::InvalidEddsaKey))?;
            let key = VerifyingKey::from_bytes(bytes).map_err(|_| new_error(ErrorKind::InvalidEddsaKey))?;
            Ok(Box::new(Ed25519Verifier(key)))
        },
        key_utils: KeyUtils::new_unimplemented(),
    };
    // A second call finds the provider installed, which is as good.
    let _ = PROVIDER.install_default();
}

fn require_ed25519(algorithm: Algorithm) -> Result<(), Error> {
    if algorithm == Algorithm::EdDSA { Ok(()) } else { Err(new_error(ErrorKind::InvalidAlgorithm)) }
}

struct Ed25519Signer(SigningKey);

impl Signer<Vec<u8>> for Ed25519Signer {
    fn try_sign(&self, message: &[u8]) -> Result<Vec<u8>, ed25519_dalek::SignatureError> {
        Ok(self.0.sign(message).to_bytes().to_vec())
    }
}

impl JwtSigner for Ed25519Signer {
    fn algorithm(&self) -> Algorithm {
        Algorithm::EdDSA
    }
}

struct Ed25519Verifier(VerifyingKey);

impl Verifier<Vec<u8>> for Ed25519Verifier {
    fn verify(&self, message: &[u8], signature: &Vec<u8>) -> Result<(), ed25519_dalek::SignatureError> {
        self.0.verify_strict(message, &Signature::from_slice(signature)?)
    }
}

impl JwtVerifier for Ed25519Verifier {
    fn algorithm(&self) -> Algorithm {
        Algorithm::EdDSA
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use time::macros::datetime;

    /// RFC 8037 appendix A.3: the thumbprint of the key of A.2.
    #[test]
    fn the_key_id_is_the_thumbprint_of_rfc_8037() {
        assert_eq!(
            thumbprint("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"),
            "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
        );
    }

    fn pem(seed: u8) -> String {
        use ed25519_dalek::pkcs8::EncodePrivateKey;
        SigningKey::from_bytes(&[seed; 32])
            .to_pkcs8_pem(ed25519_dalek::pkcs8::spki::der::pem::LineEnding::LF)
            .unwrap()
            .to_string()
    }

    #[test]
    fn a_rotated_key_still_verifies_and_a_foreign_one_does_not() {
        let now = datetime!(2026-11-02 09:00 UTC);
        let old = TokenKeys::from_pem("https://a.example", &[pem(1)]).unwrap();
        let rotated = TokenKeys::from_pem("https://a.example", &[pem(2), pem(1)]).unwrap();
        let other_issuer = TokenKeys::from_pem("https://b.example", &[pem(1)]).unwrap();
        let token = old.sign("someone".into(), None, now, 600).unwrap();
        assert_eq!(rotated.verify(&token, now).unwrap().sub, "someone");
        assert!(rotated.verify(&token, now + time::Duration::seconds(600)).is_none());
        assert!(other_issuer.verify(&token, now).is_none());
        let new = rotated.sign("someone".into(), None, now, 600).unwrap();
        assert!(old.verify(&new, now).is_none());
        assert!(old.verify("", now).is_none());
        let (head, signature) = token.rsplit_once('.').unwrap();
        assert!(old.verify(&format!("{head}.{}", signature.to_lowercase()), now).is_none());
    }

    #[test]
    fn another_algorithm_or_type_is_refused() {
        let now = datetime!(2026-11-02 09:00 UTC);
        let keys = TokenKeys::from_pem("https://a.example", &[pem(1)]).unwrap();
        let token = keys.sign("someone".into(), None, now, 600).unwrap();
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
