//! One signed token (JWT): looked at without trust to find its issuer and key, verified, and then read.

use super::Role;
use super::keys::{Algorithm, Key};
use super::scope::Grants;
use super::{Issuer, Kind};
use jsonwebtoken::dangerous::insecure_decode_claims;
use jsonwebtoken::{Validation, decode, decode_header};
use serde::Deserialize;
use serde_json::Number;
use std::collections::BTreeSet;

/// Longest token, bytes.
pub const LIMIT: usize = 8 << 10;

/// Longest `kid`, `jti` or client id, bytes.
pub const TEXT: usize = 256;

/// Longest time for which a token of a CDS Hooks client may be good, seconds: as long as it must be remembered.
pub const LIFETIME: i64 = 3600;

/// Why a token is not taken. The caller is never told which: it would help whoever is trying.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs, reason = "the code beside each says it")]
pub enum Reason {
    NoToken,
    SeveralTokens,
    NotBearer,
    TooLong,
    Malformed,
    Critical,
    Type,
    UnknownIssuer,
    KeyUrl,
    NoKeyId,
    KeysUnavailable,
    UnknownKey,
    Algorithm,
    Signature,
    Audience,
    NoExpiry,
    Expired,
    NotYet,
    NoIssueTime,
    IssuedLater,
    Lifetime,
    NoId,
    Replayed,
    TooManyTokens,
    Client,
}

impl Reason {
    /// All of them with their codes in logs and counters.
    pub const ALL: [(Self, &'static str); 25] = [
        (Self::NoToken, "no-token"),
        (Self::SeveralTokens, "several-tokens"),
        (Self::NotBearer, "not-bearer"),
        (Self::TooLong, "too-long"),
        (Self::Malformed, "malformed"),
        (Self::Critical, "critical-header"),
        (Self::Type, "type"),
        (Self::UnknownIssuer, "unknown-issuer"),
        (Self::KeyUrl, "key-url"),
        (Self::NoKeyId, "no-key-id"),
        (Self::KeysUnavailable, "keys-unavailable"),
        (Self::UnknownKey, "unknown-key"),
        (Self::Algorithm, "algorithm"),
        (Self::Signature, "signature"),
        (Self::Audience, "audience"),
        (Self::NoExpiry, "no-expiry"),
        (Self::Expired, "expired"),
        (Self::NotYet, "not-yet"),
        (Self::NoIssueTime, "no-issue-time"),
        (Self::IssuedLater, "issued-later"),
        (Self::Lifetime, "lifetime"),
        (Self::NoId, "no-id"),
        (Self::Replayed, "replayed"),
        (Self::TooManyTokens, "too-many-tokens"),
        (Self::Client, "client"),
    ];

    /// Its code.
    pub fn code(self) -> &'static str {
        Self::ALL.iter().find(|(reason, _)| *reason == self).map_or("", |(_, code)| code)
    }
}

/// A token as presented. Nothing in it is to be believed: it only says which issuer and key to try.
#[derive(Clone, Debug)]
pub struct Presented<'t> {
    token: &'t str,
    /// Who is said to have signed it.
    pub iss: String,
    /// The key it is said to be signed with.
    pub kid: String,
    /// Where that key is said to be.
    pub jku: Option<String>,
    typ: Option<String>,
}

#[derive(Deserialize)]
struct Said {
    iss: String,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum Audience {
    One(String),
    Several(Vec<String>),
}

#[derive(Deserialize)]
struct Claims {
    iss: String,
    aud: Audience,
    exp: Option<Number>,
    iat: Option<Number>,
    nbf: Option<Number>,
    jti: Option<String>,
    scope: Option<String>,
    client_id: Option<String>,
    sub: Option<String>,
}

/// What a token is held against.
#[derive(Clone, Debug)]
pub struct Expected<'a> {
    /// Addresses of the call, one of which a CDS Hooks client must name as audience.
    pub addresses: &'a [String],
    /// Now, seconds since the epoch.
    pub now: i64,
    /// Seconds by which clocks may differ.
    pub leeway: i64,
}

/// What a good token says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verified {
    /// What the caller may be used for.
    pub roles: BTreeSet<Role>,
    /// What was granted to it on orders.
    pub grants: Grants,
    /// The client of an authorization server.
    pub client: Option<String>,
    /// For a token that may be used once: its id, and when it need not be remembered any more.
    pub once: Option<(String, i64)>,
}

impl<'t> Presented<'t> {
    /// Looks at a token.
    ///
    /// # Errors
    /// When it has not the form of one, or asks for something that is not understood here.
    pub fn read(token: &'t str) -> Result<Self, Reason> {
        if token.len() > LIMIT {
            return Err(Reason::TooLong);
        }
        // An algorithm that the library does not know, `none` among them, ends here.
        let header = decode_header(token).map_err(|_| Reason::Malformed)?;
        // RFC 7515, section 4.1.11: what must be understood and is not, ends it.
        if header.crit.is_some() {
            return Err(Reason::Critical);
        }
        let kid = header.kid.filter(|kid| !kid.is_empty() && kid.len() <= TEXT).ok_or(Reason::NoKeyId)?;
        let said: Said = insecure_decode_claims(token).map_err(|_| Reason::Malformed)?;
        Ok(Self { token, iss: said.iss, kid, jku: header.jku, typ: header.typ })
    }

    /// Verifies the token with the key that was found for it, and holds its claims against what is expected. Keys in the
    /// token's own header (`jwk`, `x5c`, `x5u`) are never looked at.
    ///
    /// # Errors
    /// The first thing that is not as it must be.
    pub fn verify(&self, issuer: &Issuer, key: &Key, expected: &Expected<'_>) -> Result<Verified, Reason> {
        if !issuer.algorithms.contains(&key.algorithm) {
            return Err(Reason::Algorithm);
        }
        let claims = self.signed(key)?;
        if claims.iss != issuer.iss {
            return Err(Reason::UnknownIssuer);
        }
        let Expected { addresses, now, leeway } = *expected;
        let second = |number: &Option<Number>| number.as_ref().map(second).transpose();
        let end = second(&claims.exp)?.ok_or(Reason::NoExpiry)?;
        let (issued, begin) = (second(&claims.iat)?, second(&claims.nbf)?);
        if end.saturating_add(leeway) <= now {
            return Err(Reason::Expired);
        }
        if begin.is_some_and(|begin| begin > now.saturating_add(leeway)) {
            return Err(Reason::NotYet);
        }
        if issued.is_some_and(|issued| issued > now.saturating_add(leeway)) {
            return Err(Reason::IssuedLater);
        }
        let names = |wanted: &String| match &claims.aud {
            Audience::One(one) => one == wanted,
            Audience::Several(several) => several.contains(wanted),
        };
        let typ = self.typ.as_deref().map(str::to_ascii_lowercase);
        match &issuer.kind {
            Kind::Client { roles } => {
                if typ.as_deref() != Some("jwt") {
                    return Err(Reason::Type);
                }
                if !addresses.iter().any(names) {
                    return Err(Reason::Audience);
                }
                if issued.is_none() {
                    return Err(Reason::NoIssueTime);
                }
                if end > now.saturating_add(LIFETIME).saturating_add(leeway) {
                    return Err(Reason::Lifetime);
                }
                let id = claims.jti.filter(|id| !id.is_empty() && id.len() <= TEXT).ok_or(Reason::NoId)?;
                let once = Some((id, end.saturating_add(leeway)));
                Ok(Verified { roles: roles.clone(), grants: Grants::default(), client: None, once })
            }
            Kind::AuthorizationServer { audience, clients, metrics } => {
                // A token of another kind of the same server (RFC 9068 names access tokens `at+jwt`; many send `JWT`).
                if !matches!(typ.as_deref(), None | Some("jwt" | "at+jwt" | "application/at+jwt")) {
                    return Err(Reason::Type);
                }
                if !names(audience) {
                    return Err(Reason::Audience);
                }
                let client = claims.client_id.or(claims.sub).filter(|id| !id.is_empty() && id.len() <= TEXT);
                let client = client.ok_or(Reason::Client)?;
                if !clients.is_empty() && !clients.contains(&client) {
                    return Err(Reason::Client);
                }
                let grants = claims.scope.as_deref().map(Grants::of).unwrap_or_default();
                // A monitoring system asks with the same token until that ends, and can sign none itself.
                let scopes = claims.scope.as_deref().unwrap_or_default();
                let watches = metrics.as_deref().is_some_and(|own| scopes.split(' ').any(|scope| scope == own));
                let roles = [Role::Fhir].into_iter().chain(watches.then_some(Role::Metrics)).collect();
                Ok(Verified { roles, grants, client: Some(client), once: None })
            }
        }
    }

    /// The claims, if the signature is that of the key in the key's own algorithm.
    fn signed(&self, key: &Key) -> Result<Claims, Reason> {
        let mut validation = Validation::new(key.algorithm.of_library());
        // Times and names are held against what the caller of this module gives, not against the clock.
        validation.validate_exp = false;
        validation.validate_aud = false;
        validation.required_spec_claims.clear();
        let decoded = decode::<Claims>(self.token, &key.key, &validation);
        decoded.map(|decoded| decoded.claims).map_err(|error| match error.kind() {
            jsonwebtoken::errors::ErrorKind::InvalidAlgorithm => Reason::Algorithm,
            jsonwebtoken::errors::ErrorKind::Json(_) => Reason::Malformed,
            _ => Reason::Signature,
        })
    }
}

/// A time as RFC 7519 writes it, in whole seconds: the part after a point says nothing that matters here.
fn second(number: &Number) -> Result<i64, Reason> {
    let text = number.to_string();
    let whole = text.split_once('.').map_or(text.as_str(), |(whole, _)| whole);
    whole.parse().map_err(|_| Reason::Malformed)
}

/// The one token of a call, from its `Authorization` headers.
///
/// # Errors
/// When there is none, more than one, or one of another scheme.
pub fn bearer<'h>(mut headers: impl Iterator<Item = &'h [u8]>) -> Result<&'h str, Reason> {
    let first = headers.next().ok_or(Reason::NoToken)?;
    if headers.next().is_some() {
        return Err(Reason::SeveralTokens);
    }
    if first.len() > LIMIT + 16 {
        return Err(Reason::TooLong);
    }
    let text = std::str::from_utf8(first).map_err(|_| Reason::Malformed)?;
    let (scheme, token) = text.split_once(' ').ok_or(Reason::NotBearer)?;
    if !scheme.eq_ignore_ascii_case("bearer") {
        return Err(Reason::NotBearer);
    }
    Ok(token.trim_matches(' '))
}

/// The algorithms that an issuer may use, by their names.
///
/// # Errors
/// The name that is none of them.
pub fn algorithms<'n>(names: impl IntoIterator<Item = &'n str>) -> Result<BTreeSet<Algorithm>, &'n str> {
    names
        .into_iter()
        .map(|name| Algorithm::ALL.iter().find(|(_, known)| *known == name).map(|(alg, _)| *alg).ok_or(name))
        .collect()
}
