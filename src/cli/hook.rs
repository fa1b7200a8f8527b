//! `hook send`: a recorded hook request, or one composed of an order and context, sent to a service as an order-entry
//! system would, and the cards printed.

use super::Fhir;
use super::exit::{Exit, complain};
use super::serve::{DEFAULT_LISTEN, runtime};
use crate::hooks::compose::compose;
use crate::hooks::service::{SERVICES, Service, by_hook, by_id};
use crate::hooks::{EXTENSION, markdown};
use clap::{Args, Subcommand, ValueEnum};
use serde_json::Value;
use std::fmt::Write as _;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Where a token may be: not on the command line, which others on the machine can see.
const TOKEN: &str = "ENTERAL_GATE_HOOK_TOKEN";

/// Largest answer read, bytes.
const LARGEST: usize = 8 << 20;

/// Subcommands of `hook`.
#[derive(Subcommand, Debug)]
pub enum HookCommand {
    /// Send recorded hook requests, or one composed of an order, to a CDS Hooks service and print the cards
    Send(Send),
}

/// Form of what is printed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people
    #[default]
    Text,
    /// One line per request: the answer as it came
    Json,
}

/// Arguments of `hook send`.
#[derive(Args, Debug)]
pub struct Send {
    /// Recorded requests (JSON), or - for standard input
    #[arg(value_name = "FILE", required_unless_present = "order", conflicts_with = "order")]
    files: Vec<PathBuf>,
    /// Compose a request: a NutritionOrder, or a Bundle of orders and context
    #[arg(long, value_name = "FILE")]
    order: Option<PathBuf>,
    /// What is known of the patient, for a composed request: resources or Bundles
    #[arg(long, value_name = "FILE", requires = "order", num_args = 1..)]
    context: Vec<PathBuf>,
    /// FHIR version of the order, for a composed request [default: what the service is configured for]
    #[arg(long, value_enum, requires = "order")]
    fhir: Option<Fhir>,
    /// Base address of the service, http or https; the service of this machine unless given in full
    #[arg(long, value_name = "BASE", default_value_t = format!("http://{DEFAULT_LISTEN}"))]
    to: String,
    /// Certification authorities (PEM) for https, instead of those of the machine
    #[arg(long, value_name = "FILE")]
    ca: Option<PathBuf>,
    /// File with the bearer token to send; without it that of ENTERAL_GATE_HOOK_TOKEN, if there is one. Sent over https, or to this machine
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
    /// Id of the service, as its discovery lists it [default: the one for the request's hook]
    #[arg(long, value_name = "ID")]
    service: Option<String>,
    /// Form of what is printed
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// A request with its name, or why there is none.
type Named = (String, Result<Vec<u8>, String>);

impl HookCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// What about the command line cannot be used.
    pub fn run(self) -> Result<Exit, String> {
        let Self::Send(send) = self;
        send.run()
    }
}

impl Send {
    fn run(self) -> Result<Exit, String> {
        let base = base(&self.to)?;
        let token = self.token(&base)?;
        let requests = self.requests()?;
        let mut exit = Exit::Clear;
        let mut out = io::stdout().lock();
        let runtime = runtime()?;
        let client = self
            .trusting(&base)?
            .timeout(Duration::from_secs(30))
            // An address that answers with another one is not the one that was given.
            .redirect(reqwest::redirect::Policy::none())
            .build()
            .map_err(|error| error.to_string())?;
        for (name, request) in requests {
            let done = request.and_then(|body| {
                let service = self.service_for(&body)?;
                runtime.block_on(call(&client, &format!("{base}/cds-services/{service}"), token.as_deref(), body))
            });
            let written = match done {
                Err(why) => {
                    complain(&format!("{name}: {why}"));
                    exit = exit.max(Exit::Unreadable);
                    continue;
                }
                Ok(answer) => {
                    exit = exit.max(came_to(&answer));
                    match self.format {
                        Format::Json => writeln!(out, "{answer}"),
                        Format::Text => write!(out, "{}", text(&name, &answer)),
                    }
                }
            };
            if let Err(error) = written.and_then(|()| out.flush()) {
                // What was not shown was not checked.
                let lost =
                    if error.kind() == io::ErrorKind::BrokenPipe { Exit::NotFullyChecked } else { Exit::Unreadable };
                return Ok(exit.max(lost));
            }
        }
        Ok(exit)
    }

    /// A client that trusts the authorities that were given, or those of the machine.
    fn trusting(&self, base: &str) -> Result<reqwest::ClientBuilder, String> {
        // What goes to this machine goes through no proxy of another.
        let builder = reqwest::Client::builder();
        let builder = if is_plain(base) { builder.no_proxy() } else { builder };
        let Some(file) = &self.ca else {
            // Over plain HTTP the machine need not have any.
            return Ok(if is_plain(base) { builder.tls_certs_only([]) } else { builder });
        };
        let wrong = |what: &str| format!("--ca {}: {what}", file.display());
        let pem = std::fs::read(file).map_err(|why| wrong(&why.to_string()))?;
        let authorities = reqwest::Certificate::from_pem_bundle(&pem).ok().filter(|all| !all.is_empty());
        let authorities = authorities.ok_or_else(|| wrong("this is not a list of certificates in PEM"))?;
        Ok(builder.tls_certs_only(authorities))
    }

    /// The token to send. What is said of it holds nothing of it.
    fn token(&self, base: &str) -> Result<Option<String>, String> {
        let (from, text) = match (&self.token_file, std::env::var(TOKEN)) {
            (Some(file), _) => {
                let from = format!("--token-file {}", file.display());
                let text = std::fs::read_to_string(file).map_err(|why| format!("{from}: {why}"))?;
                (from, text)
            }
            (None, Ok(text)) => (TOKEN.to_owned(), text),
            (None, Err(std::env::VarError::NotPresent)) => return Ok(None),
            (None, Err(_)) => return Err(format!("{TOKEN}: this is no token")),
        };
        let token = text.trim();
        if token.is_empty() || !token.bytes().all(|byte| byte.is_ascii_graphic()) {
            return Err(format!("{from}: this is no token: one is a single line without spaces"));
        }
        if is_plain(base) && !is_here(base) {
            return Err(format!(
                "{from}: a token is sent over https, or to an address of this machine; --to is neither"
            ));
        }
        Ok(Some(token.to_owned()))
    }

    /// The requests by name; what cannot be read is told when its turn comes.
    fn requests(&self) -> Result<Vec<Named>, String> {
        let Some(order) = &self.order else {
            return Ok(self.files.iter().map(|file| (file.display().to_string(), read(file))).collect());
        };
        let service = match &self.service {
            None => &SERVICES[0],
            Some(id) => by_id(id).ok_or_else(|| {
                let ids: Vec<_> = SERVICES.iter().map(|s| s.id).collect();
                format!("--service: a request can be composed for {}", ids.join(" and "))
            })?,
        };
        let name = order.display().to_string();
        Ok(vec![(name.clone(), self.composed(service, &name, order))])
    }

    fn composed(&self, service: &Service, name: &str, order: &Path) -> Result<Vec<u8>, String> {
        let bytes = read(order)?;
        let mut context = Vec::with_capacity(self.context.len());
        for file in &self.context {
            let shown = file.display().to_string();
            context.push((shown.clone(), read(file).map_err(|why| format!("{shown}: {why}"))?));
        }
        let composed = compose(service, self.fhir.map(Fhir::version), (name, &bytes), &context).map(String::into_bytes);
        // The name stands before every message already.
        composed.map_err(|what| what.strip_prefix(&format!("{name}: ")).map_or(what.clone(), str::to_owned))
    }

    fn service_for(&self, body: &[u8]) -> Result<String, String> {
        if let Some(id) = &self.service {
            let plain = !id.is_empty() && id.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b));
            return if plain { Ok(id.clone()) } else { Err("--service: expected the id of a service".to_owned()) };
        }
        let request: Value = serde_json::from_slice(body).map_err(|error| format!("this is not JSON: {error}"))?;
        let hook = request["hook"].as_str().ok_or("this is no hook request: it names no hook")?;
        by_hook(hook).map(|s| s.id.to_owned()).ok_or_else(|| {
            let hooks: Vec<_> = SERVICES.iter().map(|s| s.hook).collect();
            format!("no service here for this hook (known are {}); name one with --service", hooks.join(", "))
        })
    }
}

fn read(path: &Path) -> Result<Vec<u8>, String> {
    if path.as_os_str() == "-" {
        let mut bytes = Vec::new();
        return io::stdin().lock().read_to_end(&mut bytes).map(|_| bytes).map_err(|error| error.to_string());
    }
    std::fs::read(path).map_err(|error| error.to_string())
}

/// The base address, without its last slash.
fn base(given: &str) -> Result<String, String> {
    let wanted = format!("--to: expected an address in full, such as http://{DEFAULT_LISTEN}");
    let host = given.strip_prefix("http://").or_else(|| given.strip_prefix("https://")).ok_or(&wanted)?;
    let base = given.trim_end_matches('/');
    if host.is_empty() || host.contains(['?', '#', '@']) || reqwest::Url::parse(base).is_err() {
        return Err(wanted);
    }
    Ok(base.to_owned())
}

fn is_plain(base: &str) -> bool {
    base.starts_with("http://")
}

/// Whether an address is one of this machine, as far as it says so itself.
fn is_here(base: &str) -> bool {
    let Ok(url) = reqwest::Url::parse(base) else { return false };
    match url.host_str().map(|host| host.trim_matches(['[', ']'])) {
        Some("localhost") => true,
        Some(host) => host.parse::<std::net::IpAddr>().is_ok_and(|address| address.to_canonical().is_loopback()),
        None => false,
    }
}

async fn call(client: &reqwest::Client, url: &str, token: Option<&str>, body: Vec<u8>) -> Result<String, String> {
    let reached = |error: reqwest::Error| format!("{url} could not be reached: {}", error.without_url());
    let mut request = client.post(url).header("content-type", "application/json").body(body);
    if let Some(token) = token {
        request = request.bearer_auth(token);
    }
    let mut response = request.send().await.map_err(reached)?;
    let status = response.status();
    let mut bytes = Vec::new();
    while let Some(chunk) = response.chunk().await.map_err(reached)? {
        if bytes.len() + chunk.len() > LARGEST {
            return Err(format!("the answer is larger than {LARGEST} bytes"));
        }
        bytes.extend_from_slice(&chunk);
    }
    let text = String::from_utf8(bytes).map_err(|_| "the answer is not UTF-8".to_owned())?;
    let answer: Value = serde_json::from_str(&text).unwrap_or_default();
    if !status.is_success() {
        let said = answer["issue"][0]["details"]["text"].as_str().unwrap_or("");
        return Err(format!("HTTP status {status} {}", markdown::one_line(said)));
    }
    if !answer["cards"].is_array() {
        return Err("the answer holds no cards; this is no CDS Hooks service".to_owned());
    }
    Ok(text)
}

/// What an answer comes to: by this service's own word for each order, else by whether there are cards.
fn came_to(answer: &str) -> Exit {
    let answer: Value = serde_json::from_str(answer).unwrap_or_default();
    let cards = answer["cards"].as_array().map_or(0, Vec::len);
    if !answer["extension"][EXTENSION].is_object() {
        // Another service says no more than its cards: without any it may have looked at nothing.
        return if cards > 0 { Exit::Flagged } else { Exit::NotFullyChecked };
    }
    let orders = answer["extension"][EXTENSION]["orders"].as_array().into_iter().flatten();
    let checked = orders.filter_map(|order| match order["disposition"].as_str() {
        Some("flagged") => Some(Exit::Flagged),
        Some("clear") => Some(Exit::Clear),
        Some("not-selected" | "not-a-tube-feed") => None,
        _ => Some(Exit::NotFullyChecked),
    });
    // As for `check`: where nothing was checked, nothing is clear.
    let own = checked.max().unwrap_or(Exit::NotFullyChecked);
    // What belongs to no order has a card of its own.
    if cards > 0 && own == Exit::Clear { Exit::NotFullyChecked } else { own }
}

/// An answer for people.
fn text(name: &str, answer: &str) -> String {
    let answer: Value = serde_json::from_str(answer).unwrap_or_default();
    let cards = answer["cards"].as_array().cloned().unwrap_or_default();
    let mut out = String::new();
    let count = match cards.len() {
        0 => "no card".to_owned(),
        1 => "1 card".to_owned(),
        n => format!("{n} cards"),
    };
    let _ = writeln!(out, "{} — {count}", markdown::one_line(name));
    for order in answer["extension"][EXTENSION]["orders"].as_array().into_iter().flatten() {
        let shown = |key: &str| markdown::one_line(order[key].as_str().unwrap_or(""));
        let _ = writeln!(out, "  {}: {}", shown("order"), shown("disposition"));
    }
    for card in &cards {
        let shown = |node: &Value| markdown::one_line(node.as_str().unwrap_or(""));
        let indicator = shown(&card["indicator"]).to_uppercase();
        let _ = writeln!(out, "\n  {indicator}  {}", shown(&card["summary"]));
        for line in card["detail"].as_str().unwrap_or("").lines() {
            // Indents mark lists in Markdown; everything else is one line of text.
            let _ = writeln!(out, "    {}", markdown::one_line(&unescaped(line)));
        }
        for suggestion in card["suggestions"].as_array().into_iter().flatten() {
            let _ = writeln!(out, "    Suggestion: {}", shown(&suggestion["label"]));
        }
        let reasons: Vec<String> =
            card["overrideReasons"].as_array().into_iter().flatten().map(|r| shown(&r["display"])).collect();
        if !reasons.is_empty() {
            let _ = writeln!(out, "    Reasons to go on all the same: {}", reasons.join("; "));
        }
        let _ = writeln!(out, "    From: {}", shown(&card["source"]["label"]));
    }
    out.push('\n');
    out
}

/// Markdown's escapes and entities taken back, for a terminal.
fn unescaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        match (c, chars.peek()) {
            ('\\', Some(next)) if next.is_ascii_punctuation() => out.extend(chars.next()),
            ('*', Some('*')) => drop(chars.next()),
            _ => out.push(c),
        }
    }
    out.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
}
