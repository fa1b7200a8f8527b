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
use enteral_gate::http::trail::{Bounds, Found, Store, Trail};
use enteral_gate::http::{App, Doors, Limits, routes, server};
use enteral_gate::settings::Settings;
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{EncodingKey, crypto};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, LazyLock};
use std::time::Duration;
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
    let kind = Kind::AuthorizationServer { audience: format!("{PUBLIC}/fhir"), clients, metrics: None };
    Issuer { kind, ..client("login", AUTHORITY, keys, &[]) }
}

fn access(issuers: Vec<Issuer>) -> Access {
    Access { public_url: PUBLIC.to_owned(), leeway: 30, issuers }
}

/// What the pure part says of a token at a time.
fn judged(access: &Access, token: &str, now: i64) -> Result<Verified, Reason> {
    let presented = Presented::read(token)?;
    let issuer = access.issuer(&presented.iss)?;
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
    let longer =
        format!("{}.{}.{}", parts[0], base64(with(claims(NOW), "jti", json!("changed")).to_string()), parts[2]);
    assert_eq!(judged(&ours, &longer, NOW), Err(Reason::Signature));
    for place in (0..good.len()).step_by(7) {
        let mut changed = good.clone().into_bytes();
        changed[place] = if changed[place] == b'A' { b'B' } else { b'A' };
        let changed = String::from_utf8(changed).unwrap();
        assert!(judged(&ours, &changed, NOW).is_err(), "{place}");
    }
    for text in
        ["", ".", "..", "...", "a.b.c", "x", &good[1..], &format!("{good}."), &format!("{good}.{good}"), "\u{0}"]
    {
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
    assert_eq!(
        read(&[with(public(&RSA), "alg", Value::Null)]).unwrap().find("rsa").unwrap().algorithm,
        Algorithm::Rs384
    );
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
    let read =
        |claims: &Value, typ: Value| judged(&ours, &token(&with(header(&LOGIN), "typ", typ), claims, &LOGIN), NOW);
    let good = access_claims(NOW, "system/NutritionOrder.rs");
    for typ in [json!("JWT"), json!("at+jwt"), json!("application/at+jwt"), Value::Null] {
        let verified = read(&good, typ).unwrap();
        assert_eq!((verified.roles, verified.once), (BTreeSet::from([Role::Fhir]), None));
        assert_eq!(
            (verified.grants, verified.client.as_deref()),
            (Grants::of("system/NutritionOrder.r"), Some("backend"))
        );
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

// Over HTTP.

fn now() -> i64 {
    jiff::Timestamp::now().as_second()
}

struct Service {
    here: SocketAddr,
    app: Arc<App>,
}

impl Service {
    async fn new(access: Access, pace: Pace, admin: bool) -> Self {
        Self::kept(access, pace, admin, None).await
    }

    async fn kept(access: Access, pace: Pace, admin: bool, trail: Option<Arc<Trail>>) -> Self {
        let sets = KeySets::new(&access, Vec::new(), pace).unwrap();
        let doors = Doors { gate: Some(Arc::new(Gate::new(access, sets))), admin, trail, ..Doors::default() };
        let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
        let limits = Limits { hook_time: Duration::from_secs(20), ..Limits::default() };
        let app = App::behind(doors, Arc::new(Core::new(formulary)), Settings::default(), limits);
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap();
        tokio::spawn(server::serve(listener, app.clone(), std::future::pending()));
        Self { here, app }
    }

    /// The listener for metrics and details.
    async fn admin(&self, tokens: bool) -> SocketAddr {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap();
        let routes = routes::admin(self.app.clone(), tokens);
        tokio::spawn(server::serve_routes(listener, routes, None, self.app.clone(), std::future::pending()));
        here
    }

    async fn metric(&self, line: &str) -> u64 {
        let metrics = token(&header(&SMALL), &own(now(), "/metrics", "https://monitor.example"), &SMALL);
        let (status, _, text) = call(self.here, "GET", "/metrics", &[bearer_of(&metrics)], "").await;
        assert_eq!(status, 200, "{text}");
        text.lines().find_map(|l| l.strip_prefix(line)?.trim().parse().ok()).unwrap_or(0)
    }

    async fn refused(&self, reason: &str) -> u64 {
        self.metric(&format!("enteral_gate_access_refused_total{{reason=\"{reason}\"}}")).await
    }
}

fn bearer_of(token: &str) -> String {
    format!("authorization: Bearer {token}")
}

fn own(now: i64, path: &str, iss: &str) -> Value {
    with(with(claims(now), "aud", json!(format!("{PUBLIC}{path}"))), "iss", json!(iss))
}

/// Status, head in small letters, body.
async fn call(here: SocketAddr, method: &str, path: &str, headers: &[String], body: &str) -> (u16, String, String) {
    let mut stream = TcpStream::connect(here).await.unwrap();
    let kind = if path.contains("/fhir") { "application/fhir+json" } else { "application/json" };
    let mut text = format!("{method} {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\n");
    if method == "POST" {
        write!(text, "content-type: {kind}\r\ncontent-length: {}\r\n", body.len()).unwrap();
    }
    for header in headers {
        write!(text, "{header}\r\n").unwrap();
    }
    stream.write_all(format!("{text}\r\n{body}").as_bytes()).await.unwrap();
    let mut answer = String::new();
    let _ = tokio::time::timeout(Duration::from_secs(30), stream.read_to_string(&mut answer)).await.unwrap();
    let (head, body) = answer.split_once("\r\n\r\n").unwrap_or((&answer, ""));
    let status = head.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0);
    (status, head.to_lowercase(), body.to_owned())
}

/// Callers of the tests: hook client, another one, monitoring, and an authorization server.
fn everybody() -> Access {
    let mut monitor = client("monitor", "https://monitor.example", keys(&[&SMALL]), &[Role::Metrics]);
    monitor.algorithms.insert(Algorithm::Es256);
    let mut all = ours();
    all.issuers[0].keys = Some(keys(&[&OWN, &RSA]));
    all.issuers.push(monitor);
    all
}

fn hook_body() -> String {
    std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/hooks/requests/sign-clear.json")).unwrap()
}

async fn hook(here: SocketAddr, token: &str) -> u16 {
    call(here, "POST", SIGN, &[bearer_of(token)], &hook_body()).await.0
}

/// A caller of the matrix and what it may be used for.
struct Actor {
    name: &'static str,
    role: Option<Role>,
    grants: Grants,
    token: fn(&str) -> Option<String>,
}

/// What is on the queue, and what happened to it.
const QUEUE: &str =
    "system/Task.rs system/DetectedIssue.rs system/Provenance.rs system/AuditEvent.rs system/Subscription.rs";

fn backend(scope: &str) -> Option<String> {
    Some(token(&header(&LOGIN), &access_claims(now(), scope), &LOGIN))
}

fn actors() -> Vec<Actor> {
    let none = Grants::default();
    let actor = |name, role, grants, token| Actor { name, role, grants, token };
    vec![
        actor("no token", None, none, |_| None),
        actor("unknown client", None, none, |path| {
            Some(token(&header(&OTHER), &own(now(), path, "https://evil.example"), &OTHER))
        }),
        actor("client, `hooks`", Some(Role::Hooks), none, |path| {
            Some(token(&header(&OWN), &own(now(), path, EHR), &OWN))
        }),
        actor("client, `metrics`", Some(Role::Metrics), none, |path| {
            Some(token(&header(&SMALL), &own(now(), path, "https://monitor.example"), &SMALL))
        }),
        actor("backend, `….read` or `.r`", Some(Role::Fhir), Grants::of("system/NutritionOrder.r"), |_| {
            backend("system/NutritionOrder.read")
        }),
        actor("backend, `….write`, `.c` or `.u`", Some(Role::Fhir), Grants::of("system/NutritionOrder.cu"), |_| {
            backend("system/NutritionOrder.write")
        }),
        actor("backend, scopes of the queue", Some(Role::Fhir), Grants::of(QUEUE), |_| backend(QUEUE)),
        actor("backend, other scopes", Some(Role::Fhir), none, |_| backend("system/Patient.read")),
    ]
}

/// What a route asks for decides alone who gets through.
fn expected(need: Need, actor: &Actor) -> &'static str {
    match (need, actor.role) {
        (Need::Open, _) => "answered",
        // No token of a client opens a page for people: who they are, a session says.
        (Need::Page | Need::Person | Need::Admin, _) => "403",
        (_, None) => "401",
        (Need::Order(_), Some(Role::Fhir)) if matches!(need, Need::Order(of) if actor.grants.allow(of)) => "answered",
        (Need::Hooks, Some(Role::Hooks)) | (Need::Metrics, Some(Role::Metrics)) => "answered",
        _ => "403",
    }
}

/// Addresses in an answer are those under which clients reach the service, whatever the request was sent to.
#[tokio::test(flavor = "multi_thread")]
async fn links_begin_with_the_configured_address() {
    let s = Service::kept(everybody(), Pace::default(), false, None).await;
    let token = backend(QUEUE).unwrap();
    let (status, _, body) = call(s.here, "GET", "/fhir/R4B/Subscription", &[bearer_of(&token)], "").await;
    let bundle: Value = serde_json::from_str(&body).unwrap();
    assert_eq!((status, &bundle["link"][0]["url"]), (200, &json!(format!("{PUBLIC}/fhir/R4B/Subscription"))), "{body}");
}

/// A trail in memory.
#[derive(Clone, Default)]
struct Kept(Arc<std::sync::Mutex<Vec<u8>>>);

impl Store for Kept {
    fn ready(&mut self) -> std::io::Result<()> {
        Ok(())
    }

    fn append(&mut self, bytes: &[u8]) -> Result<(), (usize, std::io::Error)> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(())
    }

    fn sync(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Who called is in the audit trail, and for callers who were turned away how far they are known and why.
#[tokio::test(flavor = "multi_thread")]
async fn the_trail_tells_who_called() {
    let kept = Kept::default();
    let trail = Trail::start(kept.clone(), Found::default(), Bounds::default(), Vec::new()).unwrap();
    let s = Service::kept(everybody(), Pace::default(), false, Some(trail.clone())).await;
    let validate = "/fhir/R4/NutritionOrder/$validate";
    let mut secrets = Vec::new();
    let mut wanted = Vec::new();
    let unknown = |name: &str| json!({"kind": "unknown", "name": name});
    for (method, path, token, who, result, reason) in [
        ("POST", SIGN, None, json!({"kind": "unknown"}), "turned-away", json!("no-token")),
        (
            "POST",
            SIGN,
            Some(token(&header(&OTHER), &own(now(), SIGN, "https://evil.example"), &OTHER)),
            json!({"kind": "unknown"}),
            "turned-away",
            json!("unknown-issuer"),
        ),
        (
            "POST",
            SIGN,
            Some(token(&header(&OTHER), &own(now(), SIGN, EHR), &OTHER)),
            unknown("order-entry"),
            "turned-away",
            json!("unknown-key"),
        ),
        (
            "POST",
            SIGN,
            Some(token(&header(&OWN), &own(now(), SIGN, EHR), &OWN)),
            json!({"kind": "client", "name": "order-entry"}),
            "refused",
            json!("required"),
        ),
        (
            "POST",
            validate,
            Some(token(&header(&OWN), &own(now(), validate, EHR), &OWN)),
            json!({"kind": "client", "name": "order-entry"}),
            "turned-away",
            json!("role"),
        ),
        (
            "POST",
            validate,
            backend("system/NutritionOrder.read"),
            json!({"kind": "system", "name": "login", "reference": "backend"}),
            "refused",
            Value::Null,
        ),
        (
            "POST",
            validate,
            backend("system/Patient.read"),
            json!({"kind": "system", "name": "login", "reference": "backend"}),
            "turned-away",
            json!("scope"),
        ),
        ("GET", "/metrics", None, json!({"kind": "unknown"}), "turned-away", json!("no-token")),
    ] {
        let headers: Vec<String> = token.iter().map(|t| bearer_of(t)).collect();
        call(s.here, method, path, &headers, "{}").await;
        secrets.extend(token);
        let action = match path {
            SIGN => "hook",
            "/metrics" => "inside",
            _ => "validate",
        };
        wanted.push(json!([action, who, result, reason]));
    }
    wanted.push(json!(["stopped", {"kind": "program"}, "done", null]));
    tokio::task::spawn_blocking(move || trail.close()).await.unwrap();
    let text = String::from_utf8(kept.0.lock().unwrap().clone()).unwrap();
    let got: Vec<Value> = text
        .lines()
        .map(|line| {
            let entry = serde_json::from_str::<Value>(line).unwrap()["entry"].clone();
            json!([entry["action"], entry["who"], entry["outcome"]["result"], entry["outcome"]["reason"]])
        })
        .collect();
    for (got, wanted) in got.iter().zip(&wanted) {
        assert_eq!(got, wanted);
    }
    assert_eq!(got.len(), wanted.len());
    for part in secrets.iter().flat_map(|token| token.split('.')) {
        assert!(!text.contains(part), "a part of a token");
    }
}

/// Every route asked by every kind of caller; the page holds what came of it.
#[tokio::test(flavor = "multi_thread")]
async fn every_route_and_every_caller() {
    let s = Service::new(everybody(), Pace::default(), false).await;
    let mut page = String::from("| method | address |");
    let actors = actors();
    for actor in &actors {
        write!(page, " {} |", actor.name).unwrap();
    }
    write!(page, "\n|---|---|{}\n", "---|".repeat(actors.len())).unwrap();
    let mut guarded = 0;
    for (method, route, need, _) in routes::table() {
        write!(page, "| {method} | `{route}` |").unwrap();
        guarded += usize::from(need != Need::Open);
        let path = route.replace("{version}", "R4").replace("{name}", "demo-1-toddler");
        let path = if route.starts_with("/cds") {
            path.replace("{id}", "tube-feeding-order-sign")
        } else {
            path.replace("{id}", "NutritionOrder-appraise")
        };
        for actor in &actors {
            let headers: Vec<String> = (actor.token)(&path).iter().map(|t| bearer_of(t)).collect();
            let (status, _, text) = call(s.here, method, &path, &headers, "{}").await;
            assert!(status > 0 && status < 500, "{method} {path}: {status} {text}");
            let got = match status {
                401 => "401",
                403 => "403",
                _ => "answered",
            };
            assert_eq!(got, expected(need, actor), "{method} {path} as {}: {text}", actor.name);
            write!(page, " {got} |").unwrap();
        }
        page.push('\n');
    }
    assert!(guarded >= 8, "hooks, feedback, five operations, metrics");
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/security.md");
    let text = std::fs::read_to_string(&file).unwrap();
    let (before, rest) = text.split_once("<!-- routes -->\n").unwrap();
    let (_, after) = rest.split_once("<!-- end of routes -->").unwrap();
    let fresh = format!("{before}<!-- routes -->\n{page}<!-- end of routes -->{after}");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&file, &fresh).unwrap();
    }
    assert_eq!(std::fs::read_to_string(&file).unwrap(), fresh, "stale: UPDATE=1 cargo test --test access");
}

/// A base with a slash at its end is the same route, and an address with an escaped dollar sign too.
#[tokio::test]
async fn no_way_round_the_gate() {
    let s = Service::new(everybody(), Pace::default(), false).await;
    for path in [
        "/fhir/R4/",
        "/fhir/R4/%24validate",
        "/fhir/R4/NutritionOrder/%24appraise",
        "/fhir/R9/$validate",
        "/cds-services/nothing",
        "/cds-services/tube-feeding-order-sign?x=1",
    ] {
        assert_eq!(call(s.here, "POST", path, &[], "{}").await.0, 401, "{path}");
    }
    for path in ["/metrics", "/metrics?x=1"] {
        assert_eq!(call(s.here, "HEAD", path, &[], "").await.0, 401, "{path}");
    }
    for path in ["//fhir/R4", "/fhir/../metrics", "/FHIR/R4", "/metrics/", "/%6detrics"] {
        assert_eq!(call(s.here, "POST", path, &[], "{}").await.0, 404, "{path}");
    }
}

#[tokio::test]
async fn whoever_is_turned_away_is_not_told_why() {
    let s = Service::new(everybody(), Pace::default(), false).await;
    let good = || claims(now());
    let of = |claims: &Value| bearer_of(&token(&header(&OWN), claims, &OWN));
    let none = json!({"alg": "none", "typ": "JWT", "kid": "own"});
    let mut said = BTreeSet::new();
    for (headers, reason) in [
        (vec![], "no-token"),
        (vec![of(&good()), of(&good())], "several-tokens"),
        (vec!["authorization: Basic YTpi".to_owned()], "not-bearer"),
        (vec![of(&with(good(), "exp", json!(now() - 60)))], "expired"),
        (vec![of(&with(good(), "iat", json!(now() + 600)))], "issued-later"),
        (vec![of(&with(good(), "aud", json!(PUBLIC)))], "audience"),
        (vec![of(&with(good(), "jti", Value::Null))], "no-id"),
        (vec![bearer_of(&format!("{}.{}.", base64(none.to_string()), base64(good().to_string())))], "malformed"),
        (vec![bearer_of(&token(&with(header(&OWN), "kid", json!("x")), &good(), &OWN))], "unknown-key"),
        (vec![bearer_of(&token(&with(header(&OTHER), "kid", json!("own")), &good(), &OTHER))], "signature"),
        (vec![bearer_of(&token(&with(header(&OWN), "jku", json!("http://127.0.0.1:1/")), &good(), &OWN))], "key-url"),
        (vec![bearer_of(&token(&header(&OWN), &with(good(), "x", json!("x".repeat(9000))), &OWN))], "too-long"),
    ] {
        let before = s.refused(reason).await;
        let (status, head, body) = call(s.here, "POST", SIGN, &headers, &hook_body()).await;
        assert_eq!(status, 401, "{reason}");
        assert!(head.contains("\r\nwww-authenticate: bearer\r\n"), "{head}");
        said.insert(body);
        assert_eq!(s.refused(reason).await, before + 1, "{reason}");
    }
    assert_eq!(said.len(), 1, "the same words whatever was wrong: {said:?}");
    let outcome: Value = serde_json::from_str(said.first().unwrap()).unwrap();
    assert_eq!((&outcome["resourceType"], &outcome["issue"][0]["code"]), (&json!("OperationOutcome"), &json!("login")));
    // A header that no connection takes ends as one.
    let (status, ..) = call(s.here, "POST", SIGN, &[bearer_of(&"x".repeat(60_000))], "").await;
    assert!((400..=431).contains(&status), "{status}");
}

#[tokio::test]
async fn a_token_is_good_for_one_call() {
    let s = Service::new(everybody(), Pace::default(), false).await;
    let made = token(&header(&OWN), &claims(now()), &OWN);
    assert_eq!(hook(s.here, &made).await, 200);
    assert_eq!(hook(s.here, &made).await, 401);
    assert_eq!(s.refused("replayed").await, 1);
    assert_eq!(s.metric("enteral_gate_access_passed_total{caller=\"order-entry\"}").await, 1);
    // The same id of another issuer is another token.
    let again = with(claims(now()), "iss", json!("https://other.example"));
    assert_eq!(hook(s.here, &token(&header(&OTHER), &again, &OTHER)).await, 200);
    // Feedback may name its service or its own address.
    let feedback = json!({"feedback": []}).to_string();
    let path = format!("{SIGN}/feedback");
    for audience in [SIGN, &path] {
        let made = token(&header(&OWN), &own(now(), audience, EHR), &OWN);
        let (status, _, text) = call(s.here, "POST", &path, &[bearer_of(&made)], &feedback).await;
        assert_ne!(status, 401, "{text}");
    }
    // An access token is used until it ends.
    let granted = backend("system/NutritionOrder.read").unwrap();
    for _ in 0..2 {
        let path = "/fhir/R4/NutritionOrder/$validate";
        assert_eq!(call(s.here, "POST", path, &[bearer_of(&granted)], "{}").await.0, 400);
    }
}

#[tokio::test]
async fn entries_of_a_batch_need_their_own_scopes() {
    let s = Service::new(everybody(), Pace::default(), false).await;
    let entry =
        |url: &str| json!({"request": {"method": "POST", "url": url}, "resource": {"resourceType": "NutritionOrder"}});
    let bundle = json!({"resourceType": "Bundle", "type": "batch",
        "entry": [entry("NutritionOrder/$validate"), entry("NutritionOrder/$appraise")]});
    let ask = async |scope: &str| {
        let headers = [bearer_of(&backend(scope).unwrap())];
        let (status, _, text) = call(s.here, "POST", "/fhir/R4", &headers, &bundle.to_string()).await;
        assert_eq!(status, 200, "{text}");
        let answer: Value = serde_json::from_str(&text).unwrap();
        [0, 1].map(|n| answer["entry"][n]["response"]["status"].as_str().unwrap()[..3].to_owned())
    };
    assert_eq!(ask("system/NutritionOrder.write").await, ["200", "403"]);
    assert_eq!(ask("system/NutritionOrder.rs").await, ["200", "200"]);
    let headers = [bearer_of(&backend("system/NutritionOrder.write").unwrap())];
    let (status, _, text) = call(s.here, "POST", "/fhir/R4/NutritionOrder/$appraise", &headers, "{}").await;
    let outcome: Value = serde_json::from_str(&text).unwrap();
    assert_eq!((status, &outcome["issue"][0]["code"]), (403, &json!("forbidden")));
    assert!(outcome["issue"][0]["details"]["text"].as_str().unwrap().contains("system/NutritionOrder.read"));
    assert_eq!(s.refused("scope").await, 1);
}

/// The body that never ends keeps a turn; another call of the same client has none, one of another client has.
#[tokio::test]
async fn one_client_cannot_take_every_turn() {
    let mut few = everybody();
    few.issuers[0].concurrent = 1;
    let s = Service::new(few, Pace::default(), false).await;
    let mut held = TcpStream::connect(s.here).await.unwrap();
    let made = token(&header(&OWN), &claims(now()), &OWN);
    let head = format!(
        "POST {SIGN} HTTP/1.1\r\nhost: x\r\n{}\r\ncontent-type: application/json\r\ncontent-length: 100\r\n\r\n{{",
        bearer_of(&made)
    );
    held.write_all(head.as_bytes()).await.unwrap();
    tokio::time::sleep(Duration::from_millis(300)).await;
    let second = token(&header(&OWN), &claims(now()), &OWN);
    let (status, head, text) = call(s.here, "POST", SIGN, &[bearer_of(&second)], &hook_body()).await;
    assert_eq!(status, 429, "{text}");
    assert!(head.contains("\r\nretry-after: 1"), "{head}");
    let other = with(claims(now()), "iss", json!("https://other.example"));
    assert_eq!(hook(s.here, &token(&header(&OTHER), &other, &OTHER)).await, 200);
    drop(held);
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(hook(s.here, &second).await, 200, "a token that had no turn is still good");
}

#[tokio::test]
async fn metrics_and_details_have_a_listener_of_their_own() {
    let s = Service::new(everybody(), Pace::default(), true).await;
    let metrics = token(&header(&SMALL), &own(now(), "/metrics", "https://monitor.example"), &SMALL);
    assert_eq!(call(s.here, "GET", "/metrics", &[bearer_of(&metrics)], "").await.0, 404);
    assert_eq!(call(s.here, "GET", "/readyz", &[], "").await.2, "ready\n");
    let inside = s.admin(false).await;
    assert_eq!(call(inside, "GET", "/metrics", &[], "").await.0, 200);
    assert!(call(inside, "GET", "/readyz", &[], "").await.2.contains("products"));
    for (method, path) in [("POST", SIGN), ("POST", "/fhir/R4"), ("GET", "/"), ("GET", "/fhir/R4/metadata")] {
        assert_eq!(call(inside, method, path, &[], "{}").await.0, 404, "{path}");
    }
    // Where other machines could reach it.
    let guarded = s.admin(true).await;
    assert_eq!(call(guarded, "GET", "/metrics", &[], "").await.0, 401);
    assert_eq!(call(guarded, "GET", "/readyz", &[], "").await.0, 401);
    assert_eq!(call(guarded, "GET", "/livez", &[], "").await.0, 200);
    assert_eq!(call(guarded, "GET", "/metrics", &[bearer_of(&metrics)], "").await.0, 200);
}

/// A monitoring system reads again and again with one token of the authorization server, which a client's own token does not
/// allow; and with it reads nothing else.
#[tokio::test]
async fn one_token_is_good_for_every_scrape_where_a_scope_is_configured() {
    const SCOPE: &str = "enteral-gate.metrics";
    let scraper = |scope: &str| {
        let claims = json!({"iss": AUTHORITY, "aud": format!("{PUBLIC}/fhir"), "exp": now() + 300, "client_id": "prometheus", "scope": scope});
        token(&header(&LOGIN), &claims, &LOGIN)
    };
    let mut all = everybody();
    let server = all.issuers.iter_mut().find(|issuer| issuer.iss == AUTHORITY).unwrap();
    server.kind = Kind::AuthorizationServer {
        audience: format!("{PUBLIC}/fhir"),
        clients: BTreeSet::new(),
        metrics: Some(SCOPE.to_owned()),
    };
    let s = Service::new(all, Pace::default(), true).await;
    let inside = s.admin(true).await;
    let good = scraper(&format!("openid {SCOPE}"));
    for path in ["/metrics", "/metrics", "/readyz", "/metrics"] {
        assert_eq!(call(inside, "GET", path, &[bearer_of(&good)], "").await.0, 200, "{path}");
    }
    for (method, path) in [("POST", SIGN), ("POST", "/fhir/R4/NutritionOrder/$appraise"), ("GET", "/fhir/R4/Task")] {
        assert_eq!(call(s.here, method, path, &[bearer_of(&good)], "{}").await.0, 403, "{path}");
    }
    for scope in ["", "enteral-gate", "enteral-gate.metrics.x", "ENTERAL-GATE.METRICS", "system/*.read"] {
        assert_eq!(call(inside, "GET", "/metrics", &[bearer_of(&scraper(scope))], "").await.0, 403, "{scope}");
    }
    // Without the key nobody's scope is enough; a client's own token stays good for one call.
    let s = Service::new(everybody(), Pace::default(), true).await;
    let inside = s.admin(true).await;
    assert_eq!(call(inside, "GET", "/metrics", &[bearer_of(&good)], "").await.0, 403);
    let own = token(&header(&SMALL), &own(now(), "/metrics", "https://monitor.example"), &SMALL);
    for status in [200, 401] {
        assert_eq!(call(inside, "GET", "/metrics", &[bearer_of(&own)], "").await.0, status);
    }
}

// Keys that are fetched.

/// Publishes keys, and counts how often it is asked.
struct Publisher {
    url: String,
    asked: Arc<AtomicUsize>,
    answer: Arc<std::sync::Mutex<String>>,
}

impl Publisher {
    async fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/keys", listener.local_addr().unwrap());
        let (asked, answer) = (Arc::new(AtomicUsize::new(0)), Arc::new(std::sync::Mutex::new(String::new())));
        let (count, what) = (asked.clone(), answer.clone());
        tokio::spawn(async move {
            loop {
                let (mut stream, _) = listener.accept().await.unwrap();
                count.fetch_add(1, Ordering::SeqCst);
                let answer = what.lock().unwrap().clone();
                tokio::spawn(async move {
                    let mut buffer = [0; 4096];
                    let _ = stream.read(&mut buffer).await;
                    if answer == "silence" {
                        tokio::time::sleep(Duration::from_secs(5)).await;
                    }
                    let _ = stream.write_all(answer.as_bytes()).await;
                });
            }
        });
        Self { url, asked, answer }
    }

    fn says(&self, answer: String) {
        *self.answer.lock().unwrap() = answer;
    }

    fn publishes(&self, signers: &[&Signer]) {
        let body = String::from_utf8(set(&signers.iter().map(|s| public(s)).collect::<Vec<_>>())).unwrap();
        self.says(ok(&body));
    }

    fn asked(&self) -> usize {
        self.asked.load(Ordering::SeqCst)
    }
}

fn ok(body: &str) -> String {
    format!("HTTP/1.1 200 OK\r\nconnection: close\r\ncontent-length: {}\r\n\r\n{body}", body.len())
}

fn published_at(url: &str) -> Access {
    let mut all = everybody();
    all.issuers[0].keys = None;
    all.issuers[0].key_urls = vec![url.to_owned()];
    all
}

fn pace() -> Pace {
    Pace {
        fresh: Duration::from_secs(60),
        usable: Duration::from_secs(60),
        interval: Duration::from_millis(1500),
        time: Duration::from_millis(500),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn keys_are_fetched_once_and_kept() {
    let publisher = Publisher::new().await;
    publisher.publishes(&[&OWN]);
    let s = Service::new(published_at(&publisher.url), pace(), false).await;
    let with_url = with(header(&OWN), "jku", json!(publisher.url));
    let calls: Vec<_> = (0..6)
        .map(|n| {
            let head = if n % 2 == 0 { with_url.clone() } else { header(&OWN) };
            let made = token(&head, &claims(now()), &OWN);
            tokio::spawn(async move { hook(s.here, &made).await })
        })
        .collect();
    for one in calls {
        assert_eq!(one.await.unwrap(), 200);
    }
    assert_eq!(publisher.asked(), 1, "six calls at once, one question");
    // A key that is not there: asked again, once per interval.
    tokio::time::sleep(pace().interval).await;
    let unknown = with(header(&RSA), "kid", json!("rsa"));
    for _ in 0..5 {
        assert_eq!(hook(s.here, &token(&unknown, &claims(now()), &RSA)).await, 401);
    }
    assert_eq!(publisher.asked(), 2);
    assert_eq!(s.refused("unknown-key").await, 5);
    assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 200);
    // Until it is there.
    publisher.publishes(&[&OWN, &RSA]);
    assert_eq!(hook(s.here, &token(&unknown, &claims(now()), &RSA)).await, 401);
    tokio::time::sleep(pace().interval).await;
    assert_eq!(hook(s.here, &token(&unknown, &claims(now()), &RSA)).await, 200);
    assert_eq!(publisher.asked(), 3);
    assert_eq!(s.metric("enteral_gate_key_sets_fetched_total{result=\"taken\"}").await, 3);
}

#[tokio::test(flavor = "multi_thread")]
async fn no_address_but_those_configured_is_asked() {
    let (publisher, elsewhere) = (Publisher::new().await, Publisher::new().await);
    publisher.publishes(&[&OWN]);
    elsewhere.publishes(&[&OTHER, &OWN]);
    let s = Service::new(published_at(&publisher.url), pace(), false).await;
    let slash = format!("{}/", publisher.url);
    let upper = publisher.url.to_uppercase();
    for url in [&*elsewhere.url, &slash, &upper, "file:///etc/passwd", "", "http://169.254.169.254/"] {
        let pointed = with(header(&OWN), "jku", json!(url));
        assert_eq!(hook(s.here, &token(&pointed, &claims(now()), &OWN)).await, 401, "{url}");
    }
    assert_eq!((publisher.asked(), elsewhere.asked(), s.refused("key-url").await), (0, 0, 6));
    // Neither is one that the configured address points to.
    publisher.says(format!("HTTP/1.1 302 Found\r\nlocation: {}\r\ncontent-length: 0\r\n\r\n", elsewhere.url));
    assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 401);
    assert_eq!((publisher.asked(), elsewhere.asked(), s.refused("keys-unavailable").await), (1, 0, 1));
}

#[tokio::test(flavor = "multi_thread")]
async fn keys_that_cannot_be_had_are_not_asked_for_all_the_time() {
    let large = ok(&format!("{{\"keys\":[],\"x\":\"{}\"}}", "x".repeat(300 << 10)));
    let private = ok(&String::from_utf8(set(&[with(public(&OWN), "d", json!("secret"))])).unwrap());
    for answer in [
        ok("<html>"),
        ok("{}"),
        large,
        private,
        "HTTP/1.1 500 Oops\r\ncontent-length: 0\r\n\r\n".to_owned(),
        "silence".to_owned(),
        "no HTTP".to_owned(),
    ] {
        let publisher = Publisher::new().await;
        publisher.says(answer.clone());
        let s = Service::new(published_at(&publisher.url), pace(), false).await;
        for _ in 0..3 {
            // Whatever does not answer is not waited for without end.
            let token = token(&header(&OWN), &claims(now()), &OWN);
            assert_eq!(tokio::time::timeout(Duration::from_secs(60), hook(s.here, &token)).await, Ok(401));
        }
        assert_eq!(publisher.asked(), 1, "{}", &answer[..answer.len().min(60)]);
        assert_eq!(s.refused("keys-unavailable").await, 3);
        tokio::time::sleep(pace().interval).await;
        publisher.publishes(&[&OWN]);
        assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 200);
        // From now on an outage does not matter, for as long as keys may be used.
        publisher.says(answer);
        tokio::time::sleep(pace().interval).await;
        assert_eq!(hook(s.here, &token(&header(&RSA), &claims(now()), &RSA)).await, 401);
        assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 200);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn old_keys_end() {
    let publisher = Publisher::new().await;
    publisher.publishes(&[&OWN]);
    let short = Pace { fresh: Duration::from_millis(300), usable: Duration::from_millis(2500), ..pace() };
    let s = Service::new(published_at(&publisher.url), short, false).await;
    assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 200);
    publisher.says("HTTP/1.1 404 Gone\r\ncontent-length: 0\r\n\r\n".to_owned());
    tokio::time::sleep(Duration::from_millis(600)).await;
    assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 200, "not fresh, but usable");
    tokio::time::sleep(Duration::from_millis(2200)).await;
    assert_eq!(hook(s.here, &token(&header(&OWN), &claims(now()), &OWN)).await, 401);
    assert_eq!(s.refused("keys-unavailable").await, 1);
}

/// The description of the interface asks for what the routes ask for.
#[test]
fn openapi_says_who_may_call() {
    let described: Value = serde_json::from_str(enteral_gate::http::pages::OPENAPI).unwrap();
    for (method, path, need, _) in routes::table() {
        let operation = &described["paths"][path][method.to_lowercase()];
        let scheme = match need {
            Need::Open => None,
            // People have sessions, which are held by tests/pages.rs.
            Need::Page | Need::Person | Need::Admin => {
                assert_eq!(operation["security"][0], json!({"session": []}), "{method} {path}");
                assert_eq!(operation["security"][1] == json!({}), need == Need::Page, "{method} {path}");
                continue;
            }
            Need::Hooks | Need::Metrics => Some("hookClient"),
            Need::Order(_) => Some("backendService"),
        };
        let wanted = scheme.map_or(Value::Null, |scheme| json!([{scheme: []}, {}]));
        assert_eq!(operation["security"], wanted, "{method} {path}");
        for (status, response) in [("401", "Unauthorized"), ("403", "Forbidden"), ("429", "Busy")] {
            let reference = json!(format!("#/components/responses/{response}"));
            let wanted = scheme.map_or(Value::Null, |_| reference);
            assert_eq!(operation["responses"][status]["$ref"], wanted, "{method} {path}");
        }
        if let Some(scheme) = scheme {
            assert_eq!(described["components"]["securitySchemes"][scheme]["scheme"], "bearer");
        }
    }
}
