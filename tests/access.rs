//! Who may call: tokens, keys, scopes, the gate of every route, and what is told of any of it.
//!
//! What is held here is said by RFC 7515 (JWS), RFC 7517 (JWK), RFC 7519 (JWT), RFC 8725 (best current practices), RFC 6750
//! (bearer tokens), the section "Trusting CDS Clients" of CDS Hooks 2.0, and SMART App Launch 2 (scopes, Backend Services);
//! numbers of sections from memory. Keys are made here for each run; issuers, clients and orders are invented.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use enteral_gate::access::keys::{Algorithm, Keys, Unusable};
use enteral_gate::access::replay::Used;
use enteral_gate::access::scope::{Grants, Need as Scope};
use enteral_gate::access::token::{Expected, LIFETIME, LIMIT, Presented, Reason, Verified, bearer};
use enteral_gate::access::{Access, Issuer, KeySource, Kind, Role};
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::gate::{Gate, Need};
use enteral_gate::http::key_sets::{KeySets, Pace};
use enteral_gate::http::{App, Doors, Limits, routes, server};
use enteral_gate::settings::Settings;
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{EncodingKey, crypto};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, LazyLock};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

const PUBLIC: &str = "https://gate.example";
const SIGN: &str = "/cds-services/tube-feeding-order-sign";
const EHR: &str = "https://ehr.example";
const AUTHORITY: &str = "https://login.example";
const NOW: i64 = 1_795_590_000;

/// A key pair with its id.
struct Signer {
    kid: &'static str,
    algorithm: jsonwebtoken::Algorithm,
    key: EncodingKey,
}

fn elliptic(kid: &'static str, algorithm: jsonwebtoken::Algorithm) -> Signer {
    let curve = if algorithm == jsonwebtoken::Algorithm::ES384 {
        &rcgen::PKCS_ECDSA_P384_SHA384
    } else {
        &rcgen::PKCS_ECDSA_P256_SHA256
    };
    let pair = rcgen::KeyPair::generate_for(curve).unwrap();
    Signer { kid, algorithm, key: EncodingKey::from_ec_der(&pair.serialize_der()) }
}

fn rsa(kid: &'static str, algorithm: jsonwebtoken::Algorithm) -> Signer {
    let pair = rcgen::KeyPair::generate_for(&rcgen::PKCS_RSA_SHA256).unwrap();
    // The signer takes the inner form (PKCS #1); of a key of 2048 bits it begins after 26 bytes of the outer one (PKCS #8).
    Signer { kid, algorithm, key: EncodingKey::from_rsa_der(&pair.serialize_der()[26..]) }
}

static OWN: LazyLock<Signer> = LazyLock::new(|| elliptic("own", jsonwebtoken::Algorithm::ES384));
static OTHER: LazyLock<Signer> = LazyLock::new(|| elliptic("other", jsonwebtoken::Algorithm::ES384));
static SMALL: LazyLock<Signer> = LazyLock::new(|| elliptic("small", jsonwebtoken::Algorithm::ES256));
static RSA: LazyLock<Signer> = LazyLock::new(|| rsa("rsa", jsonwebtoken::Algorithm::RS384));
static LOGIN: LazyLock<Signer> = LazyLock::new(|| rsa("login", jsonwebtoken::Algorithm::RS384));

fn public(signer: &Signer) -> Value {
    let mut jwk = serde_json::to_value(Jwk::from_encoding_key(&signer.key, signer.algorithm).unwrap()).unwrap();
    jwk["kid"] = json!(signer.kid);
    jwk["use"] = json!("sig");
    jwk
}

fn set(keys: &[Value]) -> Vec<u8> {
    json!({"keys": keys}).to_string().into_bytes()
}

fn keys(signers: &[&Signer]) -> Keys {
    Keys::read(&set(&signers.iter().map(|s| public(s)).collect::<Vec<_>>())).unwrap()
}

fn base64(text: impl AsRef<[u8]>) -> String {
    URL_SAFE_NO_PAD.encode(text)
}

/// A token with exactly this header and these claims.
fn token(header: &Value, claims: &Value, signer: &Signer) -> String {
    let message = format!("{}.{}", base64(header.to_string()), base64(claims.to_string()));
    let signature = crypto::sign(message.as_bytes(), &signer.key, signer.algorithm).unwrap();
    format!("{message}.{signature}")
}

fn header(signer: &Signer) -> Value {
    json!({"alg": format!("{:?}", signer.algorithm), "typ": "JWT", "kid": signer.kid})
}

fn claims(now: i64) -> Value {
    json!({"iss": EHR, "aud": format!("{PUBLIC}{SIGN}"), "exp": now + 300, "iat": now, "jti": id()})
}

/// An id that was never used.
fn id() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    format!("id-{}", NEXT.fetch_add(1, Ordering::Relaxed))
}

fn with(mut value: Value, key: &str, new: Value) -> Value {
    if new == Value::Null {
        value.as_object_mut().unwrap().remove(key);
    } else {
        value[key] = new;
    }
    value
}

fn client(name: &str, iss: &str, keys: Keys, roles: &[Role]) -> Issuer {
    Issuer {
        name: name.to_owned(),
        iss: iss.to_owned(),
        key_urls: Vec::new(),
        keys: Some(keys),
        algorithms: BTreeSet::from(Algorithm::RECOMMENDED),
        concurrent: 8,
        kind: Kind::Client { roles: roles.iter().copied().collect() },
    }
}

fn authority(keys: Keys, clients: &[&str]) -> Issuer {
    let clients = clients.iter().map(|c| (*c).to_owned()).collect();
    let kind = Kind::AuthorizationServer { audience: format!("{PUBLIC}/fhir"), clients };
    Issuer { kind, ..client("login", AUTHORITY, keys, &[]) }
}

fn access(issuers: Vec<Issuer>) -> Access {
    Access { public_url: PUBLIC.to_owned(), leeway: 30, issuers }
}

/// What the pure part says of a token at a time.
fn judged(access: &Access, token: &str, now: i64) -> Result<Verified, Reason> {
    let presented = Presented::read(token)?;
    let (_, issuer) = access.issuer(&presented.iss)?;
    let KeySource::File(keys) = issuer.key_source(presented.jku.as_deref())? else { panic!("a file was configured") };
    let key = keys.find(&presented.kid).ok_or(Reason::UnknownKey)?;
    let addresses = [format!("{PUBLIC}{SIGN}")];
    presented.verify(issuer, key, &Expected { addresses: &addresses, now, leeway: access.leeway })
}

fn ours() -> Access {
    access(vec![
        client("order-entry", EHR, keys(&[&OWN, &RSA, &SMALL]), &[Role::Hooks]),
        client("other", "https://other.example", keys(&[&OTHER]), &[Role::Hooks]),
        authority(keys(&[&LOGIN]), &[]),
    ])
}

#[test]
fn a_good_token_is_taken() {
    let ours = ours();
    for signer in [&*OWN, &*RSA] {
        let verified = judged(&ours, &token(&header(signer), &claims(NOW), signer), NOW).unwrap();
        assert_eq!(verified.roles, BTreeSet::from([Role::Hooks]));
        assert_eq!(verified.grants, Grants::default());
        assert_eq!(verified.once.map(|(_, end)| end), Some(NOW + 330));
    }
    // Several audiences; times at the edge of the leeway; a time with a fraction (RFC 7519, NumericDate).
    for (key, value) in [
        ("aud", json!(["https://elsewhere.example", format!("{PUBLIC}{SIGN}")])),
        ("exp", json!(NOW - 29)),
        ("iat", json!(NOW + 30)),
        ("nbf", json!(NOW + 30)),
        ("exp", serde_json::from_str(&format!("{}.75", NOW + 10)).unwrap()),
        ("exp", json!(NOW + LIFETIME)),
        ("tenant", json!("ward")),
    ] {
        let made = token(&header(&OWN), &with(claims(NOW), key, value), &OWN);
        assert!(judged(&ours, &made, NOW).is_ok(), "{key}");
    }
}

#[test]
fn each_claim_that_is_wrong_ends_it() {
    let ours = ours();
    for (key, value, reason) in [
        ("iss", json!("https://nobody.example"), Reason::UnknownIssuer),
        ("iss", json!("https://EHR.example"), Reason::UnknownIssuer),
        ("iss", json!([EHR]), Reason::Malformed),
        ("iss", Value::Null, Reason::Malformed),
        ("aud", json!(PUBLIC), Reason::Audience),
        ("aud", json!(format!("{PUBLIC}/cds-services")), Reason::Audience),
        ("aud", json!(format!("{PUBLIC}/cds-services/tube-feeding-order-select")), Reason::Audience),
        ("aud", json!(format!("{PUBLIC}{SIGN}/")), Reason::Audience),
        ("aud", json!([]), Reason::Audience),
        ("aud", json!(7), Reason::Malformed),
        ("aud", Value::Null, Reason::Malformed),
        ("exp", json!(NOW - 30), Reason::Expired),
        ("exp", json!(0), Reason::Expired),
        ("exp", json!(-1), Reason::Expired),
        ("exp", json!(NOW + LIFETIME + 31), Reason::Lifetime),
        ("exp", json!(i64::MAX), Reason::Lifetime),
        ("exp", serde_json::from_str("1e400").unwrap(), Reason::Malformed),
        ("exp", json!("2027-01-01"), Reason::Malformed),
        ("exp", json!(NOW.to_string()), Reason::Malformed),
        ("exp", Value::Null, Reason::NoExpiry),
        ("iat", json!(NOW + 31), Reason::IssuedLater),
        ("iat", json!(i64::MAX), Reason::IssuedLater),
        ("iat", Value::Null, Reason::NoIssueTime),
        ("nbf", json!(NOW + 31), Reason::NotYet),
        ("jti", Value::Null, Reason::NoId),
        ("jti", json!(""), Reason::NoId),
        ("jti", json!("x".repeat(257)), Reason::NoId),
        ("jti", json!(7), Reason::Malformed),
    ] {
        let made = token(&header(&OWN), &with(claims(NOW), key, value.clone()), &OWN);
        assert_eq!(judged(&ours, &made, NOW), Err(reason), "{key} {value}");
    }
    // A claim that stands twice: which of them counts must not depend on who reads it.
    let twice = claims(NOW).to_string().replacen('{', &format!("{{\"iss\":\"{EHR}\","), 1);
    let message = format!("{}.{}", base64(header(&OWN).to_string()), base64(twice));
    let signature = crypto::sign(message.as_bytes(), &OWN.key, OWN.algorithm).unwrap();
    assert_eq!(judged(&ours, &format!("{message}.{signature}"), NOW), Err(Reason::Malformed));
}

#[test]
fn each_header_that_is_wrong_ends_it() {
    let ours = ours();
    for (key, value, reason) in [
        ("kid", Value::Null, Reason::NoKeyId),
        ("kid", json!(""), Reason::NoKeyId),
        ("kid", json!("nobody"), Reason::UnknownKey),
        ("kid", json!("../../own"), Reason::UnknownKey),
        ("kid", json!("own' OR '1'='1"), Reason::UnknownKey),
        ("kid", json!("k".repeat(257)), Reason::NoKeyId),
        ("typ", Value::Null, Reason::Type),
        ("typ", json!("at+jwt"), Reason::Type),
        ("crit", json!(["exp"]), Reason::Critical),
        ("jku", json!("https://evil.example/keys"), Reason::KeyUrl),
        ("alg", json!("RS384"), Reason::Algorithm),
        ("alg", json!("ES256"), Reason::Algorithm),
        ("alg", json!("PS384"), Reason::Algorithm),
        ("alg", json!("EdDSA"), Reason::Algorithm),
        ("alg", json!("none"), Reason::Malformed),
        ("alg", json!("None"), Reason::Malformed),
        ("alg", json!(""), Reason::Malformed),
        ("alg", Value::Null, Reason::Malformed),
    ] {
        let made = token(&with(header(&OWN), key, value.clone()), &claims(NOW), &OWN);
        assert_eq!(judged(&ours, &made, NOW), Err(reason), "{key} {value}");
    }
    // A key in the header is not looked at: this one would verify the token.
    let embedded = with(header(&OTHER), "jwk", public(&OTHER));
    let embedded = with(embedded, "kid", json!("own"));
    assert_eq!(judged(&ours, &token(&embedded, &claims(NOW), &OTHER), NOW), Err(Reason::Signature));
}

/// RFC 8725, sections 2.1 and 3.1.
#[test]
fn no_algorithm_but_the_keys_own() {
    let ours = ours();
    let none = json!({"alg": "none", "typ": "JWT", "kid": "own"});
    for signature in ["", "x", "AAAA"] {
        let made = format!("{}.{}.{signature}", base64(none.to_string()), base64(claims(NOW).to_string()));
        assert_eq!(judged(&ours, &made, NOW), Err(Reason::Malformed));
    }
    // Signed with a symmetric algorithm and the public key for a secret, in every form that key is published in.
    let jwk = public(&RSA);
    let raw = URL_SAFE_NO_PAD.decode(jwk["n"].as_str().unwrap()).unwrap();
    for secret in [raw, jwk.to_string().into_bytes(), jwk["n"].as_str().unwrap().as_bytes().to_vec()] {
        for algorithm in [jsonwebtoken::Algorithm::HS256, jsonwebtoken::Algorithm::HS384] {
            let forger = Signer { kid: "rsa", algorithm, key: EncodingKey::from_secret(&secret) };
            let made = token(&header(&forger), &claims(NOW), &forger);
            assert_eq!(judged(&ours, &made, NOW), Err(Reason::Algorithm));
        }
    }
    // The right key with the other digest of its family.
    let weaker = Signer { kid: "rsa", algorithm: jsonwebtoken::Algorithm::RS256, key: RSA.key.clone() };
    assert_eq!(judged(&ours, &token(&header(&weaker), &claims(NOW), &weaker), NOW), Err(Reason::Algorithm));
    // A key for an algorithm that is not configured, until it is.
    let small = token(&header(&SMALL), &claims(NOW), &SMALL);
    assert_eq!(judged(&ours, &small, NOW), Err(Reason::Algorithm));
    let mut wider = ours;
    wider.issuers[0].algorithms.insert(Algorithm::Es256);
    assert!(judged(&wider, &small, NOW).is_ok());
}

#[test]
fn whoever_did_not_sign_it_is_not_believed() {
    let ours = ours();
    // Another client's key, under this one's name and under its own.
    let borrowed = with(header(&OTHER), "kid", json!("own"));
    assert_eq!(judged(&ours, &token(&borrowed, &claims(NOW), &OTHER), NOW), Err(Reason::Signature));
    assert_eq!(judged(&ours, &token(&header(&OTHER), &claims(NOW), &OTHER), NOW), Err(Reason::UnknownKey));
    // Every part changed, one character at a time.
    let good = token(&header(&OWN), &claims(NOW), &OWN);
    let parts: Vec<&str> = good.split('.').collect();
    let longer = format!("{}.{}.{}", parts[0], base64(with(claims(NOW), "jti", json!("changed")).to_string()), parts[2]);
    assert_eq!(judged(&ours, &longer, NOW), Err(Reason::Signature));
    for place in (0..good.len()).step_by(7) {
        let mut changed = good.clone().into_bytes();
        changed[place] = if changed[place] == b'A' { b'B' } else { b'A' };
        let changed = String::from_utf8(changed).unwrap();
        assert!(judged(&ours, &changed, NOW).is_err(), "{place}");
    }
    for text in ["", ".", "..", "...", "a.b.c", "x", &good[1..], &format!("{good}."), &format!("{good}.{good}"), "\u{0}"] {
        assert!(judged(&ours, text, NOW).is_err(), "{text}");
    }
    let huge = token(&header(&OWN), &with(claims(NOW), "x", json!("x".repeat(LIMIT))), &OWN);
    assert_eq!(judged(&ours, &huge, NOW), Err(Reason::TooLong));
}

#[test]
fn key_sets() {
    let read = |keys: &[Value]| Keys::read(&set(keys));
    let own = public(&OWN);
    assert_eq!(read(std::slice::from_ref(&own)).unwrap().find("own").unwrap().algorithm, Algorithm::Es384);
    assert_eq!(read(&[with(public(&RSA), "alg", Value::Null)]).unwrap().find("rsa").unwrap().algorithm, Algorithm::Rs384);
    assert_eq!(
        read(&[with(public(&RSA), "alg", json!("RS256"))]).unwrap().find("rsa").unwrap().algorithm,
        Algorithm::Rs256
    );
    // What cannot be used is passed over, beside one that can.
    for (key, value) in [
        ("use", json!("enc")),
        ("key_ops", json!(["sign"])),
        ("alg", json!("ES256")),
        ("alg", json!("HS384")),
        ("crv", json!("P-521")),
        ("x", json!("AAAA")),
        ("kid", Value::Null),
        ("kid", json!("")),
        ("kty", json!("oct")),
        ("kty", json!("something else")),
    ] {
        let unusable = with(with(own.clone(), "kid", json!("unusable")), key, value.clone());
        let keys = read(&[unusable.clone(), public(&RSA)]).unwrap();
        assert_eq!((keys.len(), keys.find("unusable").is_some()), (1, false), "{key} {value}");
        assert_eq!(read(&[unusable]).err(), Some(Unusable::Empty), "{key} {value}");
    }
    assert_eq!(read(&[with(public(&RSA), "n", json!("A".repeat(171)))]).err(), Some(Unusable::Empty), "1024 bits");
    assert_eq!(read(&[own.clone(), own.clone()]).err(), Some(Unusable::SameId));
    assert_eq!(read(&[with(own.clone(), "d", json!("secret"))]).err(), Some(Unusable::Secret));
    assert_eq!(read(&[json!({"kty": "oct", "kid": "own", "k": "c2VjcmV0"})]).err(), Some(Unusable::Secret));
    assert_eq!(read(&vec![own; 101]).err(), Some(Unusable::TooMany));
    for text in ["", "[]", "{}", "{\"keys\":{}}", "keys", "\u{feff}{}"] {
        assert_eq!(Keys::read(text.as_bytes()).err(), Some(Unusable::NoKeySet), "{text}");
    }
    assert_eq!(Keys::read(&vec![b' '; 300 << 10]).err(), Some(Unusable::TooLarge));
}

#[test]
fn a_token_is_good_once() {
    let mut used = Used::bounded(3);
    assert_eq!(used.take("a", NOW + 10, NOW), Ok(()));
    assert_eq!(used.take("a", NOW + 10, NOW), Err(Reason::Replayed));
    assert_eq!(used.take("a", NOW + 99, NOW + 10), Err(Reason::Replayed), "as long as it could be verified");
    assert_eq!(used.take("b", NOW + 50, NOW), Ok(()));
    assert_eq!(used.take("c", NOW + 50, NOW), Ok(()));
    assert_eq!(used.take("d", NOW + 50, NOW), Err(Reason::TooManyTokens), "none is forgotten before its time");
    assert_eq!(used.take("b", NOW + 50, NOW), Err(Reason::Replayed));
    assert_eq!(used.take("d", NOW + 50, NOW + 11), Ok(()));
    assert_eq!((used.len(), used.is_empty()), (3, false));
}

#[test]
fn the_header_of_a_call() {
    let of = |headers: &[&str]| bearer(headers.iter().map(|h| h.as_bytes())).map(str::to_owned);
    assert_eq!(of(&["Bearer a.b.c"]), Ok("a.b.c".to_owned()));
    assert_eq!(of(&["bearer a.b.c"]), Ok("a.b.c".to_owned()));
    assert_eq!(of(&[]), Err(Reason::NoToken));
    assert_eq!(of(&["Bearer a.b.c", "Bearer a.b.c"]), Err(Reason::SeveralTokens));
    for other in ["a.b.c", "Basic YTpi", "Bearer", "", "Bearera.b.c"] {
        assert_eq!(of(&[other]), Err(Reason::NotBearer), "{other}");
    }
    assert_eq!(bearer([&b"Bearer \xff"[..]].into_iter()), Err(Reason::Malformed));
    assert_eq!(of(&[&format!("Bearer {}", "x".repeat(2 * LIMIT))]), Err(Reason::TooLong));
    let codes: BTreeSet<&str> = Reason::ALL.iter().map(|(_, code)| *code).collect();
    assert_eq!(codes.len(), Reason::ALL.len());
}

/// SMART App Launch 2.0, "Scopes for requesting FHIR resources", and 1.0.
#[test]
fn scopes_in_both_forms() {
    for (scope, validate, appraise) in [
        ("system/NutritionOrder.read", true, true),
        ("system/NutritionOrder.write", true, false),
        ("system/NutritionOrder.*", true, true),
        ("system/*.read", true, true),
        ("system/*.*", true, true),
        ("system/NutritionOrder.r", true, true),
        ("system/NutritionOrder.rs", true, true),
        ("system/NutritionOrder.cruds", true, true),
        ("system/NutritionOrder.c", true, false),
        ("system/NutritionOrder.u", true, false),
        ("system/NutritionOrder.cu", true, false),
        ("system/NutritionOrder.s", false, false),
        ("system/NutritionOrder.d", false, false),
        ("openid system/Patient.rs system/NutritionOrder.rs", true, true),
        ("system/Patient.read", false, false),
        ("system/NutritionOrders.read", false, false),
        ("system/nutritionorder.read", false, false),
        ("user/NutritionOrder.read", false, false),
        ("patient/NutritionOrder.read", false, false),
        ("system/NutritionOrder.sr", false, false),
        ("system/NutritionOrder.rr", false, false),
        ("system/NutritionOrder.", false, false),
        ("system/NutritionOrder", false, false),
        ("system/NutritionOrder.rs?status=active", false, false),
        ("system/NutritionOrder.read.write", false, false),
        ("SYSTEM/NutritionOrder.read", false, false),
        ("", false, false),
    ] {
        let grants = Grants::of(scope);
        let got = (grants.allow(Scope::Validate), grants.allow(Scope::Appraise), grants.allow(Scope::Batch));
        assert_eq!(got, (validate, appraise, validate), "{scope}");
    }
}

fn access_claims(now: i64, scope: &str) -> Value {
    json!({"iss": AUTHORITY, "aud": format!("{PUBLIC}/fhir"), "exp": now + 300, "client_id": "backend", "scope": scope})
}

#[test]
fn access_tokens() {
    let ours = ours();
    let read = |claims: &Value, typ: Value| judged(&ours, &token(&with(header(&LOGIN), "typ", typ), claims, &LOGIN), NOW);
    let good = access_claims(NOW, "system/NutritionOrder.rs");
    for typ in [json!("JWT"), json!("at+jwt"), json!("application/at+jwt"), Value::Null] {
        let verified = read(&good, typ).unwrap();
        assert_eq!((verified.roles, verified.once), (BTreeSet::from([Role::Fhir]), None));
        assert_eq!((verified.grants, verified.client.as_deref()), (Grants::of("system/NutritionOrder.r"), Some("backend")));
    }
    for (key, value, reason) in [
        ("aud", json!(PUBLIC), Reason::Audience),
        ("aud", json!(format!("{PUBLIC}{SIGN}")), Reason::Audience),
        ("exp", json!(NOW - 31), Reason::Expired),
        ("exp", Value::Null, Reason::NoExpiry),
        ("nbf", json!(NOW + 31), Reason::NotYet),
        ("iat", json!(NOW + 31), Reason::IssuedLater),
        ("client_id", Value::Null, Reason::Client),
        ("scope", json!(["system/NutritionOrder.rs"]), Reason::Malformed),
    ] {
        assert_eq!(read(&with(good.clone(), key, value.clone()), json!("JWT")), Err(reason), "{key} {value}");
    }
    assert_eq!(read(&good, json!("logout+jwt")), Err(Reason::Type));
    assert_eq!(read(&with(good.clone(), "scope", Value::Null), json!("JWT")).unwrap().grants, Grants::default());
    // Only the clients that are listed, where there is a list.
    let listed = access(vec![authority(keys(&[&LOGIN]), &["somebody-else"])]);
    assert_eq!(judged(&listed, &token(&header(&LOGIN), &good, &LOGIN), NOW), Err(Reason::Client));
}
