//! The rulebook of a running service: read and rehearsed at the start, read again when its files change or at
//! SIGHUP, rehearsed again now and then. What cannot be used never replaces what is in use.

use super::rulebook::{self, Texts};
use crate::appraise::own_rules;
use crate::formulary::Formulary;
use crate::http::rules_in_use::{Rehearsal, RulesInUse};
use crate::rehearsal::{own, rehearse};
use crate::rulebook::judge::switched_off;
use crate::rulebook::lapse::lapses;
use crate::rulebook::{Limit, Mode, Rulebook};
use crate::settings::Settings;
use jiff::Timestamp;
use std::borrow::Cow;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::spawn_blocking;
use tokio::time::{Instant, MissedTickBehavior, interval_at};

/// Problems of a rulebook that one log line holds; the first of them are the ones to mend.
const LOGGED: usize = 20;

/// Between two looks at SIGHUP, of which the second must find what the first did.
const STILL: Duration = Duration::from_millis(200);

/// How often is looked and rehearsed.
#[derive(Clone, Copy, Debug)]
pub struct Pace {
    /// Between two looks at the files.
    pub look: Duration,
    /// Between two rehearsals of the rules in use.
    pub rehearse: Duration,
}

impl Default for Pace {
    fn default() -> Self {
        Self { look: Duration::from_secs(2), rehearse: Duration::from_secs(3600) }
    }
}

/// Where the rules come from, and what their examples are tried with.
pub struct Source {
    files: Vec<PathBuf>,
    formulary: Arc<Formulary>,
    invented: Formulary,
    /// Worked examples of the program's own rules.
    own: Cow<'static, str>,
}

impl Source {
    /// The rules of these files, for an institution with this formulary.
    ///
    /// # Errors
    /// When the invented products cannot be read, which a test excludes.
    pub fn new(files: Vec<PathBuf>, formulary: Arc<Formulary>) -> Result<Self, String> {
        Ok(Self { files, formulary, invented: super::formulary::for_tests()?, own: Cow::Borrowed(own::EXAMPLES) })
    }

    /// The same with other worked examples of the program's own rules: those of `file`, in TOML.
    #[must_use]
    pub fn with_examples(self, file: String) -> Self {
        Self { own: Cow::Owned(file), ..self }
    }

    /// Reads, checks and rehearses the files.
    ///
    /// # Errors
    /// Every problem; for an example that fails its place, rule and title.
    pub fn read(&self) -> Result<(Rulebook, Rehearsal, Texts), Vec<String>> {
        let texts = self.look();
        let (book, rehearsal) = self.used(texts.clone())?;
        Ok((book, rehearsal, texts))
    }

    fn look(&self) -> Texts {
        if rulebook::without(&self.files) { Texts::default() } else { rulebook::gather(&self.files) }
    }

    fn used(&self, texts: Texts) -> Result<(Rulebook, Rehearsal), Vec<String>> {
        let book = if rulebook::without(&self.files) {
            Rulebook::default()
        } else {
            rulebook::of(&texts).map_err(|all| rulebook::sentences(&all))?
        };
        let rehearsal = self.rehearse(&book);
        // A fault of the program's own rules is none of the files': it is told, and keeps no other rule from working.
        let of_files = rehearsal.failing.iter().any(|rule| book.limits.iter().any(|limit| *limit.rule.id == *rule));
        if of_files { Err(rehearsal.problems) } else { Ok((book, rehearsal)) }
    }

    /// Whether each rule still comes to what its own tests say, of all kinds, and each rule of the program to what its
    /// worked example says, where the institution has not switched it off. Examples name invented
    /// products or the institution's own, so an example holds that comes out as expected with one of the two.
    pub fn rehearse(&self, book: &Rulebook) -> Rehearsal {
        let settings = Settings::default();
        let done = rehearse(book, &self.invented, &settings);
        let today = jiff::tz::TimeZone::UTC.to_datetime(Timestamp::now()).date();
        let off = |rule: &str| switched_off(book, rule, Some(today)).is_some();
        let own = own::rehearse_own(&self.own, &off, &self.invented);
        let examples = done.len() + own.len();
        let mut failing: Vec<String> = Vec::new();
        let mut problems = Vec::new();
        if done.iter().any(|r| r.failure.is_some()) {
            let own = rehearse(book, &self.formulary, &settings);
            for (with_invented, _) in done.iter().zip(&own).filter(|(a, b)| a.failure.is_some() && b.failure.is_some())
            {
                let what = with_invented.failure.as_deref().unwrap_or_default();
                let (place, rule, title) = (&with_invented.place, &with_invented.rule, &with_invented.title);
                problems.push(format!("{place}: the example \"{title}\" of {rule}: {what}"));
                if !failing.contains(rule) {
                    failing.push(rule.clone());
                }
            }
        }
        for one in own {
            let Some(what) = one.failure else { continue };
            problems.push(format!("{}: the example \"{}\" of {}: {what}", one.place, one.title, one.rule));
            if !failing.contains(&one.rule) {
                failing.push(one.rule);
            }
        }
        let rehearsed = |limit: &&Limit| limit.mode == Mode::Off || done.iter().any(|r| r.rule == *limit.rule.id);
        let without = book.limits.iter().filter(|l| !rehearsed(l)).map(|l| l.rule.id.to_string()).collect();
        Rehearsal { at: Timestamp::now(), examples, failing, without, problems }
    }
}

/// Keeps the rules up to date until it is dropped. `decided` is what [`Source::read`] found on disk before: files
/// that changed while the service started count as changed. SIGHUP is heeded from this call on.
pub fn keep(
    source: Arc<Source>,
    rules: Arc<RulesInUse>,
    pace: Pace,
    decided: Texts,
) -> impl Future<Output = ()> + Send + 'static {
    let asked = Asked::new();
    async move { run(source, rules, pace, decided, asked).await }
}

async fn run(source: Arc<Source>, rules: Arc<RulesInUse>, pace: Pace, mut decided: Texts, mut asked: Asked) {
    let every = |period: Duration| {
        let mut ticks = interval_at(Instant::now() + period, period);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        ticks
    };
    let (mut looks, mut rehearsals) = (every(pace.look), every(pace.rehearse));
    let mut before: Option<Texts> = None;
    loop {
        tokio::select! {
            () = asked.again() => {
                tracing::info!("asked to read the rulebook again");
                let texts = still(|| look(&source)).await;
                decide(&source, &rules, texts.clone()).await;
                decided = texts;
            }
            // Looked at again and again, by content: notices of the file system do not arrive from network
            // shares, and times of modification are too coarse on some.
            _ = looks.tick() => {
                let texts = look(&source).await;
                // A file that is just being written may be whole TOML and lack half of its limits: only what
                // was the same in two looks is taken.
                let settled = before.as_ref() == Some(&texts);
                if settled && texts != decided {
                    decide(&source, &rules, texts.clone()).await;
                    decided = texts.clone();
                }
                before = Some(texts);
            }
            _ = rehearsals.tick() => {
                let (of, book) = (source.clone(), rules.snapshot());
                let own = own_rules().map(|rule| rule.id.to_string());
                let all: Vec<String> = book.limits.iter().map(|l| l.rule.id.to_string()).chain(own).collect();
                let done = spawn_blocking(move || of.rehearse(&book)).await;
                // A rehearsal that does not end says nothing good of any rule.
                let done = done.unwrap_or_else(|_| Rehearsal {
                    at: Timestamp::now(),
                    examples: 0,
                    failing: all,
                    without: Vec::new(),
                    problems: vec!["the rehearsal ended in a fault of the program".to_owned()],
                });
                if !done.failing.is_empty() {
                    let (rules, problems) = (done.failing.join(", "), logged(&done.problems));
                    tracing::error!(rules, problems, "rules in use fail their own examples");
                }
                rules.rehearsed(done);
            }
        }
    }
}

async fn look(source: &Arc<Source>) -> Texts {
    let of = source.clone();
    spawn_blocking(move || of.look()).await.unwrap_or_else(|_| Texts::unread("reading the files ended in a fault"))
}

/// Takes the files or says why not.
async fn decide(source: &Arc<Source>, rules: &RulesInUse, texts: Texts) {
    let of = source.clone();
    let read = spawn_blocking(move || of.used(texts)).await;
    let read = read.unwrap_or_else(|_| Err(vec!["reading the rulebook ended in a fault of the program".to_owned()]));
    let before = rules.snapshot().hash.clone();
    match read {
        Ok((book, rehearsal)) => {
            tracing::info!(
                before,
                rulebook = book.hash,
                label = book.label,
                edition = book.edition,
                limits = book.limits.len(),
                examples = rehearsal.examples,
                "rulebook taken"
            );
            tell_lapses(&book);
            rules.take(book, rehearsal);
        }
        Err(problems) => {
            tracing::error!(
                in_use = before,
                count = problems.len(),
                problems = logged(&problems),
                "the rulebook on disk cannot be used; the rules in use stay"
            );
            rules.refuse(problems);
        }
    }
}

/// What the rules do not judge yet or no longer, or not for long, a line each.
pub fn tell_lapses(book: &Rulebook) {
    for lapse in lapses(book, today()) {
        tracing::warn!(lapse, "rules and their dates");
    }
}

/// The date at Greenwich: dates of limits count by the day.
pub(super) fn today() -> jiff::civil::Date {
    jiff::tz::TimeZone::UTC.to_datetime(Timestamp::now()).date()
}

fn logged(problems: &[String]) -> String {
    problems.iter().take(LOGGED).map(String::as_str).collect::<Vec<_>>().join("; ")
}

/// What is found in two looks one after the other, as soon as it is the same in both: whoever asks may ask while a file is
/// being written.
async fn still<T: PartialEq, F: Future<Output = T>>(look: impl Fn() -> F) -> T {
    let mut before = look().await;
    loop {
        tokio::time::sleep(STILL).await;
        let now = look().await;
        if now == before {
            return now;
        }
        before = now;
    }
}

/// Looks at something on disk until it is dropped: `decide` is called with what is there when it changed and stayed the same
/// for two looks, because a file may be half written and belong to another that is not written yet; and at SIGHUP, as soon as
/// it stays the same for a moment. Where `decide` says that nothing is settled it is called again after the next look.
pub(super) fn watch<T, F>(
    every: Duration,
    mut decided: T,
    look: impl Fn() -> T + Clone + Send + 'static,
    decide: impl Fn(T) -> F + Send + 'static,
) -> impl Future<Output = ()> + Send + 'static
where
    T: Clone + PartialEq + Send + Sync + 'static,
    F: Future<Output = bool> + Send + 'static,
{
    let mut asked = Asked::new();
    async move {
        let mut looks = interval_at(Instant::now() + every, every);
        looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut before: Option<T> = None;
        let mut open = false;
        loop {
            let always = tokio::select! {
                () = asked.again() => true,
                _ = looks.tick() => false,
            };
            let own = look.clone();
            let one = move || {
                let look = own.clone();
                async move { spawn_blocking(look).await.ok() }
            };
            let found = if always { still(one).await } else { one().await };
            let Some(found) = found else { continue };
            let settled = before.as_ref() == Some(&found);
            if always || settled && (open || found != decided) {
                open = !decide(found.clone()).await;
                decided = found.clone();
            }
            before = Some(found);
        }
    }
}

/// SIGHUP; where there is none nobody asks.
struct Asked {
    #[cfg(unix)]
    signal: Option<tokio::signal::unix::Signal>,
}

impl Asked {
    fn new() -> Self {
        Self {
            #[cfg(unix)]
            signal: tokio::signal::unix::signal(tokio::signal::unix::SignalKind::hangup()).ok(),
        }
    }

    async fn again(&mut self) {
        #[cfg(unix)]
        if let Some(signal) = &mut self.signal
            && signal.recv().await.is_some()
        {
            return;
        }
        std::future::pending::<()>().await;
    }
}

#[cfg(all(test, unix))]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};
    use tokio::sync::mpsc;

    /// Whoever asks while a file is being written gets all of it, and not the half that is there.
    #[tokio::test(flavor = "multi_thread")]
    async fn what_is_being_written_is_not_taken_at_the_signal() {
        let looks = Arc::new(AtomicU32::new(0));
        let (taken, mut take) = mpsc::unbounded_channel();
        let own = looks.clone();
        // Another at each of the first four looks.
        let look = move || own.fetch_add(1, Ordering::SeqCst).min(3);
        let decide = move |found| {
            let sent = taken.send(found);
            async move { sent.is_ok() }
        };
        let watching = tokio::spawn(watch(Duration::from_secs(3600), 9, look, decide));
        // The signal is heeded from the call of `watch` on, which is before this.
        let pid = std::process::id().to_string();
        assert!(std::process::Command::new("kill").args(["-HUP", &pid]).status().is_ok_and(|status| status.success()));
        assert_eq!(take.recv().await, Some(3));
        assert_eq!(looks.load(Ordering::SeqCst), 5);
        watching.abort();
    }
}
