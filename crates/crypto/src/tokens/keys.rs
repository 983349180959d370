//! Keys, and what all tokens share.
//!
//! The first key signs; every key verifies and is published, so that a key is rotated by putting a new
//! one in front, and taken away once the last token that it signed has expired. A key that only
//! verifies may be given as its public half.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, Verifier, VerifyingKey};
use jsonwebtoken::crypto::{CryptoProvider, JwtSigner, JwtVerifier, KeyUtils};
use jsonwebtoken::errors::{Error, ErrorKind, new_error};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use thiserror::Error as ThisError;

/// Keys that cannot be used.
#[derive(Debug, ThisError)]
pub enum KeyError {
    /// No key was given.
    #[error("at least one signing key is needed")]
    None,
    /// Not an Ed25519 key in PEM (RFC 8410).
    #[error("key {0} is not an Ed25519 key in PKCS#8 PEM, or the first is not a private one")]
    Unreadable(usize),
    /// Not a set of public keys (RFC 7517).
    #[error("not a set of Ed25519 keys: {0}")]
    NotASet(&'static str),
    /// Signing failed.
    #[error("signing: {0}")]
    Signing(#[from] Error),
}

/// Why a token is not taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ThisError)]
pub enum TokenError {
    /// Not a JWS in the compact form.
    #[error("it is not a signed token")]
    Malformed,
    /// Another algorithm than `EdDSA`, or none.
    #[error("it is signed with another algorithm than EdDSA")]
    Algorithm,
    /// A token, but of another kind.
    #[error("it is a token of another kind")]
    Type,
    /// Signed with a key that is not one of these.
    #[error("it was not signed by a key of this register")]
    UnknownKey,
    /// The signature does not fit.
    #[error("its signature does not fit: it was changed, or is forged")]
    Signature,
    /// Signed as it should be, with other content than such a token has.
    #[error("its content is not that of such a token")]
    Content,
}

struct Key {
    kid: String,
    x: String,
    signing: Option<EncodingKey>,
    verifying: DecodingKey,
}

impl Key {
    fn new(public: &VerifyingKey, private: Option<&SigningKey>) -> Self {
        let x = URL_SAFE_NO_PAD.encode(public.to_bytes());
        Self {
            kid: thumbprint(&x),
            signing: private.map(|key| EncodingKey::from_ed_der(key.as_bytes())),
            verifying: DecodingKey::from_ed_der(public.as_bytes()),
            x,
        }
    }

    fn from_pem(text: &str) -> Option<Self> {
        if let Ok(private) = SigningKey::from_pkcs8_pem(text) {
            return Some(Self::new(&private.verifying_key(), Some(&private)));
        }
        Some(Self::new(&VerifyingKey::from_public_key_pem(text).ok()?, None))
    }

    fn from_jwk(jwk: &Value) -> Option<Self> {
        let of = |member: &str| jwk.get(member).and_then(Value::as_str);
        let x: [u8; 32] = URL_SAFE_NO_PAD.decode(of("x")?).ok()?.try_into().ok()?;
        let key = Self::new(&VerifyingKey::from_bytes(&x).ok()?, None);
        (of("kid")? == key.kid).then_some(key)
    }
}

/// SHA-256 over the required members in order (RFC 7638, RFC 8037 s. 2).
fn thumbprint(x: &str) -> String {
    let members = format!(r#"{{"crv":"Ed25519","kty":"OKP","x":"{x}"}}"#);
    URL_SAFE_NO_PAD.encode(Sha256::digest(members.as_bytes()))
}

/// A set of keys for one purpose.
pub struct KeySet(Vec<Key>);

impl KeySet {
    /// Reads keys from PEM texts; the first, a private one, signs.
    ///
    /// # Errors
    /// When there is none, or one cannot be read.
    pub fn from_pem(texts: &[String]) -> Result<Self, KeyError> {
        install_provider();
        let keys: Vec<Key> = texts
            .iter()
            .enumerate()
            .map(|(at, text)| Key::from_pem(text).ok_or(KeyError::Unreadable(at + 1)))
            .collect::<Result<_, _>>()?;
        match keys.first() {
            None => Err(KeyError::None),
            Some(first) if first.signing.is_none() => Err(KeyError::Unreadable(1)),
            Some(_) => Ok(Self(keys)),
        }
    }

    /// Reads public keys, which verify and sign nothing (RFC 7517).
    ///
    /// # Errors
    /// When it is not such a set.
    pub fn from_jwks(set: &Value) -> Result<Self, KeyError> {
        install_provider();
        let keys = set.get("keys").and_then(Value::as_array).ok_or(KeyError::NotASet("no member keys"))?;
        // A key of another kind is for others to use: it spoils no set.
        let of = |key: &Value, member: &str| key.get(member).and_then(Value::as_str).map(ToOwned::to_owned);
        let ours = keys.iter().filter(|key| {
            of(key, "kty").as_deref() == Some("OKP") && of(key, "crv").as_deref() == Some("Ed25519")
        });
        let keys: Option<Vec<Key>> = ours.map(Key::from_jwk).collect();
        match keys {
            None => Err(KeyError::NotASet("a key that is not Ed25519, or whose id is not its thumbprint")),
            Some(keys) if keys.is_empty() => Err(KeyError::NotASet("it is empty")),
            Some(keys) => Ok(Self(keys)),
        }
    }

    /// The public keys (RFC 7517, RFC 8037).
    #[must_use]
    pub fn jwks(&self) -> Value {
        let keys: Vec<Value> = self
            .0
            .iter()
            .map(|key| {
                json!({"kty": "OKP", "crv": "Ed25519", "x": key.x, "kid": key.kid, "use": "sig", "alg": "EdDSA"})
            })
            .collect();
        json!({ "keys": keys })
    }

    /// The id of the key that signs.
    ///
    /// # Errors
    /// When none does.
    pub fn signs_with(&self) -> Result<&str, KeyError> {
        let first = self.0.first().filter(|key| key.signing.is_some());
        first.map(|key| key.kid.as_str()).ok_or(KeyError::None)
    }

    /// Whether a key is one of them.
    #[must_use]
    pub fn has(&self, kid: &str) -> bool {
        self.0.iter().any(|key| key.kid == kid)
    }

    /// Signs claims as a token of a type.
    ///
    /// # Errors
    /// When no key signs, or signing fails.
    pub fn sign(&self, typ: &str, claims: &impl Serialize) -> Result<String, KeyError> {
        let key = self.0.first().ok_or(KeyError::None)?;
        let mut header = Header::new(Algorithm::EdDSA);
        header.typ = Some(typ.to_owned());
        header.kid = Some(key.kid.clone());
        Ok(jsonwebtoken::encode(&header, claims, key.signing.as_ref().ok_or(KeyError::None)?)?)
    }

    /// The claims of a token: algorithm, type and key id are pinned (RFC 8725). Instants are the
    /// caller's to check, who has the clock.
    ///
    /// # Errors
    /// Why the token is not taken.
    pub fn verify<T: DeserializeOwned + Clone>(&self, typ: &str, token: &str) -> Result<T, TokenError> {
        Self::verify_with(&self.0, typ, token)
    }

    /// Verifies by the key that signs now alone, which is the first of a set: for what is short-lived, so
    /// that a key that was retired cannot make more of it.
    ///
    /// # Errors
    /// Why the token is not taken.
    pub fn verify_current<T: DeserializeOwned + Clone>(
        &self,
        typ: &str,
        token: &str,
    ) -> Result<T, TokenError> {
        Self::verify_with(self.0.get(..1).unwrap_or_default(), typ, token)
    }

    fn verify_with<T: DeserializeOwned + Clone>(
        keys: &[Key],
        typ: &str,
        token: &str,
    ) -> Result<T, TokenError> {
        let header = header(token).ok_or(TokenError::Malformed)?;
        let of = |member: &str| header.get(member).and_then(Value::as_str);
        if of("alg") != Some("EdDSA") {
            return Err(TokenError::Algorithm);
        }
        if of("typ") != Some(typ) {
            return Err(TokenError::Type);
        }
        // Extensions that have to be understood (RFC 7515 s. 4.1.11): none is.
        if header.get("crit").is_some() {
            return Err(TokenError::Malformed);
        }
        let key = keys.iter().find(|key| Some(key.kid.as_str()) == of("kid"));
        let key = key.ok_or(TokenError::UnknownKey)?;
        let mut validation = Validation::new(Algorithm::EdDSA);
        validation.required_spec_claims.clear();
        validation.validate_exp = false;
        validation.validate_aud = false;
        match jsonwebtoken::decode::<T>(token, &key.verifying, &validation) {
            Ok(read) => Ok(read.claims),
            Err(error) => Err(match error.kind() {
                ErrorKind::InvalidSignature => TokenError::Signature,
                ErrorKind::Json(_) => TokenError::Content,
                _ => TokenError::Malformed,
            }),
        }
    }
}

/// The header of a token that has three parts.
fn header(token: &str) -> Option<Value> {
    let mut parts = token.split('.');
    let (head, _, _, None) = (parts.next()?, parts.next()?, parts.next()?, parts.next()) else { return None };
    serde_json::from_slice(&URL_SAFE_NO_PAD.decode(head).ok()?).ok()
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
pub(super) mod tests {
    use super::*;

    /// A private key from its seed.
    pub fn pem(seed: u8) -> String {
        use ed25519_dalek::pkcs8::EncodePrivateKey;
        let key = SigningKey::from_bytes(&[seed; 32]);
        key.to_pkcs8_pem(ed25519_dalek::pkcs8::spki::der::pem::LineEnding::LF).unwrap().to_string()
    }

    /// RFC 8037 appendix A.3: the thumbprint of the key of A.2.
    #[test]
    fn the_key_id_is_the_thumbprint_of_rfc_8037() {
        assert_eq!(
            thumbprint("11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"),
            "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
        );
    }

    /// RFC 8037 appendix A.4 has no type and no key id: with both the signature is another one, so only
    /// that it is refused for what it lacks.
    #[test]
    fn a_token_without_type_or_key_id_is_refused() {
        let keys = KeySet::from_pem(&[pem(1)]).unwrap();
        let token = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc.hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg";
        assert_eq!(keys.verify::<Value>("x+jwt", token), Err(TokenError::Type));
    }

    #[test]
    fn each_way_of_being_wrong_is_told_apart() {
        let keys = KeySet::from_pem(&[pem(1)]).unwrap();
        let token = keys.sign("x+jwt", &json!({"sub": "a"})).unwrap();
        assert_eq!(keys.verify::<Value>("x+jwt", &token), Ok(json!({"sub": "a"})));
        assert_eq!(keys.verify::<Value>("y+jwt", &token), Err(TokenError::Type));
        assert_eq!(keys.verify::<Value>("x+jwt", "a.b"), Err(TokenError::Malformed));
        assert_eq!(keys.verify::<Value>("x+jwt", &format!("{token}.x")), Err(TokenError::Malformed));
        let other = KeySet::from_pem(&[pem(2)]).unwrap();
        assert_eq!(other.verify::<Value>("x+jwt", &token), Err(TokenError::UnknownKey));
        let [head, body, _] = token.split('.').collect::<Vec<_>>()[..] else { panic!() };
        let forged = other.sign("x+jwt", &json!({"sub": "a"})).unwrap();
        let signature = forged.rsplit('.').next().unwrap();
        let forged = format!("{head}.{body}.{signature}");
        assert_eq!(keys.verify::<Value>("x+jwt", &forged), Err(TokenError::Signature));
        for alg in ["none", "HS256", "ES256"] {
            let head = URL_SAFE_NO_PAD.encode(json!({"alg": alg, "typ": "x+jwt"}).to_string());
            let token = format!("{head}.{body}.{signature}");
            assert_eq!(keys.verify::<Value>("x+jwt", &token), Err(TokenError::Algorithm), "{alg}");
        }
        let verifier = KeySet::from_jwks(&keys.jwks()).unwrap();
        assert_eq!(verifier.verify::<Value>("x+jwt", &token), Ok(json!({"sub": "a"})));
        assert!(verifier.sign("x+jwt", &json!({})).is_err());
    }

    /// A key of another kind in the card keys stopped every counter's take-in.
    #[test]
    fn a_key_of_another_kind_spoils_no_set() {
        let keys = KeySet::from_pem(&[pem(1)]).unwrap();
        let token = keys.sign("x+jwt", &json!({"sub": "a"})).unwrap();
        let mut set = keys.jwks();
        // RFC 7517, appendix A.1: an elliptic curve key.
        let other = json!({"kty": "EC", "crv": "P-256", "x": "MKBCTNIcKUSDii11ySs3526iDZ8AiTo7Tu6KPAqv7D4",
            "y": "4Etl6SRW2YiLUrN5vfvVHuhp7x8PxltmWWlbbM4IFyM", "use": "enc", "kid": "1"});
        set["keys"].as_array_mut().unwrap().insert(0, other.clone());
        let read = KeySet::from_jwks(&set).unwrap();
        assert_eq!(read.verify::<Value>("x+jwt", &token), Ok(json!({"sub": "a"})));
        assert!(KeySet::from_jwks(&json!({"keys": [other]})).is_err(), "none that can be used");
        set["keys"][1]["kid"] = json!("another");
        assert!(KeySet::from_jwks(&set).is_err(), "one of ours that is not what it says");
    }

    #[test]
    fn a_retired_key_may_be_given_as_its_public_half() {
        use ed25519_dalek::pkcs8::EncodePublicKey;
        let old = KeySet::from_pem(&[pem(1)]).unwrap();
        let token = old.sign("x+jwt", &json!({"sub": "a"})).unwrap();
        let public = SigningKey::from_bytes(&[1; 32]).verifying_key();
        let public = public.to_public_key_pem(ed25519_dalek::pkcs8::spki::der::pem::LineEnding::LF).unwrap();
        let rotated = KeySet::from_pem(&[pem(2), public.clone()]).unwrap();
        assert!(rotated.verify::<Value>("x+jwt", &token).is_ok());
        assert_eq!(rotated.verify_current::<Value>("x+jwt", &token), Err(TokenError::UnknownKey));
        assert!(matches!(KeySet::from_pem(&[public]), Err(KeyError::Unreadable(1))));
    }
}
