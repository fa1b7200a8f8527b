//! The service as it is started: TLS, client certificates, a certificate that is replaced while it runs, what it refuses to
//! listen on, and that no token is in anything it says. Keys and certificates are made here for each run; issuers are invented.

use enteral_gate::cli::certificates::{CertificateFiles, keep};
use enteral_gate::http::tls::{Certificates, Pem};
use jsonwebtoken::jwk::Jwk;
use jsonwebtoken::{Algorithm, EncodingKey, Header, encode};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
use reqwest::{Certificate, Client, Identity};
use serde_json::json;
use std::io::{BufRead, BufReader, Read};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};

const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
const SIGN: &str = "/cds-services/tube-feeding-order-sign";
const PUBLIC: &str = "https://gate.example";
/// Longer than any machine needs.
const DEADLINE: Duration = Duration::from_secs(60);

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let name = format!("enteral-gate-tls-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: &str, text: impl AsRef<[u8]>) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// An authority of this run.
struct Authority(CertifiedIssuer<'static, KeyPair>);

impl Authority {
    fn new(name: &str) -> Self {
        let mut parameters = CertificateParams::new(Vec::new()).unwrap();
        parameters.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        parameters.distinguished_name.push(DnType::CommonName, name);
        Self(CertifiedIssuer::self_signed(parameters, KeyPair::generate().unwrap()).unwrap())
    }

    fn pem(&self) -> String {
        self.0.pem()
    }

    /// Certificate and key.
    fn signs(&self, host: &str) -> (String, String) {
        let key = KeyPair::generate().unwrap();
        let mut parameters = CertificateParams::new(vec![host.to_owned(), "127.0.0.1".to_owned()]).unwrap();
        parameters.distinguished_name.push(DnType::CommonName, host);
        parameters.serial_number = None;
        (parameters.signed_by(&key, &self.0).unwrap().pem(), key.serialize_pem())
    }

    fn client(&self) -> reqwest::ClientBuilder {
        let root = Certificate::from_pem(self.pem().as_bytes()).unwrap();
        Client::builder().tls_certs_only([root]).pool_max_idle_per_host(0).timeout(Duration::from_secs(20))
    }
}

/// The program, and everything it says.
struct Running {
    child: Child,
    said: Arc<Mutex<String>>,
    here: SocketAddr,
    inside: Option<SocketAddr>,
}

impl Running {
    fn start(arguments: &[&str]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
        command.env_clear().env("ENTERAL_GATE_LOG", "trace").env("ENTERAL_GATE_STORE", "none");
        command.args(["serve", "--formulary", FORMULARY]).args(arguments);
        let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let said = Arc::new(Mutex::new(String::new()));
        let streams: [Box<dyn Read + Send>; 2] =
            [Box::new(child.stdout.take().unwrap()), Box::new(child.stderr.take().unwrap())];
        for stream in streams {
            let said = said.clone();
            std::thread::spawn(move || {
                for line in BufReader::new(stream).lines().map_while(Result::ok) {
                    let mut said = said.lock().unwrap();
                    said.push_str(&line);
                    said.push('\n');
                }
            });
        }
        let mut running = Self { child, said, here: SocketAddr::from(([127, 0, 0, 1], 0)), inside: None };
        running.here = running.address("listening on ");
        running
    }

    fn with_inside(arguments: &[&str]) -> Self {
        let mut running = Self::start(arguments);
        running.inside = Some(running.address("metrics on "));
        running
    }

    fn address(&mut self, what: &str) -> SocketAddr {
        let started = Instant::now();
        loop {
            let said = self.said();
            let line = said.lines().find_map(|line| line.strip_prefix(what));
            if let Some(address) = line.and_then(|url| url.split("//").nth(1)) {
                return address.replace("0.0.0.0", "127.0.0.1").parse().unwrap();
            }
            assert!(self.child.try_wait().unwrap().is_none() && started.elapsed() < DEADLINE, "{said}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn said(&self) -> String {
        self.said.lock().unwrap().clone()
    }

    async fn inside(&self, path: &str) -> String {
        let url = format!("http://{}{path}", self.inside.unwrap());
        let client = Client::builder().tls_certs_only([]).build().unwrap();
        client.get(url).send().await.unwrap().text().await.unwrap()
    }

    #[cfg(unix)]
    fn signal(&self, name: &str) {
        let sent = Command::new("kill").args([name, &self.child.id().to_string()]).status().unwrap();
        assert!(sent.success());
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Waits until something holds.
async fn until(what: &str, mut holds: impl AsyncFnMut() -> bool) {
    let started = Instant::now();
    while !holds().await {
        assert!(started.elapsed() < DEADLINE, "{what}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// An order-entry system with a key of its own.
struct OrderEntry {
    key: EncodingKey,
    jwks: String,
}

impl OrderEntry {
    fn new() -> Self {
        let pair = KeyPair::generate_for(&rcgen::PKCS_ECDSA_P384_SHA384).unwrap();
        let key = EncodingKey::from_ec_der(&pair.serialize_der());
        let mut jwk = serde_json::to_value(Jwk::from_encoding_key(&key, Algorithm::ES384).unwrap()).unwrap();
        jwk["kid"] = json!("CANARY-KID");
        Self { key, jwks: json!({"keys": [jwk]}).to_string() }
    }

    fn token(&self, path: &str, id: &str, lasts: i64) -> String {
        let now = jiff::Timestamp::now().as_second();
        let header = Header { kid: Some("CANARY-KID".to_owned()), ..Header::new(Algorithm::ES384) };
        let claims = json!({"iss": "https://ehr.example", "aud": format!("{PUBLIC}{path}"), "exp": now + lasts, "iat": now,
            "jti": format!("CANARY-{id}")});
        encode(&header, &claims, &self.key).unwrap()
    }
}

const ACCESS: &str = "public-url = \"https://gate.example\"\n[[client]]\nname = \"order-entry\"\niss = \"https://ehr.example\"\njwks = \"ehr.json\"\n";

fn hook_body() -> String {
    std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/hooks/requests/sign-clear.json")).unwrap()
}

async fn hook(client: &Client, here: SocketAddr, token: &str) -> u16 {
    let call = client.post(format!("https://{here}{SIGN}")).header("content-type", "application/json");
    call.bearer_auth(token).body(hook_body()).send().await.unwrap().status().as_u16()
}

fn refused(arguments: &[&str]) -> String {
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    command.env_clear().args(["serve", "--store", "none", "--formulary", FORMULARY]).args(arguments);
    let Output { status, stderr, stdout } = command.stdin(Stdio::null()).output().unwrap();
    let text = String::from_utf8(stderr).unwrap();
    assert_eq!((status.code(), stdout.len()), (Some(64), 0), "{arguments:?}: {text}");
    text
}

#[test]
fn nothing_is_exposed_by_mistake() {
    let folder = Folder::new();
    folder.write("ehr.json", OrderEntry::new().jwks);
    let access = folder.write("access.toml", ACCESS);
    let (certificate, key) = Authority::new("Invented").signs("localhost");
    let (cert, key) = (folder.write("cert.pem", certificate), folder.write("key.pem", key));
    for address in ["0.0.0.0:0", "[::]:0", "192.0.2.1:80", "[::ffff:10.0.0.1]:80"] {
        // Nobody is configured, with and without TLS.
        assert!(refused(&["--listen", address]).contains("no authentication is configured"));
        let said = refused(&["--listen", address, "--tls-cert", &cert, "--tls-key", &key]);
        assert!(said.contains("no authentication is configured"), "{said}");
        // Plain text.
        let said = refused(&["--listen", address, "--access", &access]);
        assert!(said.contains("in plain text"), "{said}");
        // The same for the listener beside it.
        let said = refused(&["--listen", "127.0.0.1:0", "--admin-listen", address]);
        assert!(said.contains("--admin-listen") && said.contains("no authentication is configured"), "{said}");
        let said = refused(&["--listen", "127.0.0.1:0", "--access", &access, "--admin-listen", address]);
        assert!(said.contains("--admin-listen") && said.contains("in plain text"), "{said}");
    }
    // Files that cannot be used.
    let empty = folder.write("empty.pem", "");
    let (_, strange) = Authority::new("Invented").signs("localhost");
    let strange = folder.write("strange.pem", strange);
    for (arguments, words) in [
        (vec!["--tls-cert", &*cert], "--tls-key"),
        (vec!["--tls-key", &*key], "--tls-cert"),
        (vec!["--tls-client-ca", &*cert], "--tls-cert"),
        (vec!["--tls-cert", &*cert, "--tls-key", "no-such-file"], "no-such-file"),
        (vec!["--tls-cert", &*cert, "--tls-key", &*cert], "not one private key"),
        (vec!["--tls-cert", &*cert, "--tls-key", &*strange], "do not belong together"),
        (vec!["--tls-cert", &*empty, "--tls-key", &*key], "not a list of certificates"),
        (vec!["--tls-cert", &*cert, "--tls-key", &*key, "--tls-client-ca", &*empty], "clients' authority"),
        (vec!["--access", "no-such-file.toml"], "no-such-file.toml"),
    ] {
        let said = refused(&[vec!["--listen", "127.0.0.1:0"], arguments].concat());
        assert!(said.contains(words), "{said}");
        assert!(!said.contains("PRIVATE KEY"), "{said}");
    }
}

/// What the file may not have, lacks, or has of another kind is told beside what is wrong with the rest.
#[test]
fn everything_wrong_with_an_access_file_is_told_at_once() {
    use enteral_gate::cli::access_file::load;
    let folder = Folder::new();
    let text = "colour = 1\nleeway = 121\n[[client]]\nname = \"A b\"\niss = \"i\"\njwk = \"x\"\nroles = \"hooks\"\n\
        [[client]]\nname = \"b\"\n[people]\nname = 1\nissuer = \"http://x.example\"\n";
    let path = folder.write("access.toml", text);
    let problems = load(path.as_ref()).unwrap_err();
    for (line, said) in [
        (1, "missing field `public-url`"),
        (1, "unknown field `colour`"),
        (2, "leeway: expected 0 to 120"),
        (3, "no keys"),
        (4, "name: expected small letters"),
        (6, "unknown field `jwk` (did you mean “jwks”?)"),
        (7, "roles: invalid type: found a text, expected a list of texts"),
        (8, "missing field `iss`"),
        (11, "name: invalid type: found a whole number, expected a text"),
        (10, "missing field `client-id`"),
        (10, "missing field `role`"),
    ] {
        let whole = problems.iter().any(|one| one.starts_with(&format!("{path}:{line}: ")) && one.contains(said));
        assert!(whole, "{line} {said}: {problems:#?}");
    }
}

#[test]
fn everything_wrong_with_an_access_file_is_told() {
    let folder = Folder::new();
    folder.write("ehr.json", OrderEntry::new().jwks);
    folder.write("secret.json", "{\"keys\":[{\"kty\":\"oct\",\"kid\":\"a\",\"k\":\"CANARY\"}]}");
    let client = "[[client]]\nname = \"a\"\niss = \"i\"\n";
    let top = "public-url = \"https://gate.example\"\n";
    for (text, words) in [
        ("", "public-url"),
        (top, "nobody may call"),
        ("public-url = \"http://gate.example\"\n", "access.toml:1: public-url: expected an address"),
        ("public-url = \"https://user@gate.example\"\n", "without user"),
        (&format!("{top}leeway = 121\n"), "access.toml:2: leeway"),
        (&format!("{top}colour = 1\n"), "unknown field `colour`"),
        (&format!("{top}key-authorities = \"ehr.json\"\n"), "key-authorities"),
        (&format!("{top}{client}"), "access.toml:2: no keys"),
        (&format!("{top}{client}jwks = \"nothing.json\"\n"), "nothing.json"),
        (&format!("{top}{client}jwks = \"secret.json\"\n"), "access.toml:5: jwks: holds a private or symmetric key"),
        (&format!("{top}{client}jwks = \"access.toml\"\n"), "no JSON object"),
        (&format!("{top}{client}jku = [\"http://ehr.example/keys\"]\n"), "access.toml:5: jku: expected an address"),
        (&format!("{top}{client}jku = [\"https://ehr.example/k\", \"https://ehr.example/k\"]\n"), "stands twice"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nalgorithms = [\"HS256\"]\n"), "never taken"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nalgorithms = [\"none\"]\n"), "never taken"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nalgorithms = []\n"), "never taken"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nroles = [\"fhir\"]\n"), "authorization-server"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nroles = [\"hook\"]\n"), "did you mean “hooks”"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nroles = []\n"), "at least one"),
        (&format!("{top}{client}jwks = \"ehr.json\"\nconcurrent = 0\n"), "1 or more"),
        (&format!("{top}{client}jwks = \"ehr.json\"\n{client}jwks = \"ehr.json\"\n"), "the issuer stands twice"),
        (
            &format!(
                "{top}{client}jwks = \"ehr.json\"\n[[authorization-server]]\nname = \"b\"\nissuer = \"i\"\njwks = \"ehr.json\"\n"
            ),
            "the issuer stands twice",
        ),
        (&format!("{top}[[client]]\nname = \"A b\"\niss = \"\"\njwks = \"ehr.json\"\n"), "small letters"),
    ] {
        let access = folder.write("access.toml", text);
        let said = refused(&["--listen", "127.0.0.1:0", "--access", &access]);
        assert!(said.contains(words), "{text}: {said}");
        assert!(!said.contains("CANARY"), "{said}");
    }
    // Several at once.
    let access = folder.write("access.toml", format!("{top}leeway = 999\n{client}roles = []\n"));
    let said = refused(&["--listen", "127.0.0.1:0", "--access", &access]);
    assert!(said.contains(":2: leeway") && said.contains(":3: no keys") && said.contains("roles"), "{said}");
}

/// From another machine's point of view: TLS, a token, cards; and nothing of a token in anything that is said.
#[tokio::test(flavor = "multi_thread")]
async fn served_with_tls_and_tokens() {
    let folder = Folder::new();
    let (authority, ehr) = (Authority::new("Invented"), OrderEntry::new());
    folder.write("ehr.json", &ehr.jwks);
    let access = folder.write("access.toml", ACCESS);
    let (certificate, key) = authority.signs("localhost");
    let (cert, key) = (folder.write("cert.pem", certificate), folder.write("key.pem", &key));
    let arguments = ["--listen", "0.0.0.0:0", "--access", &access, "--tls-cert", &cert, "--tls-key", &key];
    let trail = folder.write("trail.jsonl", "");
    let queue = folder.0.join("queue.sqlite").display().to_string();
    folder.write("secret", "aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE=");
    let told = "base = \"https://gate.example/fhir\"\n[[subscriber]]\nid = \"board\"\nendpoint = \"http://127.0.0.1:1/in\"\nprivate-addresses = true\nsecret-file = \"secret\"\nfhir = \"R4\"\n";
    let told = folder.write("subscribers.toml", told);
    let traces = "endpoint = \"http://127.0.0.1:1/v1/traces\"\nprivate-addresses = true\n";
    let traces = folder.write("traces.toml", traces);
    let inside = ["--admin-listen", "127.0.0.1:0", "--audit", &trail, "--store", &queue, "--subscribers", &told];
    let inside = [&inside[..], &["--traces", &traces]].concat();
    let running = Running::with_inside(&[&arguments[..], &inside].concat());
    assert!(running.said().contains("listening on https://0.0.0.0:"), "{}", running.said());
    let client = authority.client().build().unwrap();
    let mut tokens =
        vec![ehr.token(SIGN, "good", 300), ehr.token(SIGN, "late", -300), ehr.token("/metrics", "other", 300)];
    tokens.push(OrderEntry::new().token(SIGN, "forged", 300));
    let mut statuses = Vec::new();
    for token in [&tokens[0], &tokens[0], &tokens[1], &tokens[2], &tokens[3]] {
        statuses.push(hook(&client, running.here, token).await);
    }
    assert_eq!(statuses, [200, 401, 401, 401, 401]);
    let open = client.get(format!("https://{}/cds-services", running.here)).send().await.unwrap();
    assert_eq!(open.status(), 200);
    assert_eq!(client.get(format!("https://{}/metrics", running.here)).send().await.unwrap().status(), 404);
    let metrics = running.inside("/metrics").await;
    for line in [
        "enteral_gate_access_passed_total{caller=\"order-entry\"} 1",
        "enteral_gate_access_refused_total{reason=\"replayed\"} 1",
        "enteral_gate_access_refused_total{reason=\"expired\"} 1",
        "enteral_gate_access_refused_total{reason=\"audience\"} 1",
        "enteral_gate_access_refused_total{reason=\"signature\"} 1",
        "enteral_gate_certificate_stale 0",
    ] {
        assert!(metrics.contains(line), "{line}\n{metrics}");
    }
    let named: Vec<&str> = metrics.lines().filter_map(|l| l.strip_prefix("# TYPE ")?.split(' ').next()).collect();
    let page = include_str!("../docs/configure.md");
    let documented: Vec<&str> = page
        .lines()
        .filter_map(|l| l.strip_prefix("| `")?.split(['`', '{']).next())
        // Those of a spool are there where one is configured.
        .filter(|name| name.starts_with("enteral_gate_") && !name.starts_with("enteral_gate_spool_"))
        .collect();
    assert_eq!(named, documented, "every metric is described, in this order, and no other");
    // Plain HTTP on the port of TLS, and another authority's client.
    let mut plain = tokio::net::TcpStream::connect(running.here).await.unwrap();
    plain.write_all(b"GET /livez HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
    let mut answer = Vec::new();
    let _ = plain.read_to_end(&mut answer).await;
    assert!(!answer.starts_with(b"HTTP/"), "{answer:?}");
    let stranger = Authority::new("Another").client().build().unwrap();
    assert!(stranger.get(format!("https://{}/livez", running.here)).send().await.is_err());
    let mut kept = String::new();
    // Entries are written beside the answers.
    for _ in 0..600 {
        kept = std::fs::read_to_string(&trail).unwrap();
        if kept.matches("\"result\":\"turned-away\"").count() == 4 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(kept.matches("\"result\":\"turned-away\"").count(), 4, "{kept}");
    let said = running.said() + &metrics + &running.inside("/readyz").await + &kept;
    assert!(said.contains("reason=\"replayed\"") && said.contains("caller=\"order-entry\""), "{said}");
    for token in &tokens {
        for part in token.split('.') {
            assert!(!said.contains(part), "a part of a token is in {said}");
        }
    }
    assert!(!said.contains("CANARY") && !said.contains("PRIVATE KEY"), "{said}");
}

/// `hook send` over TLS, with a token from a file or the environment; nothing that it says holds the token.
#[tokio::test(flavor = "multi_thread")]
async fn hooks_are_sent_over_tls_with_a_token() {
    let folder = Folder::new();
    let (authority, ehr) = (Authority::new("Invented"), OrderEntry::new());
    folder.write("ehr.json", &ehr.jwks);
    let access = folder.write("access.toml", ACCESS);
    let (certificate, key) = authority.signs("localhost");
    let (cert, key) = (folder.write("cert.pem", certificate), folder.write("key.pem", &key));
    let running = Running::start(&[
        "--listen",
        "0.0.0.0:0",
        "--access",
        &access,
        "--tls-cert",
        &cert,
        "--tls-key",
        &key,
        "--admin-listen",
        "off",
        "--rulebook",
        "none",
    ]);
    let to = format!("https://localhost:{}", running.here.port());
    let ca = folder.write("authority.pem", authority.pem());
    let other = folder.write("other.pem", Authority::new("Another").pem());
    let request = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/hooks/requests/sign-clear.json");
    let mut tokens = Vec::new();
    let mut token = |name: &str| {
        tokens.push(ehr.token(SIGN, name, 300));
        tokens.last().unwrap().clone()
    };
    let file = folder.write("token", token("file") + "\n");
    let spaced = folder.write("spaced", "CANARY two\n");
    let send = |to: &str, more: &[&str], environment: Option<&str>| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
        command.env_clear().args(["hook", "send", "--to", to]).args(more).arg(request);
        if let Some(token) = environment {
            command.env("ENTERAL_GATE_HOOK_TOKEN", token);
        }
        let out = command.stdin(Stdio::null()).output().unwrap();
        (out.status.code().unwrap(), String::from_utf8([out.stdout, out.stderr].concat()).unwrap())
    };
    let plain = "http://gate.example";
    let mut all = String::new();
    for (to, more, environment, code, words) in [
        (to.as_str(), vec!["--ca", &ca, "--token-file", &file], None, 0, "NutritionOrder/feed-1"),
        (&to, vec!["--ca", &ca, "--token-file", &file], None, 3, "401 Unauthorized"),
        (&to, vec!["--ca", &ca], Some(token("environment")), 0, "NutritionOrder/feed-1"),
        (&to, vec!["--ca", &ca], None, 3, "needs a token that is good for it"),
        (&to, vec!["--ca", &other], Some(token("stranger")), 3, "could not be reached"),
        (&to, vec![], Some(token("machine")), 3, "could not be reached"),
        (&to, vec!["--ca", &file], None, 64, "--ca"),
        (plain, vec!["--token-file", &file], None, 64, "a token is sent over https"),
        (plain, vec![], Some(token("plain")), 64, "ENTERAL_GATE_HOOK_TOKEN: a token is sent over https"),
        (&to, vec!["--ca", &ca, "--token-file", &spaced], None, 64, "this is no token"),
        (&to, vec!["--token-file", "no-such-file"], None, 64, "--token-file no-such-file"),
    ] {
        let (got, said) = send(to, &more, environment.as_deref());
        assert!(said.contains(words), "{more:?}: {said}");
        assert_eq!(got, code, "{more:?}: {said}");
        all += &said;
    }
    for token in &tokens {
        for part in token.split('.') {
            assert!(!all.contains(part), "a part of a token is in {all}");
        }
    }
    assert!(!all.contains("CANARY"), "{all}");
}

/// A service over TLS with these bounds, and who signed its certificate.
async fn bounded(limits: enteral_gate::http::Limits) -> (SocketAddr, Authority) {
    use enteral_gate::formulary::Formulary;
    use enteral_gate::http::appraiser::Core;
    use enteral_gate::http::{App, Doors, server};
    let authority = Authority::new("Invented");
    let (certificate, key) = authority.signs("localhost");
    let pem = Pem { certificate: certificate.into(), key: key.into(), client_authorities: None };
    let doors = Doors { certificates: Some(Arc::new(Certificates::new(&pem).unwrap())), ..Doors::default() };
    let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let app = App::behind(doors, Arc::new(Core::new(formulary)), enteral_gate::settings::Settings::default(), limits);
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let here = listener.local_addr().unwrap();
    tokio::spawn(server::serve(listener, app, std::future::pending()));
    (here, authority)
}

/// A handshake that does not go on ends like a header that does not.
#[tokio::test(flavor = "multi_thread")]
async fn a_slow_handshake_is_cut_off() {
    use enteral_gate::http::Limits;
    let (here, authority) = bounded(Limits { header_time: Duration::from_millis(400), ..Limits::default() }).await;
    let mut streams = Vec::new();
    for first in [&b""[..], &[0x16, 0x03, 0x01, 0x02, 0x00]] {
        let mut stream = tokio::net::TcpStream::connect(here).await.unwrap();
        stream.write_all(first).await.unwrap();
        streams.push(stream);
    }
    let client = authority.client().build().unwrap();
    assert_eq!(client.get(format!("https://{here}/livez")).send().await.unwrap().status(), 200);
    for mut stream in streams {
        let mut rest = Vec::new();
        let read = tokio::time::timeout(Duration::from_secs(5), stream.read_to_end(&mut rest)).await;
        assert!(read.is_ok(), "still open");
    }
}

/// Handshakes that do not go on are bounded, and those turned away for that are counted.
#[tokio::test(flavor = "multi_thread")]
async fn unfinished_handshakes_are_bounded() {
    use enteral_gate::http::Limits;
    let limits = Limits { header_time: Duration::from_secs(120), handshakes: 1, ..Limits::default() };
    let (here, authority) = bounded(limits).await;
    let ask = async |path: &str| authority.client().build().unwrap().get(format!("https://{here}{path}")).send().await;
    // A handshake that has ended makes room for another, for as long as its connection is there.
    let held = ask("/livez").await.unwrap();
    assert_eq!(ask("/livez").await.unwrap().status(), 200);
    drop(held);
    let stuck = tokio::net::TcpStream::connect(here).await.unwrap();
    until("a connection that is turned away", async || ask("/livez").await.is_err()).await;
    drop(stuck);
    until("room again", async || ask("/livez").await.is_ok()).await;
    let metrics = ask("/metrics").await.unwrap().text().await.unwrap();
    assert!(metrics.contains("enteral_gate_connections_refused_total{reason=\"handshake\"} "), "{metrics}");
}

#[tokio::test(flavor = "multi_thread")]
async fn only_clients_with_a_certificate() {
    let folder = Folder::new();
    let (authority, theirs, ehr) = (Authority::new("Invented"), Authority::new("Clients"), OrderEntry::new());
    folder.write("ehr.json", &ehr.jwks);
    let access = folder.write("access.toml", ACCESS);
    let (certificate, key) = authority.signs("localhost");
    let (cert, key) = (folder.write("cert.pem", certificate), folder.write("key.pem", key));
    let ca = folder.write("clients.pem", theirs.pem());
    let arguments = ["--listen", "127.0.0.1:0", "--access", &access, "--admin-listen", "off"];
    let tls = ["--tls-cert", &cert, "--tls-key", &key, "--tls-client-ca", &ca];
    let running = Running::start(&[&arguments[..], &tls[..]].concat());
    let url = format!("https://{}/livez", running.here);
    let identity = |of: &Authority| {
        let (certificate, key) = of.signs("order-entry");
        Identity::from_pem(format!("{certificate}{key}").as_bytes()).unwrap()
    };
    assert!(authority.client().build().unwrap().get(&url).send().await.is_err(), "no certificate");
    let wrong = authority.client().identity(identity(&Authority::new("Clients"))).build().unwrap();
    assert!(wrong.get(&url).send().await.is_err(), "of another authority with the same name");
    let right = authority.client().identity(identity(&theirs)).build().unwrap();
    assert_eq!(right.get(&url).send().await.unwrap().status(), 200);
    // A certificate does not stand for a token.
    assert_eq!(hook(&right, running.here, "").await, 401);
    assert_eq!(hook(&right, running.here, &ehr.token(SIGN, "good", 300)).await, 200);
}

#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_is_replaced_while_it_runs() {
    let folder = Folder::new();
    let (first, second) = (Authority::new("First"), Authority::new("Second"));
    let put =
        |(certificate, key): (String, String)| (folder.write("cert.pem", certificate), folder.write("key.pem", key));
    let (cert, key) = put(first.signs("localhost"));
    let arguments =
        ["--listen", "127.0.0.1:0", "--admin-listen", "127.0.0.1:0", "--tls-cert", &cert, "--tls-key", &key];
    let running = Running::with_inside(&arguments);
    let url = format!("https://{}/livez", running.here);
    let reaches = async |authority: &Authority| authority.client().build().unwrap().get(&url).send().await.is_ok();
    assert!(reaches(&first).await && !reaches(&second).await);
    // Files that cannot be used: the old pair stays, and everybody is told.
    std::fs::write(&cert, "-----BEGIN CERTIFICATE-----\nCANARY\n").unwrap();
    until("told", async || running.inside("/metrics").await.contains("enteral_gate_certificate_stale 1")).await;
    assert!(running.inside("/readyz").await.contains("certificate on disk: NOT in use since"));
    assert!(running.said().contains("the certificate on disk cannot be used; the one in use stays"));
    assert!(reaches(&first).await);
    // A pair that can be used is taken by itself.
    put(second.signs("localhost"));
    until("taken", async || reaches(&second).await).await;
    assert!(!reaches(&first).await);
    let metrics = running.inside("/metrics").await;
    assert!(metrics.contains("enteral_gate_certificate_stale 0"), "{metrics}");
    assert!(metrics.contains("enteral_gate_certificate_reloads_total{result=\"taken\"} 1"), "{metrics}");
    assert!(!running.inside("/readyz").await.contains("NOT in use"));
    // At SIGHUP at once, also when nothing changed.
    running.signal("-HUP");
    until("taken at SIGHUP", async || {
        running.inside("/metrics").await.contains("enteral_gate_certificate_reloads_total{result=\"taken\"} 2")
    })
    .await;
    assert!(!running.said().contains("CANARY") && !running.said().contains("PRIVATE KEY"));
    // Stopping ends both listeners.
    running.signal("-TERM");
    let mut running = running;
    let started = Instant::now();
    while running.child.try_wait().unwrap().is_none() {
        assert!(started.elapsed() < DEADLINE);
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(running.child.wait().unwrap().code(), Some(0));
}

/// Keys and clients change without a restart; what was used stays used.
#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn callers_are_replaced_while_it_runs() {
    let folder = Folder::new();
    let (authority, old, new) = (Authority::new("Invented"), OrderEntry::new(), OrderEntry::new());
    folder.write("ehr.json", &old.jwks);
    let access = folder.write("access.toml", ACCESS);
    let (certificate, key) = authority.signs("localhost");
    let (cert, key) = (folder.write("cert.pem", certificate), folder.write("key.pem", key));
    let arguments = ["--listen", "127.0.0.1:0", "--access", &access, "--tls-cert", &cert, "--tls-key", &key];
    let running = Running::with_inside(&[&arguments[..], &["--admin-listen", "127.0.0.1:0"]].concat());
    let client = authority.client().build().unwrap();
    let token = old.token(SIGN, "first", 300);
    assert_eq!(hook(&client, running.here, &token).await, 200);
    // A file that cannot be used, in two ways: the one in use stays, and everybody is told.
    for (name, text) in [("ehr.json", "{\"keys\":[{\"kty\":\"oct\",\"k\":\"CANARY\"}]}"), ("access.toml", "CANARY")] {
        folder.write(name, text);
        until("told", async || running.inside("/metrics").await.contains("enteral_gate_access_stale 1")).await;
        assert!(running.inside("/readyz").await.contains("access file on disk: NOT in use since"));
        assert_eq!(hook(&client, running.here, &old.token(SIGN, name, 300)).await, 200);
        folder.write("ehr.json", &old.jwks);
        folder.write("access.toml", ACCESS);
        running.signal("-HUP");
        until("mended", async || running.inside("/metrics").await.contains("enteral_gate_access_stale 0")).await;
    }
    assert_eq!(hook(&client, running.here, &token).await, 401, "used before the file was read again");
    // Another key.
    folder.write("ehr.json", &new.jwks);
    running.signal("-HUP");
    // A token whose key was not known yet was not used.
    let token = new.token(SIGN, "own", 300);
    until("taken", async || hook(&client, running.here, &token).await == 200).await;
    assert_eq!(hook(&client, running.here, &old.token(SIGN, "second", 300)).await, 401);
    assert!(running.said().contains("the access file on disk cannot be used; the one in use stays"));
    assert!(!running.said().contains("CANARY"), "{}", running.said());
}

/// Certificate and key are written one after the other; what is between is never taken.
#[tokio::test(flavor = "multi_thread")]
async fn half_a_pair_is_not_taken() {
    let folder = Folder::new();
    let (authority, look) = (Authority::new("Invented"), Duration::from_millis(300));
    let (certificate, key) = authority.signs("localhost");
    let files = CertificateFiles {
        certificate: Path::new(&folder.write("cert.pem", &certificate)).to_owned(),
        key: Path::new(&folder.write("key.pem", key)).to_owned(),
        client_authorities: None,
    };
    let pem = files.read().unwrap();
    let certificates = Arc::new(Certificates::new(&pem).unwrap());
    let keeping = tokio::spawn(keep(files, certificates.clone(), look, pem));
    let before = certificates.current();
    let (other, other_key) = authority.signs("localhost");
    folder.write("cert.pem", other);
    until("refused", async || certificates.ready().contains("do not belong together")).await;
    assert!(Arc::ptr_eq(&before, &certificates.current()));
    folder.write("key.pem", other_key);
    until("taken", async || !certificates.ready().contains("NOT in use")).await;
    assert!(!Arc::ptr_eq(&before, &certificates.current()));
    keeping.abort();
}

/// While it stops it says so, before it stops to listen.
#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn readiness_ends_before_the_service() {
    let running =
        Running::with_inside(&["--listen", "127.0.0.1:0", "--admin-listen", "127.0.0.1:0", "--stop-notice", "3"]);
    let client = Client::builder().tls_certs_only([]).pool_max_idle_per_host(0).build().unwrap();
    let url = format!("http://{}/readyz", running.here);
    assert_eq!(client.get(&url).send().await.unwrap().status(), 200);
    running.signal("-TERM");
    until("not ready", async || client.get(&url).send().await.unwrap().status() == 503).await;
    assert!(running.inside("/readyz").await.contains("stopping"));
}

/// The example of the page can be used, and the page names every key.
#[test]
fn the_page_shows_an_access_file() {
    use enteral_gate::access::Kind;
    use enteral_gate::cli::access_file::{KEYS, load};
    let page = include_str!("../docs/security.md");
    let example = page.split("```toml\n").nth(1).unwrap().split("```").next().unwrap();
    let folder = Folder::new();
    folder.write("monitoring.json", OrderEntry::new().jwks);
    folder.write("authorities.pem", Authority::new("Invented").pem());
    folder.write("pages-secret.txt", "an invented secret\n");
    let read = load(Path::new(&folder.write("access.toml", example))).unwrap();
    let names: Vec<&str> = read.access.issuers.iter().map(|issuer| issuer.name.as_str()).collect();
    assert_eq!(names, ["order-entry", "monitoring", "login"]);
    let Kind::AuthorizationServer { audience, clients, metrics } = &read.access.issuers[2].kind else {
        panic!("no server")
    };
    assert_eq!(metrics.as_deref(), Some("enteral-gate.metrics"));
    assert_eq!((audience.as_str(), clients.contains("nightly-checks")), ("https://gate.example/fhir", true));
    let people = read.people.as_ref().unwrap();
    assert_eq!((people.client_id.as_str(), people.secret.as_deref()), ("enteral-gate", Some("an invented secret")));
    assert_eq!(
        people.jobs.iter().map(|(group, job)| (group.as_str(), job.words())).collect::<Vec<_>>(),
        [("pharmacy", "pharmacist"), ("nutrition-team", "dietitian")]
    );
    for key in KEYS.into_iter().flatten().map(|key| key.0) {
        let named = page.contains(&match key {
            "client" | "authorization-server" => format!("[[{key}]]"),
            "people" => "[people]".to_owned(),
            "role" => "[[people.role]]".to_owned(),
            _ => format!("`{key}`"),
        });
        assert!(named, "{key} is not described");
    }
    // A key that the reader does not know would have been refused; one that is not in the list would be new to it.
    let value: toml::Table = toml::from_str(example).unwrap();
    assert!(value.keys().all(|key| KEYS[0].iter().any(|own| own.0 == key)));
    // Every code of a refusal is one word for a counter.
    for (_, code) in enteral_gate::access::token::Reason::ALL {
        assert!(code.chars().all(|c| c.is_ascii_lowercase() || c == '-'), "{code}");
    }
}
