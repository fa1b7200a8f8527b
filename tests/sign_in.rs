//! Signing in at a provider of OpenID Connect: the way there and back, and everything that must not be taken on it.
//!
//! What is held here is said by OpenID Connect Core 1.0 (sections 3.1.2 and 3.1.3), Discovery 1.0 (section 4.3), RFC 7636
//! (PKCE; its appendix B is the example of a challenge), RFC 9207 (issuer in the answer) and RFC 9700 (best current practice);
//! numbers of sections from memory, to be confirmed. The provider, its keys and its people are invented and made for each run.

use axum::extract::{Form, State};
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::routing::{get, post};
use axum::{Json, Router};
use base64::Engine;
use base64::engine::general_purpose::{STANDARD, URL_SAFE_NO_PAD};
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::pages::oidc::{Config, Provider};
use enteral_gate::http::pages::people::{Job, People};
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::http::{App, Doors, Limits, server};
use enteral_gate::queue::item::ItemId;
use enteral_gate::queue::policy::Policy;
use enteral_gate::queue::{Person, Role};
use enteral_gate::settings::Settings;
use enteral_gate::store::{SqlStore, Store};
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{Algorithm, EncodingKey, Header};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, LazyLock, Mutex};
use tokio::net::TcpListener;

static KEY: LazyLock<EncodingKey> = LazyLock::new(rsa);
static OTHER: LazyLock<EncodingKey> = LazyLock::new(rsa);

fn rsa() -> EncodingKey {
    let pair = rcgen::KeyPair::generate_for(&rcgen::PKCS_RSA_SHA256).unwrap();
    // The signer takes the inner form (PKCS #1); of a key of 2048 bits it begins after 26 bytes of the outer one (PKCS #8).
    EncodingKey::from_rsa_der(&pair.serialize_der()[26..])
}

/// What the provider does otherwise than it should, and what it was asked.
#[derive(Default)]
struct Provided {
    issuer: String,
    /// Claims to put in place of the right ones.
    claims: Value,
    signed_by_another: bool,
    algorithm_none: bool,
    other_issuer: bool,
    /// Its configuration cannot be read; how often it was asked for.
    away: bool,
    configurations: usize,
    /// The status and error that it answers to every code.
    refuses: Option<(u16, &'static str)>,
    /// Challenge and nonce by code.
    codes: BTreeMap<String, (String, String)>,
    asked: Vec<BTreeMap<String, String>>,
    authorization: Vec<String>,
}

type Shared = Arc<Mutex<Provided>>;

async fn configuration(State(s): State<Shared>) -> impl IntoResponse {
    let mut s = s.lock().unwrap();
    s.configurations += 1;
    if s.away {
        return (StatusCode::SERVICE_UNAVAILABLE, Json(json!({})));
    }
    let issuer = if s.other_issuer { "https://other.example" } else { &s.issuer };
    let said = json!({
        "issuer": issuer,
        "authorization_endpoint": format!("{}/authorize", s.issuer),
        "token_endpoint": format!("{}/token", s.issuer),
        "jwks_uri": format!("{}/keys", s.issuer),
    });
    (StatusCode::OK, Json(said))
}

async fn key_set() -> impl IntoResponse {
    let mut jwk = serde_json::to_value(Jwk::from_encoding_key(&KEY, Algorithm::RS256).unwrap()).unwrap();
    jwk["kid"] = json!("one");
    // Many providers do not say what a key is for.
    jwk.as_object_mut().unwrap().remove("alg");
    Json(json!({"keys": [jwk]}))
}

async fn token(
    State(s): State<Shared>,
    headers: axum::http::HeaderMap,
    Form(asked): Form<BTreeMap<String, String>>,
) -> impl IntoResponse {
    let mut s = s.lock().unwrap();
    let authorization = headers.get("authorization").map_or("", |v| v.to_str().unwrap()).to_owned();
    s.authorization.push(authorization);
    s.asked.push(asked.clone());
    let challenge = URL_SAFE_NO_PAD.encode(Sha256::digest(asked["code_verifier"].as_bytes()));
    if let Some((status, error)) = s.refuses {
        return (StatusCode::from_u16(status).unwrap(), Json(json!({"error": error})));
    }
    // A code is good once, and for whoever knows the verifier.
    let Some((wanted, nonce)) = s.codes.remove(&asked["code"]) else {
        return (StatusCode::BAD_REQUEST, Json(json!({"error": "invalid_grant"})));
    };
    if wanted != challenge {
        return (StatusCode::BAD_REQUEST, Json(json!({"error": "invalid_grant"})));
    }
    let now = jiff::Timestamp::now().as_second();
    let mut claims = json!({
        "iss": s.issuer, "sub": "person-1", "aud": "enteral-gate", "exp": now + 300, "iat": now, "nonce": nonce,
        "name": "Petra Probe", "groups": ["everybody", "pharmacy"],
    });
    for (name, value) in s.claims.as_object().into_iter().flatten() {
        claims[name] = value.clone();
    }
    let header = Header { kid: Some("one".to_owned()), ..Header::new(Algorithm::RS256) };
    let key = if s.signed_by_another { &*OTHER } else { &*KEY };
    let token = if s.algorithm_none {
        let part = |value: Value| URL_SAFE_NO_PAD.encode(value.to_string());
        format!("{}.{}.", part(json!({"alg": "none", "kid": "one"})), part(claims))
    } else {
        jsonwebtoken::encode(&header, &claims, key).unwrap()
    };
    (StatusCode::OK, Json(json!({"access_token": "x", "token_type": "Bearer", "id_token": token})))
}

struct Folder(PathBuf);

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

struct Service {
    here: String,
    provider: Shared,
    client: reqwest::Client,
    store: Arc<SqlStore>,
    _kept: Folder,
}

async fn service(secret: Option<&str>) -> Service {
    let provider: Shared = Shared::default();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    provider.lock().unwrap().issuer = format!("http://{}", listener.local_addr().unwrap());
    let routes = Router::new()
        .route("/.well-known/openid-configuration", get(configuration))
        .route("/keys", get(key_set))
        .route("/token", post(token))
        .with_state(provider.clone());
    tokio::spawn(async move { axum::serve(listener, routes).await });
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address: SocketAddr = listener.local_addr().unwrap();
    let config = Config {
        name: "the invented provider".to_owned(),
        issuer: provider.lock().unwrap().issuer.clone(),
        client_id: "enteral-gate".to_owned(),
        secret: secret.map(str::to_owned),
        scopes: vec!["profile".to_owned()],
        groups: "groups".to_owned(),
        jobs: vec![
            ("pharmacy".to_owned(), Job::Pharmacist),
            ("dietetics".to_owned(), Job::Dietitian),
            ("everybody".to_owned(), Job::Nurse),
        ],
        public_url: format!("http://{address}"),
        leeway: 30,
    };
    let people = People::with_provider(Provider::new(config, Vec::new()).unwrap(), false);
    let kept = Folder(std::env::temp_dir().join(format!("enteral-gate-sign-in-{}", uuid::Uuid::new_v4())));
    std::fs::create_dir(&kept.0).unwrap();
    let store = SqlStore::sqlite(&kept.0.join("queue.sqlite"), Policy::default()).await.unwrap();
    let store = Arc::new(store);
    let doors = Doors { people: Some(Arc::new(people)), store: Some(store.clone()), ..Doors::default() };
    let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let app = App::behind(doors, Arc::new(Core::new(formulary)), Settings::default(), Limits::default());
    tokio::spawn(server::serve(listener, app, std::future::pending()));
    let client =
        reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).tls_certs_only([]).build().unwrap();
    Service { here: format!("http://{address}"), provider, client, store, _kept: kept }
}

struct Said {
    status: u16,
    location: String,
    cookies: Vec<String>,
    body: String,
}

impl Service {
    async fn get(&self, path: &str, cookie: &str) -> Said {
        let request = self.client.get(format!("{}{path}", self.here)).header("cookie", cookie);
        let answer = request.send().await.unwrap();
        let text = |name: &str| answer.headers().get(name).map_or("", |v| v.to_str().unwrap()).to_owned();
        let cookies = answer.headers().get_all("set-cookie").iter().map(|v| v.to_str().unwrap().to_owned()).collect();
        Said {
            status: answer.status().as_u16(),
            location: text("location"),
            cookies,
            body: answer.text().await.unwrap(),
        }
    }

    /// Begins; gives the parameters that the provider was sent, and the browser's cookie.
    async fn begin(&self, next: &str) -> (BTreeMap<String, String>, String) {
        let said = self.get(&format!("/sign-in/begin?next={next}"), "").await;
        assert_eq!(said.status, 303, "{}", said.body);
        let (to, query) = said.location.split_once('?').unwrap();
        assert_eq!(to, format!("{}/authorize", self.provider.lock().unwrap().issuer));
        let asked = form_urlencoded::parse(query.as_bytes()).into_owned().collect();
        (asked, said.cookies[0].split(';').next().unwrap().to_owned())
    }

    /// The provider knows the person and gives a code.
    fn code(&self, asked: &BTreeMap<String, String>) -> String {
        let code = uuid::Uuid::new_v4().to_string();
        let both = (asked["code_challenge"].clone(), asked["nonce"].clone());
        self.provider.lock().unwrap().codes.insert(code.clone(), both);
        code
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn there_and_back() {
    let s = service(Some("se:cret ä")).await;
    let page = s.get("/sign-in?next=/queue?lane=all", "").await.body;
    assert!(page.contains("Go to the invented provider") && !page.contains("Start-up token"), "{page}");
    let (asked, browser) = s.begin("%2Fqueue%3Flane%3Dall").await;
    for (name, value) in [
        ("response_type", "code"),
        ("client_id", "enteral-gate"),
        ("scope", "openid profile"),
        ("code_challenge_method", "S256"),
    ] {
        assert_eq!(asked[name], value);
    }
    assert_eq!(asked["redirect_uri"], format!("{}/sign-in/answer", s.here));
    let code = s.code(&asked);
    let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
    assert_eq!(said.status, 200, "{}", said.body);
    assert!(
        said.body.contains("Petra Probe, pharmacist") && said.body.contains("content=\"0;url=/queue?lane=all\""),
        "{}",
        said.body
    );
    let session = said.cookies.iter().find(|c| c.starts_with("gate-session=")).unwrap();
    assert!(session.contains("HttpOnly") && session.contains("SameSite=Strict"));
    let session = session.split(';').next().unwrap();
    assert_eq!(s.get("/queue", session).await.status, 200);
    let provider = s.provider.lock().unwrap();
    // RFC 6749, section 2.3.1: encoded as in a form, then Basic.
    assert_eq!(provider.authorization, [format!("Basic {}", STANDARD.encode("enteral-gate:se%3Acret+%C3%A4"))]);
    assert_eq!(provider.asked[0]["grant_type"], "authorization_code");
    assert!(!said.body.contains(&code) && !said.body.contains("id_token"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_public_client_has_no_secret() {
    let s = service(None).await;
    let (asked, browser) = s.begin("").await;
    let code = s.code(&asked);
    let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
    assert_eq!(said.status, 200);
    let provider = s.provider.lock().unwrap();
    assert_eq!((provider.authorization[0].as_str(), provider.asked[0]["client_id"].as_str()), ("", "enteral-gate"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_way_back_that_was_not_begun_here_leads_nowhere() {
    let s = service(None).await;
    let (asked, browser) = s.begin("").await;
    let (state, issuer) = (asked["state"].clone(), s.provider.lock().unwrap().issuer.clone());
    let again = async |state: &str, cookie: &str, more: &str| {
        let (asked, own) = s.begin("").await;
        let code = s.code(&asked);
        let state = if state.is_empty() { &asked["state"] } else { state };
        let cookie = if cookie == "own" { &own } else { cookie };
        let said = s.get(&format!("/sign-in/answer?state={state}&code={code}{more}"), cookie).await;
        assert!(said.status == 200 || !said.cookies.iter().any(|c| c.starts_with("gate-session=")));
        said.status
    };
    assert_eq!(again("", "own", "").await, 200);
    assert_eq!(again("", "own", &format!("&iss={issuer}")).await, 200);
    assert_eq!(again("unknown", "own", "").await, 400, "a state of nobody");
    assert_eq!(again("", "", "").await, 400, "without the cookie of the browser");
    assert_eq!(again("", &browser, "").await, 400, "in another browser");
    assert_eq!(again("", "own", "&iss=https%3A%2F%2Fevil.example").await, 400, "from another provider");
    assert_eq!(again("", "own", "&error=access_denied").await, 403, "the provider refused");
    // Once and no more.
    let code = s.code(&asked);
    let path = format!("/sign-in/answer?state={state}&code={code}");
    assert_eq!(s.get(&path, &browser).await.status, 200);
    assert_eq!(s.get(&path, &browser).await.status, 400, "a state is good once");
    // A code that was stolen is of no use without the verifier.
    let (asked, browser) = s.begin("").await;
    let (stolen, _) = s.begin("").await;
    let code = s.code(&stolen);
    assert_eq!(s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await.status, 403);
}

/// A name could be written so that it reads as another's.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_seen_in_a_name_is_shown_as_that() {
    let s = service(None).await;
    s.provider.lock().unwrap().claims = json!({"name": "Petra\u{202E}eborP\u{200B}"});
    let (asked, browser) = s.begin("").await;
    let code = s.code(&asked);
    let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
    assert!(said.status == 200 && said.body.contains("Petra\u{FFFD}eborP\u{FFFD}, pharmacist"), "{}", said.body);
}

/// The provider lists nobody: an order can be handed over to those of the lane who signed in before.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_can_be_handed_over_to_who_signed_in_before() {
    let s = service(None).await;
    let mut cookies = Vec::new();
    for (id, name, group) in [
        ("person-1", "Petra Probe", "pharmacy"),
        ("person-2", "Paul Probe", "pharmacy"),
        ("person-3", "Dora Diät", "dietetics"),
    ] {
        s.provider.lock().unwrap().claims = json!({"sub": id, "name": name, "groups": [group]});
        let (asked, browser) = s.begin("").await;
        let code = s.code(&asked);
        let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
        assert_eq!(said.status, 200, "{}", said.body);
        let session = said.cookies.iter().find(|c| c.starts_with("gate-session=")).unwrap();
        cookies.push(session.split(';').next().unwrap().to_owned());
    }
    let order = SAMPLES.iter().find(|s| s.name == "demo-5-steps-over-cap").unwrap();
    let path = format!("{}/fhir/{}/$validate", s.here, order.version.name());
    let sent =
        s.client.post(path).header("content-type", "application/fhir+json").body(order.text).send().await.unwrap();
    assert_eq!(sent.status(), 200);
    let list = s.get("/queue?lane=all", &cookies[0]).await.body;
    let item = list.split("href=\"/queue/").nth(1).unwrap_or_else(|| panic!("{list}")).split('"').next().unwrap();
    let page = s.get(&format!("/queue/{item}"), &cookies[0]).await.body;
    let over = page.split("<form").find(|form| form.contains("value=\"hand-over\"")).unwrap();
    assert!(over.contains("value=\"person-2\"") && over.contains("Paul Probe, pharmacist"), "{over}");
    assert!(!over.contains("person-1") && !over.contains("person-3"), "neither oneself nor the other lane: {over}");
}

/// Another replica is where a colleague signed in: what they did there is in the trail that all share.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_can_be_handed_over_to_who_works_at_another_replica() {
    let s = service(None).await;
    let order = SAMPLES.iter().find(|s| s.name == "demo-5-steps-over-cap").unwrap();
    let path = format!("{}/fhir/{}/$validate", s.here, order.version.name());
    let sent =
        s.client.post(path).header("content-type", "application/fhir+json").body(order.text).send().await.unwrap();
    assert_eq!(sent.status(), 200);
    s.provider.lock().unwrap().claims = json!({"sub": "person-1", "name": "Petra Probe", "groups": ["pharmacy"]});
    let (asked, browser) = s.begin("").await;
    let code = s.code(&asked);
    let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
    let session = said.cookies.iter().find(|c| c.starts_with("gate-session=")).unwrap();
    let cookie = session.split(';').next().unwrap();
    let list = s.get("/queue?lane=all", cookie).await.body;
    let item = list.split("href=\"/queue/").nth(1).unwrap_or_else(|| panic!("{list}")).split('"').next().unwrap();
    // What the other replica writes when somebody looks there: a colleague, one of the other lane, and one long ago.
    let now = jiff::Timestamp::now();
    for (id, name, role, hours) in [
        ("person-7", "Paul Probe", Role::Pharmacist, 0),
        ("person-8", "Dora Diät", Role::Dietitian, 0),
        ("person-9", "Lang Her", Role::Pharmacist, 24 * 20),
    ] {
        let person = Person { id: id.to_owned(), name: name.to_owned(), role };
        let at = now - jiff::SignedDuration::from_hours(hours);
        s.store.viewed(ItemId::read(item).unwrap(), person, at).await.unwrap();
    }
    let page = s.get(&format!("/queue/{item}"), cookie).await.body;
    let over =
        page.split("<form").find(|form| form.contains("value=\"hand-over\"")).unwrap_or_else(|| panic!("{page}"));
    assert!(over.contains("value=\"person-7\"") && over.contains("Paul Probe, pharmacist"), "{over}");
    assert!(!over.contains("person-8") && !over.contains("person-9"), "neither the other lane nor long ago: {over}");
}

/// What a browser keeps is sealed: changed or made by somebody else it is worth nothing.
#[tokio::test(flavor = "multi_thread")]
async fn what_the_browser_keeps_is_only_taken_as_it_was_given() {
    let s = service(None).await;
    let (asked, browser) = s.begin("%2Fqueue").await;
    let (name, sealed) = browser.split_once('=').unwrap();
    let parts: Vec<&str> = sealed.split('.').collect();
    let mut begun: Value = serde_json::from_slice(&URL_SAFE_NO_PAD.decode(parts[1]).unwrap()).unwrap();
    assert_eq!(begun["state"], json!(asked["state"]));
    begun["next"] = json!("/elsewhere");
    let encoded = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let other = EncodingKey::from_secret(b"another");
    for (what, kept) in [
        ("changed", format!("{}.{}.{}", parts[0], encoded(&begun), parts[2])),
        ("without a seal", format!("{}.{}.", encoded(&json!({"alg": "none"})), parts[1])),
        ("sealed by another", jsonwebtoken::encode(&Header::new(Algorithm::HS256), &begun, &other).unwrap()),
    ] {
        let code = s.code(&asked);
        let path = format!("/sign-in/answer?state={}&code={code}", asked["state"]);
        assert_eq!(s.get(&path, &format!("{name}={kept}")).await.status, 400, "{what}");
    }
    let code = s.code(&asked);
    let path = format!("/sign-in/answer?state={}&code={code}", asked["state"]);
    assert_eq!(s.get(&path, &browser).await.status, 200, "what was tried before took nothing away");
}

#[tokio::test(flavor = "multi_thread")]
async fn many_that_are_begun_crowd_out_nobody() {
    let s = service(None).await;
    let (asked, browser) = s.begin("").await;
    for _ in 0..1500 {
        s.begin("").await;
    }
    let code = s.code(&asked);
    let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
    assert_eq!(said.status, 200, "{}", said.body);
}

/// RFC 6749, section 5.2: `invalid_grant` is about the code; everything else is between the service and the provider.
#[tokio::test(flavor = "multi_thread")]
async fn a_provider_in_trouble_is_not_a_person_refused() {
    let s = service(None).await;
    for (status, error, expected) in [
        (400, "invalid_grant", 403),
        (400, "unauthorized_client", 502),
        (401, "invalid_client", 502),
        (500, "invalid_grant", 502),
        (503, "", 502),
    ] {
        s.provider.lock().unwrap().refuses = Some((status, error));
        let (asked, browser) = s.begin("").await;
        let code = s.code(&asked);
        let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
        assert_eq!(said.status, expected, "{status} {error}: {}", said.body);
    }
    // One that does not answer is left in peace for a moment.
    let s = service(None).await;
    s.provider.lock().unwrap().away = true;
    for _ in 0..5 {
        assert_eq!(s.get("/sign-in/begin", "").await.status, 502);
    }
    assert_eq!(s.provider.lock().unwrap().configurations, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_token_that_is_not_right_is_not_taken() {
    let now = jiff::Timestamp::now().as_second();
    for (what, claims, status) in [
        ("right", json!({}), 200),
        ("audience in a list", json!({"aud": ["enteral-gate"]}), 200),
        ("two audiences and this party", json!({"aud": ["enteral-gate", "x"], "azp": "enteral-gate"}), 200),
        ("name missing", json!({"name": null}), 200),
        ("another issuer", json!({"iss": "https://evil.example"}), 403),
        ("another audience", json!({"aud": "another"}), 403),
        ("two audiences and no party", json!({"aud": ["enteral-gate", "x"]}), 403),
        ("another party", json!({"azp": "another"}), 403),
        ("over", json!({"exp": now - 60}), 403),
        ("of the future", json!({"iat": now + 600}), 403),
        ("another nonce", json!({"nonce": "x"}), 403),
        ("no nonce", json!({"nonce": null}), 403),
        ("nobody", json!({"sub": ""}), 403),
        ("no group", json!({"groups": []}), 403),
        ("another group", json!({"groups": ["pharmacy-alumni", "Pharmacy"]}), 403),
        ("no groups at all", json!({"groups": null}), 403),
        ("a group as a text", json!({"groups": "pharmacy"}), 200),
    ] {
        let s = service(None).await;
        s.provider.lock().unwrap().claims = claims;
        let (asked, browser) = s.begin("").await;
        let code = s.code(&asked);
        let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
        assert_eq!(said.status, status, "{what}: {}", said.body);
        assert_eq!(said.cookies.iter().any(|c| c.starts_with("gate-session=")), status == 200, "{what}");
    }
    for spoil in [(|p: &mut Provided| p.signed_by_another = true) as fn(&mut Provided), |p| p.algorithm_none = true] {
        let s = service(None).await;
        spoil(&mut s.provider.lock().unwrap());
        let (asked, browser) = s.begin("").await;
        let code = s.code(&asked);
        let said = s.get(&format!("/sign-in/answer?state={}&code={code}", asked["state"]), &browser).await;
        assert_eq!(said.status, 403, "{}", said.body);
    }
    let s = service(None).await;
    s.provider.lock().unwrap().other_issuer = true;
    assert_eq!(s.get("/sign-in/begin", "").await.status, 502, "a configuration of another issuer");
}
