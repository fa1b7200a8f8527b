//! ID tokens of OpenID Connect: who signed in, said by the institution's provider (OpenID Connect Core 1.0, section 3.1.3.7).

use super::keys::{Key, Keys, Unusable};
use super::token::{Reason, TEXT};
use jsonwebtoken::{Validation, decode, decode_header};
use serde::Deserialize;
use serde_json::{Map, Value};

/// Largest ID token that is read, bytes: groups may be many.
pub const LIMIT: usize = 32 << 10;

/// What must be in a token for it to be taken.
#[derive(Clone, Copy, Debug)]
pub struct Expected<'e> {
    /// The provider, exactly.
    pub issuer: &'e str,
    /// This service, as the provider knows it.
    pub client_id: &'e str,
    /// What this sign-in began with.
    pub nonce: &'e str,
    /// Seconds since the epoch.
    pub now: i64,
    /// Seconds by which clocks may differ.
    pub leeway: i64,
    /// The claim that holds groups.
    pub groups: &'e str,
}

/// Who signed in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Known {
    /// The provider's id for them, never given to another.
    pub subject: String,
    /// Their name.
    pub name: String,
    /// Groups they are in.
    pub groups: Vec<String>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum OneOrMore {
    One(String),
    More(Vec<String>),
}

#[derive(Deserialize)]
struct Claims {
    iss: String,
    sub: String,
    aud: OneOrMore,
    azp: Option<String>,
    exp: i64,
    iat: i64,
    nonce: Option<String>,
    #[serde(flatten)]
    more: Map<String, Value>,
}

/// Reads a provider's key set. An RSA key that does not say what it is for is for RS256, as OpenID Connect has it.
///
/// # Errors
/// When it is no key set, or has nothing that can be used.
pub fn keys(text: &[u8]) -> Result<Keys, Unusable> {
    let mut set: Value = serde_json::from_slice(text).map_err(|_| Unusable::NoKeySet)?;
    for key in set.get_mut("keys").and_then(Value::as_array_mut).into_iter().flatten() {
        if key.get("kty").is_some_and(|kty| kty == "RSA")
            && let Some(key) = key.as_object_mut()
        {
            key.entry("alg").or_insert_with(|| Value::from("RS256"));
        }
    }
    Keys::read(set.to_string().as_bytes())
}

/// The `kid` that a token names.
///
/// # Errors
/// When it has not the form of a token.
pub fn key_id(token: &str) -> Result<Option<String>, Reason> {
    if token.len() > LIMIT {
        return Err(Reason::TooLong);
    }
    let header = decode_header(token).map_err(|_| Reason::Malformed)?;
    if header.crit.is_some() {
        return Err(Reason::Critical);
    }
    Ok(header.kid)
}

/// Verifies an ID token with the key that was found for it.
///
/// # Errors
/// The first thing that is not as it must be.
pub fn verify(token: &str, key: &Key, expected: &Expected<'_>) -> Result<Known, Reason> {
    if token.len() > LIMIT {
        return Err(Reason::TooLong);
    }
    // The algorithm is the key's own, whatever the token says.
    let mut validation = Validation::new(key.algorithm.of_library());
    validation.validate_exp = false;
    validation.validate_aud = false;
    validation.required_spec_claims.clear();
    let claims = decode::<Claims>(token, &key.key, &validation).map_err(|error| match error.kind() {
        jsonwebtoken::errors::ErrorKind::InvalidAlgorithm => Reason::Algorithm,
        jsonwebtoken::errors::ErrorKind::Json(_) => Reason::Malformed,
        _ => Reason::Signature,
    })?;
    let claims = claims.claims;
    if claims.iss != expected.issuer {
        return Err(Reason::UnknownIssuer);
    }
    let (named, several) = match &claims.aud {
        OneOrMore::One(one) => (one == expected.client_id, false),
        OneOrMore::More(list) => (list.iter().any(|aud| aud == expected.client_id), list.len() > 1),
    };
    let party = claims.azp.as_deref();
    if !named || party.is_some_and(|azp| azp != expected.client_id) || (several && party.is_none()) {
        return Err(Reason::Audience);
    }
    if claims.exp.saturating_add(expected.leeway) <= expected.now {
        return Err(Reason::Expired);
    }
    if claims.iat > expected.now.saturating_add(expected.leeway) {
        return Err(Reason::IssuedLater);
    }
    // A token of another sign-in, of this person or of another.
    if claims.nonce.as_deref() != Some(expected.nonce) {
        return Err(Reason::NoId);
    }
    if claims.sub.is_empty() || claims.sub.len() > TEXT {
        return Err(Reason::Client);
    }
    let text = |name: &str| claims.more.get(name).and_then(Value::as_str).map(str::trim).filter(|t| !t.is_empty());
    let name = text("name").or_else(|| text("preferred_username")).unwrap_or(&claims.sub);
    let name: String = name.chars().filter(|c| !c.is_control()).take(80).collect();
    let groups = match claims.more.get(expected.groups) {
        Some(Value::String(one)) => vec![one.clone()],
        Some(Value::Array(list)) => list.iter().filter_map(Value::as_str).map(str::to_owned).collect(),
        _ => Vec::new(),
    };
    Ok(Known { subject: claims.sub, name, groups })
}
