//! Sets of public keys (JWKS, RFC 7517). Every key is for one algorithm, whatever a token says.

use jsonwebtoken::DecodingKey;
use jsonwebtoken::jwk::{AlgorithmParameters, EllipticCurve, Jwk, KeyAlgorithm, KeyOperations, PublicKeyUse};
use serde_json::Value;
use std::collections::BTreeSet;

/// Largest key set that is read, bytes.
pub const LIMIT: usize = 256 << 10;

/// Keys of a set; no institution has more in use at a time.
const KEYS: usize = 100;

/// Algorithms that may be configured. All are asymmetric: with a symmetric one whoever can verify can sign, and a public key
/// could be taken for the secret (RFC 8725, section 2.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Algorithm {
    /// ECDSA with P-384 and SHA-384.
    Es384,
    /// RSASSA-PKCS1-v1_5 with SHA-384.
    Rs384,
    /// ECDSA with P-256 and SHA-256.
    Es256,
    /// RSASSA-PKCS1-v1_5 with SHA-256.
    Rs256,
}

impl Algorithm {
    /// All of them with the names of RFC 7518.
    pub const ALL: [(Self, &'static str); 4] =
        [(Self::Es384, "ES384"), (Self::Rs384, "RS384"), (Self::Es256, "ES256"), (Self::Rs256, "RS256")];

    /// What CDS Hooks and SMART Backend Services recommend, and what is taken when nothing else is configured.
    pub const RECOMMENDED: [Self; 2] = [Self::Es384, Self::Rs384];

    /// As the library names it.
    pub(super) fn of_library(self) -> jsonwebtoken::Algorithm {
        match self {
            Self::Es384 => jsonwebtoken::Algorithm::ES384,
            Self::Rs384 => jsonwebtoken::Algorithm::RS384,
            Self::Es256 => jsonwebtoken::Algorithm::ES256,
            Self::Rs256 => jsonwebtoken::Algorithm::RS256,
        }
    }
}

/// One public key.
#[derive(Clone, Debug)]
pub struct Key {
    /// Its `kid`.
    pub id: String,
    /// The only algorithm it verifies.
    pub algorithm: Algorithm,
    pub(super) key: DecodingKey,
}

/// A set of public keys, by `kid`.
#[derive(Clone, Debug, Default)]
pub struct Keys(Vec<Key>);

/// Why a key set cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unusable {
    /// Over [`LIMIT`].
    #[error("larger than a key set may be")]
    TooLarge,
    /// No JSON object with a list `keys`.
    #[error("no JSON object with a list \"keys\" (a JWKS, RFC 7517)")]
    NoKeySet,
    /// Too many.
    #[error("more keys than a key set may have")]
    TooMany,
    /// A secret where only public keys belong.
    #[error("holds a private or symmetric key; only public keys belong here")]
    Secret,
    /// Which of the two is meant would be a guess.
    #[error("two keys have the same kid")]
    SameId,
    /// Nothing in it can be used.
    #[error(
        "no key that can be used: each needs a kid, and kty EC with crv P-384 or P-256, or kty RSA of 2048 bits or more, for ES384, RS384, ES256 or RS256"
    )]
    Empty,
}

impl Keys {
    /// Reads a key set. Keys of other kinds and uses are passed over, as RFC 7517 section 5 asks for.
    ///
    /// # Errors
    /// When it is no key set, holds a secret, or has nothing that can be used.
    pub fn read(text: &[u8]) -> Result<Self, Unusable> {
        if text.len() > LIMIT {
            return Err(Unusable::TooLarge);
        }
        let set: Value = serde_json::from_slice(text).map_err(|_| Unusable::NoKeySet)?;
        let list = set.get("keys").and_then(Value::as_array).ok_or(Unusable::NoKeySet)?;
        if list.len() > KEYS {
            return Err(Unusable::TooMany);
        }
        if list.iter().any(|key| key.get("d").is_some() || key.get("k").is_some()) {
            return Err(Unusable::Secret);
        }
        let keys: Vec<Key> = list.iter().filter_map(key).collect();
        let ids: BTreeSet<&str> = keys.iter().map(|key| key.id.as_str()).collect();
        if ids.len() < keys.len() {
            return Err(Unusable::SameId);
        }
        if keys.is_empty() { Err(Unusable::Empty) } else { Ok(Self(keys)) }
    }

    /// The key of this `kid`.
    pub fn find(&self, id: &str) -> Option<&Key> {
        self.0.iter().find(|key| key.id == id)
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// A key that can be used, with its one algorithm.
fn key(value: &Value) -> Option<Key> {
    let jwk: Jwk = serde_json::from_value(value.clone()).ok()?;
    let own = &jwk.common;
    if own.public_key_use.as_ref().is_some_and(|u| *u != PublicKeyUse::Signature) {
        return None;
    }
    if own.key_operations.as_ref().is_some_and(|operations| !operations.contains(&KeyOperations::Verify)) {
        return None;
    }
    let id = own.key_id.clone().filter(|id| !id.is_empty() && id.len() <= super::token::TEXT)?;
    let algorithm = match (&jwk.algorithm, own.key_algorithm) {
        // Lengths of coordinates and modulus in base64url without padding.
        (AlgorithmParameters::EllipticCurve(curve), alg) => {
            let (algorithm, named, length) = match curve.curve {
                EllipticCurve::P384 => (Algorithm::Es384, KeyAlgorithm::ES384, 64),
                EllipticCurve::P256 => (Algorithm::Es256, KeyAlgorithm::ES256, 43),
                _ => return None,
            };
            let whole = curve.x.len() == length && curve.y.len() == length;
            (whole && alg.is_none_or(|alg| alg == named)).then_some(algorithm)?
        }
        (AlgorithmParameters::RSA(rsa), alg) => {
            if !(342..=1366).contains(&rsa.n.len()) {
                return None;
            }
            match alg {
                // A key that does not say is for the one that the standards recommend, and for no other beside it.
                None | Some(KeyAlgorithm::RS384) => Algorithm::Rs384,
                Some(KeyAlgorithm::RS256) => Algorithm::Rs256,
                Some(_) => return None,
            }
        }
        _ => return None,
    };
    Some(Key { id, algorithm, key: DecodingKey::from_jwk(&jwk).ok()? })
}
