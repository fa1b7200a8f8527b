//! `demo`: the service with an invented formulary, asked about invented orders over its own HTTP interface.

use super::exit::{Exit, complain};
use super::log::{self, LogFormat};
use super::reload::Source;
use super::serve::{DEFAULT_LISTEN, address, runtime};
use super::{INVENTED, formulary, rulebook, settings_file};
use crate::answer::book_warning;
use crate::appraise::{Institution, appraise_by};
use crate::formulary::Formulary;
use crate::http::appraiser::Core;
use crate::http::pages::people::{self, People};
use crate::http::rules_in_use::RulesInUse;
use crate::http::samples::{SAMPLES, Sample};
use crate::http::{App, Doors, Limits, server};
use crate::queue::item::Received;
use crate::queue::policy::Policy;
use crate::queue::urgency::Times;
use crate::rulebook::Rulebook;
use crate::settings::Settings;
use crate::store::{SqlStore, Store};
use clap::Args;
use jiff::{SignedDuration, Timestamp};
use serde_json::Value;
use std::borrow::Cow;
use std::io::{self, Write};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use uuid::Uuid;

/// Arguments of `demo`.
#[derive(Args, Debug)]
pub struct Demo {
    /// Address and port; without it 127.0.0.1:8731, or a free port when that is taken
    #[arg(long, value_name = "ADDR:PORT")]
    listen: Option<String>,
    /// Answer the samples, print, and end
    #[arg(long)]
    once: bool,
}

impl Demo {
    /// Runs the command.
    ///
    /// # Errors
    /// An address that cannot be used.
    pub fn run(self) -> Result<Exit, String> {
        let settings = Settings { demo: true, ..settings_file::embedded()? };
        let wanted = self.listen.as_deref().map(address).transpose()?;
        let formulary = formulary::embedded()?;
        let rulebook = rulebook::load(&[])?;
        let warning = book_warning(&rulebook).map(Cow::into_owned);
        log::start(LogFormat::Text, "warn", true);
        runtime()?.block_on(async {
            let listener = bind(wanted).await?;
            let here = listener.local_addr().map_err(|error| error.to_string())?;
            let (people, token) = People::with_token(people::invented(), false);
            let kept = Folder::new()?;
            let times = Times::minutes(settings.queue.grades, settings.queue.before_start);
            let policy = Policy { times, ..Policy::default() };
            let store = SqlStore::sqlite(&kept.file(), policy).await.map_err(|error| error.to_string())?;
            let store = Arc::new(store);
            let formulary = Arc::new(formulary);
            store.record(queue(&formulary, &rulebook, &settings)).await.map_err(|error| error.to_string())?;
            let doors = Doors { people: Some(Arc::new(people)), store: Some(store.clone()), ..Doors::default() };
            let rehearsal = Source::new(Vec::new(), formulary.clone())?.rehearse(&rulebook);
            let rules = Arc::new(RulesInUse::new(rulebook, Some(rehearsal)));
            let core = Arc::new(Core::over(formulary, rules));
            let app = App::behind(doors, core, settings, Limits::default());
            let (stop, stopped) = oneshot::channel::<()>();
            let service = tokio::spawn(server::serve(listener, app, async {
                tokio::select! {
                    _ = stopped => {}
                    () = server::asked_to_stop() => {}
                }
            }));
            let shown = show(here, (!self.once).then_some(token.as_str()), warning).await;
            if self.once || shown.is_err() {
                drop(stop);
            }
            let served = service.await.map_err(|error| error.to_string())?;
            shown?;
            served.map_err(|error| error.to_string())?;
            store.close().await.map_err(|error| error.to_string())?;
            drop(kept);
            Ok(Exit::Clear)
        })
    }
}

/// Where the queue of the demonstration is kept while it runs; nothing of it is left after.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Result<Self, String> {
        let path = std::env::temp_dir().join(format!("enteral-gate-demo-{}", Uuid::new_v4().simple()));
        std::fs::create_dir(&path).map_err(|error| format!("{}: {error}", path.display()))?;
        Ok(Self(path))
    }

    fn file(&self) -> PathBuf {
        self.0.join("queue.sqlite")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// The invented orders as they would have come in over the last hour, for the queue.
fn queue(formulary: &Formulary, rulebook: &Rulebook, settings: &Settings) -> Vec<Received> {
    // Where the invented people are.
    let ward = |name: &str| match name {
        name if name.contains("intensive") => "Invented intensive care",
        name if name.contains("home") => "Invented home care",
        name if name.contains("toddler") || name.contains("infant") => "Invented children's ward",
        name if name.contains("jejunal") || name.contains("steps") => "Invented ward 1",
        _ => "Invented ward 2",
    };
    let by = Institution { formulary, rulebook, settings };
    let now = Timestamp::now();
    let mut out = Vec::new();
    for (nth, sample) in SAMPLES.iter().enumerate() {
        let appraisal = appraise_by(sample.text.as_bytes(), "", sample.version, by);
        let minutes = i64::try_from(nth * 7 + 2).unwrap_or(2);
        for order in &appraisal.orders {
            let mut received = Received::of(&appraisal, order, &[]);
            received.at = now.checked_sub(SignedDuration::from_mins(minutes)).unwrap_or(now);
            "$appraise".clone_into(&mut received.through);
            received.ward = Some(ward(sample.name).to_owned());
            out.push(received);
        }
    }
    out.sort_by_key(|received| received.at);
    out
}

async fn bind(wanted: Option<SocketAddr>) -> Result<TcpListener, String> {
    if let Some(address) = wanted {
        return TcpListener::bind(address).await.map_err(|error| format!("--listen {address}: {error}"));
    }
    let usual = address(DEFAULT_LISTEN)?;
    match TcpListener::bind(usual).await {
        Err(error) if error.kind() == io::ErrorKind::AddrInUse => {
            complain(&format!("{usual} is taken; using a free port"));
            TcpListener::bind((usual.ip(), 0)).await.map_err(|error| error.to_string())
        }
        bound => bound.map_err(|error| format!("{usual}: {error}")),
    }
}

/// Prints where the service is, what it answers to each sample, and how to ask it.
async fn show(here: SocketAddr, token: Option<&str>, warning: Option<String>) -> Result<(), String> {
    // The demo speaks plain HTTP with itself, so a machine without certification authorities can run it too.
    let client = reqwest::Client::builder().no_proxy().tls_certs_only([]).timeout(Duration::from_secs(30)).build();
    let client = client.map_err(|error| error.to_string())?;
    let mut lines = vec![INVENTED.to_owned(), format!("listening on http://{here}"), String::new()];
    for sample in &SAMPLES {
        lines.push(line(sample, &ask(&client, here, sample).await?));
    }
    lines.extend(warning);
    let first = SAMPLES.first().map_or("", |sample| sample.name);
    lines.push(String::new());
    lines.push("The answer to one of them in full, while the demo runs:".to_owned());
    lines.push(format!("  curl -s http://{here}/demo/orders/{first} |"));
    lines.push(format!(
        "  curl -s -H 'Content-Type: application/fhir+json' --data-binary @- 'http://{here}/fhir/R4/NutritionOrder/$appraise?_pretty=true'"
    ));
    if let Some(token) = token {
        lines.push(String::new());
        lines.push("The queue, filled with these orders; sign in as one of the invented people:".to_owned());
        lines.push(format!("  http://{here}/sign-in#{token}"));
        lines.push(format!("To try an order: http://{here}/try   End with Ctrl-C."));
    }
    lines.push(INVENTED.to_owned());
    lines.push(String::new());
    let mut out = io::stdout().lock();
    match out.write_all(lines.join("\n").as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error.to_string()),
        _ => Ok(()),
    }
}

async fn ask(client: &reqwest::Client, here: SocketAddr, sample: &Sample) -> Result<Value, String> {
    let url = format!("http://{here}/fhir/{}/NutritionOrder/$appraise", sample.version.name());
    let request = client.post(url).header("content-type", "application/fhir+json").body(sample.text);
    let answer = request.send().await.map_err(|error| format!("{}: {error}", sample.name))?;
    let body = answer.text().await.map_err(|error| format!("{}: {error}", sample.name))?;
    serde_json::from_str(&body).map_err(|error| format!("{}: the answer is not JSON: {error}", sample.name))
}

/// One line on one sample: name, disposition, volume and energy of the day that stands for the order, and
/// what was found above a reminder.
fn line(sample: &Sample, answer: &Value) -> String {
    let list = |node: &Value, key: &str| node.get(key).and_then(Value::as_array).cloned().unwrap_or_default();
    let named = |parts: &[Value], name: &str| parts.iter().rfind(|p| p["name"] == name).cloned().unwrap_or_default();
    let parameters = list(answer, "parameter");
    let disposition = named(&parameters, "disposition")["valueCode"].as_str().unwrap_or("no answer").to_owned();
    let order = list(&named(&parameters, "order"), "part");
    let total = |day: &str| list(&named(&list(&named(&order, day), "part"), "total"), "part");
    let steady = total("steady-day");
    let totals = if steady.is_empty() { total("day") } else { steady };
    let found: Vec<String> =
        list(&named(&parameters, "outcome")["resource"], "issue").iter().filter_map(finding).collect();
    let found = if found.is_empty() { "nothing above a reminder".to_owned() } else { found.join("; ") };
    let (volume, energy) = (measured(&named(&totals, "volume"), "mL"), measured(&named(&totals, "energy"), "kcal"));
    format!("{:24} {disposition:18} {volume:18} {energy:20} {found}", sample.name)
}

/// Tier, rule and name of a finding above a reminder.
fn finding(issue: &Value) -> Option<String> {
    let coding = |system: &str| {
        let codings = issue["details"]["coding"].as_array()?;
        codings.iter().find(|c| c["system"].as_str().is_some_and(|s| s.ends_with(system))).cloned()
    };
    let rule = coding("/CodeSystem/finding").or_else(|| coding("/CodeSystem/limit"))?;
    let tier = coding("/CodeSystem/tier")?;
    let tier = tier["code"].as_str().filter(|tier| *tier != "LOW")?;
    Some(format!("{tier} {} {}", rule["code"].as_str()?, rule["display"].as_str().unwrap_or_default()))
}

/// A measure for people: `1000 mL`, `1680 to 2340 mL`, `at least 180 mL`, or that it is not known.
fn measured(measure: &Value, unit: &str) -> String {
    let whole = |quantity: &Value| quantity["value"].as_f64().map(|x| format!("{x:.0}"));
    let (low, high) = (whole(&measure["valueRange"]["low"]), whole(&measure["valueRange"]["high"]));
    match (whole(&measure["valueQuantity"]), low, high) {
        (Some(x), ..) => format!("{x} {unit}"),
        (None, Some(low), Some(high)) => format!("{low} to {high} {unit}"),
        (None, Some(low), None) => format!("at least {low} {unit}"),
        _ => format!("{unit} not known"),
    }
}
